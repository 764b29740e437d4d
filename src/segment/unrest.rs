//! A background that moves without rest, as a meter's zero with 1/f noise or in moving air does: its
//! level at the next moment is that of now and something new.
//!
//! Model: beside the noise, readings carry a random walk, whose variance grows by `q` a sample. Means
//! of `k` readings then have a covariance of `v I + q k min(i, j)` about a constant, v being the
//! variance that noise leaves them. A jump beside such a walk is only told by the readings next to it,
//! about `√(v/(q k))` means on either side: the generalised least squares of a jump test see to that
//! once the rows are whitened by the innovations of the walk's Kalman filter (Durbin & Koopman 2012,
//! Time Series Analysis by State Space Methods, 2nd ed., Oxford, section 2.2: the local level model).
//!
//! How large q is, the stretches between the steps tell: a piece is cut into eight blocks, and what a
//! parabola leaves of their means has five degrees of freedom, an expected square sum of `5 v` from
//! noise, and of `1.524 q b` from a walk, b being the readings in a block. A zero that moves smoothly
//! leaves next to nothing. The median over all pieces tells q, so that a step not found yet or a
//! settling load in some of them does not; as far as it exceeds what chance makes of noise.

use super::drift::pieces;
use super::jump::{Ground, POOLS, SIDE};
use crate::numeric::sum_above;

/// Blocks of a piece.
const BLOCKS: usize = 8;
/// What a parabola leaves of their number.
const FREE: f64 = 5.0;
/// The same of the covariance of a random walk's block means, in units of `q b`: the trace of
/// `R C`, R leaving the residuals of a parabola and `C[i][j] = min(i, j) + 1/2`, `i + 1/3` for i = j.
const OF_WALK: f64 = 1.523_809_523_8;
/// Median of χ² with five degrees of freedom over its mean.
const MEDIAN: f64 = 0.870_3;
/// Standard error of that median from one piece, as a share of it: `1/(2 f √n)` with the density
/// f = 0.1370 there.
const ONE_PIECE: f64 = 0.838;
/// Standard errors by which the median must exceed that of noise before unrest is believed, and one
/// more before all of it is: in long windows unrest that is none would hide faint steps.
const SURE: f64 = 3.0;
/// The same for the shortest windows: there are most of them, and faint steps are not found there.
const SURE_SHORT: f64 = 0.0;
/// Share by which it must exceed it at least: less changes no test.
const LEAST: f64 = 0.05;
/// Pieces that tell of long windows: in few pieces, steps not found yet pass for a walk.
const ENOUGH: usize = 16;
/// The same of the shortest windows.
const ENOUGH_SHORT: usize = 8;
/// Fewest readings of a block.
const SHORTEST: usize = 3;
/// Readings at either end of a piece that may have been taken during a change.
const ACROSS: usize = 2;

/// Variance that the background gains with every sample, ampere², at the scale of each pool, from what the
/// pieces at each scale tell ([`of_pieces`]); 0 where it has no unrest beyond what noise makes.
///
/// Among a few dozen pieces, chance bends the median of one capture in some hundreds, and such a walk would
/// hide every faint step: `likelier` says whether whole stretches, whose level it would have moved, speak
/// for a walk, too.
///
/// A scale with too few pieces takes what the next smaller one has. A walk is the same at every scale,
/// but in short pieces noise hides it: a scale has no less than the next larger one, as far as its own
/// pieces leave room for.
pub(super) fn of_stretches(
    own: &[Option<Unrest>],
    likelier: impl Fn(f64) -> bool,
) -> [f64; POOLS.len()] {
    let mut before = Unrest::default();
    let own: [Unrest; POOLS.len()] = std::array::from_fn(|scale| {
        before = own[scale].unwrap_or(before);
        before
    });
    let mut unrest = own.map(|own| own.found);
    let most = unrest.iter().copied().fold(0.0, f64::max);
    if most > 0.0 && !likelier(most) {
        unrest = [0.0; POOLS.len()];
    }
    unrest[0] = own[0].likely;
    for scale in (1..unrest.len()).rev() {
        unrest[scale - 1] = unrest[scale - 1].max(unrest[scale].min(own[scale - 1].most));
    }
    unrest
}

/// What the stretches between `edges` tell, cut into pieces as long as the windows of a pool; `None` for too few of
/// them. O(n).
pub(super) fn of_pieces(ground: &Ground<'_>, edges: &[usize], pool: usize) -> Option<Unrest> {
    let most = 2 * SIDE * pool;
    let least = if pool == 1 { BLOCKS * SHORTEST + 2 * ACROSS } else { most / 4 };
    // Where most stretches are shorter, the long ones are those with edges not found yet.
    let lengths = edges.windows(2).map(|ends| ends[1] - ends[0]);
    if 2 * lengths.filter(|length| *length >= least).sum::<usize>() < ground.values.len() {
        return None;
    }
    let phi = ground.noise.phi;
    let longer = (1.0 + phi) / (1.0 - phi);
    let mut copy = Vec::new();
    let bends = pieces(edges, least, most).filter_map(|(a, b)| {
        let readings = ground.readings(a, b, &mut copy);
        let origin = readings[0];
        let mean = origin + sum_above(readings, origin) / readings.len() as f64;
        let sigma = ground.noise.sigma_at(mean);
        Bends::of(readings, origin, sigma * sigma * longer)
    });
    let mut bends: Vec<Bends> = bends.collect();
    let enough = if pool == 1 { ENOUGH_SHORT } else { ENOUGH };
    (bends.len() >= enough).then(|| Unrest::of(&mut bends))
}

/// What a parabola leaves of one piece.
#[derive(Debug, Clone, Copy)]
struct Bends {
    /// Square sum in units of what noise is expected to leave.
    noise: f64,
    /// What a walk of q = 1 A²/sample would leave, in the same units.
    walk: f64,
}

impl Bends {
    /// Of the readings of a piece above `origin`, `variance` being their long-run variance, ampere². `None`
    /// where they are too few. O(n).
    fn of(readings: &[f64], origin: f64, variance: f64) -> Option<Self> {
        let inner = readings.get(ACROSS..readings.len().checked_sub(ACROSS)?)?;
        let size = inner.len() / BLOCKS;
        if size < SHORTEST {
            return None;
        }
        let mut means = [0.0; BLOCKS];
        for (mean, block) in means.iter_mut().zip(inner.chunks_exact(size)) {
            *mean = sum_above(block, origin) / size as f64;
        }
        let along = |of: [f64; BLOCKS], norm: f64| {
            let sum: f64 = of.iter().zip(&means).map(|(p, y)| p * y).sum();
            sum * sum / norm
        };
        // Orthogonal polynomials over eight equidistant points.
        let explained = along([1.0; BLOCKS], 8.0)
            + along([-7.0, -5.0, -3.0, -1.0, 1.0, 3.0, 5.0, 7.0], 168.0)
            + along([7.0, 1.0, -3.0, -5.0, -5.0, -3.0, 1.0, 7.0], 168.0);
        let squares: f64 = means.iter().map(|y| y * y).sum();
        let expected = FREE * variance / size as f64;
        let walk = OF_WALK * size as f64 / expected;
        Some(Self { noise: (squares - explained).max(0.0) / expected, walk })
    }
}

/// Median square sum in units of what noise and a walk would leave.
fn median(bends: &mut [Bends], q: f64) -> f64 {
    let left = |b: &Bends| b.noise / (1.0 + q * b.walk);
    let middle = bends.len() / 2;
    left(bends.select_nth_unstable_by(middle, |a, b| left(a).total_cmp(&left(b))).1)
}

/// Variance that a walk gains with every sample, ampere².
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Unrest {
    /// As far as it exceeds nothing.
    likely: f64,
    /// 0 where noise alone may have made all bends.
    found: f64,
    /// The most that the bends leave room for.
    most: f64,
}

impl Unrest {
    /// Of some pieces. O(n).
    fn of(bends: &mut [Bends]) -> Self {
        let error = ONE_PIECE / (bends.len() as f64).sqrt();
        let now = median(bends, 0.0);
        let surplus = now / MEDIAN - 1.0;
        let errors = if surplus > LEAST { surplus / error } else { 0.0 };
        let all = explaining(bends, now, MEDIAN);
        let believed = |from: f64| (errors - from).clamp(0.0, 1.0) * all;
        let most = explaining(bends, now, MEDIAN / (1.0 + SURE * error));
        Self { likely: believed(SURE_SHORT), found: believed(SURE), most }
    }
}

/// The walk beside which the median is `left`, `now` being that beside none; 0 for less than none.
fn explaining(bends: &mut [Bends], now: f64, left: f64) -> f64 {
    let surplus = now / left - 1.0;
    if surplus <= 0.0 {
        return 0.0;
    }
    // Pieces differ in length: all as the longest, or as the shortest, bound it.
    let walks = bends.iter().map(|b| b.walk);
    let (least, largest) = walks.fold((f64::INFINITY, 0.0f64), |(l, m), w| (l.min(w), m.max(w)));
    let (mut low, mut high) = (surplus / largest, surplus / least);
    while high / low > 1.01 {
        let q = (low * high).sqrt();
        if median(bends, q) > left { low = q } else { high = q }
    }
    (low * high).sqrt()
}

#[cfg(test)]
mod tests {
    use super::super::noise::Noise;
    use super::*;
    use crate::capture::TimeAxis;
    use nalgebra::{DMatrix, SMatrix};
    use rand::{Rng, SeedableRng};
    use rand_distr::StandardNormal;

    /// The trace of what a parabola leaves of a walk's block means, by brute force.
    #[test]
    fn the_walks_share_is_the_trace_of_its_residual_covariance() {
        let x = SMatrix::<f64, 8, 3>::from_fn(|i, j| (i as f64 - 3.5).powi(j as i32));
        let hat = x * (x.transpose() * x).try_inverse().unwrap() * x.transpose();
        let residual = SMatrix::<f64, 8, 8>::identity() - hat;
        let c = SMatrix::<f64, 8, 8>::from_fn(|i, j| {
            i.min(j) as f64 + if i == j { 1.0 / 3.0 } else { 0.5 }
        });
        assert!(((residual * c).trace() - OF_WALK).abs() < 1e-9);
        // The same from single readings: means of 200 of a walk's readings.
        let of = |first: usize, second: usize| (first.min(second) + 1) as f64;
        let block = DMatrix::from_fn(8, 8, |i, j| {
            let each = |k: usize| 200 * k..200 * (k + 1);
            each(i).flat_map(|a| each(j).map(move |b| of(a, b))).sum::<f64>() / 200f64.powi(3)
        });
        let residual = DMatrix::from_fn(8, 8, |i, j| residual[(i, j)]);
        assert!(((residual * block).trace() / OF_WALK - 1.0).abs() < 0.01);
    }

    fn unrest_of(values: &[f64]) -> [f64; POOLS.len()] {
        let noise = Noise::learn(values, None);
        let time = TimeAxis::Uniform { interval_s: 1.0, len: values.len() };
        let ground = Ground::plain(values, &time, &noise);
        let own = POOLS.map(|pool| of_pieces(&ground, &[0, values.len()], pool));
        of_stretches(&own, |_| true)
    }

    /// A walk of known variance is told within a third at every scale; noise alone, a slow cycle and a
    /// few steps that nobody found have next to none.
    #[test]
    fn a_walk_is_told_from_noise_and_from_what_is_smooth() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        for sigma in [1e-6, 2e-3] {
            let mut level = 0.0;
            let (mut walking, mut resting) = (Vec::new(), Vec::new());
            for i in 0..40_000 {
                let noise: f64 = random.sample(StandardNormal);
                let more: f64 = random.sample(StandardNormal);
                level += 0.2 * sigma * more;
                let cycle = 5.0 * sigma * (f64::from(i) / 6000.0).sin();
                let step = if (12_000..25_000).contains(&i) { 0.7 * sigma } else { 0.0 };
                walking.push(level + sigma * noise);
                resting.push(cycle + step + sigma * noise);
            }
            let q = 0.04 * sigma * sigma;
            let found = unrest_of(&walking).map(|found| found / q);
            assert!(found.iter().all(|share| (0.66..1.5).contains(share)), "{found:?}");
            let found = unrest_of(&resting).map(|found| found / q);
            assert!(found[0] < 0.1 && found[1..] == [0.0; 3], "{found:?}");
        }
    }
}
