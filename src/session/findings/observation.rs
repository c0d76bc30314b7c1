//! What is known of a machine: captured values with their uncertainty, by circuit.
//!
//! They come from captures whose verdict allows it, or from plain numbers, so that the live session, a replay and
//! a test all build the same [`ObservationSet`]. Nothing here depends on causes or sentences.

use super::{CircuitMeasurement, Role, RunningLoads};
use crate::{
    channel::Channel,
    electrics::Uncertain,
    procedure::Driver,
    protocol::Value,
    session::{
        Judgement, Verdict,
        judge::{NotJudged, Outcome},
    },
    units::{ApplicableAccuracy, Limit, Quantity, Scale, ValueFormat, show},
};

/// A measured value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Measured {
    /// A number with its standard uncertainty, base units of the role's quantity.
    Number(Uncertain),
    /// Beyond the meter's range: for ohms, open.
    Over,
    /// Beyond the meter's range downwards.
    Under,
}

/// The error that all readings of one meter share.
#[derive(Debug, Clone, PartialEq)]
pub struct SharedGainError {
    /// Which meter (and function of it): observations with the same name share the error.
    pub meter: String,
    /// Relative standard uncertainty of its gain (1 = 100 %); it is part of each observation's `u` as well.
    pub relative_u: f64,
}

impl SharedGainError {
    /// Of a channel on one function: the share of the reading in its accuracy and the tolerance of its clamp,
    /// rectangular. The channel is what counts, as each clamp of a board has a gain of its own, and so has
    /// each range of a meter.
    pub fn of(channel: &str, quantity: Quantity, row: ApplicableAccuracy, scale: &Scale) -> Self {
        let range = row.range.map_or(String::new(), |range| format!(" up to {}", show(range, quantity)));
        Self {
            meter: format!("{channel} {quantity}{range}"),
            relative_u: Uncertain::rectangular(0.0, row.accuracy.of_reading)
                .u
                .hypot(Uncertain::rectangular(0.0, scale.tolerance).u),
        }
    }

    /// Of a value that a channel shows; none where nothing is known of its accuracy there.
    pub(in crate::session) fn of_channel(channel: &Channel, quantity: Quantity, value: f64) -> Option<Self> {
        let row = channel.conversion.accuracy.as_ref()?.value.row_for(quantity, value, None)?;
        Some(Self::of(&channel.name, quantity, row, &channel.conversion.scale()))
    }
}

/// The errors of one captured value, as far as its meter's sheet tells them apart.
#[derive(Debug, Clone, PartialEq)]
pub struct CaptureErrors {
    /// What it shares with other captures.
    pub shared: SharedGainError,
    /// Standard uncertainty of what it does not, base units: the fixed part of the sheet's row, and noise.
    ///
    /// The terms of a sheet add up (as [`ApplicableAccuracy::half_width`] has it). Taken off in quadrature, its share of the reading
    /// would leave far more than the fixed part: of 0.5 % + 2 digits at 12.5 V 54 mV instead of 20.
    pub own_u: f64,
}

impl CaptureErrors {
    /// Of a value with its whole uncertainty. `digit` is what the display's last digit is worth, where that is known.
    pub fn of(
        shared: SharedGainError,
        measured: Uncertain,
        digit: Option<f64>,
        row: ApplicableAccuracy,
        scale: &Scale,
    ) -> Self {
        let of = |half_width: f64| Uncertain::rectangular(0.0, half_width).u;
        let sheet = of(row.half_width(measured.value, digit));
        let fixed = sheet - of(row.accuracy.of_reading * measured.value.abs());
        let clamp = of(scale.tolerance * measured.value.abs());
        let noise = (measured.u.powi(2) - sheet.powi(2) - clamp.powi(2)).max(0.0).sqrt();
        Self { shared, own_u: fixed.hypot(noise) }
    }
}

/// One captured value and what it stands for.
#[derive(Debug, Clone, PartialEq)]
pub struct Observation {
    /// The circuit as the procedure names it.
    pub circuit: String,
    /// The step that it was captured in.
    pub step: String,
    /// What it measures and what ran meanwhile.
    pub usage: CircuitMeasurement,
    /// The value.
    pub value: Measured,
    /// Its limit, where the procedure has one: it shows what a good part has.
    pub limit: Option<Limit>,
    /// Whether it is out of its limit by more than its uncertainty.
    pub is_out: bool,
    /// What the last digit that the meter showed is worth; none where unknown.
    pub digit: Option<f64>,
    /// The error shared with other observations of the same meter; none where unknown.
    pub gain: Option<SharedGainError>,
    /// Standard uncertainty beside that shared error, base units; none where no more is known than that both make `u` in quadrature.
    pub own_u: Option<f64>,
    /// The channel that it came from; none where unknown.
    pub channel: Option<String>,
    /// When it was captured, seconds since the session began; none where unknown: then by its place.
    pub seconds: Option<f64>,
    /// Whether the leads were proven good before and after: then no lead slipped.
    pub is_proven: bool,
}

/// Assumed of a meter without a stated accuracy: 1 % of the reading as standard uncertainty.
const UNSTATED_RELATIVE_U: f64 = 0.01;

impl Observation {
    /// A number with its standard uncertainty, base units.
    pub fn number(circuit: &str, step: &str, role: Role, running: RunningLoads, value: Uncertain) -> Self {
        Self {
            circuit: circuit.to_owned(),
            step: step.to_owned(),
            usage: CircuitMeasurement { role, running },
            value: Measured::Number(value),
            limit: None,
            is_out: false,
            digit: None,
            gain: None,
            own_u: None,
            channel: None,
            seconds: None,
            is_proven: false,
        }
    }

    /// The same with a limit.
    #[must_use]
    pub fn limited(mut self, limit: Limit) -> Self {
        self.limit = Some(limit);
        // As with verdicts, only what lies beyond by the expanded uncertainty (k = 2) is out.
        self.is_out = self.uncertain().is_some_and(|measured| {
            let by = 2.0 * measured.u;
            limit.low.is_some_and(|low| measured.value + by < low)
                || limit.high.is_some_and(|high| measured.value - by > high)
        });
        self
    }

    /// The same beyond the meter's range.
    #[must_use]
    pub fn over(mut self) -> Self {
        self.value = Measured::Over;
        self
    }

    /// The observation in a step's capture, if there is one: nothing is concluded from a value that was not
    /// loaded, not settled, held, of another function or never read.
    ///
    /// Where nothing is known of the meter's accuracy, one percent and a little are assumed.
    pub fn of_capture(
        circuit: &str,
        step: &str,
        usage: CircuitMeasurement,
        judgement: &Judgement,
        errors: Option<CaptureErrors>,
    ) -> Option<Self> {
        // A value whose limit refers to something that is missing was measured all the same.
        match judgement.outcome {
            Outcome::NotCounted { why: NotJudged::NoReference, .. } => {}
            Outcome::NotCounted { .. } | Outcome::NoValue { .. } => return None,
            _ => {}
        }
        if judgement.quantity() != Some(usage.role.quantity()) {
            return None;
        }
        let value = match judgement.value()? {
            Value::Number(value) => Measured::Number(Uncertain::new(
                value,
                judgement.u().unwrap_or(UNSTATED_RELATIVE_U * value.abs() + least_u(usage.role)),
            )),
            Value::Over => Measured::Over,
            Value::Under => Measured::Under,
        };
        Some(Self {
            circuit: circuit.to_owned(),
            step: step.to_owned(),
            usage,
            value,
            limit: judgement.limit(),
            is_out: judgement.verdict() == Some(Verdict::OutOfLimit),
            digit: judgement.digit,
            own_u: errors.as_ref().map(|errors| errors.own_u),
            gain: errors.map(|errors| errors.shared),
            channel: None,
            seconds: None,
            is_proven: false,
        })
    }

    /// The number, where it is one.
    pub fn uncertain(&self) -> Option<Uncertain> {
        match self.value {
            Measured::Number(value) => Some(value),
            Measured::Over | Measured::Under => None,
        }
    }

    /// As a person reads it, with the digits that the meter showed.
    pub fn shown(&self) -> String {
        match self.value {
            Measured::Number(value) => {
                ValueFormat::new(self.usage.role.quantity(), self.digit, self.limit.as_ref()).show(value.value)
            }
            Measured::Over if matches!(self.usage.role, Role::CoilOhms | Role::OhmsToGround) => {
                "OL (open, or above the meter's range)".to_owned()
            }
            Measured::Over => "OL (above the meter's range)".to_owned(),
            Measured::Under => "-OL (below the meter's range)".to_owned(),
        }
    }
}

/// No capture is trusted better than this, standard uncertainty in base units: contact of the leads
/// (some 0.03 ohm), thermal and stray volts, a clamp's rest. Common practice, no source.
pub(super) fn least_u(role: Role) -> f64 {
    match role {
        Role::CoilOhms | Role::OhmsToGround => 0.03,
        Role::CoilAmps | Role::Draw => 0.005,
        _ => 0.003,
    }
}

/// No meter at a machine shows more than this, base units: a larger number is an error.
const BEYOND: f64 = 1e10;

/// All that is known of one machine.
#[derive(Debug, Clone, PartialEq)]
pub struct ObservationSet {
    observations: Vec<Observation>,
    /// Temperature of the coils in °C; none where it was not measured.
    pub part_celsius: Option<Uncertain>,
    /// Lowest and highest temperature that the coils can have, °C, where the state of the machine or the air's is told.
    pub plausible_celsius: Option<(f64, f64)>,
    /// The temperature in °C for which limits in ohm are given.
    pub reference_celsius: f64,
    /// Circuits that are branches by the procedure, whatever of them is captured yet.
    pub branches: Vec<String>,
    /// By circuit, what the procedure tells of its driver.
    pub drivers: Vec<(String, Driver)>,
}

impl ObservationSet {
    /// Observations in the order of their capture. Of several for the same thing the last counts; numbers that no
    /// meter can show are left out.
    ///
    /// Limits in ohm hold at 20 °C and the coils' temperature is unknown until the fields say otherwise.
    pub fn new(observations: impl IntoIterator<Item = Observation>) -> Self {
        let mut kept: Vec<Observation> = Vec::new();
        let possible = |observation: &Observation| match observation.value {
            Measured::Number(number) => number.value.abs() < BEYOND && number.u.abs() < BEYOND,
            Measured::Over | Measured::Under => true,
        };
        for observation in observations.into_iter().filter(possible) {
            kept.retain(|other| (&other.circuit, other.usage) != (&observation.circuit, observation.usage));
            kept.push(observation);
        }
        Self {
            observations: kept,
            part_celsius: None,
            plausible_celsius: None,
            reference_celsius: 20.0,
            branches: Vec::new(),
            drivers: Vec::new(),
        }
    }

    /// The observations, one for each thing measured.
    pub fn observations(&self) -> &[Observation] {
        &self.observations
    }

    /// The circuits that are branches, mostly with a coil, in the order of their first observation.
    pub fn coils(&self) -> Vec<&str> {
        let mut coils: Vec<&str> = Vec::new();
        for observation in &self.observations {
            let is_branch = observation.usage.role.is_of_coil() || self.branches.contains(&observation.circuit);
            if is_branch && !coils.contains(&observation.circuit.as_str()) {
                coils.push(&observation.circuit);
            }
        }
        coils
    }

    /// The observation of a circuit for a role, with this running or with any.
    pub fn observation(&self, circuit: &str, role: Role, running: Option<RunningLoads>) -> Option<&Observation> {
        self.observations.iter().find(|observation| {
            observation.circuit == circuit
                && observation.usage.role == role
                && running.is_none_or(|running| observation.usage.running == running)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{session::JudgementRecord, units::DataSheet};
    use strum::VariantArray;

    /// 12.5 V of a meter of 0.5 % + 2 digits: a rectangle of 62.5 mV, shared, and one of 20 mV, its own (JCGM 100 4.3.7). They add up
    /// to the sheet's 82.5 mV.
    #[test]
    fn the_fixed_part_of_a_sheet_is_a_captures_own() {
        let sheet: DataSheet = "0.5 % + 2 digits".parse().unwrap();
        let row = sheet.row_for(Quantity::VoltsDc, 12.5, None).unwrap();
        let shared = SharedGainError::of("probe", Quantity::VoltsDc, row, &Scale::NONE);
        assert!((shared.relative_u * 12.5 - 0.0625 / 3f64.sqrt()).abs() < 1e-12);
        let own =
            |u: f64| CaptureErrors::of(shared.clone(), Uncertain::new(12.5, u), Some(0.01), row, &Scale::NONE).own_u;
        let (sheet_u, fixed) = (0.0825 / 3f64.sqrt(), 0.02 / 3f64.sqrt());
        assert!((own(sheet_u) - fixed).abs() < 1e-9, "{}", own(sheet_u));
        // Noise of 30 mV in it is its own as well.
        assert!((own(sheet_u.hypot(0.03)) - fixed.hypot(0.03)).abs() < 1e-9);
    }

    fn volts_without_u() -> JudgementRecord {
        JudgementRecord {
            verdict: None,
            value: Some(Value::Number(12.4)),
            measured: None,
            measured_u: None,
            digit: None,
            answer: None,
            quantity: Some(Quantity::VoltsDc),
            unit: None,
            u: None,
            limit_low: Some(11.8),
            limit_high: None,
            conformity: None,
            reason: String::new(),
        }
    }

    #[test]
    fn a_value_is_shown_with_the_digits_of_the_display() {
        let ohms = |digit| {
            let value = Uncertain::new(7.6, 0.04);
            Observation { digit, ..Observation::number("lift", "ohms", Role::CoilOhms, RunningLoads::Nothing, value) }
        };
        assert_eq!((ohms(Some(0.01)).shown(), ohms(None).shown()), ("7.60 ohm".to_owned(), "7.600 ohm".to_owned()));
    }

    #[test]
    fn nothing_follows_from_a_capture_that_does_not_count() {
        let usage = CircuitMeasurement { role: Role::Feed, running: RunningLoads::Nothing };
        let observation_of =
            |record| Observation::of_capture("a", "b", usage, &Judgement::try_from(record).unwrap(), None);
        for &verdict in Verdict::VARIANTS {
            let observation = observation_of(JudgementRecord { verdict: Some(verdict), ..volts_without_u() });
            // A value without a reference for its limit was measured all the same.
            let counts = matches!(
                verdict,
                Verdict::InLimit | Verdict::OutOfLimit | Verdict::TooCloseToCall | Verdict::NoReference
            );
            assert_eq!(observation.is_some(), counts, "{verdict:?}");
        }
        assert!(observation_of(JudgementRecord { quantity: Some(Quantity::VoltsAc), ..volts_without_u() }).is_none());
        let observation = observation_of(volts_without_u()).unwrap();
        assert!(observation.uncertain().unwrap().u > 0.12, "an unstated accuracy is not a perfect one");
    }

    #[test]
    fn a_gain_is_the_share_of_the_reading() {
        // JCGM 100 4.3.7: 0.8 % as a half-width is 0.8 %/√3 as a standard uncertainty.
        let gain_of = |sheet: &str, ohms: f64| {
            let sheet: DataSheet = sheet.parse().unwrap();
            SharedGainError::of(
                "probe",
                Quantity::Ohms,
                sheet.row_for(Quantity::Ohms, ohms, None).unwrap(),
                &Scale::NONE,
            )
        };
        let gain = gain_of("0.8 % + 5 digits", 7.5);
        assert!((gain.relative_u - 0.008 / 3f64.sqrt()).abs() < 1e-12 && gain.meter == "probe ohm");
        // A clamp's tolerance is independent of the meter's: √(0.8² + 0.6²) is 1 (JCGM 100 5.1.2).
        let (sheet, scale): (DataSheet, Scale) = ("0.8 %".parse().unwrap(), "10:1 ± 0.6 %".parse().unwrap());
        let gain =
            SharedGainError::of("clamp", Quantity::AmpsDc, sheet.row_for(Quantity::AmpsDc, 2.0, None).unwrap(), &scale);
        assert!((gain.relative_u - 0.01 / 3f64.sqrt()).abs() < 1e-12);
        // Two ranges have two gains.
        let gain = gain_of("ohm up to 600 ohm: 0.9 % + 5 digits; ohm: 0.8 %", 7.5);
        assert!((gain.relative_u - 0.009 / 3f64.sqrt()).abs() < 1e-12 && gain.meter == "probe ohm up to 600.0 ohm");
        assert_eq!(gain_of("ohm up to 600 ohm: 0.9 % + 5 digits; ohm: 0.8 %", 700.0).meter, "probe ohm");
    }

    #[test]
    fn the_last_capture_of_a_thing_counts() {
        let feed =
            |volts| Observation::number("lift", "feed", Role::Feed, RunningLoads::Nothing, Uncertain::new(volts, 0.1));
        let case = ObservationSet::new([feed(9.0), feed(12.4)]);
        assert_eq!(case.observations().len(), 1);
        assert_eq!(case.observation("lift", Role::Feed, None).unwrap().shown(), "12.40 V");
        assert!(case.coils().is_empty(), "volts alone make no coil");
    }
}
