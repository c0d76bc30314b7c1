//! Steps, values, verdicts and findings as both answers and news carry them.

use serde::{Deserialize, Serialize};

use crate::{
    protocol::Value,
    session::{Capture, Judgement, StepView, findings::Finding},
    units::Quantity,
};

/// A step as the operator sees it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct WireStep {
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
    /// What it looks at.
    pub channel: Option<String>,
    /// What the meter must be switched to.
    pub quantity: Option<String>,
    /// What the value must keep to, in words.
    pub limit: Option<String>,
}

impl From<&StepView> for WireStep {
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
            quantity: view.quantity.map(|quantity| quantity.word().to_owned()),
            limit: view.limit.map(|limit| limit.to_string()),
        }
    }
}

/// A value on the wire: a number, or the word for too much.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub(crate) enum WireValue {
    /// In the unit beside it.
    Number(f64),
    /// Beyond the range.
    Beyond(Beyond),
}

/// The words for too much.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum Beyond {
    /// Upwards.
    Over,
    /// Downwards.
    Under,
}

impl From<Value> for WireValue {
    fn from(value: Value) -> Self {
        match value {
            Value::Number(value) => Self::Number(value),
            Value::Over => Self::Beyond(Beyond::Over),
            Value::Under => Self::Beyond(Beyond::Under),
        }
    }
}

impl WireValue {
    /// As a person reads it, with its unit.
    pub(crate) fn show(self, quantity: Option<&str>) -> String {
        let quantity = quantity.and_then(|word| word.parse::<Quantity>().ok()).unwrap_or(Quantity::Number);
        match self {
            Self::Number(value) => crate::units::show(value, quantity),
            Self::Beyond(Beyond::Over) => "beyond the range".to_owned(),
            Self::Beyond(Beyond::Under) => "beyond the range downwards".to_owned(),
        }
    }
}

/// A verdict with everything that defends it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct WireJudgement {
    /// The word; none where there is no limit.
    pub verdict: Option<String>,
    /// What was judged.
    pub value: Option<WireValue>,
    /// What the meter showed, where the judged value is that corrected for heat.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub measured: Option<f64>,
    /// What it measures.
    pub quantity: Option<String>,
    /// Unit of value, u and limits.
    pub unit: Option<String>,
    /// Standard uncertainty.
    pub u: Option<f64>,
    /// Least value that is within.
    pub limit_low: Option<f64>,
    /// Greatest value that is within.
    pub limit_high: Option<f64>,
    /// Probability that the true value keeps to the limit.
    pub conformity: Option<f64>,
    /// One sentence.
    pub reason: String,
}

impl From<&Judgement> for WireJudgement {
    fn from(judgement: &Judgement) -> Self {
        Self {
            verdict: judgement.verdict().map(|verdict| verdict.word().to_owned()),
            value: judgement.value().map(WireValue::from),
            measured: judgement.measured(),
            conformity: judgement.conformity(),
            quantity: judgement.quantity().map(|quantity| quantity.word().to_owned()),
            unit: judgement.quantity().map(|quantity| quantity.unit().to_owned()),
            u: judgement.u(),
            limit_low: judgement.limit().and_then(|limit| limit.low),
            limit_high: judgement.limit().and_then(|limit| limit.high),
            reason: judgement.reason.clone(),
        }
    }
}

/// A captured value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct WireCapture {
    /// Where.
    pub channel: String,
    /// taken, steady, last or worst.
    pub how: String,
    /// Readings that it is the mean of.
    pub readings: u64,
    /// The worst under load, what came before it had settled included.
    pub peak: Option<WireValue>,
    /// What it says.
    #[serde(flatten)]
    pub judgement: WireJudgement,
}

impl WireCapture {
    /// A capture and the name of its channel.
    pub(crate) fn new(channel: &str, capture: &Capture) -> Self {
        Self {
            channel: channel.to_owned(),
            how: capture.how.word().to_owned(),
            readings: capture.settled.map_or(1, |settled| settled.count),
            peak: capture.peak.map(WireValue::from),
            judgement: WireJudgement::from(&capture.judgement),
        }
    }
}

/// A conclusion from several captures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct WireFinding {
    /// What.
    pub kind: String,
    /// Where; empty for what all share.
    pub circuits: Vec<String>,
    /// What is wrong and where.
    pub sentence: String,
    /// certain, likely or possible.
    pub sure: String,
    /// Its weight among all explanations, 0 to 1.
    pub weight: f64,
    /// What speaks for it.
    pub evidence: Vec<String>,
    /// What else would explain it.
    pub alternatives: Vec<String>,
    /// What to measure next.
    pub next: String,
}

impl From<&Finding> for WireFinding {
    fn from(finding: &Finding) -> Self {
        Self {
            kind: finding.kind.word().to_owned(),
            circuits: finding.circuits.clone(),
            sentence: finding.sentence.clone(),
            sure: finding.confidence.level.word().to_owned(),
            weight: finding.confidence.weight,
            evidence: finding.evidence.clone(),
            alternatives: finding.alternatives.iter().map(|other| other.sentence.clone()).collect(),
            next: finding.next.clone(),
        }
    }
}
