//! Text described by regular expressions: each message of the meter has one, with a named group for
//! every part that matters.
//!
//! `keys` holds the keys of the file, this file reads frames by them.

mod keys;

use regex::bytes::CaptureLocations;

pub(in crate::protocol) use keys::PatternRule;

use super::{
    DecodeOutcome, FrameDecoder, Sink,
    display::{DisplayEffect, DisplayState},
};
use crate::protocol::{
    Annunciators, Function, RequestId,
    number::{NumberReader, Plain, Token, classify, plain},
    problem::{DecodeError, Defect},
    values::hex_digit,
};
use keys::{FROM, MessageRule, MessageValueRule, TextForm};

/// Reads such text.
#[derive(Debug)]
pub(in crate::protocol) struct PatternDecoder {
    messages: Vec<(MessageRule, CaptureLocations)>,
    number_reader: NumberReader,
    /// A value's name with its sender; kept for its memory.
    name: String,
    state: PatternState,
}

/// What earlier messages said of those to come. What a meter that begins anew is switched to is unknown.
#[derive(Debug, Default)]
struct PatternState {
    /// What a message without values gave for those to come.
    standing: DisplayState,
    /// Values that wait for the function to be confirmed.
    held: HeldValues,
}

/// Values that are kept only when the meter says once more of which function they are.
#[derive(Debug, Default)]
struct HeldValues {
    confirmed_by: Option<RequestId>,
    values: Vec<HeldValue>,
}

#[derive(Debug)]
struct HeldValue {
    name: u16,
    token: Result<Token, Defect>,
    annunciators: Annunciators,
}

/// Longer numbers than this are garbage.
const LONGEST_NUMBER: usize = 48;

impl PatternDecoder {
    pub(crate) fn new(rule: PatternRule) -> Self {
        let with_places = |message: MessageRule| {
            let places = message.pattern.capture_locations();
            (message, places)
        };
        Self {
            messages: rule.messages.into_iter().map(with_places).collect(),
            number_reader: NumberReader::new(rule.overload),
            name: String::new(),
            state: PatternState::default(),
        }
    }
}

impl FrameDecoder for PatternDecoder {
    fn decode(&mut self, frame: &[u8], sink: &mut Sink<'_>) -> Result<DecodeOutcome, DecodeError> {
        let request = sink.request;
        let fitting = self.messages.iter_mut().find_map(|(message, places)| {
            let is_time =
                message.answers.is_empty() || request.is_some_and(|request| message.answers.contains(&request));
            (is_time && message.pattern.captures_read(places, frame).is_some()).then_some((&*message, &*places))
        });
        let (message, places) = fitting.ok_or(DecodeError::whole(Defect::NoMessage))?;
        let group = |index: usize| {
            let (start, end) = places.get(index)?;
            let text = frame[start..end].trim_ascii();
            (!text.is_empty()).then_some((text, start..end))
        };
        let keeps = message.values.is_empty() && !message.words.is_empty();
        let mut shown = if keeps { DisplayState::NOTHING } else { self.state.standing };
        for words in &message.words {
            let Some((text, bytes)) = group(words.group) else { continue };
            let Some((_, effects)) = words.is.iter().find(|(word, _)| word == text) else {
                if keeps {
                    self.state.standing = DisplayState::NOTHING;
                    self.state.held.values.clear();
                }
                return Err(DecodeError::at(bytes, Defect::UnknownWord));
            };
            shown.add_all(effects);
        }
        if keeps {
            let before = std::mem::replace(&mut self.state.standing, shown);
            if !self.state.held.values.is_empty() && self.state.held.confirmed_by == request {
                return self.state.held.settle(shown.has_function_of(&before), sink);
            }
        }
        sink.action = message.action;
        if let Some((text, bytes)) = message.identity.and_then(group) {
            sink.identity(text, bytes)?;
        }
        if message.values.is_empty() {
            return Ok(message.outcome_without_values());
        }
        if let Some((index, unit)) = message.time
            && let Some((text, bytes)) = group(index)
        {
            sink.time(decimal(&mut self.number_reader, text), unit, bytes)?;
        }
        if let Some((text, bytes)) = message.sequence.and_then(group) {
            sink.number(decimal(&mut self.number_reader, text), bytes)?;
        }
        // Only a function that is known can be confirmed.
        let is_held = message.confirmed_by.is_some() && self.state.standing != DisplayState::NOTHING;
        if is_held {
            self.state.held.begin(message.confirmed_by, sink);
        }
        let sender = message.sender.as_ref().and_then(|sender| Some((&sender.usual, group(sender.group)?.0)));
        for value in &message.values {
            let Some((text, bytes)) = group(value.group) else { continue };
            let mut shown = shown;
            shown.add_own(&value.effects);
            let minus =
                value.minus.as_ref().filter(|(index, word)| group(*index).is_some_and(|(text, _)| text == word));
            if minus.is_some() {
                shown.add(&DisplayEffect::Minus);
            }
            if let Some((unit, bytes)) = value.unit.and_then(group) {
                let unit = std::str::from_utf8(unit)
                    .map_err(|_| Defect::NotText)
                    .and_then(|unit| self.number_reader.unit(unit));
                shown.add(&DisplayEffect::Unit(unit.map_err(|defect| DecodeError::at(bytes, defect))?));
            }
            let mut token = value.read(&mut self.number_reader, text);
            // Without a unit in the frame it is a bare number, whatever the meter answered before.
            if message.words.is_empty()
                && value.unit.is_none()
                && value.effects.is_empty()
                && value.form == TextForm::Decimal
            {
                token = sink.bare(value.name, token);
            }
            let token = token.and_then(|token| shown.token(token));
            let name = match sender {
                None => value.name,
                Some((usual, sender)) => sender_name(&mut self.name, value.name, usual, sender, sink)
                    .ok_or(DecodeError::at(bytes.clone(), Defect::TooManyNames))?,
            };
            if is_held {
                self.state.held.values.push(HeldValue { name, token, annunciators: shown.annunciators });
            } else {
                sink.shown(name, token, shown.annunciators, bytes)?;
            }
        }
        Ok(if is_held { DecodeOutcome::WithoutValues } else { DecodeOutcome::Frame })
    }

    fn reset(&mut self) {
        self.state = PatternState::default();
    }
}

impl MessageRule {
    /// What a frame of a message that has no values is.
    fn outcome_without_values(&self) -> DecodeOutcome {
        match (self.action, self.identity) {
            (Some(_), _) => DecodeOutcome::Frame,
            (None, None) if self.words.is_empty() => DecodeOutcome::Ignored,
            (None, _) => DecodeOutcome::WithoutValues,
        }
    }
}

impl HeldValues {
    /// Values come that must be confirmed. Those before them were not.
    fn begin(&mut self, confirmed_by: Option<RequestId>, sink: &mut Sink<'_>) {
        if !self.values.is_empty() {
            sink.refused.push(DecodeError::whole(Defect::NotConfirmed));
            self.values.clear();
        }
        self.confirmed_by = confirmed_by;
    }

    /// The function was asked again: the values are kept where it is the same.
    fn settle(&mut self, is_same: bool, sink: &mut Sink<'_>) -> Result<DecodeOutcome, DecodeError> {
        if !is_same {
            self.values.clear();
            sink.refused.push(DecodeError::whole(Defect::FunctionChanged));
            return Ok(DecodeOutcome::WithoutValues);
        }
        for HeldValue { name, token, annunciators } in self.values.drain(..) {
            sink.shown(name, token, annunciators, 0..0)?;
        }
        Ok(DecodeOutcome::Frame)
    }
}

/// The number of a value's name, with its sender behind it where that is not the usual one.
fn sender_name(buffer: &mut String, value: u16, usual: &[Vec<u8>], sender: &[u8], sink: &mut Sink<'_>) -> Option<u16> {
    let mut close = [0; LONGEST_NUMBER];
    let mut length = 0;
    for byte in sender.iter().filter(|byte| **byte != b' ') {
        *close.get_mut(length)? = *byte;
        length += 1;
    }
    let sender = &close[..length];
    if usual.iter().any(|usual| usual == sender) {
        return Some(value);
    }
    buffer.clear();
    buffer.push_str(sink.names.all().get(usize::from(value))?);
    buffer.push_str(FROM);
    buffer.push_str(std::str::from_utf8(sender).ok()?);
    sink.names.number(buffer)
}

impl MessageValueRule {
    fn read(&self, number_reader: &mut NumberReader, text: &[u8]) -> Result<Token, Defect> {
        let (number, decade) = match self.form {
            TextForm::Decimal => {
                let token = decimal(number_reader, text)?;
                let crate::protocol::Value::Number(number) = token.value else { return Ok(token) };
                let value = classify(self.scale.apply(number) + self.offset)?;
                let decade = token.decade.and_then(|decade| self.scale.decade(decade.into()));
                return Ok(Token { value, decade, ..token });
            }
            TextForm::Hex => (hex_number(text).ok_or(Defect::NotHex)?, self.scale.decade(0)),
            TextForm::DegreesMinutes => {
                let (degrees, decade) = degrees(text).ok_or(Defect::NotANumber)?;
                (degrees, self.scale.decade(decade))
            }
        };
        Ok(Token { value: classify(self.scale.apply(number) + self.offset)?, decade, function: Function::Unknown })
    }
}

/// A number as people write it; spaces within it are of no meaning.
fn decimal(number_reader: &mut NumberReader, text: &[u8]) -> Result<Token, Defect> {
    let mut close = [0; LONGEST_NUMBER];
    let mut length = 0;
    for byte in text.iter().filter(|byte| **byte != b' ') {
        *close.get_mut(length).ok_or(Defect::NotANumber)? = *byte;
        length += 1;
    }
    number_reader.read(std::str::from_utf8(&close[..length]).map_err(|_| Defect::NotText)?)
}

/// At most 13 digits, which an f64 holds exactly.
fn hex_number(text: &[u8]) -> Option<f64> {
    let mut digits = text.iter().filter(|byte| **byte != b' ');
    let number = digits.try_fold(0u64, |number, digit| {
        (number < 1 << 48).then_some(()).and_then(|()| Some(number << 4 | u64::from(hex_digit(*digit)?)))
    })?;
    Some(number as f64)
}

/// The two digits before the point are minutes, those before them degrees.
/// With the place of the last digit: a sixtieth of a minute's last digit is worth more than a hundredth of it.
fn degrees(text: &[u8]) -> Option<(f64, i32)> {
    let point = memchr::memchr(b'.', text).unwrap_or(text.len());
    let minutes_at = point.checked_sub(2)?;
    let Plain { value: minutes, length, decade } = plain(&text[minutes_at..])?;
    let degrees = match &text[..minutes_at] {
        [] => 0.0,
        digits => plain(digits).filter(|plain| plain.length == digits.len() && plain.decade == 0)?.value,
    };
    let is_good = text[0].is_ascii_digit() && length == text.len() - minutes_at && minutes < 60.0;
    is_good.then_some((degrees + minutes / 60.0, decade - 2))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::protocol::tests::{decoded, decoded_with_losses};

    fn check(messages: &str, text: &str, expected: &[&str]) {
        let rule = format!("[frame]\nkind = \"line\"\n[decode]\nkind = \"pattern\"\n{messages}");
        assert_eq!(decoded(&rule, text.as_bytes()), expected, "{text}");
    }

    #[test]
    fn groups_are_values_units_and_words() {
        let rule = "[[decode.message]]\npattern = '^(?<kind>DC|AC|OH|XX) *(?<value>[-+ ]*[0-9.]+|OL) *(?<unit>\\S*)$'\n\
            words.kind = { DC = \"DC\", AC = [\"AC\", \"hold\"], OH = [] }\n";
        check(rule, "DC - 0.123  mV\n", &["value = -0.000123 V DC"]);
        check(rule, "AC 1.5 A\n", &["value = 1.5 A AC [hold]"]);
        check(rule, "OHOL kohm\n", &["value = OL ohm"]);
        check(rule, "DC 1 Vx\n", &["! byte 6: found \"Vx\", expected a known unit behind the number"]);
        check(rule, "XX 1 V\n", &["! byte 1: found \"XX\", expected a word that the protocol knows"]);
        check(rule, "DC\n", &["! expected a message that the protocol knows"]);
    }

    #[test]
    fn a_message_without_values_says_what_follows() {
        let rule = "[[decode.message]]\npattern = '^\"(?<function>[A-Z:]+)\"$'\n\
            words.function = { \"VOLT\" = \"V DC\", \"RES\" = \"ohm\" }\n\
            [[decode.message]]\npattern = '^(?<value>[-+0-9.E]+)$'\n";
        check(rule, "1.5\n\"VOLT\"\n1.5\n\"RES\"\n1.5\n", &["value = 1.5", "value = 1.5 V DC", "value = 1.5 ohm"]);
        let unknown = "! byte 2: found \"TEMP\", expected a word that the protocol knows";
        check(rule, "\"VOLT\"\n\"TEMP\"\n1.5\n", &[unknown, "value = 1.5"]);
        // A meter that begins anew may be switched to anything.
        let file = format!("[frame]\nkind = \"line\"\n[decode]\nkind = \"pattern\"\n{rule}");
        let readings = decoded_with_losses(&file, &[b"\"VOLT\"\n1.5\n", b"1.5\n"]);
        assert_eq!(readings, ["value = 1.5 V DC", "value = 1.5"]);
    }

    #[test]
    fn a_value_of_another_sender_has_its_name() {
        let rule = "[[decode.message]]\npattern = '^(?<from>7E[89]|18 DA F1 [0-9]{2}) (?<value>[0-9.]+)$'\n\
            sender = { group = \"from\", usual = [\"7E8\", \"18DAF110\"] }\nvalue = [{ name = \"speed\" }]\n";
        check(rule, "7E8 1.5\n7E9 2.5\n18 DA F1 10 3.5\n", &["speed = 1.5", "speed from 7E9 = 2.5", "speed = 3.5"]);
    }

    #[test]
    fn a_meter_says_what_it_is() {
        let rule = "[[decode.message]]\npattern = '^I am (?<itself>.*)$'\nidentity = \"itself\"\n\
            [[decode.message]]\npattern = '^(?<value>[0-9.]+) of (?<who>.*)$'\nidentity = \"who\"\n";
        check(rule, "I am  Bench 6 \n", &["itself: Bench 6"]);
        check(rule, "1.5 of Bench 7\n", &["itself: Bench 7", "value = 1.5"]);
        // An empty identification is none; a damaged frame takes it back.
        check(rule, "I am \n", &[]);
        check(rule, "1.5.2 of Bench 7\n", &["! byte 1: found \"1.5.2\", expected a known unit behind the number"]);
        let bad = "expected at most 128 bytes of text without control characters";
        check(rule, "I am \x1bc\n", &[&format!("! byte 6: found \"\\x1bc\", {bad}")]);
        let long = "x".repeat(129);
        check(rule, &format!("I am {long}\n"), &[&format!("! byte 6: found \"{}…\", {bad}", &long[..80])]);
    }

    #[test]
    fn buttons_are_messages() {
        check("[[decode.message]]\npattern = '^BUTTON 1$'\naction = \"next\"\n", "BUTTON 1\n", &["> next"]);
    }

    #[test]
    fn degrees_and_minutes() {
        // Positions of public logs, as pynmea2 1.19.0 reads them.
        for (text, expected) in [
            ("4807.038", 48.117_300_000),
            ("01131.000", 11.516_666_667),
            ("1541.31258893", 15.688_543_149),
            ("05130.51204125", 51.508_534_021),
            ("12606.12767097", 126.102_127_849),
            ("00516.97727", 5.282_954_500),
        ] {
            let (read, decade) = degrees(text.as_bytes()).unwrap();
            assert_eq!(decade, -2 - text.split_once('.').unwrap().1.len() as i32);
            assert!((read - expected).abs() < 6e-10, "{text}: {read}");
        }
        for text in ["", "7", "4860.0", "48x7.0", "4807.0x", "-4807.0", "48.7.0"] {
            assert_eq!(degrees(text.as_bytes()), None, "{text}");
        }
    }

    #[test]
    fn hexadecimal_digits() {
        assert_eq!(hex_number(b"1A F8"), Some(6904.0));
        assert_eq!(hex_number(b"1A x8"), None);
        assert_eq!(hex_number(b"00000000000000001"), Some(1.0));
        assert_eq!(hex_number(b"1000000000000"), Some(281_474_976_710_656.0));
        assert_eq!(hex_number(b"10000000000000"), None);
    }
}
