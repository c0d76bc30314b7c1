//! The current of a coil that a driver switches on and off fast, with a freewheel diode across it.
//!
//! An ammeter or a clamp shows the average. It follows from the exponential rise and decay of the
//! current in resistance and inductance (textbook; derived here): while the driver is on the current
//! runs towards V/R, while it is off towards -V_f/R through the diode, and if it reaches zero before
//! the next turn it stays there.

use super::Uncertain;

/// A driver and its coil.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct PwmDrive {
    /// The supply in V, zero or more.
    pub supply_v: f64,
    /// The coil's resistance in Ω, more than zero.
    pub ohms: f64,
    /// The coil's inductance in H, more than zero.
    pub henries: f64,
    /// How often the driver switches on, in Hz, more than zero.
    pub hertz: f64,
    /// The share of the time that it is on, 0 to 1.
    pub duty: f64,
    /// The diode's forward drop in V, zero or more.
    pub diode_v: f64,
}

/// Standard uncertainties of a [`PwmDrive`], each in its unit; zero where not stated.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct PwmUncertainty {
    /// In V.
    pub supply_v: f64,
    /// In Ω.
    pub ohms: f64,
    /// In H.
    pub henries: f64,
    /// In Hz.
    pub hertz: f64,
    /// As a share of the time.
    pub duty: f64,
    /// In V.
    pub diode_v: f64,
}

/// The current in the steady state, in A.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum PwmCurrent {
    /// It never comes to rest at zero.
    Continuous {
        /// The average over one period.
        average: f64,
        /// At the end of the pause.
        least: f64,
        /// At the end of the pulse.
        greatest: f64,
    },
    /// It is zero at the end of every pause.
    Discontinuous {
        /// The average over one period.
        average: f64,
        /// At the end of the pulse.
        greatest: f64,
        /// How long after the pulse it reaches zero, in s.
        zero_after: f64,
    },
}

impl PwmCurrent {
    /// The average over one period in A, as an ammeter shows it.
    pub(crate) fn average(self) -> f64 {
        match self {
            Self::Continuous { average, .. } | Self::Discontinuous { average, .. } => average,
        }
    }
}

/// A setting of the drive outside its range.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error("found {found} as {what}, expected {expected}")]
pub(crate) struct PwmError {
    /// Which setting.
    pub what: &'static str,
    /// What was given, in SI units.
    pub found: f64,
    /// What it should be.
    pub expected: &'static str,
}

#[cfg_attr(not(test), expect(dead_code, reason = "the check of coils on a switching driver will use it"))]
impl PwmDrive {
    /// The current in the steady state.
    ///
    /// # Errors
    /// [`PwmError`] where a setting lies outside its range.
    pub(crate) fn current(&self) -> Result<PwmCurrent, PwmError> {
        self.check()?;
        let Self { supply_v, ohms, henries, hertz, duty, diode_v } = *self;
        let tau = henries / ohms;
        let (pulse, pause) = (duty / hertz, (1.0 - duty) / hertz);
        let (on_target, off_target) = (supply_v / ohms, diode_v / ohms);
        // How much of the way to its target the current goes in the pulse, the pause and both.
        let way = |seconds: f64| -(-seconds / tau).exp_m1();
        let (on, off, both) = (way(pulse), way(pause), way(1.0 / hertz));
        let greatest = (on_target * on - off_target * (1.0 - on) * off) / both;
        let least = greatest * (1.0 - off) - off_target * off;
        if least >= 0.0 {
            let average = duty * on_target - (1.0 - duty) * off_target;
            return Ok(PwmCurrent::Continuous { average, least, greatest });
        }
        let greatest = on_target * on;
        let zero_after = tau * (greatest / off_target).ln_1p();
        // ∫ i dt = V/R t_on - V_f/R t_ext: the inductance gives back what it took.
        let average = (on_target * pulse - off_target * zero_after) * hertz;
        Ok(PwmCurrent::Discontinuous { average, greatest, zero_after })
    }

    /// The average current in A with its standard uncertainty, the settings being independent.
    ///
    /// Each contribution is half the change of the average between the setting one standard
    /// uncertainty lower and higher (JCGM 100 5.1.3 note 2), or what of that lies in its range; no
    /// divisor is taken below half of its value.
    ///
    /// # Errors
    /// As for [`PwmDrive::current`].
    pub(crate) fn average(&self, u: &PwmUncertainty) -> Result<Uncertain, PwmError> {
        let mut average = Uncertain::exact(self.current()?.average());
        let settings: [(DriveSetting, f64, f64, f64); 6] = [
            (|d| &mut d.supply_v, u.supply_v, 0.0, f64::MAX),
            (|d| &mut d.ohms, u.ohms, 0.5 * self.ohms, f64::MAX),
            (|d| &mut d.henries, u.henries, 0.5 * self.henries, f64::MAX),
            (|d| &mut d.hertz, u.hertz, 0.5 * self.hertz, f64::MAX),
            (|d| &mut d.duty, u.duty, 0.0, 1.0),
            (|d| &mut d.diode_v, u.diode_v, 0.0, f64::MAX),
        ];
        for (setting, u, least, greatest) in settings {
            let (mut lower, mut higher) = (*self, *self);
            let (low, high) = (setting(&mut lower), setting(&mut higher));
            *low = (*low - u).max(least);
            *high = (*high + u).min(greatest);
            let span = *high - *low;
            if span > 0.0 {
                let change = higher.current()?.average() - lower.current()?.average();
                average = average.widened(change / span * u);
            }
        }
        Ok(average)
    }

    fn check(&self) -> Result<(), PwmError> {
        let more_than_zero = |what, found: f64| {
            let fits = found.is_finite() && found > 0.0;
            if fits { Ok(()) } else { Err(PwmError { what, found, expected: "more than zero" }) }
        };
        let from_zero = |what, found: f64| {
            let fits = found.is_finite() && found >= 0.0;
            if fits { Ok(()) } else { Err(PwmError { what, found, expected: "zero or more" }) }
        };
        from_zero("supply voltage", self.supply_v)?;
        more_than_zero("resistance", self.ohms)?;
        more_than_zero("inductance", self.henries)?;
        more_than_zero("frequency", self.hertz)?;
        from_zero("diode drop", self.diode_v)?;
        if (0.0..=1.0).contains(&self.duty) {
            Ok(())
        } else {
            Err(PwmError { what: "duty", found: self.duty, expected: "a share from 0 to 1" })
        }
    }
}

/// One setting of a drive, to be varied.
type DriveSetting = fn(&mut PwmDrive) -> &mut f64;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::electrics::checks::{near, number, rows};
    use proptest::prelude::*;

    const DRIVE: PwmDrive =
        PwmDrive { supply_v: 24.0, ohms: 20.0, henries: 0.06, hertz: 500.0, duty: 0.5, diode_v: 0.7 };

    #[test]
    fn switched_coils_of_the_table() {
        // Closed form, which agrees with scipy 1.17.1 solve_ivp within 1e-9 A.
        for row in rows(include_str!("../../tests/data/electrics/pwm_coil.csv")) {
            let drive = PwmDrive {
                supply_v: number(row[0]),
                ohms: number(row[1]),
                henries: number(row[2]),
                hertz: number(row[3]),
                duty: number(row[4]),
                diode_v: number(row[5]),
            };
            let expected = [row[7], row[8], row[9]].map(number);
            let current = drive.current().unwrap();
            near(current.average(), expected[0], 6e-10);
            match (row[6], current) {
                ("CCM", PwmCurrent::Continuous { least, greatest, .. }) => {
                    near(least, expected[1], 6e-10);
                    near(greatest, expected[2], 6e-10);
                }
                ("DCM", PwmCurrent::Discontinuous { greatest, zero_after, .. }) => {
                    near(greatest, expected[2], 6e-10);
                    near(zero_after, number(row[10]), 6e-10);
                }
                _ => panic!("{row:?} came out as {current:?}"),
            }
        }
    }

    #[test]
    fn fully_on_and_fully_off() {
        let on = PwmDrive { duty: 1.0, ..DRIVE }.current().unwrap();
        let PwmCurrent::Continuous { average, least, greatest } = on else { panic!("{on:?}") };
        for amps in [average, least, greatest] {
            near(amps, 1.2, 1e-12);
        }
        near(PwmDrive { duty: 0.0, ..DRIVE }.current().unwrap().average(), 0.0, 0.0);
    }

    #[test]
    fn uncertainty_while_the_current_flows_on() {
        // I = (D V - (1 - D) V_f)/R has the partial derivatives D/R, -I/R, (V + V_f)/R, -(1 - D)/R;
        // inductance and frequency do not count.
        let u = PwmUncertainty { supply_v: 0.1, ohms: 0.2, henries: 0.01, hertz: 5.0, duty: 0.01, diode_v: 0.1 };
        let average = DRIVE.average(&u).unwrap();
        near(average.value, 0.5825, 1e-12);
        let parts = [0.5 / 20.0 * 0.1, 0.5825 / 20.0 * 0.2, 24.7 / 20.0 * 0.01, 0.5 / 20.0 * 0.1];
        near(average.u, parts.iter().map(|part| part * part).sum::<f64>().sqrt(), 1e-6);
    }

    #[test]
    fn uncertainty_where_the_current_comes_to_rest() {
        // Now the inductance counts: it sets how long the diode conducts.
        let drive = PwmDrive { ohms: 25.0, henries: 0.01, hertz: 100.0, duty: 0.1, ..DRIVE };
        let average = drive.average(&PwmUncertainty { henries: 0.001, ..Default::default() }).unwrap();
        assert!(average.u > 1e-5, "{average:?}");
        // At the end of a range only the half that exists is used.
        let off = PwmDrive { duty: 0.0, ..drive };
        let average = off.average(&PwmUncertainty { duty: 0.01, ..Default::default() }).unwrap();
        assert!(average.value == 0.0 && average.u > 0.0);
        assert_eq!(drive.average(&PwmUncertainty::default()).unwrap().u, 0.0);
    }

    #[test]
    fn drives_that_make_no_sense_are_reported() {
        let error = PwmDrive { duty: 1.5, ..DRIVE }.current().unwrap_err();
        assert_eq!(error.to_string(), "found 1.5 as duty, expected a share from 0 to 1");
        assert!(PwmDrive { duty: f64::NAN, ..DRIVE }.current().is_err());
        assert_eq!(PwmDrive { ohms: 0.0, ..DRIVE }.current().unwrap_err().what, "resistance");
        assert_eq!(PwmDrive { henries: -1.0, ..DRIVE }.current().unwrap_err().what, "inductance");
        assert_eq!(PwmDrive { hertz: f64::INFINITY, ..DRIVE }.current().unwrap_err().what, "frequency");
        assert_eq!(PwmDrive { supply_v: -1.0, ..DRIVE }.current().unwrap_err().what, "supply voltage");
        assert_eq!(PwmDrive { diode_v: -0.1, ..DRIVE }.current().unwrap_err().what, "diode drop");
    }

    proptest! {
        #[test]
        fn the_current_stays_between_rest_and_ohms_law(
            supply_v in 0.0..60.0_f64, ohms in 0.1..1e3_f64, henries in 1e-6..10.0_f64,
            hertz in 0.1..1e5_f64, duty in 0.0..=1.0_f64, diode_v in 0.0..1.5_f64,
        ) {
            let drive = PwmDrive { supply_v, ohms, henries, hertz, duty, diode_v };
            let current = drive.current().unwrap();
            let full = supply_v / ohms;
            prop_assert!(current.average() >= -1e-9 && current.average() <= full + 1e-9, "{:?}", current);
            match current {
                PwmCurrent::Continuous { average, least, greatest } => {
                    prop_assert!(least <= average + 1e-9 * full && average <= greatest + 1e-9 * full, "{:?}", current);
                }
                PwmCurrent::Discontinuous { average, greatest, zero_after } => {
                    prop_assert!(average <= greatest + 1e-9 * full, "{:?}", current);
                    prop_assert!(zero_after <= (1.0 - duty) / hertz * (1.0 + 1e-6), "{:?}", current);
                }
            }
        }
    }
}
