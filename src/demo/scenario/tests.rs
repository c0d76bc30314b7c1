//! The story keeps to the procedure, to the time, and shows the simulated faults.

use std::cell::RefCell;

use super::*;
use crate::demo::circuit::{LoaderCircuit, MachineSetup};
use crate::demo::fault::{SimulatedFault, default_faults};
use crate::demo::files::tests::{keeps, steps};
use crate::demo::meter::ProbeInput;

impl Scenario {
    /// How long it takes at this speed, without what the tool needs to see that a reading is steady.
    fn duration(&self, speed: f64) -> Duration {
        let lasts = |action: &ScenarioAction| match action.pace {
            ScenarioPace::Hurried => action.dwell.div_f64(speed),
            ScenarioPace::Timed => action.dwell,
        };
        self.steps.iter().flat_map(|step| &step.actions).map(lasts).sum()
    }
}

/// What was recorded.
#[derive(Debug, Clone, PartialEq)]
enum OperatorEvent {
    Step(String),
    Take { volts: Option<f64>, ohms: Option<f64>, clamps_a: [f64; 5] },
    Note(String),
}

/// Records every call, and reads the machine instead of waiting.
struct RecordingOperator<'a> {
    machine: &'a SimulatedMachine,
    said: Vec<OperatorEvent>,
    dwelt: Duration,
    grounds_v: RefCell<Vec<(String, f64)>>,
    lifts_a: Vec<f64>,
}

impl<'a> RecordingOperator<'a> {
    fn new(machine: &'a SimulatedMachine) -> Self {
        Self { machine, said: Vec::new(), dwelt: Duration::ZERO, grounds_v: RefCell::default(), lifts_a: Vec::new() }
    }

    fn step_now(&self) -> String {
        let step = self
            .said
            .iter()
            .rev()
            .find_map(|said| if let OperatorEvent::Step(name) = said { Some(name) } else { None });
        step.unwrap().clone()
    }

    fn steps(&self) -> Vec<&str> {
        let steps =
            self.said.iter().filter_map(|said| if let OperatorEvent::Step(name) = said { Some(&**name) } else { None });
        steps.collect()
    }

    /// What was taken in a step.
    fn taken(&self, step: &str) -> &OperatorEvent {
        let begin = self.said.iter().position(|said| *said == OperatorEvent::Step(step.to_owned())).unwrap();
        self.said[begin..].iter().find(|said| matches!(said, OperatorEvent::Take { .. })).unwrap()
    }
}

impl Operator for RecordingOperator<'_> {
    type Error = std::convert::Infallible;

    fn step(&mut self, name: &str) -> Result<(), Self::Error> {
        self.said.push(OperatorEvent::Step(name.to_owned()));
        Ok(())
    }

    fn captured(&mut self) -> Result<(), Self::Error> {
        let (volts, ohms) = match self.machine.probe_input() {
            ProbeInput::Volts(volts) => (Some(volts), None),
            ProbeInput::Ohms(path) => (None, Some(path.ohms + path.standing_v / 1e-3)),
            ProbeInput::AirOnVolts | ProbeInput::AirOnOhms => (None, None),
        };
        self.said.push(OperatorEvent::Take { volts, ohms, clamps_a: self.machine.clamps_a() });
        Ok(())
    }

    fn asked(&mut self, _words: &str) -> Result<(), Self::Error> {
        Ok(())
    }

    fn note(&mut self, text: &str) -> Result<(), Self::Error> {
        self.said.push(OperatorEvent::Note(text.to_owned()));
        Ok(())
    }

    fn dwell(&mut self, at_least: Duration, _until: DwellUntil) -> Result<(), Self::Error> {
        self.dwelt += at_least;
        self.grounds_v.borrow_mut().push((self.step_now(), self.machine.supply_and_ground_v().1));
        self.lifts_a.push(self.machine.clamps_a()[LoaderCoil::Lift.index()]);
        Ok(())
    }
}

fn machine(faults: &[SimulatedFault]) -> SimulatedMachine {
    let mut circuit = LoaderCircuit::healthy();
    faults.iter().for_each(|fault| fault.apply(&mut circuit));
    SimulatedMachine::new(circuit)
}

fn worst_ground_v(memory: &RecordingOperator) -> f64 {
    let grounds = memory.grounds_v.borrow();
    let running = grounds.iter().filter(|(step, _)| step.starts_with("shared ground"));
    running.map(|&(_, volts)| volts).max_by(f64::total_cmp).unwrap()
}

/// Steps whose captured value is outside the procedure's limit.
fn outside(memory: &RecordingOperator) -> Vec<String> {
    let names = steps()
        .into_iter()
        .filter(|step| step.get("capture").and_then(|word| word.as_str()) == Some("steady"))
        .map(|step| {
            let name = step["name"].as_str().unwrap().to_owned();
            let OperatorEvent::Take { volts, ohms, clamps_a } = memory.taken(&name) else {
                panic!("nothing taken in {name}")
            };
            let coil = LoaderCoil::ALL.into_iter().find(|coil| step["channel"].as_str() == Some(coil.word()));
            let value = coil.map(|coil| clamps_a[coil.index()]).or(*volts).or(*ohms).unwrap();
            (keeps(&name, value), name)
        });
    names.filter(|(keeps, _)| !keeps).map(|(_, name)| name).collect()
}

#[test]
fn the_story_goes_through_the_procedure_in_order() {
    let machine = machine(&[]);
    let mut memory = RecordingOperator::new(&machine);
    Scenario::yard().play(&machine, 1.0, &mut memory).unwrap();
    let file = steps();
    assert_eq!(memory.steps(), file.iter().map(|step| step["name"].as_str().unwrap()).collect::<Vec<_>>());
    for (step, of_file) in Scenario::yard().steps.iter().zip(&file) {
        let steady = of_file.get("capture").and_then(|word| word.as_str()) == Some("steady");
        assert_eq!(step.capture == StepCapture::Steady, steady, "{}", step.name);
    }
    assert_eq!(memory.said.iter().filter(|said| matches!(said, OperatorEvent::Take { .. })).count(), 12);
    assert!(memory.said.iter().any(|said| matches!(said, OperatorEvent::Note(text) if text.contains("tilt"))));
}

#[test]
fn it_takes_the_time_of_a_demonstration() {
    let story = Scenario::yard();
    assert!((15..=30).contains(&story.duration(1.0).as_secs()), "{:?}", story.duration(1.0));
    let machine = machine(&[]);
    for speed in [1.0, 4.0] {
        let mut memory = RecordingOperator::new(&machine);
        story.play(&machine, speed, &mut memory).unwrap();
        assert!((memory.dwelt.as_secs_f64() - story.duration(speed).as_secs_f64()).abs() < 1e-3);
    }
}

#[test]
fn a_sound_machine_passes() {
    let machine = machine(&[]);
    let mut memory = RecordingOperator::new(&machine);
    Scenario::yard().play(&machine, 1.0, &mut memory).unwrap();
    assert_eq!(outside(&memory), Vec::<String>::new());
    assert!(worst_ground_v(&memory) < 0.09, "{}", worst_ground_v(&memory));
}

#[test]
fn what_is_planted_is_there_to_be_found() {
    let machine = machine(&default_faults());
    let mut memory = RecordingOperator::new(&machine);
    Scenario::yard().play(&machine, 1.0, &mut memory).unwrap();
    assert_eq!(outside(&memory), ["work light feed", "tilt coil ohms", "tilt coil held on"]);
    assert!(worst_ground_v(&memory) > 0.3, "{}", worst_ground_v(&memory));
}

#[test]
fn the_drive_ramps_and_ends_with_everything_off() {
    let machine = machine(&default_faults());
    let mut memory = RecordingOperator::new(&machine);
    Scenario::yard().play(&machine, 1.0, &mut memory).unwrap();
    let ramp = &memory.lifts_a[memory.lifts_a.len() - 60..];
    let partly = ramp.iter().filter(|amps| (0.1..1.0).contains(*amps)).count();
    assert!(partly > 15, "{ramp:?}");
    let operator = machine.operator();
    assert_eq!(operator.setup, MachineSetup::parked());
    assert_eq!(operator.leads, ProbeLeads::Lifted);
    assert_eq!((operator.tilt_lever, operator.speed_kmh, operator.bumps), (LeverPosition::Rest, 0.0, 1));
}

/// Fails at the first capture.
struct FailingOperator;

impl Operator for FailingOperator {
    type Error = &'static str;

    fn step(&mut self, _name: &str) -> Result<(), Self::Error> {
        Ok(())
    }
    fn captured(&mut self) -> Result<(), Self::Error> {
        Err("nobody answers")
    }
    fn asked(&mut self, _words: &str) -> Result<(), Self::Error> {
        Ok(())
    }
    fn note(&mut self, _text: &str) -> Result<(), Self::Error> {
        Ok(())
    }
    fn dwell(&mut self, _at_least: Duration, _until: DwellUntil) -> Result<(), Self::Error> {
        Ok(())
    }
}

#[test]
fn a_tool_that_does_not_answer_ends_the_story() {
    let machine = machine(&[]);
    assert_eq!(Scenario::yard().play(&machine, 1.0, &mut FailingOperator), Err("nobody answers"));
    assert!(matches!(machine.operator().leads, ProbeLeads::On { red: ProbePoint::BlockFeed, .. }));
}
