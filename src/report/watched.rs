//! Excursions, drop-outs and signals that switch as sentences of the sheet.

use rusqlite::Connection;

use super::ReportError;
use crate::{
    session::SignalShape,
    store::read::{self, JudgementOf, SessionRow, WaveformRow},
    units::{Quantity, show, show_duration, show_seconds},
};

/// So many are told of each; the export has all.
const MOST: usize = 12;

/// A sentence for each time out of limit and each drop-out, the earlier parts of the visit first.
pub(super) fn watched(connection: &Connection, session: &SessionRow) -> Result<Vec<String>, ReportError> {
    let (mut excursions, mut dropouts, mut responses) = (Vec::new(), Vec::new(), Vec::new());
    for part in read::parts(connection, session.id)? {
        let of = if part == session.id { JudgementOf::from(session) } else { part.into() };
        let before = if part == session.id { String::new() } else { format!(" of session {part}") };
        for row in read::excursions(connection, of)? {
            let worst = match (row.beyond, row.worst) {
                (None, Some(worst)) => show(worst, row.quantity),
                _ => "beyond the meter's range".to_owned(),
            };
            let after = show_seconds(row.began_us as f64 / 1e6);
            let lasted = row
                .ended_us
                .map_or(String::new(), |ended| format!(" for {}", show_duration((ended - row.began_us) as f64 / 1e6)));
            let meanwhile =
                if row.shown.is_empty() { String::new() } else { format!("; meanwhile {}", row.shown.join(", ")) };
            excursions
                .push(format!("after {after}{before}: {} out of limit{lasted}, worst {worst}{meanwhile}", row.channel));
        }
        responses.extend(read::responses(connection, of)?);
        let rows = read::dropouts(connection, of)?;
        for group in rows.chunk_by(|one, other| (one.step, one.number) == (other.step, other.number)) {
            let channels: Vec<&str> = group.iter().map(|row| row.channel.as_str()).collect();
            let began = group.iter().map(|row| row.began_us).min().unwrap_or(0);
            let ended = group.iter().map(|row| row.ended_us).max().unwrap_or(began);
            let together = if channels.len() > 1 { " together: upstream of all of them" } else { "" };
            let (after, lasted) = (show_seconds(began as f64 / 1e6), show_duration((ended - began) as f64 / 1e6));
            let names = channels.join(", ");
            dropouts.push(format!("after {after}{before}: {names} dropped out for {lasted}{together}"));
        }
    }
    let responses = read::response_summaries(&responses).into_iter().flat_map(|summary| {
        let times = match (summary.median_s, summary.longest_s) {
            (Some(median), Some(longest)) => {
                format!(", median {}, longest {}", show_duration(median), show_duration(longest))
            }
            _ => String::new(),
        };
        let own = format!("{}: {} of {} in limit{times}", summary.rule, summary.good, summary.count);
        [own].into_iter().chain(shortened(summary.reasons, "not in limit"))
    });
    let excursions = responses.chain(shortened(excursions, "times out of limit"));
    let shapes = read::waveforms(connection, session)?;
    let shapes = shapes.iter().filter_map(switched).collect();
    Ok(excursions.chain(shortened(dropouts, "drop-outs")).chain(shortened(shapes, "signals that switch")).collect())
}

/// A signal that switches; its figures where the samples were fast enough for them.
fn switched(row: &WaveformRow) -> Option<String> {
    let (low, high) = row.low_level.zip(row.high_level).filter(|_| row.shape == SignalShape::Switched)?;
    let (low, high) = (show(low, row.quantity), show(high, row.quantity));
    let figures = match (row.frequency_hz, row.duty) {
        (Some(frequency), Some(duty)) => {
            format!(
                " at {}, high for {} of the time",
                show(frequency, Quantity::Frequency),
                show(duty, Quantity::Share)
            )
        }
        _ => String::new(),
    };
    Some(format!("step {}: {} switched between {low} and {high}{figures}", row.step, row.channel))
}

fn shortened(mut sentences: Vec<String>, what: &str) -> impl Iterator<Item = String> {
    let more = sentences.len().saturating_sub(MOST);
    sentences.truncate(MOST);
    sentences.into_iter().chain((more > 0).then(|| format!("and {more} more {what}")))
}
