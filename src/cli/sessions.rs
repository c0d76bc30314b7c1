//! `bayline sessions`: lists the sessions.

use std::{
    io::{self, Write, stdout},
    process::ExitCode,
};

use clap::Args;

use super::{
    CommonArgs,
    failure::{Failure, print_error},
    table::{left, right, table},
};
use crate::{sanitize::sanitized, store::read::Archive, units::show_seconds};

/// List the sessions.
#[derive(Debug, Args)]
pub(super) struct SessionsArgs {
    /// Only sessions with this text in machine, job, VIN, counter, complaint, procedure title or notes
    #[arg(long, value_name = "TEXT")]
    find: Option<String>,
    /// Print them as JSON, one object a line
    #[arg(long)]
    json: bool,
}

impl SessionsArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        let mut archive = Archive::open(&common.folder()?)?;
        let sessions = match &self.find {
            None => archive.sessions()?,
            Some(text) => archive.find_text(text)?,
        };
        print_unreadable(&archive);
        let mut out = stdout().lock();
        if self.json {
            for session in &sessions {
                writeln!(out, "{}", serde_json::to_string(session).map_err(io::Error::from)?)?;
            }
            return Ok(ExitCode::SUCCESS);
        }
        if let (Some(text), true) = (&self.find, sessions.is_empty()) {
            writeln!(
                out,
                "no session has \"{}\" in machine, job, VIN, counter, complaint, procedure title or notes",
                sanitized(text)
            )?;
            return Ok(ExitCode::SUCCESS);
        }
        let rows = sessions.iter().map(|session| {
            let lasted = session.ended_us.map_or("open".to_owned(), |us| show_seconds(us as f64 / 1e6));
            [
                session.id.to_string(),
                local(session.began_utc_us),
                lasted,
                session.ended_how.clone().unwrap_or_default(),
                session.samples.to_string(),
                session.steps.to_string(),
                session.outside.to_string(),
                session.procedure.clone().unwrap_or_else(|| "free-running".to_owned()),
                session.visit.machine.clone(),
                session.visit.job.clone(),
            ]
        });
        let columns = [
            right("id"),
            left("began"),
            left("lasted"),
            left("ended"),
            right("samples"),
            right("steps"),
            right("out of limit"),
            left("procedure"),
            left("machine"),
            left("job"),
        ];
        write!(out, "{}", table(columns, rows))?;
        Ok(ExitCode::SUCCESS)
    }
}

/// Prints on stderr which files of the archive can't be read.
pub(super) fn print_unreadable(archive: &Archive) {
    archive.unreadable().iter().for_each(print_error);
}

/// A time in this computer's time zone.
pub(super) fn local(us: i64) -> String {
    jiff::Timestamp::from_microsecond(us).map_or_else(
        |_| String::new(),
        |time| time.to_zoned_datetime(jiff::tz::TimeZone::system()).strftime("%Y-%m-%d %H:%M:%S").to_string(),
    )
}
