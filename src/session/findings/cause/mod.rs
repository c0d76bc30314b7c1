//! The causes that are searched for: one file each, with its possible places, how likely it is beforehand, what it changes in the
//! circuit or in a reading, its sentence and its next step. First faults of the machine, then human mistakes.
//!
//! A cause does not know the others and is not weighed here: [`super::fit`] and [`super::search`] do that.

mod coil_tolerance;
mod driver_drop;
mod open_circuit;
mod series_resistance;
mod shared_feed;
mod shared_ground;
mod short_to_feed;
mod short_to_ground;
mod swapped_coils;
mod weak_supply;

mod clamp_not_zeroed;
mod dead_clamp;
mod engine_started;
mod leads_not_nulled;
mod reversed_clamp;
mod slipped_lead;
mod swapped_steps;
mod warm_coil;
mod weak_meter;

use super::{
    FindingKind, Role,
    circuit::{Edit, FigurePrior, Measurand},
    fit::HypothesisEdit,
    layout::Layout,
    prior::MachinePrior,
};
use crate::units::{Quantity, show};

/// One cause.
pub(super) trait Cause: Sync {
    /// The places where it could be in this circuit; empty where it makes no sense.
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate>;

    /// The finding's sentence: what is wrong and where, with the fitted figures.
    fn sentence(&self, fitted: &FittedCause) -> String;

    /// Whether a capture shows what the sentence says. What only follows from other captures is never certain: a mistake that
    /// nobody thought of would do the same.
    fn is_shown(&self, _fitted: &FittedCause) -> bool {
        true
    }

    /// What to measure or inspect next if this is the cause.
    fn next_step(&self, fitted: &FittedCause) -> String;
}

/// Every cause; the order has no meaning.
const CAUSES: &[&dyn Cause] = &[
    &open_circuit::OpenCircuit,
    &coil_tolerance::CoilOutOfTolerance,
    &series_resistance::SeriesResistance,
    &driver_drop::DriverDrop,
    &shared_ground::SharedGround,
    &shared_feed::SharedFeed,
    &short_to_feed::ShortToFeed,
    &short_to_ground::ShortToGround,
    &swapped_coils::SwappedCoils,
    &weak_supply::WeakSupply,
    &swapped_steps::SwappedSteps,
    &slipped_lead::SlippedLeadReading,
    &reversed_clamp::ReversedClamp,
    &dead_clamp::DeadClamp,
    &clamp_not_zeroed::ClampNotZeroed,
    &leads_not_nulled::LeadsNotNulled,
    &weak_meter::WeakMeter,
    &engine_started::EngineStarted,
    &warm_coil::WarmCoil,
];

/// Every cause at every place where it could be.
pub(super) fn candidates(context: &CauseContext) -> Vec<CauseCandidate> {
    CAUSES.iter().flat_map(|cause| cause.candidates(context)).collect()
}

/// What a cause may use to list its candidates.
#[derive(Debug)]
pub(super) struct CauseContext<'a> {
    pub layout: &'a Layout<'a>,
    pub prior: &'a MachinePrior,
}

impl CauseContext<'_> {
    /// Every coil's index.
    pub(super) fn coils(&self) -> std::ops::Range<usize> {
        0..self.layout.coils.len()
    }

    /// Whether something was measured on this coil.
    fn is_seen(&self, coil: usize) -> bool {
        self.layout.readings.iter().any(|reading| reading.measurand.branch() == Some(coil))
    }

    /// Channels with a reading of which this is so.
    fn channels(&self, is_so: impl Fn(Measurand) -> bool) -> Vec<usize> {
        let readings = &self.layout.readings;
        let has =
            |channel: &usize| readings.iter().any(|reading| reading.channel == *channel && is_so(reading.measurand));
        (0..self.layout.channels.len()).filter(has).collect()
    }
}

/// A cause at one place, not fitted yet.
#[derive(Clone)]
pub(super) struct CauseCandidate {
    pub cause: &'static dyn Cause,
    pub kind: FindingKind,
    /// Coils concerned; empty for what all share.
    pub coils: Vec<usize>,
    pub edit: Edit,
    /// Between these its first size makes sense, natural units: beyond, it is another cause.
    pub range: (f64, f64),
    /// Priors of its sizes.
    pub sizes: Vec<FigurePrior>,
    /// Where fits start from, in standard deviations of the sizes.
    pub starts: Vec<Vec<f64>>,
    /// How likely it is beforehand, for one machine in good order measured without a mistake.
    pub odds: f64,
}

impl CauseCandidate {
    /// A fault without a size.
    fn plain(cause: &'static dyn Cause, kind: FindingKind, coils: Vec<usize>, edit: Edit) -> Self {
        Self {
            cause,
            kind,
            coils,
            edit,
            range: (f64::NEG_INFINITY, f64::INFINITY),
            sizes: Vec::new(),
            starts: vec![Vec::new()],
            odds: 0.0,
        }
    }

    /// A fault with one size.
    fn sized(cause: &'static dyn Cause, kind: FindingKind, coils: Vec<usize>, edit: Edit, size: FigurePrior) -> Self {
        let starts = [-1.0, 0.3, 1.5].map(|start| vec![start]).into();
        Self { sizes: vec![size], starts, ..Self::plain(cause, kind, coils, edit) }
    }

    /// A mistake or a state of a good machine, by which readings contradict each other.
    fn contradiction(cause: &'static dyn Cause, edit: Edit, size: Option<FigurePrior>) -> Self {
        let plain = Self::plain(cause, FindingKind::Contradiction, Vec::new(), edit);
        match size {
            Some(size) => Self { sizes: vec![size], starts: vec![vec![-1.0], vec![1.0]], ..plain },
            None => plain,
        }
    }

    /// Shares the odds of a kind of cause among its candidates.
    fn share(mut candidates: Vec<Self>, odds: f64) -> Vec<Self> {
        let each = odds / candidates.len().max(1) as f64;
        candidates.iter_mut().for_each(|candidate| candidate.odds = each);
        candidates
    }

    /// Whether it can have this size; one without a size can.
    pub(super) fn allows(&self, sizes: &[f64]) -> bool {
        sizes.first().is_none_or(|size| (self.range.0..=self.range.1).contains(size))
    }

    /// The edit with sizes to start a fit from.
    pub(super) fn edit_from(&self, start: &[f64]) -> HypothesisEdit {
        HypothesisEdit { edit: self.edit, sizes: self.sizes.clone(), start: start.to_vec() }
    }
}

/// A cause after the fit, to be put into words.
#[derive(Debug)]
pub(super) struct FittedCause<'a> {
    pub layout: &'a Layout<'a>,
    pub prior: &'a MachinePrior,
    pub coils: &'a [usize],
    pub edit: Edit,
    pub kind: FindingKind,
    /// Fitted sizes in natural units.
    pub sizes: Vec<f64>,
}

impl FittedCause<'_> {
    /// The first circuit concerned, as the procedure names it.
    pub(super) fn coil(&self) -> &str {
        self.coils.first().map_or("the circuit", |at| self.layout.coils[*at])
    }

    /// The fitted size at this index; 0 where there is none.
    pub(super) fn size(&self, at: usize) -> f64 {
        self.sizes.get(at).copied().unwrap_or(0.0)
    }

    /// Ohms for people.
    pub(super) fn ohms(&self, at: usize) -> String {
        show_rounded(self.size(at), Quantity::Ohms)
    }

    /// The step of a reading.
    fn step(&self, reading: usize) -> &str {
        &self.layout.observation(reading).step
    }

    /// The first step in ohm of a channel, else any of its steps.
    fn step_of_channel(&self, channel: usize, role: Option<Role>) -> &str {
        let readings = self.layout.readings.iter().enumerate();
        let mut steps =
            readings.filter(|(_, reading)| reading.channel == channel).map(|(at, _)| self.layout.observation(at));
        let first = steps.clone().next();
        steps.find(|step| Some(step.usage.role) == role).or(first).map_or("", |step| step.step.as_str())
    }
}

/// A fitted figure to the digits that mean something: two, and three for volts. Ohms stay ohms, not milliohms.
pub(super) fn show_rounded(value: f64, quantity: Quantity) -> String {
    if value == 0.0 || !value.is_finite() {
        return show(value, quantity);
    }
    if quantity == Quantity::Ohms && (1e-3..0.995).contains(&value.abs()) {
        let decimals = 1 - value.abs().log10().floor() as i32;
        let number = format!("{value:.*}", usize::try_from(decimals).unwrap_or(2));
        return format!("{} ohm", number.trim_end_matches('0'));
    }
    let digits = if quantity == Quantity::VoltsDc { 2 } else { 1 };
    let place = 10f64.powi(value.abs().log10().floor() as i32 - digits);
    let text = show((value / place).round() * place, quantity);
    // Trailing zeros would promise digits that the fit does not know.
    match text.split_once(' ') {
        Some((number, unit)) if number.contains('.') => {
            format!("{} {unit}", number.trim_end_matches('0').trim_end_matches('.'))
        }
        _ => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fitted_figures_have_two_digits() {
        for (value, text) in [
            (0.9123, "0.91 ohm"),
            (0.0442, "0.044 ohm"),
            (0.9, "0.9 ohm"),
            (0.999, "1 ohm"),
            (7.66, "7.7 ohm"),
            (12.4, "12 ohm"),
        ] {
            assert_eq!(show_rounded(value, Quantity::Ohms), text);
        }
    }
}
