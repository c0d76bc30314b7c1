//! Benches by form: read, checked, saved and chosen.

use axum::{
    Json,
    extract::{Query, State},
    response::Response,
};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{Done, PageState, Saved, off_the_loop, saved, unreadable};
use crate::{
    channel::Bench,
    fitness::{self, BenchFacts},
    procedure::Procedure,
    server::Answer,
    setup::{BenchForm, FileName, FilesOf, ProcedureSource, Setup},
};

pub(super) fn router() -> OpenApiRouter<PageState> {
    OpenApiRouter::new().routes(routes!(bench, save_bench)).routes(routes!(check_bench)).routes(routes!(use_bench))
}

/// A bench by name; without one the bench that is in use, as far as it has a file.
#[derive(Deserialize, IntoParams, ToSchema)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct BenchName {
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
#[utoipa::path(get, path = "/bench", params(BenchName), responses((status = OK, body = Done<BenchFound>)))]
async fn bench(State(state): State<PageState>, Query(asked): Query<BenchName>) -> Response {
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

/// What was filled in, and what it is to be called.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct FilledBench {
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
#[utoipa::path(post, path = "/bench/check", request_body = FilledBench, responses((status = OK, body = Done<BenchChecked>)))]
async fn check_bench(State(state): State<PageState>, Json(asked): Json<FilledBench>) -> Response {
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

/// Save a bench by its name
#[utoipa::path(post, path = "/bench", request_body = FilledBench, responses((status = OK, body = Done<Saved>)))]
async fn save_bench(State(state): State<PageState>, Json(asked): Json<FilledBench>) -> Response {
    let (setup, in_use) = (state.setup.clone(), state.bench.clone());
    off_the_loop(move || {
        let name = asked.name.ok_or("give the bench a name")?;
        let (_, text) = bench_of(&setup, &in_use, asked.form)?;
        saved("bench", setup.files.write(FilesOf::Benches, &name, &text, asked.replace))
    })
    .await
}

/// Work with a saved bench from now on
#[utoipa::path(post, path = "/bench/use", request_body = BenchName, responses((status = OK, body = Answer)))]
async fn use_bench(State(state): State<PageState>, Json(asked): Json<BenchName>) -> Response {
    let setup = state.setup.clone();
    off_the_loop(move || {
        let name = asked.name.ok_or("name the bench")?;
        let path = setup.files.path(FilesOf::Benches, &name).map_err(|error| unreadable(&name, &error))?;
        let bench = Bench::load(&path, &setup.library).map_err(|error| error.to_string())?;
        if bench.meters.is_empty() {
            return Err("the bench has no meter; add one".to_owned());
        }
        setup.choose(bench);
        Ok(NoDetails {})
    })
    .await
}

/// Nothing more than that it was done.
#[derive(Serialize, ToSchema)]
struct NoDetails {}
