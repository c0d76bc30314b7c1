//! The story that the demo plays, as data: what the operator does, step by step, and for how long.
//!
//! A scenario moves the hands in the [`World`] and tells an [`Operator`] what to mark; the operator says it to
//! the daemon. Nothing here knows how, and nothing here reads a clock.

use std::time::Duration;

use super::bench::Until;
use super::circuit::{Coil, Drive, Joint};
use super::operating::Spot;
use super::world::{Dial, Hands, Leads, World};

/// What the operator says to the tool, and how time passes.
pub(crate) trait Operator {
    /// Why the tool did not do it.
    type Error;

    /// Begins the step of this name, which is the next one of the procedure; after a capture it begins by itself.
    ///
    /// # Errors
    /// When the tool did not do it.
    fn step(&mut self, name: &str) -> Result<(), Self::Error>;

    /// Stays as it is until the tool has captured the step's value by itself.
    ///
    /// # Errors
    /// When the tool did not do it.
    fn captured(&mut self) -> Result<(), Self::Error>;

    /// Keeps a remark.
    ///
    /// # Errors
    /// When the tool did not do it.
    fn note(&mut self, text: &str) -> Result<(), Self::Error>;

    /// Stays as it is for this time, or longer where [`Until`] says so.
    ///
    /// # Errors
    /// When waiting ended early.
    fn dwell(&mut self, at_least: Duration, until: Until) -> Result<(), Self::Error>;
}

/// One move of the hands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Act {
    /// Turns the key.
    Key(Joint),
    /// Plugs all coils in, or pulls all their plugs.
    Plugs(Joint),
    /// Turns the handheld meter's switch.
    Dial(Dial),
    /// Moves the handheld meter's leads.
    Leads(Leads),
    /// Drives a coil.
    Drive(Coil, Drive),
    /// Moves a selector during the whole beat, so that the coil's current goes from one to the other, ampere.
    Sweep {
        /// Which coil.
        coil: Coil,
        /// At the beat's begin, ampere.
        from_a: f64,
        /// At the beat's end, ampere.
        to_a: f64,
    },
}

impl Act {
    /// Does it; `share` is how much of the beat has passed, 0 to 1.
    fn apply(&self, hands: &mut Hands, share: f64) {
        match *self {
            Self::Key(joint) => hands.setup.key = joint,
            Self::Plugs(joint) => hands.setup.plugs = [joint; 5],
            Self::Dial(dial) => hands.dial = dial,
            Self::Leads(leads) => hands.leads = leads,
            Self::Drive(coil, drive) => hands.setup.drives[coil.index()] = drive,
            Self::Sweep { coil, from_a, to_a } => {
                hands.setup.drives[coil.index()] = Drive::Amps(from_a + (to_a - from_a) * share);
            }
        }
    }
}

/// Moves that are made together, and how long the hands then stay.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Beat {
    /// The moves.
    pub acts: Vec<Act>,
    /// At ordinary speed.
    pub dwell: Duration,
}

/// How a step gets its value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Capture {
    /// The tool captures it by itself once it is steady.
    Steady,
    /// The whole step counts.
    Whole,
}

/// One step of the procedure as it is played.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Moment {
    /// The step's name in the procedure.
    pub step: String,
    /// Said at its begin.
    pub note: Option<&'static str>,
    /// What is done.
    pub beats: Vec<Beat>,
    /// How it gets its value.
    pub capture: Capture,
    /// Moves made when the value is captured, before the next step.
    pub after: Vec<Act>,
}

/// A whole story.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Scenario {
    /// In the order of the procedure's steps.
    pub moments: Vec<Moment>,
}

impl Scenario {
    /// The procedure at the valve block, then a drive round the yard.
    pub(crate) fn yard() -> Self {
        let mut moments = vec![feed()];
        moments.extend(Coil::ALL.map(ohms));
        moments.extend(Coil::ALL.map(held_on));
        moments.extend([shared_ground(), supply(), drive()]);
        Self { moments }
    }

    /// How long it takes at ordinary speed, without what the tool needs to see that a reading is steady.
    #[cfg(test)]
    pub(crate) fn duration(&self) -> Duration {
        self.moments.iter().flat_map(|moment| &moment.beats).map(|beat| beat.dwell).sum()
    }

    /// Plays it, so many times faster than ordinary (0.1 to 100).
    ///
    /// # Errors
    /// The operator's, at once; the hands stay where they are.
    pub(crate) fn play<O: Operator>(&self, world: &World, speed: f64, operator: &mut O) -> Result<(), O::Error> {
        let speed = speed.clamp(0.1, 100.0);
        for moment in &self.moments {
            operator.step(&moment.step)?;
            if let Some(text) = moment.note {
                operator.note(text)?;
            }
            for (left, beat) in (0..moment.beats.len()).rev().zip(&moment.beats) {
                // What the step is judged on must have been printed, however slow the machine is just now.
                let until = if left == 0 { Until::AllHaveShown } else { Until::TimeIsUp };
                beat.play(world, speed, until, operator)?;
            }
            if moment.capture == Capture::Steady {
                operator.captured()?;
            }
            world.change(|hands| moment.after.iter().for_each(|act| act.apply(hands, 1.0)));
        }
        Ok(())
    }
}

impl Beat {
    fn new(ms: u64, acts: impl Into<Vec<Act>>) -> Self {
        Self { acts: acts.into(), dwell: Duration::from_millis(ms) }
    }

    fn play<O: Operator>(&self, world: &World, speed: f64, until: Until, operator: &mut O) -> Result<(), O::Error> {
        /// Parts into which a sweep is cut: fine enough that no clamp sees a stair.
        const PARTS: u32 = 10;
        let sweeps = self.acts.iter().any(|act| matches!(act, Act::Sweep { .. }));
        let parts = if sweeps { PARTS } else { 1 };
        for part in 1..=parts {
            let share = f64::from(part) / f64::from(parts);
            world.change(|hands| self.acts.iter().for_each(|act| act.apply(hands, share)));
            let until = if part == parts { until } else { Until::TimeIsUp };
            operator.dwell(self.dwell.div_f64(speed) / parts, until)?;
        }
        Ok(())
    }
}

/// The leads on two places.
fn leads(red: Spot, black: Spot) -> Act {
    Act::Leads(Leads::On { red, black })
}

fn all(drive: Drive) -> Vec<Act> {
    Coil::ALL.map(|coil| Act::Drive(coil, drive)).into()
}

const LIFTED: Act = Act::Leads(Leads::Lifted);

fn feed() -> Moment {
    Moment {
        step: "block feed".to_owned(),
        note: Some("Operator says tilt is slow to answer and everything gets lazy when used together."),
        beats: vec![
            Beat::new(500, [Act::Dial(Dial::Volts), Act::Key(Joint::Made), LIFTED]),
            Beat::new(800, [leads(Spot::BlockFeed, Spot::BatteryNegative)]),
        ],
        capture: Capture::Steady,
        after: vec![LIFTED, Act::Key(Joint::Broken), Act::Plugs(Joint::Broken)],
    }
}

fn ohms(coil: Coil) -> Moment {
    Moment {
        step: format!("{} ohms", coil.word()),
        note: None,
        beats: vec![
            Beat::new(300, [Act::Dial(Dial::Ohms)]),
            Beat::new(600, [leads(Spot::CoilFeed(coil), Spot::CoilGround(coil))]),
        ],
        capture: Capture::Steady,
        after: vec![LIFTED],
    }
}

fn held_on(coil: Coil) -> Moment {
    Moment {
        step: format!("{} held on", coil.word()),
        note: None,
        beats: vec![
            Beat::new(300, [Act::Plugs(Joint::Made), Act::Dial(Dial::Volts), Act::Key(Joint::Made)]),
            Beat::new(600, [Act::Drive(coil, Drive::On)]),
        ],
        capture: Capture::Steady,
        after: vec![Act::Drive(coil, Drive::Off)],
    }
}

fn shared_ground() -> Moment {
    Moment {
        step: "shared ground, everything running".to_owned(),
        note: None,
        beats: vec![Beat::new(500, []), Beat::new(2000, all(Drive::On))],
        capture: Capture::Whole,
        after: vec![],
    }
}

fn supply() -> Moment {
    Moment {
        step: "supply, everything running".to_owned(),
        note: None,
        beats: vec![Beat::new(1500, [])],
        capture: Capture::Whole,
        after: all(Drive::Off),
    }
}

/// Selectors moved one by one and together; currents are those of a careful driver.
fn drive() -> Moment {
    use Coil::{Auxiliary, BrakeRelease, Float, Lift, Tilt};
    let sweep = |coil, from_a, to_a| Act::Sweep { coil, from_a, to_a };
    Moment {
        step: "yard drive".to_owned(),
        note: Some("Second person drives, empty bucket."),
        beats: vec![
            Beat::new(600, [Act::Drive(BrakeRelease, Drive::On)]),
            Beat::new(1000, [sweep(Lift, 0.3, 1.2)]),
            Beat::new(800, [sweep(Lift, 1.2, 0.0)]),
            Beat::new(1000, [sweep(Tilt, 0.3, 1.1)]),
            Beat::new(800, [sweep(Tilt, 1.1, 0.0)]),
            Beat::new(1000, [sweep(Auxiliary, 0.3, 1.0)]),
            Beat::new(1200, [sweep(Lift, 0.0, 1.2), sweep(Tilt, 0.0, 1.1), Act::Drive(Float, Drive::On)]),
            Beat::new(1000, [sweep(Lift, 1.2, 0.0), sweep(Tilt, 1.1, 0.0), sweep(Auxiliary, 1.0, 0.0)]),
            Beat::new(400, all(Drive::Off)),
        ],
        capture: Capture::Whole,
        after: vec![Act::Key(Joint::Broken)],
    }
}

#[cfg(test)]
mod tests;
