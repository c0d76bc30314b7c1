//! The feed that all coils share: the battery is good, the feed is low everywhere, and lower under load.

use super::{Cause, CauseCandidate, CauseContext, FittedCause};
use crate::session::findings::{
    FindingKind,
    circuit::{Edit, FigurePrior, Measurand, Part},
};

pub(super) struct SharedFeed;

/// Of a break.
const BREAK_OHMS: FigurePrior = FigurePrior::log_normal(1e8, 2.0);
const OHMS: FigurePrior = FigurePrior::log_normal(0.5, 1.0);

impl Cause for SharedFeed {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        // With one circuit alone, resistance in the shared feed can't be told from resistance in its own feed.
        if context.coils().filter(|at| context.is_seen(*at)).count() < 2 && !context.layout.has(Measurand::SharedFeed) {
            return Vec::new();
        }
        let kind = FindingKind::FeedLowEverywhere;
        let mut sized = CauseCandidate::sized(&Self, kind, Vec::new(), Edit::Series(Part::SharedFeed), OHMS);
        let mut open = CauseCandidate::sized(&Self, kind, Vec::new(), Edit::Open(Part::SharedFeed), BREAK_OHMS);
        (sized.odds, open.odds) = (0.055, 0.02);
        vec![sized, open]
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        match fitted.edit {
            Edit::Open(_) => {
                "The shared feed is open: the battery is good, and no voltage reaches the coils.".to_owned()
            }
            _ => {
                let whose = if fitted.layout.coils.len() > 1 { " on all circuits" } else { "" };
                format!(
                    "Low feed{whose}: high resistance between battery positive and the shared feed, {} extra.",
                    fitted.ohms(0)
                )
            }
        }
    }

    fn next_step(&self, _: &FittedCause) -> String {
        "With everything running, measure the voltage drop from battery positive to each joint of the shared feed (fuse, key switch, relay, connector). The drop jumps at the bad joint.".to_owned()
    }
}
