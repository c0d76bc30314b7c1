//! Past sessions: the list, one with its ledger, and its samples thinned out for plots.

use axum::{
    Json,
    extract::{Query, State},
    response::Response,
};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use super::routes::{Done, PageState, off_the_loop};
use crate::{
    drive::{DriveFlag, FlagKind, TrackDrawing, add_other_channels, drive_flags, lanes},
    export::{Ledger, shown_ledger},
    judging::{AskedCorrection, correct, judge_by_corrections, undo},
    procedure::Procedure,
    session::{Correction, EventKind, VisitCorrection},
    store::{
        Folder, StoreError, is_to_be_rolled_up,
        read::{self, Archive, PlotSeries, PlotWindow, SessionRow, plot_series},
        roll_up_later,
    },
    units::Quantity,
};

/// Columns of one plot at most: a wide screen has as many dots.
const MOST_COLUMNS: usize = 4000;
/// Sessions that are listed; typing finds the others.
const MOST_LISTED: usize = 200;

/// What only the operator may do.
pub(super) fn correcting() -> OpenApiRouter<PageState> {
    OpenApiRouter::new().routes(routes!(correct_later))
}

/// What everyone who is paired may read.
pub(super) fn router() -> OpenApiRouter<PageState> {
    OpenApiRouter::new().routes(routes!(sessions)).routes(routes!(session)).routes(routes!(plot)).routes(routes!(drive))
}

#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct Search {
    /// What the machine, job, number, complaint or a note has; empty for all.
    #[serde(default)]
    find: String,
}

/// Sessions, the newest first.
#[derive(Serialize, ToSchema)]
struct SessionsFound {
    /// How many there are, shown or not.
    all: usize,
    sessions: Vec<SessionRow>,
    /// Databases that can't be read, a sentence each.
    unreadable: Vec<String>,
}

/// Find sessions, the newest first
#[utoipa::path(get, path = "/sessions", params(Search), responses((status = OK, body = Done<SessionsFound>)))]
async fn sessions(State(state): State<PageState>, Query(search): Query<Search>) -> Response {
    off_the_loop(move || {
        let mut archive = open(&state.folder)?;
        let found = archive.find_text(&search.find).map_err(|error| error.to_string())?;
        let unreadable: Vec<String> = archive.unreadable().iter().map(ToString::to_string).collect();
        let newest = found.iter().rev().take(MOST_LISTED).cloned().collect();
        Ok(SessionsFound { all: found.len(), sessions: newest, unreadable })
    })
    .await
}

fn open(folder: &Folder) -> Result<Archive, String> {
    Archive::open(folder).map_err(|error| error.to_string())
}

#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct SessionId {
    /// The session's number, the beginning of its identity, or last.
    id: String,
}

/// One session with what happened in it.
#[derive(Serialize, ToSchema)]
struct SessionFound {
    session: Ledger,
    events: Vec<EventLine>,
    /// The sessions of its visit in the order of time, itself among them, where it was recorded in parts; else empty.
    parts: Vec<VisitPart>,
}

/// A session of a visit that was recorded in parts.
#[derive(Serialize, ToSchema)]
struct VisitPart {
    /// Number on this database.
    number: i64,
    uuid: String,
    /// RFC 3339, UTC.
    began_utc: String,
}

/// Something that happened in a session.
#[derive(Serialize, ToSchema)]
struct EventLine {
    /// Seconds since the session began.
    at_s: f64,
    kind: EventKind,
    /// Which meter, step or field; empty where it has none.
    subject: String,
    text: String,
}

/// One session: ledger, findings, channels, photos and events
#[utoipa::path(get, path = "/session", params(SessionId), responses((status = OK, body = Done<SessionFound>)))]
async fn session(State(state): State<PageState>, Query(wanted): Query<SessionId>) -> Response {
    off_the_loop(move || {
        let archive = open(&state.folder)?;
        let ledger = ledger_of(&archive, &wanted.id)?;
        let (connection, session) = archive.find(&wanted.id).map_err(|error| error.to_string())?;
        let events = read::events(connection, session.id).map_err(|error| error.to_string())?;
        let events = events.into_iter().map(|event| EventLine {
            at_s: event.at_us as f64 / 1e6,
            kind: event.kind,
            subject: event.subject,
            text: event.text,
        });
        let parts = read::all_parts(connection, session.id).map_err(|error| error.to_string())?;
        let parts = if parts.len() > 1 { parts } else { Vec::new() };
        let part = |row: SessionRow| VisitPart { number: row.id, uuid: row.uuid, began_utc: row.began_utc };
        let parts = parts.into_iter().map(part).collect();
        Ok(SessionFound { session: ledger, events: events.collect(), parts })
    })
    .await
}

/// The ledger of a session, as `show --json` prints it, and each captured value as a person reads it.
pub(super) fn ledger_of(archive: &Archive, id: &str) -> Result<Ledger, String> {
    let (connection, session) = archive.find(id).map_err(|error| error.to_string())?;
    shown_ledger(connection, &session).map_err(|error| error.to_string())
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
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct LaterCorrection {
    /// The session's number, the beginning of its identity, or last.
    id: String,
    #[serde(default)]
    told: VisitCorrection,
    /// Takes back the last correction instead.
    #[serde(default)]
    undo: bool,
}

/// What was corrected.
#[derive(Serialize, ToSchema)]
struct LaterCorrected {
    corrections: Vec<Correction>,
    judged_again: bool,
    /// Steps that can't be judged again, since samples of theirs were lost.
    not_repeatable: Vec<String>,
}

/// Correct what was told of a session that has ended, or undo the last correction; what follows is judged again
#[utoipa::path(post, path = "/session/correct", request_body = LaterCorrection, responses((status = OK, body = Done<LaterCorrected>)))]
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
        Ok(LaterCorrected {
            corrections: done.corrections,
            judged_again: done.is_judged_again,
            not_repeatable: done.not_repeatable,
        })
    })
    .await
}

/// A stretch of a session, seconds since it began; all of it where nothing is given.
#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct Stretch {
    /// The session's number, the beginning of its identity, or last.
    id: String,
    channel: String,
    quantity: String,
    /// Seconds since the session began; not given, its first sample.
    from: Option<f64>,
    /// Seconds since the session began; not given, its last sample.
    to: Option<f64>,
    /// How many columns of dots there is room for.
    columns: usize,
}

/// The points of a plot.
#[derive(Serialize, ToSchema)]
struct PlotFound {
    series: PlotSeries,
    /// Samples that were rolled up for it, once; none where that was done.
    rolled_up: Option<i64>,
}

/// Samples of one channel for a plot, thinned out to what the columns can show
#[utoipa::path(get, path = "/session/plot", params(Stretch), responses((status = OK, body = Done<PlotFound>)))]
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
        Ok(PlotFound { series, rolled_up })
    })
    .await
}

/// What the picture of a session is drawn from beside its plots.
#[derive(Serialize, ToSchema)]
struct DriveFound {
    /// The channels in the order in which they are drawn.
    lanes: Vec<DriveLane>,
    /// So many samples are rolled up with its first plot, which takes a while: only then it has flags. None where that was done.
    to_roll_up: Option<i64>,
    /// What was found, in the order of time.
    flags: Vec<FoundFlag>,
    /// None where there was no receiver.
    track: Option<TrackDrawing>,
}

/// A channel that is drawn.
#[derive(Serialize, ToSchema)]
struct DriveLane {
    name: String,
    quantity: Quantity,
    unit: String,
}

/// Something that was found; times are seconds since the session began.
#[derive(Serialize, ToSchema)]
struct FoundFlag {
    number: usize,
    kind: FlagKind,
    at_s: f64,
    /// The stretch in which its samples are to be looked at.
    from_s: f64,
    to_s: f64,
    channels: Vec<String>,
    text: String,
    /// What the other channels showed then.
    shown: Vec<String>,
    /// Whether it speaks against the machine.
    is_fault: bool,
}

impl From<DriveFlag> for FoundFlag {
    fn from(flag: DriveFlag) -> Self {
        let s = |us: i64| us as f64 / 1e6;
        Self {
            number: flag.number,
            kind: flag.kind,
            at_s: s(flag.at_us),
            from_s: s(flag.around_us.0),
            to_s: s(flag.around_us.1),
            channels: flag.channels,
            text: flag.text,
            shown: flag.shown,
            is_fault: flag.kind.is_fault(),
        }
    }
}

/// The channels of a session in the order in which they are drawn, what was found as flags, and its track
#[utoipa::path(get, path = "/session/drive", params(SessionId), responses((status = OK, body = Done<DriveFound>)))]
async fn drive(State(state): State<PageState>, Query(wanted): Query<SessionId>) -> Response {
    off_the_loop(move || {
        let archive = open(&state.folder)?;
        let (connection, session) = archive.find(&wanted.id).map_err(|error| error.to_string())?;
        let drawn = || -> Result<_, StoreError> {
            let channels = read::channels(connection, session.id)?;
            let procedure = read::procedure_text(connection, session.id)?;
            let procedure = procedure.and_then(|text| Procedure::parse("procedure", &text).ok());
            let lanes = lanes(&channels, procedure.as_ref()).into_iter().map(|row| DriveLane {
                name: row.name.clone(),
                quantity: row.quantity,
                unit: row.unit.clone(),
            });
            let lanes = lanes.collect();
            if is_to_be_rolled_up(connection, &session)? {
                return Ok(DriveFound { lanes, to_roll_up: Some(session.samples), flags: Vec::new(), track: None });
            }
            let mut flags = drive_flags(connection, &session)?;
            add_other_channels(connection, &session, &mut flags)?;
            let track = TrackDrawing::new(&read::drawn_track(connection, &session)?, &flags);
            let flags = flags.into_iter().map(FoundFlag::from).collect();
            Ok(DriveFound { lanes, to_roll_up: None, flags, track })
        };
        drawn().map_err(|error| error.to_string())
    })
    .await
}
