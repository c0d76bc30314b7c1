//! What the core knows of each meter: whether its port is open, whether it speaks, and what it says of itself.

use super::EventKind;
use crate::clock::Mono;

/// A meter that has brought no reading for so long is told to be silent, µs: hand meters switch themselves off.
const SILENT_US: i64 = 10_000_000;

/// A meter that speaks seldom is silent when it has missed so many of its longest pauses.
const PAUSES: i64 = 3;

/// Up to this many refused or lost frames of a meter are reported one by one in a session; more are summed up at its end.
const REPORTED_EACH: u64 = 5;

/// Frames of a meter that brought no reading, counted since the daemon started.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct FrameCounts {
    /// Frames that could not be decoded.
    pub refused: u64,
    /// Frames that are missing according to their sequence numbers.
    pub lost: u64,
}

/// What is known of a meter's port.
#[derive(Debug, Clone, PartialEq)]
pub struct MeterState {
    /// The meter's name.
    pub name: String,
    /// Whether its port is open.
    pub open: bool,
    /// Since when it has been so; none before the first try.
    pub since: Option<Mono>,
    /// Why it is not open; empty where it is.
    pub why: String,
    /// What it says of itself; none where it has not said so since its port was opened.
    pub identity: Option<String>,
    /// What was told of that before; empty where nothing was.
    told: String,
    /// The newest reading since its port was opened.
    heard: Option<Mono>,
    /// The longest that it let pass between two readings, µs.
    pause: i64,
    /// Whether its silence has been reported.
    silent: bool,
    /// Frames that brought no reading so far.
    counts: FrameCounts,
    /// The same, when the session began.
    counts_at_begin: FrameCounts,
}

impl MeterState {
    /// Before the first try to open its port.
    pub(super) fn new(name: String) -> Self {
        Self {
            name,
            open: false,
            since: None,
            why: String::new(),
            identity: None,
            told: String::new(),
            heard: None,
            pause: 0,
            silent: false,
            counts: FrameCounts::default(),
            counts_at_begin: FrameCounts::default(),
        }
    }

    /// Frames that brought no reading so far, since the daemon started.
    pub(super) fn count_frames(&mut self, counts: FrameCounts) {
        self.counts = counts;
    }

    /// Counting of the session begins.
    pub(super) fn begin_counting(&mut self) {
        self.counts_at_begin = self.counts;
    }

    /// What is reported at the end of a session: how many frames brought no reading, where not each was reported.
    pub(super) fn session_totals(&self) -> Vec<(EventKind, String)> {
        let refused = self.counts.refused.saturating_sub(self.counts_at_begin.refused);
        let lost = self.counts.lost.saturating_sub(self.counts_at_begin.lost);
        let totals = [
            (EventKind::BadFrame, refused, "brought no reading"),
            (EventKind::SamplesLost, lost, "were lost on the way, by their sequence numbers"),
        ];
        let many = totals.into_iter().filter(|(_, count, _)| *count > REPORTED_EACH);
        many.map(|(kind, count, what)| (kind, format!("{count} frames {what}, in the whole session"))).collect()
    }

    /// Its port was opened, or is not there for a reason. Another meter may be behind it from now on.
    pub(super) fn changed(&mut self, at: Mono, lost: Option<&str>) {
        self.open = lost.is_none();
        self.since = Some(at);
        self.why = lost.unwrap_or_default().to_owned();
        self.identity = None;
        self.heard = None;
        self.silent = false;
    }

    /// It brought a reading. Answers how long it had been silent, where that was told, µs.
    pub(super) fn heard(&mut self, at: Mono) -> Option<i64> {
        let pause = self.heard.or(self.since).map_or(0, |before| at.since(before));
        if !self.silent && self.heard.is_some() {
            self.pause = self.pause.max(pause);
        }
        self.heard = Some(at);
        std::mem::take(&mut self.silent).then_some(pause)
    }

    /// Whether it fell silent though its port is open. Answers for how long by now, µs, and once.
    pub(super) fn fell_silent(&mut self, now: Mono) -> Option<i64> {
        let silence = now.since(self.heard.or(self.since)?);
        if !self.open || self.silent || silence <= SILENT_US.max(PAUSES * self.pause) {
            return None;
        }
        self.silent = true;
        Some(silence)
    }

    /// It says of itself what it is. Answers with a sentence where that is news: the same meter plugged
    /// in again is none.
    pub(super) fn says(&mut self, identity: String) -> Option<String> {
        let is_news = self.told != identity;
        self.told.clone_from(&identity);
        self.identity = Some(identity);
        is_news.then(|| self.said()).flatten()
    }

    /// A session began, to which all is new. Answers what it says of itself, as a sentence.
    pub(super) fn reset_reported(&mut self) -> Option<String> {
        self.told = self.identity.clone().unwrap_or_default();
        self.said()
    }

    /// What it says of itself, as a sentence.
    fn said(&self) -> Option<String> {
        self.identity.as_ref().map(|identity| format!("says of itself: {identity}"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_meter_plugged_in_again_is_no_news() {
        let mut meter = MeterState::new("handheld".to_owned());
        assert_eq!(meter.said(), None);
        let first = Some("says of itself: Bench 6".to_owned());
        assert_eq!(meter.says("Bench 6".to_owned()), first);
        meter.changed(Mono(1), Some("no such file"));
        assert_eq!((meter.said(), meter.open, &meter.why[..]), (None, false, "no such file"));
        meter.changed(Mono(2), None);
        assert_eq!((meter.says("Bench 6".to_owned()), meter.said()), (None, first));
        assert_eq!(meter.says("Bench 7".to_owned()), Some("says of itself: Bench 7".to_owned()));
    }

    #[test]
    fn silence_is_told_once_and_by_its_own_pace() {
        let mut meter = MeterState::new("handheld".to_owned());
        let s = |seconds: i64| Mono(seconds * 1_000_000);
        assert_eq!(meter.fell_silent(s(60)), None, "its port was never opened");
        meter.changed(s(60), None);
        assert_eq!(meter.fell_silent(s(70)), None);
        assert_eq!(meter.fell_silent(s(71)), Some(11_000_000), "it has not said a word yet");
        assert_eq!(meter.fell_silent(s(72)), None);
        assert_eq!(meter.heard(s(75)), Some(15_000_000));
        // One that speaks every eight seconds is given three times that.
        assert_eq!(meter.heard(s(83)), None);
        assert_eq!(meter.fell_silent(s(107)), None);
        assert_eq!(meter.fell_silent(s(108)), Some(25_000_000));
        meter.changed(s(110), Some("pulled"));
        assert_eq!(meter.fell_silent(s(500)), None, "that it is gone has been told");
    }

    #[test]
    fn more_than_a_few_bad_frames_are_summed_up_for_each_session() {
        let mut meter = MeterState::new("handheld".to_owned());
        meter.count_frames(FrameCounts { refused: 7, lost: 0 });
        meter.begin_counting();
        assert_eq!(meter.session_totals(), []);
        meter.count_frames(FrameCounts { refused: 12, lost: 6 });
        // Five were reported one by one.
        let lost = "6 frames were lost on the way, by their sequence numbers, in the whole session";
        assert_eq!(meter.session_totals(), [(EventKind::SamplesLost, lost.to_owned())]);
        meter.count_frames(FrameCounts { refused: 13, lost: 6 });
        assert_eq!(meter.session_totals()[0].1, "6 frames brought no reading, in the whole session");
        meter.begin_counting();
        assert_eq!(meter.session_totals(), []);
    }

    #[test]
    fn to_a_new_session_it_is() {
        let mut meter = MeterState::new("handheld".to_owned());
        let said = meter.says("Bench 6".to_owned());
        assert_eq!(meter.reset_reported(), said);
        assert_eq!(meter.says("Bench 6".to_owned()), None);
        // A session begins while the cable is off: it has not heard of this meter when it is back.
        meter.changed(Mono(1), Some("no such file"));
        assert_eq!(meter.reset_reported(), None);
        meter.changed(Mono(2), None);
        assert_eq!(meter.says("Bench 6".to_owned()), said);
    }
}
