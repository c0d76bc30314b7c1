//! What a good circuit has: the prior of the fit, with how far good parts may differ.
//!
//! Limits of the procedure come first: a part stands in the middle of its limits and the limits are two of
//! its standard deviations away. Where the procedure is silent, the figures here are what small machines
//! have: common practice, no source. They are wide on purpose, so that only what no good machine shows is
//! called a fault.

use super::{
    Observation, Role, RunningLoads,
    layout::Layout,
    model::{BranchParameters, CircuitParameters, Measurand, Parameter},
};
use crate::electrics::{Copper, median};

/// A part that may differ from its usual figure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct FreeParameter {
    /// Which.
    pub parameter: Parameter,
    /// By this standard deviation, in the part's unit.
    pub sd: f64,
}

/// The good circuit.
#[derive(Debug, Clone)]
pub(super) struct CircuitPrior {
    /// Usual figures.
    pub circuit: CircuitParameters,
    /// How far they may be off.
    pub free: Vec<FreeParameter>,
    /// By coil, ohms at the reference temperature that the procedure wants, or that its siblings have; none
    /// where nothing is known.
    pub nominal: Vec<Option<f64>>,
    /// 1 on a 12 V system, 2 on one of 24 V.
    pub scale: f64,
}

/// Figures with their standard deviations, 12 V or 24 V alike.
const BATTERY_OHMS: (f64, f64) = (0.015, 0.010);
const FEED_OHMS: (f64, f64) = (0.030, 0.025);
const STANDING_SIEMENS: (f64, f64) = (0.15, 0.12);
const FEED_WIRE: (f64, f64) = (0.08, 0.06);
const PIN: (f64, f64) = (0.01, 0.01);
const GROUND_WIRE: (f64, f64) = (0.02, 0.015);
/// A machine that stood, or worked a while: °C.
const CELSIUS: (f64, f64) = (25.0, 12.0);
/// A coil held on warms by some kelvin before anyone reads its amps.
const HELD: (f64, f64) = (1.005, 0.008);
/// A driver that limits its current takes all of it from the feed, or chops and takes less.
const LIMITER_SHARE: (f64, f64) = (0.5, 0.3);
/// A shared ground is good under 100 mV with everything running.
const GROUND_LIMIT_V: f64 = 0.1;
/// Coils of one kind: relative standard deviation where there is no limit.
const COIL_SPREAD: f64 = 0.03;
/// Relative standard deviation of a coil of which nothing is known: any value is believed.
const UNKNOWN_COIL: f64 = 0.5;
/// A battery below this is weak, per 12 V (about half charged; common practice, no source).
const BATTERY_LIMIT_V: f64 = 12.2;
/// From feed wire to frame, ohm, unless there is a limit.
const INSULATION_OHMS: f64 = 1000.0;

impl CircuitPrior {
    pub(super) fn new(layout: &Layout) -> Self {
        let scale = scale(layout);
        let (emf, emf_sd) = battery(layout, scale);
        let nominal = nominal_ohms(layout, emf);
        let mut free = vec![
            FreeParameter { parameter: Parameter::Emf, sd: emf_sd },
            FreeParameter { parameter: Parameter::BatteryOhms, sd: BATTERY_OHMS.1 },
            FreeParameter { parameter: Parameter::FeedOhms, sd: FEED_OHMS.1 },
            FreeParameter { parameter: Parameter::StandingSiemens, sd: STANDING_SIEMENS.1 },
            FreeParameter { parameter: Parameter::LimiterShare, sd: LIMITER_SHARE.1 },
        ];
        let celsius = layout.observations.part_celsius;
        free.push(FreeParameter {
            parameter: Parameter::Celsius,
            sd: celsius.map_or(CELSIUS.1, |known| known.u.max(0.5)),
        });
        free.extend(
            layout
                .gains
                .iter()
                .enumerate()
                .map(|(at, sd)| FreeParameter { parameter: Parameter::MeterGain(at), sd: *sd }),
        );
        let all_a: f64 = nominal.iter().map(|ohms| emf / ohms.map_or(10.0, |(ohms, _)| ohms)).sum();
        let ground_v = shared_ground_limit(layout).unwrap_or(GROUND_LIMIT_V * scale);
        let ground = (0.5 * ground_v / all_a.max(1.0), 0.25 * ground_v / all_a.max(1.0));
        free.push(FreeParameter { parameter: Parameter::GroundOhms, sd: ground.1 });
        let mut branches = Vec::new();
        for (at, nominal) in nominal.iter().enumerate() {
            branches.push(branch(layout, at, emf, *nominal, &mut free));
        }
        let circuit = CircuitParameters {
            emf,
            battery_ohms: BATTERY_OHMS.0,
            feed_ohms: FEED_OHMS.0,
            standing_siemens: STANDING_SIEMENS.0,
            ground_ohms: ground.0,
            celsius: celsius.map_or(CELSIUS.0, |known| known.value),
            reference_celsius: layout.observations.reference_celsius,
            limiter_share: LIMITER_SHARE.0,
            gains: vec![0.0; layout.gains.len()],
            branches,
        };
        let nominal = nominal.into_iter().map(|ohms| ohms.map(|(ohms, _)| ohms)).collect();
        Self { circuit, free, nominal, scale }
    }
}

/// 2 for a 24 V system, by the limits and values of feed and supply.
fn scale(layout: &Layout) -> f64 {
    let of_system = layout
        .observations
        .observations()
        .iter()
        .filter(|observation| matches!(observation.usage.role, Role::Supply | Role::Feed));
    let volts: Vec<f64> = of_system
        .flat_map(|observation| {
            [observation.limit.and_then(|limit| limit.low), observation.uncertain().map(|value| value.value)]
        })
        .flatten()
        .collect();
    if volts.iter().any(|volts| *volts > 18.0) { 2.0 } else { 1.0 }
}

/// Volts of a good battery and how far they may be off.
///
/// Any battery that keeps to its limit is as good as any other (a charging one among them), so it is taken
/// as it was measured; one below its limit is not.
fn battery(layout: &Layout, scale: f64) -> (f64, f64) {
    let at_rest = layout.observations.observations().iter().find(|observation| {
        observation.usage.role == Role::Supply && observation.usage.running == RunningLoads::Nothing
    });
    let least = at_rest
        .and_then(|observation| observation.limit?.low)
        .filter(|volts| *volts > 0.0)
        .unwrap_or(BATTERY_LIMIT_V * scale);
    if let Some(volts) = at_rest.and_then(Observation::uncertain) {
        return if volts.value >= least { (volts.value, 0.1 * scale) } else { (least + 0.05 * scale, 0.1 * scale) };
    }
    let highest = layout
        .readings
        .iter()
        .filter(|reading| {
            matches!(
                reading.measurement.measurand,
                Measurand::Battery | Measurand::SharedFeed | Measurand::HarnessFeed(_)
            )
        })
        .map(|reading| reading.value)
        .fold(0.0, f64::max);
    if highest >= least { (highest + 0.1 * scale, 0.2 * scale) } else { (least + 0.3 * scale, 0.2 * scale) }
}

/// The limit of the shared ground with everything running, V.
fn shared_ground_limit(layout: &Layout) -> Option<f64> {
    let observations =
        layout.readings.iter().filter(|reading| reading.measurement.measurand == Measurand::SharedGround);
    observations
        .filter_map(|reading| layout.observations.observations()[reading.observation].limit?.high)
        .find(|volts| *volts > 0.0)
}

/// By coil, ohms at the reference temperature and their relative standard deviation.
fn nominal_ohms(layout: &Layout, emf: f64) -> Vec<Option<(f64, f64)>> {
    let by_limit = |coil: &str| {
        let centre = |role| {
            let limit = layout.observations.observation(coil, role, None)?.limit?;
            let (low, high) = (limit.low?, limit.high?);
            (low > 0.0).then(|| (0.5 * (low + high), 0.5 * (high - low) / (high + low).max(f64::MIN_POSITIVE)))
        };
        centre(Role::CoilOhms).or_else(|| centre(Role::CoilAmps).map(|(amps, spread)| (emf / amps, spread)))
    };
    let limits: Vec<Option<(f64, f64)>> = layout.coils.iter().map(|coil| by_limit(coil)).collect();
    // Coils without any limit are siblings of each other, and most of them are good.
    let measured = |at: usize| {
        let observation = layout.observations.observation(layout.coils[at], Role::CoilOhms, None)?;
        let ohms = observation.uncertain()?.value;
        let celsius = layout.observations.part_celsius.map_or(CELSIUS.0, |known| known.value);
        Some(ohms * Copper::iec_60028().ratio(celsius, layout.observations.reference_celsius)?)
    };
    let alone: Vec<f64> = (0..limits.len()).filter(|at| limits[*at].is_none()).filter_map(measured).collect();
    let sibling = (alone.len() >= 3).then(|| median(&alone)).flatten();
    // Where they differ by much they are of several kinds, and none is measured by another.
    let alike = sibling.filter(|middle| {
        let near = alone.iter().filter(|ohms| (*ohms / middle - 1.0).abs() < 0.1).count();
        2 * near > alone.len()
    });
    limits
        .into_iter()
        .map(|limit| limit.map(|(ohms, spread)| (ohms, spread.max(0.01))).or(alike.map(|ohms| (ohms, COIL_SPREAD))))
        .collect()
}

/// One branch of usual figures, with its parts' freedom.
fn branch(
    layout: &Layout,
    at: usize,
    emf: f64,
    nominal: Option<(f64, f64)>,
    free: &mut Vec<FreeParameter>,
) -> BranchParameters {
    let coil = layout.coils[at];
    let measured = || {
        let ohms = layout.observations.observation(coil, Role::CoilOhms, None)?.uncertain()?.value;
        (ohms > 0.0).then_some((ohms, UNKNOWN_COIL))
    };
    let (coil_ohms, spread) = nominal.or_else(measured).unwrap_or((10.0, UNKNOWN_COIL));
    let amps = emf / coil_ohms;
    // A limit for a drop is the maker's figure for a good part.
    let by_limit = |role, usual: (f64, f64)| {
        let limit = layout
            .observations
            .observation(coil, role, Some(RunningLoads::This))
            .and_then(|observation| observation.limit?.high);
        limit.filter(|volts| *volts > 0.0).map_or(usual, |volts| (0.5 * volts / amps, 0.25 * volts / amps))
    };
    let feed_wire = by_limit(Role::FeedDrop, FEED_WIRE);
    let feed_pin = by_limit(Role::FeedPinDrop, PIN);
    let ground_pin = by_limit(Role::GroundPinDrop, PIN);
    let ground_wire = by_limit(Role::GroundDrop, GROUND_WIRE);
    let insulation =
        layout.observations.observation(coil, Role::OhmsToGround, None).and_then(|observation| observation.limit?.low);
    let insulation = insulation.filter(|ohms| *ohms > 0.0).unwrap_or(INSULATION_OHMS);
    // A file may hold limits that are far too tight or plainly wrong.
    let mut add = |parameter, sd: f64| free.push(FreeParameter { parameter, sd: sd.clamp(1e-5, 1e6) });
    add(Parameter::CoilOhms(at), coil_ohms * spread);
    add(Parameter::FeedWire(at), feed_wire.1);
    add(Parameter::GroundWire(at), ground_wire.1);
    add(Parameter::Held(at), HELD.1);
    // A pin whose drop was not measured counts as part of its wire, without ohms of its own.
    let pin = |measurand, usual: f64| if layout.has(measurand) { usual } else { 0.0 };
    let (feed_pin_ohms, ground_pin_ohms) =
        (pin(Measurand::FeedPin(at), feed_pin.0), pin(Measurand::GroundPin(at), ground_pin.0));
    for (measurand, parameter, sd) in [
        (Measurand::FeedPin(at), Parameter::FeedPin(at), feed_pin.1),
        (Measurand::GroundPin(at), Parameter::GroundPin(at), ground_pin.1),
        (Measurand::ToGround(at), Parameter::Leak(at), 0.5 / insulation),
    ] {
        if layout.has(measurand) {
            add(parameter, sd);
        }
    }
    BranchParameters {
        coil_ohms,
        feed_wire: feed_wire.0,
        feed_pin: feed_pin_ohms,
        ground_pin: ground_pin_ohms,
        ground_wire: ground_wire.0,
        leak: 0.0,
        held: HELD.0,
        hidden: 0.0,
        lost_v: 0.0,
        from_feed: None,
        limited_a: None,
    }
}
