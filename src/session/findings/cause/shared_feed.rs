//! The feed that all coils share: the battery is good, the feed is low everywhere, and lower under load.

use super::{Cause, CauseCandidate, CauseContext, FittedCause};
use crate::session::findings::{
    FindingKind,
    fault::{Fault, FaultLocation},
    model::Measurand,
};

pub(super) struct SharedFeed;

impl Cause for SharedFeed {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        // With one circuit alone, resistance in the shared feed can't be told from resistance in its own feed.
        if context.layout.coils.len() == 1 && !context.layout.has(Measurand::SharedFeed) {
            return Vec::new();
        }
        let (kind, location) = (FindingKind::FeedLowEverywhere, FaultLocation::SharedFeed);
        let starts = [0.08, 0.2, 0.4, 0.7, 1.0, 1.5, 3.0, 10.0];
        vec![
            CauseCandidate::one_figure(&Self, kind, Vec::new(), Fault::SeriesOhms(location), &starts, (5e-3, 1e4)),
            CauseCandidate::plain(&Self, kind, Vec::new(), Fault::Open(location)),
        ]
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        match fitted.fault {
            Fault::Open(_) => {
                "The shared feed is open: the battery is good, and no voltage reaches the coils.".to_owned()
            }
            _ => {
                format!(
                    "Low feed on all circuits: high resistance between battery positive and the shared feed, {} extra.",
                    fitted.ohms(0)
                )
            }
        }
    }

    fn next_step(&self, _: &FittedCause) -> String {
        "With everything running, measure the voltage drop from battery positive to each joint of the shared feed (fuse, key switch, relay, connector). The drop jumps at the bad joint.".to_owned()
    }
}
