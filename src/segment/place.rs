//! Where exactly, and how sure.
//!
//! With the levels on both sides known, the log-likelihood of the first new sample being `k` is
//! that of the whitened readings; it changes from `k` to `k + 1` only by the readings next to `k`.
//! With a flat prior over the places between the neighbouring steps, its normalised exponential is
//! the posterior of `k`; the step is reported at its median, whose expected error is the least, and
//! the credible interval leaves 2.5 % on each side.

use super::choose::Chosen;
use super::jump::{self, Ground};
use super::soft::SOFT;
use super::tail::{self, Tail};
use crate::numeric::plain_sum;

/// Furthest that a step's place is looked for on either side, samples.
const FURTHEST: usize = 2048;
/// Readings on either side that tell its σ.
const NEAR: usize = 64;
/// Levels are told by so many times as many readings as the doubtful part has.
const LEVEL: usize = 8;
/// Difference between the sides' σ, in standard deviations, up to which they count as one: a σ that
/// differs by chance alone draws the step to the side that is quieter.
const ALIKE: f64 = 3.0;
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

/// A step's place, and with what it was sought: the larger σ of its sides, and how far.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sought {
    pub(super) place: Place,
    sigma: f64,
    half: usize,
}

/// How far the place of a jump is looked for, samples: a weak step's is known to about σ²/δ²
/// correlation lengths.
fn how_far(ground: &Ground<'_>, sigma: f64, jump: f64) -> usize {
    let ratio = sigma / jump.abs().max(f64::MIN_POSITIVE);
    let phi = ground.noise.phi;
    let spread = 40.0 * ratio * ratio * (1.0 + phi) / (1.0 - phi);
    (4.0 + spread).min(FURTHEST as f64) as usize
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
    if let Some(before) = before.filter(|b| how_far(ground, b.sigma, jump) == b.half) {
        return *before;
    }
    let at = step.at;
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
    let half = how_far(ground, sigma, jump);
    let (first, end) = (at - half.min(l - 1), at + half.min(r - 1));
    // Levels from the readings beyond the doubtful part, as near as possible.
    let level = |from: usize, to: usize, values: &mut Vec<f64>| -> f64 {
        ground.copy(from, to, values);
        let settled = ground.settled(values);
        plain_sum(settled) / settled.len() as f64
    };
    let reach = (half * LEVEL).max(8);
    let quarter = (half / 4).min(l / 2);
    let level_l = level(left.max(at.saturating_sub(reach)), at - quarter, &mut values);
    let quarter = (half / 4).min(r / 2);
    let level_r = level(at + quarter, right.min(at + reach), &mut values);
    let phi = noise.phi;
    let white = 1.0 / (1.0 - phi * phi).sqrt();
    let from = first.max(1) - 1;
    ground.copy(from, (end + 2).min(right), &mut values);
    let l_of = |k: usize| (values[k - from] - level_l) / sigma_l;
    let r_of = |k: usize| (values[k - from] - level_r) / sigma_r;
    let last = from + values.len() - 1;
    let sigma_of_levels = noise.sigma_at(level_l).max(noise.sigma_at(level_r));
    // A surge starts with the largest leap, and dies away by more than a soft edge may.
    let up = jump.signum();
    let leap = |k: usize| up * (values[k - from] - values[k - 1 - from]);
    let onset = (first.max(from + 1)..=end.min(last.saturating_sub(1)))
        .max_by(|a, b| leap(*a).total_cmp(&leap(*b)).then(b.cmp(a)))
        .filter(|k| leap(*k) > jump::SOFT_FROM * sigma_of_levels)
        .filter(|k| up * (values[k + 1 - from] - level_r) > SURGES * sigma_r);
    let tail: Option<Tail> = onset.and_then(|k| Tail::after(ground, k, right, up)).filter(|tail| {
        let high = up * (tail.at(ground, tail.first) - level_l);
        high > 0.0 && tail.falls(ground) > SOFT * high
    });
    let jump = tail.map_or(jump, |tail| tail.at(ground, tail.first) - level_l);
    let level_after = |i: usize| tail.map_or(level_r, |tail| tail.at(ground, i));
    let sigma_after = tail.map_or(sigma_r, |tail| sigma_r * tail.spread);
    let soft = jump::softness(jump, sigma_of_levels);
    let log_likelihood: Vec<f64> = if soft > 0.0 || tail.is_some() {
        // Readings next to a large jump, or to the next one, may miss their level: as `jump` has it.
        let off = |i: usize, level: f64| ground.off(values[i - from], level);
        let after_last =
            (from..at.min(last + 1)).take_while(|i| from <= left && off(*i, level_l) > 0.0).last();
        let before_next = (at..=last)
            .rev()
            .take_while(|i| last + 1 >= right && off(*i, level_after(*i)) > 0.0)
            .last();
        // σ and its logarithm so many readings away from the jump, on either side.
        let reach = values.len() + 1;
        let softened = |sigma: f64| -> Vec<(f64, f64)> {
            let scales = (0..reach).map(|away| sigma.hypot(soft * ground.fade.powi(away as i32)));
            scales.map(|scale| (scale, scale.ln())).collect()
        };
        let (scales_l, scales_r) = (softened(sigma_l), softened(sigma_after));
        let of_place = |k: usize| {
            let (mut before, mut sum) = (0.0, 0.0);
            for i in from..=last {
                let (level, (scale, ln_scale)) = match i < k {
                    true => (level_l, scales_l[k - 1 - i]),
                    false => (level_after(i), scales_r[i - k]),
                };
                let far = match i < k {
                    true => after_last.is_some_and(|end| i <= end),
                    false => before_next.is_some_and(|start| i >= start),
                };
                let (scale, ln_scale) = match far.then(|| scale.hypot(off(i, level))) {
                    Some(scale) => (scale, scale.ln()),
                    None => (scale, ln_scale),
                };
                let now = (values[i - from] - level) / scale;
                let e = if i > from { (now - phi * before) * white } else { now };
                sum -= 0.5 * e * e + ln_scale;
                before = now;
            }
            sum
        };
        (first..=end).map(of_place).collect()
    } else {
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
    let (low, high) = (first + low.min(best), first + high.max(best));
    let surge = tail.and_then(|tail| {
        let (start, start_sd) = tail.start(ground, first + best, right);
        let (level, level_sd) = tail::level_before(ground, left, first + best)?;
        Some((start - level, start_sd.hypot(level_sd)))
    });
    let place = Place { at: first + best, middle: first + middle, low, high, surge };
    Sought { place, sigma, half }
}

#[cfg(test)]
mod tests {
    use crate::capture::{Samples, TimeAxis};
    use rand::{Rng, SeedableRng};
    use rand_distr::StandardNormal;

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
}
