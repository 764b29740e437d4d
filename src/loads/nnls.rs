//! Least squares with some coefficients that cannot be negative.

use nalgebra::{DMatrix, DVector, SymmetricEigen};

/// Eigenvalues below this share of the largest are directions that no row tells of.
pub(super) const RANK_TOLERANCE: f64 = 1e-9;

/// A symmetric positive semi-definite matrix, scaled to a unit diagonal and taken apart.
#[derive(Debug, Clone)]
pub(super) struct Normal {
    vectors: DMatrix<f64>,
    values: DVector<f64>,
    scale: Vec<f64>,
}

impl Normal {
    /// Of `XᵀX`. O(p³).
    pub(super) fn new(matrix: &DMatrix<f64>) -> Self {
        let p = matrix.nrows();
        if p == 0 {
            let (vectors, values) = (DMatrix::zeros(0, 0), DVector::zeros(0));
            return Self { vectors, values, scale: Vec::new() };
        }
        let scale: Vec<f64> = (0..p)
            .map(|i| if matrix[(i, i)] > 0.0 { matrix[(i, i)].sqrt().recip() } else { 0.0 })
            .collect();
        let scaled = DMatrix::from_fn(p, p, |i, j| matrix[(i, j)] * scale[i] * scale[j]);
        let eigen = SymmetricEigen::new(scaled);
        Self { vectors: eigen.eigenvectors, values: eigen.eigenvalues, scale }
    }

    fn kept(&self) -> impl Iterator<Item = usize> + '_ {
        let largest = self.values.iter().copied().fold(0.0, f64::max);
        (0..self.values.len()).filter(move |&i| self.values[i] > RANK_TOLERANCE * largest)
    }

    /// Pseudo-inverse times a vector.
    pub(super) fn solve(&self, rhs: &DVector<f64>) -> DVector<f64> {
        let scaled = DVector::from_fn(rhs.len(), |i, _| rhs[i] * self.scale[i]);
        let mut out = DVector::zeros(rhs.len());
        for i in self.kept() {
            let v = self.vectors.column(i);
            out.axpy(v.dot(&scaled) / self.values[i], &v, 1.0);
        }
        DVector::from_fn(rhs.len(), |i, _| out[i] * self.scale[i])
    }

    /// True when a combination of the coefficients is told by the rows: it has no part in the null space.
    pub(super) fn estimable(&self, combination: &DVector<f64>) -> bool {
        // In the scaled coefficients γ = β/scale the combination is a·scale.
        let a = DVector::from_fn(combination.len(), |i, _| combination[i] * self.scale[i]);
        let kept: f64 = self.kept().map(|i| self.vectors.column(i).dot(&a).powi(2)).sum();
        let unseen = (0..combination.len()).any(|i| self.scale[i] == 0.0 && combination[i] != 0.0);
        !unseen && a.norm_squared() - kept <= 1e-6 * a.norm_squared()
    }

    /// Columns that share a direction of the null space with column `j`, itself included.
    pub(super) fn confused_with(&self, j: usize) -> Vec<usize> {
        let p = self.scale.len();
        let largest = self.values.iter().copied().fold(0.0, f64::max);
        (0..p)
            .filter(|&k| {
                let share: f64 = (0..p)
                    .filter(|&i| self.values[i] <= RANK_TOLERANCE * largest)
                    .map(|i| self.vectors[(j, i)] * self.vectors[(k, i)])
                    .sum();
                share.abs() > 1e-6
            })
            .collect()
    }
}

/// `min ‖y − Xβ‖` with `β_j ≥ 0` for every column that is not free, from `XᵀX` and `Xᵀy`
/// (Lawson & Hanson 1974, Solving Least Squares Problems, ch. 23, algorithm NNLS; free columns are
/// passive from the start and never leave). Collinear columns share by least norm.
///
/// O(p³) an exchange, at most `3p` of them.
pub(super) fn non_negative(
    matrix: &DMatrix<f64>,
    rhs: &DVector<f64>,
    free: &[bool],
) -> DVector<f64> {
    let p = rhs.len();
    let mut passive = free.to_vec();
    let mut beta = solve_passive(matrix, rhs, &passive);
    let size = (0..p).map(|j| rhs[j].abs()).fold(0.0, f64::max);
    for _ in 0..3 * p {
        let gradient = rhs - matrix * &beta;
        let enter = (0..p)
            .filter(|&j| !passive[j] && gradient[j] > 1e-12 * size)
            .max_by(|&a, &b| gradient[a].total_cmp(&gradient[b]));
        let Some(enter) = enter else { break };
        passive[enter] = true;
        loop {
            let trial = solve_passive(matrix, rhs, &passive);
            let blocking: Vec<usize> =
                (0..p).filter(|&j| passive[j] && !free[j] && trial[j] <= 0.0).collect();
            if blocking.is_empty() {
                beta = trial;
                break;
            }
            let alpha = blocking
                .iter()
                .map(|&j| beta[j] / (beta[j] - trial[j]))
                .fold(1.0f64, |a, b| if b.is_finite() { a.min(b) } else { 0.0 });
            beta = &beta + (&trial - &beta) * alpha.max(0.0);
            for &j in &blocking {
                if beta[j] <= 1e-15 * beta.amax() {
                    passive[j] = false;
                    beta[j] = 0.0;
                }
            }
            if blocking.iter().all(|&j| passive[j]) {
                passive[blocking[0]] = false;
                beta[blocking[0]] = 0.0;
            }
        }
    }
    beta
}

fn solve_passive(matrix: &DMatrix<f64>, rhs: &DVector<f64>, passive: &[bool]) -> DVector<f64> {
    let set: Vec<usize> = (0..rhs.len()).filter(|&j| passive[j]).collect();
    let part = DMatrix::from_fn(set.len(), set.len(), |a, b| matrix[(set[a], set[b])]);
    let solved = Normal::new(&part).solve(&DVector::from_fn(set.len(), |a, _| rhs[set[a]]));
    let mut beta = DVector::zeros(rhs.len());
    for (a, &j) in set.iter().enumerate() {
        beta[j] = solved[a];
    }
    beta
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;
    use proptest::prelude::*;

    fn normal(x: &DMatrix<f64>, y: &DVector<f64>) -> (DMatrix<f64>, DVector<f64>) {
        (x.transpose() * x, x.transpose() * y)
    }

    proptest! {
        #![proptest_config(crate::chance::same(200))]
        /// Karush-Kuhn-Tucker: what mathematics asks of the minimum.
        #[test]
        fn the_minimum_meets_its_conditions(
            cells in prop::collection::vec(-1.0f64..1.0, 8 * 4),
            y in prop::collection::vec(-1.0f64..1.0, 8),
            first_free in any::<bool>(),
        ) {
            let x = DMatrix::from_row_slice(8, 4, &cells);
            let y = DVector::from_vec(y);
            let (matrix, rhs) = normal(&x, &y);
            let free = [first_free, false, false, false];
            let beta = non_negative(&matrix, &rhs, &free);
            let gradient = &rhs - &matrix * &beta;
            for j in 0..4 {
                if free[j] || beta[j] > 0.0 {
                    prop_assert!(gradient[j].abs() < 1e-6);
                } else {
                    prop_assert!(gradient[j] < 1e-6 && beta[j] == 0.0);
                }
            }
        }
    }

    #[test]
    fn equal_columns_are_one_direction() {
        let x = DMatrix::from_row_slice(3, 3, &[1.0, 1.0, 0.0, 1.0, 1.0, 1.0, 0.0, 0.0, 1.0]);
        let y = DVector::from_vec(vec![2.0, 5.0, 3.0]);
        let (matrix, rhs) = normal(&x, &y);
        let parts = Normal::new(&matrix);
        assert_eq!(parts.confused_with(0), vec![0, 1]);
        assert_eq!(parts.confused_with(2), Vec::<usize>::new());
        assert!(parts.estimable(&DVector::from_vec(vec![1.0, 1.0, 0.0])));
        assert!(!parts.estimable(&DVector::from_vec(vec![1.0, 0.0, 0.0])));
        let beta = parts.solve(&rhs);
        assert_abs_diff_eq!(beta[0], 1.0, epsilon = 1e-9);
        assert_abs_diff_eq!(beta[2], 3.0, epsilon = 1e-9);
    }

    /// JCGM 100:2008, H.3.3 and H.3.4: a thermometer's correction as a straight line, its
    /// coefficients with their covariance; read in a secondary copy.
    #[test]
    fn gum_h3() {
        let t = [1.521, 2.012, 2.512, 3.003, 3.507, 3.999, 4.513, 5.002, 5.503, 6.010, 6.511];
        let b =
            [171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160].map(|b| -1e-3 * f64::from(b));
        let x = DMatrix::from_fn(11, 2, |k, j| if j == 0 { 1.0 } else { t[k] });
        let y = DVector::from_row_slice(&b);
        let normal = Normal::new(&x.tr_mul(&x));
        let beta = normal.solve(&x.tr_mul(&y));
        let s2 = (&y - &x * &beta).norm_squared() / 9.0;
        let covariance = |i: usize, j: usize| {
            s2 * normal.solve(&DVector::from_fn(2, |k, _| f64::from(u8::from(k == i))))[j]
        };
        let (u1, u2) = (covariance(0, 0).sqrt(), covariance(1, 1).sqrt());
        for (found, printed, half_a_digit) in [
            (beta[0], -0.1712, 5e-5),
            (beta[1], 0.00218, 5e-6),
            (s2.sqrt(), 0.0035, 5e-5),
            (u1, 0.0029, 5e-5),
            (u2, 0.00067, 5e-6),
            (covariance(0, 1) / (u1 * u2), -0.930, 5e-4),
            (beta[0] + 10.0 * beta[1], -0.1494, 5e-5),
        ] {
            assert!((found - printed).abs() <= half_a_digit, "{found} for {printed}");
        }
        let at_30 = DVector::from_row_slice(&[1.0, 10.0]);
        let u = (s2 * at_30.dot(&normal.solve(&at_30))).sqrt();
        assert!((u - 0.0041).abs() <= 5e-5, "{u}");
    }
}
