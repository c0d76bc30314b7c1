//! What a cause changes: the circuit, where something is broken; what a reading stands for, where a person made a mistake.

/// A part that current flows through.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in super::super) enum Part {
    SharedFeed,
    SharedGround,
    /// From the shared feed to the harness side of the feed pin: driver, wire, joints.
    FeedRun(usize),
    FeedPin(usize),
    /// The coil's winding.
    Coil(usize),
    GroundPin(usize),
    /// From the harness side of the ground pin to the shared ground.
    GroundRun(usize),
}

/// Where a wire touches something.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in super::super) enum LeakPlace {
    /// Between driver and clamp.
    BeforeClamp,
    /// Between clamp and coil.
    BehindClamp,
    /// Behind the coil.
    GroundSide,
}

/// One change. What it needs in figures (its sizes) is given when it is applied.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in super::super) enum Edit {
    /// Ohms in series.
    Series(Part),
    /// Next to nothing conducts there: ohms of the break.
    Open(Part),
    /// Factor on the coil's ohms.
    CoilFactor(usize),
    /// Volts that the driver drops; without load too if so.
    DriverVolts(usize, bool),
    /// Ohms from a branch to the frame.
    LeakToGround(usize, LeakPlace),
    /// Ohms from the feed wire to the frame, and the amps to which the driver then limits itself.
    LimitedLeak(usize),
    /// Ohms from battery positive to a branch.
    LeakToFeed(usize, LeakPlace),
    /// Two coils are exchanged.
    SwappedCoils(usize, usize),
    /// Volts and ohms of the battery.
    WeakBattery,
    /// Not a fault: a coil is so much warmer than all, K.
    Warmth(usize),
    /// Not a fault: the engine runs, so many volts more.
    Charging,
    /// Not a fault: all drivers are of the old kind with a junction in series. Its volts, and how many less it
    /// takes without load.
    JunctionDrivers,
    /// Not a fault: the machine draws next to nothing beside the coils.
    LittleDraw,

    /// Two readings are filed under each other's step.
    SwappedSteps(usize, usize),
    /// A lead slipped: the reading stands for nothing.
    Slipped(usize),
    /// The clamp of a channel was on backward.
    Reversed(usize),
    /// The clamp was dead, or not around this wire.
    DeadClamp(usize),
    /// Amps by which a clamp is off that was not zeroed, by channel.
    NotZeroed(usize),
    /// Ohms of leads that were not taken off, by channel.
    LeadsNotNulled(usize),
    /// Factor by which a meter with a weak battery shows too much, by channel.
    WeakMeter(usize),
    /// The engine was started before this reading: so many volts more from there on.
    EngineStarted(usize),
}

/// What a change is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in super::super) enum Changed {
    /// What flows through a part.
    Part(Part),
    /// What flows from a branch to the frame.
    ToGround(usize),
    /// What flows from battery positive into a branch.
    ToFeed(usize),
}

/// A change whose sizes stand behind the figures, from this place on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in super::super) struct AppliedEdit {
    pub edit: Edit,
    pub sizes: usize,
}

impl Part {
    /// The branch that it is in; none for what all share.
    pub(in super::super) const fn branch(self) -> Option<usize> {
        match self {
            Self::SharedFeed | Self::SharedGround => None,
            Self::FeedRun(at) | Self::FeedPin(at) | Self::Coil(at) | Self::GroundPin(at) | Self::GroundRun(at) => {
                Some(at)
            }
        }
    }
}

/// What a change is beside a machine in good order that is measured well.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in super::super) enum EditKind {
    /// Something is broken.
    Fault,
    /// Nothing is wrong, but a good machine can be so.
    State,
    /// A person measured or filed it wrongly: measured again with care, it is gone.
    Mistake,
}

impl Edit {
    /// Whether it is a fault, a state of a good machine or a mistake.
    pub(in super::super) const fn kind(self) -> EditKind {
        match self {
            Self::Series(_)
            | Self::Open(_)
            | Self::CoilFactor(_)
            | Self::DriverVolts(..)
            | Self::LeakToGround(..)
            | Self::LimitedLeak(_)
            | Self::LeakToFeed(..)
            | Self::SwappedCoils(..)
            | Self::WeakBattery => EditKind::Fault,
            Self::Warmth(_) | Self::Charging | Self::JunctionDrivers | Self::LittleDraw => EditKind::State,
            Self::SwappedSteps(..)
            | Self::Slipped(_)
            | Self::Reversed(_)
            | Self::DeadClamp(_)
            | Self::NotZeroed(_)
            | Self::LeadsNotNulled(_)
            | Self::WeakMeter(_)
            | Self::EngineStarted(_) => EditKind::Mistake,
        }
    }

    /// Whether something of the machine is broken.
    pub(in super::super) const fn is_fault(self) -> bool {
        matches!(self.kind(), EditKind::Fault)
    }

    /// Whether a person made it, and measuring again with care takes it back.
    pub(in super::super) const fn is_mistake(self) -> bool {
        matches!(self.kind(), EditKind::Mistake)
    }

    /// The branches whose circuit it changes.
    pub(in super::super) fn branches(self) -> impl Iterator<Item = usize> {
        let two = match self {
            Self::Series(part) | Self::Open(part) => [part.branch(), None],
            Self::CoilFactor(at)
            | Self::Warmth(at)
            | Self::DriverVolts(at, _)
            | Self::LeakToGround(at, _)
            | Self::LimitedLeak(at)
            | Self::LeakToFeed(at, _) => [Some(at), None],
            Self::SwappedCoils(one, other) => [Some(one), Some(other)],
            Self::WeakBattery
            | Self::Charging
            | Self::JunctionDrivers
            | Self::LittleDraw
            | Self::SwappedSteps(..)
            | Self::Slipped(_)
            | Self::Reversed(_)
            | Self::DeadClamp(_)
            | Self::NotZeroed(_)
            | Self::LeadsNotNulled(_)
            | Self::WeakMeter(_)
            | Self::EngineStarted(_) => [None, None],
        };
        two.into_iter().flatten()
    }

    /// What it changes of the machine, where two changes of the same make no sense together.
    pub(in super::super) const fn changes(self) -> Option<Changed> {
        match self {
            Self::Series(part) | Self::Open(part) => Some(Changed::Part(part)),
            Self::CoilFactor(at) | Self::Warmth(at) => Some(Changed::Part(Part::Coil(at))),
            Self::DriverVolts(at, _) => Some(Changed::Part(Part::FeedRun(at))),
            Self::LeakToGround(at, _) | Self::LimitedLeak(at) => Some(Changed::ToGround(at)),
            Self::LeakToFeed(at, _) => Some(Changed::ToFeed(at)),
            Self::SwappedCoils(..)
            | Self::WeakBattery
            | Self::Charging
            | Self::JunctionDrivers
            | Self::LittleDraw
            | Self::SwappedSteps(..)
            | Self::Slipped(_)
            | Self::Reversed(_)
            | Self::DeadClamp(_)
            | Self::NotZeroed(_)
            | Self::LeadsNotNulled(_)
            | Self::WeakMeter(_)
            | Self::EngineStarted(_) => None,
        }
    }

    /// Whether it changes what all circuits share.
    pub(in super::super) const fn is_shared(self) -> bool {
        match self {
            Self::Series(part) | Self::Open(part) => part.branch().is_none(),
            Self::WeakBattery | Self::Charging => true,
            Self::CoilFactor(_)
            | Self::Warmth(_)
            | Self::DriverVolts(..)
            | Self::LeakToGround(..)
            | Self::LimitedLeak(_)
            | Self::LeakToFeed(..)
            | Self::SwappedCoils(..)
            | Self::JunctionDrivers
            | Self::LittleDraw
            | Self::SwappedSteps(..)
            | Self::Slipped(_)
            | Self::Reversed(_)
            | Self::DeadClamp(_)
            | Self::NotZeroed(_)
            | Self::LeadsNotNulled(_)
            | Self::WeakMeter(_)
            | Self::EngineStarted(_) => false,
        }
    }

    /// Whether a current flows through it while its driver is off.
    pub(in super::super) const fn feeds_by_itself(self) -> bool {
        match self {
            Self::LeakToGround(..) | Self::LimitedLeak(_) | Self::LeakToFeed(..) => true,
            Self::Series(_)
            | Self::Open(_)
            | Self::CoilFactor(_)
            | Self::DriverVolts(..)
            | Self::SwappedCoils(..)
            | Self::WeakBattery
            | Self::Warmth(_)
            | Self::Charging
            | Self::JunctionDrivers
            | Self::LittleDraw
            | Self::SwappedSteps(..)
            | Self::Slipped(_)
            | Self::Reversed(_)
            | Self::DeadClamp(_)
            | Self::NotZeroed(_)
            | Self::LeadsNotNulled(_)
            | Self::WeakMeter(_)
            | Self::EngineStarted(_) => false,
        }
    }
}
