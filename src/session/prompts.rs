//! Prompts before a step: the meter's switch and jack, live feeds, clamps without a zero.

use std::collections::{HashMap, HashSet};

use super::StepView;
use crate::{
    channel::Channel,
    protocol::Value,
    session::judge::Capture,
    units::{AsWritten, Dimension, Measure, Quantity, ValueFormat},
};

/// A feed with less than this is not live, V: common practice, no source.
const LIVE_V: f64 = 1.0;

/// What was captured and announced in one session.
#[derive(Debug, Default)]
pub(super) struct OperatorPrompts {
    /// By meter: its function in the last step that used it.
    switched: HashMap<String, Quantity>,
    /// By circuit with a live feed: the newest captured volts as shown, and the name of the step.
    live: HashMap<String, (String, String)>,
    /// Channels whose missing zero was announced.
    zero_told: HashSet<String>,
    /// Meters whose red lead was in the amps jack and has not proven since that it is out of it.
    jack_in_doubt: HashSet<String>,
    /// That a live feed must be off was announced, and steps on ohms have followed each other since.
    live_told: bool,
}

impl OperatorPrompts {
    /// A value was captured in a step.
    pub(super) fn captured(&mut self, view: &StepView, capture: &Capture) {
        let volts = capture.judgement.quantity().is_some_and(|quantity| quantity.dimension() == Dimension::Volt);
        if let (true, Some(circuit), Some(Value::Number(value))) = (volts, &view.circuit, capture.judgement.value()) {
            // A drop says nothing about the feed: only the step that measured it live can measure it dead.
            let is_of_another = self.live.get(circuit).is_some_and(|(_, step)| *step != view.name);
            if is_of_another {
                return;
            }
            if value.abs() >= LIVE_V {
                let format =
                    ValueFormat::new(Quantity::VoltsDc, capture.judgement.digit, capture.judgement.limit().as_ref());
                self.live.insert(circuit.clone(), (format.show(value), view.name.clone()));
            } else {
                self.live.remove(circuit);
            }
        }
    }

    /// The prompts before a step, in this order.
    pub(super) fn before(&mut self, view: &StepView, channel: Option<&Channel>, zeroed: bool) -> Vec<String> {
        let mut lines = Vec::new();
        let (Some(channel), Some(quantity)) = (channel, view.quantity) else { return lines };
        let ohms = is_resistance(quantity);
        // Said once for a series of coils: it holds for all of them.
        self.live_told &= ohms;
        if ohms && !self.live_told {
            lines.extend(self.feed_is_live(view, quantity));
            self.live_told = !lines.is_empty();
        }
        // With a clamp the meter's switch and jack stay where they are, and a board has none.
        if channel.has_jacks() {
            let before = self.switched.insert(channel.meter_name.clone(), quantity);
            lines.extend(jack(before, quantity, channel.fuse.as_ref()));
            if before.is_some_and(|before| before.dimension() == Dimension::Ampere) {
                self.jack_in_doubt.insert(channel.meter_name.clone());
            }
            if let Some(before) = before.filter(|before| *before != quantity) {
                lines.push(format!("switch {} from {before} to {quantity}", channel.meter_name));
            }
        } else {
            lines.extend(self.without_zero(quantity, channel, zeroed, ""));
        }
        lines
    }

    /// Whether a meter's red lead may still be in the amps jack.
    pub(super) fn jack_is_in_doubt(&self, meter: &str) -> bool {
        self.jack_in_doubt.contains(meter)
    }

    /// A meter's red lead has proven to be in the right jack.
    pub(super) fn jack_is_right(&mut self, meter: &str) {
        self.jack_in_doubt.remove(meter);
    }

    /// The prompt for the step after this one: a clamp can be zeroed now, while nothing goes through it.
    pub(super) fn ahead(&mut self, next: &str, quantity: Quantity, channel: &Channel, zeroed: bool) -> Option<String> {
        let comes_next = format!(" and the next step, \"{next}\", needs it");
        self.without_zero(quantity, channel, zeroed, &comes_next)
    }

    fn without_zero(&mut self, quantity: Quantity, channel: &Channel, zeroed: bool, why: &str) -> Option<String> {
        let name = &channel.name;
        let is_clamp = channel.conversion.scale.is_some() && quantity.dimension() == Dimension::Ampere;
        let is_news = is_clamp && !zeroed && self.zero_told.insert(name.clone());
        is_news.then(|| {
            format!("clamp \"{name}\" has not been zeroed in this session{why}: nothing through it, then `bayline zero \"{name}\"`")
        })
    }

    /// The prompts after the last step: a lead left in the amps jack shorts whatever it touches next.
    pub(super) fn after_last_step(&mut self) -> Vec<String> {
        let in_jack = self.switched.iter().filter(|(_, quantity)| quantity.dimension() == Dimension::Ampere);
        let mut meters: Vec<&String> = in_jack.map(|(meter, _)| meter).collect();
        meters.sort_unstable();
        let lines = meters.iter().map(|meter| format!("red lead of {meter} back to the volts jack"));
        let lines = lines.collect();
        self.switched.clear();
        lines
    }

    fn feed_is_live(&self, view: &StepView, quantity: Quantity) -> Option<String> {
        let (volts, step) = self.live.get(view.circuit.as_ref()?)?;
        Some(format!(
            "the feed of this circuit was live ({volts}, step \"{step}\"): switch it off and unplug before measuring {quantity}, here and in the steps that follow"
        ))
    }
}

/// Whether the meter sends a current of its own through what it measures.
fn is_resistance(quantity: Quantity) -> bool {
    matches!(quantity, Quantity::Ohms | Quantity::Continuity | Quantity::Diode)
}

/// A meter's amps jack is nearly a short circuit: the lead must be in it for amps only.
fn jack(before: Option<Quantity>, now: Quantity, fuse: Option<&AsWritten<Measure>>) -> Option<String> {
    let through = |quantity: Quantity| quantity.dimension() == Dimension::Ampere;
    match (before.is_some_and(through), through(now)) {
        (false, true) => Some(match fuse {
            None => "red lead to the amps jack; mind its fuse".to_owned(),
            Some(fuse) => format!("red lead to the amps jack, its fuse is {}", fuse.text),
        }),
        (true, false) => Some("red lead back to the volts jack before it touches anything".to_owned()),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        channel::{Conversion, MeterId},
        session::judge::tests::volts,
        session::judge::{CaptureMethod, Judgement},
    };

    fn channel(scale: &str) -> Channel {
        Channel {
            name: "probe".to_owned(),
            meter: MeterId(0),
            meter_name: "handheld".to_owned(),
            reads: "value".to_owned(),
            conversion: Conversion { scale: scale.parse().ok(), ..Conversion::NONE },
            range: None,
            fuse: Some("10 A".parse().unwrap()),
        }
    }

    fn view(name: &str, quantity: Quantity) -> StepView {
        StepView {
            number: 1,
            place: None,
            name: name.to_owned(),
            attempt: 1,
            circuit: Some("lift coil".to_owned()),
            instruction: String::new(),
            channel: Some("probe".to_owned()),
            quantity: Some(quantity),
            limit: None,
            limit_text: None,
            asks: false,
            has_next_item: false,
        }
    }

    #[test]
    fn switch_and_jack_are_reported_when_they_change() {
        let mut prompts = OperatorPrompts::default();
        let mut before = |quantity| prompts.before(&view("s", quantity), Some(&channel("")), false);
        assert_eq!(before(Quantity::VoltsDc), [] as [&str; 0]);
        assert_eq!(before(Quantity::Ohms), ["switch handheld from V DC to ohm"]);
        assert_eq!(
            before(Quantity::AmpsDc),
            ["red lead to the amps jack, its fuse is 10 A", "switch handheld from ohm to A DC"]
        );
        assert_eq!(before(Quantity::AmpsDc), [] as [&str; 0]);
        assert_eq!(
            before(Quantity::VoltsDc),
            ["red lead back to the volts jack before it touches anything", "switch handheld from A DC to V DC"]
        );
    }

    #[test]
    fn a_lead_in_the_amps_jack_is_reported_once_at_the_end() {
        let mut prompts = OperatorPrompts::default();
        prompts.before(&view("amps", Quantity::AmpsDc), Some(&channel("")), false);
        assert_eq!(prompts.after_last_step(), ["red lead of handheld back to the volts jack"]);
        assert_eq!(prompts.after_last_step(), [] as [&str; 0]);
        prompts.before(&view("ohms", Quantity::Ohms), Some(&channel("")), false);
        assert_eq!(prompts.after_last_step(), [] as [&str; 0]);
    }

    #[test]
    fn ohms_on_a_live_feed_are_warned_of() {
        let mut prompts = OperatorPrompts::default();
        let feed = view("feed, lift coil", Quantity::VoltsDc);
        let capture = |value| {
            let judgement = Judgement::recorded(&volts(0, value));
            Capture::plain(CaptureMethod::Taken, crate::clock::Mono(0), None, judgement)
        };
        prompts.captured(&feed, &capture(12.6));
        let said = prompts.before(&view("ohms", Quantity::Ohms), Some(&channel("")), true);
        assert!(
            said[0].starts_with("the feed of this circuit was live (12.60 V, step \"feed, lift coil\")"),
            "{said:?}"
        );
        assert_eq!(
            prompts.before(&view("ohms of the next coil", Quantity::Ohms), Some(&channel("")), true),
            [] as [&str; 0],
            "said once for a series"
        );
        // A good drop on the same circuit does not make its feed dead.
        let drop = view("ground drop, lift coil", Quantity::VoltsDc);
        prompts.before(&drop, Some(&channel("")), true);
        prompts.captured(&drop, &capture(0.04));
        let is_told = |prompts: &mut OperatorPrompts| {
            let said = prompts.before(&view("ohms", Quantity::Ohms), Some(&channel("")), true);
            said.iter().any(|text| text.contains("was live"))
        };
        assert!(is_told(&mut prompts));
        // A bad drop does not either; only the feed's own step does.
        prompts.before(&drop, Some(&channel("")), true);
        prompts.captured(&drop, &capture(1.6));
        assert!(is_told(&mut prompts));
        prompts.before(&feed, Some(&channel("")), true);
        prompts.captured(&feed, &capture(0.01));
        assert!(!is_told(&mut prompts));
    }

    #[test]
    fn a_clamp_without_a_zero_is_reported_once() {
        let mut prompts = OperatorPrompts::default();
        let amps = view("held on", Quantity::AmpsDc);
        assert!(prompts.before(&amps, Some(&channel("100 mV/A")), false)[0].contains("bayline zero"));
        assert_eq!(prompts.before(&amps, Some(&channel("100 mV/A")), false), [] as [&str; 0]);
    }

    #[test]
    fn a_clamp_is_zeroed_before_the_step_that_needs_it() {
        let mut prompts = OperatorPrompts::default();
        let clamp = channel("100 mV/A");
        let said = prompts.ahead("held on", Quantity::AmpsDc, &clamp, false).unwrap();
        assert!(said.contains("the next step, \"held on\", needs it: nothing through it"), "{said}");
        assert_eq!(prompts.before(&view("held on", Quantity::AmpsDc), Some(&clamp), false), [] as [&str; 0]);
        let mut prompts = OperatorPrompts::default();
        assert_eq!(prompts.ahead("held on", Quantity::AmpsDc, &clamp, true), None);
        assert_eq!(prompts.ahead("feed", Quantity::VoltsDc, &channel(""), false), None);
    }
}
