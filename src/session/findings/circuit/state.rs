//! The netlist of the machine while something is measured: what is driven, what is unplugged, what is broken.

use super::{AppliedEdit, Edit, Figure, LeakPlace, MachineFigures, Part};
use crate::{
    electrics::{CircuitReading, Netlist, Resistor, SolvedNetlist},
    procedure::DriverSide,
};

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

/// A quantity with what it gains by each figure. It lives on the stack: thousands are made for one conclusion.
#[derive(Debug, Clone, Copy)]
pub(super) struct Term {
    pub value: f64,
    count: usize,
    slopes: [(usize, f64); MOST_SLOPES],
}

/// A coil held on has the most: its own factor, its kind's, two temperatures, its rise, a fault's factor.
const MOST_SLOPES: usize = 8;

impl Default for Term {
    fn default() -> Self {
        Self::constant(0.0)
    }
}

impl Term {
    pub(super) const fn constant(value: f64) -> Self {
        Self { value, count: 0, slopes: [(0, 0.0); MOST_SLOPES] }
    }

    /// A figure's value.
    pub(super) fn of(machine: &MachineView, place: usize) -> Self {
        let (value, slope) = machine.at(place);
        let mut term = Self::constant(value);
        term.push(place, slope);
        term
    }

    fn push(&mut self, place: usize, slope: f64) {
        self.slopes[self.count] = (place, slope);
        self.count += 1;
    }

    /// MachineFigures, and what it gains by each.
    pub(super) fn slopes(&self) -> &[(usize, f64)] {
        &self.slopes[..self.count]
    }

    pub(super) fn times(self, other: &Self) -> Self {
        let mut product = self.scaled(other.value);
        for (place, slope) in other.slopes() {
            product.push(*place, slope * self.value);
        }
        product
    }

    pub(super) fn plus(mut self, other: &Self) -> Self {
        self.value += other.value;
        for (place, slope) in other.slopes() {
            self.push(*place, *slope);
        }
        self
    }

    pub(super) fn scaled(mut self, factor: f64) -> Self {
        self.value *= factor;
        self.slopes[..self.count].iter_mut().for_each(|(_, slope)| *slope *= factor);
        self
    }
}

/// The figures at one point, and what was changed.
pub(super) struct MachineView<'a> {
    pub figures: &'a MachineFigures,
    /// By figure, then by size of the edits: value and slope.
    pub values: &'a [(f64, f64)],
    pub edits: &'a [AppliedEdit],
    pub nominal: &'a [f64],
    pub kinds: &'a [usize],
    pub sides: &'a [DriverSide],
    pub reference_celsius: f64,
    /// Copper's coefficient at the reference temperature, 1/K.
    pub alpha: f64,
}

/// A pin whose drop is not measured counts as part of its wire.
const JOINT: f64 = 1e-4;
/// A driver switched on, without its volts, and what of the wire lies before the clamp.
const SHARES: [f64; 3] = [0.25, 0.25, 0.5];

impl MachineView<'_> {
    pub(super) fn at(&self, place: usize) -> (f64, f64) {
        self.values[place]
    }

    fn figure(&self, figure: Figure) -> Term {
        Term::of(self, self.figures.place(figure))
    }

    fn size(&self, applied: &AppliedEdit, which: usize) -> Term {
        Term::of(self, applied.sizes + which)
    }

    /// The coil's ohms, cold or held on.
    pub(super) fn coil(&self, branch: usize, held: bool) -> Term {
        let mut at = branch;
        for applied in self.edits {
            if let Edit::Swapped(one, other) = applied.edit {
                at = if at == one {
                    other
                } else if at == other {
                    one
                } else {
                    at
                };
            }
        }
        let celsius = self.figure(Figure::Celsius).plus(&self.figure(Figure::CoilWarmth(at)));
        let mut ratio = celsius.plus(&Term::constant(-self.reference_celsius)).scaled(self.alpha);
        // No coil is colder than copper's rule reaches.
        ratio.value = (1.0 + ratio.value).max(0.3);
        let mut ohms = self
            .figure(Figure::Coil(at))
            .times(&self.figure(Figure::CoilKind(self.kinds[at])))
            .scaled(self.nominal[at])
            .times(&ratio);
        if held {
            ohms = ohms.times(&self.figure(Figure::Held(at)).plus(&Term::constant(1.0)));
        }
        for applied in self.edits {
            match applied.edit {
                Edit::CoilFactor(changed) if changed == at => ohms = ohms.times(&self.size(applied, 0)),
                Edit::Open(Part::Coil(broken)) if broken == at => ohms = ohms.plus(&self.size(applied, 0)),
                _ => {}
            }
        }
        ohms
    }

    /// Ohms from the feed wire to the frame, everything switched off.
    pub(super) fn to_ground(&self, branch: usize) -> Term {
        let parallel = |one: &Term, other: &Term| {
            let sum = one.value + other.value;
            let (of_one, of_other) = ((other.value / sum).powi(2), (one.value / sum).powi(2));
            let mut term = one.scaled(of_one).plus(&other.scaled(of_other));
            term.value = one.value * other.value / sum;
            term
        };
        let mut ohms = self.figure(Figure::Insulation(branch));
        for applied in self.edits {
            match applied.edit {
                Edit::LeakToGround(at, LeakPlace::BeforeClamp | LeakPlace::BehindClamp) | Edit::LimitedLeak(at)
                    if at == branch =>
                {
                    ohms = parallel(&ohms, &self.size(applied, 0));
                }
                _ => {}
            }
        }
        ohms
    }

    fn series(&self, part: Part) -> Term {
        let mut ohms = Term::default();
        for applied in self.edits {
            match applied.edit {
                Edit::Series(at) | Edit::Open(at) if at == part => ohms = ohms.plus(&self.size(applied, 0)),
                _ => {}
            }
        }
        ohms
    }
}

/// The nodes of a branch.
#[derive(Debug, Clone, Copy)]
struct BranchNodes {
    /// High side: the driver's output. Low side: its input.
    output: usize,
    /// Behind the clamp.
    clamped: usize,
    harness_feed: usize,
    coil_feed: usize,
    coil_ground: usize,
    harness_ground: usize,
    /// The wire with the clamp.
    clamp: usize,
}

/// A solved netlist with the figures that each of its resistors comes from.
pub(super) struct StateNetlist {
    pub solved: SolvedNetlist,
    /// Resistor, figure, Ω and V that it gains by the figure.
    pub slopes: Vec<(usize, usize, f64, f64)>,
    /// The battery's own resistor: its volts are those of the source, negative.
    pub source: usize,
    battery: usize,
    feed: usize,
    stud: usize,
    branches: Vec<Option<BranchNodes>>,
}

impl StateNetlist {
    pub(super) fn new(machine: &MachineView, state: DriveState, probed: &[usize]) -> Self {
        let mut netlist = Netlist::default();
        let feeds_itself = |branch: usize| {
            let touches = |applied: &&AppliedEdit| applied.edit.feeds_by_itself();
            machine.edits.iter().filter(touches).any(|applied| applied.edit.branches().contains(&branch))
        };
        let is_live = |branch: usize| state.drives(branch) || probed.contains(&branch) || feeds_itself(branch);
        let mut branches: Vec<Option<BranchNodes>> = (0..machine.nominal.len())
            .map(|branch| {
                is_live(branch).then(|| {
                    let mut node = || netlist.node();
                    BranchNodes {
                        output: node(),
                        clamped: node(),
                        harness_feed: node(),
                        coil_feed: node(),
                        coil_ground: node(),
                        harness_ground: node(),
                        clamp: 0,
                    }
                })
            })
            .collect();
        // What branches share comes last, see the netlist.
        let (battery, feed, stud) = (netlist.node(), netlist.node(), netlist.node());
        let mut builder = NetlistBuilder { netlist, slopes: Vec::new(), battery, feed, stud };
        let source = builder.shared(machine);
        for (at, nodes) in branches.iter_mut().enumerate() {
            if let Some(nodes) = nodes {
                builder.branch(machine, state, at, nodes);
            }
        }
        Self { solved: builder.netlist.solve(), slopes: builder.slopes, source, battery, feed, stud, branches }
    }

    /// The reading in the netlist; none where nothing is connected, and it is 0.
    pub(super) fn reading(&self, measurand: Measurand) -> Option<CircuitReading> {
        let branch = |at: usize| self.branches[at];
        let (battery, feed, stud) = (Some(self.battery), Some(self.feed), Some(self.stud));
        Some(match measurand {
            Measurand::Battery => CircuitReading::Volts(battery, None),
            Measurand::SharedFeed => CircuitReading::Volts(feed, None),
            Measurand::SharedFeedDrop => CircuitReading::Volts(battery, feed),
            Measurand::SharedGround => CircuitReading::Volts(stud, None),
            Measurand::HarnessFeed(at) => CircuitReading::Volts(Some(branch(at)?.harness_feed), None),
            Measurand::CoilFeed(at) => CircuitReading::Volts(Some(branch(at)?.coil_feed), None),
            Measurand::CoilGround(at) => CircuitReading::Volts(Some(branch(at)?.coil_ground), None),
            Measurand::FeedDrop(at) => CircuitReading::Volts(battery, Some(branch(at)?.coil_feed)),
            Measurand::CoilVolts(at) => {
                CircuitReading::Volts(Some(branch(at)?.coil_feed), Some(branch(at)?.coil_ground))
            }
            Measurand::FeedPin(at) => {
                CircuitReading::Volts(Some(branch(at)?.harness_feed), Some(branch(at)?.coil_feed))
            }
            Measurand::GroundPin(at) => {
                CircuitReading::Volts(Some(branch(at)?.coil_ground), Some(branch(at)?.harness_ground))
            }
            Measurand::Wire(at) => CircuitReading::Amps(branch(at)?.clamp),
            Measurand::CoilOhms(_) | Measurand::ToGround(_) => return None,
        })
    }
}

/// A netlist in the making.
struct NetlistBuilder {
    netlist: Netlist,
    slopes: Vec<(usize, usize, f64, f64)>,
    battery: usize,
    feed: usize,
    stud: usize,
}

impl NetlistBuilder {
    fn add(&mut self, from: Option<usize>, to: Option<usize>, ohms: &Term, volts: &Term) -> usize {
        let least = ohms.value.max(1e-5);
        let number = self.netlist.add(Resistor { from, to, ohms: least, volts: volts.value });
        self.slopes.extend(ohms.slopes().iter().map(|(figure, slope)| (number, *figure, *slope, 0.0)));
        self.slopes.extend(volts.slopes().iter().map(|(figure, slope)| (number, *figure, 0.0, *slope)));
        number
    }

    /// What all share; returns the battery's resistor.
    fn shared(&mut self, machine: &MachineView) -> usize {
        let none = Term::default();
        let weak = machine.edits.iter().find(|applied| applied.edit == Edit::WeakBattery);
        let (mut volts, ohms) = match weak {
            Some(applied) => (machine.size(applied, 0), machine.size(applied, 1)),
            None => (machine.figure(Figure::Emf), machine.figure(Figure::BatteryOhms)),
        };
        if let Some(charging) = machine.edits.iter().find(|applied| applied.edit == Edit::Charging) {
            volts = volts.plus(&machine.size(charging, 0));
        }
        let source = self.add(None, Some(self.battery), &ohms, &volts.scaled(-1.0));
        let feed = machine.figure(Figure::FeedOhms).plus(&machine.series(Part::SharedFeed));
        self.add(Some(self.battery), Some(self.feed), &feed, &none);
        self.add(Some(self.feed), None, &machine.figure(Figure::StandingOhms), &none);
        let ground = machine.figure(Figure::GroundOhms).plus(&machine.series(Part::SharedGround));
        self.add(Some(self.stud), None, &ground, &none);
        source
    }

    fn branch(&mut self, machine: &MachineView, state: DriveState, at: usize, nodes: &mut BranchNodes) {
        let none = Term::default();
        let is_unplugged = state == DriveState::HeldUnplugged(at);
        let (feed, stud) = (Some(self.feed), Some(self.stud));
        let wiring = machine.figure(Figure::Wiring);
        let wire = machine.figure(Figure::FeedWire(at)).times(&wiring);
        let run = machine.series(Part::FeedRun(at));
        let ground = machine.figure(Figure::GroundWire(at)).times(&wiring);
        let ground_run = machine.series(Part::GroundRun(at));
        let volts = driver_volts(machine, at, is_unplugged);
        let is_high = machine.sides[at] == DriverSide::High;
        let limited = machine.edits.iter().find(|applied| applied.edit == Edit::LimitedLeak(at));
        if is_high {
            if state.drives(at) {
                match limited {
                    // A source of the limit's amps.
                    Some(applied) => {
                        const STIFF: f64 = 1e4;
                        let amps = machine.size(applied, 1);
                        self.add(feed, Some(nodes.output), &Term::constant(STIFF), &amps.scaled(-STIFF));
                    }
                    None => {
                        self.add(feed, Some(nodes.output), &wire.scaled(SHARES[0]), &volts);
                    }
                }
            }
            nodes.clamp = self.add(Some(nodes.output), Some(nodes.clamped), &wire.scaled(SHARES[1]), &none);
        } else {
            nodes.clamp = self.add(feed, Some(nodes.clamped), &wire.scaled(SHARES[0] + SHARES[1]), &none);
        }
        self.add(Some(nodes.clamped), Some(nodes.harness_feed), &wire.scaled(SHARES[2]).plus(&run), &none);
        if !is_unplugged {
            let pin = |figure, part| {
                machine.figure(figure).times(&wiring).plus(&Term::constant(JOINT)).plus(&machine.series(part))
            };
            let (feed_pin, ground_pin) =
                (pin(Figure::FeedPin(at), Part::FeedPin(at)), pin(Figure::GroundPin(at), Part::GroundPin(at)));
            self.add(Some(nodes.harness_feed), Some(nodes.coil_feed), &feed_pin, &none);
            let coil = machine.coil(at, state.drives(at));
            self.add(Some(nodes.coil_feed), Some(nodes.coil_ground), &coil, &none);
            self.add(Some(nodes.coil_ground), Some(nodes.harness_ground), &ground_pin, &none);
            if is_high {
                self.add(Some(nodes.harness_ground), stud, &ground.plus(&ground_run), &none);
            } else {
                let wire = ground.scaled(0.5).plus(&ground_run);
                self.add(Some(nodes.harness_ground), Some(nodes.output), &wire, &none);
                if state.drives(at) {
                    self.add(Some(nodes.output), stud, &ground.scaled(0.5), &volts);
                }
            }
        }
        for applied in machine.edits {
            let (from, place) = match applied.edit {
                Edit::LeakToGround(leaky, place) if leaky == at => (None, place),
                Edit::LimitedLeak(leaky) if leaky == at => (None, LeakPlace::BehindClamp),
                Edit::LeakToFeed(touched, place) if touched == at => (Some(self.battery), place),
                _ => continue,
            };
            let to = match place {
                LeakPlace::BeforeClamp => nodes.output,
                LeakPlace::BehindClamp => nodes.harness_feed,
                LeakPlace::GroundSide => nodes.harness_ground,
            };
            self.add(from, Some(to), &machine.size(applied, 0), &none);
        }
    }
}

/// Volts that a driver takes while it is on.
fn driver_volts(machine: &MachineView, at: usize, is_unloaded: bool) -> Term {
    let mut volts = machine.figure(Figure::DriverVolts).times(&machine.figure(Figure::Driver(at)));
    if is_unloaded {
        volts = volts.times(&machine.figure(Figure::UnloadedShare));
    }
    for applied in machine.edits {
        if let Edit::DriverVolts(faulty, without_load) = applied.edit
            && faulty == at
            && (without_load || !is_unloaded)
        {
            volts = volts.plus(&machine.size(applied, 0));
        }
    }
    volts
}
