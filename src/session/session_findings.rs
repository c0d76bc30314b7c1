//! The observations of a session, and the findings from them.

use std::collections::BTreeSet;

use uuid::Uuid;

use super::{
    CaptureMethod, Judgement, PreviousSession, StepView, Visit,
    findings::{
        CaptureErrors, CircuitMeasurement, Finding, FindingKind, FindingsTask, Observation, ObservationSet, Role,
        SharedGainError,
    },
    judge::{PartCelsius, plausible_temperatures},
};
use crate::{
    channel::Channel,
    electrics::Uncertain,
    procedure::{Driver, Procedure, Step},
    protocol::Value,
    units::{DataSheet, Scale},
};

/// The facts so far.
#[derive(Debug, Default)]
pub(super) struct SessionFindings {
    /// By place in the procedure: what a step measures in its circuit; none where it is of no use here.
    usages: Vec<Option<CircuitMeasurement>>,
    part_celsius: Option<Uncertain>,
    plausible_celsius: Option<(f64, f64)>,
    reference_celsius: Option<f64>,
    drivers: Vec<(String, Driver)>,
    branches: Vec<String>,
    observations: Vec<Observation>,
    session: Uuid,
    /// How many captures were learnt, and how many of them the findings rest on.
    learnt: u64,
    concluded: u64,
    /// Number of the step of the last capture; none where it is of the session continued.
    ends_at: Option<u32>,
    findings: Vec<Finding>,
}

impl SessionFindings {
    /// Of a session with this procedure; the visit tells the coils' temperature.
    pub(super) fn new(session: Uuid, procedure: Option<&Procedure>, visit: &Visit) -> Self {
        let steps = procedure.map_or(&[][..], |procedure| &procedure.steps);
        let usages = CircuitMeasurement::of_steps(steps);
        let mut findings = Self {
            branches: branches(steps, &usages),
            usages,
            reference_celsius: steps.iter().find_map(|step| step.heat.as_ref()).map(|heat| heat.reference),
            drivers: procedure.map_or_else(Vec::new, |procedure| {
                procedure.circuits.iter().map(|circuit| (circuit.name.clone(), circuit.driver)).collect()
            }),
            session,
            ..Self::default()
        };
        findings.set_temperatures(visit);
        findings
    }

    /// How warm it is, as the visit tells it.
    pub(super) fn set_temperatures(&mut self, visit: &Visit) {
        self.part_celsius = visit.part_celsius.map(PartCelsius::typed).and_then(|part| match part {
            PartCelsius::Known(celsius) => Some(celsius),
            _ => None,
        });
        self.plausible_celsius = (visit.state.is_some() || visit.ambient_celsius.is_some())
            .then(|| plausible_temperatures(None, visit.state, visit.ambient_celsius));
    }

    /// Takes the judgement of a step that ended, and when it was captured in seconds since the session began, and how; the work
    /// that follows from it, if any.
    pub(super) fn learn(
        &mut self,
        view: &StepView,
        judgement: &Judgement,
        (seconds, how): (f64, CaptureMethod),
        channel: Option<&Channel>,
    ) -> Option<FindingsTask> {
        let (Some((place, _)), Some(circuit)) = (view.place, &view.circuit) else { return None };
        let errors = channel.and_then(|channel| {
            let sheet = channel.conversion.accuracy.as_ref().map(|sheet| &sheet.value);
            errors(judgement, &channel.name, &channel.conversion.scale(), sheet)
        });
        let observation = self.observation(place - 1, circuit, &view.name, judgement, errors)?;
        let channel = view.channel.clone();
        let is_proven = how == CaptureMethod::Proven;
        self.observations.push(Observation { seconds: Some(seconds), channel, is_proven, ..observation });
        self.learnt += 1;
        self.ends_at = Some(view.number);
        Some(self.task())
    }

    /// Number of the step whose capture is the last that counts.
    pub(super) fn ends_at(&self) -> Option<u32> {
        self.ends_at
    }

    /// Takes the judgements of the steps of a previous session.
    pub(super) fn remember(&mut self, procedure: &Procedure, previous: &PreviousSession) -> Option<FindingsTask> {
        for step in &previous.steps {
            let place = procedure.steps.iter().position(|other| other.name == step.name);
            let Some((place, judged)) = place.zip(step.judged.as_ref()) else { continue };
            let Some(circuit) = &procedure.steps[place].circuit else { continue };
            let errors = errors(&judged.judgement, &judged.channel, &judged.scale, judged.accuracy.as_ref());
            let observation = self.observation(place, circuit, &step.name, &judged.judgement, errors);
            let (channel, is_proven) = (Some(judged.channel.clone()), judged.how == CaptureMethod::Proven);
            self.observations.extend(observation.map(|observation| Observation { channel, is_proven, ..observation }));
        }
        if self.observations.is_empty() {
            return None;
        }
        self.learnt += 1;
        Some(self.task())
    }

    /// The observation in the judgement of the step at this place; none where the findings can't use it.
    fn observation(
        &self,
        place: usize,
        circuit: &str,
        step: &str,
        judgement: &Judgement,
        errors: Option<CaptureErrors>,
    ) -> Option<Observation> {
        let usage = self.usages.get(place).copied().flatten()?;
        Observation::of_capture(circuit, step, usage, &judgement.as_shown(), errors)
    }

    /// What the findings follow from, all that was captured until now.
    fn task(&self) -> FindingsTask {
        let mut observations = ObservationSet::new(self.observations.iter().cloned());
        observations.part_celsius = self.part_celsius;
        observations.plausible_celsius = self.plausible_celsius;
        observations.reference_celsius = self.reference_celsius.unwrap_or(observations.reference_celsius);
        observations.drivers.clone_from(&self.drivers);
        observations.branches.clone_from(&self.branches);
        FindingsTask { session: self.session, captures: self.learnt, observations }
    }

    /// Takes findings that were worked out meanwhile, unless newer captures came. True if the first one changed.
    pub(super) fn concluded(&mut self, session: Uuid, captures: u64, findings: Vec<Finding>) -> bool {
        if session != self.session || captures != self.learnt || captures == self.concluded {
            return false;
        }
        let before = self.headline();
        self.concluded = captures;
        self.findings = findings;
        before != self.headline()
    }

    /// Works out what no one has worked out yet: the last findings follow from the captures alone.
    pub(super) fn finish(&mut self) {
        if self.concluded < self.learnt {
            let task = self.task();
            let findings = task.work_out(&|| true).unwrap_or_default();
            self.concluded(self.session, task.captures, findings);
        }
    }

    /// No findings will come any more: none are kept, since older ones rest on fewer captures.
    pub(super) fn give_up(&mut self) {
        self.concluded = self.learnt;
        self.findings.clear();
    }

    /// Whether findings are wanted that rest on so many captures.
    pub(super) fn awaits(&self, captures: u64) -> bool {
        self.is_pending() && captures == self.learnt
    }

    /// Whether captures came that the findings do not rest on yet.
    pub(super) fn is_pending(&self) -> bool {
        self.concluded < self.learnt
    }

    /// The findings, the best first; empty before the first observation.
    pub(super) fn ranked(&self) -> &[Finding] {
        &self.findings
    }

    fn headline(&self) -> Option<(FindingKind, Vec<String>)> {
        self.findings.first().map(|first| (first.kind, first.circuits.clone()))
    }
}

/// Circuits that are branches by the procedure: those with a coil, and terminals of which nothing but the feed is measured. One such
/// feed is what all coils share; several are each a terminal of its own.
fn branches(steps: &[Step], usages: &[Option<CircuitMeasurement>]) -> Vec<String> {
    let circuits_with = |is_so: fn(Role) -> bool| -> Vec<String> {
        let with = steps.iter().zip(usages).filter(|(_, usage)| usage.is_some_and(|usage| is_so(usage.role)));
        let all: BTreeSet<String> = with.filter_map(|(step, _)| step.circuit.clone()).collect();
        all.into_iter().collect()
    };
    let mut branches = circuits_with(Role::is_of_coil);
    let mut terminals = circuits_with(|role| role == Role::Feed);
    terminals.retain(|circuit| !branches.contains(circuit));
    if terminals.len() > 1 {
        branches.append(&mut terminals);
    }
    branches
}

/// The errors of a value: what its gain shares with others of its channel, and what is its own.
fn errors(judgement: &Judgement, channel: &str, scale: &Scale, sheet: Option<&DataSheet>) -> Option<CaptureErrors> {
    let shown = judgement.as_shown();
    let Value::Number(value) = shown.value()? else { return None };
    let (sheet, quantity) = (sheet?, shown.quantity()?);
    let row = sheet.row_for(quantity, value, None)?;
    let shared = SharedGainError::of(channel, quantity, row, scale);
    let measured = Uncertain::new(value, shown.u().unwrap_or(0.0));
    Some(CaptureErrors::of(shared, measured, shown.digit, row, scale))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_feed_is_shared_and_several_are_terminals_of_their_own() {
        let of = |circuits: &[(&str, &str)]| {
            let step = |(at, (circuit, rest)): (usize, &(&str, &str))| {
                format!("[[step]]\nname = \"{at}\"\nchannel = \"probe\"\ncircuit = \"{circuit}\"\n{rest}\n")
            };
            let steps: String = circuits.iter().enumerate().map(step).collect();
            let procedure = Procedure::parse("p.toml", &format!("title = \"t\"\n{steps}")).unwrap();
            branches(&procedure.steps, &CircuitMeasurement::of_steps(&procedure.steps))
        };
        let (volts, ohms) = ("quantity = \"V DC\"\nrole = \"feed\"", "quantity = \"ohm\"\nrole = \"coil ohms\"");
        assert_eq!(of(&[("block", volts), ("lift", volts), ("lift", ohms)]), ["lift"]);
        assert_eq!(of(&[("lift", volts), ("tilt", volts), ("float", ohms)]), ["float", "lift", "tilt"]);
    }
}
