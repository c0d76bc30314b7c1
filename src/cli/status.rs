//! `bayline status`: the session, the step, the readings, the meters and the alarms.

use std::{
    io::{self, Write, stdout},
    process::ExitCode,
};

use clap::Args;

use super::{
    CommonArgs,
    answer::{ANSWERING_COMMANDS, print_step},
    client::ask,
    failure::Failure,
    table::{left, right, table},
};
use crate::{
    sanitize::sanitized_record,
    server::{Request, StatusReport},
    session::{Refusal, Verdict},
    store::read::Archive,
    units::show_seconds,
};

/// Show the session, the step, the readings, the meters and the alarms.
#[derive(Debug, Args)]
pub(super) struct StatusArgs {
    /// Print it as JSON
    #[arg(long)]
    json: bool,
}

impl StatusArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        let answer = ask(common, &Request::Status {})?;
        let status = answer.status.unwrap_or_default();
        let mut out = stdout().lock();
        if self.json {
            writeln!(out, "{}", serde_json::to_string(&status).map_err(io::Error::from)?)?;
        } else {
            // The number under which the database has it; it is asked here, so that a disk that hangs delays no recording.
            let number = status.session.as_ref().and_then(|open| {
                let archive = Archive::open(&common.folder().ok()?).ok()?;
                archive.find(&open.uuid.to_string()).ok().map(|(_, session)| session.id)
            });
            print(&mut out, &sanitized_record(&status).map_err(io::Error::from)?, number)?;
        }
        Ok(ExitCode::SUCCESS)
    }
}

fn print(out: &mut dyn Write, status: &StatusReport, number: Option<i64>) -> io::Result<()> {
    for alarm in &status.alarms {
        writeln!(out, "ALARM: {alarm}")?;
    }
    match &status.session {
        None => writeln!(out, "{}", Refusal::NoSession)?,
        Some(session) => {
            let what = session.procedure.as_deref().unwrap_or("free-running");
            let since = show_seconds(session.elapsed_s);
            let number = number.map_or(session.uuid.to_string(), |number| number.to_string());
            writeln!(out, "session {number}: {what}, for {since}, {} samples", session.samples)?;
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
        print_step(out, step)?;
    }
    if let Some(shape) = &status.shape {
        writeln!(out, "so far: {shape}")?;
    }
    if let Some(ask) = &status.ask {
        writeln!(out, "?? {}\n   waits for {}; or {ANSWERING_COMMANDS}", ask.text, ask.waits_for)?;
    }
    if let Some(finding) = status.findings.first() {
        writeln!(out, "finding ({}): {}\n  next: {}", finding.sure.word(), finding.sentence, finding.next)?;
    }
    // A channel whose meter is missing stays, as absent.
    let missing = status.meters.iter().filter(|meter| !meter.open).flat_map(|meter| &meter.channels);
    let absent: Vec<_> = missing
        .filter(|name| !status.readings.iter().any(|reading| reading.channel == **name))
        .map(|name| [name.clone(), "absent".to_owned(), String::new(), String::new(), String::new()])
        .collect();
    if !status.readings.is_empty() || !absent.is_empty() {
        let rows = status.readings.iter().map(|reading| {
            let age = if reading.age_s < 2.0 { String::new() } else { format!("{} ago", show_seconds(reading.age_s)) };
            [
                reading.channel.clone(),
                reading.shown.clone(),
                reading.quantity.word().to_owned(),
                reading.verdict.map_or("", Verdict::word).to_owned(),
                age,
            ]
        });
        write!(
            out,
            "\n{}",
            table([left("channel"), right("shows"), left("on"), left("verdict"), left("age")], rows.chain(absent))
        )?;
    }
    let rows = status.meters.iter().map(|meter| {
        let port = if meter.open { "open".to_owned() } else { format!("not there: {}", meter.why) };
        let clock = meter.clock.as_ref().map_or(String::new(), |clock| {
            format!("{:+.0} ppm, jitter {:.1} ms", clock.drift_ppm, clock.jitter_s * 1e3)
        });
        let [frames, refused, lost] = [meter.frames, meter.refused, meter.lost].map(|count| count.to_string());
        [meter.meter.clone(), frames, refused, lost, clock, port]
    });
    let columns = [
        left("meter"),
        right("frames read"),
        right("refused"),
        right("missing"),
        left("the board's clock"),
        left("port"),
    ];
    write!(out, "\n{}", table(columns, rows))?;
    for meter in &status.meters {
        if let Some(text) = &meter.identity {
            writeln!(out, "{} reports its identity: {text}", meter.meter)?;
        }
        if meter.unanswered > 0 {
            writeln!(out, "{} did not answer {} questions", meter.meter, meter.unanswered)?;
        }
    }
    writeln!(out, "\ndatabase: {} (process {}, bayline {})", status.database, status.process, status.version)?;
    status.page.as_ref().map_or(Ok(()), |page| writeln!(out, "page: {page}"))
}
