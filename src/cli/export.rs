//! `bayline export`: a session as files for other programs.

use std::{
    io::{self, BufWriter, IsTerminal, Write, stderr, stdout},
    path::PathBuf,
    process::ExitCode,
    time::Duration,
};

use clap::{Args, ValueEnum};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use jiff::tz::TimeZone;

use super::{Common, failure::Failure};
use crate::{
    export::{Decimal, ExportError, FILES, Style, long, to_folder, whole_file, wide},
    store::{open_to_read, read},
    units::parse_duration,
};

/// Write a session as CSV.
#[derive(Debug, Args)]
pub(super) struct Export {
    /// Its number, the beginning of its identity, or last
    #[arg(value_name = "ID", default_value = "last")]
    id: String,
    /// Where to; without it, to standard output
    #[arg(short, long, value_name = "FILE", conflicts_with = "folder")]
    output: Option<PathBuf>,
    /// One column a channel and one row for each so long, such as "250 ms"
    #[arg(long, value_name = "EVERY", conflicts_with = "folder", value_parser = every)]
    wide: Option<Duration>,
    /// Write samples.csv, steps.csv, events.csv and session.json into this folder
    #[arg(long, value_name = "DIR")]
    folder: Option<PathBuf>,
    /// How numbers are written; comma also parts columns by semicolons
    #[arg(long, value_enum, default_value_t = DecimalWord::Point)]
    decimal: DecimalWord,
    /// Tell times in this computer's time zone instead of UTC
    #[arg(long)]
    local: bool,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum DecimalWord {
    Point,
    Comma,
}

fn every(text: &str) -> Result<Duration, String> {
    match parse_duration(text) {
        Ok(every) if !every.is_zero() => Ok(every),
        Ok(_) => Err("expected more than nothing".to_owned()),
        Err(error) => Err(error.to_string()),
    }
}

impl Export {
    pub(super) fn run(self, common: &Common) -> Result<ExitCode, Failure> {
        let connection = open_to_read(&common.folder()?.database())?;
        let session = read::find(&connection, &self.id)?;
        let style = Style {
            decimal: match self.decimal {
                DecimalWord::Point => Decimal::Point,
                DecimalWord::Comma => Decimal::Comma,
            },
            zone: if self.local { TimeZone::system() } else { TimeZone::UTC },
        };
        let bar = progress_bar(read::sample_count(&session), self.output.is_some() || self.folder.is_some());
        if let Some(folder) = &self.folder {
            to_folder(&connection, &session, &style, folder, || bar.inc(1))?;
            bar.finish_and_clear();
            for file in FILES {
                writeln!(stdout(), "{}", folder.join(file).display())?;
            }
            return Ok(ExitCode::SUCCESS);
        }
        let write = |to: &mut dyn Write| -> Result<(), ExportError> {
            match self.wide {
                Some(every) => wide(&connection, &session, every, style, to, || bar.inc(1)),
                None => long(&connection, &session, style, to, || bar.inc(1)),
            }
        };
        match &self.output {
            Some(path) => {
                whole_file(path, |file| write(file))?;
                bar.finish_and_clear();
                writeln!(stdout(), "{}", path.display())?;
            }
            None => {
                let mut out = BufWriter::new(stdout().lock());
                write(&mut out)?;
                out.flush()?;
            }
        }
        Ok(ExitCode::SUCCESS)
    }
}

/// A bar on a terminal, while the rows go elsewhere.
fn progress_bar(samples: u64, elsewhere: bool) -> ProgressBar {
    if !elsewhere || !stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let style = ProgressStyle::with_template("{wide_bar} {human_pos} of {human_len} samples, {eta} left")
        .unwrap_or_else(|_| ProgressStyle::default_bar());
    ProgressBar::with_draw_target(Some(samples), ProgressDrawTarget::stderr_with_hz(10)).with_style(style)
}

impl From<ExportError> for io::Error {
    fn from(error: ExportError) -> Self {
        Self::other(error)
    }
}
