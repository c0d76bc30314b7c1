//! Why a step has no value, in a sentence for the operator.

use super::StepJudge;
use crate::{
    channel::Sample,
    clock::Mono,
    protocol::{Annunciators, Value},
    session::judge::{FRESH_US, NotJudged, steady::Unsteady},
    units::{Dimension, Quantity, show, show_seconds},
};

impl StepJudge {
    /// Why nothing has been captured.
    pub(super) fn why_not(&self, now: Mono) -> String {
        let Some(last) = self.last else {
            return match self.criteria.channel {
                None => "no meter on the bench has this step's channel".to_owned(),
                Some(_) if now.since(self.began) < FRESH_US => {
                    format!(
                        "the step was left after {}, before a reading came",
                        show_seconds(now.since(self.began) as f64 / 1e6)
                    )
                }
                Some(_) => "the meter sent nothing".to_owned(),
            };
        };
        let format = last.format(self.criteria.limit.as_ref());
        let shown = last.value.shown(format);
        if self.unfit(&last).is_some() {
            return self.switch_words(&last);
        }
        if self.criteria.load.since(now).is_none() {
            return self.criteria.load.missing(now);
        }
        if self.contact.since().is_none() {
            return match last.value {
                _ if self.contact.waits_for_a_lift() => {
                    format!(
                        "the lead is still where the step before was captured ({shown}): lift it, then touch the next point; if it was lifted, the display is held"
                    )
                }
                Value::Number(_) if last.quantity.dimension() == Dimension::Ampere => {
                    format!("{shown} reads like a clamp with no current through it, or a dead circuit")
                }
                Value::Number(_) => {
                    format!("{shown} reads like a lead that touches nothing, or a dead circuit")
                }
                Value::Over | Value::Under => "OL: open, or a lead that touches nothing".to_owned(),
            };
        }
        if now.since(last.at) > FRESH_US {
            return format!("the meter sent nothing in the last {} s", FRESH_US / 1_000_000);
        }
        let steady = self.criteria.steady.as_millis();
        match self.window.why_unsteady() {
            Unsteady::TooSlow(seconds) => format!(
                "the meter reports every {}, too seldom to prove {shown} steady for {steady} ms: give the step a longer `steady`",
                show_seconds(seconds)
            ),
            Unsteady::Moves(rate) => format!(
                "the reading, last {shown}, was not steady for {steady} ms: it moves by {} a second",
                show(rate, last.quantity)
            ),
            Unsteady::Wavers => format!("the reading, last {shown}, was not steady for {steady} ms"),
        }
    }

    /// Which switch position of the meter is wrong, and what to do.
    pub(super) fn switch_words(&self, sample: &Sample) -> String {
        let wanted =
            self.criteria.quantity.map(Quantity::word).or(self.criteria.limit.map(|limit| limit.dimension.unit()));
        match (self.unfit(sample), wanted) {
            (Some(NotJudged::HeldDisplay), _) | (_, None) => {
                let shown = [
                    (Annunciators::MAXIMUM, "the meter shows MAX, switch it to the live value"),
                    (Annunciators::MINIMUM, "the meter shows MIN, switch it to the live value"),
                    (Annunciators::PEAK, "the meter shows PEAK, switch it to the live value"),
                ];
                let shown = shown.into_iter().find(|(which, _)| sample.annunciators.contains(*which));
                shown.map_or("HOLD is on at the meter, switch it off", |(_, words)| words).to_owned()
            }
            (_, Some(wanted)) => format!("the meter is on {}, switch it to {wanted}", sample.quantity),
        }
    }
}
