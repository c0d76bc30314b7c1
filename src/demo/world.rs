//! What is true at this moment: the machine, what the operator does to it, where the leads are.
//!
//! Shared between the player of the scenario, who changes it, and the instruments, which look at it. Knows
//! no port and no clock.

use std::sync::{Mutex, MutexGuard, PoisonError};

use super::circuit::{Circuit, Coil, Setup};
use super::meter::Touch;
use super::operating::{Operating, Spot};

/// Where the handheld meter's leads are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Leads {
    /// In the air.
    Lifted,
    /// On two places.
    On {
        /// Where the red lead is.
        red: Spot,
        /// Where the black lead is.
        black: Spot,
    },
}

/// The handheld meter's switch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Dial {
    /// V DC.
    Volts,
    /// Ohms.
    Ohms,
}

/// All that the operator's hands decide.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Hands {
    /// Key, connectors and selectors.
    pub setup: Setup,
    /// The handheld meter's leads.
    pub leads: Leads,
    /// The handheld meter's switch.
    pub dial: Dial,
}

/// The machine and the hands on it.
#[derive(Debug)]
pub(crate) struct World {
    state: Mutex<State>,
}

#[derive(Debug)]
struct State {
    circuit: Circuit,
    hands: Hands,
    /// Solved when first looked at, forgotten at the next change.
    solved: Option<Operating>,
}

impl World {
    /// A machine that is parked, leads in the air, meter on volts.
    pub(crate) fn new(circuit: Circuit) -> Self {
        let hands = Hands { setup: Setup::parked(), leads: Leads::Lifted, dial: Dial::Volts };
        Self { state: Mutex::new(State { circuit, hands, solved: None }) }
    }

    /// Does something with the hands.
    pub(crate) fn change(&self, what: impl FnOnce(&mut Hands)) {
        let mut state = self.lock();
        what(&mut state.hands);
        state.solved = None;
    }

    /// What the hands do now.
    #[cfg(test)]
    pub(crate) fn hands(&self) -> Hands {
        self.lock().hands.clone()
    }

    /// True current through each clamp, ampere.
    pub(crate) fn clamps_a(&self) -> [f64; 5] {
        let mut state = self.lock();
        let operating = state.operating();
        Coil::ALL.map(|coil| operating.clamp_a(coil))
    }

    /// True volts at the battery's positive post and at the block's ground stud, above its negative post.
    pub(crate) fn supply_and_ground_v(&self) -> (f64, f64) {
        let mut state = self.lock();
        let operating = state.operating();
        (operating.volts(Spot::BatteryPositive), operating.ground_drop_v())
    }

    /// What the handheld meter is at.
    pub(crate) fn touch(&self) -> Touch {
        let mut state = self.lock();
        match (state.hands.dial, state.hands.leads) {
            (Dial::Volts, Leads::Lifted) => Touch::AirOnVolts,
            (Dial::Ohms, Leads::Lifted) => Touch::AirOnOhms,
            (Dial::Volts, Leads::On { red, black }) => Touch::Volts(state.operating().between(red, black)),
            (Dial::Ohms, Leads::On { red, black }) => Touch::Ohms(state.circuit.path(&state.hands.setup, red, black)),
        }
    }

    /// A panic elsewhere leaves plain values behind, which are still worth showing.
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl State {
    fn operating(&mut self) -> &Operating {
        self.solved.get_or_insert_with(|| self.circuit.solve(&self.hands.setup))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::circuit::{Drive, Joint};

    #[test]
    fn what_the_hands_do_is_seen_at_once() {
        let world = World::new(Circuit::sound());
        assert_eq!(world.touch(), Touch::AirOnVolts);
        assert!(world.clamps_a().iter().all(|amps| amps.abs() < 1e-6));
        world.change(|hands| {
            hands.setup = Setup::holding(&[Coil::Tilt]);
            hands.leads = Leads::On { red: Spot::BlockFeed, black: Spot::BatteryNegative };
        });
        assert!(world.clamps_a()[Coil::Tilt.index()] > 1.4);
        assert!(matches!(world.touch(), Touch::Volts(volts) if volts > 12.3));
        let (supply, ground) = world.supply_and_ground_v();
        assert!(supply > 12.5 && (0.001..0.1).contains(&ground));
        world.change(|hands| {
            hands.setup.drives[Coil::Tilt.index()] = Drive::Off;
            hands.setup.key = Joint::Broken;
            hands.dial = Dial::Ohms;
        });
        assert!(world.clamps_a()[Coil::Tilt.index()].abs() < 1e-6);
        // Key off, what is between the block's feed and the battery is the machine's standing load.
        assert!(matches!(world.touch(), Touch::Ohms(path) if (path.ohms - 6.0).abs() < 1e-3));
    }
}
