//! `[hid]`: how the reports of a HID meter cable carry the bytes of the meter's line.
//!
//! It does not describe frames: the same frame comes through different cables, so a bench file may
//! describe a cable of its own with the same keys.

use std::str::FromStr;

use serde::Deserialize;
use toml::{Spanned, de::DeTable};

use crate::{
    mistake::{Mistake, Source},
    port::{Greeting, HidCable, LONGEST_REPORT, Outgoing, Payload},
    protocol::{
        tables::{self, EarlierParts},
        values::HexBytes,
    },
    units::{Index, WholeNumber},
    words::from_text,
};

/// A cable's layout as the file has it. Some of its keys exclude each other; in [`HidCable`] they are the variants of enums.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct HidTable {
    payload: Spanned<PayloadTable>,
    mask: Option<ReportBytes>,
    #[serde(default)]
    greeting: Vec<Spanned<GreetingTable>>,
    outgoing: Option<Spanned<OutgoingTable>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct PayloadTable {
    at: ReportIndex,
    count: Option<Spanned<usize>>,
    count_at: Option<ReportIndex>,
    count_bits: Option<Spanned<CountBits>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct GreetingTable {
    feature: Option<ReportBytes>,
    output: Option<ReportBytes>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct OutgoingTable {
    length: WholeNumber<2, LONGEST_REPORT>,
    at: Spanned<ReportIndex>,
    count_at: Option<Spanned<ReportIndex>>,
    count_with: Option<Spanned<u8>>,
    #[serde(default)]
    number: u8,
}

/// The bytes of a report.
#[derive(Debug)]
pub(super) struct ReportBytes(pub Vec<u8>);

impl FromStr for ReportBytes {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let HexBytes(bytes) = text.parse()?;
        let wrong = || format!("expected 1 to {LONGEST_REPORT} bytes, in hexadecimal digits");
        if (1..=LONGEST_REPORT).contains(&bytes.len()) { Ok(Self(bytes)) } else { Err(wrong()) }
    }
}

from_text!(ReportBytes);

/// A byte of a report.
type ReportIndex = Index<LONGEST_REPORT>;

/// How many of a byte's lowest bits are a count.
type CountBits = WholeNumber<1, 8>;

impl HidTable {
    /// Reads `[hid]`.
    pub(super) fn read(
        source: Source<'_>,
        table: Spanned<DeTable<'_>>,
        parts: EarlierParts<'_>,
    ) -> Result<HidCable, Mistake> {
        let span = table.span();
        let cable = tables::read::<Self>(source, table)?.cable(source)?;
        match (&cable.outgoing, parts.poll) {
            (None, Some(_)) => {
                Err(source.mistake(span, "expected `outgoing`, by which [poll] asks through this cable"))
            }
            _ => Ok(cable),
        }
    }

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
    let Index(from) = table.at;
    match (table.count, table.count_at, table.count_bits) {
        (Some(_), None, Some(bits)) => {
            Err(source.mistake(bits.span(), "found `count_bits` without `count_at`, expected both"))
        }
        (Some(count), None, None) => {
            let is_good = (1..=LONGEST_REPORT - from).contains(count.get_ref());
            let wrong = || source.mistake(count.span(), format!("expected 1 to {} bytes", LONGEST_REPORT - from));
            is_good.then_some(Payload::Fixed { from, count: *count.get_ref() }).ok_or_else(wrong)
        }
        (None, Some(Index(at)), bits) => {
            let bits = bits.map_or(8, |bits| bits.into_inner().get());
            Ok(Payload::Counted { at, bits: u8::MAX >> (8 - bits), from })
        }
        _ => Err(source.mistake(span, "expected `count`, or `count_at` for a report that counts its bytes")),
    }
}

fn outgoing(table: Spanned<OutgoingTable>, source: Source<'_>) -> Result<Outgoing, Mistake> {
    let (span, table) = (table.span(), table.into_inner());
    let length = table.length.get();
    let Index(from) = *table.at.get_ref();
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
