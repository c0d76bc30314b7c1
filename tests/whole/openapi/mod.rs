//! Proves that the OpenAPI document of the page's server is valid, that the program prints what the server serves, that every route
//! and every request of the page stands in it with the permission that it needs, and that real answers are as it says.
//!
//! Outside: the schema of OpenAPI 3.1 of 2022-10-07 by the OpenAPI Initiative (Apache-2.0), in `oas-3.1.schema.json` as it was
//! published, and that of JSON Schema 2020-12, which the crate `jsonschema` has.

use std::collections::BTreeSet;

use regex::Regex;
use serde_json::{Value, json};

use crate::{
    harness::{Bay, Display, HANDHELD},
    page::Page,
};

mod ledger;

const NONE: Value = Value::Null;

fn printed() -> Value {
    serde_json::from_str(&Bay::new().bayline(["openapi"]).done()).unwrap()
}

/// The document, in which every object has the keys that are named and no others: what an answer has and the document does not is
/// found too. What `allOf` puts together is closed as a whole.
fn closed(document: &Value) -> Value {
    fn close(schema: &mut Value, parts: &[String], is_part: bool) {
        match schema {
            Value::Object(keys) => {
                let is_object = keys.contains_key("properties") || keys.contains_key("allOf");
                for (key, inner) in keys.iter_mut() {
                    match (key.as_str(), inner) {
                        ("allOf", Value::Array(all)) => all.iter_mut().for_each(|part| close(part, parts, true)),
                        ("schemas", Value::Object(named)) => {
                            named.iter_mut().for_each(|(name, inner)| close(inner, parts, parts.contains(name)));
                        }
                        // Properties may have any name, these too.
                        ("properties", Value::Object(named)) => {
                            named.values_mut().for_each(|inner| close(inner, parts, false));
                        }
                        (_, inner) => close(inner, parts, is_part),
                    }
                }
                if is_object && !is_part && !keys.contains_key("additionalProperties") {
                    keys.insert("unevaluatedProperties".to_owned(), json!(false));
                }
            }
            Value::Array(all) => all.iter_mut().for_each(|inner| close(inner, parts, is_part)),
            _ => {}
        }
    }
    let mut parts = Vec::new();
    let text = document.to_string();
    // A part of an `allOf` is an object or a reference: the lists hold no list before a reference.
    let references = Regex::new(r##""#/components/schemas/([^"]+)""##).unwrap();
    for list in Regex::new(r##""allOf":\[([^\[\]]*)"##).unwrap().captures_iter(&text) {
        parts.extend(references.captures_iter(&list[1]).map(|found| found[1].to_owned()));
    }
    let mut document = document.clone();
    close(&mut document, &parts, false);
    document
}

/// An answer is what the document says of this route, and nothing else.
fn check(closed: &Value, method: &str, path: &str, answer: &Value) {
    let schema = &closed["paths"][path][method]["responses"]["200"]["content"]["application/json"]["schema"];
    assert!(schema.is_object(), "{method} {path}");
    let whole = json!({ "allOf": [schema], "components": closed["components"] });
    let validator = jsonschema::validator_for(&whole).unwrap();
    let errors: Vec<String> =
        validator.iter_errors(answer).map(|error| format!("{}: {error}", error.instance_path())).collect();
    assert!(errors.is_empty(), "{method} {path}: {errors:#?}\n{answer:#}");
}

/// Objects whose keys the document does not name.
fn open_objects(document: &Value) -> Vec<String> {
    fn look(schema: &Value, place: &str, found: &mut Vec<String>) {
        if let Value::Object(keys) = schema {
            let is_object = keys.get("type") == Some(&json!("object"));
            if is_object && ["properties", "oneOf", "allOf", "anyOf"].iter().all(|key| !keys.contains_key(*key)) {
                found.push(place.to_owned());
            }
        }
        match schema {
            Value::Object(keys) => keys.iter().for_each(|(key, inner)| look(inner, &format!("{place}/{key}"), found)),
            Value::Array(all) => all.iter().for_each(|inner| look(inner, place, found)),
            _ => {}
        }
    }
    let mut found = Vec::new();
    look(document, "", &mut found);
    found
}

/// Each operation: method, path and what stands there.
fn operations(document: &Value) -> Vec<(&str, &str, &Value)> {
    let paths = document["paths"].as_object().unwrap().iter();
    let operations = paths.flat_map(|(path, item)| {
        item.as_object().unwrap().iter().map(move |(method, operation)| (method.as_str(), path.as_str(), operation))
    });
    operations.collect()
}

#[test]
fn the_document_is_valid() {
    let document = printed();
    let schema: Value = serde_json::from_str(include_str!("oas-3.1.schema.json")).unwrap();
    let validator = jsonschema::validator_for(&schema).unwrap();
    let errors: Vec<String> =
        validator.iter_errors(&document).map(|error| format!("{}: {error}", error.instance_path())).collect();
    assert!(errors.is_empty(), "{errors:#?}");
    // The check can fail.
    let mut wrong = document.clone();
    wrong["info"]["version"] = json!(1);
    assert!(!validator.is_valid(&wrong));
    wrong = document.clone();
    wrong["paths"]["/status"]["get"]["responses"] = json!([]);
    assert!(!validator.is_valid(&wrong));

    for (name, schema) in document["components"]["schemas"].as_object().unwrap() {
        if let Err(error) = jsonschema::draft202012::meta::validate(schema) {
            panic!("{name}: {error}");
        }
    }
    // No answer is open but this document itself, whose keys OpenAPI names, and the HID cable of a bench file.
    let open = open_objects(&document);
    assert_eq!(open.len(), 2, "{open:#?}");
    for part in ["/paths//openapi.json/", "/BenchForm/$defs/meter/properties/hid"] {
        assert!(open.iter().any(|place| place.contains(part)), "{part} is not in {open:#?}");
    }
    // Every reference leads somewhere.
    let text = document.to_string();
    for reference in Regex::new(r##""\$ref":"#(/[^"]+)""##).unwrap().captures_iter(&text) {
        assert!(document.pointer(&reference[1]).is_some(), "{}", &reference[1]);
    }
}

#[test]
fn every_route_and_every_request_of_the_page_stands_there() {
    let document = printed();
    let paths = document["paths"].as_object().unwrap();
    // Routes that are documented are declared by `routes!`; only the page's own files are declared without it.
    let sources = [
        include_str!("../../../src/server/http/routes.rs"),
        include_str!("../../../src/server/http/own_files.rs"),
        include_str!("../../../src/server/http/past.rs"),
        include_str!("../../../src/server/http/photos.rs"),
        include_str!("../../../src/server/http/download.rs"),
        include_str!("../../../src/server/http/setup.rs"),
        include_str!("../../../src/server/http/setup/bench.rs"),
        include_str!("../../../src/server/http/setup/procedures.rs"),
    ];
    let bare: Vec<&str> =
        sources.iter().flat_map(|source| source.lines()).filter(|line| line.contains(".route(")).collect();
    assert!(bare.len() == 2 && bare[0].contains("/awake.webm") && bare[1].contains("own_file"), "{bare:?}");
    let declared = sources.concat().matches("routes!(").count();
    assert!(declared >= 18 && paths.len() >= declared, "{declared} {}", paths.len());

    let scripts = [
        include_str!("../../../src/server/page/page.js"),
        include_str!("../../../src/server/page/acts.js"),
        include_str!("../../../src/server/page/sound.js"),
        include_str!("../../../src/server/page/drive.js"),
        include_str!("../../../src/server/page/common.js"),
        include_str!("../../../src/server/page/setup.js"),
        include_str!("../../../src/server/page/bench.js"),
        include_str!("../../../src/server/page/past.js"),
    ]
    .concat();
    let asked =
        Regex::new(r#"(?:read|post|fetch|EventSource)\(["`](/[a-z/]+)|(?:href|src): `(/[a-z]+/[a-z]+)"#).unwrap();
    let asked: BTreeSet<String> =
        asked.captures_iter(&scripts).map(|found| found.get(1).or(found.get(2)).unwrap().as_str().to_owned()).collect();
    assert!(asked.len() > 12, "{asked:?}");
    for path in &asked {
        assert!(paths.contains_key(path), "{path} is asked by the page");
    }
}

#[test]
fn each_request_is_answered_with_the_permission_that_the_document_names() {
    let bay = Bay::with_bench(HANDHELD);
    let mut daemon = bay.start_with(&["--page", "127.0.0.1:0"]);
    let page = Page::of(&mut daemon);
    let cookie = page.pair();
    let onlooker = daemon.ask(json!({ "do": "link", "name": "class", "onlooker": true }));
    let onlooker = Page::at(onlooker["links"][0]["address"].as_str().unwrap());
    let looks_on = onlooker.pair();
    let document = page.json(&cookie, "GET", "/openapi.json", &NONE);
    assert_eq!(document, printed(), "the server and the program have one document");

    for (method, path, operation) in operations(&document) {
        let method = method.to_uppercase();
        let body = if method == "POST" { json!({}) } else { NONE };
        if path == "/pair" {
            assert!(operation["security"].is_null());
            continue;
        }
        assert_eq!(operation["security"], json!([{ "link": [] }]), "{path}");
        assert_eq!(page.as_page("", &method, path, &body).status, 401, "{method} {path} without a cookie");
        // The stream of news never ends.
        if path == "/news" {
            continue;
        }
        let status = page.as_page(&cookie, &method, path, &body).status;
        assert!(![0, 401, 403, 404, 405].contains(&status), "{method} {path}: {status}");
        let status = onlooker.as_page(&looks_on, &method, path, &body).status;
        assert_eq!(status == 403, operation["tags"] == json!(["operate"]), "{method} {path}: {status}");
    }
    daemon.stop();
}

#[test]
fn answers_are_as_the_document_says() {
    let bay = Bay::with_bench(HANDHELD);
    let procedure = bay.write(
        "p.toml",
        "title = \"t\"\n[[step]]\nname = \"feed\"\nchannel = \"probe\"\nquantity = \"V DC\"\nat_least = \"11.8 V\"\n",
    );
    let probe = Display::of(bay.meter("handheld"), "9.53 V");
    let options = ["--page", "127.0.0.1:0", "--machine", "loader 7", "--procedure", crate::harness::text(&procedure)];
    let mut daemon = bay.start_with(&options);
    let page = Page::of(&mut daemon);
    let cookie = page.pair();
    daemon.until("a reading", |status| status["readings"][0]["shown"] == "9.53 V");
    let document = closed(&printed());
    for request in [
        json!({ "do": "take" }),
        json!({ "do": "note", "text": "oil" }),
        json!({ "do": "correct", "part_c": 63.0, "by": "K" }),
        json!({ "do": "step", "to": "nowhere" }),
        json!({ "do": "step", "to": "next" }),
    ] {
        let answer = page.json(&cookie, "POST", "/do", &request);
        assert_eq!(answer["ok"], request["to"] != "nowhere", "{answer}");
        check(&document, "post", "/do", &answer);
    }
    for (path, query) in [
        ("/status", ""),
        ("/ledger", ""),
        ("/sessions", "?find=loader"),
        ("/session", "?id=last"),
        ("/session", "?id=99"),
        ("/session/plot", "?id=last&channel=probe&quantity=V+DC&columns=10"),
        ("/ports", ""),
        ("/protocols", ""),
        ("/bench", ""),
        ("/procedures", ""),
        ("/procedure", "?name=valve-coils-at-the-connector"),
    ] {
        let answer = page.json(&cookie, "GET", &format!("{path}{query}"), &NONE);
        assert_eq!(answer["ok"] == false, query == "?id=99", "{path}: {answer}");
        check(&document, "get", path, &answer);
    }
    // What is said of the state can fail.
    let mut status = page.json(&cookie, "GET", "/status", &NONE);
    status["status"]["readings"][0]["quantity"] = json!("furlongs");
    let whole = json!({ "$ref": "#/components/schemas/PageStatus", "components": document["components"] });
    assert!(!jsonschema::validator_for(&whole).unwrap().is_valid(&status));
    drop(probe);
    daemon.stop();
}
