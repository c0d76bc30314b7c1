//! Where a session went, drawn without a map: one scale in both directions, north is up.

use serde::Serialize;

use super::DriveFlag;
use crate::{drive::FlagKind, store::read::TrackPoint};

/// What was found longer than this after the last fix has no place, µs.
const NEAR_US: i64 = 10_000_000;
/// A receiver that was silent for longer begins a new piece of the track, µs.
const GAP_US: i64 = 30_000_000;
/// Metres of one degree of latitude: a sphere with the mean radius of the Earth, 6371 km (IUGG; from memory).
const DEGREE_M: f64 = 6_371_000.0 * std::f64::consts::PI / 180.0;
/// The longer side of the drawing, and the room around it.
const SIZE: f64 = 300.0;
const ROOM: f64 = 24.0;
/// A machine that stands still is drawn as if it had gone so far, m: its receiver's noise is no drive.
const LEAST_M: f64 = 20.0;

/// Where it was at a time: the last fix before it, where that is not long ago.
pub(crate) fn place(points: &[TrackPoint], at_us: i64) -> Option<&TrackPoint> {
    let next = points.partition_point(|point| point.at_us <= at_us);
    points.get(next.saturating_sub(1)).filter(|point| (at_us - point.at_us).abs() <= NEAR_US)
}

/// A drawing of the track in units of its own; SVG with y downwards.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub(crate) struct TrackDrawing {
    /// The corner at the upper left, width and height.
    pub view: [f64; 4],
    /// The way, as the data of an SVG path.
    pub way: String,
    /// Where it began.
    pub start: [f64; 2],
    /// The flags but those of changes.
    pub flags: Vec<TrackFlag>,
    /// The bar of the scale, as the data of an SVG path.
    pub bar: String,
    /// Where the words of the bar stand.
    pub bar_words_at: [f64; 2],
    /// What they are.
    pub bar_words: String,
    /// What it shows, for who can't see it.
    pub words: String,
}

/// A flag on the track.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub(crate) struct TrackFlag {
    /// Its number.
    pub number: usize,
    /// Where it stands.
    pub at: [f64; 2],
    /// Whether it speaks against the machine.
    pub is_fault: bool,
}

impl TrackDrawing {
    /// Draws a track with the flags that have a place on it; none without a fix.
    pub(crate) fn new(points: &[TrackPoint], flags: &[DriveFlag]) -> Option<Self> {
        let first = points.first()?;
        let range = |of: fn(&(f64, f64)) -> f64, all: &[(f64, f64)]| {
            let all = all.iter().map(of);
            all.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)))
        };
        let fold = |degrees: f64| (degrees + 540.0).rem_euclid(360.0) - 180.0;
        // Across the 180th meridian the way is short.
        let degrees: Vec<(f64, f64)> =
            points.iter().map(|point| (fold(point.longitude - first.longitude), point.latitude)).collect();
        let (south, north) = range(|place| place.1, &degrees);
        let middle = (south + north) / 2.0;
        let narrow = middle.to_radians().cos();
        let metres = |point: &TrackPoint| {
            let east = fold(point.longitude - first.longitude) * DEGREE_M * narrow;
            (east, (middle - point.latitude) * DEGREE_M)
        };
        let places: Vec<(f64, f64)> = points.iter().map(metres).collect();
        let ((left, right), (top, bottom)) = (range(|place| place.0, &places), range(|place| place.1, &places));
        let size = (right - left).max(bottom - top).max(LEAST_M);
        let factor = SIZE / size;
        let on = |(x, y): (f64, f64)| [(x - (left + right) / 2.0) * factor, (y - (top + bottom) / 2.0) * factor];
        let mut way = String::new();
        let mut before: Option<i64> = None;
        for (point, place) in points.iter().zip(&places) {
            let [x, y] = on(*place);
            let begins = before.is_none_or(|before| point.at_us - before > GAP_US);
            way.push_str(&format!("{}{x:.1} {y:.1}", if begins { 'M' } else { 'L' }));
            before = Some(point.at_us);
        }
        let bar_m = round_length(size / 4.0);
        let (half, high) = ((right - left) * factor / 2.0, (bottom - top) * factor / 2.0 + ROOM);
        // The words of the scale need room too.
        let half = half.max(SIZE / 2.0) + ROOM;
        let bar_end = bar_m * factor - half + 8.0;
        let name = if bar_m < 1000.0 { format!("{bar_m} m") } else { format!("{} km", bar_m / 1000.0) };
        let drawn = flags.iter().filter(|flag| flag.kind != FlagKind::Change);
        Some(Self {
            view: [-half, -high, 2.0 * half, 2.0 * high + ROOM],
            way,
            start: on(places[0]),
            flags: drawn
                .filter_map(|flag| {
                    let at = on(metres(place(points, flag.at_us)?));
                    Some(TrackFlag { number: flag.number, at, is_fault: flag.kind.is_fault() })
                })
                .collect(),
            bar: format!("M{} {}v6H{bar_end:.1}v-6", 8.0 - half, high + 4.0),
            bar_words_at: [bar_end + 6.0, high + 11.0],
            bar_words: format!("{name}; north is up; a ring is the start"),
            words: format!(
                "The track, {:.0} m from west to east and {:.0} m from south to north, with the places of flags",
                right - left,
                bottom - top
            ),
        })
    }
}

/// 1, 2 or 5 times a power of ten, the nearest that is not greater.
fn round_length(about: f64) -> f64 {
    let power = 10f64.powf(about.log10().floor());
    [5.0, 2.0].into_iter().find(|step| step * power <= about).unwrap_or(1.0) * power
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(seconds: i64, latitude: f64, longitude: f64) -> TrackPoint {
        TrackPoint { at_us: seconds * 1_000_000, latitude, longitude, speed: None }
    }

    fn flag(number: usize, at_s: i64, kind: FlagKind) -> DriveFlag {
        let at_us = at_s * 1_000_000;
        DriveFlag {
            number,
            kind,
            at_us,
            around_us: (at_us, at_us),
            channels: Vec::new(),
            text: String::new(),
            shown: Vec::new(),
        }
    }

    #[test]
    fn both_directions_have_one_scale() {
        // At 60° of latitude a degree of longitude is half as long as one of latitude: cos 60° = 1/2.
        let square = [point(0, 59.995, 10.0), point(1, 60.005, 10.0), point(2, 60.005, 10.02), point(3, 59.995, 10.02)];
        let flags = [flag(1, 2, FlagKind::OutOfLimit), flag(2, 2, FlagKind::Change), flag(3, 500, FlagKind::Mark)];
        let drawing = TrackDrawing::new(&square, &flags).unwrap();
        assert_eq!(drawing.way, "M-150.0 150.0L-150.0 -150.0L150.0 -150.0L150.0 150.0");
        assert!((drawing.start[0] + 150.0).abs() < 1e-6 && (drawing.start[1] - 150.0).abs() < 1e-6, "{drawing:?}");
        let [TrackFlag { number: 1, at: [x, y], is_fault: true }] = drawing.flags[..] else { panic!("{drawing:?}") };
        assert!((x - 150.0).abs() < 0.1 && (y + 150.0).abs() < 0.1, "{x}, {y}");
        // 0.01° of latitude are 1112 m on the sphere of 6371 km.
        assert!(drawing.words.contains("1112 m from south to north"), "{}", drawing.words);
        assert!(drawing.bar_words.starts_with("200 m;"), "{}", drawing.bar_words);
    }

    #[test]
    fn a_short_way_across_the_date_line_is_short_and_a_silent_receiver_leaves_a_gap() {
        let points = [point(0, -17.0, 179.999), point(1, -17.0, -179.999), point(60, -17.0, -179.998)];
        let drawing = TrackDrawing::new(&points, &[]).unwrap();
        assert!(drawing.words.contains("319 m from west to east"), "{}", drawing.words);
        assert_eq!(drawing.way.matches('M').count(), 2);
        assert_eq!(TrackDrawing::new(&[], &[]), None);
        // One fix alone is a ring.
        assert!(TrackDrawing::new(&points[..1], &[]).unwrap().view.iter().all(|number| number.is_finite()));
    }
}
