//! How soft the edges of a capture are.
//!
//! A meter that averages takes one reading during a change; one that filters, or a load whose current
//! dies away, leaves several readings off their level. How many, the ends of the stretches between
//! the candidates tell: each reading's distance from its stretch's level, as a share of the jump there.

use rayon::prelude::*;

use super::jump::SOFT_FROM;
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

#[cfg(test)]
mod tests {
    use super::*;
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
}
