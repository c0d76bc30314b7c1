//! The operator's last act, kept so that it can be undone once.
//!
//! Nothing that was recorded is deleted: an act that is undone stays in the record, with an event that says so beside it.

use std::sync::Arc;

use super::{Correction, StepView, photo::PhotoHash, record::EventKind};
use crate::{channel::ChannelId, electrics::Uncertain};

/// What the operator did last in the open session, and what undoing it needs.
#[derive(Debug, Clone)]
pub(super) enum OperatorAct {
    /// Went to another step; the one that was on, none where none was.
    Moved(Option<Arc<StepView>>),
    /// Captured a value, or answered the question, of this step.
    Captured(Arc<StepView>),
    /// Zeroed a clamp.
    Zeroed(ChannelId),
    /// Nulled the leads of this channel; what they were before.
    Nulled(ChannelId, Option<Uncertain>),
    /// Corrected what was told of the visit.
    Corrected(Vec<Correction>),
    /// Sent a photo with this text.
    Photographed(PhotoHash, String),
    /// Kept a note or marked a moment.
    Remarked(EventKind, String),
}
