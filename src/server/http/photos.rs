//! Photos of the visit: taken in from the page, and shown on it.

use axum::{
    Json, Router,
    body::Bytes,
    extract::{DefaultBodyLimit, Query, State},
    http::{StatusCode, header},
    response::{IntoResponse, Response},
    routing::{get, post},
};
use serde::Deserialize;

use super::routes::{PageState, by_operator, refused, send, with_words};
use crate::{
    io_reason::IoReason,
    photo::{LARGEST_PHOTO, PhotoFolder, PhotoKept, PreparedPhoto, redrawn},
    server::{Answer, Request},
    store::read::{self, Archive},
};

/// Photos come from the operator.
pub(super) fn sending(state: &PageState) -> Router<PageState> {
    let routes = Router::new().route("/photo", post(take_in)).layer(DefaultBodyLimit::max(LARGEST_PHOTO));
    by_operator(routes, state)
}

/// Photos are seen by everyone who is paired.
pub(super) fn looking() -> Router<PageState> {
    Router::new().route("/session/photo", get(show))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Caption {
    #[serde(default)]
    text: String,
}

async fn take_in(State(state): State<PageState>, Query(caption): Query<Caption>, body: Bytes) -> Response {
    // A photo that is being read needs some hundred megabytes: one after the other.
    let _one_by_one = state.photographing.lock().await;
    let photos = PhotoFolder::of(state.folder.path());
    let folder = photos.clone();
    let prepared = tokio::task::spawn_blocking(move || -> Result<(PreparedPhoto, PhotoKept), String> {
        let prepared = redrawn(&body, &caption.text).map_err(|error| error.to_string())?;
        let kept = folder.keep(&prepared).map_err(|error| format!("the photo can't be kept: {}", IoReason(&error)))?;
        Ok((prepared, kept))
    });
    let (prepared, kept) = match prepared.await {
        Ok(Ok(prepared)) => prepared,
        Ok(Err(why)) => return Json(with_words(Answer::refused(why))).into_response(),
        Err(_) => return refused(StatusCode::INTERNAL_SERVER_ERROR, "the photo could not be read"),
    };
    let hash = prepared.photo.hash.clone();
    let answer = send(&state.requests, Request::Photo(Box::new(prepared.photo))).await;
    if !answer.ok && kept == PhotoKept::New {
        photos.forget(&hash);
    }
    Json(with_words(answer)).into_response()
}

/// A photo by its number in the list of its session.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WantedPhoto {
    id: String,
    number: i64,
}

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
