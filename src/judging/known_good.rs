//! What machines that are known to be good showed: to place a new value among them, as information and never as a limit.

use rusqlite::Connection;
use serde::Serialize;

use crate::{
    electrics::{mad, median},
    store::{
        StoreError,
        read::{self, SessionRow, good_sessions, last_attempts},
    },
    units::Quantity,
};

/// What good machines showed in a step.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub(crate) struct KnownGoodStep {
    /// The step's name.
    pub step: String,
    /// What was measured.
    pub quantity: Quantity,
    /// In how many sessions.
    pub n: usize,
    /// The middle value, base units.
    pub median: f64,
    /// Median absolute deviation, scaled to a standard deviation, base units; none of fewer than three.
    pub spread: Option<f64>,
    /// The least and the greatest.
    pub range: (f64, f64),
    /// How far the session's own value is from the median; none where it has none.
    pub distance: Option<f64>,
}

impl KnownGoodStep {
    /// As one sees it beside a value: `12.55 V, 12.48 V to 12.61 V in 4 good machines`.
    pub(crate) fn text(&self, format: crate::units::ValueFormat) -> String {
        let sessions = if self.n == 1 { "session" } else { "sessions" };
        format!(
            "{}, {} to {} in {} {sessions} known to be good",
            format.show(self.median),
            format.show(self.range.0),
            format.show(self.range.1),
            self.n
        )
    }
}

/// What sessions marked as good of machines with the same text showed, step by step; empty without such sessions.
///
/// # Errors
/// The database can't be read.
pub(crate) fn known_good(connection: &Connection, session: &SessionRow) -> Result<Vec<KnownGoodStep>, StoreError> {
    let mut values: Vec<(String, Quantity, Vec<f64>)> = Vec::new();
    let machine = session.visit.machine.trim();
    if machine.is_empty() {
        return Ok(Vec::new());
    }
    for good in good_sessions(connection)? {
        if good.uuid == session.uuid || !good.visit.machine.trim().eq_ignore_ascii_case(machine) {
            continue;
        }
        let steps = read::steps(connection, &good)?;
        for step in last_attempts(&steps) {
            let own = step.capture.as_ref().and_then(|capture| Some((capture.quantity?, capture.value?)));
            let Some((quantity, value)) = own.filter(|_| step.has_value()) else { continue };
            match values.iter_mut().find(|(name, other, _)| *name == step.name && *other == quantity) {
                Some((.., known)) => known.push(value),
                None => values.push((step.name.clone(), quantity, vec![value])),
            }
        }
    }
    let steps = read::steps(connection, session)?;
    let last = last_attempts(&steps);
    let rows = values.into_iter().filter_map(|(step, quantity, values)| {
        let middle = median(&values)?;
        let own = last.iter().find(|own| own.name == step)?;
        let own = own.capture.as_ref().filter(|capture| capture.quantity == Some(quantity)).and_then(|own| own.value);
        let least = values.iter().copied().fold(f64::INFINITY, f64::min);
        let greatest = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        Some(KnownGoodStep {
            step,
            quantity,
            n: values.len(),
            median: middle,
            spread: mad(&values).filter(|_| values.len() >= 3),
            range: (least, greatest),
            distance: own.map(|own| own - middle),
        })
    });
    Ok(rows.collect())
}
