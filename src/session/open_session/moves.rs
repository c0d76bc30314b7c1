//! Moves from step to step: by the operator, by the record, by time.

use std::sync::Arc;

use super::{BenchView, Moved, Session, trimmed};
use crate::{
    clock::Mono,
    procedure::Procedure,
    session::{Effect, Refusal, StepMove, StepView, record::StepExit},
    text_length::check_name,
};

impl Session {
    /// Ends the step that is on and begins another one, as the record has it.
    ///
    /// # Errors
    /// The name of the step, which the procedure does not have.
    pub(in crate::session) fn move_by_record(
        &mut self,
        at: Mono,
        step: Option<&str>,
        left: StepExit,
        bench: &BenchView,
        effects: &mut Vec<Effect>,
    ) -> Result<(), String> {
        let place = match (self.procedure(), step) {
            (Some(procedure), Some(name)) => {
                Some(procedure.steps.iter().position(|step| step.name == name).ok_or_else(|| name.to_owned())?)
            }
            _ => None,
        };
        self.leave(at, left, bench.channels, effects);
        match (place, step) {
            (Some(place), _) => {
                let view = self.begin_place(at, place, bench, effects);
                if view.number == 1 {
                    self.continue_step(&view, bench);
                }
            }
            (None, Some(name)) => drop(self.begin_free(at, name.to_owned(), bench, effects)),
            (None, None) => {}
        }
        Ok(())
    }

    pub(in crate::session) fn go(
        &mut self,
        at: Mono,
        to: StepMove,
        bench: &BenchView,
        effects: &mut Vec<Effect>,
    ) -> Result<Moved, Refusal> {
        match self.procedure() {
            Some(procedure) => self.go_by_procedure(at, &procedure, &to, bench, effects),
            None => self.go_freely(at, to, bench, effects),
        }
    }

    fn go_by_procedure(
        &mut self,
        at: Mono,
        procedure: &Procedure,
        to: &StepMove,
        bench: &BenchView,
        effects: &mut Vec<Effect>,
    ) -> Result<Moved, Refusal> {
        let all = procedure.steps.len();
        let (place, left) = match to {
            StepMove::Next | StepMove::Skip | StepMove::Again if self.place >= all => return Err(Refusal::AtEnd),
            StepMove::Next => (self.place + 1, StepExit::Done),
            StepMove::Skip => (self.place + 1, StepExit::Skipped),
            StepMove::Back => (self.place.checked_sub(1).ok_or(Refusal::AtFirst)?, StepExit::Back),
            StepMove::Again => (self.place, StepExit::Again),
            StepMove::Named(name) => (place_of(procedure, name)?, StepExit::Done),
        };
        let judged = self.leave(at, left, bench.channels, effects);
        self.place = place;
        if place >= all {
            self.put_back(at, effects);
            effects.extend(Effect::announce(at, "that was the last step; `end` ends the session".to_owned()));
        }
        Ok((judged, (place < all).then(|| self.begin_place(at, place, bench, effects))))
    }

    /// The allowed time of what is switched on is over: the step ends, and the next begins where steps follow by themselves.
    pub(in crate::session) fn time_up(&mut self, at: Mono, bench: &BenchView, effects: &mut Vec<Effect>) {
        self.leave(at, StepExit::TimeUp, bench.channels, effects);
        let next = self.place + 1;
        if self.advances() && self.procedure().is_some_and(|procedure| next < procedure.steps.len()) {
            self.begin_place(at, next, bench, effects);
        }
    }

    /// Leaves the step that is on as undone, and begins this one again; none where none was on.
    pub(in crate::session) fn undo_to(
        &mut self,
        at: Mono,
        view: Option<&StepView>,
        bench: &BenchView,
        effects: &mut Vec<Effect>,
    ) -> Option<Arc<StepView>> {
        self.leave(at, StepExit::Undone, bench.channels, effects);
        match view {
            Some(StepView { place: Some((place, _)), .. }) => Some(self.begin_place(at, place - 1, bench, effects)),
            Some(view) => Some(self.begin_free(at, view.name.clone(), bench, effects)),
            None => {
                self.place = self.procedure().map_or(0, |procedure| procedure.steps.len());
                None
            }
        }
    }

    fn go_freely(
        &mut self,
        at: Mono,
        to: StepMove,
        bench: &BenchView,
        effects: &mut Vec<Effect>,
    ) -> Result<Moved, Refusal> {
        let (name, left) = match (to, &self.step) {
            (StepMove::Next, _) => (format!("step {}", self.steps + 1), StepExit::Done),
            (StepMove::Again, Some(step)) => (step.view.name.clone(), StepExit::Again),
            (StepMove::Again, None) => return Err(Refusal::NoStep),
            (StepMove::Back, _) => return Err(Refusal::NoProcedure { way: "back" }),
            (StepMove::Skip, _) => return Err(Refusal::NoProcedure { way: "on" }),
            (StepMove::Named(name), _) => (trimmed(&name, "step's name", check_name)?, StepExit::Done),
        };
        let judged = self.leave(at, left, bench.channels, effects);
        Ok((judged, Some(self.begin_free(at, name, bench, effects))))
    }
}

/// The place of a step that is given by its name, in any capitalisation, by its place, or by the beginning of its
/// name. An exact name wins over a number. What could mean several steps is refused, such as a number with which the
/// name of another step begins.
fn place_of(procedure: &Procedure, wanted: &str) -> Result<usize, Refusal> {
    if let Some(exact) = procedure.steps.iter().position(|step| step.name == wanted) {
        return Ok(exact);
    }
    let lowercase = wanted.to_lowercase();
    let places = |matches: &dyn Fn(&str) -> bool| -> Vec<usize> {
        let names = procedure.steps.iter().map(|step| step.name.to_lowercase()).enumerate();
        names.filter(|(_, name)| matches(name)).map(|(place, _)| place).collect()
    };
    let mut meant = places(&|name| name == lowercase);
    if meant.is_empty() && !lowercase.is_empty() {
        meant = places(&|name| name.starts_with(&lowercase));
        let number = lowercase.parse().ok().and_then(|number: usize| number.checked_sub(1));
        meant.extend(number.filter(|place| *place < procedure.steps.len() && !meant.contains(place)));
    }
    match meant[..] {
        [only] => Ok(only),
        _ => Err(Refusal::UnknownStep {
            name: wanted.to_owned(),
            steps: procedure.steps.iter().map(|step| step.name.clone()).collect(),
        }),
    }
}
