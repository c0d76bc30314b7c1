//! The news that a client gets after `watch`.

use serde::{Deserialize, Serialize};

use super::{AskMessage, CaptureMessage, ChannelLine, StepMessage};
use crate::{
    protocol::Value,
    session::{Announcement, EventKind, JudgementRecord, Notice, Verdict, findings::FindingRecord},
};

/// The news that a client gets after `watch`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(tag = "news", rename_all = "kebab-case")]
#[allow(missing_docs, reason = "the fields are those of the answers")]
pub(crate) enum News {
    /// What the channels show: with new readings at most 25 times a second, without them four times.
    Readings { elapsed_s: Option<f64>, readings: Vec<ChannelLine> },
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
    /// A limit broke (`lasts` is true), or is kept again.
    Excursion {
        step: u32,
        number: u32,
        channel: String,
        lasts: bool,
        lasted_s: Option<f64>,
        worst: Value,
        unit: String,
        shown: Vec<String>,
        text: String,
    },
    /// Channels dropped out together.
    DropOut { step: u32, channels: Vec<String>, lasted_s: f64, text: String },
    /// A channel went to another level.
    Change { step: u32, channel: String, from: f64, to: f64, unit: String, lasted_s: f64, text: String },
    /// What a channel did after a mark or a change.
    Response {
        step: u32,
        rule: String,
        channel: String,
        delay_s: Option<f64>,
        verdict: Option<Verdict>,
        reason: String,
    },
    /// This channel dropped out this moment, while the harness is moved.
    Tick { channel: String },
    /// Seconds until what is on must be switched off.
    Count { seconds: i64 },
    /// Something worth a line.
    Event { kind: EventKind, subject: String, text: String },
    /// Who speaks from now on; none where nobody does.
    Speaker { name: Option<String> },
    /// The watcher was too slow: this many pieces of news were dropped.
    Missed { count: u64 },
}

/// A piece of news, with what is said aloud of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct NewsMessage {
    /// What happened.
    #[serde(flatten)]
    pub news: News,
    /// The words for a voice, numbers and units written out; none where nothing is said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub spoken: Option<Announcement>,
}

impl From<News> for NewsMessage {
    fn from(news: News) -> Self {
        Self { news, spoken: None }
    }
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
            Notice::Excursion(excursion) => {
                let lasted = excursion.ended.map(|ended| ended.since(excursion.began) as f64 / 1e6);
                Self::Excursion {
                    step: excursion.step,
                    number: excursion.number,
                    channel: excursion.channel.clone(),
                    lasts: lasted.is_none(),
                    lasted_s: lasted,
                    worst: excursion.worst,
                    unit: excursion.quantity.unit().to_owned(),
                    shown: excursion.shown.clone(),
                    text: excursion.text(),
                }
            }
            Notice::Intermittent(intermittent) => Self::DropOut {
                step: intermittent.step,
                channels: intermittent.channels().into_iter().map(str::to_owned).collect(),
                lasted_s: intermittent.ended().since(intermittent.began()) as f64 / 1e6,
                text: intermittent.text(),
            },
            Notice::Change(change) => Self::Change {
                step: change.step,
                channel: change.channel.clone(),
                from: change.change.from,
                to: change.change.to,
                unit: change.quantity.unit().to_owned(),
                lasted_s: change.change.lasted_us as f64 / 1e6,
                text: change.text(),
            },
            Notice::Response(response) => Self::Response {
                step: response.step,
                rule: response.rule.clone(),
                channel: response.channel.clone(),
                delay_s: response.delay,
                verdict: response.judgement.verdict(),
                reason: response.judgement.reason.clone(),
            },
            Notice::Tick(channel) => Self::Tick { channel: channel.clone() },
            Notice::Count(seconds) => Self::Count { seconds: *seconds },
            Notice::Event { kind, subject, text } => {
                Self::Event { kind: *kind, subject: subject.clone(), text: text.clone() }
            }
        }
    }
}
