//! A captured value: the value that a step is judged on, and how it was chosen.

use super::{Judgement, Settled};
use crate::{channel::ChannelId, clock::Mono, protocol::Value, session::word_table::word_table};

/// How a value came to be captured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CaptureMethod {
    /// By an operator command.
    Taken,
    /// By itself, when the reading was steady.
    Steady,
    /// As the step was left, since nothing had been taken: the last reading.
    Last,
    /// The worst of the whole step.
    Worst,
}

word_table!(CaptureMethod:
    Taken = "taken",
    Steady = "steady",
    Last = "last",
    Worst = "worst",
);

/// The value that a step is judged on.
#[derive(Debug, Clone, PartialEq)]
pub struct Capture {
    /// How it was chosen.
    pub how: CaptureMethod,
    /// When the value was measured.
    pub at: Mono,
    /// Where; none where nothing was measured at all.
    pub channel: Option<ChannelId>,
    /// Its judgement.
    pub judgement: Judgement,
    /// The window it is the mean of; none for a single reading.
    pub settled: Option<Settled>,
    /// The worst value while the leads touched under load, from before it settled too.
    pub peak: Option<Value>,
}
