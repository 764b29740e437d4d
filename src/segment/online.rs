//! A second voice on a weak step: the Bayesian online posterior of the run length.
//!
//! Adams & MacKay 2007 (arXiv 0710.3742), as the `changepoint` crate has it: readings arrive one by
//! one, the level changes at any of them with probability 1/λ, each stretch has a level of its own
//! under a conjugate prior. After the last reading of a window the posterior says where the present
//! stretch began; the share of it that began within a step's credible interval is how sure this
//! model is of that step. It knows nothing of the test that found the step, nor of tails.
//!
//! The window holds at most 32 block means on either side, freed from the slope that is usual in
//! the capture, whitened by the noise's correlation, and on the scale of their own noise. λ stays
//! below 1000, where the crate's recursion loses track.

use changepoint::rv::prelude::{Gaussian, NormalInvChiSquared};
use changepoint::{BocpdLike, BocpdTruncated};

use super::jump::{Ground, POOLS};
use super::place::Place;

/// Blocks on one side at most.
const SIDE: usize = 32;
/// Blocks that the shorter side is cut into, where it has as many readings.
const FINE: usize = 8;
/// Furthest reading on one side.
const REACH: usize = 4096;
/// Readings that a level needs to be told from its neighbour.
const LEAST: usize = 4;
/// Blocks that σ is worth in the prior.
const KNOWN_BY: f64 = 24.0;
/// Blocks between changes: as few as make sense, and the crate's limit.
const RUN: (f64, f64) = (16.0, 900.0);

/// Probability, by the run length's posterior, that a level began within the step's credible
/// interval, between the steps `left` and `right`; `typical` is the capture's mean number of
/// readings between steps. `None` where a side is too short to have a level, or has a gap.
/// O(1): at most 64 blocks.
pub(super) fn probability(
    ground: &Ground<'_>,
    (left, place, right): (usize, Place, usize),
    typical: f64,
) -> Option<f64> {
    let at = place.at;
    let (l, r) = ((at - left).min(REACH), (right - at).min(REACH));
    let gap = ground.breaks.partition_point(|b| *b <= at - l);
    if l.min(r) < LEAST || ground.breaks.get(gap).is_some_and(|b| *b < at + r) {
        return None;
    }
    let pool = l.max(r).div_ceil(SIDE).min((l.min(r) / FINE).max(1));
    let (before, after) = ((l / pool).min(SIDE), (r / pool).min(SIDE));
    let mut values = Vec::new();
    ground.copy(at - before * pool, at + after * pool, &mut values);
    let (old, new) = values.split_at(before * pool);
    let sigma = ground.side_sigma(old).max(ground.side_sigma(new));
    let (rho, variance) = ground.noise.pooled(pool);
    let scale = 1.0 / (sigma * variance.sqrt());
    let origin = values[0];
    let mut blocks: Vec<f64> = values
        .chunks_exact(pool)
        .map(|block| block.iter().map(|v| v - origin).sum::<f64>() / pool as f64 * scale)
        .collect();
    let drift = ground.drift.at(POOLS.iter().rposition(|p| *p <= pool).unwrap_or(0), at);
    flatten(&mut blocks, before, drift * pool as f64 * scale);
    let unit = 1.0 / (1.0 - rho * rho).sqrt();
    let white: Vec<f64> = blocks.windows(2).map(|w| (w[1] - rho * w[0]) * unit).collect();
    let mean = white.iter().sum::<f64>() / white.len() as f64;
    let spread = white.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / white.len() as f64;
    if !spread.is_finite() {
        return None;
    }
    // A level's prior is as wide as the window's readings.
    let prior = NormalInvChiSquared::new(mean, 1.0 / (1.0 + spread), KNOWN_BY, 1.0).ok()?;
    let run = (typical / pool as f64).clamp(RUN.0, RUN.1);
    let mut online = BocpdTruncated::<f64, Gaussian, _>::new(run, prior);
    let mut began: Vec<f64> = Vec::new();
    for value in &white {
        began.clear();
        began.extend_from_slice(online.step(value));
    }
    // Entry k: the present stretch has the last k blocks. One more on either side for their borders.
    let early = (at - place.low).div_ceil(pool) + 1;
    let late = (place.high - at).div_ceil(pool) + 1;
    let longest = (after + early).min(began.len().saturating_sub(1));
    let shortest = after.saturating_sub(late).max(1);
    let share: f64 = began.get(shortest..=longest)?.iter().sum();
    share.is_finite().then(|| share.clamp(0.0, 1.0))
}

/// Takes away the line that fits best beside a level on each side of block `before`, its slope
/// shrunk towards 0 by the `usual` one.
fn flatten(blocks: &mut [f64], before: usize, usual: f64) {
    if usual <= 0.0 {
        return;
    }
    let (mut tt, mut ty) = (0.0, 0.0);
    for side in [0..before, before..blocks.len()] {
        let middle = 0.5 * (side.len() as f64 - 1.0);
        for (k, value) in blocks[side].iter().enumerate() {
            let t = k as f64 - middle;
            tt += t * t;
            ty += t * value;
        }
    }
    let slope = ty / (tt + 1.0 / (usual * usual));
    for (k, value) in blocks.iter_mut().enumerate() {
        *value -= slope * (k as f64 - before as f64);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::TimeAxis;
    use crate::segment::noise::Noise;
    use crate::segment::slopes::Slopes;
    use rand::{Rng, SeedableRng};
    use rand_distr::StandardNormal;

    /// Unit noise on a level that rises by `jump` at 400, asked about a step there.
    fn asked(jump: f64, slope: f64) -> Option<f64> {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        let values: Vec<f64> = (0..800)
            .map(|i| {
                let level = if i < 400 { 0.0 } else { jump } + slope * f64::from(i);
                level + random.sample::<f64, _>(StandardNormal)
            })
            .collect();
        let noise = Noise::learn(&values, None);
        let time = TimeAxis::Uniform { interval_s: 1.0, len: 800 };
        let plain = Ground::plain(&values, &time, &noise);
        let drift = Slopes::everywhere([slope; POOLS.len()]);
        let ground = Ground { drift: &drift, ..plain };
        let place = Place { at: 400, middle: 400, low: 392, high: 408, surge: None };
        probability(&ground, (0, place, 800), 800.0)
    }

    #[test]
    fn a_step_is_confirmed_and_its_absence_too() {
        assert!(asked(2.0, 0.0).unwrap() > 0.5);
        assert!(asked(0.0, 0.0).unwrap() < 0.2);
    }

    #[test]
    fn a_usual_slope_is_no_step() {
        assert!(asked(0.0, 0.02).unwrap() < 0.2);
        assert!(asked(2.0, 0.02).unwrap() > 0.9);
    }
}
