//! Which reading on the circuit model each observation is, and the number with which it enters the fit.

use super::{
    Measured, Observation, ObservationSet, Role, RunningLoads,
    circuit::{DriveState, Measurand, MeterReading, comparable},
    observation::least_u,
};

/// All observations, laid out on the circuit model.
#[derive(Debug)]
pub(super) struct Layout<'a> {
    /// What was observed.
    pub observations: &'a ObservationSet,
    /// The branches: circuits with a coil, or with a terminal of their own.
    pub coils: Vec<&'a str>,
    /// By meter's function, the relative standard uncertainty of its gain.
    pub gains: Vec<f64>,
    /// Channels that readings came from.
    pub channels: Vec<&'a str>,
    /// Every observation that is a number to be explained, in the order of capture.
    pub readings: Vec<MeterReading>,
    /// By reading, its index among the observations.
    places: Vec<usize>,
}

/// Of what a sheet states beside the share of the reading, so much is the same in all readings of a function: the zero. The
/// rest is each reading's own.
const SHARE_OF_ZERO: f64 = 0.7;
/// Seconds between captures whose time is unknown.
const USUAL_PAUSE: f64 = 40.0;
/// The battery's drift is followed over at least this time, s.
const SHORTEST_VISIT: f64 = 600.0;

impl<'a> Layout<'a> {
    pub(super) fn new(observations: &'a ObservationSet) -> Self {
        let coils = observations.coils();
        let mut layout = Self {
            observations,
            coils,
            gains: Vec::new(),
            channels: Vec::new(),
            readings: Vec::new(),
            places: Vec::new(),
        };
        let mut meters: Vec<&str> = Vec::new();
        let all = observations.observations();
        let seconds: Vec<f64> = all
            .iter()
            .enumerate()
            .map(|(at, observation)| observation.seconds.unwrap_or(USUAL_PAUSE * at as f64))
            .collect();
        let (first, last) =
            seconds.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), at| (low.min(*at), high.max(*at)));
        let visit = (last - first).max(SHORTEST_VISIT);
        for (place, observation) in all.iter().enumerate() {
            let branch = layout.coils.iter().position(|coil| *coil == observation.circuit);
            let Some((measurand, state)) = measurand_of(observation.usage.role, observation.usage.running, branch)
            else {
                continue;
            };
            let Some((value, own)) = number(observation, measurand.in_ohms()) else { continue };
            let meter = observation.gain.as_ref().filter(|gain| gain.relative_u > 0.0).map(|gain| {
                meters.iter().position(|meter| *meter == gain.meter).unwrap_or_else(|| {
                    meters.push(&gain.meter);
                    layout.gains.push(gain.relative_u);
                    meters.len() - 1
                })
            });
            let channel = observation.channel.as_deref().unwrap_or_else(|| observation.usage.role.quantity().word());
            let channel = layout.channels.iter().position(|known| *known == channel).unwrap_or_else(|| {
                layout.channels.push(channel);
                layout.channels.len() - 1
            });
            let zero_u = if meter.is_some() { SHARE_OF_ZERO * own } else { 0.0 };
            let own_u = (own.powi(2) - zero_u.powi(2)).sqrt().hypot(least_u(observation.usage.role));
            let moment = (seconds[place] - first) / visit;
            layout.readings.push(MeterReading { measurand, state, moment, meter, channel, value, own_u, zero_u });
            layout.places.push(place);
        }
        layout
    }

    /// Whether something was measured.
    pub(super) fn has(&self, measurand: Measurand) -> bool {
        self.readings.iter().any(|reading| reading.measurand == measurand)
    }

    /// The observation behind a reading.
    pub(super) fn observation(&self, reading: usize) -> &'a Observation {
        &self.observations.observations()[self.places[reading]]
    }

    /// The reading of an observation of this role in this coil's circuit, with this running.
    pub(super) fn uncertain(
        &self,
        coil: usize,
        role: Role,
        running: RunningLoads,
    ) -> Option<crate::electrics::Uncertain> {
        self.observations.observation(self.coils[coil], role, Some(running))?.uncertain()
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

/// Value and what its uncertainty is without the share of the reading, ohms plain; none where a value beyond the meter's range
/// leaves it open.
fn number(observation: &Observation, in_ohms: bool) -> Option<(f64, f64)> {
    let measured = match observation.value {
        Measured::Number(measured) => measured,
        Measured::Over if in_ohms => return Some((0.0, 0.0)),
        Measured::Over | Measured::Under => return None,
    };
    let shared = observation.gain.as_ref().map_or(0.0, |gain| gain.relative_u * measured.value);
    let in_quadrature = || (measured.u.powi(2) - shared.powi(2)).max(0.0).sqrt();
    let own = observation.own_u.unwrap_or_else(in_quadrature);
    // An ohmmeter with zero error may show a little less than nothing.
    let value = if in_ohms { comparable(measured.value.max(0.0)) } else { measured.value };
    Some((value, own))
}
