//! Setting up by form: ports and what fits them, benches, procedures.

use std::{sync::Arc, time::Duration};

use axum::{
    Json,
    extract::{Query, State},
    response::Response,
};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use super::routes::{Done, PageState, off_the_loop};
use crate::server::Answer;
use crate::{
    channel::Bench,
    fitness::{self, BenchFacts},
    io_reason::IoReason,
    port::Address,
    procedure::Procedure,
    protocol::Protocol,
    setup::{
        BenchForm, FileName, FilesOf, MakersFigure, PortCandidate, ProcedureLine, ProcedureSource, ProtocolSearch,
        Setup, figures, nothing, procedure_list, put_figures,
    },
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
        .routes(routes!(bench, save_bench))
        .routes(routes!(check_bench))
        .routes(routes!(use_bench))
        .routes(routes!(procedures))
        .routes(routes!(procedure, save_procedure))
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
struct Listen {
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
#[utoipa::path(post, path = "/ports/listen", request_body = Listen, responses((status = OK, body = Done<CandidatesFound>)))]
async fn listen(State(state): State<PageState>, Json(asked): Json<Listen>) -> Response {
    let setup = state.setup.clone();
    off_the_loop(move || {
        // Chosen from the list, never opened by a name that was sent.
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
            return Err("another port is being listened to; again in a moment".to_owned());
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
            return Err(nothing(&address, &received));
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

/// A bench by name; without one the bench that is in use, as far as it has a file.
#[derive(Deserialize, IntoParams, ToSchema)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct Named {
    /// The bench; not given, the one that is in use.
    #[param(value_type = Option<String>)]
    name: Option<FileName>,
}

/// A bench as form and as file.
#[derive(Serialize, ToSchema)]
struct BenchFound {
    /// The names of all that are saved.
    benches: Vec<String>,
    form: BenchForm,
    text: String,
}

/// A bench as form and as file
#[utoipa::path(get, path = "/bench", params(Named), responses((status = OK, body = Done<BenchFound>)))]
async fn bench(State(state): State<PageState>, Query(asked): Query<Named>) -> Response {
    let setup = state.setup.clone();
    let in_use = state.bench.clone();
    off_the_loop(move || {
        let text = match &asked.name {
            Some(name) => setup.files.read(FilesOf::Benches, name).map_err(|error| unreadable(name, &error))?,
            None => in_use.to_string(),
        };
        let form = BenchForm::of(&text).map_err(|error| error.to_string())?;
        let benches = setup.files.list(FilesOf::Benches).iter().map(|name| name.as_str().to_owned()).collect();
        Ok(BenchFound { benches, form, text })
    })
    .await
}

fn unreadable(name: &FileName, error: &std::io::Error) -> String {
    format!("\"{}\" can't be read: {}", name.as_str(), IoReason(error))
}

/// What was filled in, and what it is to be called.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct FilledIn {
    form: BenchForm,
    name: Option<FileName>,
    /// Whether a file of this name is replaced.
    #[serde(default)]
    replace: bool,
    /// What it is to be checked for.
    procedure: Option<ProcedureSource>,
}

/// The bench of a form, and its file. Its ports are those of the list, and those that the bench in use has already.
fn bench_of(setup: &Setup, in_use: &str, form: BenchForm) -> Result<(Bench, String), String> {
    let listed: Vec<String> = setup.ports().into_iter().map(|(address, _)| address.to_string()).collect();
    let used = BenchForm::of(in_use).unwrap_or_default();
    if let Some(unknown) =
        form.ports().find(|port| !listed.iter().any(|known| known == port) && !used.ports().any(|known| known == *port))
    {
        return Err(format!("there is no port \"{unknown}\" in the list; plug it in and look at the list again"));
    }
    let text = form.text().map_err(|error| format!("this can't be written as a file: {error}"))?;
    let bench = Bench::parse("the bench", &text, &setup.library).map_err(|mistake| mistake.to_string())?;
    Ok((bench, text))
}

/// What a bench looks like as a file, and what is to be known of it.
#[derive(Serialize, ToSchema)]
struct BenchChecked {
    text: String,
    sentences: Vec<String>,
}

/// Check a bench by itself and for a procedure, without saving it
#[utoipa::path(post, path = "/bench/check", request_body = FilledIn, responses((status = OK, body = Done<BenchChecked>)))]
async fn check_bench(State(state): State<PageState>, Json(asked): Json<FilledIn>) -> Response {
    let (setup, in_use) = (state.setup.clone(), state.bench.clone());
    off_the_loop(move || {
        let (bench, text) = bench_of(&setup, &in_use, asked.form)?;
        let mut sentences = bench.warnings();
        if let Some(source) = asked.procedure {
            let procedure = source.text(&setup.files).map_err(|error| unreadable(&source.name, &error))?;
            let procedure =
                Procedure::parse(source.name.as_str(), &procedure).map_err(|mistake| mistake.to_string())?;
            if let Some(channels) = bench.channel_names()
                && let Err(mistake) = procedure.check_channels(&channels)
            {
                sentences.push(mistake.to_string());
            }
            let issues = fitness::check(&procedure, &BenchFacts::of(&bench));
            sentences.extend(issues.iter().map(|issue| format!("step \"{}\": {issue}", issue.step)));
        }
        Ok(BenchChecked { text, sentences })
    })
    .await
}

/// Nothing more than that it was done.
#[derive(Serialize, ToSchema)]
struct Nothing {}

/// Where it was saved.
#[derive(Serialize, ToSchema)]
struct Saved {
    file: String,
}

/// Save a bench by its name
#[utoipa::path(post, path = "/bench", request_body = FilledIn, responses((status = OK, body = Done<Saved>)))]
async fn save_bench(State(state): State<PageState>, Json(asked): Json<FilledIn>) -> Response {
    let (setup, in_use) = (state.setup.clone(), state.bench.clone());
    off_the_loop(move || {
        let name = asked.name.ok_or("give the bench a name")?;
        let (_, text) = bench_of(&setup, &in_use, asked.form)?;
        let path = setup.files.write(FilesOf::Benches, &name, &text, asked.replace);
        let path = path.map_err(|error| format!("the bench is not saved: {}", IoReason(&error)))?;
        Ok(Saved { file: path.display().to_string() })
    })
    .await
}

/// Work with a saved bench from now on
#[utoipa::path(post, path = "/bench/use", request_body = Named, responses((status = OK, body = Answer)))]
async fn use_bench(State(state): State<PageState>, Json(asked): Json<Named>) -> Response {
    let setup = state.setup.clone();
    off_the_loop(move || {
        let name = asked.name.ok_or("name the bench")?;
        let path = setup.files.path(FilesOf::Benches, &name).map_err(|error| unreadable(&name, &error))?;
        let bench = Bench::load(&path, &setup.library).map_err(|error| error.to_string())?;
        if bench.meters.is_empty() {
            return Err("the bench has no meter; add one".to_owned());
        }
        setup.choose(bench);
        Ok(Nothing {})
    })
    .await
}

/// The procedures that can be chosen.
#[derive(Serialize, ToSchema)]
struct ProceduresFound {
    procedures: Vec<ProcedureLine>,
}

/// The procedures that can be chosen, the user's own first
#[utoipa::path(get, path = "/procedures", responses((status = OK, body = Done<ProceduresFound>)))]
async fn procedures(State(state): State<PageState>) -> Response {
    let setup = state.setup.clone();
    off_the_loop(move || Ok(ProceduresFound { procedures: procedure_list(&setup.files) })).await
}

#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct Chosen {
    /// The procedure's name.
    #[param(value_type = String)]
    name: FileName,
    /// Whether it is one of the user's own.
    #[serde(default)]
    own: bool,
}

/// A procedure, with the figures that a maker gives.
#[derive(Serialize, ToSchema)]
struct ProcedureFound {
    title: String,
    /// What to mind; empty where the procedure has no caution.
    caution: String,
    steps: usize,
    text: String,
    figures: Vec<MakersFigure>,
    /// Whether a temperature of the part is needed.
    asks_for_temperature: bool,
}

/// A procedure
#[utoipa::path(get, path = "/procedure", params(Chosen), responses((status = OK, body = Done<ProcedureFound>)))]
async fn procedure(State(state): State<PageState>, Query(chosen): Query<Chosen>) -> Response {
    let setup = state.setup.clone();
    off_the_loop(move || {
        let source = ProcedureSource { name: chosen.name, own: chosen.own };
        let text = source.text(&setup.files).map_err(|error| unreadable(&source.name, &error))?;
        let read = Procedure::parse(source.name.as_str(), &text).map_err(|mistake| mistake.to_string())?;
        let figures = figures(&text).map_err(|error| error.to_string())?;
        let asks_for_temperature = read.asks_for_temperature();
        let Procedure { title, caution, steps, .. } = read;
        Ok(ProcedureFound { title, caution, steps: steps.len(), text, figures, asks_for_temperature })
    })
    .await
}

/// A copy with the maker's figures.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct OwnCopy {
    of: ProcedureSource,
    name: FileName,
    #[serde(default)]
    replace: bool,
    figures: Vec<MakersFigure>,
}

/// Save a copy of a procedure with the maker's figures
#[utoipa::path(post, path = "/procedure", request_body = OwnCopy, responses((status = OK, body = Done<Saved>)))]
async fn save_procedure(State(state): State<PageState>, Json(copy): Json<OwnCopy>) -> Response {
    let setup = state.setup.clone();
    off_the_loop(move || {
        let text = copy.of.text(&setup.files).map_err(|error| unreadable(&copy.of.name, &error))?;
        let text = put_figures(copy.name.as_str(), &text, &copy.figures).map_err(|error| error.to_string())?;
        let path = setup.files.write(FilesOf::Procedures, &copy.name, &text, copy.replace);
        let path = path.map_err(|error| format!("the procedure is not saved: {}", IoReason(&error)))?;
        Ok(Saved { file: path.display().to_string() })
    })
    .await
}
