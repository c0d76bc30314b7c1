//! What the circuit is made of, and each part by its name.

use crate::electrics::Copper;

/// One figure of the circuit that can be looked up and changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Parameter {
    /// Volts of the battery without load.
    Emf,
    /// Ohms inside the battery.
    BatteryOhms,
    /// Ohms of the shared feed.
    FeedOhms,
    /// Siemens that the machine draws from the shared feed anyhow.
    StandingSiemens,
    /// Ohms of the shared ground.
    GroundOhms,
    /// Temperature of all coils, °C.
    Celsius,
    /// Share of a limited driver's output current that it takes from the feed.
    LimiterShare,
    /// Relative error of a meter.
    MeterGain(usize),
    /// Ohms of a coil at the reference temperature.
    CoilOhms(usize),
    /// Ohms from shared feed to connector.
    FeedWire(usize),
    /// Ohms of the connector's feed pin.
    FeedPin(usize),
    /// Ohms of the connector's ground pin.
    GroundPin(usize),
    /// Ohms from connector to shared ground.
    GroundWire(usize),
    /// Siemens from the feed wire to the frame.
    Leak(usize),
    /// Ohms of the coil held on beside those measured on it: it warms.
    Held(usize),
}

impl Parameter {
    /// Whether it is a resistance in series of which a good machine can only have too much.
    pub(crate) const fn is_in_series(self) -> bool {
        matches!(
            self,
            Self::BatteryOhms
                | Self::FeedOhms
                | Self::GroundOhms
                | Self::FeedWire(_)
                | Self::FeedPin(_)
                | Self::GroundPin(_)
                | Self::GroundWire(_)
        )
    }

    /// Below this it means nothing any more, in the part's unit.
    pub(crate) const fn least(self) -> f64 {
        match self {
            Self::CoilOhms(_) => 1e-3,
            _ if self.is_in_series() => 1e-4,
            Self::StandingSiemens | Self::Leak(_) => 0.0,
            _ => f64::NEG_INFINITY,
        }
    }

    /// The branch that it belongs to; none for what all share.
    pub(crate) const fn branch(self) -> Option<usize> {
        match self {
            Self::CoilOhms(at)
            | Self::FeedWire(at)
            | Self::FeedPin(at)
            | Self::GroundPin(at)
            | Self::GroundWire(at)
            | Self::Leak(at)
            | Self::Held(at) => Some(at),
            _ => None,
        }
    }
}

/// One coil and its wires.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct BranchParameters {
    /// See [`Parameter::CoilOhms`].
    pub coil_ohms: f64,
    /// See [`Parameter::FeedWire`].
    pub feed_wire: f64,
    /// See [`Parameter::FeedPin`].
    pub feed_pin: f64,
    /// See [`Parameter::GroundPin`].
    pub ground_pin: f64,
    /// See [`Parameter::GroundWire`].
    pub ground_wire: f64,
    /// See [`Parameter::Leak`].
    pub leak: f64,
    /// See [`Parameter::Held`]; about 1.
    pub held: f64,
    /// Ohms under load that no drop measures: in the coil, or where no lead was put.
    pub hidden: f64,
    /// Volts that the driver keeps even without load.
    pub lost_v: f64,
    /// Ohms of a touch from battery positive to the driver's output.
    pub from_feed: Option<f64>,
    /// Amps to which the driver limits itself while it is on; none for a plain switch.
    pub limited_a: Option<f64>,
}

/// The whole circuit.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct CircuitParameters {
    /// See [`Parameter::Emf`].
    pub emf: f64,
    /// See [`Parameter::BatteryOhms`].
    pub battery_ohms: f64,
    /// See [`Parameter::FeedOhms`].
    pub feed_ohms: f64,
    /// See [`Parameter::StandingSiemens`].
    pub standing_siemens: f64,
    /// See [`Parameter::GroundOhms`].
    pub ground_ohms: f64,
    /// See [`Parameter::Celsius`].
    pub celsius: f64,
    /// Where coil ohms are given, °C.
    pub reference_celsius: f64,
    /// See [`Parameter::LimiterShare`].
    pub limiter_share: f64,
    /// By meter, see [`Parameter::MeterGain`]; about 0.
    pub gains: Vec<f64>,
    /// By coil.
    pub branches: Vec<BranchParameters>,
}

impl CircuitParameters {
    /// The place of a figure.
    pub(crate) fn slot(&mut self, parameter: Parameter) -> &mut f64 {
        match parameter {
            Parameter::Emf => &mut self.emf,
            Parameter::BatteryOhms => &mut self.battery_ohms,
            Parameter::FeedOhms => &mut self.feed_ohms,
            Parameter::StandingSiemens => &mut self.standing_siemens,
            Parameter::GroundOhms => &mut self.ground_ohms,
            Parameter::Celsius => &mut self.celsius,
            Parameter::LimiterShare => &mut self.limiter_share,
            Parameter::MeterGain(at) => &mut self.gains[at],
            Parameter::CoilOhms(at) => &mut self.branches[at].coil_ohms,
            Parameter::FeedWire(at) => &mut self.branches[at].feed_wire,
            Parameter::FeedPin(at) => &mut self.branches[at].feed_pin,
            Parameter::GroundPin(at) => &mut self.branches[at].ground_pin,
            Parameter::GroundWire(at) => &mut self.branches[at].ground_wire,
            Parameter::Leak(at) => &mut self.branches[at].leak,
            Parameter::Held(at) => &mut self.branches[at].held,
        }
    }

    /// What copper has at the coils' temperature of what it has at the reference (IEC 60028).
    pub(crate) fn warmth(&self) -> f64 {
        // No coil is colder than copper's rule reaches; a fit that goes there shows as a bad fit.
        Copper::iec_60028().ratio(self.reference_celsius, self.celsius).unwrap_or(0.1)
    }
}
