//! Steps, captures and questions as both answers and news carry them.

use serde::{Deserialize, Serialize};

use crate::{
    protocol::Value,
    session::{Ask, Capture, CaptureFlag, CaptureMethod, JudgementRecord, StepView},
    units::Quantity,
};

/// A step as the operator sees it. It differs from [`StepView`]: the limit is a text that is ready to be read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct StepMessage {
    /// Counted from 1 over the session.
    pub number: u32,
    /// Place in the procedure, counted from 1.
    pub place: Option<usize>,
    /// Steps of the procedure.
    pub of: Option<usize>,
    /// What it is called.
    pub name: String,
    /// Which time it is done.
    pub attempt: u32,
    /// What it belongs to.
    pub circuit: Option<String>,
    /// What to do.
    pub instruction: String,
    /// The channel that is judged.
    pub channel: Option<String>,
    /// What the meter must be switched to.
    pub quantity: Option<Quantity>,
    /// What the value must keep to, in words.
    pub limit: Option<String>,
    /// The least value that is in limit, base units.
    #[serde(default)]
    pub limit_low: Option<f64>,
    /// The greatest value that is in limit, base units.
    #[serde(default)]
    pub limit_high: Option<f64>,
    /// Whether it asks a question, to be answered yes or no.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub asks: bool,
}

impl From<&StepView> for StepMessage {
    fn from(view: &StepView) -> Self {
        Self {
            number: view.number,
            place: view.place.map(|(place, _)| place),
            of: view.place.map(|(_, of)| of),
            name: view.name.clone(),
            attempt: view.attempt,
            circuit: view.circuit.clone(),
            instruction: view.instruction.clone(),
            channel: view.channel.clone(),
            quantity: view.quantity,
            limit: view.limit_text.clone().or(view.limit.map(|limit| limit.to_string())),
            limit_low: view.limit.and_then(|limit| limit.low),
            limit_high: view.limit.and_then(|limit| limit.high),
            asks: view.asks,
        }
    }
}

/// A captured value. It differs from [`Capture`]: the channel has its name, and the time is that of the message.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct CaptureMessage {
    /// Where.
    pub channel: String,
    /// How it was chosen.
    pub how: CaptureMethod,
    /// Readings that it is the mean of.
    pub readings: u64,
    /// The worst under load, what came before it had settled included.
    pub peak: Option<Value>,
    /// The touches of the leads that prove it, a sentence each.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub proof: Vec<String>,
    /// What is to be known about it beside its verdict.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub flags: Vec<CaptureFlag>,
    /// Its judgement.
    #[serde(flatten)]
    pub judgement: JudgementRecord,
}

impl CaptureMessage {
    /// A capture and the name of its channel.
    pub(crate) fn new(channel: &str, capture: &Capture) -> Self {
        Self {
            channel: channel.to_owned(),
            how: capture.how,
            readings: capture.settled.map_or(1, |settled| settled.count),
            peak: capture.peak,
            proof: capture.proof.as_ref().map(|proof| proof.lines(capture.at)).unwrap_or_default(),
            flags: capture.flags.clone(),
            judgement: JudgementRecord::from(&capture.judgement),
        }
    }
}

/// A question to the operator. It differs from [`Ask`]: the pattern is a word, and the commands that answer stand beside it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct AskMessage {
    /// Which pattern asks.
    pub pattern: String,
    /// The question.
    pub text: String,
    /// The reading that answers it.
    pub waits_for: String,
    /// The commands that cut the dialogue short.
    pub answers: Vec<String>,
}

impl From<&Ask> for AskMessage {
    fn from(ask: &Ask) -> Self {
        Self {
            pattern: ask.pattern.word().to_owned(),
            text: ask.text.clone(),
            waits_for: ask.waits_for.clone(),
            answers: Ask::ANSWERS.map(str::to_owned).into(),
        }
    }
}
