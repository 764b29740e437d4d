//! Weak steps held against a background that moves smoothly.
//!
//! A zero that drifts along a curve looks, in any window of a few thousand readings, much like a step on
//! a flatter curve, and each such step takes the drift away from which it could be told. So weak
//! steps are weighed all together: the means of blocks of readings, with the steps and without them,
//! under a background whose slope is a random walk (an integrated random walk: Durbin & Koopman
//! 2012, Time Series Analysis by State Space Methods, 2nd ed., Oxford, section 3.2; as smoothing
//! spline Wahba 1978, JRSS B 40, 364-372). How rough it is, is chosen anew by likelihood on either side,
//! and every step must be worth its price.

use std::collections::BTreeSet;

use rayon::prelude::*;

use super::choose::Chosen;
use super::jump::Ground;
use crate::numeric::plain_sum;

/// Readings in a block.
const BLOCK: usize = 64;
/// Readings on either side of a weak step that are looked at.
const BESIDE: usize = 8192;
/// The same in steps, as far as that is not too near.
const STEPS: usize = 6;
const LEAST: usize = 2048;
/// Readings on the longer side of a step up to which no window is long enough to be bent.
const LONG: usize = 512;
/// Evidence, in units of what is needed, from which on a step is not weak.
const STRONG: f64 = 2.9;
/// What a step must be worth beyond twice the logarithm of the places and of the rarity asked for. It
/// has passed the test of its own window before; so much also makes up for the prior of its height, its
/// own size.
const PRICE: f64 = -7.2;
/// Variance that the slope gains in one block, over that of a block's noise: the roughest, and by
/// how much each is less rough than the one before.
const ROUGHEST: f64 = 0.01;
const FINER: f64 = 0.1;
const GRADES: usize = 7;
/// Variance of the slope at first, in units of a block's noise over its length, squared.
const STEEP: f64 = 100.0;
/// Rounds of changing one's mind, at most.
const ROUNDS: usize = 8;
/// Blocks between weak steps on which the mind is changed in one round.
const APART: usize = 40;
/// Readings of a section of a whole capture, and how many there are at most.
const SECTION: usize = 1 << 16;
const SECTIONS: usize = 16;
/// Blocks in a row that say the same whether or not a step came before, after which all do.
const ALIKE: usize = 4;

/// The mean of some readings in a row.
#[derive(Debug, Clone, Copy)]
struct Block {
    /// The middle, readings.
    at: f64,
    mean: f64,
    /// Variance that noise leaves it.
    variance: f64,
    /// What happens before it.
    before: Before,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Before {
    Nothing,
    /// The first of a section.
    Start,
    /// A step that nobody doubts: how high, squared.
    Jump(f64),
    /// A stretch without readings.
    Gap,
    /// The weak step of this number.
    Weak(usize),
}

/// Which of the chosen steps stand beside a smooth background: `enough` is the evidence that each has
/// at least, `false_steps` how many false ones a capture may have. O(readings near weak steps).
pub(super) fn stand(
    ground: &Ground<'_>,
    chosen: &[Chosen],
    enough: f64,
    false_steps: f64,
) -> Vec<bool> {
    let strong = STRONG * enough;
    let n = ground.values.len();
    let is_weak = |i: &usize| {
        let step = &chosen[*i];
        let left = i.checked_sub(1).map_or(0, |before| chosen[before].at);
        let right = chosen.get(i + 1).map_or(n, |next| next.at);
        !step.evidence.near
            && step.evidence.deviance < strong
            && (step.at - left).max(right - step.at) > LONG
            && ground.breaks.binary_search(&step.at).is_err()
    };
    let weak: Vec<usize> = (0..chosen.len()).filter(is_weak).collect();
    let mut stands = vec![true; chosen.len()];
    if weak.is_empty() {
        return stands;
    }
    let squares: Vec<f64> = weak.iter().map(|i| chosen[*i].evidence.jump.powi(2)).collect();
    let near = Near::of(blocks(ground, chosen, &weak), squares, false_steps);
    let found = [true, false].map(|all| near.settle(vec![all; weak.len()]));
    let [from_all, from_none] = found;
    let kept = if from_none.0 > from_all.0 { from_none.1 } else { from_all.1 };
    for (i, kept) in weak.into_iter().zip(kept) {
        stands[i] = kept;
    }
    stands
}

/// Whether a walk that gains `walk` ampere² a sample explains what lies between the steps better than
/// a smooth background without one. O(n), of at most 2²⁰ readings.
pub(super) fn walks(ground: &Ground<'_>, chosen: &[Chosen], walk: f64) -> bool {
    let n = ground.values.len();
    let count = n.div_ceil(SECTION).min(SECTIONS);
    let from = |k: usize| (k as u128 * n as u128 / count as u128) as usize;
    let sections: Vec<(usize, usize)> =
        (0..count).map(|k| (from(k), from(k + 1).min(from(k) + SECTION))).collect();
    let still = Near::of(cut(ground, edges(chosen), &sections), Vec::new(), 1.0);
    let without = still.best(&[]).0;
    Near { walk, ..still }.best(&[]).0 > without
}

/// Where all steps are.
fn edges(chosen: &[Chosen]) -> Vec<(usize, Before)> {
    chosen.iter().map(|step| (step.at, Before::Jump(step.evidence.jump.powi(2)))).collect()
}

/// Blocks of the readings near weak steps, cut at all steps and gaps.
fn blocks(ground: &Ground<'_>, chosen: &[Chosen], weak: &[usize]) -> Vec<Block> {
    let n = ground.values.len();
    let mut edges = edges(chosen);
    for (number, i) in weak.iter().enumerate() {
        edges[*i].1 = Before::Weak(number);
    }
    let mut sections: Vec<(usize, usize)> = Vec::new();
    for i in weak {
        // Beyond a few steps that nobody doubts little is left of what the background was there.
        let before = i.checked_sub(STEPS).map_or(0, |before| chosen[before].at);
        let after = chosen.get(i + STEPS).map_or(n, |after| after.at);
        let at = chosen[*i].at;
        let (near, far) = (at.saturating_sub(BESIDE), (at + BESIDE).min(n));
        let (from, to) =
            (near.max(before.min(at.saturating_sub(LEAST))), far.min(after.max(at + LEAST)));
        match sections.last_mut() {
            Some(last) if from <= last.1 => last.1 = last.1.max(to),
            _ => sections.push((from, to)),
        }
    }
    cut(ground, edges, &sections)
}

/// Blocks of some sections, cut at edges and gaps.
fn cut(
    ground: &Ground<'_>,
    mut edges: Vec<(usize, Before)>,
    sections: &[(usize, usize)],
) -> Vec<Block> {
    edges.extend(ground.breaks.iter().map(|at| (*at, Before::Gap)));
    edges.sort_by_key(|edge| edge.0);
    edges.dedup_by_key(|edge| edge.0);
    let mut sizes = vec![None; BLOCK + 1];
    let mut copy = Vec::new();
    let mut blocks = Vec::new();
    for &(from, to) in sections {
        let inner =
            edges.partition_point(|edge| edge.0 <= from)..edges.partition_point(|edge| edge.0 < to);
        let mut cuts = vec![(from, Before::Start)];
        cuts.extend_from_slice(&edges[inner]);
        for (k, (start, before)) in cuts.iter().enumerate() {
            let end = cuts.get(k + 1).map_or(to, |next| next.0);
            let parts = (end - start).div_ceil(BLOCK);
            for part in 0..parts {
                let (a, b) = (
                    start + part * (end - start) / parts,
                    start + (part + 1) * (end - start) / parts,
                );
                ground.copy(a, b, &mut copy);
                let origin = copy[0];
                copy.iter_mut().for_each(|value| *value -= origin);
                let mean = origin + plain_sum(&copy) / copy.len() as f64;
                let unit = *sizes[b - a].get_or_insert_with(|| ground.noise.pooled(b - a).1);
                let sigma = ground.noise.sigma_at(mean);
                blocks.push(Block {
                    at: 0.5 * (a + b) as f64,
                    mean,
                    variance: sigma * sigma * unit,
                    before: if part == 0 { *before } else { Before::Nothing },
                });
            }
        }
    }
    blocks
}

/// Blocks near weak steps.
struct Near {
    blocks: Vec<Block>,
    /// The block before which each weak step is, and the square of its jump.
    weak: Vec<(usize, f64)>,
    /// What a weak step must be worth.
    price: f64,
    /// Smallest variance of a block, and that of a level of which nothing is known.
    unit: f64,
    wide: f64,
    /// Variance that the level gains with every reading beside what its slope does.
    walk: f64,
}

impl Near {
    fn of(blocks: Vec<Block>, squares: Vec<f64>, false_steps: f64) -> Self {
        let unit = blocks.iter().map(|b| b.variance).fold(f64::INFINITY, f64::min);
        let means = || blocks.iter().map(|b| b.mean);
        let (low, high) =
            (means().fold(f64::INFINITY, f64::min), means().fold(f64::NEG_INFINITY, f64::max));
        let mut weak = vec![(0, 0.0); squares.len()];
        for (at, block) in blocks.iter().enumerate() {
            if let Before::Weak(number) = block.before {
                weak[number] = (at, squares[number]);
            }
        }
        let price = PRICE + 2.0 * (blocks.len() as f64 / false_steps).ln();
        Self { weak, price, unit, wide: (high - low).powi(2) + unit, walk: 0.0, blocks }
    }

    /// The best choice of weak steps that can be reached from one, and what it is worth.
    fn settle(&self, mut kept: Vec<bool>) -> (f64, Vec<bool>) {
        let (mut now, mut rough) = self.best(&kept);
        for _ in 0..ROUNDS {
            let mut next = kept.clone();
            for _ in 0..ROUNDS {
                let gains = self.gains(&next, rough);
                let mut order: Vec<usize> = (0..gains.len()).filter(|i| gains[*i] > 0.0).collect();
                order.sort_by(|a, b| gains[*b].total_cmp(&gains[*a]).then(a.cmp(b)));
                let mut taken = BTreeSet::new();
                for i in order {
                    let at = self.weak[i].0;
                    if taken.range(at.saturating_sub(APART)..at + APART).next().is_none() {
                        taken.insert(at);
                        next[i] = !next[i];
                    }
                }
                if taken.is_empty() {
                    break;
                }
            }
            let (worth, grade) = self.best(&next);
            if next == kept || worth <= now {
                break;
            }
            (now, rough, kept) = (worth, grade, next);
        }
        (now, kept)
    }

    /// What the choice is worth whatever the roughness, each being as likely, and the likeliest one.
    fn best(&self, kept: &[bool]) -> (f64, f64) {
        let number = kept.iter().filter(|kept| **kept).count() as f64;
        let grades = (0..=GRADES).into_par_iter().map(|k| {
            let rough = if k == GRADES { 0.0 } else { ROUGHEST * FINER.powi(k as i32) };
            let mut level = Level::default();
            let whole: f64 = self
                .blocks
                .iter()
                .map(|block| level.take(block, self, self.jump(block, kept), rough))
                .sum();
            (whole - self.price * number, rough)
        });
        let found: Vec<(f64, f64)> = grades.collect();
        let (most, rough) = found
            .iter()
            .fold((f64::NEG_INFINITY, 0.0), |best, one| if one.0 > best.0 { *one } else { best });
        // The mean likelihood, not the largest: a choice that stands beside many backgrounds is likelier
        // than one that needs a certain roughness.
        let shares: f64 = found.iter().map(|(whole, _)| (0.5 * (whole - most)).exp()).sum();
        (most + 2.0 * (shares / found.len() as f64).ln(), rough)
    }

    /// Variance of a jump before a block.
    fn jump(&self, block: &Block, kept: &[bool]) -> f64 {
        match block.before {
            Before::Jump(square) => square,
            Before::Gap => self.wide,
            Before::Weak(number) if kept[number] => self.weak[number].1,
            _ => 0.0,
        }
    }

    /// What it is worth to change the mind on each weak step alone.
    fn gains(&self, kept: &[bool], rough: f64) -> Vec<f64> {
        let mut level = Level::default();
        let mut sums = Vec::with_capacity(self.blocks.len());
        let mut states = vec![Level::default(); self.weak.len()];
        for block in &self.blocks {
            if let Before::Weak(number) = block.before {
                states[number] = level;
            }
            sums.push(level.take(block, self, self.jump(block, kept), rough));
        }
        (0..self.weak.len())
            .into_par_iter()
            .map(|i| {
                let (at, square) = self.weak[i];
                let mut level = states[i];
                let (mut gain, mut alike) = (if kept[i] { self.price } else { -self.price }, 0);
                for (k, block) in self.blocks.iter().enumerate().skip(at) {
                    if k > at && block.before == Before::Start {
                        break;
                    }
                    let jump = match k == at {
                        true if kept[i] => 0.0,
                        true => square,
                        false => self.jump(block, kept),
                    };
                    let change = level.take(block, self, jump, rough) - sums[k];
                    gain += change;
                    alike = if change.abs() < 1e-6 { alike + 1 } else { 0 };
                    if alike == ALIKE {
                        break;
                    }
                }
                gain
            })
            .collect()
    }
}

/// Level and slope of the background as the blocks so far tell them, with their covariance.
#[derive(Debug, Clone, Copy, Default)]
struct Level {
    at: f64,
    level: f64,
    slope: f64,
    ll: f64,
    ls: f64,
    ss: f64,
}

impl Level {
    /// The Kalman filter's step over one block. Twice the logarithm of the likelihood that it adds.
    fn take(&mut self, block: &Block, near: &Near, jump: f64, rough: f64) -> f64 {
        if block.before == Before::Start {
            let steep = STEEP * near.unit / (BLOCK * BLOCK) as f64;
            *self = Self {
                at: block.at,
                level: block.mean,
                slope: 0.0,
                ll: near.wide,
                ls: 0.0,
                ss: steep,
            };
        }
        let q = rough * near.unit / (BLOCK as f64).powi(3);
        let dt = block.at - self.at;
        self.at = block.at;
        self.level += self.slope * dt;
        self.ll +=
            dt * (2.0 * self.ls + dt * self.ss) + q * dt * dt * dt / 3.0 + near.walk * dt + jump;
        self.ls += dt * self.ss + 0.5 * q * dt * dt;
        self.ss += q * dt;
        let f = self.ll + block.variance;
        let new = block.mean - self.level;
        let (level, slope) = (self.ll / f, self.ls / f);
        self.level += level * new;
        self.slope += slope * new;
        (self.ll, self.ls, self.ss) =
            (self.ll - level * self.ll, self.ls - level * self.ls, self.ss - slope * self.ls);
        -(new * new / f + f.ln())
    }
}

#[cfg(test)]
mod tests {
    use super::super::noise::Noise;
    use super::super::{Wishes, jump::Evidence, segment};
    use super::*;
    use crate::capture::{Samples, TimeAxis};
    use rand::{Rng, SeedableRng};
    use rand_distr::StandardNormal;

    /// Steps found in readings at 1 Hz with 2 mA of noise, rounded to 1 mA, over a background, mA.
    fn steps(seed: u64, len: usize, background: impl Fn(f64) -> f64) -> Vec<usize> {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        let reading = |i: usize| {
            let noise = 2.0 * random.sample::<f64, _>(StandardNormal);
            1e-3 * (background(i as f64) + noise).round()
        };
        let current_a = (0..len).map(reading).collect();
        let samples = Samples { time: TimeAxis::Uniform { interval_s: 1.0, len }, current_a };
        let found = segment(&samples, &[], Some(1e-3), &Wishes::default()).unwrap();
        found.steps.iter().map(|step| step.index).collect()
    }

    /// A clamp that warms up, and one whose zero swings in a couple of hours, by less in a minute than
    /// the noise of one reading: neither is a step.
    #[test]
    fn a_curved_drift_is_no_staircase() {
        let warming = |t: f64| 12.0 * (-t / 2400.0).exp();
        let swinging = |t: f64| 4.0 * (t / 900.0).sin() + 3.0 * (t / 2100.0).cos();
        let mut found = [0, 0];
        for seed in 0..15 {
            found[0] += steps(seed, 20_000, warming).len();
            found[1] += steps(100 + seed, 20_000, swinging).len();
        }
        assert!(found.iter().all(|found| *found <= 1), "{found:?}");
    }

    /// Noise with a few faint steps is not taken for a walk, however chance bends it: what a walk a
    /// hundredth as rough as the noise does to the level of a stretch is not there. A true one is.
    #[test]
    fn only_a_walk_walks() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(21);
        for (sigma, part) in [(1e-6, 0.0), (2e-3, 0.0), (1e-6, 0.02), (2e-3, 0.03)] {
            for _ in 0..20 {
                let (mut zero, step) = (0.0, 0.7 * sigma);
                let values: Vec<f64> = (0..7200)
                    .map(|i| {
                        let [noise, more]: [f64; 2] =
                            std::array::from_fn(|_| random.sample(StandardNormal));
                        zero += part * sigma * more;
                        zero + sigma * noise + if i / 600 % 2 == 1 { step } else { 0.0 }
                    })
                    .collect();
                let noise = Noise::learn(&values, None);
                let time = TimeAxis::Uniform { interval_s: 1.0, len: values.len() };
                let ground = Ground::plain(&values, &time, &noise);
                let chosen: Vec<Chosen> = (1..12)
                    .map(|k| {
                        let jump = if k % 2 == 1 { step } else { -step };
                        let evidence = Evidence {
                            deviance: 50.0,
                            jump,
                            jump_sd: 0.1 * step,
                            near: false,
                            moves: 0.0,
                        };
                        Chosen { at: 600 * k, evidence }
                    })
                    .collect();
                let walk = (if part > 0.0 { part } else { 0.02 } * sigma).powi(2);
                assert_eq!(walks(&ground, &chosen, walk), part > 0.0);
            }
        }
    }

    /// Blocks at rest: a background that only one roughness fits is worth the mean over all of them, so
    /// `2 ln 8` less than that one; one that all fit is worth as much as each.
    #[test]
    fn the_mean_likelihood_counts() {
        let block = |k: usize, mean: f64, before: Before| Block {
            at: BLOCK as f64 * k as f64,
            mean,
            variance: 1.0,
            before,
        };
        let first = |k: usize| if k == 0 { Before::Start } else { Before::Nothing };
        let worth = |blocks: Vec<Block>| {
            let near = Near::of(blocks, Vec::new(), 1.0);
            let (worth, rough) = near.best(&[]);
            let mut level = Level::default();
            let alone: f64 = near.blocks.iter().map(|b| level.take(b, &near, 0.0, rough)).sum();
            alone - worth
        };
        let short = vec![block(0, 0.0, first(0)), block(1, 0.0, first(1))];
        assert!(worth(short) < 0.01);
        let swings = |k: usize| 60.0 * (k as f64 / 8.0).sin();
        let rough = (0..200).map(|k| block(k, swings(k), first(k))).collect();
        assert!((worth(rough) - 2.0 * 8f64.ln()).abs() < 0.01);
    }

    /// Steps of half a reading's noise, held ten minutes, stay steps, on a zero at rest and on one
    /// that warms up.
    #[test]
    fn faint_steps_stand_on_a_drift() {
        let load = |t: f64| if (t / 600.0) as usize % 2 == 1 { 1.0 } else { 0.0 };
        for drift in [0.0, 5.0] {
            let mut right = 0;
            for seed in 0..10 {
                let background = |t: f64| 1.6 * load(t) + drift * (-t / 3000.0).exp();
                let found = steps(200 + seed, 6000, background);
                let near = |truth: usize| found.iter().any(|at| at.abs_diff(truth) < 60);
                right += (1..10).filter(|k| near(600 * k)).count();
                assert!(found.len() <= 11, "{found:?}");
            }
            assert!(right >= 81, "{drift}: {right} of 90");
        }
    }
}
