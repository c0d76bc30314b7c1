//! One coil's feed is low already without load: its driver keeps volts, the others' are good.

use super::{Candidate, Cause, Look, Told, rough};
use crate::{
    session::findings::{Kind, model::What, spoil::Spoil},
    units::Quantity,
};

pub(super) struct BranchFeed;

impl Cause for BranchFeed {
    fn candidates(&self, look: &Look) -> Vec<Candidate> {
        let starts = [0.5, 1.0, 2.0, 3.0, 5.0, 9.0];
        // Where no volts of the branch were measured, it is one of the things that a resistance not placed stands for.
        let seen = |at: usize| {
            let layout = look.layout;
            layout.has(What::HarnessFeed(at)) || layout.has(What::CoilFeed(at)) || layout.has(What::FeedDrop(at))
        };
        look.coils()
            .filter(|at| seen(*at))
            .map(|at| {
                let (kind, spoil) = (Kind::FeedLowInBranch, Spoil::LostVolts(at));
                Candidate::one_figure(&Self, kind, vec![at], spoil, &starts, (0.05, 30.0))
            })
            .collect()
    }

    fn sentence(&self, told: &Told) -> String {
        let volts = rough(told.figure(0), Quantity::VoltsDc);
        format!("{}: its feed alone is low, {volts} stay in its driver even without load.", told.coil())
    }

    fn closer(&self, told: &Told) -> String {
        format!(
            "Measure at the output of the driver of the {} without load, and give it the signal of a sister driver: the driver, or what tells it to switch on.",
            told.coil()
        )
    }
}
