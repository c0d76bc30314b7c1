//! A rough score of many explanations, so that only the promising ones are fitted in full.
//!
//! Around one fitted circuit everything is taken as linear. What the free parts may do is then a covariance
//! of the readings, and an explanation costs one prediction and one product with its inverse: generalised
//! least squares (Aitken 1935, from memory).

use super::super::model::{CircuitParameters, Predictor};
use super::{
    FitProblem, FitResult, FittedFault,
    matrix::{Cholesky, SparseRow},
};

/// The circuit looked around from.
#[derive(Debug)]
pub(crate) struct LinearScreen<'a> {
    problem: &'a FitProblem,
    /// Usual parts, with what is known to be wrong.
    around: FitResult,
    /// None where a reading is beyond all arithmetic: then nothing is promising.
    covariance: Option<Cholesky>,
}

impl<'a> LinearScreen<'a> {
    /// Around usual parts with what was fitted to be wrong. Not around the parts as fitted: those are bent by
    /// what is still to be explained.
    pub(crate) fn new(problem: &'a FitProblem, fitted: &FitResult) -> Self {
        let mut predictor = Predictor::new(&problem.measurements, problem.circuit.branches.len());
        let circuit = FitProblem::with_faults(&problem.circuit, &fitted.faults);
        let shown = predictor.all(&circuit);
        let around = FitResult { without_faults: problem.circuit.clone(), circuit, shown, ..fitted.clone() };
        let size = problem.readings.len();
        // Figures move by their own size or so.
        let mut matrix = vec![0.0; size * size];
        for slope in problem.slopes(&mut predictor, &around) {
            SparseRow::new(&slope).add_square(&mut matrix, size);
        }
        for row in 0..size {
            matrix[row * size + row] += 1.0;
        }
        Self { problem, around, covariance: Cholesky::new(size, &matrix) }
    }

    /// The sum of squares that a change would leave, about.
    pub(crate) fn remaining_chi2(&self, predictor: &mut Predictor, change: &FittedFault) -> f64 {
        let mut circuit: CircuitParameters = self.around.circuit.clone();
        change.fault.apply(&change.figures, &mut circuit);
        let shown = predictor.of_branches(&circuit, &change.fault.branches(), &self.around.shown);
        let misses: Vec<f64> = self
            .problem
            .readings
            .iter()
            .zip(&shown)
            .map(|(reading, shown)| (reading.value - shown) / reading.u)
            .collect();
        self.covariance.as_ref().map_or(f64::MAX, |covariance| covariance.square(&misses))
    }
}
