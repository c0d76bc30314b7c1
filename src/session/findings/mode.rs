//! What a good machine may be like in one of two ways, which no single reading tells: hypotheses are weighed in every
//! combination, and findings are summed over all of them. Odds and sizes are common practice, no source.

use super::{
    circuit::{Edit, FigurePrior, Measurand, MeterReading},
    fit::HypothesisEdit,
    layout::Layout,
    prior::{MachinePrior, driver},
};
use crate::procedure::Driver;

/// The engine runs during the whole visit: its odds, and the volts that it adds per 12 V.
const CHARGING_ODDS: f64 = 0.25;
const CHARGING_V: FigurePrior = FigurePrior::normal(1.55, 0.35);
/// Below this per 12 V nothing charges, V.
const LEAST_CHARGING_V: f64 = 13.0;

/// Drivers of the old kind, with a junction in series: their odds, and the volts that a junction takes.
const JUNCTION_ODDS: f64 = 0.15;
const JUNCTION_V: FigurePrior = FigurePrior::normal(0.8, 0.12);
/// How much less it takes of what flows without the coil, V: some 62 mV with each decade of the current (any textbook of diodes), and
/// the current is 3 to 6 decades less, through the meter's 10 Mohm or the tens of kilohms that outputs often have to the frame (common
/// practice, no source).
const JUNCTION_V_LESS: FigurePrior = FigurePrior::normal(0.29, 0.06);
/// Where the procedure says that a good driver drops less, there is no junction in it, V.
const LEAST_JUNCTION_V: f64 = 0.5;

/// Nothing hangs on the feed beside the coils: a circuit of its own, or a bench.
const LITTLE_DRAW_ODDS: f64 = 0.25;

/// Every combination of ways, each as the edits that make it; the first is the usual machine.
pub(super) fn modes(layout: &Layout, prior: &MachinePrior) -> Vec<Vec<HypothesisEdit>> {
    let mut ways: Vec<HypothesisEdit> = Vec::new();
    let way = |edit, sizes: Vec<FigurePrior>| HypothesisEdit { edit, start: vec![0.0; sizes.len()], sizes };
    if may_charge(&layout.readings, prior.scale) {
        let volts = FigurePrior::normal(CHARGING_V.center * prior.scale, CHARGING_V.sd * prior.scale);
        ways.push(way(Edit::Charging, vec![volts]));
    }
    if may_have_junctions(layout) {
        ways.push(way(Edit::JunctionDrivers, vec![JUNCTION_V, JUNCTION_V_LESS]));
    }
    ways.push(way(Edit::LittleDraw, Vec::new()));
    let mut modes: Vec<Vec<HypothesisEdit>> = vec![Vec::new()];
    for way in ways {
        let with: Vec<Vec<HypothesisEdit>> = modes
            .iter()
            .map(|mode| {
                let mut mode = mode.clone();
                mode.push(way.clone());
                mode
            })
            .collect();
        modes.extend(with);
    }
    modes
}

/// Natural logarithm of the odds of all ways among these edits.
pub(super) fn ln_odds(edits: &[HypothesisEdit]) -> f64 {
    edits.iter().filter_map(|edit| odds(edit.edit)).map(f64::ln).sum()
}

/// The ways among these edits.
pub(super) fn of(edits: &[HypothesisEdit]) -> impl Iterator<Item = Edit> {
    edits.iter().map(|edit| edit.edit).filter(|edit| odds(*edit).is_some())
}

const fn odds(edit: Edit) -> Option<f64> {
    match edit {
        Edit::Charging => Some(CHARGING_ODDS),
        Edit::JunctionDrivers => Some(JUNCTION_ODDS),
        Edit::LittleDraw => Some(LITTLE_DRAW_ODDS),
        _ => None,
    }
}

fn may_charge(readings: &[MeterReading], scale: f64) -> bool {
    let is_volts = |measurand| {
        matches!(
            measurand,
            Measurand::Battery | Measurand::SharedFeed | Measurand::HarnessFeed(_) | Measurand::CoilFeed(_)
        )
    };
    readings.iter().any(|reading| is_volts(reading.measurand) && reading.value >= LEAST_CHARGING_V * scale)
}

/// Only where the procedure allows it, or does not say.
fn may_have_junctions(layout: &Layout) -> bool {
    let usual = Driver::default().drop;
    layout.coils.iter().map(|coil| driver(layout, coil).drop).any(|drop| drop == usual || drop.1 >= LEAST_JUNCTION_V)
}
