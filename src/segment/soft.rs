//! How soft the edges of a capture are.
//!
//! A meter that averages takes one reading during a change; one that filters, or a load whose current
//! dies away, leaves several readings off their level. How many, the ends of the stretches between
//! the candidates tell: each reading's distance from its stretch's level, as a share of the jump there.

use rayon::prelude::*;

use super::jump::{self, SOFT_FROM};
use super::noise::Noise;
use crate::numeric::extremes;

/// Share of what a reading next to a jump may miss that the next one may, where the capture does not
/// tell: 1/√e.
pub(super) const FADES: f64 = 0.606_530_659_712_633_4;
/// Share of a jump by which the reading next to it may miss its level: an averaging meter takes it
/// during the change, and what is switched dies away.
pub(super) const SOFT: f64 = 0.2;
/// Readings of a stretch that tell its level, and how far from its ends they are.
const LEVEL: usize = 5;
const FAR: usize = 4;
/// Readings beyond an end that show how high the jump there is.
const BEYOND: usize = 5;
/// Jumps this many times as high as those that show anything tell.
const TELLS: f64 = 2.0;
/// Standard deviations that noise may put a reading off its level.
const NOISE: f64 = 4.0;
/// Ends that are needed.
const ENOUGH: usize = 12;
/// Standard deviations that noise may put a reading off the level of the nearest ones, and of how many of those
/// the middle one is that level.
const SHARP: f64 = 4.0;
const NEAREST: usize = 5;
/// Share of the ends that are no softer than what is taken, and by how much more that is counted.
const MOST: f64 = 0.95;
const DOUBT: f64 = 2.0;

/// How much of what a reading next to a jump may miss of its level the next one may: at most
/// [`FADES`], and less where the ends of the stretches between the candidates show less, or where no stretch is
/// long enough to show its ends, but the short ones are even from end to end. O(candidates).
pub(super) fn fade(values: &[f64], candidates: &[usize], noise: &Noise) -> f64 {
    let mut edges = vec![0];
    edges.extend(candidates);
    edges.push(values.len());
    // The second and the third reading.
    let shares: Vec<[Vec<f64>; 2]> = edges
        .par_windows(2)
        .fold(Default::default, |mut shares: [Vec<f64>; 2], ends| {
            misses(values, ends[0], ends[1], noise, &mut shares);
            shares
        })
        .collect();
    let shares = [0, 1].map(|i| shares.iter().flat_map(|part| part[i].iter().copied()).collect());
    let shares: [Vec<f64>; 2] = shares;
    let most = |mut shares: Vec<f64>| {
        let at = (MOST * (shares.len() - 1) as f64).ceil() as usize;
        DOUBT * *shares.select_nth_unstable_by(at, f64::total_cmp).1 / SOFT
    };
    if shares[0].len() < ENOUGH {
        let uneven =
            edges.par_windows(2).filter_map(|ends| uneven(values, ends[0], ends[1], noise));
        let uneven: Vec<f64> = uneven.collect();
        return if uneven.len() < ENOUGH { FADES } else { most(uneven).min(FADES) };
    }
    let [second, third] = shares.map(most);
    second.max(third.sqrt()).min(FADES)
}

/// By which share of the jump the second and the third reading at the ends of the stretch
/// `from..to` miss its level.
fn misses(values: &[f64], from: usize, to: usize, noise: &Noise, shares: &mut [Vec<f64>; 2]) {
    if to - from < LEVEL + FAR {
        return;
    }
    // From beyond either end inwards.
    let inwards = &values[from.saturating_sub(BEYOND)..from + FAR + LEVEL];
    let outwards = &values[to - FAR - LEVEL..values.len().min(to + BEYOND)];
    let mut turned = [0.0; BEYOND + FAR + LEVEL];
    let turned = &mut turned[..outwards.len()];
    turned.iter_mut().zip(outwards.iter().rev()).for_each(|(to, from)| *to = *from);
    for readings in [inwards, turned] {
        let level = level(&readings[readings.len() - LEVEL..]);
        let beyond = readings.len() - FAR - LEVEL;
        let far = |a: f64, b: f64| if (b - level).abs() > (a - level).abs() { b } else { a };
        let other = readings[..beyond].iter().copied().fold(level, far);
        let jump = (other - level).abs();
        let sigma = noise.sigma_at(level);
        if jump > TELLS * SOFT_FROM * sigma.max(noise.sigma_at(other)) {
            let miss = |value: f64| ((value - level).abs() - NOISE * sigma).max(0.0) / jump;
            // The last reading nearer to the other level; the one after it is next to the jump.
            let edge = readings.iter().rposition(|v| (v - level).abs() > 0.5 * jump);
            let near = edge.and_then(|edge| readings.get(edge + 2..edge + 4));
            for (shares, value) in shares.iter_mut().zip(near.into_iter().flatten()) {
                shares.push(miss(*value));
            }
        }
    }
}

/// How far apart the readings of a short stretch lie, as a share of the smaller of the jumps at its ends.
fn uneven(values: &[f64], from: usize, to: usize, noise: &Noise) -> Option<f64> {
    let stretch =
        values.get(from..to).filter(|stretch| (2..LEVEL + FAR).contains(&stretch.len()))?;
    let (before, after) = (*values.get(from.checked_sub(1)?)?, *values.get(to)?);
    let (low, high) = extremes(stretch);
    let level = low.midpoint(high);
    let jump = (before - level).abs().min((after - level).abs());
    let sigma = noise.sigma_at(level);
    let shows = jump > TELLS * SOFT_FROM * sigma.max(noise.sigma_at(before));
    shows.then(|| (high - low - NOISE * sigma).max(0.0) / jump)
}

/// Median.
fn level(readings: &[f64]) -> f64 {
    let mut sorted = [0.0; LEVEL];
    sorted.copy_from_slice(readings);
    *sorted.select_nth_unstable_by(LEVEL / 2, f64::total_cmp).1
}

/// Scatter of the readings next to a large jump, beyond the noise, ampere: without it one
/// reading taken during the change outweighs all others where a level is much quieter than the
/// jump is high. Beside it, for how many readings on either side.
pub(super) fn edges(
    noise: &Noise,
    before: &[f64],
    after: &[f64],
    sigma: [f64; 2],
) -> (f64, [usize; 2]) {
    let middle = |near: &[f64]| {
        let mut sorted = [0.0; NEAREST];
        let sorted = &mut sorted[..near.len()];
        sorted.copy_from_slice(near);
        sorted.sort_unstable_by(f64::total_cmp);
        sorted[sorted.len() / 2]
    };
    let (l, r) = (before.len(), after.len());
    let levels = [middle(&before[l - l.min(NEAREST)..]), middle(&after[..r.min(NEAREST)])];
    let larger = noise.sigma_at(levels[0]).max(noise.sigma_at(levels[1]));
    let soft = jump::softness(levels[1] - levels[0], larger);
    if soft == 0.0 {
        return (0.0, [0; 2]);
    }
    let up = levels[1] - levels[0];
    let takes = [
        edge(before.iter().rev(), levels[0], -up, sigma[0]),
        edge(after.iter(), levels[1], up, sigma[1]),
    ];
    match takes {
        [Some(l), Some(r)] => (soft, [l, r]),
        _ => (soft, [usize::MAX; 2]),
    }
}

/// How many of the readings of a side, told from the jump `up` to its level on, may be of the edge: none
/// where the first two are of the level, one where the next two are, else any. `None` where they go on as the
/// jump does.
fn edge<'v>(
    mut near: impl Iterator<Item = &'v f64>,
    level: f64,
    up: f64,
    sigma: f64,
) -> Option<usize> {
    let chance = SHARP * sigma;
    let there = |value: &f64| (value - level).abs() <= chance;
    match [near.next(), near.next(), near.next()] {
        [Some(first), Some(second), _] if there(first) && there(second) => Some(0),
        [_, Some(second), Some(third)] if there(second) && there(third) => Some(1),
        [_, Some(second), Some(third)] if up.signum() * (third - second) > chance => None,
        _ => Some(usize::MAX),
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Step, segment};
    use super::*;
    use crate::capture::{Samples, TimeAxis};
    use rand::{Rng, SeedableRng};
    use rand_distr::StandardNormal;

    /// Wakes of 4 mA over 12 µA: readings that average over the time since the one before, or that
    /// follow the current with a time constant.
    fn capture(follows: Option<f64>) -> (Vec<f64>, Vec<usize>) {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        let (mut seen, mut values) = (12e-6, Vec::new());
        for wake in 0..30 {
            for i in 0..60 {
                let truth = if i < 20 { 4e-3 } else { 12e-6 };
                let share: f64 = match (i, follows) {
                    (0 | 20, None) => random.random_range(0.0..1.0),
                    (_, None) => 1.0,
                    (_, Some(share)) => share,
                };
                seen += share * (truth - seen);
                values.push(seen * (1.0 + 1e-3 * random.sample::<f64, _>(StandardNormal)));
            }
            assert_eq!(values.len(), 60 * (wake + 1));
        }
        (values, (0..30).flat_map(|wake| [60 * wake + 1, 60 * wake + 21]).skip(1).collect())
    }

    #[test]
    fn the_edges_of_an_averaging_meter_are_one_reading_wide() {
        let (values, candidates) = capture(None);
        let noise = Noise::learn(&values, None);
        assert!(fade(&values, &candidates, &noise) < 0.05);
    }

    /// With 60 % of what is left gone at each reading, the second and the third after a change miss
    /// 0.4² and 0.4³ of it, wherever in the tail the candidates lie.
    #[test]
    fn the_edges_of_a_slow_meter_are_wider() {
        let (values, candidates) = capture(Some(0.6));
        let noise = Noise::learn(&values, None);
        for late in 0..5 {
            let candidates: Vec<usize> = candidates.iter().map(|at| at + late).collect();
            assert!(fade(&values, &candidates, &noise) > 0.5);
        }
        assert_eq!(fade(&values, &candidates[..5], &noise), FADES, "too few tell");
    }

    /// Pulses of two or three readings, as high as a step or higher, that end two to four readings before it or
    /// begin so many after it; a meter that reads at once, or one that averages and so shows part of each change.
    /// Of what the averaging meter leaves of two readings between, none may be of a level.
    #[test]
    fn a_pulse_next_to_a_step_hides_neither() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(8);
        let (mut steps, mut pulses, mut all) = (0, 0, 0);
        for case in 0..120 {
            let sigma = if case % 2 == 0 { 1.0 } else { 1e-6 };
            let averages = case % 4 < 2;
            let up = [1.0, -1.0][case / 4 % 2] * 60.0 * [1.0, 4.0, 16.0][case / 8 % 3];
            let (high, wide) = ([1.0, 1.8, 4.5][case / 24 % 3] * up, 2 + case / 72);
            let at = 150.0 - if averages { random.random_range(0.1..0.9) } else { 0.0 };
            let apart = random.random_range(if averages { 3..5 } else { 2..5 });
            let from = match random.random::<bool>() {
                true => at + f64::from(apart),
                false => at - f64::from(apart) - wide as f64,
            };
            let share = |t: f64, from: f64, to: f64| (t.min(to) - (t - 1.0).max(from)).max(0.0);
            let current_a: Vec<f64> = (0..300)
                .map(|i| {
                    let t = f64::from(i) + 1.0;
                    let noise: f64 = random.sample(StandardNormal);
                    let pulse = high * share(t, from, from + wide as f64);
                    sigma * (noise + pulse + up * share(t, at, f64::INFINITY))
                })
                .collect();
            let samples =
                Samples { time: TimeAxis::Uniform { interval_s: 1.0, len: 300 }, current_a };
            let found = segment(&samples, &[], None, &Default::default()).expect("enough").steps;
            let near = |place: f64, jump: f64| {
                let right = |step: &&Step| {
                    let late = step.index as f64 - place.ceil();
                    late.abs() <= 1.0 && (step.delta_a / sigma / jump - 1.0).abs() < 0.3
                };
                found.iter().any(|step| right(&step))
            };
            all += 1;
            steps += usize::from(near(at, up));
            pulses += usize::from(near(from, high) && near(from + wide as f64, -high));
        }
        assert!(100 * steps >= 95 * all && 100 * pulses >= 85 * all, "{steps}, {pulses} of {all}");
    }
}
