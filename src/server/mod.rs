//! How others talk to the daemon: the control socket and its messages.
//!
//! Requests are passed to the daemon's event loop and answered by it; nothing here changes the core. Reading order:
//! `messages` (what is sent), `control` (how).

mod control;
mod messages;

pub(crate) use control::{ControlServer, PendingRequest, ServerError, bind};
pub(crate) use messages::{
    Answer, AskMessage, BeginRequest, CaptureMessage, ClockLine, MeterLine, News, ProcedureText, ReadingLine, Request,
    SessionLine, StatusReport, StepMessage,
};
