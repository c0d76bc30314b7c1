//! The causes that are searched for: one file each, with its possible locations, the change it makes to the circuit
//! model, its sentence and its next step.
//!
//! A cause does not know the others and is not weighed here: [`super::fit`] and [`super::search`] do that.

mod branch_feed;
mod coil;
mod open;
mod parallel;
mod series;
mod shared_feed;
mod shared_ground;
mod short_to_feed;
mod short_to_ground;
mod supply;
mod swapped;
mod warm;

use super::{
    FindingKind,
    fault::{Fault, FaultLocation},
    fit::FittedFault,
    layout::Layout,
    model::CircuitParameters,
    prior::CircuitPrior,
};
use crate::units::{Quantity, show};

/// One cause.
pub(super) trait Cause: Sync {
    /// The places where it could be in this circuit; empty where it makes no sense.
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate>;

    /// The finding's sentence: what is wrong and where, with the fitted figures.
    fn sentence(&self, fitted: &FittedCause) -> String;

    /// What to measure or inspect next if this is the cause.
    fn next_step(&self, fitted: &FittedCause) -> String;
}

/// Every cause; the order has no meaning.
pub(super) const CAUSES: [&dyn Cause; 12] = [
    &open::OpenCircuit,
    &coil::CoilOutOfTolerance,
    &warm::WarmCoils,
    &series::SeriesResistance,
    &shared_ground::SharedGround,
    &shared_feed::SharedFeed,
    &branch_feed::BranchFeed,
    &short_to_feed::ShortToFeed,
    &short_to_ground::ShortToGround,
    &parallel::ParallelPath,
    &swapped::SwappedTerminals,
    &supply::WeakSupply,
];

/// What a cause may use to list its candidates.
#[derive(Debug)]
pub(super) struct CauseContext<'a> {
    pub layout: &'a Layout<'a>,
    pub prior: &'a CircuitPrior,
}

impl CauseContext<'_> {
    /// Every coil's index.
    pub(super) fn coils(&self) -> std::ops::Range<usize> {
        0..self.layout.coils.len()
    }
}

/// A cause at one location, not fitted yet.
#[derive(Clone)]
pub(super) struct CauseCandidate {
    pub cause: &'static dyn Cause,
    pub kind: FindingKind,
    /// Coils concerned; empty for what all share.
    pub coils: Vec<usize>,
    pub fault: Fault,
    /// Figures to start from; one empty start where there is none to fit.
    pub starts: Vec<Vec<f64>>,
    /// Where each figure may lie.
    pub bounds: Vec<(f64, f64)>,
}

impl CauseCandidate {
    /// Without figures.
    fn plain(cause: &'static dyn Cause, kind: FindingKind, coils: Vec<usize>, fault: Fault) -> Self {
        Self { cause, kind, coils, fault, starts: vec![Vec::new()], bounds: Vec::new() }
    }

    /// With one figure.
    fn one_figure(
        cause: &'static dyn Cause,
        kind: FindingKind,
        coils: Vec<usize>,
        fault: Fault,
        starts: &[f64],
        bounds: (f64, f64),
    ) -> Self {
        let starts = starts.iter().map(|start| vec![*start]).collect();
        Self { cause, kind, coils, fault, starts, bounds: vec![bounds] }
    }

    /// The fault with figures to start the fit from.
    pub(super) fn with_figures(&self, start: &[f64]) -> FittedFault {
        FittedFault { fault: self.fault, figures: start.to_vec(), bounds: self.bounds.clone() }
    }
}

/// A cause after the fit, to be put into words.
#[derive(Debug)]
pub(super) struct FittedCause<'a> {
    pub layout: &'a Layout<'a>,
    pub prior: &'a CircuitPrior,
    pub coils: &'a [usize],
    pub fault: Fault,
    pub kind: FindingKind,
    pub figures: &'a [f64],
    /// The fitted circuit, with this fault and all others found.
    pub circuit: &'a CircuitParameters,
}

impl FittedCause<'_> {
    /// The first circuit concerned, as the procedure names it.
    pub(super) fn coil(&self) -> &str {
        self.coils.first().map_or("the circuit", |at| self.layout.coils[*at])
    }

    /// The fitted figure at this index; 0 where there is none.
    pub(super) fn figure(&self, at: usize) -> f64 {
        self.figures.get(at).copied().unwrap_or(0.0)
    }

    /// Ohms for people.
    pub(super) fn ohms(&self, at: usize) -> String {
        show_rounded(self.figure(at), Quantity::Ohms)
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

/// A fault's location in words.
fn location_words(location: FaultLocation) -> &'static str {
    match location {
        FaultLocation::SharedFeed => "in the shared feed",
        FaultLocation::SharedGround => "in the shared ground",
        FaultLocation::FeedWire(_) => "on the feed side",
        FaultLocation::FeedPin(_) => "in the feed pin of its connector",
        FaultLocation::GroundPin(_) => "in the ground pin of its connector",
        FaultLocation::GroundWire(_) => "on the ground side",
        FaultLocation::Hidden(_) => "at a place where nothing was measured",
        FaultLocation::Coil(_) => "in the coil",
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
