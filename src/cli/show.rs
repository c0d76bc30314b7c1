//! `bayline show`: the ledger of a session.

use std::{
    collections::HashMap,
    io::{self, Write, stdout},
    iter,
    process::ExitCode,
};

use clap::Args;
use rusqlite::Connection;

use super::{
    CommonArgs,
    failure::Failure,
    sessions::{local, print_unreadable},
    show_hash, show_judgement, show_value, show_watched,
    table::{TableColumn, left, right, table},
};
use crate::{
    channel::instrument_records,
    export::ledger_json,
    judging::{corrections_in_words, known_good, steps_and_emptied},
    sanitize::{sanitized, sanitized_record},
    session::Verdict,
    store::read::{self, Archive, CaptureRow, SessionRow, StepRow},
    units::{ValueFormat, show, show_seconds},
};

/// Show a session's ledger.
#[derive(Debug, Args)]
pub(super) struct ShowArgs {
    /// The session's number, the start of its identity, or last
    #[arg(value_name = "ID", default_value = "last")]
    id: String,
    /// Print it as JSON
    #[arg(long)]
    json: bool,
    /// Show this judgement instead of the one in force; 0 is the first record
    #[arg(long, value_name = "NUMBER")]
    judgement: Option<i64>,
    /// Exit with status 4 when a step is out of limit
    #[arg(long)]
    strict: bool,
    /// Also show the figures of every channel during each step
    #[arg(long)]
    figures: bool,
    /// Prove the data: hash session.json and every sample again, and compare with what was kept as it was recorded, and with the
    /// hash of a sheet where one is given; exit with status 1 where something differs
    #[arg(long, value_name = "SHA256", num_args = 0..=1, default_missing_value = "", value_parser = show_hash::typed, conflicts_with_all = ["json", "figures"])]
    hash: Option<String>,
}

impl ShowArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        let archive = Archive::open(&common.folder()?)?;
        let (connection, mut session) = archive.find(&self.id)?;
        if let Some(number) = self.judgement {
            session = read::by_judgement(connection, session, number)?;
        }
        print_unreadable(&archive);
        let mut out = stdout().lock();
        if let Some(wanted) = &self.hash {
            return show_hash::print(&mut out, connection, &session, wanted);
        }
        if self.json {
            ledger_json(connection, &session, &mut out)?;
        } else {
            print(&mut out, connection, &session)?;
            if let Some((_, before)) = session.continues.as_ref().and_then(|uuid| archive.find(uuid).ok()) {
                writeln!(out, "\nit continues session {}, {}", before.id, local(before.began_utc_us))?;
            }
            if let Some((_, before)) = session.retests.as_ref().and_then(|uuid| archive.find(uuid).ok()) {
                writeln!(
                    out,
                    "\nit does again what was not in limit in session {}; `bayline compare {} {}` shows what has changed",
                    before.id, before.id, session.id
                )?;
            }
            if self.figures {
                figures(&mut out, connection, &session)?;
            }
        }
        let outside = self.strict && session.outside > 0;
        Ok(if outside { ExitCode::from(4) } else { ExitCode::SUCCESS })
    }
}

/// The ledger and the events of a session.
pub(super) fn print(out: &mut dyn Write, connection: &Connection, session: &SessionRow) -> Result<(), Failure> {
    heading(out, session)?;
    for record in instrument_records(&read::bench_text(connection, session.id)?) {
        writeln!(out, "{}", sanitized(&record.line()))?;
    }
    for (number, (stored, words)) in (1..).zip(corrections_in_words(connection, session)?) {
        let after = show_seconds(stored.at_us as f64 / 1e6);
        let text = format!("{words}{}", stored.undone());
        writeln!(out, "corrected after {after}: {} (correction {number})", sanitized(&text))?;
    }
    for zero in read::zeros(connection, session.id)?.iter().filter(|zero| zero.is_of_before()) {
        writeln!(out, "{}", sanitized(&zero.sentence()))?;
    }
    for photo in read::photos(connection, session.id)? {
        let after = show_seconds(photo.at_us as f64 / 1e6);
        writeln!(out, "photo {} after {after}: {} (photos/{}.jpg)", photo.id, sanitized(&photo.text), photo.hash)?;
    }
    show_judgement::print(out, connection, session)?;
    ledger(out, &steps_and_emptied(connection, session)?, &read::captures(connection, session)?)?;
    proofs(out, &read::steps(connection, session)?)?;
    show_watched::print(out, connection, session)?;
    known(out, connection, session)?;
    findings(out, connection, session)?;
    events(out, connection, session)
}

/// The findings: each with its evidence, what else would explain it, and what to measure next.
fn findings(out: &mut dyn Write, connection: &Connection, session: &SessionRow) -> Result<(), Failure> {
    for finding in read::findings(connection, session)? {
        let finding = sanitized_record(&finding).map_err(io::Error::from)?;
        writeln!(out, "\nfinding ({}): {}", finding.sure.word(), finding.sentence)?;
        for evidence in &finding.evidence {
            writeln!(out, "    {evidence}")?;
        }
        for alternative in &finding.alternatives {
            writeln!(out, "  or: {alternative}")?;
        }
        writeln!(out, "  next: {}", finding.next)?;
    }
    Ok(())
}

fn heading(out: &mut dyn Write, session: &SessionRow) -> io::Result<()> {
    let what = session.procedure.as_deref().unwrap_or("free-running");
    writeln!(out, "session {}, {}: {}", session.id, local(session.began_utc_us), sanitized(what))?;
    let visit = [
        ("machine", &session.visit.machine),
        ("job", &session.visit.job),
        ("VIN", &session.visit.vin),
        ("counter", &session.visit.counter),
        ("complaint", &session.visit.complaint),
    ];
    for (word, text) in visit.into_iter().filter(|(_, text)| !text.is_empty()) {
        writeln!(out, "{word}: {}", sanitized(text))?;
    }
    for (word, celsius) in [("ambient", session.visit.ambient_celsius), ("part", session.visit.part_celsius)] {
        if let Some(celsius) = celsius {
            writeln!(out, "{word}: {celsius} °C")?;
        }
    }
    if let Some(state) = session.visit.state {
        writeln!(out, "state: {}", state.word())?;
    }
    let lasted = session.ended_us.map_or("still open".to_owned(), |us| {
        format!("{} after {}", session.ended_how.as_deref().unwrap_or("ended"), show_seconds(us as f64 / 1e6))
    });
    let steps = if session.steps == 1 { "step" } else { "steps" };
    writeln!(
        out,
        "{lasted}, {} samples, {} {steps}, {} out of limit\n",
        session.samples, session.steps, session.outside
    )
}

/// The columns of the ledger: a row has a cell for each, or it does not compile.
const LEDGER: [TableColumn; 6] = [right(""), left("step"), right("value"), left("limit"), left("verdict"), left("why")];

type LedgerCells = [String; LEDGER.len()];

fn ledger(out: &mut dyn Write, steps: &[StepRow], captures: &[CaptureRow]) -> io::Result<()> {
    let rows = steps.iter().flat_map(|step| {
        let quantity = step.quantity.or_else(|| step.unit.as_ref()?.parse().ok());
        let verdict = match (step.verdict, step.left.as_deref()) {
            (Some(verdict), _) => verdict.word().to_owned(),
            (None, None) => "on".to_owned(),
            (None, Some(left @ ("skipped" | "interrupted"))) => left.to_owned(),
            (None, Some(_)) => "–".to_owned(),
        };
        let own: LedgerCells = [
            place(step).to_string(),
            step.title(),
            step.capture.as_ref().map_or("–".to_owned(), show_value::captured),
            match (step.limit_low.or(step.limit_high), &step.limit_text) {
                (None, Some(text)) => text.clone(),
                _ => show_value::limits(step.limit_low, step.limit_high, quantity),
            },
            verdict,
            why(step),
        ];
        let others = captures.iter().filter(|capture| capture.is_of(step) && !capture.is_judged_in(step));
        iter::once(own).chain(others.map(other_capture))
    });
    write!(out, "{}", table(LEDGER, rows))
}

/// Why a step has its verdict, and what is to be known about its value.
fn why(step: &StepRow) -> String {
    let reason = step.why().map(str::to_owned);
    let flags = step.capture.iter().flat_map(|capture| &capture.flags).map(|flag| flag.word().to_owned());
    let proof = step.capture.as_ref().and_then(|capture| capture.proof.first().cloned());
    let words: Vec<String> = reason.into_iter().chain(flags).chain(proof).collect();
    words.join("; ")
}

/// A capture that its step was not judged on, such as those of a free-running step.
fn other_capture(capture: &CaptureRow) -> LedgerCells {
    [
        String::new(),
        format!("  {} ({})", capture.channel.as_deref().unwrap_or("–"), capture.how.word()),
        show_value::captured(capture),
        "–".to_owned(),
        capture.verdict.map_or("–", Verdict::word).to_owned(),
        if capture.verdict.is_some() { capture.reason.clone() } else { String::new() },
    ]
}

/// The touches of the leads that proved the values of steps.
fn proofs(out: &mut dyn Write, steps: &[StepRow]) -> io::Result<()> {
    let rows = steps.iter().flat_map(|step| {
        let proof = step.capture.iter().flat_map(|capture| &capture.proof);
        proof.enumerate().map(|(line, touch)| {
            let name = if line == 0 { step.name.clone() } else { String::new() };
            [name, touch.clone()]
        })
    });
    let rows: Vec<_> = rows.collect();
    if rows.is_empty() {
        return Ok(());
    }
    write!(out, "\n{}", table([left("step"), left("proven by the leads")], rows))
}

/// What machines known to be good showed, beside the session's own values: information, no limit.
fn known(out: &mut dyn Write, connection: &Connection, session: &SessionRow) -> Result<(), Failure> {
    let rows: Vec<_> = known_good(connection, session)?
        .into_iter()
        .map(|row| {
            let written = |value| show(value, row.quantity);
            let signed = |distance| format!("{}{}", if distance > 0.0 { "+" } else { "" }, written(distance));
            [
                row.step,
                written(row.median),
                row.spread.map_or("–".to_owned(), written),
                row.n.to_string(),
                row.distance.map_or("–".to_owned(), signed),
            ]
        })
        .collect();
    if rows.is_empty() {
        return Ok(());
    }
    let columns = [left("step"), right("known good"), right("spread"), right("sessions"), right("from it")];
    write!(out, "\n{}", table(columns, rows))?;
    Ok(())
}

/// The number of a step: its place in the procedure, as `watch` shows it; in a free-running session, its count.
fn place(step: &StepRow) -> i64 {
    step.place.unwrap_or(step.number)
}

fn figures(out: &mut dyn Write, connection: &Connection, session: &SessionRow) -> Result<(), Failure> {
    let steps = read::steps(connection, session)?;
    let places: HashMap<i64, i64> = steps.iter().map(|step| (step.number, place(step))).collect();
    let rows = read::figures(connection, session)?.into_iter().map(|row| {
        let format = ValueFormat::new(row.quantity, row.digit, None);
        let show = |value| show_value::measured(value, format);
        let outside = if row.outside_us > 0 { show_seconds(row.outside_us as f64 / 1e6) } else { String::new() };
        [
            places.get(&row.step).unwrap_or(&row.step).to_string(),
            format!("{} ({})", row.channel, row.quantity),
            row.count.to_string(),
            show(row.last),
            show(row.mean),
            show(row.min),
            show(row.max),
            outside,
        ]
    });
    let columns = [
        left("step"),
        left("channel"),
        right("samples"),
        right("last"),
        right("mean"),
        right("min"),
        right("max"),
        right("out of limit for"),
    ];
    write!(out, "\n{}", table(columns, rows))?;
    spare(out, &read::steps(connection, session)?)?;
    Ok(())
}

/// How far each captured value that keeps to its limit is from it.
fn spare(out: &mut dyn Write, steps: &[StepRow]) -> io::Result<()> {
    let rows = steps.iter().filter_map(|step| {
        let capture = step.capture.as_ref()?;
        let value = capture.value?;
        // Volts that are to be few are judged by their size.
        let is_by_size = step.limit_low.is_none() && step.unit.as_deref() == Some("V");
        let above = if is_by_size { value.abs() } else { value };
        let room = [step.limit_low.map(|low| value - low), step.limit_high.map(|high| high - above)];
        let spare = room.into_iter().flatten().reduce(f64::min).filter(|spare| *spare >= 0.0)?;
        let quantity = capture.quantity;
        Some([
            step.name.clone(),
            show_value::captured(capture),
            show_value::limits(step.limit_low, step.limit_high, quantity),
            capture.format().show_difference(spare),
        ])
    });
    let rows: Vec<_> = rows.collect();
    if rows.is_empty() {
        return Ok(());
    }
    write!(out, "\n{}", table([left("step"), right("value"), left("limit"), right("to spare")], rows))
}

fn events(out: &mut dyn Write, connection: &Connection, session: &SessionRow) -> Result<(), Failure> {
    let events = read::events(connection, session.id)?;
    if events.is_empty() {
        return Ok(());
    }
    let rows = events
        .into_iter()
        .map(|event| [show_seconds(event.at_us as f64 / 1e6), event.kind.word().to_owned(), event.subject, event.text]);
    write!(out, "\n{}", table([right("after"), left("event"), left("of"), left("what")], rows))?;
    Ok(())
}
