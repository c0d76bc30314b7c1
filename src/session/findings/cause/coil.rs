//! A coil of other ohms than it should have: shorted turns, or out of tolerance.

use super::{Cause, CauseCandidate, CauseContext, FittedCause, show_rounded};
use crate::{
    electrics::{Copper, Uncertain},
    session::findings::{FindingKind, Role, fault::Fault},
    units::Quantity,
};

pub(super) struct CoilOutOfTolerance;

/// Below this share of its ohms turns are shorted; above it and below one, it may be the wrong coil.
const SHORTED: f64 = 0.8;

/// No coil of a machine is hotter, °C: about the limit of usual wire enamel (common practice, no source).
const HOTTEST: f64 = 180.0;

impl Cause for CoilOutOfTolerance {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let known = context.coils().filter(|at| context.prior.nominal[*at].is_some());
        known
            .flat_map(|at| {
                let fault = Fault::CoilFactor(at);
                [
                    (FindingKind::ShortedCoil, &[0.05, 0.12, 0.2, 0.3, 0.4, 0.55, 0.7][..], (1e-3, SHORTED)),
                    (
                        FindingKind::CoilOutOfTolerance,
                        &[0.85, 1.15, 1.3, 1.5, 1.8, 2.5, 5.0, 15.0][..],
                        (SHORTED, 20.0),
                    ),
                ]
                .map(|(kind, starts, bounds)| CauseCandidate::one_figure(&Self, kind, vec![at], fault, starts, bounds))
            })
            .collect()
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        let nominal = fitted.coils.first().and_then(|at| fitted.prior.nominal[*at]).unwrap_or(0.0);
        let ohms = show_rounded(fitted.figure(0) * nominal, Quantity::Ohms);
        let wanted = show_rounded(nominal, Quantity::Ohms);
        match fitted.kind {
            FindingKind::ShortedCoil => {
                format!("{}: shorted turns, the coil has {ohms}, a good coil has {wanted}.", fitted.coil())
            }
            _ if fitted.figure(0) > 1.0 => {
                format!(
                    "{}: the coil's resistance is too high, {ohms}; a good coil has {wanted}.{}",
                    fitted.coil(),
                    heat(fitted)
                )
            }
            _ => format!("{}: the coil's resistance is too low, {ohms}; a good coil has {wanted}.", fitted.coil()),
        }
    }

    fn next_step(&self, fitted: &FittedCause) -> String {
        let coil = fitted.coil();
        if fitted.kind == FindingKind::ShortedCoil {
            return format!(
                "Let the {coil} cool, measure its ohms at its own terminals and compare with a sister coil; check that the high current has not damaged its driver."
            );
        }
        format!(
            "Compare the part number of the {coil} with a sister coil's, and measure its ohms again at a known temperature."
        )
    }
}

/// The temperature that would explain the ohms, where that is of interest.
fn heat(fitted: &FittedCause) -> String {
    let Some(observation) = fitted.layout.observations.observation(fitted.coil(), Role::CoilOhms, None) else {
        return String::new();
    };
    let (Some(ohms), Some(nominal)) =
        (observation.uncertain(), fitted.coils.first().and_then(|at| fitted.prior.nominal[*at]))
    else {
        return String::new();
    };
    let reference = fitted.layout.observations.reference_celsius;
    match Copper::iec_60028().explaining_temperature(ohms, Uncertain::exact(nominal), reference) {
        Some(hot) if hot.value < HOTTEST => format!(
            " Heat alone explains it only at {:.0} °C{}.",
            hot.value,
            match fitted.layout.observations.part_celsius {
                Some(known) => format!(", but the coil was at {:.0} °C", known.value),
                None => " in this coil alone".to_owned(),
            }
        ),
        Some(_) => " Heat does not explain it: no coil survives that temperature.".to_owned(),
        None => String::new(),
    }
}
