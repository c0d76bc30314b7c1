//! What a captured value came to: an outcome, and the sentence that gives the reason.

use serde::{Deserialize, Serialize};
use strum::{EnumMessage, VariantArray};

use super::{
    NotJudged, Verdict,
    limit::{deciding, is_judged_by_size},
};
use crate::{
    channel::Sample,
    electrics::{Decision, Uncertain, probability_of_conformity},
    procedure::YesNo,
    protocol::Value,
    units::{Limit, Quantity, ValueFormat},
    words::words,
};

/// An outcome and its reason.
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    /// What the value came to.
    pub outcome: Outcome,
    /// What the last digit that the meter showed is worth, base units; none where nothing was read or that is not known.
    pub digit: Option<f64>,
    /// One sentence.
    pub reason: String,
}

/// What a captured value came to. Values, uncertainties and limits are in base units of the quantity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Outcome {
    /// A number was held against the limit.
    Compared {
        /// How it keeps to the limit.
        decision: Decision,
        /// The number that was judged.
        number: f64,
        /// What the meter showed, where the judged number is that corrected for heat or its uncertainty holds more than the
        /// meter's.
        shown: Option<ShownValue>,
        /// Standard uncertainty of the comparison; none where nothing is known of it.
        u: Option<f64>,
        /// What it measures.
        quantity: Quantity,
        /// What it was judged against.
        limit: Limit,
    },
    /// A value beyond what the meter or its channel can show was held against the limit.
    BeyondRange {
        /// How everything beyond the range keeps to the limit.
        decision: Decision,
        /// Which end of the range.
        end: RangeEnd,
        /// What it measures.
        quantity: Quantity,
        /// What it was judged against.
        limit: Limit,
    },
    /// There is no limit: the value is kept as it is.
    Recorded {
        /// The value.
        value: Value,
        /// Standard uncertainty; none where nothing is known of it.
        u: Option<f64>,
        /// What it measures.
        quantity: Quantity,
    },
    /// A question was answered.
    Answered {
        /// The answer.
        answer: YesNo,
        /// The answer that is good.
        good: YesNo,
    },
    /// There was a reading, and it does not count.
    NotCounted {
        /// Why not.
        why: NotJudged,
        /// The reading.
        value: Value,
        /// Standard uncertainty; none where nothing is known of it.
        u: Option<f64>,
        /// What it measures.
        quantity: Quantity,
        /// What it would have been judged against.
        limit: Option<Limit>,
    },
    /// No value was captured.
    NoValue {
        /// Why not.
        why: NotJudged,
        /// What would have been measured; none where any function would have done.
        quantity: Option<Quantity>,
        /// What it would have been judged against.
        limit: Option<Limit>,
    },
}

/// What a meter showed, and how sure that is by itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShownValue {
    /// Base units.
    pub value: f64,
    /// Standard uncertainty; none where nothing is known of it.
    pub u: Option<f64>,
}

/// An end of what a meter or channel can show.
#[derive(Debug, Clone, Copy, PartialEq, Eq, VariantArray, EnumMessage)]
pub enum RangeEnd {
    /// More than can be shown.
    #[strum(serialize = "over")]
    Over,
    /// Less than can be shown.
    #[strum(serialize = "under")]
    Under,
}

words!(pub RangeEnd);

impl From<RangeEnd> for Value {
    fn from(end: RangeEnd) -> Self {
        match end {
            RangeEnd::Over => Self::Over,
            RangeEnd::Under => Self::Under,
        }
    }
}

impl Judgement {
    /// Of a value that there is no limit for.
    pub fn recorded(sample: &Sample) -> Self {
        Self {
            outcome: Outcome::Recorded { value: sample.value, u: sample.u, quantity: sample.quantity },
            digit: sample.digit,
            reason: "no limit to judge it by".to_owned(),
        }
    }

    /// Of the answer to a question.
    pub fn answered(answer: YesNo, good: YesNo) -> Self {
        let reason = match answer == good {
            true => format!("answered {}, as it should be", answer.word()),
            false => format!("answered {}, {} wanted", answer.word(), good.word()),
        };
        Self { outcome: Outcome::Answered { answer, good }, digit: None, reason }
    }

    /// The answer to a question; none where something was measured.
    pub fn answer(&self) -> Option<YesNo> {
        match self.outcome {
            Outcome::Answered { answer, .. } => Some(answer),
            _ => None,
        }
    }

    /// The verdict; none where there is no limit.
    pub fn verdict(&self) -> Option<Verdict> {
        match self.outcome {
            Outcome::Compared { decision, .. } | Outcome::BeyondRange { decision, .. } => Some(decision.into()),
            Outcome::NotCounted { why, .. } | Outcome::NoValue { why, .. } => Some(why.into()),
            Outcome::Answered { answer, good } if answer == good => Some(Verdict::InLimit),
            Outcome::Answered { .. } => Some(Verdict::OutOfLimit),
            Outcome::Recorded { .. } => None,
        }
    }

    /// The value that was captured; none where there was none.
    pub fn value(&self) -> Option<Value> {
        match self.outcome {
            Outcome::Compared { number, .. } => Some(Value::Number(number)),
            Outcome::BeyondRange { end, .. } => Some(end.into()),
            Outcome::Recorded { value, .. } | Outcome::NotCounted { value, .. } => Some(value),
            Outcome::NoValue { .. } | Outcome::Answered { .. } => None,
        }
    }

    /// What the meter showed, where that differs from what was judged.
    pub fn shown(&self) -> Option<ShownValue> {
        match self.outcome {
            Outcome::Compared { shown, .. } => shown,
            _ => None,
        }
    }

    /// What was measured, or would have been.
    pub fn quantity(&self) -> Option<Quantity> {
        match self.outcome {
            Outcome::Compared { quantity, .. }
            | Outcome::BeyondRange { quantity, .. }
            | Outcome::Recorded { quantity, .. }
            | Outcome::NotCounted { quantity, .. } => Some(quantity),
            Outcome::NoValue { quantity, .. } => quantity,
            Outcome::Answered { .. } => None,
        }
    }

    /// The value's standard uncertainty; none where nothing is known of it.
    pub fn u(&self) -> Option<f64> {
        match self.outcome {
            Outcome::Compared { u, .. } | Outcome::Recorded { u, .. } | Outcome::NotCounted { u, .. } => u,
            Outcome::BeyondRange { .. } | Outcome::NoValue { .. } | Outcome::Answered { .. } => None,
        }
    }

    /// The limit; none where there is none.
    pub fn limit(&self) -> Option<Limit> {
        match self.outcome {
            Outcome::Compared { limit, .. } | Outcome::BeyondRange { limit, .. } => Some(limit),
            Outcome::NotCounted { limit, .. } | Outcome::NoValue { limit, .. } => limit,
            Outcome::Recorded { .. } | Outcome::Answered { .. } => None,
        }
    }

    /// Probability that the true value keeps to the limit (JCGM 106:2012); none without a limit or an uncertainty.
    pub fn conformity(&self) -> Option<f64> {
        let Outcome::Compared { number, u: Some(u), limit, .. } = self.outcome else { return None };
        Some(probability_of_conformity(Uncertain::new(number, u), deciding(&limit)))
    }

    /// The same with what the meter showed before the number was corrected or its uncertainty was widened.
    pub(super) fn with_shown(mut self, value: f64, u: Option<f64>) -> Self {
        if let Outcome::Compared { shown, .. } = &mut self.outcome {
            *shown = Some(ShownValue { value, u });
        }
        self
    }

    /// The same with what the meter showed: a coil carries its amps at the temperature it has, not at the limit's.
    /// A drop has its size: its sign is that of the leads.
    pub(in crate::session) fn as_shown(&self) -> Self {
        let mut as_shown = self.clone();
        if let Outcome::Compared { number, shown, u, .. } = &mut as_shown.outcome
            && let Some(before) = shown.take()
        {
            (*number, *u) = (before.value, before.u);
        }
        if let Outcome::Compared { number, limit, .. } = &mut as_shown.outcome
            && is_judged_by_size(limit)
        {
            *number = number.abs();
        }
        as_shown
    }
}

/// A judgement as the control socket carries it and as the table `capture` holds it. It differs from [`Judgement`]:
/// JSON and tables have a place for each part, and what an outcome does not have is none.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct JudgementRecord {
    /// None where there is no limit.
    pub verdict: Option<Verdict>,
    /// None where nothing was captured.
    pub value: Option<Value>,
    /// What the meter showed, where the value is that corrected for heat.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub measured: Option<f64>,
    /// Standard uncertainty of what the meter showed, where `u` holds more than that.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub measured_u: Option<f64>,
    /// What the last digit that the meter showed is worth; none where that is not known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub digit: Option<f64>,
    /// The answer, where a question was asked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub answer: Option<YesNo>,
    /// What it measures.
    pub quantity: Option<Quantity>,
    /// Unit of value, uncertainty and limits.
    pub unit: Option<String>,
    /// Standard uncertainty.
    pub u: Option<f64>,
    /// Least value that is in limit.
    pub limit_low: Option<f64>,
    /// Greatest value that is in limit.
    pub limit_high: Option<f64>,
    /// Probability that the true value keeps to the limit.
    pub conformity: Option<f64>,
    /// One sentence.
    pub reason: String,
}

impl JudgementRecord {
    /// Verdict and reason with a separator between them; for a value without a limit, the value.
    pub(crate) fn sentence(&self, separator: &str) -> String {
        let Self { verdict, value, quantity, reason, .. } = self;
        match (verdict.map(Verdict::word), value) {
            (Some(verdict), _) if reason.starts_with(verdict) => reason.clone(),
            (Some(verdict), _) => format!("{verdict}{separator}{reason}"),
            (None, Some(value)) => {
                let format = ValueFormat::new(quantity.unwrap_or(Quantity::Number), self.digit, None);
                format!("{}, no limit", value.shown(format))
            }
            (None, None) => reason.clone(),
        }
    }
}

impl From<&Judgement> for JudgementRecord {
    fn from(judgement: &Judgement) -> Self {
        let (quantity, limit, shown) = (judgement.quantity(), judgement.limit(), judgement.shown());
        Self {
            verdict: judgement.verdict(),
            value: judgement.value(),
            measured: shown.map(|shown| shown.value),
            measured_u: shown.and_then(|shown| shown.u),
            digit: judgement.digit,
            answer: judgement.answer(),
            quantity,
            unit: quantity.map(|quantity| quantity.unit().to_owned()),
            u: judgement.u(),
            limit_low: limit.and_then(|limit| limit.low),
            limit_high: limit.and_then(|limit| limit.high),
            conformity: judgement.conformity(),
            reason: judgement.reason.clone(),
        }
    }
}

/// Parts that belong to no outcome.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a judgement with a verdict has a limit and what was measured, one without a verdict has a value")]
pub struct NoOutcome;

impl TryFrom<JudgementRecord> for Judgement {
    type Error = NoOutcome;

    fn try_from(record: JudgementRecord) -> Result<Self, NoOutcome> {
        let JudgementRecord { verdict, value, digit, quantity, u, limit_low: low, limit_high: high, reason, .. } =
            record;
        let shown = record.measured.map(|value| ShownValue {
            value,
            // Databases before version 5 kept the uncertainty of the corrected value alone.
            u: record.measured_u.or(u),
        });
        let is_limited = low.is_some() || high.is_some();
        let limit =
            quantity.filter(|_| is_limited).map(|quantity| Limit { low, high, dimension: quantity.dimension() });
        let beyond = |decision, end| {
            let (quantity, limit) = (quantity.ok_or(NoOutcome)?, limit.ok_or(NoOutcome)?);
            Ok(Outcome::BeyondRange { decision, end, quantity, limit })
        };
        if let Some(answer) = record.answer {
            let good = if verdict == Some(Verdict::InLimit) { answer } else { answer.other() };
            return Ok(Self { outcome: Outcome::Answered { answer, good }, digit, reason });
        }
        let outcome = match (verdict.map(Verdict::parts), value) {
            (None, Some(value)) => Outcome::Recorded { value, u, quantity: quantity.ok_or(NoOutcome)? },
            (Some(Err(why)), Some(value)) => {
                Outcome::NotCounted { why, value, u, quantity: quantity.ok_or(NoOutcome)?, limit }
            }
            (Some(Err(why)), None) => Outcome::NoValue { why, quantity, limit },
            (Some(Ok(decision)), Some(Value::Number(number))) => {
                let (quantity, limit) = (quantity.ok_or(NoOutcome)?, limit.ok_or(NoOutcome)?);
                Outcome::Compared { decision, number, shown, u, quantity, limit }
            }
            (Some(Ok(decision)), Some(Value::Over)) => beyond(decision, RangeEnd::Over)?,
            (Some(Ok(decision)), Some(Value::Under)) => beyond(decision, RangeEnd::Under)?,
            (Some(Ok(_)) | None, None) => return Err(NoOutcome),
        };
        Ok(Self { outcome, digit, reason })
    }
}
