//! The story that the demo plays, as data: what the operator does, step by step, and for how long.
//!
//! A scenario sets the [`SimulatedMachine`] and calls an [`Operator`] for each step and note; the operator passes them to
//! the daemon. Nothing here knows how, and nothing here reads a clock.

use std::time::Duration;

use super::bench::DwellUntil;
use super::circuit::{ContactState, DriverCommand, LoaderCoil};
use super::machine::{LeverPosition, MeterDial, OperatorState, ProbeLeads, SimulatedMachine};
use super::operating::ProbePoint;

/// So many lines of the clamp board after a move of the drive: a driver that is late has let go, and the level after it can be told
/// even where the board was held up.
const SETTLED_LINES: u64 = 15;

/// What the operator enters in the tool, and how time passes.
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

    /// Stays as it is until the tool asks something in these words.
    ///
    /// # Errors
    /// When the tool did not ask.
    fn asked(&mut self, words: &str) -> Result<(), Self::Error>;

    /// Keeps a remark.
    ///
    /// # Errors
    /// When the tool did not do it.
    fn note(&mut self, text: &str) -> Result<(), Self::Error>;

    /// Stays as it is for this time, or longer where [`DwellUntil`] says so.
    ///
    /// # Errors
    /// When waiting ended early.
    fn dwell(&mut self, at_least: Duration, until: DwellUntil) -> Result<(), Self::Error>;
}

/// One move of the operator.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum OperatorMove {
    /// Turns the key.
    Key(ContactState),
    /// Plugs all coils in, or pulls all their plugs.
    Plugs(ContactState),
    /// Turns the handheld meter's switch.
    MeterDial(MeterDial),
    /// Moves the handheld meter's leads.
    ProbeLeads(ProbeLeads),
    /// Drives a coil.
    DriverCommand(LoaderCoil, DriverCommand),
    /// Moves the tilt lever, which drives the tilt coil.
    TiltLever(LeverPosition),
    /// Drives over a stone.
    Bump,
    /// Gets faster or slower during the whole beat.
    Speed {
        /// At the beat's begin, km/h.
        from_kmh: f64,
        /// At the beat's end, km/h.
        to_kmh: f64,
    },
    /// Moves a selector during the whole beat, so that the coil's current goes from one to the other, ampere.
    Sweep {
        /// Which coil.
        coil: LoaderCoil,
        /// At the beat's begin, ampere.
        from_a: f64,
        /// At the beat's end, ampere.
        to_a: f64,
    },
}

impl OperatorMove {
    /// Does it; `share` is how much of the beat has passed, 0 to 1.
    fn apply(&self, operator: &mut OperatorState, share: f64) {
        match *self {
            Self::Key(joint) => operator.setup.key = joint,
            Self::Plugs(joint) => operator.setup.plugs = [joint; 5],
            Self::MeterDial(dial) => operator.dial = dial,
            Self::ProbeLeads(leads) => operator.leads = leads,
            Self::DriverCommand(coil, drive) => operator.setup.drives[coil.index()] = drive,
            Self::TiltLever(position) => operator.tilt_lever = position,
            Self::Bump => operator.bumps += 1,
            Self::Speed { from_kmh, to_kmh } => operator.speed_kmh = from_kmh + (to_kmh - from_kmh) * share,
            Self::Sweep { coil, from_a, to_a } => {
                operator.setup.drives[coil.index()] = DriverCommand::Amps(from_a + (to_a - from_a) * share);
            }
        }
    }
}

/// Whether the demo's speed shortens a wait.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum ScenarioPace {
    /// It does.
    Hurried,
    /// It does not: what is timed by the procedure, or by an eye, lasts the same at any speed.
    Timed,
}

/// Moves that are made together, and the wait after them.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct ScenarioAction {
    /// A question of the tool that the moves answer: words of it.
    pub answers: Option<&'static str>,
    /// The moves.
    pub moves: Vec<OperatorMove>,
    /// At ordinary speed.
    pub dwell: Duration,
    /// Whether a faster demo waits less.
    pub pace: ScenarioPace,
}

/// How a step gets its value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum StepCapture {
    /// The tool captures it by itself once it is steady.
    Steady,
    /// The whole step counts.
    Whole,
}

/// One step of the procedure as it is played.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct ScenarioStep {
    /// The step's name in the procedure.
    pub name: String,
    /// Said at its begin.
    pub note: Option<&'static str>,
    /// What is done.
    pub actions: Vec<ScenarioAction>,
    /// How it gets its value.
    pub capture: StepCapture,
    /// Moves made when the value is captured, before the next step.
    pub after: Vec<OperatorMove>,
}

/// A whole story.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Scenario {
    /// In the order of the procedure's steps.
    pub steps: Vec<ScenarioStep>,
}

impl Scenario {
    /// The procedure at the valve block, then a drive round the yard with a lever that is moved and a stone that is met.
    pub(crate) fn yard() -> Self {
        let mut steps = vec![feed(), work_light()];
        steps.extend(LoaderCoil::ALL.map(ohms));
        steps.extend(LoaderCoil::ALL.map(held_on));
        steps.extend([shared_ground(), supply(), lever_moves(), drive()]);
        Self { steps }
    }

    /// Plays it faster than real time by this factor (0.1 to 100).
    ///
    /// # Errors
    /// The operator's, at once; the hands stay where they are.
    pub(crate) fn play<O: Operator>(
        &self,
        machine: &SimulatedMachine,
        speed: f64,
        operator: &mut O,
    ) -> Result<(), O::Error> {
        let speed = speed.clamp(0.1, 100.0);
        for step in &self.steps {
            operator.step(&step.name)?;
            if let Some(text) = step.note {
                operator.note(text)?;
            }
            for (left, action) in (0..step.actions.len()).rev().zip(&step.actions) {
                // What the step is judged on must have been printed, however slow the machine is just now.
                let until = match action.pace {
                    ScenarioPace::Timed => DwellUntil::ClampsHaveShown(SETTLED_LINES),
                    ScenarioPace::Hurried if left == 0 => DwellUntil::AllHaveShown,
                    ScenarioPace::Hurried => DwellUntil::TimeIsUp,
                };
                action.play(machine, speed, until, operator)?;
            }
            if step.capture == StepCapture::Steady {
                operator.captured()?;
            }
            machine.change(|operator| step.after.iter().for_each(|operator_move| operator_move.apply(operator, 1.0)));
        }
        Ok(())
    }
}

impl ScenarioAction {
    fn new(ms: u64, moves: impl Into<Vec<OperatorMove>>) -> Self {
        let dwell = Duration::from_millis(ms);
        Self { answers: None, moves: moves.into(), dwell, pace: ScenarioPace::Hurried }
    }

    fn timed(ms: u64, moves: impl Into<Vec<OperatorMove>>) -> Self {
        Self { pace: ScenarioPace::Timed, ..Self::new(ms, moves) }
    }

    fn answer(question: &'static str, ms: u64, moves: impl Into<Vec<OperatorMove>>) -> Self {
        Self { answers: Some(question), ..Self::new(ms, moves) }
    }

    fn play<O: Operator>(
        &self,
        machine: &SimulatedMachine,
        speed: f64,
        until: DwellUntil,
        operator: &mut O,
    ) -> Result<(), O::Error> {
        /// Parts into which a sweep is cut: fine enough that no clamp sees a stair.
        const PARTS: u32 = 10;
        let is_slow = |one: &OperatorMove| matches!(one, OperatorMove::Sweep { .. } | OperatorMove::Speed { .. });
        let sweeps = self.moves.iter().any(is_slow);
        let parts = if sweeps { PARTS } else { 1 };
        if let Some(question) = self.answers {
            operator.asked(question)?;
        }
        for part in 1..=parts {
            let share = f64::from(part) / f64::from(parts);
            machine.change(|operator| self.moves.iter().for_each(|operator_move| operator_move.apply(operator, share)));
            let until = if part == parts { until } else { DwellUntil::TimeIsUp };
            let dwell = match self.pace {
                ScenarioPace::Hurried => self.dwell.div_f64(speed),
                ScenarioPace::Timed => self.dwell,
            };
            operator.dwell(dwell / parts, until)?;
        }
        Ok(())
    }
}

/// The leads on two places.
fn leads(red: ProbePoint, black: ProbePoint) -> OperatorMove {
    OperatorMove::ProbeLeads(ProbeLeads::On { red, black })
}

fn all(drive: DriverCommand) -> Vec<OperatorMove> {
    LoaderCoil::ALL.map(|coil| OperatorMove::DriverCommand(coil, drive)).into()
}

const LIFTED: OperatorMove = OperatorMove::ProbeLeads(ProbeLeads::Lifted);

fn feed() -> ScenarioStep {
    ScenarioStep {
        name: "block feed".to_owned(),
        note: Some("Operator says tilt is slow to answer and everything gets lazy when used together."),
        actions: vec![
            ScenarioAction::new(
                500,
                [OperatorMove::MeterDial(MeterDial::Volts), OperatorMove::Key(ContactState::Closed), LIFTED],
            ),
            // In a hurry: red and black are exchanged.
            ScenarioAction::new(300, [leads(ProbePoint::BatteryNegative, ProbePoint::BlockFeed)]),
            ScenarioAction::answer("Leads crossed", 800, [leads(ProbePoint::BlockFeed, ProbePoint::BatteryNegative)]),
        ],
        capture: StepCapture::Steady,
        after: vec![LIFTED],
    }
}

/// A terminal without volts: the leads prove that it is dead.
fn work_light() -> ScenarioStep {
    let pin = leads(ProbePoint::WorkLightFeed, ProbePoint::BatteryNegative);
    let battery = leads(ProbePoint::BatteryPositive, ProbePoint::BatteryNegative);
    ScenarioStep {
        name: "work light feed".to_owned(),
        note: None,
        actions: vec![
            ScenarioAction::new(300, [pin]),
            ScenarioAction::answer("touch battery plus", 300, [battery]),
            ScenarioAction::answer("Back to the pin", 300, [pin]),
            ScenarioAction::answer("Battery plus again", 300, [battery]),
            ScenarioAction::answer("Lift off battery plus", 300, [pin]),
        ],
        capture: StepCapture::Steady,
        after: vec![LIFTED, OperatorMove::Key(ContactState::Open), OperatorMove::Plugs(ContactState::Open)],
    }
}

fn ohms(coil: LoaderCoil) -> ScenarioStep {
    ScenarioStep {
        name: format!("{} ohms", coil.word()),
        note: None,
        actions: vec![
            ScenarioAction::new(300, [OperatorMove::MeterDial(MeterDial::Ohms)]),
            ScenarioAction::new(600, [leads(ProbePoint::CoilFeed(coil), ProbePoint::CoilGround(coil))]),
        ],
        capture: StepCapture::Steady,
        after: vec![LIFTED],
    }
}

fn held_on(coil: LoaderCoil) -> ScenarioStep {
    ScenarioStep {
        name: format!("{} held on", coil.word()),
        note: None,
        actions: vec![
            ScenarioAction::new(
                300,
                [
                    OperatorMove::Plugs(ContactState::Closed),
                    OperatorMove::MeterDial(MeterDial::Volts),
                    OperatorMove::Key(ContactState::Closed),
                ],
            ),
            ScenarioAction::new(600, [OperatorMove::DriverCommand(coil, DriverCommand::On)]),
        ],
        capture: StepCapture::Steady,
        after: vec![OperatorMove::DriverCommand(coil, DriverCommand::Off)],
    }
}

fn shared_ground() -> ScenarioStep {
    ScenarioStep {
        name: "shared ground, everything running".to_owned(),
        note: None,
        actions: vec![ScenarioAction::new(500, []), ScenarioAction::new(2000, all(DriverCommand::On))],
        capture: StepCapture::Whole,
        after: vec![],
    }
}

fn supply() -> ScenarioStep {
    ScenarioStep {
        name: "supply, everything running".to_owned(),
        note: None,
        actions: vec![ScenarioAction::new(1500, [])],
        capture: StepCapture::Whole,
        after: all(DriverCommand::Off),
    }
}

/// The tilt lever twice while the machine rolls.
fn lever_moves() -> ScenarioStep {
    use LeverPosition::{Pushed, Rest};
    let lever = |ms, position| ScenarioAction::timed(ms, [OperatorMove::TiltLever(position)]);
    ScenarioStep {
        name: "tilt lever on the move".to_owned(),
        note: Some("Second person drives, empty bucket."),
        actions: vec![
            // What was on before is off for longer than a drop-out lasts.
            ScenarioAction::timed(250, []),
            ScenarioAction::timed(
                300,
                [
                    OperatorMove::DriverCommand(LoaderCoil::BrakeRelease, DriverCommand::On),
                    OperatorMove::Speed { from_kmh: 0.0, to_kmh: 6.0 },
                ],
            ),
            lever(350, Pushed),
            lever(350, Rest),
            lever(350, Pushed),
            lever(800, Rest),
        ],
        capture: StepCapture::Whole,
        after: vec![],
    }
}

/// Selectors moved one by one and together; currents are those of a careful driver.
fn drive() -> ScenarioStep {
    use LoaderCoil::{Auxiliary, Float, Lift, Tilt};
    let sweep = |coil, from_a, to_a| OperatorMove::Sweep { coil, from_a, to_a };
    ScenarioStep {
        name: "yard drive".to_owned(),
        note: None,
        actions: vec![
            ScenarioAction::new(1000, [sweep(Lift, 0.3, 1.2)]),
            ScenarioAction::timed(250, []),
            ScenarioAction::timed(250, [OperatorMove::Bump]),
            ScenarioAction::new(800, [sweep(Lift, 1.2, 0.0)]),
            // Off for longer than a drop-out lasts.
            ScenarioAction::timed(250, []),
            ScenarioAction::new(1000, [sweep(Auxiliary, 0.3, 1.0)]),
            ScenarioAction::new(
                1200,
                [sweep(Lift, 0.0, 1.2), sweep(Tilt, 0.0, 1.1), OperatorMove::DriverCommand(Float, DriverCommand::On)],
            ),
            ScenarioAction::new(
                1000,
                [
                    sweep(Lift, 1.2, 0.0),
                    sweep(Tilt, 1.1, 0.0),
                    sweep(Auxiliary, 1.0, 0.0),
                    OperatorMove::Speed { from_kmh: 6.0, to_kmh: 0.0 },
                ],
            ),
            ScenarioAction::new(400, all(DriverCommand::Off)),
        ],
        capture: StepCapture::Whole,
        after: vec![OperatorMove::Key(ContactState::Open)],
    }
}

#[cfg(test)]
mod tests;
