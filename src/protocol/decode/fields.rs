//! Binary frames: whole numbers, floats and bits at fixed places, for one scan or several.
//!
//! Reading order: `binary_field` (a number in a frame), `keys` (the keys of the file), this file, which reads frames by them.

mod binary_field;
mod keys;

use toml::Spanned;

pub(in crate::protocol) use keys::FieldsRule;

use super::{
    DecodeOutcome, FrameDecoder, Sink,
    display::{DisplayEffect, DisplayState},
};
use crate::protocol::{
    Function, Value,
    number::{Token, classify},
    problem::{DecodeError, Defect},
    values::ByteOrder,
};
use binary_field::{BinaryField, FieldKind};
use keys::{FieldCodeRule, FieldValueRule, ScanCount};

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
    state: FieldsState,
}

/// What the frame before had. To a device that begins anew a button that is held is pressed again.
#[derive(Debug, Default)]
struct FieldsState {
    /// Which of the action bits were set; empty before the first frame.
    buttons: Vec<ButtonState>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum ButtonState {
    #[default]
    Released,
    Pressed,
}

impl BinaryField {
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
        let unused = 64 - self.width();
        let top = all >> self.bits.map_or(0, |bits| bits.lowest) << unused;
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
        Self { rule, state: FieldsState::default() }
    }
}

impl FrameDecoder for FieldsDecoder {
    fn decode(&mut self, frame: &[u8], sink: &mut Sink<'_>) -> Result<DecodeOutcome, DecodeError> {
        let rule = &self.rule;
        let count = rule.count(frame)?;
        let mut shown = DisplayState::NOTHING;
        for code in &rule.codes {
            code.add_to(&mut shown, frame)?;
        }
        for flag in &rule.flags {
            flag.add_to(&mut shown, frame)?;
        }
        let scans = rule.scans.as_ref().map(Spanned::get_ref);
        let (at, length, apart_s) =
            scans.map_or((0, 0, 0.0), |scans| (scans.at.0, scans.length, scans.apart.as_secs_f64()));
        for index in 0..count {
            let base = at + index * length;
            for (value, name) in rule.value.iter().zip(0..) {
                value.read(name, &shown, frame, base, sink)?;
            }
            sink.end_scan((count - 1 - index) as f64 * apart_s);
        }
        if let Some(time) = &rule.time {
            let in_a_second = time.unit.per_second();
            let first = match time.field().read(frame) {
                RawNumber::Whole(ticks) => ticks as f64 / in_a_second,
                RawNumber::Float(time) if time.is_finite() => time / in_a_second,
                RawNumber::Float(_) => return Err(DecodeError::at(time.field().bytes(), Defect::NotFinite)),
            };
            sink.device_time = Some(first);
        }
        sink.sequence = rule.sequence.as_ref().map(|sequence| sequence.field().whole(frame) as u64);
        self.state.buttons.resize(rule.actions.len(), ButtonState::Released);
        for (button, state) in rule.actions.iter().zip(&mut self.state.buttons) {
            let now = if button.bit.is_set(frame) { ButtonState::Pressed } else { ButtonState::Released };
            if *state == ButtonState::Released && now == ButtonState::Pressed {
                sink.action = Some(button.does);
            }
            *state = now;
        }
        Ok(DecodeOutcome::Frame)
    }

    fn reset(&mut self) {
        self.state = FieldsState::default();
    }
}

impl FieldsRule {
    /// How many scans the frame holds, once its length is known to be right.
    fn count(&self, frame: &[u8]) -> Result<usize, DecodeError> {
        let wrong = |expected| DecodeError::whole(Defect::Length { found: frame.len(), expected });
        if frame.len() < self.frame_length {
            return Err(wrong(self.frame_length));
        }
        let Some(scans) = self.scans.as_ref().map(Spanned::get_ref) else {
            return if frame.len() == self.frame_length { Ok(1) } else { Err(wrong(self.frame_length)) };
        };
        let room = frame.len() - scans.at.0;
        let count = match &scans.count {
            ScanCount::Always(count) => *count,
            ScanCount::InFrame(count) => usize::try_from(count.field().whole(frame)).unwrap_or(usize::MAX),
            ScanCount::Filling => room / scans.length,
        };
        match count.checked_mul(scans.length) {
            Some(length) if length == room => Ok(count),
            length => Err(wrong(scans.at.0 + length.unwrap_or(0))),
        }
    }
}

impl FieldCodeRule {
    /// Adds what the code means. The caller has checked that the frame is long enough.
    fn add_to(&self, shown: &mut DisplayState, frame: &[u8]) -> Result<(), DecodeError> {
        let value = self.field().whole(frame);
        let known = self.is.0.iter().find(|(known, _)| *known == value);
        shown.add_all(&known.ok_or(DecodeError::at(self.field().bytes(), Defect::UnknownCode))?.1);
        Ok(())
    }
}

impl FieldValueRule {
    #[inline]
    fn read(
        &self,
        name: u16,
        shown: &DisplayState,
        frame: &[u8],
        base: usize,
        sink: &mut Sink<'_>,
    ) -> Result<(), DecodeError> {
        let scan = &frame[base..];
        let mut shown = *shown;
        for code in &self.codes {
            code.add_to(&mut shown, frame)?;
        }
        shown.add_own(&self.unit);
        for flag in &self.flags {
            flag.add_to(&mut shown, frame)?;
        }
        if self.minus.is_some_and(|bit| bit.is_set(scan)) {
            shown.add(&DisplayEffect::Minus);
        }
        let scaled = |raw: f64| classify(self.scale.apply(raw) + self.offset);
        let (value, decade) = match self.field().read(scan) {
            RawNumber::Whole(code) if self.absent.contains(&code) => return Ok(()),
            RawNumber::Whole(code) if self.over.contains(&code) => (Ok(Value::Over), None),
            RawNumber::Whole(code) if self.under.contains(&code) => (Ok(Value::Under), None),
            RawNumber::Whole(number) => (scaled(number as f64), self.place.or(self.scale.decade(0))),
            RawNumber::Float(number) => (scaled(number), self.place),
        };
        let token = value.and_then(|value| shown.token(Token { value, decade, function: Function::Unknown }));
        let bytes = self.field().bytes();
        sink.shown(name, token, shown.annunciators, base + bytes.start..base + bytes.end)
    }
}

#[cfg(test)]
mod tests {
    use crate::protocol::tests::{decoded, decoded_with_losses};

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
        check(5, decode, &[0xa5, 0x10, 0x00, 0xfe, 0x83], &["a = -0.0512 V DC", "b = -0.15 V DC"]);
        check(5, decode, &[0xa5, 0x02, 0xff, 0x7f, 3], &["a = OL A DC", "b = OL A DC"]);
        check(5, decode, &[0xa5, 0x00, 0x00, 0x80, 0], &["a = -OL A DC", "b = 0 A DC"]);
        check(5, decode, &[0xa5, 0x00, 0xff, 0xff, 0], &["b = 0 A DC"]);
        check(5, decode, &[0xa5, 0x20, 0, 0, 0], &["! byte 2: found \" \", expected a code that the protocol knows"]);
    }

    #[test]
    fn a_code_gives_the_place_of_the_last_digit() {
        // Raw 1234 with the code ["V AC", -3] once read 1234 V.
        let decode = "order = \"big\"\ncodes = [{ at = 2, type = \"u8\", is = { 1 = [\"V AC\", -3], 2 = [\"kohm\", -1] } }]\n\
            [[decode.value]]\nname = \"v\"\nat = 3\ntype = \"u16\"\n";
        check(4, decode, &[0xa5, 1, 0x04, 0xd2], &["v = 1.234 V AC"]);
        check(4, decode, &[0xa5, 2, 0x04, 0xd2], &["v = 123400 ohm"]);
    }

    #[test]
    fn a_main_display_and_a_temperature() {
        let values = "[[decode.value]]\nname = \"main\"\nat = 3\ntype = \"i16\"\n\
            [[decode.value]]\nname = \"temperature\"\nat = 5\ntype = \"u8\"\nunit = \"°C\"\n";
        let codes = "{ at = 2, type = \"u8\", is = { 1 = [\"V AC\", -3], 2 = [\"ohm\", -1] }";
        // A unit of its own stands before what all values have in common, and a code may name its value.
        for of in ["", ", of = \"main\""] {
            let decode = format!("order = \"big\"\ncodes = [{codes}{of} }}]\n{values}");
            let expected = ["main = 1.234 V AC", "temperature = 23 °C"];
            check(5, &decode, &[0xa5, 1, 0x04, 0xd2, 23], &expected);
            check(5, &decode, &[0xa5, 2, 0x00, 0x4b, 23], &["main = 7.5 ohm", "temperature = 23 °C"]);
            check(
                5,
                &decode,
                &[0xa5, 3, 0, 0, 0],
                &["! byte 2: found \"\\x03\", expected a code that the protocol knows"],
            );
        }
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
        // One that is held while the port is lost is one press more: it may have been let go meanwhile.
        let file =
            format!("[frame]\nkind = \"fixed\"\nlength = 2\nstart = \"A5\"\n[decode]\nkind = \"fields\"\n{decode}");
        assert_eq!(decoded_with_losses(&file, &[&[0xa5, 1, 0xa5, 1], &[0xa5, 1]]), ["> take", "> take"]);
    }
}
