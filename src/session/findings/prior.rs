//! What a good machine has, with how far good parts may differ: the written prior of all findings.
//!
//! Ohms of wires and joints, volts of drivers and batteries and temperatures are what small machines have: common practice, no
//! source. They are wide, so that only what hardly any good machine shows is called a fault. A coil is what its limit says:
//! in the middle, and the limits two standard deviations away. Limits for drops are what a customer may claim, not
//! what good machines have, and enter no prior.

use super::{
    Observation, Role,
    circuit::{CircuitModel, Figure, FigurePrior, MachineFigures},
    layout::Layout,
};
use crate::{
    electrics::{Copper, median},
    procedure::{ClampPlace, Driver, DriverSide},
};

/// The good machine.
#[derive(Debug)]
pub(super) struct MachinePrior {
    pub model: CircuitModel,
    /// By coil, ohms at the reference temperature that the procedure wants, or that its siblings have; none
    /// where nothing is known.
    pub nominal: Vec<Option<f64>>,
    /// 1 on a 12 V system, 2 on one of 24 V.
    pub scale: f64,
}

/// The battery at rest, per 12 V, V.
const EMF: (f64, f64) = (12.68, 0.28);
/// How far it goes in half a visit, how far it is off that line, and jumps from reading to reading, per 12 V, V. A battery that
/// rests or is drawn down goes one way, and does not go back and forth within minutes.
const TREND: f64 = 0.06;
const DRIFT: f64 = 0.02;
const JITTER: f64 = 0.012;
const BATTERY_OHMS: FigurePrior = FigurePrior::log_normal(0.012, 0.6);
const FEED_OHMS: FigurePrior = FigurePrior::log_normal(0.03, 0.9);
/// Thick wires and clean joints, or thin and old ones: all of a machine are alike.
const WIRING: FigurePrior = FigurePrior::log_normal(1.0, 0.7);
const GROUND_OHMS: FigurePrior = FigurePrior::log_normal(0.0035, 0.65);
/// With the key on, modules, instruments and relays draw half an amp to some amps, per 12 V. What draws next to nothing is a
/// mode, see `mode`.
const STANDING_OHMS: FigurePrior = FigurePrior::log_normal(8.0, 0.8);
/// Some metres of 0.75 to 2.5 mm²: wires of one machine differ by their length.
const FEED_WIRE: FigurePrior = FigurePrior::log_normal(0.06, 0.5);
const PIN: FigurePrior = FigurePrior::log_normal(0.005, 0.6);
const GROUND_WIRE: FigurePrior = FigurePrior::log_normal(0.015, 0.6);
/// The volts of a transistor that is on follow from its ohms and the amps, here at the coil's usual ones, and a relay's contact
/// takes next to none: standard deviation of the logarithm, at least. The junction of an old driver is a mode, see `mode`.
const DRIVER_SPREAD: f64 = 1.1;
const DRIVER_OWN: FigurePrior = FigurePrior::log_normal(1.0, 0.33);
/// A good transistor drops no more, V.
const TRANSISTOR_V: f64 = 0.3;
/// Share of a driver's volts that it drops without any amps too. Field-effect transistors and contacts are resistors, and drop
/// none; a bipolar transistor in saturation keeps some tens of millivolts (any textbook). What has a junction is a mode.
const UNLOADED_SHARE: FigurePrior = FigurePrior::log_normal(0.05, 1.0);
/// A machine that stood, or worked all day: °C.
const CELSIUS: FigurePrior = FigurePrior::normal(35.0, 22.0);
/// One coil beside the others, K; and where one was measured.
const WARMTH: FigurePrior = FigurePrior::normal(0.0, 7.0);
const WARMTH_KNOWN: FigurePrior = FigurePrior::normal(0.0, 2.5);
/// A coil held on warms by some kelvin before anyone reads its amps.
const HELD: FigurePrior = FigurePrior::normal(0.01, 0.01);
/// Coils of one kind: relative standard deviation where there is no limit.
const COIL_SPREAD: f64 = 0.03;
/// Relative standard deviation of a coil of which nothing is known: any value is believed.
const UNKNOWN_COIL: f64 = 0.4;
/// Good coils of one kind and make differ by no more, whatever their limit: relative standard deviation.
const OWN_SPREAD: f64 = 0.025;
/// Of the spread of coils, what all of one kind share.
const SHARE_OF_KIND: f64 = 0.8;
/// Coils whose wanted ohms differ by less are of one kind.
const SAME_KIND: f64 = 0.01;
/// From feed wire to frame.
const INSULATION: FigurePrior = FigurePrior::log_normal(2e5, 1.2);

impl MachinePrior {
    pub(super) fn new(layout: &Layout) -> Self {
        let scale = scale(layout);
        let nominal = nominal_ohms(layout);
        let reference_celsius = layout.observations.reference_celsius;
        let wanted: Vec<f64> = nominal.iter().map(|known| known.map_or(10.0, |(ohms, _)| ohms)).collect();
        let mut kinds: Vec<usize> = Vec::new();
        let mut firsts: Vec<usize> = Vec::new();
        for (at, ohms) in wanted.iter().enumerate() {
            let known = firsts.iter().position(|first| (wanted[*first] / ohms - 1.0).abs() < SAME_KIND);
            kinds.push(known.unwrap_or_else(|| {
                firsts.push(at);
                firsts.len() - 1
            }));
        }
        let spread = |at: usize| nominal[at].map_or(UNKNOWN_COIL, |(_, spread)| spread);
        let drivers: Vec<Driver> = layout.coils.iter().map(|coil| driver(layout, coil)).collect();
        let part = layout.observations.part_celsius;
        let figures =
            MachineFigures::new(layout.gains.len(), firsts.len(), layout.coils.len(), |figure| match figure {
                Figure::Emf => FigurePrior::normal(EMF.0 * scale, EMF.1 * scale),
                Figure::Trend => FigurePrior::normal(0.0, TREND * scale),
                Figure::Drift(_) => FigurePrior::normal(0.0, DRIFT * scale),
                Figure::BatteryOhms => BATTERY_OHMS,
                Figure::FeedOhms => FEED_OHMS,
                Figure::GroundOhms => GROUND_OHMS,
                // The same watts at twice the volts.
                Figure::StandingOhms => FigurePrior { center: STANDING_OHMS.center * scale * scale, ..STANDING_OHMS },
                Figure::Wiring => WIRING,
                Figure::Celsius => celsius(layout),
                Figure::DriverVolts => driver_volts(&drivers),
                Figure::UnloadedShare => UNLOADED_SHARE,
                Figure::MeterGain(meter) => FigurePrior::normal(0.0, layout.gains[meter]),
                Figure::MeterZero(_) => FigurePrior::normal(0.0, 1.0),
                Figure::CoilKind(kind) => FigurePrior::log_normal(1.0, SHARE_OF_KIND * spread(firsts[kind])),
                Figure::Coil(at) => FigurePrior::log_normal(1.0, own_spread(spread(at))),
                Figure::CoilWarmth(_) => {
                    if part.is_some() {
                        WARMTH_KNOWN
                    } else {
                        WARMTH
                    }
                }
                Figure::Held(_) => HELD,
                Figure::FeedWire(_) => FEED_WIRE,
                Figure::FeedPin(_) | Figure::GroundPin(_) => PIN,
                Figure::GroundWire(_) => GROUND_WIRE,
                Figure::Driver(_) => DRIVER_OWN,
                Figure::Insulation(_) => INSULATION,
                Figure::Duty(at) => duty(drivers[at]),
            });
        let model = CircuitModel {
            figures,
            readings: layout.readings.clone(),
            nominal: wanted,
            kinds,
            sides: drivers.iter().map(|driver| driver.side.unwrap_or(DriverSide::High)).collect(),
            shows_supply: drivers
                .iter()
                .map(|driver| driver.shows_means() && driver.clamp == ClampPlace::BeforeDriver)
                .collect(),
            reference_celsius,
            system_volts: 12.0 * scale,
            alpha: Copper::iec_60028().alpha_at(reference_celsius).unwrap_or(0.00393),
            jitter_v: JITTER * scale,
        };
        let known = |ohms: Option<(f64, f64)>| ohms.filter(|(_, spread)| *spread < UNKNOWN_COIL).map(|(ohms, _)| ohms);
        Self { model, nominal: nominal.into_iter().map(known).collect(), scale }
    }
}

/// The coils' temperature: as measured, as told, or whatever a machine may have.
fn celsius(layout: &Layout) -> FigurePrior {
    match (layout.observations.part_celsius, layout.observations.plausible_celsius) {
        (Some(known), _) => FigurePrior::normal(known.value, known.u.max(0.5)),
        // A range's ends are two standard deviations away.
        (None, Some((low, high))) => FigurePrior::normal(0.5 * (low + high), (0.25 * (high - low)).max(2.0)),
        (None, None) => CELSIUS,
    }
}

/// How far one coil is from others of its kind; one of which nothing is known may be anything.
fn own_spread(spread: f64) -> f64 {
    let own = (1.0 - SHARE_OF_KIND * SHARE_OF_KIND).sqrt() * spread;
    if spread < UNKNOWN_COIL { own.min(OWN_SPREAD) } else { own }
}

/// What the procedure tells of the driver of a circuit.
pub(super) fn driver(layout: &Layout, coil: &str) -> Driver {
    let told = layout.observations.drivers.iter().find(|(circuit, _)| circuit == coil);
    told.map(|(_, driver)| *driver).unwrap_or_default()
}

/// Share of the time that a driver is on while it is said to be: any for one that is switched, and told by its means alone.
fn duty(driver: Driver) -> FigurePrior {
    if driver.shows_means() { FigurePrior::normal(0.6, 0.25) } else { FigurePrior::normal(1.0, 0.0) }
}

fn driver_volts(drivers: &[Driver]) -> FigurePrior {
    let (low, high) = drivers.first().map_or(Driver::default().drop, |driver| driver.drop);
    // What is more is a junction's.
    let (low, high) = (low.clamp(0.01, TRANSISTOR_V), high.clamp(0.02, TRANSISTOR_V));
    FigurePrior::log_normal((low * high).sqrt(), DRIVER_SPREAD.max(0.5 * (high / low).ln()))
}

/// More is 24 V, V.
const MOST_OF_12_V: f64 = 18.0;
/// A feed with less is dead, and tells nothing of the system, V.
const LEAST_OF_12_V: f64 = 6.0;

/// 2 for a 24 V system: by what most limits and values of feed and supply say. One value alone may be a mistake.
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
        .filter(|volts| *volts > LEAST_OF_12_V)
        .collect();
    if median(&volts).is_some_and(|volts| volts > MOST_OF_12_V) { 2.0 } else { 1.0 }
}

/// By coil, ohms at the reference temperature and their relative standard deviation.
fn nominal_ohms(layout: &Layout) -> Vec<Option<(f64, f64)>> {
    let by_limit = |coil: &str| {
        let limit = layout.observations.observation(coil, Role::CoilOhms, None)?.limit?;
        let (low, high) = (limit.low?, limit.high?);
        (low > 0.0 && high > low).then(|| (0.5 * (low + high), (0.5 * (high - low) / (high + low)).clamp(0.01, 0.3)))
    };
    let limits: Vec<Option<(f64, f64)>> = layout.coils.iter().map(|coil| by_limit(coil)).collect();
    let measured = |at: usize| {
        let ohms =
            layout.observations.observation(layout.coils[at], Role::CoilOhms, None).and_then(Observation::uncertain);
        ohms.map(|ohms| ohms.value).filter(|ohms| *ohms > 0.0)
    };
    // Coils without any limit are siblings of each other, and most of them are good.
    let celsius = layout.observations.part_celsius.map_or(CELSIUS.center, |known| known.value);
    let to_reference = Copper::iec_60028().ratio(celsius, layout.observations.reference_celsius).unwrap_or(1.0);
    let without = || (0..limits.len()).filter(|at| limits[*at].is_none());
    let alone: Vec<f64> = without().filter_map(measured).map(|ohms| ohms * to_reference).collect();
    let sibling = (alone.len() >= 3).then(|| median(&alone)).flatten();
    // Where they differ by much they are of several kinds, and none is measured by another.
    let alike = sibling.filter(|middle| {
        let near = alone.iter().filter(|ohms| (*ohms / middle - 1.0).abs() < 0.1).count();
        2 * near > alone.len()
    });
    (0..limits.len())
        .map(|at| {
            limits[at]
                .or(alike.map(|ohms| (ohms, COIL_SPREAD)))
                .or_else(|| measured(at).map(|ohms| (ohms * to_reference, UNKNOWN_COIL)))
        })
        .collect()
}
