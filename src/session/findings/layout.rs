//! Which measurement of the circuit each fact is, and with which number it enters the sums.

use super::{
    Case, Fact, Measured, Role, Running,
    fact::least_u,
    model::{Ask, State, What, comparable, comparable_u},
};

/// One fact as a number to be explained.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Reading {
    /// Its place among the case's facts.
    pub fact: usize,
    /// What it measures.
    pub ask: Ask,
    /// Base units; ohms as [`comparable`].
    pub value: f64,
    /// Standard uncertainty without what its meter's readings share, as the value.
    pub u: f64,
}

/// The case laid out.
#[derive(Debug)]
pub(super) struct Layout<'a> {
    /// The case.
    pub case: &'a Case,
    /// Circuits with a coil: the branches.
    pub coils: Vec<&'a str>,
    /// By meter, the relative standard uncertainty of its gain.
    pub gains: Vec<f64>,
    /// Every fact that is a number to be explained.
    pub readings: Vec<Reading>,
}

/// An overload on ohms is open: more than some 10 kohm whatever the range, as [`comparable`] in siemens.
const OPEN_U: f64 = 1e-4;

impl<'a> Layout<'a> {
    pub(super) fn new(case: &'a Case) -> Self {
        let coils = case.coils();
        let mut meters: Vec<&str> = Vec::new();
        let mut gains = Vec::new();
        let mut readings = Vec::new();
        for (place, fact) in case.facts().iter().enumerate() {
            let branch = coils.iter().position(|coil| *coil == fact.circuit);
            let Some((what, state)) = what(fact, branch) else { continue };
            let gain = fact.gain.as_ref().filter(|gain| gain.relative_u > 0.0).map(|gain| {
                meters.iter().position(|meter| *meter == gain.meter).unwrap_or_else(|| {
                    meters.push(&gain.meter);
                    gains.push(gain.relative_u);
                    meters.len() - 1
                })
            });
            let ask = Ask { what, state, gain };
            let Some((value, u)) = number(fact, what.in_ohms()) else { continue };
            readings.push(Reading { fact: place, ask, value, u });
        }
        Self { case, coils, gains, readings }
    }

    /// What is measured, in the order of the readings.
    pub(super) fn asks(&self) -> Vec<Ask> {
        self.readings.iter().map(|reading| reading.ask).collect()
    }

    /// Whether something was measured.
    pub(super) fn has(&self, what: What) -> bool {
        self.readings.iter().any(|reading| reading.ask.what == what)
    }

    /// The fact behind a reading.
    pub(super) fn fact(&self, reading: usize) -> &'a Fact {
        &self.case.facts()[self.readings[reading].fact]
    }
}

/// What a use in a branch, or in a circuit without coil, measures.
pub(super) fn what_of(role: Role, running: Running, branch: Option<usize>) -> Option<(What, State)> {
    let state = match (running, branch) {
        (Running::Nothing, _) => State::Rest,
        (Running::This, Some(at)) => State::Held(at),
        (Running::This, None) | (Running::Everything, _) => State::Everything,
    };
    let what = match (role, branch) {
        (Role::Supply, _) => What::Battery,
        (Role::Feed, Some(at)) if running == Running::Nothing => {
            return Some((What::HarnessFeed(at), State::Pulled(at)));
        }
        (Role::Feed, Some(at)) => What::CoilFeed(at),
        (Role::Feed, None) => What::SharedFeed,
        (Role::FeedDrop, Some(at)) => What::FeedDrop(at),
        (Role::FeedDrop, None) => What::SharedFeedDrop,
        (Role::GroundDrop, Some(at)) => What::CoilGround(at),
        (Role::GroundDrop, None) => What::Stud,
        (Role::CoilOhms, Some(at)) => What::CoilOhms(at),
        (Role::CoilAmps | Role::Draw, Some(at)) => What::Wire(at),
        (Role::CoilVolts, Some(at)) => What::CoilVolts(at),
        (Role::FeedPinDrop, Some(at)) => What::FeedPin(at),
        (Role::GroundPinDrop, Some(at)) => What::GroundPin(at),
        (Role::OhmsToGround, Some(at)) => What::ToGround(at),
        (_, None) => return None,
    };
    Some((what, state))
}

fn what(fact: &Fact, branch: Option<usize>) -> Option<(What, State)> {
    what_of(fact.usage.role, fact.usage.running, branch)
}

/// Value and own uncertainty; none where a fact beyond its meter's range says nothing definite.
fn number(fact: &Fact, in_ohms: bool) -> Option<(f64, f64)> {
    let measured = match fact.value {
        Measured::Number(measured) => measured,
        Measured::Over if in_ohms => return Some((0.0, OPEN_U)),
        Measured::Over | Measured::Under => return None,
    };
    let shared = fact.gain.as_ref().map_or(0.0, |gain| gain.relative_u * measured.value);
    let own = (measured.u.powi(2) - shared.powi(2)).max(0.0).sqrt().max(least_u(fact.usage.role));
    if in_ohms {
        // An ohmmeter with zero error may show a little less than nothing.
        let ohms = measured.value.max(0.0);
        Some((comparable(ohms), comparable_u(ohms, own).max(1e-9)))
    } else {
        Some((measured.value, own))
    }
}
