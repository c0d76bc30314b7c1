//! Past sessions: the list, one with its ledger, its samples thinned out for plots, and its files to download.

use axum::{
    Json, Router,
    extract::{Query, State},
    http::header,
    response::{IntoResponse, Response},
    routing::{get, post},
};
use serde::Deserialize;
use serde_json::json;

use super::routes::{PageState, by_operator, off_the_loop, refused};
use crate::{
    export::{CsvStyle, events, ledger_json, long, steps},
    judging::{AskedCorrection, correct, judge_by_corrections, undo},
    photo::PhotoFolder,
    report::{SheetLength, SheetOptions, write_sheet},
    session::VisitCorrection,
    store::{
        Folder,
        read::{self, Archive, PlotWindow, plot_series},
        roll_up_later,
    },
};

/// Columns of one plot at most: a wide screen has as many dots.
const MOST_COLUMNS: usize = 4000;
/// Sessions that are listed; typing finds the others.
const MOST_LISTED: usize = 200;

/// What only the operator may do.
pub(super) fn correcting(state: &PageState) -> Router<PageState> {
    by_operator(Router::new().route("/session/correct", post(correct_later)), state)
}

/// What everyone who is paired may read.
pub(super) fn router() -> Router<PageState> {
    Router::new()
        .route("/sessions", get(sessions))
        .route("/session", get(session))
        .route("/session/plot", get(plot))
        .route("/session/file", get(download))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Search {
    #[serde(default)]
    find: String,
}

async fn sessions(State(state): State<PageState>, Query(search): Query<Search>) -> Response {
    off_the_loop(move || {
        let mut archive = open(&state.folder)?;
        let found = archive.find_text(&search.find).map_err(|error| error.to_string())?;
        let unreadable: Vec<String> = archive.unreadable().iter().map(ToString::to_string).collect();
        let newest: Vec<_> = found.iter().rev().take(MOST_LISTED).collect();
        Ok(json!({ "ok": true, "all": found.len(), "sessions": newest, "unreadable": unreadable }))
    })
    .await
}

fn open(folder: &Folder) -> Result<Archive, String> {
    Archive::open(folder).map_err(|error| error.to_string())
}

/// A session by its number, the beginning of its identity, or last.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Wanted {
    id: String,
}

async fn session(State(state): State<PageState>, Query(wanted): Query<Wanted>) -> Response {
    off_the_loop(move || {
        let archive = open(&state.folder)?;
        let json = shown_ledger(&archive, &wanted.id)?;
        let (connection, session) = archive.find(&wanted.id).map_err(|error| error.to_string())?;
        let events = read::events(connection, session.id).map_err(|error| error.to_string())?;
        let events: Vec<_> = events
            .iter()
            .map(|event| {
                let at_s = event.at_us as f64 / 1e6;
                json!({ "at_s": at_s, "kind": event.kind.word(), "subject": event.subject, "text": event.text })
            })
            .collect();
        Ok(json!({ "ok": true, "session": json, "events": events }))
    })
    .await
}

/// A session as `show --json` prints it, and beside each captured value the same as a person reads it.
pub(super) fn shown_ledger(archive: &Archive, id: &str) -> Result<serde_json::Value, String> {
    let (connection, session) = archive.find(id).map_err(|error| error.to_string())?;
    let mut bytes = Vec::new();
    ledger_json(connection, &session, &mut bytes).map_err(|error| error.to_string())?;
    let mut json: serde_json::Value = serde_json::from_slice(&bytes).map_err(|error| error.to_string())?;
    let steps = read::steps(connection, &session).map_err(|error| error.to_string())?;
    for (index, step) in steps.iter().enumerate() {
        if let Some(capture) = &step.capture {
            json["steps"][index]["capture"]["shown"] = capture.shown().into();
        }
    }
    for (index, capture) in read::captures(connection, &session).map_err(|error| error.to_string())?.iter().enumerate()
    {
        json["captures"][index]["shown"] = capture.shown().into();
    }
    Ok(json)
}

/// Judges a session that has just ended again, where a temperature was corrected while it was open.
pub(super) async fn judge_by_corrections_of(state: &PageState, id: String) {
    let folder = state.folder.clone();
    let judged = tokio::task::spawn_blocking(move || -> Result<bool, String> {
        let archive = open(&folder)?;
        let (connection, session) = archive.find(&id).map_err(|error| error.to_string())?;
        judge_by_corrections(&archive, connection, &session).map_err(|error| error.to_string())
    });
    if let Ok(Err(why)) = judged.await {
        tracing::warn!("the session is not judged again by what was corrected while it was open: {why}");
    }
}

/// What was told wrongly of the visit of a session that has ended.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct LaterCorrection {
    id: String,
    #[serde(default)]
    told: VisitCorrection,
    /// Takes back the last correction instead.
    #[serde(default)]
    undo: bool,
}

async fn correct_later(State(state): State<PageState>, Json(asked): Json<LaterCorrection>) -> Response {
    off_the_loop(move || {
        let archive = open(&state.folder)?;
        let (connection, session) = archive.find(&asked.id).map_err(|error| error.to_string())?;
        let by = asked.told.by.clone();
        let fields = asked.told.fields().map(|(field, text)| AskedCorrection::Visit(field, text));
        let fields: Vec<AskedCorrection> = fields.collect();
        let done = match asked.undo {
            true => undo(&archive, connection, &session, None, &by),
            false => correct(&archive, connection, &session, &fields, &by),
        };
        let done = done.map_err(|error| error.to_string())?;
        Ok(json!({ "ok": true, "corrections": done.corrections, "judged_again": done.is_judged_again,
                   "not_repeatable": done.not_repeatable }))
    })
    .await
}

/// A stretch of a session, seconds since it began; all of it where nothing is given.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Stretch {
    id: String,
    channel: String,
    quantity: String,
    from: Option<f64>,
    to: Option<f64>,
    columns: usize,
}

async fn plot(State(state): State<PageState>, Query(stretch): Query<Stretch>) -> Response {
    off_the_loop(move || {
        let archive = open(&state.folder)?;
        let (connection, session) = archive.find(&stretch.id).map_err(|error| error.to_string())?;
        let us = |seconds: f64| (seconds.clamp(-1e9, 1e9) * 1e6) as i64;
        let window = PlotWindow {
            channel: &stretch.channel,
            quantity: &stretch.quantity,
            from_us: stretch.from.map(us),
            to_us: stretch.to.map(us),
            columns: stretch.columns.clamp(1, MOST_COLUMNS),
        };
        // Its plots are right without it, only slow.
        let rolled_up = roll_up_later(connection, &session).unwrap_or_default();
        if let Some(samples) = rolled_up {
            tracing::info!("session {}: {samples} samples rolled up, once, for its plots", session.id);
        }
        let series = plot_series(connection, &session, &window).map_err(|error| error.to_string())?;
        Ok(json!({ "ok": true, "series": series, "rolled_up": rolled_up }))
    })
    .await
}

/// What can be downloaded.
#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(rename_all = "lowercase")]
enum DownloadFile {
    Samples,
    Steps,
    Events,
    Sheet,
    Full,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Download {
    id: String,
    what: DownloadFile,
}

async fn download(State(state): State<PageState>, Query(wanted): Query<Download>) -> Response {
    let what = wanted.what;
    let made = tokio::task::spawn_blocking(move || -> Result<_, String> {
        let archive = open(&state.folder)?;
        let (connection, session) = archive.find(&wanted.id).map_err(|error| error.to_string())?;
        let mut bytes = Vec::new();
        let sheet = |length| SheetOptions {
            length,
            measured_by: String::new(),
            zone: jiff::tz::TimeZone::system(),
            photos: PhotoFolder::of(state.folder.path()),
        };
        let style = CsvStyle::default();
        let written = match what {
            DownloadFile::Samples => long(connection, &session, style, &mut bytes, || {}).map_err(|e| e.to_string()),
            DownloadFile::Steps => steps(connection, &session, style, &mut bytes).map_err(|e| e.to_string()),
            DownloadFile::Events => events(connection, &session, style, &mut bytes).map_err(|e| e.to_string()),
            DownloadFile::Sheet => {
                write_sheet(connection, &session, &sheet(SheetLength::Short), &mut bytes).map_err(|e| e.to_string())
            }
            DownloadFile::Full => {
                write_sheet(connection, &session, &sheet(SheetLength::Full), &mut bytes).map_err(|e| e.to_string())
            }
        };
        written.map(|()| (session.id, bytes))
    });
    let (number, bytes) = match made.await {
        Ok(Ok(made)) => made,
        Ok(Err(why)) => return refused(axum::http::StatusCode::NOT_FOUND, &why),
        Err(_) => return refused(axum::http::StatusCode::INTERNAL_SERVER_ERROR, "the file could not be made"),
    };
    let (kind, name) = match what {
        DownloadFile::Samples => ("text/csv; charset=utf-8", format!("session-{number}-samples.csv")),
        DownloadFile::Steps => ("text/csv; charset=utf-8", format!("session-{number}-steps.csv")),
        DownloadFile::Events => ("text/csv; charset=utf-8", format!("session-{number}-events.csv")),
        DownloadFile::Sheet => ("text/html; charset=utf-8", format!("session-{number}-sheet.html")),
        DownloadFile::Full => ("text/html; charset=utf-8", format!("session-{number}-full.html")),
    };
    // As a file and never shown in place: it is not held to the page's own policy.
    let headers = [
        (header::CONTENT_TYPE, kind.to_owned()),
        (header::CONTENT_DISPOSITION, format!("attachment; filename=\"{name}\"")),
    ];
    (headers, bytes).into_response()
}
