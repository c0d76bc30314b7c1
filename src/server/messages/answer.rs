//! The answer to a request.

use serde::{Deserialize, Serialize};

use super::{CaptureMessage, LinkLine, StatusReport, StepMessage};
use crate::session::{CommandReply, Correction, JudgementRecord, Zeroed};

/// The answer to one request.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct Answer {
    /// Whether it was done, and what it acknowledges is on disk.
    pub ok: bool,
    /// Why not, in one sentence.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub error: Option<String>,
    /// Identity of the session that was begun or ended.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub session: Option<String>,
    /// Identity of a session that had to be ended first.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ended: Option<String>,
    /// What of the procedure the bench does not suit, or what a correction does not change yet, a sentence each.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub warnings: Vec<String>,
    /// How the step that was left is judged.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub judged: Option<JudgementRecord>,
    /// The step that is on now.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub step: Option<StepMessage>,
    /// What was taken.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub taken: Vec<CaptureMessage>,
    /// What is taken off a clamp from now on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub zeroed: Option<ZeroMessage>,
    /// What was corrected of the visit.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub corrections: Vec<Correction>,
    /// What is so again after the last act was undone, in one sentence.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub undone: Option<String>,
    /// Links to the page.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub links: Vec<LinkLine>,
    /// The state of the daemon.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub status: Option<StatusReport>,
}

/// A clamp's zero.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct ZeroMessage {
    /// What is taken off.
    #[serde(flatten)]
    pub zeroed: Zeroed,
    /// Unit of its values.
    pub unit: String,
}

/// What is to be known of a temperature that is corrected in an open session: the same samples are judged again once all are there.
const JUDGED_AT_THE_END: &str =
    "it holds for the steps to come; those done before are judged by it when the session is ended";

impl Answer {
    /// It was not done.
    pub(crate) fn refused(error: impl Into<String>) -> Self {
        Self { error: Some(error.into()), ..Self::default() }
    }

    /// It was done.
    pub(crate) fn done() -> Self {
        Self { ok: true, ..Self::default() }
    }
}

impl From<&CommandReply> for Answer {
    fn from(reply: &CommandReply) -> Self {
        let mut answer = Self::done();
        match reply {
            CommandReply::Begun { id, ended, step } => {
                answer.session = Some(id.to_string());
                answer.ended = ended.map(|id| id.to_string());
                answer.step = step.as_deref().map(StepMessage::from);
            }
            CommandReply::Ended { id, judged } => {
                answer.session = Some(id.to_string());
                answer.judged = judged.as_ref().map(JudgementRecord::from);
            }
            CommandReply::Step { judged, now } => {
                answer.judged = judged.as_ref().map(JudgementRecord::from);
                answer.step = now.as_deref().map(StepMessage::from);
            }
            CommandReply::Taken(captures) => {
                answer.taken =
                    captures.iter().map(|(channel, capture)| CaptureMessage::new(channel, capture)).collect();
            }
            CommandReply::Zeroed(zeroed) => {
                answer.zeroed = Some(ZeroMessage { zeroed: *zeroed, unit: zeroed.quantity.unit().to_owned() });
            }
            CommandReply::Corrected(corrections) => {
                answer.corrections.clone_from(corrections);
                if corrections.iter().any(|correction| correction.field.is_of_heat()) {
                    answer.warnings.push(JUDGED_AT_THE_END.to_owned());
                }
            }
            CommandReply::Undone { text, now } => {
                answer.undone = Some(text.clone());
                answer.step = now.as_deref().map(StepMessage::from);
            }
            CommandReply::Kept => {}
        }
        answer
    }
}
