//! The core: which step is on, what its readings say, and what must be kept and told.
//!
//! Events in, effects out. Nothing here does I/O or reads a clock: events carry their time, so the
//! live daemon, a replay and judging again all come to the same verdicts. Nor does it know SQL,
//! sockets or files.

pub(crate) mod judge;

pub mod findings;

mod prompts;
mod session_findings;
mod step;
mod zero;

mod command;
mod core;
mod meters;
mod previous;
mod progress;
mod record;

pub use self::core::Core;
pub(crate) use self::core::LatestSample;
pub use command::{Begin, Command, Visit};
pub(crate) use command::{Move, Refusal, Reply, StepView};
pub(crate) use judge::{Capture, Judgement, JudgementRecord, Verdict};
pub use meters::FrameCounts;
pub(crate) use previous::{PreviousJudgement, PreviousSession, PreviousStep};
pub use record::SessionExit;
pub(crate) use record::{EventKind, Record, StepBegan, StepEnded};
pub(crate) use zero::Zeroed;

use std::sync::Arc;

use crate::{
    channel::{Channel, ChannelId, MeterId, Sample},
    clock::{Mono, Wall},
};

/// What happens to the core, apart from the operator's [`Command`]s.
#[derive(Debug)]
pub enum CoreEvent {
    /// A channel is known from now on; precedes its samples.
    Channel(ChannelId, Channel),
    /// Samples of one chunk of one meter, in order.
    Samples(Vec<Sample>),
    /// A meter's port was opened.
    MeterOpened(MeterId),
    /// A meter's port is not there, or went away.
    MeterLost(MeterId, String),
    /// What a meter says of itself.
    MeterSays(MeterId, String),
    /// Frames of a meter that brought no reading so far: refused and lost, since the daemon started.
    FrameCounts(MeterId, FrameCounts),
    /// Something to keep beside the samples: an undecodable frame, a missing value.
    Remark {
        /// What kind of thing.
        kind: EventKind,
        /// The meter or channel that it concerns.
        subject: String,
        /// One sentence.
        text: String,
    },
    /// Something is wrong until it is cleared.
    Alarm {
        /// What it concerns: one alarm for each.
        key: String,
        /// One sentence; none clears it.
        text: Option<String>,
    },
    /// Time goes by: told a few times a second, since silence must be noticed too.
    Tick,
    /// What the computer's clock says at this moment.
    Anchor(Wall),
}

/// What the core wants done, in this order.
#[derive(Debug)]
pub enum Effect {
    /// Keep this.
    Record(Record),
    /// Tell whoever watches.
    Notice(Notice),
}

impl Effect {
    /// Something the operator should hear: told now, and kept.
    fn say(at: Mono, text: String) -> [Self; 2] {
        [
            Self::Notice(Notice::Say(text.clone())),
            Self::Record(Record::Event(at, EventKind::Announced, String::new(), text)),
        ]
    }
}

/// What those who watch are sent.
#[derive(Debug, Clone)]
pub enum Notice {
    /// A session began; its title or machine in words.
    SessionBegan(String),
    /// The session ended.
    SessionEnded(SessionExit),
    /// A step began.
    Step(Arc<StepView>),
    /// A step was left; how it was judged.
    Judged {
        /// Its name.
        step: String,
        /// None where there was nothing to judge.
        judgement: Option<Judgement>,
    },
    /// A value was captured.
    Captured {
        /// The step's name.
        step: String,
        /// Its channel's name.
        channel: String,
        /// What was captured.
        capture: Capture,
    },
    /// What follows from the captures so far, where that has become another.
    Finding(Arc<findings::Finding>),
    /// Something the operator should hear.
    Say(String),
    /// Seconds until what is on must be switched off.
    Count(i64),
    /// Something worth a line.
    Event {
        /// What kind of thing.
        kind: EventKind,
        /// What it concerns.
        subject: String,
        /// One sentence.
        text: String,
    },
}

#[cfg(test)]
mod tests;
