//! What the computer's clock said at a time of a session, by the anchors that were kept beside the samples.

use rusqlite::Connection;

use super::SessionRow;
use crate::store::StoreError;

/// Less than this between two anchors is the drift of two clocks, or a clock that is slewed: following it would make times jump.
const JUMP_US: i64 = 1_000_000;

/// From times of a session to times of the computer's clock. After the computer slept, or its clock was set, they are apart by
/// something else than before.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct WallTimes {
    /// From which time on, and what is added to it then; in order, the first from the begin.
    offsets: Vec<(i64, i64)>,
}

impl WallTimes {
    /// `began_utc_us` is the session's begin; `anchors` are pairs of a time of the session and what the clock said then, in order.
    pub(crate) fn new(began_utc_us: i64, anchors: impl IntoIterator<Item = (i64, i64)>) -> Self {
        let mut offsets = vec![(i64::MIN, began_utc_us)];
        let mut newest = began_utc_us;
        for (at_us, utc_us) in anchors {
            let offset = utc_us.saturating_sub(at_us);
            if offset.saturating_sub(newest).saturating_abs() >= JUMP_US {
                offsets.push((at_us, offset));
                newest = offset;
            }
        }
        Self { offsets }
    }

    /// Microseconds since 1970-01-01T00:00:00Z at a time of the session, µs.
    pub(crate) fn at(&self, us: i64) -> i64 {
        let next = self.offsets.partition_point(|(from, _)| *from <= us);
        // The first holds from the beginning of time.
        let (_, offset) = self.offsets[next.max(1) - 1];
        us.saturating_add(offset)
    }
}

/// The times of a session by its anchors.
pub(crate) fn wall_times(connection: &Connection, session: &SessionRow) -> Result<WallTimes, StoreError> {
    let mut statement = connection.prepare("SELECT at_us, utc_us FROM anchor WHERE session = ?1 ORDER BY at_us")?;
    let anchors = statement.query_map([session.id], |row| Ok((row.get(0)?, row.get(1)?)))?;
    Ok(WallTimes::new(session.began_utc_us, anchors.collect::<rusqlite::Result<Vec<_>>>()?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_follow_the_anchor_before_them() {
        let s = 1_000_000;
        // The lid was closed for ten minutes, 20.5 s after the begin; later the clock was set back by an hour.
        let anchors =
            [(0, 1000 * s), (10 * s, 1010 * s + 40), (20 * s + s / 2, 1620 * s + s / 2), (40 * s, 1640 * s - 3600 * s)];
        let times = WallTimes::new(1000 * s, anchors);
        for (at, wall) in [
            (-s, 999 * s),
            (0, 1000 * s),
            // Two clocks that drift by 40 µs move nothing.
            (15 * s, 1015 * s),
            (20 * s + s / 2 - 1, 1020 * s + s / 2 - 1),
            (20 * s + s / 2, 1620 * s + s / 2),
            (30 * s, 1630 * s),
            (41 * s, 1641 * s - 3600 * s),
        ] {
            assert_eq!(times.at(at), wall, "{at}");
        }
        assert_eq!(WallTimes::new(5, []).at(7), 12);
    }
}
