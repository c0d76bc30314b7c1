//! `bayline expect`: the bench-side sum. What a coil should draw, a wire drop, a warm coil show.

mod sum;
mod typed;

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
use sum::{CoilOhms, Sum, SumError};
use typed::{Nominal, Typed};

/// Reckon what a circuit should show.
#[derive(Debug, Args)]
pub(super) struct Expect {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// A coil held on: amps and watts
    Coil(Coil),
    /// A copper wire: ohms, volts dropped, share of 12 V and 24 V
    Wire(WireArgs),
    /// What a warm coil shows, or which warmth explains what it shows
    Ohms(Ohms),
    /// A circuit that draws too little: the extra resistance and the heat in it
    Joint(Joint),
}

/// The coil, and how sure its ohms are.
#[derive(Debug, Args)]
struct CoilArgs {
    /// Volts across the circuit, such as "12.87 V"
    #[arg(long, value_name = "VOLTS", value_parser = typed::volts)]
    volts: Typed,
    /// The coil's ohms, such as "6.2 ohm"
    #[arg(long, value_name = "OHMS", value_parser = typed::ohms)]
    ohms: Typed,
    /// The coil's temperature while it is on, such as "63 °C"; without it the ohms are taken as they are
    #[arg(long, value_name = "TEMPERATURE", value_parser = celsius, allow_hyphen_values = true)]
    at: Option<f64>,
    /// The temperature at which it has these ohms
    #[arg(long, value_name = "TEMPERATURE", value_parser = celsius, default_value = "20 °C", allow_hyphen_values = true)]
    ohms_at: f64,
    /// Accuracy of the volts as on the data sheet, such as "0.5 % + 2 digits"; a digit is the last one you wrote
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
struct Coil {
    #[command(flatten)]
    coil: CoilArgs,
}

#[derive(Debug, Args)]
struct Joint {
    #[command(flatten)]
    coil: CoilArgs,
    /// The amps that it draws, such as "1.6 A"
    #[arg(long, value_name = "AMPS", value_parser = typed::amps)]
    amps: Typed,
    /// Accuracy of the amps
    #[arg(long, value_name = "ACCURACY")]
    amps_accuracy: Option<Accuracy>,
}

#[derive(Debug, Args)]
struct WireArgs {
    #[command(flatten)]
    thick: Thick,
    /// How long the conductor is, such as "3 m": there and back is twice the way
    #[arg(long, value_name = "LENGTH", value_parser = typed::metres)]
    length: f64,
    /// What it carries, such as "8 A"
    #[arg(long, value_name = "AMPS", value_parser = typed::amps)]
    amps: Typed,
    /// The conductor's temperature
    #[arg(long, alias = "at", value_name = "TEMPERATURE", value_parser = celsius, default_value = "20 °C", allow_hyphen_values = true)]
    temperature: f64,
    /// The most that the cable standard allows a conductor of this nominal section; without it, bare copper
    #[arg(long, value_enum, conflicts_with = "awg")]
    class: Option<ClassWord>,
    /// Print it as JSON
    #[arg(long)]
    json: bool,
}

/// One of the two.
#[derive(Debug, Args)]
#[group(required = true, multiple = false)]
struct Thick {
    /// Its section, such as "1.5 mm2"
    #[arg(long, value_name = "SECTION", value_parser = typed::section)]
    section: Option<f64>,
    /// Its American wire gauge, such as 16 or 1/0
    #[arg(long, value_name = "GAUGE", value_parser = typed::gauge)]
    awg: Option<Awg>,
}

/// Constructions of IEC 60228.
#[derive(Debug, Clone, Copy, ValueEnum)]
enum ClassWord {
    /// Fine strands, classes 5 and 6: most cables in vehicles and machines
    Flexible,
    /// Solid or stranded for fixed installation, classes 1 and 2
    Fixed,
}

#[derive(Debug, Args)]
struct Ohms {
    /// What the maker gives, such as "7.5 ohm" or "7.5 ohm ± 8 %"
    #[arg(long, value_name = "OHMS", value_parser = typed::nominal)]
    nominal: Nominal,
    /// The temperature at which he gives it
    #[arg(long, value_name = "TEMPERATURE", value_parser = celsius, default_value = "20 °C", allow_hyphen_values = true)]
    nominal_at: f64,
    #[command(flatten)]
    wanted: Wanted,
    /// Print it as JSON
    #[arg(long)]
    json: bool,
}

/// One of the two.
#[derive(Debug, Args)]
#[group(required = true, multiple = false)]
struct Wanted {
    /// How warm the coil is: tells its ohms
    #[arg(long, value_name = "TEMPERATURE", value_parser = celsius, allow_hyphen_values = true)]
    at: Option<f64>,
    /// What it shows: tells the temperature that explains it
    #[arg(long, value_name = "OHMS", value_parser = typed::ohms)]
    shows: Option<Typed>,
}

impl Expect {
    pub(super) fn run(self) -> Result<ExitCode, Failure> {
        let (sum, json) = match self.what {
            What::Coil(Coil { coil }) => {
                let (volts, ohms) = coil.values()?;
                (sum::coil(volts, ohms), coil.json)
            }
            What::Joint(Joint { coil, amps, amps_accuracy }) => {
                let (volts, ohms) = coil.values()?;
                let amps = amps.with(amps_accuracy).map_err(Failure::usage)?;
                (sum::joint(volts, ohms, amps), coil.json)
            }
            What::Wire(args) => {
                let wire = Wire { size: args.size()?, metres: args.length, celsius: args.temperature };
                (sum::wire(&wire, args.amps.value), args.json)
            }
            What::Ohms(ohms) => (ohms.sum(), ohms.json),
        };
        print(&sum.map_err(|error| Failure::usage(error.to_string()))?, json)
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
    fn size(&self) -> Result<ConductorSize, Failure> {
        let class = self.class.map(|class| match class {
            ClassWord::Flexible => ConductorClass::Flexible,
            ClassWord::Fixed => ConductorClass::Fixed,
        });
        match (self.thick.awg, self.thick.section, class) {
            (Some(gauge), ..) => Ok(ConductorSize::Awg(gauge)),
            (None, Some(m2), Some(class)) => Ok(ConductorSize::Iec60228 { m2, class }),
            (None, Some(m2), None) => Ok(ConductorSize::Section { m2 }),
            (None, None, _) => Err(Failure::usage("found no size, expected --section or --awg")),
        }
    }
}

impl Ohms {
    fn sum(&self) -> Result<Sum, SumError> {
        match self.wanted.shows {
            Some(shown) => sum::explained(self.nominal, self.nominal_at, shown.value),
            // clap sees to it that one of the two is there.
            None => sum::warm_ohms(self.nominal, self.nominal_at, self.wanted.at.unwrap_or(self.nominal_at)),
        }
    }
}

fn print(sum: &Sum, json: bool) -> Result<ExitCode, Failure> {
    let mut out = stdout().lock();
    if json {
        writeln!(out, "{}", sum.json())?;
    } else {
        write!(out, "{}", sum.text())?;
    }
    Ok(ExitCode::SUCCESS)
}
