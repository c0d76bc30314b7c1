//! What the core wants stored, in order.

use std::sync::Arc;

use super::{Begin, Capture, StepView, Verdict, Zeroed, findings::Finding, judge::Figures, word_table::word_table};
use crate::{
    channel::{Channel, ChannelId, Sample},
    clock::{Mono, Wall},
    units::Quantity,
};

/// One thing to store. Times are monotonic; the store counts them from the session's begin.
#[derive(Debug)]
pub enum Record {
    /// A session began; precedes all that belongs to it.
    SessionBegan(Mono, Box<Begin>),
    /// The session ended; nothing of it follows.
    SessionEnded(Mono, SessionExit),
    /// A channel is known; precedes its samples.
    Channel(ChannelId, Box<Channel>),
    /// A step began: the samples that follow belong to it.
    StepBegan(Box<StepBegan>),
    /// A step was left: the samples that follow do not belong to it.
    StepEnded(Box<StepEnded>),
    /// A value was captured, in the step of this number where one was on.
    Captured(Option<u32>, Box<Capture>),
    /// A clamp was zeroed.
    Zeroed(Mono, ChannelId, Zeroed),
    /// The session's findings, the best first; they replace those stored before.
    Findings(Vec<Finding>),
    /// An event.
    Event(Mono, EventKind, String, String),
    /// The computer's clock at this time.
    Anchor(Mono, Wall),
    /// Samples and the verdict on each.
    Samples(Vec<Sample>, Vec<Option<Verdict>>),
}

/// A step that began.
#[derive(Debug)]
pub struct StepBegan {
    /// When.
    pub at: Mono,
    /// What the operator sees.
    pub view: Arc<StepView>,
}

/// A step that was left.
#[derive(Debug)]
pub struct StepEnded {
    /// When.
    pub at: Mono,
    /// Which one, counted from 1 over the session.
    pub number: u32,
    /// How it was left.
    pub left: StepExit,
    /// What it was judged on; none where there was nothing to judge.
    pub capture: Option<Capture>,
    /// Figures of every signal that was seen during the step.
    pub figures: Vec<SignalFigures>,
}

/// The figures of one channel on one function.
#[derive(Debug, Clone, PartialEq)]
pub struct SignalFigures {
    /// Where.
    pub channel: ChannelId,
    /// What.
    pub quantity: Quantity,
    /// How it went.
    pub figures: Figures,
}

/// How a step was left.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StepExit {
    /// It was done.
    Done,
    /// The operator went back to an earlier one.
    Back,
    /// The operator does it again.
    Again,
    /// The operator skipped it.
    Skipped,
    /// The allowed time of what was switched on was over.
    TimeUp,
    /// The session ended.
    SessionEnd,
}

impl StepExit {
    /// The word on screens and in the database.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Done => "done",
            Self::Back => "back",
            Self::Again => "again",
            Self::Skipped => "skipped",
            Self::TimeUp => "time up",
            Self::SessionEnd => "session ended",
        }
    }
}

/// How a session ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SessionExit {
    /// By an operator command.
    Ended,
    /// The daemon was stopped.
    Stopped,
    /// Another one was begun.
    Replaced,
}

impl SessionExit {
    /// The word in the database and on screens. For a session that was cut off the store writes `interrupted`.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Ended => "ended",
            Self::Stopped => "stopped",
            Self::Replaced => "replaced",
        }
    }
}

/// Kinds of events; the words are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EventKind {
    /// A port was opened.
    MeterFound,
    /// A port is missing or was lost.
    MeterLost,
    /// A meter sends no readings although its port is open.
    MeterSilent,
    /// A meter's identity, as the meter sent it.
    Identity,
    /// A frame could not be decoded.
    BadFrame,
    /// A channel reads a value that no frame carries.
    MissingValue,
    /// Samples were lost, and how many.
    SamplesLost,
    /// The database could not be written, or can be written again.
    Store,
    /// The operator marked a moment.
    Mark,
    /// The operator noted something.
    Note,
    /// Something was announced to the operator.
    Announced,
    /// A clamp's zero was taken.
    Zeroed,
    /// The bench does not suit a step of the procedure.
    NotSuited,
}

word_table!(EventKind:
    MeterFound = "meter found",
    MeterLost = "meter lost",
    MeterSilent = "meter silent",
    Identity = "identity",
    BadFrame = "bad frame",
    MissingValue = "missing value",
    SamplesLost = "samples lost",
    Store = "database" | "store",
    Mark = "mark",
    Note = "note",
    Announced = "announced" | "told",
    Zeroed = "zeroed",
    NotSuited = "meter not suited" | "unfit",
);
