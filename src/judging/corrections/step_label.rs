//! What a step that was done is called, as the ledger shows it: its place, its name, and which attempt it was.

use super::in_force::FiledStretch;
use crate::{judging::timeline::StepRun, procedure::Procedure};

/// A step that was done, with what the ledger calls it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct LabelledRun {
    /// The step.
    pub run: StepRun,
    /// Its place in the procedure; without a procedure its place among the steps that were done.
    pub place: usize,
    /// Which time it was done, from 1.
    attempt: usize,
    /// How often it was done.
    attempts: usize,
    /// Whether it is a part of a step that was split.
    pub is_part: bool,
}

impl std::fmt::Display for LabelledRun {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} \"{}\"", self.place, self.title())
    }
}

impl LabelledRun {
    /// All steps that were done, in their order.
    pub(super) fn all(runs: &[StepRun], procedure: Option<&Procedure>) -> Vec<Self> {
        let label = |(index, run): (usize, &StepRun)| {
            let in_procedure =
                procedure.and_then(|procedure| procedure.steps.iter().position(|step| step.name == run.name));
            let attempt = runs[..=index].iter().filter(|other| other.name == run.name).count();
            let attempts = runs.iter().filter(|other| other.name == run.name).count();
            let is_part = runs.iter().filter(|other| other.number == run.number).count() > 1;
            Self { run: run.clone(), place: in_procedure.unwrap_or(index) + 1, attempt, attempts, is_part }
        };
        runs.iter().enumerate().map(label).collect()
    }

    /// The stretch that it is, where it is a part of a step that was split.
    pub(super) fn part(&self) -> Option<FiledStretch> {
        let to_us = self.run.ended.map(|(ended_us, _)| ended_us);
        self.is_part.then_some(FiledStretch { from_us: self.run.began_us, to_us })
    }

    /// Its name, with the attempt where there are several.
    fn title(&self) -> String {
        match self.attempts {
            ..=1 => self.run.name.clone(),
            _ => format!("{} (attempt {})", self.run.name, self.attempt),
        }
    }

    /// Whether these words mean it: its place, its name, or its name with the attempt.
    pub(super) fn is_meant_by(&self, wanted: &str) -> bool {
        let wanted = wanted.trim();
        match wanted.parse::<usize>() {
            Ok(place) => place == self.place,
            Err(_) => wanted.eq_ignore_ascii_case(&self.run.name) || wanted.eq_ignore_ascii_case(&self.title()),
        }
    }
}
