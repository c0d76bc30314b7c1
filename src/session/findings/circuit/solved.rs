//! A machine that was solved once, and what its readings show with one edit more: by the change of the few resistors that the edit
//! touches, without solving it anew.

use std::cell::RefCell;

use super::{
    AppliedEdit, CircuitModel, DriveState, Prediction,
    predict::{CircuitShown, SlopeRow, SolvedStates},
    state::StateChanges,
    view::MachineView,
};
use crate::electrics::{ChangedNetlist, CircuitReading, NetlistChange, ReadingGains};

/// A machine with its netlists solved.
#[derive(Debug)]
pub(in super::super) struct SolvedMachine<'a> {
    model: &'a CircuitModel,
    /// Values and slopes of figures and sizes.
    pub values: Vec<(f64, f64)>,
    pub edits: Vec<AppliedEdit>,
    solved: SolvedStates,
    /// By reading: its state's netlist, and what it gains there.
    gains: Vec<Option<(usize, ReadingGains)>>,
    /// By netlist, what the readings gain that drive changes, as far as they were asked for.
    drives: RefCell<Vec<Vec<(CircuitReading, ReadingGains)>>>,
}

/// What readings show with one edit more, and what each gains by up to two sizes of it.
#[derive(Debug)]
pub(in super::super) struct MovedReadings {
    pub values: Vec<f64>,
    pub by_sizes: [Vec<f64>; 2],
}

impl<'a> SolvedMachine<'a> {
    /// Solves it, and predicts all readings with all slopes.
    pub(in super::super) fn new(
        model: &'a CircuitModel,
        values: Vec<(f64, f64)>,
        edits: Vec<AppliedEdit>,
    ) -> (Self, Prediction) {
        let mut solved = SolvedStates::new(model);
        let count = model.readings.len();
        let mut gains: Vec<Option<(usize, ReadingGains)>> = (0..count).map(|_| None).collect();
        let machine = model.view(0, &values, &[], &edits);
        let prediction = model.predict_on(&machine, &mut solved, 0..count, &mut |place, state, found| {
            gains[place] = Some((state, found));
        });
        let drives = RefCell::new(solved.states.iter().map(|_| Vec::new()).collect());
        (Self { model, values, edits, solved, gains, drives }, prediction)
    }

    /// What the readings at these places show with one edit more, its sizes given with their slopes.
    pub(in super::super) fn with(&self, edit: AppliedEdit, sizes: &[(f64, f64)], places: &[usize]) -> MovedReadings {
        let mut edits = Vec::with_capacity(self.edits.len() + 1);
        edits.extend(&self.edits);
        edits.push(edit);
        let first = self.values.len();
        let machine = self.model.view(first, &self.values, sizes, &edits);
        if let Some(moved) = self.changed(&machine, places) {
            return moved;
        }
        let mut values = self.values.clone();
        values.extend(sizes);
        let prediction = self.model.predict_from(first, &values, &edits, places.iter().copied());
        let slopes: Vec<&[(u32, f64)]> = (0..places.len()).map(|row| prediction.row(row)).collect();
        let mut moved = MovedReadings::new(places.len(), Vec::new());
        for (row, slopes) in slopes.into_iter().enumerate() {
            slopes.iter().for_each(|(size, slope)| moved.by_sizes[*size as usize][row] = *slope);
        }
        moved.values = prediction.values;
        moved
    }

    /// None where the edit does more than can be worked out from what was solved.
    fn changed(&self, machine: &MachineView, places: &[usize]) -> Option<MovedReadings> {
        let width = machine.slopes();
        let mut moved = MovedReadings::new(places.len(), Vec::with_capacity(places.len()));
        let edit = machine.edits.last()?.edit;
        // What all share is changed in the same way in every state.
        let shared = match self.solved.states.first() {
            Some(first) if edit.is_shared() => Some(first.changes(machine, DriveState::Rest)?),
            _ => None,
        };
        let mut states: Vec<(usize, StateChanges, ChangedNetlist)> = Vec::with_capacity(4);
        let mut slopes = SlopeRow::new(machine.first_slope, width);
        for (row, place) in places.iter().copied().enumerate() {
            let source = self.model.source(machine.edits, place);
            let shown = match self.model.spoiled(machine, place, source) {
                Some(spoiled) => spoiled,
                None => {
                    let circuit = match (self.model.without_netlist(machine, source, &mut slopes), &self.gains[place]) {
                        (Some(value), _) => CircuitShown { value, by_source: 0.0 },
                        (None, None) => CircuitShown::default(),
                        (None, Some((state, gains))) => {
                            let known = states.iter().rposition(|(known, ..)| known == state);
                            let known = match known {
                                Some(known) => known,
                                None => {
                                    let running = self.model.readings[source].state;
                                    let changes = match shared {
                                        Some(shared) => shared,
                                        None => self.solved.states[*state].changes(machine, running)?,
                                    };
                                    states.push((*state, changes, self.change(*state, changes.as_slice())));
                                    states.len() - 1
                                }
                            };
                            let (_, changes, changed) = &states[known];
                            let netlist = &self.solved.states[*state];
                            let shown =
                                netlist.solved.reading_changed(gains, changes.as_slice(), changed, netlist.source);
                            for (at, slope) in shown.by_figures.iter().enumerate().take(width) {
                                slopes.add(machine.first_slope + at, *slope);
                            }
                            CircuitShown { value: shown.value, by_source: -shown.by_source_volts }
                        }
                    };
                    self.model.metered(machine, place, source, circuit, &mut slopes)
                }
            };
            moved.values.push(shown.value);
            slopes.take(|size, slope| moved.by_sizes[size as usize][row] = slope);
        }
        Some(moved)
    }

    fn change(&self, state: usize, changes: &[NetlistChange]) -> ChangedNetlist {
        let netlist = &self.solved.states[state];
        let mut drives = self.drives.borrow_mut();
        let known = &mut drives[state];
        let mut place = |change: &NetlistChange| {
            let reading = change.driven_by();
            known.iter().position(|(of, _)| *of == reading).unwrap_or_else(|| {
                known.push((reading, netlist.solved.gains(reading)));
                known.len() - 1
            })
        };
        let (one, other) = match changes {
            [] => return ChangedNetlist::NONE,
            [one] => (place(one), None),
            [one, other, ..] => (place(one), Some(place(other))),
        };
        netlist.solved.changed(changes, [&known[one].1, &known[other.unwrap_or(one)].1], netlist.source)
    }
}

impl MovedReadings {
    /// So many readings with these values and no slopes.
    pub(in super::super) fn new(count: usize, values: Vec<f64>) -> Self {
        Self { values, by_sizes: [vec![0.0; count], vec![0.0; count]] }
    }
}
