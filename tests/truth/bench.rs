//! A technician with three simulated instruments on a simulated valve block: every step of a thorough
//! procedure, each value with the error of the meter that showed it.

use bayline::{
    demo::{
        circuit::{LoaderCircuit, LoaderCoil, MachineSetup},
        meter::{ClampBoard, Handheld, Monitor, ProbeInput},
        noise::Noise,
        operating::ProbePoint,
    },
    electrics::Uncertain,
    session::findings::{Observation, ObservationSet, Role, RunningLoads, SharedGainError},
    units::{Accuracy, Limit, Measure},
};

/// The accuracies that the bench file states.
const HANDHELD: &str = "0.8 % + 5 digits";
const CLAMP: &str = "1.5 % + 20 mA";
const MONITOR: &str = "0.5 % + 5 mV";

pub(crate) struct Technician {
    circuit: LoaderCircuit,
    clamps: ClampBoard,
    handheld: Handheld,
    monitor: Monitor,
    observations: Vec<Observation>,
}

impl Technician {
    /// With meters as bought, each wrong in its own way.
    pub(crate) fn new(circuit: LoaderCircuit, noise: &mut Noise) -> Self {
        Self {
            circuit,
            clamps: ClampBoard::new(noise.fork()),
            handheld: Handheld::new(noise.fork()),
            monitor: Monitor::new(noise.fork()),
            observations: Vec::new(),
        }
    }

    /// Battery, feed, every coil, everything together.
    pub(crate) fn whole_procedure(mut self) -> ObservationSet {
        let idle = MachineSetup::holding(&[]);
        self.monitor("supply", Role::Supply, RunningLoads::Nothing, &idle, Some("at least 12.2 V"));
        self.volts(
            "block feed",
            Role::Feed,
            RunningLoads::Nothing,
            &idle,
            ProbePoint::BlockFeed,
            Some("at least 11.8 V"),
        );
        for coil in LoaderCoil::ALL {
            self.coil(coil);
        }
        let all = MachineSetup::holding(&LoaderCoil::ALL);
        for coil in LoaderCoil::ALL {
            self.clamp(coil, Role::CoilAmps, RunningLoads::Everything, &all);
        }
        self.monitor("shared ground", Role::GroundDrop, RunningLoads::Everything, &all, Some("at most 100 mV"));
        self.monitor("supply", Role::Supply, RunningLoads::Everything, &all, Some("at least 11.8 V"));
        self.volts(
            "block feed",
            Role::Feed,
            RunningLoads::Everything,
            &all,
            ProbePoint::BlockFeed,
            Some("at least 11.8 V"),
        );
        ObservationSet::new(self.observations)
    }

    /// Feed, ohms and amps only, as the demo's own procedure goes: what few steps can tell.
    pub(crate) fn short_procedure(mut self) -> ObservationSet {
        let idle = MachineSetup::holding(&[]);
        self.volts(
            "block feed",
            Role::Feed,
            RunningLoads::Nothing,
            &idle,
            ProbePoint::BlockFeed,
            Some("at least 11.8 V"),
        );
        for coil in LoaderCoil::ALL {
            self.coil_ohms(coil);
        }
        for coil in LoaderCoil::ALL {
            self.clamp(coil, Role::CoilAmps, RunningLoads::This, &MachineSetup::holding(&[coil]));
        }
        let all = MachineSetup::holding(&LoaderCoil::ALL);
        self.monitor("shared ground", Role::GroundDrop, RunningLoads::Everything, &all, Some("at most 100 mV"));
        self.monitor("supply", Role::Supply, RunningLoads::Everything, &all, Some("at least 11.8 V"));
        ObservationSet::new(self.observations)
    }

    fn coil_ohms(&mut self, coil: LoaderCoil) {
        let wanted = format!("{} ohm ± 8 %", coil.nominal_ohms());
        let leads = [ProbePoint::CoilFeed(coil), ProbePoint::CoilGround(coil)];
        self.ohms(coil.word(), Role::CoilOhms, &MachineSetup::parked().unplugged(coil), leads, Some(&wanted));
    }

    fn coil(&mut self, coil: LoaderCoil) {
        let name = coil.word();
        let (pulled, held) = (MachineSetup::parked().unplugged(coil), MachineSetup::holding(&[coil]));
        self.coil_ohms(coil);
        self.ohms(
            name,
            Role::OhmsToGround,
            &pulled,
            [ProbePoint::HarnessFeed(coil), ProbePoint::BatteryNegative],
            None,
        );
        let driven = held.clone().unplugged(coil);
        self.volts(name, Role::Feed, RunningLoads::Nothing, &driven, ProbePoint::HarnessFeed(coil), None);
        self.clamp(coil, Role::Draw, RunningLoads::Nothing, &MachineSetup::holding(&[]));
        self.clamp(coil, Role::CoilAmps, RunningLoads::This, &held);
        self.volts(name, Role::Feed, RunningLoads::This, &held, ProbePoint::CoilFeed(coil), None);
        self.volts(name, Role::GroundDrop, RunningLoads::This, &held, ProbePoint::CoilGround(coil), None);
    }

    fn volts(
        &mut self,
        circuit: &str,
        role: Role,
        running: RunningLoads,
        setup: &MachineSetup,
        red: ProbePoint,
        limit: Option<&str>,
    ) {
        let truth = self.circuit.solve(setup).volts(red);
        self.handheld.line(ProbeInput::Volts(truth));
        let line = self.handheld.line(ProbeInput::Volts(truth));
        self.file(circuit, role, running, &line, HANDHELD, "handheld V", limit);
    }

    fn ohms(
        &mut self,
        circuit: &str,
        role: Role,
        setup: &MachineSetup,
        [red, black]: [ProbePoint; 2],
        limit: Option<&str>,
    ) {
        let path = self.circuit.path(setup, red, black);
        self.handheld.line(ProbeInput::Ohms(path));
        let line = self.handheld.line(ProbeInput::Ohms(path));
        self.file(circuit, role, RunningLoads::Nothing, &line, HANDHELD, "handheld ohm", limit);
    }

    fn clamp(&mut self, coil: LoaderCoil, role: Role, running: RunningLoads, setup: &MachineSetup) {
        let operating = self.circuit.solve(setup);
        let line = self.clamps.line(0, LoaderCoil::ALL.map(|coil| operating.clamp_a(coil)));
        let volts: f64 = line.split(',').nth(1 + coil.index()).unwrap().parse().unwrap();
        let amps = format!("{:.3} A", volts / ClampBoard::VOLTS_PER_AMP);
        self.file(coil.word(), role, running, &amps, CLAMP, &format!("clamp {}", coil.index()), None);
    }

    fn monitor(&mut self, circuit: &str, role: Role, running: RunningLoads, setup: &MachineSetup, limit: Option<&str>) {
        let operating = self.circuit.solve(setup);
        let line = self.monitor.line(operating.volts(ProbePoint::BatteryPositive), operating.ground_drop_v());
        let key = if role == Role::Supply { "supply=" } else { "ground=" };
        let value = line.split(' ').find_map(|pair| pair.strip_prefix(key)).unwrap().to_owned();
        self.file(circuit, role, running, &value, MONITOR, key, limit);
    }

    /// What a meter's display says, with its uncertainty.
    #[allow(clippy::too_many_arguments, reason = "a row of the table above, in its order")]
    fn file(
        &mut self,
        circuit: &str,
        role: Role,
        running: RunningLoads,
        line: &str,
        accuracy: &str,
        meter: &str,
        limit: Option<&str>,
    ) {
        let accuracy: Accuracy = accuracy.parse().unwrap();
        let step = format!("{circuit}, {role}, {} running", running.word());
        let relative_u = Uncertain::rectangular(0.0, accuracy.of_reading).u;
        let mut observation = match line.parse::<Measure>() {
            Ok(measure) => {
                let half_width = accuracy.half_width(measure.value, Some(digit(line)));
                Observation::number(circuit, &step, role, running, Uncertain::rectangular(measure.value, half_width))
            }
            Err(_) if line.starts_with("OL") => {
                Observation::number(circuit, &step, role, running, Uncertain::exact(0.0)).over()
            }
            Err(error) => panic!("{line}: {error}"),
        };
        observation.gain = Some(SharedGainError { meter: meter.to_owned(), relative_u });
        observation.limit = limit.map(|text| match text.split_once(' ').unwrap() {
            ("at", rest) if rest.starts_with("least ") => Limit::at_least(rest[6..].parse().unwrap()),
            ("at", rest) => Limit::at_most(rest[5..].parse().unwrap()),
            _ => Limit::nominal(text).unwrap(),
        });
        self.observations.push(observation);
    }
}

/// What the last digit of a display counts, base units.
fn digit(line: &str) -> f64 {
    let (number, unit) = line.split_at(line.find(|c: char| !"-0123456789.".contains(c)).unwrap());
    let decimals = number.split_once('.').map_or(0, |(_, decimals)| decimals.len());
    let factor = match unit.trim() {
        "kohm" => 1e3,
        "Mohm" => 1e6,
        _ => 1.0,
    };
    factor * 10f64.powi(-i32::try_from(decimals).unwrap())
}
