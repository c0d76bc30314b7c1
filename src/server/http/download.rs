//! The files of a past session, to download.

use std::error::Error;

use axum::{
    extract::{Query, State},
    http::{StatusCode, header},
    response::{IntoResponse, Response},
};
use jiff::tz::TimeZone;
use serde::Deserialize;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use super::routes::{PageState, refused};
use crate::{
    export::{CsvStyle, CsvTable, long, track_csv, track_gpx},
    photo::PhotoFolder,
    report::{SheetLength, SheetOptions, write_sheet},
    server::Answer,
    store::{
        Folder,
        read::{Archive, TimeStretch},
    },
};

/// What everyone who is paired may read.
pub(super) fn router() -> OpenApiRouter<PageState> {
    OpenApiRouter::new().routes(routes!(download))
}

/// What can be downloaded.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
enum DownloadFile {
    Samples,
    Steps,
    Events,
    Track,
    Gpx,
    Sheet,
    Full,
}

#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct Download {
    /// The session's number, the beginning of its identity, or last.
    id: String,
    /// Which file.
    #[param(inline)]
    what: DownloadFile,
}

impl DownloadFile {
    /// The type of its content, and its name behind the session's.
    fn kind(self) -> (&'static str, &'static str) {
        const CSV: &str = "text/csv; charset=utf-8";
        const HTML: &str = "text/html; charset=utf-8";
        match self {
            Self::Samples => (CSV, "samples.csv"),
            Self::Steps => (CSV, "steps.csv"),
            Self::Events => (CSV, "events.csv"),
            Self::Track => (CSV, "track.csv"),
            Self::Gpx => ("application/gpx+xml", "track.gpx"),
            Self::Sheet => (HTML, "sheet.html"),
            Self::Full => (HTML, "full.html"),
        }
    }

    /// The session's number, and the file.
    fn write(self, folder: &Folder, id: &str) -> Result<(i64, Vec<u8>), Box<dyn Error>> {
        let archive = Archive::open(folder)?;
        let (connection, session) = archive.find(id)?;
        let (style, mut bytes) = (CsvStyle::default(), Vec::new());
        let mut sheet = |length| {
            let photos = PhotoFolder::of(folder.path());
            let options = SheetOptions { length, measured_by: String::new(), zone: TimeZone::system(), photos };
            write_sheet(connection, &session, &options, &mut bytes)
        };
        match self {
            Self::Sheet => sheet(SheetLength::Short)?,
            Self::Full => sheet(SheetLength::Full)?,
            Self::Samples => long(connection, &session, TimeStretch::ALL, style, &mut bytes, || {})?,
            Self::Steps => CsvTable::Steps.write(connection, &session, style, &mut bytes)?,
            Self::Events => CsvTable::Events.write(connection, &session, style, &mut bytes)?,
            Self::Track => track_csv(connection, &session, style, &mut bytes)?,
            Self::Gpx => track_gpx(connection, &session, &mut bytes)?,
        }
        Ok((session.id, bytes))
    }
}

/// A file of a session: samples, steps or events as CSV, the sheet as one page or in full
#[utoipa::path(
    get, path = "/session/file", params(Download),
    responses(
        (status = OK, content((String = "text/csv"), (String = "text/html"))),
        (status = NOT_FOUND, body = Answer)
    )
)]
async fn download(State(state): State<PageState>, Query(wanted): Query<Download>) -> Response {
    let what = wanted.what;
    let made = tokio::task::spawn_blocking(move || -> Result<_, String> {
        what.write(&state.folder, &wanted.id).map_err(|error| error.to_string())
    });
    let (number, bytes) = match made.await {
        Ok(Ok(made)) => made,
        Ok(Err(why)) => return refused(StatusCode::NOT_FOUND, &why),
        Err(_) => return refused(StatusCode::INTERNAL_SERVER_ERROR, "the file could not be made"),
    };
    let (kind, name) = what.kind();
    // As a file and never shown in place: it is not held to the page's own policy.
    let headers = [
        (header::CONTENT_TYPE, kind.to_owned()),
        (header::CONTENT_DISPOSITION, format!("attachment; filename=\"session-{number}-{name}\"")),
    ];
    (headers, bytes).into_response()
}
