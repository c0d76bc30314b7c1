//! The fit of one hypothesis, in the space of the readings.

use super::{
    super::circuit::{AppliedEdit, CircuitModel, Edit, FigurePrior, Prediction},
    covariance::Covariance,
};

/// An edit with the priors of its sizes, and where the fit starts from, in standard deviations.
#[derive(Debug, Clone, PartialEq)]
pub(in super::super) struct HypothesisEdit {
    pub edit: Edit,
    pub sizes: Vec<FigurePrior>,
    pub start: Vec<f64>,
}

/// What is to be explained.
#[derive(Debug, Clone, Copy)]
pub(in super::super) struct FitProblem<'a> {
    pub model: &'a CircuitModel,
}

/// A fitted hypothesis.
#[derive(Debug, Clone)]
pub(in super::super) struct Fit {
    pub edits: Vec<AppliedEdit>,
    /// Deviations of all figures, then of all sizes.
    pub deviations: Vec<f64>,
    /// Values and slopes of the same.
    pub values: Vec<(f64, f64)>,
    pub prediction: Prediction,
    /// Natural logarithm of the evidence, but for a constant that all hypotheses share.
    pub ln_evidence: f64,
    /// Sum of squares: of the readings by their own variances, and of all deviations.
    pub squares: f64,
}

/// More steps than any fit here needs; one that has not settled by then is taken as it stands.
const MOST_STEPS: usize = 12;
/// The sum of squares counts as settled when it falls by less.
const SETTLED: f64 = 0.02;
/// A step that gains less than this share of what it would gain if all were linear went too far.
const ENOUGH: f64 = 0.5;
/// No figure moves by more standard deviations in one step.
const LONGEST_STEP: f64 = 2.5;

impl FitProblem<'_> {
    /// Values and slopes of all figures and sizes.
    pub(in super::super) fn values(&self, edits: &[HypothesisEdit], deviations: &[f64]) -> Vec<(f64, f64)> {
        self.priors(edits).zip(deviations).map(|(prior, deviation)| prior.at(*deviation)).collect()
    }

    /// Of all figures, then of all sizes.
    fn priors<'p>(&'p self, edits: &'p [HypothesisEdit]) -> impl Iterator<Item = &'p FigurePrior> {
        let figures = &self.model.figures;
        let sizes = edits.iter().flat_map(|edit| &edit.sizes);
        (0..figures.len()).map(|at| figures.prior(at)).chain(sizes)
    }

    /// The edits with the places of their sizes, and the deviations that a fit starts from.
    pub(in super::super) fn start(&self, edits: &[HypothesisEdit]) -> (Vec<AppliedEdit>, Vec<f64>) {
        let mut deviations = vec![0.0; self.model.figures.len()];
        let mut applied = Vec::with_capacity(edits.len());
        for edit in edits {
            applied.push(AppliedEdit { edit: edit.edit, sizes: deviations.len() });
            deviations.extend(&edit.start);
        }
        (applied, deviations)
    }

    fn at(&self, hypothesis: &[HypothesisEdit], edits: &[AppliedEdit], deviations: Vec<f64>) -> Fit {
        let values = self.values(hypothesis, &deviations);
        let prediction = self.model.predict(&values, edits, 0..self.model.readings.len());
        let readings: f64 = self
            .misses(&prediction)
            .iter()
            .zip(&prediction.variances)
            .map(|(miss, variance)| miss * miss / variance)
            .sum();
        let squares = readings + deviations.iter().map(|deviation| deviation * deviation).sum::<f64>();
        Fit { edits: edits.to_vec(), deviations, values, prediction, ln_evidence: f64::MIN, squares }
    }

    /// By reading, what was measured less what would show.
    pub(in super::super) fn misses(&self, prediction: &Prediction) -> Vec<f64> {
        self.model.readings.iter().zip(&prediction.values).map(|(reading, shown)| reading.value - shown).collect()
    }

    /// Fits a hypothesis, from the usual machine on: one that was fitted without it is bent by what it explains.
    pub(in super::super) fn fit(&self, hypothesis: &[HypothesisEdit]) -> Fit {
        let (edits, deviations) = self.start(hypothesis);
        let count = deviations.len();
        let mut fit = self.at(hypothesis, &edits, deviations);
        for _ in 0..MOST_STEPS {
            let Some(covariance) = self.covariance(&fit.prediction, &edits, count) else { return fit };
            let (step, fall) = self.step(&fit, &covariance);
            // What would still be won is known without going there.
            let is_there = fall < SETTLED && step.iter().all(|by| by.abs() < LONGEST_STEP);
            let next = if is_there { None } else { self.better(hypothesis, &edits, &fit, &step, fall) };
            let Some(next) = next else {
                let rest = if is_there { fall.max(0.0) } else { 0.0 };
                return fit.weighed(rest, covariance.ln_determinant());
            };
            let before = fit.squares;
            fit = next;
            if before - fit.squares < SETTLED {
                break;
            }
        }
        let spread =
            self.covariance(&fit.prediction, &edits, count).map_or(f64::MAX, |covariance| covariance.ln_determinant());
        fit.weighed(0.0, spread)
    }

    /// A fit further on; none where none is better. `fall` is by how much the sum of squares falls by the step if all is linear.
    fn better(
        &self,
        hypothesis: &[HypothesisEdit],
        edits: &[AppliedEdit],
        fit: &Fit,
        step: &[f64],
        fall: f64,
    ) -> Option<Fit> {
        let along = |from: &Fit, step: &[f64], share: f64| {
            let priors = self.priors(hypothesis);
            let moved =
                priors.zip(from.deviations.iter().zip(step)).map(|(prior, (at, by))| prior.further(*at, share * by));
            self.at(hypothesis, edits, moved.collect())
        };
        let whole = along(fit, step, 1.0);
        let gain = fit.squares - whole.squares;
        if gain >= ENOUGH * fall {
            return Some(whole);
        }
        // Ohms move by their logarithm, so that the way to what fits is bent: a whole step leads past it, and one more from there
        // back to it, far from where the first began.
        let covariance = self.covariance(&whole.prediction, edits, fit.deviations.len());
        let second = covariance.map(|covariance| along(&whole, &self.step(&whole, &covariance).0, 1.0));
        let lower = second.filter(|second| second.squares < whole.squares).unwrap_or(whole);
        if fit.squares - lower.squares >= ENOUGH * fall {
            return Some(lower);
        }
        // The parabola with the fall at its begin and the sum of squares at the step's end has its bottom here.
        let bottom = (fall / (2.0 * fall - gain)).clamp(0.1, 0.7);
        let shares = [bottom, 0.3 * bottom, 0.1 * bottom].into_iter();
        let found = shares.map(|share| along(fit, step, share)).find(|next| next.squares < fit.squares);
        [found, Some(lower)]
            .into_iter()
            .flatten()
            .filter(|next| next.squares < fit.squares)
            .min_by(|one, other| one.squares.total_cmp(&other.squares))
    }

    /// Covariance of the readings; none where one is beyond all arithmetic. Figures and sizes are so many together.
    pub(super) fn covariance(
        &self,
        prediction: &Prediction,
        edits: &[AppliedEdit],
        count: usize,
    ) -> Option<Covariance> {
        let figures = &self.model.figures;
        Covariance::new(figures, edits, count - figures.len(), prediction)
    }

    /// x = Jᵀ S⁻¹ (y − f + J x), as far as a step may go, and by how much the sum of squares falls on the whole way if all is linear:
    /// from there it is rᵀ S⁻¹ r, r being y − f + J x.
    fn step(&self, fit: &Fit, covariance: &Covariance) -> (Vec<f64>, f64) {
        let prediction = &fit.prediction;
        let mut right = self.misses(prediction);
        for (at, value) in right.iter_mut().enumerate() {
            let row = prediction.row(at).iter();
            *value += row.map(|(place, slope)| slope * fit.deviations[*place as usize]).sum::<f64>();
        }
        let weights = covariance.solve(&right);
        let mut target = vec![0.0; fit.deviations.len()];
        for (at, weight) in weights.iter().enumerate() {
            for (place, slope) in prediction.row(at) {
                target[*place as usize] += weight * slope;
            }
        }
        let step = target.iter().zip(&fit.deviations).map(|(target, at)| target - at);
        let least: f64 = right.iter().zip(&weights).map(|(value, weight)| value * weight).sum();
        (step.map(|by| by.clamp(-LONGEST_STEP, LONGEST_STEP)).collect(), fit.squares - least)
    }
}

impl Fit {
    /// With its evidence, by what its sum of squares would still fall and by the logarithm of the covariance's determinant.
    fn weighed(mut self, rest: f64, spread: f64) -> Self {
        self.ln_evidence = if self.squares.is_finite() { -0.5 * (self.squares - rest + spread) } else { f64::MIN };
        self
    }
}
