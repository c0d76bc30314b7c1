//! What the core keeps of its input, so that the session can be judged again, and how it takes that input up again.

use super::{Core, LatestSample};
use crate::{
    channel::{ChannelId, MeterId},
    clock::Mono,
    electrics::Uncertain,
    session::{
        Begin, BenchState, ChannelState, Command, CoreEvent, CoreInput, Effect, Record, SampleState, VoidCapture,
        judge::FRESH_US, meters::MeterState, open_session::BenchView, record::StepExit, undo::OperatorAct,
    },
};

impl Core {
    /// Keeps an input of the open session, before what follows from it.
    pub(super) fn keep_input(&self, at: Mono, input: impl FnOnce() -> CoreInput, effects: &mut Vec<Effect>) {
        if self.session.is_some() {
            effects.push(Effect::Record(Record::Input(at, Box::new(input()))));
        }
    }

    /// A command as an input; none where nothing is judged by it, or where its outcome is kept instead.
    pub(super) fn input_of(&self, command: &Command) -> Option<CoreInput> {
        self.session.as_ref()?;
        match command {
            Command::Step(to) => Some(CoreInput::Step(to.clone())),
            Command::Take(channel) => Some(CoreInput::Take(channel.clone())),
            Command::Answer(answer) => Some(CoreInput::Answer(*answer)),
            Command::Mark { text, .. } => Some(CoreInput::Mark(text.clone())),
            Command::Undo => {
                let moves = matches!(self.last_act, Some(OperatorAct::Moved(_) | OperatorAct::Captured(_)));
                moves.then_some(CoreInput::Undo)
            }
            // A zero is kept as it was taken: what the clamp showed before is not stored.
            Command::Begin(_)
            | Command::End
            | Command::Zero(_)
            | Command::Note(_)
            | Command::Photo(_)
            | Command::Correct(_) => None,
        }
    }

    /// Keeps what is known of the bench as a session begins. Of what was read before, only what can still be taken
    /// is known in the session.
    pub(super) fn keep_bench(&mut self, at: Mono, begin: &Begin, effects: &mut Vec<Effect>) {
        let number = |index: usize| u16::try_from(index).ok();
        for latest in self.latest.iter_mut().flatten() {
            latest.is_of_session = at.since(latest.sample.at) <= FRESH_US;
        }
        let known = self.latest.iter().flatten().filter(|latest| latest.is_of_session);
        let derived = self.derived.specs();
        let channels = (0..).map(ChannelId).zip(&self.channels);
        let of_meters = channels.filter(|(id, _)| derived.iter().all(|(other, _)| other != id));
        let state = BenchState {
            meters: self.meters.iter().map(|meter| meter.name.clone()).collect(),
            derived: derived.iter().map(|(id, spec)| (id.0, spec.clone())).collect(),
            channels: of_meters.filter_map(|(id, channel)| Some(ChannelState::of(id, channel.as_ref()?))).collect(),
            zeros: self.zeros.in_use().filter_map(|(index, zeroed)| Some((number(index)?, zeroed))).collect(),
            latest: known.map(|latest| SampleState::of(&latest.sample, at)).collect(),
            continued_judgement: begin.previous.as_ref().map(|previous| previous.judgement),
        };
        effects.push(Effect::Record(Record::Input(at, Box::new(CoreInput::Bench(Box::new(state))))));
    }

    /// A core that knows what an earlier one knew as a session began, with no session open.
    ///
    /// # Errors
    /// What of it can't be read, in words.
    pub(crate) fn restored(state: &BenchState) -> Result<Self, String> {
        let mut core = Self { meters: state.meters.iter().cloned().map(MeterState::new).collect(), ..Self::default() };
        let (at, mut none) = (Mono(0), Vec::new());
        for (id, spec) in &state.derived {
            core.handle(at, CoreEvent::Derived(ChannelId(*id), spec.clone()), &mut none);
        }
        for channel in &state.channels {
            let (id, channel) = channel.channel()?;
            core.handle(at, CoreEvent::Channel(id, channel), &mut none);
        }
        for (id, zeroed) in &state.zeros {
            core.zeros.restore(usize::from(*id), *zeroed, false);
        }
        for sample in state.latest.iter().map(SampleState::sample) {
            if let Some(latest) = core.latest.get_mut(usize::from(sample.channel.0)) {
                *latest = Some(LatestSample::first(sample));
            }
        }
        Ok(core)
    }

    /// From the next session on, steps begin and end by [`Core::move_by_record`] alone, and these captures don't count.
    pub(crate) fn judge_by_record(&mut self, void: Vec<VoidCapture>) {
        (self.moves_by_record, self.void) = (true, void);
    }

    /// Ends the step that is on and begins another one, as the record has it.
    ///
    /// # Errors
    /// The name of the step, which the procedure does not have.
    pub(crate) fn move_by_record(
        &mut self,
        at: Mono,
        step: Option<&str>,
        left: StepExit,
        effects: &mut Vec<Effect>,
    ) -> Result<(), String> {
        let Some(session) = &mut self.session else { return Ok(()) };
        let bench = BenchView { channels: &self.channels, zeros: &self.zeros };
        session.move_by_record(at, step, left, &bench, effects)
    }

    /// Takes up an input of an earlier core in the open session.
    ///
    ///
    /// # Errors
    /// What of it can't be read, or is refused, in words.
    pub(crate) fn take_up(&mut self, at: Mono, input: &CoreInput, effects: &mut Vec<Effect>) -> Result<(), String> {
        let command = match input {
            CoreInput::Bench(_) => return Ok(()),
            CoreInput::Channel(channel) => {
                let (id, channel) = channel.channel()?;
                self.handle(at, CoreEvent::Channel(id, channel), effects);
                return Ok(());
            }
            CoreInput::MeterLost(meter) => {
                // A loss is one only of a meter that is there.
                self.handle(at, CoreEvent::MeterOpened(MeterId(*meter)), effects);
                self.handle(at, CoreEvent::MeterLost(MeterId(*meter), String::new()), effects);
                return Ok(());
            }
            CoreInput::Zero(id, zeroed) => {
                self.handle(at, CoreEvent::StoredZero(ChannelId(*id), *zeroed), effects);
                return Ok(());
            }
            CoreInput::Leads(id, ohms) => {
                let ohms = ohms.map(|(value, u)| Uncertain::new(value, u));
                if let Some(session) = &mut self.session {
                    session.set_leads(ChannelId(*id), ohms);
                }
                return Ok(());
            }
            CoreInput::Temperatures(temperatures) => {
                if let Some(session) = &mut self.session {
                    session.set_temperatures(*temperatures);
                }
                return Ok(());
            }
            CoreInput::Tick => {
                self.handle(at, CoreEvent::Tick, effects);
                return Ok(());
            }
            CoreInput::Step(to) => Command::Step(to.clone()),
            CoreInput::Take(channel) => Command::Take(channel.clone()),
            CoreInput::Answer(answer) => Command::Answer(*answer),
            // Nothing is judged by who made it.
            CoreInput::Mark(text) => Command::Mark { text: text.clone(), by: String::new() },
            CoreInput::Undo => Command::Undo,
        };
        self.command(at, command, effects).map(drop).map_err(|refusal| refusal.to_string())
    }
}
