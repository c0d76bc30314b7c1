//! Reading sessions back. Everything here works on a read-only connection while a daemon writes.

mod ledger;
mod resumable;
mod samples;
mod sessions;

pub(crate) use ledger::{CaptureRow, StepRow, captures, events, figures, findings, steps};
pub(crate) use resumable::{ResumableSession, resumable_session};
pub(crate) use samples::{Beyond, SampleOut, channels, for_each_sample, sample_count};
pub(crate) use sessions::{SessionRow, find, find_text, list};
