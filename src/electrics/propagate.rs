//! Uncertainty of a result whose inputs share errors: the general law with correlations, and the
//! usual case of it on a bench, two values read with one meter.
//!
//! Source: JCGM 100:2008 5.2.2 equations 13 and 16, H.2.3 for the covariance of two results.

use super::Uncertain;

/// How the inputs of a result hang together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Correlation<'a> {
    /// Every input is independent of every other.
    Independent,
    /// The matrix of correlation coefficients (each from -1 to 1), row by row, n x n for n inputs.
    Matrix(&'a [f64]),
}

/// Inputs that do not fit together.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub(crate) enum PropagateError {
    /// The slices differ in length.
    #[error("{inputs} uncertainties came with {found} {what}, expected {expected}")]
    Length {
        /// What has the wrong length.
        what: &'static str,
        /// How many inputs there are.
        inputs: usize,
        /// The length it has.
        found: usize,
        /// The length it should have.
        expected: usize,
    },
    /// The matrix can't belong to any set of quantities, since it makes a variance negative.
    #[error("the correlations make the variance {variance}, expected one that is not negative")]
    NegativeVariance {
        /// The variance that came out, in the result's unit squared.
        variance: f64,
    },
}

/// The covariance of two results that are functions of the same inputs, in the product of their
/// units. `partials_*` are ∂f/∂xᵢ in the result's unit per the input's, `u` the inputs' standard
/// uncertainties.
///
/// # Errors
/// [`PropagateError::Length`] where the slices do not match.
pub(crate) fn covariance(
    partials_y: &[f64],
    partials_z: &[f64],
    u: &[f64],
    correlation: Correlation<'_>,
) -> Result<f64, PropagateError> {
    let n = u.len();
    let fits = |what, found, expected| {
        if found == expected { Ok(()) } else { Err(PropagateError::Length { what, inputs: n, found, expected }) }
    };
    fits("partial derivatives", partials_y.len(), n)?;
    fits("partial derivatives", partials_z.len(), n)?;
    if let Correlation::Matrix(matrix) = correlation {
        fits("correlation coefficients", matrix.len(), n * n)?;
    }
    let mut sum = 0.0;
    for i in 0..n {
        for j in 0..n {
            let r = match correlation {
                Correlation::Independent => f64::from(u8::from(i == j)),
                Correlation::Matrix(matrix) => matrix[i * n + j],
            };
            sum += partials_y[i] * u[i] * r * partials_z[j] * u[j];
        }
    }
    Ok(sum)
}

/// The standard uncertainty of one result, in its unit. See [`covariance`] for the arguments.
///
/// # Errors
/// [`PropagateError::Length`] where the slices do not match, [`PropagateError::NegativeVariance`]
/// where the matrix is none of correlations.
pub(crate) fn propagate(partials: &[f64], u: &[f64], correlation: Correlation<'_>) -> Result<f64, PropagateError> {
    let variance = covariance(partials, partials, u, correlation)?;
    // Inputs that cancel exactly leave a rest of either sign, of the size of the rounding.
    let rounding = 1e-12 * partials.iter().zip(u).map(|(c, u)| (c * u).powi(2)).sum::<f64>();
    if variance < -rounding {
        return Err(PropagateError::NegativeVariance { variance });
    }
    Ok(variance.max(0.0).sqrt())
}

/// Σ cᵢ xᵢ of values read with one meter, whose gain has the relative standard uncertainty `gain_u`
/// (1 = 100 %) in common; the `u` of each value excludes the gain. All values are in one unit.
///
/// The gain acts on the sum as a whole, so it cancels from a small difference of large values.
/// JCGM 100 5.2.2 with x = g·y and E.3; `[(1.0, before), (-1.0, after)]` is a drop.
pub(crate) fn same_gain(terms: &[(f64, Uncertain)], gain_u: f64) -> Uncertain {
    let value = terms.iter().map(|(c, x)| c * x.value).sum::<f64>();
    let own = terms.iter().map(|(c, x)| (c * x.u).powi(2)).sum::<f64>().sqrt();
    Uncertain::new(value, own).widened(gain_u * value)
}

/// The difference a - b of two values with a known covariance, in their unit squared; their `u`
/// hold all of their uncertainty. JCGM 100 5.2.2 equation 13. A covariance greater than the
/// uncertainties allow (|r| > 1) is taken as r = ±1.
pub(crate) fn difference_with_covariance(a: Uncertain, b: Uncertain, covariance: f64) -> Uncertain {
    let most = a.u * b.u;
    let variance = a.u.powi(2) + b.u.powi(2) - 2.0 * covariance.clamp(-most, most);
    Uncertain::new(a.value - b.value, variance.max(0.0).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::electrics::RunningStatistics;
    use crate::electrics::checks::near;

    /// Table H.2 of JCGM 100: volts, milliamperes, radians.
    const VOLTS: [f64; 5] = [5.007, 4.994, 5.005, 4.990, 4.999];
    const MILLIAMPS: [f64; 5] = [19.663, 19.639, 19.640, 19.685, 19.678];
    const RADIANS: [f64; 5] = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433];

    /// s/√n, JCGM 100 4.2.3 equation 5.
    fn deviation_of_mean(run: &RunningStatistics) -> f64 {
        run.deviation().unwrap() / (run.count() as f64).sqrt()
    }

    fn sample_correlation(a: &[f64], b: &[f64]) -> f64 {
        let (a_run, b_run): (RunningStatistics, RunningStatistics) =
            (a.iter().copied().collect(), b.iter().copied().collect());
        let product =
            a.iter().zip(b).map(|(a, b)| (a - a_run.mean().unwrap()) * (b - b_run.mean().unwrap())).sum::<f64>();
        product / (a.len() as f64 - 1.0) / a_run.deviation().unwrap() / b_run.deviation().unwrap()
    }

    /// Partial derivatives of R, X and Z by V, I and φ, JCGM 100 H.2.3 equation H.7.
    fn partials(v: f64, i: f64, phi: f64) -> [[f64; 3]; 3] {
        let z = v / i;
        [
            [phi.cos() / i, -z * phi.cos() / i, -z * phi.sin()],
            [phi.sin() / i, -z * phi.sin() / i, z * phi.cos()],
            [1.0 / i, -z / i, 0.0],
        ]
    }

    fn resistance_reactance_impedance(u: &[f64; 3], r: [f64; 3], at: [f64; 3]) -> ([f64; 3], [f64; 3]) {
        let matrix = [1.0, r[0], r[1], r[0], 1.0, r[2], r[1], r[2], 1.0];
        let correlation = Correlation::Matrix(&matrix);
        let partials = partials(at[0], at[1], at[2]);
        let own = partials.map(|p| propagate(&p, u, correlation).unwrap());
        let shared = [(0, 1), (0, 2), (1, 2)]
            .map(|(y, z)| covariance(&partials[y], &partials[z], u, correlation).unwrap() / own[y] / own[z]);
        (own, shared)
    }

    #[test]
    fn resistance_and_reactance_measured_at_once() {
        // JCGM 100 H.2. Observations as given in GTC's documentation, full figures computed with
        // GTC 1.5.1; the guide prints 0.071, 0.295 (its second way; the first gives 0.2956), 0.236.
        let runs = [VOLTS, MILLIAMPS, RADIANS].map(|x| x.into_iter().collect::<RunningStatistics>());
        let [v, i, phi] = [&runs[0], &runs[1], &runs[2]].map(|run| run.mean().unwrap());
        let [u_v, u_i, u_phi] = [&runs[0], &runs[1], &runs[2]].map(deviation_of_mean);
        near(v, 4.999, 1e-12);
        near(i, 19.661, 1e-12);
        near(phi, 1.04446, 1e-12);
        near(u_v, 0.003209361307176, 1e-13);
        near(u_i, 0.009471008394041, 1e-13);
        near(u_phi, 0.000752063827079, 1e-13);
        let r = [
            sample_correlation(&VOLTS, &MILLIAMPS),
            sample_correlation(&VOLTS, &RADIANS),
            sample_correlation(&MILLIAMPS, &RADIANS),
        ];
        near(r[0], -0.355311219817, 1e-11);
        near(r[1], 0.857624210840, 1e-11);
        near(r[2], -0.645111217689, 1e-11);

        let ([u_r, u_x, u_z], shared) =
            resistance_reactance_impedance(&[u_v, u_i / 1000.0, u_phi], r, [v, i / 1000.0, phi]);
        near(v / i * 1000.0 * phi.cos(), 127.732169928, 1e-8);
        near(v / i * 1000.0 * phi.sin(), 219.846511913, 1e-8);
        near(u_r, 0.071071407397, 1e-11);
        near(u_x, 0.295581677359, 1e-11);
        near(u_z, 0.236336130082, 1e-11);
        near(shared[0], -0.588429784, 1e-9);
        near(shared[1], -0.485259224, 1e-9);
        near(shared[2], 0.992511649, 1e-9);
    }

    #[test]
    fn the_same_from_the_printed_inputs() {
        // JCGM 100 H.2 with the rounded inputs, as GTC's documentation prints it: 127.732(70),
        // 219.85(30), 254.26(24), and -0.59, -0.49, +0.99; more figures computed with GTC 1.5.1.
        let (own, shared) = resistance_reactance_impedance(
            &[0.0032, 0.0095e-3, 0.00075],
            [-0.36, 0.86, -0.65],
            [4.999, 19.661e-3, 1.04446],
        );
        for (found, expected) in own.into_iter().zip([0.069978728, 0.295716827, 0.236602972]) {
            near(found, expected, 1e-9);
        }
        for (found, expected) in shared.into_iter().zip([-0.591485, -0.490624, 0.992797]) {
            near(found, expected, 1e-6);
        }
    }

    #[test]
    fn the_same_set_by_set() {
        // JCGM 100 H.2.4, its second way: R, X and Z of each set, then their mean. Computed with
        // numpy 2.4.6; the guide prints 0.071, 0.295 and 0.236.
        let ways: [fn(f64) -> f64; 3] = [f64::cos, f64::sin, |_| 1.0];
        let expected = [(127.731630483, 0.071273543), (219.846894603, 0.295489086), (254.260049587, 0.236247502)];
        for (way, (mean, u)) in ways.into_iter().zip(expected) {
            let sets = (0..5).map(|set| VOLTS[set] / MILLIAMPS[set] * 1000.0 * way(RADIANS[set]));
            let run: RunningStatistics = sets.collect();
            near(run.mean().unwrap(), mean, 1e-9);
            near(deviation_of_mean(&run), u, 1e-9);
        }
    }

    #[test]
    fn ten_resistors_from_one_standard_add_up_linearly() {
        // JCGM 100 5.2.2 example, from memory: 1.00 Ω, where independence would give 0.32 Ω.
        let (partials, u) = ([1.0; 10], [0.1; 10]);
        near(propagate(&partials, &u, Correlation::Matrix(&[1.0; 100])).unwrap(), 1.0, 1e-12);
        near(propagate(&partials, &u, Correlation::Independent).unwrap(), 0.316228, 1e-6);
    }

    #[test]
    fn a_common_gain_cancels_from_a_drop() {
        // 12.60 V and 12.10 V on one meter, 10 mV each and a common gain of 0.25 %: computed with
        // GTC 1.5.1; taken as independent it would be 0.0459 V.
        let (before, after) = (Uncertain::new(12.60, 0.010), Uncertain::new(12.10, 0.010));
        let drop = same_gain(&[(1.0, before), (-1.0, after)], 0.0025);
        near(drop.value, 0.50, 1e-12);
        near(drop.u, 0.014197271, 5e-10);
        let independent = before.widened(0.0025 * 12.60) - after.widened(0.0025 * 12.10);
        near(independent.u, 0.045905473, 1e-9);
        // The covariance of the two readings is the gain's variance times both values.
        let known = difference_with_covariance(
            before.widened(0.0025 * 12.60),
            after.widened(0.0025 * 12.10),
            0.0025_f64.powi(2) * 12.60 * 12.10,
        );
        near(known.u, drop.u, 1e-12);
    }

    #[test]
    fn an_impossible_covariance_is_taken_as_full_correlation() {
        let x = Uncertain::new(5.0, 0.1);
        assert_eq!(difference_with_covariance(x, x, 1.0).u, 0.0);
        near(difference_with_covariance(x, x, -1.0).u, 0.2, 1e-12);
    }

    #[test]
    fn slices_that_do_not_fit_are_reported() {
        let error = propagate(&[1.0], &[0.1, 0.2], Correlation::Independent).unwrap_err();
        assert_eq!(error.to_string(), "2 uncertainties came with 1 partial derivatives, expected 2");
        let error = propagate(&[1.0, 1.0], &[0.1, 0.2], Correlation::Matrix(&[1.0])).unwrap_err();
        assert_eq!(error.to_string(), "2 uncertainties came with 1 correlation coefficients, expected 4");
    }

    #[test]
    fn a_matrix_that_is_none_of_correlations_is_refused() {
        let error = propagate(&[1.0, 1.0], &[1.0, 1.0], Correlation::Matrix(&[1.0, -2.0, -2.0, 1.0])).unwrap_err();
        assert_eq!(error, PropagateError::NegativeVariance { variance: -2.0 });
    }

    #[test]
    fn what_cancels_exactly_is_certain() {
        let u = propagate(&[0.3, -0.3], &[0.1, 0.1], Correlation::Matrix(&[1.0; 4])).unwrap();
        near(u, 0.0, 1e-9);
    }
}
