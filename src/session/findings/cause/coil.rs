//! A coil of other ohms than it should have: shorted turns, or out of tolerance.

use super::{Candidate, Cause, Look, Told, rough};
use crate::{
    electrics::{Copper, Uncertain},
    session::findings::{Kind, Role, spoil::Spoil},
    units::Quantity,
};

pub(super) struct CoilOff;

/// Below this share of its ohms turns are shorted; above it and below one, it may be the wrong coil.
const SHORTED: f64 = 0.8;

/// No coil of a machine is hotter, °C: about the limit of usual wire enamel (common practice, no source).
const HOTTEST: f64 = 180.0;

impl Cause for CoilOff {
    fn candidates(&self, look: &Look) -> Vec<Candidate> {
        let known = look.coils().filter(|at| look.sound.nominal[*at].is_some());
        known
            .flat_map(|at| {
                let spoil = Spoil::CoilTimes(at);
                [
                    (Kind::ShortedCoil, &[0.05, 0.12, 0.2, 0.3, 0.4, 0.55, 0.7][..], (1e-3, SHORTED)),
                    (Kind::CoilOutOfTolerance, &[0.85, 1.15, 1.3, 1.5, 1.8, 2.5, 5.0, 15.0][..], (SHORTED, 20.0)),
                ]
                .map(|(kind, starts, bounds)| Candidate::one_figure(&Self, kind, vec![at], spoil, starts, bounds))
            })
            .collect()
    }

    fn sentence(&self, told: &Told) -> String {
        let nominal = told.coils.first().and_then(|at| told.sound.nominal[*at]).unwrap_or(0.0);
        let ohms = rough(told.figure(0) * nominal, Quantity::Ohms);
        let wanted = rough(nominal, Quantity::Ohms);
        match told.kind {
            Kind::ShortedCoil => {
                format!("{}: shorted turns, the coil has {ohms} where {wanted} are wanted.", told.coil())
            }
            _ if told.figure(0) > 1.0 => {
                format!("{}: the coil has too many ohms, {ohms} where {wanted} are wanted.{}", told.coil(), heat(told))
            }
            _ => format!("{}: the coil has too few ohms, {ohms} where {wanted} are wanted.", told.coil()),
        }
    }

    fn closer(&self, told: &Told) -> String {
        let coil = told.coil();
        if told.kind == Kind::ShortedCoil {
            return format!(
                "Let the {coil} cool, measure its ohms at its own terminals and compare with a sister coil; check that its driver was not harmed by the amps."
            );
        }
        format!(
            "Compare the part number of the {coil} with a sister coil's, and measure its ohms again at a known temperature."
        )
    }
}

/// What temperature would explain the ohms, where anybody would ask.
fn heat(told: &Told) -> String {
    let Some(fact) = told.layout.case.fact(told.coil(), Role::CoilOhms, None) else { return String::new() };
    let (Some(ohms), Some(nominal)) = (fact.uncertain(), told.coils.first().and_then(|at| told.sound.nominal[*at]))
    else {
        return String::new();
    };
    let reference = told.layout.case.reference_celsius;
    match Copper::iec_60028().explaining_temperature(ohms, Uncertain::exact(nominal), reference) {
        Some(hot) if hot.value < HOTTEST => format!(
            " Heat alone would take {:.0} °C{}.",
            hot.value,
            match told.layout.case.part_celsius {
                Some(known) => format!(", and it has {:.0} °C", known.value),
                None => " in this coil only".to_owned(),
            }
        ),
        Some(_) => " No heat that a coil survives explains it.".to_owned(),
        None => String::new(),
    }
}
