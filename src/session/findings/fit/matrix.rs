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

    /// ln |A|.
    pub(super) fn ln_determinant(&self) -> f64 {
        (0..self.size).map(|row| 2.0 * self.lower[row * self.size + row].ln()).sum()
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
        // Its determinant is 8, its inverse [[3, -2], [-2, 4]]/8.
        assert!((factor.ln_determinant() - 8f64.ln()).abs() < 1e-12);
        assert!((factor.inverse()[1] + 0.25).abs() < 1e-12 && (factor.inverse()[3] - 0.5).abs() < 1e-12);
        assert!(Cholesky::new(2, &[1.0, 2.0, 2.0, 1.0]).is_none());
    }
}
