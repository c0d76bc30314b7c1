//! What is said where no fault explains more than a good machine does: that none was found or shown, what that leaves open, and
//! which step is out of its limit all the same.

use super::{
    Alternative, Confidence, Finding, FindingKind, Role, RunningLoads,
    circuit::{DriveState, Edit, Measurand},
    conclude::FindingWriter,
    layout::Layout,
    next::Splitting,
    search::Hypothesis,
    statement::Statement,
};

/// "No fault found" is said from this probability on.
const NO_FAULT: f64 = 0.95;
/// What the captures make no less likely than this (Bayes factor) they can't rule out.
const NOT_RULED_OUT: f64 = 0.2;

/// A good machine may be likelier by so much than a fault that is named as `possible` all the same.
///
/// To say what is likelier loses least only where both errors cost the same. Here they do not: an alarm on a good machine
/// costs the measurement that the finding asks for, a fault that is not named goes back to work with the machine. Eight to one keeps
/// alarms rare, see DEVELOPERS.md; a step out of its limit, which a fault mostly leaves, needs no bar of its own.
const LIKELIER_GOOD: f64 = 8.0;

impl FindingWriter<'_> {
    /// The fault that is named though a good machine is likelier, and the likeliest hypothesis that has it. None where too little was
    /// measured to judge every circuit, or where all steps are in limit and no capture shows it by itself.
    pub(super) fn worth_naming(&self) -> Option<(usize, &Hypothesis)> {
        if !(0..self.layout.coils.len()).all(|at| is_judged(self.layout, at)) {
            return None;
        }
        // Heat of which nothing is known moves a coil's ohms as far: on such odds it is named beside "no fault shown" only.
        let is_cold = self.layout.observations.part_celsius.is_none();
        let by_heat = |edit| matches!(edit, Edit::CoilFactor(_));
        let (probability, cause) = (0..self.candidates().len())
            .filter(|at| self.candidates()[*at].edit.is_fault())
            .filter(|at| !(is_cold && by_heat(self.candidates()[*at].edit)))
            .map(|at| (self.statements.probability(&Statement::of(&self.candidates()[at])), at))
            .max_by(|one, other| one.0.total_cmp(&other.0))?;
        if LIKELIER_GOOD * probability < self.statements.no_fault() {
            return None;
        }
        let said = Statement::of(&self.candidates()[cause]);
        let hypothesis = self.posterior().hypotheses.iter().filter(|one| self.statements.says(one, &said));
        let likeliest = hypothesis.max_by(|one, other| one.probability.total_cmp(&other.probability))?;
        let own = self.statements.faults(likeliest).find(|at| said.covers(&self.candidates()[*at]))?;
        let is_out = (0..self.layout.readings.len()).any(|at| self.layout.observation(at).is_out);
        let place = likeliest.causes.iter().position(|cause| *cause == own)?;
        let is_shown = self.candidates()[own].cause.is_shown(&self.fitted(likeliest, place));
        (is_out || is_shown).then_some((own, likeliest))
    }

    /// No fault explains more than a good machine does.
    pub(super) fn without_fault(&self, best: &Hypothesis) -> Option<Finding> {
        let out: Vec<usize> =
            (0..self.layout.readings.len()).filter(|at| self.layout.observation(*at).is_out).collect();
        if !out.is_empty() {
            return Some(self.out_of_limit(best, &out));
        }
        let judged: Vec<usize> = (0..self.layout.coils.len()).filter(|at| is_judged(self.layout, *at)).collect();
        // Too little was measured to say anything.
        if judged.is_empty() || judged.len() < self.layout.coils.len() {
            return None;
        }
        let weight = self.statements.no_fault();
        let mut open = self.alternatives(best, &|one| self.statements.faults(one).next().is_none(), 0.0);
        open.retain(|other| other.kind.is_fault());
        open.extend(self.not_ruled_out(&open));
        let circuits: Vec<String> = judged.iter().map(|at| self.layout.coils[*at].to_owned()).collect();
        let steps = self.layout.readings.len();
        let is_sound = weight >= NO_FAULT && best.causes.is_empty();
        let listed: Vec<&str> =
            open.iter().filter_map(|other| other.weight.map(|_| other.kind.word())).take(3).collect();
        let sentence = if is_sound {
            format!("No fault found: all {steps} captures fit a good circuit.")
        } else if listed.is_empty() {
            "No fault shown.".to_owned()
        } else {
            format!("No fault shown; can't rule out: {}.", listed.join(", "))
        };
        let next = Splitting { writer: self }.best().or_else(|| self.unmeasured());
        Some(Finding {
            kind: if is_sound { FindingKind::Healthy } else { FindingKind::NoFaultShown },
            circuits,
            sentence,
            evidence: vec!["All captures agree with a good circuit within the accuracy of the meters.".to_owned()],
            confidence: Confidence::from_absence(weight),
            alternatives: open,
            next: next
                .unwrap_or_else(|| "Check the mechanics and hydraulics: no electrical fault was found.".to_owned()),
        })
    }

    /// Steps out of limit on a machine that the model takes for good.
    fn out_of_limit(&self, best: &Hypothesis, out: &[usize]) -> Finding {
        let named = |at: &usize| {
            let observation = self.layout.observation(*at);
            format!("{} shows {}", observation.step, observation.shown())
        };
        let all_ohms = out.iter().all(|at| matches!(self.layout.readings[*at].measurand, Measurand::CoilOhms(_)));
        let celsius = best.celsius(self.prior);
        let is_warm = all_ohms && celsius > WARM && self.layout.observations.part_celsius.is_none();
        let steps: Vec<String> = out.iter().map(named).collect();
        let mut circuits: Vec<String> = out.iter().map(|at| self.layout.observation(*at).circuit.clone()).collect();
        circuits.dedup();
        let sentence = if is_warm {
            format!(
                "Warm coils: their resistance is that of good coils at about {celsius:.0} °C. The temperature was not measured."
            )
        } else {
            let place = if steps.len() == 1 { "it fits" } else { "they fit" };
            format!(
                "{}: more than the procedure allows, but {place} a good machine at the edge of what is usual.",
                steps.join(", ")
            )
        };
        let next = if is_warm {
            "Measure a coil's temperature, or its ohms again once everything has cooled down, before replacing any coil.".to_owned()
        } else {
            let step = &self.layout.observation(out[0]).step;
            Splitting { writer: self }.best().unwrap_or_else(|| format!("Repeat the step \"{step}\"."))
        };
        let mut open = self.alternatives(best, &|one| self.statements.faults(one).next().is_none(), 0.0);
        open.retain(|other| other.kind.is_fault());
        Finding {
            kind: if is_warm { FindingKind::WarmCoils } else { FindingKind::OutOfLimit },
            circuits: if is_warm { Vec::new() } else { circuits },
            sentence,
            evidence: steps.iter().map(|step| format!("{step}, out of limit.")).collect(),
            confidence: Confidence::from_absence(self.statements.no_fault()),
            alternatives: open,
            next,
        }
    }

    /// Kinds of faults of which the captures say next to nothing, each once.
    fn not_ruled_out(&self, listed: &[Alternative]) -> Vec<Alternative> {
        let mut found: Vec<Alternative> = Vec::new();
        for (candidate, factor) in self.candidates().iter().zip(&self.posterior().bayes_factors) {
            let is_known = |known: &Alternative| known.kind == candidate.kind;
            if !candidate.edit.is_fault() || *factor < NOT_RULED_OUT || listed.iter().any(is_known) {
                continue;
            }
            let circuits = candidate.coils.iter().map(|at| self.layout.coils[*at].to_owned());
            match found.iter_mut().find(|known| is_known(known)) {
                Some(known) => {
                    let new: Vec<String> = circuits.filter(|coil| !known.circuits.contains(coil)).collect();
                    known.circuits.extend(new);
                }
                None => found.push(Alternative {
                    kind: candidate.kind,
                    circuits: circuits.collect(),
                    sentence: format!("Not ruled out: {}. These captures would not show it.", candidate.kind.word()),
                    weight: None,
                }),
            }
        }
        found
    }

    /// What would show most of what these captures can't.
    fn unmeasured(&self) -> Option<String> {
        let has = |role, running| {
            self.layout
                .observations
                .observations()
                .iter()
                .any(|observation| observation.usage.role == role && observation.usage.running == running)
        };
        let missing = [
            (
                Role::GroundDrop,
                RunningLoads::Everything,
                "the drop of the shared ground with everything running: it would show a bad shared ground",
            ),
            (
                Role::Supply,
                RunningLoads::Everything,
                "the volts across the battery's posts with everything running: they would show a weak supply",
            ),
            (
                Role::Draw,
                RunningLoads::Nothing,
                "the amps of each coil with its driver off: they would show a short to power",
            ),
            (
                Role::OhmsToGround,
                RunningLoads::Nothing,
                "the ohms from each harness feed pin to ground, unplugged and key off: they would show a short to ground",
            ),
        ];
        missing
            .into_iter()
            .find(|(role, running, _)| !has(*role, *running))
            .map(|(_, _, words)| format!("Measure {words}."))
    }
}

/// Coils above this were working, °C: those that stood are as warm as the air.
const WARM: f64 = 45.0;

/// Whether a coil's circuit can be judged at all: volts, ohms and amps.
fn is_judged(layout: &Layout, at: usize) -> bool {
    let volts = layout.has(Measurand::HarnessFeed(at))
        || layout.has(Measurand::CoilFeed(at))
        || layout.has(Measurand::SharedFeed)
        || layout.has(Measurand::Battery);
    let amps = layout.readings.iter().any(|reading| {
        reading.measurand == Measurand::Wire(at) && matches!(reading.state, DriveState::Held(_) | DriveState::AllHeld)
    });
    volts && layout.has(Measurand::CoilOhms(at)) && amps
}
