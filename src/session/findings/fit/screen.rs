//! A quick look at many explanations, so that only the promising are fitted in full.
//!
//! Around one fitted circuit everything is taken as linear. What the free parts may do is then a covariance
//! of the readings, and an explanation costs one prediction and one product with its inverse: generalised
//! least squares (Aitken 1935, from memory).

use super::super::model::{Parts, Predictor};
use super::{
    Fit, Planted, Problem,
    matrix::{Cholesky, Sparse},
};

/// The circuit looked around from.
#[derive(Debug)]
pub struct Screen<'a> {
    problem: &'a Problem,
    /// Where everything is taken as linear.
    around: Fit,
    /// What the readings would have to be shifted by for the free parts to stand at their usual figures, in u.
    offset: Vec<f64>,
    covariance: Cholesky,
}

impl<'a> Screen<'a> {
    /// Around a fitted circuit; around the sound one as long as nothing is known to be wrong.
    pub fn new(problem: &'a Problem, around: &Fit) -> Self {
        let start = if around.planted.is_empty() {
            let mut predictor = Predictor::new(&problem.asks, problem.parts.branches.len());
            let shown = predictor.all(&problem.parts);
            Fit { sound: problem.parts.clone(), parts: problem.parts.clone(), shown, ..around.clone() }
        } else {
            around.clone()
        };
        let mut predictor = Predictor::new(&problem.asks, problem.parts.branches.len());
        let slopes = problem.slopes(&mut predictor, &start);
        let size = problem.readings.len();
        let figures = slopes.len() - problem.free.len();
        let mut sound = start.sound.clone();
        let mut offset = vec![0.0; size];
        for (slope, pull) in slopes[figures..].iter().zip(problem.pulls(&mut sound)) {
            offset.iter_mut().zip(slope).for_each(|(offset, slope)| *offset += slope * pull);
        }
        // Figures move by their own size or so.
        let mut matrix = vec![0.0; size * size];
        for slope in slopes.iter().map(|slope| Sparse::new(slope)) {
            slope.add_square(&mut matrix, size);
        }
        for row in 0..size {
            matrix[row * size + row] += 1.0;
        }
        let covariance =
            Cholesky::new(size, &matrix).expect("a sum of squares and the unit matrix is positive definite");
        Self { problem, around: start, offset, covariance }
    }

    /// The sum of squares that a change would leave, about.
    pub fn left_by(&self, predictor: &mut Predictor, change: &Planted) -> f64 {
        let mut parts: Parts = self.around.parts.clone();
        change.spoil.apply(&change.figures, &mut parts);
        let shown = predictor.of_branches(&parts, &change.spoil.branches(), &self.around.shown);
        self.square(&shown)
    }

    fn square(&self, shown: &[f64]) -> f64 {
        let misses: Vec<f64> = self
            .problem
            .readings
            .iter()
            .zip(shown)
            .zip(&self.offset)
            .map(|((reading, shown), offset)| (reading.value - shown) / reading.u + offset)
            .collect();
        self.covariance.square(&misses)
    }
}
