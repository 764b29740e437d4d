//! The usual slope of the background: that of the whole capture and, where a part of it is steeper for
//! longer than a few windows, as a night's log is from first light on, that part's.
//!
//! The stretches between the steps are cut into pieces about half a window long. A piece's
//! least-squares slope `b` has variance `V = 12 σ² (1+φ)/(1−φ) / m³`, m being its readings; the square
//! of the usual slope of some pieces is the mean of `b² − V`, weighted by 1/V, without the tenth of
//! them that are steepest for their V (settling). A part's counts as far as it exceeds its standard
//! error, `√(2 k)/Σ 1/V` for k pieces.

use super::drift::pieces;
use super::jump::{Ground, POOLS};

/// Shortest piece of a stretch whose slope is used, samples.
const SHORTEST: usize = 12;
/// Longest of the brief ones.
const BRIEF: usize = 2 * SHORTEST;
/// Median of χ² with one degree of freedom, and its standard error from one piece: `1/(2 f √n)` with the density
/// f = 0.4711 there.
const MEDIAN: f64 = 0.454_9;
const ONE_PIECE: f64 = 1.061;
/// Standard errors beyond noise that brief pieces must be.
const SURE: f64 = 3.0;
/// Pieces that a scale needs.
const ENOUGH: usize = 4;
/// Pieces of a part, and from one part to the next: each piece is in two.
const PART: usize = 16;
const NEXT: usize = 8;
/// Scales whose pieces are too short to hold a faint step that was not found yet.
pub(super) const SHORT_SCALES: usize = 2;

/// Typical slope of the background, ampere a sample, at the scale of each pool.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Slopes {
    of_all: [f64; POOLS.len()],
    /// The first sample of each part of the capture, and its slope; of the shorter scales.
    of_parts: [Vec<(usize, f64)>; SHORT_SCALES],
}

/// A background that stands still.
#[cfg(test)]
pub(super) static STILL: Slopes = Slopes::everywhere([0.0; POOLS.len()]);

impl Slopes {
    /// The same in the whole capture.
    pub(super) const fn everywhere(of_all: [f64; POOLS.len()]) -> Self {
        Self { of_all, of_parts: [const { Vec::new() }; SHORT_SCALES] }
    }

    /// With those of its parts, where these are steeper.
    pub(super) fn with_parts(of_all: [f64; POOLS.len()], pieces: &[Vec<Piece>]) -> Self {
        let mut slopes = Self::everywhere(of_all);
        for (parts, pieces) in slopes.of_parts.iter_mut().zip(pieces) {
            *parts = steeper(pieces);
        }
        slopes
    }

    /// Round sample `at`.
    #[inline]
    pub(super) fn at(&self, scale: usize, at: usize) -> f64 {
        let of_all = self.of_all[scale];
        let parts = self.of_parts.get(scale).map_or(&[][..], Vec::as_slice);
        let part = parts.partition_point(|(first, _)| *first <= at).checked_sub(1);
        part.map_or(of_all, |part| of_all.max(parts[part].1))
    }
}

/// The slope of one piece.
#[derive(Debug, Clone, Copy)]
pub(super) struct Piece {
    first: usize,
    /// Square of the slope, (ampere a sample)².
    square: f64,
    /// What noise makes of it on average.
    noise: f64,
}

/// The pieces between `edges` at the scale of a pool, in order. O(n).
pub(super) fn of_pieces(ground: &Ground<'_>, edges: &[usize], pool: usize) -> Vec<Piece> {
    let most = 64 * pool;
    let least = if pool == 1 { SHORTEST } else { most / 4 };
    of_lengths(ground, edges, (least, most))
}

/// Square of the slope that more than half of the capture has in brief pieces, beyond doubt: between steps that
/// stand for the flanks of a cycle, each longer piece rises as much as it falls. O(n).
pub(super) fn of_brief_pieces(ground: &Ground<'_>, edges: &[usize]) -> f64 {
    let pieces = of_lengths(ground, edges, (SHORTEST, BRIEF));
    if pieces.len() < PART {
        return 0.0;
    }
    let median = |of: &dyn Fn(&Piece) -> f64| {
        let mut all: Vec<f64> = pieces.iter().map(of).collect();
        let middle = all.len() / 2;
        *all.select_nth_unstable_by(middle, f64::total_cmp).1
    };
    let chance = MEDIAN + SURE * ONE_PIECE / (pieces.len() as f64).sqrt();
    let beyond = median(&|piece| piece.square / piece.noise) - chance;
    beyond.max(0.0) * median(&|piece| piece.noise)
}

fn of_lengths(ground: &Ground<'_>, edges: &[usize], (least, most): (usize, usize)) -> Vec<Piece> {
    let phi = ground.noise.phi;
    let longer = (1.0 + phi) / (1.0 - phi);
    let mut copy = Vec::new();
    let of_piece = |(first, end): (usize, usize)| {
        let readings = ground.readings(first, end, &mut copy);
        let m = readings.len() as f64;
        let origin = readings[0];
        let (sum, moment) = moments(readings, origin);
        let spread = m * (m * m - 1.0) / 12.0;
        let sigma = ground.noise.sigma_at(origin + sum / m);
        let slope = (moment - 0.5 * (m - 1.0) * sum) / spread;
        Piece { first, square: slope * slope, noise: sigma * sigma * longer / spread }
    };
    pieces(edges, least, most).map(of_piece).collect()
}

/// Sum of what lies above `origin`, and its moment about the first reading, in four lanes. O(n).
fn moments(readings: &[f64], origin: f64) -> (f64, f64) {
    let (fours, rest) = readings.as_chunks::<4>();
    let (mut sums, mut moments, mut levers) = ([0.0; 4], [0.0; 4], [0.0, 1.0, 2.0, 3.0]);
    for four in fours {
        for lane in 0..4 {
            let above = four[lane] - origin;
            sums[lane] += above;
            moments[lane] += above * levers[lane];
            levers[lane] += 4.0;
        }
    }
    let together = |lanes: [f64; 4]| (lanes[0] + lanes[2]) + (lanes[1] + lanes[3]);
    let left = rest.iter().map(|reading| reading - origin).zip(levers);
    left.fold((together(sums), together(moments)), |(sum, moment), (above, lever)| {
        (sum + above, moment + above * lever)
    })
}

/// Square of the typical slope of some pieces; `None` for too few.
pub(super) fn typical(pieces: &[Piece]) -> Option<f64> {
    (pieces.len() >= ENOUGH).then(|| Typical::of(pieces).square)
}

/// Square of a slope, and its standard error where there is none.
struct Typical {
    square: f64,
    error: f64,
}

impl Typical {
    /// Of at least one piece. O(k log k).
    fn of(pieces: &[Piece]) -> Self {
        let mut pieces: Vec<(f64, f64)> = pieces.iter().map(|p| (p.square, p.noise)).collect();
        pieces.sort_by(|a, b| (a.0 / a.1).total_cmp(&(b.0 / b.1)));
        pieces.truncate(pieces.len() - pieces.len() / 10);
        let weight: f64 = pieces.iter().map(|(_, v)| 1.0 / v).sum();
        let surplus = pieces.iter().map(|(square, v)| square / v - 1.0).sum::<f64>();
        let error = (2.0 * pieces.len() as f64).sqrt();
        Self { square: surplus / weight, error: error / weight }
    }
}

/// The first sample of each part, and its slope as far as it exceeds a standard error.
fn steeper(pieces: &[Piece]) -> Vec<(usize, f64)> {
    if pieces.len() < PART {
        return Vec::new();
    }
    let last = (pieces.len() - PART) / NEXT;
    let of_part = |k: usize| {
        let end = if k == last { pieces.len() } else { k * NEXT + PART };
        let part = Typical::of(&pieces[k * NEXT..end]);
        (part.square - part.error).max(0.0).sqrt()
    };
    let parts: Vec<f64> = (0..=last).map(of_part).collect();
    // A piece in two parts takes the steeper one's.
    let both = |k: usize| {
        let before = k.checked_sub(1).map_or(0.0, |before| parts[before]);
        before.max(parts.get(k).copied().unwrap_or(0.0))
    };
    (0..=last + 1).map(|k| (pieces[k * NEXT].first, both(k))).collect()
}

#[cfg(test)]
mod tests {
    use super::super::noise::Noise;
    use super::*;
    use crate::capture::TimeAxis;
    use rand::{Rng, SeedableRng};
    use rand_distr::StandardNormal;

    #[test]
    fn moments_are_those_of_every_reading() {
        for n in 1..20_i32 {
            let readings: Vec<f64> = (0..n).map(|i| f64::from(i * 7 % 5 + 3)).collect();
            let above = |i: i32| f64::from(i * 7 % 5);
            let direct = (0..n).fold((0.0, 0.0), |(sum, moment), i| {
                (sum + above(i), moment + above(i) * f64::from(i))
            });
            assert_eq!(moments(&readings, 3.0), direct, "{n}");
        }
    }

    /// A cycle is no step, however many readings long it is and however far above the noise.
    #[test]
    fn a_cycle_of_some_dozen_readings_has_no_steps() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(14);
        let mut steps = 0;
        for (case, period) in [60.0, 80.0, 97.0, 130.0].into_iter().enumerate() {
            for height in [3.0, 10.0, 30.0] {
                let sigma = if case % 2 == 0 { 1e-6 } else { 2e-3 };
                let phase: f64 = random.random_range(0.0..6.0);
                let cycle =
                    |i: usize| height * (std::f64::consts::TAU * i as f64 / period + phase).sin();
                let current_a = (0..9000)
                    .map(|i| sigma * (cycle(i) + random.sample::<f64, _>(StandardNormal)))
                    .collect();
                let time = TimeAxis::Uniform { interval_s: 1.0, len: 9000 };
                let samples = crate::capture::Samples { time, current_a };
                let found = super::super::segment(&samples, &[], None, &Default::default());
                steps += found.expect("enough readings").steps.len();
            }
        }
        assert!(steps <= 3, "{steps} steps in 12 captures without one");
    }

    /// Slow waves in the last fifth of a capture that is quiet otherwise: their slope is that part's,
    /// and the rest keeps its own.
    #[test]
    fn a_part_that_is_steeper_has_its_own_slope() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(8);
        for sigma in [1e-6, 2e-3] {
            let wave = |i: u32| 40.0 * sigma * (f64::from(i.saturating_sub(16_000)) / 400.0).sin();
            let values: Vec<f64> = (0..20_000)
                .map(|i| wave(i) + sigma * random.sample::<f64, _>(StandardNormal))
                .collect();
            let noise = Noise::learn(&values, None);
            let time = TimeAxis::Uniform { interval_s: 1.0, len: values.len() };
            let ground = Ground::plain(&values, &time, &noise);
            let edges = [0, values.len()];
            let pieces = POOLS.map(|pool| of_pieces(&ground, &edges, pool)).to_vec();
            let all = POOLS.map(|_| 0.0);
            let slopes = Slopes::with_parts(all, &pieces);
            // The root of the mean square of a cosine.
            let truth = 40.0 * sigma / 400.0 / 2f64.sqrt();
            for scale in 0..SHORT_SCALES {
                let of_waves = slopes.at(scale, 18_000) / truth;
                assert!((0.6..1.4).contains(&of_waves), "{of_waves}");
                let quiet = slopes.at(scale, 8_000) / truth;
                assert!(quiet < 0.05, "{quiet}");
            }
            assert_eq!(slopes.at(SHORT_SCALES, 18_000), 0.0);
        }
    }
}
