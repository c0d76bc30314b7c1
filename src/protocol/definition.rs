//! A protocol file: what it may say, and the checks that make it one that can be used.
//!
//! ```toml
//! name = "two-clamps"                 # as the file is called
//! about = "Two clamps, in amps, ten times a second"
//! source = "the board's own program"
//!
//! [frame]
//! kind = "line"                       # terminator = "\n", longest = 512, comment = "#"
//!
//! [decode]
//! kind = "columns"
//! names = ["lift coil", "bucket coil"]
//!
//! [[example]]
//! text = "0.512,1.20"
//! gives = ["lift coil = 0.512", "bucket coil = 1.20"]
//! ```
//!
//! A part that comes in kinds is read in two steps, first its kind and then the rest, so that a
//! mistake within it is told with its own line.

use serde::{Deserialize, de::DeserializeOwned};
use toml::{
    Spanned,
    de::{DeTable, DeValue, Deserializer},
};

use super::{
    decode::{ColumnsRule, DecodeRule, HeaderRule, JsonRule, NumberRule, PairsRule, Separator, TimeColumn, TimeKey},
    frame::{FrameRule, LineRule},
    names::{LONGEST_NAME, MOST_NAMES},
    number::OVERLOAD_WORDS,
};
use crate::mistake::Mistake;

/// How bytes become readings, as one file in `protocols/` describes it.
#[derive(Debug, Clone)]
pub struct Protocol {
    /// As the file is called, without `.toml`.
    pub name: String,
    /// What sends such frames, in a line.
    pub about: String,
    /// Where the facts come from.
    pub source: String,
    /// The file as the user would name it.
    pub origin: String,
    pub(super) frame: FrameRule,
    pub(super) decode: DecodeRule,
    examples: Vec<Example>,
    /// The line where the file's first example begins, or its end.
    pub(super) examples_line: usize,
}

/// Bytes, and what they must give.
#[derive(Debug, Clone)]
pub struct Example {
    /// The line of the file where it stands.
    pub line: usize,
    /// What the meter sends.
    pub bytes: Vec<u8>,
    /// The readings, in canonical form.
    pub gives: Vec<String>,
    /// A part of the first problem's reason, where there must be one.
    pub refused: Option<String>,
    /// It stands for what comes right after connecting, so it is not tried behind other frames.
    pub after_connecting: bool,
}

impl Protocol {
    /// Reads a file. `origin` is how the user knows it.
    ///
    /// # Errors
    /// The first mistake, with its line.
    pub fn parse(origin: &str, text: &str) -> Result<Self, Mistake> {
        let file = File { origin, text };
        let table = DeTable::parse(text).map_err(|error| file.toml(&error))?;
        let mut table = table.into_inner();
        let frame = file.part(&mut table, "frame")?;
        let decode = file.part(&mut table, "decode")?;
        let head: Head = file.read(Spanned::new(0..text.len(), table))?;
        let frame = file.frame_rule(frame)?;
        let decode = file.decode_rule(decode)?;
        if head.name.get_ref().is_empty() || !head.name.get_ref().bytes().all(is_name_byte) {
            let found = head.name.get_ref();
            return Err(file.mistake(
                head.name.span(),
                format!("found the name \"{found}\", expected small letters, digits and hyphens"),
            ));
        }
        for (key, value) in [("about", &head.about), ("source", &head.source)] {
            if value.get_ref().trim().is_empty() {
                return Err(file.mistake(value.span(), format!("found an empty `{key}`, expected a line of text")));
            }
        }
        let end = text.len()..text.len();
        let examples_line = file.mistake(head.example.first().map_or(end, Spanned::span), "").line;
        let examples = head.example.into_iter().map(|example| file.example(example, &frame));
        Ok(Self {
            examples: examples.collect::<Result<_, _>>()?,
            name: head.name.into_inner(),
            about: head.about.into_inner(),
            source: head.source.into_inner(),
            origin: origin.to_owned(),
            frame,
            decode,
            examples_line,
        })
    }

    /// The names of a frame's values where the file fixes them; none where frames bring their own.
    pub fn value_names(&self) -> Option<&[String]> {
        self.decode.fixed_names()
    }

    /// The examples that prove it.
    pub fn examples(&self) -> &[Example] {
        &self.examples
    }
}

fn is_name_byte(byte: u8) -> bool {
    byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'-'
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Head {
    name: Spanned<String>,
    about: Spanned<String>,
    source: Spanned<String>,
    #[serde(default)]
    example: Vec<Spanned<ExampleText>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ExampleText {
    text: Option<String>,
    hex: Option<Spanned<String>>,
    #[serde(default)]
    gives: Vec<String>,
    refused: Option<String>,
    #[serde(default)]
    after_connecting: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct LineText {
    terminator: Option<Spanned<String>>,
    longest: Option<Spanned<usize>>,
    comment: Option<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ColumnsText {
    separator: Option<Spanned<String>>,
    #[serde(default)]
    header: HeaderRule,
    names: Option<Spanned<Vec<String>>>,
    time: Option<Spanned<TimeColumnText>>,
    overload: Option<Vec<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TimeColumnText {
    column: usize,
    unit: TimeUnit,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TimeKeyText {
    name: String,
    unit: TimeUnit,
}

/// Units of a device's clock.
#[derive(Deserialize, Clone, Copy)]
enum TimeUnit {
    #[serde(rename = "s")]
    Second,
    #[serde(rename = "ms")]
    Millisecond,
    #[serde(rename = "us")]
    Microsecond,
}

impl TimeUnit {
    /// How many of it are a second: dividing by it rounds once.
    fn in_a_second(self) -> f64 {
        match self {
            Self::Second => 1.0,
            Self::Millisecond => 1e3,
            Self::Microsecond => 1e6,
        }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PairsText {
    separator: Option<Spanned<String>>,
    time: Option<TimeKeyText>,
    overload: Option<Vec<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct JsonText {
    time: Option<TimeKeyText>,
    overload: Option<Vec<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct NumberText {
    name: Option<Spanned<String>>,
    overload: Option<Vec<String>>,
}

/// A part that comes in kinds: which kind, and the rest of it.
struct Part<'a> {
    kind: Spanned<String>,
    rest: Spanned<DeTable<'a>>,
}

/// The file being read, for telling mistakes.
struct File<'a> {
    origin: &'a str,
    text: &'a str,
}

impl<'a> File<'a> {
    fn mistake(&self, span: std::ops::Range<usize>, message: impl Into<String>) -> Mistake {
        Mistake::at(self.origin, self.text, span, message)
    }

    fn toml(&self, error: &toml::de::Error) -> Mistake {
        self.mistake(error.span().unwrap_or(0..0), error.message().trim().replace('\n', "; "))
    }

    fn read<T: DeserializeOwned>(&self, table: Spanned<DeTable<'a>>) -> Result<T, Mistake> {
        T::deserialize(Deserializer::from(table)).map_err(|error| self.toml(&error))
    }

    fn part(&self, table: &mut DeTable<'a>, name: &str) -> Result<Part<'a>, Mistake> {
        let expected = || format!("expected a part [{name}] with its kind");
        let part = table.remove(name).ok_or_else(|| self.mistake(0..0, expected()))?;
        let span = part.span();
        let DeValue::Table(mut rest) = part.into_inner() else { return Err(self.mistake(span, expected())) };
        let kind = rest.remove("kind").ok_or_else(|| self.mistake(span.clone(), expected()))?;
        let kind_span = kind.span();
        let DeValue::String(word) = kind.into_inner() else { return Err(self.mistake(kind_span, expected())) };
        Ok(Part { kind: Spanned::new(kind_span, word.into_owned()), rest: Spanned::new(span, rest) })
    }

    fn unknown_kind(&self, kind: &Spanned<String>, known: &str) -> Mistake {
        self.mistake(kind.span(), format!("found the kind \"{}\", expected {known}", kind.get_ref()))
    }

    fn frame_rule(&self, part: Part<'a>) -> Result<FrameRule, Mistake> {
        match part.kind.get_ref().as_str() {
            "line" => self.line_rule(self.read(part.rest)?).map(FrameRule::Line),
            _ => Err(self.unknown_kind(&part.kind, "\"line\"")),
        }
    }

    fn decode_rule(&self, part: Part<'a>) -> Result<DecodeRule, Mistake> {
        match part.kind.get_ref().as_str() {
            "columns" => self.columns_rule(self.read(part.rest)?).map(DecodeRule::Columns),
            "pairs" => {
                let pairs: PairsText = self.read(part.rest)?;
                Ok(DecodeRule::Pairs(PairsRule {
                    separator: self.separator(pairs.separator)?,
                    time: pairs.time.map(time_key),
                    overload: overload(pairs.overload),
                }))
            }
            "json" => {
                let json: JsonText = self.read(part.rest)?;
                Ok(DecodeRule::Json(JsonRule { time: json.time.map(time_key), overload: overload(json.overload) }))
            }
            "number" => {
                let number: NumberText = self.read(part.rest)?;
                let name = match number.name {
                    Some(name) => self.value_name(name.get_ref(), name.span())?,
                    None => "value".to_owned(),
                };
                Ok(DecodeRule::Number(NumberRule { name: [name], overload: overload(number.overload) }))
            }
            _ => Err(self.unknown_kind(&part.kind, "one of \"columns\", \"pairs\", \"json\", \"number\"")),
        }
    }

    fn line_rule(&self, line: LineText) -> Result<LineRule, Mistake> {
        let filled = |text: Option<Spanned<String>>, name: &str| match text {
            Some(text) if text.get_ref().is_empty() => {
                Err(self.mistake(text.span(), format!("found an empty {name}, expected at least one character")))
            }
            text => Ok(text.map(|text| text.into_inner().into_bytes())),
        };
        let longest = match line.longest {
            Some(longest) if !(1..=65_536).contains(longest.get_ref()) => {
                return Err(self.mistake(longest.span(), "expected a longest line of 1 to 65536 bytes"));
            }
            longest => longest.map_or(512, Spanned::into_inner),
        };
        let terminator = filled(line.terminator, "terminator")?.unwrap_or_else(|| b"\n".to_vec());
        Ok(LineRule { terminator, longest, comment: filled(line.comment, "comment")? })
    }

    fn columns_rule(&self, columns: ColumnsText) -> Result<ColumnsRule, Mistake> {
        let names = match columns.names {
            None => None,
            Some(names) if columns.header != HeaderRule::None => {
                return Err(self.mistake(names.span(), "found names beside a header, expected one of them"));
            }
            Some(names) => Some(self.column_names(&names)?),
        };
        let time_column = columns.time.as_ref().map(|time| time.get_ref().column);
        let values =
            names.iter().flatten().enumerate().filter(|(at, name)| !name.is_empty() && Some(at + 1) != time_column);
        let values = names.is_some().then(|| values.map(|(_, name)| name.clone()).collect());
        let time = match columns.time {
            Some(time) if !(1..=MOST_NAMES).contains(&time.get_ref().column) => {
                return Err(self.mistake(time.span(), "expected a column counted from 1"));
            }
            time => time
                .map(Spanned::into_inner)
                .map(|time| TimeColumn { column: time.column - 1, in_a_second: time.unit.in_a_second() }),
        };
        Ok(ColumnsRule {
            separator: self.separator(columns.separator)?,
            header: columns.header,
            names,
            values,
            time,
            overload: overload(columns.overload),
        })
    }

    /// The names of the columns that are values; an empty one says that its column is passed over.
    fn column_names(&self, names: &Spanned<Vec<String>>) -> Result<Vec<String>, Mistake> {
        let list = names.get_ref();
        if list.is_empty() || list.len() > MOST_NAMES {
            return Err(self.mistake(names.span(), format!("expected 1 to {MOST_NAMES} names")));
        }
        for (index, name) in list.iter().enumerate().filter(|(_, name)| !name.is_empty()) {
            self.value_name(name, names.span())?;
            if list[..index].contains(name) {
                return Err(self.mistake(names.span(), format!("found the name \"{name}\" twice")));
            }
        }
        Ok(list.clone())
    }

    fn value_name(&self, name: &str, span: std::ops::Range<usize>) -> Result<String, Mistake> {
        let is_good = !name.trim().is_empty() && name.len() <= LONGEST_NAME && !name.contains(char::is_control);
        let wrong = || self.mistake(span, format!("found the name \"{name}\", expected 1 to {LONGEST_NAME} letters"));
        is_good.then(|| name.to_owned()).ok_or_else(wrong)
    }

    fn separator(&self, separator: Option<Spanned<String>>) -> Result<Separator, Mistake> {
        let Some(separator) = separator else { return Ok(Separator::Any) };
        match separator.get_ref().as_str() {
            "any" => Ok(Separator::Any),
            text if text.is_empty() || text.contains(|c: char| c.is_ascii_alphanumeric() || "+-.\r\n".contains(c)) => {
                Err(self.mistake(
                    separator.span(),
                    format!("found the separator \"{text}\", expected \"any\" or text that is in no number"),
                ))
            }
            text => Ok(Separator::Text(text.as_bytes().to_vec())),
        }
    }

    fn example(&self, example: Spanned<ExampleText>, frame: &FrameRule) -> Result<Example, Mistake> {
        let span = example.span();
        let line = self.mistake(span.clone(), "").line;
        let example = example.into_inner();
        let bytes = match (example.text, example.hex) {
            (Some(text), None) => frame.complete(text.into_bytes()),
            (None, Some(hex)) => bytes_of_hex(hex.get_ref())
                .ok_or_else(|| self.mistake(hex.span(), "expected pairs of hexadecimal digits"))?,
            _ => return Err(self.mistake(span, "expected `text` or `hex` in an example")),
        };
        if example.gives.is_empty() && example.refused.is_none() {
            return Err(self.mistake(span, "expected `gives` or `refused` in an example"));
        }
        Ok(Example {
            line,
            bytes,
            gives: example.gives,
            refused: example.refused,
            after_connecting: example.after_connecting,
        })
    }
}

fn time_key(time: TimeKeyText) -> TimeKey {
    TimeKey { name: time.name, in_a_second: time.unit.in_a_second() }
}

fn overload(words: Option<Vec<String>>) -> Vec<String> {
    let mut words = words.unwrap_or_else(|| OVERLOAD_WORDS.map(str::to_owned).to_vec());
    words.retain(|word| !word.is_empty());
    words
}

fn bytes_of_hex(text: &str) -> Option<Vec<u8>> {
    let digits: Vec<u8> =
        text.chars().filter(|c| !c.is_whitespace()).map(|c| c.to_digit(16).map(|d| d as u8)).collect::<Option<_>>()?;
    digits.len().is_multiple_of(2).then(|| digits.chunks(2).map(|pair| pair[0] << 4 | pair[1]).collect())
}
