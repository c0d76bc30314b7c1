//! Volts of the three places where branches meet, and from them all that happens in one branch.
//!
//! Nodal method of any circuit textbook. The inner nodes of a branch are eliminated by hand, so that
//! three unknowns are left whatever the number of coils: this is solved some thousand times for one
//! conclusion.

use super::{BranchParameters, CircuitParameters};

/// What is driven while something is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum DriveState {
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
    fn drives(self, branch: usize) -> bool {
        match self {
            Self::Rest => false,
            Self::AllHeld => true,
            Self::Held(at) | Self::HeldUnplugged(at) => at == branch,
        }
    }

    /// Its index among all states of a circuit with this number of branches.
    pub(crate) const fn index(self, branches: usize) -> usize {
        match self {
            Self::Rest => 0,
            Self::AllHeld => 1,
            Self::Held(at) => 2 + at,
            Self::HeldUnplugged(at) => 2 + branches + at,
        }
    }
}

/// Volts above battery negative.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct NodeVoltages {
    /// Battery positive.
    pub battery: f64,
    /// The shared feed.
    pub feed: f64,
    /// The shared ground.
    pub stud: f64,
}

/// What happens in one branch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct BranchSolution {
    /// Volts of the harness feed pin.
    pub harness_feed: f64,
    /// Amps in the feed wire.
    pub wire_a: f64,
    /// Amps in the coil.
    pub coil_a: f64,
    /// Amps taken from the shared feed.
    feed_a: f64,
    /// Amps taken from battery positive past the shared feed.
    battery_a: f64,
}

/// A sum: constant, and by volts of battery, feed and stud.
type LinearForm = [f64; 4];

fn at(sum: &LinearForm, nodes: &NodeVoltages) -> f64 {
    sum[0] + sum[1] * nodes.battery + sum[2] * nodes.feed + sum[3] * nodes.stud
}

/// The branch's five figures as linear sums of the three nodes' volts: harness feed, wire amps, coil amps,
/// amps from the feed, amps from the battery.
struct BranchEquations {
    harness: LinearForm,
    wire_a: LinearForm,
    coil_a: LinearForm,
    feed_a: LinearForm,
    battery_a: LinearForm,
}

/// Shares of the feed wire's ohms before and behind the place where a touch from the feed comes in.
const BEFORE: f64 = 0.4;

fn equations(
    circuit: &CircuitParameters,
    branch: &BranchParameters,
    state: DriveState,
    index: usize,
) -> Option<BranchEquations> {
    let driven = state.drives(index);
    let touch = branch.from_feed.map_or(0.0, |ohms| 1.0 / ohms.max(1e-4));
    let leak = branch.leak.max(0.0);
    if !driven && touch == 0.0 && leak == 0.0 {
        return None;
    }
    let wire = branch.feed_wire.max(1e-4);
    let behind = 1.0 / ((1.0 - BEFORE) * wire);
    let before = if driven && branch.limited_a.is_none() { 1.0 / (BEFORE * wire) } else { 0.0 };
    let pushed = if driven { branch.limited_a.unwrap_or(0.0) } else { 0.0 };
    let coil = if matches!(state, DriveState::HeldUnplugged(at) if at == index) {
        0.0
    } else {
        1.0 / path_ohms(circuit, branch)
    };

    // Harness pin: h (behind + leak + coil) = behind·o + coil·stud.
    let of_pin = behind + leak + coil;
    // Driver's output: o (before + touch + behind) = before (feed - lost) + touch·battery + pushed + behind·h.
    let of_output = (before + touch + behind * (leak + coil) / of_pin).max(1e-9);
    let output: LinearForm = [
        (pushed - before * branch.lost_v) / of_output,
        touch / of_output,
        before / of_output,
        behind * coil / of_pin / of_output,
    ];
    let mut harness: LinearForm = [0.0; 4];
    let mut wire_a: LinearForm = [0.0; 4];
    let mut coil_a: LinearForm = [0.0; 4];
    let mut feed_a: LinearForm = [0.0; 4];
    let mut battery_a: LinearForm = [0.0; 4];
    for term in 0..4 {
        harness[term] = output[term] * behind / of_pin;
        if term == 3 {
            harness[term] += coil / of_pin;
        }
        wire_a[term] = behind * (output[term] - harness[term]);
        coil_a[term] = coil * harness[term];
        feed_a[term] = -before * output[term];
        battery_a[term] = -touch * output[term];
    }
    coil_a[3] -= coil;
    feed_a[2] += before;
    feed_a[0] += pushed * circuit.limiter_share - before * branch.lost_v;
    battery_a[1] += touch;
    Some(BranchEquations { harness, wire_a, coil_a, feed_a, battery_a })
}

/// From the harness feed pin through the coil to the shared ground, ohm.
fn path_ohms(circuit: &CircuitParameters, branch: &BranchParameters) -> f64 {
    branch.feed_pin + held_ohms(circuit, branch) + branch.hidden + branch.ground_pin + branch.ground_wire
}

/// The coil while it is held on, ohm.
fn held_ohms(circuit: &CircuitParameters, branch: &BranchParameters) -> f64 {
    (branch.coil_ohms * circuit.warmth() * branch.held).max(1e-3)
}

impl NodeVoltages {
    /// Solves one state.
    pub(crate) fn solve(circuit: &CircuitParameters, state: DriveState) -> Self {
        let battery = 1.0 / circuit.battery_ohms.max(1e-5);
        let feed = 1.0 / circuit.feed_ohms.max(1e-5);
        let ground = 1.0 / circuit.ground_ohms.max(1e-5);
        // Rows: Kirchhoff's current law at battery positive, shared feed, shared ground; right side last.
        let mut rows = [
            [battery + feed, -feed, 0.0, battery * circuit.emf],
            [-feed, feed + circuit.standing_siemens.max(0.0), 0.0, 0.0],
            [0.0, 0.0, ground, 0.0],
        ];
        for (index, branch) in circuit.branches.iter().enumerate() {
            let Some(equations) = equations(circuit, branch, state, index) else { continue };
            for (row, sum, sign) in
                [(0, equations.battery_a, 1.0), (1, equations.feed_a, 1.0), (2, equations.coil_a, -1.0)]
            {
                for node in 0..3 {
                    rows[row][node] += sign * sum[node + 1];
                }
                rows[row][3] -= sign * sum[0];
            }
        }
        let [battery, feed, stud] = eliminate(rows);
        Self { battery, feed, stud }
    }

    /// What happens in one branch.
    pub(crate) fn inside(&self, circuit: &CircuitParameters, state: DriveState, index: usize) -> BranchSolution {
        let branch = &circuit.branches[index];
        match equations(circuit, branch, state, index) {
            Some(equations) => BranchSolution {
                harness_feed: at(&equations.harness, self),
                wire_a: at(&equations.wire_a, self),
                coil_a: at(&equations.coil_a, self),
                feed_a: at(&equations.feed_a, self),
                battery_a: at(&equations.battery_a, self),
            },
            None => BranchSolution { harness_feed: self.stud, wire_a: 0.0, coil_a: 0.0, feed_a: 0.0, battery_a: 0.0 },
        }
    }

    /// The coil's feed and ground terminal, V.
    pub(crate) fn terminals(&self, circuit: &CircuitParameters, state: DriveState, index: usize) -> (f64, f64) {
        let (branch, inside) = (&circuit.branches[index], self.inside(circuit, state, index));
        let feed = inside.harness_feed - inside.coil_a * branch.feed_pin;
        let ground = self.stud + inside.coil_a * (branch.ground_wire + branch.ground_pin);
        (feed, ground)
    }
}

/// Three equations by elimination: diagonally dominant, so without pivoting.
fn eliminate(mut rows: [[f64; 4]; 3]) -> [f64; 3] {
    for column in 0..2 {
        for row in column + 1..3 {
            let factor = rows[row][column] / rows[column][column];
            let pivot = rows[column];
            rows[row].iter_mut().zip(pivot).skip(column).for_each(|(term, of_pivot)| *term -= factor * of_pivot);
        }
    }
    let mut volts = [0.0; 3];
    for row in (0..3).rev() {
        let known: f64 = (row + 1..3).map(|column| rows[row][column] * volts[column]).sum();
        volts[row] = (rows[row][3] - known) / rows[row][row];
    }
    volts
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::{
        circuit::{LoaderCircuit, LoaderCoil, MachineSetup, StrayPath},
        operating::ProbePoint,
    };

    /// The demo's block, which is solved node by node by another program.
    fn parameters_of(circuit: &LoaderCircuit) -> CircuitParameters {
        let branch = |coil: LoaderCoil| {
            let branch = circuit.branch(coil);
            BranchParameters {
                coil_ohms: coil.nominal_ohms(),
                feed_wire: branch.driver_ohms + branch.wire_ohms,
                feed_pin: branch.feed_pin_ohms,
                ground_pin: branch.ground_pin_ohms,
                ground_wire: branch.ground_wire_ohms,
                leak: match branch.to_frame {
                    StrayPath::Absent => 0.0,
                    StrayPath::Through { ohms } => 1.0 / ohms,
                },
                held: 1.0,
                hidden: 0.0,
                lost_v: branch.driver_lost_v,
                from_feed: match branch.from_feed {
                    StrayPath::Absent => None,
                    StrayPath::Through { ohms } => Some(ohms),
                },
                limited_a: None,
            }
        };
        CircuitParameters {
            emf: circuit.battery_v,
            battery_ohms: circuit.battery_ohms,
            feed_ohms: circuit.feed_ohms,
            standing_siemens: 1.0 / circuit.standing_load_ohms,
            ground_ohms: circuit.ground_ohms,
            celsius: circuit.coil_celsius,
            reference_celsius: 20.0,
            limiter_share: 1.0,
            gains: Vec::new(),
            branches: LoaderCoil::ALL.map(branch).into(),
        }
    }

    #[test]
    fn agrees_with_the_node_by_node_solution() {
        let mut faulty = LoaderCircuit::healthy();
        faulty.ground_ohms = 0.2;
        faulty.branch_mut(LoaderCoil::Tilt).feed_pin_ohms = 2.0;
        faulty.branch_mut(LoaderCoil::Lift).driver_lost_v = 1.5;
        faulty.branch_mut(LoaderCoil::Float).from_feed = StrayPath::Through { ohms: 0.3 };
        faulty.branch_mut(LoaderCoil::Auxiliary).to_frame = StrayPath::Through { ohms: 8.0 };
        for block in [LoaderCircuit::healthy(), faulty] {
            let circuit = parameters_of(&block);
            let mut cases = vec![
                (DriveState::Rest, MachineSetup::holding(&[])),
                (DriveState::AllHeld, MachineSetup::holding(&LoaderCoil::ALL)),
            ];
            for coil in LoaderCoil::ALL {
                cases.push((DriveState::Held(coil.index()), MachineSetup::holding(&[coil])));
                cases.push((DriveState::HeldUnplugged(coil.index()), MachineSetup::holding(&[coil]).unplugged(coil)));
            }
            for (state, setup) in cases {
                let (nodes, truth) = (NodeVoltages::solve(&circuit, state), block.solve(&setup));
                // A pull-down of 10 kohm, which is left out here, takes about 1 mA.
                let near = |found: f64, true_value: f64| (found - true_value).abs() < 3e-3;
                assert!(near(nodes.battery, truth.volts(ProbePoint::BatteryPositive)), "{state:?}");
                assert!(near(nodes.feed, truth.volts(ProbePoint::BlockFeed)), "{state:?} {nodes:?}");
                assert!(near(nodes.stud, truth.ground_drop_v()), "{state:?} {nodes:?} {}", truth.ground_drop_v());
                for coil in LoaderCoil::ALL {
                    let amps = nodes.inside(&circuit, state, coil.index()).wire_a;
                    assert!(near(amps, truth.clamp_a(coil)), "{state:?} {coil:?} {amps}");
                }
                let on: Vec<LoaderCoil> =
                    LoaderCoil::ALL.into_iter().filter(|c| state == DriveState::Held(c.index())).collect();
                for coil in on {
                    let (feed, ground) = nodes.terminals(&circuit, state, coil.index());
                    assert!(near(feed, truth.volts(ProbePoint::CoilFeed(coil))), "{state:?} {coil:?} {feed}");
                    assert!(near(ground, truth.volts(ProbePoint::CoilGround(coil))), "{state:?} {coil:?} {ground}");
                }
            }
        }
    }

    #[test]
    fn a_coil_draws_what_the_trade_expects() {
        // Common practice, no source: 6.2 ohm at 12.87 V near 2.08 A, 12.5 ohm near 1.03 A, 29 ohm near 0.444 A.
        for (ohms, amps) in [(6.2, 2.08), (12.5, 1.03), (29.0, 0.444)] {
            let mut circuit = parameters_of(&LoaderCircuit::healthy());
            (circuit.emf, circuit.battery_ohms, circuit.feed_ohms, circuit.ground_ohms) = (12.87, 0.0, 0.0, 0.0);
            (circuit.standing_siemens, circuit.celsius) = (0.0, 20.0);
            let branch = &mut circuit.branches[0];
            (branch.coil_ohms, branch.feed_wire, branch.feed_pin) = (ohms, 0.0, 0.0);
            (branch.ground_pin, branch.ground_wire) = (0.0, 0.0);
            let held = DriveState::Held(0);
            let found = NodeVoltages::solve(&circuit, held).inside(&circuit, held, 0).coil_a;
            assert!((found - amps).abs() < 0.006, "{ohms}: {found}");
        }
    }
}
