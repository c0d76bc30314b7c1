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
        let machine = MachineView {
            figures: &self.figures,
            values,
            edits,
            nominal: &self.nominal,
            kinds: &self.kinds,
            sides: &self.sides,
            reference_celsius: self.reference_celsius,
            alpha: self.alpha,
        };
        let branches = self.nominal.len();
        let mut solved: Vec<Option<StateNetlist>> = (0..2 + 2 * branches).map(|_| None).collect();
        let width = values.len();
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
            let row = &mut prediction.slopes[row_begin..];
            let (value, variance, by_source) = self.reading(&machine, place, &mut solved, row);
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
        solved: &mut [Option<StateNetlist>],
        row: &mut [f64],
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
                let of_state = &mut solved[measured.state.index(self.nominal.len())];
                let made = of_state.get_or_insert_with(|| self.state(machine, measured.state));
                if let Some(reading) = made.reading(measurand) {
                    value = made.solved.reading(reading);
                    let gains = made.solved.gains(reading);
                    for (resistor, figure, ohms, volts) in &made.slopes {
                        row[*figure] += gains[*resistor].by_ohms * ohms + gains[*resistor].by_volts * volts;
                    }
                    by_source = -gains[made.source].by_volts;
                }
                if let Measurand::Wire(at) = measurand
                    && self.shows_supply[at]
                    && measured.state.drives(at)
                {
                    let duty = self.figures.place(Figure::Duty(at));
                    let (share, slope) = machine.at(duty);
                    row.iter_mut().for_each(|of| *of *= share);
                    row[duty] += value * slope;
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
            row[at] += by_source * share * slope;
        }
        for applied in machine.edits {
            match applied.edit {
                Edit::EngineStarted(from) if place >= from => {
                    let (volts, slope) = machine.at(applied.sizes);
                    value += by_source * volts;
                    row[applied.sizes] += by_source * slope;
                }
                Edit::Reversed(channel) if is_of(channel) && is_amps => {
                    value = -value;
                    by_source = -by_source;
                    row.iter_mut().for_each(|slope| *slope = -*slope);
                }
                _ => {}
            }
        }
        // The meter.
        if let Some(meter) = filed.meter {
            let gain = self.figures.place(Figure::MeterGain(meter));
            let (error, slope) = machine.at(gain);
            row.iter_mut().for_each(|of| *of *= 1.0 + error);
            row[gain] += value * slope;
            value *= 1.0 + error;
            let zero = self.figures.place(Figure::MeterZero(meter));
            let (share, slope) = machine.at(zero);
            value += share * filed.zero_u;
            row[zero] += slope * filed.zero_u;
        }
        is_amps |= matches!(filed.measurand, Measurand::Wire(_));
        for applied in machine.edits {
            match applied.edit {
                Edit::NotZeroed(channel) if is_of(channel) && is_amps => {
                    let (amps, slope) = machine.at(applied.sizes);
                    value += amps;
                    row[applied.sizes] += slope;
                }
                Edit::LeadsNotNulled(channel) if is_of(channel) && filed.measurand.in_ohms() => {
                    let (ohms, slope) = machine.at(applied.sizes);
                    value += ohms;
                    row[applied.sizes] += slope;
                }
                Edit::WeakMeter(channel) if is_of(channel) => {
                    let (factor, slope) = machine.at(applied.sizes);
                    row.iter_mut().for_each(|of| *of *= factor);
                    row[applied.sizes] += value * slope;
                    value *= factor;
                }
                _ => {}
            }
        }
        let mut u = filed.own_u.hypot(by_source * self.jitter_v);
        if filed.measurand.in_ohms() {
            let by_ohms = comparable(value).powi(2);
            row.iter_mut().for_each(|slope| *slope *= -by_ohms);
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

fn fill(term: &Term, value: &mut f64, row: &mut [f64]) {
    *value = term.value;
    term.slopes().iter().for_each(|(figure, slope)| row[*figure] += slope);
}

/// The knots around a moment, with their shares.
fn hats(moment: f64) -> [(usize, f64); 2] {
    let position = moment.clamp(0.0, 1.0) * (DRIFT_KNOTS - 1) as f64;
    let low = (position.floor() as usize).min(DRIFT_KNOTS - 2);
    let share = position - low as f64;
    [(low, 1.0 - share), (low + 1, share)]
}
