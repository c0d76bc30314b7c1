//! The current of a coil that is switched on once, or on and off fast, in closed form: what tests hold the shapes of signals
//! against.
//!
//! Resistance and inductance in series have a first-order response, as any textbook of circuits has it. The inductance is taken as
//! constant: a plunger that moves shows as a notch in the rise. With a freewheel diode across the coil the current runs towards V/R
//! while the driver is on and towards -V_f/R while it is off, and if it reaches zero before the next turn it stays there (derived
//! here). An ammeter or a clamp shows the average.

/// Resistance and inductance in series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct InductiveCoil {
    /// In Ω, more than zero.
    pub ohms: f64,
    /// In H, more than zero.
    pub henries: f64,
}

impl InductiveCoil {
    /// τ = L/R in s.
    pub(crate) fn time_constant(self) -> f64 {
        self.henries / self.ohms
    }

    /// The current in A `seconds` after `volts` were switched on: i = V/R (1 - e^(-t/τ)). Zero before.
    pub(crate) fn step_current(self, volts: f64, seconds: f64) -> f64 {
        -volts / self.ohms * (-seconds.max(0.0) / self.time_constant()).exp_m1()
    }
}

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

impl PwmDrive {
    /// The current in the steady state.
    pub(crate) fn current(&self) -> PwmCurrent {
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
            return PwmCurrent::Continuous { average, least, greatest };
        }
        let greatest = on_target * on;
        let zero_after = tau * (greatest / off_target).ln_1p();
        // ∫ i dt = V/R t_on - V_f/R t_ext: the inductance gives back what it took.
        let average = (on_target * pulse - off_target * zero_after) * hertz;
        PwmCurrent::Discontinuous { average, greatest, zero_after }
    }

    /// The current in A at a time in s after a pulse began, while it never comes to rest.
    pub(crate) fn at(&self, seconds: f64) -> f64 {
        let PwmCurrent::Continuous { least, greatest, .. } = self.current() else {
            panic!("the current comes to rest: {self:?}")
        };
        let tau = self.henries / self.ohms;
        let (within, pulse) = (seconds.rem_euclid(1.0 / self.hertz), self.duty / self.hertz);
        let towards = |target: f64, from: f64, time: f64| target + (from - target) * (-time / tau).exp();
        match within < pulse {
            true => towards(self.supply_v / self.ohms, least, within),
            false => towards(-self.diode_v / self.ohms, greatest, within - pulse),
        }
    }
}

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
            let current = drive.current();
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
        let on = PwmDrive { duty: 1.0, ..DRIVE }.current();
        let PwmCurrent::Continuous { average, least, greatest } = on else { panic!("{on:?}") };
        for amps in [average, least, greatest] {
            near(amps, 1.2, 1e-12);
        }
        near(PwmDrive { duty: 0.0, ..DRIVE }.current().average(), 0.0, 0.0);
    }

    #[test]
    fn the_current_rises_as_the_table_says() {
        // Closed form, which agrees with a numerical solution by scipy 1.17.1.
        for row in rows(include_str!("../../tests/data/electrics/rl_step.csv")) {
            let coil = InductiveCoil { ohms: number(row[1]), henries: number(row[2]) };
            // The times of the table are rounded to 1 ns.
            near(coil.step_current(number(row[0]), number(row[3])), number(row[4]), 2e-7);
        }
    }

    #[test]
    fn shares_after_whole_time_constants() {
        // The universal curve 1 - e^(-t/τ).
        let coil = InductiveCoil { ohms: 2.0, henries: 2.0 };
        for (time_constants, share) in [
            (0.5, 0.3934693403),
            (1.0, 0.6321205588),
            (2.0, 0.8646647168),
            (3.0, 0.9502129316),
            (4.0, 0.9816843611),
            (5.0, 0.9932620530),
        ] {
            near(coil.step_current(2.0, time_constants), share, 5e-11);
        }
    }

    #[test]
    fn problems_of_textbooks() {
        // Textbook problem with a printed answer: 4 V, 20 Ω, 2 H, 0.2 s: 0.17 A.
        let coil = InductiveCoil { ohms: 20.0, henries: 2.0 };
        near(coil.time_constant(), 0.1, 1e-15);
        let amps = coil.step_current(4.0, 0.2);
        near(amps, 0.1729329434, 5e-11);
        // OpenStax University Physics vol. 2, example 14.4, from memory: 0.43 A after 2 τ.
        let coil = InductiveCoil { ohms: 4.0, henries: 4.0 };
        let amps = coil.step_current(2.0, 2.0);
        near(amps, 0.43, 0.005);
        // College problem sheet SP212 L28 (question only): 20 V, 2 Ω, 8 mH; answers computed.
        let coil = InductiveCoil { ohms: 2.0, henries: 8e-3 };
        near(coil.step_current(20.0, coil.time_constant()), 6.3212056, 5e-8);
        for (share, seconds) in [(0.5, 2.7725887e-3), (0.75, 5.5451774e-3), (0.875, 8.3177662e-3)] {
            near(coil.step_current(20.0, seconds), share * 10.0, 5e-7);
        }
        // 24 V, 28.8 Ω, 120 mH after 10 ms, computed with scipy 1.17.1.
        let coil = InductiveCoil { ohms: 28.8, henries: 0.12 };
        near(coil.time_constant(), 4.1666667e-3, 5e-11);
        near(coil.step_current(24.0, 0.010), 0.7577350389, 5e-11);
    }

    #[test]
    fn the_ends_of_the_rise() {
        let coil = InductiveCoil { ohms: 6.2, henries: 0.03 };
        assert_eq!(coil.step_current(12.0, -1.0), 0.0);
        near(coil.step_current(12.0, 1e9), 12.0 / 6.2, 1e-12);
    }

    proptest! {
        #[test]
        fn the_current_stays_between_rest_and_ohms_law(
            supply_v in 0.0..60.0_f64, ohms in 0.1..1e3_f64, henries in 1e-6..10.0_f64,
            hertz in 0.1..1e5_f64, duty in 0.0..=1.0_f64, diode_v in 0.0..1.5_f64,
        ) {
            let drive = PwmDrive { supply_v, ohms, henries, hertz, duty, diode_v };
            let current = drive.current();
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
