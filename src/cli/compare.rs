//! `bayline compare`: two sessions of one machine, before and after the work.

use std::{
    io::{Write, stdout},
    path::PathBuf,
    process::ExitCode,
};

use clap::Args;
use jiff::tz::TimeZone;

use super::{
    CommonArgs,
    failure::{Failure, print_error},
    output_file::may_write,
    sessions::local,
    show_value,
    table::{left, right, table},
};
use crate::{
    export::{ExportError, whole_file},
    judging::{ComparedStep, Comparison, compare, steps_left},
    report::write_comparison,
    sanitize::sanitized,
    session::Verdict,
    store::read::{Archive, StepRow},
};

/// Compare two sessions of one machine, before and after the work.
#[derive(Debug, Args)]
pub(super) struct CompareArgs {
    /// The session before: its number, the start of its identity, or last
    #[arg(value_name = "BEFORE")]
    before: String,
    /// The session after
    #[arg(value_name = "AFTER")]
    after: String,
    /// Print it as JSON
    #[arg(long)]
    json: bool,
    /// Write one sheet for the customer, such as repaired.html
    #[arg(short, long, value_name = "FILE", conflicts_with = "json")]
    output: Option<PathBuf>,
    /// Replace a file that is there already
    #[arg(long)]
    force: bool,
    /// Who measured; without it a line is left to sign on
    #[arg(long, value_name = "NAME", default_value = "")]
    by: String,
    /// Write times in UTC instead of this computer's time zone
    #[arg(long)]
    utc: bool,
}

impl CompareArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        let folder = common.folder()?;
        let archive = Archive::open(&folder)?;
        let (file, before) = archive.find(&self.before)?;
        let (other, after) = archive.find(&self.after)?;
        let comparison = compare((file, &before), (other, &after))?;
        for doubt in &comparison.doubts {
            print_error(doubt);
        }
        let mut out = stdout().lock();
        if self.json {
            writeln!(out, "{}", serde_json::to_string_pretty(&comparison).map_err(std::io::Error::from)?)?;
        } else if let Some(path) = &self.output {
            may_write(path, &folder, self.force)?;
            let zone = if self.utc { TimeZone::UTC } else { TimeZone::system() };
            let page = write_comparison(&comparison, &self.by, &zone)?;
            whole_file(path, |file| file.write_all(page.as_bytes()).map_err(ExportError::from))?;
            writeln!(out, "{}", path.display())?;
        } else {
            print(&mut out, &comparison)?;
        }
        Ok(ExitCode::SUCCESS)
    }
}

/// Where a session that has ended was a retest, compares it with the one before.
pub(super) fn compare_retest(common: &CommonArgs, ended: &str) -> Result<(), Failure> {
    let archive = Archive::open(&common.folder()?)?;
    let (other, after) = archive.find(ended)?;
    let Some(wanted) = &after.retests else { return Ok(()) };
    let (file, before) = archive.find(wanted)?;
    let comparison = compare((file, &before), (other, &after))?;
    let mut out = stdout().lock();
    print(&mut out, &comparison)?;
    let left = steps_left(other, &after)?;
    if !left.is_empty() {
        let words = format!(
            "still to be done again: {}; `bayline begin --continues {}` goes on with it, and `bayline end` compares all of it",
            left.join(", "),
            after.id
        );
        writeln!(out, "\n{}", sanitized(&words))?;
    }
    Ok(())
}

fn print(out: &mut dyn Write, comparison: &Comparison) -> std::io::Result<()> {
    let Comparison { before, after, steps, .. } = comparison;
    for (word, session) in [("before", before), ("after", after)] {
        let machine = sanitized(&session.visit.machine);
        writeln!(out, "{word}: session {}, {} {machine}", session.id, local(session.began_utc_us))?;
    }
    writeln!(out, "{}\n", sanitized(&comparison.result()))?;
    let rows = steps.iter().map(row);
    let columns = [left("step"), right("before"), right("after"), right("difference"), left("verdict"), left("")];
    write!(out, "{}", table(columns, rows))
}

fn row(step: &ComparedStep) -> [String; 6] {
    let value = |row: &Option<StepRow>| {
        row.as_ref().and_then(|row| row.capture.as_ref()).map_or("–".to_owned(), show_value::captured)
    };
    let verdict = |row: &Option<StepRow>| row.as_ref().and_then(|row| row.verdict).map_or("–", Verdict::word);
    let verdicts = match (verdict(&step.before), verdict(&step.after)) {
        (was, is) if was == is => was.to_owned(),
        (was, is) => format!("{was}, now {is}"),
    };
    [
        step.step.clone(),
        value(&step.before),
        value(&step.after),
        step.difference_text(),
        verdicts,
        step.change.word().to_owned(),
    ]
}
