//! What is measured, and what is driven meanwhile.

/// What is driven while something is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in super::super) enum DriveState {
    /// Key on, nothing driven, all plugged in.
    Rest,
    /// Every coil held on.
    AllHeld,
    /// One coil held on.
    Held(usize),
    /// One coil driven, but unplugged.
    HeldUnplugged(usize),
}

impl DriveState {
    /// Whether a branch's driver is on.
    pub(in super::super) fn drives(self, branch: usize) -> bool {
        match self {
            Self::Rest => false,
            Self::AllHeld => true,
            Self::Held(at) | Self::HeldUnplugged(at) => at == branch,
        }
    }

    /// Its index among all states of a circuit with this number of branches.
    pub(super) const fn index(self, branches: usize) -> usize {
        match self {
            Self::Rest => 0,
            Self::AllHeld => 1,
            Self::Held(at) => 2 + at,
            Self::HeldUnplugged(at) => 2 + branches + at,
        }
    }
}

/// What is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in super::super) enum Measurand {
    /// Volts of battery positive.
    Battery,
    /// Volts of the shared feed.
    SharedFeed,
    /// Volts from battery positive to the shared feed.
    SharedFeedDrop,
    /// Volts of the shared ground.
    SharedGround,
    /// Volts of a branch's harness feed pin.
    HarnessFeed(usize),
    /// Volts of a coil's feed terminal.
    CoilFeed(usize),
    /// Volts of a coil's ground terminal.
    CoilGround(usize),
    /// Volts from battery positive to a coil's feed terminal.
    FeedDrop(usize),
    /// Volts across a coil.
    CoilVolts(usize),
    /// Volts across a feed pin.
    FeedPin(usize),
    /// Volts across a ground pin.
    GroundPin(usize),
    /// Amps in a coil's wire.
    Wire(usize),
    /// Ohms of a coil, unplugged.
    CoilOhms(usize),
    /// Ohms from a harness feed pin to battery negative, unplugged, key off.
    ToGround(usize),
}

impl Measurand {
    /// The branch that it is measured on; none for what all share.
    pub(in super::super) const fn branch(self) -> Option<usize> {
        match self {
            Self::Battery | Self::SharedFeed | Self::SharedFeedDrop | Self::SharedGround => None,
            Self::HarnessFeed(at)
            | Self::CoilFeed(at)
            | Self::CoilGround(at)
            | Self::FeedDrop(at)
            | Self::CoilVolts(at)
            | Self::FeedPin(at)
            | Self::GroundPin(at)
            | Self::Wire(at)
            | Self::CoilOhms(at)
            | Self::ToGround(at) => Some(at),
        }
    }

    /// Whether it is measured in ohm, and so compared by [`super::comparable`].
    pub(in super::super) const fn in_ohms(self) -> bool {
        matches!(self, Self::CoilOhms(_) | Self::ToGround(_))
    }
}
