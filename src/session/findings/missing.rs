//! What was not measured, and what it would show.

use super::{
    FindingKind,
    layout::Layout,
    model::{DriveState, Measurand},
};

/// One missing measurement.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct MissingMeasurement {
    /// What to measure.
    pub what: String,
    /// What stays unknown without it.
    pub would_show: &'static str,
    /// The finding that can't be ruled out without it.
    pub kind: FindingKind,
    /// Where; empty for what all share.
    pub circuits: Vec<String>,
}

/// Whether a coil's circuit can be judged at all: volts, ohms and amps, or at least two that cross-check.
pub(super) fn judged(layout: &Layout, at: usize) -> bool {
    let volts = layout.has(Measurand::HarnessFeed(at))
        || layout.has(Measurand::CoilFeed(at))
        || layout.has(Measurand::SharedFeed)
        || layout.has(Measurand::Battery);
    volts && layout.has(Measurand::CoilOhms(at)) && amps(layout, at, DriveState::Held(at))
}

fn amps(layout: &Layout, at: usize, state: DriveState) -> bool {
    layout.readings.iter().any(|reading| {
        reading.measurement.measurand == Measurand::Wire(at)
            && (reading.measurement.state == state
                || state != DriveState::Rest && reading.measurement.state == DriveState::AllHeld)
    })
}

/// What is missing, the most telling first.
pub(super) fn missing(layout: &Layout) -> Vec<MissingMeasurement> {
    let mut missing = Vec::new();
    let mut add = |kind: FindingKind, coils: &[&str], what: String, would_show| {
        missing.push(MissingMeasurement {
            what,
            would_show,
            kind,
            circuits: coils.iter().map(|coil| (*coil).to_owned()).collect(),
        });
    };
    if layout.coils.is_empty() {
        add(FindingKind::NotEnough, &[], "ohms and amps of a coil".to_owned(), "any coil's circuit");
    }
    let battery = layout.has(Measurand::Battery);
    let volts = layout.has(Measurand::SharedFeed) || battery;
    for (at, coil) in layout.coils.iter().enumerate() {
        if !layout.has(Measurand::CoilOhms(at)) {
            add(
                FindingKind::CoilOutOfTolerance,
                &[coil],
                format!("ohms of the {coil}, unplugged"),
                "an open, shorted or wrong coil",
            );
        }
        if !amps(layout, at, DriveState::Held(at)) {
            add(
                FindingKind::UnplacedResistance,
                &[coil],
                format!("amps of the {coil}, held on"),
                "resistance that shows under load only",
            );
        }
        if !layout.has(Measurand::HarnessFeed(at)) && !layout.has(Measurand::CoilFeed(at)) && !volts {
            add(FindingKind::FeedLowInBranch, &[coil], format!("feed volts of the {coil}"), "a low feed");
        }
    }
    if !battery {
        add(
            FindingKind::WeakSupply,
            &[],
            "volts across the battery's posts at rest and with everything running".to_owned(),
            "a weak supply",
        );
    }
    if !layout.has(Measurand::SharedGround) {
        add(
            FindingKind::SharedGround,
            &[],
            "the drop of the shared ground with everything running".to_owned(),
            "a bad shared ground",
        );
    }
    let silent = (0..layout.coils.len()).filter(|at| !amps(layout, *at, DriveState::Rest));
    let silent: Vec<&str> = silent.map(|at| layout.coils[at]).collect();
    if !silent.is_empty() {
        let what = format!("amps with the driver off ({})", silent.join(", "));
        add(FindingKind::ShortToFeed, &silent, what, "a short to feed");
    }
    missing
}
