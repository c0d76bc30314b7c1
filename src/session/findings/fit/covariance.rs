//! Covariance of the readings under a hypothesis: each one's own variance, and what all figures and sizes may do.
//!
//! The circuit is a star: a reading moves with the figures of its own branch and with those that all branches share. So branches are
//! eliminated one by one, each a small dense block, and joined at the border of what they share: the shared figures, and the readings
//! that move with several branches (bordered block diagonal form, any textbook of sparse matrices). The work grows with the number of
//! branches alone.
//!
//! ```text
//! [ A   J ] [w]   [b]     A: the readings' own variances, and what the figures of their branch do
//! [ Jᵀ -1 ] [z] = [0]     J: slopes by what is shared; w = (A + J Jᵀ)⁻¹ b, and z = Jᵀ w
//! ```

use super::{
    super::circuit::{AppliedEdit, FIGURES_OF_BRANCH, MachineFigures, Prediction},
    matrix::{Cholesky, dot},
};

/// The covariance, factored.
#[derive(Debug)]
pub(super) struct Covariance {
    size: usize,
    blocks: Vec<BranchBlock>,
    /// Readings of the border.
    readings: Vec<usize>,
    border: Border,
}

/// The readings of one branch.
#[derive(Debug)]
struct BranchBlock {
    readings: Vec<usize>,
    factor: Cholesky,
    /// By reading a row, as long as the border: the inverse of the factor times what joins the block to the border.
    joined: Vec<f64>,
}

/// The border's factors L and D of L D Lᵀ: first its readings, of which D is positive, then what is shared, of which it is negative.
#[derive(Debug)]
struct Border {
    size: usize,
    lower: Vec<f64>,
    diagonal: Vec<f64>,
}

/// What a slope is by.
#[derive(Clone, Copy)]
enum SlopeColumn {
    /// A figure or size that the branches share.
    Shared(usize),
    /// A branch, and which of its own figures.
    Own(usize, usize),
}

/// Which figures and sizes the branches share.
struct SlopeColumns<'a> {
    figures: &'a MachineFigures,
    /// Branches whose own figures all others feel: these count as shared.
    felt: Vec<usize>,
}

impl SlopeColumns<'_> {
    fn of(&self, place: usize) -> SlopeColumn {
        let shared = self.figures.shared();
        if place < shared {
            return SlopeColumn::Shared(place);
        }
        match self.figures.branch(place) {
            None => SlopeColumn::Shared(place - self.figures.len() + shared + FIGURES_OF_BRANCH * self.felt.len()),
            Some((branch, own)) => match self.felt.iter().position(|felt| *felt == branch) {
                Some(felt) => SlopeColumn::Shared(shared + FIGURES_OF_BRANCH * felt + own),
                None => SlopeColumn::Own(branch, own),
            },
        }
    }
}

impl Covariance {
    /// Of readings on a machine with these edits, which have so many sizes; none where one is beyond all arithmetic.
    pub(super) fn new(
        figures: &MachineFigures,
        edits: &[AppliedEdit],
        sizes: usize,
        prediction: &Prediction,
    ) -> Option<Self> {
        // A branch that feeds something by itself does so whatever is measured.
        let mut felt: Vec<usize> =
            edits.iter().filter(|edit| edit.edit.feeds_by_itself()).flat_map(|edit| edit.edit.branches()).collect();
        felt.sort_unstable();
        felt.dedup();
        let shared = figures.shared() + FIGURES_OF_BRANCH * felt.len() + sizes;
        let columns = SlopeColumns { figures, felt };
        let branches = figures.branches();
        let (groups, readings) = columns.groups(branches, prediction);
        let width = readings.len() + shared;
        let mut border = vec![0.0; width * width];
        // By branch, then by reading of the border: its slopes by the branch's own figures.
        let stride = readings.len() * FIGURES_OF_BRANCH;
        let mut owns = vec![0.0; stride * branches];
        for (row, at) in readings.iter().enumerate() {
            for (place, slope) in prediction.row(*at) {
                match columns.of(*place as usize) {
                    SlopeColumn::Shared(column) => border[(readings.len() + column) * width + row] += slope,
                    SlopeColumn::Own(branch, own) => owns[branch * stride + row * FIGURES_OF_BRANCH + own] += slope,
                }
            }
            border[row * width + row] = prediction.variances[*at];
        }
        for column in readings.len()..width {
            border[column * width + column] = -1.0;
        }
        let mut blocks = Vec::with_capacity(groups.len());
        for (branch, group) in groups.into_iter().enumerate() {
            let of_border: Vec<&[f64]> = match owns.get(branch * stride..(branch + 1) * stride) {
                Some(own) => own.chunks_exact(FIGURES_OF_BRANCH).collect(),
                None => Vec::new(),
            };
            for (row, one) in of_border.iter().enumerate() {
                for (column, other) in of_border.iter().enumerate().take(row + 1) {
                    border[row * width + column] += dot(one, other);
                }
            }
            if group.is_empty() {
                continue;
            }
            let count = group.len();
            let mut joined = vec![0.0; count * width];
            let mut own = vec![0.0; count * FIGURES_OF_BRANCH];
            let mut matrix = vec![0.0; count * count];
            for (row, at) in group.iter().enumerate() {
                for (place, slope) in prediction.row(*at) {
                    match columns.of(*place as usize) {
                        SlopeColumn::Shared(column) => joined[row * width + readings.len() + column] += slope,
                        SlopeColumn::Own(_, column) => own[row * FIGURES_OF_BRANCH + column] += slope,
                    }
                }
                let mut owns = own.chunks_exact(FIGURES_OF_BRANCH).take(row + 1);
                let of_row = &own[row * FIGURES_OF_BRANCH..][..FIGURES_OF_BRANCH];
                let products = matrix[row * count..].iter_mut().zip(&mut owns);
                products.for_each(|(sum, other)| *sum = dot(of_row, other));
                matrix[row * count + row] += prediction.variances[*at];
                for (sum, other) in joined[row * width..].iter_mut().zip(&of_border) {
                    *sum = dot(of_row, other);
                }
            }
            let factor = Cholesky::new(count, &matrix)?;
            factor.forward_rows(&mut joined, width);
            for of_row in joined.chunks_exact(width) {
                for (row, weight) in of_row.iter().enumerate().filter(|(_, weight)| **weight != 0.0) {
                    let sums = border[row * width..][..=row].iter_mut();
                    sums.zip(of_row).for_each(|(sum, other)| *sum -= weight * other);
                }
            }
            blocks.push(BranchBlock { readings: group, factor, joined });
        }
        let border = Border::new(width, readings.len(), border)?;
        Some(Self { size: prediction.values.len(), blocks, readings, border })
    }

    /// x of A x = b.
    pub(super) fn solve(&self, right: &[f64]) -> Vec<f64> {
        let mut x = vec![0.0; self.size];
        let mut border = vec![0.0; self.border.size];
        border.iter_mut().zip(&self.readings).for_each(|(value, at)| *value = right[*at]);
        let mut part = Vec::new();
        for block in &self.blocks {
            part.clear();
            part.extend(block.readings.iter().map(|at| right[*at]));
            if part.iter().all(|value| *value == 0.0) {
                continue;
            }
            block.factor.forward(&mut part);
            for (value, of_row) in part.iter().zip(block.joined.chunks_exact(self.border.size)) {
                border.iter_mut().zip(of_row).for_each(|(sum, joined)| *sum -= value * joined);
            }
            block.readings.iter().zip(&part).for_each(|(at, value)| x[*at] = *value);
        }
        self.border.solve(&mut border);
        for block in &self.blocks {
            part.clear();
            let rows = block.readings.iter().zip(block.joined.chunks_exact(self.border.size));
            part.extend(rows.map(|(at, of_row)| x[*at] - dot(of_row, &border)));
            block.factor.backward(&mut part);
            block.readings.iter().zip(&part).for_each(|(at, value)| x[*at] = *value);
        }
        self.readings.iter().zip(&border).for_each(|(at, value)| x[*at] = *value);
        x
    }

    /// ln |A|.
    pub(super) fn ln_determinant(&self) -> f64 {
        let blocks: f64 = self.blocks.iter().map(|block| block.factor.ln_determinant()).sum();
        blocks + self.border.diagonal.iter().map(|value| value.abs().ln()).sum::<f64>()
    }

    /// A⁻¹, row by row.
    pub(super) fn inverse(&self) -> Vec<f64> {
        let mut inverse = Vec::with_capacity(self.size * self.size);
        let mut unit = vec![0.0; self.size];
        for row in 0..self.size {
            unit[row] = 1.0;
            inverse.extend(self.solve(&unit));
            unit[row] = 0.0;
        }
        inverse
    }
}

impl SlopeColumns<'_> {
    /// The readings by the branch whose own figures move them, behind the last branch those that none does; and the readings that
    /// several move.
    fn groups(&self, branches: usize, prediction: &Prediction) -> (Vec<Vec<usize>>, Vec<usize>) {
        let mut groups: Vec<Vec<usize>> = vec![Vec::new(); branches + 1];
        let mut of_several = Vec::new();
        for at in 0..prediction.values.len() {
            let mut owners = prediction.row(at).iter().filter_map(|(place, _)| match self.of(*place as usize) {
                SlopeColumn::Own(branch, _) => Some(branch),
                SlopeColumn::Shared(_) => None,
            });
            let first = owners.next();
            if owners.any(|other| Some(other) != first) {
                of_several.push(at);
            } else {
                groups[first.unwrap_or(branches)].push(at);
            }
        }
        (groups, of_several)
    }
}

impl Border {
    /// Factors a matrix given row by row, of which only the lower half is read. None unless D is positive so many times first, and
    /// negative from there on.
    fn new(size: usize, positive: usize, mut lower: Vec<f64>) -> Option<Self> {
        let mut diagonal = vec![0.0; size];
        // A row of L D while it is worked on.
        let mut scaled = vec![0.0; size];
        for row in 0..size {
            let (above, of_row) = lower.split_at_mut(row * size);
            for (column, value) in of_row[..row].iter().enumerate() {
                let known = dot(&scaled[..column], &above[column * size..][..column]);
                scaled[column] = value - known;
            }
            let factors = of_row.iter_mut().zip(&scaled[..row]).zip(&diagonal);
            factors.for_each(|((factor, scaled), diagonal)| *factor = scaled / diagonal);
            diagonal[row] = of_row[row] - dot(&scaled[..row], &of_row[..row]);
            if !(if row < positive { diagonal[row] > 0.0 } else { diagonal[row] < 0.0 }) {
                return None;
            }
        }
        Some(Self { size, lower, diagonal })
    }

    /// Turns b into x of A x = b.
    fn solve(&self, x: &mut [f64]) {
        for row in 0..self.size {
            x[row] -= dot(&self.lower[row * self.size..][..row], &x[..row]);
        }
        x.iter_mut().zip(&self.diagonal).for_each(|(value, diagonal)| *value /= diagonal);
        for row in (0..self.size).rev() {
            let found = x[row];
            let of_row = &self.lower[row * self.size..][..row];
            x[..row].iter_mut().zip(of_row).for_each(|(value, lower)| *value -= lower * found);
        }
    }
}
