//! Machines as they come: invented figures of the size met on small 12 and 24 V machines, drawn evenly between bounds. They have
//! nothing in common with the priors of the findings.

use crate::dice::Dice;

/// Where a stray path leaves the feed wire.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Side {
    BeforeClamp,
    BehindClamp,
}

/// What is wrong with a machine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Fault {
    FeedRun(usize, f64),
    GroundRun(usize, f64),
    SharedGround(f64),
    SharedFeed(f64),
    OpenFeed(usize),
    OpenCoil(usize),
    OpenGround(usize),
    /// Volts without load per 12 V, ohms inside.
    WeakBattery(f64, f64),
    ToGround(usize, Side, f64),
    /// Factor on its ohms.
    Coil(usize, f64),
    /// Volts.
    Driver(usize, f64),
}

/// A switch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Switch {
    /// Ohms.
    Transistor(f64),
    /// A junction in series: an old driver that drops most of a volt by design.
    Junction(f64),
}

/// One coil and what leads to it.
#[derive(Debug, Clone)]
pub(crate) struct Branch {
    pub nominal: f64,
    pub ohms_20: f64,
    pub celsius: f64,
    pub switch: Switch,
    pub wire: f64,
    pub feed_pin: f64,
    pub ground_pin: f64,
    pub ground_wire: f64,
    /// Relative rise while it is held.
    pub warms: f64,
}

/// A whole machine.
#[derive(Debug, Clone)]
pub(crate) struct Machine {
    /// 1 for 12 V, 2 for 24 V.
    pub scale: f64,
    pub is_low_side: bool,
    pub emf: f64,
    /// Volts lost from the first to the last step.
    pub drift: f64,
    /// Volts more from this step on.
    pub started: Option<(usize, f64)>,
    pub battery: f64,
    pub feed: f64,
    pub ground: f64,
    pub standing: f64,
    pub branches: Vec<Branch>,
    pub faults: Vec<Fault>,
}

impl Machine {
    pub(crate) fn good(dice: &mut Dice) -> Self {
        let scale = if dice.chance(0.3) { 2.0 } else { 1.0 };
        let coils = 3 + dice.pick(6).min(dice.pick(6));
        let is_hot = dice.chance(0.25);
        let celsius = if is_hot { dice.between(45.0, 80.0) } else { dice.between(0.0, 45.0) };
        let kinds: Vec<f64> = (0..2)
            .map(|_| {
                (10.0 * if scale > 1.5 { dice.between(18.0, 32.0) } else { dice.between(5.5, 12.0) }).round() / 10.0
            })
            .collect();
        let second = dice.chance(0.4);
        let is_old = dice.chance(0.15);
        let batch = dice.within(0.03);
        let branches = (0..coils)
            .map(|at| {
                let nominal = kinds[usize::from(second && at % 3 == 2)];
                let just_used = if dice.chance(0.08) { dice.between(5.0, 25.0) } else { 0.0 };
                Branch {
                    nominal,
                    ohms_20: nominal * (1.0 + batch + dice.within(0.03)),
                    celsius: celsius + dice.within(5.0) + just_used,
                    switch: if is_old {
                        Switch::Junction(dice.between(0.02, 0.08))
                    } else {
                        Switch::Transistor(dice.between(0.02, 0.12))
                    },
                    wire: dice.between(0.02, 0.12),
                    feed_pin: dice.between(0.002, 0.012),
                    ground_pin: dice.between(0.002, 0.012),
                    ground_wire: dice.between(0.004, 0.035),
                    warms: dice.between(0.0, 0.025),
                }
            })
            .collect();
        let emf = if dice.chance(0.12) { dice.between(13.9, 14.5) } else { dice.between(12.4, 12.85) };
        Self {
            scale,
            is_low_side: dice.chance(0.25),
            emf: scale * emf,
            drift: scale * dice.between(-0.02, 0.12),
            started: None,
            battery: scale * dice.between(0.006, 0.02),
            feed: dice.between(0.01, 0.06),
            ground: dice.between(0.0012, 0.006),
            standing: scale * scale * dice.between(3.0, 20.0),
            branches,
            faults: Vec::new(),
        }
    }

    /// Puts a fault in.
    pub(crate) fn break_it(&mut self, fault: Fault) {
        if let Fault::WeakBattery(volts, ohms) = fault {
            (self.emf, self.battery) = (volts * self.scale, ohms * self.scale);
        }
        self.faults.push(fault);
    }
}

/// What is driven in a step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Driven {
    Nothing,
    Everything,
    One(usize),
    Unplugged(usize),
}

/// What leads and clamp are put to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Probe {
    Post,
    Stud,
    FeedPin(usize),
    /// From battery positive to the coil's feed terminal.
    FeedDrop(usize),
    GroundDrop(usize),
    Clamp(usize),
    CoilOhms(usize),
    ToGround(usize),
}

impl Machine {
    /// The circuit of one step for ngspice, each node with a prefix of its own; and what to print for the reading.
    pub(crate) fn netlist(
        &self,
        prefix: &str,
        probe: Probe,
        driven: Driven,
        step: usize,
        steps: usize,
    ) -> (String, String) {
        let mut text = String::new();
        let node = |name: &str| format!("{prefix}{name}");
        let mut part = |kind: &str, name: &str, from: &str, to: &str, value: &str| {
            let side = |end: &str| if end == "0" { end.to_owned() } else { node(end) };
            text.push_str(&format!("{kind}{prefix}{name} {} {} {value}\n", side(from), side(to)));
        };
        let ohms = |ohms: f64| format!("{ohms:.9e}");
        let has = |is: &dyn Fn(&Fault) -> Option<f64>| self.faults.iter().find_map(is).unwrap_or(0.0);
        if let Probe::CoilOhms(at) = probe {
            part("R", "c", "x", "0", &ohms(self.coil(at, false)));
            part("I", "m", "0", "x", "1e-3");
            return (text, format!("v({})*1e3", node("x")));
        }
        if let Probe::ToGround(at) = probe {
            let stray = self.faults.iter().find_map(|fault| match fault {
                Fault::ToGround(leaky, _, ohms) if *leaky == at => Some(*ohms),
                _ => None,
            });
            part("R", "d", "x", "0", &ohms(100e3));
            if let Some(stray) = stray {
                part("R", "s", "x", "0", &ohms(stray));
            }
            part("I", "m", "0", "x", "1e-6");
            return (text, format!("v({})*1e6", node("x")));
        }
        let mut emf = self.emf - self.drift * step as f64 / steps as f64;
        if let Some((from, volts)) = self.started
            && step >= from
        {
            emf += volts * self.scale;
        }
        part("V", "b", "e", "0", &format!("{emf:.9e}"));
        part("R", "b", "e", "post", &ohms(self.battery));
        part(
            "R",
            "f",
            "post",
            "feed",
            &ohms(
                self.feed
                    + has(&|fault| match fault {
                        Fault::SharedFeed(ohms) => Some(*ohms),
                        _ => None,
                    }),
            ),
        );
        part("R", "st", "feed", "0", &ohms(self.standing));
        part(
            "R",
            "g",
            "stud",
            "0",
            &ohms(
                self.ground
                    + has(&|fault| match fault {
                        Fault::SharedGround(ohms) => Some(*ohms),
                        _ => None,
                    }),
            ),
        );
        for (at, branch) in self.branches.iter().enumerate() {
            let is_on = match driven {
                Driven::Nothing => false,
                Driven::Everything => true,
                Driven::One(one) | Driven::Unplugged(one) => one == at,
            };
            let of = |is: &dyn Fn(&Fault) -> Option<f64>| has(is);
            let run = of(&|fault| match fault {
                Fault::FeedRun(one, ohms) if *one == at => Some(*ohms),
                Fault::OpenFeed(one) if *one == at => Some(1e8),
                _ => None,
            });
            let ground_run = of(&|fault| match fault {
                Fault::GroundRun(one, ohms) if *one == at => Some(*ohms),
                Fault::OpenGround(one) if *one == at => Some(1e8),
                _ => None,
            });
            let lost = of(&|fault| match fault {
                Fault::Driver(one, volts) if *one == at => Some(*volts),
                _ => None,
            });
            let n = |name: &str| format!("{name}{at}");
            // The switch, from the live side to the other.
            let (from, to) = if self.is_low_side { (n("l"), "stud".to_owned()) } else { ("feed".to_owned(), n("o")) };
            if is_on {
                let resistance = match branch.switch {
                    Switch::Transistor(ohms) => {
                        part("V", &n("q"), &from, &n("j"), "0");
                        ohms
                    }
                    Switch::Junction(ohms) => {
                        part("D", &n("q"), &from, &n("j"), "junction");
                        ohms
                    }
                };
                part("V", &n("w"), &n("j"), &n("k"), &format!("{lost:.9e}"));
                part("R", &n("q"), &n("k"), &to, &ohms(resistance));
            } else {
                part("R", &n("q"), &from, &to, "1e7");
            }
            if self.is_low_side {
                part("V", &n("m"), "feed", &n("c"), "0");
            } else {
                part("R", &n("pd"), &n("o"), "0", "1e5");
                part("V", &n("m"), &n("o"), &n("c"), "0");
            }
            part("R", &n("w"), &n("c"), &n("h"), &ohms(branch.wire + run));
            for fault in &self.faults {
                match fault {
                    Fault::ToGround(one, side, value) if *one == at => {
                        let place = match side {
                            Side::BeforeClamp if !self.is_low_side => n("o"),
                            _ => n("h"),
                        };
                        part("R", &n("s"), &place, "0", &ohms(*value));
                    }
                    _ => {}
                }
            }
            if driven == Driven::Unplugged(at) {
                part("R", &n("x"), &n("h"), "0", "1e7");
                continue;
            }
            part("R", &n("fp"), &n("h"), &n("a"), &ohms(branch.feed_pin));
            part("R", &n("c"), &n("a"), &n("b"), &ohms(self.coil(at, is_on)));
            part("R", &n("gp"), &n("b"), &n("g"), &ohms(branch.ground_pin));
            let end = if self.is_low_side { n("l") } else { "stud".to_owned() };
            part("R", &n("gw"), &n("g"), &end, &ohms(branch.ground_wire + ground_run));
        }
        let reading = match probe {
            Probe::Post => format!("v({})", node("post")),
            Probe::Stud => format!("v({})", node("stud")),
            Probe::FeedPin(at) => format!("v({})", node(&format!("h{at}"))),
            Probe::FeedDrop(at) => format!("v({})-v({})", node("post"), node(&format!("a{at}"))),
            Probe::GroundDrop(at) => format!("v({})", node(&format!("b{at}"))),
            Probe::Clamp(at) => format!("i(v{prefix}m{at})"),
            Probe::CoilOhms(_) | Probe::ToGround(_) => unreachable!("answered above"),
        };
        (text, reading)
    }

    fn coil(&self, at: usize, is_held: bool) -> f64 {
        let branch = &self.branches[at];
        let mut ohms = branch.ohms_20 * (1.0 + 0.003_93 * (branch.celsius - 20.0));
        if is_held {
            ohms *= 1.0 + branch.warms;
        }
        for fault in &self.faults {
            match fault {
                Fault::Coil(one, factor) if *one == at => ohms *= factor,
                Fault::OpenCoil(one) if *one == at => ohms = 1e8,
                _ => {}
            }
        }
        ohms
    }
}
