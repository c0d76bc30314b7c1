//! Drives the session core by what is stored, and writes what it answers into a draft.

use std::{
    collections::{HashMap, VecDeque},
    sync::Arc,
};

use rusqlite::Connection;
use uuid::Uuid;

use super::{
    again::JudgingError,
    timeline::{RecordedMove, StepRun, moves_of},
};
use crate::{
    channel::{ChannelId, Conversion, Sample},
    clock::{Mono, Wall},
    procedure::Procedure,
    protocol::Annunciators,
    session::{
        Begin, Command, Core, CoreEvent, CoreInput, Effect, PreviousSession, Record, SessionExit, Visit, VoidCapture,
    },
    store::{
        JudgementDraft, SampleRow,
        read::{SessionRow, StoredInput, channels, sample_rows},
        sample_value,
    },
    units::Quantity,
};

/// Samples that are read at a time.
const SAMPLES_AT_A_TIME: i64 = 5000;

/// A session as it is stored, and what it is judged by.
pub(super) struct Recording<'a> {
    pub connection: &'a Connection,
    pub session: &'a SessionRow,
    pub inputs: Vec<StoredInput>,
    /// The steps to be followed; none where the core goes from step to step by itself, as when it was recorded.
    pub runs: Option<Vec<StepRun>>,
    pub visit: Visit,
    /// Whether that is another one than was told at first.
    pub is_other_visit: bool,
    pub procedure: Option<Arc<Procedure>>,
    pub previous: Option<Arc<PreviousSession>>,
    pub void: Vec<VoidCapture>,
}

/// What a row of the table `channel` is to the core.
struct StoredChannel {
    id: ChannelId,
    quantity: Quantity,
    /// Its samples follow from those of others.
    is_derived: bool,
}

struct SessionReplay<'a> {
    recording: Recording<'a>,
    core: Core,
    draft: JudgementDraft,
    effects: Vec<Effect>,
    /// By rowid of the table `channel`.
    channels: HashMap<i64, StoredChannel>,
    conversions: HashMap<ChannelId, Conversion>,
    /// Rowid of the next sample to be read.
    next_row: i64,
    /// Stored samples that the core has not answered yet.
    expected: VecDeque<(i64, SampleRow)>,
    different: Option<String>,
}

/// Drives a new core by a recording. Returns the draft, and the first sample that came out otherwise than it is stored.
pub(super) fn replay(
    recording: Recording,
    draft: JudgementDraft,
) -> Result<(JudgementDraft, Option<String>), JudgingError> {
    let wrong = |why: String| JudgingError::Input { id: recording.session.id, why };
    let Some(CoreInput::Bench(bench)) = recording.inputs.first().map(|first| first.input.clone()) else {
        return Err(wrong("the state of the bench at its begin was not kept".to_owned()));
    };
    let mut core = Core::restored(&bench).map_err(wrong)?;
    if recording.runs.is_some() {
        core.judge_by_record(recording.void.clone());
    }
    let mut replay = SessionReplay {
        core,
        draft,
        effects: Vec::new(),
        channels: HashMap::new(),
        conversions: HashMap::new(),
        next_row: recording.session.first_row,
        expected: VecDeque::new(),
        different: None,
        recording,
    };
    let derived: Vec<(String, ChannelId)> =
        bench.derived.iter().map(|(id, spec)| (spec.name.clone(), ChannelId(*id))).collect();
    replay.know_channels(&derived)?;
    replay.begin()?;
    replay.drive()?;
    replay.end()?;
    Ok((replay.draft, replay.different))
}

impl SessionReplay<'_> {
    fn wrong(&self, why: String) -> JudgingError {
        JudgingError::Input { id: self.recording.session.id, why }
    }

    /// Finds out what each row of the table `channel` is.
    fn know_channels(&mut self, derived: &[(String, ChannelId)]) -> Result<(), JudgingError> {
        let mut ids: HashMap<String, (ChannelId, bool)> = HashMap::new();
        for (name, id) in derived {
            ids.insert(name.clone(), (*id, true));
        }
        for stored in &self.recording.inputs {
            let states = match &stored.input {
                CoreInput::Bench(bench) => &bench.channels[..],
                CoreInput::Channel(state) => std::slice::from_ref(state),
                _ => continue,
            };
            for state in states {
                let (id, channel) = state.channel().map_err(|why| self.wrong(why))?;
                self.conversions.insert(id, channel.conversion);
                ids.insert(channel.name, (id, false));
            }
        }
        for row in channels(self.recording.connection, self.recording.session.id)? {
            if let Some((id, is_derived)) = ids.get(&row.name).copied() {
                self.channels.insert(row.id, StoredChannel { id, quantity: row.quantity, is_derived });
            }
        }
        Ok(())
    }

    fn begin(&mut self) -> Result<(), JudgingError> {
        let Recording { session, visit, procedure, previous, .. } = &self.recording;
        let begin = Begin {
            id: Uuid::parse_str(&session.uuid).unwrap_or(Uuid::nil()),
            wall: Wall(session.began_utc_us),
            visit: visit.clone(),
            procedure: procedure.clone(),
            bench: String::new(),
            retests: None,
            previous: previous.clone(),
        };
        self.core
            .command(Mono(0), Command::Begin(begin), &mut self.effects)
            .map_err(|refusal| self.wrong(refusal.to_string()))?;
        self.write()
    }

    /// Feeds inputs, moves and samples in the order in which they came.
    fn drive(&mut self) -> Result<(), JudgingError> {
        let inputs = std::mem::take(&mut self.recording.inputs);
        let moves: VecDeque<RecordedMove> = self.recording.runs.as_deref().map(moves_of).unwrap_or_default().into();
        let mut moves = moves;
        for stored in &inputs {
            let place = (stored.next_row, stored.at_us);
            while moves.front().is_some_and(|one| one.place < place) {
                self.go(moves.pop_front().expect("there is one in front"))?;
            }
            self.feed_up_to(stored.next_row)?;
            let is_by_record = self.recording.runs.is_some();
            // Where the steps of the record are replayed, the operator's moves follow from them.
            let is_move = matches!(stored.input, CoreInput::Step(_) | CoreInput::Undo)
                || (matches!(stored.input, CoreInput::Mark(_)) && self.recording.procedure.is_none());
            // Judged by another visit, what was told in between is in it.
            let is_told = matches!(stored.input, CoreInput::Temperatures(_)) && self.recording.is_other_visit;
            if is_by_record && is_move || is_told {
                continue;
            }
            // What is taken before the first step makes one.
            let makes_a_step = matches!(stored.input, CoreInput::Take(_)) && self.core.step_view().is_none();
            if is_by_record && makes_a_step && moves.front().is_some_and(|one| one.place == place) {
                self.go(moves.pop_front().expect("there is one in front"))?;
            }
            let taken_up = self.core.take_up(Mono(stored.at_us), &stored.input, &mut self.effects);
            match taken_up {
                Ok(()) => {}
                // Judged by something else, a value may have nothing to be taken from.
                Err(_) if is_by_record => {}
                Err(why) => return Err(self.wrong(why)),
            }
            self.write()?;
        }
        while let Some(one) = moves.pop_front() {
            self.go(one)?;
        }
        self.feed_up_to(self.recording.session.last_row + 1)
    }

    fn go(&mut self, to: RecordedMove) -> Result<(), JudgingError> {
        let (next_row, at_us) = to.place;
        self.feed_up_to(next_row)?;
        self.core
            .move_by_record(Mono(at_us), to.step.as_deref(), to.left, &mut self.effects)
            .map_err(|step| self.wrong(format!("the procedure has no step \"{step}\"")))?;
        self.write()
    }

    /// Feeds the samples before this rowid.
    fn feed_up_to(&mut self, next_row: i64) -> Result<(), JudgingError> {
        while self.next_row < next_row {
            let rows = sample_rows(self.recording.connection, self.next_row, next_row - 1, SAMPLES_AT_A_TIME)?;
            let Some((last, _)) = rows.last() else {
                self.next_row = next_row;
                return Ok(());
            };
            // Rows that have vanished keep their numbers.
            self.draft.go_on_at(rows[0].0);
            self.next_row = last + 1;
            let samples: Vec<Sample> = rows.iter().filter_map(|(_, row)| self.sample(row)).collect();
            self.expected.extend(rows);
            self.core.handle(Mono(0), CoreEvent::StoredSamples(samples), &mut self.effects);
            self.write()?;
        }
        Ok(())
    }

    /// A stored row as the sample that it was; none for one of a derived channel, which follows from others.
    fn sample(&self, row: &SampleRow) -> Option<Sample> {
        let channel = self.channels.get(&row.channel).filter(|channel| !channel.is_derived)?;
        let value = sample_value(row.value, row.state)?;
        let annunciators = u16::try_from(row.state & 0xffff).unwrap_or(0);
        Some(Sample {
            at: Mono(row.time_us),
            channel: channel.id,
            quantity: channel.quantity,
            value,
            u: None,
            decade: row.decade,
            digit: self.conversions.get(&channel.id).and_then(|own| own.digit(channel.quantity, row.decade)),
            annunciators: Annunciators::from_bits_retain(annunciators),
        })
    }

    /// Writes what the core answered.
    fn write(&mut self) -> Result<(), JudgingError> {
        for effect in self.effects.drain(..) {
            let Effect::Record(record) = effect else { continue };
            if let Record::Samples(samples, verdicts) = &record {
                for (sample, verdict) in samples.iter().zip(verdicts) {
                    let Some((rowid, stored)) = self.expected.pop_front() else { continue };
                    let now = SampleRow::new(sample, *verdict, Mono(0), stored.channel);
                    if self.different.is_none() && now != stored {
                        self.different = Some(format!("sample {rowid}: {}", now.difference(&stored)));
                    }
                }
            }
            self.draft.apply(&record)?;
        }
        Ok(())
    }

    fn end(&mut self) -> Result<(), JudgingError> {
        let session = self.recording.session;
        let how = session.ended_how.as_deref().and_then(|word| word.parse::<SessionExit>().ok());
        // One that was cut off has no end: its last step is closed as its samples tell.
        if let (Some(how), Some(ended_us)) = (how, session.ended_us) {
            self.core.end(Mono(ended_us), how, &mut self.effects);
        } else {
            self.core.conclude(&mut self.effects);
        }
        self.write()?;
        Ok(self.draft.finish()?)
    }
}
