//! The operator's commands, and which are refused.

use std::sync::Arc;

use super::{Core, zeroing::leads_input};
use crate::{
    channel::ChannelId,
    clock::Mono,
    procedure::YesNo,
    session::{
        Capture, Command, CommandReply, CoreInput, Effect, Judgement, Notice, Record, Refusal, StepMove, StepView,
        VisitPhoto, VisitTemperatures,
        active_step::channel_named,
        judge::{CaptureMethod, FRESH_US},
        meters::MeterState,
        open_session::{BenchView, Session, trimmed},
        proof::CaptureFlag,
        record::{EventKind, SessionExit},
        undo::OperatorAct,
    },
    text_length::{check_name, check_text},
    units::{Quantity, show},
};

impl Core {
    /// Carries out an operator command. A refused one changes nothing.
    pub fn command(&mut self, at: Mono, command: Command, effects: &mut Vec<Effect>) -> Result<CommandReply, Refusal> {
        let (input, first) = (self.input_of(&command), effects.len());
        let reply = self.carry_out(at, command, effects);
        if let (Ok(_), Some(input)) = (&reply, input) {
            // Before what follows from it.
            effects.insert(first, Effect::Record(Record::Input(at, Box::new(input))));
        }
        self.close_ask(effects);
        reply
    }

    fn carry_out(&mut self, at: Mono, command: Command, effects: &mut Vec<Effect>) -> Result<CommandReply, Refusal> {
        let on = self.step_view().cloned();
        match command {
            Command::Begin(begin) => Ok(self.begin(at, begin, effects)),
            Command::End => self.end(at, SessionExit::Ended, effects).ok_or(Refusal::NoSession),
            Command::Step(to) => self.go_by_hand(at, to, effects),
            Command::Take(channel) => {
                let reply = self.take(at, channel, effects)?;
                Ok(self.captured_by_hand(on, reply))
            }
            Command::Answer(answer) => {
                let reply = self.answer(at, answer, effects)?;
                Ok(self.captured_by_hand(on, reply))
            }
            Command::Zero(channel) => self.zero(at, &channel, effects),
            Command::Undo => self.undo(at, effects),
            Command::Mark { text, by } => self.mark(at, text, &by, effects),
            Command::Note(text) => {
                let text = trimmed(&text, "note", check_text)?;
                self.open_session()?;
                self.last_act = Some(OperatorAct::Remarked(EventKind::Note, text.clone()));
                self.remark(at, EventKind::Note, String::new(), text, effects);
                Ok(CommandReply::Kept)
            }
            Command::Photo(photo) => self.photograph(at, *photo, effects),
            Command::Correct(told) => {
                let session = self.open_session()?;
                let before = VisitTemperatures::of(&session.begin.visit);
                let corrections = told.apply(&mut session.begin.visit)?;
                self.keep_temperatures(at, before, effects);
                for correction in &corrections {
                    effects.push(Effect::Record(Record::Corrected(at, correction.clone())));
                    self.remark(at, EventKind::Corrected, String::new(), correction.to_string(), effects);
                }
                self.last_act = Some(OperatorAct::Corrected(corrections.clone()));
                Ok(CommandReply::Corrected(corrections))
            }
        }
    }

    /// Keeps the visit's temperatures as an input where they are others than before.
    fn keep_temperatures(&mut self, at: Mono, before: VisitTemperatures, effects: &mut Vec<Effect>) {
        let Some(session) = &mut self.session else { return };
        let now = VisitTemperatures::of(&session.begin.visit);
        if now != before {
            session.set_temperatures(now);
            self.keep_input(at, || CoreInput::Temperatures(now), effects);
        }
    }

    pub(super) fn open_session(&mut self) -> Result<&mut Session, Refusal> {
        self.session.as_mut().ok_or(Refusal::NoSession)
    }

    fn go(&mut self, at: Mono, to: StepMove, effects: &mut Vec<Effect>) -> Result<CommandReply, Refusal> {
        let session = self.session.as_mut().ok_or(Refusal::NoSession)?;
        let bench = BenchView { channels: &self.channels, zeros: &self.zeros };
        let (judged, now) = session.go(at, to, &bench, effects)?;
        Ok(CommandReply::Step { judged, now })
    }

    fn go_by_hand(&mut self, at: Mono, to: StepMove, effects: &mut Vec<Effect>) -> Result<CommandReply, Refusal> {
        let left = self.step_view().cloned();
        let reply = self.go(at, to, effects)?;
        self.last_act = Some(OperatorAct::Moved(left));
        Ok(reply)
    }

    /// A capture by hand without a step on began one.
    fn captured_by_hand(&mut self, on: Option<Arc<StepView>>, reply: CommandReply) -> CommandReply {
        self.last_act = Some(on.map_or(OperatorAct::Moved(None), OperatorAct::Captured));
        reply
    }

    /// Undoes the operator's last act; its record stays, with an event that it was undone.
    fn undo(&mut self, at: Mono, effects: &mut Vec<Effect>) -> Result<CommandReply, Refusal> {
        self.open_session()?;
        let none = if self.was_undone { Refusal::UndoneAlready } else { Refusal::NothingToUndo };
        let act = self.last_act.take().ok_or(none)?;
        let bench = BenchView { channels: &self.channels, zeros: &self.zeros };
        let session = self.session.as_mut().ok_or(Refusal::NoSession)?;
        let text = match act {
            OperatorAct::Moved(left) => match session.undo_to(at, left.as_deref(), &bench, effects) {
                Some(view) => format!("undone: \"{}\" is on again, as attempt {}", view.name, view.attempt),
                None => "undone: no step is on".to_owned(),
            },
            OperatorAct::Captured(view) => {
                session.undo_to(at, Some(&view), &bench, effects);
                format!("undone: what was captured in \"{}\" does not count, and the step begins again", view.name)
            }
            OperatorAct::Corrected(corrections) => {
                let before = VisitTemperatures::of(&session.begin.visit);
                let undone: Vec<_> = corrections.iter().map(|one| one.undo(&mut session.begin.visit)).collect();
                self.keep_temperatures(at, before, effects);
                effects.extend(undone.iter().map(|one| Effect::Record(Record::Corrected(at, one.clone()))));
                let words: Vec<String> = undone.iter().map(ToString::to_string).collect();
                format!("undone: {}", words.join(", "))
            }
            OperatorAct::Zeroed(id) => {
                let zeroed = self.zeros.undo(usize::from(id.0)).ok_or(Refusal::NothingToUndo)?;
                self.keep_input(at, || CoreInput::Zero(id.0, zeroed), effects);
                effects.push(Effect::Record(Record::Zeroed(at, id, zeroed)));
                let offset = zeroed.shown();
                format!("undone: {offset} is taken off \"{}\" again, as before", self.channel_name(Some(id)))
            }
            OperatorAct::Nulled(id, before) => {
                session.set_leads(id, before);
                self.keep_input(at, || leads_input(id, before), effects);
                match before {
                    Some(ohms) => {
                        let ohms = show(ohms.value, Quantity::Ohms);
                        format!("undone: {ohms} is taken off \"{}\" again, as before", self.channel_name(Some(id)))
                    }
                    None => format!("undone: nothing is taken off \"{}\" for its leads", self.channel_name(Some(id))),
                }
            }
            OperatorAct::Photographed(hash, text) => {
                session.photos.remove(&hash);
                effects.push(Effect::Record(Record::PhotoUndone(at, hash)));
                let named = if text.is_empty() { String::new() } else { format!(" \"{text}\"") };
                format!("undone: the photo{named} does not count")
            }
            OperatorAct::Remarked(kind, text) => format!("undone: the {} \"{text}\" does not count", kind.word()),
        };
        let remark = text.strip_prefix("undone: ").unwrap_or(&text).to_owned();
        self.remark(at, EventKind::Undone, String::new(), remark, effects);
        self.was_undone = true;
        Ok(CommandReply::Undone { text, now: self.step_view().cloned() })
    }

    /// Keeps a photo; one that came before is kept once.
    fn photograph(
        &mut self,
        at: Mono,
        mut photo: VisitPhoto,
        effects: &mut Vec<Effect>,
    ) -> Result<CommandReply, Refusal> {
        if self.open_session()?.photos.add(&mut photo)? {
            self.last_act = Some(OperatorAct::Photographed(photo.hash.clone(), photo.text.clone()));
            self.remark(at, EventKind::Photo, String::new(), photo.text.clone(), effects);
            effects.push(Effect::Record(Record::Photo(at, Box::new(photo))));
        }
        Ok(CommandReply::Kept)
    }

    fn mark(&mut self, at: Mono, text: String, by: &str, effects: &mut Vec<Effect>) -> Result<CommandReply, Refusal> {
        check_text("mark", text.trim())?;
        check_name("name of who marks", by.trim())?;
        let by = by.trim().to_owned();
        let text_or = |default: &str| if text.trim().is_empty() { default } else { text.trim() }.to_owned();
        match self.open_session()?.procedure() {
            None => {
                let named = text_or("mark");
                let reply = self.go_by_hand(at, StepMove::Named(named.clone()), effects)?;
                // The step is its news; who made it stands among the events, as in a procedure.
                effects.push(Effect::Record(Record::Event(at, EventKind::Mark, by, named)));
                Ok(reply)
            }
            Some(_) => {
                let marked = text_or("this moment");
                self.last_act = Some(OperatorAct::Remarked(EventKind::Mark, marked.clone()));
                self.remark(at, EventKind::Mark, by, marked, effects);
                if let Some(step) = self.session.as_mut().and_then(|session| session.step.as_mut()) {
                    step.mark(at, &text, &mut self.events);
                    self.handle_step_events(at, effects);
                }
                self.acknowledge(at, effects);
                Ok(CommandReply::Kept)
            }
        }
    }

    /// A mark acknowledges what the operator was asked to do by hand.
    fn acknowledge(&mut self, at: Mono, effects: &mut Vec<Effect>) {
        let step = self.session.as_mut().and_then(|session| session.step.as_mut());
        if let Some(ask) = step.and_then(|step| step.judge.proof.acknowledge(at)) {
            self.put_ask(at, ask, effects);
        }
    }

    /// The answer to a step's question; the next step begins where steps follow by themselves.
    fn answer(&mut self, at: Mono, answer: YesNo, effects: &mut Vec<Effect>) -> Result<CommandReply, Refusal> {
        let session = self.session.as_mut().ok_or(Refusal::NoSession)?;
        let step = session.step.as_mut().ok_or(Refusal::NoStep)?;
        let capture = step.judge.answer(at, answer).ok_or(Refusal::NoQuestion)?;
        let advances = session.advances();
        let taken = vec![(String::new(), capture.clone())];
        self.keep_captures(vec![capture], effects);
        if advances {
            // After the last step the move is refused and changes nothing.
            drop(self.go(at, StepMove::Next, effects));
        }
        Ok(CommandReply::Taken(taken))
    }

    fn take(&mut self, at: Mono, channel: Option<String>, effects: &mut Vec<Effect>) -> Result<CommandReply, Refusal> {
        let wanted = channel.map(|name| self.find_channel(&name)).transpose()?;
        let session = self.session.as_mut().ok_or(Refusal::NoSession)?;
        if session.step.as_ref().is_some_and(|step| step.view.asks) {
            return Err(Refusal::Question);
        }
        let judged = session.step.as_mut().filter(|step| {
            let watched = step.judge.criteria.channel;
            step.view.channel.is_some() && (wanted.is_none() || wanted == watched)
        });
        let captures = match judged {
            Some(step) => match step.judge.refusal(at) {
                Some(why) => return Err(Refusal::WrongSwitch { why }),
                None if step.judge.has_reading(at) => vec![step.judge.take(at)],
                None => Vec::new(),
            },
            None => self.plain_captures(at, wanted),
        };
        if captures.is_empty() {
            return Err(self.why_nothing_to_take(at, wanted));
        }
        // What is taken stands in the ledger, so it needs a step.
        if self.step_view().is_none() {
            match self.open_session()?.procedure() {
                None => drop(self.go(at, StepMove::Next, effects)?),
                Some(_) => return Err(Refusal::NoStep),
            }
        }
        let taken = captures.iter().map(|capture| (self.channel_name(capture.channel), capture.clone())).collect();
        self.keep_captures(captures, effects);
        if self.step_view().is_some_and(|view| view.has_next_item) && !self.moves_by_record {
            // The next item of a set has a capture of its own.
            drop(self.go(at, StepMove::Next, effects));
        }
        Ok(CommandReply::Taken(taken))
    }

    /// Why there is no present reading: the meter may be missing.
    fn why_nothing_to_take(&self, at: Mono, wanted: Option<ChannelId>) -> Refusal {
        let of_step = || self.session.as_ref()?.step.as_ref()?.judge.criteria.channel;
        let channel = wanted.or_else(of_step).and_then(|id| self.channels.get(usize::from(id.0))?.as_ref());
        let of = |meter: &MeterState| self.why_no_reading(at, meter);
        let why = match channel {
            Some(channel) => self.meters.get(usize::from(channel.meter.0)).and_then(of),
            // Only where none can be read.
            None => self.meters.iter().map(of).collect::<Option<Vec<_>>>().and_then(|all| all.into_iter().next()),
        };
        why.unwrap_or(Refusal::NothingToTake)
    }

    /// Why a meter gives no reading; none where it does, or was opened just now.
    fn why_no_reading(&self, at: Mono, meter: &MeterState) -> Option<Refusal> {
        let name = meter.name.clone();
        if meter.is_missing() {
            return Some(Refusal::MeterMissing { meter: name, why: meter.why.clone() });
        }
        let silence = meter.silence(at).filter(|silence| *silence > FRESH_US);
        if meter.is_unintelligible() || silence.is_some() && meter.sends_rubbish() {
            return Some(Refusal::Unintelligible { meter: name });
        }
        let silence = silence?;
        Some(Refusal::MeterSilent { meter: name, for_s: silence as f64 / 1e6 })
    }

    /// Records captures and notifies watching clients.
    pub(super) fn keep_captures(&mut self, captures: Vec<Capture>, effects: &mut Vec<Effect>) {
        let view = self.step_view().cloned();
        for mut capture in captures {
            if let Some(void) = self.void.iter().find(|void| void.is(&capture)) {
                capture.judgement.reason += &format!("; void: {}", void.why);
                capture.flags.push(CaptureFlag::Void);
            }
            if let (Some(session), Some(view)) = (&mut self.session, &view) {
                session.prompts.captured(view, &capture);
            }
            let number = view.as_ref().map(|view| view.number);
            effects.push(Effect::Record(Record::Captured(number, Box::new(capture.clone()))));
            let step = view.as_ref().map_or(String::new(), |view| view.name.clone());
            let channel = self.channel_name(capture.channel);
            effects.push(Effect::Notice(Notice::Captured { step, channel, capture: Box::new(capture) }));
        }
    }

    /// Captures of the present value of every channel, without a limit.
    fn plain_captures(&self, at: Mono, wanted: Option<ChannelId>) -> Vec<Capture> {
        let fresh =
            self.latest.iter().flatten().filter(|latest| latest.is_of_session).map(|latest| latest.sample).filter(
                |sample| at.since(sample.at) <= FRESH_US && wanted.is_none_or(|wanted| wanted == sample.channel),
            );
        fresh
            .map(|sample| {
                let judgement = Judgement::recorded(&sample);
                Capture::plain(CaptureMethod::Taken, sample.at, Some(sample.channel), judgement)
            })
            .collect()
    }

    pub(super) fn find_channel(&self, name: &str) -> Result<ChannelId, Refusal> {
        channel_named(&self.channels, name).ok_or_else(|| Refusal::UnknownChannel {
            name: name.to_owned(),
            channels: self.channels.iter().flatten().map(|channel| channel.name.clone()).collect(),
        })
    }
}
