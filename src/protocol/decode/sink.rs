//! Where a decoder puts what it finds in a frame.

use std::ops::Range;

use serde::Deserialize;

use super::WholeNumbers;
use crate::protocol::{
    Action, Annunciators, Frame, Function, MeterIdentities, Reading, RequestId, Value,
    counters::{CounterBits, TimeUnit},
    names::NameTable,
    number::Token,
    problem::{DecodeError, Defect, ProblemKind},
};

/// The device's time under a name.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct NamedTime {
    pub(super) name: String,
    pub(super) unit: TimeUnit,
    pub(super) bits: Option<CounterBits>,
}

/// The frame's number under a name.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct NamedSequence {
    pub(super) name: String,
    pub(super) bits: Option<CounterBits>,
}

/// Values by name that are the frame's own: the device's time and the frame's number.
#[derive(Debug, Clone)]
pub(super) struct StampKeys {
    pub(super) time: Option<NamedTime>,
    pub(super) sequence: Option<NamedSequence>,
}

impl StampKeys {
    /// Adds a value, or takes it for the frame's time or number by its name.
    #[inline]
    pub(super) fn put(
        &self,
        name: &str,
        token: Result<Token, Defect>,
        bytes: Range<usize>,
        sink: &mut Sink<'_>,
    ) -> Result<(), DecodeError> {
        match (&self.time, &self.sequence) {
            (Some(time), _) if time.name == name => sink.time(token, time.unit, bytes),
            (_, Some(sequence)) if sequence.name == name => sink.number(token, bytes),
            _ => sink.value(name, token, bytes),
        }
    }
}

/// Where a decoder puts what it finds in one frame.
pub(in crate::protocol) struct Sink<'a> {
    pub readings: &'a mut Vec<Reading>,
    pub frames: &'a mut Vec<Frame>,
    pub names: &'a mut NameTable,
    /// Values refused while the rest of the frame is kept.
    pub refused: &'a mut Vec<DecodeError>,
    /// Its identity, as the meter sent it.
    pub identities: &'a mut MeterIdentities,
    /// Which bytes of the frame each reading is from, where anyone wants to know.
    pub trace: Option<&'a mut Vec<Range<usize>>>,
    /// Seconds on the device's clock.
    pub device_time: Option<f64>,
    /// The frame's number.
    pub sequence: Option<u64>,
    /// What the operator asked for.
    pub action: Option<Action>,
    /// The request that the frame answers.
    pub request: Option<RequestId>,
    /// What the last digit of bare numbers is worth.
    pub whole: &'a mut WholeNumbers,
    /// A frame in other characters; kept for its memory.
    pub rewritten: &'a mut Vec<u8>,
}

/// How much was in a [`Sink`] at one time.
pub(super) struct SinkMark {
    readings: usize,
    refused: usize,
}

impl Sink<'_> {
    pub(super) fn mark(&self) -> SinkMark {
        SinkMark { readings: self.readings.len(), refused: self.refused.len() }
    }

    /// Takes back what came since the mark, to read the frame once more.
    pub(super) fn take_back(&mut self, mark: SinkMark) {
        if let Some(trace) = &mut self.trace {
            trace.truncate(trace.len() - (self.readings.len() - mark.readings));
        }
        self.readings.truncate(mark.readings);
        self.refused.truncate(mark.refused);
        self.names.begin();
        (self.device_time, self.sequence, self.action) = (None, None, None);
    }

    /// A bare number's last digit may be worth anything.
    #[inline]
    pub(super) fn bare(&mut self, name: u16, token: Result<Token, Defect>) -> Result<Token, Defect> {
        match token {
            Ok(Token { value: Value::Number(number), decade, function: Function::Unknown }) => {
                let decade = self.whole.decade(name, number, decade);
                Ok(Token { value: Value::Number(number), decade, function: Function::Unknown })
            }
            token => token,
        }
    }

    /// A value under its name, from these bytes of the frame.
    #[inline]
    pub(super) fn value(
        &mut self,
        name: &str,
        token: Result<Token, Defect>,
        bytes: Range<usize>,
    ) -> Result<(), DecodeError> {
        let number = self.names.number(name).ok_or_else(|| DecodeError::at(bytes.clone(), Defect::TooManyNames))?;
        self.numbered(number, token, bytes)
    }

    /// A value under the number of its name. A value that must not be used is refused alone, a
    /// damaged one refuses the frame.
    #[inline]
    pub(super) fn numbered(
        &mut self,
        name: u16,
        token: Result<Token, Defect>,
        bytes: Range<usize>,
    ) -> Result<(), DecodeError> {
        let token = self.bare(name, token);
        self.shown(name, token, Annunciators::empty(), bytes)
    }

    /// The same with what the display shows beside the value.
    #[inline]
    pub(super) fn shown(
        &mut self,
        name: u16,
        token: Result<Token, Defect>,
        annunciators: Annunciators,
        bytes: Range<usize>,
    ) -> Result<(), DecodeError> {
        match token {
            Ok(Token { value, decade, function }) => {
                self.readings.push(Reading { name, function, value, decade, annunciators });
                if let Some(trace) = &mut self.trace {
                    trace.push(bytes);
                }
                Ok(())
            }
            Err(wrong) if wrong.kind() == ProblemKind::BadValue => {
                self.refused.push(DecodeError::at(bytes, wrong));
                Ok(())
            }
            Err(wrong) => Err(DecodeError::at(bytes, wrong)),
        }
    }

    /// The device's time.
    #[inline]
    pub(super) fn time(
        &mut self,
        token: Result<Token, Defect>,
        unit: TimeUnit,
        bytes: Range<usize>,
    ) -> Result<(), DecodeError> {
        match token {
            Ok(Token { value: Value::Number(time), .. }) => {
                self.device_time = Some(time / unit.per_second());
                Ok(())
            }
            Ok(_) => Err(DecodeError::at(bytes, Defect::NotANumber)),
            Err(wrong) => Err(DecodeError::at(bytes, wrong)),
        }
    }

    /// The frame's number.
    #[inline]
    pub(super) fn number(&mut self, token: Result<Token, Defect>, bytes: Range<usize>) -> Result<(), DecodeError> {
        match token {
            Ok(Token { value: Value::Number(number), .. }) if number >= 0.0 && number.fract() == 0.0 => {
                self.sequence = Some(number as u64);
                Ok(())
            }
            Ok(_) => Err(DecodeError::at(bytes, Defect::NotANumber)),
            Err(wrong) => Err(DecodeError::at(bytes, wrong)),
        }
    }

    /// Its identity, as the meter sent it.
    #[inline]
    pub(super) fn identity(&mut self, text: &[u8], bytes: Range<usize>) -> Result<(), DecodeError> {
        self.identities.add(text, self.frames.len()).map_err(|wrong| DecodeError::at(bytes, wrong))
    }

    /// The readings since the last scan are a scan, `age` seconds older than the
    /// frame's last.
    #[inline]
    pub(in crate::protocol) fn end_scan(&mut self, age: f64) {
        let readings_end = self.readings.len();
        self.frames.push(Frame { readings_end, device_time: None, age, sequence: None, action: None });
    }
}
