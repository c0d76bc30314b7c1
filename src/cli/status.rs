//! `bayline status`: what is on, at a glance.

use std::{
    io::{self, Write, stdout},
    process::ExitCode,
};

use clap::Args;

use super::{Common, client::ask, failure::Failure, operate::tell_step, table::table};
use crate::{
    server::{Request, StatusReport},
    units::show_seconds,
};

/// Tell what is on.
#[derive(Debug, Args)]
pub(super) struct Status {
    /// Print it as JSON
    #[arg(long)]
    json: bool,
}

impl Status {
    pub(super) fn run(self, common: &Common) -> Result<ExitCode, Failure> {
        let answer = ask(common, &Request::Status {})?;
        let status = answer.status.unwrap_or_default();
        let mut out = stdout().lock();
        if self.json {
            writeln!(out, "{}", serde_json::to_string(&status).map_err(io::Error::from)?)?;
        } else {
            tell(&mut out, &status)?;
        }
        Ok(ExitCode::SUCCESS)
    }
}

fn tell(out: &mut dyn Write, status: &StatusReport) -> io::Result<()> {
    for alarm in &status.alarms {
        writeln!(out, "ALARM: {alarm}")?;
    }
    match &status.session {
        None => writeln!(out, "no session is open; `bayline begin` opens one")?,
        Some(session) => {
            let what = session.procedure.as_deref().unwrap_or("free-running");
            let since = show_seconds(session.elapsed_s);
            writeln!(out, "session {}: {what}, for {since}, {} samples", session.uuid, session.samples)?;
            for (word, text) in [("machine", &session.machine), ("job", &session.job)] {
                if !text.is_empty() {
                    writeln!(out, "{word}: {text}")?;
                }
            }
            if let Some(caution) = session.caution.as_deref().filter(|caution| !caution.is_empty()) {
                writeln!(out, "caution: {caution}")?;
            }
        }
    }
    if let Some(step) = &status.step {
        tell_step(out, step)?;
    }
    if let Some(finding) = status.findings.first() {
        writeln!(out, "finding ({}): {}\n  next: {}", finding.sure, finding.sentence, finding.next)?;
    }
    if !status.readings.is_empty() {
        let rows = status.readings.iter().map(|reading| {
            let age = if reading.age_s < 2.0 { String::new() } else { format!("{} ago", show_seconds(reading.age_s)) };
            vec![
                reading.channel.clone(),
                reading.value.show(Some(&reading.quantity)),
                reading.quantity.clone(),
                reading.verdict.clone().unwrap_or_default(),
                age,
            ]
        });
        write!(out, "\n{}", table(&["channel", "shows", "on", "verdict", "age"], &["shows"], rows))?;
    }
    let rows = status.meters.iter().map(|meter| {
        let port = if meter.open { "open".to_owned() } else { format!("not there: {}", meter.why) };
        let clock = meter.clock.as_ref().map_or(String::new(), |clock| {
            format!("{:+.0} ppm, jitter {:.1} ms", clock.drift_ppm, clock.jitter_s * 1e3)
        });
        let counts = [meter.frames, meter.refused, meter.lost].map(|count| count.to_string());
        [meter.meter.clone()].into_iter().chain(counts).chain([clock, port]).collect()
    });
    let titles = ["meter", "frames", "refused", "lost", "its clock", "port"];
    write!(out, "\n{}", table(&titles, &["frames", "refused", "lost"], rows))?;
    for meter in &status.meters {
        if let Some(text) = &meter.identity {
            writeln!(out, "{} says of itself: {text}", meter.meter)?;
        }
        if meter.unanswered > 0 {
            writeln!(out, "{} left {} questions without an answer", meter.meter, meter.unanswered)?;
        }
    }
    writeln!(out, "\ndatabase: {} (process {}, bayline {})", status.database, status.process, status.version)
}
