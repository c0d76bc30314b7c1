//! The messages on the control socket: one JSON object a line, requests in, answers out.
//!
//! Reading order: `request`, `answer`, `link` (of the page), `step` (steps, captures and questions), `status`, `news`. Visits, judgements and findings are
//! the session's own types.
//!
//! # Format
//! A request names what to do; everything else is optional:
//!
//! ```json
//! {"do":"begin","machine":"loader 7","job":"A-113","procedure":{"file":"valves.toml","text":"title = …"}}
//! {"do":"step","to":"next"}
//! {"do":"take"}   {"do":"take","channel":"probe"}
//! {"do":"mark","text":"brake released"}   {"do":"note","text":"oil on the plug"}
//! {"do":"zero","channel":"lift coil"}   {"do":"correct","machine":"loader 8","by":"K"}
//! {"do":"photo","hash":"…","width":1600,"height":1200,"bytes":184000,"text":"green plug"}
//! {"do":"speaker","name":"page-1"}
//! {"do":"undo"}   {"do":"end"}   {"do":"status"}   {"do":"watch"}
//! ```
//!
//! Each request has one [`Answer`], in order: `{"ok":true,…}` once what it acknowledges is on disk, or
//! `{"ok":false,"error":"…"}`. After `watch` is answered, [`News`] follow until the client hangs up.
//! Values are in the base unit that stands beside them; a value beyond the meter's range is `"over"` or `"under"`.

mod answer;
mod link;
mod news;
mod request;
mod status;
mod step;

pub(crate) use answer::Answer;
pub(crate) use link::{LinkLine, Permission};
pub(crate) use news::{News, NewsMessage};
pub(crate) use request::{BeginRequest, ProcedureText, Request};
pub(crate) use status::{ChannelLine, ClockLine, MeterLine, SessionLine, StatusReport};
pub(crate) use step::{AskMessage, CaptureMessage, StepMessage};
