//! Procedures to choose, and copies of them with the maker's figures.

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
    procedure::Procedure,
    setup::{FileName, FilesOf, MakersFigure, ProcedureLine, ProcedureSource, figures, procedure_list, put_figures},
};

pub(super) fn router() -> OpenApiRouter<PageState> {
    OpenApiRouter::new().routes(routes!(procedures)).routes(routes!(procedure, save_procedure))
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
struct ChosenProcedure {
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
#[utoipa::path(get, path = "/procedure", params(ChosenProcedure), responses((status = OK, body = Done<ProcedureFound>)))]
async fn procedure(State(state): State<PageState>, Query(chosen): Query<ChosenProcedure>) -> Response {
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
struct ProcedureCopy {
    of: ProcedureSource,
    name: FileName,
    #[serde(default)]
    replace: bool,
    figures: Vec<MakersFigure>,
}

/// Save a copy of a procedure with the maker's figures
#[utoipa::path(post, path = "/procedure", request_body = ProcedureCopy, responses((status = OK, body = Done<Saved>)))]
async fn save_procedure(State(state): State<PageState>, Json(copy): Json<ProcedureCopy>) -> Response {
    let setup = state.setup.clone();
    off_the_loop(move || {
        let text = copy.of.text(&setup.files).map_err(|error| unreadable(&copy.of.name, &error))?;
        let text = put_figures(copy.name.as_str(), &text, &copy.figures).map_err(|error| error.to_string())?;
        saved("procedure", setup.files.write(FilesOf::Procedures, &copy.name, &text, copy.replace))
    })
    .await
}
