//! How fast the background usually moves: a slope that the capture shows everywhere is no news; and
//! how much the means of neighbouring readings scatter.

use rayon::prelude::*;

use super::candidates::Stable;
use super::choose::Chosen;
use super::jump::{Ground, POOLS};
use super::noise::{Noise, second_difference};
use super::slopes::{self, Slopes};
use super::smooth;
use super::squares::KEPT;
use super::unrest;
use crate::numeric::plain_sum;

/// Samples that the slopes of one scale are learnt from at most; longer captures are sampled evenly.
const LEARN_FROM: usize = 1 << 18;
/// Readings up to which all of them are looked at, at every scale.
const ALL_OF: usize = LEARN_FROM / 4;
/// Standard errors by which the square of a slope must exceed nothing before any step is known.
const SURE: f64 = 2.0;
/// Runs of blocks that tell their scatter.
const RUNS: usize = 40;
/// Variance of the trimmed mean square of overlapping runs, over that of as many Gaussian squares.
const SPREAD: f64 = 2.5;

/// Means of four blocks of readings in a row, on the scale of unit noise, at the scale of each pool.
///
/// Of the means of neighbouring blocks, a smooth background makes successive differences alike,
/// while noise and single steps do not: the mean product of a difference and the next but one (they
/// share no block) is the square of the slope. The middle 80 % of the products are used.
///
/// Their second differences, which no steady slope touches, have the variance that φ gives them, or
/// more where the noise is not AR(1) or coarse rounding hides it.
#[derive(Debug)]
pub(super) struct Blocks {
    scales: [Vec<Four>; POOLS.len()],
}

/// The first reading of four blocks, and their means.
type Four = (usize, [f64; 4]);

/// Readings in a block.
fn size_of(scale: usize) -> usize {
    16 * POOLS[scale]
}

impl Blocks {
    /// Of at most 2¹⁸ readings a scale. O(n).
    pub(super) fn of(stable: &Stable<'_>) -> Self {
        let mut scales: [Vec<Four>; POOLS.len()] = Default::default();
        if stable.len() <= ALL_OF {
            // Each block is as many of the scale before as all scales are apart.
            let mut means = means(stable, size_of(0));
            for (scale, of) in scales.iter_mut().enumerate() {
                if scale > 0 {
                    let joined = means.chunks_exact(POOLS[scale] / POOLS[scale - 1]);
                    means = joined.map(|part| plain_sum(part) / part.len() as f64).collect();
                }
                *of = all_fours(&means, size_of(scale));
            }
        } else {
            let each = scales.par_iter_mut().enumerate();
            each.for_each(|(scale, of)| *of = fours(stable, size_of(scale)));
        }
        Self { scales }
    }

    /// Typical slope of the background, ampere a sample, at the scale of each pool, as far as its
    /// square exceeds [`SURE`] standard errors: what noise alone makes would hide faint steps.
    pub(super) fn slopes(&self, noise: &Noise) -> Slopes {
        Slopes::everywhere(steepest_last(std::array::from_fn(|scale| {
            let square = self.slope(scale, noise, |_| 0.0);
            square.map_or(0.0, |square| (square.value - SURE * square.error).max(0.0).sqrt())
        })))
    }

    /// How many times as large as the noise model says the standard deviation of the means of the
    /// readings of each pool is; 1 where it is less than chance makes of that.
    pub(super) fn excess(&self, noise: &Noise) -> [f64; POOLS.len()] {
        POOLS.map(|pool| {
            let scale = (0..POOLS.len()).find(|scale| size_of(*scale) == pool);
            let Some(runs) = scale.map(|scale| &self.scales[scale]).filter(|r| r.len() >= RUNS)
            else {
                return 1.0;
            };
            let second = |(_, m): &Four| (m[2] - 2.0 * m[1] + m[0]).powi(2);
            let mut squares: Vec<f64> = runs.iter().map(second).collect();
            squares.sort_unstable_by(f64::total_cmp);
            let kept = (KEPT.0 * squares.len() as f64) as usize;
            let found = squares[..kept].iter().sum::<f64>() / kept as f64 / KEPT.1;
            let (rho, variance) = noise.pooled(pool);
            let doubt = (2.0 * SPREAD / runs.len() as f64).sqrt();
            (found / (second_difference(rho) * variance) - doubt).max(1.0).sqrt()
        })
    }

    /// Square of the slope at one scale, the mean of `level` over each block, told by its first
    /// reading, taken away. `None` for too few blocks.
    fn slope(
        &self,
        scale: usize,
        noise: &Noise,
        mut level: impl FnMut(usize) -> f64,
    ) -> Option<Square> {
        let size = size_of(scale);
        let product = |(first, means): &Four| {
            let mut mean = |at: usize| means[at] - level(first + at * size);
            (mean(1) - mean(0)) * (mean(3) - mean(2))
        };
        let mut products: Vec<f64> = self.scales[scale].iter().map(product).collect();
        if products.is_empty() {
            return None;
        }
        products.sort_unstable_by(f64::total_cmp);
        let cut = products.len() / 10;
        let middle = &products[cut..products.len() - cut];
        let count = middle.len() as f64;
        let mean = middle.iter().sum::<f64>() / count;
        let spread = middle.iter().map(|product| product * product).sum::<f64>() / count;
        let unit = (noise.common_sigma() / size as f64).powi(2);
        Some(Square { value: mean * unit, error: (spread / count).sqrt() * unit })
    }
}

/// Square of a slope, and its standard error.
#[derive(Debug, Clone, Copy)]
struct Square {
    value: f64,
    error: f64,
}

/// Means of all whole blocks of `size` readings.
fn means(stable: &Stable<'_>, size: usize) -> Vec<f64> {
    let mut samples = vec![0.0; size];
    let mut mean_of = |block: usize| {
        stable.copy(block * size, &mut samples);
        plain_sum(&samples) / size as f64
    };
    (0..stable.len() / size).map(&mut mean_of).collect()
}

/// As [`fours`], of all blocks.
fn all_fours(means: &[f64], size: usize) -> Vec<Four> {
    let fours = means.array_windows().enumerate().map(|(block, four)| (block * size, *four));
    if means.len() < 3 + 4 { Vec::new() } else { fours.collect() }
}

/// Fours of blocks of `size` readings, taken evenly; none where there are fewer than four.
fn fours(stable: &Stable<'_>, size: usize) -> Vec<Four> {
    let fours = (stable.len() / size).saturating_sub(3);
    if fours < 4 {
        return Vec::new();
    }
    let count = fours.min(LEARN_FROM / (4 * size));
    let mut samples = vec![0.0; size];
    let mut mean_of = |block: usize| {
        stable.copy(block * size, &mut samples);
        plain_sum(&samples) / size as f64
    };
    // Neighbouring fours have three blocks in common.
    let (mut next, mut means) = (0, [0.0; 4]);
    (0..count)
        .map(|k| {
            let four = (k as u128 * fours as u128 / count as u128) as usize;
            for block in next.max(four)..four + 4 {
                means[block % 4] = mean_of(block);
            }
            next = four + 4;
            (four * size, std::array::from_fn(|at| means[(four + at) % 4]))
        })
        .collect()
}

/// What the pieces of the stretches between some edges tell.
pub(super) struct Pieces {
    edges: Vec<usize>,
    /// How many stray readings were known.
    spikes: usize,
    slopes: Vec<Vec<slopes::Piece>>,
    brief: f64,
    unrest: Vec<Option<unrest::Unrest>>,
}

impl Pieces {
    fn of(ground: &Ground<'_>, edges: Vec<usize>) -> Self {
        let ((slopes, brief), unrest) = rayon::join(
            || {
                let of_pool = |pool| slopes::of_pieces(ground, &edges, pool);
                rayon::join(
                    || POOLS.into_par_iter().map(of_pool).collect(),
                    || slopes::of_brief_pieces(ground, &edges),
                )
            },
            || POOLS.into_par_iter().map(|pool| unrest::of_pieces(ground, &edges, pool)).collect(),
        );
        Self { spikes: ground.spikes.len(), slopes, brief, unrest, edges }
    }

    /// Whether they would be the same again; stray readings only ever become more.
    fn is_of(&self, edges: &[usize], ground: &Ground<'_>) -> bool {
        self.edges == edges && self.spikes == ground.spikes.len()
    }
}

/// Typical slope of the background (see [`slopes`](super::slopes)) and its unrest (see
/// [`unrest`](super::unrest)) at the scale of each pool, from the stretches between the steps chosen so
/// far. A scale with too few pieces takes the slope and the unrest of the next smaller one. `known` keeps what the
/// pieces told for the next time.
pub(super) fn of_stretches(
    ground: &Ground<'_>,
    chosen: &[Chosen],
    blocks: &Blocks,
    known: &mut Option<Pieces>,
) -> (Slopes, [f64; POOLS.len()]) {
    let n = ground.values.len();
    let mut edges: Vec<usize> = chosen.iter().map(|c| c.at).chain([0, n]).collect();
    edges.extend(ground.breaks);
    edges.sort_unstable();
    edges.dedup();
    let levels = Levels::of(chosen, ground.noise);
    let blocks: Vec<Option<Square>> = (0..POOLS.len())
        .into_par_iter()
        .map(|scale| {
            let mut near = 0;
            let level = |first| levels.mean(first, size_of(scale), &mut near);
            blocks.slope(scale, ground.noise, level)
        })
        .collect();
    let same = known.take().filter(|known| known.is_of(&edges, ground));
    let Pieces { slopes: pieces, brief, unrest, .. } =
        known.insert(same.unwrap_or_else(|| Pieces::of(ground, edges)));
    let (mut before, mut shorter) = (0.0f64, 0.0f64);
    let squares: [f64; POOLS.len()] = std::array::from_fn(|scale| {
        before = slopes::typical(&pieces[scale]).unwrap_or(before);
        before = if scale == 0 { before.max(*brief) } else { before };
        // In long pieces a faint step, not found yet, would pass for a slope; blocks know better,
        // as far as noise lets them.
        let most = blocks[scale].map_or(f64::INFINITY, |square| square.value + square.error);
        match scale {
            0 | 1 => before,
            2 => {
                shorter = before.min(most);
                shorter
            }
            _ => before.min(most).max(shorter),
        }
    });
    let likelier = |walk: f64| smooth::walks(ground, chosen, walk);
    let unrest = unrest::of_stretches(unrest, likelier);
    let of_all = steepest_last(squares.map(|square| square.max(0.0).sqrt()));
    (Slopes::with_parts(of_all, pieces), unrest)
}

/// The slope of a long window is the mean of those of the short ones in it, so the typical one is
/// no steeper; where noise hides the short ones', the long one's is the least that they can be.
fn steepest_last(mut slopes: [f64; POOLS.len()]) -> [f64; POOLS.len()] {
    for scale in (1..slopes.len()).rev() {
        slopes[scale - 1] = slopes[scale - 1].max(slopes[scale]);
    }
    slopes
}

/// Stretches of at least `least` samples between `edges`, cut into pieces of at most `most`; of many,
/// every so manieth, so that they have some 2¹⁸ samples.
pub(super) fn pieces(
    edges: &[usize],
    least: usize,
    most: usize,
) -> impl Iterator<Item = (usize, usize)> {
    let long_enough = move || {
        edges
            .windows(2)
            .map(|ends| (ends[0], ends[1] - ends[0]))
            .filter(move |(_, whole)| *whole >= least)
    };
    let samples: usize = long_enough().map(|(_, whole)| whole).sum();
    let stride = samples.div_ceil(LEARN_FROM).max(1);
    let mut number = 0;
    long_enough().flat_map(move |(first, whole)| {
        let parts = whole.div_ceil(most);
        let skipped = (stride - number % stride) % stride;
        number += parts;
        (skipped..parts)
            .step_by(stride)
            .map(move |k| (first + k * whole / parts, first + (k + 1) * whole / parts))
    })
}

/// What the chosen steps add up to, on the scale of unit noise.
struct Levels {
    /// Where each step is, and what all steps up to it add up to.
    steps: Vec<(usize, f64)>,
}

impl Levels {
    fn of(chosen: &[Chosen], noise: &Noise) -> Self {
        let mut level = 0.0;
        let steps = chosen.iter().map(|step| {
            level += step.evidence.jump / noise.common_sigma();
            (step.at, level)
        });
        Self { steps: steps.collect() }
    }

    /// Mean over `size` samples from `first` on. `near`, from where the first step beyond `first` is looked for,
    /// becomes its number. O(1) and the steps between and among them.
    fn mean(&self, first: usize, size: usize, near: &mut usize) -> f64 {
        let end = first + size;
        let beyond = |step: usize| self.steps.get(step).is_none_or(|(at, _)| *at > first);
        while !beyond(*near) {
            *near += 1;
        }
        while near.checked_sub(1).is_some_and(beyond) {
            *near -= 1;
        }
        let mut step = *near;
        let (mut at, mut sum) = (first, 0.0);
        loop {
            let level = step.checked_sub(1).map_or(0.0, |step| self.steps[step].1);
            let next = self.steps.get(step).map_or(end, |(at, _)| (*at).min(end));
            if at == first && next == end {
                return level;
            }
            sum += level * (next - at) as f64;
            if next == end {
                return sum / size as f64;
            }
            (at, step) = (next, step + 1);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_mean_of_levels_is_that_of_every_reading() {
        let steps = vec![(3, 2.0), (7, -1.0), (8, 4.0), (20, 0.5)];
        let levels = Levels { steps: steps.clone() };
        let at = |sample: usize| {
            steps.iter().rev().find(|(at, _)| *at <= sample).map_or(0.0, |(_, level)| *level)
        };
        let mut near = 0;
        for first in (0..25).chain((0..25).rev()) {
            for size in 1..20 {
                let direct = (first..first + size).map(at).sum::<f64>() / size as f64;
                assert!(
                    (levels.mean(first, size, &mut near) - direct).abs() < 1e-12,
                    "{first} {size}"
                );
            }
        }
    }
}
