//! How likely the levels are, at many variance components at once.
//!
//! With `L` the covariance's Cholesky factor ([`wander`](super::wander)), the normal equations of
//! whitened columns are sums over levels, `Σ_k e_ik e_jk / F_k`, of the filter's innovations `e` and
//! their variances `F`; `ln det V = Σ_k ln F_k`. One walk over the levels makes them for all columns
//! and several noise scales side by side.

use nalgebra::{DMatrix, DVector};

use super::nnls::Normal;
use super::wander::{Rows, State, Wander};

/// Noise scales that one walk takes.
pub(super) const LANES: usize = 4;
/// Variances that are multiplied before a logarithm is taken; in units of a typical one their
/// product stays far from the ends of what `f64` holds.
const FACTORS: usize = 8;

/// The columns of a design and its levels, level by level.
pub(super) struct Table<'a> {
    rows: &'a Rows,
    /// Columns, the levels last.
    width: usize,
    cells: Vec<f64>,
    unit_a2: f64,
}

/// `XᵀV⁻¹X` of all columns, the levels being the last, and `ln det V`.
#[derive(Debug, Clone)]
pub(super) struct Sums {
    /// Its lower half, row by row.
    gram: Vec<f64>,
    /// Number of the last column.
    levels: usize,
    ln_det: f64,
}

impl<'a> Table<'a> {
    pub(super) fn new(rows: &'a Rows, x: &[Vec<f64>], level_a: &[f64]) -> Self {
        let width = x.len() + 1;
        let mut cells = Vec::with_capacity(width * level_a.len());
        for (k, level_a) in level_a.iter().enumerate() {
            cells.extend(x.iter().map(|column| column[k]));
            cells.push(*level_a);
        }
        let typical = rows.independent_a2(rows.len() / 2, 1.0);
        let unit_a2 = if typical > 0.0 { typical } else { 1.0 };
        Self { rows, width, cells, unit_a2 }
    }

    /// The sums at some noise scales and one wander. O(n p²).
    pub(super) fn sums(&self, noise_scales: &[f64; LANES], wander: Wander) -> [Sums; LANES] {
        let (rows, width) = (self.rows, self.width);
        let mut level = vec![[0.0; LANES]; width];
        let mut slope = vec![[0.0; LANES]; width];
        let mut innovation = vec![[0.0; LANES]; width];
        let mut gram = vec![[0.0; LANES]; width * (width + 1) / 2];
        let (mut ln_det, mut product) = ([0.0; LANES], [1.0f64; LANES]);
        let mut state = [State::default(); LANES];
        let per_unit = self.unit_a2.recip();
        for (k, cells) in self.cells.chunks_exact(width).enumerate() {
            let (gap_s, length_s) = (rows.gap_s(k), rows.length_s(k));
            let (in_gap, in_level) = (wander.added(gap_s), wander.added(length_s));
            let (noise, rounding) = (rows.noise_a2[k], rows.rounding_a2[k]);
            let (mut gain, mut weight) = ([[0.0; LANES]; 2], [0.0; LANES]);
            for lane in 0..LANES {
                let before = state[lane].after(gap_s, in_gap);
                let r = noise_scales[lane] * noise + rounding;
                let (next, f, gains) = before.read(length_s, in_level, r);
                state[lane] = next;
                weight[lane] = f.recip();
                (gain[0][lane], gain[1][lane]) = (gains[0], gains[1]);
                product[lane] *= f * per_unit;
            }
            if k % FACTORS == FACTORS - 1 {
                for (ln_det, product) in ln_det.iter_mut().zip(&mut product) {
                    *ln_det += product.ln();
                    *product = 1.0;
                }
            }
            let (to_middle_s, half_s) = (gap_s + 0.5 * length_s, 0.5 * length_s);
            let mut row = 0;
            for (i, cell) in cells.iter().enumerate() {
                let (own, level, slope) = (&mut innovation[i], &mut level[i], &mut slope[i]);
                let mut weighted = [0.0; LANES];
                for lane in 0..LANES {
                    let expected = level[lane] + to_middle_s * slope[lane];
                    own[lane] = cell - expected;
                    level[lane] = expected + half_s * slope[lane] + gain[0][lane] * own[lane];
                    slope[lane] += gain[1][lane] * own[lane];
                    weighted[lane] = own[lane] * weight[lane];
                }
                for (sum, other) in gram[row..].iter_mut().zip(&innovation[..=i]) {
                    for lane in 0..LANES {
                        sum[lane] += weighted[lane] * other[lane];
                    }
                }
                row += i + 1;
            }
        }
        let units = rows.len() as f64 * self.unit_a2.ln();
        std::array::from_fn(|lane| Sums {
            gram: gram.iter().map(|sums| sums[lane]).collect(),
            levels: width - 1,
            ln_det: ln_det[lane] + product[lane].ln() + units,
        })
    }
}

impl Sums {
    fn at(&self, i: usize, j: usize) -> f64 {
        let (row, column) = (i.max(j), i.min(j));
        self.gram[row * (row + 1) / 2 + column]
    }

    /// Logarithms of the restricted and the full Gaussian likelihood with the independent columns
    /// `kept`, constants left out (Patterson & Thompson 1971, Biometrika 58(3), 545-554, formula
    /// from memory). O(p³).
    pub(super) fn likelihood(&self, kept: &[usize]) -> (f64, f64) {
        let (p, levels) = (kept.len(), self.levels);
        let scale: Vec<f64> = kept.iter().map(|&j| self.at(j, j).sqrt().recip()).collect();
        let normal =
            DMatrix::from_fn(p, p, |i, j| self.at(kept[i], kept[j]) * (scale[i] * scale[j]));
        let units: f64 = scale.iter().map(|s| -2.0 * s.ln()).sum();
        let rhs = DVector::from_fn(p, |i, _| self.at(kept[i], levels) * scale[i]);
        let Some(cholesky) = normal.cholesky() else { return (f64::MIN, f64::MIN) };
        let squares = (self.at(levels, levels) - rhs.dot(&cholesky.solve(&rhs))).max(0.0);
        let determinant = cholesky.ln_determinant() + units;
        let full = -0.5 * (self.ln_det + squares);
        (full - 0.5 * determinant, full)
    }

    /// `XᵀV⁻¹X` of some columns, taken apart, and their coefficients. O(p³).
    pub(super) fn solution(&self, columns: &[usize]) -> (Normal, DVector<f64>) {
        let p = columns.len();
        let normal = Normal::new(&DMatrix::from_fn(p, p, |i, j| self.at(columns[i], columns[j])));
        let beta = normal.solve(&DVector::from_fn(p, |i, _| self.at(columns[i], self.levels)));
        (normal, beta)
    }
}

#[cfg(test)]
mod tests {
    use super::super::wander::tests::{WANDERS, dense, rows};
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn the_sums_are_those_of_the_dense_covariance() {
        let rows = rows();
        let x = vec![vec![1.0; 4], vec![0.5, 2.0, 5.0, 6.0], vec![0.0, 1.0, 1.0, 0.0]];
        let level_a = [1.0, -2.0, 0.5, 3.0];
        let scales = [0.5, 1.0, 1.5, 4.0];
        let table = Table::new(&rows, &x, &level_a);
        let found = WANDERS.iter().flat_map(|wander| {
            scales.into_iter().map(|scale| (scale, *wander)).zip(table.sums(&scales, *wander))
        });
        for ((scale, wander), sums) in found {
            let v = dense(&rows, scale, wander);
            let all = DMatrix::from_fn(4, 4, |k, j| x.get(j).map_or(level_a[k], |x| x[k]));
            let inverse = v.clone().try_inverse().unwrap();
            let expected = all.transpose() * &inverse * &all;
            for i in 0..4 {
                for j in 0..4 {
                    assert_relative_eq!(sums.at(i, j), expected[(i, j)], max_relative = 1e-3);
                }
            }
            assert_relative_eq!(sums.ln_det, v.determinant().ln(), max_relative = 1e-4);
            // The restricted likelihood by its definition, two columns kept.
            let kept = all.columns(0, 2).into_owned();
            let normal = kept.transpose() * &inverse * &kept;
            let y = DVector::from_row_slice(&level_a);
            let beta = normal.clone().try_inverse().unwrap() * kept.transpose() * &inverse * &y;
            let rest = &y - &kept * beta;
            let squares = (rest.transpose() * &inverse * &rest)[0];
            let full = -0.5 * (v.determinant().ln() + squares);
            let restricted = full - 0.5 * normal.determinant().ln();
            let likelihood = sums.likelihood(&[0, 1]);
            assert_relative_eq!(likelihood.1, full, max_relative = 1e-3);
            assert_relative_eq!(likelihood.0, restricted, max_relative = 1e-3);
        }
    }
}
