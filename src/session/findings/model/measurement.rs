//! One measurement, and what it would show on a circuit of given parts.

use super::{CircuitParameters, DriveState, NodeVoltages, Parameter};

/// What is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Measurand {
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
    /// Amps in a feed wire.
    Wire(usize),
    /// Ohms of a coil, unplugged.
    CoilOhms(usize),
    /// Ohms from a harness feed pin to battery negative, unplugged, key off.
    ToGround(usize),
}

impl Measurand {
    /// The branch that it is measured on; none for what all share.
    const fn branch(self) -> Option<usize> {
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

    /// Whether it is measured in ohm, and so compared by [`comparable`].
    pub(crate) const fn in_ohms(self) -> bool {
        matches!(self, Self::CoilOhms(_) | Self::ToGround(_))
    }
}

/// One measurement: what, while what runs, with which meter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Measurement {
    /// What.
    pub measurand: Measurand,
    /// While what runs.
    pub state: DriveState,
    /// Index of the meter's gain; none where it shares none.
    pub gain: Option<usize>,
}

/// Ohms in the form in which they are compared: 1/(1 ohm + R) with R in Ω, in siemens. So a dead short and an
/// open circuit are both finite, and an overload on the ohms range is simply 0.
pub(crate) fn comparable(ohms: f64) -> f64 {
    1.0 / (1.0 + ohms.max(0.0))
}

/// The standard uncertainty of [`comparable`], first order.
pub(crate) fn comparable_u(ohms: f64, u: f64) -> f64 {
    u / (1.0 + ohms.max(0.0)).powi(2)
}

/// Predicts many measurements on many circuits without solving a state twice.
#[derive(Debug)]
pub(crate) struct Predictor<'a> {
    measurements: &'a [Measurement],
    solved: Vec<Option<NodeVoltages>>,
}

impl<'a> Predictor<'a> {
    /// For these measurements on circuits with this number of branches.
    pub(crate) fn new(measurements: &'a [Measurement], branches: usize) -> Self {
        Self { measurements, solved: vec![None; 2 + 2 * branches] }
    }

    /// What each measurement would show, base units; ohms as [`comparable`].
    pub(crate) fn all(&mut self, circuit: &CircuitParameters) -> Vec<f64> {
        self.solved.fill(None);
        let branches = circuit.branches.len();
        self.measurements
            .iter()
            .map(|measurement| Self::one(&mut self.solved[measurement.state.index(branches)], circuit, measurement))
            .collect()
    }

    /// As [`Self::all`] for parts that differ from those of `before` in one part only: what that part can't
    /// move is taken over.
    pub(crate) fn moved(&mut self, circuit: &CircuitParameters, parameter: Parameter, before: &[f64]) -> Vec<f64> {
        match parameter {
            Parameter::MeterGain(gain) => self.some(circuit, before, |measurement| measurement.gain == Some(gain)),
            // Nothing but a driver that limits itself takes a share.
            Parameter::LimiterShare if circuit.branches.iter().all(|branch| branch.limited_a.is_none()) => {
                before.to_vec()
            }
            parameter => self.of_branches(circuit, parameter.branch().as_slice(), before),
        }
    }

    /// As [`Self::all`] for parts that differ in these branches only; none means everywhere.
    pub(crate) fn of_branches(&mut self, circuit: &CircuitParameters, changed: &[usize], before: &[f64]) -> Vec<f64> {
        if changed.is_empty() {
            return self.all(circuit);
        }
        // A short to the feed shifts every state a little; states that are not its own stay as they were.
        self.some(circuit, before, |measurement| {
            measurement.measurand.branch().is_some_and(|at| changed.contains(&at))
                || match measurement.state {
                    DriveState::Rest | DriveState::AllHeld => true,
                    DriveState::Held(at) | DriveState::HeldUnplugged(at) => changed.contains(&at),
                }
        })
    }

    fn some(
        &mut self,
        circuit: &CircuitParameters,
        before: &[f64],
        touched: impl Fn(&Measurement) -> bool,
    ) -> Vec<f64> {
        self.solved.fill(None);
        let branches = circuit.branches.len();
        let measurements = self.measurements.iter().zip(before);
        measurements
            .map(|(measurement, before)| match touched(measurement) {
                true => Self::one(&mut self.solved[measurement.state.index(branches)], circuit, measurement),
                false => *before,
            })
            .collect()
    }

    fn one(solved: &mut Option<NodeVoltages>, circuit: &CircuitParameters, measurement: &Measurement) -> f64 {
        let shown = match measurement.measurand {
            Measurand::CoilOhms(at) => {
                return comparable(circuit.branches[at].coil_ohms * circuit.warmth() * gain(circuit, measurement));
            }
            Measurand::ToGround(at) => {
                let leak = circuit.branches[at].leak.max(0.0);
                // 1/(1 + 1/G) without dividing by a leak of zero.
                return leak / (leak + 1.0 * gain(circuit, measurement));
            }
            measurand => {
                let nodes = solved.get_or_insert_with(|| NodeVoltages::solve(circuit, measurement.state));
                volts_or_amps(nodes, circuit, measurement.state, measurand)
            }
        };
        shown * gain(circuit, measurement)
    }
}

fn gain(circuit: &CircuitParameters, measurement: &Measurement) -> f64 {
    1.0 + measurement.gain.map_or(0.0, |at| circuit.gains[at])
}

fn volts_or_amps(nodes: &NodeVoltages, circuit: &CircuitParameters, state: DriveState, measurand: Measurand) -> f64 {
    match measurand {
        Measurand::Battery => nodes.battery,
        Measurand::SharedFeed => nodes.feed,
        Measurand::SharedFeedDrop => nodes.battery - nodes.feed,
        Measurand::SharedGround => nodes.stud,
        Measurand::HarnessFeed(at) => nodes.inside(circuit, state, at).harness_feed,
        Measurand::CoilFeed(at) => nodes.terminals(circuit, state, at).0,
        Measurand::CoilGround(at) => nodes.terminals(circuit, state, at).1,
        Measurand::FeedDrop(at) => nodes.battery - nodes.terminals(circuit, state, at).0,
        Measurand::CoilVolts(at) => {
            let (feed, ground) = nodes.terminals(circuit, state, at);
            feed - ground
        }
        Measurand::FeedPin(at) => nodes.inside(circuit, state, at).coil_a * circuit.branches[at].feed_pin,
        Measurand::GroundPin(at) => nodes.inside(circuit, state, at).coil_a * circuit.branches[at].ground_pin,
        Measurand::Wire(at) => nodes.inside(circuit, state, at).wire_a,
        Measurand::CoilOhms(_) | Measurand::ToGround(_) => unreachable!("ohms are answered without a state"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn short_and_open_are_both_finite() {
        assert_eq!((comparable(0.0), comparable(f64::INFINITY)), (1.0, 0.0));
        // First order agrees with a finite step.
        let step = (comparable(7.5) - comparable(7.51)) / 0.01;
        assert!((comparable_u(7.5, 1.0) - step).abs() < 1e-4);
    }
}
