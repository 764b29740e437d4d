//! Changes that take several readings: a meter that averages shows each as a straight ramp between two levels.
//!
//! No background of a test bends like one, and each of its readings looks like a step of its own. So, before
//! anything is weighed, such readings are moved to the nearer of the two levels, each with what it lies off
//! the ramp, and the step that is found there is told to lie anywhere in it.

use std::ops::RangeInclusive;

use super::Segmentation;
use super::lag::roughness;
use super::noise::Noise;
use crate::capture::TimeAxis;

/// Readings that differ from the one before, in an edge.
const TAKES: RangeInclusive<usize> = 3..=8;
/// Readings on either side that tell a level, at most and at least.
const BESIDE: usize = 10;
const FEWEST: usize = 5;
/// σ that the levels are apart at least.
const HIGH: f64 = 12.0;
/// Fall in squared misfit, in σ², from a sharp step to a ramp.
const EVIDENT: f64 = 25.0;
/// Variance about the levels, in σ², and its root as a share of the jump, up to which they are flat; the same
/// about the ramp, as its first reading and its last one need not be all of it.
const NOISE: f64 = 2.0;
const FLAT: f64 = 0.05;
const STRAIGHT: f64 = 0.08;
/// Share of the change about a place in its first reading, from which on it is no ramp.
const SHARP: f64 = 0.7;
/// How much longer than an edge the stretches between are: a cycle's crest is as long as its flank.
const APART: usize = 3;
/// Edges that need not be as far apart: so many, most of which a cubic misses by so much more, squared.
const ENOUGH: usize = 6;
const CORNERS: f64 = 1.5;
/// Readings for which the levels hold beside one that is not like most.
const HOLDS: usize = 24;
/// Share of a jump by which the level between two edges may move.
const SAME: f64 = 0.25;
/// σ that a reading may lie off the ramp.
const OFF: f64 = 2.0;

/// A ramp: the readings `start..end` differ from the one before, and those before the last one lie between
/// the levels `from` and `to`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Edge {
    pub(super) start: usize,
    pub(super) end: usize,
    from: f64,
    to: f64,
}

/// Edges at candidates, in order, where they are alike. O(candidates).
pub(super) fn find(
    values: &[f64],
    candidates: &[usize],
    breaks: &[usize],
    noise: &Noise,
) -> Vec<Edge> {
    let edges = at_all(values, candidates, breaks, BESIDE, noise);
    let far = alike(edges.clone(), values, false);
    if !far.is_empty() {
        return far;
    }
    let close = alike(at_all(values, candidates, breaks, FEWEST, noise), values, true);
    if close.is_empty() { alone(edges, values, breaks, noise) } else { close }
}

/// Edges at candidates, in order, with so many readings beside them.
fn at_all(
    values: &[f64],
    candidates: &[usize],
    breaks: &[usize],
    beside: usize,
    noise: &Noise,
) -> Vec<Edge> {
    let n = values.len();
    let mut edges: Vec<Edge> = Vec::new();
    for at in candidates.iter().copied() {
        let broken = breaks.partition_point(|b| *b <= at);
        let left = broken.checked_sub(1).map_or(0, |before| breaks[before]);
        let left = edges.last().map_or(0, |edge| edge.end - 1).max(left);
        let right = breaks.get(broken).copied().unwrap_or(n);
        let (a, b) = (left.max(at.saturating_sub(TAKES.end() + 1)), right.min(at + TAKES.end()));
        let change = (values[at] - values[at.saturating_sub(1)]).abs();
        if at > left && change < SHARP * (values[b - 1] - values[a]).abs() {
            edges.extend(at_one(values, (left, at, right), beside, noise));
        }
    }
    edges
}

/// Those between levels that hold for long.
fn alone(mut edges: Vec<Edge>, values: &[f64], breaks: &[usize], noise: &Noise) -> Vec<Edge> {
    let holds = |edge: &Edge| {
        let long = HOLDS.max(APART * edge.takes());
        // The reading next to a ramp may show a little of it.
        let (Some(first), end) = ((edge.start - 1).checked_sub(long), edge.end + long) else {
            return false;
        };
        let (Some(before), Some(after)) =
            (values.get(first..edge.start - 1), values.get(edge.end..end))
        else {
            return false;
        };
        let flat = |part: &[f64], level: f64| {
            let sigma = noise.sigma_at(level);
            let square = part.iter().map(|value| (value - level).powi(2)).sum::<f64>();
            square < NOISE * sigma * sigma * long as f64
        };
        flat(before, edge.from)
            && flat(after, edge.to)
            && !breaks.iter().any(|at| (first + 1..end).contains(at))
    };
    edges.retain(holds);
    edges
}

/// Those of the commonest length or next to it; none where most are of another, where there is but one, where
/// they are too near one another to be a meter's, or where the level does not stay from most to the next.
fn alike(mut edges: Vec<Edge>, values: &[f64], close: bool) -> Vec<Edge> {
    let all = edges.len();
    let as_most = |edge: &Edge, long: usize| edge.takes().abs_diff(long) <= 1;
    let as_long = |long: &usize| edges.iter().filter(|edge| as_most(edge, *long)).count();
    let Some(long) = TAKES.rev().max_by_key(as_long) else { return Vec::new() };
    edges.retain(|edge| as_most(edge, long));
    let mut between: Vec<usize> = edges.windows(2).map(|w| w[1].start - w[0].end).collect();
    between.sort_unstable();
    let mut bends: Vec<f64> =
        edges.iter().filter(|_| close).map(|edge| edge.bends(values)).collect();
    bends.sort_unstable_by(f64::total_cmp);
    // Levels between ramps have corners, a cycle has none.
    if close && (bends.len() < ENOUGH || bends[bends.len() / 2] < CORNERS) {
        return Vec::new();
    }
    let near = if close { long / 2 } else { APART * long };
    let apart = between.get(between.len() / 2).is_some_and(|stretch| *stretch >= near);
    let goes_on = |w: &&[Edge]| {
        let least = (w[0].to - w[0].from).abs().min((w[1].to - w[1].from).abs());
        let mut stretch = values[w[0].end..w[1].start].to_vec();
        let middle = stretch.len() / 2;
        let level = *stretch.select_nth_unstable_by(middle, f64::total_cmp).1;
        [level, w[1].from].iter().all(|level| (level - w[0].to).abs() < SAME * least)
    };
    let held = edges.windows(2).filter(goes_on).count();
    let told = 2 * edges.len() > all && 2 * held >= edges.len();
    if told && apart { edges } else { Vec::new() }
}

/// The edge that a candidate is part of.
fn at_one(
    values: &[f64],
    (left, at, right): (usize, usize, usize),
    beside: usize,
    noise: &Noise,
) -> Option<Edge> {
    let starts = at.saturating_sub(*TAKES.end()).max(left + 1)..=at;
    let ramps = starts.flat_map(|start| {
        let ends = (at + 1).max(start + TAKES.start())..=(start + TAKES.end()).min(right);
        let part = &values[left..right];
        ends.filter_map(move |end| Fit::of(part, (start - left, end - left), beside, noise))
    });
    let best = ramps.min_by(|a, b| a.misfit.total_cmp(&b.misfit))?;
    let edge = Edge { start: best.edge.start + left, end: best.edge.end + left, ..best.edge };
    best.holds.then_some(edge)
}

/// How well a ramp fits.
struct Fit {
    edge: Edge,
    /// Mean square, in that of noise.
    misfit: f64,
    holds: bool,
}

impl Fit {
    /// `None` where too few readings beside it tell the levels.
    fn of(
        values: &[f64],
        (start, end): (usize, usize),
        beside: usize,
        noise: &Noise,
    ) -> Option<Self> {
        let before = &values[start.saturating_sub(beside)..start];
        let after = &values[end - 1..values.len().min(end - 1 + beside)];
        if before.len().min(after.len()) < FEWEST {
            return None;
        }
        let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
        let edge = Edge { start, end, from: mean(before), to: mean(after) };
        let jump = edge.to - edge.from;
        let variance = noise.sigma_at(edge.from).max(noise.sigma_at(edge.to)).powi(2);
        let square = |part: &[f64], level: f64| -> f64 {
            part.iter().map(|value| (value - level).powi(2)).sum()
        };
        let (low, high) = (square(before, edge.from), square(after, edge.to));
        let inner = (start..end - 1).map(|i| (values[i] - edge.ramp(i)).powi(2)).sum::<f64>();
        let sharp = (start..end - 1).map(|i| (values[i] - edge.level(i)).powi(2)).sum::<f64>();
        let (a, b, count) = (before.len() as f64, after.len() as f64, (end - 1 - start) as f64);
        let flat = NOISE * variance + (FLAT * jump).powi(2);
        let straight = NOISE * variance + (STRAIGHT * jump).powi(2);
        let holds = jump * jump > HIGH * HIGH * variance
            && low < flat * a
            && high < flat * b
            && inner < straight * count
            && sharp - inner > EVIDENT * variance;
        Some(Self { edge, misfit: (low + inner + high) / (a + b + count), holds })
    }
}

impl Edge {
    /// How many readings.
    fn takes(&self) -> usize {
        self.end - self.start
    }

    /// The ramp at one of its readings.
    fn ramp(&self, i: usize) -> f64 {
        let share = (i + 1 - self.start) as f64 / (self.end - self.start) as f64;
        self.from + share * (self.to - self.from)
    }

    /// What the best cubic leaves of the readings from one level to the other, over what the ramp leaves of
    /// them, squared.
    fn bends(&self, values: &[f64]) -> f64 {
        let first = self.start.saturating_sub(FEWEST);
        let part = &values[first..values.len().min(self.end - 1 + FEWEST)];
        let ramp = |i: usize| match i {
            _ if i < self.start => self.from,
            _ if i >= self.end => self.to,
            _ => self.ramp(i),
        };
        let off = |(i, value): (usize, &f64)| (value - ramp(first + i)).powi(2);
        let left: f64 = part.iter().enumerate().map(off).sum();
        let middle = 0.5 * (part.len() as f64 - 1.0);
        let mut rest: Vec<f64> = part.iter().map(|value| value - self.from).collect();
        let mut powers: Vec<Vec<f64>> = Vec::new();
        for power in 0..=3 {
            let mut next: Vec<f64> =
                (0..part.len()).map(|i| ((i as f64 - middle) / middle).powi(power)).collect();
            for before in &powers {
                take(&mut next, before);
            }
            take(&mut rest, &next);
            powers.push(next);
        }
        rest.iter().map(|value| value * value).sum::<f64>() / left
    }

    /// The nearer level.
    fn level(&self, i: usize) -> f64 {
        if 2 * (i + 1 - self.start) < self.end - self.start { self.from } else { self.to }
    }
}

/// Takes what is like `other` out of some readings.
fn take(values: &mut [f64], other: &[f64]) {
    let like: f64 = values.iter().zip(other).map(|(a, b)| a * b).sum();
    let own: f64 = other.iter().map(|b| b * b).sum();
    values.iter_mut().zip(other).for_each(|(value, other)| *value -= like / own * other);
}

/// The readings with sharp edges instead. The readings next to a ramp may show a little of it, and it begins and ends
/// anywhere between two of them.
pub(super) fn sharpened(values: &[f64], edges: &[Edge], noise: &Noise) -> Vec<f64> {
    let mut values = values.to_vec();
    for edge in edges {
        let part = edge.start - 1..edge.end;
        let off: Vec<f64> = part.clone().map(|i| values[i] - edge.ramp(i)).collect();
        for (i, rough) in part.zip(roughness(&off)) {
            let level = edge.level(i);
            let most = OFF * noise.sigma_at(level);
            values[i] = level + rough.clamp(-most, most);
        }
    }
    values
}

/// Tells the steps found in sharpened readings that they lie anywhere in their edges.
pub(super) fn widen(found: &mut Segmentation, edges: &[Edge], time: &TimeAxis) {
    for step in &mut found.steps {
        let next = edges.partition_point(|edge| edge.end <= step.index);
        if let Some(edge) = edges.get(next).filter(|edge| edge.start <= step.index) {
            // The reading before it may show a little of the change, which began before that.
            step.time_low_s = step.time_low_s.min(time.at(edge.start.saturating_sub(2)));
            step.time_high_s = step.time_high_s.max(time.at(edge.end - 1));
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::capture::Samples;
    use crate::capture::TimeAxis;
    use crate::segment::{Step, segment};
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::StandardNormal;

    /// Steps in readings of a course in σ.
    fn steps(seed: u64, len: usize, sigma: f64, course: impl Fn(usize) -> f64) -> Vec<Step> {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let reading = |i: usize| sigma * (course(i) + random.sample::<f64, _>(StandardNormal));
        let current_a = (0..len).map(reading).collect();
        let time = TimeAxis::Uniform { interval_s: 1.0, len };
        let samples = Samples { time, current_a };
        segment(&samples, &[], None, &Default::default()).expect("enough readings").steps
    }

    /// Loads that come and go, read by a meter that averages over three to six readings: each change is one
    /// step, as high as it is, and its interval holds the moment at which it began.
    #[test]
    fn each_change_that_a_meter_averages_is_one_step() {
        let (mut all, mut right, mut held, mut extra) = (0, 0, 0, 0);
        for seed in 0..40 {
            let (sigma, len) =
                ([1.0, 1e-6][seed as usize % 2], [160, 400, 1000, 6000][seed as usize / 2 % 4]);
            let wide = [3.0, 4.0, 5.0, 6.0][seed as usize / 8 % 4];
            let high = 16.0 + 3.0 * seed as f64;
            let at = |k: usize| 40.0 * k as f64 + (0.618 * (seed as usize * 7 + k) as f64).fract();
            let changes = len / 40 - 1;
            let share = |i: usize, k: usize| ((i as f64 - at(k)) / wide).clamp(0.0, 1.0);
            let shown = |i: usize| {
                let up = |k: usize| if k % 2 == 1 { high } else { -high };
                (1..=changes).map(|k| up(k) * share(i, k)).sum::<f64>()
            };
            let found = steps(seed, len, sigma, shown);
            let near = |k: usize, step: &&Step| {
                let late = step.time_s - at(k);
                (-1.0..=wide + 1.0).contains(&late)
                    && (step.delta_a.abs() / sigma - high).abs() < 0.2 * high
            };
            for k in 1..=changes {
                let step = found.iter().find(|step| near(k, step));
                right += usize::from(step.is_some());
                held += usize::from(
                    step.is_some_and(|s| s.time_low_s <= at(k) && at(k) <= s.time_high_s),
                );
            }
            all += changes;
            extra += found.len().saturating_sub(changes);
        }
        assert!(100 * right >= 98 * all && 100 * extra <= all, "{right} of {all}, {extra} more");
        assert!(100 * held >= 90 * right, "{held} of {right}");
    }

    /// One change in a short capture, which takes as many readings as it likes up to eight, and loads that start
    /// softly, no two alike: each is one step, as high as it is.
    #[test]
    fn a_change_of_some_readings_between_levels_that_hold_is_one_step() {
        let mut random = ChaCha8Rng::seed_from_u64(11);
        let (mut all, mut right, mut more) = (0, 0, 0);
        for seed in 0..80 {
            let sigma = [1.0, 1e-6][seed as usize % 2];
            let count = [1, 1, 1, 5][seed as usize / 2 % 4];
            let len = 120 * count;
            let ramps: Vec<(f64, f64, f64)> = (0..count)
                .map(|k| {
                    let at = (120 * k) as f64 + random.random_range(40.0..70.0);
                    let up = if k % 2 == 0 { 1.0 } else { -1.0 };
                    let wide = random.random_range(3.0..7.5);
                    (at, wide, up * 16.0 * 12f64.powf(random.random::<f64>()))
                })
                .collect();
            let shown = |i: usize| {
                let of = |(at, wide, high): &(f64, f64, f64)| {
                    high * ((i as f64 - at) / wide).clamp(0.0, 1.0)
                };
                ramps.iter().map(of).sum::<f64>()
            };
            let found = steps(seed, len, sigma, shown);
            let near = |(at, wide, high): &&(f64, f64, f64)| {
                let is_high = |s: &Step| (s.delta_a / sigma / high - 1.0).abs() < 0.1;
                found.iter().any(|s| (-1.0..wide + 1.0).contains(&(s.time_s - at)) && is_high(s))
            };
            let hits = ramps.iter().filter(near).count();
            all += count;
            right += hits;
            more += found.len().saturating_sub(count);
        }
        assert!(10 * right >= 9 * all && 50 * more <= all, "{right} of {all}, {more} more");
    }

    /// Loads that are switched on and soon off: between the ramps each level shows for six to sixteen readings.
    #[test]
    fn ramps_that_follow_soon_are_a_step_each() {
        let mut random = ChaCha8Rng::seed_from_u64(17);
        let (mut all, mut right, mut more) = (0, 0, 0);
        for seed in 0..40 {
            let sigma = [1.0, 1e-6][seed as usize % 2];
            let wide = random.random_range(4.0..6.0);
            let (mut at, mut on) = (30.0, 0.0);
            let ramps: Vec<(f64, f64)> = (0..30)
                .map(|_| {
                    at += wide + random.random_range(6.0..16.0);
                    let high =
                        if on > 0.0 { -on } else { 20.0 * 8f64.powf(random.random::<f64>()) };
                    on += high;
                    (at, high)
                })
                .collect();
            let shown = |i: usize| {
                let of = |(at, high): &(f64, f64)| high * ((i as f64 - at) / wide).clamp(0.0, 1.0);
                ramps.iter().map(of).sum::<f64>()
            };
            let found = steps(seed, at as usize + 40, sigma, shown);
            let near = |(at, high): &&(f64, f64)| {
                let is_high = |s: &Step| (s.delta_a / sigma / high - 1.0).abs() < 0.2;
                found.iter().any(|s| (-1.0..wide + 1.0).contains(&(s.time_s - at)) && is_high(s))
            };
            all += ramps.len();
            right += ramps.iter().filter(near).count();
            more += found.len().saturating_sub(ramps.len());
        }
        assert!(10 * right >= 7 * all && 100 * more <= all, "{right} of {all}, {more} more");
    }

    /// The flanks of a cycle, and the moves of a walk, are no edges of a meter's.
    #[test]
    fn cycles_and_walks_have_no_edges() {
        let mut random = ChaCha8Rng::seed_from_u64(5);
        let (mut cycles, mut walks) = (0, 0);
        for seed in 0..60 {
            let sigma = [1.0, 1e-6][seed as usize % 2];
            let period = random.random_range(14.0..60.0);
            let high = random.random_range(6.0..20.0);
            let cycle = |i: usize| high * (std::f64::consts::TAU * i as f64 / period).sin();
            cycles += usize::from(!steps(seed, 150, sigma, cycle).is_empty());
            let mut level = 0.0;
            let walk: Vec<f64> = (0..150)
                .map(|_| {
                    level += 5.0 * random.sample::<f64, _>(StandardNormal);
                    level
                })
                .collect();
            walks += usize::from(!steps(seed, 150, sigma, |i| walk[i]).is_empty());
        }
        assert!(cycles <= 4 && walks <= 4, "{cycles} cycles and {walks} walks of 60 have steps");
    }
}
