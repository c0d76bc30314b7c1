//! What can be asked for: the page's own files, the state, the ledger, the news as a stream, and the operator's requests.

use std::{convert::Infallible, sync::Arc, time::Duration};

use axum::{
    Extension, Json, Router,
    body::Bytes,
    extract::{DefaultBodyLimit, Request as HttpRequest, State},
    http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header},
    middleware::{self, Next},
    response::{
        IntoResponse, Response,
        sse::{Event, KeepAlive, Sse},
    },
};
use futures_util::{Stream, StreamExt, stream};
use serde::{Deserialize, Serialize};
use tokio::sync::{broadcast::error::RecvError, mpsc, oneshot};
use tokio_util::sync::CancellationToken;
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    access::{Access, Paired},
    download,
    log::NewsLog,
    openapi, own_files, past, photos, setup,
};
use crate::{
    export::Ledger,
    mistake::json_mistake,
    server::{Answer, NewsMessage, PendingRequest, Permission, Request},
    session::Announcement,
    setup::Setup,
    store::{Folder, read::Archive},
};

/// The largest body: a procedure file travels in one.
const LARGEST_BODY: usize = 1 << 20;
/// How long a wrong token waits for its answer.
const WRONG_TOKEN_DELAY: Duration = Duration::from_millis(500);
/// A line on an idle stream, so that a page notices a lost connection.
const KEEP_ALIVE: Duration = Duration::from_secs(5);

/// After so long a page that lost its stream asks for it again.
const COMES_BACK_AFTER: Duration = Duration::from_secs(1);

/// Nothing but the page's own files runs or is fetched, and no other page may frame it.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self'; media-src 'self'; \
                      base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// What the routes share.
#[derive(Debug, Clone)]
pub(super) struct PageState {
    access: Arc<Access>,
    /// To the daemon's event loop.
    pub requests: mpsc::Sender<PendingRequest>,
    log: NewsLog,
    pub folder: Folder,
    pub setup: Arc<Setup>,
    /// The file of the bench that is in use; empty where it has none.
    pub bench: Arc<str>,
    /// Held while a token is compared: wrong ones are answered one after the other.
    pairing: Arc<tokio::sync::Mutex<()>>,
    /// Held while a photo is read: one at a time.
    pub photographing: Arc<tokio::sync::Mutex<()>>,
    /// Ends every stream.
    stop: CancellationToken,
}

impl PageState {
    pub(super) fn new(
        access: Arc<Access>,
        requests: mpsc::Sender<PendingRequest>,
        log: NewsLog,
        folder: Folder,
        (setup, bench): (Arc<Setup>, Arc<str>),
        stop: CancellationToken,
    ) -> Self {
        Self {
            access,
            requests,
            log,
            folder,
            setup,
            bench,
            pairing: Arc::default(),
            photographing: Arc::default(),
            stop,
        }
    }
}

/// The routes by what they need, as the document of the server lists them.
pub(super) struct RouteGroups {
    /// Nothing.
    pub open: OpenApiRouter<PageState>,
    /// A link of any kind.
    pub looking: OpenApiRouter<PageState>,
    /// The permission to operate.
    pub operating: OpenApiRouter<PageState>,
}

impl RouteGroups {
    pub(super) fn new() -> Self {
        let open = OpenApiRouter::new().routes(routes!(pair)).merge(own_files::router());
        let looking = OpenApiRouter::new()
            .routes(routes!(status))
            .routes(routes!(ledger))
            .routes(routes!(news))
            .routes(routes!(ask))
            .routes(routes!(openapi::show))
            .merge(past::router())
            .merge(download::router())
            .merge(photos::looking());
        let operating = setup::router().merge(photos::sending()).merge(past::correcting());
        Self { open, looking, operating }
    }
}

/// All routes behind their guards.
pub(super) fn router(state: PageState) -> Router {
    let RouteGroups { open, looking, operating } = RouteGroups::new();
    let operating = operating.route_layer(middleware::from_fn_with_state(state.clone(), must_operate));
    let paired = looking.merge(operating).route_layer(middleware::from_fn_with_state(state.clone(), must_be_paired));
    Router::from(open.merge(paired))
        .layer(DefaultBodyLimit::max(LARGEST_BODY))
        .layer(middleware::from_fn_with_state(state.clone(), guard))
        .with_state(state)
}

async fn must_operate(Extension(paired): Extension<Paired>, request: HttpRequest, next: Next) -> Response {
    if paired.permission >= Permission::Operate { next.run(request).await } else { only_shows() }
}

fn only_shows() -> Response {
    refused(StatusCode::FORBIDDEN, "this link only shows; the one who works makes another with `bayline page link`")
}

/// What was asked for, beside the word that it was done.
#[derive(Debug, Serialize, ToSchema)]
pub(super) struct Done<T: ToSchema> {
    /// True; where it is false, `error` says why, as in every answer.
    ok: bool,
    #[serde(flatten)]
    what: T,
}

/// Work that reads files or ports, on a thread of its own; a sentence where it can't be done.
pub(super) async fn off_the_loop<T: Serialize + ToSchema + Send + 'static>(
    work: impl FnOnce() -> Result<T, String> + Send + 'static,
) -> Response {
    match tokio::task::spawn_blocking(work).await {
        Ok(Ok(what)) => Json(Done { ok: true, what }).into_response(),
        Ok(Err(why)) => Json(Answer::refused(why)).into_response(),
        Err(_) => {
            refused(StatusCode::INTERNAL_SERVER_ERROR, "this part of bayline failed unexpectedly; the log tells more")
        }
    }
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

async fn must_be_paired(State(state): State<PageState>, mut request: HttpRequest, next: Next) -> Response {
    let Some(paired) = state.access.paired(request.headers()) else {
        return refused(
            StatusCode::UNAUTHORIZED,
            "open the address that `bayline run` or `bayline page link` printed, with all that stands behind the #",
        );
    };
    request.extensions_mut().insert(paired);
    next.run(request).await
}

pub(super) fn refused(status: StatusCode, why: &str) -> Response {
    (status, Json(Answer::refused(why))).into_response()
}

/// A link's token.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct Pairing {
    /// What stands behind the # of the link.
    token: String,
}

/// Redeem a link's token for the cookie that every other request needs
#[utoipa::path(post, path = "/pair", request_body = Pairing, responses((status = OK, body = Answer), (status = FORBIDDEN, body = Answer)))]
async fn pair(State(state): State<PageState>, headers: HeaderMap, Json(pairing): Json<Pairing>) -> Response {
    // Guesses wait for each other, so that many at one time are no faster.
    let _one_by_one = state.pairing.lock().await;
    match state.access.redeem(&pairing.token, &headers) {
        Some(cookie) => (StatusCode::OK, [(header::SET_COOKIE, cookie)], Json(Answer::done())).into_response(),
        None => {
            tokio::time::sleep(WRONG_TOKEN_DELAY).await;
            refused(
                StatusCode::FORBIDDEN,
                "this link is not good any more: it was used, revoked, or is of an earlier run; `bayline page link` makes another",
            )
        }
    }
}

/// The state of the daemon, and what the one who asks may do.
#[derive(Debug, Serialize, ToSchema)]
struct PageStatus {
    #[serde(flatten)]
    answer: Answer,
    permission: Permission,
}

/// The state of the daemon: session, step, readings, meters, alarms, findings
// Who only looks on gets no link that lets others in.
#[utoipa::path(get, path = "/status", responses((status = OK, body = PageStatus)))]
async fn status(State(state): State<PageState>, Extension(paired): Extension<Paired>) -> Json<PageStatus> {
    let mut answer = send(&state.requests, Request::Status {}).await;
    if let Some(status) = &mut answer.status {
        status.page = None;
    }
    Json(PageStatus { answer, permission: paired.permission })
}

/// What the operator does: one of the requests of the control socket, without the news, links and photos
#[utoipa::path(post, path = "/do", request_body = Request, responses((status = OK, body = SpokenAnswer), (status = BAD_REQUEST, body = Answer)))]
async fn ask(State(state): State<PageState>, Extension(paired): Extension<Paired>, body: Bytes) -> Response {
    match serde_json::from_slice::<Request>(&body) {
        Ok(request) => match request.permission() {
            None => refused(StatusCode::BAD_REQUEST, "the page can't ask for this; the news are at /news"),
            Some(needed) if paired.permission < needed => only_shows(),
            Some(_) => {
                let ends = matches!(request, Request::End {});
                let answer = send(&state.requests, request.made_by(&format!("page of {}", paired.name))).await;
                if ends && answer.ok {
                    past::judge_by_corrections_of(&state, answer.session.clone().unwrap_or_default()).await;
                }
                Json(SpokenAnswer::from(answer)).into_response()
            }
        },
        Err(error) => refused(StatusCode::BAD_REQUEST, &format!("the request can't be read: {}", json_mistake(&error))),
    }
}

/// The answer, and where it refuses the words that are said of it.
#[derive(Debug, Serialize, ToSchema)]
pub(super) struct SpokenAnswer {
    #[serde(flatten)]
    answer: Answer,
    #[serde(skip_serializing_if = "Option::is_none")]
    spoken: Option<Announcement>,
}

impl From<Answer> for SpokenAnswer {
    fn from(answer: Answer) -> Self {
        let spoken = answer.error.as_deref().map(Announcement::refused);
        Self { answer, spoken }
    }
}

pub(super) async fn send(requests: &mpsc::Sender<PendingRequest>, request: Request) -> Answer {
    let (answer, answered) = oneshot::channel();
    let stopping = || Answer::refused("the daemon is stopping");
    if requests.send(PendingRequest { request, answer }).await.is_err() {
        return stopping();
    }
    answered.await.unwrap_or_else(|_| stopping())
}

/// The ledger of the newest session, as `show last --json` prints it, with each value as a person reads it
#[utoipa::path(get, path = "/ledger", responses((status = OK, body = Ledger), (status = SERVICE_UNAVAILABLE, body = Answer)))]
async fn ledger(State(state): State<PageState>) -> Response {
    let read = tokio::task::spawn_blocking(move || {
        let archive = Archive::open(&state.folder).map_err(|error| error.to_string())?;
        past::ledger_of(&archive, "last")
    });
    match read.await {
        Ok(Ok(ledger)) => Json(ledger).into_response(),
        Ok(Err(why)) => refused(StatusCode::SERVICE_UNAVAILABLE, &why),
        Err(_) => refused(StatusCode::INTERNAL_SERVER_ERROR, "the ledger could not be read"),
    }
}

/// The news as server-sent events with numbers (WHATWG HTML, 9.2)
///
/// Who comes back with `last-event-id` gets what was missed, and first of all `missed` where not all of it is kept any more.
#[utoipa::path(
    get, path = "/news",
    params(("last-event-id" = Option<u64>, Header, description = "The number of the newest event that was received")),
    responses((status = OK, body = NewsMessage, content_type = "text/event-stream", description = "Each event's data is one of these"))
)]
async fn news(
    State(state): State<PageState>,
    Extension(paired): Extension<Paired>,
    headers: HeaderMap,
) -> impl IntoResponse {
    let last_seen = headers.get("last-event-id").and_then(|id| id.to_str().ok()?.parse().ok());
    Sse::new(stream_since(&state, last_seen).take_until(paired.revoked.cancelled_owned()))
        .keep_alive(KeepAlive::new().interval(KEEP_ALIVE))
}

/// The stream of one page. A reader that is slower than its queue is dropped, and resumes by what is kept for it.
fn stream_since(state: &PageState, last_seen: Option<u64>) -> impl Stream<Item = Result<Event, Infallible>> + use<> {
    let (missed, fresh) = state.log.since(last_seen);
    let event = |(number, line): (u64, Arc<str>)| Ok(Event::default().id(number.to_string()).data(&*line));
    let fresh = stream::unfold(fresh, move |mut fresh| async move {
        match fresh.recv().await {
            Ok(news) => Some((event(news), fresh)),
            Err(RecvError::Lagged(_) | RecvError::Closed) => None,
        }
    });
    stream::once(async { Ok(Event::default().retry(COMES_BACK_AFTER)) })
        .chain(stream::iter(missed.into_iter().map(event)))
        .chain(fresh)
        .take_until(state.stop.clone().cancelled_owned())
}
