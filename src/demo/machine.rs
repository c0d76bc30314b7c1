//! What is true at this moment: the machine, what the operator does to it, where the leads are.
//!
//! Shared between the scenario, which changes it, and the instruments, which read it. Knows no port and no clock.

use std::sync::{Mutex, MutexGuard, PoisonError};

use super::circuit::{LoaderCircuit, LoaderCoil, MachineSetup};
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

/// Everything that the operator sets.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct OperatorState {
    /// Key, connectors and selectors.
    pub setup: MachineSetup,
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
    /// Solved when first looked at, forgotten at the next change.
    solved: Option<OperatingPoint>,
}

impl SimulatedMachine {
    /// A machine that is parked, leads in the air, meter on volts.
    pub(crate) fn new(circuit: LoaderCircuit) -> Self {
        let operator =
            OperatorState { setup: MachineSetup::parked(), leads: ProbeLeads::Lifted, dial: MeterDial::Volts };
        Self { state: Mutex::new(MachineState { circuit, operator, solved: None }) }
    }

    /// Changes what the operator does.
    pub(crate) fn change(&self, what: impl FnOnce(&mut OperatorState)) {
        let mut state = self.lock();
        what(&mut state.operator);
        state.solved = None;
    }

    /// True current through each clamp, ampere.
    pub(crate) fn clamps_a(&self) -> [f64; 5] {
        let mut state = self.lock();
        let operating = state.operating();
        LoaderCoil::ALL.map(|coil| operating.clamp_a(coil))
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
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::circuit::{ContactState, DriverCommand};

    impl SimulatedMachine {
        /// What the operator does now.
        pub(in crate::demo) fn operator(&self) -> OperatorState {
            self.lock().operator.clone()
        }
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
