//! The numbers behind a finding: what was measured, what the same machine would show without the cause and with it.

use super::{
    FindingKind, Observation, Role, RunningLoads,
    circuit::{Measurand, Prediction},
    fit::FitProblem,
    layout::Layout,
    search::{Hypothesis, Posterior},
    statement::Statements,
};
use crate::{
    electrics::{Drops, MeasuredCircuit, Side, Uncertain},
    units::{Quantity, show, show_with},
};

/// More sentences than this are not read; the rest is in the ledger.
const MOST: usize = 4;
/// A reading that a cause moves by fewer standard deviations is no evidence for it.
const MOVED: f64 = 3.0;

/// What the machine of a hypothesis would show without some of its causes, all else as fitted.
fn without(problem: FitProblem, hypothesis: &Hypothesis, is_included: impl Fn(usize) -> bool) -> Prediction {
    let fit = &hypothesis.fit;
    let edits: Vec<_> =
        fit.edits.iter().enumerate().filter(|(at, _)| is_included(*at)).map(|(_, edit)| *edit).collect();
    problem.model.predict(&fit.values, &edits, 0..problem.model.readings.len())
}

/// What speaks for the cause at this place of a hypothesis, the strongest first. A reading that two causes move stands under
/// the one that moves it more.
pub(super) fn for_cause(layout: &Layout, problem: FitProblem, hypothesis: &Hypothesis, place: usize) -> Vec<String> {
    let count = hypothesis.causes.len();
    let shown = &hypothesis.fit.prediction;
    let good = without(problem, hypothesis, |at| at >= count);
    let otherwise: Vec<Prediction> = (0..count).map(|cause| without(problem, hypothesis, |at| at != cause)).collect();
    let mut moved: Vec<(f64, String)> = Vec::new();
    for (at, reading) in layout.readings.iter().enumerate() {
        let by = |cause: usize| (shown.values[at] - otherwise[cause].values[at]).abs();
        let u = shown.variances[at].sqrt().max(0.01 * good.values[at].abs());
        let deviations = by(place) / u;
        let is_its = (0..count).all(|cause| cause == place || by(cause) <= by(place));
        let is_nearer = (reading.value - shown.values[at]).abs() < (reading.value - otherwise[place].values[at]).abs();
        if is_its && is_nearer && deviations > MOVED {
            let observation = layout.observation(at);
            let words = |value| self::shown(reading.measurand, value, observation.usage.role.quantity());
            moved.push((
                deviations,
                format!(
                    "{}: measured {}; without this cause it would show {}, with it {}.",
                    observation.step,
                    observation.shown(),
                    words(good.values[at]),
                    words(shown.values[at])
                ),
            ));
        }
    }
    moved.sort_by(|one, other| other.0.total_cmp(&one.0));
    moved.into_iter().take(MOST).map(|(_, sentence)| sentence).collect()
}

/// The readings that the cause at this place of a hypothesis moves by more than their uncertainty.
pub(super) fn moved(layout: &Layout, problem: FitProblem, hypothesis: &Hypothesis, place: usize) -> Vec<usize> {
    let shown = &hypothesis.fit.prediction;
    let otherwise = without(problem, hypothesis, |at| at != place);
    (0..layout.readings.len())
        .filter(|at| {
            let u = shown.variances[*at].sqrt().max(0.01 * otherwise.values[*at].abs());
            (shown.values[*at] - otherwise.values[*at]).abs() > MOVED * u
        })
        .collect()
}

/// By how many standard deviations the captures speak for a hypothesis against a good machine.
pub(super) fn deviations(posterior: &Posterior, statements: Statements, best: &Hypothesis) -> f64 {
    let sound = posterior.hypotheses.iter().filter(|one| statements.faults(one).next().is_none());
    let squares = sound.map(|one| one.fit.squares).fold(f64::MAX, f64::min);
    (squares - best.fit.squares).max(0.0).sqrt()
}

/// The readings that a fit misses most, the worst first.
pub(super) fn oddest(problem: FitProblem, hypothesis: &Hypothesis) -> Vec<usize> {
    let prediction = &hypothesis.fit.prediction;
    let mut odd: Vec<(f64, usize)> = problem
        .misses(prediction)
        .iter()
        .zip(&prediction.variances)
        .enumerate()
        .map(|(at, (miss, variance))| (miss * miss / variance, at))
        .collect();
    odd.sort_by(|one, other| other.0.total_cmp(&one.0));
    odd.into_iter().take(2).map(|(_, at)| at).collect()
}

/// What a fit misses.
pub(super) fn miss(layout: &Layout, hypothesis: &Hypothesis, at: usize) -> String {
    let observation = layout.observation(at);
    let fits =
        shown(layout.readings[at].measurand, hypothesis.fit.prediction.values[at], observation.usage.role.quantity());
    format!("{}: measured {}; by the other captures it should be {fits}.", observation.step, observation.shown())
}

/// A predicted value for people; ohms back from the form in which they are compared.
pub(super) fn shown(measurand: Measurand, value: f64, quantity: Quantity) -> String {
    if !measurand.in_ohms() {
        return show(value, quantity);
    }
    match value {
        none if none < 2e-4 => "open".to_owned(),
        value => show((1.0 / value - 1.0).max(0.0), quantity),
    }
}

/// Whether a balance of volts, ohms and amps is evidence for it.
pub(super) const fn is_series(kind: FindingKind) -> bool {
    matches!(
        kind,
        FindingKind::FeedResistance
            | FindingKind::GroundResistance
            | FindingKind::ConnectorResistance
            | FindingKind::UnplacedResistance
            | FindingKind::FeedLowInBranch
    )
}

/// The balance of one coil's circuit in a sentence: amps expected and flown, what is missing, and how much of
/// it the drops account for. None where volts, ohms or amps were not measured.
pub(super) fn balance(layout: &Layout, coil: &str) -> Option<String> {
    let found = |circuit: &str, role, running| layout.observations.observation(circuit, role, running);
    let (of_ohms, of_amps) =
        (found(coil, Role::CoilOhms, None)?, found(coil, Role::CoilAmps, Some(RunningLoads::This))?);
    let (ohms, amps) = (of_ohms.uncertain()?, of_amps.uncertain()?);
    let at_rest = |observation: &&Observation| {
        observation.usage.role == Role::Supply && observation.usage.running == RunningLoads::Nothing
    };
    let rest =
        layout.observations.observations().iter().find(at_rest).filter(|observation| observation.uncertain().is_some());
    let (of_source, where_from) = match rest {
        Some(observation) => (observation, "battery"),
        None => (found(coil, Role::Feed, Some(RunningLoads::Nothing))?, "feed"),
    };
    let feed_drop = found(coil, Role::FeedDrop, Some(RunningLoads::This));
    let loaded_feed = found(coil, Role::Feed, Some(RunningLoads::This));
    let ground_drop = found(coil, Role::GroundDrop, Some(RunningLoads::This));
    let shared = shared_gain([Some(of_source), feed_drop.or(loaded_feed), ground_drop]);
    let volts = |observation: &Observation| observation.uncertain().map(|volts| less_gain(volts, shared));
    let source = volts(of_source)?;
    let feed = feed_drop.and_then(volts).or_else(|| Some(source - volts(loaded_feed?)?));
    let drops = Drops { feed, connector: None, ground: ground_drop.and_then(volts) };
    let circuit = MeasuredCircuit { source_v: source, coil_ohms: ohms, amps, drops, volts_gain_u: shared };
    let balance = circuit.balance().ok()?;
    if balance.lost.volts.value < 2.0 * balance.lost.volts.u {
        return None;
    }
    let mut sentence = format!(
        "{coil}: {} at the {where_from} and {} should give {}; {} was measured. That is {} beyond the coil, which turns {} into heat.",
        of_source.shown(),
        of_ohms.shown(),
        show(balance.expected_a.value, Quantity::AmpsDc),
        of_amps.shown(),
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
