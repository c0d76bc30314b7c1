//! What happens while nobody looks at the numbers: when a limit was broken and for how long, and drop-outs too short for an
//! eye. Fed with every sample of a step that watches; constant work for each, and memory only for what happened.
//!
//! Reading order: `step_watch` (all of it, for one step), `watch_event` (what it finds), `excursion` (a limit that breaks), `level` (what a signal shows
//! usually, and its noise), `dropout` (one channel that falls for a moment), `intermittent` (drop-outs that coincide),
//! `change` (from one level to another), `response` (what must follow a mark or a change, and how soon),
//! `trend` (a value that heads for its limit), `early_warning` (one that comes near it), `supply` (what is said and judged of it, and ripple),
//! `speech_limit` (how often something is said aloud).

mod change;
mod dropout;
mod early_warning;
mod excursion;
mod intermittent;
mod level;
mod response;
mod speech_limit;
mod step_watch;
mod supply;
mod trend;
mod watch_event;

#[cfg(test)]
mod tests;

pub(in crate::session) use change::ChangeDetector;
pub use change::SignalChange;
pub use excursion::Excursion;
pub use intermittent::Intermittent;
pub use response::TimedResponse;
pub(crate) use step_watch::{JudgedSample, StepWatch};
pub(crate) use watch_event::WatchEvent;
