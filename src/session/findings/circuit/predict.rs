//! What every reading would show on a machine of given figures, and how that moves with each figure.

use super::{
    AppliedEdit, DriveState, Edit, Figure, MachineFigures, Measurand, comparable, figures::DRIFT_KNOTS,
    state::StateNetlist, term::Term, view::MachineView,
};
use crate::procedure::DriverSide;

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
    /// Base units; ohms as [`comparable`].
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
    pub alpha: f64,
    /// Volts by which the battery jumps about from reading to reading, standard deviation.
    pub jitter_v: f64,
}

/// What readings would show.
#[derive(Debug, Clone)]
pub(in super::super) struct Prediction {
    /// By reading asked for; ohms as [`comparable`].
    pub values: Vec<f64>,
    /// By reading, variance of what it has alone.
    pub variances: Vec<f64>,
    /// By reading, what it gains by each volt of the battery.
    pub by_source: Vec<f64>,
    /// By reading, a row with its slope by each figure and size, per standard deviation.
    pub slopes: Vec<f64>,
    /// Length of a row.
    pub width: usize,
}

impl Prediction {
    pub(in super::super) fn row(&self, at: usize) -> &[f64] {
        &self.slopes[at * self.width..][..self.width]
    }
}

/// A reading that a slipped lead shows: nothing in particular, standard deviation in V, A, and as comparable ohms.
const SLIPPED_V: f64 = 6.0;
const SLIPPED_DROP_V: f64 = 0.7;
const SLIPPED_A: f64 = 1.0;
const SLIPPED_OHMS: f64 = 0.4;

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
        let machine = MachineView {
            figures: &self.figures,
            values,
            first_slope,
            edits,
            nominal: &self.nominal,
            kinds: &self.kinds,
            sides: &self.sides,
            reference_celsius: self.reference_celsius,
            alpha: self.alpha,
        };
        let branches = self.nominal.len();
        let mut solved = SolvedStates { places: vec![None; 2 + 2 * branches], states: Vec::new() };
        let width = values.len() - first_slope;
        let count = places.size_hint().0;
        let room = || Vec::with_capacity(count);
        let mut prediction = Prediction {
            values: room(),
            variances: room(),
            by_source: room(),
            slopes: Vec::with_capacity(count * width),
            width,
        };
        for place in places {
            let row_begin = prediction.slopes.len();
            prediction.slopes.resize(row_begin + width, 0.0);
            let mut row = SlopeRow { first: first_slope, slopes: &mut prediction.slopes[row_begin..] };
            let (value, variance, by_source) = self.reading(&machine, place, &mut solved, &mut row);
            prediction.values.push(value);
            prediction.by_source.push(by_source);
            prediction.variances.push(variance);
        }
        prediction
    }

    fn reading(
        &self,
        machine: &MachineView,
        place: usize,
        solved: &mut SolvedStates,
        row: &mut SlopeRow,
    ) -> (f64, f64, f64) {
        let filed = &self.readings[place];
        let source = machine.edits.iter().fold(place, |at, applied| match applied.edit {
            Edit::Exchanged(one, other) if at == one => other,
            Edit::Exchanged(one, other) if at == other => one,
            _ => at,
        });
        let measured = &self.readings[source];
        let is_of = |channel: usize| channel == filed.channel;
        let mut is_amps = matches!(measured.measurand, Measurand::Wire(_));
        let (mut value, mut by_source) = (0.0, 0.0);
        let mut spoiled = None;
        for applied in machine.edits {
            match applied.edit {
                Edit::Slipped(at) if at == place => {
                    spoiled = Some(match measured.measurand {
                        Measurand::CoilOhms(_) | Measurand::ToGround(_) => SLIPPED_OHMS,
                        Measurand::Wire(_) => SLIPPED_A,
                        Measurand::FeedDrop(_)
                        | Measurand::CoilGround(_)
                        | Measurand::SharedGround
                        | Measurand::FeedPin(_)
                        | Measurand::GroundPin(_)
                        | Measurand::SharedFeedDrop => SLIPPED_DROP_V,
                        _ => SLIPPED_V,
                    });
                }
                Edit::DeadClamp(at) if at == place => spoiled = Some(filed.own_u.hypot(filed.zero_u)),
                _ => {}
            }
        }
        if let Some(sd) = spoiled {
            return (0.0, sd * sd, 0.0);
        }
        match measured.measurand {
            Measurand::CoilOhms(at) => fill(&machine.coil(at, false), &mut value, row),
            Measurand::ToGround(at) => fill(&machine.to_ground(at), &mut value, row),
            measurand => {
                let place = &mut solved.places[measured.state.index(self.nominal.len())];
                let made = *place.get_or_insert_with(|| {
                    solved.states.push(self.state(machine, measured.state));
                    solved.states.len() - 1
                });
                let made = &solved.states[made];
                if let Some(reading) = made.reading(measurand) {
                    value = made.solved.reading(reading);
                    let gains = made.solved.gains(reading);
                    let mut known = (made.source, gains.of(made.source));
                    by_source = -known.1.by_volts;
                    for (resistor, figure, ohms, volts) in &made.slopes {
                        if *resistor != known.0 {
                            known = (*resistor, gains.of(*resistor));
                        }
                        row.add(*figure, known.1.by_ohms * ohms + known.1.by_volts * volts);
                    }
                }
                if let Measurand::Wire(at) = measurand
                    && self.shows_supply[at]
                    && measured.state.drives(at)
                {
                    let duty = self.figures.place(Figure::Duty(at));
                    let (share, slope) = machine.at(duty);
                    row.scale(share);
                    row.add(duty, value * slope);
                    value *= share;
                    by_source *= share;
                }
            }
        }
        // The battery at this time.
        for (knot, share) in hats(measured.moment) {
            let at = self.figures.place(Figure::Drift(knot));
            let (volts, slope) = machine.at(at);
            value += by_source * share * volts;
            row.add(at, by_source * share * slope);
        }
        for applied in machine.edits {
            match applied.edit {
                Edit::EngineStarted(from) if place >= from => {
                    let (volts, slope) = machine.at(applied.sizes);
                    value += by_source * volts;
                    row.add(applied.sizes, by_source * slope);
                }
                Edit::Reversed(channel) if is_of(channel) && is_amps => {
                    value = -value;
                    by_source = -by_source;
                    row.scale(-1.0);
                }
                _ => {}
            }
        }
        // The meter.
        if let Some(meter) = filed.meter {
            let gain = self.figures.place(Figure::MeterGain(meter));
            let (error, slope) = machine.at(gain);
            row.scale(1.0 + error);
            row.add(gain, value * slope);
            value *= 1.0 + error;
            let zero = self.figures.place(Figure::MeterZero(meter));
            let (share, slope) = machine.at(zero);
            value += share * filed.zero_u;
            row.add(zero, slope * filed.zero_u);
        }
        is_amps |= matches!(filed.measurand, Measurand::Wire(_));
        for applied in machine.edits {
            match applied.edit {
                Edit::NotZeroed(channel) if is_of(channel) && is_amps => {
                    let (amps, slope) = machine.at(applied.sizes);
                    value += amps;
                    row.add(applied.sizes, slope);
                }
                Edit::LeadsNotNulled(channel) if is_of(channel) && filed.measurand.in_ohms() => {
                    let (ohms, slope) = machine.at(applied.sizes);
                    value += ohms;
                    row.add(applied.sizes, slope);
                }
                Edit::WeakMeter(channel) if is_of(channel) => {
                    let (factor, slope) = machine.at(applied.sizes);
                    row.scale(factor);
                    row.add(applied.sizes, value * slope);
                    value *= factor;
                }
                _ => {}
            }
        }
        let mut u = filed.own_u.hypot(by_source * self.jitter_v);
        if filed.measurand.in_ohms() {
            let by_ohms = comparable(value).powi(2);
            row.scale(-by_ohms);
            // No ohmmeter is trusted beyond its range: an overload is open, more than some 10 kohm.
            u = (u * by_ohms).max(OPEN_U);
            value = comparable(value);
        }
        (value, u * u, by_source)
    }

    fn state(&self, machine: &MachineView, state: DriveState) -> StateNetlist {
        let probed: Vec<usize> = self
            .readings
            .iter()
            .filter(|reading| reading.state == state)
            .filter_map(|reading| reading.measurand.branch())
            .collect();
        StateNetlist::new(machine, state, &probed)
    }
}

/// An overload on ohms is open: more than some 10 kohm whatever the range, as [`comparable`] in siemens.
const OPEN_U: f64 = 1e-4;

fn fill(term: &Term, value: &mut f64, row: &mut SlopeRow) {
    *value = term.value;
    term.slopes().for_each(|(figure, slope)| row.add(figure, slope));
}

/// The netlists of one machine that are solved so far, and by state their places.
struct SolvedStates {
    places: Vec<Option<usize>>,
    states: Vec<StateNetlist>,
}

/// The slopes of one reading, by the figures and sizes from the first wanted on.
struct SlopeRow<'a> {
    first: usize,
    slopes: &'a mut [f64],
}

impl SlopeRow<'_> {
    fn add(&mut self, place: usize, slope: f64) {
        if let Some(own) = place.checked_sub(self.first) {
            self.slopes[own] += slope;
        }
    }

    fn scale(&mut self, factor: f64) {
        self.slopes.iter_mut().for_each(|slope| *slope *= factor);
    }
}

/// The knots around a moment, with their shares.
fn hats(moment: f64) -> [(usize, f64); 2] {
    let position = moment.clamp(0.0, 1.0) * (DRIFT_KNOTS - 1) as f64;
    let low = (position.floor() as usize).min(DRIFT_KNOTS - 2);
    let share = position - low as f64;
    [(low, 1.0 - share), (low + 1, share)]
}
