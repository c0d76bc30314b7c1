//! From observations to findings, ranked: what explains most with the fewest assumptions comes first.

use super::{
    Alternative, Confidence, Finding, FindingKind, ObservationSet,
    cause::{CAUSES, CauseCandidate, CauseContext, FittedCause},
    evidence,
    fit::{FitProblem, FitResult},
    layout::Layout,
    missing::{MissingMeasurement, judged, missing},
    next::distinguishing_measurement,
    prior::CircuitPrior,
    search::{ChosenCause, Explanation, ExplanationSearch, SearchResult},
    siblings,
};

/// Alternatives of less weight than this are not listed.
const LEAST_WEIGHT: f64 = 0.02;
/// A data point this many standard deviations from the best explanation contradicts the others.
const CONTRADICTS: f64 = 4.0;

/// The findings, the best explained first; never empty.
pub fn conclude(case: &ObservationSet) -> Vec<Finding> {
    let layout = Layout::new(case);
    let prior = CircuitPrior::new(&layout);
    if layout.readings.is_empty() {
        return vec![not_enough(&layout)];
    }
    let context = CauseContext { layout: &layout, prior: &prior };
    let candidates: Vec<CauseCandidate> = CAUSES.iter().flat_map(|cause| cause.candidates(&context)).collect();
    let problem = FitProblem {
        readings: layout.readings.clone(),
        measurements: layout.measurements(),
        circuit: prior.circuit.clone(),
        free: prior.free.clone(),
    };
    let SearchResult { best, chosen, one_cause } =
        ExplanationSearch { problem: &problem, candidates: &candidates }.best();
    let teller = FindingWriter { layout: &layout, prior: &prior, problem: &problem, candidates: &candidates };
    let mut findings: Vec<(f64, Finding)> = chosen.iter().map(|chosen| teller.finding(&best, chosen)).collect();
    findings.sort_by(|one, other| other.0.total_cmp(&one.0));
    let mut findings: Vec<Finding> = findings.into_iter().map(|(_, finding)| finding).collect();
    findings.extend(siblings::unlike(&layout, &prior, &findings));
    findings.extend(teller.contradiction(&best));
    if !findings.iter().any(|finding| finding.kind.is_fault() || finding.kind == FindingKind::Contradiction) {
        findings.push(teller.nothing_wrong(&best, &one_cause));
    }
    if (0..layout.coils.len()).any(|at| !judged(&layout, at)) || layout.coils.is_empty() {
        // First if there is nothing else to report.
        let only = !findings.iter().any(|finding| finding.kind.is_fault());
        let place = if only && !(0..layout.coils.len()).any(|at| judged(&layout, at)) { 0 } else { findings.len() };
        findings.insert(place, not_enough(&layout));
    }
    findings
}

/// Puts explanations into words.
struct FindingWriter<'a> {
    layout: &'a Layout<'a>,
    prior: &'a CircuitPrior,
    problem: &'a FitProblem,
    candidates: &'a [CauseCandidate],
}

impl FindingWriter<'_> {
    /// One chosen cause, with how much it explains.
    fn finding(&self, best: &Explanation, chosen: &ChosenCause) -> (f64, Finding) {
        let candidate = &self.candidates[chosen.cause];
        let fitted = self.fitted(candidate, &best.fit, chosen.place);
        let rivals = self.others(candidate, &chosen.rivals);
        let weight_of = |score: f64| (0.5 * (best.score - score)).exp();
        let all: f64 =
            1.0 + weight_of(chosen.without.score) + rivals.iter().map(|rival| weight_of(rival.score)).sum::<f64>();
        let explained = chosen.without.fit.chi2 - best.fit.chi2;
        let rivals: Vec<(f64, &Explanation)> = rivals
            .into_iter()
            .map(|rival| (weight_of(rival.score) / all, rival))
            .filter(|(weight, _)| *weight > LEAST_WEIGHT)
            .collect();
        let words = |rival: &Explanation| self.sentence(rival, rival.causes.len() - 1);
        let mut next = rivals
            .first()
            .and_then(|(_, rival)| distinguishing_measurement(self.layout, &best.fit, &rival.fit, &words(rival)));
        if next.is_none() && !rivals.is_empty() {
            next = Some(format!(
                "No measurement that bayline knows tells these apart. {}",
                candidate.cause.next_step(&fitted)
            ));
        }
        let mut evidence = evidence::for_cause(self.layout, self.problem, &best.fit, chosen.place, candidate.kind);
        let balances = candidate.coils.iter().filter_map(|at| evidence::balance(self.layout, self.layout.coils[*at]));
        if series(candidate.kind) {
            evidence.extend(balances);
        }
        let finding = Finding {
            kind: candidate.kind,
            circuits: candidate.coils.iter().map(|at| self.layout.coils[*at].to_owned()).collect(),
            sentence: candidate.cause.sentence(&fitted),
            evidence,
            confidence: Confidence::new(1.0 / all, explained.max(0.0).sqrt()),
            alternatives: rivals.iter().map(|(weight, rival)| self.alternative(*weight, rival)).collect(),
            next: next.unwrap_or_else(|| candidate.cause.next_step(&fitted)),
        };
        (explained, finding)
    }

    /// Rivals that would be another finding; the best of those that would be the same.
    fn others<'e>(&self, candidate: &CauseCandidate, rivals: &'e [Explanation]) -> Vec<&'e Explanation> {
        let mut said = vec![(candidate.kind, candidate.coils.clone())];
        let mut others = Vec::new();
        for rival in rivals {
            let Some(other) = rival.causes.last().map(|at| &self.candidates[*at]) else { continue };
            let says = (other.kind, other.coils.clone());
            if !said.contains(&says) {
                said.push(says);
                others.push(rival);
            }
        }
        others
    }

    fn fitted<'t>(&'t self, candidate: &'t CauseCandidate, fit: &'t FitResult, place: usize) -> FittedCause<'t> {
        let CauseCandidate { coils, fault, kind, .. } = candidate;
        let figures = &fit.faults[place].figures;
        FittedCause {
            layout: self.layout,
            prior: self.prior,
            coils,
            fault: *fault,
            kind: *kind,
            figures,
            circuit: &fit.circuit,
        }
    }

    fn alternative(&self, weight: f64, rival: &Explanation) -> Alternative {
        let place = rival.causes.len() - 1;
        let candidate = &self.candidates[rival.causes[place]];
        Alternative {
            kind: candidate.kind,
            circuits: candidate.coils.iter().map(|at| self.layout.coils[*at].to_owned()).collect(),
            sentence: self.sentence(rival, place),
            weight: Some(weight),
        }
    }

    fn sentence(&self, explanation: &Explanation, place: usize) -> String {
        let candidate = &self.candidates[explanation.causes[place]];
        candidate.cause.sentence(&self.fitted(candidate, &explanation.fit, place))
    }

    /// Readings that no explanation fits.
    fn contradiction(&self, best: &Explanation) -> Option<Finding> {
        let misses = self.problem.readings.iter().zip(&best.fit.shown).enumerate();
        let mut odd: Vec<(f64, usize)> =
            misses.map(|(at, (reading, shown))| ((reading.value - shown) / reading.u, at)).collect();
        odd.sort_by(|one, other| other.0.abs().total_cmp(&one.0.abs()));
        // Spread over many readings and parts, or plain in one.
        let count = self.problem.readings.len() as f64;
        let spread = best.fit.chi2 > count + 5.0 * (2.0 * count).sqrt() + 10.0;
        let plain = odd.iter().filter(|(z, _)| z.abs() > CONTRADICTS).count();
        odd.truncate(plain.max(usize::from(spread)));
        let (worst, at) = *odd.first()?;
        let mut circuits: Vec<String> = Vec::new();
        for (_, at) in &odd {
            let circuit = &self.layout.observation(*at).circuit;
            if !circuits.contains(circuit) {
                circuits.push(circuit.clone());
            }
        }
        let step = &self.layout.observation(at).step;
        Some(Finding {
            kind: FindingKind::Contradiction,
            circuits,
            sentence: format!(
                "\"{step}\" fits neither a good circuit nor a known fault when taken with the other captures."
            ),
            evidence: odd
                .iter()
                .map(|(_, at)| {
                    let (observation, measurement) = (self.layout.observation(*at), &self.problem.measurements[*at]);
                    let fits = evidence::shown(measurement, best.fit.shown[*at], observation.usage.role.quantity());
                    format!(
                        "{}: measured {}; by the other captures it should be {fits}.",
                        observation.step,
                        observation.shown()
                    )
                })
                .collect(),
            confidence: Confidence::new(0.8, worst.abs()),
            alternatives: Vec::new(),
            next: format!(
                "Repeat the step \"{step}\": a lead may have slipped, or the wrong circuit was measured. If the value comes again, there is more than one fault."
            ),
        })
    }

    fn nothing_wrong(&self, best: &Explanation, one_cause: &[f64]) -> Finding {
        let all: f64 = 1.0 + one_cause.iter().map(|score| (0.5 * (best.score - score)).exp()).sum::<f64>();
        let missing = missing(self.layout);
        let steps = self.problem.readings.len();
        let circuits: Vec<String> = (0..self.layout.coils.len())
            .filter(|at| judged(self.layout, *at))
            .map(|at| self.layout.coils[at].to_owned())
            .collect();
        Finding {
            kind: FindingKind::Healthy,
            circuits,
            sentence: format!("No fault found: all {steps} captures fit a good circuit."),
            evidence: vec!["All captures agree with a good circuit within the accuracy of the meters.".to_owned()],
            confidence: Confidence::from_absence(1.0 / all),
            alternatives: missing.iter().map(not_ruled_out).collect(),
            next: match missing.first() {
                Some(missing) => format!("Measure {}: it would show {}.", missing.what, missing.would_show),
                None => "Check the mechanics and hydraulics: no electrical fault was found.".to_owned(),
            },
        }
    }
}

fn not_ruled_out(missing: &MissingMeasurement) -> Alternative {
    Alternative {
        kind: missing.kind,
        circuits: missing.circuits.clone(),
        sentence: format!("Not ruled out: {}. Not measured: {}.", missing.would_show, missing.what),
        weight: None,
    }
}

/// Whether a balance of volts, ohms and amps is evidence for it.
const fn series(kind: FindingKind) -> bool {
    matches!(
        kind,
        FindingKind::FeedResistance
            | FindingKind::GroundResistance
            | FindingKind::ConnectorResistance
            | FindingKind::UnplacedResistance
            | FindingKind::FeedLowInBranch
    )
}

fn not_enough(layout: &Layout) -> Finding {
    let missing = missing(layout);
    let circuits = (0..layout.coils.len()).filter(|at| !judged(layout, *at));
    Finding {
        kind: FindingKind::NotEnough,
        circuits: circuits.map(|at| layout.coils[at].to_owned()).collect(),
        sentence: "Not enough was measured to judge every circuit.".to_owned(),
        evidence: missing
            .iter()
            .map(|missing| format!("Not measured: {}; it would show {}.", missing.what, missing.would_show))
            .collect(),
        confidence: Confidence::from_absence(1.0),
        alternatives: Vec::new(),
        next: missing.first().map_or_else(
            || "Do the steps that were skipped.".to_owned(),
            |missing| format!("Measure {}.", missing.what),
        ),
    }
}
