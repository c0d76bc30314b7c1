//! An open circuit: no current flows, and the volts on both sides show where the break is.

use super::{Cause, CauseCandidate, CauseContext, FittedCause, location_words};
use crate::session::findings::{
    FindingKind,
    fault::{Fault, FaultLocation},
    model::Measurand,
};

pub(super) struct OpenCircuit;

impl Cause for OpenCircuit {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let layout = context.layout;
        let mut found = Vec::new();
        for at in context.coils() {
            let mut locations = Vec::new();
            // Told apart by ohms of the unplugged coil, by volts in front of it, by volts behind it.
            if layout.has(Measurand::CoilOhms(at)) {
                locations.push(FaultLocation::Coil(at));
            }
            if layout.has(Measurand::HarnessFeed(at))
                || layout.has(Measurand::CoilFeed(at))
                || layout.has(Measurand::FeedDrop(at))
            {
                locations.push(FaultLocation::FeedWire(at));
            }
            if layout.has(Measurand::CoilGround(at)) {
                locations.push(FaultLocation::GroundWire(at));
            } else {
                locations.push(FaultLocation::Hidden(at));
            }
            found.extend(locations.into_iter().map(|location| {
                CauseCandidate::plain(&Self, FindingKind::OpenCircuit, vec![at], Fault::Open(location))
            }));
        }
        found
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        match fitted.fault {
            Fault::Open(FaultLocation::Coil(_)) => format!("{}: open circuit in the coil's winding.", fitted.coil()),
            Fault::Open(FaultLocation::Hidden(_)) => {
                format!("{}: open circuit, at a place where nothing was measured.", fitted.coil())
            }
            Fault::Open(location) => format!("{}: open circuit {}.", fitted.coil(), location_words(location)),
            _ => format!("{}: open circuit.", fitted.coil()),
        }
    }

    fn next_step(&self, fitted: &FittedCause) -> String {
        let coil = fitted.coil();
        match fitted.fault {
            Fault::Open(FaultLocation::Coil(_)) => format!(
                "Measure the ohms of the {coil} once more at its own terminals before replacing it, and move its wires where they enter the coil."
            ),
            Fault::Open(FaultLocation::FeedWire(_)) => format!(
                "Follow the voltage from the shared feed to the {coil}: fuse, driver, wire, pin. The break is where it stops."
            ),
            Fault::Open(FaultLocation::GroundWire(_)) => format!(
                "With the {coil} driven, measure from its ground terminal, then from each joint behind it, to battery negative: the break is between full voltage and none."
            ),
            _ => format!(
                "With the {coil} driven, measure from its feed and from its ground terminal to battery negative."
            ),
        }
    }
}
