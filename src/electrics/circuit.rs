//! One coil's circuit as a whole: how much resistance it has beyond the coil, and on which side.
//!
//! Feed volts and coil ohms, both measured without load, predict the amps. What is missing when the
//! coil is held on is resistance that only shows under load, and the drops measured meanwhile show
//! where it is. Ohm's law and JCGM 100:2008 5.1.2; no wording and no verdicts here.

use super::Uncertain;

/// What was measured on one circuit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct MeasuredCircuit {
    /// Volts of the source in V: across its terminals, so that feed and ground both lie outside.
    pub source_v: Uncertain,
    /// The coil alone in Ω, at the temperature it has when the amps are measured.
    pub coil_ohms: Uncertain,
    /// The current in A with the coil held on.
    pub amps: Uncertain,
    /// The drops at that current.
    pub drops: Drops,
    /// Relative standard uncertainty (1 = 100 %) of the gain of the one meter that measured source
    /// and drops. It is then *not* in their own `u`; zero where it is, or where meters differ.
    pub volts_gain_u: f64,
}

/// Drops in V, measured with the coil held on; `None` where nothing was measured.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Drops {
    /// From the source's plus to the coil's connector.
    pub feed: Option<Uncertain>,
    /// Across the connector itself.
    pub connector: Option<Uncertain>,
    /// From the connector to the source's minus.
    pub ground: Option<Uncertain>,
}

/// Where volts are lost.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Side {
    /// Between the source's plus and the connector.
    Feed,
    /// In the connector.
    Connector,
    /// Between the connector and the source's minus.
    Ground,
    /// Where nothing was measured, or in the coil itself.
    Unmeasured,
}

/// What is lost in one place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Loss {
    /// In V.
    pub volts: Uncertain,
    /// The resistance that this takes, in Ω.
    pub ohms: Uncertain,
    /// The heat made there, in W.
    pub watts: Uncertain,
}

/// The whole circuit, drawn up.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Balance {
    /// What source and coil alone would draw, in A.
    pub expected_a: Uncertain,
    /// All that is lost outside of the coil: V - I R, V/I - R, I V - I² R.
    pub lost: Loss,
    /// What was measured, side by side, with its share of the loss (see [`SideLoss::share`]).
    pub parts: Vec<SideLoss>,
}

/// One side's part of the loss. The last of a [`Balance`] is [`Side::Unmeasured`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct SideLoss {
    /// Where.
    pub side: Side,
    /// What is lost there. Negative volts in the unmeasured part mean that more was measured than is
    /// missing: the coil may be warmer or the source lower than it was.
    pub loss: Loss,
    /// Its share of all that is lost (1 = 100 %). `None` where the loss itself is not sure: below
    /// twice its standard uncertainty.
    pub share: Option<Uncertain>,
}

/// Measurements that allow no conclusion about a series resistance.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub(crate) enum CircuitError {
    /// No current: the circuit is open, or the meter is the wrong way round.
    #[error("found {amps} A, expected more than zero")]
    NoCurrent {
        /// What was measured, in A.
        amps: f64,
    },
    /// No coil.
    #[error("found {ohms} ohm, expected more than zero")]
    NoCoil {
        /// What was measured, in Ω.
        ohms: f64,
    },
}

impl MeasuredCircuit {
    /// Draws up the balance.
    ///
    /// # Errors
    /// [`CircuitError`] unless current and coil resistance are more than zero.
    pub(crate) fn balance(&self) -> Result<Balance, CircuitError> {
        if self.amps.value.is_nan() || self.amps.value <= 0.0 {
            return Err(CircuitError::NoCurrent { amps: self.amps.value });
        }
        let expected_a =
            super::current(self.source_v, self.coil_ohms).ok_or(CircuitError::NoCoil { ohms: self.coil_ohms.value })?;
        let gain_u = self.volts_gain_u;
        let expected_a = expected_a.widened(expected_a.value * gain_u);
        let lost = self.beyond_coil(super::same_gain(&[(1.0, self.source_v)], gain_u));

        let sides =
            [(Side::Feed, self.drops.feed), (Side::Connector, self.drops.connector), (Side::Ground, self.drops.ground)];
        let measured: Vec<(Side, Uncertain)> =
            sides.into_iter().filter_map(|(side, drop)| Some((side, drop?))).collect();
        let sum = measured.iter().fold(Uncertain::exact(0.0), |sum, (_, drop)| sum + *drop);
        let mut parts: Vec<SideLoss> = measured
            .into_iter()
            .map(|(side, drop)| SideLoss { side, loss: self.measured(drop), share: self.share(drop, lost.volts) })
            .collect();
        let rest = super::same_gain(&[(1.0, self.source_v), (-1.0, sum)], gain_u);
        parts.push(SideLoss {
            side: Side::Unmeasured,
            loss: self.beyond_coil(rest),
            share: self.share(sum, lost.volts).map(|share| Uncertain::new(1.0 - share.value, share.u)),
        });
        Ok(Balance { expected_a, lost, parts })
    }

    /// The loss if `volts` stand across the coil and what is unknown.
    fn beyond_coil(&self, volts: Uncertain) -> Loss {
        let (v, r, i) = (volts.value, self.coil_ohms, self.amps);
        Loss {
            volts: volts - r * i,
            ohms: Uncertain::new(v / i.value - r.value, volts.u / i.value)
                .widened(v / i.value.powi(2) * i.u)
                .widened(r.u),
            watts: Uncertain::new(i.value * (v - i.value * r.value), i.value * volts.u)
                .widened((v - 2.0 * i.value * r.value) * i.u)
                .widened(i.value.powi(2) * r.u),
        }
    }

    /// The loss behind a measured drop, whose gain is the meter's.
    fn measured(&self, drop: Uncertain) -> Loss {
        let volts = super::same_gain(&[(1.0, drop)], self.volts_gain_u);
        Loss {
            volts,
            ohms: Uncertain::new(volts.value / self.amps.value, volts.u / self.amps.value)
                .widened(volts.value / self.amps.value.powi(2) * self.amps.u),
            watts: volts * self.amps,
        }
    }

    /// d/(V - I R), where a common gain moves d and V together.
    fn share(&self, drop: Uncertain, lost: Uncertain) -> Option<Uncertain> {
        if lost.value <= 2.0 * lost.u || lost.value <= 0.0 {
            return None;
        }
        let share = drop.value / lost.value;
        let own = self.source_v - self.coil_ohms * self.amps;
        Some(
            Uncertain::new(share, drop.u / lost.value)
                .widened(share / lost.value * own.u)
                .widened(share * (1.0 - self.source_v.value / lost.value) * self.volts_gain_u),
        )
    }
}

impl Balance {
    /// The part of one side, `None` where nothing was measured there.
    pub(crate) fn part(&self, side: Side) -> Option<&SideLoss> {
        self.parts.iter().find(|part| part.side == side)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::electrics::checks::{near, number, rows};

    /// A circuit of 12.8 V and 6.2 Ω in series with `feed`, `connector`, `ground` and `hidden` Ω, as
    /// exact as given, from Ohm's law.
    fn planted(feed: f64, connector: f64, ground: f64, hidden: f64, relative_u: f64) -> MeasuredCircuit {
        let amps = 12.8 / (6.2 + feed + connector + ground + hidden);
        let sure = |value: f64| Uncertain::new(value, value * relative_u);
        let drop = |ohms: f64| Some(Uncertain::new(amps * ohms, 0.001));
        MeasuredCircuit {
            source_v: sure(12.8),
            coil_ohms: sure(6.2),
            amps: sure(amps),
            drops: Drops { feed: drop(feed), connector: drop(connector), ground: drop(ground) },
            volts_gain_u: 0.0,
        }
    }

    /// The side on which most volts are lost; none where that loss, or all of it, is below twice its uncertainty.
    fn main_side(balance: &Balance) -> Option<Side> {
        let proven = |loss: &Loss| loss.volts.value > 0.0 && loss.volts.value > 2.0 * loss.volts.u;
        let main = balance.parts.iter().max_by(|a, b| a.loss.volts.value.total_cmp(&b.loss.volts.value))?;
        (proven(&balance.lost) && proven(&main.loss)).then_some(main.side)
    }

    #[test]
    fn resistance_beyond_the_coil() {
        // 24.10(0.060) V, 1.25(0.020) A: 19.28 Ω; against coils of 19.9(0.15) and 21.5(0.15) Ω,
        // computed with the Python package uncertainties 3.2.3.
        for (coil, extra) in [(19.9, -0.62), (21.5, -2.22)] {
            let circuit = MeasuredCircuit {
                source_v: Uncertain::new(24.10, 0.060),
                coil_ohms: Uncertain::new(coil, 0.15),
                amps: Uncertain::new(1.25, 0.020),
                drops: Drops::default(),
                volts_gain_u: 0.0,
            };
            let balance = circuit.balance().unwrap();
            near(balance.lost.ohms.value, extra, 1e-12);
            near(balance.lost.ohms.u, 0.346358067, 5e-10);
            // More current than expected: no series resistance, so no side.
            assert_eq!((main_side(&balance), balance.parts[0].share), (None, None));
        }
    }

    #[test]
    fn a_bad_ground_is_found_with_its_heat() {
        // Worked by hand: 12.8 V over 6.2 + 1.8 Ω is 1.6 A; 1.5 Ω in the ground lose 2.4 V, 3.84 W.
        let balance = planted(0.2, 0.05, 1.5, 0.05, 0.002).balance().unwrap();
        near(balance.expected_a.value, 12.8 / 6.2, 1e-12);
        near(balance.lost.volts.value, 2.88, 1e-9);
        near(balance.lost.ohms.value, 1.8, 1e-9);
        near(balance.lost.watts.value, 4.608, 1e-9);
        assert_eq!(main_side(&balance), Some(Side::Ground));
        let ground = balance.part(Side::Ground).unwrap();
        near(ground.loss.volts.value, 2.4, 1e-9);
        near(ground.loss.ohms.value, 1.5, 1e-9);
        near(ground.loss.watts.value, 3.84, 1e-9);
        near(ground.share.unwrap().value, 1.5 / 1.8, 1e-9);
        let rest = balance.part(Side::Unmeasured).unwrap();
        near(rest.loss.volts.value, 0.08, 1e-9);
        near(rest.loss.ohms.value, 0.05, 1e-9);
        near(rest.loss.watts.value, 0.128, 1e-9);
        let shares: f64 = balance.parts.iter().map(|part| part.share.unwrap().value).sum();
        near(shares, 1.0, 1e-12);
    }

    #[test]
    fn what_no_drop_accounts_for_is_unmeasured() {
        let balance = planted(0.02, 0.02, 0.02, 1.0, 0.002).balance().unwrap();
        assert_eq!(main_side(&balance), Some(Side::Unmeasured));
        let mut circuit = planted(1.0, 0.0, 0.0, 0.0, 0.002);
        assert_eq!(main_side(&circuit.balance().unwrap()), Some(Side::Feed));
        circuit.drops = Drops::default();
        let balance = circuit.balance().unwrap();
        assert_eq!((main_side(&balance), balance.parts.len()), (Some(Side::Unmeasured), 1));
        assert_eq!(balance.part(Side::Feed), None);
        near(balance.parts[0].share.unwrap().value, 1.0, 1e-12);
        assert_eq!(balance.parts[0].loss, balance.lost);
    }

    #[test]
    fn a_healthy_circuit_has_no_bad_side() {
        let balance = planted(0.01, 0.01, 0.01, 0.0, 0.005).balance().unwrap();
        assert_eq!(main_side(&balance), None);
        assert!(balance.parts.iter().all(|part| part.share.is_none()));
    }

    /// Moves one input of a circuit by a multiple of its standard uncertainty.
    type InputShift<'a> = &'a dyn Fn(&mut MeasuredCircuit, f64);

    /// What can be read off a balance.
    const RESULTS: [fn(&Balance) -> Uncertain; 9] = [
        |b| b.expected_a,
        |b| b.lost.volts,
        |b| b.lost.ohms,
        |b| b.lost.watts,
        |b| b.part(Side::Ground).unwrap().loss.watts,
        |b| b.part(Side::Ground).unwrap().share.unwrap(),
        |b| b.part(Side::Unmeasured).unwrap().loss.ohms,
        |b| b.part(Side::Unmeasured).unwrap().loss.watts,
        |b| b.part(Side::Unmeasured).unwrap().share.unwrap(),
    ];

    #[test]
    fn every_uncertainty_agrees_with_a_numerical_one() {
        // JCGM 100 5.1.3 note 2: half the change between each input lower and higher by its u.
        let mut circuit = planted(0.3, 0.1, 0.9, 0.2, 0.001);
        circuit.volts_gain_u = 0.002;
        let balance = circuit.balance().unwrap();
        let shift =
            |drop: &mut Option<Uncertain>, sign: f64| *drop = drop.map(|d| Uncertain::new(d.value + sign * d.u, d.u));
        let inputs: [InputShift; 7] = [
            &|c, sign| c.source_v.value += sign * c.source_v.u,
            &|c, sign| c.coil_ohms.value += sign * c.coil_ohms.u,
            &|c, sign| c.amps.value += sign * c.amps.u,
            &|c, sign| shift(&mut c.drops.feed, sign),
            &|c, sign| shift(&mut c.drops.connector, sign),
            &|c, sign| shift(&mut c.drops.ground, sign),
            &|c, sign| {
                let gain = 1.0 + sign * c.volts_gain_u;
                c.source_v.value *= gain;
                for drop in [&mut c.drops.feed, &mut c.drops.connector, &mut c.drops.ground] {
                    *drop = drop.map(|d| Uncertain::new(d.value * gain, d.u));
                }
            },
        ];
        for (place, result) in RESULTS.into_iter().enumerate() {
            let variance: f64 = inputs
                .iter()
                .map(|input| {
                    let [lower, higher] = [-1.0, 1.0].map(|sign| {
                        let mut shifted = circuit;
                        input(&mut shifted, sign);
                        result(&shifted.balance().unwrap()).value
                    });
                    (0.5 * (higher - lower)).powi(2)
                })
                .sum();
            let ratio = result(&balance).u / variance.sqrt();
            assert!((ratio - 1.0).abs() < 1e-3, "result {place}: {ratio}");
        }
    }

    #[test]
    fn a_reference_library_has_the_same_uncertainties() {
        // GTC 1.5.1 (Measurement Standards Laboratory of New Zealand), by the script beside the data; source and
        // drops share one voltmeter's gain.
        for row in rows(include_str!("../../tests/data/gtc/balance.csv")) {
            let cells: Vec<f64> = row.into_iter().map(number).collect();
            let (given, expected) = cells.split_at(11);
            let input = |at: usize| Uncertain::new(given[2 * at], given[2 * at + 1]);
            let drops = Drops { feed: Some(input(3)), connector: None, ground: Some(input(4)) };
            let (source_v, coil_ohms, amps) = (input(0), input(1), input(2));
            let balance =
                MeasuredCircuit { source_v, coil_ohms, amps, drops, volts_gain_u: given[10] }.balance().unwrap();
            let [feed, ground, rest] =
                [Side::Feed, Side::Ground, Side::Unmeasured].map(|side| balance.part(side).unwrap());
            let found = [
                balance.expected_a,
                balance.lost.volts,
                balance.lost.ohms,
                balance.lost.watts,
                feed.share.unwrap(),
                ground.loss.ohms,
                ground.loss.watts,
                ground.share.unwrap(),
                rest.loss.ohms,
            ];
            assert_eq!(expected.len(), 2 * found.len());
            for (found, expected) in found.iter().zip(expected.chunks(2)) {
                near(found.value, expected[0], 1e-9);
                near(found.u, expected[1], 1e-9);
            }
        }
    }

    #[test]
    fn one_meters_gain_cancels_from_the_share() {
        // With a share near one, source and drop move together; independent gains would not.
        let mut circuit = planted(0.0, 0.0, 6.0, 0.0, 0.0);
        circuit.drops = Drops { ground: circuit.drops.ground.map(|d| Uncertain::exact(d.value)), ..Drops::default() };
        circuit.volts_gain_u = 0.01;
        let share = circuit.balance().unwrap().part(Side::Ground).unwrap().share.unwrap();
        near(share.value, 1.0, 1e-12);
        // d/(V - I R) has the derivative (1 - V/(V - I R)) by the gain: 1 - 12.2/6 here.
        near(share.u, 0.01 * (12.2 / 6.0 - 1.0), 1e-9);
    }

    #[test]
    fn open_circuits_and_absent_coils_are_reported() {
        let mut circuit = planted(0.1, 0.1, 0.1, 0.0, 0.001);
        circuit.amps = Uncertain::new(0.0, 0.001);
        assert_eq!(circuit.balance(), Err(CircuitError::NoCurrent { amps: 0.0 }));
        circuit.amps = Uncertain::new(1.0, 0.001);
        circuit.coil_ohms = Uncertain::exact(0.0);
        assert_eq!(circuit.balance(), Err(CircuitError::NoCoil { ohms: 0.0 }));
    }
}
