//! A value with its standard uncertainty, and what happens to it in plain arithmetic.
//!
//! The law of propagation is that of JCGM 100:2008 ("GUM"), 5.1.2 equation 10: first order, and
//! the operands are taken as independent. `x - x` is therefore *not* certain; where two values
//! share an error, use [`super::same_gain`] or `covariance`. This file knows nothing of
//! meters: a data sheet's accuracy arrives here as a half-width.

use std::ops::{Add, Mul, Sub};

/// A value and its standard uncertainty, both in the same SI unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Uncertain {
    /// The best estimate.
    pub value: f64,
    /// The standard uncertainty (one standard deviation): finite and not negative.
    pub u: f64,
}

impl Uncertain {
    /// A value with a standard uncertainty that is known already; the sign of `u` does not count.
    pub fn new(value: f64, u: f64) -> Self {
        Self { value, u: u.abs() }
    }

    /// A value without uncertainty, such as a count.
    pub fn exact(value: f64) -> Self {
        Self { value, u: 0.0 }
    }

    /// Anywhere within ± `half_width` equally likely: a data sheet's accuracy. u = a/√3, JCGM 100
    /// 4.3.7 equation 7.
    pub fn rectangular(value: f64, half_width: f64) -> Self {
        Self::new(value, half_width / 3.0_f64.sqrt())
    }

    /// U = k u, JCGM 100 6.2.1 equation 18, in the value's unit.
    pub fn expanded(self, coverage_factor: f64) -> f64 {
        coverage_factor * self.u
    }

    /// The same value with one more independent contribution, whose standard uncertainty is `u`.
    pub fn widened(self, u: f64) -> Self {
        Self { value: self.value, u: self.u.hypot(u) }
    }

    /// This value divided by an independent one, `None` where the divisor's value is zero.
    /// First order holds while the divisor's uncertainty is small beside its value.
    pub fn over(self, divisor: Self) -> Option<Self> {
        if divisor.value == 0.0 {
            return None;
        }
        let value = self.value / divisor.value;
        Some(Self { value, u: (self.u / divisor.value).hypot(value * divisor.u / divisor.value) })
    }
}

/// Independent operands.
impl Add for Uncertain {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self { value: self.value + other.value, u: self.u.hypot(other.u) }
    }
}

/// Independent operands.
impl Sub for Uncertain {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self { value: self.value - other.value, u: self.u.hypot(other.u) }
    }
}

/// Independent operands.
impl Mul for Uncertain {
    type Output = Self;
    fn mul(self, other: Self) -> Self {
        Self { value: self.value * other.value, u: (self.u * other.value).hypot(self.value * other.u) }
    }
}

/// Scaled by an exact factor.
impl Mul<f64> for Uncertain {
    type Output = Self;
    fn mul(self, factor: f64) -> Self {
        Self { value: self.value * factor, u: self.u * factor.abs() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::electrics::checks::near;

    #[test]
    fn a_half_width_becomes_a_standard_uncertainty() {
        // Identity of JCGM 100 4.3.7.
        near(Uncertain::rectangular(0.0, 1.0).u, 0.577350269, 5e-10);
    }

    #[test]
    fn a_voltmeters_accuracy_gives_the_figures_of_the_guide() {
        // JCGM 100 4.3.7 example 2 and 5.1.5, from memory: 0.928571 V on the 1 V range.
        let half_width = 14e-6 * 0.928571 + 2e-6;
        near(half_width, 15e-6, 1e-10);
        let systematic = Uncertain::rectangular(0.928571, half_width);
        near(systematic.u, 8.7e-6, 0.05e-6);
        let combined = systematic.widened(12e-6);
        near(combined.u, 14.799e-6, 0.001e-6);
        near(combined.u, 15e-6, 0.5e-6);
        near(combined.u / combined.value, 16e-6, 0.5e-6);
    }

    #[test]
    fn percent_and_digits_of_a_handheld_meter() {
        // Worked half-widths: 5 V on 10 V, 0.0020 % + 0.0005 % of range (bench meter's user's
        // guide: 150 µV); 2.000 V, 0.08 % + 2 digits and 0.5 % + 3 digits (application notes on
        // meter error: 3.6 mV and 13 mV).
        near(5.0 * 20e-6 + 10.0 * 5e-6, 150e-6, 1e-12);
        near(2.0 * 0.0008 + 2.0 * 0.001, 3.6e-3, 1e-12);
        near(2.0 * 0.005 + 3.0 * 0.001, 13e-3, 1e-12);
        // Computed by hand: half-width and standard uncertainty.
        for (value, percent, digits, digit, u) in [
            (12.345, 0.5, 3.0, 0.001, 0.037368996),
            (24.10, 0.5, 2.0, 0.01, 0.081117713),
            (14.2, 0.8, 5.0, 0.1, 0.354262125),
        ] {
            near(Uncertain::rectangular(value, value * percent / 100.0 + digits * digit).u, u, 5e-10);
        }
        near(Uncertain::rectangular(12.345, 0.064725).expanded(2.0), 0.074737992, 1e-9);
    }

    #[test]
    fn ohms_law_propagates() {
        // Introduction of the documentation of GTC (Measurement Standards Laboratory of New
        // Zealand): 0.1(0.001) V over 15(0.5) mA prints 6.67(23).
        let r = Uncertain::new(0.1, 0.001).over(Uncertain::new(0.015, 0.0005)).unwrap();
        near(r.value, 6.666666667, 5e-10);
        near(r.u, 0.232006811, 5e-10);
    }

    #[test]
    fn volts_and_amps_of_a_coil_propagate() {
        // Computed with the Python package uncertainties 3.2.3.
        let (volts, amps) = (Uncertain::new(12.05, 0.030), Uncertain::new(1.02, 0.012));
        let ohms = volts.over(amps).unwrap();
        near(ohms.value, 11.813725490, 5e-10);
        near(ohms.u, 0.142062957, 5e-10);
        let watts = volts * amps;
        near(watts.value, 12.291, 1e-12);
        near(watts.u, 0.147802300, 5e-10);
        near(Uncertain::new(24.10, 0.060).over(Uncertain::new(1.25, 0.020)).unwrap().u, 0.312192105, 5e-10);
    }

    #[test]
    fn the_multimeter_example_of_ea_4_02() {
        // EA-4/02 M:2013 S9, hand-held multimeter at 100 V DC, from memory: prints 0.030 V.
        let indicated = Uncertain::rectangular(100.1, 0.1 / 2.0);
        let applied = Uncertain::new(100.0, 0.002 / 2.0) + Uncertain::rectangular(0.0, 0.011);
        near(indicated.u, 0.028868, 5e-7);
        let error = indicated - applied;
        near(error.value, 0.1, 1e-12);
        near(error.u, 0.029575, 5e-7);
    }

    #[test]
    fn a_zero_is_never_divided_by() {
        assert_eq!(Uncertain::exact(1.0).over(Uncertain::new(0.0, 0.1)), None);
        // A quotient of zero keeps its uncertainty.
        assert_eq!(Uncertain::new(0.0, 0.1).over(Uncertain::exact(2.0)), Some(Uncertain::new(0.0, 0.05)));
    }

    #[test]
    fn signs_leave_the_uncertainty_positive() {
        assert_eq!(Uncertain::new(2.0, -0.1), Uncertain { value: 2.0, u: 0.1 });
        assert_eq!(Uncertain::new(-2.0, 0.1) * -2.0, Uncertain { value: 4.0, u: 0.2 });
        assert_eq!(Uncertain::exact(3.0) - Uncertain::exact(1.0), Uncertain::exact(2.0));
    }
}
