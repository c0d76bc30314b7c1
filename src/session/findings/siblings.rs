//! One coil unlike the others though within its limit: the robust outlier test on coils of one kind.

use super::{Alternative, Confidence, Finding, FindingKind, layout::Layout, model::Measurand, prior::CircuitPrior};
use crate::{
    electrics::{CUSTOMARY_SCORE, Siblings, Uncertain},
    units::{Quantity, show},
};

/// Good coils of one kind differ by this relative standard deviation (common practice, no source).
const USUAL_SPREAD: f64 = 0.02;
/// Coils whose wanted ohms differ by less are of one kind.
const SAME_KIND: f64 = 0.01;

/// Coils that differ from their siblings, apart from those that a finding speaks of already.
pub(super) fn unlike(layout: &Layout, prior: &CircuitPrior, fitted: &[Finding]) -> Vec<Finding> {
    let mut found = Vec::new();
    let mut done: Vec<usize> = Vec::new();
    for at in 0..layout.coils.len() {
        let Some(wanted) = prior.nominal[at].filter(|_| !done.contains(&at)) else { continue };
        let alike = |other: &usize| {
            prior.nominal[*other].is_some_and(|ohms| (ohms / wanted - 1.0).abs() < SAME_KIND)
                && layout.has(Measurand::CoilOhms(*other))
        };
        let group: Vec<usize> = (0..layout.coils.len()).filter(alike).collect();
        done.extend(&group);
        let spoken_of = |coil: &str| fitted.iter().any(|finding| finding.circuits.iter().any(|name| name == coil));
        let ohms: Vec<Option<Uncertain>> = group.iter().map(|at| ohms(layout, *at)).collect();
        // What is open or spoken of already is no sibling to compare with.
        let members: Vec<(usize, Uncertain)> = group
            .into_iter()
            .zip(ohms)
            .filter(|(at, _)| !spoken_of(layout.coils[*at]))
            .filter_map(|(at, ohms)| Some((at, ohms?)))
            .collect();
        found.extend(compare(layout, &members));
    }
    found
}

fn ohms(layout: &Layout, at: usize) -> Option<Uncertain> {
    layout.observations.observation(layout.coils[at], super::Role::CoilOhms, None)?.uncertain()
}

fn compare(layout: &Layout, members: &[(usize, Uncertain)]) -> Vec<Finding> {
    let values: Vec<f64> = members.iter().map(|(_, ohms)| ohms.value).collect();
    let Some(middle) = crate::electrics::median(&values) else { return Vec::new() };
    let u = members.iter().map(|(_, ohms)| ohms.u).fold(0.0, f64::max);
    let Ok(siblings) = Siblings::compare(&values, (USUAL_SPREAD * middle).hypot(u)) else { return Vec::new() };
    let odd = siblings.odd(CUSTOMARY_SCORE).into_iter();
    odd.map(|place| {
        let (coil, score) = (layout.coils[members[place].0], siblings.scores[place]);
        let shown = |value| show(value, Quantity::Ohms);
        let way = if score > 0.0 { "more" } else { "less" };
        Finding {
            kind: FindingKind::UnlikeSiblings,
            circuits: vec![coil.to_owned()],
            sentence: format!(
                "{coil}: differs from the other coils of its kind, {} resistance ({}, the others {}).",
                way,
                shown(values[place]),
                shown(siblings.median)
            ),
            evidence: members
                .iter()
                .map(|(at, ohms)| format!("{}: measured {}.", layout.coils[*at], shown(ohms.value)))
                .collect(),
            confidence: Confidence::new(0.8, score.abs()),
            alternatives: vec![Alternative {
                kind: FindingKind::WarmCoils,
                circuits: vec![coil.to_owned()],
                sentence: format!("{coil}: warmer or colder than the other coils, or from another maker."),
                weight: None,
            }],
            next: format!(
                "Compare the part number of the {coil} with the others, and measure all again at the same temperature."
            ),
        }
    })
    .collect()
}
