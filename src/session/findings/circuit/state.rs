//! The netlist of the machine while something is measured: what is driven, what is unplugged, what is broken.

use super::{AppliedEdit, DriveState, Edit, Figure, LeakPlace, Measurand, Part, term::Term, view::MachineView};
use crate::{
    electrics::{CircuitReading, Netlist, Resistor, SolvedNetlist},
    procedure::DriverSide,
};

/// A pin whose drop is not measured counts as part of its wire.
const JOINT: f64 = 1e-4;
/// A driver switched on, without its volts, and what of the wire lies before the clamp.
const SHARES: [f64; 3] = [0.25, 0.25, 0.5];

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
        let live = branches.iter().flatten().count();
        let slopes = Vec::with_capacity(8 + SLOPES_OF_BRANCH * live);
        let mut builder = NetlistBuilder { netlist, slopes, battery, feed, stud };
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
        self.slopes.extend(ohms.slopes().map(|(figure, slope)| (number, figure, slope, 0.0)));
        self.slopes.extend(volts.slopes().map(|(figure, slope)| (number, figure, 0.0, slope)));
        number
    }

    /// What all share; returns the battery's resistor.
    fn shared(&mut self, machine: &MachineView) -> usize {
        let none = Term::default();
        let (volts, ohms) = (machine.source_volts(), machine.source_ohms());
        let source = self.add(None, Some(self.battery), &ohms, &volts.scaled(-1.0));
        let feed = machine.figure(Figure::FeedOhms).plus(&machine.series(Part::SharedFeed));
        self.add(Some(self.battery), Some(self.feed), &feed, &none);
        self.add(Some(self.feed), None, &machine.standing_ohms(), &none);
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
        let volts = machine.driver_volts(at, is_unplugged);
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
