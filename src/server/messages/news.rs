//! The news that a client gets after `watch`.

use serde::{Deserialize, Serialize};

use super::{AskMessage, CaptureMessage, ReadingLine, StepMessage};
use crate::session::{EventKind, JudgementRecord, Notice, findings::FindingRecord};

/// The news that a client gets after `watch`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "news", rename_all = "kebab-case")]
#[allow(missing_docs, reason = "the fields are those of the answers")]
pub(crate) enum News {
    /// What the channels show, a few times a second.
    Readings { elapsed_s: Option<f64>, readings: Vec<ReadingLine> },
    /// A session began.
    SessionBegan { title: String },
    /// A session ended.
    SessionEnded { how: String },
    /// A step began.
    Step { step: StepMessage },
    /// A step was left.
    Judged { step: String, judged: Option<JudgementRecord> },
    /// A value was captured.
    Captured { step: String, capture: CaptureMessage },
    /// What follows from the captures so far has become another.
    Finding { finding: FindingRecord },
    /// A sentence for the operator.
    Say { text: String },
    /// A question to the operator, and what answers it.
    Ask { ask: AskMessage },
    /// The question no longer waits for an answer.
    AskOver {},
    /// Seconds until what is on must be switched off.
    Count { seconds: i64 },
    /// Something worth a line.
    Event { kind: EventKind, subject: String, text: String },
    /// The watcher was too slow: this many pieces of news were dropped.
    Missed { count: u64 },
}

impl From<&Notice> for News {
    fn from(notice: &Notice) -> Self {
        match notice {
            Notice::SessionBegan(title) => Self::SessionBegan { title: title.clone() },
            Notice::SessionEnded(how) => Self::SessionEnded { how: how.word().to_owned() },
            Notice::Step(view) => Self::Step { step: StepMessage::from(&**view) },
            Notice::Judged { step, judgement } => {
                Self::Judged { step: step.clone(), judged: judgement.as_ref().map(JudgementRecord::from) }
            }
            Notice::Captured { step, channel, capture } => {
                Self::Captured { step: step.clone(), capture: CaptureMessage::new(channel, capture) }
            }
            Notice::Finding(finding) => Self::Finding { finding: FindingRecord::from(&**finding) },
            Notice::Say(text) => Self::Say { text: text.clone() },
            Notice::Ask(ask) => Self::Ask { ask: AskMessage::from(&**ask) },
            Notice::AskOver => Self::AskOver {},
            Notice::Count(seconds) => Self::Count { seconds: *seconds },
            Notice::Event { kind, subject, text } => {
                Self::Event { kind: *kind, subject: subject.clone(), text: text.clone() }
            }
        }
    }
}
