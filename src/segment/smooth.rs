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
/// Readings of a capture that is short: its few stretches do not tell how its background moves, so all its
/// steps are doubted. It is cut into so many blocks.
const SHORT: usize = 4096;
const BLOCKS: usize = 1000;
/// Blocks on either side of a weak step that are looked at.
const BESIDE: usize = 128;
/// The same in steps, as far as that is not too near.
const STEPS: usize = 6;
const LEAST: usize = 32;
/// Blocks on the longer side of a step up to which no window is long enough to be bent.
const LONG: usize = 8;
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
const GRADES: i32 = 7;
/// The same in a short capture.
const ROUGHEST_OF_SHORT: f64 = 10.0;
const GRADES_OF_SHORT: i32 = 10;
/// Squared innovation, over its variance, beyond which the background of a short capture breaks: what a
/// load leaves as it starts must not make the whole of it rough.
const BREAKS: f64 = 30.0;
/// Edges before and after a step of a short capture between which it may stand by itself.
const NEARBY: usize = 2;
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
    let n = ground.values.len();
    let short = n < SHORT;
    let manner = if short { Manner::of_short(ground) } else { Manner::of_long() };
    let strong = if short { f64::INFINITY } else { STRONG * enough };
    let is_weak = |i: &usize| {
        let step = &chosen[*i];
        let left = i.checked_sub(1).map_or(0, |before| chosen[before].at);
        let right = chosen.get(i + 1).map_or(n, |next| next.at);
        !step.evidence.near
            && step.evidence.deviance < strong
            && (step.at - left).max(right - step.at) > LONG * manner.block
            && ground.breaks.binary_search(&step.at).is_err()
    };
    let weak: Vec<usize> = (0..chosen.len()).filter(is_weak).collect();
    let mut stands = vec![true; chosen.len()];
    if weak.is_empty() {
        return stands;
    }
    let squares: Vec<f64> = weak.iter().map(|i| chosen[*i].evidence.jump.powi(2)).collect();
    let blocks = blocks(ground, chosen, &weak, manner.block);
    let near = Near::of(blocks, squares, false_steps, manner);
    let found = [true, false].map(|all| near.settle(vec![all; weak.len()]));
    let [from_all, from_none] = found;
    let mut kept = if from_none.0 > from_all.0 { from_none.1 } else { from_all.1 };
    if short {
        // One roughness for all may be that of another part.
        let nearby = |i: usize| kept[i] || near.stands_nearby(i, &kept);
        kept = (0..kept.len()).map(nearby).collect();
    }
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
    let manner = Manner::of_long();
    let blocks = cut(ground, edges(chosen), &sections, manner.block);
    let still = Near::of(blocks, Vec::new(), 1.0, manner);
    let without = still.best(&[]).0;
    Near { walk, ..still }.best(&[]).0 > without
}

/// Where all steps are.
fn edges(chosen: &[Chosen]) -> Vec<(usize, Before)> {
    chosen.iter().map(|step| (step.at, Before::Jump(step.evidence.jump.powi(2)))).collect()
}

/// Blocks of the readings near weak steps, cut at all steps and gaps.
fn blocks(ground: &Ground<'_>, chosen: &[Chosen], weak: &[usize], size: usize) -> Vec<Block> {
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
        let (beside, least) = (BESIDE * size, LEAST * size);
        let (near, far) = (at.saturating_sub(beside), (at + beside).min(n));
        let (from, to) =
            (near.max(before.min(at.saturating_sub(least))), far.min(after.max(at + least)));
        match sections.last_mut() {
            Some(last) if from <= last.1 => last.1 = last.1.max(to),
            _ => sections.push((from, to)),
        }
    }
    cut(ground, edges, &sections, size)
}

/// Blocks of `size` readings of some sections, cut at edges and gaps.
fn cut(
    ground: &Ground<'_>,
    mut edges: Vec<(usize, Before)>,
    sections: &[(usize, usize)],
    size: usize,
) -> Vec<Block> {
    edges.extend(ground.breaks.iter().map(|at| (*at, Before::Gap)));
    edges.sort_by_key(|edge| edge.0);
    edges.dedup_by_key(|edge| edge.0);
    let mut sizes = vec![None; size + 1];
    let mut copy = Vec::new();
    let mut blocks = Vec::new();
    for &(from, to) in sections {
        let inner =
            edges.partition_point(|edge| edge.0 <= from)..edges.partition_point(|edge| edge.0 < to);
        let mut cuts = vec![(from, Before::Start)];
        cuts.extend_from_slice(&edges[inner]);
        for (k, (start, before)) in cuts.iter().enumerate() {
            let end = cuts.get(k + 1).map_or(to, |next| next.0);
            let parts = (end - start).div_ceil(size);
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

/// In what the background is looked at, and how it may move.
struct Manner {
    /// Readings in a block at most.
    block: usize,
    /// Correlation of the noise of neighbouring blocks.
    lasts: f64,
    /// Squared innovation, over its variance, beyond which the background breaks.
    breaks: f64,
    /// How much less a step must be worth.
    gain: f64,
    /// Variance that the slope may gain in one block, over that of a block's noise.
    grades: Vec<f64>,
}

impl Manner {
    /// For a capture with many stretches, of whose steps only the weakest are doubted.
    fn of_long() -> Self {
        let grades = grades(ROUGHEST, GRADES);
        Self { block: BLOCK, lasts: 0.0, breaks: f64::INFINITY, gain: 0.0, grades }
    }

    fn of_short(ground: &Ground<'_>) -> Self {
        let block = ground.values.len().div_ceil(BLOCKS);
        let (lasts, _) = ground.noise.pooled(block);
        let grades = grades(ROUGHEST_OF_SHORT, GRADES_OF_SHORT);
        // The more readings a step divides, the fewer such places there are among the blocks.
        let gain = 2.0 * (ground.values.len() as f64 / BLOCK as f64).max(1.0).ln();
        Self { block, lasts: lasts.max(0.0), breaks: BREAKS, gain, grades }
    }

    fn length(&self) -> f64 {
        self.block as f64
    }
}

/// So many roughnesses, and none.
fn grades(roughest: f64, count: i32) -> Vec<f64> {
    (0..count).map(|k| roughest * FINER.powi(k)).chain([0.0]).collect()
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
    manner: Manner,
}

impl Near {
    fn of(blocks: Vec<Block>, squares: Vec<f64>, false_steps: f64, manner: Manner) -> Self {
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
        let price = PRICE - manner.gain + 2.0 * (blocks.len() as f64 / false_steps).ln();
        Self { weak, price, unit, wide: (high - low).powi(2) + unit, walk: 0.0, manner, blocks }
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
        let grades = self.manner.grades.par_iter().map(|rough| {
            let mut level = Level::default();
            let whole: f64 = self
                .blocks
                .iter()
                .map(|block| level.take(block, self, self.jump(block, kept), *rough))
                .sum();
            (whole - self.price * number, *rough)
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

    /// Whether a step stands on the background that is likeliest between the second edges before and
    /// after it. O(blocks between).
    fn stands_nearby(&self, step: usize, kept: &[bool]) -> bool {
        let (at, square) = self.weak[step];
        let is_edge = |k: &usize| self.blocks[*k].before != Before::Nothing;
        let from = (0..at).rev().filter(is_edge).nth(NEARBY - 1).unwrap_or(0);
        let after = (at + 1..self.blocks.len()).filter(is_edge).nth(NEARBY - 1);
        let to = after.unwrap_or(self.blocks.len());
        let start = Block { before: Before::Start, ..self.blocks[from] };
        let likeliest = |here: f64| {
            let worth = |rough: &f64| -> f64 {
                let mut level = Level::default();
                let blocks = std::iter::once(&start).chain(&self.blocks[from + 1..to]);
                blocks
                    .zip(from..)
                    .map(|(block, k)| {
                        let jump = if k == at { here } else { self.jump(block, kept) };
                        level.take(block, self, jump, *rough)
                    })
                    .sum()
            };
            self.manner.grades.iter().map(worth).fold(f64::NEG_INFINITY, f64::max)
        };
        likeliest(square) - self.price > likeliest(0.0)
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

/// Level and slope of the background as the blocks so far tell them, and what the noise that goes on from
/// one block to the next left in the last one, with their covariance.
#[derive(Debug, Clone, Copy, Default)]
struct Level {
    at: f64,
    level: f64,
    slope: f64,
    noise: f64,
    ll: f64,
    ls: f64,
    ss: f64,
    ln: f64,
    sn: f64,
    nn: f64,
    /// Variance of the last block.
    variance: f64,
}

impl Level {
    /// At a block of whose level and slope nothing is known.
    fn anew(block: &Block, near: &Near, ll: f64) -> Self {
        let ss = STEEP * near.unit / near.manner.length().powi(2);
        let (at, level, variance) = (block.at, block.mean, block.variance);
        Self { at, level, ll, ss, nn: variance, variance, ..Self::default() }
    }

    /// The Kalman filter's step over one block. Twice the logarithm of the likelihood that it adds.
    fn take(&mut self, block: &Block, near: &Near, jump: f64, rough: f64) -> f64 {
        let size = near.manner.length();
        if block.before == Before::Start {
            *self = Self::anew(block, near, near.wide);
        }
        let q = rough * near.unit / size.powi(3);
        let dt = block.at - self.at;
        let lasts = if dt > 0.0 { near.manner.lasts.powf(dt / size) } else { 0.0 };
        let grows = lasts * (block.variance / self.variance).sqrt();
        self.at = block.at;
        self.variance = block.variance;
        self.level += self.slope * dt;
        self.ll +=
            dt * (2.0 * self.ls + dt * self.ss) + q * dt * dt * dt / 3.0 + near.walk * dt + jump;
        self.ls += dt * self.ss + 0.5 * q * dt * dt;
        self.noise *= grows;
        self.ln = grows * (self.ln + dt * self.sn);
        self.sn *= grows;
        self.ss += q * dt;
        self.nn = grows * grows * self.nn + (1.0 - lasts * lasts) * block.variance;
        let (to_level, to_slope, to_noise) =
            (self.ll + self.ln, self.ls + self.sn, self.ln + self.nn);
        let f = to_level + to_noise;
        let new = block.mean - self.level - self.noise;
        // Where a step may be, only a step breaks it.
        let may_break = !matches!(block.before, Before::Weak(_));
        if may_break && new * new / f > near.manner.breaks {
            *self = Self::anew(block, near, block.variance);
            return -(near.manner.breaks + f.ln());
        }
        self.level += to_level / f * new;
        self.slope += to_slope / f * new;
        self.noise += to_noise / f * new;
        self.ll -= to_level / f * to_level;
        self.ls -= to_level / f * to_slope;
        self.ss -= to_slope / f * to_slope;
        self.ln -= to_level / f * to_noise;
        self.sn -= to_slope / f * to_noise;
        self.nn -= to_noise / f * to_noise;
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

    /// Steps found in readings at 1 Hz of a background with noise of `sigma`, rounded to whole numbers or
    /// not, all times `unit_a`.
    fn found_in(
        seed: u64,
        len: usize,
        (unit_a, sigma, rounds): (f64, f64, bool),
        background: impl Fn(f64) -> f64,
    ) -> Vec<usize> {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        let reading = |i: usize| {
            let value = background(i as f64) + sigma * random.sample::<f64, _>(StandardNormal);
            unit_a * if rounds { value.round() } else { value }
        };
        let current_a = (0..len).map(reading).collect();
        let samples = Samples { time: TimeAxis::Uniform { interval_s: 1.0, len }, current_a };
        let resolution_a = rounds.then_some(unit_a);
        let found = segment(&samples, &[], resolution_a, &Wishes::default()).unwrap();
        found.steps.iter().map(|step| step.index).collect()
    }

    /// With 2 mA of noise, rounded to 1 mA, over a background in mA.
    fn steps(seed: u64, len: usize, background: impl Fn(f64) -> f64) -> Vec<usize> {
        found_in(seed, len, (1e-3, 2.0, true), background)
    }

    /// With unit noise.
    fn found(seed: u64, len: usize, background: impl Fn(f64) -> f64) -> Vec<usize> {
        found_in(seed, len, (1.0, 1.0, false), background)
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

    /// A few dozen to a thousand readings hold too few stretches to tell how their background moves.
    #[test]
    fn neither_a_trend_nor_a_slow_cycle_of_a_short_capture_is_a_step() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(8);
        let mut wrong = [0; 5];
        for (len, seed) in
            [60, 150, 400, 1200].into_iter().flat_map(|n| (0..30).map(move |s| (n, s)))
        {
            let high = 10f64.powf(random.random_range(0.0..1.7));
            let (cycles, phase) = (random.random_range(0.5..3.0), random.random_range(0.0..6.3));
            let share = |t: f64| t / len as f64;
            let turns = |t: f64| (std::f64::consts::TAU * cycles * share(t) + phase).sin();
            let rises = |t: f64| ((3.0 * share(t)).exp() - 1.0) / 3f64.exp();
            let shapes: [&dyn Fn(f64) -> f64; 5] = [
                &|t| high * share(t),
                &turns,
                &|t| high * turns(t),
                &|t| high * (2.0 * share(t) - 1.0).powi(2),
                &|t| high * rises(t),
            ];
            for (wrong, shape) in wrong.iter_mut().zip(shapes) {
                *wrong += usize::from(!found(seed, len, shape).is_empty());
            }
        }
        assert!(wrong.iter().all(|wrong| *wrong <= 4), "{wrong:?} of 120 each");
    }

    /// What a load leaves as it starts, many times as high as the smallest steps and over in some ten
    /// readings, makes no background that explains these.
    #[test]
    fn weak_steps_of_a_short_capture_stand_beside_a_start_up() {
        let mut missed = 0;
        for seed in 0..40 {
            let load = |t: f64| if (t / 60.0) as usize % 2 == 1 { 4.0 } else { 0.0 };
            let start =
                |t: f64| if t < 30.0 { 0.0 } else { 60.0 + 70.0 * (-(t - 30.0) / 8.0).exp() };
            let zero = |t: f64| 4.0 * (t / 250.0 + seed as f64).sin();
            let steps = found(100 + seed, 1200, |t| load(t) + start(t) + zero(t));
            let near = |truth: &usize| steps.iter().any(|at| at.abs_diff(*truth) <= 3);
            missed += (2..20).map(|k| 60 * k).filter(|truth| !near(truth)).count();
        }
        assert!(missed <= 7, "{missed} of 720");
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
            let near = Near::of(blocks, Vec::new(), 1.0, Manner::of_long());
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
