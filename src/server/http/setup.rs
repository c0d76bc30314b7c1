//! Setting up by form: ports and what fits them, benches, procedures.

use std::{sync::Arc, time::Duration};

use axum::{
    Json, Router,
    extract::{Query, State},
    response::Response,
    routing::{get, post},
};
use serde::Deserialize;
use serde_json::json;

use super::routes::{PageState, by_operator, off_the_loop};
use crate::{
    channel::Bench,
    fitness::{self, BenchFacts},
    io_reason::IoReason,
    port::Address,
    procedure::Procedure,
    protocol::Protocol,
    setup::{
        BenchForm, FileName, FilesOf, MakersFigure, PortCandidate, ProcedureSource, ProtocolSearch, Setup, figures,
        nothing, procedure_list, put_figures,
    },
};

/// How long a port is listened to at each speed.
const LISTENED: Duration = Duration::from_millis(1500);
/// Candidates that are shown.
const MOST_CANDIDATES: usize = 5;

/// What only the operator may do.
pub(super) fn router(state: &PageState) -> Router<PageState> {
    let routes = Router::new()
        .route("/ports", get(ports))
        .route("/ports/listen", post(listen))
        .route("/protocols", get(protocols))
        .route("/bench", get(bench).post(save_bench))
        .route("/bench/check", post(check_bench))
        .route("/bench/use", post(use_bench))
        .route("/procedures", get(procedures))
        .route("/procedure", get(procedure).post(save_procedure));
    by_operator(routes, state)
}

async fn ports(State(state): State<PageState>) -> Json<serde_json::Value> {
    let ports: Vec<_> = state
        .setup
        .ports()
        .into_iter()
        .map(|(address, words)| json!({ "port": address.to_string(), "words": words }))
        .collect();
    Json(json!({ "ok": true, "ports": ports }))
}

/// What is asked of a port that is on the list.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Listen {
    port: String,
    /// Only this speed, where it is known.
    baud: Option<u32>,
    /// Whether the questions of protocols that ask may be sent.
    #[serde(default)]
    ask: bool,
}

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
        let candidates: Vec<_> = found.iter().take(MOST_CANDIDATES).map(candidate).collect();
        Ok(json!({ "ok": true, "candidates": candidates }))
    })
    .await
}

fn candidate(PortCandidate { settings, candidate }: &PortCandidate) -> serde_json::Value {
    let values = candidate.names.iter().zip(&candidate.tells_unit);
    let values: Vec<_> = values.map(|(name, tells)| json!({ "name": name, "tells_unit": tells })).collect();
    json!({
        "protocol": candidate.protocol.name,
        "about": candidate.protocol.about,
        "baud": settings.baud,
        "line": settings.to_string(),
        "explained": candidate.share,
        "clear": candidate.is_clear(),
        "values": values,
        "first": candidate.first,
        "identity": candidate.identity,
    })
}

async fn protocols(State(state): State<PageState>) -> Json<serde_json::Value> {
    let line = |protocol: &Arc<Protocol>| json!({ "name": protocol.name, "about": protocol.about, "values": protocol.value_names() });
    let protocols: Vec<_> = state.setup.protocols().iter().map(line).collect();
    Json(json!({ "ok": true, "protocols": protocols }))
}

/// A bench by name; without one the bench that is in use, as far as it has a file.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Named {
    name: Option<FileName>,
}

async fn bench(State(state): State<PageState>, Query(asked): Query<Named>) -> Response {
    let setup = state.setup.clone();
    let in_use = state.bench.clone();
    off_the_loop(move || {
        let text = match &asked.name {
            Some(name) => setup.files.read(FilesOf::Benches, name).map_err(|error| unreadable(name, &error))?,
            None => in_use.to_string(),
        };
        let form = BenchForm::of(&text).map_err(|error| error.to_string())?;
        let names: Vec<_> = setup.files.list(FilesOf::Benches).iter().map(|name| name.as_str().to_owned()).collect();
        Ok(json!({ "ok": true, "benches": names, "form": form, "text": text }))
    })
    .await
}

fn unreadable(name: &FileName, error: &std::io::Error) -> String {
    format!("\"{}\" can't be read: {}", name.as_str(), IoReason(error))
}

/// What was filled in, and what it is to be called.
#[derive(Deserialize)]
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
        Ok(json!({ "ok": true, "text": text, "sentences": sentences }))
    })
    .await
}

async fn save_bench(State(state): State<PageState>, Json(asked): Json<FilledIn>) -> Response {
    let (setup, in_use) = (state.setup.clone(), state.bench.clone());
    off_the_loop(move || {
        let name = asked.name.ok_or("give the bench a name")?;
        let (_, text) = bench_of(&setup, &in_use, asked.form)?;
        let path = setup.files.write(FilesOf::Benches, &name, &text, asked.replace);
        let path = path.map_err(|error| format!("the bench is not saved: {}", IoReason(&error)))?;
        Ok(json!({ "ok": true, "file": path.display().to_string() }))
    })
    .await
}

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
        Ok(json!({ "ok": true }))
    })
    .await
}

async fn procedures(State(state): State<PageState>) -> Response {
    let setup = state.setup.clone();
    off_the_loop(move || Ok(json!({ "ok": true, "procedures": procedure_list(&setup.files) }))).await
}

/// Which procedure.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Chosen {
    name: FileName,
    #[serde(default)]
    own: bool,
}

async fn procedure(State(state): State<PageState>, Query(chosen): Query<Chosen>) -> Response {
    let setup = state.setup.clone();
    off_the_loop(move || {
        let source = ProcedureSource { name: chosen.name, own: chosen.own };
        let text = source.text(&setup.files).map_err(|error| unreadable(&source.name, &error))?;
        let read = Procedure::parse(source.name.as_str(), &text).map_err(|mistake| mistake.to_string())?;
        let figures = figures(&text).map_err(|error| error.to_string())?;
        let asks_for_temperature = read.asks_for_temperature();
        Ok(json!({
            "ok": true, "title": read.title, "caution": read.caution, "steps": read.steps.len(), "text": text,
            "figures": figures, "asks_for_temperature": asks_for_temperature,
        }))
    })
    .await
}

/// A copy with the maker's figures.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct OwnCopy {
    of: ProcedureSource,
    name: FileName,
    #[serde(default)]
    replace: bool,
    figures: Vec<MakersFigure>,
}

async fn save_procedure(State(state): State<PageState>, Json(copy): Json<OwnCopy>) -> Response {
    let setup = state.setup.clone();
    off_the_loop(move || {
        let text = copy.of.text(&setup.files).map_err(|error| unreadable(&copy.of.name, &error))?;
        let text = put_figures(copy.name.as_str(), &text, &copy.figures).map_err(|error| error.to_string())?;
        let path = setup.files.write(FilesOf::Procedures, &copy.name, &text, copy.replace);
        let path = path.map_err(|error| format!("the procedure is not saved: {}", IoReason(&error)))?;
        Ok(json!({ "ok": true, "file": path.display().to_string() }))
    })
    .await
}
