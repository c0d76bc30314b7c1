//! A coil held on: the current it should draw, its power, and how the current rises.
//!
//! Ohm's and Joule's laws, and the first-order response of resistance and inductance, as any textbook
//! of circuits has them. The inductance is taken as constant: a plunger that moves shows as a notch in
//! the rise, which this file knows nothing of. Switched coils are in `PwmDrive`.

use super::Uncertain;

/// The steady current in A that `volts` drive through `ohms`: I = V/R. `None` unless the resistance
/// is more than zero.
pub(crate) fn current(volts: Uncertain, ohms: Uncertain) -> Option<Uncertain> {
    if ohms.value > 0.0 { volts.over(ohms) } else { None }
}

/// The power in W that `volts` drive through `ohms`: P = V²/R, where the current is not measured but follows
/// from the two. `None` unless the resistance is more than zero.
pub(crate) fn power_at(volts: Uncertain, ohms: Uncertain) -> Option<Uncertain> {
    let square = Uncertain::new(volts.value * volts.value, 2.0 * volts.value * volts.u);
    if ohms.value > 0.0 { square.over(ohms) } else { None }
}

/// A resistance or inductance that no coil has.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub(crate) enum CoilError {
    /// The resistance is not more than zero.
    #[error("found {found} ohm, expected more than zero")]
    Resistance {
        /// What was given, in Ω.
        found: f64,
    },
    /// The inductance is not more than zero.
    #[error("found {found} H, expected more than zero")]
    Inductance {
        /// What was given, in H.
        found: f64,
    },
}

/// Resistance and inductance in series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct InductiveCoil {
    /// In Ω, more than zero.
    ohms: f64,
    /// In H, more than zero.
    henries: f64,
}

#[cfg_attr(not(test), expect(dead_code, reason = "the plot of a coil's switch-on current will use it"))]
impl InductiveCoil {
    /// A coil of this resistance in Ω and inductance in H.
    ///
    /// # Errors
    /// [`CoilError`] unless both are finite and more than zero.
    pub(crate) fn new(ohms: f64, henries: f64) -> Result<Self, CoilError> {
        if !(ohms.is_finite() && ohms > 0.0) {
            return Err(CoilError::Resistance { found: ohms });
        }
        if !(henries.is_finite() && henries > 0.0) {
            return Err(CoilError::Inductance { found: henries });
        }
        Ok(Self { ohms, henries })
    }

    /// τ = L/R in s.
    pub(crate) fn time_constant(self) -> f64 {
        self.henries / self.ohms
    }

    /// The current in A `seconds` after `volts` were switched on: i = V/R (1 - e^(-t/τ)). Zero before.
    pub(crate) fn step_current(self, volts: f64, seconds: f64) -> f64 {
        -volts / self.ohms * (-seconds.max(0.0) / self.time_constant()).exp_m1()
    }

    /// The time in s until the current has reached a share of its final value (0.9 for 90 %):
    /// t = -τ ln(1 - share). `None` unless the share is from 0 to below 1.
    pub(crate) fn time_to_share(self, share: f64) -> Option<f64> {
        (0.0..1.0).contains(&share).then(|| -self.time_constant() * (-share).ln_1p())
    }

    /// The energy in J held at a current in A, which the suppression takes up at switch-off: L i²/2.
    pub(crate) fn energy(self, amps: f64) -> f64 {
        0.5 * self.henries * amps * amps
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::electrics::checks::{near, number, rows};

    #[test]
    fn valve_coils_draw_what_the_trade_expects() {
        // Common practice, no source: near 2.08 A, 1.03 A and 0.444 A at 12.87 V.
        let feed = Uncertain::exact(12.87);
        for (ohms, amps, printed) in [(6.2, 2.08, 0.005), (12.5, 1.03, 0.005), (29.0, 0.444, 0.0005)] {
            near(current(feed, Uncertain::exact(ohms)).unwrap().value, amps, printed);
        }
        assert_eq!(current(feed, Uncertain::exact(0.0)), None);
        assert_eq!(current(feed, Uncertain::exact(-1.0)), None);
    }

    #[test]
    fn expected_amps_are_as_sure_as_volts_and_ohms() {
        // Relative uncertainties of a quotient add in quadrature, JCGM 100 5.1.6.
        let amps = current(Uncertain::new(12.87, 0.0386), Uncertain::new(6.2, 0.0620)).unwrap();
        near(amps.u / amps.value, (0.0386_f64 / 12.87).hypot(0.01), 1e-12);
    }

    #[test]
    fn power_from_volts_and_ohms() {
        // 12 V across 6 Ω make 24 W; 1 % of the volts counts twice, JCGM 100 5.1.6.
        let watts = power_at(Uncertain::new(12.0, 0.12), Uncertain::new(6.0, 0.06)).unwrap();
        near(watts.value, 24.0, 1e-12);
        near(watts.u / watts.value, 0.02_f64.hypot(0.01), 1e-12);
        assert_eq!(power_at(Uncertain::exact(12.0), Uncertain::exact(0.0)), None);
    }

    #[test]
    fn the_current_rises_as_the_table_says() {
        // Closed form, which agrees with a numerical solution by scipy 1.17.1.
        for row in rows(include_str!("../../tests/data/electrics/rl_step.csv")) {
            let coil = InductiveCoil::new(number(row[1]), number(row[2])).unwrap();
            // The times of the table are rounded to 1 ns.
            near(coil.step_current(number(row[0]), number(row[3])), number(row[4]), 2e-7);
        }
    }

    #[test]
    fn shares_after_whole_time_constants() {
        // The universal curve 1 - e^(-t/τ), and its rise from 10 to 90 % in ln 9 time constants.
        let coil = InductiveCoil::new(2.0, 2.0).unwrap();
        for (time_constants, share) in [
            (0.5, 0.3934693403),
            (1.0, 0.6321205588),
            (2.0, 0.8646647168),
            (3.0, 0.9502129316),
            (4.0, 0.9816843611),
            (5.0, 0.9932620530),
        ] {
            near(coil.step_current(2.0, time_constants), share, 5e-11);
            near(coil.time_to_share(share).unwrap(), time_constants, 1e-8);
        }
        near(coil.time_to_share(0.9).unwrap() - coil.time_to_share(0.1).unwrap(), 2.1972245773, 5e-11);
    }

    #[test]
    fn problems_of_textbooks() {
        // Textbook problem with a printed answer: 4 V, 20 Ω, 2 H, 0.2 s: 0.17 A, 0.03 J.
        let coil = InductiveCoil::new(20.0, 2.0).unwrap();
        near(coil.time_constant(), 0.1, 1e-15);
        let amps = coil.step_current(4.0, 0.2);
        near(amps, 0.1729329434, 5e-11);
        near(coil.energy(amps), 0.03, 0.005);
        near(coil.energy(amps), 0.0299058, 5e-8);
        // OpenStax University Physics vol. 2, example 14.4, from memory: 0.43 A, 0.37 J after 2 τ.
        let coil = InductiveCoil::new(4.0, 4.0).unwrap();
        let amps = coil.step_current(2.0, 2.0);
        near(amps, 0.43, 0.005);
        near(coil.energy(amps), 0.3738225, 5e-8);
        // College problem sheet SP212 L28 (question only): 20 V, 2 Ω, 8 mH; answers computed.
        let coil = InductiveCoil::new(2.0, 8e-3).unwrap();
        near(coil.step_current(20.0, coil.time_constant()), 6.3212056, 5e-8);
        for (share, seconds) in [(0.5, 2.7725887e-3), (0.75, 5.5451774e-3), (0.875, 8.3177662e-3)] {
            near(coil.time_to_share(share).unwrap(), seconds, 5e-11);
        }
        // 24 V, 28.8 Ω, 120 mH after 10 ms, computed with scipy 1.17.1.
        let coil = InductiveCoil::new(28.8, 0.12).unwrap();
        near(coil.time_constant(), 4.1666667e-3, 5e-11);
        near(coil.step_current(24.0, 0.010), 0.7577350389, 5e-11);
    }

    #[test]
    fn the_ends_of_the_rise() {
        let coil = InductiveCoil::new(6.2, 0.03).unwrap();
        assert_eq!(coil.step_current(12.0, -1.0), 0.0);
        near(coil.step_current(12.0, 1e9), 12.0 / 6.2, 1e-12);
        assert_eq!(coil.time_to_share(0.0), Some(0.0));
        assert_eq!((coil.time_to_share(1.0), coil.time_to_share(-0.1)), (None, None));
    }

    #[test]
    fn coils_that_make_no_sense_are_reported() {
        assert_eq!(InductiveCoil::new(0.0, 1.0), Err(CoilError::Resistance { found: 0.0 }));
        assert_eq!(InductiveCoil::new(1.0, -1.0), Err(CoilError::Inductance { found: -1.0 }));
        assert!(InductiveCoil::new(f64::INFINITY, 1.0).is_err() && InductiveCoil::new(1.0, f64::NAN).is_err());
    }
}
