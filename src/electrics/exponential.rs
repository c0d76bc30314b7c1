//! The exponential that a current or voltage follows on its way to its end, fitted by least squares with its uncertainty.
//!
//! Model: y = end + size e^(-t/τ), the step response of resistance and inductance (any textbook of circuits). For a given τ the
//! other two follow linearly, so that the search has one dimension; standard errors are those of the Jacobian and the residual
//! (JCGM 100:2008 H.3 does it for the straight line). Tested against scipy's curve_fit.

use super::Uncertain;

/// Time constants tried per search, evenly in their logarithm.
const COARSE: usize = 48;
/// Golden sections after that: 0.618^40 of a coarse step is below 1e-8.
const SECTIONS: usize = 40;

/// The exponential that fits best.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct ExponentialFit {
    /// Where it ends, in the values' unit.
    pub end: Uncertain,
    /// How far from the end it is at time zero, in the values' unit; negative for a rise.
    pub size: f64,
    /// τ in s.
    pub time_constant: Uncertain,
    /// Standard deviation of the values about it, in their unit.
    pub residual: f64,
    /// Correlation of a residual with the next, -1 to 1: near 1 where the values follow another curve.
    pub correlation: f64,
}

impl ExponentialFit {
    /// Fits (seconds, value) pairs in the order of time. `None` below five pairs, where they span no time, and where no time
    /// constant between a quarter of a mean interval and ten times the span fits better than those beside it: a straight line,
    /// or a step.
    pub(crate) fn of(points: &[(f64, f64)]) -> Option<Self> {
        let (first, last) = (points.first()?.0, points.last()?.0);
        let span = last - first;
        if points.len() < 5 || span <= 0.0 {
            return None;
        }
        let interval = span / (points.len() - 1) as f64;
        let (shortest, longest) = ((interval / 4.0).ln(), (10.0 * span).ln());
        let step = (longest - shortest) / (COARSE - 1) as f64;
        let squares = |log: f64| LinearPart::of(points, first, log.exp()).map_or(f64::INFINITY, |part| part.squares);
        let tried: Vec<f64> = (0..COARSE).map(|index| squares(shortest + step * index as f64)).collect();
        let best = (0..COARSE).min_by(|one, other| tried[*one].total_cmp(&tried[*other]))?;
        if best == 0 || best == COARSE - 1 {
            return None;
        }
        let middle = shortest + step * best as f64;
        let log = golden(middle - step, middle + step, squares);
        Self::at(points, first, log.exp())
    }

    fn at(points: &[(f64, f64)], first: f64, tau: f64) -> Option<Self> {
        let part = LinearPart::of(points, first, tau)?;
        let freedom = points.len() as f64 - 3.0;
        let variance = part.squares / freedom;
        // The normal matrix of end, size and τ.
        let mut normal = [[0.0; 3]; 3];
        let (mut lagged, mut before) = (0.0, None);
        for (at, value) in points {
            let decay = (-(at - first) / tau).exp();
            let row = [1.0, decay, part.size * (at - first) / (tau * tau) * decay];
            for (own, cells) in row.iter().zip(&mut normal) {
                for (other, cell) in row.iter().zip(cells) {
                    *cell += own * other;
                }
            }
            let residual = value - part.end - part.size * decay;
            lagged += before.map_or(0.0, |before: f64| before * residual);
            before = Some(residual);
        }
        let [end_u, tau_u] = [0, 2].map(|index| inverse_diagonal(&normal, index).map(|cell| (cell * variance).sqrt()));
        Some(Self {
            end: Uncertain::new(part.end, end_u?),
            size: part.size,
            time_constant: Uncertain::new(tau, tau_u?),
            residual: variance.sqrt(),
            correlation: if part.squares > 0.0 { lagged / part.squares } else { 0.0 },
        })
    }
}

/// End and size for a given time constant, by linear least squares, and the squares that remain.
struct LinearPart {
    end: f64,
    size: f64,
    squares: f64,
}

impl LinearPart {
    fn of(points: &[(f64, f64)], first: f64, tau: f64) -> Option<Self> {
        let n = points.len() as f64;
        let decay = |at: f64| (-(at - first) / tau).exp();
        let e_mean = points.iter().map(|(at, _)| decay(*at)).sum::<f64>() / n;
        let y_mean = points.iter().map(|(_, value)| value).sum::<f64>() / n;
        let (mut s_ee, mut s_ey, mut s_yy) = (0.0, 0.0, 0.0);
        for (at, value) in points {
            let (e, y) = (decay(*at) - e_mean, value - y_mean);
            s_ee += e * e;
            s_ey += e * y;
            s_yy += y * y;
        }
        if s_ee <= 0.0 {
            return None;
        }
        let size = s_ey / s_ee;
        Some(Self { end: y_mean - size * e_mean, size, squares: (s_yy - size * s_ey).max(0.0) })
    }
}

/// The least of a function with one valley between two values.
fn golden(mut low: f64, mut high: f64, of: impl Fn(f64) -> f64) -> f64 {
    let ratio = (5f64.sqrt() - 1.0) / 2.0;
    let (mut left, mut right) = (high - ratio * (high - low), low + ratio * (high - low));
    let (mut at_left, mut at_right) = (of(left), of(right));
    for _ in 0..SECTIONS {
        if at_left < at_right {
            (high, right, at_right) = (right, left, at_left);
            left = high - ratio * (high - low);
            at_left = of(left);
        } else {
            (low, left, at_left) = (left, right, at_right);
            right = low + ratio * (high - low);
            at_right = of(right);
        }
    }
    f64::midpoint(low, high)
}

/// One cell of the diagonal of a symmetric matrix's inverse, by cofactors.
fn inverse_diagonal(m: &[[f64; 3]; 3], index: usize) -> Option<f64> {
    let minor = |row: usize, column: usize| {
        let rows: [usize; 2] = [[1, 2], [0, 2], [0, 1]][row];
        let columns: [usize; 2] = [[1, 2], [0, 2], [0, 1]][column];
        m[rows[0]][columns[0]] * m[rows[1]][columns[1]] - m[rows[0]][columns[1]] * m[rows[1]][columns[0]]
    };
    let determinant = m[0][0] * minor(0, 0) - m[0][1] * minor(0, 1) + m[0][2] * minor(0, 2);
    let cell = minor(index, index) / determinant;
    (cell.is_finite() && cell >= 0.0).then_some(cell)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::electrics::{checks::near, noise::Noise, switched_coil::InductiveCoil};

    /// 12 V on 7.5 Ω and 60 mH at 2,000 samples a second, with a disturbance that anyone can repeat.
    fn disturbed() -> Vec<(f64, f64)> {
        let coil = InductiveCoil { ohms: 7.5, henries: 0.06 };
        let point = |index: u32| {
            let (k, t) = (f64::from(index), f64::from(index) * 0.5e-3);
            (t, coil.step_current(12.0, t) + 0.003 * (1.7 * k).sin() + 0.002 * (0.9 * k).cos())
        };
        (0..120).map(point).collect()
    }

    #[test]
    fn the_fit_is_that_of_scipy() {
        // scipy 1.17.1, optimize.curve_fit on the same 120 points, tolerances 1e-14: parameters and the square roots of the
        // covariance's diagonal.
        let fit = ExponentialFit::of(&disturbed()).unwrap();
        near(fit.time_constant.value, 0.008004821159980021, 1e-10);
        near(fit.time_constant.u, 1.1122185409486163e-05, 1e-10);
        near(fit.end.value, 1.6000899735168828, 1e-8);
        near(fit.end.u, 0.0003453971055323408, 1e-9);
        near(fit.size, -1.599430536146555, 1e-8);
        near(fit.residual, 0.0025971620057221923, 1e-9);
    }

    #[test]
    fn a_clean_rise_gives_the_coil_back() {
        for (ohms, henries) in [(7.5, 0.06), (6.2, 0.012), (28.8, 0.12)] {
            let coil = InductiveCoil { ohms, henries };
            let points: Vec<(f64, f64)> =
                (0..200).map(|k| f64::from(k) * 2e-4).map(|t| (t + 17.0, coil.step_current(12.61, t))).collect();
            let fit = ExponentialFit::of(&points).unwrap();
            near(fit.time_constant.value / coil.time_constant(), 1.0, 1e-6);
            near(fit.end.value, 12.61 / ohms, 1e-6);
        }
    }

    /// The stated uncertainty is what repeated rises scatter by.
    #[test]
    fn the_uncertainty_is_the_scatter() {
        let coil = InductiveCoil { ohms: 7.5, henries: 0.06 };
        let mut noise = Noise::of_seed(5);
        let (mut within, mut all) = (0, 0);
        for _ in 0..200 {
            let points: Vec<(f64, f64)> = (0..100)
                .map(|k| f64::from(k) * 5e-4)
                .map(|t| (t, coil.step_current(12.0, t) + 0.01 * noise.normal()))
                .collect();
            let tau = ExponentialFit::of(&points).unwrap().time_constant;
            within += u32::from((tau.value - coil.time_constant()).abs() <= 2.0 * tau.u);
            all += 1;
        }
        // 95.4 % of 200, give or take four standard deviations of a count.
        assert!((179..=200).contains(&within), "{within} of {all} within k = 2");
    }

    #[test]
    fn what_is_no_exponential_has_no_time_constant() {
        let line: Vec<(f64, f64)> = (0..50).map(|k| (f64::from(k), f64::from(k))).collect();
        assert_eq!(ExponentialFit::of(&line), None);
        let step: Vec<(f64, f64)> = (0..50).map(|k| (f64::from(k), f64::from(u8::from(k > 0)))).collect();
        assert_eq!(ExponentialFit::of(&step), None);
        assert_eq!(ExponentialFit::of(&[(0.0, 1.0), (1.0, 2.0)]), None);
        assert_eq!(ExponentialFit::of(&[(1.0, 1.0); 9]), None);
    }
}
