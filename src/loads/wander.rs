//! The covariance of the readings' levels: independent noise, and a zero that wanders between them.
//!
//! Level `k` is a mean over `start..end`. Its error is `ε_k + Z̄_k`: `ε_k` independent with variance
//! `r_k`, and `Z̄_k` the mean over the same time of a zero `Z` with a slope `B`, driven by two Wiener
//! processes of variances `s` and `b` a second:
//!
//! ```text
//! dZ = B dt + dW₁      b = 0: a random walk
//! dB = dW₂             s = 0: smooth, a cubic spline
//! ```
//!
//! the local linear trend in continuous time (Durbin & Koopman 2012, Time Series Analysis by State
//! Space Methods, ch. 3; Wahba 1978, JRSS B 40(3), 364-372, for the spline; both from memory). The
//! covariance `V` of such errors is dense, but its Cholesky factor is applied in O(n) by a Kalman
//! filter for the state `(Z, B)`: with `P` its covariance at the start of level `k` given the levels
//! before, `L` the length, `T = [1 L; 0 1]`, `h = (1, L/2)` and the covariances of what `W₁` and `W₂`
//! add, to the mean `m`, and to the state at the end `q` and `Q`,
//!
//! ```text
//! m = sL/3 + bL³/20      q = (sL/2 + bL³/8, bL²/6)      Q = [sL + bL³/3, bL²/2; bL²/2, bL]
//! F = h P hᵀ + m + r     variance of the level given those before
//! g = (T P hᵀ + q) / F   gain for the state at its end
//! P ← T P Tᵀ + Q − g gᵀF
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

    pub(super) fn length_s(&self, k: usize) -> f64 {
        (self.end_s[k] - self.start_s[k]).max(0.0)
    }

    /// Time from the end of the level before to the start of this one, seconds; 0 for the first.
    pub(super) fn gap_s(&self, k: usize) -> f64 {
        k.checked_sub(1).map_or(0.0, |before| (self.start_s[k] - self.end_s[before]).max(0.0))
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

/// How the zero wanders: the variances of both kinds.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Wander {
    /// Variance a second of the zero, a random walk, ampere²/s.
    pub(super) walk_a2_per_s: f64,
    /// Variance a second of its slope, ampere²/s³.
    pub(super) slope_a2_per_s3: f64,
}

impl Wander {
    /// A random walk that moves the zero by `wander_a` (standard deviation) in `duration_s`.
    pub(super) fn walk(wander_a: f64, duration_s: f64) -> Self {
        Self { walk_a2_per_s: wander_a * wander_a / duration_s, ..Self::default() }
    }

    /// A smooth wander that moves the zero by as much.
    pub(super) fn smooth(wander_a: f64, duration_s: f64) -> Self {
        let slope_a2_per_s3 = 3.0 * (wander_a / duration_s).powi(2) / duration_s;
        Self { slope_a2_per_s3, ..Self::default() }
    }

    /// These variances and a share of others.
    pub(super) fn plus(self, share: f64, other: Self) -> Self {
        Self {
            walk_a2_per_s: self.walk_a2_per_s + share * other.walk_a2_per_s,
            slope_a2_per_s3: self.slope_a2_per_s3 + share * other.slope_a2_per_s3,
        }
    }

    /// Variance of the zero's move in `length_s`, from `from_s` after the levels' begin on, ampere².
    pub(super) fn move_a2(self, from_s: f64, length_s: f64) -> f64 {
        let slope_a2_per_s2 = self.slope_a2_per_s3 * (from_s + length_s / 3.0);
        length_s * (self.walk_a2_per_s + length_s * slope_a2_per_s2)
    }

    /// What a time of `length_s` adds.
    pub(super) fn added(self, length_s: f64) -> Added {
        let (s, b, l) = (self.walk_a2_per_s, self.slope_a2_per_s3, length_s);
        Added {
            mean: l * (s / 3.0 + b * l * l / 20.0),
            level_mean: l * (s / 2.0 + b * l * l / 8.0),
            slope_mean: b * l * l / 6.0,
            level: l * (s + b * l * l / 3.0),
            both: b * l * l / 2.0,
            slope: b * l,
        }
    }
}

/// Covariances of what a length of time adds: to the mean over it, to the level and the slope at its end.
#[derive(Debug, Clone, Copy)]
pub(super) struct Added {
    mean: f64,
    level_mean: f64,
    slope_mean: f64,
    level: f64,
    both: f64,
    slope: f64,
}

/// Covariance of the zero and its slope; none where the levels begin, for both are columns of the design.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct State {
    level: f64,
    both: f64,
    slope: f64,
}

impl State {
    /// After `length_s` that nothing was read in.
    pub(super) fn after(self, length_s: f64, added: Added) -> Self {
        Self {
            level: self.level + length_s * (2.0 * self.both + length_s * self.slope) + added.level,
            both: self.both + length_s * self.slope + added.both,
            slope: self.slope + added.slope,
        }
    }

    /// After a level of `length_s` with the independent variance `r`; also `F` and the gains.
    pub(super) fn read(self, length_s: f64, added: Added, r: f64) -> (Self, f64, [f64; 2]) {
        let half_s = 0.5 * length_s;
        let level = self.level + half_s * self.both;
        let slope = self.both + half_s * self.slope;
        let f = level + half_s * slope + added.mean + r;
        let cross = [level + length_s * slope + added.level_mean, slope + added.slope_mean];
        let per_f = if f > 0.0 { f.recip() } else { 0.0 };
        let gain = [cross[0] * per_f, cross[1] * per_f];
        let next = self.after(length_s, added);
        let next = Self {
            level: (next.level - gain[0] * cross[0]).max(0.0),
            both: next.both - gain[0] * cross[1],
            slope: (next.slope - gain[1] * cross[1]).max(0.0),
        };
        (next, f, gain)
    }
}

/// The inverse Cholesky factor of one covariance.
#[derive(Debug, Clone)]
pub(super) struct Whitener {
    gain: Vec<[f64; 2]>,
    root: Vec<f64>,
    /// Times from the level before, and the level's own, seconds.
    gap_s: Vec<f64>,
    length_s: Vec<f64>,
}

impl Whitener {
    /// For noise variances scaled by `noise_scale` and a zero that wanders. O(n).
    pub(super) fn new(rows: &Rows, noise_scale: f64, wander: Wander) -> Self {
        let n = rows.len();
        let (mut gain, mut root) = (Vec::with_capacity(n), Vec::with_capacity(n));
        let gap_s: Vec<f64> = (0..n).map(|k| rows.gap_s(k)).collect();
        let length_s: Vec<f64> = (0..n).map(|k| rows.length_s(k)).collect();
        let mut state = State::default();
        for k in 0..n {
            let before = state.after(gap_s[k], wander.added(gap_s[k]));
            let r = rows.independent_a2(k, noise_scale);
            let (next, f, gains) = before.read(length_s[k], wander.added(length_s[k]), r);
            state = next;
            gain.push(gains);
            root.push(f.sqrt());
        }
        Self { gain, root, gap_s, length_s }
    }

    /// `L⁻¹ y`, in place. O(n).
    pub(super) fn whiten(&self, y: &mut [f64]) {
        let (mut level, mut slope) = (0.0, 0.0);
        for (k, value) in y.iter_mut().enumerate() {
            level += self.gap_s[k] * slope;
            let innovation = *value - (level + 0.5 * self.length_s[k] * slope);
            level += self.length_s[k] * slope + self.gain[k][0] * innovation;
            slope += self.gain[k][1] * innovation;
            *value = innovation / self.root[k];
        }
    }

    /// `L⁻ᵀ w`. O(n).
    pub(super) fn adjoint(&self, w: &[f64]) -> Vec<f64> {
        let mut out = vec![0.0; w.len()];
        let (mut level, mut slope) = (0.0, 0.0);
        for k in (0..w.len()).rev() {
            let a = w[k] / self.root[k] + self.gain[k][0] * level + self.gain[k][1] * slope;
            out[k] = a;
            slope += self.length_s[k] * (level - 0.5 * a);
            level -= a;
            slope += self.gap_s[k] * level;
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

    pub(in crate::loads) const WANDERS: [Wander; 3] = [
        Wander { walk_a2_per_s: 0.07, slope_a2_per_s3: 0.0 },
        Wander { walk_a2_per_s: 0.0, slope_a2_per_s3: 3e-5 },
        Wander { walk_a2_per_s: 0.02, slope_a2_per_s3: 1e-5 },
    ];

    /// Covariance of the zero at two moments: of a Wiener process `s min(t, u)`, of its integral
    /// `b a²(3c − a)/6` with `a` the earlier and `c` the later (Rasmussen & Williams 2006, Gaussian
    /// Processes for Machine Learning, 6.3.1; from memory).
    pub(in crate::loads) fn at_moments(wander: Wander, t: f64, u: f64) -> f64 {
        let (a, c) = (t.min(u), t.max(u));
        wander.walk_a2_per_s * a + wander.slope_a2_per_s3 * a * a * (3.0 * c - a) / 6.0
    }

    /// Covariance of time averages by numerical double integration.
    pub(in crate::loads) fn dense(rows: &Rows, noise_scale: f64, wander: Wander) -> DMatrix<f64> {
        let n = rows.len();
        let points = 400;
        let grid = |k: usize| {
            let (a, b) = (rows.start_s[k], rows.end_s[k]);
            (0..points).map(move |i| a + (b - a) * (f64::from(i) + 0.5) / f64::from(points))
        };
        DMatrix::from_fn(n, n, |i, j| {
            let of_i = |t| grid(j).map(|u| at_moments(wander, t, u)).sum::<f64>();
            let mean = grid(i).map(of_i).sum::<f64>() / f64::from(points * points);
            mean + if i == j { rows.independent_a2(i, noise_scale) } else { 0.0 }
        })
    }

    #[test]
    fn a_wander_moves_as_far_as_it_says() {
        for (wander, other) in
            [(Wander::walk(3.0, 50.0), WANDERS[1]), (Wander::smooth(3.0, 50.0), WANDERS[0])]
        {
            assert_relative_eq!(wander.move_a2(0.0, 50.0), 9.0, max_relative = 1e-12);
            let both = wander.plus(0.25, other);
            let (from_s, length_s) = (20.0, 40.0);
            let moved = at_moments(both, from_s, from_s)
                + at_moments(both, from_s + length_s, from_s + length_s)
                - 2.0 * at_moments(both, from_s, from_s + length_s);
            assert_relative_eq!(both.move_a2(from_s, length_s), moved, max_relative = 1e-9);
        }
    }

    #[test]
    fn the_filter_is_the_dense_cholesky_factor() {
        let rows = rows();
        for wander in WANDERS {
            let v = dense(&rows, 1.5, wander);
            let whitener = Whitener::new(&rows, 1.5, wander);
            let y = DVector::from_vec(vec![1.0, -2.0, 0.5, 3.0]);
            let inverse = v.clone().try_inverse().unwrap();
            let mut white = y.as_slice().to_vec();
            whitener.whiten(&mut white);
            let quadratic: f64 = white.iter().map(|w| w * w).sum();
            let expected = (y.transpose() * &inverse * &y)[0];
            assert_relative_eq!(quadratic, expected, max_relative = 1e-4);
            let solved = whitener.adjoint(&white);
            for (a, b) in solved.iter().zip((&inverse * &y).iter()) {
                assert_relative_eq!(a, b, max_relative = 1e-3);
            }
        }
    }
}
