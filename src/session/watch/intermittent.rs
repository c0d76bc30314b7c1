//! Drop-outs of several channels that coincide have one cause, upstream of all of them.

use super::dropout::DropOut;
use crate::{
    clock::Mono,
    units::{ValueFormat, show_duration},
};

/// Two channels fell together when no more than this lies between them beside a sample interval, µs.
const TOGETHER_US: i64 = 20_000;

/// Drop-outs that coincide.
#[derive(Debug, Clone, PartialEq)]
pub struct Intermittent {
    /// step.number
    pub step: u32,
    /// Counted from 1 over the step.
    pub number: u32,
    /// One for each channel that fell.
    pub parts: Vec<DropOut>,
    /// Whether other channels carried something and held meanwhile.
    pub others_held: bool,
}

impl Intermittent {
    /// When the first of them fell.
    pub(crate) fn began(&self) -> Mono {
        self.parts.iter().map(|part| part.began).min().unwrap_or_default()
    }

    /// When all were back.
    pub(crate) fn ended(&self) -> Mono {
        self.parts.iter().map(|part| part.ended).max().unwrap_or_default()
    }

    /// Whether a drop-out belongs to these, given the sample interval of its channel, µs.
    pub(super) fn takes(&self, part: &DropOut, interval_us: i64) -> bool {
        let slack = TOGETHER_US + interval_us;
        part.began.0 <= self.ended().0 + slack
            && part.ended.0 + slack >= self.began().0
            && self.parts.iter().all(|own| own.channel != part.channel)
    }

    /// Where it is.
    pub(crate) fn channels(&self) -> Vec<&str> {
        self.parts.iter().map(|part| part.channel.as_str()).collect()
    }

    /// One sentence: what fell, how long, and what that says of the place.
    pub(crate) fn text(&self) -> String {
        let lasted = show_duration(self.ended().since(self.began()) as f64 / 1e6);
        match &self.parts[..] {
            [only] => {
                let format = ValueFormat::new(only.quantity, only.digit, None);
                let (level, least) = (format.show(only.level), format.show(only.least));
                let place = match self.others_held {
                    true => "the others held: look at its own wires and connector",
                    false => "nothing else was watched that carried something",
                };
                format!("{} dropped out for {lasted}, from {level} to {least}; {place}", only.channel)
            }
            parts => {
                let all = if parts.len() == 2 { "both" } else { "all of them" };
                format!("{} dropped out together for {lasted}: upstream of {all}", listed(&self.channels()))
            }
        }
    }
}

/// `feed, lift coil and tilt coil`
pub(crate) fn listed(names: &[&str]) -> String {
    match names {
        [first @ .., last] if !first.is_empty() => format!("{} and {last}", first.join(", ")),
        _ => names.concat(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Quantity;

    fn part(channel: &str, began_ms: i64, ended_ms: i64) -> DropOut {
        let (began, ended) = (Mono(began_ms * 1000), Mono(ended_ms * 1000));
        DropOut {
            channel: channel.to_owned(),
            quantity: Quantity::AmpsDc,
            began,
            ended,
            level: 1.62,
            least: 0.0,
            samples: 1,
            digit: None,
        }
    }

    fn group(parts: Vec<DropOut>) -> Intermittent {
        Intermittent { step: 1, number: 1, parts, others_held: true }
    }

    #[test]
    fn what_coincides_is_one_and_says_where() {
        let mut feed = group(vec![part("feed", 1000, 1012)]);
        for (other, is_one) in [
            (part("lift coil", 1010, 1020), true),
            (part("lift coil", 980, 990), true),
            (part("lift coil", 1035, 1045), true),
            (part("lift coil", 1060, 1070), false),
            (part("feed", 1013, 1014), false),
        ] {
            assert_eq!(feed.takes(&other, 10_000), is_one, "{other:?}");
        }
        assert_eq!(
            feed.text(),
            "feed dropped out for 12 ms, from 1.620 A to 0.000 A; the others held: look at its own wires and connector"
        );
        feed.parts.push(part("lift coil", 1001, 1010));
        assert_eq!(feed.text(), "feed and lift coil dropped out together for 12 ms: upstream of both");
        feed.parts.push(part("tilt coil", 1001, 1010));
        assert_eq!(
            feed.text(),
            "feed, lift coil and tilt coil dropped out together for 12 ms: upstream of all of them"
        );
    }
}
