//! The samples around each time out of limit, as small plots: all that were recorded from some seconds before to some after.

use rusqlite::Connection;

use super::{ReportError, plot::StepPlot, sheet::PlotBlock};
use crate::{
    store::read::{self, ChannelRow, ExcursionRow, SessionRow, StepRow, TimeStretch},
    units::{Limit, show_duration, show_seconds},
};

/// So much before and after it, µs.
const MARGIN_US: i64 = 5_000_000;
/// The most plots, the longest excursions first.
const MOST: usize = 12;

/// The plots, in the order in which limits broke.
pub(super) fn plots_around(
    connection: &Connection,
    session: &SessionRow,
    steps: &[StepRow],
    channels: &[ChannelRow],
) -> Result<Vec<PlotBlock>, ReportError> {
    let ended_us = |row: &ExcursionRow| row.ended_us.or(session.ended_us).unwrap_or(row.worst_us).max(row.worst_us);
    let mut rows = read::excursions(connection, session)?;
    rows.sort_by_key(|row| std::cmp::Reverse(ended_us(row) - row.began_us));
    rows.truncate(MOST);
    rows.sort_by_key(|row| row.began_us);
    let mut plots = Vec::new();
    for row in &rows {
        let is_own = |channel: &&ChannelRow| channel.name == row.channel && channel.quantity == row.quantity;
        let Some(channel) = channels.iter().find(is_own) else { continue };
        let stretch = TimeStretch::around(row.began_us, ended_us(row), MARGIN_US);
        let limit = Limit { low: row.limit_low, high: row.limit_high, dimension: row.quantity.dimension() };
        let name = steps.iter().find(|step| step.number == row.step).map_or_else(String::new, StepRow::title);
        let lasted_us = stretch.to_us.saturating_sub(stretch.from_us);
        let mut plot = StepPlot::new(&name, &row.channel, row.quantity, Some(limit), stretch.from_us, lasted_us);
        let all = (session.first_row, session.last_row);
        read::for_each_point(connection, session, channel.id, all, plot.stretch(), |at_us, value| {
            if stretch.holds(at_us) {
                plot.push(at_us, value);
            }
        })?;
        if plot.samples == 0 {
            continue;
        }
        let lasted = show_duration((ended_us(row) - row.began_us) as f64 / 1e6);
        let caption = format!(
            "{name}: {} out of limit for {lasted}, after {}, with {} s before and after it",
            row.channel,
            show_seconds(row.began_us as f64 / 1e6),
            MARGIN_US / 1_000_000
        );
        plots.push(PlotBlock { caption, svg: plot.svg()? });
    }
    Ok(plots)
}
