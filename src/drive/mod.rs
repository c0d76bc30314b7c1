//! A session as one picture: in which order its channels stand, what was found as flags, and where it went.
//!
//! Reads the store and draws nothing: the page and the sheet do. Reading order: `lanes` (the channels in order), `flag`, `track`.

mod flag;
mod lanes;
mod track;

pub(crate) use flag::{DriveFlag, FlagKind, add_other_channels, drive_flags};
pub(crate) use lanes::lanes;
pub(crate) use track::{TrackDrawing, place};
