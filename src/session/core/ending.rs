//! The end of a session: it takes nothing any more at once, and is closed when its last findings are there.
//!
//! Who has time works them out in the call ([`Core::end`]); a loop that must not wait winds the session up, goes on, and is told
//! by [`CoreEvent::Findings`](super::CoreEvent::Findings).

use uuid::Uuid;

use super::Core;
use crate::{
    clock::Mono,
    session::{
        CommandReply, Effect, Judgement, Notice, Record,
        findings::Finding,
        open_session::Session,
        record::{SessionExit, StepExit},
    },
};

/// A session that takes nothing any more.
#[derive(Debug)]
pub(super) struct EndingSession {
    session: Session,
    at: Mono,
    how: SessionExit,
    /// Of its last step.
    judged: Option<Judgement>,
}

/// The alarm that findings could not be worked out.
const ALARM: &str = "findings";

impl Core {
    /// Ends the session, if one is open; findings that no one has worked out yet are worked out here and now.
    pub fn end(&mut self, at: Mono, how: SessionExit, effects: &mut Vec<Effect>) -> Option<CommandReply> {
        if self.wind_up(at, how, effects)
            && let Some(ending) = &mut self.ending
        {
            ending.session.findings.finish();
            self.close(effects);
        }
        self.ended.take()
    }

    /// What the captures of a session come to that was cut off: nobody ends it.
    pub(crate) fn conclude(&mut self, effects: &mut Vec<Effect>) {
        let Some(session) = &mut self.session else { return };
        session.findings.finish();
        if !session.findings.ranked().is_empty() {
            let (findings, ends_at) = (session.findings.ranked().to_vec(), session.findings.ends_at());
            effects.push(Effect::Record(Record::Findings { findings, ends_at }));
        }
    }

    /// Ends the last step of the session and takes nothing more for it; true while its last findings are awaited. Once they
    /// are there, [`end`](Self::end) tells how it ended.
    pub fn wind_up(&mut self, at: Mono, how: SessionExit, effects: &mut Vec<Effect>) -> bool {
        if self.ending.is_none() && self.session.is_some() {
            self.report_session_totals(at, effects);
            if let Some(mut session) = self.session.take() {
                let judged = session.leave(at, StepExit::SessionEnd, &self.channels, effects);
                session.put_back(at, effects);
                self.ending = Some(EndingSession { session, at, how, judged });
            }
            self.close_ask(effects);
            self.close(effects);
        }
        self.ending.is_some()
    }

    /// Whether a session waits for its last findings.
    pub fn is_ending(&self) -> bool {
        self.ending.is_some()
    }

    /// Closes a session that was wound up without the findings that it waits for, and says so: older ones rest on fewer captures, so
    /// that none are kept.
    pub fn close_without_findings(&mut self, why: &str, effects: &mut Vec<Effect>) {
        let Some(ending) = &mut self.ending else { return };
        ending.session.findings.give_up();
        let text = format!("{why}: the session keeps no findings. `bayline judge` works them out from its captures.");
        effects.extend(Effect::announce(ending.at, text));
        self.close(effects);
    }

    /// Findings were worked out.
    pub(super) fn concluded(
        &mut self,
        session: Uuid,
        captures: u64,
        findings: Vec<Finding>,
        effects: &mut Vec<Effect>,
    ) {
        self.alarm(ALARM.to_owned(), None);
        let ending = self.ending.as_mut().map(|ending| &mut ending.session);
        if let Some(of) = self.session.as_mut().into_iter().chain(ending).find(|open| open.begin.id == session) {
            of.concluded(session, captures, findings, effects);
        }
        self.close(effects);
    }

    /// Findings could not be worked out.
    pub(super) fn not_concluded(
        &mut self,
        at: Mono,
        (session, captures): (Uuid, u64),
        why: String,
        effects: &mut Vec<Effect>,
    ) {
        let is_awaited = |open: &Session| open.begin.id == session && open.findings.awaits(captures);
        if self.ending.as_ref().is_some_and(|ending| is_awaited(&ending.session)) {
            self.close_without_findings(&why, effects);
        } else if let Some(open) = self.session.as_mut().filter(|open| is_awaited(open)) {
            open.findings.give_up();
            effects.extend(Effect::announce(at, format!("{why}.")));
        }
        self.alarm(ALARM.to_owned(), Some(why));
    }

    /// Closes a session that was wound up, unless findings are awaited.
    fn close(&mut self, effects: &mut Vec<Effect>) {
        let Some(EndingSession { session, at, how, judged }) =
            self.ending.take_if(|ending| !ending.session.findings.is_pending())
        else {
            return;
        };
        if !session.findings.ranked().is_empty() {
            let (findings, ends_at) = (session.findings.ranked().to_vec(), session.findings.ends_at());
            effects.push(Effect::Record(Record::Findings { findings, ends_at }));
        }
        effects.push(Effect::Record(Record::SessionEnded(at, how)));
        effects.push(Effect::Notice(Notice::SessionEnded(how)));
        self.ended = Some(CommandReply::Ended { id: session.begin.id, judged });
    }

    fn report_session_totals(&mut self, at: Mono, effects: &mut Vec<Effect>) {
        for index in 0..self.meters.len() {
            for (kind, text) in self.meters[index].session_totals() {
                let subject = self.meters[index].name.clone();
                self.remark(at, kind, subject, text, effects);
            }
        }
    }
}
