//! What stands on the sheet.

use std::{io::Write, iter};

use askama::Template;
use base64::{Engine, engine::general_purpose::STANDARD};
use jiff::tz::TimeZone;
use rusqlite::Connection;

use super::{
    ReportError,
    around::plots_around,
    drive::SheetDrive,
    fingerprint::Fingerprint,
    plot::StepPlot,
    result::result,
    rows::{SheetRow, began, dimension_of, limit_of},
    sanitized_page,
    values::{StepValues, step_values},
    watched::watched,
    zeros::doubted_zeros,
};
use crate::{
    channel::{InstrumentRecord, instrument_records},
    export::ExportError,
    judging::{corrections_in_words, known_good, procedure_text_in_force, steps_and_emptied},
    photo::PhotoFolder,
    procedure::Procedure,
    session::{CorrectedField, Correction, EventKind, findings::FindingRecord},
    store::read::{self, CaptureRow, ChannelRow, SessionRow, StepRow, ZeroRow, last_attempts},
    units::{Quantity, show, show_seconds},
};

/// Fewer samples are no plot.
const FEWEST_SAMPLES: usize = 5;
/// The most photos of a short sheet.
const MOST_PHOTOS_SHOWN: usize = 4;

/// How much a sheet shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum SheetLength {
    /// About a page: what came out, and what is not in limit.
    Short,
    /// With the whole ledger, findings with their evidence, plots, meters, notes and events.
    Full,
}

/// How a sheet is made.
#[derive(Debug, Clone)]
pub(crate) struct SheetOptions {
    /// How much it shows.
    pub length: SheetLength,
    /// Who measured; empty leaves a line for it.
    pub measured_by: String,
    /// The time zone of its times.
    pub zone: TimeZone,
    /// Where photos are kept.
    pub photos: PhotoFolder,
}

#[derive(Template)]
#[template(path = "sheet.html", config = "src/report/askama.toml")]
struct Sheet {
    full: bool,
    title: String,
    /// Machine, job and the like: a word and what was given for it.
    visit: Vec<(&'static str, String)>,
    complaint: String,
    result: String,
    matters: Vec<SheetRow>,
    /// The names of those in limit, of those without a verdict.
    in_limit: Vec<String>,
    not_measured: Vec<String>,
    ledger: Vec<SheetRow>,
    /// Of a session without a procedure, and how many steps more there are.
    values: Vec<StepValues>,
    more_values: usize,
    findings: Vec<FindingRecord>,
    /// Of each part of the visit in which something was watched.
    drives: Vec<SheetDrive>,
    plots: Vec<PlotBlock>,
    photos: Vec<SheetPhoto>,
    meters: Vec<SheetMeter>,
    /// Times out of limit and drop-outs, a sentence each.
    watched: Vec<String>,
    /// Serial numbers and dates of calibration, a line each.
    instruments: Vec<String>,
    zeros: Vec<String>,
    /// Those that the short sheet has too.
    doubted_zeros: Vec<String>,
    /// What was put right after it was recorded.
    corrections: Vec<String>,
    notes: Vec<String>,
    events: Vec<String>,
    caution: String,
    measured_by: String,
    samples: i64,
    recorded_with: String,
    made_with: &'static str,
    uuid: String,
    id: i64,
    fingerprint: Fingerprint,
}

pub(super) struct PlotBlock {
    pub(super) caption: String,
    pub(super) svg: String,
}

struct SheetPhoto {
    caption: String,
    /// As a data URI; none where the file is missing or damaged.
    image: Option<String>,
}

struct SheetMeter {
    meter: String,
    channel: String,
    quantity: Quantity,
    scale: String,
    accuracy: String,
}

/// Writes the sheet of a session.
///
/// # Errors
/// The database can't be read, or what is written to fails.
pub(crate) fn write_sheet(
    connection: &Connection,
    session: &SessionRow,
    options: &SheetOptions,
    mut to: impl Write,
) -> Result<(), ReportError> {
    let steps = read::steps(connection, session.id)?;
    let findings = read::findings(connection, session.id)?;
    let channels = read::channels(connection, session.id)?;
    let caution = match procedure_text_in_force(connection, session)? {
        None => String::new(),
        Some(text) => match Procedure::parse("the procedure of that session", &text) {
            Ok(procedure) => procedure.caution,
            Err(mistake) => format!("The cautions of the procedure can't be read: {mistake}"),
        },
    };
    let full = options.length == SheetLength::Full;
    let captures = read::captures(connection, session.id)?;
    let (values, more_values) = step_values(connection, session, &steps, &captures, full)?;
    // A step whose captures were all filed elsewhere has a row, and nothing to draw.
    let with_emptied = steps_and_emptied(connection, session)?;
    let last = last_attempts(&with_emptied);
    let known = known_good(connection, session)?;
    let row = |step: &&StepRow| {
        let format = step.capture.as_ref().map(CaptureRow::format);
        let known = known.iter().find(|known| known.step == step.name).zip(format);
        SheetRow { known: known.map(|(known, format)| known.text(format)), ..SheetRow::new(step, &last) }
    };
    let (matters, others): (Vec<SheetRow>, Vec<SheetRow>) = last.iter().map(row).partition(SheetRow::matters);
    let names = |class: &str| others.iter().filter(|row| row.class == class).map(|row| row.name.clone()).collect();
    let with_captures = |step: &&StepRow| {
        let others = captures.iter().filter(|capture| capture.is_of(step) && !capture.is_judged_in(step));
        iter::once(row(step)).chain(others.map(SheetRow::other)).collect::<Vec<_>>()
    };
    let ledger = if full {
        with_emptied.iter().collect::<Vec<_>>().iter().flat_map(with_captures).collect()
    } else {
        Vec::new()
    };
    let page = Sheet {
        full,
        title: session.procedure.clone().unwrap_or_else(|| "Measurements".to_owned()),
        visit: visit(session, &options.zone),
        complaint: session.visit.complaint.clone(),
        result: result(&with_emptied, &findings),
        in_limit: names("good"),
        not_measured: others
            .iter()
            // Without a procedure nothing was wanted.
            .filter(|row| row.class == "none" && row.verdict != "no limit" && session.procedure.is_some())
            .map(|row| format!("{} ({})", row.name, row.verdict))
            .collect(),
        matters,
        ledger,
        values,
        more_values,
        drives: drives(connection, session, &steps, full)?,
        plots: if full { plots(connection, session, &steps, &channels)? } else { Vec::new() },
        photos: photos(connection, session, options)?,
        doubted_zeros: if full { Vec::new() } else { doubted_zeros(connection, session, &steps, &channels)? },
        meters: channels.into_iter().map(SheetMeter::from).collect(),
        watched: watched(connection, session)?,
        instruments: instrument_records(&read::bench_text(connection, session.id)?)
            .iter()
            .map(InstrumentRecord::line)
            .collect(),
        zeros: zeros(connection, session)?,
        corrections: corrections(connection, session, full)?,
        notes: events(connection, session, |kind| matches!(kind, EventKind::Note | EventKind::Mark))?,
        events: if full {
            events(connection, session, |kind| {
                !matches!(kind, EventKind::Note | EventKind::Mark | EventKind::Announced | EventKind::Photo)
            })?
        } else {
            Vec::new()
        },
        caution,
        measured_by: options.measured_by.clone(),
        samples: session.samples,
        recorded_with: session.program.clone(),
        made_with: env!("CARGO_PKG_VERSION"),
        uuid: session.uuid.clone(),
        id: session.id,
        fingerprint: Fingerprint::of(connection, session)?,
        findings,
    };
    Ok(to.write_all(sanitized_page(&page.render()?).as_bytes()).map_err(ExportError::from)?)
}

/// The drives of the visit, the earlier parts first where it was cut off and went on.
fn drives(
    connection: &Connection,
    session: &SessionRow,
    steps: &[StepRow],
    full: bool,
) -> Result<Vec<SheetDrive>, ReportError> {
    let mut parts = read::all_parts(connection, session.id)?;
    // What came after this session is on the sheet of the one that continued it.
    parts.retain(|part| part.id <= session.id);
    let mut drives = Vec::new();
    for (number, part) in (1..).zip(&parts) {
        let drive = if part.id == session.id {
            SheetDrive::new(connection, session, steps, full)?
        } else {
            SheetDrive::new(connection, part, &read::steps(connection, part)?, full)?
        };
        let part = (parts.len() > 1).then(|| format!("part {number} of {}, session {}", parts.len(), part.id));
        drives.extend(drive.map(|drive| SheetDrive { part, ..drive }));
    }
    Ok(drives)
}

fn visit(session: &SessionRow, zone: &TimeZone) -> Vec<(&'static str, String)> {
    let celsius = |value: Option<f64>| value.map_or(String::new(), |value| show(value, Quantity::Temperature));
    let lasted = session.ended_us.map_or("still open".to_owned(), |us| show_seconds(us as f64 / 1e6));
    let visit = &session.visit;
    [
        ("Machine", visit.machine.clone()),
        ("Job", visit.job.clone()),
        ("VIN or serial number", visit.vin.clone()),
        ("Counter", visit.counter.clone()),
        ("Measured", format!("{}, {lasted}", began(session, zone))),
        ("Air", celsius(visit.ambient_celsius)),
        ("Part", celsius(visit.part_celsius)),
    ]
    .into_iter()
    .filter(|(_, text)| !text.is_empty())
    .collect()
}

fn plots(
    connection: &Connection,
    session: &SessionRow,
    steps: &[StepRow],
    channels: &[ChannelRow],
) -> Result<Vec<PlotBlock>, ReportError> {
    let newest_us = session.ended_us.unwrap_or(i64::MAX);
    let mut plots: Vec<(i64, Vec<i64>, StepPlot)> = Vec::new();
    for step in steps {
        let Some(name) = &step.channel else { continue };
        // What the meter showed on another function has no place on this axis.
        let is_own = |row: &&ChannelRow| {
            row.name == *name
                && step.quantity.is_none_or(|wanted| wanted == row.quantity)
                && dimension_of(step).is_none_or(|wanted| wanted == row.quantity.dimension())
        };
        let own: Vec<&ChannelRow> = channels.iter().filter(is_own).collect();
        let Some(first) = own.first() else { continue };
        let lasted = step.ended_us.unwrap_or(newest_us).saturating_sub(step.began_us);
        let plot = StepPlot::new(&step.title(), name, first.quantity, limit_of(step), step.began_us, lasted);
        plots.push((step.number, vec![first.id], plot));
    }
    let rows: Vec<(i64, i64)> =
        steps.iter().map(|step| (step.first_row, step.last_row.unwrap_or(session.last_row))).collect();
    for (number, channels, plot) in &mut plots {
        let Some(place) = steps.iter().position(|step| step.number == *number) else { continue };
        for channel in channels {
            read::for_each_point(connection, session, *channel, rows[place], plot.stretch(), |at_us, value| {
                plot.push(at_us, value);
            })?;
        }
    }
    let enough = plots.iter().map(|(_, _, plot)| plot).filter(|plot| plot.samples >= FEWEST_SAMPLES);
    let blocks = enough
        .map(|plot| Ok(PlotBlock { caption: format!("{}: {}", plot.step, plot.channel), svg: plot.svg()? }))
        .collect::<Result<Vec<_>, ReportError>>()?;
    Ok(blocks.into_iter().chain(plots_around(connection, session, steps, channels)?).collect())
}

fn photos(
    connection: &Connection,
    session: &SessionRow,
    options: &SheetOptions,
) -> Result<Vec<SheetPhoto>, ReportError> {
    let most = if options.length == SheetLength::Full { usize::MAX } else { MOST_PHOTOS_SHOWN };
    let photos = read::photos(connection, session.id)?.into_iter().take(most).map(|photo| {
        let after = show_seconds(photo.at_us as f64 / 1e6);
        let image = options.photos.read_small(&photo.hash).ok();
        let missing = if image.is_none() { ": its file is missing" } else { "" };
        let caption = [photo.text, format!("after {after}{missing}")];
        SheetPhoto {
            caption: caption.into_iter().filter(|text| !text.is_empty()).collect::<Vec<_>>().join(", "),
            image: image.map(|jpeg| format!("data:image/jpeg;base64,{}", STANDARD.encode(jpeg))),
        }
    });
    Ok(photos.collect())
}

impl From<ChannelRow> for SheetMeter {
    fn from(row: ChannelRow) -> Self {
        Self { meter: row.meter, channel: row.name, quantity: row.quantity, scale: row.scale, accuracy: row.accuracy }
    }
}

fn zeros(connection: &Connection, session: &SessionRow) -> Result<Vec<String>, ReportError> {
    Ok(read::zeros(connection, session.id)?.iter().map(ZeroRow::sentence).collect())
}

/// What was put right; on a full sheet also what was undone again, and what was told later of the visit, which stands above.
fn corrections(connection: &Connection, session: &SessionRow, full: bool) -> Result<Vec<String>, ReportError> {
    let mut told = corrections_in_words(connection, session)?;
    let is_added = |one: &Correction| one.value_before.is_empty() && one.subject.is_empty();
    let matters = |one: &Correction| one.field != CorrectedField::Good && !is_added(one);
    told.retain(|(one, _)| full || one.is_in_force() && matters(&one.correction));
    let judged = read::judgement(connection, session.id, session.judgement)?
        .filter(|row| row.procedure_text.is_some())
        .map(|row| format!("judged again by \"{}\"", row.procedure_title.unwrap_or_default()));
    Ok(told.iter().map(|(one, words)| format!("{words}{}", one.undone())).chain(judged).collect())
}

fn events(
    connection: &Connection,
    session: &SessionRow,
    wanted: impl Fn(EventKind) -> bool,
) -> Result<Vec<String>, ReportError> {
    let rows = read::events(connection, session.id)?.into_iter().filter(|event| wanted(event.kind)).map(|event| {
        let after = show_seconds(event.at_us as f64 / 1e6);
        // Notes stand under their own heading.
        let kind = if event.kind == EventKind::Note { "" } else { event.kind.word() };
        let what = [kind, &event.subject, &event.text].map(str::trim);
        let what: Vec<&str> = what.into_iter().filter(|part| !part.is_empty()).collect();
        format!("after {after}: {}", what.join(", "))
    });
    Ok(rows.collect())
}
