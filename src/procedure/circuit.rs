//! A circuit as a procedure describes it: the driver that switches its coil, and where the clamp sits.
//!
//! ```toml
//! [[circuit]]
//! name = "lift coil"
//! driver = "high side"
//! control = "switched"
//! driver_drop = "0.05 V to 0.3 V"
//! clamp = "before the driver"
//! ```
//!
//! Knows no value that was measured.

use serde::Deserialize;
use strum::{EnumMessage, VariantArray};
use toml::Spanned;

use super::{Step, keys::Spread};
use crate::{
    mistake::{Mistake, Source},
    units::{AsWritten, Dimension, Limit},
    words::words,
};

/// A transistor that is on drops this much, V: common practice, no source. An old one may drop 1 V.
const TRANSISTOR_DROP: (f64, f64) = (0.05, 0.3);

/// One circuit as the procedure describes it.
#[derive(Debug, Clone, PartialEq)]
pub struct CircuitSpec {
    /// The name by which steps belong to it.
    pub name: String,
    /// What switches its coil.
    pub driver: Driver,
}

/// What switches a coil, and where the clamp sits beside it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Driver {
    /// Which side of the coil it switches; none where the file does not say.
    pub side: Option<DriverSide>,
    /// How it feeds the coil while that is on.
    pub control: DriverControl,
    /// The least and the greatest volts that a good one drops while it is on.
    pub drop: (f64, f64),
    /// Where the clamp sits.
    pub clamp: ClampPlace,
}

/// Which side of the coil a driver switches.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, VariantArray, EnumMessage)]
pub enum DriverSide {
    /// Between feed and coil.
    #[strum(serialize = "high side")]
    High,
    /// Between coil and ground.
    #[strum(serialize = "low side")]
    Low,
}

/// How a driver feeds the coil while that is on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, VariantArray, EnumMessage)]
pub enum DriverControl {
    /// On all the time.
    #[default]
    #[strum(serialize = "steady")]
    Steady,
    /// On and off fast, for a mean current: pulse width modulation.
    #[strum(serialize = "switched", serialize = "PWM")]
    Switched,
    /// In full at first, then on and off fast for a smaller holding current.
    #[strum(serialize = "peak and hold")]
    PeakAndHold,
}

/// On which side of the driver's freewheeling path the clamp sits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, VariantArray, EnumMessage)]
pub enum ClampPlace {
    /// In the coil's own wire: it shows the coil's current.
    #[default]
    #[strum(serialize = "behind the driver")]
    BehindDriver,
    /// In the supply of the driver: it shows duty times the coil's current.
    #[strum(serialize = "before the driver")]
    BeforeDriver,
}

words!(DriverSide, ClampPlace);
words!(pub DriverControl);

impl Default for Driver {
    fn default() -> Self {
        Self { side: None, control: DriverControl::default(), drop: TRANSISTOR_DROP, clamp: ClampPlace::default() }
    }
}

impl Driver {
    /// Whether meters show a mean: of what is on and off by turns.
    pub fn shows_means(&self) -> bool {
        self.control != DriverControl::Steady
    }
}

/// A `[[circuit]]` of the file.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct CircuitTable {
    name: Spanned<String>,
    driver: Option<DriverSide>,
    #[serde(default)]
    control: DriverControl,
    driver_drop: Option<Spanned<AsWritten<Spread>>>,
    #[serde(default)]
    clamp: ClampPlace,
}

/// The circuits of a file, each named by a step.
pub(super) fn circuits(source: Source, tables: Vec<CircuitTable>, steps: &[Step]) -> Result<Vec<CircuitSpec>, Mistake> {
    let mut circuits: Vec<CircuitSpec> = Vec::new();
    for table in tables {
        let name = table.name.get_ref().trim().to_owned();
        let named = || steps.iter().filter_map(|step| step.circuit.as_deref());
        if !named().any(|circuit| circuit == name) {
            let mut known: Vec<&str> = Vec::new();
            named().for_each(|circuit| {
                if !known.contains(&circuit) {
                    known.push(circuit)
                }
            });
            let message = format!("found a circuit \"{name}\" that no step has, expected one of: {}", known.join(", "));
            return Err(source.mistake(table.name.span(), message));
        }
        if circuits.iter().any(|other| other.name == name) {
            let message = format!("found a second circuit named \"{name}\", expected one [[circuit]] for each");
            return Err(source.mistake(table.name.span(), message));
        }
        let drop = table.driver_drop.as_ref().map(|drop| drop_of(source, drop)).transpose()?;
        let driver = Driver {
            side: table.driver,
            control: table.control,
            drop: drop.unwrap_or(TRANSISTOR_DROP),
            clamp: table.clamp,
        };
        circuits.push(CircuitSpec { name, driver });
    }
    Ok(circuits)
}

fn drop_of(source: Source, drop: &Spanned<AsWritten<Spread>>) -> Result<(f64, f64), Mistake> {
    let AsWritten { value: Spread(limit), text } = drop.get_ref();
    match *limit {
        Limit { low: Some(low), high: Some(high), dimension: Dimension::Volt } if low >= 0.0 => Ok((low, high)),
        _ => {
            let message = format!("found \"{text}\", expected volts such as \"0.05 V to 0.3 V\"");
            Err(source.mistake(drop.span(), message))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{procedure::Procedure, words};

    fn parse(circuit: &str) -> Result<Procedure, Mistake> {
        let text = format!("title = \"x\"\n{circuit}\n[[step]]\nname = \"a\"\ncircuit = \"lift coil\"\n");
        Procedure::parse("p.toml", &text)
    }

    #[test]
    fn a_driver_is_read() {
        let text = "[[circuit]]\nname = \"lift coil\"\ndriver = \"low side\"\ncontrol = \"pwm\"\ndriver_drop = \"0.6 to 1 V\"\n\
                    clamp = \"before the driver\"";
        let procedure = parse(text).unwrap();
        let driver = procedure.driver(Some("lift coil"));
        assert_eq!((driver.side, driver.control), (Some(DriverSide::Low), DriverControl::Switched));
        assert_eq!((driver.drop, driver.clamp), ((0.6, 1.0), ClampPlace::BeforeDriver));
        assert!(driver.shows_means());
        // Without a word about it, it is a transistor that is on all the time.
        assert_eq!(procedure.driver(Some("tilt coil")), Driver::default());
        assert!(!parse("[[circuit]]\nname = \"lift coil\"").unwrap().driver(None).shows_means());
    }

    #[test]
    fn each_mistake_is_reported_with_its_line() {
        let own = "[[circuit]]\nname = \"lift coil\"\n";
        for (text, line, words) in [
            ("[[circuit]]\nname = \"lift\"".to_owned(), 3, "expected one of: lift coil"),
            (format!("{own}{own}"), 5, "second circuit"),
            (format!("{own}driver = \"upper\""), 4, "\"high side\""),
            (format!("{own}driver_drop = \"0.1 A to 1 A\""), 4, "expected volts"),
        ] {
            let mistake = parse(&text).unwrap_err();
            assert!(mistake.message.contains(words), "{text}: {mistake}");
            assert_eq!(mistake.line, line, "{text}: {mistake}");
        }
    }

    #[test]
    fn the_schema_lists_the_words_of_the_tables() {
        let schema: serde_json::Value = serde_json::from_str(crate::procedure::PROCEDURE_SCHEMA).unwrap();
        let circuit = "/$defs/circuit/properties";
        words::check_schema::<DriverSide>(&schema, &format!("{circuit}/driver/enum"));
        words::check_schema::<DriverControl>(&schema, &format!("{circuit}/control/enum"));
        words::check_schema::<ClampPlace>(&schema, &format!("{circuit}/clamp/enum"));
    }
}
