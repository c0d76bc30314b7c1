//! Resistance in one coil's circuit that shows under load only, and the side on which the drops find it.

use super::{Cause, CauseCandidate, CauseContext, FittedCause, location_words, show_rounded};
use crate::{
    session::findings::{
        FindingKind,
        fault::{Fault, FaultLocation},
        model::Measurand,
    },
    units::Quantity,
};

pub(super) struct SeriesResistance;

impl Cause for SeriesResistance {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let layout = context.layout;
        let mut found = Vec::new();
        for at in context.coils() {
            let mut locations = vec![(FaultLocation::Hidden(at), FindingKind::UnplacedResistance)];
            if layout.has(Measurand::CoilFeed(at))
                || layout.has(Measurand::FeedDrop(at))
                || layout.has(Measurand::FeedPin(at))
            {
                locations.push((FaultLocation::FeedWire(at), FindingKind::FeedResistance));
            }
            if layout.has(Measurand::FeedPin(at)) {
                locations.push((FaultLocation::FeedPin(at), FindingKind::ConnectorResistance));
            }
            if layout.has(Measurand::CoilGround(at)) || layout.has(Measurand::GroundPin(at)) {
                locations.push((FaultLocation::GroundWire(at), FindingKind::GroundResistance));
            }
            if layout.has(Measurand::GroundPin(at)) {
                locations.push((FaultLocation::GroundPin(at), FindingKind::ConnectorResistance));
            }
            found.extend(locations.into_iter().map(|(location, kind)| {
                let starts = [0.2, 0.5, 1.0, 2.0, 4.0, 10.0, 40.0];
                CauseCandidate::one_figure(&Self, kind, vec![at], Fault::SeriesOhms(location), &starts, (0.02, 1e5))
            }));
        }
        found
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        let Fault::SeriesOhms(location) = fitted.fault else { return String::new() };
        let place = match (location, self.unmeasured(fitted)) {
            (FaultLocation::Hidden(_), Some("feed or ground")) => {
                "somewhere in its feed, its ground or the coil: no voltage drop was measured".to_owned()
            }
            (FaultLocation::Hidden(_), Some(side)) => {
                format!("on the {side} side or in the coil, where no voltage drop was measured")
            }
            (FaultLocation::Hidden(_), None) => {
                "in the coil or at its terminals: the measured voltage drops do not account for it".to_owned()
            }
            _ => location_words(location).to_owned(),
        };
        let ohms = show_rounded(self.in_series(fitted, location), Quantity::Ohms);
        format!("{}: high resistance under load, {ohms} extra, {place}.", fitted.coil())
    }

    fn next_step(&self, fitted: &FittedCause) -> String {
        let coil = fitted.coil();
        let Fault::SeriesOhms(location) = fitted.fault else { return String::new() };
        match location {
            FaultLocation::FeedWire(_) => format!(
                "With the {coil} held on, measure the voltage drop from battery positive to each joint on the way: fuse, driver, connector. The drop jumps at the bad joint."
            ),
            FaultLocation::GroundWire(_) => format!(
                "With the {coil} held on, measure the voltage drop from its ground terminal to the shared ground stud, then across its connector's ground pin: the bad joint is where the drop is larger."
            ),
            FaultLocation::FeedPin(_) | FaultLocation::GroundPin(_) => {
                format!(
                    "Unplug the {coil}, check the pin for corrosion and grip, clean it, and measure its voltage drop again."
                )
            }
            _ => format!(
                "First make sure that the driver holds the {coil} fully on: a driver that switches fast shows fewer amps on a clamp although nothing is wrong. Measure its feed unplugged with the driver on: if it is low, the fault is in the feed or the driver. Then, with the coil held on, measure from battery positive to its feed terminal and from its ground terminal to battery negative."
            ),
        }
    }
}

impl SeriesResistance {
    /// All resistance in series with the coil there, that of good wires included: what a technician gets from volts
    /// over amps less coil ohms.
    fn in_series(&self, fitted: &FittedCause, location: FaultLocation) -> f64 {
        let Some(at) = location.branch() else { return fitted.figure(0) };
        let branch = &fitted.circuit.branches[at];
        let pin = |ohms: f64, measurand| if fitted.layout.has(measurand) { 0.0 } else { ohms };
        match location {
            FaultLocation::FeedWire(_) => branch.feed_wire + pin(branch.feed_pin, Measurand::FeedPin(at)),
            FaultLocation::GroundWire(_) => branch.ground_wire + pin(branch.ground_pin, Measurand::GroundPin(at)),
            FaultLocation::Hidden(_) => {
                branch.hidden + branch.feed_wire + branch.feed_pin + branch.ground_pin + branch.ground_wire
            }
            _ => fitted.figure(0),
        }
    }

    /// The sides whose drop was not measured, in words.
    fn unmeasured(&self, fitted: &FittedCause) -> Option<&'static str> {
        let at = *fitted.coils.first()?;
        let feed = fitted.layout.has(Measurand::CoilFeed(at)) || fitted.layout.has(Measurand::FeedDrop(at));
        let ground = fitted.layout.has(Measurand::CoilGround(at));
        match (feed, ground) {
            (true, true) => None,
            (true, false) => Some("ground"),
            (false, true) => Some("feed"),
            (false, false) => Some("feed or ground"),
        }
    }
}
