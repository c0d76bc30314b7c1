//! Reading sessions back. Everything here works on a read-only connection while a daemon writes.

mod earlier;
mod ledger;
mod samples;
mod sessions;

pub use earlier::{Left, left};
pub use ledger::{CaptureRow, EventRow, FigureRow, FindingRow, StepRow, captures, events, figures, findings, steps};
pub use samples::{Beyond, ChannelRow, SampleOut, channels, for_each_sample, sample_count};
pub use sessions::{SessionRow, find, find_text, list};
