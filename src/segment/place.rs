//! Where exactly, and how sure.
//!
//! With the levels on both sides known, the log-likelihood of the first new sample being `k` is
//! that of the whitened readings; it changes from `k` to `k + 1` only by the readings next to `k`.
//! With a flat prior over the places between the neighbouring steps, its normalised exponential is
//! the posterior of `k`; the step is reported at its median, whose expected error is the least, and
//! the credible interval leaves 2.5 % on each side.
//!
//! On a background that slopes the mean of some readings is not the level where the step is: there
//! each side's level is a line.

use super::choose::Chosen;
use super::jump::{self, Ground, POOLS, SIDE};
use super::slopes::SHORT_SCALES;
use super::soft::SOFT;
use super::tail::{self, Tail};
use crate::numeric::plain_sum;

/// Furthest that a step's place is looked for on either side, samples.
const FURTHEST: usize = 2048;
/// The same at least.
const NEAREST: usize = 4;
/// Readings on either side that tell its σ.
const NEAR: usize = 64;
/// Levels are told by so many times as many readings as the doubtful part has.
const LEVEL: usize = 8;
/// Difference between the sides' σ, in standard deviations, up to which they count as one: a σ that
/// differs by chance alone draws the step to the side that is quieter.
const ALIKE: f64 = 3.0;
/// Readings of a side from which on its level may slope.
const SLOPES_FROM: usize = 8;
/// Times its price that a slope must be worth where none is usual: what bends the levels of a faint
/// step makes its interval too narrow.
const WORTH: f64 = 2.0;
/// Standard errors by which the misfit of a line may exceed what noise leaves.
const MISSES: f64 = 4.0;
/// Share of a jump by which a usual slope may move the levels beside it without moving its place.
const NEGLIGIBLE: f64 = 0.02;
/// Searches for one step: the next begins where the last one found it beyond the doubtful part.
const SEARCHES: usize = 4;
/// Readings within which an edge shows this share of its jump, and the standard deviations that chance
/// may take from that.
const EDGE: usize = 3;
const LEAP: f64 = 0.5;
/// Looks as long beside it, in all of which the background of a bend goes on rising.
const BESIDE: usize = 3;
const CHANCE: f64 = 3.0;
/// Readings between two steps that may be of one soft edge, and the share of its mean rise that each shows.
const OF_ONE_EDGE: std::ops::RangeInclusive<usize> = 1..=EDGE * BESIDE;
const GOES_ON: f64 = 0.5;
/// Share of a surge's jump below which its doubt must be: one that is over within a reading or two is not known.
const KNOWN: f64 = 0.1;
/// Readings from a surge's step to the second one of its decay, at most: a meter that averages shows part of it in one.
const WITHIN: usize = 2;
/// σ that the second reading of a surge lies beyond the level after it.
const SURGES: f64 = 5.0;

/// A step's place.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    pub(super) at: usize,
    /// Median of the posterior, where the step is reported; `at` is its mode.
    pub(super) middle: usize,
    /// First and last index that the first new sample may have, 95 %.
    pub(super) low: usize,
    pub(super) high: usize,
    /// The jump and its standard uncertainty, ampere, where it surges and dies away.
    pub(super) surge: Option<(f64, f64)>,
}

/// A step's place, and with what it was sought: the larger σ of its sides, how far, from how many readings a
/// side, and whether the slope of one moves its level so far that it may move the place.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sought {
    pub(super) place: Place,
    sigma: f64,
    half: usize,
    reach: usize,
    leans: bool,
}

impl Sought {
    /// Whether another look, for another jump or on a ground that slopes otherwise, would find the same.
    fn stands(&self, ground: &Ground<'_>, at: usize, jump: f64) -> bool {
        let moves = usual(ground, at, self.reach) * self.reach as f64;
        how_far(ground, self.sigma, jump) == self.half
            && !self.leans
            && moves <= NEGLIGIBLE * jump.abs()
    }
}

/// How steep the background usually is in windows of so many readings, ampere a sample; 0 in long ones: what they
/// show may be faint steps that were not found.
fn usual(ground: &Ground<'_>, at: usize, readings: usize) -> f64 {
    let scale = (0..SHORT_SCALES).find(|scale| SIDE * POOLS[*scale] >= readings);
    scale.map_or(0.0, |scale| ground.drift.at(scale, at))
}

/// How far the place of a jump is looked for, samples: a weak step's is known to about σ²/δ²
/// correlation lengths.
fn how_far(ground: &Ground<'_>, sigma: f64, jump: f64) -> usize {
    let ratio = sigma / jump.abs().max(f64::MIN_POSITIVE);
    let phi = ground.noise.phi;
    let spread = 40.0 * ratio * ratio * (1.0 + phi) / (1.0 - phi);
    (NEAREST as f64 + spread).min(FURTHEST as f64) as usize
}

/// The level of one side as its readings tell it, a line in time.
#[derive(Debug, Clone, Copy)]
struct Side {
    /// Of all its readings.
    mean: f64,
    level: f64,
    middle_s: f64,
    /// Ampere a second; 0 where the side stands still.
    slope: f64,
    /// How many times its σ a reading lies off the line; 1 where noise alone may do that.
    spread: f64,
}

impl Side {
    /// Of the readings `from..to`, those next to the step being the last ones or the first ones; the
    /// `doubtful` ones there tell no line. A slope counts as far as it is usual or worth its price;
    /// where a line misses the readings, the half of them next to the step tells it.
    fn of(
        ground: &Ground<'_>,
        (from, to): (usize, usize),
        (step_is_after, doubtful): (bool, usize),
        sigma: f64,
        values: &mut Vec<f64>,
    ) -> Self {
        ground.copy(from, to, values);
        let settled = ground.settled_part(values);
        let (mut from, mut values) = (from + settled.start, &values[settled]);
        let usual = usual(ground, from, values.len());
        let phi = ground.noise.phi;
        let variance = sigma * sigma * (1.0 + phi) / (1.0 - phi);
        // Square of what the slope may be, (ampere a sample)².
        let mut likely = usual * usual;
        let mean = plain_sum(values) / values.len() as f64;
        let still = Self { mean, level: mean, middle_s: 0.0, slope: 0.0, spread: 1.0 };
        // A step that is not quite where it was taken to be would tilt the line.
        let rest = values.len().saturating_sub(doubtful);
        if rest < SLOPES_FROM {
            return still;
        }
        if step_is_after {
            values = &values[..rest];
        } else {
            (from, values) = (from + values.len() - rest, &values[values.len() - rest..]);
        }
        loop {
            let level = plain_sum(values) / values.len() as f64;
            let n = values.len();
            let time_s = |i: usize| ground.time.at(from + i);
            let interval_s = (time_s(n - 1) - time_s(0)) / (n - 1) as f64;
            let middle_s =
                time_s(0) + (0..n).map(|i| time_s(i) - time_s(0)).sum::<f64>() / n as f64;
            let (mut moment, mut lever) = (0.0, 0.0);
            for (i, value) in values.iter().enumerate() {
                let t = time_s(i) - middle_s;
                moment += t * (value - level);
                lever += t * t;
            }
            if lever <= 0.0 {
                return still;
            }
            let slope = moment / lever;
            // In samples, as the usual slope is.
            let (square, noise) =
                ((slope * interval_s).powi(2), variance * interval_s * interval_s / lever);
            if square > WORTH * ground.term_cost * noise {
                likely = likely.max(square);
            }
            if likely == 0.0 {
                return still;
            }
            let slope = slope * likely / (likely + noise);
            let off = |(i, value): (usize, &f64)| value - level - slope * (time_s(i) - middle_s);
            let misfit = values.iter().enumerate().map(|part| off(part).powi(2)).sum::<f64>();
            let (misfit, free) = (misfit / (sigma * sigma), (n - 2) as f64);
            if misfit <= free + MISSES * (2.0 * free).sqrt() {
                return Self { mean, level, middle_s, slope, spread: 1.0 };
            }
            if n < SLOPES_FROM {
                return Self { mean, level, middle_s, slope, spread: (misfit / free).sqrt() };
            }
            if step_is_after {
                (from, values) = (from + n - n / 2, &values[n - n / 2..]);
            } else {
                values = &values[..n / 2];
            }
        }
    }

    fn at(&self, ground: &Ground<'_>, i: usize) -> f64 {
        match self.slope {
            0.0 => self.level,
            slope => self.level + slope * (ground.time.at(i) - self.middle_s),
        }
    }
}

/// Whether the readings leap at a step between two others, or only bend there: a background that
/// turns steep at once looks, in any window, like a step on one that curves. An edge may be soft.
pub(super) fn leaps(
    ground: &Ground<'_>,
    left: usize,
    (step, place): &(Chosen, Place),
    right: usize,
) -> bool {
    // Places that moved past one another leave nothing to look at.
    let apart = left <= place.low && place.high < right;
    if !apart || place.surge.is_some() || ground.breaks.binary_search(&place.at).is_ok() {
        return true;
    }
    let jump = step.evidence.jump;
    let mut room = Vec::new();
    let from = left.max(place.low.saturating_sub(EDGE * (BESIDE + 2)));
    let values = ground.readings(from, right.min(place.high + EDGE * (BESIDE + 2)), &mut room);
    let up = |i: usize, j: usize| jump.signum() * (values[j] - values[i]);
    let sigma_of = |i: usize| ground.noise.sigma_at(values[i]);
    // How much a side goes on rising, however one looks at it.
    let rises = |at: &dyn Fn(usize) -> Option<usize>| {
        let looks = (1..=BESIDE).map(|k| match (at(k * EDGE), at((k + 1) * EDGE)) {
            (Some(a), Some(b)) if a.max(b) < values.len() => up(a.min(b), a.max(b)),
            _ => 0.0,
        });
        looks.fold(f64::INFINITY, f64::min).max(0.0)
    };
    let (low, high) = (place.low - from, place.high - from);
    let beside = rises(&|away| low.checked_sub(away + 1)).max(rises(&|away| Some(high + away)));
    let shows = |i: usize, j: usize| {
        up(i, j) - beside + CHANCE * sigma_of(i).hypot(sigma_of(j)) > LEAP * jump.abs()
    };
    let near = low.saturating_sub(EDGE + 1)..values.len().min(high + EDGE + 1);
    let (mut largest, mut all) = (0.0f64, 0.0);
    for i in near.clone() {
        if (i + 1..near.end.min(i + EDGE + 1)).any(|j| shows(i, j)) {
            return true;
        }
        if i > near.start {
            largest = largest.max(up(i - 1, i));
            all += up(i - 1, i).abs();
        }
    }
    // Beside a bend a jump may be told too high.
    largest > 0.5 * all
}

/// Whether two neighbouring steps are one edge that takes some readings: from before the first to after
/// the second, the readings go on rising and nowhere rest.
pub(super) fn is_one_edge(
    ground: &Ground<'_>,
    (step, place): &(Chosen, Place),
    (next, after): &(Chosen, Place),
) -> bool {
    let up = step.evidence.jump.signum();
    let between = after.at.saturating_sub(place.at);
    let broken = |at: usize| (place.at..=after.at).contains(&at);
    if next.evidence.jump * up <= 0.0
        || place.at == 0
        || !OF_ONE_EDGE.contains(&between)
        || place.surge.or(after.surge).is_some()
        || ground.breaks.iter().any(|at| broken(*at))
    {
        return false;
    }
    // A single reading was taken during the change.
    if between == 1 {
        return true;
    }
    let mut room = Vec::new();
    let values = ground.readings(place.at - 1, after.at + 1, &mut room);
    let sigma = values.iter().map(|value| ground.noise.sigma_at(*value)).fold(0.0, f64::max);
    let n = between as f64;
    let rate = up * (values[between + 1] - values[0]) / (n + 1.0);
    let least = GOES_ON * rate;
    // Of the readings between alone: next to a level each of them tells little.
    let lever = |i: usize| i as f64 - 0.5 * (n - 1.0);
    let moment =
        values[1..=between].iter().enumerate().map(|(i, value)| lever(i) * (value - values[0]));
    let spread = n * (n * n - 1.0) / 12.0;
    let slope = up * moment.sum::<f64>() / spread;
    slope > least.max(CHANCE * sigma / spread.sqrt())
        && values.windows(2).all(|w| {
            let chance = ground.noise.sigma_at(w[0]).hypot(ground.noise.sigma_at(w[1]));
            up * (w[1] - w[0]) > least - CHANCE * chance
        })
}

/// The most probable place of a step and its 95 % credible interval, between the steps `left`
/// and `right`; `before` is what was found for it there with another jump.
pub(super) fn refine(
    ground: &Ground<'_>,
    left: usize,
    step: &Chosen,
    right: usize,
    before: Option<&Sought>,
) -> Sought {
    let jump = step.evidence.jump;
    if let Some(before) = before.filter(|before| before.stands(ground, step.at, jump)) {
        return *before;
    }
    let (mut found, mut moved) = search(ground, left, step.at, right, jump, true);
    for _ in 1..SEARCHES {
        if !moved {
            break;
        }
        let next;
        (next, moved) = search(ground, left, found.place.at, right, jump, true);
        // From elsewhere a later look would set out again.
        found = Sought { place: next.place, leans: true, ..found };
    }
    found
}

/// Searches round `at`; true where the place found is so far from there that the levels may not be its own.
/// `surges` says that what follows may die away.
fn search(
    ground: &Ground<'_>,
    left: usize,
    at: usize,
    right: usize,
    found_jump: f64,
    surges: bool,
) -> (Sought, bool) {
    let noise = ground.noise;
    let (l, r) = (at - left, right - at);
    let near = [NEAR.min(l), NEAR.min(r)];
    let mut values = Vec::new();
    ground.copy(at - near[0], at, &mut values);
    let mut sigma_l = ground.side_sigma(&values);
    ground.copy(at, at + near[1], &mut values);
    let mut sigma_r = ground.side_sigma(&values);
    let doubt = near.map(|n| 0.5 / n as f64).iter().sum::<f64>().sqrt();
    if (sigma_l / sigma_r).ln().abs() < ALIKE * doubt {
        sigma_l = (0.5 * (sigma_l * sigma_l + sigma_r * sigma_r)).sqrt();
        sigma_r = sigma_l;
    }
    let sigma = sigma_l.max(sigma_r);
    let half = how_far(ground, sigma, found_jump);
    let (first, end) = (at - half.min(l - 1), at + half.min(r - 1));
    // Levels from the readings beyond the doubtful part, as near as possible.
    let reach = (half * LEVEL).max(8);
    let quarters = [l, r].map(|n| (half / 4).min(n / 2));
    let doubtful = half - half / 4 - NEAREST * 3 / 4;
    let before = (left.max(at.saturating_sub(reach)), at - quarters[0]);
    let after = (at + quarters[1], right.min(at + reach));
    let side_l = Side::of(ground, before, (true, doubtful), sigma_l, &mut values);
    let side_r = Side::of(ground, after, (false, doubtful), sigma_r, &mut values);
    let phi = noise.phi;
    let white = 1.0 / (1.0 - phi * phi).sqrt();
    let from = first.max(1) - 1;
    ground.copy(from, (end + 2).min(right), &mut values);
    let last = from + values.len() - 1;
    let sigma_of_levels = noise.sigma_at(side_l.mean).max(noise.sigma_at(side_r.mean));
    // A surge starts with the largest leap, and dies away by more than a soft edge may.
    let up = found_jump.signum();
    let leap = |k: usize| up * (values[k - from] - values[k - 1 - from]);
    let onset = (first.max(from + 1)..=end.min(last.saturating_sub(1)))
        .max_by(|a, b| leap(*a).total_cmp(&leap(*b)).then(b.cmp(a)))
        .filter(|k| surges && leap(*k) > jump::SOFT_FROM * sigma_of_levels)
        .filter(|k| up * (values[k + 1 - from] - side_r.mean) > SURGES * sigma_r);
    let tail: Option<Tail> = onset.and_then(|k| Tail::after(ground, k, right, up)).filter(|tail| {
        let high = up * (tail.at(ground, tail.first) - side_l.mean);
        high > 0.0 && tail.falls(ground) > SOFT * high
    });
    let jump = tail.map_or(found_jump, |tail| tail.at(ground, tail.first) - side_l.mean);
    let level_l = |i: usize| side_l.at(ground, i);
    let level_r = |i: usize| tail.map_or_else(|| side_r.at(ground, i), |tail| tail.at(ground, i));
    // What a line misses makes no side quieter than the other.
    let spread = tail.map_or(side_l.spread.max(side_r.spread), |_| side_l.spread);
    let (sigma_l, sigma_r) = (sigma_l * spread, sigma_r * tail.map_or(spread, |tail| tail.spread));
    let soft = jump::softness(jump, sigma_of_levels);
    let log_likelihood: Vec<f64> = if soft > 0.0 || tail.is_some() {
        // Readings next to a large jump, or to the next one, may miss their level: as `jump` has it.
        let off = |i: usize, level: f64| ground.off(values[i - from], level);
        let after_last = (from..at.min(last + 1))
            .take_while(|i| from <= left && off(*i, level_l(*i)) > 0.0)
            .last();
        let before_next = (at..=last)
            .rev()
            .take_while(|i| last + 1 >= right && off(*i, level_r(*i)) > 0.0)
            .last();
        // 1/σ and the logarithm of σ so many readings away from the jump, on either side.
        let reach = values.len() + 1;
        let told = |square: f64| (square.sqrt().recip(), 0.5 * square.ln());
        let fades = ground.fade * ground.fade;
        let softened = |sigma: f64| -> Vec<(f64, f64)> {
            let (square, mut more) = (sigma * sigma, soft * soft / fades);
            let alone = told(square);
            let mut of = |_| {
                more *= fades;
                if more > f64::EPSILON * square { told(square + more) } else { alone }
            };
            (0..reach).map(&mut of).collect()
        };
        let (scales_l, scales_r) = (softened(sigma_l), softened(sigma_r));
        // How far each reading lies off either level, and how much of that is of the neighbour's edge.
        let of_sides: Vec<[(f64, f64); 2]> = (from..=last)
            .map(|i| {
                let (level_l, level_r) = (level_l(i), level_r(i));
                let old = after_last.is_some_and(|end| i <= end);
                let new = before_next.is_some_and(|start| i >= start);
                let far = |far: bool, level: f64| if far { off(i, level) } else { 0.0 };
                let value = values[i - from];
                [(value - level_l, far(old, level_l)), (value - level_r, far(new, level_r))]
            })
            .collect();
        let of_place = |k: usize| {
            let (mut before, mut sum) = (0.0, 0.0);
            for (i, sides) in (from..).zip(&of_sides) {
                let ((off, far), (per_scale, ln_scale)) = match i < k {
                    true => (sides[0], scales_l[k - 1 - i]),
                    false => (sides[1], scales_r[i - k]),
                };
                let (per_scale, ln_scale) = match far > 0.0 {
                    true => told(per_scale.powi(-2) + far * far),
                    false => (per_scale, ln_scale),
                };
                let now = off * per_scale;
                let e = if i > from { (now - phi * before) * white } else { now };
                sum -= 0.5 * e * e + ln_scale;
                before = now;
            }
            sum
        };
        (first..=end).map(of_place).collect()
    } else {
        let l_of = |k: usize| (values[k - from] - level_l(k)) / sigma_l;
        let r_of = |k: usize| (values[k - from] - level_r(k)) / sigma_r;
        // Squared innovation of sample k when it is old after old, new after new, or the first new.
        let old = |k: usize| {
            let e = if k > from { (l_of(k) - phi * l_of(k - 1)) * white } else { l_of(k) };
            0.5 * e * e + sigma_l.ln()
        };
        let new = |k: usize| {
            let e = if k > from { (r_of(k) - phi * r_of(k - 1)) * white } else { r_of(k) };
            0.5 * e * e + sigma_r.ln()
        };
        let mixed = |k: usize| {
            let e = if k > from { (r_of(k) - phi * l_of(k - 1)) * white } else { r_of(k) };
            0.5 * e * e + sigma_r.ln()
        };
        let mut log_likelihood = vec![0.0f64; end - first + 1];
        let mut total = 0.0;
        for k in first..end {
            // Moving the step from k to k + 1.
            total += mixed(k) - old(k);
            if k < last {
                total += new(k + 1) - mixed(k + 1);
            }
            log_likelihood[k + 1 - first] = total;
        }
        log_likelihood
    };
    let top = log_likelihood.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let weight: Vec<f64> = log_likelihood.iter().map(|l| (l - top).exp()).collect();
    let sum: f64 = weight.iter().sum();
    let best = log_likelihood.iter().position(|l| *l == top).unwrap_or(at - first);
    // A step before the leap is another than what dies away.
    if tail.is_some_and(|tail| first + best + WITHIN < tail.first) {
        return search(ground, left, at, right, found_jump, false);
    }
    let (mut low, mut middle, mut high) = (best, best, best);
    let mut gathered = 0.0;
    let (mut low_found, mut middle_found) = (false, false);
    for (i, w) in weight.iter().enumerate() {
        gathered += w / sum;
        if !low_found && gathered > 0.025 {
            low = i;
            low_found = true;
        }
        if !middle_found && gathered >= 0.5 {
            middle = i;
            middle_found = true;
        }
        if gathered >= 0.975 {
            high = i;
            break;
        }
    }
    let (mut low, high) = (first + low.min(best), first + high.max(best));
    // A reading on its way from the old level was taken during the change, which had begun before it.
    let earliest = (left + 1).max(low.saturating_sub(EDGE)).max(from + 1);
    let on_its_way = |i: usize| {
        let (here, next) = (values[i - from], values[i + 1 - from]);
        up * (here - level_l(i)) > CHANCE * sigma_l && up * (next - here) > 0.0
    };
    while low > earliest && low <= last && on_its_way(low - 1) {
        low -= 1;
    }
    let surge = tail.filter(|tail| tail.reaches(ground, first + best)).and_then(|tail| {
        let (start, start_sd) = tail.start(ground, first + best, right);
        let (level, level_sd) = tail::level_before(ground, left, first + best)?;
        let (jump, jump_sd) = (start - level, start_sd.hypot(level_sd));
        (jump_sd < KNOWN * jump.abs()).then_some((jump, jump_sd))
    });
    let place = Place { at: first + best, middle: first + middle, low, high, surge };
    // Where the search ends is no place by itself, and a line reaches less far beside the step than a level.
    let at_end = (best == 0 && first > left + 1) || (first + best == end && end + 1 < right);
    let moved = place.at.abs_diff(at) > half / 4;
    let slopes = side_l.slope != 0.0 || side_r.slope != 0.0;
    let leans = |side: &Side| (side.at(ground, at) - side.mean).abs() > NEGLIGIBLE * jump.abs();
    let sought = Sought { place, sigma, half, reach, leans: leans(&side_l) || leans(&side_r) };
    (sought, tail.is_none() && (at_end || (slopes && moved)))
}

#[cfg(test)]
mod tests {
    use super::super::Segmentation;
    use super::super::jump::Evidence;
    use super::super::noise::Noise;
    use super::super::slopes::Slopes;
    use super::*;
    use crate::capture::{Samples, TimeAxis};
    use rand::{Rng, SeedableRng};
    use rand_distr::StandardNormal;

    /// Beside another usual slope a step may be elsewhere, unless its jump is far above what that moves.
    #[test]
    fn a_place_stands_where_a_slope_cannot_move_it() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(6);
        let level = |i: usize| if i < 100 { 0.0 } else { 20.0 };
        let values: Vec<f64> =
            (0..200).map(|i| level(i) + random.sample::<f64, _>(StandardNormal)).collect();
        let noise = Noise::learn(&values, None);
        let time = TimeAxis::Uniform { interval_s: 1.0, len: 200 };
        let still = Ground::plain(&values, &time, &noise);
        let evidence =
            Evidence { deviance: 100.0, jump: 20.0, jump_sd: 0.2, near: true, moves: 0.0 };
        let step = Chosen { at: 100, evidence };
        let sought = refine(&still, 0, &step, 200, None);
        assert_eq!(sought.place.at, 100);
        for (slope, stands) in [(0.0, true), (0.001, true), (1.0, false)] {
            let drift = Slopes::everywhere([slope; POOLS.len()]);
            let ground = Ground { drift: &drift, ..still };
            assert_eq!(sought.stands(&ground, 100, 20.0), stands, "{slope}");
        }
    }

    /// An inrush of 3 to 30 times the load that dies away within readings or tens of them: the step is
    /// its first reading, and the jump the one to its peak.
    #[test]
    fn a_surge_starts_at_its_first_reading() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(41);
        for case in 0..60 {
            let (onset, n) = (random.random_range(80..200), 600);
            let load = random.random_range(0.02..0.3);
            let surge = load * 10f64.powf(random.random_range(0.5..1.5));
            let tau = 10f64.powf(random.random_range(0.5..1.6));
            let current_a: Vec<f64> = (0..n)
                .map(|i| {
                    let noise: f64 = random.sample(StandardNormal);
                    let since = (i as f64 - f64::from(onset)) / tau;
                    let drawn = if since < 0.0 { 0.0 } else { load + surge * (-since).exp() };
                    ((drawn + 1e-3 * noise) * 1e3).round() / 1e3
                })
                .collect();
            let time = TimeAxis::Uniform { interval_s: 0.5, len: n };
            let samples = Samples { time, current_a };
            let found = super::super::segment(&samples, &[], Some(1e-3), &Default::default());
            let steps = found.expect("enough readings").steps;
            let true_s = 0.5 * f64::from(onset);
            let step = steps.first().expect("a step");
            let what = format!("case {case}, τ {tau}, surge {surge}, at {true_s} s: {steps:?}");
            assert_eq!(step.time_s, true_s, "{what}");
            assert!(step.time_low_s <= true_s && true_s <= step.time_high_s, "{what}");
            let off = (step.delta_a - load - surge).abs();
            assert!(off < 5.0 * step.standard_uncertainty_a, "{what}");
            assert!(off < 0.02 * (load + surge), "{what}");
        }
    }

    /// A surge that is over within a reading or two does not make the jump unknown.
    #[test]
    fn a_surge_of_a_reading_leaves_its_jump_known() {
        for seed in 0..20 {
            let sigma = if seed % 2 == 0 { 1.0 } else { 1e-6 };
            let at = 199.95 - 0.04 * seed as f64;
            let shown = |t: f64| match t - at {
                since if since < 0.0 => 0.0,
                since if since < 16.0 => 125.0 + 100.0 * (-since / 0.6).exp(),
                since => 60.0 + 35.0 * (16.0 - since).exp(),
            };
            let steps = found(seed, 400, sigma, shown).steps;
            let step = steps.iter().find(|step| step.index.abs_diff(200) <= 1).expect("a step");
            let (jump, u) = (step.delta_a / sigma, step.standard_uncertainty_a / sigma);
            assert!(u < 0.1 * jump && (120.0..230.0).contains(&jump), "{seed}: {jump} ± {u}");
        }
    }

    /// A load that sends a pulse of a reading or two some readings after it was switched on, seen by a meter that
    /// averages: no jump is higher than all that was read.
    #[test]
    fn a_pulse_beside_a_step_makes_up_no_surge() {
        let mut near = 0;
        for seed in 0..60 {
            let sigma = if seed % 2 == 0 { 1.0 } else { 1e-6 };
            let at = 199.95 - 0.08 * seed as f64;
            let (lead, wide) = (2.0 + f64::from(seed as u32 % 5), 1.0 + f64::from(seed as u32 % 2));
            // The mean over the reading that ends at `t`.
            let share = |t: f64, from: f64, to: f64| (t.min(to) - (t - 1.0).max(from)).max(0.0);
            let shown = |t: f64| {
                let pulse = |k: f64| share(t, at + lead + 20.0 * k, at + lead + 20.0 * k + wide);
                let pulses = (0..10).map(|k| pulse(f64::from(k))).sum::<f64>();
                275.0 * share(t, at, f64::INFINITY) + 1250.0 * pulses
            };
            for step in found(seed, 400, sigma, shown).steps {
                let jump = step.delta_a / sigma;
                assert!(jump.abs() < 1600.0, "{seed}: {jump} at {}", step.time_s);
                near += usize::from(step.index.abs_diff(at.ceil() as usize) <= 2);
            }
        }
        assert!(near >= 30, "{near} of 60");
    }

    /// What is found in `len` readings of a course in σ.
    fn found(seed: u64, len: usize, sigma: f64, course: impl Fn(f64) -> f64) -> Segmentation {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        let reading =
            |i: usize| sigma * (course(i as f64) + random.sample::<f64, _>(StandardNormal));
        let current_a = (0..len).map(reading).collect();
        let samples = Samples { time: TimeAxis::Uniform { interval_s: 1.0, len }, current_a };
        super::super::segment(&samples, &[], None, &Default::default()).expect("enough readings")
    }

    /// How late a step of `jump` σ at 150 is found on a background in σ, and whether its interval holds it.
    fn on(background: impl Fn(f64) -> f64, seed: u64, sigma: f64, jump: f64) -> (f64, bool) {
        let steps =
            found(seed, 300, sigma, |t| background(t) + if t < 150.0 { 0.0 } else { jump }).steps;
        let step = steps
            .iter()
            .filter(|step| step.delta_a * jump > 0.0)
            .min_by(|a, b| (a.time_s - 150.0).abs().total_cmp(&(b.time_s - 150.0).abs()))
            .expect("a step");
        (step.time_s - 150.0, step.time_low_s < 150.0 && 150.0 <= step.time_high_s)
    }

    /// A meter that averages shows part of a change in the reading that ends after it: the change lies
    /// before that reading, however little it shows. Of 320, noise hides at most one in twenty.
    #[test]
    fn a_change_began_before_the_reading_that_shows_part_of_it() {
        let (mut all, mut covered) = (0, 0);
        for seed in 0..40 {
            let (sigma, height) =
                (if seed % 2 == 0 { 1.0 } else { 1e-6 }, if seed % 4 < 2 { 60.0 } else { -600.0 });
            let at_s =
                |k: u32| f64::from(100 * k) + (0.618 * f64::from(8 * seed as u32 + k)).fract();
            let shown = |t: f64, k: u32| (t - at_s(k)).clamp(0.0, 1.0);
            let course = |t: f64| {
                let changes = (1..=8).map(|k| shown(t, k) * if k % 2 == 1 { 1.0 } else { -1.0 });
                height * changes.sum::<f64>()
            };
            let steps = found(seed, 900, sigma, course).steps;
            for k in 1..=8 {
                let near = steps.iter().find(|step| (step.time_s - at_s(k)).abs() < 3.0);
                all += usize::from(near.is_some());
                covered +=
                    usize::from(near.is_some_and(|step| {
                        step.time_low_s <= at_s(k) && at_s(k) <= step.time_high_s
                    }));
            }
        }
        assert!(all == 320 && covered >= 304, "{covered} of {all}");
    }

    /// Of 60 intervals of 95 % seven and more miss by chance with a probability of 0.03.
    #[test]
    fn a_step_against_a_slope_is_where_it_is() {
        let cases =
            [(0.3, -7.5), (0.5, -10.0), (1.0, -15.0), (1.0, -20.0), (2.0, -30.0), (1.0, 15.0)];
        let (mut off, mut missed) = (0, 0);
        for (slope, jump) in cases {
            for seed in 0..10 {
                let sigma = if seed % 2 == 0 { 1.0 } else { 1e-6 };
                let (late, held) = on(|t| slope * t, seed, sigma, jump);
                off += usize::from(late.abs() > 1.0);
                missed += usize::from(!held);
            }
        }
        assert!(off == 0 && missed <= 6, "{off} are off, {missed} intervals miss, of 60");
    }

    /// On the steep part of a cycle the nearest readings tell the levels.
    #[test]
    fn a_step_on_a_cycle_is_where_it_is() {
        let (mut off, mut missed) = (0, 0);
        for seed in 0..40 {
            let cycle = |t: f64| 40.0 * (t / 20.0 + 0.16 * seed as f64).sin();
            let jump = if seed % 2 == 0 { 20.0 } else { -20.0 };
            let (late, held) = on(cycle, seed, 1.0, jump);
            off += usize::from(late.abs() > 1.0);
            missed += usize::from(!held);
        }
        assert!(off == 0 && missed <= 5, "{off} are off, {missed} intervals miss, of 40");
    }

    /// A place at the end of the search is looked beyond.
    #[test]
    fn a_step_far_from_where_it_was_taken_to_be_is_found() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(2);
        let level = |i: usize| if i < 200 { 0.0 } else { 30.0 };
        let values: Vec<f64> =
            (0..400).map(|i| level(i) + random.sample::<f64, _>(StandardNormal)).collect();
        let noise = Noise::learn(&values, None);
        let time = TimeAxis::Uniform { interval_s: 1.0, len: 400 };
        let ground = Ground::plain(&values, &time, &noise);
        let evidence =
            Evidence { deviance: 99.0, jump: 30.0, jump_sd: 1.0, near: false, moves: 0.0 };
        for at in [191, 196, 204, 210] {
            let found = refine(&ground, 0, &Chosen { at, evidence }, 400, None).place;
            assert_eq!((found.low, found.at, found.high), (200, 200, 200), "from {at}");
        }
    }

    /// A trend that turns steep at once, and a ramp of dozens of readings: nothing leaps there, but a
    /// stretch ends.
    #[test]
    fn a_bend_is_no_step() {
        let (mut steps, mut ends) = (0, 0);
        for seed in 0..10 {
            let sigma = if seed % 2 == 0 { 1.0 } else { 1e-6 };
            for (len, slope) in [(60, 30.0), (104, 10.0), (104, 30.0), (104, 100.0)] {
                let turns = |t: f64| slope * (t - len as f64 / 2.0).max(0.0);
                steps += found(seed, len, sigma, turns).steps.len();
            }
            for slope in [10.0, 30.0, 100.0] {
                let ramp = |t: f64| slope * (t - 1000.0).clamp(0.0, 50.0);
                let found = found(seed, 2000, sigma, ramp);
                steps += found.steps.len();
                let near = |at: usize| found.segments.iter().any(|s| s.first.abs_diff(at) <= 12);
                ends += usize::from(near(1000)) + usize::from(near(1050));
            }
        }
        assert!(steps <= 2, "{steps} steps in 70 captures without one");
        assert!(ends >= 55, "{ends} of 60");
    }

    /// Between the two halves of a ramp the readings go on rising; between two loads that are switched one
    /// after the other they rest, though an averaging meter shows part of either change.
    #[test]
    fn a_ramp_of_some_readings_is_one_edge_and_two_loads_are_two() {
        let count = |seed: u64, course: &dyn Fn(f64) -> f64| {
            let sigma = if seed.is_multiple_of(2) { 1.0 } else { 1e-6 };
            found(seed, 400, sigma, course).steps.len()
        };
        let (mut doubled, mut told) = (0, 0);
        for seed in 0..10 {
            let at = 200.0 + 0.1 * seed as f64;
            for high in [30.0, -100.0, 1000.0] {
                for wide in [6.0, 7.0, 9.0] {
                    let ramp = |t: f64| high * ((t - at) / wide).clamp(0.0, 1.0);
                    doubled += usize::from(count(seed, &ramp) > 1);
                }
                for apart in [4.0, 5.0, 7.0] {
                    let part = |t: f64| (t - at).clamp(0.0, 1.0);
                    let loads = |t: f64| high * (part(t) + 0.7 * part(t - apart));
                    told += usize::from(count(seed, &loads) == 2);
                }
            }
        }
        assert!(
            doubled <= 7 && told >= 85,
            "of 90 ramps {doubled} are doubled, of 90 pairs {told} found"
        );
    }

    /// A load that starts softly takes some readings, each more than the one before and then less: one step, as
    /// high as it is.
    #[test]
    fn a_soft_start_is_one_step() {
        let (mut one, mut high_enough) = (0, 0);
        for seed in 0..60 {
            let sigma = if seed % 2 == 0 { 1.0 } else { 1e-6 };
            let (at, wide) = (200.0 + 0.1 * seed as f64, 3.0 + (seed % 6) as f64);
            let high = [80.0, -300.0, 700.0][seed as usize % 3];
            let part = |t: f64| ((t - at) / wide).clamp(0.0, 1.0);
            let soft = |t: f64| high * part(t) * part(t) * (3.0 - 2.0 * part(t));
            let steps = found(seed, 400, sigma, soft).steps;
            one += usize::from(steps.len() == 1);
            let right = |step: &super::super::Step| (step.delta_a / sigma / high - 1.0).abs() < 0.2;
            high_enough += usize::from(steps.first().is_some_and(right));
        }
        assert!(one >= 57 && high_enough >= 54, "of 60 {one} are one step, {high_enough} as high");
    }

    /// An edge that takes several readings, and one beside which the background turns steep, leap.
    #[test]
    fn a_step_with_a_soft_edge_or_beside_a_bend_is_one() {
        let soft = |t: f64| if t < 200.0 { 0.0 } else { 1.0 - (-(t - 199.0) / 3.0).exp() };
        let sharp = |t: f64| if t < 200.0 { 0.0 } else { 1.0 };
        let bend = |t: f64| (t - 200.0).clamp(0.0, 40.0);
        let mut missed = 0;
        for seed in 0..10 {
            let courses: [&dyn Fn(f64) -> f64; 5] = [
                &|t| 100.0 * soft(t),
                &|t| 1000.0 * soft(t),
                &|t| 300.0 * sharp(t) + 30.0 * bend(t),
                &|t| -1000.0 * sharp(t) - 30.0 * bend(t),
                &|t| 300.0 * sharp(t) - 2.0 * bend(t),
            ];
            for course in courses {
                let steps = found(seed, 400, 1e-3, course).steps;
                missed += usize::from(!steps.iter().any(|step| step.index.abs_diff(200) <= 2));
            }
        }
        assert!(missed <= 1, "{missed} of 50");
    }
}
