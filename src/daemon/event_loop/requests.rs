//! Requests of clients and their answers; a change is answered once it is on disk.

use std::sync::Arc;

use tokio::sync::oneshot;
use uuid::Uuid;

use super::{super::resume, EventLoop};
use crate::{
    clock::Clock,
    mistake::Mistake,
    procedure::Procedure,
    server::{Answer, PendingRequest, Request},
    session::{Begin, Command, StepMove},
    store::{StoreError, Ticket, open_to_read, read::resumable_session},
};

/// Why a request could not be turned into a command.
#[derive(Debug, thiserror::Error)]
pub(super) enum RequestError {
    #[error(transparent)]
    Mistake(#[from] Mistake),
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl EventLoop {
    pub(super) fn handle_request(&mut self, PendingRequest { request, answer: to }: PendingRequest) {
        let at = self.clock.mono();
        let command = match self.command(request) {
            Ok(Some(command)) => command,
            Ok(None) => {
                drop(to.send(Answer { status: Some(self.status(at)), ..Answer::done() }));
                return;
            }
            Err(mistake) => return drop(to.send(Answer::refused(mistake.to_string()))),
        };
        let procedure = match &command {
            Command::Begin(begin) => begin.procedure.clone(),
            _ => None,
        };
        match self.core.command(at, command, &mut self.effects) {
            Err(refusal) => drop(to.send(Answer::refused(refusal.to_string()))),
            Ok(reply) => {
                self.apply_effects();
                let warnings = self.record_fitness_issues(at, procedure.as_deref());
                self.answer_when_kept(to, Answer { warnings, ..Answer::from(&reply) });
            }
        }
    }

    fn answer_when_kept(&mut self, to: oneshot::Sender<Answer>, answer: Answer) {
        if let Some(why) = &self.write_error {
            return drop(to.send(not_on_disk(answer, why)));
        }
        self.tickets += 1;
        let ticket = Ticket(self.tickets);
        self.waiting.insert(ticket, (to, answer));
        self.store.sync(ticket);
    }

    /// The command for a request; none for a request that only reads.
    fn command(&self, request: Request) -> Result<Option<Command>, RequestError> {
        Ok(Some(match request {
            Request::Begin(asked) => {
                let mut begin = Begin {
                    id: Uuid::now_v7(),
                    wall: Clock::wall(),
                    visit: asked.visit,
                    procedure: None,
                    bench: self.bench_text.clone(),
                    previous: None,
                };
                if let Some(wanted) = &asked.continues {
                    begin = resume(begin, resumable_session(&open_to_read(&self.database)?, wanted)?)?;
                }
                if let Some(sent) = asked.procedure {
                    begin.procedure = Some(Arc::new(Procedure::parse(&sent.file, &sent.text)?));
                }
                if let (Some(procedure), Some(channels)) = (&begin.procedure, &self.channels) {
                    procedure.check_channels(channels)?;
                }
                Command::Begin(begin)
            }
            Request::End {} => Command::End,
            Request::Step { to } => Command::Step(StepMove::parse(&to)),
            Request::Take { channel } => Command::Take(channel),
            Request::Mark { text } => Command::Mark(text),
            Request::Note { text } => Command::Note(text),
            Request::Zero { channel } => Command::Zero(channel),
            Request::Status {} | Request::Watch {} => return Ok(None),
        }))
    }
}

pub(super) fn not_on_disk(answer: Answer, why: &str) -> Answer {
    let error = format!(
        "done, but not on disk yet: cannot write the database: {why}; free disk space, it is written as soon as possible"
    );
    Answer { ok: false, error: Some(error), ..answer }
}
