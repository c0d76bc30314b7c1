//! `bayline check`: lists what the meters of a bench can't do for a procedure.

use std::{
    io::{self, Write, stdout},
    path::{Path, PathBuf},
    process::ExitCode,
};

use clap::{Args, ValueEnum};
use serde_json::json;

use super::{
    CommonArgs,
    failure::{Failure, print_error},
};
use crate::{
    channel::{BENCH_SCHEMA, Bench},
    fitness::{self, BenchFacts, FitnessIssue, Severity},
    procedure::{PROCEDURE_SCHEMA, Procedure},
    sanitize::sanitized,
};

/// List what the meters of a bench can't do for a procedure.
#[derive(Debug, Args)]
pub(super) struct CheckArgs {
    /// The bench file; alone it is only read and looked at
    #[arg(long, value_name = "FILE", required_unless_present = "schema")]
    bench: Option<PathBuf>,
    /// The procedure file
    #[arg(long, value_name = "FILE")]
    procedure: Option<PathBuf>,
    /// Print the JSON schema of bench or procedure files instead, for an editor
    #[arg(long, value_name = "FILES", conflicts_with_all = ["bench", "procedure"])]
    schema: Option<SchemaArg>,
    /// Print it as JSON
    #[arg(long)]
    json: bool,
}

/// Files that have a schema.
#[derive(Debug, Clone, Copy, ValueEnum)]
enum SchemaArg {
    /// The bench file
    Bench,
    /// The procedure file
    Procedure,
}

impl SchemaArg {
    fn text(self) -> &'static str {
        match self {
            Self::Bench => BENCH_SCHEMA,
            Self::Procedure => PROCEDURE_SCHEMA,
        }
    }
}

impl CheckArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        if let Some(schema) = self.schema {
            write!(stdout(), "{}", schema.text())?;
            return Ok(ExitCode::SUCCESS);
        }
        let Some(path) = &self.bench else {
            return Err(Failure::usage("name the bench file: --bench FILE"));
        };
        let bench = Bench::load(path, &common.library())?;
        let Some(procedure) = &self.procedure else { return self.bench_alone(path, &bench) };
        for warning in bench.warnings() {
            print_error(format_args!("{}: {warning}", path.display()));
        }
        let procedure = Procedure::load(procedure)?;
        let found = fitness::check(&procedure, &BenchFacts::of(&bench));
        let mut out = stdout().lock();
        if self.json {
            print_json(&mut out, &procedure, &found)?;
        } else {
            print(&mut out, &procedure, &found)?;
        }
        let fails = found.iter().any(|unfit| unfit.severity == Severity::Fails);
        Ok(if fails { ExitCode::from(2) } else { ExitCode::SUCCESS })
    }
}

impl CheckArgs {
    fn bench_alone(&self, path: &Path, bench: &Bench) -> Result<ExitCode, Failure> {
        let (meters, channels) =
            (bench.meters.len(), bench.meters.iter().map(|meter| meter.channels.len()).sum::<usize>());
        let (file, warnings) = (path.display(), bench.warnings());
        let mut out = stdout().lock();
        if self.json {
            let found =
                json!({ "bench": file.to_string(), "meters": meters, "channels": channels, "warnings": warnings });
            writeln!(out, "{found}")?;
            return Ok(ExitCode::SUCCESS);
        }
        for warning in &warnings {
            writeln!(out, "{file}: {warning}")?;
        }
        let counted = |count: usize, word: &str| format!("{count} {word}{}", if count == 1 { "" } else { "s" });
        writeln!(out, "{file}: {}, {}, no mistake", counted(meters, "meter"), counted(channels, "channel"))?;
        Ok(ExitCode::SUCCESS)
    }
}

fn print(out: &mut dyn Write, procedure: &Procedure, found: &[FitnessIssue]) -> io::Result<()> {
    for unfit in found {
        let (step, unfit_words) = (sanitized(&unfit.step), unfit.to_string());
        writeln!(out, "{}, line {}: step \"{step}\": {}", procedure.file, unfit.line, sanitized(&unfit_words))?;
    }
    let count = |weight| found.iter().filter(|unfit| unfit.severity == weight).count();
    let (fails, doubtful, notes) = (count(Severity::Fails), count(Severity::Doubtful), count(Severity::Note));
    let counted = |count: usize, word: &str| format!("{count} {word}{}", if count == 1 { "" } else { "s" });
    let (steps, notes) = (counted(procedure.steps.len(), "step"), counted(notes, "note"));
    writeln!(out, "{steps}: {fails} can't work, {doubtful} doubtful, {notes}")
}

fn print_json(out: &mut dyn Write, procedure: &Procedure, found: &[FitnessIssue]) -> io::Result<()> {
    let unfit = found.iter().map(|unfit| {
        json!({
            "weight": unfit.severity.word(), "line": unfit.line, "step": unfit.step, "what": unfit.what, "remedy": unfit.remedy,
        })
    });
    let unfit: Vec<_> = unfit.collect();
    writeln!(out, "{}", json!({ "procedure": procedure.file, "steps": procedure.steps.len(), "unfit": unfit }))
}
