//! Symmetric positive definite matrices: factor, solve, invert. Cholesky's method, any textbook.

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
        let mut x = self.forward(right);
        for row in (0..self.size).rev() {
            x[row] /= self.lower[row * self.size + row];
            let found = x[row];
            for (column, value) in x.iter_mut().enumerate().take(row) {
                *value -= self.lower[row * self.size + column] * found;
            }
        }
        x
    }

    /// bᵀ A⁻¹ b.
    pub(super) fn square(&self, right: &[f64]) -> f64 {
        let y = self.forward(right);
        dot(&y, &y)
    }

    /// y of L y = b.
    fn forward(&self, right: &[f64]) -> Vec<f64> {
        let mut y = right.to_vec();
        for row in 0..self.size {
            let known = dot(&self.lower[row * self.size..][..row], &y[..row]);
            y[row] = (y[row] - known) / self.lower[row * self.size + row];
        }
        y
    }
}

/// What is not zero in a row, with its place: a coil's own figure moves few readings.
#[derive(Debug, Clone)]
pub(super) struct SparseRow(Vec<(usize, f64)>);

impl SparseRow {
    /// Of a whole row.
    pub(super) fn new(row: &[f64]) -> Self {
        Self(row.iter().copied().enumerate().filter(|(_, value)| *value != 0.0).collect())
    }

    /// How many there are.
    pub(super) fn len(&self) -> usize {
        self.0.len()
    }

    /// Adds a aᵀ to a matrix of this size.
    pub(super) fn add_square(&self, matrix: &mut [f64], size: usize) {
        for &(row, value) in &self.0 {
            for &(column, other) in &self.0 {
                matrix[row * size + column] += value * other;
            }
        }
    }

    /// Σ aᵢ bᵢ with a whole row.
    pub(super) fn dot(&self, other: &[f64]) -> f64 {
        let mut sum = 0.0;
        for &(at, value) in &self.0 {
            sum += value * other[at];
        }
        sum
    }
}

/// Σ aᵢ bᵢ.
pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut sum = 0.0;
    for (a, b) in a.iter().zip(b) {
        sum += a * b;
    }
    sum
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
        assert!((factor.square(&[2.0, 5.0]) - 9.0).abs() < 1e-12, "b·x = 2·(-0.5) + 5·2");
        assert!(Cholesky::new(2, &[1.0, 2.0, 2.0, 1.0]).is_none());
        assert_eq!(SparseRow::new(&[0.0, 3.0, 0.0]).dot(&[1.0, 2.0, 5.0]), 6.0);
    }
}
