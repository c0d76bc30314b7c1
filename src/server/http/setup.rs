//! Setting up by form: here ports and what fits them, then `bench` and `procedures`.

mod bench;
mod procedures;

use std::{io, path::Path, sync::Arc, time::Duration};

use axum::{Json, extract::State, response::Response};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::routes::{Done, PageState, off_the_loop};
use crate::{
    io_reason::IoReason,
    port::Address,
    protocol::Protocol,
    setup::{FileName, PortCandidate, ProtocolSearch, why_no_protocol},
};

/// How long a port is listened to at each speed.
const LISTENED: Duration = Duration::from_millis(1500);
/// Candidates that are shown.
const MOST_CANDIDATES: usize = 5;

/// What only the operator may do.
pub(super) fn router() -> OpenApiRouter<PageState> {
    OpenApiRouter::new()
        .routes(routes!(ports))
        .routes(routes!(listen))
        .routes(routes!(protocols))
        .merge(bench::router())
        .merge(procedures::router())
}

/// What is plugged in.
#[derive(Serialize, ToSchema)]
struct PortsFound {
    ports: Vec<PortLine>,
}

/// A port.
#[derive(Serialize, ToSchema)]
struct PortLine {
    /// Its address, as a bench file has it.
    port: String,
    /// What the system knows of what is plugged in.
    words: String,
}

/// The ports that are there
#[utoipa::path(get, path = "/ports", responses((status = OK, body = Done<PortsFound>)))]
async fn ports(State(state): State<PageState>) -> Response {
    let setup = state.setup.clone();
    off_the_loop(move || {
        let lines = setup.ports().into_iter().map(|(address, words)| PortLine { port: address.to_string(), words });
        Ok(PortsFound { ports: lines.collect() })
    })
    .await
}

/// What is asked of a port that is on the list.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct ListenRequest {
    port: String,
    /// Only this speed, where it is known.
    baud: Option<u32>,
    /// Whether the questions of protocols that ask may be sent.
    #[serde(default)]
    ask: bool,
}

/// What was made of what came through a port, the best first.
#[derive(Serialize, ToSchema)]
struct CandidatesFound {
    candidates: Vec<CandidateLine>,
}

/// A protocol that explains what came.
#[derive(Serialize, ToSchema)]
struct CandidateLine {
    protocol: String,
    about: String,
    baud: u32,
    /// Speed, bits and lines of the port, in words.
    line: String,
    /// Share of the bytes that it explains, 0 to 1.
    explained: f64,
    /// Whether there is no reason to doubt it.
    clear: bool,
    values: Vec<CandidateValue>,
    /// The first readings, to be compared with the display.
    first: Vec<String>,
    /// How the meter calls itself.
    identity: Option<String>,
}

/// A value in the meter's frames.
#[derive(Serialize, ToSchema)]
struct CandidateValue {
    name: String,
    /// Whether the frames give what is measured.
    tells_unit: bool,
}

/// Listen to a port that is on the list, and find out which protocol fits
#[utoipa::path(post, path = "/ports/listen", request_body = ListenRequest, responses((status = OK, body = Done<CandidatesFound>)))]
async fn listen(State(state): State<PageState>, Json(asked): Json<ListenRequest>) -> Response {
    let setup = state.setup.clone();
    off_the_loop(move || {
        // ChosenProcedure from the list, never opened by a name that was sent.
        let listed = setup.ports().into_iter().map(|(address, _)| address);
        let Some(address) = listed.into_iter().find(|address| address.to_string() == asked.port) else {
            return Err(format!("there is no port \"{}\" any more; look at the list again", asked.port));
        };
        if matches!(address, Address::Hid(_)) {
            return Err(
                "listening alone does not show what a HID cable carries; choose the meter's protocol".to_owned()
            );
        }
        let Ok(_searching) = setup.searching.try_lock() else {
            return Err("another port is being listened to; try again in a moment".to_owned());
        };
        let search = ProtocolSearch {
            address: &address,
            baud: asked.baud,
            cable: None,
            length: LISTENED,
            ask: asked.ask,
            waiting: |_, _| {},
        };
        let (found, received) = search.run(&setup.protocols()).map_err(|error| error.to_string())?;
        if found.is_empty() {
            return Err(why_no_protocol(&address, &received));
        }
        Ok(CandidatesFound { candidates: found.iter().take(MOST_CANDIDATES).map(candidate).collect() })
    })
    .await
}

fn candidate(PortCandidate { settings, candidate }: &PortCandidate) -> CandidateLine {
    let values = candidate.names.iter().zip(&candidate.tells_unit);
    CandidateLine {
        protocol: candidate.protocol.name.clone(),
        about: candidate.protocol.about.clone(),
        baud: settings.baud,
        line: settings.to_string(),
        explained: candidate.share,
        clear: candidate.is_clear(),
        values: values.map(|(name, tells)| CandidateValue { name: name.clone(), tells_unit: *tells }).collect(),
        first: candidate.first.clone(),
        identity: candidate.identity.clone(),
    }
}

/// All protocols.
#[derive(Serialize, ToSchema)]
struct ProtocolsFound {
    protocols: Vec<ProtocolLine>,
}

/// A protocol.
#[derive(Serialize, ToSchema)]
struct ProtocolLine {
    name: String,
    about: String,
    /// The names of its values; none where the meter names them.
    values: Option<Vec<String>>,
}

/// The protocols that bayline knows
#[utoipa::path(get, path = "/protocols", responses((status = OK, body = Done<ProtocolsFound>)))]
async fn protocols(State(state): State<PageState>) -> Response {
    let setup = state.setup.clone();
    off_the_loop(move || {
        let line = |protocol: &Arc<Protocol>| ProtocolLine {
            name: protocol.name.clone(),
            about: protocol.about.clone(),
            values: protocol.value_names().map(<[String]>::to_vec),
        };
        Ok(ProtocolsFound { protocols: setup.protocols().iter().map(line).collect() })
    })
    .await
}

/// Where it was saved.
#[derive(Serialize, ToSchema)]
struct Saved {
    file: String,
}

/// Where it was saved, or why it was not.
fn saved(what: &str, path: io::Result<impl AsRef<Path>>) -> Result<Saved, String> {
    match path {
        Ok(path) => Ok(Saved { file: path.as_ref().display().to_string() }),
        Err(error) => Err(format!("the {what} is not saved: {}", IoReason(&error))),
    }
}

fn unreadable(name: &FileName, error: &io::Error) -> String {
    format!("\"{}\" can't be read: {}", name.as_str(), IoReason(error))
}
