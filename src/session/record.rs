//! What the core wants stored, in order.

use crate::words::words;
use std::sync::Arc;
use strum::{EnumMessage, VariantArray};

use super::{
    Begin, Capture, CoreInput, Correction, PhotoHash, StepView, Verdict, VisitPhoto, Zeroed,
    findings::Finding,
    judge::Figures,
    watch::{Excursion, Intermittent, SignalChange, TimedResponse},
    waveform::WaveformSummary,
};
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
    /// What was told of the visit was corrected.
    Corrected(Mono, Correction),
    /// Something entered the core, on which a judgement depends.
    Input(Mono, Box<CoreInput>),
    /// A limit broke, or is kept again; the second one of a number takes the place of the first.
    Excursion(Box<Excursion>),
    /// Channels dropped out together.
    Intermittent(Box<Intermittent>),
    /// A channel went to another level.
    Change(Box<SignalChange>),
    /// What a channel did after a mark or a change.
    Response(Box<TimedResponse>),
    /// A photo of the visit; its file is kept already.
    Photo(Mono, Box<VisitPhoto>),
    /// A photo does not count any more.
    PhotoUndone(Mono, PhotoHash),
    /// A clamp was zeroed.
    Zeroed(Mono, ChannelId, Zeroed),
    /// The session's findings, the best first; they replace those stored before.
    Findings {
        /// The findings.
        findings: Vec<Finding>,
        /// Number of the step whose capture is the last that they rest on; none where that is of the session continued.
        ends_at: Option<u32>,
    },
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
    /// The shape of every signal whose samples came fast enough to have one.
    pub waveforms: Vec<WaveformSummary>,
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
#[derive(Debug, Clone, Copy, PartialEq, Eq, VariantArray, EnumMessage)]
pub enum StepExit {
    /// It was done.
    #[strum(serialize = "done")]
    Done,
    /// The operator went back to an earlier one.
    #[strum(serialize = "back")]
    Back,
    /// The operator does it again.
    #[strum(serialize = "again")]
    Again,
    /// The operator skipped it.
    #[strum(serialize = "skipped")]
    Skipped,
    /// The operator undid what was captured in it, or the move to it.
    #[strum(serialize = "undone")]
    Undone,
    /// The allowed time of what was switched on was over.
    #[strum(serialize = "time up")]
    TimeUp,
    /// The session ended.
    #[strum(serialize = "session ended")]
    SessionEnd,
}

words!(pub StepExit);

/// How a session ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, VariantArray, EnumMessage)]
pub enum SessionExit {
    /// By an operator command.
    #[strum(serialize = "ended")]
    Ended,
    /// The daemon was stopped.
    #[strum(serialize = "stopped")]
    Stopped,
    /// Another one was begun.
    #[strum(serialize = "replaced")]
    Replaced,
}

words!(pub SessionExit);

/// Kinds of events; the words are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, VariantArray, EnumMessage)]
pub enum EventKind {
    /// A port was opened.
    #[strum(serialize = "meter found")]
    MeterFound,
    /// A port is missing or was lost.
    #[strum(serialize = "meter lost")]
    MeterLost,
    /// A meter sends no readings although its port is open.
    #[strum(serialize = "meter silent")]
    MeterSilent,
    /// A meter's identity, as the meter sent it.
    #[strum(serialize = "identity")]
    Identity,
    /// A frame could not be decoded.
    #[strum(serialize = "bad frame")]
    BadFrame,
    /// A channel reads a value that no frame carries.
    #[strum(serialize = "missing value")]
    MissingValue,
    /// Samples were lost, and how many.
    #[strum(serialize = "samples lost")]
    SamplesLost,
    /// The database could not be written, or can be written again.
    #[strum(serialize = "database", serialize = "store")]
    Store,
    /// The program did not run for a while.
    #[strum(serialize = "not running")]
    NotRunning,
    /// The clock of a board began anew: the board was restarted, or its clock set.
    #[strum(serialize = "board restarted")]
    BoardRestarted,
    /// The operator marked a moment.
    #[strum(serialize = "mark")]
    Mark,
    /// The operator noted something.
    #[strum(serialize = "note")]
    Note,
    /// A photo of the visit came.
    #[strum(serialize = "photo")]
    Photo,
    /// Something was announced to the operator.
    #[strum(serialize = "announced", serialize = "told")]
    Announced,
    /// What was told of the visit was corrected.
    #[strum(serialize = "corrected")]
    Corrected,
    /// The operator undid the last act.
    #[strum(serialize = "undone")]
    Undone,
    /// A clamp's zero was taken.
    #[strum(serialize = "zeroed")]
    Zeroed,
    /// The bench does not suit a step of the procedure.
    #[strum(serialize = "meter not suited", serialize = "unfit")]
    NotSuited,
}

words!(pub EventKind);
