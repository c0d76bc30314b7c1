//! Copper: its resistivity, and how its resistance goes with temperature.
//!
//! Temperatures are in °C. The rule in use is a straight line through the temperature at which the resistance
//! would vanish, R₂/R₁ = (K + T₂)/(K + T₁), with K from IEC 60028. Other standards round K to 230, 234.5 or 235;
//! mixing two rules costs up to 0.3 %. The line holds for usual machine temperatures, about -50 to 200 °C.

use super::Uncertain;

/// Resistivity of annealed copper at 20 °C in Ω·m: 1/58 Ω·mm²/m, IEC 60028:1925.
pub(crate) const RHO_20: f64 = 1e-6 / 58.0;

/// Temperature coefficient of annealed copper's resistance at 20 °C in 1/K, IEC 60028:1925.
const ALPHA_20: f64 = 0.00393;

/// A rule for copper's resistance over temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Copper {
    /// K: the resistance would vanish at -K °C.
    inferred_zero: f64,
}

impl Copper {
    /// Annealed copper, α₂₀ = 0.00393 /K (K = 234.45), IEC 60028:1925. The rule for coils and wires here.
    pub(crate) fn iec_60028() -> Self {
        Self { inferred_zero: 1.0 / ALPHA_20 - 20.0 }
    }

    /// The coefficient in 1/K for resistances given at `reference` °C: α = 1/(K + T). `None` at or
    /// below the temperature where the resistance vanishes.
    pub(crate) fn alpha_at(self, reference: f64) -> Option<f64> {
        let span = self.inferred_zero + reference;
        (span > 0.0).then(|| 1.0 / span)
    }

    /// R(`to`)/R(`from`), both in °C. `None` where either is at or below the temperature at which the
    /// resistance vanishes.
    pub(crate) fn ratio(self, from: f64, to: f64) -> Option<f64> {
        let (span_from, span_to) = (self.inferred_zero + from, self.inferred_zero + to);
        (span_from > 0.0 && span_to > 0.0).then(|| span_to / span_from)
    }

    /// The resistance that `ohms`, measured at `at` °C, will have at `reference` °C, in Ω. The
    /// uncertainties of the resistance and the temperature are propagated (JCGM 100 5.1.2).
    /// `None` as for [`Copper::ratio`].
    pub(crate) fn correct(self, ohms: Uncertain, at: Uncertain, reference: f64) -> Option<Uncertain> {
        let ratio = self.ratio(at.value, reference)?;
        let span = self.inferred_zero + at.value;
        let corrected = Uncertain::new(ohms.value * ratio, ohms.u * ratio);
        Some(corrected.widened(corrected.value / span * at.u))
    }

    /// The temperature in °C that makes `ohms` of a part that has `nominal` at `reference` °C:
    /// T = R/R_ref (K + T_ref) - K. `None` unless both resistances are more than zero and the
    /// reference lies above the temperature at which resistance vanishes.
    ///
    /// The answer may lie far outside of what a machine can have: that is its use.
    pub(crate) fn explaining_temperature(
        self,
        ohms: Uncertain,
        nominal: Uncertain,
        reference: f64,
    ) -> Option<Uncertain> {
        let span = 1.0 / self.alpha_at(reference)?;
        if ohms.value <= 0.0 {
            return None;
        }
        let ratio = (nominal.value > 0.0).then(|| ohms.over(nominal)).flatten()?;
        Some(Uncertain::new(ratio.value * span - self.inferred_zero, ratio.u * span))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::electrics::checks::{near, number, rows};
    use proptest::prelude::*;

    #[test]
    fn resistivity_agrees_with_mass_resistivity() {
        // IACS 1914 and NBS Handbook 100 as quoted: 0.15328 Ω·g/m² over 8.89 g/cm³.
        near(RHO_20, 0.0172413793e-6, 1e-16);
        near(RHO_20 / (0.15328 / 8.89e6), 1.0, 5e-5);
    }

    #[test]
    fn ratios_over_temperature() {
        // Computed from the rule of IEC 60028.
        for row in rows(include_str!("../../tests/data/electrics/copper_temperature.csv")) {
            let celsius = number(row[0]);
            let ours = Copper::iec_60028();
            near(ours.ratio(20.0, celsius).unwrap(), number(row[1]), 5e-7);
            near(ours.ratio(celsius, 20.0).unwrap(), number(row[2]), 5e-7);
        }
    }

    #[test]
    fn coefficients_of_copper() {
        // Computed from α₂₀ = 0.00393; the zero of -234.45 °C is known from NBS Handbook 100.
        let copper = Copper::iec_60028();
        near(copper.inferred_zero, 234.4529, 5e-5);
        near(copper.alpha_at(20.0).unwrap(), 0.00393, 1e-15);
        near(copper.alpha_at(0.0).unwrap(), 0.0042652485, 5e-11);
        near(copper.alpha_at(25.0).unwrap(), 0.0038542637, 5e-11);
    }

    #[test]
    fn a_warm_coil_is_corrected() {
        // 14.2(0.12) Ω at 63(2) °C, computed with the Python package uncertainties 3.2.3.
        let (ohms, at) = (Uncertain::new(14.2, 0.12), Uncertain::new(63.0, 2.0));
        let corrected = Copper::iec_60028().correct(ohms, at, 20.0).unwrap();
        near(corrected.value, 12.147238214, 5e-10);
        near(corrected.u, 0.131180756, 5e-10);
    }

    #[test]
    fn a_coil_at_the_reference_temperature_stays_as_it_is() {
        let copper = Copper::iec_60028();
        let same = copper.correct(Uncertain::exact(14.2), Uncertain::exact(20.0), 20.0).unwrap();
        assert_eq!(same, Uncertain::exact(14.2));
        let hot = copper.explaining_temperature(Uncertain::exact(14.2), Uncertain::exact(14.2), 20.0).unwrap();
        near(hot.value, 20.0, 1e-9);
        assert_eq!(hot.u, 0.0);
    }

    #[test]
    fn what_makes_no_sense_has_no_answer() {
        let copper = Copper::iec_60028();
        let coil = Uncertain::exact(6.2);
        assert_eq!(copper.ratio(20.0, -235.0), None);
        assert_eq!(copper.alpha_at(-300.0), None);
        assert_eq!(copper.correct(coil, Uncertain::exact(-300.0), 20.0), None);
        assert_eq!(copper.explaining_temperature(Uncertain::exact(0.0), coil, 20.0), None);
        assert_eq!(copper.explaining_temperature(coil, Uncertain::exact(0.0), 20.0), None);
        assert_eq!(copper.explaining_temperature(coil, coil, -300.0), None);
    }

    proptest! {
        #[test]
        fn the_explaining_temperature_undoes_the_correction(
            ohms in 0.1..1000.0_f64, at in -50.0..200.0_f64, u in 0.0..5.0_f64,
        ) {
            let copper = Copper::iec_60028();
            let reference = copper.correct(Uncertain::exact(ohms), Uncertain::new(at, u), 20.0).unwrap();
            let back = copper
                .explaining_temperature(Uncertain::exact(ohms), Uncertain::exact(reference.value), 20.0)
                .unwrap();
            prop_assert!((back.value - at).abs() < 1e-9);
            // The temperature's uncertainty, carried to ohms and back.
            let back = copper.explaining_temperature(Uncertain::exact(ohms), reference, 20.0).unwrap();
            prop_assert!((back.u - u).abs() < 1e-9 * (1.0 + u));
        }
    }
}
