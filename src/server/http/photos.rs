//! Photos of the visit: taken in from the page, and shown on it.

use axum::{
    Json,
    body::Bytes,
    extract::{DefaultBodyLimit, Query, State},
    http::{StatusCode, header},
    response::{IntoResponse, Response},
};
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::routes::{PageState, SpokenAnswer, refused, send};
use crate::{
    io_reason::IoReason,
    photo::{LARGEST_PHOTO, PhotoFolder, PhotoKept, PreparedPhoto, redrawn},
    server::{Answer, Request},
    store::read::{self, Archive},
};

/// Photos come from the operator.
pub(super) fn sending() -> OpenApiRouter<PageState> {
    OpenApiRouter::new().routes(routes!(take_in)).layer(DefaultBodyLimit::max(LARGEST_PHOTO))
}

/// Photos are seen by everyone who is paired.
pub(super) fn looking() -> OpenApiRouter<PageState> {
    OpenApiRouter::new().routes(routes!(show))
}

#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct Caption {
    /// What the photo shows.
    #[serde(default)]
    text: String,
}

/// Keep a photo of the visit
#[utoipa::path(
    post, path = "/photo", params(Caption),
    request_body(content((Vec<u8> = "image/jpeg"), (Vec<u8> = "image/png"), (Vec<u8> = "image/webp"))),
    responses((status = OK, body = SpokenAnswer))
)]
async fn take_in(State(state): State<PageState>, Query(caption): Query<Caption>, body: Bytes) -> Response {
    // A photo that is being read needs some hundred megabytes: one after the other.
    let _one_by_one = state.photographing.lock().await;
    let photos = PhotoFolder::of(state.folder.path());
    let folder = photos.clone();
    let prepared = tokio::task::spawn_blocking(move || -> Result<(PreparedPhoto, PhotoKept), String> {
        let prepared = redrawn(&body, &caption.text).map_err(|error| error.to_string())?;
        let kept = folder.save(&prepared).map_err(|error| format!("the photo can't be kept: {}", IoReason(&error)))?;
        Ok((prepared, kept))
    });
    let (prepared, kept) = match prepared.await {
        Ok(Ok(prepared)) => prepared,
        Ok(Err(why)) => return Json(SpokenAnswer::from(Answer::refused(why))).into_response(),
        Err(_) => return refused(StatusCode::INTERNAL_SERVER_ERROR, "the photo could not be read"),
    };
    let hash = prepared.photo.hash.clone();
    let answer = send(&state.requests, Request::Photo(Box::new(prepared.photo))).await;
    if !answer.ok && kept == PhotoKept::New {
        photos.forget(&hash);
    }
    Json(SpokenAnswer::from(answer)).into_response()
}

#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct WantedPhoto {
    /// The session's number, the beginning of its identity, or last.
    id: String,
    /// The photo's number in the list of its session.
    number: i64,
}

/// A photo of a session
#[utoipa::path(
    get, path = "/session/photo", params(WantedPhoto),
    responses((status = OK, body = Vec<u8>, content_type = "image/jpeg"), (status = NOT_FOUND, body = Answer))
)]
async fn show(State(state): State<PageState>, Query(wanted): Query<WantedPhoto>) -> Response {
    let found = tokio::task::spawn_blocking(move || -> Result<Vec<u8>, String> {
        let archive = Archive::open(&state.folder).map_err(|error| error.to_string())?;
        let (connection, session) = archive.find(&wanted.id).map_err(|error| error.to_string())?;
        let photos = read::photos(connection, session.id).map_err(|error| error.to_string())?;
        let photo = photos.iter().find(|photo| photo.id == wanted.number).ok_or("the session has no such photo")?;
        PhotoFolder::of(state.folder.path())
            .read(&photo.hash)
            .map_err(|error| format!("the photo can't be read: {}", IoReason(&error)))
    });
    match found.await {
        Ok(Ok(jpeg)) => ([(header::CONTENT_TYPE, "image/jpeg")], jpeg).into_response(),
        Ok(Err(why)) => refused(StatusCode::NOT_FOUND, &why),
        Err(_) => refused(StatusCode::INTERNAL_SERVER_ERROR, "the photo could not be read"),
    }
}
