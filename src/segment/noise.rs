//! The meter's noise: how much, how correlated, and how it grows with level.
//!
//! Model: `x_t = level_t + σ(level_t) u_t`, `u` a unit AR(1) process with coefficient φ, rounded to
//! the resolution q. The second difference over k readings, `x_t − 2 x_{t−k} + x_{t−2k}`, which no
//! steady slope touches, then has the variance `D_k = 2 σ² (1 − φᵏ)(3 − φᵏ) + q²/2`. Each is
//! estimated from the smallest 85 % of the squares, divided by 0.5205, their mean for Gaussian
//! differences of unit variance: steps, spikes and bursts lie in the part cut off. (A median
//! absolute deviation is useless on rounded readings: it only takes whole counts.) The noise of a
//! level comes from the differences between readings near
//! that level. Levels are binned by the logarithm of their distance from the quietest common
//! level, so that microamperes asleep and amperes awake are resolved alike.

use std::hint::select_unpredictable;

use rayon::prelude::*;

use super::NoiseModel;
use super::quiet::{self, Quiet};
use super::squares::Squares;
use crate::findings::NoiseAtLevel;
use crate::numeric::extremes;

/// Samples that the noise is learnt from at most; longer captures are sampled evenly.
const LEARN_FROM: usize = 1 << 18;
/// The same for what is the same at all levels, or of the commonest: the correlation, which is told to a
/// hundredth, and the quiet quarter.
const COMMON_FROM: usize = 1 << 16;
/// Length of one stretch of that sample.
const STRETCH: usize = 1024;
/// Readings up to which a capture is short: it may not fill the bins of its levels, and steps not known
/// yet pass for correlation.
pub(super) const FEW: usize = 400;
/// Lags that tell φ.
const LAGS: [usize; 4] = [2, 3, 6, 12];
/// Of these, the shortest ones that tell it where each is seen seldom.
const SEVERAL: usize = 3;
/// Readings that the second difference over the longest lag spans.
const LONGEST: usize = 2 * LAGS[LAGS.len() - 1] + 1;
/// Square of a second difference, in its variance, that ends a run of like readings.
const SHARP: f64 = 20.0;
/// Differences that a level needs to have its own noise.
const ENOUGH: u64 = 24;
/// Variance of a second difference, in squared counts, below which readings are stuck.
const STUCK: f64 = 0.2;
/// The same below which noise, of 0.2 counts or less wherever the level lies between two counts, seldom
/// carries readings across one.
const SELDOM: f64 = 0.6;
/// Counts that differ by less than this factor are the same.
const ALIKE: f64 = 1.5;
/// Steps that a level creeping across a count makes there: fewer counts than this.
const CREEPS: f64 = 0.75;
/// The same of steps that chance makes where readings go to the next count and stay for a while.
const FLIPS: f64 = 1.25;
/// Readings that they stay at most.
const STAYS: usize = 24;
/// Half-octave bins of level on each side of the quiet level.
const SIDE_BINS: usize = 60;

/// The noise model in the form that the passes use.
#[derive(Debug, Clone)]
pub(super) struct Noise {
    quiet_level: f64,
    quiet_sigma: f64,
    /// σ of each level bin.
    sigma: Vec<f64>,
    /// The stabilised scale in each bin.
    scale: Vec<Piece>,
    /// Reciprocal of the distance at which the bins next to the quiet level's start.
    per_bin: f64,
    pub(super) phi: f64,
    pub(super) floor: f64,
    /// Count that readings at the commonest level hardly ever leave; 0 when they do.
    pub(super) stuck_count: f64,
    /// Count of each level bin where noise seldom carries readings across it; 0 elsewhere.
    seldom: Vec<f64>,
    /// Commonest bin.
    common: usize,
    /// Bins that hold data of their own.
    seen: Vec<bool>,
    /// 1/σ where σ is much the same at every level.
    even: Option<f64>,
}

/// A straight piece of the stabilised scale: its value at the inner edge of a bin, that edge's
/// distance from the quiet level, and its slope, 1/σ.
#[derive(Debug, Clone, Copy)]
struct Piece {
    stable: f64,
    inner: f64,
    per_sigma: f64,
}

/// A level this many times noisier than the levels known on both sides of it shows edges, not noise:
/// bursts of a few readings have little else.
const NOISIER: f64 = 8.0;

/// A level seen for a few readings at a time whose noise is this share of its distance from the quiet level
/// shows nothing but the edges of wakes so short and so many that no reading is all theirs.
const EDGES_ALONE: f64 = 0.5;

/// The same where a level nearer to the quiet one, at which the readings stay, shows that their noise in
/// proportion to its distance is much smaller.
const EDGES_BESIDE: f64 = 0.05;

/// The same of several levels next to one another, each passed through by a soft edge or a tail: all together
/// they hold fewer than this share of the readings at either level beside them.
const PASSED: u64 = 4;

/// Drops such levels; they take the σ of their neighbours. `total` is how many differences a level has.
fn drop_edges(own: &mut [Option<f64>], total: impl Fn(usize) -> u64) {
    let known: Vec<(usize, f64)> =
        own.iter().enumerate().filter_map(|(i, sigma)| sigma.map(|sigma| (i, sigma))).collect();
    for count in 3..=known.len() {
        for levels in known.windows(count) {
            let [first, passed @ .., last] = levels else { continue };
            let noisier = passed.iter().all(|level| level.1 > NOISIER * first.1.max(last.1));
            let few = || {
                let readings: u64 = passed.iter().map(|level| total(level.0)).sum();
                PASSED * readings < total(first.0).min(total(last.0))
            };
            if noisier && (passed.len() == 1 || few()) {
                passed.iter().for_each(|level| own[level.0] = None);
            }
        }
    }
}

/// Variance of `x_t − 2 x_{t−k} + x_{t−2k}` of unit AR(1) noise whose correlation over k readings
/// is `r`.
pub(super) fn second_difference(r: f64) -> f64 {
    2.0 * (1.0 - r) * (3.0 - r)
}

/// Median of five.
#[inline(always)]
fn median5(w: &[f64]) -> f64 {
    // Finite values need less care than `f64::min` takes, and no branch, which noise would take at random.
    let least = |a: f64, b: f64| select_unpredictable(a < b, a, b);
    let most = |a: f64, b: f64| select_unpredictable(a > b, a, b);
    let low = most(least(w[0], w[1]), least(w[3], w[4]));
    let high = least(most(w[0], w[1]), most(w[3], w[4]));
    // The median of five is the median of the middle one and the inner pair.
    least(most(w[2], least(low, high)), most(low, high))
}

/// All of `values`, or as many stretches of them as hold `most` readings.
fn stretches(values: &[f64], most: usize) -> Vec<&[f64]> {
    let n = values.len();
    if n <= most {
        return vec![values];
    }
    let count = most / STRETCH;
    (0..count)
        .map(|k| {
            let at = (k as u128 * (n - STRETCH) as u128 / (count - 1) as u128) as usize;
            &values[at..at + STRETCH]
        })
        .collect()
}

/// Readings that one task looks at.
const TASK: usize = 1 << 16;

/// What `of` gathers from the stretches, one part a task and in order. It is told how many windows
/// ahead of its own a piece of a longer stretch begins with, at most `ahead`.
fn of_pieces<T: Send>(
    stretches: &[&[f64]],
    ahead: usize,
    empty: impl Fn() -> T + Sync,
    of: impl Fn(&mut T, &[f64], usize) + Sync,
) -> Vec<T> {
    let pieces: Vec<(&[f64], usize)> = stretches
        .iter()
        .flat_map(|stretch| {
            (0..stretch.len()).step_by(TASK).map(move |from| {
                let start = from.saturating_sub(ahead);
                (&stretch[start..stretch.len().min(from + TASK + 4)], from - start)
            })
        })
        .collect();
    let longest = pieces.iter().map(|piece| piece.0.len()).max().unwrap_or(1);
    let tasks = pieces.par_chunks((TASK / longest).max(1)).map(|pieces| {
        let mut part = empty();
        pieces.iter().for_each(|(piece, skipped)| of(&mut part, piece, *skipped));
        part
    });
    tasks.collect()
}

impl Noise {
    /// Learns the noise. `values` are finite and not all equal. O(n), at most 2¹⁸ samples used.
    pub(super) fn learn(values: &[f64], resolution: Option<f64>) -> Self {
        Self::learn_up_to(values, resolution, 1.0)
    }

    /// The same with φ no more than `most`.
    pub(super) fn learn_up_to(values: &[f64], resolution: Option<f64>, most: f64) -> Self {
        let magnitudes = values.par_chunks(TASK).map(|chunk| {
            let (low, high) = extremes(chunk);
            high.max(-low)
        });
        let magnitude = magnitudes.reduce(|| 0.0, f64::max);
        // Below this the arithmetic itself rounds.
        let rounding = 4.0 * f64::EPSILON * magnitude;
        let q = resolution.filter(|q| q.is_finite() && *q > 0.0).unwrap_or(0.0);
        let floor = (q / 12f64.sqrt()).max(rounding).max(f64::MIN_POSITIVE.sqrt());
        let (learnt_from, common) = (stretches(values, LEARN_FROM), stretches(values, COMMON_FROM));
        let Quiet { level: quiet_level, sigma: quiet_sigma, polls } = quiet::find(&common, floor);

        let mut noise = Self {
            quiet_level,
            quiet_sigma,
            sigma: Vec::new(),
            scale: Vec::new(),
            per_bin: (4.0 * quiet_sigma).recip(),
            phi: 0.0,
            floor,
            stuck_count: 0.0,
            seldom: Vec::new(),
            common: SIDE_BINS,
            seen: vec![false; 2 * SIDE_BINS + 1],
            even: None,
        };
        let empty = || vec![None::<Squares>; 2 * SIDE_BINS + 1];
        let parts = of_pieces(&learnt_from, 2, empty, |bins, piece, skipped| {
            let (mut before, mut stays) = ([usize::MAX / 2; 2], false);
            for (i, w) in piece.windows(5).enumerate() {
                // A difference across an edge has different levels at its ends.
                let bin = noise.bin(median5(w));
                let stayed = std::mem::replace(
                    &mut stays,
                    bin.abs_diff(before[0]) <= 2 && bin.abs_diff(before[1]) <= 2,
                );
                // Between dense polls most differences are edges, whatever the median says.
                let within = |value: &f64| noise.bin(*value).abs_diff(bin) <= 1;
                if i >= skipped && stays && (!polls || w[..3].iter().all(within)) {
                    let squares = bins[bin].get_or_insert_with(|| Squares::new(quiet_sigma));
                    // A level next to one where they stay may be passed by a single median.
                    squares.visits += u64::from(!stayed || bin.abs_diff(before[0]) >= 2);
                    squares.add(w[2] - 2.0 * w[1] + w[0]);
                }
                before = [bin, before[0]];
            }
        });
        let mut bins = empty();
        for (bin, part) in parts.into_iter().flat_map(|part| part.into_iter().enumerate()) {
            match (&mut bins[bin], part) {
                (Some(all), Some(part)) => all.join(&part),
                (all, part) => *all = all.take().or(part),
            }
        }
        let difference_variance: Vec<Option<(f64, f64)>> = bins
            .iter()
            .map(|bin| {
                bin.as_ref()
                    .filter(|bin| bin.total() >= ENOUGH)
                    .map(|bin| (bin.variance(), bin.smallest().max(q)))
            })
            .collect();
        noise.common = bins
            .iter()
            .enumerate()
            .max_by_key(|(i, bin)| {
                (bin.as_ref().map_or(0, Squares::total), 1000 - i.abs_diff(SIDE_BINS))
            })
            .map_or(SIDE_BINS, |(i, _)| i);
        let phi = noise.correlation(&common, &difference_variance, values.len(), polls).min(most);
        // Rounding adds white noise of q²/12 to what is correlated.
        let parts = |(v, q): (f64, f64)| {
            let white = (q * q / 12.0).min(0.8 * v / second_difference(0.0));
            ((v - second_difference(0.0) * white) / second_difference(phi), white)
        };
        let sigma_of = |bin: (f64, f64)| {
            let (correlated, white) = parts(bin);
            (correlated + white).sqrt().max(floor).max(bin.1 / 12f64.sqrt())
        };
        let count_of = |bin: usize| difference_variance[bin].map_or(0.0, |bin: (f64, f64)| bin.1);
        let mut own: Vec<Option<f64>> =
            difference_variance.iter().map(|bin| bin.map(sigma_of)).collect();
        let brief = |i: usize| bins[i].as_ref().is_some_and(Squares::is_brief);
        noise.drop_brief(&mut own, brief);
        // One coefficient for both parts: the one that gives long means their true variance.
        let (correlated, white) = difference_variance[noise.common].map_or((0.0, 0.0), parts);
        if correlated > 0.0 {
            let long = (correlated * (1.0 + phi) / (1.0 - phi) + white) / (correlated + white);
            noise.phi = (long - 1.0) / (long + 1.0);
        }
        // A reading that jumps by a whole count is no large innovation of a quieter process: with
        // the variance of long means kept, the innovation is given that of two roundings.
        let sigma = own[noise.common].unwrap_or(0.0);
        let least = count_of(noise.common).powi(2) / 6.0;
        let (innovation, long) = (
            sigma * sigma * (1.0 - noise.phi * noise.phi),
            sigma * sigma * (1.0 + noise.phi) / (1.0 - noise.phi),
        );
        if innovation > 0.0 && innovation < least {
            noise.phi = (1.0 - (least / long).sqrt()).max(0.0);
            let wider = long * (1.0 - noise.phi) / (1.0 + noise.phi) / (sigma * sigma);
            let wider = wider.sqrt().max(1.0);
            own.iter_mut().flatten().for_each(|own| *own *= wider);
        }
        // A smallest difference above the resolution may as well be one of edges.
        let seldom = |bin: &Option<(f64, f64)>| match *bin {
            Some((v, count)) if v < SELDOM * count * count && count < ALIKE * q => count,
            _ => 0.0,
        };
        noise.seldom = difference_variance.iter().map(seldom).collect();
        // Readings that hardly ever leave their count say little of the noise below it.
        if let Some((v, count)) = difference_variance[noise.common]
            && v < STUCK * count * count
        {
            noise.stuck_count = count;
            noise.phi = noise.phi.min(0.5);
        }
        drop_edges(&mut own, |bin| bins[bin].as_ref().map_or(0, Squares::total));
        noise.seen = own.iter().map(Option::is_some).collect();
        noise.fill(&own);
        noise
    }

    /// Drops levels seen for a few readings at a time that show edges, not noise.
    fn drop_brief(&self, own: &mut [Option<f64>], brief: impl Fn(usize) -> bool) {
        let out = |i: usize| i.abs_diff(SIDE_BINS);
        let steady: Vec<(usize, f64)> = (own.iter().enumerate())
            .filter(|(i, _)| !brief(*i))
            .filter_map(|(i, sigma)| sigma.map(|sigma| (i, sigma)))
            .collect();
        for (i, own) in own.iter_mut().enumerate() {
            let Some(sigma) = own.filter(|_| out(i) > 0 && brief(i)) else { continue };
            let distance = self.edge(out(i) - 1);
            let inward = |level: &&(usize, f64)| out(level.0) < out(i);
            let nearest = steady.iter().filter(inward).min_by_key(|level| level.0.abs_diff(i));
            let noisier = nearest.is_some_and(|(beside, sigma_there)| {
                let grows = (distance / self.edge(out(*beside))).max(1.0);
                sigma > NOISIER * sigma_there * grows
            });
            let share = if noisier { EDGES_BESIDE } else { EDGES_ALONE };
            if sigma > share * distance {
                *own = None;
            }
        }
    }

    /// φ from the growth of the differences with the lag; between polls from that of long stays alone,
    /// as short ones do not tell it from edges.
    fn correlation(
        &self,
        stretches: &[&[f64]],
        variance: &[Option<(f64, f64)>],
        n: usize,
        polls: bool,
    ) -> f64 {
        let empty = || vec![Squares::new(1.0); LAGS.len() + 1];
        // Of each level: the largest square that is no sharp change, and the reciprocal scale.
        // Few readings may not fill the bin of a level.
        let quiet = (second_difference(0.0) * self.quiet_sigma * self.quiet_sigma, 0.0);
        let instead = (n <= FEW).then(|| variance[self.common].unwrap_or(quiet));
        let scales: Vec<Option<(f64, f64)>> = variance
            .iter()
            .map(|bin| {
                let (v, q) = bin.or(instead).filter(|bin| bin.0 > 0.0)?;
                Some((SHARP * v + 2.25 * q * q, v.sqrt().recip()))
            })
            .collect();
        // Runs need not be longer than twice the longest lag.
        let ahead = LONGEST - 1;
        let parts = of_pieces(stretches, ahead, empty, |by_lag, stretch, skipped| {
            // Readings since the last sharp change.
            let mut run = 0;
            for (i, w) in stretch.windows(5).enumerate() {
                let Some((largest, scale)) = scales[self.bin(median5(w))] else {
                    run = 0;
                    continue;
                };
                let change = w[2] - 2.0 * w[1] + w[0];
                run = if change * change <= largest { run + 1 } else { 0 };
                if i < skipped {
                    continue;
                }
                if run >= ahead {
                    // All lags at once, the readings up to this one in a window of known length.
                    let Some(past) = stretch[..i + 3].last_chunk::<LONGEST>() else { continue };
                    let at = |lag: usize| past[LONGEST - 1 - lag];
                    let [near, a, b, c, d] = &mut by_lag[..] else { continue };
                    for (squares, lag) in
                        [(near, 1), (a, LAGS[0]), (b, LAGS[1]), (c, LAGS[2]), (d, LAGS[3])]
                    {
                        squares.add((at(0) - 2.0 * at(lag) + at(2 * lag)) * scale);
                    }
                    continue;
                }
                let now = stretch[i + 2];
                for (squares, lag) in by_lag.iter_mut().zip([1].into_iter().chain(LAGS)) {
                    if run < 2 * lag {
                        break;
                    }
                    let (middle, first) = (stretch[i + 2 - lag], stretch[i + 2 - 2 * lag]);
                    squares.add((now - 2.0 * middle + first) * scale);
                }
            }
        });
        let mut by_lag = empty();
        for part in &parts {
            by_lag.iter_mut().zip(part).for_each(|(all, part)| all.join(part));
        }
        let common = variance[self.common].filter(|bin| bin.0 > 0.0);
        let rounding = common.map_or(0.0, |(v, q)| 0.5 * q * q / v);
        let d: Vec<f64> = by_lag.iter().map(|squares| squares.variance()).collect();
        if d[0] <= 0.0 || by_lag[0].total() < ENOUGH {
            return 0.0;
        }
        let d: Vec<f64> = d.iter().map(|v| (v - rounding).max(0.2 * v)).collect();
        let told = |least: u64| by_lag.iter().take_while(|all| all.total() >= least).count();
        // Few readings tell it from several lags, of which one alone is chance.
        let (many, few) = (told(4 * ENOUGH), told(ENOUGH));
        let known = if few > SEVERAL { many.max(few) } else { many };
        if polls && many <= LAGS.len() {
            return 0.0;
        }
        let misfit = |phi: f64, known: usize| -> f64 {
            LAGS.iter()
                .zip(&d[1..known.max(1)])
                .map(|(lag, dk)| {
                    let expected =
                        second_difference(phi.powi(*lag as i32)) / second_difference(phi);
                    ((dk / d[0]).ln() - expected.ln()).powi(2) / *lag as f64
                })
                .sum()
        };
        let best = |known: usize| -> f64 {
            (0..=98)
                .map(|k| f64::from(k) / 100.0)
                .min_by(|a, b| misfit(*a, known).total_cmp(&misfit(*b, known)))
                .unwrap_or(0.0)
        };
        let chance = 2.0 / (n as f64).sqrt();
        let mut phi = best(known);
        // A background that bends shows at long lags alone.
        if n <= FEW && known > SEVERAL {
            phi = phi.min(best(SEVERAL) + chance);
        }
        // A few readings do not tell a small φ from none.
        if phi < chance { 0.0 } else { phi }
    }

    /// Bins without data take the σ of their neighbours, in proportion on the logarithmic scale.
    fn fill(&mut self, own: &[Option<f64>]) {
        let known: Vec<(usize, f64)> =
            own.iter().enumerate().filter_map(|(i, s)| s.map(|s| (i, s.ln()))).collect();
        let fallback = self.quiet_sigma.max(self.floor);
        self.sigma = (0..own.len())
            .map(|i| {
                let at = known.partition_point(|(k, _)| *k < i);
                match (at.checked_sub(1).map(|b| known[b]), known.get(at)) {
                    (_, Some((k, s))) if *k == i => s.exp(),
                    (Some((a, sa)), Some((b, sb))) => {
                        let share = (i - a) as f64 / (b - a) as f64;
                        (sa + share * (sb - sa)).exp()
                    }
                    (Some((_, s)), None) => s.exp(),
                    (None, Some((_, s))) => s.exp(),
                    (None, None) => fallback,
                }
            })
            .collect();
        let (low, high) =
            self.sigma.iter().fold((f64::INFINITY, 0.0f64), |(l, h), s| (l.min(*s), h.max(*s)));
        self.even = (high < 1.25 * low).then(|| self.common_sigma().recip());
        let flat = |sigma: &f64| Piece { stable: 0.0, inner: 0.0, per_sigma: sigma.recip() };
        self.scale = self.sigma.iter().map(flat).collect();
        let middle = SIDE_BINS;
        let mut outward = self.edge(0) / self.sigma[middle];
        for k in 1..=SIDE_BINS {
            let (inner, width) = (self.edge(k - 1), self.edge(k) - self.edge(k - 1));
            self.scale[middle + k].stable = outward;
            self.scale[middle + k].inner = inner;
            outward += width / self.sigma[middle + k];
        }
        let mut outward = -self.edge(0) / self.sigma[middle];
        for k in 1..=SIDE_BINS {
            let (inner, width) = (self.edge(k - 1), self.edge(k) - self.edge(k - 1));
            self.scale[middle - k].stable = outward;
            self.scale[middle - k].inner = -inner;
            outward -= width / self.sigma[middle - k];
        }
    }

    /// Distance from the quiet level at which bin `k + 1` starts.
    fn edge(&self, k: usize) -> f64 {
        4.0 * self.quiet_sigma * 2f64.powf(0.5 * k as f64)
    }

    #[inline(always)]
    fn bin(&self, level: f64) -> usize {
        let distance = level - self.quiet_level;
        let r = distance * self.per_bin;
        // The exponent of r² numbers the half octaves: 0 below 1.
        let octaves = ((r * r).to_bits() >> 52) as i64;
        let k = (octaves - 1022).clamp(0, SIDE_BINS as i64) as usize;
        // Noise about the quiet level takes either side at random.
        select_unpredictable(distance > 0.0, SIDE_BINS + k, SIDE_BINS - k)
    }

    /// Smallest step at a level that rounding does not make, with `shorter` readings on its shorter side:
    /// where noise is much smaller than a count, the mean of readings stands still while the level
    /// creeps from one count to the next, and moves while it crosses over.
    pub(super) fn least_step(&self, level: f64, shorter: usize) -> f64 {
        let counts = if shorter > STAYS { CREEPS } else { FLIPS };
        counts * self.seldom.get(self.bin(level)).copied().unwrap_or(0.0)
    }

    /// σ of one reading at a level.
    #[inline]
    pub(super) fn sigma_at(&self, level: f64) -> f64 {
        self.sigma[self.bin(level)]
    }

    /// σ at the commonest level.
    pub(super) fn common_sigma(&self) -> f64 {
        self.sigma[self.common]
    }

    /// The smallest σ at any level.
    pub(super) fn least_sigma(&self) -> f64 {
        self.sigma.iter().copied().fold(f64::INFINITY, f64::min)
    }

    /// The value on a scale where the noise is 1 at every level: `∫ dx / σ(x)`, increasing.
    #[inline(always)]
    pub(super) fn stabilise(&self, value: f64) -> f64 {
        if let Some(per_sigma) = self.even {
            return (value - self.quiet_level) * per_sigma;
        }
        let piece = &self.scale[self.bin(value)];
        piece.stable + (value - self.quiet_level - piece.inner) * piece.per_sigma
    }

    /// As handed on.
    pub(super) fn model(&self, spikes: Vec<usize>) -> NoiseModel {
        let by_level = (0..self.sigma.len())
            .filter(|i| self.seen[*i])
            .map(|i| NoiseAtLevel { level_a: self.middle(i), sigma_a: self.sigma[i] })
            .collect();
        NoiseModel {
            sigma_a: self.sigma[self.common],
            phi: self.phi,
            floor_a: self.floor,
            by_level,
            spikes,
        }
    }

    fn middle(&self, bin: usize) -> f64 {
        if bin == SIDE_BINS {
            return self.quiet_level;
        }
        let k = bin.abs_diff(SIDE_BINS);
        let distance = 0.5 * (self.edge(k) + self.edge(k - 1));
        self.quiet_level + if bin > SIDE_BINS { distance } else { -distance }
    }

    /// Correlation that is left between means of `size` neighbouring readings, and the variance
    /// of such a mean in units of σ².
    pub(super) fn pooled(&self, size: usize) -> (f64, f64) {
        if size == 1 {
            return (self.phi, 1.0);
        }
        let g = size as f64;
        let phi = self.phi;
        let variance = 1.0 / crate::numeric::effective_samples(g, phi);
        let covariance = phi * ((1.0 - phi.powi(size as i32)) / (1.0 - phi)).powi(2) / (g * g);
        (covariance / variance, variance)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{Rng, SeedableRng};
    use rand_distr::StandardNormal;

    #[test]
    fn every_window_of_five_is_looked_at_once() {
        for lengths in
            [vec![3 * TASK + 10], vec![STRETCH; 200], vec![5], vec![TASK + 2], vec![4, 9]]
        {
            let values: Vec<Vec<f64>> =
                lengths.iter().map(|n| (0..*n).map(|i| i as f64).collect()).collect();
            let stretches: Vec<&[f64]> = values.iter().map(Vec::as_slice).collect();
            let parts = of_pieces(&stretches, 24, Vec::new, |seen, piece, skipped| {
                seen.extend(piece.windows(5).skip(skipped).map(|w| w[2]));
            });
            let all: Vec<f64> = stretches.iter().flat_map(|s| s.windows(5).map(|w| w[2])).collect();
            assert_eq!(parts.concat(), all, "{lengths:?}");
        }
    }

    /// Polls of 20 mA for two seconds every ten, over 41 µA with 3 µA of noise, at one averaged reading a second
    /// whose edges fall anywhere in it: what is between the levels is edges, and no noise of milliamperes.
    #[test]
    fn wakes_that_are_all_edges_show_no_noise() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        let values: Vec<f64> = (0..1800)
            .map(|i| {
                let noise: f64 = random.sample(StandardNormal);
                let (k, phase) = ((i % 10) as f64, 0.37 * f64::from(i / 10) % 1.0);
                let on = (k + 1.0 - phase).clamp(0.0, 1.0) - (k - 1.0 - phase).clamp(0.0, 1.0);
                41e-6 + 0.020 * on + 3e-6 * noise
            })
            .collect();
        let noise = Noise::learn(&values, None);
        assert!((noise.sigma_at(41e-6) / 3e-6).ln().abs() < 0.5, "{}", noise.sigma_at(41e-6));
        for level_a in [0.006, 0.012, 0.020] {
            assert!(
                noise.sigma_at(level_a) < 0.1 * level_a,
                "{level_a}: {}",
                noise.sigma_at(level_a)
            );
        }
    }

    /// Pulses of some readings, all alike, of a load that runs beside others: the parts of a reading at either end
    /// are no noise, neither of the level that a single median passes nor of the pulses' own.
    #[test]
    fn pulses_beside_steady_levels_show_no_noise() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(7);
        for (case, shape) in [&[0.06, 1.0, 0.06][..], &[0.1, 1.0, 0.1], &[0.62, 1.0, 1.0, 0.74]]
            .into_iter()
            .enumerate()
        {
            for height in [8.4, 14.0, 22.0] {
                let unit = if case % 2 == 0 { 1.0 } else { 1e-6 };
                let values: Vec<f64> = (0..6000)
                    .map(|i| {
                        let base =
                            if i / 1500 % 2 == 0 { 0.02 } else { 0.66 + 0.3 * (i / 3000) as f64 };
                        let pulse =
                            if i > 2400 { shape.get(i % 45).copied().unwrap_or(0.0) } else { 0.0 };
                        let noise: f64 = random.sample(StandardNormal);
                        unit * (base + height * pulse + 4e-4 * noise)
                    })
                    .collect();
                let noise = Noise::learn(&values, None);
                for level in [0.66, 0.96, 1.5, 0.66 * height, height, 1.1 * height] {
                    let told = noise.sigma_at(unit * level) / unit;
                    assert!(told < 0.02 * level, "{shape:?} of {height} A at {level} A: {told} A");
                }
            }
        }
    }

    /// Wakes of ten readings that fall off over several: the levels that only the falls pass show no noise of
    /// their own, wherever the wakes' level lies among the bins.
    #[test]
    fn levels_that_tails_pass_show_no_noise() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(11);
        for case in 0..24 {
            let unit = if case % 2 == 0 { 1.0 } else { 1e-6 };
            let height = unit * 0.02 * (f64::from(case) / 48.0).exp2();
            let mut values = Vec::new();
            for _ in 0..90 {
                let above = height * (1.0 + 0.003 * random.sample::<f64, _>(StandardNormal));
                let rise: f64 = random.random_range(0.0..1.0);
                let fall: f64 = random.random_range(0.4..1.0);
                values.extend((0..46).map(|i| {
                    let course = match i {
                        0 => rise,
                        1..10 => 1.0,
                        _ => fall * 0.4f64.powi(i - 10),
                    };
                    let level = 0.018 * height + above * course;
                    let sigma = 5e-6 * height + 1.2e-3 * level;
                    level + sigma * random.sample::<f64, _>(StandardNormal)
                }));
            }
            let noise = Noise::learn(&values, None);
            for share in [0.3, 0.5, 0.7, 1.0] {
                let told = noise.sigma_at(share * height) / height;
                assert!(told < 0.005, "case {case}, {share}: {told}");
            }
        }
    }
}
