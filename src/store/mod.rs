//! The one place that knows SQL: the file, its writer thread, and reading it back.
//!
//! Reading order: `schema.sql`, then `folder` with `series`, `open` (with `migrate` and `interrupted`), then how a record gets in (`queue`
//! hands it to the `writer` through `writer_channel`, `rows` and `insert` write it, `record` maps columns by name, `stored_value` what is beyond the range), what the writer does where the disk
//! or another program hinders it (`fault`, `file_watch`, `new_file`), what is kept beside the samples (`rollup`, `sample_hash`), then how it is read back (`read`).
//!
//! | domain | column | unit, range |
//! | --- | --- | --- |
//! | [`Mono`](crate::clock::Mono) | `*_us` | µs since the session began; may be slightly negative for what was measured just before |
//! | [`Wall`](crate::clock::Wall) | `began_utc_us`, `utc_us` | µs since 1970 UTC |
//! | [`Value::Number`](crate::protocol::Value) | `value` | base unit of the channel's quantity, finite |
//! | [`Value::Over`](crate::protocol::Value), `Under` | `value` NULL, bit in `state`; `beyond` ±1 | |
//! | [`Annunciators`](crate::protocol::Annunciators) | low bits of `state` | NULL for none |
//! | [`Verdict`](crate::session::Verdict) | `sample.verdict` its number, elsewhere its word | NULL where not judged |
//! | [`Quantity`](crate::units::Quantity) | `quantity` its word, `unit` its unit | |

mod amend;
mod draft;
mod fault;
mod file_watch;
mod folder;
mod insert;
mod interrupted;
mod migrate;
mod new_file;
mod open;
mod queue;
mod record;
mod roll_up_later;
pub(crate) mod rollup;
mod rows;
mod sample_hash;
mod series;
mod stored_value;
mod system_errno;
mod unwritten;
mod writer;
mod writer_channel;

pub(crate) mod read;

pub(crate) use amend::{Amendment, amend};
pub(crate) use draft::JudgementDraft;
pub use fault::{WriteFault, WriteFaultKind};
pub(crate) use folder::{Folder, FolderError};
pub(crate) use insert::SampleRow;
pub(crate) use open::{StoreError, open_to_read, open_to_write};
pub(crate) use queue::UnwrittenView;
pub use queue::{LostRecords, Store};
pub(crate) use roll_up_later::{is_to_be_rolled_up, roll_up_later};
pub(crate) use sample_hash::{hexadecimal, prove_samples, samples_sha256};
pub(crate) use stored_value::sample_value;
pub(crate) use writer_channel::Ticket;
pub use writer_channel::{MovedDatabase, WriterReport};
