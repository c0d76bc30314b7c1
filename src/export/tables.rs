//! The small tables of a session: steps, events, and the session itself.

use std::io::Write;

use rusqlite::Connection;
use serde::Serialize;

use super::{ExportError, Sheet, Style};
use crate::store::read::{self, CaptureRow, SessionRow, StepRow};

/// The ledger as CSV: one row a step.
pub(crate) fn steps(
    connection: &Connection,
    session: &SessionRow,
    style: Style,
    to: impl Write,
) -> Result<(), ExportError> {
    let mut sheet = Sheet::new(to, style, session.began_utc_us);
    sheet.row([
        "number",
        "attempt",
        "step",
        "circuit",
        "began_s",
        "ended_s",
        "left",
        "channel",
        "quantity",
        "value",
        "unit",
        "u",
        "limit_low",
        "limit_high",
        "verdict",
        "reason",
        "place",
    ])?;
    for step in read::steps(connection, session.id)? {
        let capture = step.capture.as_ref();
        let or_empty = |text: &Option<String>| text.clone().unwrap_or_default();
        sheet.whole(Some(step.number))?;
        sheet.whole(Some(step.attempt))?;
        sheet.text(&step.name)?;
        sheet.text(&or_empty(&step.circuit))?;
        sheet.elapsed(Some(step.began_us))?;
        sheet.elapsed(step.ended_us)?;
        sheet.text(&or_empty(&step.left))?;
        sheet.text(&or_empty(&step.channel))?;
        sheet
            .text(&capture.and_then(|capture| capture.quantity.clone()).unwrap_or_else(|| or_empty(&step.quantity)))?;
        value(&mut sheet, capture)?;
        sheet.text(&capture.and_then(|capture| capture.unit.clone()).unwrap_or_else(|| or_empty(&step.unit)))?;
        sheet.number(capture.and_then(|capture| capture.u))?;
        sheet.number(step.limit_low)?;
        sheet.number(step.limit_high)?;
        sheet.text(&or_empty(&step.verdict))?;
        sheet.text(&or_empty(&step.reason))?;
        sheet.whole(step.place)?;
        sheet.end_row()?;
    }
    sheet.finish()
}

fn value<W: Write>(sheet: &mut Sheet<W>, capture: Option<&CaptureRow>) -> Result<(), ExportError> {
    match capture.and_then(|capture| capture.beyond) {
        Some(beyond) if beyond > 0 => sheet.text("over"),
        Some(_) => sheet.text("under"),
        None => sheet.number(capture.and_then(|capture| capture.value)),
    }
}

/// The events as CSV.
pub(crate) fn events(
    connection: &Connection,
    session: &SessionRow,
    style: Style,
    to: impl Write,
) -> Result<(), ExportError> {
    let mut sheet = Sheet::new(to, style, session.began_utc_us);
    sheet.row(["elapsed_s", "time", "kind", "subject", "text"])?;
    for event in read::events(connection, session.id)? {
        sheet.elapsed(Some(event.at_us))?;
        sheet.time(event.at_us)?;
        sheet.text(&event.kind)?;
        sheet.text(&event.subject)?;
        sheet.text(&event.text)?;
        sheet.end_row()?;
    }
    sheet.finish()
}

/// A session as JSON; the names of the fields are those of the tables.
#[derive(Debug, Serialize)]
pub(crate) struct Names<'a> {
    number: i64,
    uuid: &'a str,
    began_utc: &'a str,
    duration_s: Option<f64>,
    ended_how: Option<&'a str>,
    machine: &'a str,
    job: &'a str,
    vin: &'a str,
    counter: &'a str,
    complaint: &'a str,
    ambient_c: Option<f64>,
    part_c: Option<f64>,
    procedure: Option<&'a str>,
    continues: Option<&'a str>,
    program: &'a str,
    samples: i64,
    steps: i64,
    outside: i64,
}

impl<'a> From<&'a SessionRow> for Names<'a> {
    fn from(session: &'a SessionRow) -> Self {
        Self {
            number: session.id,
            uuid: &session.uuid,
            began_utc: &session.began_utc,
            duration_s: session.ended_us.map(seconds),
            ended_how: session.ended_how.as_deref(),
            machine: &session.machine,
            job: &session.job,
            vin: &session.vin,
            counter: &session.counter,
            complaint: &session.complaint,
            ambient_c: session.ambient_celsius,
            part_c: session.part_celsius,
            procedure: session.procedure.as_deref(),
            continues: session.continues.as_deref(),
            program: &session.program,
            samples: session.samples(),
            steps: session.steps,
            outside: session.outside,
        }
    }
}

#[derive(Serialize)]
struct SessionJson<'a> {
    session: Names<'a>,
    channels: Vec<ChannelJson>,
    steps: Vec<StepJson>,
    captures: Vec<CaptureJson>,
    figures: Vec<FigureJson>,
    findings: Vec<FindingJson>,
}

#[derive(Serialize)]
struct FindingJson {
    kind: String,
    circuits: Vec<String>,
    sentence: String,
    sure: String,
    weight: f64,
    z: f64,
    evidence: Vec<String>,
    alternatives: Vec<String>,
    next: String,
}

#[derive(Serialize)]
struct ChannelJson {
    name: String,
    quantity: String,
    unit: String,
    meter: String,
}

#[derive(Serialize)]
struct StepJson {
    number: i64,
    place: Option<i64>,
    attempt: i64,
    name: String,
    circuit: Option<String>,
    began_s: f64,
    ended_s: Option<f64>,
    left: Option<String>,
    channel: Option<String>,
    quantity: Option<String>,
    unit: Option<String>,
    limit_low: Option<f64>,
    limit_high: Option<f64>,
    verdict: Option<String>,
    reason: Option<String>,
    capture: Option<CaptureJson>,
}

#[derive(Serialize)]
struct CaptureJson {
    step: Option<i64>,
    how: String,
    at_s: f64,
    channel: Option<String>,
    quantity: Option<String>,
    unit: Option<String>,
    value: Option<f64>,
    beyond: Option<&'static str>,
    u: Option<f64>,
    verdict: Option<String>,
    reason: String,
}

#[derive(Serialize)]
struct FigureJson {
    step: i64,
    channel: String,
    quantity: String,
    unit: String,
    count: i64,
    beyond: i64,
    last: Option<f64>,
    mean: Option<f64>,
    deviation: Option<f64>,
    min: Option<f64>,
    max: Option<f64>,
    outside_s: f64,
}

/// A session with its ledger as one JSON object.
pub(crate) fn session_json(
    connection: &Connection,
    session: &SessionRow,
    mut to: impl Write,
) -> Result<(), ExportError> {
    let channels = read::channels(connection, session.id)?.into_iter().map(|channel| ChannelJson {
        name: channel.name,
        quantity: channel.quantity,
        unit: channel.unit,
        meter: channel.meter,
    });
    let figures = read::figures(connection, session.id)?.into_iter().map(|row| FigureJson {
        step: row.step,
        channel: row.channel,
        quantity: row.quantity,
        unit: row.unit,
        count: row.count,
        beyond: row.beyond,
        last: row.last,
        mean: row.mean,
        deviation: row.deviation,
        min: row.min,
        max: row.max,
        outside_s: seconds(row.outside_us),
    });
    let findings = read::findings(connection, session.id)?.into_iter().map(|row| FindingJson {
        kind: row.kind,
        circuits: row.circuits,
        sentence: row.sentence,
        sure: row.sure,
        weight: row.weight,
        z: row.z,
        evidence: row.evidence,
        alternatives: row.alternatives,
        next: row.next,
    });
    let json = SessionJson {
        session: Names::from(session),
        channels: channels.collect(),
        steps: read::steps(connection, session.id)?.into_iter().map(step_json).collect(),
        captures: read::captures(connection, session.id)?.into_iter().map(capture_json).collect(),
        figures: figures.collect(),
        findings: findings.collect(),
    };
    serde_json::to_writer_pretty(&mut to, &json).map_err(std::io::Error::from)?;
    Ok(writeln!(to)?)
}

fn step_json(row: StepRow) -> StepJson {
    StepJson {
        number: row.number,
        place: row.place,
        attempt: row.attempt,
        name: row.name,
        circuit: row.circuit,
        began_s: seconds(row.began_us),
        ended_s: row.ended_us.map(seconds),
        left: row.left,
        channel: row.channel,
        quantity: row.quantity,
        unit: row.unit,
        limit_low: row.limit_low,
        limit_high: row.limit_high,
        verdict: row.verdict,
        reason: row.reason,
        capture: row.capture.map(capture_json),
    }
}

fn capture_json(row: CaptureRow) -> CaptureJson {
    CaptureJson {
        step: row.step,
        how: row.how,
        at_s: seconds(row.at_us),
        channel: row.channel,
        quantity: row.quantity,
        unit: row.unit,
        value: row.value,
        beyond: row.beyond.map(|beyond| if beyond > 0 { "over" } else { "under" }),
        u: row.u,
        verdict: row.verdict,
        reason: row.reason,
    }
}

fn seconds(us: i64) -> f64 {
    us as f64 / 1e6
}
