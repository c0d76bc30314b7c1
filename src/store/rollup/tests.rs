//! What is drawn from roll-ups against what is drawn from all samples.

use proptest::prelude::*;
use rusqlite::Connection;

use super::{RollUp, RollUpWriter};
use crate::store::{
    read::{PlotSeries, PlotWindow, SessionRow, find, plot_series},
    roll_up_later,
};

/// A session with one channel, at a path where one is given.
fn session(connection: &Connection) {
    connection.execute_batch(crate::store::open::SCHEMA).unwrap();
    connection
        .execute_batch(
            "INSERT INTO session (id, uuid, began_utc, began_utc_us, machine, job, bench_text, program, first_row)
                 VALUES (1, 'one', '2026-01-01T00:00:00Z', 0, '', '', '', '0', 1);
             INSERT INTO channel (id, session, name, quantity, unit, meter, reads, scale, accuracy)
                 VALUES (1, 1, 'probe', 'V DC', 'V', 'board', 'value', '', ''),
                        (2, 1, 'other', 'V DC', 'V', 'board', 'value', '', '');",
        )
        .unwrap();
}

/// Writes samples of a channel as the writer does, in groups.
fn write(connection: &Connection, rollups: &mut RollUpWriter, channel: i64, samples: &[(i64, Option<f64>)]) {
    for group in samples.chunks(97) {
        for (at, value) in group {
            let insert = "INSERT INTO sample (time_us, channel, value) VALUES (?1, ?2, ?3)";
            connection.prepare_cached(insert).unwrap().execute((at, channel, value)).unwrap();
            rollups.push(channel, RollUp::of(*at, *value, connection.last_insert_rowid()));
        }
        rollups.write(connection).unwrap();
    }
}

fn end(connection: &Connection, at_us: i64) {
    connection
        .execute("UPDATE session SET ended_us = ?1, last_row = (SELECT MAX(rowid) FROM sample)", [at_us])
        .unwrap();
}

fn plot(connection: &Connection, columns: usize) -> PlotSeries {
    let session: SessionRow = find(connection, "1").unwrap();
    let window = PlotWindow { channel: "probe", quantity: "V DC", from_us: None, to_us: None, columns };
    plot_series(connection, &session, &window).unwrap()
}

/// The least and the greatest that a line through points has within each column: what its pixels show.
fn extents(points: &[(f64, f64)], columns: &[(f64, f64)]) -> Vec<Option<(f64, f64)>> {
    let within = |(left, right): &(f64, f64)| {
        let mut extent: Option<(f64, f64)> = None;
        let mut take = |value: f64| {
            let (least, greatest) = extent.unwrap_or((value, value));
            extent = Some((least.min(value), greatest.max(value)));
        };
        for pair in points.windows(2) {
            let ((t0, v0), (t1, v1)) = (pair[0], pair[1]);
            let (from, to) = (t0.max(*left), t1.min(*right));
            if from > to {
                continue;
            }
            let at = |t: f64| if t1 > t0 { v0 + (v1 - v0) * (t - t0) / (t1 - t0) } else { v1 };
            if t1 > t0 {
                take(at(from));
                take(at(to));
            } else {
                take(v0);
                take(v1);
            }
        }
        extent
    };
    columns.iter().map(within).collect()
}

fn is_same(one: &[Option<(f64, f64)>], other: &[Option<(f64, f64)>]) -> bool {
    let near = |a: f64, b: f64| (a - b).abs() <= 1e-9 * (1.0 + a.abs());
    one.len() == other.len()
        && one.iter().zip(other).all(|pair| match pair {
            (Some(one), Some(other)) => near(one.0, other.0) && near(one.1, other.1),
            (None, None) => true,
            _ => false,
        })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    /// M4's property (Jugel et al., VLDB 2014): a line through first, least, greatest and last of each column is, to the pixel, the
    /// line through all points; whether the session has ended, still runs, was cut off, or was never rolled up.
    #[test]
    fn a_line_from_roll_ups_is_the_line_from_all_points(
        steps in prop::collection::vec((prop_oneof![8 => 1_i64..30_000, 1 => 1_i64..3_000_000], -50_i32..50), 300..1500),
        columns in 3_usize..60,
        ending in 0_u8..4,
        seed in 0_i64..1_000_000,
    ) {
        let connection = Connection::open_in_memory().unwrap();
        session(&connection);
        let mut at = seed;
        let samples: Vec<(i64, Option<f64>)> = steps
            .iter()
            .map(|(step, value)| {
                at += step;
                (at, Some(f64::from(*value)))
            })
            .collect();
        let mut rollups = RollUpWriter::default();
        write(&connection, &mut rollups, 1, &samples);
        match ending {
            0 => {
                rollups.finish(&connection).unwrap();
                end(&connection, at);
            }
            // Cut off: what was not full is missing.
            1 => end(&connection, at),
            // Still open.
            2 => {}
            _ => {
                connection.execute("DELETE FROM rollup", []).unwrap();
                end(&connection, at);
            }
        }
        let series = plot(&connection, columns);
        prop_assert_eq!(series.samples, samples.len() as u64);
        let thin: Vec<(f64, f64)> = series.at_s.iter().copied().zip(series.value.iter().flatten().copied()).collect();
        let all: Vec<(f64, f64)> = samples.iter().map(|(at, value)| (*at as f64 / 1e6, value.unwrap())).collect();
        // The columns as the plot made them: whole intervals from the first sample's on.
        let width = ((at - samples[0].0) / columns as i64).max(1);
        let (origin, width) = super::whole_columns(samples[0].0, width);
        let count = (at - origin) / width + 1;
        let edges: Vec<(f64, f64)> = (0..count)
            .map(|index| ((origin + index * width) as f64 / 1e6, (origin + (index + 1) * width) as f64 / 1e6))
            .collect();
        prop_assert!(series.at_s.len() <= 4 * edges.len());
        prop_assert!(is_same(&extents(&thin, &edges), &extents(&all, &edges)), "{columns} columns");
    }

    /// However many minutes are drawn: where a limit was broken, the line goes as far within that column, be it one sample of the
    /// hundred a second. So it is in stretches over five minutes, which are drawn by seconds.
    #[test]
    fn a_picture_keeps_the_worst_of_every_excursion(
        breaks in prop::collection::vec((0_usize..40_000, 1_usize..300, 1.0_f64..9.0, any::<bool>()), 1..40),
        seconds in 20_usize..400,
        columns in 50_usize..1300,
    ) {
        let connection = Connection::open_in_memory().unwrap();
        session(&connection);
        let mut values: Vec<f64> = (0..seconds * 100).map(|index| 12.0 + (index % 7) as f64 * 0.01).collect();
        for (first, length, depth, is_up) in &breaks {
            let length = if *length < 250 { 1 } else { *length };
            for index in *first..(*first + length).min(values.len()) {
                values[index] += depth * if *is_up { 1.0 } else { -1.0 };
            }
        }
        let samples: Vec<(i64, Option<f64>)> =
            values.iter().zip(0..).map(|(value, index)| (index * 10_000_i64, Some(*value))).collect();
        let mut rollups = RollUpWriter::default();
        write(&connection, &mut rollups, 1, &samples);
        rollups.finish(&connection).unwrap();
        end(&connection, samples.len() as i64 * 10_000);
        let series = plot(&connection, columns);
        let width_s = (seconds as f64 / columns as f64).max(0.02) * 2.0 + 1.0;
        let is_out = |value: f64| !(11.5..=12.5).contains(&value);
        for run in samples.chunk_by(|one, other| is_out(one.1.unwrap()) == is_out(other.1.unwrap())) {
            if !is_out(run[0].1.unwrap()) {
                continue;
            }
            let depth = |value: f64| (value - 12.0).abs();
            let worst = run.iter().max_by(|one, other| depth(one.1.unwrap()).total_cmp(&depth(other.1.unwrap()))).unwrap();
            let (at, value) = (worst.0 as f64 / 1e6, worst.1.unwrap());
            let kept = series.at_s.iter().zip(&series.value).any(|(own, shown)| {
                let shown = shown.unwrap();
                (own - at).abs() <= width_s && (shown - value) * (value - 12.0).signum() >= 0.0
            });
            prop_assert!(kept, "{value} V at {at} s is not in {columns} columns of {seconds} s");
        }
    }
}

/// Hundred samples a second are no dense intervals below a second: a long stretch of them is drawn by seconds, not by reading all.
#[test]
fn a_long_stretch_that_is_not_dense_is_drawn_by_seconds() {
    let connection = Connection::open_in_memory().unwrap();
    session(&connection);
    let samples: Vec<(i64, Option<f64>)> =
        (0..40_000_i64).map(|index| (index * 10_000, Some((index % 97) as f64))).collect();
    let mut rollups = RollUpWriter::default();
    write(&connection, &mut rollups, 1, &samples);
    rollups.finish(&connection).unwrap();
    end(&connection, 400_000_000);
    // The samples themselves are out of reach: seconds alone are read.
    connection.execute("DELETE FROM sample WHERE rowid < 39000", []).unwrap();
    let series = plot(&connection, 1000);
    assert_eq!((series.samples, series.whole), (40_000, false));
    assert!((800..=1604).contains(&series.at_s.len()), "{}", series.at_s.len());
}

/// Seen by the property above: columns of 7.4 s became 8 s, the next interval, but began between two of those, so that an interval
/// lay in two columns and its extremes were drawn in one of them.
#[test]
fn columns_begin_and_end_with_intervals() {
    assert_eq!(super::whole_columns(3_500_000, 7_400_000), (0, 8_000_000));
    assert_eq!(super::whole_columns(3_500_000, 6_400_000), (3_000_000, 7_000_000));
    assert_eq!(super::whole_columns(-1, 10_000), (-1, 10_000));
    for width in (1..200_000_000_i64).step_by(333_667) {
        let (origin, whole) = super::whole_columns(12_345_678, width);
        let own = super::WIDTHS_US.iter().rev().find(|own| **own <= whole).copied().unwrap_or(1);
        assert_eq!((origin.rem_euclid(own), whole % own), (0, 0), "{width}");
        assert!(origin <= 12_345_678 && whole >= width, "{width}");
    }
}

/// Late samples, samples beyond the range and another channel between: nothing is counted twice or lost.
#[test]
fn every_sample_is_in_one_interval_of_each_width() {
    let connection = Connection::open_in_memory().unwrap();
    session(&connection);
    let mut rollups = RollUpWriter::default();
    let mut samples: Vec<(i64, Option<f64>)> =
        (0..5000_i64).map(|index| (index * 3_000, (index % 50 != 0).then_some((index % 777) as f64))).collect();
    // One that is dated back, as a board's clock does when its fit changes.
    samples[4001].0 -= 1_500_000;
    write(&connection, &mut rollups, 1, &samples);
    write(&connection, &mut rollups, 2, &[(0, Some(1.0)), (9_000_000, Some(2.0))]);
    rollups.finish(&connection).unwrap();
    let rows: Vec<(i64, i64, i64, f64, f64)> = connection
        .prepare("SELECT width_us, SUM(count), SUM(beyond), MIN(least), MAX(greatest) FROM rollup WHERE channel = 1 GROUP BY width_us")
        .unwrap()
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?)))
        .unwrap()
        .collect::<rusqlite::Result<_>>()
        .unwrap();
    for (width, count, beyond, least, greatest) in rows.iter().filter(|row| row.0 >= 1_000_000) {
        assert_eq!((*count, *beyond, *least, *greatest), (5000, 100, 0.0, 776.0), "{width}");
    }
    // 333 samples a second: 42 in an eighth of one are dense, five in a sixty-fourth are not.
    assert_eq!(rows.iter().map(|row| row.0).next(), Some(125_000));
    let mean: f64 = connection
        .query_row("SELECT mean FROM rollup WHERE channel = 1 AND width_us = 4096000000", [], |row| row.get(0))
        .unwrap();
    let numbers: Vec<f64> = samples.iter().filter_map(|(_, value)| *value).collect();
    assert!((mean - numbers.iter().sum::<f64>() / numbers.len() as f64).abs() < 1e-9);
}

/// A session of an older version is rolled up once, and drawn as before.
#[test]
fn an_older_session_is_rolled_up_before_its_first_plot() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bayline.db");
    let (connection, _) = crate::store::open_to_write(&path).unwrap();
    connection
        .execute_batch(
            "INSERT INTO session (id, uuid, began_utc, began_utc_us, machine, job, bench_text, program, first_row)
                 VALUES (1, 'one', '2026-01-01T00:00:00Z', 0, '', '', '', '0', 1);
             INSERT INTO channel (id, session, name, quantity, unit, meter, reads, scale, accuracy)
                 VALUES (1, 1, 'probe', 'V DC', 'V', 'board', 'value', '', '');
             WITH RECURSIVE k (k) AS (SELECT 0 UNION ALL SELECT k + 1 FROM k WHERE k < 149999)
                 INSERT INTO sample (time_us, channel, value) SELECT k * 10000, 1, (k * 37) % 1009 FROM k;",
        )
        .unwrap();
    end(&connection, 1_500_000_000);
    let session = find(&connection, "1").unwrap();
    let before = plot(&connection, 100);
    assert_eq!(roll_up_later(&connection, &session).unwrap(), Some(150_000));
    assert_eq!(roll_up_later(&connection, &session).unwrap(), None);
    let rows: i64 = connection.query_row("SELECT COUNT(*) FROM rollup", [], |row| row.get(0)).unwrap();
    assert!((1500..5000).contains(&rows), "{rows}");
    assert_eq!(plot(&connection, 100), before);
}
