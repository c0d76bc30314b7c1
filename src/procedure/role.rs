//! What a step measures in its circuit: the two words by which a procedure tells it.
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
//! Without `role` only the obvious is taken for granted, see [`Usage::of_steps`]. Knows no value.

use std::{fmt, str::FromStr};

use super::Step;
use crate::units::Quantity;

/// What a step measures in its circuit. In a coil's circuit "at the coil" is the coil's own terminal, so
/// that wires, pins and connector all lie on the side that is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Role {
    /// Volts across the battery's posts.
    Supply,
    /// Volts from the feed to battery negative: at the harness pin with the coil unplugged and its driver
    /// on while nothing runs, at the coil while it runs; in a circuit without coil, at the shared feed.
    Feed,
    /// Volts from battery positive to the coil's feed terminal (or to the shared feed) under load.
    FeedDrop,
    /// Ohms across the coil, unplugged.
    CoilOhms,
    /// Amps of the coil held on.
    CoilAmps,
    /// Volts across the coil's own terminals, held on.
    CoilVolts,
    /// Volts across the feed pin of the coil's connector, held on.
    FeedPinDrop,
    /// Volts across the ground pin of the coil's connector, held on.
    GroundPinDrop,
    /// Volts from the coil's ground terminal (or from the shared ground) to battery negative under load.
    GroundDrop,
    /// Ohms from the harness feed pin to battery negative, coil unplugged and key off.
    OhmsToGround,
    /// Amps in the coil's wire while its driver is off.
    Draw,
}

/// What carries current while a step is done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Running {
    /// Nothing is driven.
    Nothing,
    /// This circuit's coil alone.
    This,
    /// Every coil of the procedure.
    Everything,
}

/// A word that no procedure knows here.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("found \"{found}\", expected one of {expected}")]
pub struct WordError {
    found: String,
    expected: String,
}

/// Every role, how it is written, and what its meter is switched to: the one list.
const ROLES: [(Role, &str, Quantity); 11] = [
    (Role::Supply, "supply", Quantity::VoltsDc),
    (Role::Feed, "feed", Quantity::VoltsDc),
    (Role::FeedDrop, "feed drop", Quantity::VoltsDc),
    (Role::CoilOhms, "coil ohms", Quantity::Ohms),
    (Role::CoilAmps, "coil amps", Quantity::AmpsDc),
    (Role::CoilVolts, "coil volts", Quantity::VoltsDc),
    (Role::FeedPinDrop, "feed pin drop", Quantity::VoltsDc),
    (Role::GroundPinDrop, "ground pin drop", Quantity::VoltsDc),
    (Role::GroundDrop, "ground drop", Quantity::VoltsDc),
    (Role::OhmsToGround, "ohms to ground", Quantity::Ohms),
    (Role::Draw, "draw", Quantity::AmpsDc),
];

const RUNNINGS: [(Running, &str); 3] =
    [(Running::Nothing, "nothing"), (Running::This, "this"), (Running::Everything, "everything")];

impl Role {
    /// How it is written in files.
    pub fn word(self) -> &'static str {
        ROLES[self as usize].1
    }

    /// What the meter is switched to for it.
    pub fn quantity(self) -> Quantity {
        ROLES[self as usize].2
    }

    /// What runs while it is measured unless the step tells.
    pub const fn usual_running(self) -> Running {
        match self {
            Self::Supply | Self::Feed | Self::CoilOhms | Self::OhmsToGround | Self::Draw => Running::Nothing,
            Self::FeedDrop
            | Self::CoilAmps
            | Self::CoilVolts
            | Self::FeedPinDrop
            | Self::GroundPinDrop
            | Self::GroundDrop => Running::This,
        }
    }

    /// Whether it can be measured while so much runs: ohms with nothing, amps and drops with something.
    pub const fn goes_with(self, running: Running) -> bool {
        match self {
            Self::Supply | Self::Feed => true,
            Self::CoilOhms | Self::OhmsToGround | Self::Draw => matches!(running, Running::Nothing),
            _ => !matches!(running, Running::Nothing),
        }
    }
}

impl Running {
    /// How it is written in files.
    pub fn word(self) -> &'static str {
        RUNNINGS[self as usize].1
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

fn find<T: Copy>(text: &str, words: impl Iterator<Item = (T, &'static str)> + Clone) -> Result<T, WordError> {
    let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
    words.clone().find(|(_, word)| word.eq_ignore_ascii_case(&flat)).map(|(item, _)| item).ok_or_else(|| WordError {
        found: text.to_owned(),
        expected: words.map(|(_, word)| format!("\"{word}\"")).collect::<Vec<_>>().join(", "),
    })
}

impl FromStr for Role {
    type Err = WordError;

    fn from_str(text: &str) -> Result<Self, WordError> {
        find(text, ROLES.iter().map(|row| (row.0, row.1)))
    }
}

impl FromStr for Running {
    type Err = WordError;

    fn from_str(text: &str) -> Result<Self, WordError> {
        find(text, RUNNINGS.iter().copied())
    }
}

/// How one step serves its circuit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Usage {
    /// What it measures.
    pub role: Role,
    /// What runs meanwhile.
    pub running: Running,
}

impl Usage {
    /// By step, in their order; none where a step says nothing of use for findings.
    ///
    /// Taken for granted without `role`, and only where the circuit has steps in ohm and in A DC and so is
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
    if own(Quantity::Ohms).next().is_none() || own(Quantity::AmpsDc).next().is_none() {
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
    fn each_word_is_read_back_and_stands_in_its_own_row() {
        for (index, (role, word, _)) in ROLES.into_iter().enumerate() {
            assert_eq!((role as usize, word.parse()), (index, Ok(role)));
            assert!(role.goes_with(role.usual_running()), "{role}");
        }
        for (index, (running, word)) in RUNNINGS.into_iter().enumerate() {
            assert_eq!((running as usize, word.parse()), (index, Ok(running)));
        }
        let error = "feeding".parse::<Role>().unwrap_err().to_string();
        assert!(error.contains("\"feeding\"") && error.contains("\"feed\", \"feed drop\""), "{error}");
    }

    fn usages(steps: &str) -> Vec<Option<Usage>> {
        let text = format!("title = \"x\"\n{}", steps.replace("STEP", "[[step]]\nchannel = \"p\"\nname ="));
        Usage::of_steps(&Procedure::parse("p.toml", &text).unwrap().steps)
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
        assert_eq!(found[2].unwrap().running, Running::This);
    }

    #[test]
    fn two_of_a_kind_need_their_roles() {
        let pair = "STEP \"a\"\ncircuit = \"lift\"\nquantity = \"V DC\"\nSTEP \"b\"\ncircuit = \"lift\"\nquantity = \"V DC\"\n\
                    STEP \"c\"\ncircuit = \"lift\"\nquantity = \"A DC\"\nSTEP \"d\"\ncircuit = \"lift\"\nquantity = \"ohm\"\n";
        assert_eq!(usages(pair)[..2], [None, None]);
        let named = pair.replacen("\"V DC\"", "\"V DC\"\nrole = \"ground drop\"", 1);
        let found = usages(&named);
        assert_eq!(found[0], Some(Usage { role: Role::GroundDrop, running: Running::This }));
        assert_eq!(found[1], Some(Usage { role: Role::Feed, running: Running::Nothing }));
    }
}
