//! What the screen knows of the session. News change it; the answer to `status` brings what news do not tell.

use super::super::{answer::ANSWERING_COMMANDS, failure::Failure, show_value};
use crate::{
    server::{
        Answer, AskMessage, CaptureMessage, ChannelLine, MeterLine, News, SessionLine, StatusReport, StepMessage,
    },
    session::Verdict,
    store::read::StepRow,
    units::{Quantity, ValueFormat},
};

/// The most lines that are kept of each list.
const MOST_LINES: usize = 200;

/// What was done, newest last.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct LedgerLine {
    pub step: String,
    pub value: String,
    pub verdict: Option<Verdict>,
}

/// What the screen knows.
#[derive(Debug, Default)]
pub(super) struct ScreenState {
    session: Option<SessionLine>,
    pub step: Option<StepMessage>,
    pub ask: Option<AskMessage>,
    pub readings: Vec<ChannelLine>,
    pub meters: Vec<MeterLine>,
    pub alarms: Vec<String>,
    pub finding: Option<String>,
    pub ledger: Vec<LedgerLine>,
    /// What was announced or refused last.
    pub message: Option<String>,
    /// Seconds until what is on must be switched off.
    pub count: Option<i64>,
    bell: bool,
}

impl ScreenState {
    /// Takes in the answer to `status`; whether another session is on now.
    pub(super) fn status(&mut self, status: StatusReport) -> bool {
        let uuid = |session: &Option<SessionLine>| session.as_ref().map(|session| session.uuid.clone());
        let is_new = uuid(&self.session) != uuid(&status.session);
        if is_new {
            self.ledger.clear();
        }
        self.session = status.session;
        self.step = status.step;
        self.ask = status.ask;
        self.readings = status.readings;
        self.meters = status.meters;
        self.alarms = status.alarms;
        self.finding = status.findings.into_iter().next().map(|finding| finding.sentence);
        is_new
    }

    /// The identity of the session; none where none is open.
    pub(super) fn session(&self) -> Option<&str> {
        self.session.as_ref().map(|session| session.uuid.as_str())
    }

    /// Machine and job in a few words.
    pub(super) fn title(&self) -> String {
        let Some(session) = &self.session else { return "no session: bayline begin".to_owned() };
        let words = [&session.machine, &session.job].map(|text| text.trim()).into_iter();
        let words: Vec<&str> = words.filter(|text| !text.is_empty()).collect();
        if words.is_empty() { "bayline".to_owned() } else { words.join(" · ") }
    }

    /// Whether the step asks a question that is answered by yes or no.
    pub(super) fn asks_a_question(&self) -> bool {
        self.step.as_ref().is_some_and(|step| step.asks)
    }

    /// What the step's own channel shows.
    pub(super) fn own_reading(&self) -> Option<&ChannelLine> {
        let channel = self.step.as_ref()?.channel.as_ref()?;
        self.readings.iter().find(|reading| reading.channel == *channel)
    }

    /// Whether a piece of news means that more has changed than it tells.
    pub(super) fn is_due(&self, news: &News) -> bool {
        matches!(news, News::Missed { .. } | News::SessionBegan { .. } | News::SessionEnded { .. } | News::Event { .. })
    }

    /// The bell rings once for all that happened since it was asked for.
    pub(super) fn take_bell(&mut self) -> bool {
        std::mem::take(&mut self.bell)
    }

    /// Takes in a piece of news.
    pub(super) fn news(&mut self, news: News) {
        match news {
            News::Readings { readings, .. } => {
                // What came from a meter that is silent now stays, with the age that `status` gives it.
                for reading in readings {
                    match self.readings.iter_mut().find(|shown| shown.channel == reading.channel) {
                        Some(shown) => *shown = reading,
                        None => self.readings.push(reading),
                    }
                }
            }
            News::Step { step } => {
                self.step = Some(step);
                self.count = None;
            }
            News::Captured { step, capture } => {
                self.bell = true;
                self.count = None;
                self.captured(step, &capture);
            }
            News::Finding { finding } => {
                self.bell = true;
                self.finding = Some(finding.sentence);
            }
            News::Say { text } => {
                self.bell = true;
                self.message = Some(text);
            }
            News::Ask { ask } => {
                self.bell = true;
                self.ask = Some(ask);
            }
            News::AskOver {} => self.ask = None,
            News::Count { seconds } => {
                self.bell = true;
                self.count = Some(seconds);
            }
            News::SessionBegan { .. } | News::SessionEnded { .. } => {
                (self.message, self.count, self.ask) = (None, None, None);
            }
            News::Tick { channel } => {
                self.bell = true;
                self.message = Some(format!("drop-out: {channel}"));
            }
            News::Excursion { text, .. } | News::DropOut { text, .. } => self.message = Some(text),
            News::Judged { .. }
            | News::Event { .. }
            | News::Change { .. }
            | News::Response { .. }
            | News::Speaker { .. }
            | News::Missed { .. } => {}
        }
    }

    fn captured(&mut self, step: String, capture: &CaptureMessage) {
        let judgement = &capture.judgement;
        let value = match (judgement.answer, judgement.value) {
            (Some(answer), _) => answer.word().to_owned(),
            (None, Some(value)) => {
                let quantity = judgement.quantity.unwrap_or(Quantity::Number);
                value.shown(ValueFormat::new(quantity, judgement.digit, None))
            }
            (None, None) => "–".to_owned(),
        };
        self.message = Some(judgement.sentence(", "));
        let step = if step.is_empty() { capture.channel.clone() } else { step };
        self.ledger.push(LedgerLine { step, value, verdict: judgement.verdict });
        let extra = self.ledger.len().saturating_sub(MOST_LINES);
        self.ledger.drain(..extra);
    }

    /// The ledger of the session so far.
    pub(super) fn ledger_of(&mut self, steps: &[StepRow]) {
        let captured = steps.iter().filter_map(|step| {
            let capture = step.capture.as_ref()?;
            let (step, value) = (step.name.clone(), show_value::captured(capture));
            Some(LedgerLine { step, value, verdict: capture.verdict })
        });
        self.ledger = captured.collect();
    }

    /// Takes in the answer to a key.
    pub(super) fn answered(&mut self, answer: Result<Answer, Failure>) {
        match answer {
            Err(failure) => {
                self.bell = true;
                self.message = Some(failure.sentence());
            }
            Ok(answer) if answer.step.is_none() && answer.judged.is_some() => {
                self.message = Some("that was the last step; end the session with `bayline end`".to_owned());
            }
            Ok(_) => {}
        }
    }

    /// What the operator has to do: the question of the tool, or the step.
    pub(super) fn sentence(&self) -> (String, Option<String>) {
        if let Some(ask) = &self.ask {
            return (ask.text.clone(), Some(format!("waits for {}; or {ANSWERING_COMMANDS}", ask.waits_for)));
        }
        match &self.step {
            Some(step) if step.instruction.is_empty() => (step.name.clone(), None),
            Some(step) => (step.instruction.clone(), Some(step.name.clone())),
            None => (String::new(), None),
        }
    }
}
