//! What a step measures in its circuit: the two words of a procedure for it.
//!
//! `role` is the place and the kind of the measurement, `running` is what carries current meanwhile:
//!
//! ```toml
//! [[step]]
//! name = "lift coil, ground side"
//! circuit = "lift coil"
//! channel = "probe"
//! quantity = "V DC"
//! role = "ground drop"
//! running = "this"
//! ```
//!
//! Without `role` only the obvious is taken for granted, see [`CircuitMeasurement::of_steps`]. Knows no value.

use std::fmt;

use strum::{EnumMessage, VariantArray};

use super::Step;
use crate::{units::Quantity, words::words};

/// What a step measures in its circuit. In a coil's circuit "at the coil" is the coil's own terminal, so
/// that wires, pins and connector all lie on the side that is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, VariantArray, EnumMessage)]
pub enum Role {
    /// Volts across the battery's posts.
    #[strum(serialize = "supply")]
    Supply,
    /// Volts from the feed to battery negative: at the harness pin with the coil unplugged and its driver
    /// on while nothing runs, at the coil while it runs; in a circuit without coil, at the shared feed.
    #[strum(serialize = "feed")]
    Feed,
    /// Volts from battery positive to the coil's feed terminal (or to the shared feed) under load.
    #[strum(serialize = "feed drop")]
    FeedDrop,
    /// Ohms across the coil, unplugged.
    #[strum(serialize = "coil ohms")]
    CoilOhms,
    /// Amps of the coil held on.
    #[strum(serialize = "coil amps")]
    CoilAmps,
    /// Volts across the coil's own terminals, held on.
    #[strum(serialize = "coil volts")]
    CoilVolts,
    /// Volts across the feed pin of the coil's connector, held on.
    #[strum(serialize = "feed pin drop")]
    FeedPinDrop,
    /// Volts across the ground pin of the coil's connector, held on.
    #[strum(serialize = "ground pin drop")]
    GroundPinDrop,
    /// Volts from the coil's ground terminal (or from the shared ground) to battery negative under load.
    #[strum(serialize = "ground drop")]
    GroundDrop,
    /// Ohms from the harness feed pin to battery negative, coil unplugged and key off.
    #[strum(serialize = "ohms to ground")]
    OhmsToGround,
    /// Amps in the coil's wire while its driver is off.
    #[strum(serialize = "draw")]
    Draw,
}

/// What carries current while a step is done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, VariantArray, EnumMessage)]
pub enum RunningLoads {
    /// Nothing is driven.
    #[strum(serialize = "nothing")]
    Nothing,
    /// This circuit's coil alone.
    #[strum(serialize = "this")]
    This,
    /// Every coil of the procedure.
    #[strum(serialize = "everything")]
    Everything,
}

words!(pub Role, pub RunningLoads);

impl Role {
    /// What the meter is switched to for it.
    pub fn quantity(self) -> Quantity {
        match self {
            Self::CoilOhms | Self::OhmsToGround => Quantity::Ohms,
            Self::CoilAmps | Self::Draw => Quantity::AmpsDc,
            Self::Supply
            | Self::Feed
            | Self::FeedDrop
            | Self::CoilVolts
            | Self::FeedPinDrop
            | Self::GroundPinDrop
            | Self::GroundDrop => Quantity::VoltsDc,
        }
    }

    /// What runs while it is measured unless the step says so.
    pub const fn usual_running(self) -> RunningLoads {
        match self {
            Self::Supply | Self::Feed | Self::CoilOhms | Self::OhmsToGround | Self::Draw => RunningLoads::Nothing,
            Self::FeedDrop
            | Self::CoilAmps
            | Self::CoilVolts
            | Self::FeedPinDrop
            | Self::GroundPinDrop
            | Self::GroundDrop => RunningLoads::This,
        }
    }

    /// Whether only a circuit with a coil has it.
    pub const fn is_of_coil(self) -> bool {
        matches!(self, Self::CoilOhms | Self::CoilAmps | Self::CoilVolts | Self::FeedPinDrop | Self::GroundPinDrop)
    }

    /// Whether it can be measured while so much runs: ohms with nothing, amps and drops with something.
    pub const fn goes_with(self, running: RunningLoads) -> bool {
        match self {
            Self::Supply | Self::Feed => true,
            Self::CoilOhms | Self::OhmsToGround | Self::Draw => matches!(running, RunningLoads::Nothing),
            _ => !matches!(running, RunningLoads::Nothing),
        }
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// What one step measures in its circuit, and under which load.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CircuitMeasurement {
    /// What it measures.
    pub role: Role,
    /// What runs meanwhile.
    pub running: RunningLoads,
}

impl CircuitMeasurement {
    /// By step, in their order; none where a step is of no use for findings.
    ///
    /// Taken for granted without `role`, and only where the circuit has steps in ohm and in A DC or V DC and so is
    /// a coil's: its one step in ohm is `coil ohms`, its one in A DC `coil amps`, its one in V DC `feed`.
    /// Two steps in one unit say nothing until they have roles.
    pub fn of_steps(steps: &[Step]) -> Vec<Option<Self>> {
        steps
            .iter()
            .map(|step| {
                let role = step.role.or_else(|| obvious(steps, step))?;
                step.circuit.as_ref()?;
                Some(Self { role, running: step.running.unwrap_or(role.usual_running()) })
            })
            .collect()
    }
}

/// The role that a step without one has beyond doubt.
fn obvious(steps: &[Step], step: &Step) -> Option<Role> {
    let circuit = step.circuit.as_ref()?;
    let own = |quantity: Quantity| {
        steps.iter().filter(move |other| other.circuit.as_ref() == Some(circuit) && other.quantity == Some(quantity))
    };
    // Ohms with volts or amps beside them are a coil's; ohms alone may be anything's.
    let has = |quantity| own(quantity).next().is_some();
    if !has(Quantity::Ohms) || !(has(Quantity::AmpsDc) || has(Quantity::VoltsDc)) {
        return None;
    }
    let role = match step.quantity? {
        Quantity::Ohms => Role::CoilOhms,
        Quantity::AmpsDc => Role::CoilAmps,
        Quantity::VoltsDc => Role::Feed,
        _ => return None,
    };
    let unnamed = own(role.quantity()).filter(|other| other.role.is_none()).count();
    let taken = own(role.quantity()).any(|other| other.role == Some(role));
    (unnamed == 1 && !taken).then_some(role)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::procedure::Procedure;

    #[test]
    fn each_word_is_read_back() {
        for role in Role::VARIANTS {
            assert_eq!(role.word().parse(), Ok(*role));
            assert!(role.goes_with(role.usual_running()), "{role}");
        }
        for running in RunningLoads::VARIANTS {
            assert_eq!(running.word().parse(), Ok(*running));
        }
        let error = "feeding".parse::<Role>().unwrap_err().to_string();
        assert!(error.contains("\"feeding\"") && error.contains("\"feed\", \"feed drop\""), "{error}");
    }

    fn usages(steps: &str) -> Vec<Option<CircuitMeasurement>> {
        let text = format!("title = \"x\"\n{}", steps.replace("STEP", "[[step]]\nchannel = \"p\"\nname ="));
        CircuitMeasurement::of_steps(&Procedure::parse("p.toml", &text).unwrap().steps)
    }

    #[test]
    fn only_the_obvious_is_taken_for_granted() {
        let found = usages(
            "STEP \"a\"\ncircuit = \"lift\"\nquantity = \"V DC\"\nSTEP \"b\"\ncircuit = \"lift\"\nquantity = \"ohm\"\n\
             STEP \"c\"\ncircuit = \"lift\"\nquantity = \"A DC\"\nSTEP \"d\"\ncircuit = \"supply\"\nquantity = \"V DC\"\n\
             STEP \"e\"\nquantity = \"ohm\"\n",
        );
        let roles: Vec<Option<Role>> = found.iter().map(|usage| usage.map(|usage| usage.role)).collect();
        assert_eq!(roles, [Some(Role::Feed), Some(Role::CoilOhms), Some(Role::CoilAmps), None, None]);
        assert_eq!(found[2].unwrap().running, RunningLoads::This);
    }

    #[test]
    fn two_of_a_kind_need_their_roles() {
        let pair = "STEP \"a\"\ncircuit = \"lift\"\nquantity = \"V DC\"\nSTEP \"b\"\ncircuit = \"lift\"\nquantity = \"V DC\"\n\
                    STEP \"c\"\ncircuit = \"lift\"\nquantity = \"A DC\"\nSTEP \"d\"\ncircuit = \"lift\"\nquantity = \"ohm\"\n";
        assert_eq!(usages(pair)[..2], [None, None]);
        let named = pair.replacen("\"V DC\"", "\"V DC\"\nrole = \"ground drop\"", 1);
        let found = usages(&named);
        assert_eq!(found[0], Some(CircuitMeasurement { role: Role::GroundDrop, running: RunningLoads::This }));
        assert_eq!(found[1], Some(CircuitMeasurement { role: Role::Feed, running: RunningLoads::Nothing }));
    }
}
