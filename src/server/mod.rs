//! How others talk to the daemon: the control socket and its wire format.
//!
//! Requests are handed to the daemon's loop and answered by it; nothing here changes the core.

mod control;
mod wire;

pub use control::{Asked, Doors, Listener, ServerError, bind};
pub use wire::{
    Answer, BeginRequest, Beyond, ClockLine, MeterLine, News, ProcedureText, ReadingLine, Request, SessionLine,
    StatusReport, WireCapture, WireFinding, WireJudgement, WireStep, WireValue, WireZero,
};
