//! Level and noise of the quietest part of a capture: what all other levels are measured from.

use rayon::prelude::*;

use super::noise::{FEW, second_difference};
use super::squares::{KEPT, KEPT_AMONG_EDGES, MANY_EDGES};
use crate::numeric::sort_few;

/// Readings of a block at most: an odd number has a middle one, also when it is turned upside down.
const BLOCK: usize = 15;
/// Readings of a block in which polls are looked for, at most.
const LONG_BLOCK: usize = 63;
/// Share of the changes from reading to reading that lie within a level where polls are dense, and the
/// mean square of the smallest of that share of unit Gaussian values.
const KEPT_OF_POLLS: (f64, f64) = (0.25, 0.0334);
/// Variance of most changes, in that of those within a level, from which on they are edges.
const POLLS: f64 = 12.0;
/// One in so many blocks with polls makes a capture of polls.
const SOME: usize = 8;

/// Share of the changes of a few readings that may be steps, how many at least, and by how much, over the root
/// of their number, each must exceed any other, as a share of that: noise has no such void.
const MOST_STEPS: f64 = 0.3;
const STEPS: usize = 2;
const VOID: f64 = 1.75;
/// Share of the second differences that touch steps, from which on they reach into the part that tells.
const DENSE: f64 = 1.0 - KEPT.0;

/// The quietest part of a capture.
#[derive(Debug, Clone, Copy)]
pub(super) struct Quiet {
    pub(super) level: f64,
    pub(super) sigma: f64,
    /// Polls follow each other so densely that most second differences are edges.
    pub(super) polls: bool,
}

/// Level and noise of the quietest quarter, or, where polls leave no quiet stretch, of the readings
/// that are like the one before.
pub(super) fn find(stretches: &[&[f64]], floor: f64) -> Quiet {
    let (level, sigma) = quietest(stretches, floor);
    if let [few] = stretches
        && few.len() <= FEW
        && let Some(quiet) = beside_steps(few, floor).filter(|quiet| quiet.sigma < sigma)
    {
        return quiet;
    }
    let blocks = |stretch: &&[f64]| -> Vec<Option<(f64, f64)>> {
        // A short capture is one block.
        let size = stretch.len().clamp(BLOCK, LONG_BLOCK);
        stretch.chunks_exact(size).map(|block| among_edges(block, floor)).collect()
    };
    let blocks: Vec<Option<(f64, f64)>> = stretches.par_iter().flat_map_iter(blocks).collect();
    let mut polls: Vec<(f64, f64)> = blocks.iter().copied().flatten().collect();
    if SOME * polls.len() <= blocks.len() {
        return Quiet { level, sigma, polls: false };
    }
    let (level_there, sigma_there) = middle(&mut polls);
    if sigma > MANY_EDGES.sqrt() * sigma_there {
        return Quiet { level: level_there, sigma: sigma_there, polls: true };
    }
    Quiet { level, sigma, polls: true }
}

/// Mean of the smallest of the sorted squares, over what it is for a unit Gaussian.
fn trimmed(squares: &[f64], (share, mean_square): (f64, f64)) -> f64 {
    let kept = (squares.len() as f64 * share).ceil() as usize;
    squares[..kept].iter().sum::<f64>() / kept.max(1) as f64 / mean_square
}

/// Level and σ of the readings that are like the one before, where those are few and all others far off.
/// Noise has no such void between small changes and large ones.
fn among_edges(block: &[f64], floor: f64) -> Option<(f64, f64)> {
    let square = |w: &[f64]| (w[1] - w[0]).powi(2);
    // What is not negative lies in the order of its bits.
    let mut bits = [0; LONG_BLOCK];
    let bits = &mut bits[..block.len().saturating_sub(1)];
    bits.iter_mut().zip(block.windows(2)).for_each(|(bits, w)| *bits = square(w).to_bits());
    bits.sort_unstable();
    let mut squares = [0.0; LONG_BLOCK];
    let squares = &mut squares[..bits.len()];
    squares.iter_mut().zip(bits).for_each(|(square, bits)| *square = f64::from_bits(*bits));
    // Rounded readings differ by nothing or by a count.
    let count = squares.iter().find(|square| **square > 0.0)?;
    let least = (2.0 * floor * floor).max(count / 6.0);
    let mut variance = trimmed(squares, KEPT_OF_POLLS).max(least);
    for _ in 0..3 {
        let within = &squares[..squares.partition_point(|square| *square <= 16.0 * variance)];
        variance = (within.iter().sum::<f64>() / within.len().max(1) as f64).max(least);
    }
    if trimmed(squares, KEPT) < POLLS * variance {
        return None;
    }
    let like = |w: &&[f64]| square(w) <= 16.0 * variance;
    let mut within: Vec<(f64, f64)> =
        block.windows(2).filter(like).map(|w| (w[0].midpoint(w[1]), 0.0)).collect();
    Some((middle(&mut within).0, (0.5 * variance).sqrt()))
}

/// Level and noise of a few readings whose changes are of two kinds.
fn beside_steps(readings: &[f64], floor: f64) -> Option<Quiet> {
    let change = |w: &[f64]| (w[1] - w[0]).abs();
    let mut changes: Vec<f64> = readings.windows(2).map(change).collect();
    changes.sort_unstable_by(f64::total_cmp);
    // Rounded readings differ by nothing or by a count.
    let count = *changes.iter().find(|change| **change > 0.0)?;
    let most = (MOST_STEPS * changes.len() as f64) as usize;
    let is_void = |steps: &usize| {
        let first = changes.len() - steps;
        changes[first] > (1.0 + VOID / (*steps as f64).sqrt()) * (changes[first - 1] + count)
    };
    let steps = (STEPS..=most).rev().find(is_void)?;
    let within = &changes[..changes.len() - steps];
    let squares: f64 = within.iter().map(|change| change * change).sum();
    let sigma = (0.5 * squares / within.len() as f64).sqrt().max(floor).max(count / 12f64.sqrt());
    let largest = within[within.len() - 1];
    let mut levels: Vec<(f64, f64)> = readings
        .windows(2)
        .filter(|w| change(w) <= largest)
        .map(|w| (w[0].midpoint(w[1]), 0.0))
        .collect();
    let polls = (2 * steps) as f64 > DENSE * readings.len() as f64;
    Some(Quiet { level: middle(&mut levels).0, sigma, polls })
}

/// Median of each part, of two middle ones the smaller in amount.
fn middle(values: &mut [(f64, f64)]) -> (f64, f64) {
    let mut of = |part: fn(&(f64, f64)) -> f64| {
        let half = values.len() / 2;
        values.sort_unstable_by(|a, b| part(a).total_cmp(&part(b)));
        let (high, low) = (part(&values[half]), part(&values[(values.len() - 1) / 2]));
        if low.abs() < high.abs() { low } else { high }
    };
    (of(|pair| pair.0), of(|pair| pair.1))
}

/// Level and noise of the quietest quarter of the blocks. A series turned upside down has the same.
fn quietest(stretches: &[&[f64]], floor: f64) -> (f64, f64) {
    let of_block = |block: &[f64]| -> (f64, f64) {
        let block = &block[..(block.len() - 1) | 1];
        let mut room = [f64::INFINITY; BLOCK + 1];
        for (square, w) in room.iter_mut().zip(block.windows(3)) {
            *square = (w[2] - 2.0 * w[1] + w[0]).powi(2);
        }
        sort_few(&mut room);
        let squares = &room[..block.len().saturating_sub(2)];
        let (most, fewer) = (trimmed(squares, KEPT), trimmed(squares, KEPT_AMONG_EDGES));
        let abound = fewer > 0.0 && most > MANY_EDGES * fewer;
        let variance = if abound { fewer } else { most } / second_difference(0.0);
        let mut sorted = [f64::INFINITY; BLOCK + 1];
        sorted[..block.len()].copy_from_slice(block);
        sort_few(&mut sorted);
        (variance, sorted[block.len() / 2])
    };
    let mut blocks: Vec<(f64, f64)> = stretches
        .par_iter()
        .flat_map(|stretch| {
            // A last block of a few readings would often be the quietest, by chance.
            let size = stretch.len().div_ceil(stretch.len().div_ceil(BLOCK).max(1)).max(1);
            let whole = move |block: &&[f64]| 2 * block.len() > size;
            stretch.par_chunks(size).with_min_len(1024).filter(whole).map(of_block)
        })
        .collect();
    let by_level = |a: &(f64, f64), b: &(f64, f64)| a.1.total_cmp(&b.1);
    let by_noise = |a: &(f64, f64), b: &(f64, f64)| {
        a.0.total_cmp(&b.0).then(a.1.abs().total_cmp(&b.1.abs())).then(by_level(a, b))
    };
    let quarter = blocks.len().div_ceil(4) | 1;
    let quiet = match blocks.len() > quarter {
        true => blocks.select_nth_unstable_by(quarter, by_noise).0,
        false => &mut blocks[..],
    };
    let half = quiet.len() / 2;
    let sigma = quiet.select_nth_unstable_by(half, by_noise).1.0.sqrt().max(floor);
    // Equal noise everywhere ranks blocks by chance: their median is then the common level.
    (quiet.select_nth_unstable_by(half, by_level).1.1, sigma)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{Rng, SeedableRng};
    use rand_distr::StandardNormal;

    fn normal(random: &mut rand_chacha::ChaCha8Rng) -> f64 {
        random.sample(StandardNormal)
    }

    /// Polls `ratio` times the floor of 1, seen by a meter that averages over the time since its last reading, the
    /// floor's noise being 0.07; a fifth either way in rhythm and length.
    fn polls(seed: u64, ratio: f64, period: f64, on: f64) -> Vec<f64> {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        let mut share = vec![0.0; 1800];
        let mut start = 0.0;
        while start < 1800.0 {
            let end = start + on * random.random_range(0.8..1.2);
            for (i, share) in share.iter_mut().enumerate().skip(start as usize).take(30) {
                let i = i as f64;
                *share += (end.min(i + 1.0) - start.max(i)).max(0.0);
            }
            start += period * random.random_range(0.8..1.2);
        }
        share.iter().map(|on| 1.0 + (ratio - 1.0) * on + 0.07 * normal(&mut random)).collect()
    }

    #[test]
    fn the_floor_between_dense_polls_is_quiet() {
        for (period, on) in [(6.0, 1.0), (6.0, 2.0), (8.0, 3.0), (10.0, 3.0), (10.0, 4.0)] {
            for (seed, ratio) in [(1, 8.0), (2, 30.0), (3, 1000.0)] {
                for unit in [1.0, -1e-6] {
                    let values: Vec<f64> =
                        polls(seed, ratio, period, on).iter().map(|v| unit * v).collect();
                    let quiet = find(&[&values], 0.0);
                    let (level, sigma) = (quiet.level / unit, quiet.sigma / unit.abs());
                    let case = format!("{period} {on} {ratio} {unit}: {level} {sigma}");
                    assert!(quiet.polls, "{case}");
                    assert!((level - 1.0).abs() < 0.2 && sigma < 4.0 * 0.07, "{case}");
                }
            }
        }
    }

    /// White, correlated, walking, with tails that have no variance, in a beat, and rounded.
    #[test]
    fn noise_is_no_polls() {
        for seed in 0..4 {
            let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
            let (mut slow, mut walk) = (0.0, 0.0);
            let mut kinds = vec![Vec::new(); 6];
            for i in 0..4000 {
                let u = normal(&mut random);
                slow = 0.9 * slow + u;
                walk += u;
                let beat = 30.0 * (std::f64::consts::TAU * f64::from(i) / 7.3).sin();
                let tails = u / normal(&mut random);
                let all = [u, slow, walk, tails, beat + u, (0.4 * u + 0.3).round()];
                kinds.iter_mut().zip(all).for_each(|(kind, value)| kind.push(value));
            }
            for (kind, values) in kinds.iter().enumerate() {
                assert!(!find(&[values], 0.0).polls, "kind {kind}, seed {seed}");
            }
        }
    }

    /// Two levels in turn, four or five readings each: the noise is that within them, as well as few readings
    /// tell it, and noise alone has no such levels.
    #[test]
    fn the_noise_of_a_few_readings_is_that_between_their_steps() {
        for seed in 0..40 {
            let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
            let (unit, hold) = ([1.0, 1e-6][seed as usize % 2], 4 + seed as usize / 2 % 2);
            let readings: Vec<f64> = (0..20 + 20 * (seed as usize / 4 % 2))
                .map(|i| unit * (14.0 * (i / hold % 2) as f64 + normal(&mut random)))
                .collect();
            let sigma = find(&[&readings], 0.0).sigma / unit;
            assert!((0.4..2.0).contains(&sigma), "seed {seed}: {sigma}");
            let noise: Vec<f64> = (0..readings.len()).map(|_| normal(&mut random)).collect();
            assert!(beside_steps(&noise, 0.0).is_none(), "seed {seed}");
        }
    }

    #[test]
    fn a_series_upside_down_is_as_quiet() {
        for n in 3..200 {
            let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(n);
            let mut level = 5.0;
            let values: Vec<f64> = (0..n)
                .map(|_| {
                    level += if random.random_bool(0.1) { 20.0 * normal(&mut random) } else { 0.0 };
                    level + normal(&mut random)
                })
                .collect();
            let turned: Vec<f64> = values.iter().map(|v| -v).collect();
            let (up, down) = (find(&[&values], 0.0), find(&[&turned], 0.0));
            assert_eq!((up.level, up.sigma), (-down.level, down.sigma), "{n}");
        }
    }
}
