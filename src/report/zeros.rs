//! Zeros of clamps that a reader of the short sheet has to know: what was subtracted from a current that was used, and was much.

use rusqlite::Connection;

use super::ReportError;
use crate::{
    judging::procedure_in_force,
    session::is_as_large_as_a_load,
    store::read::{self, ChannelRow, FigureRow, SessionRow, StepRow, ZeroRow},
    units::{DataSheet, Dimension, show_seconds},
};

/// More of them stand on the full sheet.
const MOST: usize = 3;

/// The zeros in sentences: those that are more than the accuracy of their clamp, or as much as a load shows, where a step used the
/// clamp meanwhile.
pub(super) fn doubted_zeros(
    connection: &Connection,
    session: &SessionRow,
    steps: &[StepRow],
    channels: &[ChannelRow],
) -> Result<Vec<String>, ReportError> {
    let zeros = read::zeros(connection, session.id)?;
    if zeros.is_empty() {
        return Ok(Vec::new());
    }
    let figures = read::figures(connection, session)?;
    let procedure = procedure_in_force(connection, session).ok().flatten();
    let uses = |step: &StepRow, name: &str| match &procedure {
        Some(procedure) => {
            let own = procedure.steps.iter().find(|own| own.name == step.name);
            let captured = step.capture.as_ref().and_then(|capture| capture.channel.as_deref());
            captured == Some(name) || own.is_some_and(|own| own.channels().any(|channel| channel == name))
        }
        None => figures.iter().any(|row: &FigureRow| row.step == step.number && row.channel == name),
    };
    let mut told = Vec::new();
    for (index, zero) in zeros.iter().enumerate() {
        let Some(name) = zero.channel.as_deref().filter(|_| zero.quantity.dimension() == Dimension::Ampere) else {
            continue;
        };
        let until = zeros[index + 1..].iter().find(|later| later.channel == zero.channel).map(|later| later.at_us);
        let is_on = |step: &StepRow| {
            until.is_none_or(|until| step.began_us < until) && step.ended_us.is_none_or(|ended| ended > zero.at_us)
        };
        if !steps.iter().any(|step| is_on(step) && uses(step, name)) {
            continue;
        }
        let Some(why) = doubt(zero, channels.iter().find(|row| row.name == name && row.quantity == zero.quantity))
        else {
            continue;
        };
        let until = until.map_or(String::new(), |until| format!(" until after {}", show_seconds(until as f64 / 1e6)));
        told.push(format!("{}{until}, {why}", zero.sentence()));
    }
    let more = told.len().saturating_sub(MOST);
    told.truncate(MOST);
    if more > 0 {
        told.push(format!("{more} more on the full sheet"));
    }
    Ok(told)
}

/// Why a zero has to be told; none where it is as small as zeros are.
fn doubt(zero: &ZeroRow, channel: Option<&ChannelRow>) -> Option<String> {
    if is_as_large_as_a_load(zero.quantity, zero.value) {
        return Some("as much as a load shows: was nothing flowing through the clamp?".to_owned());
    }
    let sheet: DataSheet = channel?.accuracy.parse().ok()?;
    let half_width = sheet.row_for(zero.quantity, zero.value, None)?.half_width(zero.value, None);
    (zero.value.abs() > half_width).then(|| "more than the clamp's own accuracy".to_owned())
}
