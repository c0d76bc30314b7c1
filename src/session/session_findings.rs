//! The observations of a session, and the findings from them.

use super::{
    Judgement, PreviousSession, StepView,
    findings::{CircuitMeasurement, Finding, Observation, ObservationSet, SharedGainError, conclude},
    judge::PartCelsius,
};
use crate::{
    channel::Channel,
    electrics::Uncertain,
    procedure::Procedure,
    protocol::Value,
    units::{DataSheet, Scale},
};

/// The facts so far.
#[derive(Debug, Default)]
pub(super) struct SessionFindings {
    /// By place in the procedure: what a step measures in its circuit; none where it is of no use here.
    usages: Vec<Option<CircuitMeasurement>>,
    part_celsius: Option<Uncertain>,
    reference_celsius: Option<f64>,
    observations: Vec<Observation>,
    findings: Vec<Finding>,
}

impl SessionFindings {
    /// Of a session with this procedure. `part` is the part's temperature as typed, °C.
    pub(super) fn new(procedure: Option<&Procedure>, part: Option<f64>) -> Self {
        let steps = procedure.map_or(&[][..], |procedure| &procedure.steps);
        Self {
            usages: CircuitMeasurement::of_steps(steps),
            part_celsius: part.map(PartCelsius::typed).and_then(|part| match part {
                PartCelsius::Known(celsius) => Some(celsius),
                _ => None,
            }),
            reference_celsius: steps.iter().find_map(|step| step.heat.as_ref()).map(|heat| heat.reference),
            ..Self::default()
        }
    }

    /// Takes the judgement of a step that ended. True if the first finding changed.
    pub(super) fn learn(&mut self, view: &StepView, judgement: &Judgement, channel: Option<&Channel>) -> bool {
        let (Some((place, _)), Some(circuit)) = (view.place, &view.circuit) else { return false };
        let gain = channel.and_then(|channel| {
            let sheet = channel.conversion.accuracy.as_ref().map(|sheet| &sheet.value);
            gain(judgement, &channel.name, &channel.conversion.scale(), sheet)
        });
        self.know(place - 1, circuit, &view.name, judgement, gain) && self.conclude()
    }

    /// Takes the judgements of the steps of a previous session.
    pub(super) fn remember(&mut self, procedure: &Procedure, previous: &PreviousSession) {
        for step in &previous.steps {
            let place = procedure.steps.iter().position(|other| other.name == step.name);
            let Some((place, judged)) = place.zip(step.judged.as_ref()) else { continue };
            let Some(circuit) = &procedure.steps[place].circuit else { continue };
            let gain = gain(&judged.judgement, &judged.channel, &judged.scale, judged.accuracy.as_ref());
            self.know(place, circuit, &step.name, &judged.judgement, gain);
        }
        if !self.observations.is_empty() {
            self.conclude();
        }
    }

    /// Keeps the judgement of the step at this place; false where the findings can't use it.
    fn know(
        &mut self,
        place: usize,
        circuit: &str,
        step: &str,
        judgement: &Judgement,
        gain: Option<SharedGainError>,
    ) -> bool {
        let usage = self.usages.get(place).copied().flatten();
        let observation =
            usage.and_then(|usage| Observation::of_capture(circuit, step, usage, &judgement.as_shown(), gain));
        let is_of_use = observation.is_some();
        self.observations.extend(observation);
        is_of_use
    }

    /// Works out the findings. True if the first one changed.
    fn conclude(&mut self) -> bool {
        let mut observations = ObservationSet::new(self.observations.iter().cloned());
        observations.part_celsius = self.part_celsius;
        observations.reference_celsius = self.reference_celsius.unwrap_or(observations.reference_celsius);
        let before = self.headline();
        self.findings = conclude(&observations);
        before != self.headline()
    }

    /// The findings, the best first; empty before the first observation.
    pub(super) fn ranked(&self) -> &[Finding] {
        &self.findings
    }

    fn headline(&self) -> Option<(super::findings::FindingKind, Vec<String>)> {
        self.findings.first().map(|first| (first.kind, first.circuits.clone()))
    }
}

/// The gain error that a value shares with others of its channel.
fn gain(judgement: &Judgement, channel: &str, scale: &Scale, sheet: Option<&DataSheet>) -> Option<SharedGainError> {
    let shown = judgement.shown().map(|shown| Value::Number(shown.value));
    let Value::Number(value) = shown.or(judgement.value())? else { return None };
    let (sheet, quantity) = (sheet?, judgement.quantity()?);
    Some(SharedGainError::of(channel, quantity, sheet.row_for(quantity, value, None)?, scale))
}
