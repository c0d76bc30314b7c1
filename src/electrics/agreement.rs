//! Do two independent determinations of one quantity agree, each within its uncertainty?

use super::Uncertain;

/// Eₙ = (a - b)/√(U_a² + U_b²) with U = k u, for the difference of two values with its uncertainty: beyond ± 1 they disagree.
/// ISO/IEC 17043 and ISO 13528, from memory. `coverage_factor` is that of both, usually 2; `None` where nothing has an uncertainty.
pub(crate) fn normalized_difference(difference: Uncertain, coverage_factor: f64) -> Option<f64> {
    (difference.u > 0.0).then(|| difference.value / (coverage_factor * difference.u))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::electrics::checks::near;

    fn check(ohms: f64, difference: f64, e_n: f64) {
        let measured = Uncertain::new(ohms, 0.15);
        let implied = Uncertain::new(24.10, 0.060).over(Uncertain::new(1.25, 0.020)).unwrap();
        near((measured - implied).value, difference, 1e-12);
        near(normalized_difference(measured - implied, 2.0).unwrap(), e_n, 5e-7);
        near(normalized_difference(implied - measured, 2.0).unwrap(), -e_n, 5e-7);
        // With a coverage factor of one it is the z-score: 1.790055 and 6.409552.
        near(normalized_difference(measured - implied, 1.0).unwrap(), 2.0 * e_n, 1e-6);
    }

    #[test]
    fn ohms_against_volts_over_amps() {
        // Computed with the Python package uncertainties 3.2.3.
        check(19.9, 0.62, 0.895028);
        check(21.5, 2.22, 3.204776);
    }

    #[test]
    fn certain_values_have_no_score() {
        assert_eq!(normalized_difference(Uncertain::exact(1.0) - Uncertain::exact(2.0), 2.0), None);
        assert_eq!(normalized_difference(Uncertain::exact(1.0) - Uncertain::exact(1.0), 2.0), None);
    }
}
