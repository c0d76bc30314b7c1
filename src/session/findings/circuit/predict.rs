//! What every reading would show on a machine of given figures, and how that moves with each figure.

use super::{AppliedEdit, DriveState, MachineFigures, Measurand, state::StateNetlist, view::MachineView};
use crate::{electrics::ReadingGains, procedure::DriverSide};

/// One reading to be explained.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in super::super) struct MeterReading {
    /// What is measured.
    pub measurand: Measurand,
    /// While what runs.
    pub state: DriveState,
    /// When, as a share of the visit: 0 its begin, 1 its end.
    pub moment: f64,
    /// The meter's function: whose gain and zero it has; none where nothing is shared.
    pub meter: Option<usize>,
    /// The channel: what a mistake with it spoils.
    pub channel: usize,
    /// Base units; ohms as [`super::comparable`].
    pub value: f64,
    /// Standard uncertainty of this reading alone, base units (ohms plain).
    pub own_u: f64,
    /// Standard uncertainty that the readings of the meter's function share at zero, base units (ohms plain).
    pub zero_u: f64,
}

/// The machine and the readings on it.
#[derive(Debug, Clone)]
pub(in super::super) struct CircuitModel {
    pub figures: MachineFigures,
    pub readings: Vec<MeterReading>,
    /// By branch: ohms of a usual coil at the reference temperature.
    pub nominal: Vec<f64>,
    /// By branch: index of the kind of coil.
    pub kinds: Vec<usize>,
    pub sides: Vec<DriverSide>,
    /// By branch: whether the clamp sits in the driver's supply, where it shows duty times the coil's current.
    pub shows_supply: Vec<bool>,
    pub reference_celsius: f64,
    /// 12 or 24 V: with its usual ohms, what tells a coil's usual amps.
    pub system_volts: f64,
    pub alpha: f64,
    /// Volts by which the battery jumps about from reading to reading, standard deviation.
    pub jitter_v: f64,
}

/// What readings would show.
#[derive(Debug, Clone)]
pub(in super::super) struct Prediction {
    /// By reading asked for; ohms as [`super::comparable`].
    pub values: Vec<f64>,
    /// By reading, variance of what it has alone.
    pub variances: Vec<f64>,
    /// By reading, what it gains by each volt of the battery.
    pub by_source: Vec<f64>,
    /// The slopes of all readings, see [`Prediction::row`].
    slopes: Vec<(u32, f64)>,
    /// By reading, where its slopes end.
    ends: Vec<usize>,
}

impl Prediction {
    /// Of no reading yet, with room for so many.
    fn new(count: usize) -> Self {
        let room = || Vec::with_capacity(count);
        let slopes = Vec::with_capacity(SLOPES_OF_READING * count);
        Self { values: room(), variances: room(), by_source: room(), slopes, ends: Vec::with_capacity(count) }
    }

    /// The figures and sizes that move a reading, with its slope by each, per standard deviation.
    pub(in super::super) fn row(&self, at: usize) -> &[(u32, f64)] {
        let begin = if at == 0 { 0 } else { self.ends[at - 1] };
        &self.slopes[begin..self.ends[at]]
    }
}

/// About how many figures move a reading.
const SLOPES_OF_READING: usize = 32;

impl CircuitModel {
    /// What the readings at these places show, the deviations of all figures and sizes given.
    pub(in super::super) fn predict(
        &self,
        values: &[(f64, f64)],
        edits: &[AppliedEdit],
        places: impl Iterator<Item = usize>,
    ) -> Prediction {
        self.predict_from(0, values, edits, places)
    }

    /// The same, with the slopes by the figures and sizes from this place on alone: rows begin there.
    pub(in super::super) fn predict_from(
        &self,
        first_slope: usize,
        values: &[(f64, f64)],
        edits: &[AppliedEdit],
        places: impl Iterator<Item = usize>,
    ) -> Prediction {
        let machine = self.view(first_slope, values, &[], edits);
        self.predict_on(&machine, &mut SolvedStates::new(self), places, &mut |_, _, _| ())
    }

    /// The machine at one point, with slopes by the figures and sizes from a place on.
    pub(super) fn view<'a>(
        &'a self,
        first_slope: usize,
        values: &'a [(f64, f64)],
        last_sizes: &'a [(f64, f64)],
        edits: &'a [AppliedEdit],
    ) -> MachineView<'a> {
        MachineView {
            figures: &self.figures,
            values,
            last_sizes,
            first_slope,
            edits,
            nominal: &self.nominal,
            kinds: &self.kinds,
            sides: &self.sides,
            reference_celsius: self.reference_celsius,
            system_volts: self.system_volts,
            alpha: self.alpha,
        }
    }

    /// What the readings at these places show. `on_gains` is given what was solved for a reading: its place, its state's netlist among
    /// those solved, what it gains there.
    pub(super) fn predict_on(
        &self,
        machine: &MachineView,
        solved: &mut SolvedStates,
        places: impl Iterator<Item = usize>,
        on_gains: &mut dyn FnMut(usize, usize, ReadingGains),
    ) -> Prediction {
        let mut prediction = Prediction::new(places.size_hint().0);
        let mut row = SlopeRow::new(machine.first_slope, machine.slopes());
        for place in places {
            let shown = self.shown(machine, solved, place, &mut row, on_gains);
            prediction.values.push(shown.value);
            prediction.variances.push(shown.variance);
            prediction.by_source.push(shown.by_source);
            row.take(|place, slope| prediction.slopes.push((place, slope)));
            prediction.ends.push(prediction.slopes.len());
        }
        prediction
    }

    fn shown(
        &self,
        machine: &MachineView,
        solved: &mut SolvedStates,
        place: usize,
        row: &mut SlopeRow,
        on_gains: &mut dyn FnMut(usize, usize, ReadingGains),
    ) -> ShownReading {
        let source = self.source(machine.edits, place);
        if let Some(spoiled) = self.spoiled(machine, place, source) {
            return spoiled;
        }
        let circuit = match self.without_netlist(machine, source, row) {
            Some(value) => CircuitShown { value, by_source: 0.0 },
            None => {
                let state = solved.of(self, machine, self.readings[source].state);
                match self.solved_for(&solved.states[state], source, row) {
                    Some((shown, gains)) => {
                        on_gains(place, state, gains);
                        shown
                    }
                    None => CircuitShown::default(),
                }
            }
        };
        self.metered(machine, place, source, circuit, row)
    }

    /// Ohms of what is measured unplugged.
    pub(super) fn without_netlist(&self, machine: &MachineView, source: usize, row: &mut SlopeRow) -> Option<f64> {
        let ohms = match self.readings[source].measurand {
            Measurand::CoilOhms(at) => machine.coil(at, false),
            Measurand::ToGround(at) => machine.to_ground(at),
            _ => return None,
        };
        ohms.slopes().for_each(|(figure, slope)| row.add(figure, slope));
        Some(ohms.value)
    }

    /// Volts or amps in a solved state, with what they gain; none where nothing is connected.
    fn solved_for(
        &self,
        state: &StateNetlist,
        source: usize,
        row: &mut SlopeRow,
    ) -> Option<(CircuitShown, ReadingGains)> {
        let reading = state.reading(self.readings[source].measurand)?;
        let gains = state.solved.gains(reading);
        let mut known = (state.source, state.solved.gain(&gains, state.source));
        let by_source = -known.1.by_volts;
        for (resistor, figure, ohms, volts) in &state.slopes {
            if *resistor != known.0 {
                known = (*resistor, state.solved.gain(&gains, *resistor));
            }
            row.add(*figure, known.1.by_ohms * ohms + known.1.by_volts * volts);
        }
        Some((CircuitShown { value: state.solved.reading(reading), by_source }, gains))
    }

    fn state(&self, machine: &MachineView, state: DriveState) -> StateNetlist {
        let mut live: Vec<usize> = self
            .readings
            .iter()
            .filter(|reading| reading.state == state)
            .filter_map(|reading| reading.measurand.branch())
            .collect();
        match state {
            DriveState::Rest => {}
            DriveState::AllHeld => live.extend(0..self.nominal.len()),
            DriveState::Held(at) | DriveState::HeldUnplugged(at) => live.push(at),
        }
        let feeding = machine.edits.iter().filter(|applied| applied.edit.feeds_by_itself());
        live.extend(feeding.flat_map(|applied| applied.edit.branches()));
        live.sort_unstable();
        live.dedup();
        StateNetlist::new(machine, state, &live)
    }
}

/// The netlists of one machine that are solved so far, and by state their places.
#[derive(Debug)]
pub(super) struct SolvedStates {
    places: Vec<Option<usize>>,
    pub states: Vec<StateNetlist>,
}

impl SolvedStates {
    pub(super) fn new(model: &CircuitModel) -> Self {
        Self { places: vec![None; 2 + 2 * model.nominal.len()], states: Vec::new() }
    }

    /// The place of a state's netlist, solved now if it was not.
    fn of(&mut self, model: &CircuitModel, machine: &MachineView, state: DriveState) -> usize {
        *self.places[state.index(model.nominal.len())].get_or_insert_with(|| {
            self.states.push(model.state(machine, state));
            self.states.len() - 1
        })
    }
}

/// What the circuit has at a reading's place, before a meter shows it.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct CircuitShown {
    /// V, A or Ω.
    pub value: f64,
    /// What it gains by each volt of the battery.
    pub by_source: f64,
}

/// What a meter shows.
#[derive(Debug, Clone, Copy)]
pub(super) struct ShownReading {
    pub value: f64,
    pub variance: f64,
    pub by_source: f64,
}

/// The slopes of one reading, by the figures and sizes from the first wanted on.
#[derive(Debug)]
pub(super) struct SlopeRow {
    first: usize,
    slopes: Vec<f64>,
    /// Places that were added to, and whether each was.
    touched: Vec<u32>,
    is_touched: Vec<bool>,
}

impl SlopeRow {
    /// None yet, with room for so many.
    pub(super) fn new(first: usize, count: usize) -> Self {
        let touched = Vec::with_capacity(SLOPES_OF_READING);
        Self { first, slopes: vec![0.0; count], touched, is_touched: vec![false; count] }
    }

    pub(super) fn add(&mut self, place: usize, slope: f64) {
        if let Some(own) = place.checked_sub(self.first) {
            if !std::mem::replace(&mut self.is_touched[own], true) {
                self.touched.push(own as u32);
            }
            self.slopes[own] += slope;
        }
    }

    pub(super) fn scale(&mut self, factor: f64) {
        for at in &self.touched {
            self.slopes[*at as usize] *= factor;
        }
    }

    /// Hands out what is not 0, counted from the first on, and begins anew.
    pub(super) fn take(&mut self, mut of: impl FnMut(u32, f64)) {
        for at in self.touched.drain(..) {
            self.is_touched[at as usize] = false;
            let slope = std::mem::take(&mut self.slopes[at as usize]);
            if slope != 0.0 {
                of(at, slope);
            }
        }
    }
}
