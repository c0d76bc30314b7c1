//! An open circuit: no current flows, and the volts on both sides show where the break is.

use super::{Cause, CauseCandidate, CauseContext, FittedCause};
use crate::session::findings::{
    FindingKind,
    circuit::{Edit, FigurePrior, Part},
};

pub(super) struct OpenCircuit;

/// A break is seldom perfect: moisture and dirt leak enough for a voltmeter to show ghost volts.
const OHMS: FigurePrior = FigurePrior::log_normal(1e8, 2.0);

impl Cause for OpenCircuit {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let seen = context.coils().filter(|at| context.is_seen(*at));
        let candidates = seen.flat_map(|at| {
            [Part::Coil(at), Part::FeedRun(at), Part::GroundRun(at)]
                .map(|part| CauseCandidate::sized(&Self, FindingKind::OpenCircuit, vec![at], Edit::Open(part), OHMS))
        });
        CauseCandidate::share(candidates.collect(), 0.15)
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        let Edit::Open(part) = fitted.edit else { return String::new() };
        let place = match part {
            Part::Coil(_) => "in the coil's winding",
            Part::GroundRun(_) | Part::GroundPin(_) | Part::SharedGround => "on the ground side",
            Part::FeedRun(_) | Part::FeedPin(_) | Part::SharedFeed => "on the feed side",
        };
        format!("{}: open circuit {place}.", fitted.coil())
    }

    fn next_step(&self, fitted: &FittedCause) -> String {
        let coil = fitted.coil();
        let Edit::Open(part) = fitted.edit else { return String::new() };
        match part {
            Part::Coil(_) => format!(
                "Measure the ohms of the {coil} once more at its own terminals before replacing it, and move its wires where they enter the coil."
            ),
            Part::GroundRun(_) | Part::GroundPin(_) | Part::SharedGround => format!(
                "With the {coil} driven, measure from its ground terminal, then from each joint behind it, to battery negative: the break is between full voltage and none."
            ),
            Part::FeedRun(_) | Part::FeedPin(_) | Part::SharedFeed => format!(
                "Follow the voltage from the shared feed to the {coil}: fuse, driver, wire, pin. The break is where it stops."
            ),
        }
    }
}
