//! How fast the background usually moves: a slope that the capture shows everywhere is no news.

use rayon::prelude::*;

use super::Stable;
use super::choose::Chosen;
use super::jump::{Ground, POOLS};
use super::noise::Noise;

/// Samples that the slopes of one scale are learnt from at most; longer captures are sampled evenly.
const LEARN_FROM: usize = 1 << 19;
/// Shortest piece of a stretch whose slope is used, samples.
const SHORTEST: usize = 12;
/// Pieces that a scale needs.
const ENOUGH: usize = 4;

/// Typical slope of the background, ampere a sample, at the scale of each pool.
///
/// Of the means of neighbouring blocks, a smooth background makes successive differences alike,
/// while noise and single steps do not: the mean product of a difference and the next but one (they
/// share no block) is the square of the slope. The middle 80 % of the products are used.
pub(super) fn of_blocks(stable: &Stable<'_>) -> [f64; POOLS.len()] {
    by_scale(|scale| {
        let copy = |from: usize, into: &mut [f64]| stable.copy(from, into);
        slope_of_blocks(stable.len(), 16 * POOLS[scale], stable.noise, copy)
    })
}

/// `slope` of every scale, all at the same time.
fn by_scale(slope: impl Fn(usize) -> f64 + Sync) -> [f64; POOLS.len()] {
    let mut slopes = [0.0; POOLS.len()];
    slopes.par_iter_mut().enumerate().for_each(|(scale, of)| *of = slope(scale));
    slopes
}

/// The slope that four blocks of `size` samples in a row have in common; `copy` fills in the
/// samples from an index on.
fn slope_of_blocks(n: usize, size: usize, noise: &Noise, copy: impl Fn(usize, &mut [f64])) -> f64 {
    let fours = (n / size).saturating_sub(3);
    if fours < 4 {
        return 0.0;
    }
    let count = fours.min(LEARN_FROM / (4 * size));
    let mut samples = vec![0.0; 4 * size];
    let mut products: Vec<f64> = (0..count)
        .map(|k| {
            let four = (k as u128 * fours as u128 / count as u128) as usize;
            copy(four * size, &mut samples);
            let mut means = [0.0; 4];
            for (mean, block) in means.iter_mut().zip(samples.chunks_exact(size)) {
                *mean = block.iter().sum::<f64>() / size as f64;
            }
            (means[1] - means[0]) * (means[3] - means[2])
        })
        .collect();
    products.sort_unstable_by(f64::total_cmp);
    let cut = products.len() / 10;
    let middle = &products[cut..products.len() - cut];
    let square = middle.iter().sum::<f64>() / middle.len() as f64;
    square.max(0.0).sqrt() / size as f64 * noise.common_sigma()
}

/// Typical slope of the background, ampere a sample, at the scale of each pool, from the stretches
/// between the steps chosen so far.
///
/// Each stretch is cut into pieces about half a window long. A piece's least-squares slope `b` has
/// variance `V = 12 σ² (1+φ)/(1−φ) / m³`; the square of the typical slope is the mean of `b² − V`,
/// weighted by 1/V, without the tenth of the pieces that are steepest for their V (settling).
/// A scale with too few pieces takes the slope of the next smaller one.
pub(super) fn of_stretches(
    ground: &Ground<'_>,
    chosen: &[Chosen],
    stable: &Stable<'_>,
) -> [f64; POOLS.len()] {
    let n = ground.values.len();
    let mut edges: Vec<usize> = chosen.iter().map(|c| c.at).chain([0, n]).collect();
    edges.extend(ground.breaks);
    edges.sort_unstable();
    edges.dedup();
    let phi = ground.noise.phi;
    let longer = (1.0 + phi) / (1.0 - phi);
    let rest = Rest::of(stable, chosen, ground.noise);
    let blocks = by_scale(|scale| {
        slope_of_blocks(n, 16 * POOLS[scale], ground.noise, |from, into| rest.copy(from, into))
    });
    let own: Vec<Option<f64>> =
        POOLS.into_par_iter().map(|pool| slope_of_pieces(ground, &edges, pool, longer)).collect();
    let mut before = 0.0;
    let mut shorter = 0.0f64;
    steepest_last(std::array::from_fn(|scale| {
        before = own[scale].unwrap_or(before);
        // In long pieces a faint step, not found yet, would pass for a slope.
        match scale {
            0 | 1 => before,
            2 => {
                shorter = before.min(blocks[scale]);
                shorter
            }
            _ => before.min(blocks[scale]).max(shorter),
        }
    }))
}

/// The slope of a long window is the mean of those of the short ones in it, so the typical one is
/// no steeper; where noise hides the short ones', the long one's is the least that they can be.
fn steepest_last(mut slopes: [f64; POOLS.len()]) -> [f64; POOLS.len()] {
    for scale in (1..slopes.len()).rev() {
        slopes[scale - 1] = slopes[scale - 1].max(slopes[scale]);
    }
    slopes
}

/// Typical slope of the pieces of all stretches at one scale; `None` for too few pieces.
fn slope_of_pieces(ground: &Ground<'_>, edges: &[usize], pool: usize, longer: f64) -> Option<f64> {
    let most = 64 * pool;
    let least = if pool == 1 { SHORTEST } else { most / 4 };
    let long_enough = || {
        edges
            .windows(2)
            .map(|ends| (ends[0], ends[1] - ends[0]))
            .filter(|(_, whole)| *whole >= least)
    };
    let samples: usize = long_enough().map(|(_, whole)| whole).sum();
    let stride = samples.div_ceil(LEARN_FROM).max(1);
    let mut copy = Vec::new();
    let mut number = 0;
    let mut pieces: Vec<(f64, f64)> = Vec::new();
    for (first, whole) in long_enough() {
        let parts = whole.div_ceil(most);
        let skipped = (stride - number % stride) % stride;
        number += parts;
        for k in (skipped..parts).step_by(stride) {
            let (a, b) = (first + k * whole / parts, first + (k + 1) * whole / parts);
            ground.copy(a, b, &mut copy);
            let m = copy.len() as f64;
            let origin = copy[0];
            let mean = copy.iter().map(|v| v - origin).sum::<f64>() / m;
            let middle = 0.5 * (m - 1.0);
            let moment: f64 =
                copy.iter().enumerate().map(|(i, v)| (i as f64 - middle) * (v - origin)).sum();
            let spread = m * (m * m - 1.0) / 12.0;
            let sigma = ground.noise.sigma_at(origin + mean);
            pieces.push((moment / spread, sigma * sigma * longer / spread));
        }
    }
    if pieces.len() < ENOUGH {
        return None;
    }
    pieces.sort_by(|a, b| (a.0 * a.0 / a.1).total_cmp(&(b.0 * b.0 / b.1)));
    pieces.truncate(pieces.len() - pieces.len() / 10);
    let weight: f64 = pieces.iter().map(|(_, v)| 1.0 / v).sum();
    let square: f64 = pieces.iter().map(|(b, v)| b * b / v - 1.0).sum::<f64>() / weight;
    Some(square.max(0.0).sqrt())
}

/// What the chosen steps leave of the readings.
struct Rest<'a> {
    stable: &'a Stable<'a>,
    /// Where each step is, and what all steps up to it add up to.
    levels: Vec<(usize, f64)>,
}

impl<'a> Rest<'a> {
    fn of(stable: &'a Stable<'a>, chosen: &[Chosen], noise: &Noise) -> Self {
        let mut level = 0.0;
        let levels = chosen.iter().map(|step| {
            level += step.evidence.jump / noise.common_sigma();
            (step.at, level)
        });
        Self { stable, levels: levels.collect() }
    }

    /// Copies the samples from `from` on.
    fn copy(&self, from: usize, into: &mut [f64]) {
        let end = from + into.len();
        self.stable.copy(from, into);
        let mut step = self.levels.partition_point(|(at, _)| *at <= from);
        let mut at = from;
        while at < end {
            let level = step.checked_sub(1).map_or(0.0, |step| self.levels[step].1);
            let next = self.levels.get(step).map_or(end, |(at, _)| (*at).min(end));
            into[at - from..next - from].iter_mut().for_each(|value| *value -= level);
            (at, step) = (next, step + 1);
        }
    }
}
