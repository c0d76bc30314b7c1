//! What a watch finds, on its way to the store and to those who look.

use super::{Excursion, Intermittent, SignalChange, TimedResponse};
use crate::{
    clock::Mono,
    session::{Effect, Notice, Record},
};

/// What the watch wants done.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum WatchEvent {
    /// A limit broke, or is kept again: stored under its number each time.
    Excursion(Box<Excursion>),
    /// Channels dropped out.
    Intermittent(Box<Intermittent>),
    /// A channel went to another level.
    Change(Box<SignalChange>),
    /// A channel did, or did not do, what it must after a mark or a change.
    Response(Box<TimedResponse>),
    /// A channel dropped out this moment, by its name: a tick in the operator's ear.
    Tick(String),
    /// An announcement.
    Say(String),
}

impl WatchEvent {
    /// What to store, and what to tell those who watch.
    pub(in crate::session) fn effects(self, at: Mono) -> Vec<Effect> {
        match self {
            Self::Excursion(excursion) => {
                vec![Effect::Notice(Notice::Excursion(excursion.clone())), Effect::Record(Record::Excursion(excursion))]
            }
            Self::Intermittent(intermittent) => {
                vec![
                    Effect::Notice(Notice::Intermittent(intermittent.clone())),
                    Effect::Record(Record::Intermittent(intermittent)),
                ]
            }
            Self::Change(change) => {
                vec![Effect::Notice(Notice::Change(change.clone())), Effect::Record(Record::Change(change))]
            }
            Self::Response(response) => {
                vec![Effect::Notice(Notice::Response(response.clone())), Effect::Record(Record::Response(response))]
            }
            Self::Tick(channel) => vec![Effect::Notice(Notice::Tick(channel))],
            Self::Say(text) => Effect::announce(at, text).into(),
        }
    }
}
