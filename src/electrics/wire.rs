//! What a copper wire should have in ohms, and drop in volts, by its size, length and temperature.
//!
//! Sizes are a section, an American wire gauge (ASTM B258) or a nominal section of IEC 60228. It
//! knows one conductor: there and back are two lengths, and joints have their own resistance.

use std::fmt;
use std::str::FromStr;

use super::copper::{Copper, RHO_20};

/// A size, length or temperature that no wire has.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub(crate) enum WireError {
    /// No gauge of this name.
    #[error("found the wire gauge \"{found}\", expected 4/0, 3/0, 2/0 or a number from 0 to {THINNEST}")]
    Gauge {
        /// What was given.
        found: String,
    },
    /// The section is not more than zero.
    #[error("found a section of {m2} m², expected more than zero")]
    Section {
        /// What was given, in m².
        m2: f64,
    },
    /// IEC 60228's table, as far as it is held here, has no such section.
    #[error("found a section of {m2} m², expected a nominal section of IEC 60228 from 0.5 to 120 mm²")]
    NotNominal {
        /// What was given, in m².
        m2: f64,
    },
    /// A length below zero or without end.
    #[error("found a length of {metres} m, expected zero or more")]
    Length {
        /// What was given, in m.
        metres: f64,
    },
    /// So cold that the rule for copper's resistance has ended.
    #[error("found a temperature of {celsius} °C, expected one above -234 °C")]
    Temperature {
        /// What was given, in °C.
        celsius: f64,
    },
}

/// The thinnest gauge of ASTM B258 (from memory).
const THINNEST: i8 = 56;
/// 4/0 in the numbering of the formula.
const THICKEST: i8 = -3;

/// An American wire gauge from 4/0 to 56, for solid wire: a stranded one of the same gauge has about
/// the same copper section.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Awg(i8);

impl Awg {
    /// By number, where 0, -1, -2 and -3 stand for 1/0 to 4/0.
    ///
    /// # Errors
    /// [`WireError::Gauge`] outside of -3 to 56.
    pub(crate) fn new(number: i8) -> Result<Self, WireError> {
        if (THICKEST..=THINNEST).contains(&number) {
            Ok(Self(number))
        } else {
            Err(WireError::Gauge { found: number.to_string() })
        }
    }

    /// The diameter of the solid wire in m: 0.005 in · 92^((36 - n)/39), ASTM B258 (from memory).
    pub(crate) fn diameter(self) -> f64 {
        0.005 * 0.0254 * 92_f64.powf((36.0 - f64::from(self.0)) / 39.0)
    }

    /// The section in m².
    pub(crate) fn section(self) -> f64 {
        std::f64::consts::FRAC_PI_4 * self.diameter().powi(2)
    }
}

/// Reads `18`, `0` or `4/0`.
impl FromStr for Awg {
    type Err = WireError;
    fn from_str(text: &str) -> Result<Self, WireError> {
        let wrong = || WireError::Gauge { found: text.to_owned() };
        let digits = |part: &str| {
            let plain = !part.is_empty() && part.bytes().all(|byte| byte.is_ascii_digit());
            plain.then(|| part.parse::<i8>().ok()).flatten()
        };
        match text.trim().strip_suffix("/0") {
            Some(zeros) => match digits(zeros) {
                Some(zeros @ 1..=4) => Ok(Self(1 - zeros)),
                _ => Err(wrong()),
            },
            None => digits(text.trim()).and_then(|number| Self::new(number).ok()).ok_or_else(wrong),
        }
    }
}

impl fmt::Display for Awg {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0 < 0 { write!(f, "{}/0", 1 - self.0) } else { write!(f, "{}", self.0) }
    }
}

/// The classes of conductors in IEC 60228.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum ConductorClass {
    /// Classes 1 and 2: solid, and stranded for fixed installation.
    Fixed,
    /// Classes 5 and 6: flexible.
    Flexible,
}

/// How thick a wire is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum ConductorSize {
    /// So much annealed copper. A real cable of this nominal section has up to about a sixth more.
    Section {
        /// In m².
        m2: f64,
    },
    /// The solid wire of a gauge.
    Awg(Awg),
    /// The most that IEC 60228 allows a plain copper conductor of this nominal section to have.
    Iec60228 {
        /// The nominal section in m².
        m2: f64,
        /// The construction.
        class: ConductorClass,
    },
}

/// IEC 60228, plain copper: nominal section in mm², greatest Ω/km at 20 °C of classes 1 and 2, and of
/// classes 5 and 6. (50 mm² really is lower in the latter.) As four cable makers' pages give them.
const IEC_60228: [(f64, f64, f64); 15] = [
    (0.5, 36.0, 39.0),
    (0.75, 24.5, 26.0),
    (1.0, 18.1, 19.5),
    (1.5, 12.1, 13.3),
    (2.5, 7.41, 7.98),
    (4.0, 4.61, 4.95),
    (6.0, 3.08, 3.30),
    (10.0, 1.83, 1.91),
    (16.0, 1.15, 1.21),
    (25.0, 0.727, 0.780),
    (35.0, 0.524, 0.554),
    (50.0, 0.387, 0.386),
    (70.0, 0.268, 0.272),
    (95.0, 0.193, 0.206),
    (120.0, 0.153, 0.161),
];

impl ConductorSize {
    /// Resistance over length at 20 °C in Ω/m.
    ///
    /// # Errors
    /// [`WireError::Section`] and [`WireError::NotNominal`].
    pub(crate) fn ohms_per_metre(self) -> Result<f64, WireError> {
        match self {
            Self::Section { m2 } if m2.is_finite() && m2 > 0.0 => Ok(RHO_20 / m2),
            Self::Section { m2 } => Err(WireError::Section { m2 }),
            Self::Awg(gauge) => Ok(RHO_20 / gauge.section()),
            Self::Iec60228 { m2, class } => IEC_60228
                .iter()
                .find(|(mm2, _, _)| (m2 * 1e6 - mm2).abs() < 1e-6 * mm2)
                .map(|(_, fixed, flexible)| match class {
                    ConductorClass::Fixed => fixed / 1000.0,
                    ConductorClass::Flexible => flexible / 1000.0,
                })
                .ok_or(WireError::NotNominal { m2 }),
        }
    }
}

/// One length of copper wire.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Wire {
    /// How thick it is.
    pub size: ConductorSize,
    /// The length of the conductor in m: a circuit's way there and back is twice the cable's.
    pub metres: f64,
    /// The conductor's temperature in °C.
    pub celsius: f64,
}

impl Wire {
    /// The resistance in Ω, by copper's line of IEC 60028.
    ///
    /// # Errors
    /// [`WireError`] where the size, the length or the temperature makes no sense.
    pub(crate) fn resistance(&self) -> Result<f64, WireError> {
        if !(self.metres.is_finite() && self.metres >= 0.0) {
            return Err(WireError::Length { metres: self.metres });
        }
        let warmer =
            Copper::iec_60028().ratio(20.0, self.celsius).ok_or(WireError::Temperature { celsius: self.celsius })?;
        Ok(self.size.ohms_per_metre()? * self.metres * warmer)
    }

    /// The drop in V at a current in A.
    ///
    /// # Errors
    /// As for [`Wire::resistance`].
    pub(crate) fn drop(&self, amps: f64) -> Result<f64, WireError> {
        Ok(self.resistance()? * amps)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::electrics::checks::{near, number, rows};
    use proptest::prelude::*;

    #[test]
    fn gauges_of_the_table() {
        // ASTM B258's formula with ρ = 1/58 Ω·mm²/m, computed; and a printed table (as quoted by
        // HyperPhysics, Georgia State University), which agrees within its own rounding.
        let mut gauges = 0;
        for row in rows(include_str!("../../tests/data/electrics/awg.csv")) {
            let gauge: Awg = row[0].parse().unwrap();
            assert_eq!(gauge, Awg::new(row[1].parse().unwrap()).unwrap());
            assert_eq!(gauge.to_string(), row[0]);
            near(gauge.diameter() / 0.0254, number(row[2]), 5.1e-8);
            near(gauge.diameter() * 1000.0, number(row[3]), 5.1e-7);
            near(gauge.section() * 1e6, number(row[4]), 5.1e-7);
            let kilometre =
                Wire { size: ConductorSize::Awg(gauge), metres: 1000.0, celsius: 20.0 }.resistance().unwrap();
            near(kilometre, number(row[6]), 5.1e-7);
            near(kilometre * 0.3048, number(row[5]), 5.1e-7);
            near(gauge.diameter() / 0.0254 / number(row[7]), 1.0, 6e-4);
            near(kilometre * 0.3048 / number(row[8]), 1.0, 8.5e-4);
            gauges += 1;
        }
        assert_eq!(gauges, 34);
    }

    #[test]
    fn nominal_sections_of_iec_60228() {
        // IEC 60228 table for plain copper, as four cable makers' pages give it.
        let mut sections = 0;
        for row in rows(include_str!("../../tests/data/electrics/iec60228_max_resistance.csv")) {
            let m2 = number(row[0]) * 1e-6;
            let kilometre = |size: ConductorSize| size.ohms_per_metre().unwrap() * 1000.0;
            near(kilometre(ConductorSize::Iec60228 { m2, class: ConductorClass::Fixed }), number(row[1]), 1e-9);
            near(kilometre(ConductorSize::Iec60228 { m2, class: ConductorClass::Flexible }), number(row[2]), 1e-9);
            near(kilometre(ConductorSize::Section { m2 }), number(row[3]), 5e-5);
            assert!(number(row[1]) > number(row[3]) && number(row[2]) < 1.17 * number(row[3]));
            sections += 1;
        }
        assert_eq!(sections, IEC_60228.len());
    }

    #[test]
    fn a_lead_drops_by_length_current_and_heat() {
        // Worked by hand: 4 m of 1 mm² flexible, 19.5 Ω/km, is 78 mΩ; 2 A drop 156 mV.
        let size = ConductorSize::Iec60228 { m2: 1e-6, class: ConductorClass::Flexible };
        let cold = Wire { size, metres: 4.0, celsius: 20.0 };
        near(cold.drop(2.0).unwrap(), 0.156, 1e-12);
        // R(80 °C)/R(20 °C) = 1.2358, IEC 60028.
        near(Wire { celsius: 80.0, ..cold }.drop(2.0).unwrap(), 0.156 * 1.2358, 1e-9);
        near(Wire { metres: 0.0, ..cold }.resistance().unwrap(), 0.0, 0.0);
    }

    #[test]
    fn gauges_are_read_as_they_are_written() {
        assert_eq!("1/0".parse(), Awg::new(0));
        assert_eq!(" 18 ".parse(), Awg::new(18));
        for text in ["", "5/0", "0/0", "/0", "57", "-1", "+4", "1.5", "18 mm²", "999", "4/0/0"] {
            assert_eq!(text.parse::<Awg>(), Err(WireError::Gauge { found: text.to_owned() }));
        }
        assert!(Awg::new(-4).is_err() && Awg::new(57).is_err());
    }

    #[test]
    fn wires_that_make_no_sense_are_reported() {
        let wire = Wire { size: ConductorSize::Section { m2: 1e-6 }, metres: 1.0, celsius: 20.0 };
        assert_eq!(Wire { metres: -1.0, ..wire }.resistance(), Err(WireError::Length { metres: -1.0 }));
        assert_eq!(Wire { celsius: -300.0, ..wire }.resistance(), Err(WireError::Temperature { celsius: -300.0 }));
        assert_eq!(ConductorSize::Section { m2: 0.0 }.ohms_per_metre(), Err(WireError::Section { m2: 0.0 }));
        let odd = ConductorSize::Iec60228 { m2: 1.2e-6, class: ConductorClass::Fixed };
        assert_eq!(odd.ohms_per_metre(), Err(WireError::NotNominal { m2: 1.2e-6 }));
    }

    proptest! {
        #[test]
        fn any_text_is_a_gauge_that_reads_back_or_a_mistake(text in "\\PC{0,6}|[0-9]{1,3}(/0)?") {
            if let Ok(gauge) = text.parse::<Awg>() {
                prop_assert_eq!(gauge.to_string().parse(), Ok(gauge));
            }
        }
    }
}
