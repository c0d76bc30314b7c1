//! The session core: which step is active, how its readings are judged, and what must be stored and announced.
//!
//! Events in, effects out. Nothing here does I/O or reads a clock: events carry their time, so the
//! live daemon, a replay and judging again all come to the same verdicts. Nor does it know SQL,
//! sockets or files.
//!
//! Read in this order:
//! 1. `event` and `command`: what comes in, `refusal`: why a command is refused; `record`: what must be stored; `announcement`: what of it is said aloud.
//! 2. `core` handles an event or a command; `meters`, `clamp_zero`, `derived_channels` and `prompts` are its state beside the session.
//! 3. `open_session` moves between the steps of a session; `active_step` is the one in between, `captured_values`
//!    what the limits of other steps refer to, `photo` a photo of the visit, `undo` the last act, and `previous` the
//!    session that is resumed.
//! 4. `judge` decides which samples of a step count, what is captured and what the verdict is.
//! 5. `watch` keeps what happens in a step while nobody looks: excursions and drop-outs.
//! 6. `waveform` measures the shape of each signal: steady or switched, and the figures that a step may be judged on.
//! 7. `proof` asks the leads to prove what a slipped or crossed lead could fake.
//! 8. `session_findings` collects the captures for `findings`, which work out what is wrong.

mod announcement;
mod command;
mod correction;
mod event;
mod input;
mod record;
mod refusal;

mod core;

mod clamp_zero;
mod derived_channels;
mod meters;
mod prompts;

mod active_step;
mod captured_values;
mod open_session;
mod photo;
mod previous;
mod undo;

pub(crate) mod judge;
pub(crate) mod proof;
pub(crate) mod watch;
pub(crate) mod waveform;

mod session_findings;

pub mod findings;

pub use self::core::Core;
pub(crate) use self::core::LatestSample;
pub(crate) use announcement::{Announcement, AnnouncementKind};
pub(crate) use clamp_zero::{Zeroed, is_as_large_as_a_load};
pub use command::{Begin, Command, StepMove, Visit, VisitTemperatures};
pub(crate) use command::{CommandReply, StepView, checked_celsius};
pub(crate) use correction::{CorrectedField, Correction, VisitCorrection};
pub use event::{CoreEvent, Effect, Notice};
pub(crate) use findings::SharedGainError;
pub use input::{BenchState, ChannelState, CoreInput, SampleState};
pub(crate) use judge::{
    Capture, CaptureMethod, Figures, Judgement, JudgementRecord, RangeEnd, Verdict, VoidCapture, excess,
};
pub use meters::FrameCounts;
pub(crate) use photo::{PhotoHash, VisitPhoto};
pub(crate) use previous::{PreviousJudgement, PreviousSession, PreviousStep, PreviousWatch, PreviousWorst};
pub(crate) use proof::{Ask, CaptureFlag};
pub(crate) use record::{EventKind, Record, StepBegan, StepEnded};
pub use record::{SessionExit, StepExit};
pub(crate) use refusal::Refusal;
pub use watch::{Excursion, Intermittent, SignalChange, TimedResponse};
pub use waveform::{SignalShape, WaveformSummary};

#[cfg(test)]
mod tests;
