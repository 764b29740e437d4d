//! Exponential decays as the background of a jump test, several time constants side by side.

use super::equations::Walk;

/// Time constants that are weighed at once.
pub(super) const LANES: usize = 4;

/// Whitened rows of a jump test, and what of their normal equations no decay changes.
pub(super) struct Tails<'a> {
    /// 1/σ of each row.
    scale: &'a [f64],
    /// Constant, jump and readings, whitened.
    white: [&'a [f64]; 3],
    rho: f64,
    /// Rows at which the noise starts anew; empty for none.
    fresh: &'a [bool],
    /// The walk of a background without rest, for which the rows were whitened once more.
    walk: Option<&'a Walk>,
    /// Constant's length, and what it has in common with the jump and with the readings.
    constant: f64,
    jump_along: f64,
    value_along: f64,
    /// Products of jump and readings, the constant taken out of both.
    jump_jump: f64,
    jump_value: f64,
    value_value: f64,
    /// Below this the jump depends on the others.
    least: f64,
}

/// How often the best time constants are looked at more closely.
const NEARER: usize = 7;
/// Shares of a column's square below which it depends on others.
const DEPENDENT: f64 = 1e-10;

#[inline(always)]
fn each(of: impl FnMut(usize) -> f64) -> [f64; LANES] {
    std::array::from_fn(of)
}

impl<'a> Tails<'a> {
    /// `products` are those of the whitened constant, jump and readings: lower half, row by row.
    pub(super) fn new(
        scale: &'a [f64],
        white: [&'a [f64]; 3],
        rho: f64,
        fresh: &'a [bool],
        walk: Option<&'a Walk>,
        products: [f64; 6],
    ) -> Self {
        let [cc, jc, jj, vc, vj, vv] = products;
        let constant = cc.sqrt();
        let (jump_along, value_along) = (jc / constant, vc / constant);
        Self {
            scale,
            white,
            rho,
            fresh,
            walk,
            constant,
            jump_along,
            value_along,
            jump_jump: jj - jump_along * jump_along,
            jump_value: vj - jump_along * value_along,
            value_value: vv - value_along * value_along,
            least: DEPENDENT * jj,
        }
    }

    /// Residual square sums of the readings on the constant alone, without and with the jump.
    pub(super) fn level(&self) -> [f64; 2] {
        let with_jump = self.value_value - self.jump_value * self.jump_value / self.jump_jump;
        // Infinite or none where the jump depends on the constant: then nothing is told by it.
        let known = self.jump_jump > self.least;
        [self.value_value, if known { with_jump.max(0.0) } else { f64::INFINITY }]
    }

    /// Residual square sums of the readings on constant and decay, without and with the jump;
    /// infinite where they depend on one another. `decays` tells the decays of one row after the
    /// other. O(n).
    pub(super) fn misfits(
        &self,
        mut decays: impl FnMut(usize) -> [f64; LANES],
    ) -> [[f64; 2]; LANES] {
        let unit = 1.0 / (1.0 - self.rho * self.rho).sqrt();
        let [constant, jump, value] = self.white;
        let zero = [0.0; LANES];
        let (mut dc, mut dd, mut dj, mut dv) = (zero, zero, zero, zero);
        let (mut before, mut level) = (zero, zero);
        for k in 0..self.scale.len() {
            let now = decays(k).map(|decay| decay * self.scale[k]);
            let white = match k == 0 || self.fresh.get(k).copied().unwrap_or(false) {
                true => now,
                false => each(|lane| (now[lane] - self.rho * before[lane]) * unit),
            };
            before = now;
            let white = match self.walk {
                Some(walk) => walk.innovation(k, &mut level, white),
                None => white,
            };
            for lane in 0..LANES {
                dc[lane] += white[lane] * constant[k];
                dd[lane] += white[lane] * white[lane];
                dj[lane] += white[lane] * jump[k];
                dv[lane] += white[lane] * value[k];
            }
        }
        // The Cholesky factor row by row: constant, decay, jump, readings.
        std::array::from_fn(|lane| {
            let along = dc[lane] / self.constant;
            let own = dd[lane] - along * along;
            if own <= DEPENDENT * dd[lane] {
                return [f64::INFINITY; 2];
            }
            let with_jump = dj[lane] - along * self.jump_along;
            let with_value = dv[lane] - along * self.value_along;
            let bare = self.value_value - with_value * with_value / own;
            let jump_left = self.jump_jump - with_jump * with_jump / own;
            if jump_left <= self.least {
                return [bare.max(0.0), f64::INFINITY];
            }
            let value_left = self.jump_value - with_jump * with_value / own;
            [bare.max(0.0), (bare - value_left * value_left / jump_left).max(0.0)]
        })
    }
}

/// Least misfits over time constants, given as shares of the window: first the `shares`, a multiple
/// of [`LANES`], then, where `worth` says so of what these found, round the best one of either
/// hypothesis, ever nearer.
pub(super) fn least(
    shares: &[f64],
    worth: impl FnOnce([f64; 2]) -> bool,
    mut misfits: impl FnMut([f64; LANES]) -> [[f64; 2]; LANES],
) -> [f64; 2] {
    let mut best = [(shares[0], f64::INFINITY); 2];
    let take = |best: &mut (f64, f64), share: f64, found: f64| {
        if found < best.1 {
            *best = (share, found);
        }
    };
    for four in shares.as_chunks::<LANES>().0 {
        for (share, found) in four.iter().zip(misfits(*four)) {
            take(&mut best[0], *share, found[0]);
            take(&mut best[1], *share, found[1]);
        }
    }
    let nearer = if worth(best.map(|best| best.1)) { NEARER } else { 0 };
    let mut stride = 2f64.sqrt();
    for _ in 0..nearer {
        let [bare, jump] = best.map(|best| best.0);
        let tried = [bare * stride, bare / stride, jump * stride, jump / stride];
        let found = misfits(tried);
        for lane in 0..LANES {
            take(&mut best[lane / 2], tried[lane], found[lane][lane / 2]);
        }
        stride = stride.sqrt();
    }
    best.map(|best| best.1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;
    use nalgebra::{DMatrix, DVector};

    /// Rows of noise that is quieter after the jump at row 9, and starts anew at row 14.
    struct Case {
        scale: Vec<f64>,
        fresh: Vec<bool>,
        value: Vec<f64>,
        rho: f64,
    }

    impl Case {
        fn new() -> Self {
            let noise = |k: usize| ((k as f64 * 0.754_877_666).fract() - 0.5) * 2.0;
            Self {
                scale: (0..20).map(|k| if k < 9 { 1.0 } else { 2.5 }).collect(),
                fresh: (0..20).map(|k| k == 14).collect(),
                value: (0..20).map(|k| 3.0 * (-0.3 * k as f64).exp() + noise(k)).collect(),
                rho: 0.4,
            }
        }

        fn jump(k: usize) -> f64 {
            if k < 9 { 0.0 } else { 1.0 }
        }

        fn white(&self, column: impl Fn(usize) -> f64) -> Vec<f64> {
            let raw = |k: usize| column(k) * self.scale[k];
            let innovation =
                |k: usize| (raw(k) - self.rho * raw(k - 1)) / (1.0 - self.rho * self.rho).sqrt();
            (0..20).map(|k| if k == 0 || self.fresh[k] { raw(k) } else { innovation(k) }).collect()
        }
    }

    /// Residual square sum by the singular value decomposition.
    fn misfit(columns: &[&[f64]], value: &[f64]) -> f64 {
        let x = DMatrix::from_fn(value.len(), columns.len(), |k, j| columns[j][k]);
        let y = DVector::from_column_slice(value);
        let beta = x.clone().svd(true, true).solve(&y, 1e-12).unwrap();
        (y - x * beta).norm_squared()
    }

    #[test]
    fn misfits_are_those_of_least_squares() {
        check(None);
        check(Some(Walk::of(&Case::new().white(|_| 1.0), 0.3)));
    }

    fn check(walk: Option<Walk>) {
        let case = Case::new();
        let white = |column: &dyn Fn(usize) -> f64| {
            let mut white = case.white(column);
            walk.iter().for_each(|walk| walk.whiten(&mut white));
            white
        };
        let columns = [white(&|_| 1.0), white(&Case::jump), white(&|k| case.value[k])];
        let [constant, jump, value] = [0, 1, 2].map(|at: usize| columns[at].as_slice());
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        let products = [
            dot(constant, constant),
            dot(jump, constant),
            dot(jump, jump),
            dot(value, constant),
            dot(value, jump),
            dot(value, value),
        ];
        let three = [constant, jump, value];
        let tails = Tails::new(&case.scale, three, case.rho, &case.fresh, walk.as_ref(), products);
        let level = tails.level();
        assert_relative_eq!(level[0], misfit(&[constant], value), max_relative = 1e-9);
        assert_relative_eq!(level[1], misfit(&[constant, jump], value), max_relative = 1e-9);
        let rates = [-0.05, -0.3, -1.0, -4.0];
        let found = tails.misfits(|k| rates.map(|rate| (rate * k as f64).exp()));
        for (rate, found) in rates.into_iter().zip(found) {
            let decay = white(&|k| (rate * k as f64).exp());
            assert_relative_eq!(found[0], misfit(&[constant, &decay], value), max_relative = 1e-9);
            let all = misfit(&[constant, &decay, jump], value);
            assert_relative_eq!(found[1], all, max_relative = 1e-9);
        }
    }

    #[test]
    fn a_decay_that_is_a_constant_fits_nothing() {
        let case = Case::new();
        let columns = [case.white(|_| 1.0), case.white(Case::jump), case.white(|k| case.value[k])];
        let white = [0, 1, 2].map(|at: usize| columns[at].as_slice());
        let dot = |a: usize, b: usize| white[a].iter().zip(white[b]).map(|(a, b)| a * b).sum();
        let products = [dot(0, 0), dot(1, 0), dot(1, 1), dot(2, 0), dot(2, 1), dot(2, 2)];
        let tails = Tails::new(&case.scale, white, case.rho, &case.fresh, None, products);
        assert_eq!(tails.misfits(|_| [1.0; LANES]), [[f64::INFINITY; 2]; LANES]);
    }

    #[test]
    fn the_least_misfit_lies_between_the_shares_that_are_tried_first() {
        let misfit = |share: f64, best: f64| (share / best).ln().powi(2) + 1.0;
        let shares = [0.1, 0.2, 0.4, 0.8];
        let both = |four: [f64; LANES]| four.map(|s| [misfit(s, 0.27), misfit(s, 0.6)]);
        let found = least(&shares, |_| true, both);
        assert_relative_eq!(found[0], 1.0, max_relative = 1e-3);
        assert_relative_eq!(found[1], 1.0, max_relative = 1e-3);
        let coarse = least(&shares, |_| false, both);
        assert_eq!(coarse, [misfit(0.2, 0.27), misfit(0.8, 0.6)]);
    }
}
