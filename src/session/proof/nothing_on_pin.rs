//! Nothing on the pin: a dead feed reads like a lead in the air. It is proven live, dead, live again, by touching battery
//! plus before and after the pin (common practice, no source).
//!
//! After the first question a reading of the battery's volts may be the battery, the pin after all, or the next pin. The
//! question is answered by what the leads do next: a lead that goes back to a dead pin proves it, one that stays is on the
//! pin.

use super::{
    Ask, LeadFacts, Proof, ProofPattern, ProvenValue, Response, Touch, TouchPlace,
    held::{Held, Reminder},
    response::LeadReading,
};
use crate::{
    channel::Sample,
    clock::{Mono, micros},
    electrics::RunningStatistics,
    procedure::ProofRules,
    protocol::Value,
    units::show_seconds,
    units::{sentence, spoken},
};

/// A lead that is back on something for less than this has only bounced.
const BOUNCE: std::time::Duration = std::time::Duration::from_millis(300);

/// The last question of the proof.
const AGAIN: &str = "Battery plus again.";

/// Each pause before a question that is asked again is so many times the one before.
const PAUSES_GROW: u32 = 3;

/// The state machine of one step on a feed.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct NothingOnPin {
    point: String,
    state: PinState,
    nothing: Held,
    something: Held,
    live: Held,
    answer: Held,
    /// How often the first question was asked.
    asked: u32,
    reminder: Reminder,
    /// What the pin shows since the lead is on it.
    pin: RunningStatistics,
    last_on_pin: Option<Sample>,
    touches: Vec<Touch>,
    /// Whether the meter has jacks, so that the lead may be in the wrong one.
    has_jacks: bool,
    /// Whether the red lead may still be in the amps jack.
    jack_in_doubt: bool,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum PinState {
    /// Nothing has been asked, or the question was answered.
    Watching,
    /// The red lead must be put into the volts jack.
    Jack,
    /// Battery plus is to be touched.
    Battery,
    /// Back to the pin; whether battery plus was left, and when it was said.
    Back { left: bool, said: Mono },
    /// Battery plus is to be touched again.
    BatteryAgain,
    /// It was touched again, and what was read there. A lead that stays may be on the next pin, which nobody has named.
    Lift { touched: Sample, since: Mono },
    /// Volts came unasked: which terminal is it?
    Which,
}

impl NothingOnPin {
    pub(super) fn new(point: &str, rules: &ProofRules) -> Self {
        Self {
            point: point.to_owned(),
            state: PinState::Watching,
            nothing: Held::default(),
            something: Held::default(),
            live: Held::default(),
            answer: Held::default(),
            asked: 0,
            reminder: Reminder::after(rules.nothing_for * PAUSES_GROW),
            pin: RunningStatistics::default(),
            last_on_pin: None,
            touches: Vec::new(),
            has_jacks: true,
            jack_in_doubt: false,
        }
    }

    /// The meter has jacks or not; in doubt, the red lead may be in the amps jack.
    pub(super) fn jacks(&mut self, has_jacks: bool, in_doubt: bool) {
        self.has_jacks = has_jacks;
        self.jack_in_doubt = in_doubt && has_jacks;
    }

    pub(super) fn jack_is_in_doubt(&self) -> bool {
        self.jack_in_doubt
    }

    /// Whether a touch of the battery is awaited: then what is read may be the battery.
    pub(super) fn awaits_battery(&self) -> bool {
        matches!(self.state, PinState::Battery | PinState::BatteryAgain | PinState::Lift { .. })
    }

    /// Whether the battery is to be touched and has not been yet.
    pub(super) fn awaits_touch(&self) -> bool {
        matches!(self.state, PinState::Battery | PinState::BatteryAgain)
    }

    /// Whether what is read now may be the battery and not the pin.
    pub(super) fn may_be_on_battery(&self) -> bool {
        matches!(self.state, PinState::Battery | PinState::Back { .. } | PinState::BatteryAgain | PinState::Lift { .. })
    }

    /// What the pin showed, where it was proven to be the pin: that is what `take` means, wherever the leads are now.
    pub(super) fn pin(&self) -> Option<Sample> {
        let was_on_pin =
            matches!(self.state, PinState::Back { left: true, .. } | PinState::BatteryAgain | PinState::Lift { .. });
        self.last_on_pin.filter(|_| was_on_pin).map(|last| self.mean(last))
    }

    /// The operator says that the red lead is in the volts jack; the next question, where that was asked.
    pub(super) fn acknowledge(&mut self, facts: &LeadFacts, now: Mono) -> Option<Ask> {
        if self.state != PinState::Jack {
            return None;
        }
        self.jack_in_doubt = false;
        self.state = PinState::Battery;
        Some(self.battery_question(facts, now))
    }

    /// The leads read the battery's volts with a minus sign: they are to be swapped, and nothing else is asked meanwhile.
    pub(super) fn crossed(&mut self, sample: &Sample) {
        self.reminder.postpone();
        // The lead is on something: what comes after it begins anew.
        self.nothing.clear();
        if self.awaits_battery() {
            self.touches.retain(|touch| !is_negative(touch));
            self.touches.push(touch_of(TouchPlace::Battery, sample));
        }
    }

    /// A command cut the dialogue short.
    pub(super) fn cut_short(&mut self) {
        self.state = PinState::Watching;
        self.touches.clear();
        self.nothing.clear();
    }

    pub(super) fn sample(&mut self, rules: &ProofRules, reading: &LeadReading, facts: &mut LeadFacts) -> Response {
        let at = reading.at();
        let Some(volts) = reading.number() else { return Response::Pass };
        let is_nothing = volts.abs() < rules.nothing_below;
        let is_live = facts.is_battery(volts, at);
        let something_lasts = self.something.lasts(!is_nothing, at, BOUNCE);
        let live_lasts = self.live.lasts(is_live, at, rules.battery_for);
        let waits = matches!(self.state, PinState::Back { .. } | PinState::Battery | PinState::BatteryAgain);
        let nothing_for = match waits {
            true => rules.back_for,
            false => rules.nothing_for * PAUSES_GROW.saturating_pow(self.asked),
        };
        // A load that is off explains a dead feed: such a step has nothing to prove.
        let nothing_lasts = self.nothing.lasts(is_nothing && reading.loaded != Some(false), at, nothing_for);
        if is_nothing && !matches!(self.state, PinState::Lift { .. }) {
            self.on_pin(reading.sample);
        } else {
            self.jack_in_doubt = false;
        }
        match self.state {
            PinState::Watching if nothing_lasts => {
                self.asked += 1;
                self.reminder.postpone();
                if self.jack_in_doubt {
                    self.state = PinState::Jack;
                    return Response::Ask(self.jack_question());
                }
                self.state = PinState::Battery;
                Response::Ask(self.battery_question(facts, at))
            }
            PinState::Watching if is_live && something_lasts && facts.is_touch_that_follows() => {
                self.which(rules, volts)
            }
            PinState::Watching => Response::Pass,
            PinState::Jack if is_nothing => Response::Hold,
            PinState::Jack => {
                self.state = PinState::Watching;
                Response::Pass
            }
            PinState::Battery if live_lasts => {
                facts.battery_touched(volts);
                self.touch(TouchPlace::Point);
                self.touches.push(touch_of(TouchPlace::Battery, reading.sample));
                self.state = PinState::Back { left: false, said: at };
                let text = format!("Meter good, {}. Back to the pin, hold.", spoken(volts));
                Response::Ask(Ask::new(ProofPattern::DeadTerminal, text, self.nothing_words(rules)))
            }
            PinState::Battery | PinState::BatteryAgain if something_lasts && !is_live => self.which(rules, volts),
            PinState::Battery if is_nothing && self.reminder.is_due(at) => {
                Response::Ask(self.reminder_question(facts, at))
            }
            PinState::Battery => Response::Hold,
            PinState::Back { left: false, said } if !is_nothing => {
                if at.since(said) >= micros(rules.stays_for) {
                    self.which(rules, volts)
                } else {
                    Response::Hold
                }
            }
            PinState::Back { left: false, said } => {
                // The lead has left the battery: from here on it is the pin that is read.
                self.state = PinState::Back { left: true, said };
                self.forget_pin();
                self.on_pin(reading.sample);
                Response::Hold
            }
            PinState::Back { .. } if something_lasts => self.which(rules, volts),
            PinState::Back { .. } if nothing_lasts => {
                self.touch(TouchPlace::Point);
                self.state = PinState::BatteryAgain;
                self.reminder.postpone();
                let waits_for = self.battery_words(rules, facts, at);
                Response::Ask(Ask::at_battery(ProofPattern::DeadTerminal, AGAIN, waits_for))
            }
            PinState::Back { .. } => Response::Hold,
            PinState::BatteryAgain if live_lasts => {
                self.state = PinState::Lift { touched: *reading.sample, since: at };
                Response::Ask(Ask::new(
                    ProofPattern::DeadTerminal,
                    "Good. Lift off battery plus.",
                    "nothing on the lead",
                ))
            }
            PinState::Lift { touched, .. } if is_nothing => self.proven(&touched),
            PinState::Lift { since, .. } if at.since(since) >= micros(rules.stays_for) => self.which(rules, volts),
            PinState::Lift { .. } => Response::Hold,
            PinState::BatteryAgain if is_nothing && self.reminder.is_due(at) => {
                let waits_for = self.battery_words(rules, facts, at);
                Response::Ask(Ask::at_battery(ProofPattern::DeadTerminal, AGAIN, waits_for))
            }
            PinState::BatteryAgain => Response::Hold,
            PinState::Which => self.answered(rules, is_nothing, at),
        }
    }

    /// A short was seen while nothing was read: the lead is in the amps jack.
    pub(super) fn short(&mut self) -> Response {
        self.state = PinState::Jack;
        self.jack_in_doubt = true;
        self.touches.clear();
        Response::Ask(Ask::new(
            ProofPattern::WrongJack,
            "Lift off! The lead is in the amps jack. Red lead to the volts jack, then press mark.",
            "mark, or volts on the point",
        ))
    }

    /// The volts that came unasked stay: they are the pin's. They go: the dialogue continues.
    fn answered(&mut self, rules: &ProofRules, is_nothing: bool, at: Mono) -> Response {
        if !is_nothing {
            if !self.answer.lasts(true, at, rules.answer_for) {
                return Response::Hold;
            }
            self.cut_short();
            return Response::Pass;
        }
        self.state = match self.touches.iter().all(is_negative) {
            true if self.asked == 0 => PinState::Watching,
            true => PinState::Battery,
            false => PinState::Back { left: true, said: at },
        };
        self.forget_pin();
        self.reminder.postpone();
        Response::Hold
    }

    fn which(&mut self, rules: &ProofRules, volts: f64) -> Response {
        self.state = PinState::Which;
        self.answer.clear();
        let text = format!(
            "{} volts: which terminal is that? If it is {}, hold it; if not, lift.",
            sentence(&spoken(volts)),
            self.point
        );
        let waits_for = format!("the reading to stay for {}, or `next`", show_seconds(rules.answer_for.as_secs_f64()));
        Response::Ask(Ask::new(ProofPattern::DeadTerminal, text, waits_for))
    }

    fn proven(&mut self, last: &Sample) -> Response {
        self.touches.push(touch_of(TouchPlace::Battery, last));
        let Some(pin) = self.last_on_pin else { return Response::Hold };
        let proof = Proof { pattern: ProofPattern::DeadTerminal, touches: std::mem::take(&mut self.touches) };
        let value = ProvenValue { sample: self.mean(pin), proof: Some(proof), flags: Vec::new() };
        self.state = PinState::Watching;
        Response::Proven(Box::new(value), "Dead, proven both sides.".to_owned())
    }

    fn on_pin(&mut self, sample: &Sample) {
        if let Value::Number(volts) = sample.value {
            self.pin.push(volts);
            self.last_on_pin = Some(*sample);
        }
    }

    fn forget_pin(&mut self) {
        self.pin = RunningStatistics::default();
    }

    /// The mean of the pin at the time of its last reading.
    fn mean(&self, last: Sample) -> Sample {
        Sample { value: self.pin.mean().map_or(last.value, Value::Number), ..last }
    }

    fn touch(&mut self, place: TouchPlace) {
        if let Some(last) = self.last_on_pin {
            self.touches.push(touch_of(place, &self.mean(last)));
        }
    }

    fn jack_question(&self) -> Ask {
        let text = format!("Nothing at {}. Red lead to the volts jack first, then press mark.", self.point);
        Ask::new(ProofPattern::WrongJack, text, "mark, or volts on the point")
    }

    fn battery_question(&self, facts: &LeadFacts, now: Mono) -> Ask {
        let text = format!("Nothing at {}. If the lead is on the pin, touch battery plus.", self.point);
        Ask::at_battery(ProofPattern::DeadTerminal, text, facts.battery_words(now))
    }

    /// Asked in vain so far: the meter may not be able to show the battery at all.
    fn reminder_question(&self, facts: &LeadFacts, now: Mono) -> Ask {
        let check = if self.has_jacks { "Check jack, fuse, leads." } else { "Check the leads." };
        match facts.battery_shows(now) {
            Some(_) => {
                let text = format!("If the lead is on battery plus: meter shows nothing on the battery. {check}");
                Ask::at_battery(ProofPattern::WrongJack, text, facts.battery_words(now))
            }
            None => self.battery_question(facts, now),
        }
    }

    fn battery_words(&self, rules: &ProofRules, facts: &LeadFacts, now: Mono) -> String {
        format!("{} for {}", facts.battery_words(now), show_seconds(rules.battery_for.as_secs_f64()))
    }

    fn nothing_words(&self, rules: &ProofRules) -> String {
        format!("below {} V for {}", rules.nothing_below, show_seconds(rules.back_for.as_secs_f64()))
    }
}

fn is_negative(touch: &Touch) -> bool {
    matches!(touch.value, Value::Number(volts) if volts < 0.0)
}

fn touch_of(place: TouchPlace, sample: &Sample) -> Touch {
    Touch::of(place, sample)
}

#[cfg(test)]
mod tests;
