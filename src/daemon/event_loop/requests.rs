//! Requests of clients and their answers; a change is answered once it is on disk.

use std::sync::Arc;

use tokio::sync::oneshot;
use uuid::Uuid;

use super::{super::resume, EventLoop, ending::FINDINGS_END, store_reports::StoreTrouble};
use crate::{
    channel::Channel,
    clock::{Clock, Mono},
    judging::bench_differences,
    mistake::Mistake,
    procedure::Procedure,
    server::{Answer, BeginRequest, PendingRequest, Request},
    session::{Begin, Command, Refusal, SessionExit, StepMove},
    store::{
        Folder, StoreError, Ticket,
        read::{Archive, ChannelRow, channels, resumable_session},
    },
};

/// Why a request could not be turned into a command.
#[derive(Debug, thiserror::Error)]
pub(super) enum RequestError {
    #[error(transparent)]
    Mistake(#[from] Mistake),
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error(transparent)]
    Refusal(#[from] Refusal),
}

/// A session that is ready to begin, and who asked for it.
#[derive(Debug)]
pub(in crate::daemon) struct PreparedBegin {
    begin: Result<Begin, RequestError>,
    answer: oneshot::Sender<Answer>,
    /// The session that is done again, and its channels.
    retested: Option<RetestedBench>,
}

/// The number of a session that is done again, and the channels that it had.
pub(super) type RetestedBench = (i64, Vec<ChannelRow>);

/// Commands that are carried out although nothing reaches the disk; further ones are refused.
const UNWRITTEN_COMMANDS: usize = 500;

/// Their texts together, bytes: some procedures.
const UNWRITTEN_BYTES: usize = 4 << 20;

impl EventLoop {
    pub(super) fn handle_request(&mut self, PendingRequest { request, answer }: PendingRequest) {
        let at = self.clock.mono();
        let command = match request {
            Request::Status {} | Request::Watch {} => {
                drop(answer.send(Answer { status: Some(self.status(at)), ..Answer::done() }));
                return;
            }
            Request::Speaker { name } => {
                if self.outputs.speaker.claim(&name, at) {
                    self.publish_speaker();
                }
                drop(answer.send(Answer::done()));
                return;
            }
            Request::Link { .. } | Request::Links {} | Request::Revoke { .. } => {
                drop(answer.send(Answer::refused("links are made by `bayline page` at the computer")));
                return;
            }
            Request::Begin(asked) => return self.prepare_begin(*asked, answer),
            Request::End {} => Command::End,
            Request::Step { to } => Command::Step(StepMove::parse(&to)),
            Request::Take { answer: Some(answer), .. } => Command::Answer(answer),
            Request::Take { channel, answer: None } => Command::Take(channel),
            Request::Mark { text, by } => Command::Mark { text, by },
            Request::Note { text } => Command::Note(text),
            Request::Photo(photo) => Command::Photo(photo),
            Request::Correct(told) => Command::Correct(*told),
            Request::Zero { channel } => Command::Zero(channel),
            Request::Undo {} => Command::Undo,
        };
        self.carry_out(at, command, answer);
    }

    /// Reads what a session begins with on a thread of its own: a procedure may be long, and the archive on a slow disk.
    fn prepare_begin(&self, asked: BeginRequest, answer: oneshot::Sender<Answer>) {
        let (folder, bench, channels) = (self.folder.clone(), self.bench_text.clone(), self.channels.clone());
        let prepared = self.to_prepared.clone();
        tokio::task::spawn_blocking(move || {
            let retested = retested(&asked, &folder);
            let begin = begin_of(asked, &folder, bench, channels.as_deref());
            // Where the loop has ended, the answer is dropped, and the client learns it from that.
            drop(prepared.blocking_send(PreparedBegin { begin, answer, retested }));
        });
    }

    pub(super) fn begin_prepared(&mut self, PreparedBegin { begin, answer, retested }: PreparedBegin) {
        match begin {
            Ok(begin) => {
                // Looked at as it begins, which may be later.
                self.retested = retested.map(|retested| (begin.id, retested));
                self.carry_out(self.clock.mono(), Command::Begin(begin), answer);
            }
            Err(mistake) => drop(answer.send(Answer::refused(mistake.to_string()))),
        }
    }

    fn carry_out(&mut self, at: Mono, command: Command, to: oneshot::Sender<Answer>) {
        if let Some(trouble) = &mut self.trouble
            && let Err(refusal) = trouble.accept(&command)
        {
            return drop(to.send(Answer::refused(refusal)));
        }
        if let Some(how) = exit_by(&command)
            && self.core.wind_up(at, how, &mut self.effects)
        {
            // No reading waits for the findings: what ends the session does.
            self.apply_effects();
            if self.held.is_empty() {
                self.held_until = at.plus(FINDINGS_END);
            }
            self.held.push_back((command, to));
            return;
        }
        self.carry_out_now(at, command, to);
    }

    /// Carries out what waited for the end of a session, once that is closed.
    pub(super) fn carry_out_held(&mut self, at: Mono) {
        while !self.core.is_ending()
            && let Some((command, to)) = self.held.pop_front()
        {
            // One that begins a session may have another behind it.
            if exit_by(&command).is_some_and(|how| self.core.wind_up(at, how, &mut self.effects)) {
                self.held.push_front((command, to));
                self.held_until = at.plus(FINDINGS_END);
                break;
            }
            self.carry_out_now(at, command, to);
        }
        self.apply_effects();
    }

    fn carry_out_now(&mut self, at: Mono, command: Command, to: oneshot::Sender<Answer>) {
        let (procedure, begun) = match &command {
            Command::Begin(begin) => (begin.procedure.clone(), Some(begin.id)),
            _ => (None, None),
        };
        match self.core.command(at, command, &mut self.effects) {
            Err(refusal) => drop(to.send(Answer::refused(refusal.to_string()))),
            Ok(reply) => {
                self.apply_effects();
                let mut answer = Answer::from(&reply);
                answer.warnings.extend(self.record_fitness_issues(at, procedure.as_deref()));
                if let Some((_, (id, before))) = self.retested.take_if(|(id, _)| Some(*id) == begun) {
                    let now: Vec<&Channel> = self.core.channels().collect();
                    answer.warnings.extend(bench_differences(id, &before, &now, procedure.as_deref()));
                }
                self.answer_when_kept(to, answer);
            }
        }
    }

    fn answer_when_kept(&mut self, to: oneshot::Sender<Answer>, answer: Answer) {
        self.tickets += 1;
        let ticket = Ticket(self.tickets);
        // Also where the answer does not wait for it: what is on disk is looked after at each ticket.
        self.store.sync(ticket);
        match &self.trouble {
            Some(trouble) => drop(to.send(not_on_disk(answer, &trouble.why))),
            None => _ = self.waiting.insert(ticket, (to, answer)),
        }
    }
}

/// How a command ends the session that is open; none where it does not.
fn exit_by(command: &Command) -> Option<SessionExit> {
    match command {
        Command::End => Some(SessionExit::Ended),
        Command::Begin(_) => Some(SessionExit::Replaced),
        _ => None,
    }
}

/// The session that is done again, where one is.
fn retested(asked: &BeginRequest, folder: &Folder) -> Option<RetestedBench> {
    let archive = Archive::open(folder).ok()?;
    let (connection, session) = archive.find(asked.retests.as_ref()?).ok()?;
    Some((session.id, channels(connection, session.id).ok()?))
}

/// What a session begins with.
fn begin_of(
    asked: BeginRequest,
    folder: &Folder,
    bench: String,
    channels: Option<&[String]>,
) -> Result<Begin, RequestError> {
    asked.visit.check()?;
    let mut begin = Begin {
        id: Uuid::now_v7(),
        wall: Clock::wall(),
        visit: asked.visit,
        procedure: None,
        bench,
        retests: None,
        previous: None,
    };
    if let Some(wanted) = &asked.retests {
        let archive = Archive::open(folder)?;
        let (_, session) = archive.find(wanted)?;
        begin.visit = begin.visit.or(session.visit.for_another_day());
        begin.retests = Uuid::parse_str(&session.uuid).ok();
    }
    if let Some(wanted) = &asked.continues {
        begin = resume(begin, resumable_session(&Archive::open(folder)?, wanted)?)?;
    }
    if let Some(sent) = asked.procedure {
        begin.procedure = Some(Arc::new(Procedure::parse(&sent.file, &sent.text)?));
    }
    if let (Some(procedure), Some(channels)) = (&begin.procedure, channels) {
        procedure.check_channels(channels)?;
    }
    Ok(begin)
}

impl StoreTrouble {
    /// Counts a command that can't be written now, or refuses it where too many wait. The end of a session is never
    /// refused.
    fn accept(&mut self, command: &Command) -> Result<(), String> {
        let bytes = match command {
            Command::End => return Ok(()),
            Command::Begin(begin) => begin.procedure.as_ref().map_or(0, |procedure| procedure.text.len()),
            Command::Mark { text, by } => text.len() + by.len(),
            Command::Note(text) | Command::Step(StepMove::Named(text)) => text.len(),
            Command::Photo(photo) => photo.text.len(),
            Command::Undo
            | Command::Step(_)
            | Command::Take(_)
            | Command::Answer(_)
            | Command::Zero(_)
            | Command::Correct(_) => 0,
        };
        if self.commands >= UNWRITTEN_COMMANDS || self.bytes + bytes > UNWRITTEN_BYTES {
            return Err(format!(
                "not done: {} commands wait for the disk already, and no more are taken; cannot write the database: {}",
                self.commands, self.why
            ));
        }
        self.commands += 1;
        self.bytes += bytes;
        Ok(())
    }
}

pub(super) fn not_on_disk(answer: Answer, why: &str) -> Answer {
    let error = format!("done, but not on disk yet: cannot write the database: {why}");
    Answer { ok: false, error: Some(error), ..answer }
}
