//! What the core knows of each meter: whether its port is open, and what it says of itself.

use crate::clock::Mono;

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
}

impl MeterState {
    /// Before the first try to open its port.
    pub(super) fn new(name: String) -> Self {
        Self { name, open: false, since: None, why: String::new(), identity: None, told: String::new() }
    }

    /// Its port was opened, or is not there for a reason. Another meter may be behind it from now on.
    pub(super) fn changed(&mut self, at: Mono, lost: Option<&str>) {
        self.open = lost.is_none();
        self.since = Some(at);
        self.why = lost.unwrap_or_default().to_owned();
        self.identity = None;
    }

    /// It says of itself what it is. Answers with a sentence where that is news: the same meter plugged
    /// in again is none.
    pub(super) fn says(&mut self, identity: String) -> Option<String> {
        let is_news = self.told != identity;
        self.told.clone_from(&identity);
        self.identity = Some(identity);
        is_news.then(|| self.said()).flatten()
    }

    /// A session began, to which all is news. Answers what it says of itself, as a sentence.
    pub(super) fn tell_anew(&mut self) -> Option<String> {
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
    fn to_a_new_session_it_is() {
        let mut meter = MeterState::new("handheld".to_owned());
        let said = meter.says("Bench 6".to_owned());
        assert_eq!(meter.tell_anew(), said);
        assert_eq!(meter.says("Bench 6".to_owned()), None);
        // A session begins while the cable is off: it has not heard of this meter when it is back.
        meter.changed(Mono(1), Some("no such file"));
        assert_eq!(meter.tell_anew(), None);
        meter.changed(Mono(2), None);
        assert_eq!(meter.says("Bench 6".to_owned()), said);
    }
}
