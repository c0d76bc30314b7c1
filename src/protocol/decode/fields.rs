//! Binary frames: whole numbers, floats and bits at fixed places, for one scan or several.

use std::ops::Range;

use super::{
    DecodeOutcome, Sink,
    flags::{Bit, FlagRule},
    linear::Linear,
    shown::{DisplayEffect, DisplayState},
};
use crate::protocol::{
    Action, Function, Value,
    checksum::ByteOrder,
    number::{Token, classify},
    problem::{DecodeError, Defect},
};

/// What such a frame is.
#[derive(Debug, Clone)]
pub(in crate::protocol) struct FieldsRule {
    /// Bytes of the frame: exactly these, or at least where scans fill the rest.
    pub length: usize,
    /// What the values are called.
    pub names: Vec<String>,
    /// One for each name; their places count from the beginning of their scan.
    pub values: Vec<FieldValueRule>,
    pub codes: Vec<FieldCodeRule>,
    pub flags: Vec<FlagRule>,
    pub time: Option<(BinaryField, f64)>,
    pub sequence: Option<BinaryField>,
    pub actions: Vec<(Bit, Action)>,
    pub scans: Option<ScansRule>,
}

/// Several scans in one frame, one behind the other.
#[derive(Debug, Clone, Copy)]
pub(in crate::protocol) struct ScansRule {
    /// Where the first begins.
    pub at: usize,
    /// Bytes of each.
    pub length: usize,
    pub count: ScanCount,
    /// Seconds from one to the next. The frame's time is that of the first.
    pub apart_s: f64,
}

/// How many scans.
#[derive(Debug, Clone, Copy)]
pub(in crate::protocol) enum ScanCount {
    Always(usize),
    Told(BinaryField),
    /// As many as fill the frame.
    Filling,
}

/// A number in a frame.
#[derive(Debug, Clone, Copy)]
pub(in crate::protocol) struct BinaryField {
    /// Counted from 0.
    pub at: usize,
    pub kind: FieldKind,
    pub order: ByteOrder,
    /// Only so many of its bits, from this one on.
    pub bits: Option<(u32, u32)>,
}

/// How a number is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub(in crate::protocol) enum FieldKind {
    U8,
    I8,
    U16,
    I16,
    U24,
    I24,
    U32,
    I32,
    F32,
    F64,
}

/// A value of a frame.
#[derive(Debug, Clone)]
pub(in crate::protocol) struct FieldValueRule {
    pub field: BinaryField,
    pub linear: Linear,
    /// Its unit.
    pub effects: Vec<DisplayEffect>,
    /// What its last digit is worth, where the scale does not tell.
    pub place: Option<i8>,
    /// A bit that says it is below zero.
    pub minus: Option<Bit>,
    /// RawNumber numbers that say too much, too little, and that there is no value.
    pub over: Vec<i64>,
    pub under: Vec<i64>,
    pub absent: Vec<i64>,
}

/// A number whose values say what the frame's values are.
#[derive(Debug, Clone)]
pub(in crate::protocol) struct FieldCodeRule {
    pub field: BinaryField,
    pub is: Vec<(i64, Vec<DisplayEffect>)>,
}

/// A number as it was read.
#[derive(Debug, Clone, Copy)]
enum RawNumber {
    Whole(i64),
    Float(f64),
}

/// Reads such frames.
#[derive(Debug)]
pub(in crate::protocol) struct FieldsDecoder {
    rule: FieldsRule,
    /// Which of the action bits were set in the frame before.
    pressed: Vec<ButtonState>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum ButtonState {
    No,
    Yes,
}

impl FieldKind {
    /// Bytes that it fills.
    pub(crate) fn size(self) -> usize {
        match self {
            Self::U8 | Self::I8 => 1,
            Self::U16 | Self::I16 => 2,
            Self::U24 | Self::I24 => 3,
            Self::U32 | Self::I32 | Self::F32 => 4,
            Self::F64 => 8,
        }
    }

    pub(crate) fn is_float(self) -> bool {
        matches!(self, Self::F32 | Self::F64)
    }

    fn is_signed(self) -> bool {
        matches!(self, Self::I8 | Self::I16 | Self::I24 | Self::I32)
    }
}

impl BinaryField {
    pub(crate) fn bytes(&self) -> Range<usize> {
        self.at..self.at + self.kind.size()
    }

    /// How wide it is, bits.
    pub(crate) fn width(&self) -> u32 {
        self.bits.map_or(8 * self.kind.size() as u32, |(_, count)| count)
    }

    /// The caller has checked that the bytes are there.
    #[inline]
    fn read(&self, bytes: &[u8]) -> RawNumber {
        let bytes = &bytes[self.bytes()];
        let all = match self.order {
            ByteOrder::Big => bytes.iter().fold(0u64, |all, byte| all << 8 | u64::from(*byte)),
            ByteOrder::Little => bytes.iter().rev().fold(0u64, |all, byte| all << 8 | u64::from(*byte)),
        };
        match self.kind {
            FieldKind::F32 => return RawNumber::Float(f32::from_bits(all as u32).into()),
            FieldKind::F64 => return RawNumber::Float(f64::from_bits(all)),
            _ => {}
        }
        let (low, width) = self.bits.unwrap_or((0, self.width()));
        let unused = 64 - width;
        let top = all >> low << unused;
        RawNumber::Whole(if self.kind.is_signed() { top as i64 >> unused } else { (top >> unused) as i64 })
    }

    fn whole(&self, bytes: &[u8]) -> i64 {
        match self.read(bytes) {
            RawNumber::Whole(number) => number,
            RawNumber::Float(number) => number as i64,
        }
    }
}

impl FieldsDecoder {
    pub(crate) fn new(rule: FieldsRule) -> Self {
        Self { pressed: vec![ButtonState::No; rule.actions.len()], rule }
    }

    /// The port went away: a button held then says nothing now.
    pub(crate) fn lost(&mut self) {
        self.pressed.fill(ButtonState::No);
    }

    pub(crate) fn decode(&mut self, frame: &[u8], sink: &mut Sink<'_>) -> Result<DecodeOutcome, DecodeError> {
        let rule = &self.rule;
        let count = rule.count(frame)?;
        let mut shown = DisplayState::NOTHING;
        for code in &rule.codes {
            let value = code.field.whole(frame);
            let known = code.is.iter().find(|(known, _)| *known == value);
            shown.add_all(&known.ok_or(DecodeError::at(code.field.bytes(), Defect::UnknownCode))?.1);
        }
        for flag in rule.flags.iter().filter(|flag| flag.of.is_none()) {
            flag.add_to(&mut shown, frame)?;
        }
        let scan = rule.scans.unwrap_or(ScansRule { at: 0, length: 0, count: ScanCount::Always(1), apart_s: 0.0 });
        for index in 0..count {
            let base = scan.at + index * scan.length;
            for (value, name) in rule.values.iter().zip(0..) {
                rule.value(value, name, &shown, frame, base, sink)?;
            }
            sink.end_scan((count - 1 - index) as f64 * scan.apart_s);
        }
        if let Some((field, in_a_second)) = &rule.time {
            let first = match field.read(frame) {
                RawNumber::Whole(ticks) => ticks as f64 / in_a_second,
                RawNumber::Float(time) if time.is_finite() => time / in_a_second,
                RawNumber::Float(_) => return Err(DecodeError::at(field.bytes(), Defect::NotFinite)),
            };
            sink.device_time = Some(first);
        }
        sink.sequence = rule.sequence.as_ref().map(|field| field.whole(frame) as u64);
        for ((bit, action), pressed) in rule.actions.iter().zip(&mut self.pressed) {
            let now = if bit.is_set(frame) { ButtonState::Yes } else { ButtonState::No };
            if *pressed == ButtonState::No && now == ButtonState::Yes {
                sink.action = Some(*action);
            }
            *pressed = now;
        }
        Ok(DecodeOutcome::Frame)
    }
}

impl FieldsRule {
    /// How many scans the frame holds, once its length is known to be right.
    fn count(&self, frame: &[u8]) -> Result<usize, DecodeError> {
        let wrong = |expected| DecodeError::whole(Defect::Length { found: frame.len(), expected });
        if frame.len() < self.length {
            return Err(wrong(self.length));
        }
        let Some(scans) = self.scans else {
            return if frame.len() == self.length { Ok(1) } else { Err(wrong(self.length)) };
        };
        let room = frame.len() - scans.at;
        let count = match scans.count {
            ScanCount::Always(count) => count,
            ScanCount::Told(field) => usize::try_from(field.whole(frame)).unwrap_or(usize::MAX),
            ScanCount::Filling => room / scans.length,
        };
        match count.checked_mul(scans.length) {
            Some(length) if length == room => Ok(count),
            length => Err(wrong(scans.at + length.unwrap_or(0))),
        }
    }

    #[inline]
    fn value(
        &self,
        rule: &FieldValueRule,
        name: u16,
        shown: &DisplayState,
        frame: &[u8],
        base: usize,
        sink: &mut Sink<'_>,
    ) -> Result<(), DecodeError> {
        let scan = &frame[base..];
        let mut shown = *shown;
        shown.add_all(&rule.effects);
        for flag in self.flags.iter().filter(|flag| flag.of == Some(name)) {
            flag.add_to(&mut shown, frame)?;
        }
        if rule.minus.is_some_and(|bit| bit.is_set(scan)) {
            shown.add(&DisplayEffect::Minus);
        }
        let raw = rule.field.read(scan);
        let (value, place) = match raw {
            RawNumber::Whole(code) if rule.absent.contains(&code) => return Ok(()),
            RawNumber::Whole(code) if rule.over.contains(&code) => (Ok(Value::Over), None),
            RawNumber::Whole(code) if rule.under.contains(&code) => (Ok(Value::Under), None),
            RawNumber::Whole(number) => (classify(rule.linear.of(number as f64)), rule.place.or(rule.linear.place(0))),
            RawNumber::Float(number) => (classify(rule.linear.of(number)), rule.place),
        };
        let token = value.and_then(|value| shown.token(Token { value, place, function: Function::Unknown }));
        let bytes = rule.field.bytes();
        sink.shown(name, token, shown.annunciators, base + bytes.start..base + bytes.end)
    }
}

#[cfg(test)]
mod tests {
    use crate::protocol::tests::decoded;

    fn check(length: usize, decode: &str, bytes: &[u8], expected: &[&str]) {
        let frame = format!("[frame]\nkind = \"fixed\"\nlength = {length}\nstart = \"A5\"\n");
        assert_eq!(decoded(&format!("{frame}[decode]\nkind = \"fields\"\n{decode}"), bytes), expected, "{bytes:02x?}");
    }

    #[test]
    fn whole_numbers_and_floats_in_either_order() {
        for (kind, order, bytes, expected) in [
            ("u8", "big", &[0xfe][..], "v = 254"),
            ("i8", "big", &[0xfe], "v = -2"),
            ("u16", "big", &[0x12, 0x34], "v = 4660"),
            ("i16", "little", &[0x34, 0xf2], "v = -3532"),
            ("u24", "little", &[1, 0, 1], "v = 65537"),
            ("i24", "big", &[0xff, 0xff, 0xfe], "v = -2"),
            ("u32", "big", &[0xff, 0xff, 0xff, 0xff], "v = 4294967295"),
            ("i32", "little", &[0xff, 0xff, 0xff, 0xff], "v = -1"),
            // IEEE 754: 1.5 is 3FC00000 and 3FF8000000000000.
            ("f32", "big", &[0x3f, 0xc0, 0, 0], "v = 1.5"),
            ("f64", "little", &[0, 0, 0, 0, 0, 0, 0xf8, 0x3f], "v = 1.5"),
        ] {
            let decode = format!("order = \"{order}\"\n[[decode.value]]\nname = \"v\"\nat = 2\ntype = \"{kind}\"\n");
            check(bytes.len() + 1, &decode, &[&[0xa5], bytes].concat(), &[expected]);
        }
    }

    #[test]
    fn scale_bits_codes_and_flags() {
        let decode = "order = \"little\"\n\
            codes = [{ at = 2, type = \"u8\", bits = [4, 4], is = { 0 = \"A DC\", 1 = [\"V DC\", -1] } }]\n\
            flags = [{ bit = \"2.0\", shows = \"hold\" }, { bit = \"2.1\", shows = \"over\", of = \"b\" }]\n\
            [[decode.value]]\nname = \"a\"\nat = 3\ntype = \"i16\"\nscale = 0.001\nover = [32767]\nunder = [-32768]\nabsent = [-1]\n\
            [[decode.value]]\nname = \"b\"\nat = 5\ntype = \"u8\"\nbits = [0, 7]\nminus = \"5.7\"\nscale = 0.5\n";
        check(5, decode, &[0xa5, 0x00, 0x00, 0x02, 3], &["a = 0.512 A DC", "b = 1.5 A DC"]);
        check(5, decode, &[0xa5, 0x01, 0x00, 0xfe, 0x83], &["a = -0.512 A DC [hold]", "b = -1.5 A DC [hold]"]);
        check(5, decode, &[0xa5, 0x02, 0xff, 0x7f, 3], &["a = OL A DC", "b = OL A DC"]);
        check(5, decode, &[0xa5, 0x00, 0x00, 0x80, 0], &["a = -OL A DC", "b = 0 A DC"]);
        check(5, decode, &[0xa5, 0x00, 0xff, 0xff, 0], &["b = 0 A DC"]);
        check(5, decode, &[0xa5, 0x20, 0, 0, 0], &["! byte 2: found \" \", expected a code that the protocol knows"]);
    }

    #[test]
    fn floats_that_are_no_numbers_are_refused_alone() {
        let decode = "order = \"big\"\n[[decode.value]]\nname = \"v\"\nat = 2\ntype = \"f32\"\n";
        let nan = "! byte 2: found \"\\x7f\\xc0\\x00\\x00\", expected a finite number";
        check(5, decode, &[0xa5, 0x7f, 0xc0, 0, 0], &[nan]);
    }

    #[test]
    fn several_scans_with_their_times() {
        let decode = "order = \"big\"\ntime = { at = 2, type = \"u16\", unit = \"ms\" }\n\
            scans = { at = 4, length = 1, count = 3, apart = \"10 ms\" }\n\
            [[decode.value]]\nname = \"v\"\nat = 1\ntype = \"u8\"\n";
        let times = ["v = 7", "v = 8", "v = 9", "@ 1 s", "@ 1.01 s", "@ 1.02 s"];
        check(6, decode, &[0xa5, 0x03, 0xe8, 7, 8, 9], &times);
    }

    #[test]
    fn a_button_acts_once_when_it_is_pressed() {
        let decode = "actions = [{ bit = \"2.0\", does = \"take\" }]\n";
        check(2, decode, &[0xa5, 0, 0xa5, 1, 0xa5, 1, 0xa5, 0, 0xa5, 1], &["> take", "> take"]);
    }
}
