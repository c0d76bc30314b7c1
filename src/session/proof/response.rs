//! What goes into a pattern and what comes out of it.

use super::{Ask, CaptureFlag, Proof};
use crate::{channel::Sample, clock::Mono, protocol::Value};

/// One reading of the step's channel, as the patterns see it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct LeadReading<'a> {
    /// The reading.
    pub sample: &'a Sample,
    /// Whether the step's load is on; none where the step asks for none.
    pub loaded: Option<bool>,
    /// Whether the load has come on, however shortly; none where the step asks for none.
    pub load_on: Option<bool>,
}

impl LeadReading<'_> {
    /// When it was read.
    pub(super) fn at(&self) -> Mono {
        self.sample.at
    }

    /// Its number; none beyond the meter's range.
    pub(super) fn number(&self) -> Option<f64> {
        match self.sample.value {
            Value::Number(value) => Some(value),
            Value::Over | Value::Under => None,
        }
    }
}

/// What a pattern makes of a reading.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Response {
    /// It is none of its business.
    Pass,
    /// The pattern waits; the reading is not captured.
    Hold,
    /// The pattern asks something and waits.
    Ask(Ask),
    /// The pattern has something to say and waits.
    Say(String),
    /// The leads have proven a value, which is captured; the text is said.
    Proven(Box<ProvenValue>, String),
}

/// A value that the leads have proven.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct ProvenValue {
    /// The value, in a sample of the time when it was read.
    pub sample: Sample,
    /// How it was proven; none for a value that is kept although it was not.
    pub proof: Option<Proof>,
    /// What is to be known about it.
    pub flags: Vec<CaptureFlag>,
}
