//! Where a drive went: the fixes of a receiver that stood on the bench.

use std::collections::BTreeMap;

use rusqlite::Connection;

use super::{ChannelRow, SessionRow, channels, rollup::RolledChannel};
use crate::{
    store::{StoreError, rollup::EVERY_US},
    units::Quantity,
};

/// Points of a drawn track at most, by intervals of at least a second.
const MOST_DRAWN: i64 = 4000;

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
    let Some((latitude, longitude, speed)) = receiver(connection, session)? else { return Ok(Vec::new()) };
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

/// The track in so many points at most that a drawing shows no difference, by roll-ups: a day is read in a moment.
pub(crate) fn drawn_track(connection: &Connection, session: &SessionRow) -> Result<Vec<TrackPoint>, StoreError> {
    let Some((latitude, longitude, _)) = receiver(connection, session)? else { return Ok(Vec::new()) };
    let latitudes = RolledChannel::new(connection, session, latitude)?;
    let Some((from, to)) = latitudes.ends()? else { return Ok(Vec::new()) };
    let width = ((to - from) / MOST_DRAWN).max(EVERY_US);
    let firsts = |rolled: RolledChannel| -> Result<BTreeMap<i64, f64>, StoreError> {
        let mut firsts = BTreeMap::new();
        rolled.for_each(from, to + 1, width, &mut |part| {
            firsts.extend(part.first.1.map(|value| (part.first.0, value)))
        })?;
        Ok(firsts)
    };
    let longitudes = firsts(RolledChannel::new(connection, session, longitude)?)?;
    let fixes = firsts(latitudes)?.into_iter().map(|(at_us, value)| Fix {
        at_us,
        latitude: Some(value),
        longitude: longitudes.get(&at_us).copied(),
        speed: None,
    });
    Ok(fixes.filter_map(Fix::point).collect())
}

/// The channels of the first receiver of a session: latitude, longitude and, where it tells it, speed.
fn receiver(connection: &Connection, session: &SessionRow) -> Result<Option<(i64, i64, Option<i64>)>, StoreError> {
    let channels = channels(connection, session.id)?;
    let of = |meter: &str, reads: &str, quantity: Quantity| {
        let is_it = |row: &&ChannelRow| row.meter == meter && row.reads == reads && row.quantity == quantity;
        channels.iter().find(is_it).map(|row| row.id)
    };
    let pair = |row: &ChannelRow| {
        let longitude = of(&row.meter, "longitude", Quantity::Angle)?;
        Some((of(&row.meter, "latitude", Quantity::Angle)?, longitude, of(&row.meter, "speed", Quantity::Speed)))
    };
    Ok(channels.iter().find_map(pair))
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
