//! Every hypothesis weighed by its evidence and its prior: a sound machine, each cause, the best causes with every other.
//!
//! Each is screened around a converged fit first; the best are fitted in full, and only those count. What the screen leaves
//! out is so much less likely that it could change no word.

mod bent;

use super::{
    calibration::TEMPERATURE,
    cause::CauseCandidate,
    circuit::{Edit, Figure},
    fit::{Fit, FitProblem, HypothesisEdit, Screen},
    mode,
    prior::MachinePrior,
};

/// Some causes together, weighed.
#[derive(Debug, Clone)]
pub(super) struct Hypothesis {
    /// Places among the candidates; none is a sound machine measured without a mistake.
    pub causes: Vec<usize>,
    /// Behind the causes' edits stand those of the mode.
    pub edits: Vec<HypothesisEdit>,
    pub fit: Fit,
    /// Natural logarithm of evidence times prior.
    pub ln_weight: f64,
    /// Among all hypotheses, 0 to 1.
    pub probability: f64,
}

/// All hypotheses that count, the likeliest first.
#[derive(Debug)]
pub(super) struct Posterior {
    pub hypotheses: Vec<Hypothesis>,
    /// By candidate, about how much likelier the captures are with it than without (Bayes factor), of a single one.
    pub bayes_factors: Vec<f64>,
}

/// What was screened: causes, where their fit starts, about their weight.
#[derive(Debug, Clone)]
struct Screened {
    causes: Vec<usize>,
    edits: Vec<HypothesisEdit>,
    ln_weight: f64,
    /// By how much the screen overestimates the machine that it starts from, beside that machine's fit.
    excess: f64,
}

/// Hypotheses fitted in full, at least and at most: of those with one cause, and of those with more.
const FINALISTS: (usize, usize) = (8, 16);
const FINALISTS_OF_MORE: (usize, usize) = (5, 12);
/// And at most so many of them in other modes than their best.
const OTHER_MODES: usize = 10;
/// Less likely than the best by so much (natural logarithm), a hypothesis can change no word.
const NEGLIGIBLE: f64 = 9.0;
/// Causes that are tried together with every other; where none explains the captures alone, some more.
const LEADS: usize = 5;
const LEADS_UNEXPLAINED: usize = 8;
/// Two faults at once are rarer than chance would have them: most visits are for one.
const LN_SECOND_FAULT: f64 = -1.2;
/// More causes than this are not told apart by the captures of one visit.
const MOST_CAUSES: usize = 3;

/// All that is compared.
pub(super) struct HypothesisSearch<'a> {
    pub problem: FitProblem<'a>,
    pub candidates: &'a [CauseCandidate],
    /// Ways in which a machine may be good.
    pub modes: Vec<Vec<HypothesisEdit>>,
    /// False once the result is no longer wanted.
    pub go_on: &'a dyn Fn() -> bool,
}

impl HypothesisSearch<'_> {
    /// All hypotheses that count; none where the work was cancelled.
    pub(super) fn run(&self) -> Option<Posterior> {
        let mut hypotheses = Vec::new();
        let mut screened: Vec<Screened> = Vec::new();
        for base in &self.modes {
            let fit = self.problem.fit(base);
            let ln_weight = fit.ln_evidence + mode::ln_odds(base);
            screened.extend(self.one_more(&[], base, &fit, &[], f64::MIN)?);
            hypotheses.push(Hypothesis { causes: Vec::new(), edits: base.clone(), fit, ln_weight, probability: 0.0 });
        }
        screened.sort_by(|one, other| other.ln_weight.total_cmp(&one.ln_weight));
        let mut bayes_factors = vec![0.0; self.candidates.len()];
        let sound = hypotheses.iter().map(|one| one.ln_weight).fold(f64::MIN, f64::max);
        for Screened { causes, ln_weight, .. } in &screened {
            let factor = (ln_weight - sound - self.candidates[causes[0]].odds.ln()).exp();
            bayes_factors[causes[0]] = f64::max(bayes_factors[causes[0]], factor);
        }
        // Where the sizes came to alone, they start beside another cause.
        let mut sizes: Vec<Option<Vec<f64>>> = vec![None; self.candidates.len()];
        for Screened { causes, edits, .. } in &screened {
            sizes[causes[0]].get_or_insert_with(|| edits.first().map(|edit| edit.start.clone()).unwrap_or_default());
        }
        self.fit_best(&mut hypotheses, &mut screened)?;
        let left = self.left_out(&hypotheses, &screened);
        let singles = screened;
        for count in 1..MOST_CAUSES {
            let best = hypotheses.first().map_or(f64::MIN, |best| best.ln_weight);
            let sound = hypotheses.iter().find(|one| one.causes.is_empty()).map_or(f64::MIN, |one| one.ln_weight);
            let is_unexplained = hypotheses.first().is_some_and(|best| !fits_well(&best.fit));
            if count > 1 && !is_unexplained {
                break;
            }
            let mut leads =
                if count == 1 && is_unexplained { self.of_dead_coils(&hypotheses, &singles)? } else { Vec::new() };
            let forced = leads.len();
            let most = match count {
                1 if is_unexplained => forced + LEADS_UNEXPLAINED,
                1 => LEADS,
                _ => 1,
            };
            let promising = hypotheses
                .iter()
                .filter(|one| one.causes.len() == count && one.ln_weight > sound - 3.0)
                .filter(|one| one.ln_weight > best - if is_unexplained { f64::INFINITY } else { NEGLIGIBLE });
            for one in promising {
                // In its likeliest mode, unless another is as good.
                let is_known = |lead: &Hypothesis| lead.causes == one.causes && lead.ln_weight > one.ln_weight + 2.0;
                if !leads.iter().any(is_known) && leads.len() < most {
                    leads.push(one.clone());
                }
            }
            let mut screened = Vec::new();
            for lead in leads {
                screened.extend(self.one_more(&lead.causes, &lead.edits, &lead.fit, &sizes, best - NEGLIGIBLE)?);
            }
            self.fit_best(&mut hypotheses, &mut screened)?;
        }
        self.with_exchanged_signs(&mut hypotheses, &sizes, &singles)?;
        self.with_mistake_alone(&mut hypotheses)?;
        Some(Posterior::new(hypotheses, bayes_factors, &left))
    }

    /// Every hypothesis with one cause more, screened; none where the work was cancelled.
    fn one_more(
        &self,
        causes: &[usize],
        base: &[HypothesisEdit],
        fit: &Fit,
        alone: &[Option<Vec<f64>>],
        floor: f64,
    ) -> Option<Vec<Screened>> {
        let Some(screen) = Screen::new(self.problem, base, fit) else { return Some(Vec::new()) };
        let excess = (screen.ln_evidence() - fit.ln_evidence).max(0.0);
        let prior: f64 = causes.iter().map(|at| self.candidates[*at].odds.ln()).sum::<f64>() + mode::ln_odds(base);
        let mut screened = Vec::with_capacity(self.candidates.len());
        // What the captures leave open is asked once, of a machine without any other cause in the usual mode.
        let is_all = causes.is_empty() && base.is_empty();
        for (at, candidate) in self.candidates.iter().enumerate() {
            if !(self.go_on)() {
                return None;
            }
            if causes.iter().any(|chosen| self.exclude(*chosen, at)) {
                continue;
            }
            let start = candidate.starts.first().cloned().unwrap_or_default();
            let second =
                if candidate.edit.is_fault() && causes.iter().any(|chosen| self.candidates[*chosen].edit.is_fault()) {
                    LN_SECOND_FAULT
                } else {
                    0.0
                };
            let odds = prior + candidate.odds.ln() + second;
            let known: Vec<Vec<f64>>;
            let starts = match alone.get(at).and_then(Option::as_ref) {
                Some(sizes) => {
                    known = vec![sizes.clone(), start.iter().map(|_| 0.0).collect()];
                    &known
                }
                None => &candidate.starts,
            };
            let Some(score) = screen.score(&candidate.edit_from(&start), starts, floor - odds, is_all) else {
                continue;
            };
            let mut all = causes.to_vec();
            all.push(at);
            let mut edits = base.to_vec();
            let place = causes.len();
            for (edit, sizes) in edits.iter_mut().zip(sizes_of(base, fit, self.problem.model.figures.len())) {
                edit.start = sizes;
            }
            edits.insert(place, candidate.edit_from(&score.sizes));
            screened.push(Screened { causes: all, edits, ln_weight: score.ln_evidence + odds, excess });
        }
        Some(screened)
    }

    /// Fits the best of what was screened in full: each set of causes in its best mode first, then what is left of them in the
    /// other modes.
    fn fit_best(&self, hypotheses: &mut Vec<Hypothesis>, screened: &mut [Screened]) -> Option<()> {
        screened.sort_by(|one, other| other.ln_weight.total_cmp(&one.ln_weight));
        let known = hypotheses.iter().map(|one| one.ln_weight).fold(f64::MIN, f64::max);
        let best = screened.first().map_or(known, |first| first.ln_weight.max(known));
        let mut tried: Vec<&[usize]> = Vec::new();
        let mut excesses: Vec<(Vec<usize>, f64)> = Vec::new();
        let mut fitted = 0;
        for one in &*screened {
            if tried.iter().any(|causes| is_same(causes, &one.causes)) {
                continue;
            }
            // The screen is linear and wrong by some where the machine is far from usual: the first few are fitted anyway.
            let is_promising = one.ln_weight > best - NEGLIGIBLE - 0.1 * (best - known).abs();
            let (few, most) = if one.causes.len() > 1 { FINALISTS_OF_MORE } else { FINALISTS };
            if fitted >= most || (!is_promising && fitted >= few) {
                break;
            }
            tried.push(&one.causes);
            if hypotheses.iter().any(|known| is_same(&known.causes, &one.causes)) {
                continue;
            }
            if !(self.go_on)() {
                return None;
            }
            fitted += 1;
            let hypothesis = self.fitted(one.causes.clone(), one.edits.clone());
            if let Some(fitted) = &hypothesis {
                excesses.push((one.causes.clone(), (one.ln_weight - fitted.ln_weight).max(0.0)));
            }
            hypotheses.extend(hypothesis);
        }
        let best = hypotheses.iter().map(|one| one.ln_weight).fold(f64::MIN, f64::max);
        let mut fitted = 0;
        // As much as the screen overestimated these causes in one mode, it does in the others.
        for one in &mut *screened {
            let known = excesses.iter().find(|(causes, _)| is_same(causes, &one.causes));
            one.ln_weight -= known.map_or(one.excess, |(_, excess)| *excess);
        }
        screened.sort_by(|one, other| other.ln_weight.total_cmp(&one.ln_weight));
        for one in &*screened {
            let mut same = hypotheses.iter().filter(|known| is_same(&known.causes, &one.causes));
            let is_left = same.clone().any(|known| known.ln_weight.max(one.ln_weight) > best - NEGLIGIBLE);
            if !is_left || same.any(|known| mode::of(&known.edits).eq(mode::of(&one.edits))) {
                continue;
            }
            if fitted >= OTHER_MODES {
                break;
            }
            if !(self.go_on)() {
                return None;
            }
            fitted += 1;
            hypotheses.extend(self.fitted(one.causes.clone(), one.edits.clone()));
        }
        hypotheses.sort_by(|one, other| other.ln_weight.total_cmp(&one.ln_weight));
        Some(())
    }

    /// Weights of the causes that were screened and not fitted, where the best is a machine without any: single ones are next to
    /// nothing, all together are not. Around that machine the screen is nearly as good as a fit; far from it, it is not.
    fn left_out(&self, hypotheses: &[Hypothesis], screened: &[Screened]) -> Vec<f64> {
        if hypotheses.first().is_none_or(|best| !best.causes.is_empty()) {
            return Vec::new();
        }
        let is_fitted = |one: &Screened| {
            let mut same = hypotheses.iter().filter(|known| is_same(&known.causes, &one.causes));
            same.any(|known| mode::of(&known.edits).eq(mode::of(&one.edits)))
        };
        let is_possible = |one: &Screened| {
            let Some(edit) = one.edits.first() else { return true };
            let sizes: Vec<f64> = edit.sizes.iter().zip(&edit.start).map(|(prior, at)| prior.at(*at).0).collect();
            one.causes.first().is_none_or(|cause| self.candidates[*cause].allows(&sizes))
        };
        screened.iter().filter(|one| !is_fitted(one) && is_possible(one)).map(|one| one.ln_weight).collect()
    }

    /// A hypothesis fitted in full and weighed; none where a cause came to a size that it can't have.
    fn fitted(&self, causes: Vec<usize>, edits: Vec<HypothesisEdit>) -> Option<Hypothesis> {
        let fit = self.problem.fit(&edits);
        let mut ln_weight = fit.ln_evidence + mode::ln_odds(&edits);
        ln_weight += causes.iter().map(|at| self.candidates[*at].odds.ln()).sum::<f64>();
        let faults = causes.iter().filter(|at| self.candidates[**at].edit.is_fault()).count();
        ln_weight += faults.saturating_sub(1) as f64 * LN_SECOND_FAULT;
        let hypothesis = Hypothesis { causes, edits, fit, ln_weight, probability: 0.0 };
        self.is_possible(&hypothesis).then_some(hypothesis)
    }

    /// Whether each cause came to a size that it can have.
    fn is_possible(&self, hypothesis: &Hypothesis) -> bool {
        let figures = self.problem.model.figures.len();
        let mut causes = hypothesis.causes.iter().enumerate();
        causes.all(|(place, cause)| self.candidates[*cause].allows(&hypothesis.sizes(place, figures)))
    }

    /// Causes that make no sense together: the same twice, a broken wire that is high in resistance as well.
    fn exclude(&self, one: usize, other: usize) -> bool {
        let (first, second) = (&self.candidates[one], &self.candidates[other]);
        if one == other {
            return true;
        }
        // A person makes one mistake at most; that a coil is warm is none.
        let is_slip = |candidate: &CauseCandidate| candidate.edit.is_mistake();
        if is_slip(first) && is_slip(second) {
            return true;
        }
        let is_open = |candidate: &CauseCandidate| matches!(candidate.edit, Edit::Open(_));
        let shares = first.coils.iter().any(|coil| second.coils.contains(coil));
        let is_same = first.edit.changes().is_some_and(|own| second.edit.changes() == Some(own));
        is_same || (shares && (is_open(first) || is_open(second)))
    }
}

/// Whether these are the same causes, in whatever order.
fn is_same(one: &[usize], other: &[usize]) -> bool {
    one.len() == other.len() && one.iter().all(|cause| other.contains(cause))
}

/// By edit, its sizes as fitted, in standard deviations.
fn sizes_of(edits: &[HypothesisEdit], fit: &Fit, figures: usize) -> Vec<Vec<f64>> {
    let mut place = figures;
    edits
        .iter()
        .map(|edit| {
            let sizes = fit.deviations[place..place + edit.sizes.len()].to_vec();
            place += edit.sizes.len();
            sizes
        })
        .collect()
}

/// Whether a fit is one that readings of its own machine have in 9999 visits of 10,000.
pub(super) fn fits(fit: &Fit) -> bool {
    oddness(fit) < 3.7
}

/// Whether a fit is one that readings of its own machine have in 99 visits of 100: what fits worse is no reason to stop searching.
fn fits_well(fit: &Fit) -> bool {
    oddness(fit) < 2.33
}

/// How odd a fit is, in standard deviations of a Gaussian law.
///
/// Its sum of squares follows the χ² law with as many degrees of freedom as readings (Wilson and Hilferty 1931, from memory).
fn oddness(fit: &Fit) -> f64 {
    let count = fit.prediction.values.len() as f64;
    if count == 0.0 {
        return 0.0;
    }
    let spread = 2.0 / (9.0 * count);
    ((fit.squares / count).cbrt() - (1.0 - spread)) / spread.sqrt()
}

impl Posterior {
    /// `left` are the logarithms of weights that were not fitted: they count for none, and against all.
    fn new(mut hypotheses: Vec<Hypothesis>, bayes_factors: Vec<f64>, left: &[f64]) -> Self {
        let best = hypotheses.iter().map(|one| one.ln_weight).fold(f64::MIN, f64::max);
        let weigh = |ln_weight: f64| ((ln_weight - best) / TEMPERATURE).exp();
        let all: f64 = hypotheses.iter().map(|one| one.ln_weight).chain(left.iter().copied()).map(weigh).sum();
        for one in &mut hypotheses {
            one.probability = weigh(one.ln_weight) / all;
        }
        Self { hypotheses, bayes_factors }
    }

    /// How likely it is that this holds.
    pub(super) fn probability(&self, holds: impl Fn(&Hypothesis) -> bool) -> f64 {
        self.hypotheses.iter().filter(|one| holds(one)).map(|one| one.probability).sum::<f64>().min(1.0)
    }
}

impl Hypothesis {
    /// The fitted sizes of the cause at this place, natural units.
    pub(super) fn sizes(&self, place: usize, figures: usize) -> Vec<f64> {
        let before: usize = self.edits[..place].iter().map(|edit| edit.sizes.len()).sum();
        let values = self.fit.values.iter().skip(figures + before).take(self.edits[place].sizes.len());
        values.map(|(value, _)| *value).collect()
    }

    /// The fitted temperature of the coils, °C.
    pub(super) fn celsius(&self, prior: &MachinePrior) -> f64 {
        self.fit.values[prior.model.figures.place(Figure::Celsius)].0
    }
}

#[cfg(test)]
mod tests;
