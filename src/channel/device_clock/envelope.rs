//! The line below a cloud of points: how late frames arrive at least, and how that drifts.
//!
//! A frame can be late but never early, so the truth lies along the lower edge of the cloud, however
//! the delays are distributed above it. The lower convex hull is kept, and the line is the one below
//! all points with the least sum of distances to them, which is the edge of the hull that spans the
//! mean of the points (Moon, Skelly and Towsley 1999, "Estimation and removal of clock skew from
//! network delay measurements"; from memory).

/// Corners of the hull that are kept; random delays make about ten.
const MOST_CORNERS: usize = 64;

/// The most drift of a working clock, µs in a second; resonators of cheap boards: 5000.
const MOST_DRIFT: f64 = 20_000.0;

/// Jitter that is expected before it is known, µs, and how many points it counts as much as.
const EXPECTED_JITTER: f64 = 5_000.0;
const EXPECTED_WEIGHT: f64 = 10.0;

/// One frame: its device time, and its delay.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct ArrivalPoint {
    /// Device time, s.
    pub x: f64,
    /// How much more time passed for the host than for the device, µs.
    pub y: f64,
}

/// A line in the plane of the points.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct DriftLine {
    /// One point of it.
    pub through: ArrivalPoint,
    /// µs in a second.
    pub slope: f64,
}

impl DriftLine {
    /// Its height, µs.
    pub(super) fn at(&self, x: f64) -> f64 {
        self.through.y + self.slope * (x - self.through.x)
    }
}

/// What is known of the drift beforehand, µs in a second.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct DriftPrior {
    pub slope: f64,
    /// Its standard deviation.
    pub spread: f64,
}

/// Points of some time, as far as they matter.
#[derive(Debug, Clone, Default)]
pub(super) struct Envelope {
    /// The lower hull, from left to right; edges grow ever steeper.
    hull: Vec<ArrivalPoint>,
    first: f64,
    last: f64,
    count: f64,
    sum: (f64, f64),
}

impl Envelope {
    /// Adds a point right of all others. Constant time on average: each corner is removed once.
    pub(super) fn push(&mut self, point: ArrivalPoint) {
        if self.hull.is_empty() {
            self.first = point.x;
        }
        self.last = point.x;
        self.count += 1.0;
        self.sum.0 += point.x;
        self.sum.1 += point.y;
        while let [.., before, last] = self.hull[..]
            && steepness(before, last) >= steepness(last, point)
        {
            self.hull.pop();
        }
        self.hull.push(point);
        if self.hull.len() > MOST_CORNERS {
            // Every second corner goes; the ends stay. The hull rises by less than what curves it.
            let mut place = 0;
            self.hull.retain(|_| {
                place += 1;
                place % 2 == 1 || place > MOST_CORNERS
            });
        }
    }

    pub(super) fn is_empty(&self) -> bool {
        self.hull.is_empty()
    }

    /// Seconds from the first point to the last.
    pub(super) fn span(&self) -> f64 {
        self.last - self.first
    }

    /// The line below all points; none without any.
    ///
    /// The slope is trusted as far as the jitter allows over so short a time: it is the mean of the
    /// hull's slope and the prior drift, weighted by their variances.
    pub(super) fn line(&self, prior: DriftPrior) -> Option<DriftLine> {
        let seen = self.widest_support()?;
        let jitter = self.height_over(seen);
        let jitter = (jitter * self.count + EXPECTED_JITTER * EXPECTED_WEIGHT) / (self.count + EXPECTED_WEIGHT);
        // Variances without a division by the span, which may be 0.
        let (known, span) = ((prior.spread * self.span()).powi(2), jitter.powi(2));
        let trust = known / (known + span);
        let slope = prior.slope + trust * (seen.slope.clamp(-MOST_DRIFT, MOST_DRIFT) - prior.slope);
        Some(DriftLine { through: self.corner_under(slope)?, slope })
    }

    /// Mean height of the points over a line below them, µs.
    pub(super) fn height_over(&self, line: DriftLine) -> f64 {
        if self.count == 0.0 {
            return 0.0;
        }
        self.sum.1 / self.count - line.at(self.sum.0 / self.count)
    }

    /// The edge that spans the mean of the points.
    fn widest_support(&self) -> Option<DriftLine> {
        let mean = self.sum.0 / self.count;
        let right = self.hull.partition_point(|corner| corner.x <= mean);
        match (self.hull.get(right.wrapping_sub(1)), self.hull.get(right)) {
            (Some(left), Some(right)) => Some(DriftLine { through: *left, slope: steepness(*left, *right) }),
            // One point alone, or the mean of equal points rounded to the side.
            (Some(only), None) | (None, Some(only)) => Some(DriftLine { through: *only, slope: 0.0 }),
            (None, None) => None,
        }
    }

    /// The corner where a line of this slope touches the hull from below.
    fn corner_under(&self, slope: f64) -> Option<ArrivalPoint> {
        let (mut low, mut high) = (0, self.hull.len().checked_sub(1)?);
        while low < high {
            let middle = low.midpoint(high);
            if steepness(self.hull[middle], self.hull[middle + 1]) < slope {
                low = middle + 1;
            } else {
                high = middle;
            }
        }
        Some(self.hull[low])
    }
}

fn steepness(left: ArrivalPoint, right: ArrivalPoint) -> f64 {
    (right.y - left.y) / (right.x - left.x)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn envelope(points: &[(f64, f64)]) -> Envelope {
        let mut envelope = Envelope::default();
        for (x, y) in points {
            envelope.push(ArrivalPoint { x: *x, y: *y });
        }
        envelope
    }

    #[test]
    fn the_line_is_the_edge_below_the_middle() {
        // By hand: the hull is (0,4) (1,1) (4,1) (6,6), and the mean of x is 3.
        let envelope = envelope(&[(0.0, 4.0), (1.0, 1.0), (2.0, 5.0), (4.0, 1.0), (5.0, 9.0), (6.0, 6.0)]);
        let line = envelope.widest_support().unwrap();
        assert_eq!((line.through, line.slope), (ArrivalPoint { x: 1.0, y: 1.0 }, 0.0));
        assert!((envelope.height_over(line) - (26.0 / 6.0 - 1.0)).abs() < 1e-12);
    }

    #[test]
    fn what_is_known_holds_until_there_is_more() {
        let known = DriftPrior { slope: 150.0, spread: 100.0 };
        let two = envelope(&[(0.0, 0.0), (0.1, 16_000.0)]);
        assert!((two.line(known).unwrap().slope - 150.0).abs() < 1.0);
        let one = envelope(&[(0.0, 3.0)]);
        assert_eq!(one.line(known).unwrap(), DriftLine { through: ArrivalPoint { x: 0.0, y: 3.0 }, slope: 150.0 });
        assert_eq!(Envelope::default().line(known), None);
    }

    proptest! {
        #[test]
        fn the_line_is_below_all_points_and_touches_one(
            steps in prop::collection::vec((0.001..10.0f64, 0.0..50_000.0f64), 1..60),
            slope in -300.0..300.0f64, spread in 1.0..2000.0f64,
        ) {
            let mut x = 0.0;
            let points: Vec<ArrivalPoint> = steps.iter().map(|(step, y)| { x += step; ArrivalPoint { x, y: *y } }).collect();
            let mut envelope = Envelope::default();
            for point in &points {
                envelope.push(*point);
            }
            let line = envelope.line(DriftPrior { slope, spread }).unwrap();
            let heights = points.iter().map(|point| point.y - line.at(point.x));
            let least = heights.fold(f64::INFINITY, f64::min);
            prop_assert!(least.abs() < 1e-3, "{least}");
        }

        #[test]
        fn the_hull_stays_small(curve in 0.1..100.0f64) {
            // Each point of a parabola is a corner.
            let mut envelope = Envelope::default();
            for step in 0..5000 {
                let x = f64::from(step) * 0.01;
                envelope.push(ArrivalPoint { x, y: curve * x * x });
                prop_assert!(envelope.hull.len() <= MOST_CORNERS + 1);
            }
            prop_assert_eq!(envelope.hull.first().map(|corner| corner.x), Some(0.0));
            prop_assert!(envelope.hull.is_sorted_by(|left, right| left.x < right.x));
        }
    }
}
