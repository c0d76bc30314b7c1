//! What a meter shows of what the circuit has: which reading was filed where, the battery at that time, gain and zero, and what
//! a person's mistake makes of it.

use super::{
    AppliedEdit, CircuitModel, Edit, Figure, Measurand, comparable,
    figures::DRIFT_KNOTS,
    predict::{CircuitShown, ShownReading, SlopeRow},
    view::MachineView,
};

/// A reading that a slipped lead shows: nothing in particular, standard deviation in V, A, and as comparable ohms.
const SLIPPED_V: f64 = 6.0;
const SLIPPED_DROP_V: f64 = 0.7;
const SLIPPED_A: f64 = 1.0;
const SLIPPED_OHMS: f64 = 0.4;
/// What a drop shows by a lead that is on nothing any more: standard deviation, V.
const LIFTED_DROP_V: f64 = 0.003;

/// An overload on ohms is open: more than some 10 kohm whatever the range, as [`comparable`] in siemens.
const OPEN_U: f64 = 1e-4;

/// What a drop shows by a lead that slipped: next to nothing or anything, whichever is likelier for what was measured. Standard
/// deviation, V.
fn slipped_drop(measured: f64) -> f64 {
    // Beyond it the wide Gaussian is the higher one.
    let even = LIFTED_DROP_V * (2.0 * (SLIPPED_DROP_V / LIFTED_DROP_V).ln()).sqrt();
    if measured.abs() < even { LIFTED_DROP_V } else { SLIPPED_DROP_V }
}

impl CircuitModel {
    /// The reading whose value is filed at a place.
    pub(in super::super) fn source(&self, edits: &[AppliedEdit], place: usize) -> usize {
        edits.iter().fold(place, |at, applied| match applied.edit {
            Edit::SwappedSteps(one, other) if at == one => other,
            Edit::SwappedSteps(one, other) if at == other => one,
            _ => at,
        })
    }

    /// A reading that stands for nothing; none where it stands for something.
    pub(super) fn spoiled(&self, machine: &MachineView, place: usize, source: usize) -> Option<ShownReading> {
        let filed = &self.readings[place];
        let sd = machine.edits.iter().rev().find_map(|applied| match applied.edit {
            Edit::Slipped(at) if at == place => Some(match self.readings[source].measurand {
                Measurand::CoilOhms(_) | Measurand::ToGround(_) => SLIPPED_OHMS,
                Measurand::Wire(_) => SLIPPED_A,
                Measurand::FeedDrop(_)
                | Measurand::CoilGround(_)
                | Measurand::SharedGround
                | Measurand::FeedPin(_)
                | Measurand::GroundPin(_)
                | Measurand::SharedFeedDrop => slipped_drop(filed.value),
                _ => SLIPPED_V,
            }),
            Edit::DeadClamp(at) if at == place => Some(filed.own_u.hypot(filed.zero_u)),
            _ => None,
        })?;
        Some(ShownReading { value: 0.0, variance: sd * sd, by_source: 0.0 })
    }

    /// What is shown of a value of the circuit, whose slopes stand in the row.
    pub(super) fn metered(
        &self,
        machine: &MachineView,
        place: usize,
        source: usize,
        circuit: CircuitShown,
        row: &mut SlopeRow,
    ) -> ShownReading {
        let CircuitShown { mut value, mut by_source } = circuit;
        let (filed, measured) = (&self.readings[place], &self.readings[source]);
        let is_of = |channel: usize| channel == filed.channel;
        let mut is_amps = matches!(measured.measurand, Measurand::Wire(_));
        if let Measurand::Wire(at) = measured.measurand
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
        // The battery at this time.
        let trend = (Figure::Trend, 2.0 * measured.moment.clamp(0.0, 1.0) - 1.0);
        let knots = hats(measured.moment).map(|(knot, share)| (Figure::Drift(knot), share));
        for (figure, share) in knots.into_iter().chain([trend]) {
            let at = self.figures.place(figure);
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
        let mut variance = filed.own_u * filed.own_u + (by_source * self.jitter_v).powi(2);
        if filed.measurand.in_ohms() {
            let by_ohms = comparable(value).powi(2);
            row.scale(-by_ohms);
            // No ohmmeter is trusted beyond its range: an overload is open, more than some 10 kohm.
            variance = (variance * by_ohms * by_ohms).max(OPEN_U * OPEN_U);
            value = comparable(value);
        }
        ShownReading { value, variance, by_source }
    }
}

/// The knots around a moment, with their shares.
fn hats(moment: f64) -> [(usize, f64); 2] {
    let position = moment.clamp(0.0, 1.0) * (DRIFT_KNOTS - 1) as f64;
    let low = (position.floor() as usize).min(DRIFT_KNOTS - 2);
    let share = position - low as f64;
    [(low, 1.0 - share), (low + 1, share)]
}
