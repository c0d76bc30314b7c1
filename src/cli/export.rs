//! `bayline export`: writes a session as files for other programs.

use std::{
    io::{self, BufWriter, IsTerminal, Write, stderr, stdout},
    path::{Path, PathBuf},
    process::ExitCode,
    time::Duration,
};

use clap::{Args, ValueEnum};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use jiff::tz::TimeZone;
use rusqlite::Connection;

use super::{CommonArgs, correct::microseconds, failure::Failure, output_file::may_write};
use crate::{
    clock::micros,
    export::{
        CsvStyle, DecimalMark, ExportError, folder_files, long, to_folder, track_csv, track_gpx, whole_file, wide,
    },
    photo::PhotoFolder,
    store::read::{self, Archive, SessionRow, TimeStretch},
    units::parse_duration,
};

/// Write a session as CSV.
#[derive(Debug, Args)]
pub(super) struct ExportArgs {
    /// The session's number, the start of its identity, or last
    #[arg(value_name = "ID", default_value = "last")]
    id: String,
    /// The file to write; without it, or with -, standard output
    #[arg(short, long, value_name = "FILE", conflicts_with = "folder")]
    output: Option<PathBuf>,
    /// Replace files that are there already
    #[arg(long)]
    force: bool,
    /// One column for each channel and one row for each interval, such as "250 ms"
    #[arg(long, value_name = "INTERVAL", conflicts_with = "folder", value_parser = every)]
    wide: Option<Duration>,
    /// Only the samples around a time out of limit, by its number in `bayline show`
    #[arg(long, value_name = "NUMBER", conflicts_with_all = ["folder", "gpx", "track", "from", "to"])]
    excursion: Option<usize>,
    /// How much before and after it
    #[arg(long, value_name = "TIME", default_value = "5 s", value_parser = every, requires = "excursion")]
    margin: Duration,
    /// Only samples from so long after the session's begin on, such as "61.5 s" or "4 min"
    #[arg(long, value_name = "TIME", value_parser = microseconds, conflicts_with_all = ["folder", "gpx", "track"])]
    from: Option<i64>,
    /// Only samples up to so long after the session's begin
    #[arg(long, value_name = "TIME", value_parser = microseconds, conflicts_with_all = ["folder", "gpx", "track"])]
    to: Option<i64>,
    /// Where the drive went, as GPX for a map, with what was found on the way
    #[arg(long, conflicts_with_all = ["folder", "wide", "track"])]
    gpx: bool,
    /// Where the drive went, as CSV
    #[arg(long, conflicts_with_all = ["folder", "wide"])]
    track: bool,
    /// Write samples.csv, steps.csv, events.csv and session.json into this folder
    #[arg(long, value_name = "DIR")]
    folder: Option<PathBuf>,
    /// The decimal sign; with comma, columns are separated by semicolons
    #[arg(long, value_enum, default_value_t = DecimalArg::Point)]
    decimal: DecimalArg,
    /// Write times in this computer's time zone instead of UTC
    #[arg(long)]
    local: bool,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum DecimalArg {
    Point,
    Comma,
}

fn every(text: &str) -> Result<Duration, String> {
    match parse_duration(text) {
        Ok(every) if !every.is_zero() => Ok(every),
        Ok(_) => Err("expected a time greater than zero, such as \"250 ms\"".to_owned()),
        Err(error) => Err(error.to_string()),
    }
}

impl ExportArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        let folder = common.folder()?;
        let archive = Archive::open(&folder)?;
        let (connection, session) = archive.find(&self.id)?;
        let style = CsvStyle {
            decimal: match self.decimal {
                DecimalArg::Point => DecimalMark::Point,
                DecimalArg::Comma => DecimalMark::Comma,
            },
            zone: if self.local { TimeZone::system() } else { TimeZone::UTC },
        };
        let stretch = self.stretch(connection, &session)?;
        let output = self.output.as_deref().filter(|path| *path != Path::new("-"));
        let outputs: Vec<PathBuf> = match (&self.folder, output) {
            (Some(to), _) => folder_files().map(|file| to.join(file)).collect(),
            (None, output) => output.map(Path::to_owned).into_iter().collect(),
        };
        for path in &outputs {
            may_write(path, &folder, self.force)?;
        }
        // Rows on standard output would be mixed up with the bar.
        let bar = match output.is_some() || self.folder.is_some() {
            true => progress_bar(read::sample_count(&session)),
            false => ProgressBar::hidden(),
        };
        let photos = PhotoFolder::of(folder.path());
        if let Some(folder) = &self.folder {
            to_folder(connection, &session, &style, folder, || bar.inc(1))?;
            bar.finish_and_clear();
            for file in folder_files() {
                writeln!(stdout(), "{}", folder.join(file).display())?;
            }
            for photo in read::photos(connection, session.id)? {
                let path = folder.join(format!("photo-{}.jpg", photo.id));
                let jpeg =
                    photos.read(&photo.hash).map_err(|source| ExportError::File { path: path.clone(), source })?;
                whole_file(&path, |file| file.write_all(&jpeg).map_err(ExportError::from))?;
                writeln!(stdout(), "{}", path.display())?;
            }
            return Ok(ExitCode::SUCCESS);
        }
        let write = |to: &mut dyn Write| -> Result<(), ExportError> {
            match self.wide {
                _ if self.gpx => track_gpx(connection, &session, to),
                _ if self.track => track_csv(connection, &session, style, to),
                Some(every) => wide(connection, &session, (stretch, every), style, to, || bar.inc(1)),
                None => long(connection, &session, stretch, style, to, || bar.inc(1)),
            }
        };
        match output {
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

impl ExportArgs {
    /// What of the session is written.
    fn stretch(&self, connection: &Connection, session: &SessionRow) -> Result<TimeStretch, Failure> {
        let Some(wanted) = self.excursion else {
            let TimeStretch { from_us, to_us } = TimeStretch::ALL;
            let stretch = TimeStretch { from_us: self.from.unwrap_or(from_us), to_us: self.to.unwrap_or(to_us) };
            return match stretch.from_us <= stretch.to_us {
                true => Ok(stretch),
                false => Err(Failure::usage("--from is later than --to; exchange them")),
            };
        };
        let all = read::excursions(connection, session)?;
        let Some(row) = wanted.checked_sub(1).and_then(|index| all.get(index)) else {
            let there_are = match all.len() {
                0 => "no limit broke in it".to_owned(),
                1 => "a limit broke once in it".to_owned(),
                count => format!("a limit broke {count} times in it"),
            };
            return Err(Failure::usage(format!(
                "session {} has no excursion {wanted}: {there_are}; `bayline show {}` lists them",
                session.id, session.id
            )));
        };
        // One that lasted to the end ends with the session.
        let ended_us = row.ended_us.or(session.ended_us).unwrap_or(i64::MAX);
        Ok(TimeStretch::around(row.began_us, ended_us, micros(self.margin)))
    }
}

/// A progress bar, where stderr is a terminal.
fn progress_bar(samples: u64) -> ProgressBar {
    if !stderr().is_terminal() {
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
