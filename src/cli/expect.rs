//! `bayline expect`: calculates what a coil should draw, a wire drop and a warm coil show.

mod calculation;
mod typed_value;

use std::{
    io::{Write, stdout},
    process::ExitCode,
};

use clap::{Args, Subcommand, ValueEnum};

use super::{failure::Failure, visit::celsius};
use crate::{
    electrics::{Awg, ConductorClass, ConductorSize, Uncertain, Wire},
    units::Accuracy,
};
use calculation::{Calculation, CalculationError, CoilOhms};
use typed_value::{NominalOhms, TypedValue};

/// Calculate what a circuit should show.
#[derive(Debug, Args)]
pub(super) struct ExpectArgs {
    #[command(subcommand)]
    command: ExpectCommand,
}

#[derive(Debug, Subcommand)]
enum ExpectCommand {
    /// A coil held on: amps and watts
    Coil(CoilArgs),
    /// A copper wire: ohms, volts dropped, share of 12 V and 24 V
    Wire(WireArgs),
    /// The ohms of a warm coil, or the temperature that explains its ohms
    Ohms(OhmsArgs),
    /// A circuit that draws too little: the extra resistance and the heat in it
    Joint(JointArgs),
}

/// The coil, with the accuracy of what was measured.
#[derive(Debug, Args)]
struct CoilArgs {
    /// Volts across the circuit, such as "12.61 V"
    #[arg(long, value_name = "VOLTS", value_parser = typed_value::volts)]
    volts: TypedValue,
    /// The coil's ohms, such as "7.5 ohm"
    #[arg(long, value_name = "OHMS", value_parser = typed_value::ohms)]
    ohms: TypedValue,
    /// The coil's temperature while it is on, such as "63 °C"; without it the ohms are not corrected
    #[arg(long, value_name = "TEMPERATURE", value_parser = celsius, allow_hyphen_values = true)]
    at: Option<f64>,
    /// The temperature that these ohms belong to
    #[arg(long, value_name = "TEMPERATURE", value_parser = celsius, default_value = "20 °C", allow_hyphen_values = true)]
    ohms_at: f64,
    /// Accuracy of the volts as on the data sheet, such as "0.5 % + 2 digits"; a digit is the last one that you typed
    #[arg(long, value_name = "ACCURACY")]
    volts_accuracy: Option<Accuracy>,
    /// Accuracy of the ohms
    #[arg(long, value_name = "ACCURACY")]
    ohms_accuracy: Option<Accuracy>,
    /// Print it as JSON
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Args)]
struct JointArgs {
    #[command(flatten)]
    coil: CoilArgs,
    /// The amps that it draws, such as "1.62 A"
    #[arg(long, value_name = "AMPS", value_parser = typed_value::amps)]
    amps: TypedValue,
    /// Accuracy of the amps
    #[arg(long, value_name = "ACCURACY")]
    amps_accuracy: Option<Accuracy>,
}

#[derive(Debug, Args)]
struct WireArgs {
    #[command(flatten)]
    size: WireSizeArgs,
    /// Length of the conductor, such as "3 m"; for feed and return, twice the distance
    #[arg(long, value_name = "LENGTH", value_parser = typed_value::metres)]
    length: f64,
    /// The current, such as "8 A"
    #[arg(long, value_name = "AMPS", value_parser = typed_value::amps)]
    amps: TypedValue,
    /// The conductor's temperature
    #[arg(long, alias = "at", value_name = "TEMPERATURE", value_parser = celsius, default_value = "20 °C", allow_hyphen_values = true)]
    temperature: f64,
    /// Use the greatest resistance that the cable standard allows for this nominal section; without it, bare copper
    #[arg(long, value_enum, conflicts_with = "awg")]
    class: Option<CableClassArg>,
    /// Print it as JSON
    #[arg(long)]
    json: bool,
}

/// The size of the wire: one of the two.
#[derive(Debug, Args)]
#[group(required = true, multiple = false)]
struct WireSizeArgs {
    /// Its section, such as "1.5 mm2"
    #[arg(long, value_name = "SECTION", value_parser = typed_value::section)]
    section: Option<f64>,
    /// Its American wire gauge, such as 16 or 1/0
    #[arg(long, value_name = "GAUGE", value_parser = typed_value::gauge)]
    awg: Option<Awg>,
}

/// Constructions of IEC 60228.
#[derive(Debug, Clone, Copy, ValueEnum)]
enum CableClassArg {
    /// Fine strands, classes 5 and 6: most cables in vehicles and machines
    Flexible,
    /// Solid or stranded for fixed installation, classes 1 and 2
    Fixed,
}

#[derive(Debug, Args)]
struct OhmsArgs {
    /// The ohms that the maker gives, such as "7.5 ohm" or "7.5 ohm ± 8 %"
    #[arg(long, value_name = "OHMS", value_parser = typed_value::nominal)]
    nominal: NominalOhms,
    /// The temperature that the maker gives them for
    #[arg(long, value_name = "TEMPERATURE", value_parser = celsius, default_value = "20 °C", allow_hyphen_values = true)]
    nominal_at: f64,
    #[command(flatten)]
    question: OhmsQuestionArgs,
    /// Print it as JSON
    #[arg(long)]
    json: bool,
}

/// What is asked for: one of the two.
#[derive(Debug, Args)]
#[group(required = true, multiple = false)]
struct OhmsQuestionArgs {
    /// How warm the coil is: calculates its ohms
    #[arg(long, value_name = "TEMPERATURE", value_parser = celsius, allow_hyphen_values = true)]
    at: Option<f64>,
    /// The ohms that it shows: calculates the temperature that explains them
    #[arg(long, value_name = "OHMS", value_parser = typed_value::ohms)]
    shows: Option<TypedValue>,
}

impl ExpectArgs {
    pub(super) fn run(self) -> Result<ExitCode, Failure> {
        let (calculation, json) = match self.command {
            ExpectCommand::Coil(coil) => {
                let (volts, ohms) = coil.values()?;
                (calculation::coil(volts, ohms), coil.json)
            }
            ExpectCommand::Joint(JointArgs { coil, amps, amps_accuracy }) => {
                let (volts, ohms) = coil.values()?;
                let amps = amps.with(amps_accuracy).map_err(Failure::usage)?;
                (calculation::joint(volts, ohms, amps), coil.json)
            }
            ExpectCommand::Wire(args) => {
                let wire = Wire { size: args.wire_size()?, metres: args.length, celsius: args.temperature };
                (calculation::wire(&wire, args.amps.value), args.json)
            }
            ExpectCommand::Ohms(ohms) => (ohms.calculate(), ohms.json),
        };
        let calculation = calculation.map_err(|error| Failure::usage(error.to_string()))?;
        let text = if json { format!("{}\n", calculation.json()) } else { calculation.text() };
        stdout().write_all(text.as_bytes())?;
        Ok(ExitCode::SUCCESS)
    }
}

impl CoilArgs {
    fn values(&self) -> Result<(Uncertain, CoilOhms), Failure> {
        let volts = self.volts.with(self.volts_accuracy).map_err(Failure::usage)?;
        let ohms = self.ohms.with(self.ohms_accuracy).map_err(Failure::usage)?;
        Ok((volts, CoilOhms { ohms, given_at: self.ohms_at, warm_at: self.at }))
    }
}

impl WireArgs {
    fn wire_size(&self) -> Result<ConductorSize, Failure> {
        let class = self.class.map(|class| match class {
            CableClassArg::Flexible => ConductorClass::Flexible,
            CableClassArg::Fixed => ConductorClass::Fixed,
        });
        match (self.size.awg, self.size.section, class) {
            (Some(gauge), ..) => Ok(ConductorSize::Awg(gauge)),
            (None, Some(m2), Some(class)) => Ok(ConductorSize::Iec60228 { m2, class }),
            (None, Some(m2), None) => Ok(ConductorSize::Section { m2 }),
            (None, None, _) => Err(Failure::usage("give the size of the wire: --section or --awg")),
        }
    }
}

impl OhmsArgs {
    fn calculate(&self) -> Result<Calculation, CalculationError> {
        match self.question.shows {
            Some(shown) => calculation::explained(self.nominal, self.nominal_at, shown.value),
            // clap refuses a command line with neither.
            None => calculation::warm_ohms(self.nominal, self.nominal_at, self.question.at.unwrap_or(self.nominal_at)),
        }
    }
}
