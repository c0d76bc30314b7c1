//! What can be asked for: the page's own files, the state, the ledger, the news as a stream, and the operator's requests.

use std::{convert::Infallible, sync::Arc, time::Duration};

use axum::{
    Json, Router,
    extract::{DefaultBodyLimit, Request as HttpRequest, State},
    http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header},
    middleware::{self, Next},
    response::{
        IntoResponse, Response,
        sse::{Event, KeepAlive, Sse},
    },
    routing::{get, post},
};
use futures_util::{Stream, StreamExt, stream};
use serde::Deserialize;
use tokio::sync::{broadcast::error::RecvError, mpsc, oneshot};
use tokio_util::sync::CancellationToken;

use super::{access::Access, log::NewsLog};
use crate::{
    export::ledger_json,
    server::{Answer, PendingRequest, Request},
    store::{Folder, read::Archive},
};

/// The largest body: a procedure file travels in one.
const LARGEST_BODY: usize = 1 << 20;
/// How long a wrong token waits for its answer.
const WRONG_TOKEN_DELAY: Duration = Duration::from_millis(500);
/// A line on an idle stream, so that a page notices a lost connection.
const KEEP_ALIVE: Duration = Duration::from_secs(5);

/// Nothing but the page's own files runs or is fetched, and no other page may frame it.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self'; \
                      base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// What the routes share.
#[derive(Debug, Clone)]
pub(super) struct PageState {
    pub access: Arc<Access>,
    /// To the daemon's event loop.
    pub requests: mpsc::Sender<PendingRequest>,
    pub log: NewsLog,
    pub folder: Folder,
    /// Ends every stream.
    pub stop: CancellationToken,
}

/// All routes behind their guards.
pub(super) fn router(state: PageState) -> Router {
    let paired = Router::new()
        .route("/status", get(status))
        .route("/ledger", get(ledger))
        .route("/news", get(news))
        .route("/do", post(ask))
        .route_layer(middleware::from_fn_with_state(state.clone(), must_be_paired));
    Router::new()
        .route("/", get(|| own_file("text/html; charset=utf-8", include_str!("../page/index.html"))))
        .route("/page.css", get(|| own_file("text/css; charset=utf-8", include_str!("../page/page.css"))))
        .route("/page.js", get(|| own_file("text/javascript; charset=utf-8", include_str!("../page/page.js"))))
        .route("/voice.js", get(|| own_file("text/javascript; charset=utf-8", include_str!("../page/voice.js"))))
        .route("/draw.js", get(|| own_file("text/javascript; charset=utf-8", include_str!("../page/draw.js"))))
        .route("/icon.svg", get(|| own_file("image/svg+xml", include_str!("../page/icon.svg"))))
        .route("/pair", post(pair))
        .merge(paired)
        .layer(DefaultBodyLimit::max(LARGEST_BODY))
        .layer(middleware::from_fn_with_state(state.clone(), guard))
        .with_state(state)
}

async fn own_file(kind: &'static str, text: &'static str) -> impl IntoResponse {
    ([(header::CONTENT_TYPE, kind)], text)
}

/// Refuses what is not meant for this server or comes from another site, and adds the headers of every answer.
async fn guard(State(state): State<PageState>, request: HttpRequest, next: Next) -> Response {
    let headers = request.headers();
    let asks_only = matches!(*request.method(), Method::GET | Method::HEAD);
    let mut response = if !state.access.is_host(headers) {
        refused(
            StatusCode::MISDIRECTED_REQUEST,
            "this server has another name; open the address that `bayline run` printed",
        )
    } else if !asks_only && !state.access.is_origin(headers) {
        refused(StatusCode::FORBIDDEN, "only the page itself may ask for this")
    } else {
        next.run(request).await
    };
    let always = [
        (header::CONTENT_SECURITY_POLICY, POLICY),
        (header::CACHE_CONTROL, "no-store"),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "no-referrer"),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
        (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
    ];
    for (name, value) in always {
        response.headers_mut().insert(name, HeaderValue::from_static(value));
    }
    response
}

async fn must_be_paired(State(state): State<PageState>, request: HttpRequest, next: Next) -> Response {
    if state.access.is_paired(request.headers()) {
        next.run(request).await
    } else {
        refused(
            StatusCode::UNAUTHORIZED,
            "open the address that `bayline run` printed, with all that stands behind the #",
        )
    }
}

fn refused(status: StatusCode, why: &str) -> Response {
    (status, Json(Answer::refused(why))).into_response()
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Pairing {
    token: String,
}

async fn pair(State(state): State<PageState>, Json(pairing): Json<Pairing>) -> Response {
    match state.access.redeem(&pairing.token) {
        Some(cookie) => (StatusCode::OK, [(header::SET_COOKIE, cookie)], Json(Answer::done())).into_response(),
        None => {
            tokio::time::sleep(WRONG_TOKEN_DELAY).await;
            refused(
                StatusCode::FORBIDDEN,
                "the token is not the one of this run; open the address that `bayline run` printed",
            )
        }
    }
}

async fn status(State(state): State<PageState>) -> Json<Answer> {
    Json(send(&state.requests, Request::Status {}).await)
}

async fn ask(State(state): State<PageState>, body: axum::body::Bytes) -> Response {
    match serde_json::from_slice::<Request>(&body) {
        Ok(Request::Watch {}) => refused(StatusCode::BAD_REQUEST, "the news are at /news"),
        Ok(request) => Json(send(&state.requests, request).await).into_response(),
        Err(error) => refused(StatusCode::BAD_REQUEST, &format!("the request can't be read: {error}")),
    }
}

async fn send(requests: &mpsc::Sender<PendingRequest>, request: Request) -> Answer {
    let (answer, answered) = oneshot::channel();
    let stopping = || Answer::refused("the daemon is stopping");
    if requests.send(PendingRequest { request, answer }).await.is_err() {
        return stopping();
    }
    answered.await.unwrap_or_else(|_| stopping())
}

/// The ledger of the newest session, as `show last --json` prints it.
async fn ledger(State(state): State<PageState>) -> Response {
    let read = tokio::task::spawn_blocking(move || -> Result<Vec<u8>, String> {
        let archive = Archive::open(&state.folder).map_err(|error| error.to_string())?;
        let (connection, session) = archive.find("last").map_err(|error| error.to_string())?;
        let mut json = Vec::new();
        ledger_json(connection, &session, &mut json).map_err(|error| error.to_string())?;
        Ok(json)
    });
    match read.await {
        Ok(Ok(json)) => ([(header::CONTENT_TYPE, "application/json")], json).into_response(),
        Ok(Err(why)) => refused(StatusCode::SERVICE_UNAVAILABLE, &why),
        Err(_) => refused(StatusCode::INTERNAL_SERVER_ERROR, "the ledger could not be read"),
    }
}

/// The news as server-sent events with numbers (WHATWG HTML, 9.2); a page that comes back gets what it missed.
async fn news(State(state): State<PageState>, headers: HeaderMap) -> impl IntoResponse {
    let last_seen = headers.get("last-event-id").and_then(|id| id.to_str().ok()?.parse().ok());
    Sse::new(stream_since(&state, last_seen)).keep_alive(KeepAlive::new().interval(KEEP_ALIVE))
}

fn stream_since(state: &PageState, last_seen: Option<u64>) -> impl Stream<Item = Result<Event, Infallible>> + use<> {
    let (missed, fresh) = state.log.since(last_seen);
    let event = |(number, line): (u64, Arc<str>)| Ok(Event::default().id(number.to_string()).data(&*line));
    let fresh = stream::unfold(fresh, move |mut fresh| async move {
        match fresh.recv().await {
            Ok(news) => Some((event(news), fresh)),
            // The page reads the state anew.
            Err(RecvError::Lagged(_)) => Some((Ok(Event::default().event("missed").data("")), fresh)),
            Err(RecvError::Closed) => None,
        }
    });
    stream::iter(missed.into_iter().map(event)).chain(fresh).take_until(state.stop.clone().cancelled_owned())
}
