//! Reading sessions back. Everything here works on a read-only connection while a daemon writes.
//!
//! Reading order: `archive` (all files of a folder as one), `sessions`, `ledger` (steps and what they came to), `watched`
//! (what was found while steps watched), `samples`, `wall_times`,
//! `photos`, `rollup`, `moment` (what all showed at one time), `plot`, `track`, `resumable`; `seconds` is for JSON.

mod archive;
mod corrections;
mod inputs;
mod judgements;
mod ledger;
mod lines;
mod moment;
mod photos;
mod plot;
mod response_summary;
mod resumable;
mod rollup;
mod samples;
mod seconds;
mod sessions;
mod track;
mod wall_times;
mod watched;

pub(crate) use archive::Archive;
pub(crate) use corrections::{StoredCorrection, corrections, events, first_events, first_row_at, recorded_visit};
pub(crate) use inputs::{StoredInput, inputs};
pub(crate) use judgements::{JudgementRow, by_judgement, judgement, judgement_in_force, judgements};
pub(crate) use ledger::{
    CaptureRow, EventRow, FigureRow, JudgementOf, StepRow, ZeroRow, captures, figures, findings, last_attempts, steps,
    zeros,
};
pub(crate) use moment::{interval_near, shown_at};
pub(crate) use photos::{PhotoRow, photos};
pub(crate) use plot::{PlotSeries, PlotWindow, for_each_point, plot_series};
pub(crate) use response_summary::{ResponseSummary, response_summaries};
pub(crate) use resumable::{ResumableSession, previous_session, resumable_session};
pub(crate) use samples::{
    ChannelRow, StoredSample, TimeStretch, channels, for_each_sample, row_count, sample_count, sample_rows,
};
#[cfg(test)]
pub(crate) use sessions::find;
#[cfg(not(test))]
use sessions::find;
pub(crate) use sessions::{SessionRow, bench_text, good_sessions, procedure_text};
use sessions::{find_text, list};
pub(crate) use track::{TrackPoint, drawn_track, track};
pub(crate) use wall_times::{WallTimes, wall_times};
pub(crate) use watched::{
    ChangeRow, DropOutRow, ExcursionRow, ResponseRow, WaveformRow, all_parts, changes, dropouts, excursions, parts,
    responses, waveforms,
};
