//! What is true at this moment: the machine, what the operator does to it, where the leads are.
//!
//! Shared between the scenario, which changes it, and the instruments, which read it. Knows no port and no clock: what happens late
//! or for a moment goes by the scans of the clamp board and its time, so that it is in its lines however slow the computer is.

use std::{
    sync::{Mutex, MutexGuard, PoisonError},
    time::Duration,
};

use super::circuit::{ContactState, DriverCommand, LoaderCircuit, LoaderCoil, MachineSetup};
use super::meter::ProbeInput;
use super::operating::{OperatingPoint, ProbePoint};

/// Where the handheld meter's leads are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum ProbeLeads {
    /// In the air.
    Lifted,
    /// On two places.
    On {
        /// Where the red lead is.
        red: ProbePoint,
        /// Where the black lead is.
        black: ProbePoint,
    },
}

/// The handheld meter's switch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum MeterDial {
    /// V DC.
    Volts,
    /// Ohms.
    Ohms,
}

/// A lever with a spring: where it is, what its signal wire shows, and what its coil gets.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum LeverPosition {
    /// In the middle.
    Rest,
    /// Pushed to its stop.
    Pushed,
}

impl LeverPosition {
    /// Volts of the signal wire.
    const fn signal_v(self) -> f64 {
        match self {
            Self::Rest => 2.5,
            Self::Pushed => 4.5,
        }
    }
}

/// What the tilt coil gets while its lever is pushed, ampere.
const PUSHED_A: f64 = 1.0;

/// Everything that the operator sets.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct OperatorState {
    /// Key, connectors and selectors.
    pub setup: MachineSetup,
    /// The tilt lever; moving it drives the tilt coil.
    pub tilt_lever: LeverPosition,
    /// How often the wheels met a stone.
    pub bumps: u32,
    /// Road speed, km/h.
    pub speed_kmh: f64,
    /// The handheld meter's leads.
    pub leads: ProbeLeads,
    /// The handheld meter's switch.
    pub dial: MeterDial,
}

/// The machine and what the operator does to it.
#[derive(Debug)]
pub(crate) struct SimulatedMachine {
    state: Mutex<MachineState>,
}

#[derive(Debug)]
struct MachineState {
    circuit: LoaderCircuit,
    operator: OperatorState,
    /// How often the tilt lever was let go.
    releases: u32,
    /// The tilt driver is still on although its lever was let go; since which time of the clamp board, once it has scanned.
    late: Option<Option<Duration>>,
    /// The next scan falls into a shake.
    is_shaken: bool,
    /// Solved when first looked at, forgotten at the next change.
    solved: Option<OperatingPoint>,
}

impl SimulatedMachine {
    /// A machine that is parked, leads in the air, meter on volts.
    pub(crate) fn new(circuit: LoaderCircuit) -> Self {
        let operator = OperatorState {
            setup: MachineSetup::parked(),
            tilt_lever: LeverPosition::Rest,
            bumps: 0,
            speed_kmh: 0.0,
            leads: ProbeLeads::Lifted,
            dial: MeterDial::Volts,
        };
        let state = MachineState { circuit, operator, releases: 0, late: None, is_shaken: false, solved: None };
        Self { state: Mutex::new(state) }
    }

    /// Changes what the operator does.
    pub(crate) fn change(&self, what: impl FnOnce(&mut OperatorState)) {
        let mut state = self.lock();
        let (lever, bumps) = (state.operator.tilt_lever, state.operator.bumps);
        what(&mut state.operator);
        if state.operator.tilt_lever != lever {
            state.lever_moved();
        }
        state.is_shaken |= state.operator.bumps != bumps;
        state.solved = None;
    }

    /// What the operator does now.
    pub(crate) fn operator(&self) -> OperatorState {
        self.lock().operator.clone()
    }

    /// One scan of the clamp board at this time since it was switched on: true current through each clamp, ampere, and volts of the
    /// tilt lever's signal wire.
    pub(crate) fn scan(&self, since_boot: Duration) -> ([f64; 5], f64) {
        let mut state = self.lock();
        state.let_go_late(since_boot);
        let lever_v = state.operator.tilt_lever.signal_v();
        (state.shaken_a().unwrap_or_else(|| state.clamps_a()), lever_v)
    }

    /// True volts at the battery's positive post and at the block's ground stud, above its negative post.
    pub(crate) fn supply_and_ground_v(&self) -> (f64, f64) {
        let mut state = self.lock();
        let operating = state.operating();
        (operating.volts(ProbePoint::BatteryPositive), operating.ground_drop_v())
    }

    /// What the handheld meter is at.
    pub(crate) fn probe_input(&self) -> ProbeInput {
        let mut state = self.lock();
        match (state.operator.dial, state.operator.leads) {
            (MeterDial::Volts, ProbeLeads::Lifted) => ProbeInput::AirOnVolts,
            (MeterDial::Ohms, ProbeLeads::Lifted) => ProbeInput::AirOnOhms,
            (MeterDial::Volts, ProbeLeads::On { red, black }) => {
                ProbeInput::Volts(state.operating().between(red, black))
            }
            (MeterDial::Ohms, ProbeLeads::On { red, black }) => {
                ProbeInput::Ohms(state.circuit.path(&state.operator.setup, red, black))
            }
        }
    }

    /// A panic elsewhere leaves plain values behind, which are still worth showing.
    fn lock(&self) -> MutexGuard<'_, MachineState> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl MachineState {
    fn operating(&mut self) -> &OperatingPoint {
        self.solved.get_or_insert_with(|| self.circuit.solve(&self.operator.setup))
    }

    fn clamps_a(&mut self) -> [f64; 5] {
        let operating = self.operating();
        LoaderCoil::ALL.map(|coil| operating.clamp_a(coil))
    }

    fn lever_moved(&mut self) {
        let tilt = LoaderCoil::Tilt;
        self.late = None;
        self.operator.setup.drives[tilt.index()] = match self.operator.tilt_lever {
            LeverPosition::Pushed => DriverCommand::Amps(PUSHED_A),
            LeverPosition::Rest => {
                self.releases += 1;
                if self.releases.is_multiple_of(2) && !self.circuit.branch(tilt).release_delay.is_zero() {
                    self.late = Some(None);
                    return;
                }
                DriverCommand::Off
            }
        };
    }

    fn let_go_late(&mut self, since_boot: Duration) {
        let Some(since) = &mut self.late else { return };
        let since = *since.get_or_insert(since_boot);
        if since_boot.saturating_sub(since) >= self.circuit.branch(LoaderCoil::Tilt).release_delay {
            self.operator.setup.drives[LoaderCoil::Tilt.index()] = DriverCommand::Off;
            (self.late, self.solved) = (None, None);
        }
    }

    /// The currents while the machine is shaken, which is one scan long; none where it is not, or no pin is loose.
    fn shaken_a(&mut self) -> Option<[f64; 5]> {
        let loose = |coil: &LoaderCoil| self.circuit.branch(*coil).pin_when_shaken == ContactState::Open;
        if !std::mem::take(&mut self.is_shaken) || !LoaderCoil::ALL.iter().any(loose) {
            return None;
        }
        let opened =
            LoaderCoil::ALL.into_iter().filter(loose).fold(self.operator.setup.clone(), MachineSetup::unplugged);
        let operating = self.circuit.solve(&opened);
        Some(LoaderCoil::ALL.map(|coil| operating.clamp_a(coil)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::fault::SimulatedFault;

    impl SimulatedMachine {
        /// True current through each clamp, ampere.
        pub(in crate::demo) fn clamps_a(&self) -> [f64; 5] {
            self.lock().clamps_a()
        }
    }

    /// A machine with the key on.
    fn with(faults: &[SimulatedFault]) -> SimulatedMachine {
        let mut circuit = LoaderCircuit::healthy();
        faults.iter().for_each(|fault| fault.apply(&mut circuit));
        let machine = SimulatedMachine::new(circuit);
        machine.change(|operator| operator.setup.key = ContactState::Closed);
        machine
    }

    /// The tilt coil's current in each of so many scans, 20 ms one after the other, from this time.
    fn tilts_a(machine: &SimulatedMachine, from_ms: u64, scans: u64) -> Vec<f64> {
        let at = |scan| Duration::from_millis(from_ms + 20 * scan);
        (0..scans).map(|scan| machine.scan(at(scan)).0[LoaderCoil::Tilt.index()]).collect()
    }

    fn lever(machine: &SimulatedMachine, position: LeverPosition) {
        machine.change(|operator| operator.tilt_lever = position);
    }

    #[test]
    fn a_lever_drives_its_coil_at_once_and_a_late_driver_lets_go_late_each_second_time() {
        let delay = Duration::from_millis(100);
        for (faults, late_scans) in
            [(vec![], 0), (vec![SimulatedFault::LateRelease { coil: LoaderCoil::Tilt, delay }], 5)]
        {
            let machine = with(&faults);
            for expected in [0, late_scans, 0, late_scans] {
                lever(&machine, LeverPosition::Pushed);
                assert_eq!(machine.scan(Duration::ZERO).1, 4.5);
                assert!(tilts_a(&machine, 20, 3).iter().all(|amps| (amps - 1.0).abs() < 0.01));
                lever(&machine, LeverPosition::Rest);
                assert_eq!(machine.operator().tilt_lever.signal_v(), 2.5);
                let still_on = tilts_a(&machine, 1000, 20).iter().filter(|amps| **amps > 0.5).count();
                assert_eq!(still_on, expected, "{faults:?}");
            }
        }
    }

    #[test]
    fn a_loose_pin_opens_for_one_scan_of_a_shake() {
        let machine = with(&[SimulatedFault::LooseFeedPin { coil: LoaderCoil::Lift }]);
        machine.change(|operator| {
            operator.setup = MachineSetup::holding(&[LoaderCoil::Lift, LoaderCoil::Float]);
            operator.bumps += 1;
        });
        let amps: Vec<[f64; 5]> = (0..4).map(|scan| machine.scan(Duration::from_millis(scan)).0).collect();
        let lift: Vec<bool> = amps.iter().map(|amps| amps[LoaderCoil::Lift.index()] > 1.4).collect();
        assert_eq!(lift, [false, true, true, true]);
        assert!(amps.iter().all(|amps| amps[LoaderCoil::Float.index()] > 1.1), "{amps:?}");
        let sound = with(&[]);
        sound.change(|operator| {
            operator.setup = MachineSetup::holding(&[LoaderCoil::Lift]);
            operator.bumps += 1;
        });
        assert!(sound.scan(Duration::ZERO).0[LoaderCoil::Lift.index()] > 1.4);
    }

    #[test]
    fn what_the_hands_do_is_seen_at_once() {
        let machine = SimulatedMachine::new(LoaderCircuit::healthy());
        assert_eq!(machine.probe_input(), ProbeInput::AirOnVolts);
        assert!(machine.clamps_a().iter().all(|amps| amps.abs() < 1e-6));
        machine.change(|operator| {
            operator.setup = MachineSetup::holding(&[LoaderCoil::Tilt]);
            operator.leads = ProbeLeads::On { red: ProbePoint::BlockFeed, black: ProbePoint::BatteryNegative };
        });
        assert!(machine.clamps_a()[LoaderCoil::Tilt.index()] > 1.4);
        assert!(matches!(machine.probe_input(), ProbeInput::Volts(volts) if volts > 12.3));
        let (supply, ground) = machine.supply_and_ground_v();
        assert!(supply > 12.5 && (0.001..0.1).contains(&ground));
        machine.change(|operator| {
            operator.setup.drives[LoaderCoil::Tilt.index()] = DriverCommand::Off;
            operator.setup.key = ContactState::Open;
            operator.dial = MeterDial::Ohms;
        });
        assert!(machine.clamps_a()[LoaderCoil::Tilt.index()].abs() < 1e-6);
        // Key off, what is between the block's feed and the battery is the machine's standing load.
        assert!(matches!(machine.probe_input(), ProbeInput::Ohms(path) if (path.ohms - 6.0).abs() < 1e-3));
    }
}
