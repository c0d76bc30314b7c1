//! What goes into the core and what comes out of it, apart from commands and records.

use std::sync::Arc;

use uuid::Uuid;

use super::{
    Capture, EventKind, FrameCounts, Judgement, Record, SessionExit, StepView, Zeroed,
    findings::{Finding, FindingsTask},
    proof::Ask,
    watch::{Excursion, Intermittent, SignalChange, TimedResponse},
};
use crate::{
    channel::{Channel, ChannelId, DerivedSpec, MeterId, Sample},
    clock::{Mono, Wall},
};

/// What the core handles, apart from the operator's [`Command`](super::Command)s.
#[derive(Debug)]
pub enum CoreEvent {
    /// A channel is known from now on; precedes its samples.
    Channel(ChannelId, Channel),
    /// A channel that is worked out from two others, by their names. Comes once, before all samples.
    Derived(ChannelId, DerivedSpec),
    /// Samples of one chunk of one meter, in order.
    Samples(Vec<Sample>),
    /// Samples that an earlier run of the core stored, in order: zeros are taken off, and those of derived channels are left
    /// out. Their digit is known, their uncertainty follows.
    StoredSamples(Vec<Sample>),
    /// A zero that an earlier run of the core took.
    StoredZero(ChannelId, Zeroed),
    /// A meter's port was opened.
    MeterOpened(MeterId),
    /// A meter's port is missing or was lost, and why.
    MeterLost(MeterId, String),
    /// A meter's identity, as the meter sent it.
    MeterIdentity(MeterId, String),
    /// Frames of a meter that brought no reading so far: refused and lost, since the daemon started.
    FrameCounts(MeterId, FrameCounts),
    /// Something to keep beside the samples: an undecodable frame, a missing value.
    Remark {
        /// The kind.
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
    /// The program did not run for a while, in one sentence: the computer slept, or the process was stopped.
    Paused(String),
    /// What a [`Effect::WorkOut`] came to.
    Findings {
        /// The session that it was for.
        session: Uuid,
        /// How many captures it rests on.
        captures: u64,
        /// The findings, the best first.
        findings: Vec<Finding>,
    },
    /// A [`Effect::WorkOut`] came to nothing.
    NoFindings {
        /// The session that it was for.
        session: Uuid,
        /// How many captures it would rest on.
        captures: u64,
        /// Why, in words that a colon or a full stop may follow.
        why: String,
    },
    /// Sent a few times a second, so that silence is noticed too.
    Tick,
    /// The computer's clock at this moment.
    Anchor(Wall),
}

/// What the core wants done, in order.
#[derive(Debug)]
pub enum Effect {
    /// Store this.
    Record(Record),
    /// Notify watching clients.
    Notice(Notice),
    /// Work out findings, on whatever thread, and answer with [`CoreEvent::Findings`]. A newer one takes the place of an
    /// older one. A session that ends waits for the last answer, or works it out itself, see [`Core::end`](super::Core::end).
    WorkOut(Box<FindingsTask>),
}

impl Effect {
    /// An announcement to the operator, and its record.
    pub(super) fn announce(at: Mono, text: String) -> [Self; 2] {
        [
            Self::Notice(Notice::Say(text.clone())),
            Self::Record(Record::Event(at, EventKind::Announced, String::new(), text)),
        ]
    }
}

/// What watching clients receive.
#[derive(Debug, Clone)]
pub enum Notice {
    /// A session began; its title or machine in words.
    SessionBegan(String),
    /// The session ended.
    SessionEnded(SessionExit),
    /// A step began.
    Step(Arc<StepView>),
    /// A step ended; its judgement.
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
        capture: Box<Capture>,
    },
    /// The first finding, where it changed.
    Finding(Arc<Finding>),
    /// An announcement to the operator.
    Say(String),
    /// A question to the operator.
    Ask(Box<Ask>),
    /// The question no longer waits for an answer.
    AskOver,
    /// A limit broke, or is kept again.
    Excursion(Box<Excursion>),
    /// Channels dropped out together.
    Intermittent(Box<Intermittent>),
    /// A channel went to another level.
    Change(Box<SignalChange>),
    /// What a channel did after a mark or a change.
    Response(Box<TimedResponse>),
    /// This channel dropped out this moment.
    Tick(String),
    /// Seconds until what is on must be switched off.
    Count(i64),
    /// An event.
    Event {
        /// The kind.
        kind: EventKind,
        /// What it concerns.
        subject: String,
        /// One sentence.
        text: String,
    },
}
