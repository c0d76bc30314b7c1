//! A captured value: the value that a step is judged on, and how it was chosen.

use super::{Judgement, Settled};
use crate::{
    channel::ChannelId,
    clock::Mono,
    protocol::Value,
    session::proof::{CaptureFlag, Proof},
    words::words,
};
use strum::{EnumMessage, VariantArray};

/// How a value came to be captured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, VariantArray, EnumMessage)]
pub enum CaptureMethod {
    /// By an operator command.
    #[strum(serialize = "taken")]
    Taken,
    /// By itself, when the reading was steady.
    #[strum(serialize = "steady")]
    Steady,
    /// As the step was left, since nothing had been taken: the last reading.
    #[strum(serialize = "last")]
    Last,
    /// The worst of the whole step.
    #[strum(serialize = "worst")]
    Worst,
    /// By touches of the leads that prove it.
    #[strum(serialize = "proven")]
    Proven,
}

words!(pub CaptureMethod);

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
    /// The touches that prove it; none for a value that needs no proof.
    pub proof: Option<Proof>,
    /// What is to be known about it beside its verdict.
    pub flags: Vec<CaptureFlag>,
}

/// A capture of the first record that does not count, by how and when it was captured.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct VoidCapture {
    /// How it was chosen.
    pub how: CaptureMethod,
    /// When its value was measured.
    pub at: Mono,
    /// Why it does not count.
    pub why: String,
}

impl VoidCapture {
    /// Whether it is this one. Where a step was split, what was taken can be what its part was left with.
    pub(crate) fn is(&self, capture: &Capture) -> bool {
        self.at == capture.at && (self.how == capture.how || capture.how == CaptureMethod::Last)
    }
}

impl Capture {
    /// A capture of one reading or of none, without a proof.
    pub fn plain(how: CaptureMethod, at: Mono, channel: Option<ChannelId>, judgement: Judgement) -> Self {
        Self { how, at, channel, judgement, settled: None, peak: None, proof: None, flags: Vec::new() }
    }

    /// Whether it was held against its limit, or kept where there is none.
    pub fn counts(&self) -> bool {
        self.judgement.verdict().is_none_or(|verdict| verdict.parts().is_ok())
    }
}
