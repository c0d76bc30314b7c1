//! The netlist of the machine while something is measured: what is driven, what is unplugged, what is broken.

use super::{DriveState, Edit, Figure, LeakPlace, Measurand, Part, term::Term, view::MachineView};
use crate::{
    electrics::{CircuitReading, MOST_CHANGES, Netlist, NetlistChange, Resistor, SolvedNetlist},
    procedure::DriverSide,
};

/// A pin whose drop is not measured counts as part of its wire.
const JOINT: f64 = 1e-4;
/// A driver switched on, without its volts, and what of the wire lies before the clamp.
const SHARES: [f64; 3] = [0.25, 0.25, 0.5];

/// A branch has at most about so many.
const RESISTORS_OF_BRANCH: usize = 10;
/// What all branches share has so many resistors; they come first.
const SHARED_RESISTORS: usize = 4;
/// About how many figures a branch's resistors have.
const SLOPES_OF_BRANCH: usize = 24;

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
#[derive(Debug)]
pub(super) struct StateNetlist {
    pub solved: SolvedNetlist,
    /// Resistor, figure, Ω and V that it gains by the figure.
    pub slopes: Vec<(usize, usize, f64, f64)>,
    /// The battery's own resistor: its volts are those of the source, negative.
    pub source: usize,
    battery: usize,
    feed: usize,
    stud: usize,
    /// What current may flow through.
    live: Vec<LiveBranch>,
}

/// A branch in a netlist.
#[derive(Debug, Clone, Copy)]
struct LiveBranch {
    branch: usize,
    nodes: BranchNodes,
    /// Its resistors, by their numbers.
    begin: usize,
    end: usize,
}

/// What an edit does to the resistors of a netlist.
#[derive(Debug, Clone, Copy)]
pub(super) struct StateChanges {
    count: usize,
    all: [NetlistChange; MOST_CHANGES],
}

impl StateChanges {
    pub(super) fn as_slice(&self) -> &[NetlistChange] {
        &self.all[..self.count]
    }
}

impl StateNetlist {
    /// With these branches live, in their order: those driven, those measured, those that feed by themselves.
    pub(super) fn new(machine: &MachineView, state: DriveState, live: &[usize]) -> Self {
        let mut netlist = Netlist::with_room(SHARED_RESISTORS + RESISTORS_OF_BRANCH * live.len());
        let mut live: Vec<LiveBranch> = live
            .iter()
            .map(|branch| {
                let mut node = || netlist.node();
                let nodes = BranchNodes {
                    output: node(),
                    clamped: node(),
                    harness_feed: node(),
                    coil_feed: node(),
                    coil_ground: node(),
                    harness_ground: node(),
                    clamp: 0,
                };
                LiveBranch { branch: *branch, nodes, begin: 0, end: 0 }
            })
            .collect();
        // What branches share comes last, see the netlist.
        let (battery, feed, stud) = (netlist.node(), netlist.node(), netlist.node());
        let slopes = Vec::with_capacity(8 + SLOPES_OF_BRANCH * live.len());
        let mut builder = NetlistBuilder { netlist, slopes, battery, feed, stud, touched: None };
        let source = builder.shared(machine);
        for one in &mut live {
            one.begin = builder.netlist.resistors().len();
            builder.branch(machine, state, one.branch, &mut one.nodes);
            one.end = builder.netlist.resistors().len();
        }
        Self { solved: builder.netlist.solve(), slopes: builder.slopes, source, battery, feed, stud, live }
    }

    /// What one edit more, the last of the machine's, does to the resistors of what it touches, with slopes by its sizes alone.
    /// None where it does more than can be worked out without solving anew. A branch that was not live stays so.
    pub(super) fn changes(&self, machine: &MachineView, state: DriveState) -> Option<StateChanges> {
        let edit = machine.edits.last()?.edit;
        let mut changes = StateChanges { count: 0, all: [NetlistChange::NONE; MOST_CHANGES] };
        let builder = |next| NetlistBuilder {
            netlist: Netlist::with_room(MOST_CHANGES),
            slopes: Vec::with_capacity(2),
            battery: self.battery,
            feed: self.feed,
            stud: self.stud,
            touched: Some(TouchedResistors { edit, next, numbers: Vec::with_capacity(MOST_CHANGES) }),
        };
        if edit.is_shared() {
            let mut built = builder(0);
            built.shared(machine);
            self.compare(&built, SHARED_RESISTORS, machine.first_slope, &mut changes)?;
        }
        for at in edit.branches() {
            if let Some(one) = self.live.iter().find(|one| one.branch == at) {
                let mut built = builder(one.begin);
                let mut nodes = one.nodes;
                built.branch(machine, state, at, &mut nodes);
                self.compare(&built, one.end, machine.first_slope, &mut changes)?;
            }
        }
        Some(changes)
    }

    /// Adds what differs in the resistors built anew from those known; those from `end` on are added ones.
    fn compare(
        &self,
        built: &NetlistBuilder,
        end: usize,
        first_slope: usize,
        changes: &mut StateChanges,
    ) -> Option<()> {
        let numbers = built.touched.iter().flat_map(|touched| &touched.numbers);
        for (at, (resistor, number)) in built.netlist.resistors().iter().zip(numbers).enumerate() {
            let mut slopes = [(0.0, 0.0); 2];
            for (_, figure, ohms, volts) in built.slopes.iter().filter(|(number, ..)| *number == at) {
                let slope = slopes.get_mut(figure.checked_sub(first_slope)?)?;
                *slope = (slope.0 + ohms, slope.1 + volts);
            }
            let number = (*number < end).then_some(*number);
            if let Some(known) = number.map(|number| &self.solved.resistors()[number]) {
                if (known.from, known.to) != (resistor.from, resistor.to) {
                    return None;
                }
                if known == resistor && slopes == [(0.0, 0.0); 2] {
                    continue;
                }
            }
            *changes.all.get_mut(changes.count)? = NetlistChange { number, resistor: *resistor, slopes };
            changes.count += 1;
        }
        Some(())
    }

    /// The reading in the netlist; none where nothing is connected, and it is 0.
    pub(super) fn reading(&self, measurand: Measurand) -> Option<CircuitReading> {
        let branch = |at: usize| self.live.iter().find(|one| one.branch == at).map(|one| one.nodes);
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
    /// Only these are added; all where there is none.
    touched: Option<TouchedResistors>,
}

/// The resistors that an edit touches, with the numbers that they have where all are there.
struct TouchedResistors {
    edit: Edit,
    next: usize,
    numbers: Vec<usize>,
}

/// What a resistor stands for.
#[derive(Clone, Copy)]
enum ResistorPlace {
    Shared,
    Driver,
    Clamp,
    FeedRun,
    FeedPin,
    Coil,
    GroundPin,
    GroundRun,
    /// What this edit adds.
    Added(Edit),
}

impl ResistorPlace {
    /// Whether an edit of its branch, or of what all share, may change it.
    fn is_touched(self, edit: Edit) -> bool {
        match self {
            Self::Shared => true,
            Self::Driver => matches!(edit, Edit::DriverVolts(..) | Edit::LimitedLeak(_)),
            Self::Clamp => false,
            Self::FeedRun => matches!(edit, Edit::Series(Part::FeedRun(_)) | Edit::Open(Part::FeedRun(_))),
            Self::FeedPin => matches!(edit, Edit::Series(Part::FeedPin(_)) | Edit::Open(Part::FeedPin(_))),
            Self::Coil => {
                matches!(
                    edit,
                    Edit::Open(Part::Coil(_)) | Edit::CoilFactor(_) | Edit::Warmth(_) | Edit::SwappedCoils(..)
                )
            }
            Self::GroundPin => matches!(edit, Edit::Series(Part::GroundPin(_)) | Edit::Open(Part::GroundPin(_))),
            Self::GroundRun => matches!(edit, Edit::Series(Part::GroundRun(_)) | Edit::Open(Part::GroundRun(_))),
            Self::Added(by) => by == edit,
        }
    }
}

impl NetlistBuilder {
    /// Adds a resistor, its ohms and volts as they are where it is wanted; its number.
    fn add(
        &mut self,
        place: ResistorPlace,
        (from, to): (Option<usize>, Option<usize>),
        of: impl FnOnce() -> (Term, Term),
    ) -> usize {
        if let Some(touched) = &mut self.touched {
            touched.next += 1;
            if !place.is_touched(touched.edit) {
                return touched.next - 1;
            }
            touched.numbers.push(touched.next - 1);
        }
        let (ohms, volts) = of();
        let least = ohms.value.max(1e-5);
        let number = self.netlist.add(Resistor { from, to, ohms: least, volts: volts.value });
        self.slopes.extend(ohms.slopes().map(|(figure, slope)| (number, figure, slope, 0.0)));
        self.slopes.extend(volts.slopes().map(|(figure, slope)| (number, figure, 0.0, slope)));
        number
    }

    /// What all share; returns the battery's resistor.
    fn shared(&mut self, machine: &MachineView) -> usize {
        use ResistorPlace::Shared;
        let (battery, feed, stud) = (Some(self.battery), Some(self.feed), Some(self.stud));
        let plain = |ohms: Term| (ohms, Term::default());
        let source = self.add(Shared, (None, battery), || (machine.source_ohms(), machine.source_volts().scaled(-1.0)));
        let of = |figure, part| machine.figure(figure).plus(&machine.series(part));
        self.add(Shared, (battery, feed), || plain(of(Figure::FeedOhms, Part::SharedFeed)));
        self.add(Shared, (feed, None), || plain(machine.standing_ohms()));
        self.add(Shared, (stud, None), || plain(of(Figure::GroundOhms, Part::SharedGround)));
        source
    }

    fn branch(&mut self, machine: &MachineView, state: DriveState, at: usize, nodes: &mut BranchNodes) {
        use ResistorPlace::{Added, Clamp, Coil, Driver, FeedPin, FeedRun, GroundPin, GroundRun};
        let is_unplugged = state == DriveState::HeldUnplugged(at);
        let (feed, stud) = (Some(self.feed), Some(self.stud));
        let (output, clamped) = (Some(nodes.output), Some(nodes.clamped));
        let (harness_feed, harness_ground) = (Some(nodes.harness_feed), Some(nodes.harness_ground));
        let (coil_feed, coil_ground) = (Some(nodes.coil_feed), Some(nodes.coil_ground));
        let plain = |ohms: Term| (ohms, Term::default());
        let wired = |figure| machine.figure(figure).times(&machine.figure(Figure::Wiring));
        let wire = |share: f64| wired(Figure::FeedWire(at)).scaled(share);
        let ground = |share: f64| wired(Figure::GroundWire(at)).scaled(share);
        let pin = |figure, part| wired(figure).plus(&Term::constant(JOINT)).plus(&machine.series(part));
        let volts = || machine.driver_volts(at, is_unplugged);
        let is_high = machine.sides[at] == DriverSide::High;
        let limited = machine.edits.iter().find(|applied| applied.edit == Edit::LimitedLeak(at));
        if is_high {
            if state.drives(at) {
                self.add(Driver, (feed, output), || match limited {
                    // A source of the limit's amps.
                    Some(applied) => {
                        const STIFF: f64 = 1e4;
                        (Term::constant(STIFF), machine.size(applied, 1).scaled(-STIFF))
                    }
                    None => (wire(SHARES[0]).plus(&machine.driver_ohms(at)), volts()),
                });
            }
            nodes.clamp = self.add(Clamp, (output, clamped), || plain(wire(SHARES[1])));
        } else {
            nodes.clamp = self.add(Clamp, (feed, clamped), || plain(wire(SHARES[0] + SHARES[1])));
        }
        let run = || plain(wire(SHARES[2]).plus(&machine.series(Part::FeedRun(at))));
        self.add(FeedRun, (clamped, harness_feed), run);
        if !is_unplugged {
            self.add(FeedPin, (harness_feed, coil_feed), || plain(pin(Figure::FeedPin(at), Part::FeedPin(at))));
            self.add(Coil, (coil_feed, coil_ground), || plain(machine.coil(at, state.drives(at))));
            let ground_pin = || plain(pin(Figure::GroundPin(at), Part::GroundPin(at)));
            self.add(GroundPin, (coil_ground, harness_ground), ground_pin);
            let run = |share: f64| plain(ground(share).plus(&machine.series(Part::GroundRun(at))));
            if is_high {
                self.add(GroundRun, (harness_ground, stud), || run(1.0));
            } else {
                self.add(GroundRun, (harness_ground, output), || run(0.5));
                if state.drives(at) {
                    self.add(Driver, (output, stud), || (ground(0.5).plus(&machine.driver_ohms(at)), volts()));
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
                LeakPlace::BeforeClamp => output,
                LeakPlace::BehindClamp => harness_feed,
                LeakPlace::GroundSide => harness_ground,
            };
            self.add(Added(applied.edit), (from, to), || plain(machine.size(applied, 0)));
        }
    }
}
