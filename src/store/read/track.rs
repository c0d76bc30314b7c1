//! Where a drive went: the fixes of a receiver that stood on the bench.

use rusqlite::Connection;

use super::{ChannelRow, SessionRow, channels};
use crate::{store::StoreError, units::Quantity};

/// One fix.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct TrackPoint {
    /// µs since the session began.
    pub at_us: i64,
    /// Degrees, north is positive (WGS 84, as receivers give it).
    pub latitude: f64,
    /// Degrees, east is positive.
    pub longitude: f64,
    /// km/h; none where the receiver does not tell it.
    pub speed: Option<f64>,
}

/// The fixes of the first receiver of a session, in the order of time; empty where there was none.
pub(crate) fn track(connection: &Connection, session: &SessionRow) -> Result<Vec<TrackPoint>, StoreError> {
    let channels = channels(connection, session.id)?;
    let of = |meter: &str, reads: &str, quantity: Quantity| {
        let is_it = |row: &&ChannelRow| row.meter == meter && row.reads == reads && row.quantity == quantity;
        channels.iter().find(is_it).map(|row| row.id)
    };
    let pair = |row: &ChannelRow| {
        let longitude = of(&row.meter, "longitude", Quantity::Angle)?;
        Some((of(&row.meter, "latitude", Quantity::Angle)?, longitude, of(&row.meter, "speed", Quantity::Speed)))
    };
    let Some((latitude, longitude, speed)) = channels.iter().find_map(pair) else { return Ok(Vec::new()) };
    let sql = "SELECT time_us, channel, value FROM sample WHERE rowid BETWEEN ?1 AND ?2 AND channel IN (?3, ?4, ?5)
                   AND value IS NOT NULL ORDER BY rowid";
    let mut statement = connection.prepare(sql)?;
    let mut rows =
        statement.query((session.first_row, session.last_row, latitude, longitude, speed.unwrap_or(latitude)))?;
    let (mut found, mut open): (Vec<TrackPoint>, Fix) = (Vec::new(), Fix::default());
    while let Some(row) = rows.next()? {
        let (at_us, channel, value): (i64, i64, f64) = (row.get(0)?, row.get(1)?, row.get(2)?);
        if open.at_us != at_us {
            found.extend(std::mem::take(&mut open).point());
            open.at_us = at_us;
        }
        match channel {
            own if own == latitude => open.latitude = Some(value),
            own if own == longitude => open.longitude = Some(value),
            _ => open.speed = Some(value),
        }
    }
    found.extend(open.point());
    Ok(found)
}

/// The values of one sentence of a receiver: all have one time.
#[derive(Debug, Clone, Copy, Default)]
struct Fix {
    at_us: i64,
    latitude: Option<f64>,
    longitude: Option<f64>,
    speed: Option<f64>,
}

impl Fix {
    fn point(self) -> Option<TrackPoint> {
        let (latitude, longitude) = self.latitude.zip(self.longitude)?;
        let is_on_earth = latitude.abs() <= 90.0 && longitude.abs() <= 180.0;
        is_on_earth.then_some(TrackPoint { at_us: self.at_us, latitude, longitude, speed: self.speed })
    }
}
