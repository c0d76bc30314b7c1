//! Where a drive went, for maps: GPX 1.1 (Topografix, from memory) and CSV. What was found on the way stands in it as waypoints.

use std::io::Write;

use jiff::Timestamp;
use rusqlite::Connection;

use super::{Cell, CsvColumn, CsvSheet, CsvStyle, ExportError};
use crate::{
    drive::{FlagKind, drive_flags, place},
    sanitize::sanitized,
    store::read::{self, SessionRow, TrackPoint},
};

/// A receiver that was silent for longer begins a new piece of the track, µs.
const GAP_US: i64 = 30_000_000;

/// The track as CSV.
pub(crate) fn track_csv(
    connection: &Connection,
    session: &SessionRow,
    style: CsvStyle,
    to: impl Write,
) -> Result<(), ExportError> {
    let points = points(connection, session)?;
    CsvSheet::new(to, style, read::wall_times(connection, session)?).table(TRACK, &points)
}

const TRACK: &[CsvColumn<TrackPoint>] = &[
    ("elapsed_s", |point| Cell::Elapsed(Some(point.at_us))),
    ("time", |point| Cell::Time(point.at_us)),
    ("latitude", |point| point.latitude.into()),
    ("longitude", |point| point.longitude.into()),
    ("speed_kmh", |point| point.speed.into()),
];

/// The track as GPX.
pub(crate) fn track_gpx(connection: &Connection, session: &SessionRow, mut to: impl Write) -> Result<(), ExportError> {
    let points = points(connection, session)?;
    let times = read::wall_times(connection, session)?;
    let time = |at_us: i64| {
        let time = Timestamp::from_microsecond(times.at(at_us)).map(|time| format!("{time:.3}"));
        time.map_or(String::new(), |time| format!("<time>{time}</time>"))
    };
    writeln!(to, "<?xml version=\"1.0\" encoding=\"UTF-8\"?>")?;
    writeln!(to, "<gpx version=\"1.1\" creator=\"bayline\" xmlns=\"http://www.topografix.com/GPX/1/1\">")?;
    // Changes are no news on a map: every gear makes some.
    let flags = drive_flags(connection, session)?;
    for flag in flags.into_iter().filter(|flag| flag.kind.is_fault() || flag.kind == FlagKind::Mark) {
        let Some(point) = place(&points, flag.at_us) else { continue };
        let (latitude, longitude) = (point.latitude, point.longitude);
        let name = escaped(&flag.text);
        writeln!(to, "<wpt lat=\"{latitude}\" lon=\"{longitude}\">{}<name>{name}</name></wpt>", time(flag.at_us))?;
    }
    let machine = &session.visit.machine;
    let name = if machine.is_empty() { format!("session {}", session.id) } else { machine.clone() };
    writeln!(to, "<trk><name>{}</name><trkseg>", escaped(&name))?;
    let mut before: Option<i64> = None;
    for point in &points {
        if before.is_some_and(|before| point.at_us - before > GAP_US) {
            writeln!(to, "</trkseg><trkseg>")?;
        }
        before = Some(point.at_us);
        let (latitude, longitude) = (point.latitude, point.longitude);
        writeln!(to, "<trkpt lat=\"{latitude}\" lon=\"{longitude}\">{}</trkpt>", time(point.at_us))?;
    }
    writeln!(to, "</trkseg></trk></gpx>")?;
    Ok(())
}

fn points(connection: &Connection, session: &SessionRow) -> Result<Vec<TrackPoint>, ExportError> {
    let points = read::track(connection, session)?;
    if points.is_empty() { Err(ExportError::NoTrack { id: session.id }) } else { Ok(points) }
}

/// Text that XML can hold.
fn escaped(text: &str) -> String {
    sanitized(text).replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::read::find;

    fn drive() -> (Connection, SessionRow) {
        let connection = Connection::open_in_memory().unwrap();
        connection.execute_batch(include_str!("../store/schema.sql")).unwrap();
        connection
            .execute_batch(
                "INSERT INTO session (id, uuid, began_utc, began_utc_us, ended_us, machine, job, bench_text, program, first_row)
                     VALUES (1, 'one', '2026-01-01T00:00:00Z', 1767225600000000, 90000000, 'loader <7> & co', '', '', '0', 1);
                 INSERT INTO channel (id, session, name, quantity, unit, meter, reads, scale, accuracy)
                     VALUES (1, 1, 'lat', 'deg', 'deg', 'receiver', 'latitude', '', ''),
                            (2, 1, 'lon', 'deg', 'deg', 'receiver', 'longitude', '', ''),
                            (3, 1, 'road speed', 'km/h', 'km/h', 'receiver', 'speed', '', ''),
                            (4, 1, 'feed', 'V DC', 'V', 'board', 'v1', '', '');
                 INSERT INTO sample (time_us, channel, value) VALUES
                     (1000000, 1, 48.1173), (1000000, 2, 11.5167), (1000000, 3, 41.5), (1200000, 4, 12.4),
                     (2000000, 1, 48.1174), (2000000, 2, 11.5169), (2000000, 3, 42.0),
                     (60000000, 1, -33.85), (60000000, 2, -151.21), (61000000, 1, 48.0);
                 INSERT INTO dropout (session, step, number, channel, quantity, unit, began_us, ended_us, level, least, samples)
                     VALUES (1, 1, 1, 'feed', 'V DC', 'V', 2500000, 2540000, 12.4, 0.0, 4);",
            )
            .unwrap();
        let session = find(&connection, "1").unwrap();
        (connection, session)
    }

    #[test]
    fn a_track_is_written_with_what_was_found_on_the_way() {
        let (connection, session) = drive();
        let mut gpx = Vec::new();
        track_gpx(&connection, &session, &mut gpx).unwrap();
        let gpx = String::from_utf8(gpx).unwrap();
        assert!(
            gpx.contains("<trkpt lat=\"48.1173\" lon=\"11.5167\"><time>2026-01-01T00:00:01.000Z</time></trkpt>"),
            "{gpx}"
        );
        assert!(
            gpx.contains("<wpt lat=\"48.1174\" lon=\"11.5169\">") && gpx.contains("feed dropped out for 40 ms"),
            "{gpx}"
        );
        assert!(gpx.contains("<name>loader &lt;7&gt; &amp; co</name>"), "{gpx}");
        // A receiver that was silent begins a new piece; a latitude without a longitude is no fix.
        assert_eq!((gpx.matches("<trkseg>").count(), gpx.matches("<trkpt").count()), (2, 3));
        let mut csv = Vec::new();
        track_csv(&connection, &session, CsvStyle::default(), &mut csv).unwrap();
        let csv = String::from_utf8(csv).unwrap();
        let lines: Vec<&str> = csv.lines().collect();
        assert_eq!(lines[0], "elapsed_s,time,latitude,longitude,speed_kmh");
        assert_eq!(lines[1], "1.000000,2026-01-01T00:00:01.000000Z,48.1173,11.5167,41.5");
        assert_eq!((lines.len(), lines[3].ends_with("-33.85,-151.21,")), (4, true));
    }

    #[test]
    fn a_session_without_a_receiver_has_no_track() {
        let (connection, session) = drive();
        connection.execute("DELETE FROM sample WHERE channel = 2", []).unwrap();
        let error = track_gpx(&connection, &session, Vec::new()).unwrap_err().to_string();
        assert_eq!(
            error,
            "session 1 has no positions: they need a receiver on the bench (protocol nmea-0183) with channels that read `latitude` and `longitude`"
        );
    }
}
