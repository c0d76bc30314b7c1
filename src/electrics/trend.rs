//! Whether a window of values still rises or falls: the least-squares line and how sure its slope is.
//!
//! Source: ordinary least squares as in JCGM 100:2008 H.3.2. It decides nothing; a judge compares
//! the slope with the digit and the time that it knows.

use super::Uncertain;

/// The straight line that fits a window best.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Trend {
    /// The change, in the values' unit per second, with its standard error.
    pub slope: Uncertain,
    /// Standard deviation of the values about the line, in their unit.
    pub residual: f64,
    /// Degrees of freedom of the standard error: two less than there were values.
    pub freedom: f64,
}

impl Trend {
    /// Fits (seconds, value) pairs. `None` below three pairs, or where all have the same time.
    ///
    /// Values that repeat in the same digit fit perfectly, and then the standard error is zero:
    /// the digit's own uncertainty is not in it.
    pub(crate) fn of(points: &[(f64, f64)]) -> Option<Self> {
        if points.len() < 3 {
            return None;
        }
        let n = points.len() as f64;
        // Distances from the first point, as both may be large beside their spread.
        let (t0, y0) = points[0];
        let t_mean = points.iter().map(|(t, _)| t - t0).sum::<f64>() / n;
        let y_mean = points.iter().map(|(_, y)| y - y0).sum::<f64>() / n;
        let distances = || points.iter().map(|(t, y)| (t - t0 - t_mean, y - y0 - y_mean));
        let s_tt = distances().map(|(t, _)| t * t).sum::<f64>();
        if s_tt <= 0.0 {
            return None;
        }
        let slope = distances().map(|(t, y)| t * y).sum::<f64>() / s_tt;
        let freedom = n - 2.0;
        let residual = (distances().map(|(t, y)| (y - slope * t).powi(2)).sum::<f64>() / freedom).sqrt();
        Some(Self { slope: Uncertain::new(slope, residual / s_tt.sqrt()), residual, freedom })
    }

    /// The change over a time in seconds, in the values' unit.
    pub(crate) fn over(&self, seconds: f64) -> Uncertain {
        self.slope * seconds
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::electrics::checks::{near, number, rows};

    #[test]
    fn nist_norris() {
        // NIST's Statistical Reference Datasets, linear regression, Norris: data and certified
        // values from memory (36 pairs that reproduce ten digits were recalled rightly).
        let points: Vec<(f64, f64)> = rows(include_str!("../../tests/data/nist_strd/norris.csv"))
            .map(|row| (number(row[1]), number(row[0])))
            .collect();
        assert_eq!(points.len(), 36);
        let trend = Trend::of(&points).unwrap();
        near(trend.slope.value, 1.00211681802045, 1e-11);
        near(trend.slope.u, 0.429796848199937e-3, 1e-13);
        near(trend.residual, 0.884796396144373, 1e-11);
        assert_eq!(trend.freedom, 34.0);
    }

    #[test]
    fn a_steady_ramp_is_certain() {
        let points: Vec<(f64, f64)> = (0..10).map(|k| (1e6 + f64::from(k), 12.0 - 0.25 * f64::from(k))).collect();
        let trend = Trend::of(&points).unwrap();
        near(trend.slope.value, -0.25, 1e-12);
        near(trend.slope.u, 0.0, 1e-12);
        near(trend.over(4.0).value, -1.0, 1e-12);
    }

    #[test]
    fn a_repeated_digit_has_no_trend() {
        let trend = Trend::of(&[(0.0, 6.2), (0.3, 6.2), (0.6, 6.2)]).unwrap();
        assert_eq!((trend.slope.value, trend.slope.u), (0.0, 0.0));
    }

    #[test]
    fn too_few_or_simultaneous_values_have_no_slope() {
        assert_eq!(Trend::of(&[(0.0, 1.0), (1.0, 2.0)]), None);
        assert_eq!(Trend::of(&[(1.0, 1.0), (1.0, 2.0), (1.0, 3.0)]), None);
    }
}
