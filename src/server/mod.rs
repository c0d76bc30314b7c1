//! How others talk to the daemon: the control socket and its wire format.
//!
//! Requests are handed to the daemon's loop and answered by it; nothing here changes the core.

mod control;
mod wire;

pub(crate) use control::{Asked, Doors, ServerError, bind};
pub(crate) use wire::{
    Answer, BeginRequest, ClockLine, MeterLine, News, ProcedureText, ReadingLine, Request, SessionLine, StatusReport,
    WireCapture, WireStep,
};
