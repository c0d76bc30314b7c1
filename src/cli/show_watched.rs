//! What was found while steps watched: excursions and drop-outs, those of the session that is continued too.

use std::io::Write;

use rusqlite::Connection;

use super::{
    failure::Failure,
    show_value,
    table::{left, right, table},
};
use crate::{
    sanitize::sanitized,
    session::{RangeEnd, SignalShape},
    store::read::{self, DropOutRow, ExcursionRow, JudgementOf, ResponseSummary, SessionRow, WaveformRow},
    units::{Quantity, show, show_duration, show_seconds, show_with},
};

/// So many excursions and drop-outs stand in the tables; the export has all.
const MOST_ROWS: usize = 40;

/// Drop-outs of the same channels together.
struct DropOutCause<'a> {
    channels: Vec<&'a str>,
    times: usize,
    /// When the first was.
    first: String,
    longest_us: i64,
}

/// A row and the session that it is of, where that is an earlier part of the visit.
type OfPart<T> = (Option<i64>, T);

/// Prints the tables; nothing where nothing was found.
pub(super) fn print(out: &mut dyn Write, connection: &Connection, session: &SessionRow) -> Result<(), Failure> {
    let mut excursions: Vec<OfPart<ExcursionRow>> = Vec::new();
    let mut dropouts: Vec<OfPart<DropOutRow>> = Vec::new();
    let mut responses = Vec::new();
    for part in read::parts(connection, session.id)? {
        let of = if part == session.id { JudgementOf::from(session) } else { part.into() };
        let earlier = (part != session.id).then_some(part);
        excursions.extend(read::excursions(connection, of)?.into_iter().map(|row| (earlier, row)));
        responses.extend(read::responses(connection, of)?);
        dropouts.extend(read::dropouts(connection, of)?.into_iter().map(|row| (earlier, row)));
    }
    print_responses(out, &read::response_summaries(&responses))?;
    print_excursions(out, &excursions, session.id)?;
    print_dropouts(out, &dropouts)?;
    print_waveforms(out, &read::waveforms(connection, session)?)
}

/// The signals that switched, or that a step asked the shape of.
fn print_waveforms(out: &mut dyn Write, waveforms: &[WaveformRow]) -> Result<(), Failure> {
    let told: Vec<&WaveformRow> =
        waveforms.iter().filter(|row| row.shape == SignalShape::Switched || row.switch_ons.is_some()).collect();
    if told.is_empty() {
        return Ok(());
    }
    let rows = told.iter().take(MOST_ROWS).map(|row| {
        let value = |value: Option<f64>| value.map_or("–".to_owned(), |value| show(value, row.quantity));
        let with_u = |value: Option<f64>, u: Option<f64>, quantity: Quantity| match (value, u) {
            (Some(value), Some(u)) => show_with(value, 2.0 * u, quantity),
            _ => "–".to_owned(),
        };
        let levels = match (row.low_level, row.high_level) {
            (Some(low), Some(high)) => format!("{} to {}", show(low, row.quantity), show(high, row.quantity)),
            _ => "–".to_owned(),
        };
        [
            row.step.to_string(),
            row.channel.clone(),
            row.shape.word().to_owned(),
            levels,
            with_u(row.frequency_hz, row.frequency_u, Quantity::Frequency),
            with_u(row.duty, row.duty_u, Quantity::Duty),
            value(Some(row.mean)),
            value(row.rms),
            value(row.ripple_pp),
            value(row.peak),
            value(row.hold),
            with_u(row.time_constant_s, row.time_constant_u, Quantity::Time),
        ]
    });
    let columns = [
        left("step"),
        left("shape of"),
        left("is"),
        left("levels"),
        right("frequency"),
        right("duty"),
        right("mean"),
        right("RMS"),
        right("ripple"),
        right("peak"),
        right("settled"),
        right("time constant"),
    ];
    write!(out, "\n{}", table(columns, rows))?;
    more(out, told.len(), "waveforms.csv")
}

/// Operations that were repeated, one row for each rule, and below it what was not in limit.
fn print_responses(out: &mut dyn Write, summaries: &[ResponseSummary]) -> Result<(), Failure> {
    if summaries.is_empty() {
        return Ok(());
    }
    let time = |seconds: Option<f64>| seconds.map_or("–".to_owned(), show_duration);
    let rows = summaries.iter().map(|summary| {
        [
            summary.rule.clone(),
            summary.count.to_string(),
            summary.good.to_string(),
            time(summary.median_s),
            time(summary.longest_s),
        ]
    });
    let columns = [left("response"), right("times"), right("in limit"), right("median"), right("longest")];
    write!(out, "\n{}", table(columns, rows))?;
    let reasons: Vec<&String> = summaries.iter().flat_map(|summary| &summary.reasons).collect();
    for reason in reasons.iter().take(MOST_ROWS) {
        writeln!(out, "  {}", sanitized(reason))?;
    }
    more(out, reasons.len(), "responses.csv")
}

fn after(earlier: Option<i64>, at_us: i64) -> String {
    let after = show_seconds(at_us as f64 / 1e6);
    earlier.map_or(after.clone(), |session| format!("{after} of session {session}"))
}

fn print_excursions(out: &mut dyn Write, excursions: &[OfPart<ExcursionRow>], session: i64) -> Result<(), Failure> {
    if excursions.is_empty() {
        return Ok(());
    }
    // Those of earlier parts come first, and are exported by their own session.
    let own_from = excursions.iter().take_while(|(earlier, _)| earlier.is_some()).count();
    let rows = excursions.iter().enumerate().take(MOST_ROWS).map(|(index, (earlier, row))| {
        let worst = match row.beyond {
            Some(RangeEnd::Over) => "OL".to_owned(),
            Some(RangeEnd::Under) => "-OL".to_owned(),
            None => row.worst.map_or("–".to_owned(), |worst| show(worst, row.quantity)),
        };
        [
            index.checked_sub(own_from).map_or("–".to_owned(), |own| (own + 1).to_string()),
            after(*earlier, row.began_us),
            row.channel.clone(),
            worst,
            show_value::limits(row.limit_low, row.limit_high, Some(row.quantity)),
            row.ended_us.map_or("–".to_owned(), |ended| show_duration((ended - row.began_us) as f64 / 1e6)),
            row.shown.join(", "),
        ]
    });
    let columns = [
        right("no."),
        right("after"),
        left("out of limit"),
        right("worst"),
        left("limit"),
        right("for"),
        left("meanwhile"),
    ];
    write!(out, "\n{}", table(columns, rows))?;
    if own_from < excursions.len() {
        writeln!(out, "the samples around one: `bayline export {session} --excursion NUMBER`")?;
    }
    more(out, excursions.len(), "excursions.csv")
}

/// Drop-outs by what fell together: how often, when first and last, and the longest.
fn print_dropouts(out: &mut dyn Write, dropouts: &[OfPart<DropOutRow>]) -> Result<(), Failure> {
    if dropouts.is_empty() {
        return Ok(());
    }
    let mut causes: Vec<DropOutCause> = Vec::new();
    for group in dropouts.chunk_by(|(a, one), (b, other)| (a, one.step, one.number) == (b, other.step, other.number)) {
        let mut channels: Vec<&str> = group.iter().map(|(_, row)| row.channel.as_str()).collect();
        channels.sort_unstable();
        let longest_us = group.iter().map(|(_, row)| row.ended_us - row.began_us).max().unwrap_or(0);
        match causes.iter_mut().find(|cause| cause.channels == channels) {
            Some(cause) => {
                cause.times += 1;
                cause.longest_us = cause.longest_us.max(longest_us);
            }
            None => {
                let first = after(group[0].0, group[0].1.began_us);
                causes.push(DropOutCause { channels, times: 1, first, longest_us });
            }
        }
    }
    causes.sort_by_key(|cause| std::cmp::Reverse(cause.times));
    let rows = causes.iter().take(MOST_ROWS).map(|cause| {
        let place = if cause.channels.len() > 1 { "upstream of all of these" } else { "its own wires and connector" };
        [
            cause.channels.join(", "),
            cause.times.to_string(),
            cause.first.clone(),
            show_duration(cause.longest_us as f64 / 1e6),
            place.to_owned(),
        ]
    });
    let columns = [left("dropped out"), right("times"), right("first after"), right("longest"), left("look at")];
    write!(out, "\n{}", table(columns, rows))?;
    more(out, causes.len(), "dropouts.csv")
}

fn more(out: &mut dyn Write, all: usize, file: &str) -> Result<(), Failure> {
    if all > MOST_ROWS {
        writeln!(out, "and {} more: `bayline export --folder` writes all into {file}", all - MOST_ROWS)?;
    }
    Ok(())
}
