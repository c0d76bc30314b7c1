//! One measurement, and what it would show on a circuit of given parts.

use super::{Nodes, Part, Parts, State};

/// What is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum What {
    /// Volts of battery positive.
    Battery,
    /// Volts of the shared feed.
    SharedFeed,
    /// Volts from battery positive to the shared feed.
    SharedFeedDrop,
    /// Volts of the shared ground.
    Stud,
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

impl What {
    /// The branch that it is measured on; none for what all share.
    const fn branch(self) -> Option<usize> {
        match self {
            Self::Battery | Self::SharedFeed | Self::SharedFeedDrop | Self::Stud => None,
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

    /// Whether it is measured in ohm, and so compared as [`comparable`] says.
    pub(crate) const fn in_ohms(self) -> bool {
        matches!(self, Self::CoilOhms(_) | Self::ToGround(_))
    }
}

/// One measurement: what, while what runs, with which meter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Ask {
    /// What.
    pub what: What,
    /// While what runs.
    pub state: State,
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

/// Answers many asks on many circuits without solving a state twice.
#[derive(Debug)]
pub(crate) struct Predictor<'a> {
    asks: &'a [Ask],
    solved: Vec<Option<Nodes>>,
}

impl<'a> Predictor<'a> {
    /// For these asks on circuits of so many branches.
    pub(crate) fn new(asks: &'a [Ask], branches: usize) -> Self {
        Self { asks, solved: vec![None; 2 + 2 * branches] }
    }

    /// What each ask would show, base units; ohms as [`comparable`].
    pub(crate) fn all(&mut self, parts: &Parts) -> Vec<f64> {
        self.solved.fill(None);
        let branches = parts.branches.len();
        self.asks.iter().map(|ask| Self::one(&mut self.solved[ask.state.index(branches)], parts, ask)).collect()
    }

    /// As [`Self::all`] for parts that differ from those of `before` in one part only: what that part can't
    /// move is taken over.
    pub(crate) fn moved(&mut self, parts: &Parts, part: Part, before: &[f64]) -> Vec<f64> {
        match part {
            Part::Gain(gain) => self.some(parts, before, |ask| ask.gain == Some(gain)),
            // Nothing but a driver that limits itself takes a share.
            Part::LimiterShare if parts.branches.iter().all(|branch| branch.limited_a.is_none()) => before.to_vec(),
            part => self.of_branches(parts, part.branch().as_slice(), before),
        }
    }

    /// As [`Self::all`] for parts that differ in these branches only; none means everywhere.
    pub(crate) fn of_branches(&mut self, parts: &Parts, changed: &[usize], before: &[f64]) -> Vec<f64> {
        if changed.is_empty() {
            return self.all(parts);
        }
        // A touch from the feed shifts every state a little; what is not its own is left as it was.
        self.some(parts, before, |ask| {
            ask.what.branch().is_some_and(|at| changed.contains(&at))
                || match ask.state {
                    State::Rest | State::Everything => true,
                    State::Held(at) | State::Pulled(at) => changed.contains(&at),
                }
        })
    }

    fn some(&mut self, parts: &Parts, before: &[f64], touched: impl Fn(&Ask) -> bool) -> Vec<f64> {
        self.solved.fill(None);
        let branches = parts.branches.len();
        let asks = self.asks.iter().zip(before);
        asks.map(|(ask, before)| match touched(ask) {
            true => Self::one(&mut self.solved[ask.state.index(branches)], parts, ask),
            false => *before,
        })
        .collect()
    }

    fn one(solved: &mut Option<Nodes>, parts: &Parts, ask: &Ask) -> f64 {
        let shown = match ask.what {
            What::CoilOhms(at) => return comparable(parts.branches[at].coil_ohms * parts.warmth() * gain(parts, ask)),
            What::ToGround(at) => {
                let leak = parts.branches[at].leak.max(0.0);
                // 1/(1 + 1/G) without dividing by a leak of zero.
                return leak / (leak + 1.0 * gain(parts, ask));
            }
            what => {
                let nodes = solved.get_or_insert_with(|| Nodes::solve(parts, ask.state));
                volts_or_amps(nodes, parts, ask.state, what)
            }
        };
        shown * gain(parts, ask)
    }
}

fn gain(parts: &Parts, ask: &Ask) -> f64 {
    1.0 + ask.gain.map_or(0.0, |at| parts.gains[at])
}

fn volts_or_amps(nodes: &Nodes, parts: &Parts, state: State, what: What) -> f64 {
    match what {
        What::Battery => nodes.battery,
        What::SharedFeed => nodes.feed,
        What::SharedFeedDrop => nodes.battery - nodes.feed,
        What::Stud => nodes.stud,
        What::HarnessFeed(at) => nodes.inside(parts, state, at).harness_feed,
        What::CoilFeed(at) => nodes.terminals(parts, state, at).0,
        What::CoilGround(at) => nodes.terminals(parts, state, at).1,
        What::FeedDrop(at) => nodes.battery - nodes.terminals(parts, state, at).0,
        What::CoilVolts(at) => {
            let (feed, ground) = nodes.terminals(parts, state, at);
            feed - ground
        }
        What::FeedPin(at) => nodes.inside(parts, state, at).coil_a * parts.branches[at].feed_pin,
        What::GroundPin(at) => nodes.inside(parts, state, at).coil_a * parts.branches[at].ground_pin,
        What::Wire(at) => nodes.inside(parts, state, at).wire_a,
        What::CoilOhms(_) | What::ToGround(_) => unreachable!("ohms are answered without a state"),
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
