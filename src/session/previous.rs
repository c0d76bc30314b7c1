//! A previous session of the same visit, so that the next one resumes where it stopped.

use std::collections::HashMap;

use uuid::Uuid;

use super::{CaptureMethod, Judgement};
use crate::{
    procedure::Procedure,
    protocol::Value,
    units::{DataSheet, Quantity, Scale},
};

/// A previous session that is resumed.
#[derive(Debug, Clone, PartialEq)]
pub struct PreviousSession {
    /// Its identity.
    pub id: Uuid,
    /// Which judgement of it this is: 0 for its first record.
    pub judgement: i64,
    /// Its steps, in the order in which they were begun.
    pub steps: Vec<PreviousStep>,
}

/// One step of it.
#[derive(Debug, Clone, PartialEq)]
pub struct PreviousStep {
    /// What it is called.
    pub name: String,
    /// Whether there is nothing more to do in it.
    pub done: bool,
    /// Its judgement; none where nothing was judged.
    pub judged: Option<PreviousJudgement>,
    /// The worst that was seen in it, where it was cut off and asks for the worst.
    pub worst: Option<PreviousWorst>,
    /// What was found while it watched, where the session was cut off in it.
    pub watched: PreviousWatch,
}

/// How much was found in a step that watched before it was cut off.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct PreviousWatch {
    /// How often its limit was broken.
    pub excursions: u32,
    /// How often channels dropped out.
    pub dropouts: u32,
    /// How many responses were out of limit.
    pub bad_responses: u32,
}

/// The worst that was seen in a step before it was cut off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PreviousWorst {
    /// As the meter showed it, in circuit terms.
    pub value: Value,
    /// What was measured.
    pub quantity: Quantity,
}

/// The judgement of a step, and its channel.
#[derive(Debug, Clone, PartialEq)]
pub struct PreviousJudgement {
    /// The judgement as stored.
    pub judgement: Judgement,
    /// How the value was captured.
    pub how: CaptureMethod,
    /// The channel's name.
    pub channel: String,
    /// The channel's scale.
    pub scale: Scale,
    /// The channel's accuracy; none where none was given.
    pub accuracy: Option<DataSheet>,
}

impl PreviousSession {
    /// How often each step had been begun.
    pub(super) fn attempts(&self) -> HashMap<String, u32> {
        let mut attempts = HashMap::new();
        for step in &self.steps {
            *attempts.entry(step.name.clone()).or_default() += 1;
        }
        attempts
    }

    /// The worst that was seen in a step when the session was cut off in it.
    pub(super) fn worst_of(&self, name: &str) -> Option<PreviousWorst> {
        self.cut_off(name)?.worst
    }

    /// The step in which the session was cut off, where it is the one of this name.
    pub(super) fn cut_off(&self, name: &str) -> Option<&PreviousStep> {
        self.steps.last().filter(|step| !step.done && step.name == name)
    }

    /// The place in the procedure at which it is resumed: the last step, or the one after it where that was done.
    pub(super) fn place(&self, procedure: &Procedure) -> usize {
        let Some(last) = self.steps.last() else { return 0 };
        let place = procedure.steps.iter().position(|step| step.name == last.name).unwrap_or(0);
        place + usize::from(last.done)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn earlier(steps: &[(&str, bool)]) -> PreviousSession {
        let steps = steps.iter().map(|(name, done)| PreviousStep {
            name: (*name).to_owned(),
            done: *done,
            judged: None,
            worst: None,
            watched: PreviousWatch::default(),
        });
        PreviousSession { id: Uuid::nil(), judgement: 0, steps: steps.collect() }
    }

    #[test]
    fn it_is_gone_on_where_it_was_cut_off() {
        let text = "title = \"t\"\n[[step]]\nname = \"a\"\n[[step]]\nname = \"b\"\n[[step]]\nname = \"c\"\n";
        let procedure = Procedure::parse("p.toml", text).unwrap();
        for (steps, place) in [
            (&[][..], 0),
            (&[("a", true), ("b", false)], 1),
            (&[("a", true), ("b", true)], 2),
            (&[("c", true)], 3),
            (&[("c", true), ("a", false)], 0),
            (&[("a step of another procedure", false)], 0),
        ] {
            assert_eq!(earlier(steps).place(&procedure), place, "{steps:?}");
        }
        assert_eq!(earlier(&[("a", true), ("b", true), ("a", false)]).attempts()["a"], 2);
    }
}
