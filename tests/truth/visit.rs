//! A visit: the steps of a procedure on one machine, the meters' errors, and at times a human mistake.

use bayline::{
    electrics::Uncertain,
    procedure::{Driver, DriverSide},
    session::findings::{Observation, ObservationSet, Role, RunningLoads, SharedGainError},
    units::{Limit, Measure},
};

use crate::{
    dice::Dice,
    machine::{Driven, Fault, Machine, Probe, Side},
    spice::Deck,
};

/// What a person did wrong.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Mistake {
    None,
    Exchanged,
    Slipped,
    Reversed,
    Dead,
    NotZeroed,
    LeadsNotNulled,
    WeakMeter,
    EngineStarted,
}

impl Mistake {
    pub(crate) const ALL: [Self; 8] = [
        Self::Exchanged,
        Self::Slipped,
        Self::Reversed,
        Self::Dead,
        Self::NotZeroed,
        Self::LeadsNotNulled,
        Self::WeakMeter,
        Self::EngineStarted,
    ];
}

/// How much is measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Procedure {
    /// Feed, ohms, amps and both drops of each coil, and the shared ground: `contrib`'s valve coils at the connector.
    Connector,
    /// The same with supply, draw and ohms to ground.
    Whole,
}

/// One step.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Step {
    pub probe: Probe,
    pub driven: Driven,
}

/// A visit before its meters are read.
pub(crate) struct Visit {
    pub machine: Machine,
    pub steps: Vec<Step>,
    pub mistake: Mistake,
    dice: Dice,
}

impl Visit {
    pub(crate) fn new(mut machine: Machine, procedure: Procedure, mistake: Mistake, mut dice: Dice) -> Self {
        let coils = machine.branches.len();
        let mut steps: Vec<Step> = Vec::new();
        let mut add = |probe, driven| steps.push(Step { probe, driven });
        if procedure == Procedure::Whole {
            add(Probe::Post, Driven::Nothing);
        }
        for at in 0..coils {
            add(Probe::FeedPin(at), Driven::Unplugged(at));
        }
        for at in 0..coils {
            add(Probe::CoilOhms(at), Driven::Nothing);
            if procedure == Procedure::Whole && !machine.is_low_side {
                add(Probe::ToGround(at), Driven::Nothing);
            }
        }
        for at in 0..coils {
            if procedure == Procedure::Whole {
                add(Probe::Clamp(at), Driven::Nothing);
            }
            add(Probe::Clamp(at), Driven::One(at));
            add(Probe::FeedDrop(at), Driven::One(at));
            add(Probe::GroundDrop(at), Driven::One(at));
        }
        add(Probe::Stud, Driven::Everything);
        if procedure == Procedure::Whole {
            add(Probe::Post, Driven::Everything);
        }
        if mistake == Mistake::EngineStarted {
            machine.started = Some((1 + dice.pick(steps.len() - 1), dice.between(1.1, 2.0)));
        }
        Self { machine, steps, mistake, dice }
    }

    /// The circuits of all steps.
    pub(crate) fn deck(&self, prefix: &str) -> Deck {
        let mut deck = Deck { parts: String::new(), readings: Vec::new() };
        for (at, step) in self.steps.iter().enumerate() {
            let prefix = format!("{prefix}s{at}_");
            let (parts, reading) = self.machine.netlist(&prefix, step.probe, step.driven, at, self.steps.len());
            deck.parts.push_str(&parts);
            deck.readings.push(reading);
        }
        deck
    }

    /// What the meters show of the true values, filed under the steps.
    pub(crate) fn observe(&self, truth: &[f64]) -> ObservationSet {
        let mut dice = self.dice.clone();
        let mut truth = truth.to_vec();
        let clamps: Vec<usize> = (0..self.steps.len())
            .filter(|at| matches!(self.steps[*at], Step { probe: Probe::Clamp(_), driven: Driven::One(_) }))
            .collect();
        match self.mistake {
            Mistake::Exchanged => {
                // The same step at two coils.
                let one = dice.pick(self.steps.len());
                let same = |other: &usize| {
                    *other != one
                        && std::mem::discriminant(&self.steps[*other].probe)
                            == std::mem::discriminant(&self.steps[one].probe)
                        && std::mem::discriminant(&self.steps[*other].driven)
                            == std::mem::discriminant(&self.steps[one].driven)
                };
                let others: Vec<usize> = (0..self.steps.len()).filter(same).collect();
                if !others.is_empty() {
                    truth.swap(one, others[dice.pick(others.len())]);
                }
            }
            Mistake::Slipped => {
                let one = dice.pick(self.steps.len());
                let share = if dice.chance(0.5) { dice.between(0.0, 0.02) } else { dice.between(0.1, 1.5) };
                truth[one] *= share;
            }
            Mistake::Reversed => clamps.iter().for_each(|at| truth[*at] = -truth[*at]),
            Mistake::Dead => truth[clamps[dice.pick(clamps.len())]] = 0.0,
            _ => {}
        }
        let volts_gain = dice.within(0.0045);
        let millivolts_gain = dice.within(0.0045);
        let ohms_gain = dice.within(0.007);
        let amps_gain = dice.within(0.013);
        let (volts_zero, millivolts_zero) = (dice.within(0.012), dice.within(0.0012));
        let ohms_zero = dice.within(0.08);
        let mut amps_zero = dice.within(0.012);
        let mut leads = 0.0;
        let mut factor = 1.0;
        match self.mistake {
            Mistake::NotZeroed => amps_zero += if dice.chance(0.5) { 1.0 } else { -1.0 } * dice.between(0.08, 0.4),
            Mistake::LeadsNotNulled => leads = dice.between(0.15, 0.6),
            Mistake::WeakMeter => factor = dice.between(1.03, 1.2),
            _ => {}
        }
        let mut amps_walk = 0.0;
        let mut observations = Vec::new();
        let scale = self.machine.scale;
        let mut seconds = 0.0;
        for (step, true_value) in self.steps.iter().zip(&truth) {
            seconds += dice.between(12.0, 60.0);
            amps_walk += dice.within(0.003);
            let coil = |at: usize| format!("coil {}", at + 1);
            let (circuit, role, running, limit) = match (step.probe, step.driven) {
                (Probe::Post, Driven::Nothing) => {
                    ("supply".to_owned(), Role::Supply, RunningLoads::Nothing, Some(least(12.2 * scale)))
                }
                (Probe::Post, _) => {
                    ("supply".to_owned(), Role::Supply, RunningLoads::Everything, Some(least(11.8 * scale)))
                }
                (Probe::Stud, _) => {
                    ("shared ground".to_owned(), Role::GroundDrop, RunningLoads::Everything, Some(most(0.1)))
                }
                (Probe::FeedPin(at), _) => (coil(at), Role::Feed, RunningLoads::Nothing, Some(least(11.8 * scale))),
                (Probe::FeedDrop(at), _) => (coil(at), Role::FeedDrop, RunningLoads::This, Some(most(0.5))),
                (Probe::GroundDrop(at), _) => (coil(at), Role::GroundDrop, RunningLoads::This, Some(most(0.1))),
                (Probe::Clamp(at), Driven::Nothing) => (coil(at), Role::Draw, RunningLoads::Nothing, None),
                (Probe::Clamp(at), _) => (coil(at), Role::CoilAmps, RunningLoads::This, None),
                (Probe::CoilOhms(at), _) => {
                    let text = format!("{} ohm ± 10 %", self.machine.branches[at].nominal);
                    (coil(at), Role::CoilOhms, RunningLoads::Nothing, Some(Limit::nominal(&text).unwrap()))
                }
                (Probe::ToGround(at), _) => (coil(at), Role::OhmsToGround, RunningLoads::Nothing, None),
            };
            let digit = |value: f64, digit: f64| (value / digit).round() * digit;
            let name = format!("{circuit}, {role}, {} running", running.word());
            let (value, sheet, channel, group) = match role {
                Role::CoilOhms | Role::OhmsToGround => {
                    let ohms = (true_value * (1.0 + ohms_gain) + ohms_zero + leads + dice.between(0.0, 0.03)) * factor;
                    (
                        if ohms > 6e5 { f64::INFINITY } else { digit(ohms, if ohms > 600.0 { 1.0 } else { 0.1 }) },
                        (0.008, 0.1),
                        "probe",
                        "probe ohm",
                    )
                }
                Role::CoilAmps | Role::Draw => (
                    digit(true_value * (1.0 + amps_gain) + amps_zero + amps_walk, 0.01),
                    (0.015, 0.02),
                    "clamp",
                    "clamp A",
                ),
                _ if true_value.abs() < 0.59 => (
                    digit(
                        (true_value * (1.0 + millivolts_gain) + millivolts_zero + dice.within(0.001)) * factor,
                        0.001,
                    ),
                    (0.005, 0.002),
                    "probe",
                    "probe mV",
                ),
                _ => (
                    digit((true_value * (1.0 + volts_gain) + volts_zero + dice.within(0.004)) * factor, 0.01),
                    (0.005, 0.02),
                    "probe",
                    "probe V",
                ),
            };
            let mut observation = if value.is_finite() {
                let u = Uncertain::rectangular(value, sheet.0 * value.abs() + sheet.1);
                Observation::number(&circuit, &name, role, running, u)
            } else {
                Observation::number(&circuit, &name, role, running, Uncertain::exact(0.0)).over()
            };
            observation.gain =
                Some(SharedGainError { meter: group.to_owned(), relative_u: Uncertain::rectangular(0.0, sheet.0).u });
            observation.own_u = Some(Uncertain::rectangular(0.0, sheet.1).u);
            observation.channel = Some(channel.to_owned());
            observation.seconds = Some(seconds);
            observations.push(match limit {
                Some(limit) => observation.limited(limit),
                None => observation,
            });
        }
        let mut set = ObservationSet::new(observations);
        let side = if self.machine.is_low_side { DriverSide::Low } else { DriverSide::High };
        set.drivers = (0..self.machine.branches.len())
            .map(|at| (format!("coil {}", at + 1), Driver { side: Some(side), ..Driver::default() }))
            .collect();
        set
    }
}

fn least(volts: f64) -> Limit {
    Limit::at_least(format!("{volts} V").parse::<Measure>().unwrap())
}

fn most(volts: f64) -> Limit {
    Limit::at_most(format!("{volts} V").parse::<Measure>().unwrap())
}

/// Makes a fault of its kind in a machine with so many coils.
pub(crate) type FaultMaker = fn(&mut Dice, usize) -> Fault;

/// Faults by kind and size, as the report lists them.
#[allow(clippy::redundant_closure_call, reason = "a row of the table says how a place and a size become a fault")]
pub(crate) fn sized_faults() -> Vec<(&'static str, FaultMaker)> {
    fn coil(dice: &mut Dice, coils: usize) -> usize {
        dice.pick(coils)
    }
    macro_rules! sized {
        ($name:literal, $make:expr, $low:literal, $high:literal) => {
            ($name, |dice: &mut Dice, coils: usize| {
                let at = coil(dice, coils);
                let size = dice.between($low, $high);
                ($make)(at, size)
            })
        };
    }
    vec![
        sized!("feed run 0.2 to 0.5 ohm", Fault::FeedRun, 0.2, 0.5),
        sized!("feed run 0.5 to 4 ohm", Fault::FeedRun, 0.5, 4.0),
        sized!("ground run 0.1 to 0.4 ohm", Fault::GroundRun, 0.1, 0.4),
        sized!("ground run 0.4 to 4 ohm", Fault::GroundRun, 0.4, 4.0),
        sized!("shared ground 10 to 30 mohm", |_, size| Fault::SharedGround(size), 0.01, 0.03),
        sized!("shared ground 30 to 300 mohm", |_, size| Fault::SharedGround(size), 0.03, 0.3),
        sized!("common feed 0.4 to 1.5 ohm", |_, size| Fault::SharedFeed(size), 0.4, 1.5),
        sized!("open feed", |at, _| Fault::OpenFeed(at), 0.0, 1.0),
        sized!("open coil", |at, _| Fault::OpenCoil(at), 0.0, 1.0),
        sized!("open ground", |at, _| Fault::OpenGround(at), 0.0, 1.0),
        ("weak battery", |dice, _| Fault::WeakBattery(dice.between(10.8, 11.7), dice.between(0.02, 0.15))),
        sized!(
            "short to ground 0.1 to 1 ohm, behind",
            |at, size| Fault::ToGround(at, Side::BehindClamp, size),
            0.1,
            1.0
        ),
        sized!(
            "short to ground 1 to 20 ohm, behind",
            |at, size| Fault::ToGround(at, Side::BehindClamp, size),
            1.0,
            20.0
        ),
        sized!(
            "short to ground 0.1 to 1 ohm, before",
            |at, size| Fault::ToGround(at, Side::BeforeClamp, size),
            0.1,
            1.0
        ),
        sized!(
            "short to ground 1 to 20 ohm, before",
            |at, size| Fault::ToGround(at, Side::BeforeClamp, size),
            1.0,
            20.0
        ),
        sized!("coil 15 % off", |at, size: f64| Fault::Coil(at, if size < 0.5 { 0.85 } else { 1.15 }), 0.0, 1.0),
        sized!("coil 30 to 80 % high", Fault::Coil, 1.3, 1.8),
        sized!("shorted turns", Fault::Coil, 0.3, 0.7),
        sized!("driver drops 1.2 to 3 V", Fault::Driver, 1.2, 3.0),
    ]
}
