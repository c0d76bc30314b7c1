//! The state of each meter: whether its port is open, whether it sends readings, and its identity.

use super::EventKind;
use crate::clock::Mono;

/// A meter without a reading for this long is reported as silent, µs: hand-held meters switch themselves off.
const SILENT_US: i64 = 10_000_000;

/// What is recorded of a port that opens for the first time; every later opening is worth a sentence.
pub(super) const FIRST_OPENED: &str = "its port is open";
/// A slow meter is silent after this many of its longest pauses.
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
    /// Frames decoded.
    pub decoded: u64,
    /// Bytes that came.
    pub bytes: u64,
}

/// What is known of a meter's port.
#[derive(Debug, Clone, PartialEq)]
pub struct MeterState {
    /// The meter's name.
    pub name: String,
    /// Whether its port is open.
    pub open: bool,
    /// When that last changed; none before the first try.
    pub since: Option<Mono>,
    /// Why it is not open; empty where it is.
    pub why: String,
    /// Its identity; none where it has not sent one since its port was opened.
    pub identity: Option<String>,
    /// The identity that was reported last; empty before the first.
    reported_identity: String,
    /// The newest reading since its port was opened.
    last_reading: Option<Mono>,
    /// The longest pause between two readings, µs.
    pause: i64,
    /// Whether its silence has been reported.
    silent: bool,
    /// Whether a silence of it is a fault from the beginning, before it has a channel.
    pub(super) expected: bool,
    /// Frames that brought no reading so far.
    counts: FrameCounts,
    /// The same, when the session began.
    counts_at_begin: FrameCounts,
    /// Bytes that had come as the last frame was decoded.
    bytes_decoded: u64,
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
            reported_identity: String::new(),
            last_reading: None,
            pause: 0,
            silent: false,
            expected: false,
            counts: FrameCounts::default(),
            counts_at_begin: FrameCounts::default(),
            bytes_decoded: 0,
        }
    }

    /// Frames that brought no reading so far, since the daemon started.
    pub(super) fn count_frames(&mut self, counts: FrameCounts) {
        if counts.decoded > self.counts.decoded {
            self.bytes_decoded = counts.bytes;
        }
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

    /// Its port was opened, or lost for a reason. A different meter may be connected from now on.
    pub(super) fn changed(&mut self, at: Mono, lost: Option<&str>) {
        self.open = lost.is_none();
        self.since = Some(at);
        self.why = lost.unwrap_or_default().to_owned();
        self.identity = None;
        self.last_reading = None;
        self.silent = false;
    }

    /// Whether its loss was reported and it has not come back.
    pub(super) fn is_missing(&self) -> bool {
        !self.open && self.since.is_some()
    }

    /// Whether bytes come, and none of them is a frame: another protocol, or another speed of the line.
    pub(super) fn is_unintelligible(&self) -> bool {
        self.counts.bytes > 0 && self.counts.decoded == 0
    }

    /// For how long no reading has come although its port is open, µs.
    pub(super) fn silence(&self, now: Mono) -> Option<i64> {
        self.last_reading.or(self.since).filter(|_| self.open).map(|since| now.since(since))
    }

    /// Whether bytes came after the last frame that was decoded.
    pub(super) fn sends_rubbish(&self) -> bool {
        self.counts.bytes > self.bytes_decoded
    }

    /// A reading came. Returns how long the meter had been silent, where that was reported, µs.
    pub(super) fn reading_received(&mut self, at: Mono) -> Option<i64> {
        let pause = self.last_reading.or(self.since).map_or(0, |before| at.since(before));
        if !self.silent && self.last_reading.is_some() {
            self.pause = self.pause.max(pause);
        }
        self.last_reading = Some(at);
        std::mem::take(&mut self.silent).then_some(pause)
    }

    /// The program did not run for a while and listens again: that time is none of the meter's silence.
    pub(super) fn listened_again(&mut self, now: Mono) {
        if self.open && !self.silent {
            self.since = Some(now);
            self.last_reading = self.last_reading.map(|_| now);
        }
    }

    /// Returns once how long it has been silent although its port is open, µs.
    pub(super) fn fell_silent(&mut self, now: Mono) -> Option<i64> {
        let silence = now.since(self.last_reading.or(self.since)?);
        if !self.open || self.silent || silence <= SILENT_US.max(PAUSES * self.pause) {
            return None;
        }
        self.silent = true;
        Some(silence)
    }

    /// It sent its identity. Returns a sentence where it is new: the same meter plugged
    /// in again is not.
    pub(super) fn set_identity(&mut self, identity: String) -> Option<String> {
        let is_news = self.reported_identity != identity;
        self.reported_identity.clone_from(&identity);
        self.identity = Some(identity);
        is_news.then(|| self.identity_sentence()).flatten()
    }

    /// A session began: the identity is reported again. Returns it as a sentence.
    pub(super) fn reset_reported(&mut self) -> Option<String> {
        self.reported_identity = self.identity.clone().unwrap_or_default();
        self.identity_sentence()
    }

    /// Its identity, as a sentence.
    fn identity_sentence(&self) -> Option<String> {
        self.identity.as_ref().map(|identity| format!("its identity: {identity}"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_meter_plugged_in_again_is_no_news() {
        let mut meter = MeterState::new("handheld".to_owned());
        assert_eq!(meter.identity_sentence(), None);
        let first = Some("its identity: Bench 6".to_owned());
        assert_eq!(meter.set_identity("Bench 6".to_owned()), first);
        meter.changed(Mono(1), Some("no such file"));
        assert_eq!((meter.identity_sentence(), meter.open, &meter.why[..]), (None, false, "no such file"));
        meter.changed(Mono(2), None);
        assert_eq!((meter.set_identity("Bench 6".to_owned()), meter.identity_sentence()), (None, first));
        assert_eq!(meter.set_identity("Bench 7".to_owned()), Some("its identity: Bench 7".to_owned()));
    }

    #[test]
    fn silence_is_reported_once_and_by_its_own_pace() {
        let mut meter = MeterState::new("handheld".to_owned());
        let s = |seconds: i64| Mono(seconds * 1_000_000);
        assert_eq!(meter.fell_silent(s(60)), None, "its port was never opened");
        meter.changed(s(60), None);
        assert_eq!(meter.fell_silent(s(70)), None);
        assert_eq!(meter.fell_silent(s(71)), Some(11_000_000), "it has not said a word yet");
        assert_eq!(meter.fell_silent(s(72)), None);
        assert_eq!(meter.reading_received(s(75)), Some(15_000_000));
        // One that reports every eight seconds is silent after three times that.
        assert_eq!(meter.reading_received(s(83)), None);
        assert_eq!(meter.fell_silent(s(107)), None);
        assert_eq!(meter.fell_silent(s(108)), Some(25_000_000));
        meter.changed(s(110), Some("pulled"));
        assert_eq!(meter.fell_silent(s(500)), None, "that it is gone has been told");
    }

    /// Seen: after SIGSTOP the meter was said to have been silent.
    #[test]
    fn a_time_in_which_nobody_listened_is_no_silence() {
        let mut meter = MeterState::new("handheld".to_owned());
        let s = |seconds: i64| Mono(seconds * 1_000_000);
        meter.changed(s(0), None);
        assert_eq!(meter.reading_received(s(1)), None);
        meter.listened_again(s(61));
        assert_eq!((meter.fell_silent(s(61)), meter.fell_silent(s(71))), (None, None));
        assert_eq!(meter.fell_silent(s(72)), Some(11_000_000));
        // What it had been silent for before stays told.
        meter.listened_again(s(100));
        assert_eq!(meter.fell_silent(s(120)), None);
    }

    #[test]
    fn more_than_a_few_bad_frames_are_summed_up_for_each_session() {
        let mut meter = MeterState::new("handheld".to_owned());
        meter.count_frames(FrameCounts { refused: 7, ..FrameCounts::default() });
        meter.begin_counting();
        assert_eq!(meter.session_totals(), []);
        meter.count_frames(FrameCounts { refused: 12, lost: 6, ..FrameCounts::default() });
        // Five were reported one by one.
        let lost = "6 frames were lost on the way, by their sequence numbers, in the whole session";
        assert_eq!(meter.session_totals(), [(EventKind::SamplesLost, lost.to_owned())]);
        meter.count_frames(FrameCounts { refused: 13, lost: 6, ..FrameCounts::default() });
        assert_eq!(meter.session_totals()[0].1, "6 frames brought no reading, in the whole session");
        meter.begin_counting();
        assert_eq!(meter.session_totals(), []);
    }

    #[test]
    fn to_a_new_session_it_is() {
        let mut meter = MeterState::new("handheld".to_owned());
        let sentence = meter.set_identity("Bench 6".to_owned());
        assert_eq!(meter.reset_reported(), sentence);
        assert_eq!(meter.set_identity("Bench 6".to_owned()), None);
        // A session begins while the cable is unplugged: the identity is new to it afterwards.
        meter.changed(Mono(1), Some("no such file"));
        assert_eq!(meter.reset_reported(), None);
        meter.changed(Mono(2), None);
        assert_eq!(meter.set_identity("Bench 6".to_owned()), sentence);
    }
}
