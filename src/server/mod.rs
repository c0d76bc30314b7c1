//! How others talk to the daemon: the control socket, the live page, and the messages of both.
//!
//! Requests are passed to the daemon's event loop and answered by it; nothing here changes the core. Reading order:
//! `messages` (what is sent), `control` (the socket), `http` (the page, whose files are in `page`).

mod control;
mod http;
mod messages;

pub(crate) use control::{ControlServer, PendingRequest, ServerError, bind};
pub(crate) use http::{NetworkPage, PageAddress, PageError, PageServer, document};
pub(crate) use messages::{
    Answer, AskMessage, BeginRequest, CaptureMessage, ChannelLine, ClockLine, LinkLine, MeterLine, News, NewsMessage,
    Permission, ProcedureText, Request, SessionLine, StatusReport, StepMessage,
};
