//! Resistance in one coil's feed or ground that shows under load only. Where in a run (driver, wire, joint) it sits can't be
//! told at the connector, so the run is named; a pin is named where its own drop was measured.

use super::{Cause, CauseCandidate, CauseContext, FittedCause};
use crate::session::findings::{
    FindingKind,
    circuit::{Edit, FigurePrior, Measurand, Part},
};

pub(super) struct SeriesResistance;

const FEED_OHMS: FigurePrior = FigurePrior::log_normal(0.8, 1.2);
const GROUND_OHMS: FigurePrior = FigurePrior::log_normal(0.5, 1.2);
/// A feed has more joints than a ground: fuse, relay, driver, connectors. Common practice, no source.
const FEED_ODDS: f64 = 0.27;
const GROUND_ODDS: f64 = 0.12;
const PIN_ODDS: f64 = 0.1;

impl Cause for SeriesResistance {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let (mut feeds, mut grounds, mut pins) = (Vec::new(), Vec::new(), Vec::new());
        let sized = |at, kind, part, ohms| CauseCandidate::sized(&Self, kind, vec![at], Edit::Series(part), ohms);
        for at in context.coils().filter(|at| context.is_seen(*at)) {
            feeds.push(sized(at, FindingKind::FeedResistance, Part::FeedRun(at), FEED_OHMS));
            grounds.push(sized(at, FindingKind::GroundResistance, Part::GroundRun(at), GROUND_OHMS));
            for (measurand, part) in
                [(Measurand::FeedPin(at), Part::FeedPin(at)), (Measurand::GroundPin(at), Part::GroundPin(at))]
            {
                if context.layout.has(measurand) {
                    pins.push(sized(at, FindingKind::ConnectorResistance, part, GROUND_OHMS));
                }
            }
        }
        let mut found = CauseCandidate::share(feeds, FEED_ODDS);
        found.extend(CauseCandidate::share(grounds, GROUND_ODDS));
        found.extend(CauseCandidate::share(pins, PIN_ODDS));
        found
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        let Edit::Series(part) = fitted.edit else { return String::new() };
        let place = match part {
            Part::FeedPin(_) => "in the feed pin of its connector",
            Part::GroundPin(_) => "in the ground pin of its connector",
            Part::GroundRun(_) | Part::SharedGround => "on the ground side",
            Part::FeedRun(_) | Part::SharedFeed => "on the feed side",
            Part::Coil(_) => "in the coil",
        };
        format!("{}: high resistance under load, {} extra, {place}.", fitted.coil(), fitted.ohms(0))
    }

    fn next_step(&self, fitted: &FittedCause) -> String {
        let coil = fitted.coil();
        let Edit::Series(part) = fitted.edit else { return String::new() };
        match part {
            Part::FeedPin(_) | Part::GroundPin(_) => format!(
                "Unplug the {coil}, check the pin for corrosion and grip, clean it, and measure its voltage drop again."
            ),
            Part::GroundRun(_) | Part::SharedGround => format!(
                "With the {coil} held on, measure the voltage drop from its ground terminal to the harness side of the ground pin, then to the shared ground stud: the bad joint is where the drop is larger."
            ),
            Part::FeedRun(_) | Part::SharedFeed => format!(
                "With the {coil} held on, measure the voltage drop from battery positive to each joint on the way: fuse, driver, mid-harness, harness side of the feed pin. The drop jumps at the bad joint."
            ),
            Part::Coil(_) => format!("Measure the ohms of the {coil} at its own terminals, unplugged."),
        }
    }
}
