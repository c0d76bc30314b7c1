//! A limit by other values: what they are now, how sure that is, and the limit that follows.
//!
//! Values come from the captures of other steps, which stay as they are, and from channels, which move: of these the mean over
//! the step's own window counts, so that both sides are of one time. Errors that two values of one meter share count once
//! (JCGM 100:2008, 5.2.2).

mod input;
mod value;

use input::{Input, ShownInput};
use value::{reference, u_of};

use super::{Judgement, NotJudged, Outcome, SteadyWindow, judge};
use crate::{
    channel::{Channel, ChannelId, Sample},
    clock::Mono,
    electrics::{Decision, DecisionRule, Uncertain, difference_with_covariance},
    procedure::{ReferenceValue, RelativeLimit, ValueSource},
    protocol::Value,
    session::findings::SharedGainError,
    units::{Dimension, Limit, Quantity, show},
};

/// A value that a limit can refer to.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct ReferredValue {
    /// The value as the meter showed it, base units.
    pub value: Uncertain,
    /// What it measures.
    pub quantity: Quantity,
    /// The error that it shares with other values of its meter; none where nothing is known of it.
    pub gain: Option<SharedGainError>,
}

/// A limit by other values and what is known of them.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct ReferenceLimit {
    rule: RelativeLimit,
    dimension: Dimension,
    /// In the order in which the rule has them.
    inputs: Vec<Input>,
    /// Kept to reuse their memory.
    values: Vec<f64>,
    partials: Vec<f64>,
}

/// The limit at one time, and what it was worked out from.
#[derive(Debug, Clone, Copy, PartialEq)]
struct LimitNow {
    limit: Limit,
    reference: Uncertain,
}

impl ReferenceLimit {
    /// A limit whose captured values are found by the name of their step. `steady` is the step's window, µs.
    pub(crate) fn new(
        rule: &RelativeLimit,
        quantity: Quantity,
        steady: i64,
        captured: impl Fn(&str) -> Result<ReferredValue, String>,
    ) -> Self {
        let input = |source: &ValueSource| match source {
            ValueSource::Step(name) => Input::Captured(captured(name)),
            ValueSource::Channel(name) => Input::Shown(Box::new(ShownInput {
                name: name.clone(),
                channel: None,
                latest: None,
                window: SteadyWindow::new(steady),
            })),
        };
        Self {
            inputs: rule.reference.sources().into_iter().map(input).collect(),
            rule: rule.clone(),
            dimension: quantity.dimension(),
            values: Vec::new(),
            partials: Vec::new(),
        }
    }

    /// Whether it limits the value from below.
    pub(crate) fn has_low(&self) -> bool {
        self.rule.low.is_some()
    }

    /// A channel of this name is known.
    pub(crate) fn channel_found(&mut self, id: ChannelId, channel: &Channel) {
        for input in &mut self.inputs {
            if let Input::Shown(shown) = input
                && shown.name == channel.name
            {
                shown.channel = Some((id, channel.clone()));
            }
        }
    }

    /// One more sample of any channel. True if the limit may have moved.
    pub(crate) fn sample(&mut self, sample: &Sample) -> bool {
        let mut is_one = false;
        for input in &mut self.inputs {
            if let Input::Shown(shown) = input
                && shown.channel.as_ref().is_some_and(|(id, _)| *id == sample.channel)
            {
                is_one = true;
                shown.latest = Some(*sample);
                match sample.value {
                    Value::Number(value) => shown.window.push(sample.at, value, sample.digit),
                    Value::Over | Value::Under => shown.window.clear(),
                }
            }
        }
        is_one
    }

    /// The meters of these channels were lost.
    pub(crate) fn lost(&mut self, gone: impl Fn(ChannelId) -> bool) {
        for input in &mut self.inputs {
            if let Input::Shown(shown) = input
                && shown.channel.as_ref().is_some_and(|(id, _)| gone(*id))
            {
                shown.latest = None;
                shown.window.clear();
            }
        }
    }

    /// The limit now, for one sample: none while a value is missing. Its uncertainty is not part of it.
    pub(crate) fn limit(&mut self, now: Mono) -> Option<Limit> {
        self.values.clear();
        for input in &self.inputs {
            match input.value(now) {
                Some(value) => self.values.push(value),
                // Siblings that are not done yet are left out.
                None if matches!(self.rule.reference, ReferenceValue::Siblings(_)) => {}
                None => return None,
            }
        }
        let reference = reference(&self.rule.reference, &self.values, &mut self.partials)?;
        Some(self.rule.at(reference, self.dimension))
    }

    /// Judges a sample; `gain` is the error that it shares with other values of its meter. `is_mean`: over the step's window,
    /// and so are the values of channels; else they are the newest ones.
    pub(super) fn judge(
        &self,
        sample: &Sample,
        gain: Option<&SharedGainError>,
        rule: DecisionRule,
        is_mean: bool,
    ) -> Judgement {
        let Sample { value, u, quantity, digit, .. } = *sample;
        let readings = match self.referred_values(sample.at, is_mean) {
            Ok(readings) => readings,
            Err(reason) => {
                let outcome = Outcome::NotCounted { why: NotJudged::NoReference, value, u, quantity, limit: None };
                return Judgement { outcome, digit, reason };
            }
        };
        let values: Vec<f64> = readings.iter().map(|reading| reading.value.value).collect();
        let mut partials = Vec::new();
        let Some(at) = reference(&self.rule.reference, &values, &mut partials) else {
            let outcome = Outcome::NotCounted { why: NotJudged::NoReference, value, u, quantity, limit: None };
            let reason = format!("the limit, {}, would divide by zero: measure what it refers to again", self.rule);
            return Judgement { outcome, digit, reason };
        };
        let now = LimitNow {
            limit: self.rule.at(at, self.dimension),
            reference: Uncertain::new(at, u_of(&readings, &partials)),
        };
        let Value::Number(number) = value else {
            return judge(&now.limit, sample, rule).because(&self.words(&now, sample));
        };
        let own = Uncertain::new(number, u.unwrap_or(0.0));
        // What the judged value and the reference share: JCGM 100:2008, equation 13.
        let shared: f64 = readings
            .iter()
            .zip(&partials)
            .filter_map(|(reading, partial)| {
                let (own, other) = (gain?, reading.gain.as_ref()?);
                (own.meter == other.meter).then_some(partial * own.relative_u * other.relative_u * reading.value.value)
            })
            .sum();
        let edges = [self.rule.low, self.rule.high].into_iter().flatten();
        let of_edge = |factor: f64| {
            let edge = Uncertain::new(factor * now.reference.value, factor * now.reference.u);
            difference_with_covariance(own, edge, factor * number * shared).u
        };
        let compared = edges.map(|edge| of_edge(edge.factor)).fold(0.0, f64::max);
        let u_compared = (u.is_some() || compared > 0.0).then_some(compared);
        let mut judged =
            judge(&now.limit, &Sample { u: u_compared, ..*sample }, rule).because(&self.words(&now, sample));
        if matches!(self.rule.reference, ReferenceValue::Siblings(_)) {
            judged = self.doubt_siblings(judged, &values, &now.limit, sample);
        }
        judged.with_shown(number, u)
    }

    /// With the value of the reference.
    fn words(&self, now: &LimitNow, sample: &Sample) -> String {
        let reference = match self.rule.low.or(self.rule.high) {
            // A share or an offset is of the step's unit; so much for each unit of another is not.
            Some(edge)
                if self.inputs.len() == 1 && edge.offset == 0.0 && self.single_quantity() != Some(sample.quantity) =>
            {
                self.single_quantity().map_or(String::new(), |other| show(now.reference.value, other))
            }
            _ => sample.format(Some(&now.limit)).show(now.reference.value),
        };
        format!("{}, and that is {reference}", self.rule)
    }

    fn single_quantity(&self) -> Option<Quantity> {
        match self.inputs.first()? {
            Input::Captured(reading) => reading.as_ref().ok().map(|reading| reading.quantity),
            Input::Shown(shown) => shown.latest.map(|sample| sample.quantity),
        }
    }

    /// Of two that differ nobody knows which is off, nor of several that differ among themselves.
    fn doubt_siblings(&self, mut judged: Judgement, values: &[f64], limit: &Limit, sample: &Sample) -> Judgement {
        let least = values.iter().copied().fold(f64::INFINITY, f64::min);
        let most = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let differ = limit.low.zip(limit.high).is_some_and(|(low, high)| most - least > high - low);
        let Outcome::Compared { decision: decision @ Decision::Outside, .. } = &mut judged.outcome else {
            return judged;
        };
        if values.len() == 1 {
            *decision = Decision::TooClose;
            judged.reason += "; two values can't show which of them is off: measure another one";
        } else if differ {
            *decision = Decision::TooClose;
            let format = sample.format(Some(limit));
            let (least, most) = (format.show(least), format.show(most));
            judged.reason += &format!("; the siblings differ among themselves, {least} to {most}");
        }
        judged
    }

    /// All values that are there, or a sentence about the first that is not, and what to do.
    fn referred_values(&self, now: Mono, is_mean: bool) -> Result<Vec<ReferredValue>, String> {
        let readings = self.inputs.iter().map(|input| input.referred_value(now, is_mean));
        if matches!(self.rule.reference, ReferenceValue::Siblings(_)) {
            let there: Vec<ReferredValue> = readings.flatten().collect();
            return if there.is_empty() {
                Err("no other circuit has this value yet: go on, and do this step again after the next circuit"
                    .to_owned())
            } else {
                Ok(there)
            };
        }
        readings.collect()
    }
}

impl Judgement {
    /// The same with where its limit comes from.
    fn because(mut self, words: &str) -> Self {
        self.reason += &format!(": {words}");
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        procedure::Procedure,
        session::{Verdict, judge::tests::volts},
    };

    const STEPS: &str = "title = \"t\"\n[[step]]\nname = \"volts\"\nchannel = \"probe\"\nquantity = \"V DC\"\n\
                         [[step]]\nname = \"ohms\"\nchannel = \"probe\"\nquantity = \"ohm\"\n";

    fn limit(quantity: &str, key: &str, captured: &[(&str, f64, f64, Option<&str>)]) -> ReferenceLimit {
        let text = format!("{STEPS}[[step]]\nname = \"last\"\nchannel = \"probe\"\nquantity = \"{quantity}\"\n{key}\n");
        let procedure = Procedure::parse("p.toml", &text).unwrap_or_else(|mistake| panic!("{mistake}"));
        let last = procedure.steps.last().unwrap();
        ReferenceLimit::new(last.relative.as_ref().unwrap(), last.quantity.unwrap(), 1_000_000, |name| {
            let found = captured.iter().find(|(step, ..)| *step == name);
            let (_, value, u, meter) = found.ok_or_else(|| format!("step \"{name}\" has no value"))?;
            let gain = meter.map(|meter| SharedGainError { meter: meter.to_owned(), relative_u: 0.0025 });
            Ok(ReferredValue { value: Uncertain::new(*value, *u), quantity: Quantity::VoltsDc, gain })
        })
    }

    fn amps(value: f64) -> Sample {
        Sample { quantity: Quantity::AmpsDc, ..volts(0, value) }
    }

    #[test]
    fn amps_are_judged_by_volts_over_ohms() {
        // 12.2 V over 7.6 ohm is 1.605 A; 92 to 105 % of it are 1.477 to 1.686 A. u by hand: 1.605 A times
        // hypot(0.02 / 12.2, 0.03 / 7.6) is 6.86 mA, and with 5 mA of the clamp and the factor 1.05 it is 8.77 mA.
        let known = [("volts", 12.2, 0.02, None), ("ohms", 7.6, 0.03, None)];
        let rule = limit("A DC", "between = \"92 % to 105 % of volts / ohms\"", &known);
        let judged = rule.judge(&amps(1.6), None, DecisionRule::Guarded, true);
        assert_eq!(judged.verdict(), Some(Verdict::InLimit));
        assert!((judged.u().unwrap() - 0.00877).abs() < 1e-5, "{:?}", judged.u());
        assert_eq!(
            judged.reason,
            "1.60 A, 1.477 A to 1.686 A wanted: 92 % to 105 % of volts / ohms, and that is 1.61 A"
        );
        // The value itself keeps its own uncertainty.
        assert_eq!(judged.as_shown().u(), Some(0.005));
        for (value, verdict) in
            [(1.40, Verdict::OutOfLimit), (1.48, Verdict::TooCloseToCall), (1.72, Verdict::OutOfLimit)]
        {
            assert_eq!(rule.judge(&amps(value), None, DecisionRule::Guarded, true).verdict(), Some(verdict), "{value}");
        }
    }

    #[test]
    fn two_readings_of_one_meter_share_its_gain() {
        // 12.60 V and 12.10 V on one meter, 10 mV each beside a common gain of 0.25 %: u of the difference is 14.2 mV, and
        // 45.9 mV if they were independent (GTC 1.5.1, as in electrics::propagate).
        let (before, after) = (0.010f64.hypot(0.0025 * 12.60), 0.010f64.hypot(0.0025 * 12.10));
        let known = [("volts", 12.60, before, Some("probe"))];
        let rule = limit("V DC", "at_most = \"0.6 V below volts\"", &known);
        let own = SharedGainError { meter: "probe".to_owned(), relative_u: 0.0025 };
        let sample = Sample { u: Some(after), ..volts(0, 12.10) };
        let judged = rule.judge(&sample, Some(&own), DecisionRule::Guarded, true);
        assert!((judged.u().unwrap() - 0.014_197).abs() < 1e-6, "{:?}", judged.u());
        assert_eq!(judged.verdict(), Some(Verdict::InLimit));
        let alone = rule.judge(&sample, None, DecisionRule::Guarded, true);
        assert!((alone.u().unwrap() - 0.045_905).abs() < 1e-6, "{:?}", alone.u());
        // 100 mV inside of the limit are more than twice 45.9 mV, and less than twice that of two meters as bad.
        assert_eq!(alone.verdict(), Some(Verdict::InLimit));
    }

    #[test]
    fn what_is_missing_is_named_with_what_to_do() {
        let rule = limit("A DC", "between = \"92 % to 105 % of volts / ohms\"", &[("volts", 12.2, 0.02, None)]);
        let judged = rule.judge(&amps(1.6), None, DecisionRule::Guarded, true);
        assert_eq!(
            (judged.verdict(), judged.reason.as_str()),
            (Some(Verdict::NoReference), "step \"ohms\" has no value")
        );
        assert_eq!(judged.value(), Some(Value::Number(1.6)), "the value is kept");
        let rule = limit("V DC", "at_most = \"0.5 V below battery\"", &[]);
        let judged = rule.judge(&volts(0, 12.0), None, DecisionRule::Guarded, true);
        assert!(judged.reason.contains("\"battery\", which no meter on the bench has"), "{}", judged.reason);
        let none = limit(
            "A DC",
            "at_most = \"50 % of volts / ohms\"",
            &[("volts", 12.0, 0.1, None), ("ohms", 0.0, 0.1, None)],
        );
        assert!(none.judge(&amps(1.0), None, DecisionRule::Guarded, true).reason.contains("divide by zero"));
    }

    const SIBLINGS: &str = "title = \"t\"\nSTEP \"a\"\nSTEP \"b\"\nSTEP \"c\"\nSTEP \"d\"\n";

    fn judged_by_siblings(known: &[f64], value: f64) -> Judgement {
        let step = |name: &str| {
            format!(
                "[[step]]\nname = \"{name}\"\ncircuit = \"{name}\"\nrole = \"coil amps\"\nchannel = \"probe\"\n\
                 quantity = \"A DC\"\nnominal = \"siblings ± 5 %\"\n"
            )
        };
        let text = SIBLINGS.lines().map(|line| match line.strip_prefix("STEP ") {
            Some(name) => step(name.trim_matches('"')),
            None => format!("{line}\n"),
        });
        let procedure = Procedure::parse("p.toml", &text.collect::<String>()).unwrap();
        let last = &procedure.steps[3];
        let rule = ReferenceLimit::new(last.relative.as_ref().unwrap(), Quantity::AmpsDc, 1_000_000, |name| {
            let place = ["a", "b", "c"].iter().position(|step| *step == name).unwrap();
            let value = known.get(place).ok_or("not done")?;
            Ok(ReferredValue { value: Uncertain::new(*value, 0.005), quantity: Quantity::AmpsDc, gain: None })
        });
        rule.judge(&amps(value), None, DecisionRule::Guarded, true)
    }

    #[test]
    fn siblings_are_judged_by_those_that_are_done_and_never_blamed_for_each_other() {
        for (known, value, verdict, words) in [
            (&[][..], 1.6, Verdict::NoReference, "no other circuit has this value yet"),
            (&[1.60], 1.61, Verdict::InLimit, "siblings ± 5 %"),
            (&[1.60], 1.30, Verdict::TooCloseToCall, "which of them is off"),
            (&[1.60, 1.62], 1.30, Verdict::OutOfLimit, "too low"),
            // The first was bad: the third is not.
            (&[1.20, 1.60], 1.61, Verdict::TooCloseToCall, "differ among themselves, 1.20 A to 1.60 A"),
            (&[1.20, 1.60, 1.62], 1.61, Verdict::InLimit, "siblings"),
        ] {
            let judged = judged_by_siblings(known, value);
            assert_eq!(judged.verdict(), Some(verdict), "{known:?} {value}: {}", judged.reason);
            assert!(judged.reason.contains(words), "{known:?}: {}", judged.reason);
        }
    }
}
