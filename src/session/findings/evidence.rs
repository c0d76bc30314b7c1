//! The numbers behind a finding: what was measured, what a good circuit would show, what this cause would show.

use super::{
    FindingKind, Observation, Role, RunningLoads,
    fit::{FitProblem, FitResult},
    layout::{DataPoint, Layout},
    model::{Measurement, Predictor},
};
use crate::{
    electrics::{Drops, MeasuredCircuit, Side, Uncertain},
    units::{Quantity, show, show_with},
};

/// More sentences than this are not read; the rest is in the ledger.
const MOST: usize = 4;

/// What speaks for the cause at this place of the explanation, the strongest first.
pub(super) fn for_cause(
    layout: &Layout,
    problem: &FitProblem,
    fit: &FitResult,
    place: usize,
    kind: FindingKind,
) -> Vec<String> {
    let words = if kind.is_fault() { "this fault" } else { "warm coils" };
    let mut others = fit.faults.clone();
    others.remove(place);
    let circuit = FitProblem::with_faults(&fit.without_faults, &others);
    let mut predictor = Predictor::new(&problem.measurements, circuit.branches.len());
    let otherwise = predictor.all(&circuit);
    let mut moved: Vec<(f64, String)> = Vec::new();
    for (at, reading) in problem.readings.iter().enumerate() {
        let (with, without) = (fit.shown[at], otherwise[at]);
        let deviations = (with - without).abs() / reading.u.max(0.01 * without.abs());
        // Only captures that the cause changes, and that are nearer to the value with the cause than without.
        if deviations > 3.0 && (reading.value - with).abs() < (reading.value - without).abs() {
            moved.push((deviations, sentence(layout, at, reading, [without, with], words)));
        }
    }
    moved.sort_by(|one, other| other.0.total_cmp(&one.0));
    moved.into_iter().take(MOST).map(|(_, sentence)| sentence).collect()
}

fn sentence(layout: &Layout, at: usize, reading: &DataPoint, [without, with]: [f64; 2], words: &str) -> String {
    let observation = layout.observation(at);
    let shown = |value| shown(&reading.measurement, value, observation.usage.role.quantity());
    format!(
        "{}: measured {}; a good circuit would show {}, {words} {}.",
        observation.step,
        observation.shown(),
        shown(without),
        shown(with)
    )
}

/// A predicted value for people; ohms back from the form in which they are compared.
pub(super) fn shown(measurement: &Measurement, value: f64, quantity: Quantity) -> String {
    if !measurement.measurand.in_ohms() {
        return show(value, quantity);
    }
    match value {
        none if none < 2e-4 => "open".to_owned(),
        value => show((1.0 / value - 1.0).max(0.0), quantity),
    }
}

/// The balance of one coil's circuit in a sentence: amps expected and flown, what is missing, and how much of
/// it the drops account for. None where volts, ohms or amps were not measured.
pub(super) fn balance(layout: &Layout, coil: &str) -> Option<String> {
    let found = |circuit: &str, role, running| layout.observations.observation(circuit, role, running);
    let ohms = found(coil, Role::CoilOhms, None)?.uncertain()?;
    let amps = found(coil, Role::CoilAmps, Some(RunningLoads::This))?.uncertain()?;
    let at_rest = |observation: &&Observation| {
        observation.usage.role == Role::Supply && observation.usage.running == RunningLoads::Nothing
    };
    let rest =
        layout.observations.observations().iter().find(at_rest).filter(|observation| observation.uncertain().is_some());
    let (source, where_from) = match rest {
        Some(observation) => (observation, "battery"),
        None => (found(coil, Role::Feed, Some(RunningLoads::Nothing))?, "feed"),
    };
    let feed_drop = found(coil, Role::FeedDrop, Some(RunningLoads::This));
    let loaded_feed = found(coil, Role::Feed, Some(RunningLoads::This));
    let ground_drop = found(coil, Role::GroundDrop, Some(RunningLoads::This));
    let shared = shared_gain([Some(source), feed_drop.or(loaded_feed), ground_drop]);
    let volts = |observation: &Observation| observation.uncertain().map(|volts| less_gain(volts, shared));
    let source = volts(source)?;
    let feed = feed_drop.and_then(volts).or_else(|| Some(source - volts(loaded_feed?)?));
    let drops = Drops { feed, connector: None, ground: ground_drop.and_then(volts) };
    let circuit = MeasuredCircuit { source_v: source, coil_ohms: ohms, amps, drops, volts_gain_u: shared };
    let balance = circuit.balance().ok()?;
    if balance.lost.volts.value < 2.0 * balance.lost.volts.u {
        return None;
    }
    let mut sentence = format!(
        "{coil}: {} at the {where_from} and {} should give {}; {} was measured. That is {} beyond the coil, which turns {} into heat.",
        show(source.value, Quantity::VoltsDc),
        show(ohms.value, Quantity::Ohms),
        show(balance.expected_a.value, Quantity::AmpsDc),
        show(amps.value, Quantity::AmpsDc),
        show_with(balance.lost.ohms.value, 2.0 * balance.lost.ohms.u, Quantity::Ohms),
        show(balance.lost.watts.value, Quantity::Power),
    );
    let share = |side| balance.part(side)?.share;
    let reported =
        |side, words: &str| share(side).map(|share: Uncertain| format!(" {:.0} % is {words}", 100.0 * share.value));
    let shares: Vec<String> = [reported(Side::Feed, "on the feed side"), reported(Side::Ground, "on the ground side")]
        .into_iter()
        .flatten()
        .collect();
    if !shares.is_empty() {
        sentence.push_str(&format!(" Of the lost voltage,{}.", shares.join(" and")));
    }
    Some(sentence)
}

/// The relative standard uncertainty of the gain that all these volts have in common; zero where they have none.
fn shared_gain(observations: [Option<&Observation>; 3]) -> f64 {
    let mut gains = observations.into_iter().flatten().map(|observation| observation.gain.as_ref());
    let Some(Some(first)) = gains.next() else { return 0.0 };
    if gains.all(|gain| gain.is_some_and(|gain| gain.meter == first.meter)) { first.relative_u } else { 0.0 }
}

/// A value whose uncertainty is no longer that of the gain, which is stated separately (JCGM 100:2008, 5.2.4).
fn less_gain(volts: Uncertain, relative_u: f64) -> Uncertain {
    Uncertain::new(volts.value, (volts.u.powi(2) - (relative_u * volts.value).powi(2)).max(0.0).sqrt())
}
