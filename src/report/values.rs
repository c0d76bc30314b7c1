//! What a session without a procedure showed, a line for each step: what was captured, and between what each channel was.

use rusqlite::Connection;

use super::ReportError;
use crate::{
    store::read::{self, CaptureRow, ChannelRow, FigureRow, SessionRow, StepRow},
    units::ValueFormat,
};

/// The most steps of a short sheet, and the most captures and channels of each.
const MOST_STEPS: usize = 10;
const MOST_EACH: usize = 4;

/// What a step showed.
pub(super) struct StepValues {
    pub name: String,
    /// Captures and extremes, joined.
    pub values: String,
}

/// The steps with their values, and how many more there are; none of a session with a procedure, whose ledger has them.
pub(super) fn step_values(
    connection: &Connection,
    session: &SessionRow,
    steps: &[StepRow],
    captures: &[CaptureRow],
    full: bool,
) -> Result<(Vec<StepValues>, usize), ReportError> {
    if session.procedure.is_some() {
        return Ok((Vec::new(), 0));
    }
    let channels = read::channels(connection, session.id)?;
    let is_position =
        |row: &FigureRow| channels.iter().any(|own: &ChannelRow| own.name == row.channel && own.is_position());
    let figures = read::figures(connection, session)?;
    let most = if full { usize::MAX } else { MOST_EACH };
    let mut all: Vec<StepValues> = steps
        .iter()
        .map(|step| {
            let captured = captures.iter().filter(|capture| capture.is_of(step)).filter_map(|capture| {
                Some(format!("{} {}", capture.channel.as_deref().unwrap_or("–"), capture.shown()?))
            });
            let captured = listed(captured.collect(), most);
            let own = figures.iter().filter(|row| row.step == step.number && !is_position(row));
            let ranges = listed(own.filter_map(range).collect(), most);
            let parts = [("captured ", captured), ("least to greatest: ", ranges)];
            let parts = parts.into_iter().filter(|(_, text)| !text.is_empty());
            let values = parts.map(|(words, text)| format!("{words}{text}")).collect::<Vec<_>>().join("; ");
            StepValues { name: step.title(), values }
        })
        .filter(|step| !step.values.is_empty())
        .collect();
    let more = if full { 0 } else { all.len().saturating_sub(MOST_STEPS) };
    all.truncate(all.len() - more);
    Ok((all, more))
}

/// Between what a channel was.
fn range(row: &FigureRow) -> Option<String> {
    let format = ValueFormat::new(row.quantity, row.digit, None);
    let (least, greatest) = (format.show(row.min?), format.show(row.max?));
    let values = if least == greatest { least } else { format!("{least} to {greatest}") };
    Some(format!("{} {values}", row.channel))
}

fn listed(mut texts: Vec<String>, most: usize) -> String {
    let more = texts.len().saturating_sub(most);
    texts.truncate(most);
    if more > 0 {
        texts.push(format!("{more} more"));
    }
    texts.join(", ")
}
