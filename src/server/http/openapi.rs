//! The document of the server by OpenAPI 3.1. It is made of the routes and of the types that travel, so that it can't tell
//! anything else.

use axum::Json;
use serde_json::Value;
use utoipa::openapi::{
    Content, InfoBuilder, OpenApi, Ref, RefOr, Response, ResponseBuilder, Schema,
    path::{Operation, PathItem},
    schema::AnyOfBuilder,
    security::{ApiKey, ApiKeyValue, SecurityRequirement, SecurityScheme},
};

use super::routes::RouteGroups;
use crate::{channel::BENCH_SCHEMA, server::Permission, words::EnumWord};

/// The one way in, as the document calls it.
const LINK: &str = "link";
/// Its cookie, at the port that the page has usually.
const COOKIE: &str = "bayline-4780";

const ABOUT: &str = "What the live page asks for. A link's token is redeemed at `/pair` for a cookie, which every other request needs; its name \
    ends in the port of this computer's page. A request names the server by a bare address or `localhost`, and one that changes \
    something carries its origin. Answers have `ok`; where it is false, `error` says why in one sentence.";

/// The form of a bench, as the document calls it.
const BENCH_FORM: &str = "BenchForm";

/// All requests with what they need and what they answer. A bench has the keys of its file, whose schema is there already.
pub(crate) fn document() -> Value {
    let mut document = serde_json::to_value(routes_and_types()).expect("it is made of texts and lists");
    let place = format!("#/components/schemas/{BENCH_FORM}/$defs/");
    let schema = BENCH_SCHEMA.replace("#/$defs/", &place);
    let mut schema: Value = serde_json::from_str(&schema).expect("a test reads the schema of bench files");
    // All schemas of the document are of the same kind.
    schema.as_object_mut().and_then(|schema| schema.remove("$schema"));
    document["components"]["schemas"][BENCH_FORM] = schema;
    document
}

fn routes_and_types() -> OpenApi {
    let RouteGroups { open, looking, operating } = RouteGroups::new();
    let mut document = open.into_openapi();
    document.info = InfoBuilder::new()
        .title("bayline")
        .version(env!("CARGO_PKG_VERSION"))
        .description(Some(ABOUT))
        .license(Some(
            utoipa::openapi::LicenseBuilder::new()
                .name(env!("CARGO_PKG_LICENSE"))
                .identifier(Some(env!("CARGO_PKG_LICENSE")))
                .build(),
        ))
        .build();
    for (group, permission) in [(looking, Permission::Look), (operating, Permission::Operate)] {
        let mut part = group.into_openapi();
        for operation in part.paths.paths.values_mut().flat_map(operations) {
            operation.tags = Some(vec![permission.word().to_owned()]);
            operation.security = Some(vec![SecurityRequirement::new::<_, [&str; 0], _>(LINK, [])]);
            document_refusals(operation, permission);
        }
        document.merge(part);
    }
    for operation in document.paths.paths.values_mut().flat_map(operations) {
        for (status, answer) in &mut operation.responses.responses {
            let RefOr::T(answer) = answer else { continue };
            if answer.description.is_empty() {
                answer.description = meaning(status).to_owned();
            }
            may_be_refused(answer);
        }
    }
    let cookie = ApiKeyValue::with_description(COOKIE, "Its name ends in the port of this computer's page.");
    document
        .components
        .get_or_insert_default()
        .add_security_scheme(LINK, SecurityScheme::ApiKey(ApiKey::Cookie(cookie)));
    document
}

fn operations(item: &mut PathItem) -> impl Iterator<Item = &mut Operation> {
    [&mut item.get, &mut item.post].into_iter().flatten()
}

fn answer_schema() -> RefOr<Schema> {
    Ref::from_schema_name("Answer").into()
}

/// What the guards answer before a request comes to its route.
fn document_refusals(operation: &mut Operation, permission: Permission) {
    let refusals = [
        ("401", "The cookie is missing, or its link was revoked"),
        ("421", "The request names another server"),
        ("403", "The link only shows"),
    ];
    let count = if permission == Permission::Operate { 3 } else { 2 };
    for (status, why) in refusals.into_iter().take(count) {
        let content = Content::new(Some(answer_schema()));
        let refusal = ResponseBuilder::new().description(why).content("application/json", content);
        operation.responses.responses.entry(status.to_owned()).or_insert_with(|| refusal.into());
    }
}

/// What a status means where the route says no more of it.
fn meaning(status: &str) -> &'static str {
    match status {
        "200" => "What was asked for, or a refusal with its reason",
        "400" => "The request can't be read",
        "403" => "The token is not good",
        "404" => "There is no such thing",
        _ => "It can't be read now",
    }
}

/// Every answer by JSON may be a refusal instead.
fn may_be_refused(answer: &mut Response) {
    let Some(RefOr::T(content)) = answer.content.get_mut("application/json") else { return };
    let Some(schema) = content.schema.take() else { return };
    content.schema = Some(match schema {
        answer if answer == answer_schema() => answer,
        schema => AnyOfBuilder::new().item(schema).item(answer_schema()).into(),
    });
}

/// The document of this server
#[utoipa::path(
    get, path = "/openapi.json",
    responses((status = OK, body = HashMap<String, serde_json::Value>, description = "A document of OpenAPI 3.1"))
)]
pub(super) async fn show() -> Json<Value> {
    Json(document())
}
