//! The feed that all coils share: the battery is good, the feed is low everywhere, and lower under load.

use super::{Candidate, Cause, Look, Told};
use crate::session::findings::{
    Kind,
    model::What,
    spoil::{Seat, Spoil},
};

pub(super) struct SharedFeed;

impl Cause for SharedFeed {
    fn candidates(&self, look: &Look) -> Vec<Candidate> {
        // Of one circuit alone there is no "everywhere": what its feed has too much is its own.
        if look.layout.coils.len() == 1 && !look.layout.has(What::SharedFeed) {
            return Vec::new();
        }
        let (kind, seat) = (Kind::FeedLowEverywhere, Seat::SharedFeed);
        let starts = [0.08, 0.2, 0.4, 0.7, 1.0, 1.5, 3.0, 10.0];
        vec![
            Candidate::one_figure(&Self, kind, Vec::new(), Spoil::Ohms(seat), &starts, (5e-3, 1e4)),
            Candidate::plain(&Self, kind, Vec::new(), Spoil::Broken(seat)),
        ]
    }

    fn sentence(&self, told: &Told) -> String {
        match told.spoil {
            Spoil::Broken(_) => "The shared feed is open: no volts arrive from a battery that has them.".to_owned(),
            _ => {
                format!("Feed low everywhere: {} too many between battery positive and the shared feed.", told.ohms(0))
            }
        }
    }

    fn closer(&self, _: &Told) -> String {
        "With everything running, measure from battery positive to each joint of the shared feed (fuse, key switch, relay, connector): the drop jumps at the bad one.".to_owned()
    }
}
