//! The evidence of many hypotheses, estimated from one fit, so that only the promising ones are fitted in full.
//!
//! Around one converged machine the readings have a covariance. A hypothesis with one edit more moves the readings of its branch,
//! and each of its sizes is one more column of that machine: its misfit follows from the inverse of the covariance and those few
//! readings alone (generalised least squares: Aitken 1935, from memory).

use super::{
    super::circuit::{
        AppliedEdit, CircuitModel, Edit, FigurePrior, Measurand, MovedReadings, SolvedMachine, comparable,
    },
    Fit, FitProblem, HypothesisEdit,
    matrix::{Cholesky, dot},
};

/// The machine looked around from.
#[derive(Debug)]
pub(in super::super) struct Screen<'a> {
    model: &'a CircuitModel,
    /// At usual figures, with the base's sizes as fitted: figures as fitted are bent by what is still to be explained.
    base: SolvedMachine<'a>,
    shown: Vec<f64>,
    variances: Vec<f64>,
    misses: Vec<f64>,
    /// Inverse of the covariance.
    inverse: Vec<f64>,
    /// The same times the misses.
    weights: Vec<f64>,
    /// −½ (misfit + ln |covariance| + squares of the base's sizes).
    ln_evidence: f64,
    /// By reading: what a volt more from the battery from there on does to misses and misfit, linear and square.
    by_source_from: Vec<(f64, f64)>,
}

/// What a hypothesis comes to, about.
#[derive(Debug, Clone, PartialEq)]
pub(in super::super) struct ScreenScore {
    pub ln_evidence: f64,
    /// Sizes in standard deviations.
    pub sizes: Vec<f64>,
}

/// Steps of the sizes from each start.
const STEPS: usize = 3;
/// Of so many readings the ceiling is worth its work.
const FEW: usize = 12;
/// No size moves by more standard deviations in one step.
const LONGEST_STEP: f64 = 1.5;
/// Where the fit can gain less (natural logarithm), a further cause says nothing new.
const LEAST_GAIN: f64 = 1.5;

impl<'a> Screen<'a> {
    /// Around a fitted machine; none where a reading is beyond all arithmetic.
    pub(in super::super) fn new(problem: FitProblem<'a>, base: &[HypothesisEdit], fit: &Fit) -> Option<Self> {
        let model = problem.model;
        let figures = model.figures.len();
        let mut deviations = vec![0.0; figures];
        deviations.extend(&fit.deviations[figures..]);
        let values = problem.values(base, &deviations);
        let (base, prediction) = SolvedMachine::new(model, values, fit.edits.clone());
        let covariance = problem.covariance(&prediction, &fit.edits, deviations.len())?;
        let misses = problem.misses(&prediction);
        let weights = covariance.solve(&misses);
        let sizes: f64 = deviations.iter().map(|deviation| deviation * deviation).sum();
        let misfit: f64 = misses.iter().zip(&weights).map(|(miss, weight)| miss * weight).sum();
        let inverse = covariance.inverse();
        Some(Self {
            by_source_from: from_each(&prediction.by_source, &weights, &inverse),
            model,
            base,
            shown: prediction.values,
            variances: prediction.variances,
            misses,
            inverse,
            weights,
            ln_evidence: -0.5 * (misfit + covariance.ln_determinant() + sizes),
        })
    }

    /// The evidence of the machine itself, as linear as that of each edit.
    pub(in super::super) const fn ln_evidence(&self) -> f64 {
        self.ln_evidence
    }

    /// About the evidence with one edit more, from the best of its starts. None where it can't reach `floor`, or
    /// where `is_all` is not wanted and the readings that it moves leave next to nothing to be explained.
    pub(in super::super) fn score(
        &self,
        edit: &HypothesisEdit,
        starts: &[Vec<f64>],
        floor: f64,
        is_all: bool,
    ) -> Option<ScreenScore> {
        match edit.edit {
            Edit::Slipped(at) => return Some(ScreenScore { ln_evidence: self.without(at), sizes: Vec::new() }),
            Edit::EngineStarted(from) => return Some(self.started(from, edit.sizes.first()?)),
            _ => {}
        }
        let affected = affected(self.model, edit.edit, &self.base.edits);
        let mut steps = STEPS;
        if affected.len() <= FEW {
            let (ceiling, gain) = self.ceiling(&affected);
            if ceiling < floor {
                return None;
            }
            if gain < LEAST_GAIN {
                if !is_all {
                    return None;
                }
                // Its size matters little.
                steps = 0;
            }
        }
        let scores = starts.iter().map(|start| self.score_from(edit, start, &affected, steps));
        scores.max_by(|one, other| one.ln_evidence.total_cmp(&other.ln_evidence))
    }

    /// As if the battery had more volts from a reading on: linear in them, so that the best size is known at once.
    fn started(&self, from: usize, prior: &FigurePrior) -> ScreenScore {
        let (by, square) = self.by_source_from[from];
        let normal = 1.0 + prior.sd * prior.sd * square;
        let size = prior.sd * (by - prior.center * square) / normal;
        let volts = prior.center + prior.sd * size;
        let change = volts * volts * square - 2.0 * volts * by + size * size;
        ScreenScore { ln_evidence: self.ln_evidence - 0.5 * (change + normal.ln()), sizes: vec![size] }
    }

    /// No edit that moves these readings alone can have more evidence: all others stay as they are, and these fit as well as
    /// their own uncertainty lets anything fit.
    /// Beside it, what the fit alone can gain.
    fn ceiling(&self, affected: &[usize]) -> (f64, f64) {
        let size = self.misses.len();
        let part: Vec<f64> = affected
            .iter()
            .flat_map(|row| affected.iter().map(move |column| self.inverse[row * size + column]))
            .collect();
        let weights: Vec<f64> = affected.iter().map(|at| self.weights[*at]).collect();
        let Some(part) = Cholesky::new(affected.len(), &part) else { return (f64::MAX, f64::MAX) };
        let gain: f64 = part.solve(&weights).iter().zip(&weights).map(|(one, other)| one * other).sum();
        let spread: f64 = affected.iter().map(|at| self.variances[*at].ln()).sum();
        (self.ln_evidence + 0.5 * (gain - part.ln_determinant() - spread), 0.5 * gain)
    }

    /// Values and slopes by the sizes at the readings that an edit moves. Those of a mistake follow from the base.
    fn moved(&self, edit: AppliedEdit, sizes: &[(f64, f64)], affected: &[usize]) -> MovedReadings {
        let plain = |values: Vec<f64>| MovedReadings::new(affected.len(), values);
        match edit.edit {
            Edit::SwappedSteps(one, other) => plain(vec![self.shown[other], self.shown[one]]),
            Edit::DeadClamp(_) => plain(vec![0.0]),
            Edit::Reversed(_) | Edit::NotZeroed(_) | Edit::LeadsNotNulled(_) | Edit::WeakMeter(_) => {
                let of = |at: usize| self.misread(edit.edit, at, sizes.first().copied().unwrap_or_default());
                let (values, slopes) = affected.iter().map(|at| of(*at)).unzip();
                MovedReadings { values, by_sizes: [slopes, vec![0.0; affected.len()]] }
            }
            _ => self.base.with(edit, sizes, affected),
        }
    }

    /// What a reading shows by a mistake with its channel, and its slope by the mistake's size.
    fn misread(&self, mistake: Edit, at: usize, (size, slope): (f64, f64)) -> (f64, f64) {
        let (shown, measurand) = (self.shown[at], self.model.readings[at].measurand);
        let is_amps = matches!(measurand, Measurand::Wire(_));
        let ohms = 1.0 / shown - 1.0;
        let in_ohms = |ohms: f64, slope: f64| {
            let shown = comparable(ohms);
            (shown, -shown * shown * slope)
        };
        match mistake {
            Edit::Reversed(_) if is_amps => (-shown, 0.0),
            Edit::NotZeroed(_) if is_amps => (shown + size, slope),
            Edit::LeadsNotNulled(_) if measurand.in_ohms() => in_ohms(ohms + size, slope),
            Edit::WeakMeter(_) if measurand.in_ohms() => in_ohms(ohms * size, ohms * slope),
            Edit::WeakMeter(_) => (shown * size, shown * slope),
            _ => (shown, 0.0),
        }
    }

    /// The evidence of all readings but one, and that one showing anything.
    fn without(&self, at: usize) -> f64 {
        let diagonal = self.inverse[at * self.misses.len() + at];
        let all = self.base.values.len();
        let slipped = AppliedEdit { edit: Edit::Slipped(at), sizes: all };
        let variance = self.model.predict_from(all, &self.base.values, &[slipped], std::iter::once(at)).variances[0];
        let anything = self.model.readings[at].value.powi(2) / variance;
        self.ln_evidence + 0.5 * (self.weights[at].powi(2) / diagonal - (diagonal * variance).ln() - anything)
    }

    /// The inverse of the covariance of these readings, times a column.
    fn inverse_times(&self, affected: &[usize], column: &[f64]) -> Vec<f64> {
        let size = self.misses.len();
        let of_row = |row: usize| &self.inverse[row * size..][..size];
        if affected.len() == size {
            return (0..size).map(|row| dot(of_row(row), column)).collect();
        }
        let row = |row: usize| affected.iter().zip(column).map(|(at, value)| of_row(row)[*at] * value).sum();
        affected.iter().map(|at| row(*at)).collect()
    }

    fn score_from(&self, edit: &HypothesisEdit, start: &[f64], affected: &[usize], steps: usize) -> ScreenScore {
        let mut sizes = start.to_vec();
        let mut best = ScreenScore { ln_evidence: f64::MIN, sizes: sizes.clone() };
        let applied = AppliedEdit { edit: edit.edit, sizes: self.base.values.len() };
        for _ in 0..=steps {
            let natural: Vec<(f64, f64)> =
                edit.sizes.iter().zip(&sizes).map(|(prior, deviation)| prior.at(*deviation)).collect();
            let MovedReadings { values, by_sizes: columns } = self.moved(applied, &natural, affected);
            // What the readings are off by beside the base, and the weights of what is left of their misses.
            let by: Vec<f64> = affected.iter().zip(&values).map(|(at, shown)| shown - self.shown[*at]).collect();
            let of_shift = self.inverse_times(affected, &by);
            let weights: Vec<f64> =
                affected.iter().zip(&of_shift).map(|(at, shift)| self.weights[*at] - shift).collect();
            let with_misses: f64 = affected.iter().zip(&by).map(|(at, by)| by * self.weights[*at]).sum();
            let mut change = dot(&by, &of_shift) - 2.0 * with_misses;
            let count = sizes.len();
            let mut spread = 0.0;
            let mut step = vec![0.0; count];
            if count > 0 {
                let right: Vec<f64> =
                    sizes.iter().zip(&columns).map(|(size, column)| dot(column, &weights) - size).collect();
                change += sizes.iter().map(|size| size * size).sum::<f64>();
                let first = self.inverse_times(affected, &columns[0]);
                let a = 1.0 + dot(&columns[0], &first);
                if count == 1 {
                    step[0] = right[0] / a;
                    spread = a.ln();
                } else {
                    let b = dot(&columns[1], &first);
                    let c = 1.0 + dot(&columns[1], &self.inverse_times(affected, &columns[1]));
                    let determinant = (a * c - b * b).max(f64::MIN_POSITIVE);
                    step =
                        vec![(c * right[0] - b * right[1]) / determinant, (a * right[1] - b * right[0]) / determinant];
                    spread = determinant.ln();
                }
                let reachable = step.iter().all(|by| by.abs() <= LONGEST_STEP);
                if reachable {
                    change -= dot(&step, &right);
                }
            }
            let ln_evidence = self.ln_evidence - 0.5 * (change + spread);
            let next: Vec<f64> =
                sizes.iter().zip(&step).map(|(at, by)| at + by.clamp(-LONGEST_STEP, LONGEST_STEP)).collect();
            if ln_evidence > best.ln_evidence {
                best = ScreenScore { ln_evidence, sizes: next.clone() };
            }
            if count == 0 || step.iter().all(|by| by.abs() < 0.05) {
                break;
            }
            sizes = next;
        }
        best
    }
}

/// By reading, of all readings from it on: their volts by the battery's times their weights, and times the inverse of the
/// covariance times themselves.
fn from_each(by_source: &[f64], weights: &[f64], inverse: &[f64]) -> Vec<(f64, f64)> {
    let size = by_source.len();
    let mut sums = vec![(0.0, 0.0); size];
    let (mut linear, mut square) = (0.0, 0.0);
    for at in (0..size).rev() {
        let row = &inverse[at * size..][..size];
        let with_later: f64 = row[at + 1..].iter().zip(&by_source[at + 1..]).map(|(one, other)| one * other).sum();
        linear += by_source[at] * weights[at];
        square += by_source[at] * (2.0 * with_later + by_source[at] * row[at]);
        sums[at] = (linear, square);
    }
    sums
}

/// The readings that an edit moves by more than a little: those of its branch, also where swapped steps have filed them. What
/// one branch does to the ground that all share is left to the fit.
fn affected(model: &CircuitModel, edit: Edit, base: &[AppliedEdit]) -> Vec<usize> {
    let readings = || model.readings.iter().enumerate();
    match edit {
        edit if edit.is_shared() => (0..model.readings.len()).collect(),
        Edit::SwappedSteps(one, other) => vec![one, other],
        Edit::Slipped(at) | Edit::DeadClamp(at) => vec![at],
        Edit::Reversed(channel)
        | Edit::NotZeroed(channel)
        | Edit::LeadsNotNulled(channel)
        | Edit::WeakMeter(channel) => {
            readings().filter(|(_, reading)| reading.channel == channel).map(|(at, _)| at).collect()
        }
        Edit::EngineStarted(from) => (from..model.readings.len()).collect(),
        _ => (0..model.readings.len())
            .filter(|at| {
                let measurand = model.readings[model.source(base, *at)].measurand;
                measurand.branch().is_some_and(|at| edit.branches().any(|of| of == at))
            })
            .collect(),
    }
}
