//! A JSON object a line. Numbers and strings that hold one are values, named by their path:
//! `{"coil": {"amps": [0.5, 0.6]}}` gives `coil.amps.0` and `coil.amps.1`.
//!
//! `NaN` and `Infinity`, which JSON lacks and boards send, refuse themselves alone.
//!
//! Read by serde_json's parser straight into readings, without a tree in between. Other strings,
//! `true`, `false` and `null` are skipped.

mod numberless;

use std::fmt::{self, Write as _};

use serde::{
    Deserialize,
    de::{DeserializeSeed, Deserializer, Error as _, MapAccess, SeqAccess, Visitor},
};

use super::{DecodeOutcome, FrameDecoder, NamedSequence, NamedTime, Sink, StampKeys, text};
use crate::protocol::{
    Function,
    number::{NumberReader, OverloadWords, Token, classify},
    problem::{DecodeError, Defect},
    tables::independent_keys,
};

/// What such a line is.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(in crate::protocol) struct JsonRule {
    pub(super) time: Option<NamedTime>,
    pub(super) sequence: Option<NamedSequence>,
    overload: OverloadWords,
}

independent_keys!(JsonRule);

/// Reads such lines.
#[derive(Debug)]
pub(in crate::protocol) struct JsonDecoder {
    stamp_keys: StampKeys,
    number_reader: NumberReader,
    /// The path to the value being read; kept for its memory.
    path: String,
    /// A line with the values in quotes that are no numbers; kept for its memory.
    quoted: String,
}

impl JsonDecoder {
    pub(crate) fn new(rule: JsonRule) -> Self {
        let stamp_keys = StampKeys { time: rule.time, sequence: rule.sequence };
        Self { number_reader: NumberReader::new(rule.overload), stamp_keys, path: String::new(), quoted: String::new() }
    }
}

impl FrameDecoder for JsonDecoder {
    fn decode(&mut self, frame: &[u8], sink: &mut Sink<'_>) -> Result<DecodeOutcome, DecodeError> {
        let text = text(frame)?;
        if !text.trim_ascii_start().starts_with('{') {
            return Err(DecodeError::whole(Defect::NoObject));
        }
        let mark = sink.mark();
        match self.read(text, sink) {
            // A value that is none refuses itself, not its line.
            Err(DecodeError { defect: Defect::NotJson, .. }) if numberless::quote(text, &mut self.quoted) => {
                sink.take_back(mark);
                let quoted = std::mem::take(&mut self.quoted);
                let read = self.read(&quoted, sink);
                self.quoted = quoted;
                read
            }
            read => read,
        }
    }
}

impl JsonDecoder {
    fn read(&mut self, text: &str, sink: &mut Sink<'_>) -> Result<DecodeOutcome, DecodeError> {
        self.path.clear();
        let mut error = None;
        let mut parser = serde_json::Deserializer::from_str(text);
        let node = JsonNode { json: self, sink, error: &mut error };
        let read = node.deserialize(&mut parser).and_then(|()| parser.end());
        match (read, error) {
            (Ok(()), _) => Ok(DecodeOutcome::Frame),
            (Err(_), Some(error)) => Err(error),
            (Err(error), None) => {
                let at = error.column().saturating_sub(1).min(text.len());
                Err(DecodeError::at(at..at, Defect::NotJson))
            }
        }
    }
}

/// A value somewhere in the object.
struct JsonNode<'a, 'b> {
    json: &'a mut JsonDecoder,
    sink: &'a mut Sink<'b>,
    /// Our own error, which the parser's error can't carry.
    error: &'a mut Option<DecodeError>,
}

impl JsonNode<'_, '_> {
    fn put<E: serde::de::Error>(self, token: Result<Token, Defect>) -> Result<(), E> {
        self.json.stamp_keys.put(&self.json.path, token, 0..0, self.sink).map_err(|error| {
            *self.error = Some(error);
            E::custom("refused")
        })
    }

    /// Reads what the path leads to, and takes the path back.
    fn below<E>(
        &mut self,
        key: impl fmt::Display,
        read: impl FnOnce(JsonNode<'_, '_>) -> Result<Option<()>, E>,
    ) -> Result<Option<()>, E> {
        let length = self.json.path.len();
        let dot = if length == 0 { "" } else { "." };
        write!(self.json.path, "{dot}{key}").expect("writing to a string does not fail");
        let read = read(JsonNode { json: self.json, sink: self.sink, error: self.error });
        self.json.path.truncate(length);
        read
    }
}

fn bare(number: f64) -> Result<Token, Defect> {
    classify(number).map(|value| Token { value, decade: None, function: Function::Unknown })
}

impl<'de> DeserializeSeed<'de> for JsonNode<'_, '_> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, from: D) -> Result<(), D::Error> {
        from.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for JsonNode<'_, '_> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("JSON")
    }

    fn visit_f64<E: serde::de::Error>(self, number: f64) -> Result<(), E> {
        self.put(bare(number))
    }

    fn visit_i64<E: serde::de::Error>(self, number: i64) -> Result<(), E> {
        self.put(bare(number as f64))
    }

    fn visit_u64<E: serde::de::Error>(self, number: u64) -> Result<(), E> {
        self.put(bare(number as f64))
    }

    fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<(), E> {
        match self.json.number_reader.read(text) {
            Err(Defect::NotANumber | Defect::UnknownUnit) => Ok(()),
            token => self.put(token),
        }
    }

    fn visit_bool<E: serde::de::Error>(self, _: bool) -> Result<(), E> {
        Ok(())
    }

    fn visit_unit<E: serde::de::Error>(self) -> Result<(), E> {
        Ok(())
    }

    fn visit_map<M: MapAccess<'de>>(mut self, mut map: M) -> Result<(), M::Error> {
        while let Some(key) = map.next_key_seed(ObjectKey)? {
            self.below(key, |node| map.next_value_seed(node).map(Some))?;
        }
        Ok(())
    }

    fn visit_seq<S: SeqAccess<'de>>(mut self, mut list: S) -> Result<(), S::Error> {
        for index in 0.. {
            if self.below(index, |node| list.next_element_seed(node))?.is_none() {
                return Ok(());
            }
        }
        Err(S::Error::custom("a list without an end"))
    }
}

/// A key, borrowed from the line where it has no escapes.
struct ObjectKey;

impl<'de> DeserializeSeed<'de> for ObjectKey {
    type Value = std::borrow::Cow<'de, str>;

    fn deserialize<D: Deserializer<'de>>(self, from: D) -> Result<Self::Value, D::Error> {
        from.deserialize_str(self)
    }
}

impl<'de> Visitor<'de> for ObjectKey {
    type Value = std::borrow::Cow<'de, str>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a key")
    }

    fn visit_borrowed_str<E>(self, key: &'de str) -> Result<Self::Value, E> {
        Ok(key.into())
    }

    fn visit_str<E>(self, key: &str) -> Result<Self::Value, E> {
        Ok(key.to_owned().into())
    }
}

#[cfg(test)]
mod tests {
    use crate::protocol::tests::decoded;

    fn check(text: &str, expected: &[&str]) {
        let file = "[frame]\nkind = \"line\"\n[decode]\nkind = \"json\"\ntime = { name = \"t\", unit = \"ms\" }";
        assert_eq!(decoded(file, text.as_bytes()), expected, "{text}");
    }

    #[test]
    fn values_are_named_by_their_path() {
        check(
            "{\"coil\": {\"amps\": [0.5, -6e-1], \"volts\": 12}}\n",
            &["coil.amps.0 = 0.5", "coil.amps.1 = -0.6", "coil.volts = 12"],
        );
        check("{\"a\\\"b\": 1, \"t\": 1500}\n", &["a\"b = 1", "@ 1.5 s"]);
    }

    #[test]
    fn strings_count_where_they_hold_a_value() {
        check(
            "{\"a\": \"12.45 V\", \"b\": \"OL\", \"c\": \"ready\", \"d\": null, \"e\": true}\n",
            &["a = 12.45 V", "b = OL"],
        );
    }

    #[test]
    fn bad_values_are_refused_alone_and_damage_with_its_line() {
        check(
            "{\"a\": 1, \"b\": 1e31, \"c\": \"nan\"}\n",
            &["a = 1", "! expected a number below 1e30", "! expected a finite number"],
        );
        check("{\"a\": 1, \"b\": 2\n", &["! byte 15: expected a JSON object"]);
        check("{\"a\": 1} x\n", &["! byte 10: expected a JSON object"]);
        check(
            "{\"a\": NaN, \"b\": [1, -Infinity], \"c\": \"NaN: {\"}\n",
            &["b.0 = 1", "! expected a finite number", "! expected a finite number"],
        );
        check("{\"a\": NaNa}\n", &["! byte 7: expected a JSON object"]);
        check("[1, 2]\n", &["! expected a JSON object, found other JSON"]);
    }
}
