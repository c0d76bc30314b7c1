//! What was not measured, and what it would tell.

use super::{
    Kind,
    layout::Layout,
    model::{State, What},
};

/// One thing that is missing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Missing {
    /// What to measure.
    pub what: String,
    /// What stays unknown without it.
    pub hides: &'static str,
    /// The same in one word.
    pub kind: Kind,
    /// Where; empty for what all share.
    pub circuits: Vec<String>,
}

/// Whether a coil's circuit can be judged at all: volts, ohms and amps, or at least two that cross-check.
pub(super) fn judged(layout: &Layout, at: usize) -> bool {
    let volts = layout.has(What::HarnessFeed(at))
        || layout.has(What::CoilFeed(at))
        || layout.has(What::SharedFeed)
        || layout.has(What::Battery);
    volts && layout.has(What::CoilOhms(at)) && amps(layout, at, State::Held(at))
}

fn amps(layout: &Layout, at: usize, state: State) -> bool {
    layout.readings.iter().any(|reading| {
        reading.ask.what == What::Wire(at)
            && (reading.ask.state == state || state != State::Rest && reading.ask.state == State::Everything)
    })
}

/// What is missing, the most telling first.
pub(super) fn missing(layout: &Layout) -> Vec<Missing> {
    let mut missing = Vec::new();
    let mut add = |kind: Kind, coils: &[&str], what: String, hides| {
        missing.push(Missing { what, hides, kind, circuits: coils.iter().map(|coil| (*coil).to_owned()).collect() });
    };
    if layout.coils.is_empty() {
        add(Kind::NotEnough, &[], "ohms and amps of a coil".to_owned(), "any coil's circuit");
    }
    let battery = layout.has(What::Battery);
    let volts = layout.has(What::SharedFeed) || battery;
    for (at, coil) in layout.coils.iter().enumerate() {
        if !layout.has(What::CoilOhms(at)) {
            add(
                Kind::CoilOutOfTolerance,
                &[coil],
                format!("ohms of the {coil}, unplugged"),
                "an open, shorted or wrong coil",
            );
        }
        if !amps(layout, at, State::Held(at)) {
            add(
                Kind::UnplacedResistance,
                &[coil],
                format!("amps of the {coil}, held on"),
                "resistance that shows under load only",
            );
        }
        if !layout.has(What::HarnessFeed(at)) && !layout.has(What::CoilFeed(at)) && !volts {
            add(Kind::FeedLowInBranch, &[coil], format!("feed volts of the {coil}"), "a low feed");
        }
    }
    if !battery {
        add(
            Kind::WeakSupply,
            &[],
            "volts across the battery's posts at rest and with everything running".to_owned(),
            "a weak supply",
        );
    }
    if !layout.has(What::Stud) {
        add(
            Kind::SharedGround,
            &[],
            "the drop of the shared ground with everything running".to_owned(),
            "a bad shared ground",
        );
    }
    let silent = (0..layout.coils.len()).filter(|at| !amps(layout, *at, State::Rest));
    let silent: Vec<&str> = silent.map(|at| layout.coils[at]).collect();
    if !silent.is_empty() {
        let what = format!("amps with the driver off ({})", silent.join(", "));
        add(Kind::ShortToFeed, &silent, what, "a short to feed");
    }
    missing
}
