//! The fit itself.

use super::super::{
    fault::Fault,
    layout::DataPoint,
    model::{CircuitParameters, Measurement, Predictor},
    prior::FreeParameter,
};
use super::matrix::{Cholesky, SparseRow, dot};

/// What is to be explained, and from where.
#[derive(Debug)]
pub(crate) struct FitProblem {
    /// What was measured.
    pub readings: Vec<DataPoint>,
    /// The same as questions.
    pub measurements: Vec<Measurement>,
    /// The good circuit.
    pub circuit: CircuitParameters,
    /// How far its parts may be off.
    pub free: Vec<FreeParameter>,
}

/// One change with its figures.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct FittedFault {
    /// What it changes.
    pub fault: Fault,
    /// By how much, natural units; all more than zero.
    pub figures: Vec<f64>,
    /// Where each figure may lie.
    pub bounds: Vec<(f64, f64)>,
}

/// A circuit that was fitted.
#[derive(Debug, Clone)]
pub(crate) struct FitResult {
    /// What is wrong in it, with the figures fitted.
    pub faults: Vec<FittedFault>,
    /// The circuit without what is wrong.
    pub without_faults: CircuitParameters,
    /// The circuit as it is.
    pub circuit: CircuitParameters,
    /// What each reading would show.
    pub shown: Vec<f64>,
    /// The sum of squares: of readings, and of parts against good ones.
    pub chi2: f64,
}

/// More steps than any fit here needs; one that has not settled by then is judged as it stands.
const MOST_STEPS: usize = 30;
/// The sum of squares counts as settled when it falls by less, in a step that was not held back.
const SETTLED: f64 = 0.05;
/// A step damped by more than this was held back.
const HELD_BACK: f64 = 0.1;
/// Wires and joints with less resistance than usual are no worse for it: what they fall short counts by so much.
const SHORTFALL: f64 = 0.15;

impl FitProblem {
    /// The circuit with changes.
    pub(crate) fn with_faults(without_faults: &CircuitParameters, faults: &[FittedFault]) -> CircuitParameters {
        let mut circuit = without_faults.clone();
        faults.iter().for_each(|change| change.fault.apply(&change.figures, &mut circuit));
        circuit
    }

    /// Fits parts and figures, starting from those given.
    pub(crate) fn fit(&self, start: &CircuitParameters, faults: &[FittedFault]) -> FitResult {
        let mut predictor = Predictor::new(&self.measurements, self.circuit.branches.len());
        let mut fit = self.at(&mut predictor, start.clone(), faults.to_vec());
        let mut damping = 1e-4;
        for _ in 0..MOST_STEPS {
            let before = fit.chi2;
            let slopes = self.slopes(&mut predictor, &fit);
            let mut better = None;
            for _ in 0..5 {
                let next = self.step(&mut predictor, &fit, &slopes, damping);
                if next.chi2 < before {
                    better = Some(next);
                    damping *= 0.2;
                    break;
                }
                damping = (damping * 20.0).max(1e-3);
            }
            let Some(next) = better else { break };
            fit = next;
            if before - fit.chi2 < SETTLED && damping < HELD_BACK {
                break;
            }
        }
        fit
    }

    /// The sum of squares with these parts and figures.
    fn at(&self, predictor: &mut Predictor, without_faults: CircuitParameters, faults: Vec<FittedFault>) -> FitResult {
        let circuit = Self::with_faults(&without_faults, &faults);
        let shown = predictor.all(&circuit);
        let mut without_faults = without_faults;
        let readings: f64 = self
            .readings
            .iter()
            .zip(&shown)
            .map(|(reading, shown)| ((reading.value - shown) / reading.u).powi(2))
            .sum();
        let known: f64 = self.deviations(&mut without_faults).iter().map(|deviation| deviation * deviation).sum();
        FitResult { faults, without_faults, circuit, shown, chi2: readings + known }
    }

    /// How far each free part is from a good one, in standard deviations.
    pub(crate) fn deviations(&self, without_faults: &mut CircuitParameters) -> Vec<f64> {
        self.weighed_deviations(without_faults).into_iter().map(|(weight, deviations)| weight * deviations).collect()
    }

    /// The same, with how much each counts.
    fn weighed_deviations(&self, without_faults: &mut CircuitParameters) -> Vec<(f64, f64)> {
        let mut usual = self.circuit.clone();
        let of = |free: &FreeParameter| {
            let deviations = (*without_faults.slot(free.parameter) - *usual.slot(free.parameter)) / free.sd;
            let weight = if deviations < 0.0 && free.parameter.is_in_series() { SHORTFALL } else { 1.0 };
            (weight, deviations)
        };
        self.free.iter().map(of).collect()
    }

    /// ∂shown/∂x in units of each reading's u: first by the logarithm of each figure, then by each free part in
    /// its standard deviation.
    pub(crate) fn slopes(&self, predictor: &mut Predictor, fit: &FitResult) -> Vec<Vec<f64>> {
        let mut slopes = Vec::with_capacity(self.free.len() + 2);
        for (at, change) in fit.faults.iter().enumerate() {
            for figure in 0..change.figures.len() {
                const STEP: f64 = 1e-4;
                let mut moved = fit.faults.clone();
                moved[at].figures[figure] *= 1.0 + STEP;
                let circuit = Self::with_faults(&fit.without_faults, &moved);
                let shown = predictor.of_branches(&circuit, &change.fault.branches(), &fit.shown);
                slopes.push(self.slope(&fit.shown, &shown, STEP));
            }
        }
        for free in &self.free {
            const STEP: f64 = 1e-2;
            let mut without_faults = fit.without_faults.clone();
            *without_faults.slot(free.parameter) += STEP * free.sd;
            let circuit = Self::with_faults(&without_faults, &fit.faults);
            // Exchanged coils carry a part's change to the other branch.
            let swapped = fit.faults.iter().find_map(|change| match change.fault {
                Fault::Swapped(one, other) if free.parameter.branch().is_some_and(|at| at == one || at == other) => {
                    Some([one, other])
                }
                _ => None,
            });
            let shown = match swapped {
                Some(both) => predictor.of_branches(&circuit, &both, &fit.shown),
                None => predictor.moved(&circuit, free.parameter, &fit.shown),
            };
            slopes.push(self.slope(&fit.shown, &shown, STEP));
        }
        slopes
    }

    fn slope(&self, before: &[f64], after: &[f64], step: f64) -> Vec<f64> {
        let pairs = after.iter().zip(before).zip(&self.readings);
        pairs.map(|((after, before), reading)| (after - before) / (step * reading.u)).collect()
    }

    fn step(&self, predictor: &mut Predictor, fit: &FitResult, slopes: &[Vec<f64>], damping: f64) -> FitResult {
        let size = slopes.len();
        let figures = size - self.free.len();
        let misses: Vec<f64> =
            self.readings.iter().zip(&fit.shown).map(|(reading, shown)| (reading.value - shown) / reading.u).collect();
        let mut without_faults = fit.without_faults.clone();
        let deviations = self.weighed_deviations(&mut without_faults);
        let mut normal = vec![0.0; size * size];
        let mut right = vec![0.0; size];
        let sparse: Vec<SparseRow> = slopes.iter().map(|slope| SparseRow::new(slope)).collect();
        for row in 0..size {
            for column in 0..=row {
                let (short, long) =
                    if sparse[row].len() < sparse[column].len() { (row, column) } else { (column, row) };
                normal[row * size + column] = sparse[short].dot(&slopes[long]);
            }
            right[row] = dot(&slopes[row], &misses);
            let diagonal = &mut normal[row * size + row];
            if row >= figures {
                let (weight, deviations) = deviations[row - figures];
                *diagonal += weight * weight;
                right[row] -= weight * weight * deviations;
            }
            *diagonal += damping * *diagonal + 1e-9;
        }
        // A part that can't become less stays where it is, and the others move as if it were known.
        for (at, free) in self.free.iter().enumerate() {
            if right[figures + at] < 0.0 && *without_faults.slot(free.parameter) <= free.parameter.least() {
                hold_still(&mut normal, &mut right, size, figures + at);
            }
        }
        let Some(factor) = Cholesky::new(size, &normal) else { return fit.clone() };
        let move_by = factor.solve(&right);
        let mut faults = fit.faults.clone();
        let slots = faults.iter_mut().flat_map(|change| change.figures.iter_mut().zip(change.bounds.iter()));
        for ((figure, (low, high)), by) in slots.zip(&move_by) {
            // A factor of e each step: far enough, and never through zero.
            *figure = (*figure * by.clamp(-1.0, 1.0).exp()).clamp(*low, *high);
        }
        for (free, by) in self.free.iter().zip(&move_by[figures..]) {
            let slot = without_faults.slot(free.parameter);
            *slot = (*slot + by.clamp(-5.0, 5.0) * free.sd).max(free.parameter.least());
        }
        self.at(predictor, without_faults, faults)
    }
}

/// Takes an unknown out of the equations: it does not move, and nothing moves for it.
fn hold_still(normal: &mut [f64], right: &mut [f64], size: usize, at: usize) {
    for other in 0..size {
        // The lower triangle alone is read.
        normal[at.max(other) * size + at.min(other)] = 0.0;
    }
    normal[at * size + at] = 1.0;
    right[at] = 0.0;
}
