//! What a session knows of its machine: the facts that its steps came to, and what follows from them.

use super::{
    Judgement, Procedure, StepView,
    findings::{Case, Fact, Finding, Gain, Usage, conclude},
    judge::Part,
};
use crate::{
    channel::Channel,
    electrics::Uncertain,
    protocol::Value,
    units::{DataSheet, Scale},
};

/// The facts so far.
#[derive(Debug, Default)]
pub(super) struct Knowledge {
    /// By place in the procedure: what a step measures in its circuit; none where it is of no use here.
    usages: Vec<Option<Usage>>,
    part_celsius: Option<Uncertain>,
    reference_celsius: Option<f64>,
    facts: Vec<Fact>,
    findings: Vec<Finding>,
}

impl Knowledge {
    /// Of a session with this procedure. `part` is the part's temperature as typed, °C.
    pub fn new(procedure: Option<&Procedure>, part: Option<f64>) -> Self {
        let steps = procedure.map_or(&[][..], |procedure| &procedure.steps);
        Self {
            usages: Usage::of_steps(steps),
            part_celsius: part.map(Part::typed).and_then(|part| match part {
                Part::Known(celsius) => Some(celsius),
                _ => None,
            }),
            reference_celsius: steps.iter().find_map(|step| step.heat.as_ref()).map(|heat| heat.reference),
            ..Self::default()
        }
    }

    /// A step was left with this judgement. True where what follows has become another.
    pub fn learn(&mut self, view: &StepView, judgement: &Judgement, channel: Option<&Channel>) -> bool {
        let usage = view.place.and_then(|(place, _)| *self.usages.get(place - 1)?);
        let (Some(usage), Some(circuit)) = (usage, &view.circuit) else { return false };
        let gain = channel.and_then(|channel| {
            let Value::Number(value) = judgement.measured.map(Value::Number).or(judgement.value)? else { return None };
            let (sheet, quantity) = (channel.accuracy.parse::<DataSheet>().ok()?, judgement.quantity?);
            let scale = channel.scale.parse::<Scale>().unwrap_or(Scale::NONE);
            Some(Gain::of(&channel.name, quantity, sheet.in_force(quantity, value, None)?, &scale))
        });
        let Some(fact) = Fact::of_capture(circuit, &view.name, usage, &as_shown(judgement), gain) else { return false };
        self.facts.push(fact);
        let mut case = Case::new(self.facts.iter().cloned());
        case.part_celsius = self.part_celsius;
        case.reference_celsius = self.reference_celsius.unwrap_or(case.reference_celsius);
        let before = self.headline();
        self.findings = conclude(&case);
        before != self.headline()
    }

    /// What follows, the best explained first; empty before there is a fact.
    pub fn findings(&self) -> &[Finding] {
        &self.findings
    }

    fn headline(&self) -> Option<(super::findings::Kind, Vec<String>)> {
        self.findings.first().map(|first| (first.kind, first.circuits.clone()))
    }
}

/// What the meter showed: a coil carries its amps at the temperature it has, not at the limit's.
fn as_shown(judgement: &Judgement) -> Judgement {
    let (Some(shown), Some(Value::Number(corrected))) = (judgement.measured, judgement.value) else {
        return judgement.clone();
    };
    let scale = if corrected == 0.0 { 1.0 } else { (shown / corrected).abs() };
    Judgement {
        value: Some(Value::Number(shown)),
        u: judgement.u.map(|u| u * scale),
        measured: None,
        ..judgement.clone()
    }
}
