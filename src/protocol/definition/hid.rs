//! `[hid]`: how the reports of a HID meter cable carry the bytes of the meter's line.
//!
//! It does not describe frames: the same frame comes through different cables, so a bench file may
//! describe a cable of its own with the same keys.

use std::fmt;

use serde::de::{self, Deserialize, Deserializer, Visitor};
use toml::Spanned;

use crate::{
    mistake::{Mistake, Source},
    port::{Greeting, HidCable, LONGEST_REPORT, Outgoing, Payload},
    protocol::values::HexBytes,
};

/// A cable's layout as the file has it. Some of its keys exclude each other; in [`HidCable`] they are the variants of enums.
#[derive(Debug, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct HidTable {
    payload: Spanned<PayloadTable>,
    mask: Option<ReportBytes>,
    #[serde(default)]
    greeting: Vec<Spanned<GreetingTable>>,
    outgoing: Option<Spanned<OutgoingTable>>,
}

#[derive(Debug, serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct PayloadTable {
    at: ReportIndex,
    count: Option<Spanned<usize>>,
    count_at: Option<ReportIndex>,
    count_bits: Option<Spanned<CountBits>>,
}

#[derive(Debug, serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct GreetingTable {
    feature: Option<ReportBytes>,
    output: Option<ReportBytes>,
}

#[derive(Debug, serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct OutgoingTable {
    length: Spanned<usize>,
    at: Spanned<ReportIndex>,
    count_at: Option<Spanned<ReportIndex>>,
    count_with: Option<Spanned<u8>>,
    #[serde(default)]
    number: u8,
}

/// The bytes of a report.
#[derive(Debug)]
pub(super) struct ReportBytes(pub Vec<u8>);

// By a visitor, within which a mistake has the place of its own value in a list; `try_from` would give that of the list.
impl<'de> Deserialize<'de> for ReportBytes {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        struct ReportVisitor;
        impl Visitor<'_> for ReportVisitor {
            type Value = ReportBytes;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("the bytes of a report in hexadecimal digits, in quotes")
            }

            fn visit_str<E: de::Error>(self, text: &str) -> Result<ReportBytes, E> {
                let HexBytes(bytes) = HexBytes::try_from(text.to_owned()).map_err(E::custom)?;
                let wrong = || E::custom(format!("expected 1 to {LONGEST_REPORT} bytes, in hexadecimal digits"));
                if (1..=LONGEST_REPORT).contains(&bytes.len()) { Ok(ReportBytes(bytes)) } else { Err(wrong()) }
            }
        }
        from.deserialize_str(ReportVisitor)
    }
}

/// A byte of a report. Files count from 1, this counts from 0.
#[derive(Debug, Clone, Copy, serde::Deserialize)]
#[serde(try_from = "i64")]
struct ReportIndex(usize);

impl TryFrom<i64> for ReportIndex {
    type Error = String;

    fn try_from(from_one: i64) -> Result<Self, String> {
        let index = usize::try_from(from_one).ok().and_then(|at| at.checked_sub(1)).filter(|at| *at < LONGEST_REPORT);
        index.map(Self).ok_or_else(|| format!("expected a byte of the report, from 1 to {LONGEST_REPORT}"))
    }
}

/// How many of a byte's lowest bits are a count.
#[derive(Debug, Clone, Copy, serde::Deserialize)]
#[serde(try_from = "i64")]
struct CountBits(u8);

impl TryFrom<i64> for CountBits {
    type Error = &'static str;

    fn try_from(bits: i64) -> Result<Self, Self::Error> {
        if (1..=8).contains(&bits) { Ok(Self(bits as u8)) } else { Err("expected 1 to 8 bits") }
    }
}

impl HidTable {
    /// The layout that it describes.
    ///
    /// # Errors
    /// The first mistake, with its line.
    pub(crate) fn cable(self, source: Source<'_>) -> Result<HidCable, Mistake> {
        Ok(HidCable {
            payload: payload(self.payload, source)?,
            mask: self.mask.map_or_else(Vec::new, |ReportBytes(mask)| mask),
            greeting: self.greeting.into_iter().map(|table| greeting(table, source)).collect::<Result<_, _>>()?,
            outgoing: self.outgoing.map(|table| outgoing(table, source)).transpose()?,
        })
    }
}

fn greeting(table: Spanned<GreetingTable>, source: Source<'_>) -> Result<Greeting, Mistake> {
    let span = table.span();
    match table.into_inner() {
        GreetingTable { feature: Some(ReportBytes(report)), output: None } => Ok(Greeting::Feature(report)),
        GreetingTable { feature: None, output: Some(ReportBytes(report)) } => Ok(Greeting::Output(report)),
        _ => Err(source.mistake(span, "expected `feature` or `output` in a greeting")),
    }
}

fn payload(table: Spanned<PayloadTable>, source: Source<'_>) -> Result<Payload, Mistake> {
    let (span, table) = (table.span(), table.into_inner());
    let ReportIndex(from) = table.at;
    match (table.count, table.count_at, table.count_bits) {
        (Some(_), None, Some(bits)) => {
            Err(source.mistake(bits.span(), "found `count_bits` without `count_at`, expected both"))
        }
        (Some(count), None, None) => {
            let is_good = (1..=LONGEST_REPORT - from).contains(count.get_ref());
            let wrong = || source.mistake(count.span(), format!("expected 1 to {} bytes", LONGEST_REPORT - from));
            is_good.then_some(Payload::Fixed { from, count: *count.get_ref() }).ok_or_else(wrong)
        }
        (None, Some(ReportIndex(at)), bits) => {
            let CountBits(bits) = bits.map_or(CountBits(8), Spanned::into_inner);
            Ok(Payload::Counted { at, bits: u8::MAX >> (8 - bits), from })
        }
        _ => Err(source.mistake(span, "expected `count`, or `count_at` for a report that counts its bytes")),
    }
}

fn outgoing(table: Spanned<OutgoingTable>, source: Source<'_>) -> Result<Outgoing, Mistake> {
    let (span, table) = (table.span(), table.into_inner());
    let length = *table.length.get_ref();
    if !(2..=LONGEST_REPORT).contains(&length) {
        return Err(source.mistake(table.length.span(), format!("expected a length of 2 to {LONGEST_REPORT} bytes")));
    }
    let ReportIndex(from) = *table.at.get_ref();
    if !(1..length).contains(&from) {
        let message = format!("expected a byte from 2 to {length}; the first is the report's number");
        return Err(source.mistake(table.at.span(), message));
    }
    if let Some(at) = table.count_at.as_ref().filter(|at| at.get_ref().0 >= from) {
        return Err(source.mistake(at.span(), format!("expected a byte before byte {}", from + 1)));
    }
    if let (Some(with), None) = (&table.count_with, &table.count_at) {
        return Err(source.mistake(with.span(), "found `count_with` without `count_at`, expected both"));
    }
    let count_at = table.count_at.map(|at| at.into_inner().0);
    let count_with = table.count_with.map_or(0, Spanned::into_inner);
    let outgoing = Outgoing { length, count_at, count_with, from, number: table.number };
    match outgoing.room() {
        0 => Err(source.mistake(span, "expected room for a count of at least 1 below the bits of `count_with`")),
        _ => Ok(outgoing),
    }
}
