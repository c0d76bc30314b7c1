//! What a step that watches is judged on: the worst of its own value, of its drop-outs and of what its rules found.

use super::{
    super::{
        dropout::DropOutDetector,
        intermittent::listed,
        response::{badness, judged_number},
    },
    StepWatch,
};
use crate::{
    channel::ChannelId,
    clock::Mono,
    procedure::CaptureMode,
    session::{Capture, CaptureMethod, Judgement},
    units::{Dimension, Limit, Quantity, show_duration},
};

impl StepWatch {
    /// What the step is judged on, given what its own judge captured.
    pub(crate) fn judged(&self, capture: Option<Capture>, now: Mono) -> Option<Capture> {
        if self.mode == CaptureMode::Wiggle {
            return self.by_count(capture, now);
        }
        let mut capture = self.with_responses(capture, now)?;
        let (count, longest_us) = self.excursions.counted();
        let longest = show_duration(longest_us as f64 / 1e6);
        match (&self.supply, count) {
            (Some(supply), _) => {
                if let Some(band) = supply.band() {
                    capture.judgement.reason += &format!("; {band}");
                }
                if count > 0 {
                    capture.judgement.reason += &format!("; {}, the longest {longest}", excursions(count));
                }
            }
            (None, 2..) => capture.judgement.reason += &format!("; {count} excursions, the longest {longest}"),
            (None, _) => {}
        }
        if self.before.excursions > 0 {
            let before = excursions(self.before.excursions);
            capture.judgement.reason += &format!("; {before} before the session was cut off");
        }
        if self.all_dropouts() > 0 {
            capture.judgement.reason += &format!("; {}", self.drop_outs());
        }
        Some(capture)
    }

    /// The worst of the step's own value and of what its rules found.
    fn with_responses(&self, own: Option<Capture>, now: Mono) -> Option<Capture> {
        let bad_before = (self.before.bad_responses > 0).then(|| {
            let none = Limit { low: None, high: Some(0.0), dimension: Dimension::Plain };
            let bad = f64::from(self.before.bad_responses);
            let mut judgement = judged_number(&none, bad, Quantity::Number, None);
            let word = if self.before.bad_responses == 1 { "response" } else { "responses" };
            judgement.reason =
                format!("{} {word} out of limit before the session was cut off", self.before.bad_responses);
            (judgement, None)
        });
        let found = self.responses.iter().map(|response| {
            let channel = self.index_of(&response.rule.channel);
            (response.judged(), channel.and_then(|index| u16::try_from(index).ok()).map(ChannelId))
        });
        let ripple =
            self.supply.as_ref().and_then(|supply| supply.ripple(self.board())).map(|judgement| (judgement, None));
        let worst = found
            .chain(bad_before)
            .chain(ripple)
            .reduce(|one, other| if badness(&other.0) > badness(&one.0) { other } else { one });
        let Some((judgement, channel)) = worst else { return own };
        match own {
            Some(own) if badness(&own.judgement).0 >= badness(&judgement).0.max(1) => {
                let reason = format!("{}; {}", own.judgement.reason, judgement.reason);
                Some(Capture { judgement: Judgement { reason, ..own.judgement }, ..own })
            }
            _ => Some(Capture::plain(CaptureMethod::Worst, now, channel, judgement)),
        }
    }

    /// A harness that is moved must not drop out once. What carried nothing proves nothing.
    fn by_count(&self, capture: Option<Capture>, now: Mono) -> Option<Capture> {
        let was_alive = self.all_dropouts() > 0 || self.detectors.iter().flatten().any(DropOutDetector::is_alive);
        if !was_alive {
            return capture;
        }
        let none = Limit { low: None, high: Some(0.0), dimension: Dimension::Plain };
        let count = f64::from(self.all_dropouts());
        let mut judgement = judged_number(&none, count, Quantity::Number, None);
        let lasted = show_duration(now.since(self.began) as f64 / 1e6);
        judgement.reason = match self.all_dropouts() {
            0 => format!("no drop-out in {lasted}"),
            _ => format!("{} in {lasted}", self.drop_outs()),
        };
        let (at, channel) = capture.map_or((now, None), |capture| (capture.at, capture.channel));
        Some(Capture::plain(CaptureMethod::Worst, at, channel, judgement))
    }

    /// `3 drop-outs: feed and lift coil together (2), lift coil (1)`
    fn drop_outs(&self) -> String {
        let causes = self.causes.iter().map(|(channels, count)| {
            let names: Vec<&str> = channels.iter().map(String::as_str).collect();
            let together = if names.len() > 1 { " together" } else { "" };
            format!("{}{together} ({count})", listed(&names))
        });
        let causes: Vec<String> = causes.collect();
        let now = match self.count {
            0 => None,
            1 => Some(format!("1 drop-out: {}", causes.join(", ").trim_end_matches(" (1)"))),
            many => Some(format!("{many} drop-outs: {}", causes.join(", "))),
        };
        let before = match self.before.dropouts {
            0 => None,
            1 => Some("1 drop-out before the session was cut off".to_owned()),
            many => Some(format!("{many} drop-outs before the session was cut off")),
        };
        now.into_iter().chain(before).collect::<Vec<_>>().join("; ")
    }

    fn all_dropouts(&self) -> u32 {
        self.count.saturating_add(self.before.dropouts)
    }
}

fn excursions(count: u32) -> String {
    if count == 1 { "1 excursion".to_owned() } else { format!("{count} excursions") }
}
