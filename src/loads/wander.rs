//! The covariance of the readings' levels: independent noise, and a zero that wanders between them.
//!
//! Level `k` is a mean over `start..end`. Its error is `ε_k + W̄_k`: `ε_k` independent with variance
//! `r_k`, and `W̄_k` the mean over the same time of a Wiener process with variance `s` a second
//! (a zero that wanders). The covariance `V` of such errors is dense, but its Cholesky factor is
//! applied in O(n) by a scalar Kalman filter: with `P` the variance of `W` at the start of level
//! `k` given the levels before, and `L` its length,
//!
//! ```text
//! F = P + sL/3 + r        variance of the level given those before
//! g = (P + sL/2) / F      gain for W at its end
//! P ← P + sL − g²F
//! ```
//!
//! Levels, and every column of the design matrix, are whitened by the same filter (de Jong 1991,
//! The Annals of Statistics 19(2), 1073-1083, method from memory).

/// Times and independent variances of the levels, in order of time.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Rows {
    /// Start of each level, seconds.
    pub(super) start_s: Vec<f64>,
    /// Its end, seconds.
    pub(super) end_s: Vec<f64>,
    /// Variance of its mean from the noise of the readings, ampere².
    pub(super) noise_a2: Vec<f64>,
    /// Variance of its mean from rounding, ampere².
    pub(super) rounding_a2: Vec<f64>,
}

impl Rows {
    pub(super) fn len(&self) -> usize {
        self.start_s.len()
    }

    pub(super) fn middle_s(&self, k: usize) -> f64 {
        0.5 * (self.start_s[k] + self.end_s[k])
    }

    /// The bow of a zero at a time: a parabola, −1 at the middle of the levels and 0 at their ends.
    pub(super) fn bow(&self, time_s: f64) -> f64 {
        let (first_s, last_s) = (self.middle_s(0), self.middle_s(self.len() - 1));
        let half_s = (0.5 * (last_s - first_s)).max(f64::MIN_POSITIVE);
        ((time_s - 0.5 * (first_s + last_s)) / half_s).powi(2) - 1.0
    }

    /// Independent variance of level `k`, the noise scaled by `noise_scale`.
    pub(super) fn independent_a2(&self, k: usize, noise_scale: f64) -> f64 {
        noise_scale * self.noise_a2[k] + self.rounding_a2[k]
    }
}

/// The inverse Cholesky factor of one covariance.
#[derive(Debug, Clone)]
pub(super) struct Whitener {
    gain: Vec<f64>,
    root: Vec<f64>,
}

impl Whitener {
    /// For noise variances scaled by `noise_scale` and a zero that wanders with `wander_a2_per_s`. O(n).
    pub(super) fn new(rows: &Rows, noise_scale: f64, wander_a2_per_s: f64) -> Self {
        let n = rows.len();
        let (mut gain, mut root) = (Vec::with_capacity(n), Vec::with_capacity(n));
        let s = wander_a2_per_s;
        let mut p = 0.0;
        for k in 0..n {
            if k > 0 {
                p += s * (rows.start_s[k] - rows.end_s[k - 1]).max(0.0);
            }
            let length_s = (rows.end_s[k] - rows.start_s[k]).max(0.0);
            let f = p + s * length_s / 3.0 + rows.independent_a2(k, noise_scale);
            let cross = p + 0.5 * s * length_s;
            let g = if f > 0.0 { cross / f } else { 0.0 };
            p = (p + s * length_s - g * cross).max(0.0);
            gain.push(g);
            root.push(f.sqrt());
        }
        Self { gain, root }
    }

    /// `L⁻¹ y`, in place. O(n).
    pub(super) fn whiten(&self, y: &mut [f64]) {
        let mut m = 0.0;
        for (k, value) in y.iter_mut().enumerate() {
            let innovation = *value - m;
            m += self.gain[k] * innovation;
            *value = innovation / self.root[k];
        }
    }

    /// `L⁻ᵀ w`. O(n).
    pub(super) fn adjoint(&self, w: &[f64]) -> Vec<f64> {
        let mut out = vec![0.0; w.len()];
        let mut lambda = 0.0;
        for k in (0..w.len()).rev() {
            let a = w[k] / self.root[k];
            out[k] = a + self.gain[k] * lambda;
            lambda = (1.0 - self.gain[k]) * lambda - a;
        }
        out
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use approx::assert_relative_eq;
    use nalgebra::{DMatrix, DVector};

    pub(in crate::loads) fn rows() -> Rows {
        Rows {
            start_s: vec![0.0, 10.0, 45.0, 60.0],
            end_s: vec![10.0, 30.0, 60.0, 61.0],
            noise_a2: vec![1.0, 0.5, 0.25, 4.0],
            rounding_a2: vec![0.0, 0.1, 0.0, 0.2],
        }
    }

    /// Covariance of time averages of a Wiener process by numerical double integration.
    pub(in crate::loads) fn dense(rows: &Rows, noise_scale: f64, s: f64) -> DMatrix<f64> {
        let n = rows.len();
        let points = 400;
        let grid = |k: usize| {
            let (a, b) = (rows.start_s[k], rows.end_s[k]);
            (0..points).map(move |i| a + (b - a) * (f64::from(i) + 0.5) / f64::from(points))
        };
        DMatrix::from_fn(n, n, |i, j| {
            let mean: f64 = grid(i).map(|t| grid(j).map(|u| t.min(u)).sum::<f64>()).sum::<f64>()
                / f64::from(points * points);
            s * mean + if i == j { rows.independent_a2(i, noise_scale) } else { 0.0 }
        })
    }

    #[test]
    fn the_filter_is_the_dense_cholesky_factor() {
        let rows = rows();
        let v = dense(&rows, 1.5, 0.07);
        let whitener = Whitener::new(&rows, 1.5, 0.07);
        let y = DVector::from_vec(vec![1.0, -2.0, 0.5, 3.0]);
        let inverse = v.clone().try_inverse().unwrap();
        let mut white = y.as_slice().to_vec();
        whitener.whiten(&mut white);
        let quadratic: f64 = white.iter().map(|w| w * w).sum();
        assert_relative_eq!(quadratic, (y.transpose() * &inverse * &y)[0], max_relative = 1e-4);
        let solved = whitener.adjoint(&white);
        for (a, b) in solved.iter().zip((&inverse * &y).iter()) {
            assert_relative_eq!(a, b, max_relative = 1e-3);
        }
    }
}
