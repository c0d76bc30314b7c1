//! A mistake: two steps were done in each other's place, so that each value is filed under the other.

use super::{Cause, CauseCandidate, CauseContext, FittedCause};
use crate::session::findings::{
    circuit::{Edit, MeterReading},
    layout::Layout,
};

pub(super) struct SwappedSteps;

/// A procedure on three coils has some 15 such pairs, and in three visits of a hundred one is exchanged.
const ODDS_OF_PAIR: f64 = 0.03 / 15.0;
/// Values that differ by fewer standard deviations show nothing when they are exchanged.
const APART: f64 = 3.0;

/// Whether two values differ by more than their own uncertainty; ohms as they are compared.
fn is_apart(one: &MeterReading, other: &MeterReading) -> bool {
    let u = |reading: &MeterReading| {
        // d(1/(1 ohm + R)) = dR/(1 ohm + R)², see `comparable`.
        if reading.measurand.in_ohms() { reading.own_u * reading.value.powi(2) } else { reading.own_u }
    };
    (one.value - other.value).abs() > APART * u(one).hypot(u(other))
}

/// Whether a person could take one for the other: the same thing at two coils.
fn is_alike(layout: &Layout, one: usize, other: usize) -> bool {
    let (first, second) = (layout.observation(one), layout.observation(other));
    first.usage == second.usage && first.circuit != second.circuit
}

impl Cause for SwappedSteps {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let readings = &context.layout.readings;
        let mut found = Vec::new();
        for one in 0..readings.len() {
            for other in one + 1..readings.len() {
                if is_apart(&readings[one], &readings[other]) && is_alike(context.layout, one, other) {
                    let exchanged = CauseCandidate::contradiction(&Self, Edit::SwappedSteps(one, other), None);
                    found.push(CauseCandidate { odds: ODDS_OF_PAIR, ..exchanged });
                }
            }
        }
        found
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        let Edit::SwappedSteps(one, other) = fitted.edit else { return String::new() };
        format!(
            "\"{}\" and \"{}\" show what the other one should: the two steps were exchanged.",
            fitted.step(one),
            fitted.step(other)
        )
    }

    fn next_step(&self, fitted: &FittedCause) -> String {
        let Edit::SwappedSteps(one, other) = fitted.edit else { return String::new() };
        format!(
            "Repeat the steps \"{}\" and \"{}\", and compare the wire colours and connector marks.",
            fitted.step(one),
            fitted.step(other)
        )
    }
}
