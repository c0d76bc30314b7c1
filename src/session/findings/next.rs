//! What to measure next: what splits the hypotheses that are left best for the effort it takes.
//!
//! Each hypothesis predicts every measurement, those not made yet and those that could be repeated. The more these predictions
//! differ beside their uncertainty, the more a measurement tells: an estimate of its mutual information with what is wrong that
//! lies between nothing and all that is open (Kolchinsky and Tracey 2017, from memory).

use super::{
    FindingKind, Role, RunningLoads,
    circuit::{AppliedEdit, DriveState, Measurand, MeterReading},
    conclude::FindingWriter,
    evidence::shown,
    layout::measurand_of,
    observation::least_u,
    search::Hypothesis,
};

/// Chooses a measurement.
pub(super) struct Splitting<'a> {
    pub writer: &'a FindingWriter<'a>,
}

/// A measurement that could be made.
struct Possible {
    reading: MeterReading,
    role: Role,
    words: String,
    /// Minutes, about.
    effort: f64,
}

/// Hypotheses below this probability are not worth a measurement.
const LEAST_PROBABILITY: f64 = 0.01;
/// A measurement that tells less, in natural units of information, is not worth it.
const WORTH: f64 = 0.05;

impl Splitting<'_> {
    /// The best measurement in a sentence; none where nothing would tell more.
    pub(super) fn best(&self) -> Option<String> {
        let writer = self.writer;
        let left: Vec<&Hypothesis> = writer
            .statements
            .posterior
            .hypotheses
            .iter()
            .filter(|one| one.probability >= LEAST_PROBABILITY)
            .take(12)
            .collect();
        let possible = self.possible();
        let mut model = writer.prior.model.clone();
        model.readings = possible.iter().map(|possible| possible.reading).collect();
        let predictions: Vec<_> = left
            .iter()
            .map(|one| model.predict(&one.fit.values, &without_mistakes(&one.fit.edits), 0..model.readings.len()))
            .collect();
        let all: f64 = left.iter().map(|one| one.probability).sum();
        let concluded: Vec<Vec<(FindingKind, &[usize])>> = left.iter().map(|one| self.conclusions(one)).collect();
        let information = |at: usize| {
            let mut sum = 0.0;
            for (one, shows) in predictions.iter().enumerate() {
                let within = shows.variances[at] + usual_u(&possible[at], shows.values[at]).powi(2);
                let alike: f64 = predictions
                    .iter()
                    .enumerate()
                    .map(|(other, rival)| {
                        let is_same = concluded[one] == concluded[other];
                        let apart = if is_same { 0.0 } else { (shows.values[at] - rival.values[at]).powi(2) / within };
                        left[other].probability / all * (-0.25 * apart).exp()
                    })
                    .sum();
                sum -= left[one].probability / all * alike.ln();
            }
            sum
        };
        let best = (0..possible.len())
            .map(|at| (information(at), at))
            .filter(|(gained, _)| *gained > WORTH)
            .max_by(|one, other| (one.0 / possible[one.1].effort).total_cmp(&(other.0 / possible[other.1].effort)))?
            .1;
        let chosen = &possible[best];
        let shows = |at: usize| expected(chosen.reading.measurand, predictions[at].values[best], chosen.role);
        let apart = |at: usize| (predictions[at].values[best] - predictions[0].values[best]).abs();
        let rival = (1..left.len()).filter(|at| concluded[*at] != concluded[0]).max_by(|one, other| {
            (left[*one].probability * apart(*one)).total_cmp(&(left[*other].probability * apart(*other)))
        });
        let Some(rival) = rival else { return Some(format!("{}.", chosen.words)) };
        Some(format!(
            "{}. A reading of {} means: {} A reading of {} means: {}",
            chosen.words,
            shows(0),
            self.words(left[0], left[rival]),
            shows(rival),
            self.words(left[rival], left[0])
        ))
    }

    /// The faults that a hypothesis says, to be compared: a mistake beside them leaves them as they are.
    fn conclusions(&self, hypothesis: &Hypothesis) -> Vec<(FindingKind, &[usize])> {
        let causes = self.writer.statements.candidates;
        let faults = hypothesis.causes.iter().map(|at| &causes[*at]).filter(|cause| cause.edit.is_fault());
        let mut concluded: Vec<(FindingKind, &[usize])> = faults.map(|cause| (cause.kind, &cause.coils[..])).collect();
        concluded.sort_unstable();
        concluded
    }

    /// What a hypothesis says and its rival does not, in a sentence.
    fn words(&self, hypothesis: &Hypothesis, rival: &Hypothesis) -> String {
        let statements = self.writer.statements;
        match statements.own_place(hypothesis, rival) {
            Some(place) => {
                let candidate = &statements.candidates[hypothesis.causes[place]];
                candidate.cause.sentence(&self.writer.fitted(hypothesis, place))
            }
            None if statements.faults(hypothesis).next().is_none() => "no fault.".to_owned(),
            None => "no other fault.".to_owned(),
        }
    }

    fn possible(&self) -> Vec<Possible> {
        let layout = self.writer.layout;
        let mut found = Vec::new();
        let mut offer = |role: Role, running: RunningLoads, branch: Option<usize>, effort: f64| {
            let Some((measurand, state)) = measurand_of(role, running, branch) else { return };
            let is_done =
                layout.readings.iter().any(|reading| reading.measurand == measurand && reading.state == state);
            if !is_done {
                let coil = branch.map(|at| layout.coils[at]);
                let reading = MeterReading {
                    measurand,
                    state,
                    moment: 1.0,
                    meter: None,
                    channel: usize::MAX,
                    value: 0.0,
                    own_u: least_u(role),
                    zero_u: 0.0,
                };
                found.push(Possible { reading, role, words: format!("Measure {}", words(role, state, coil)), effort });
            }
        };
        offer(Role::Supply, RunningLoads::Nothing, None, 0.7);
        offer(Role::Supply, RunningLoads::Everything, None, 1.0);
        offer(Role::Feed, RunningLoads::Nothing, None, 1.0);
        offer(Role::GroundDrop, RunningLoads::Everything, None, 1.0);
        for at in 0..layout.coils.len() {
            offer(Role::CoilOhms, RunningLoads::Nothing, Some(at), 2.0);
            offer(Role::Feed, RunningLoads::Nothing, Some(at), 1.5);
            offer(Role::CoilAmps, RunningLoads::This, Some(at), 1.0);
            offer(Role::Feed, RunningLoads::This, Some(at), 1.0);
            offer(Role::FeedDrop, RunningLoads::This, Some(at), 1.0);
            offer(Role::GroundDrop, RunningLoads::This, Some(at), 1.0);
            offer(Role::OhmsToGround, RunningLoads::Nothing, Some(at), 2.0);
            offer(Role::Draw, RunningLoads::Nothing, Some(at), 1.0);
        }
        // Any step may be repeated but the one that was just done.
        let before = layout.readings.len().saturating_sub(1);
        for (at, reading) in layout.readings[..before].iter().enumerate() {
            let observation = layout.observation(at);
            found.push(Possible {
                reading: *reading,
                role: observation.usage.role,
                words: format!("Repeat the step \"{}\"", observation.step),
                effort: 1.0,
            });
        }
        found
    }
}

/// What is to be expected there, in words: nobody looks for 1.232 µA.
fn expected(measurand: Measurand, value: f64, role: Role) -> String {
    if !measurand.in_ohms() && value.abs() < least_u(role) {
        return "almost nothing".to_owned();
    }
    match shown(measurand, value, role.quantity()) {
        open if open == "open" => "OL, open,".to_owned(),
        value => format!("about {value}"),
    }
}

/// The standard uncertainty of an ordinary meter on top of a reading's own; ohms as they are compared.
fn usual_u(possible: &Possible, value: f64) -> f64 {
    match possible.role {
        Role::CoilOhms | Role::OhmsToGround => 0.03 * value * (1.0 - value) + 1e-4,
        Role::CoilAmps | Role::Draw => 0.015 * value.abs() + 0.03,
        _ => 0.007 * value.abs() + 0.02,
    }
}

/// Measured again with care, a mistake is not made again.
fn without_mistakes(edits: &[AppliedEdit]) -> Vec<AppliedEdit> {
    edits.iter().filter(|applied| !applied.edit.is_mistake()).copied().collect()
}

fn words(role: Role, state: DriveState, coil: Option<&str>) -> String {
    let coil = coil.unwrap_or("the circuit");
    match (role, state) {
        (Role::Supply, DriveState::AllHeld) => {
            "the volts across the battery's posts with everything running".to_owned()
        }
        (Role::Supply, _) => "the volts across the battery's posts with nothing running".to_owned(),
        (Role::Feed, DriveState::Rest | DriveState::AllHeld) => {
            "the volts of the shared feed, nothing running".to_owned()
        }
        (Role::Feed, DriveState::HeldUnplugged(_)) => {
            format!("the volts at the harness feed pin of the {coil}, unplugged, its driver on")
        }
        (Role::Feed, _) => format!("the volts at the feed terminal of the {coil}, held on"),
        (Role::FeedDrop, _) => format!("from battery positive to the feed terminal of the {coil}, held on"),
        (Role::CoilOhms, _) => format!("the ohms of the {coil}, unplugged, at its own terminals"),
        (Role::CoilAmps, _) => format!("the amps of the {coil}, held on"),
        (Role::CoilVolts, _) => format!("the volts across the {coil}, held on"),
        (Role::FeedPinDrop, _) => format!("the drop across the feed pin of the {coil}, held on"),
        (Role::GroundPinDrop, _) => format!("the drop across the ground pin of the {coil}, held on"),
        (Role::GroundDrop, DriveState::AllHeld) => {
            "from the shared ground to battery negative with everything running".to_owned()
        }
        (Role::GroundDrop, _) => format!("from the ground terminal of the {coil} to battery negative, held on"),
        (Role::OhmsToGround, _) => {
            format!("the ohms from the harness feed pin of the {coil} to ground, unplugged, key off")
        }
        (Role::Draw, _) => format!("the amps of the {coil} with its driver off"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_no_meter_shows_is_almost_nothing() {
        for (value, words) in [(1.232e-6, "almost nothing"), (-0.004, "almost nothing"), (1.62, "about 1.620 A")] {
            assert_eq!(expected(Measurand::Wire(0), value, Role::CoilAmps), words);
        }
    }
}
