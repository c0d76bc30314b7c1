//! Which measurement on the circuit model each observation is, and the number with which it enters the fit.

use super::{
    Measured, Observation, ObservationSet, Role, RunningLoads,
    model::{DriveState, Measurand, Measurement, comparable, comparable_u},
    observation::least_u,
};

/// One observation as a number to be explained.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct DataPoint {
    /// Its index among the observations.
    pub observation: usize,
    /// What it measures.
    pub measurement: Measurement,
    /// Base units; ohms as [`comparable`].
    pub value: f64,
    /// Standard uncertainty without what its meter's readings share, as the value.
    pub u: f64,
}

/// All observations, laid out on the circuit model.
#[derive(Debug)]
pub(super) struct Layout<'a> {
    /// What was observed.
    pub observations: &'a ObservationSet,
    /// Circuits with a coil: the branches.
    pub coils: Vec<&'a str>,
    /// By meter, the relative standard uncertainty of its gain.
    pub gains: Vec<f64>,
    /// Every observation that is a number to be explained.
    pub readings: Vec<DataPoint>,
}

/// An overload on ohms is open: more than some 10 kohm whatever the range, as [`comparable`] in siemens.
const OPEN_U: f64 = 1e-4;

impl<'a> Layout<'a> {
    pub(super) fn new(observations: &'a ObservationSet) -> Self {
        let coils = observations.coils();
        let mut meters: Vec<&str> = Vec::new();
        let mut gains = Vec::new();
        let mut readings = Vec::new();
        for (place, observation) in observations.observations().iter().enumerate() {
            let branch = coils.iter().position(|coil| *coil == observation.circuit);
            let Some((measurand, state)) = measurand(observation, branch) else { continue };
            let gain = observation.gain.as_ref().filter(|gain| gain.relative_u > 0.0).map(|gain| {
                meters.iter().position(|meter| *meter == gain.meter).unwrap_or_else(|| {
                    meters.push(&gain.meter);
                    gains.push(gain.relative_u);
                    meters.len() - 1
                })
            });
            let measurement = Measurement { measurand, state, gain };
            let Some((value, u)) = number(observation, measurand.in_ohms()) else { continue };
            readings.push(DataPoint { observation: place, measurement, value, u });
        }
        Self { observations, coils, gains, readings }
    }

    /// What is measured, in the order of the readings.
    pub(super) fn measurements(&self) -> Vec<Measurement> {
        self.readings.iter().map(|reading| reading.measurement).collect()
    }

    /// Whether something was measured.
    pub(super) fn has(&self, measurand: Measurand) -> bool {
        self.readings.iter().any(|reading| reading.measurement.measurand == measurand)
    }

    /// The observation behind a data point.
    pub(super) fn observation(&self, reading: usize) -> &'a Observation {
        &self.observations.observations()[self.readings[reading].observation]
    }
}

/// What a use in a branch, or in a circuit without coil, measures.
pub(super) fn measurand_of(
    role: Role,
    running: RunningLoads,
    branch: Option<usize>,
) -> Option<(Measurand, DriveState)> {
    let state = match (running, branch) {
        (RunningLoads::Nothing, _) => DriveState::Rest,
        (RunningLoads::This, Some(at)) => DriveState::Held(at),
        (RunningLoads::This, None) | (RunningLoads::Everything, _) => DriveState::AllHeld,
    };
    let measurand = match (role, branch) {
        (Role::Supply, _) => Measurand::Battery,
        (Role::Feed, Some(at)) if running == RunningLoads::Nothing => {
            return Some((Measurand::HarnessFeed(at), DriveState::HeldUnplugged(at)));
        }
        (Role::Feed, Some(at)) => Measurand::CoilFeed(at),
        (Role::Feed, None) => Measurand::SharedFeed,
        (Role::FeedDrop, Some(at)) => Measurand::FeedDrop(at),
        (Role::FeedDrop, None) => Measurand::SharedFeedDrop,
        (Role::GroundDrop, Some(at)) => Measurand::CoilGround(at),
        (Role::GroundDrop, None) => Measurand::SharedGround,
        (Role::CoilOhms, Some(at)) => Measurand::CoilOhms(at),
        (Role::CoilAmps | Role::Draw, Some(at)) => Measurand::Wire(at),
        (Role::CoilVolts, Some(at)) => Measurand::CoilVolts(at),
        (Role::FeedPinDrop, Some(at)) => Measurand::FeedPin(at),
        (Role::GroundPinDrop, Some(at)) => Measurand::GroundPin(at),
        (Role::OhmsToGround, Some(at)) => Measurand::ToGround(at),
        (_, None) => return None,
    };
    Some((measurand, state))
}

fn measurand(observation: &Observation, branch: Option<usize>) -> Option<(Measurand, DriveState)> {
    measurand_of(observation.usage.role, observation.usage.running, branch)
}

/// Value and own uncertainty; none where a value beyond the meter's range leaves it open.
fn number(observation: &Observation, in_ohms: bool) -> Option<(f64, f64)> {
    let measured = match observation.value {
        Measured::Number(measured) => measured,
        Measured::Over if in_ohms => return Some((0.0, OPEN_U)),
        Measured::Over | Measured::Under => return None,
    };
    let shared = observation.gain.as_ref().map_or(0.0, |gain| gain.relative_u * measured.value);
    let own = (measured.u.powi(2) - shared.powi(2)).max(0.0).sqrt().max(least_u(observation.usage.role));
    if in_ohms {
        // An ohmmeter with zero error may show a little less than nothing.
        let ohms = measured.value.max(0.0);
        Some((comparable(ohms), comparable_u(ohms, own).max(1e-9)))
    } else {
        Some((measured.value, own))
    }
}
