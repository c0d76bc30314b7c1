//! The fit of one hypothesis, in the space of the readings.

use super::{
    super::circuit::{AppliedEdit, CircuitModel, Edit, FigurePrior, Prediction},
    matrix::Cholesky,
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
/// No figure moves by more standard deviations in one step.
const LONGEST_STEP: f64 = 2.5;

impl FitProblem<'_> {
    /// Values and slopes of all figures and sizes.
    pub(in super::super) fn values(&self, edits: &[HypothesisEdit], deviations: &[f64]) -> Vec<(f64, f64)> {
        let figures = &self.model.figures;
        let sizes = edits.iter().flat_map(|edit| &edit.sizes);
        let priors = (0..figures.len()).map(|at| figures.prior(at)).chain(sizes);
        priors.zip(deviations).map(|(prior, deviation)| prior.at(*deviation)).collect()
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
        let mut fit = self.at(hypothesis, &edits, deviations);
        for _ in 0..MOST_STEPS {
            let Some(covariance) = covariance(&fit.prediction) else { return fit };
            let step = self.step(&fit, &covariance);
            let before = fit.squares;
            let mut share = 1.0;
            let next = loop {
                let moved = fit.deviations.iter().zip(&step).map(|(at, by)| at + share * by).collect();
                let next = self.at(hypothesis, &edits, moved);
                if next.squares < before {
                    break Some(next);
                }
                share *= 0.3;
                if share < 0.02 {
                    break None;
                }
            };
            let Some(next) = next else { break };
            fit = next;
            if before - fit.squares < SETTLED {
                break;
            }
        }
        let spread = covariance(&fit.prediction).map_or(f64::MAX, |covariance| covariance.ln_determinant());
        fit.ln_evidence = if fit.squares.is_finite() { -0.5 * (fit.squares + spread) } else { f64::MIN };
        fit
    }

    /// x = Jᵀ S⁻¹ (y − f + J x), as far as a step may go.
    fn step(&self, fit: &Fit, covariance: &Cholesky) -> Vec<f64> {
        let prediction = &fit.prediction;
        let mut right = self.misses(prediction);
        for (at, value) in right.iter_mut().enumerate() {
            *value += super::matrix::dot(prediction.row(at), &fit.deviations);
        }
        let weights = covariance.solve(&right);
        let mut target = vec![0.0; fit.deviations.len()];
        for (at, weight) in weights.iter().enumerate() {
            for (sum, slope) in target.iter_mut().zip(prediction.row(at)) {
                *sum += weight * slope;
            }
        }
        let step = target.iter().zip(&fit.deviations).map(|(target, at)| target - at);
        step.map(|by| by.clamp(-LONGEST_STEP, LONGEST_STEP)).collect()
    }
}

/// Covariance of the readings: each one's own variance, and what all figures and sizes may do. None where a reading is beyond
/// all arithmetic.
pub(super) fn covariance(prediction: &Prediction) -> Option<Cholesky> {
    let size = prediction.values.len();
    let mut matrix = vec![0.0; size * size];
    // A reading moves with the figures of its own branch and with those that all share: most slopes are 0.
    let mut slopes: Vec<(usize, f64)> = Vec::new();
    for column in 0..size {
        slopes.clear();
        slopes.extend(prediction.row(column).iter().copied().enumerate().filter(|(_, slope)| *slope != 0.0));
        for row in column..size {
            let other = prediction.row(row);
            matrix[row * size + column] = slopes.iter().map(|(at, slope)| slope * other[*at]).sum();
        }
        matrix[column * size + column] += prediction.variances[column];
    }
    Cholesky::new(size, &matrix)
}
