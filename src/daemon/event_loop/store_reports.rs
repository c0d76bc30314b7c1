//! What the store reports: what is on disk, and what keeps it from being written. A disk that does not answer reports
//! nothing, so the loop looks how long it has been waiting.

use std::{path::Path, time::Duration};

use super::{EventLoop, requests::not_on_disk};
use crate::{
    clock::{Clock, Mono, Wall, micros},
    session::{CoreEvent, EventKind},
    store::{LostRecords, MovedDatabase, WriterReport},
};

/// A disk that has not answered for so long is reported.
const NO_ANSWER: Duration = Duration::from_secs(2);

/// What keeps the database from being written.
#[derive(Debug)]
pub(super) struct StoreTrouble {
    /// Reason and remedy in one sentence.
    pub why: String,
    /// The disk does not answer; otherwise it answers with errors.
    hangs: bool,
    /// Commands that were carried out meanwhile, and the bytes of their texts.
    pub commands: usize,
    pub bytes: usize,
}

impl EventLoop {
    pub(super) fn report(&mut self, report: WriterReport) {
        let at = self.clock.mono();
        match report {
            WriterReport::Synced(ticket) => {
                if let Some((to, answer)) = self.waiting.remove(&ticket) {
                    drop(to.send(answer));
                }
            }
            WriterReport::Room => {}
            WriterReport::Failing(fault) => self.begin_trouble(at, fault.to_string(), false),
            WriterReport::Recovered => self.recovered(at, "the database can be written again"),
            WriterReport::Moved(moved) => self.moved(at, moved),
        }
    }

    /// Reports a disk that does not answer, and that it answers again.
    pub(super) fn watch_store(&mut self, at: Mono) {
        let waited = self.store.waiting_for_disk();
        let hangs = self.trouble.as_ref().is_some_and(|trouble| trouble.hangs);
        if waited >= NO_ANSWER && self.trouble.is_none() {
            let since = Wall(Clock::wall().0 - micros(waited)).time_of_day();
            let why = format!(
                "the disk does not answer, nothing has reached it since {since}; check its cable and its power, readings wait in memory"
            );
            self.begin_trouble(at, why, true);
        } else if waited < NO_ANSWER && hangs {
            self.recovered(at, "the disk answers again");
        }
    }

    fn begin_trouble(&mut self, at: Mono, why: String, hangs: bool) {
        let sentence = format!("cannot write the database: {why}");
        tracing::error!("{sentence}");
        for (to, answer) in std::mem::take(&mut self.waiting).into_values() {
            drop(to.send(not_on_disk(answer, &why)));
        }
        self.handle_event(at, CoreEvent::Alarm { key: "store".to_owned(), text: Some(sentence.clone()) });
        self.store_event(at, sentence);
        let (commands, bytes) = self.trouble.take().map_or((0, 0), |before| (before.commands, before.bytes));
        self.trouble = Some(StoreTrouble { why, hangs, commands, bytes });
    }

    fn recovered(&mut self, at: Mono, sentence: &str) {
        tracing::info!("{sentence}");
        self.trouble = None;
        self.handle_event(at, CoreEvent::Alarm { key: "store".to_owned(), text: None });
        self.store_event(at, sentence.to_owned());
        self.note_lost(at);
    }

    /// Recording goes on in a new file: an alarm for as long as the daemon runs, since two files belong together now.
    fn moved(&mut self, at: Mono, moved: MovedDatabase) {
        let MovedDatabase { from, to, why, missing_samples, missing_records } = moved;
        let name = |path: &Path| path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let mut sentence = format!(
            "{}: {why}; the session so far is saved in {}, and recording goes on there",
            name(&from),
            to.display()
        );
        if missing_samples > 0 || missing_records > 0 {
            sentence += &format!("; {missing_samples} samples and {missing_records} other records could not be saved");
        }
        tracing::error!("{sentence}");
        self.database = to;
        self.handle_event(at, CoreEvent::Alarm { key: "database".to_owned(), text: Some(sentence.clone()) });
        self.store_event(at, sentence);
    }

    fn store_event(&mut self, at: Mono, text: String) {
        self.handle_event(at, CoreEvent::Remark { kind: EventKind::Store, subject: String::new(), text });
    }

    /// Records what was dropped while the database could not be written.
    pub(super) fn note_lost(&mut self, at: Mono) {
        if self.trouble.is_some() {
            return;
        }
        let LostRecords { samples, events } = self.store.take_lost();
        for (count, what) in [(samples, "samples"), (events, "events")] {
            if count > 0 {
                let text = format!("{count} {what} were lost while the database could not be written");
                tracing::error!("{text}");
                self.handle_event(at, CoreEvent::Remark { kind: EventKind::SamplesLost, subject: String::new(), text });
            }
        }
    }
}
