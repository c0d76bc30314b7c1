//! A coil of other ohms than it should have: shorted turns, out of tolerance, or unlike its siblings within its limit.

use super::{Cause, CauseCandidate, CauseContext, FittedCause, show_rounded};
use crate::{
    electrics::{Copper, Uncertain},
    session::findings::{
        FindingKind, Role, RunningLoads,
        circuit::{Edit, FigurePrior},
    },
    units::Quantity,
};

pub(super) struct CoilOutOfTolerance;

/// Factors on the ohms of a good coil.
const SHORTED: FigurePrior = FigurePrior::log_normal(0.4, 0.5);
const TOO_HIGH: FigurePrior = FigurePrior::log_normal(1.5, 0.35);
/// Above this factor it is no shorted coil, it may be the wrong one.
const SHORTED_BELOW: f64 = 0.85;

/// No coil of a machine is hotter, °C: about the limit of usual wire enamel (common practice, no source).
const HOTTEST: f64 = 180.0;

impl Cause for CoilOutOfTolerance {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let known = context.coils().filter(|at| context.is_seen(*at) && context.prior.nominal[*at].is_some());
        let candidates = known.flat_map(|at| {
            let limited = context.layout.observations.observation(context.layout.coils[at], Role::CoilOhms, None);
            // Within its limit it is at most unlike the others.
            let high = match limited {
                Some(observation) if observation.limit.is_some() && !observation.is_out => FindingKind::UnlikeSiblings,
                _ => FindingKind::CoilOutOfTolerance,
            };
            let less = (FindingKind::ShortedCoil, SHORTED, (0.0, 1.0));
            let more = (high, TOO_HIGH, (1.0, f64::INFINITY));
            [less, more].map(|(kind, size, range)| {
                let candidate = CauseCandidate::sized(&Self, kind, vec![at], Edit::CoilFactor(at), size);
                CauseCandidate { range, ..candidate }
            })
        });
        CauseCandidate::share(candidates.collect(), 0.15)
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        let nominal = fitted.coils.first().and_then(|at| fitted.prior.nominal[*at]).unwrap_or(0.0);
        // What its steps show was measured at the heat that the coil had then.
        let reference = fitted.layout.observations.reference_celsius;
        let ohms = format!("{} at {reference:.0} °C", show_rounded(fitted.size(0) * nominal, Quantity::Ohms));
        let wanted = show_rounded(nominal, Quantity::Ohms);
        let coil = fitted.coil();
        let way = if fitted.size(0) > 1.0 { "more" } else { "less" };
        match fitted.kind {
            FindingKind::UnlikeSiblings => {
                format!(
                    "{coil}: differs from the other coils of its kind, {way} resistance, {ohms} where a usual coil has {wanted}."
                )
            }
            _ if fitted.size(0) < SHORTED_BELOW => {
                format!("{coil}: shorted turns, the coil has {ohms}, a good coil has {wanted}.")
            }
            _ if fitted.size(0) > 1.0 => {
                format!("{coil}: the coil's resistance is too high, {ohms}; a good coil has {wanted}.{}", heat(fitted))
            }
            _ => format!("{coil}: the coil's resistance is too low, {ohms}; a good coil has {wanted}."),
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
    let Some(at) = fitted.coils.first() else { return String::new() };
    let ohms = fitted.layout.uncertain(*at, Role::CoilOhms, RunningLoads::Nothing);
    let (Some(ohms), Some(nominal)) = (ohms, fitted.prior.nominal[*at]) else {
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
