//! Small symmetric positive definite matrices: factor and solve. Cholesky's method, any textbook.

/// The lower factor L of A = L Lᵀ, row by row.
#[derive(Debug, Clone)]
pub(super) struct Cholesky {
    size: usize,
    lower: Vec<f64>,
}

impl Cholesky {
    /// Factors a matrix given row by row; only its lower half is read. `None` unless it is positive definite.
    pub(super) fn new(size: usize, matrix: &[f64]) -> Option<Self> {
        let mut lower = vec![0.0; size * size];
        for row in 0..size {
            for column in 0..=row {
                let (of_row, of_column) = (&lower[row * size..][..column], &lower[column * size..][..column]);
                let rest = matrix[row * size + column] - dot(of_row, of_column);
                if row != column {
                    lower[row * size + column] = rest / lower[column * size + column];
                } else if rest > 0.0 {
                    lower[row * size + row] = rest.sqrt();
                } else {
                    return None;
                }
            }
        }
        Some(Self { size, lower })
    }

    /// x of A x = b.
    pub(super) fn solve(&self, right: &[f64]) -> Vec<f64> {
        let mut x = right.to_vec();
        self.forward(&mut x);
        self.backward(&mut x);
        x
    }

    /// ln |A|.
    pub(super) fn ln_determinant(&self) -> f64 {
        (0..self.size).map(|row| 2.0 * self.lower[row * self.size + row].ln()).sum()
    }

    /// Turns b into y of L y = b.
    pub(super) fn forward(&self, y: &mut [f64]) {
        for row in 0..self.size {
            let known = dot(&self.lower[row * self.size..][..row], &y[..row]);
            y[row] = (y[row] - known) / self.lower[row * self.size + row];
        }
    }

    /// Turns y into x of Lᵀ x = y.
    pub(super) fn backward(&self, x: &mut [f64]) {
        for row in (0..self.size).rev() {
            x[row] /= self.lower[row * self.size + row];
            let found = x[row];
            let of_row = &self.lower[row * self.size..][..row];
            x[..row].iter_mut().zip(of_row).for_each(|(value, lower)| *value -= lower * found);
        }
    }

    /// Turns B, given row by row, into Y of L Y = B.
    pub(super) fn forward_rows(&self, rows: &mut [f64], width: usize) {
        for row in 0..self.size {
            let (above, of_row) = rows.split_at_mut(row * width);
            let of_row = &mut of_row[..width];
            for (column, known) in above.chunks_exact(width).enumerate() {
                let lower = self.lower[row * self.size + column];
                of_row.iter_mut().zip(known).for_each(|(value, known)| *value -= lower * known);
            }
            let share = 1.0 / self.lower[row * self.size + row];
            of_row.iter_mut().for_each(|value| *value *= share);
        }
    }
}

/// Σ aᵢ bᵢ, four sums at a time.
pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    let count = a.len().min(b.len());
    let mut sums = [0.0; 4];
    let mut at = 0;
    while at + 4 <= count {
        let (a, b) = (&a[at..at + 4], &b[at..at + 4]);
        sums[0] += a[0] * b[0];
        sums[1] += a[1] * b[1];
        sums[2] += a[2] * b[2];
        sums[3] += a[3] * b[3];
        at += 4;
    }
    let mut rest = 0.0;
    while at < count {
        rest += a[at] * b[at];
        at += 1;
    }
    sums[0] + sums[1] + sums[2] + sums[3] + rest
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_worked_example() {
        // [[4, 2], [2, 3]] has the factor [[2, 0], [1, √2]]; with b = (2, 5), x = (-1/2, 2) by hand.
        let factor = Cholesky::new(2, &[4.0, 2.0, 2.0, 3.0]).unwrap();
        let x = factor.solve(&[2.0, 5.0]);
        assert!((x[0] + 0.5).abs() < 1e-12 && (x[1] - 2.0).abs() < 1e-12, "{x:?}");
        // Its determinant is 8; L Y = [[2, 4], [1, 2 + √2]] has Y = [[1, 2], [0, 1]] by hand.
        assert!((factor.ln_determinant() - 8f64.ln()).abs() < 1e-12);
        let mut rows = [2.0, 4.0, 1.0, 2.0 + 2f64.sqrt()];
        factor.forward_rows(&mut rows, 2);
        assert!(rows.iter().zip([1.0, 2.0, 0.0, 1.0]).all(|(found, wanted)| (found - wanted).abs() < 1e-12));
        assert!(Cholesky::new(2, &[1.0, 2.0, 2.0, 1.0]).is_none());
    }
}
