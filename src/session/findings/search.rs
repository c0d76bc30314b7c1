//! Which explanation is best: the fewest causes that explain the most.
//!
//! Causes are added one at a time while the gain is worth the penalty (see [`super::fit`]), and each one
//! chosen is then weighed against every other in its place. So a cause that explains all low amps absorbs
//! what would otherwise be one cause for each coil.

use super::{
    cause::CauseCandidate,
    fit::{FitProblem, FitResult, FittedFault, LinearScreen},
    model::{CircuitParameters, Predictor},
};

/// Some causes together and the circuit that they make.
#[derive(Debug, Clone)]
pub(super) struct Explanation {
    /// Places among the candidates, in the order of [`FitResult::faults`].
    pub causes: Vec<usize>,
    /// The circuit.
    pub fit: FitResult,
    /// Sum of squares and penalties: the less the better, differences are twice a log-likelihood's.
    pub score: f64,
}

/// One chosen cause and what stands against it.
#[derive(Debug)]
pub(super) struct ChosenCause {
    /// Its place among the candidates.
    pub cause: usize,
    /// Its place among the causes of the best explanation.
    pub place: usize,
    /// The best explanation without it.
    pub without: Explanation,
    /// The best with another cause in its place, best first; the other one is the last of its causes.
    pub rivals: Vec<Explanation>,
}

/// The best explanation, and what stands behind and against it.
#[derive(Debug)]
pub(super) struct SearchResult {
    pub best: Explanation,
    /// Each of its causes.
    pub chosen: Vec<ChosenCause>,
    /// About what any one cause would score.
    pub one_cause: Vec<f64>,
}

/// Explanations fitted in full, at most, after a rough score of all.
const FINALISTS: usize = 7;
/// This many are fitted whatever their rough score, where there is something to explain.
const FITTED_ANYWAY: usize = 3;
/// Explanations whose rough score is worse than the best by more than this, plus this share of what the best gains,
/// are not fitted: the rough score tries few figures, so it misses part of the gain.
const NEAR: f64 = 12.0;
const SHARE_OF_GAIN: f64 = 0.4;
/// The captures of one visit do not separate more causes than this.
const MOST_CAUSES: usize = 3;

/// All that is compared.
pub(super) struct ExplanationSearch<'a> {
    pub problem: &'a FitProblem,
    pub candidates: &'a [CauseCandidate],
}

impl ExplanationSearch<'_> {
    /// Everything good.
    pub(super) fn fault_free(&self) -> Explanation {
        let fit = self.problem.fit(&self.problem.circuit, &[]);
        Explanation { causes: Vec::new(), score: fit.chi2, fit }
    }

    /// The best explanation, and each of its causes weighed; with none, what comes closest to being one.
    pub(super) fn best(&self) -> SearchResult {
        let prior = self.fault_free();
        let (mut rivals, one_cause) = self.with_one_more(&prior);
        let first_rivals = rivals.clone();
        let mut best = prior.clone();
        while let Some(next) = rivals.first().filter(|next| next.score < best.score) {
            best = next.clone();
            if best.causes.len() == MOST_CAUSES {
                break;
            }
            rivals = self.with_one_more(&best).0;
        }
        while let Some(better) = self.absorbed(&best, &prior, &first_rivals) {
            best = better;
        }
        let mut chosen = self.weigh(&mut best, &prior, &first_rivals);
        // A cause can be taken in because a fit without it had stuck: fitted again, it may explain nothing.
        while let Some(idle) = chosen.iter().find(|chosen| chosen.without.score <= best.score) {
            best = idle.without.clone();
            chosen = self.weigh(&mut best, &prior, &first_rivals);
        }
        SearchResult { best, chosen, one_cause }
    }

    /// One cause that does for two of the best; none where there is none.
    fn absorbed(&self, best: &Explanation, prior: &Explanation, first: &[Explanation]) -> Option<Explanation> {
        let places = 0..best.causes.len();
        let pairs = places.clone().flat_map(|one| places.clone().skip(one + 1).map(move |other| (one, other)));
        let fewer = pairs.filter_map(|(one, other)| {
            // The later one first, so that the earlier keeps its place.
            let without = self.without(best, prior, other);
            let without = self.without(&without, prior, one);
            let rivals = if without.causes.is_empty() { first.to_vec() } else { self.with_one_more(&without).0 };
            rivals.into_iter().next()
        });
        fewer.filter(|fewer| fewer.score < best.score).min_by(|one, other| one.score.total_cmp(&other.score))
    }

    /// Each cause of the best against every other in its place; a better one found so takes it.
    fn weigh(&self, best: &mut Explanation, prior: &Explanation, first: &[Explanation]) -> Vec<ChosenCause> {
        let mut place = 0;
        let mut chosen: Vec<ChosenCause> = Vec::new();
        let mut exchanges = 0;
        while place < best.causes.len() {
            let cause = best.causes[place];
            let without = self.without(best, prior, place);
            let rivals = if without.causes.is_empty() { first.to_vec() } else { self.with_one_more(&without).0 };
            match rivals.first() {
                Some(better) if better.score < best.score - 0.1 && exchanges < MOST_CAUSES => {
                    *best = better.clone();
                    exchanges += 1;
                    chosen.clear();
                    place = 0;
                    continue;
                }
                _ => {}
            }
            let rivals = rivals.into_iter().filter(|rival| rival.causes.last() != Some(&cause)).collect();
            chosen.push(ChosenCause { cause, place, without, rivals });
            place += 1;
        }
        chosen
    }

    fn without(&self, best: &Explanation, prior: &Explanation, place: usize) -> Explanation {
        let mut causes = best.causes.clone();
        let mut faults = best.fit.faults.clone();
        causes.remove(place);
        faults.remove(place);
        if causes.is_empty() {
            return prior.clone();
        }
        self.explain(causes, &best.fit.without_faults, &faults)
    }

    /// Every promising explanation with one cause more, best first; and about what each one would score.
    fn with_one_more(&self, base: &Explanation) -> (Vec<Explanation>, Vec<f64>) {
        let screen = LinearScreen::new(self.problem, &base.fit);
        let mut predictor = Predictor::new(&self.problem.measurements, self.problem.circuit.branches.len());
        let mut looked: Vec<(f64, usize, FittedFault)> = Vec::new();
        for (at, candidate) in self.candidates.iter().enumerate() {
            if base.causes.iter().any(|chosen| *chosen == at || self.share_a_circuit(*chosen, at)) {
                continue;
            }
            let starts = candidate.starts.iter().map(|start| candidate.with_figures(start));
            let penalty = penalty_of(candidate) + self.chosen_among();
            let best = starts
                .map(|faults| (screen.remaining_chi2(&mut predictor, &faults) + penalty, faults))
                .min_by(|one, other| one.0.total_cmp(&other.0));
            looked.extend(best.map(|(score, faults)| (score, at, faults)));
        }
        looked.sort_by(|one, other| one.0.total_cmp(&other.0));
        let scores: Vec<f64> = looked.iter().map(|(score, ..)| *score).collect();
        let best = scores.first().copied().unwrap_or(base.score);
        // The rough score leaves out the penalties of causes chosen before.
        let before: f64 = base.score - base.fit.chi2;
        let worth = (best + NEAR + SHARE_OF_GAIN * (base.fit.chi2 - best).max(0.0)).min(base.fit.chi2 + 2.0);
        // The rough score is linear around usual figures and wrong where the machine is far from them: where there is
        // something to explain at all, the first few are fitted anyway.
        let confidence = if base.fit.chi2 > self.chosen_among() { FITTED_ANYWAY } else { 0 };
        let mut explanations: Vec<Explanation> = looked
            .into_iter()
            .enumerate()
            .filter(|(rank, (score, ..))| *rank < confidence || *score < worth)
            .take(FINALISTS)
            .map(|(_, (_, at, faults))| {
                let mut causes = base.causes.clone();
                causes.push(at);
                let mut all = base.fit.faults.clone();
                all.push(faults);
                // From usual parts: those fitted before are bent by what is still to be explained.
                self.explain(causes, &self.problem.circuit, &all)
            })
            .collect();
        explanations.sort_by(|one, other| one.score.total_cmp(&other.score));
        (explanations, scores.into_iter().map(|score| score + before).collect())
    }

    /// Two causes in one coil's circuit could explain any readings, contradictions among them. They are not
    /// looked for: once the first is repaired, the second shows by itself.
    fn share_a_circuit(&self, one: usize, other: usize) -> bool {
        let coils = &self.candidates[other].coils;
        self.candidates[one].coils.iter().any(|coil| coils.contains(coil))
    }

    /// The penalty for having chosen among this many candidates.
    fn chosen_among(&self) -> f64 {
        2.0 * (self.candidates.len().max(1) as f64).ln()
    }

    fn explain(&self, causes: Vec<usize>, start: &CircuitParameters, faults: &[FittedFault]) -> Explanation {
        let fit = self.problem.fit(start, faults);
        let penalty: f64 = causes.iter().map(|at| penalty_of(&self.candidates[*at]) + self.chosen_among()).sum();
        Explanation { causes, score: fit.chi2 + penalty, fit }
    }
}

/// Akaike's two for each figure.
fn penalty_of(candidate: &CauseCandidate) -> f64 {
    2.0 * candidate.bounds.len() as f64
}
