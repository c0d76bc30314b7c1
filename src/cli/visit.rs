//! The options that describe a machine and its visit.

use clap::Args;

use super::failure::{Failure, print_error};
use crate::{
    procedure::MachineHeat,
    session::{Visit, checked_celsius},
    units::{Dimension, Measure, split_number},
    vehicle::{VinCheck, check_vin},
};

/// Which machine it is, and why it is here.
#[derive(Debug, Args)]
pub(super) struct VisitArgs {
    /// The machine, in your own words
    #[arg(long, value_name = "TEXT", default_value = "")]
    machine: String,
    /// The job's number or name
    #[arg(long, value_name = "TEXT", default_value = "")]
    job: String,
    /// The vehicle identification number, or a machine's serial number
    #[arg(long, value_name = "NUMBER", default_value = "")]
    vin: String,
    /// The odometer or hour meter as it reads, such as "4211 h"
    #[arg(long, value_name = "READING", default_value = "")]
    counter: String,
    /// What the customer complains of
    #[arg(long, value_name = "TEXT", default_value = "")]
    complaint: String,
    /// The air temperature, such as "12 °C"
    #[arg(long, value_name = "TEMPERATURE", value_parser = celsius, allow_hyphen_values = true)]
    ambient: Option<f64>,
    /// The temperature of the part under test; with it, coil ohms are corrected to their reference temperature
    #[arg(long, value_name = "TEMPERATURE", value_parser = celsius, allow_hyphen_values = true)]
    part: Option<f64>,
    /// How warm the machine is, where the part's temperature is not known: cold, warm or hot
    #[arg(long, value_name = "STATE")]
    state: Option<MachineHeat>,
}

impl VisitArgs {
    /// The visit. A doubtful identification number is warned about, not refused.
    pub(super) fn visit(self) -> Result<Visit, Failure> {
        if let Some(doubt) = vin_warning(&self.vin) {
            print_error(doubt);
        }
        let visit = Visit {
            machine: self.machine,
            job: self.job,
            vin: self.vin.trim().to_uppercase(),
            counter: self.counter,
            complaint: self.complaint,
            ambient_celsius: self.ambient,
            part_celsius: self.part,
            state: self.state,
        };
        visit.check().map_err(|refusal| Failure::usage(refusal.to_string()))?;
        Ok(visit)
    }
}

/// The check digit is a rule of North America (49 CFR 565): elsewhere, and on machines, numbers may be right without it.
fn vin_warning(vin: &str) -> Option<String> {
    // Machines have serial numbers of other lengths.
    match vin.trim().len() {
        17 => {}
        count @ (16 | 18) => {
            return Some(format!(
                "{vin} has {count} characters, but a vehicle identification number has 17; it is kept as you wrote it"
            ));
        }
        _ => return None,
    }
    match check_vin(vin.trim()) {
        VinCheck::Valid => None,
        VinCheck::WrongCheckDigit { expected, found } => Some(format!(
            "the check digit of {vin} is {found}, but by the North American rule it would be {expected}; check the number, or leave it if the vehicle is not from there"
        )),
        VinCheck::NotAVin { why } => {
            Some(format!("{vin} is not a vehicle identification number: {why}; it is kept as you wrote it"))
        }
    }
}

/// `63 °C`, or the bare number, which can have no other unit; that it was taken so is reported.
pub(super) fn celsius(text: &str) -> Result<f64, String> {
    let text = with_only_unit(text, "°C");
    match text.parse::<Measure>() {
        Ok(Measure { value, dimension: Dimension::Celsius }) => checked_celsius(value),
        _ => Err("expected a temperature such as \"63 °C\"".to_owned()),
    }
}

/// A typed number with its unit. Where it has none and only one is possible, that one is taken, and a line says so.
pub(super) fn with_only_unit(text: &str, unit: &str) -> String {
    match split_number(text) {
        Some((_, "")) => {
            let taken = format!("{} {unit}", text.trim());
            print_error(format_args!("{} is taken as {taken}", text.trim()));
            taken
        }
        _ => text.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn temperatures_as_typed() {
        for (text, value) in [("63", 63.0), ("63 °C", 63.0), ("-5 degC", -5.0)] {
            assert_eq!(celsius(text), Ok(value), "{text}");
        }
        assert!(celsius("1e308").is_err() && celsius("-300 °C").is_err() && celsius("4000 °C").is_err());
        assert!(celsius("63 V").is_err() && celsius("warm").is_err() && celsius("nan").is_err());
    }

    #[test]
    fn a_doubtful_number_is_reported() {
        // Sample of 49 CFR 565.15(c), and the same with another check digit.
        assert_eq!(vin_warning("1G4AH59H45G118341"), None);
        assert!(vin_warning("1G4AH59H55G118341").is_some_and(|words| words.contains("would be 4")));
        assert_eq!(vin_warning("LDR-00417"), None);
        // The same sample with a character left out: the commonest slip.
        assert!(vin_warning("1G4AH59H4G118341").is_some_and(|words| words.contains("16 characters")));
    }
}
