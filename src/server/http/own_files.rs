//! The page's own files, which are part of the program: pages, styles, scripts, pictures, and a video that keeps the screen on.

use axum::{
    body::Bytes,
    http::{HeaderMap, StatusCode, header},
    response::{IntoResponse, Response},
    routing::get,
};
use utoipa_axum::router::OpenApiRouter;

use super::routes::PageState;

/// All of them; whoever sees an address may load them.
pub(super) fn router() -> OpenApiRouter<PageState> {
    let mut files = OpenApiRouter::new().route("/awake.webm", get(awake_video));
    for (path, kind, text) in OWN_FILES {
        // What visitors load is counted: scripts and styles are sent without what only those read who change them.
        let text = match kind {
            SCRIPT => Bytes::from(without_comments(text)),
            CSS => Bytes::from(without_blanks(&without_comments(text))),
            _ => Bytes::from_static(text.as_bytes()),
        };
        files = files.route(path, get(move || own_file(kind, text)));
    }
    files
}

/// The page's own files: path, kind and text.
const OWN_FILES: [(&str, &str, &str); 21] = [
    ("/", HTML, include_str!("../page/index.html")),
    ("/setup", HTML, include_str!("../page/setup.html")),
    ("/past", HTML, include_str!("../page/past.html")),
    ("/page.css", CSS, include_str!("../page/page.css")),
    ("/forms.css", CSS, include_str!("../page/forms.css")),
    ("/page.js", SCRIPT, include_str!("../page/page.js")),
    ("/show.js", SCRIPT, include_str!("../page/show.js")),
    ("/acts.js", SCRIPT, include_str!("../page/acts.js")),
    ("/sound.js", SCRIPT, include_str!("../page/sound.js")),
    ("/common.js", SCRIPT, include_str!("../page/common.js")),
    ("/keys.js", SCRIPT, include_str!("../page/keys.js")),
    ("/setup.js", SCRIPT, include_str!("../page/setup.js")),
    ("/bench.js", SCRIPT, include_str!("../page/bench.js")),
    ("/past.js", SCRIPT, include_str!("../page/past.js")),
    ("/drive.js", SCRIPT, include_str!("../page/drive.js")),
    ("/voice.js", SCRIPT, include_str!("../page/voice.js")),
    ("/awake.js", SCRIPT, include_str!("../page/awake.js")),
    ("/draw.js", SCRIPT, include_str!("../page/draw.js")),
    ("/uplot.js", SCRIPT, include_str!("../page/vendor/uplot/uPlot.iife.min.js")),
    ("/uplot.css", CSS, include_str!("../page/vendor/uplot/uPlot.min.css")),
    ("/icon.svg", "image/svg+xml", include_str!("../page/icon.svg")),
];

const HTML: &str = "text/html; charset=utf-8";
const CSS: &str = "text/css; charset=utf-8";
const SCRIPT: &str = "text/javascript; charset=utf-8";

/// A video with a silent audio track, which keeps the screen on where there is no wake lock.
const AWAKE_VIDEO: &[u8] = include_bytes!("../page/awake.webm");

/// The video, or the part of it that a browser asks for as it seeks (RFC 9110, 14).
async fn awake_video(headers: HeaderMap) -> Response {
    let kind = [(header::CONTENT_TYPE, "video/webm"), (header::ACCEPT_RANGES, "bytes")];
    let asked = headers.get(header::RANGE).and_then(|range| range.to_str().ok()?.strip_prefix("bytes="));
    let Some((from, to)) = asked.and_then(|range| range.split_once('-')) else {
        return (kind, AWAKE_VIDEO).into_response();
    };
    let (from, last) = (from.parse().unwrap_or(0), AWAKE_VIDEO.len() - 1);
    let to = to.parse().unwrap_or(last).min(last);
    match AWAKE_VIDEO.get(from..=to) {
        Some(part) => {
            let range = [(header::CONTENT_RANGE, format!("bytes {from}-{to}/{}", AWAKE_VIDEO.len()))];
            (StatusCode::PARTIAL_CONTENT, kind, range, part).into_response()
        }
        None => StatusCode::RANGE_NOT_SATISFIABLE.into_response(),
    }
}

/// A script or style of the page without the lines that are comments and without indentation. Its lines stay lines; no text of it goes over
/// several.
fn without_comments(script: &str) -> String {
    let mut is_comment = false;
    let lines = script.lines().map(str::trim).filter(|line| {
        let begins = line.starts_with("/*") && !line.starts_with("/*!");
        let is_dropped = is_comment || begins || line.starts_with("//") || line.is_empty();
        is_comment = (is_comment || begins) && !line.ends_with("*/");
        !is_dropped
    });
    lines.collect::<Vec<_>>().join("\n")
}

/// A style of the page without blanks that mean nothing. No text of it has one of these.
fn without_blanks(style: &str) -> String {
    let meaningless = [(": ", ":"), ("; ", ";"), (" { ", "{"), (" }", "}"), (", ", ",")];
    meaningless.iter().fold(style.to_owned(), |style, (blank, sign)| style.replace(blank, sign))
}

async fn own_file(kind: &'static str, text: Bytes) -> impl IntoResponse {
    ([(header::CONTENT_TYPE, kind)], text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scripts_are_sent_without_comments() {
        let script = "// One.\n/** Two\n * lines. */\nexport const url = \"//x\"; // kept\n\n  if (a)\n    b();\n/*! a licence */\n";
        assert_eq!(without_comments(script), "export const url = \"//x\"; // kept\nif (a)\nb();\n/*! a licence */");
        let style = "/* Two\n lines. */\n.a, .b { margin: 0 auto; width: calc(1px + 2px); }\n@media (min-width: 1px) {\n  .a .b { top: 0 } }";
        assert_eq!(
            without_blanks(&without_comments(style)),
            ".a,.b{margin:0 auto;width:calc(1px + 2px);}\n@media (min-width:1px) {\n.a .b{top:0}}"
        );
        for (path, _, style) in OWN_FILES.iter().filter(|(_, kind, _)| *kind == CSS) {
            assert!(style.split('"').skip(1).step_by(2).all(|text| without_blanks(text) == text), "{path}");
        }
        // A text over several lines would lose its blanks.
        for (path, _, script) in OWN_FILES.iter().filter(|(_, kind, text)| *kind == SCRIPT && !text.starts_with("/*!"))
        {
            assert!(script.lines().all(|line| line.matches('`').count() % 2 == 0), "{path}");
        }
    }
}
