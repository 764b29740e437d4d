//! What each stretch is: steady, settling, ramping, or a burst; and its mean with uncertainty.

use rayon::prelude::*;

use super::jump::Ground;
use super::{SHORTEST, Segment, bursts};
use crate::capture::TimeAxis;
use crate::findings::SegmentKind;
use crate::numeric::{effective_samples, extremes, plain_sum};

/// Fall in squared misfit, in σ², that shows a decay or a ramp.
const EVIDENT: f64 = 40.0;
/// A decay has settled when what is left of it is below this share of σ.
const SETTLED: f64 = 0.25;
/// A ramp moves by more than this many σ, and by more than this share of the capture's range.
const RAMP_SIGMAS: f64 = 12.0;
const RAMP_SHARE: f64 = 0.03;
/// Blocks of a stretch at most: enough to tell a ramp.
const BLOCKS: usize = 64;
/// Blocks of one length after a step, before they become twice as long.
const OF_ONE_SIZE: usize = 8;
/// Readings at either end of a stretch that may lie across its edge, how many σ they are then off,
pub(super) const ACROSS: usize = 2;
const OFF_LEVEL: f64 = 5.0;
/// and how long a stretch must be for its level to be known without them.
const KNOWN_WITHOUT: usize = 4 * ACROSS;

/// Range, in σ, of a few readings that are no level: of seven, chance makes one of these in 10⁸.
const UNEVEN: f64 = 9.0;

/// Sums of a stretch in blocks, about its first value.
struct Profile {
    origin: f64,
    /// Samples, mean and mean time of each block; mean is relative to `origin`.
    blocks: Vec<(f64, f64, f64)>,
    count: f64,
    mean: f64,
    sd: f64,
}

/// Cuts stretches between `edges` where they settle, and describes every piece.
pub(super) fn describe(ground: &Ground<'_>, edges: &[usize], is_step: &[bool]) -> Vec<Segment> {
    let n = ground.values.len();
    let range = range(ground.values);
    let pieces: Vec<Vec<Segment>> = (0..edges.len())
        .into_par_iter()
        .map(|i| {
            let (first, end) = (edges[i], edges.get(i + 1).copied().unwrap_or(n));
            stretch(ground, first, end, is_step[i], range)
        })
        .collect();
    let mut segments: Vec<Segment> = pieces.into_iter().flatten().collect();
    for i in 0..segments.len() {
        segments[i].end_s = match segments.get(i + 1) {
            Some(next) if ground.breaks.binary_search(&next.first).is_err() => next.start_s,
            _ => ground.time.at(segments[i].end - 1),
        };
    }
    bursts::mark(ground, &mut segments);
    segments
}

fn range(values: &[f64]) -> f64 {
    let (low, high) = values
        .par_chunks(1 << 16)
        .map(extremes)
        .reduce(|| (f64::INFINITY, f64::NEG_INFINITY), |a, b| (a.0.min(b.0), a.1.max(b.1)));
    (high - low).max(0.0)
}

fn profile(ground: &Ground<'_>, first: usize, end: usize) -> Profile {
    let n = end - first;
    let size = n.div_ceil(BLOCKS).max(1);
    let values = &ground.values[first..end];
    let origin = values[0];
    let from = ground.spikes.partition_point(|s| *s < first);
    let to = ground.spikes.partition_point(|s| *s < end);
    let spikes = &ground.spikes[from..to];
    let sums = |k: usize, block: &[f64]| -> (f64, f64, f64, f64) {
        let start = first + k * size;
        let (mut sum, mut squares) = block_sums(block, origin);
        let mut count = block.len() as f64;
        let from = spikes.partition_point(|s| *s < start);
        for spike in spikes[from..].iter().take_while(|s| **s < start + block.len()) {
            let d = ground.values[*spike] - origin;
            sum -= d;
            squares -= d * d;
            count -= 1.0;
        }
        let middle = 0.5 * (ground.time.at(start) + ground.time.at(start + block.len() - 1));
        (count, sum, squares.max(0.0), middle)
    };
    let raw: Vec<(f64, f64, f64, f64)> = if n > 1 << 16 {
        values.par_chunks(size).enumerate().map(|(k, b)| sums(k, b)).collect()
    } else {
        values.chunks(size).enumerate().map(|(k, b)| sums(k, b)).collect()
    };
    let count: f64 = raw.iter().map(|b| b.0).sum();
    if count < 1.0 {
        return Profile { origin, blocks: vec![(1.0, 0.0, 0.0)], count: 1.0, mean: 0.0, sd: 0.0 };
    }
    let mean = raw.iter().map(|b| b.1).sum::<f64>() / count;
    // Each block's squares about the mean: Σd² − 2 m Σd + c m².
    let squares: f64 = raw.iter().map(|(c, s, q, _)| q - 2.0 * mean * s + c * mean * mean).sum();
    let sd = if count > 1.0 { (squares.max(0.0) / (count - 1.0)).sqrt() } else { 0.0 };
    let blocks = raw.iter().filter(|b| b.0 > 0.0).map(|(c, s, _, t)| (*c, s / c, *t)).collect();
    Profile { origin, blocks, count, mean, sd }
}

/// Sum and sum of squares of `v − origin`, in four lanes.
fn block_sums(block: &[f64], origin: f64) -> (f64, f64) {
    let mut sum = [0.0; 4];
    let mut squares = [0.0; 4];
    let chunks = block.chunks_exact(4);
    let rest = chunks.remainder();
    for chunk in chunks {
        for k in 0..4 {
            let d = chunk[k] - origin;
            sum[k] += d;
            squares[k] += d * d;
        }
    }
    let (mut s, mut q) = (0.0, 0.0);
    for v in rest {
        s += v - origin;
        q += (v - origin) * (v - origin);
    }
    (s + sum.iter().sum::<f64>(), q + squares.iter().sum::<f64>())
}

fn stretch(
    ground: &Ground<'_>,
    first: usize,
    end: usize,
    after_step: bool,
    range: f64,
) -> Vec<Segment> {
    let whole = profile(ground, first, end);
    let sigma = ground.noise.sigma_at(whole.origin + whole.mean);
    let cut = if after_step { settles(ground, first, end) } else { None };
    if let Some(cut) = cut {
        if cut >= end {
            return vec![piece(ground, first, end, &whole, SegmentKind::Transient)];
        }
        let rest = within(ground, cut, end, profile(ground, cut, end), sigma);
        let kind = level_or_ramp(ground, &rest, sigma, range);
        return vec![
            piece(ground, first, cut, &profile(ground, first, cut), SegmentKind::Transient),
            piece(ground, cut, end, &rest, kind),
        ];
    }
    if end - first < SHORTEST {
        // Taken during a change; the excursions among them are bursts below.
        return vec![piece(ground, first, end, &whole, SegmentKind::Transient)];
    }
    if end - first < KNOWN_WITHOUT && is_uneven(ground, first, end, sigma) {
        return vec![piece(ground, first, end, &whole, SegmentKind::Transient)];
    }
    let whole = within(ground, first, end, whole, sigma);
    let kind = level_or_ramp(ground, &whole, sigma, range);
    vec![piece(ground, first, end, &whole, kind)]
}

/// Whether a few readings have no level in common: a surge that is over before it shows as a decay.
/// Those at either end that were taken during the change do not count.
fn is_uneven(ground: &Ground<'_>, first: usize, end: usize, sigma: f64) -> bool {
    let mut values = Vec::new();
    ground.copy(first, end, &mut values);
    let values = ground.settled(&values);
    let (low, high) = extremes(values);
    high - low > UNEVEN * sigma
}

/// The profile of a stretch without the readings across its edges: a meter that averages shows a
/// value between both levels there, which is neither's.
fn within(ground: &Ground<'_>, first: usize, end: usize, whole: Profile, sigma: f64) -> Profile {
    let n = end - first;
    if n < KNOWN_WITHOUT {
        return whole;
    }
    let off = |at: usize| ground.values[at] - whole.origin;
    let is_spike = |at: usize| ground.spikes.binary_search(&at).is_ok();
    let ends = (first..first + ACROSS).chain(end - ACROSS..end).filter(|at| !is_spike(*at));
    let (count, sum) = ends.fold((0.0, 0.0), |(count, sum), at| (count + 1.0, sum + off(at)));
    let level = (whole.count * whole.mean - sum) / (whole.count - count).max(1.0);
    let across = |at: &usize| (off(*at) - level).abs() > OFF_LEVEL * sigma;
    let before = (first..first + ACROSS).take_while(across).count();
    let after = (end - ACROSS..end).rev().take_while(across).count();
    match before + after {
        0 => whole,
        _ => profile(ground, first + before, end - after),
    }
}

fn piece(
    ground: &Ground<'_>,
    first: usize,
    end: usize,
    profile: &Profile,
    kind: SegmentKind,
) -> Segment {
    let noise_a = profile.sd.max(ground.noise.floor);
    let effective = effective_samples(profile.count, ground.noise.phi);
    Segment {
        first,
        end,
        start_s: ground.time.at(first),
        end_s: 0.0,
        mean_a: profile.origin + profile.mean,
        noise_a,
        effective_samples: effective,
        standard_uncertainty_a: noise_a / effective.sqrt(),
        kind,
        state: None,
    }
}

/// Slope's fall in misfit and the change it makes over the stretch decide.
fn level_or_ramp(ground: &Ground<'_>, profile: &Profile, sigma: f64, range: f64) -> SegmentKind {
    if profile.blocks.len() < 4 {
        return SegmentKind::Steady;
    }
    let mean_t = profile.blocks.iter().map(|b| b.0 * b.2).sum::<f64>() / profile.count;
    let (mut tt, mut ty) = (0.0, 0.0);
    for (c, y, t) in &profile.blocks {
        tt += c * (t - mean_t) * (t - mean_t);
        ty += c * (t - mean_t) * (y - profile.mean);
    }
    if tt.is_nan() || tt <= 0.0 {
        return SegmentKind::Steady;
    }
    let slope = ty / tt;
    let span = profile.blocks[profile.blocks.len() - 1].2 - profile.blocks[0].2;
    let worth = effective_samples(profile.count, ground.noise.phi) / profile.count;
    let evidence = slope * slope * tt * worth / (sigma * sigma);
    let change = (slope * span).abs();
    if evidence > EVIDENT && change > RAMP_SIGMAS * sigma && change > RAMP_SHARE * range {
        SegmentKind::Transient
    } else {
        SegmentKind::Steady
    }
}

/// First sample at which an exponential decay from `first` has settled; `end` when it has not by
/// then; `None` when nothing decays.
fn settles(ground: &Ground<'_>, first: usize, end: usize) -> Option<usize> {
    const LONGEST: usize = 8192;
    let n = (end - first).min(LONGEST);
    if n < 8 {
        return None;
    }
    let mut room = Vec::new();
    let values = ground.readings(first, first + n, &mut room);
    let tail = &values[n - n.div_ceil(3)..];
    let level = plain_sum(tail) / tail.len() as f64;
    let sigma = ground.noise.sigma_at(level);
    // Blocks that grow with the distance from the step.
    let mut points: Vec<(f64, f64, f64)> = Vec::new();
    let (mut at, mut size) = (0, 1);
    while at + size <= n {
        let weight = effective_samples(size as f64, ground.noise.phi)
            * if size == 1 { (1.0 - ground.noise.phi) / (1.0 + ground.noise.phi) } else { 1.0 };
        let weight = weight / (sigma * sigma);
        for _ in 0..OF_ONE_SIZE {
            if at + size > n {
                break;
            }
            let mean = plain_sum(&values[at..at + size]) / size as f64;
            let t = 0.5 * (ground.time.at(first + at) + ground.time.at(first + at + size - 1))
                - ground.time.at(first);
            points.push((t, mean - level, weight));
            at += size;
        }
        size *= 2;
    }
    let span = points.last()?.0;
    let shortest = ground.time.at(first + 1) - ground.time.at(first);
    if !(span > 0.0 && shortest > 0.0) {
        return None;
    }
    // A decay only falls, or only rises: what no such curve shows, none shows.
    if [1.0, -1.0].iter().all(|sign| monotone(&points, *sign) < EVIDENT) {
        return None;
    }
    let levels = Levels::of(&points);
    let flat = levels.about;
    let mut best: Option<(f64, f64, f64)> = None;
    let mut next = shortest.max(span / 2000.0);
    while next < 1.5 * span {
        let taus: [f64; LANES] = std::array::from_fn(|_| {
            let tau = next;
            next *= 1.3;
            tau
        });
        let found = match ground.time {
            TimeAxis::Uniform { interval_s, .. } => {
                let mut decay = Evenly::new(taus.map(|tau| interval_s / tau));
                levels.misfits(&points, |_| decay.next())
            }
            TimeAxis::Listed(_) => levels.misfits(&points, |t| taus.map(|tau| (-t / tau).exp())),
        };
        for (tau, found) in taus.into_iter().zip(found).take_while(|(tau, _)| *tau < 1.5 * span) {
            if let Some((square_sum, amplitude)) = found
                && best.is_none_or(|b| square_sum < b.0)
            {
                best = Some((square_sum, amplitude, tau));
            }
        }
    }
    let (square_sum, amplitude, tau) = best?;
    let spread = (square_sum / points.len() as f64).max(1.0);
    if (flat - square_sum) / spread < EVIDENT || amplitude.abs() < 2.0 * sigma {
        return None;
    }
    let settled_s = tau * (amplitude.abs() / (SETTLED * sigma)).ln();
    let settled = ground.time.at(first) + settled_s;
    let cut = ground.time.index_at(settled).clamp(first, end);
    // What is left must be long enough to be a level.
    let rest_s = ground.time.at(end - 1) - settled;
    if end.saturating_sub(cut) < 5 || rest_s < 0.5 * tau {
        return Some(end);
    }
    (cut > first + 1).then_some(cut)
}

/// Time constants that are weighed at once.
const LANES: usize = 4;

/// `exp(−t/τ)` at the middles of blocks of evenly spaced samples, [`OF_ONE_SIZE`] of each size and the next twice
/// as long, from the first sample on: each is the one before, decayed once more.
struct Evenly {
    /// Blocks so far.
    at: usize,
    /// Decay over half a block.
    half: [f64; LANES],
    now: [f64; LANES],
}

impl Evenly {
    /// `rates` are the sampling interval over each τ.
    fn new(rates: [f64; LANES]) -> Self {
        Self { at: 0, half: rates.map(|rate| (-0.5 * rate).exp()), now: [1.0; LANES] }
    }

    #[inline(always)]
    fn next(&mut self) -> [f64; LANES] {
        let longer = self.at > 0 && self.at.is_multiple_of(OF_ONE_SIZE);
        if self.at > 0 {
            for (now, half) in self.now.iter_mut().zip(&self.half) {
                *now *= half * half;
            }
        }
        if longer {
            for (now, half) in self.now.iter_mut().zip(&mut self.half) {
                *now *= *half;
                *half *= *half;
            }
        }
        self.at += 1;
        self.now
    }
}

/// What the sums over weighted levels (time, level, weight) are without any decay.
struct Levels {
    weight: f64,
    weighted: f64,
    /// Square sum about the mean.
    about: f64,
}

impl Levels {
    fn of(points: &[(f64, f64, f64)]) -> Self {
        let (mut weight, mut weighted, mut squares) = (0.0, 0.0, 0.0);
        for (_, y, w) in points {
            weight += w;
            weighted += w * y;
            squares += w * y * y;
        }
        Self { weight, weighted, about: squares - weighted * weighted / weight }
    }

    /// Weighted residual square sums of `c + a d`, d the decays at each point, and `a`.
    fn misfits(
        &self,
        points: &[(f64, f64, f64)],
        mut decays: impl FnMut(f64) -> [f64; LANES],
    ) -> [Option<(f64, f64)>; LANES] {
        let zero = [0.0; LANES];
        let (mut we, mut wee, mut wey) = (zero, zero, zero);
        for (t, y, weight) in points {
            let decays = decays(*t);
            for (lane, e) in decays.into_iter().enumerate() {
                let weighted = weight * e;
                we[lane] += weighted;
                wee[lane] += weighted * e;
                wey[lane] += weighted * y;
            }
        }
        std::array::from_fn(|lane| {
            let (we, wee, wey) = (we[lane], wee[lane], wey[lane]);
            let see = wee - we * we / self.weight;
            if see.is_nan() || see <= 1e-9 * wee {
                return None;
            }
            let a = (wey - we * self.weighted / self.weight) / see;
            Some((self.about - a * a * see, a))
        })
    }
}

/// Fall in the square sum of weighted points (time, level, weight) about their mean that the best curve
/// makes which never falls, for sign 1, or never rises, for −1: pool adjacent violators (Barlow,
/// Bartholomew, Bremner & Brunk 1972, Statistical Inference under Order Restrictions). O(points).
fn monotone(points: &[(f64, f64, f64)], sign: f64) -> f64 {
    // Weight and weighted sum of each pool.
    let mut pools: Vec<(f64, f64)> = Vec::with_capacity(points.len());
    let (mut weight, mut sum) = (0.0, 0.0);
    for (_, y, w) in points {
        let mut own = (*w, sign * w * y);
        weight += own.0;
        sum += own.1;
        while let Some(before) = pools.pop_if(|before| before.1 * own.0 >= own.1 * before.0) {
            own = (before.0 + own.0, before.1 + own.1);
        }
        pools.push(own);
    }
    pools.iter().map(|(w, s)| s * s / w).sum::<f64>() - sum * sum / weight
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::{Samples, TimeAxis};
    use crate::segment::{Wishes, segment};
    use rand::{Rng, SeedableRng};
    use rand_distr::StandardNormal;

    #[test]
    fn a_decay_goes_on_from_block_to_block() {
        let rates: [f64; LANES] = std::array::from_fn(|lane| 0.037 / (1 + lane) as f64);
        let mut decay = Evenly::new(rates);
        let (mut at, mut size) = (0.0, 1.0);
        for i in 0..50 {
            if i > 0 && i % OF_ONE_SIZE == 0 {
                size *= 2.0;
            }
            for (now, rate) in decay.next().into_iter().zip(rates) {
                let direct = (-rate * (at + 0.5 * (size - 1.0))).exp();
                assert!((now / direct - 1.0).abs() < 1e-12, "{i}: {now} for {direct}");
            }
            at += size;
        }
    }

    /// The fall of the square sum is that of the best of all ways to cut the points into pools whose
    /// means rise.
    #[test]
    fn the_best_rising_curve_is_the_best_of_all_rising_ones() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(9);
        for _ in 0..200 {
            let points: Vec<(f64, f64, f64)> = (0..9)
                .map(|i| (f64::from(i), rng.random_range(-2.0..2.0), rng.random_range(0.5..3.0)))
                .collect();
            let mean = |part: &[(f64, f64, f64)]| {
                let weight: f64 = part.iter().map(|p| p.2).sum();
                (weight, part.iter().map(|p| p.1 * p.2).sum::<f64>() / weight)
            };
            let whole = mean(&points).1;
            let best = (0..1u32 << 8)
                .filter_map(|cuts| {
                    let (mut from, mut last, mut gain) = (0, f64::NEG_INFINITY, 0.0);
                    for at in 1..=9 {
                        if at == 9 || cuts >> (at - 1) & 1 == 1 {
                            let (weight, level) = mean(&points[from..at]);
                            (level > last).then_some(())?;
                            gain += weight * (level - whole).powi(2);
                            (from, last) = (at, level);
                        }
                    }
                    Some(gain)
                })
                .fold(0.0, f64::max);
            assert!((monotone(&points, 1.0) - best).abs() < 1e-9);
            let mirrored: Vec<_> = points.iter().map(|(t, y, w)| (*t, -y, *w)).collect();
            assert!((monotone(&mirrored, -1.0) - best).abs() < 1e-9);
        }
    }

    /// 35 mA and 1 mA with 20 µA of noise through a meter that averages from reading to reading:
    /// each edge leaves one reading anywhere between.
    #[test]
    fn readings_across_an_edge_belong_to_neither_level() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        let mut current_a = Vec::new();
        for stay in 0..12 {
            let (here, next) = if stay % 2 == 0 { (35e-3, 1e-3) } else { (1e-3, 35e-3) };
            for k in 0..200 {
                let share: f64 = if k == 199 { rng.random_range(0.2..0.8) } else { 1.0 };
                let noise: f64 = rng.sample(StandardNormal);
                current_a.push(share * here + (1.0 - share) * next + 20e-6 * noise);
            }
        }
        let len = current_a.len();
        let samples = Samples { time: TimeAxis::Uniform { interval_s: 0.1, len }, current_a };
        let found = segment(&samples, &[], None, &Wishes::default()).unwrap();
        let steady: Vec<_> = found.of_kind(SegmentKind::Steady).collect();
        assert_eq!(steady.len(), 12);
        for (stay, segment) in steady.iter().enumerate() {
            let level_a = if stay % 2 == 0 { 35e-3 } else { 1e-3 };
            // Four standard deviations of a mean of 197 readings; one reading across an edge
            // moves it by thirty.
            let most_a = 4.0 * 20e-6 / 197f64.sqrt();
            assert!((segment.mean_a - level_a).abs() < most_a, "{stay}: {segment:?}");
            assert!(segment.noise_a < 30e-6, "{stay}: {segment:?}");
        }
    }
}
