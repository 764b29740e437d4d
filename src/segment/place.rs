//! Where exactly, and how sure.
//!
//! With the levels on both sides known, the log-likelihood of the first new sample being `k` is
//! that of the whitened readings; it changes from `k` to `k + 1` only by the readings next to `k`.
//! With a flat prior over the places between the neighbouring steps, its normalised exponential is
//! the posterior of `k`; the credible interval leaves 2.5 % on each side.

use super::choose::Chosen;
use super::jump::Ground;
use crate::numeric::plain_sum;

/// Furthest that a step's place is looked for on either side, samples.
const FURTHEST: usize = 2048;

/// A step's place.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    pub(super) at: usize,
    /// First and last index that the first new sample may have, 95 %.
    pub(super) low: usize,
    pub(super) high: usize,
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
    let near = 64.min(l);
    let mut values = Vec::new();
    ground.copy(at - near, at, &mut values);
    let sigma_l = ground.side_sigma(&values);
    let near = 64.min(r);
    ground.copy(at, at + near, &mut values);
    let sigma_r = ground.side_sigma(&values);
    let sigma = sigma_l.max(sigma_r);
    let half = how_far(ground, sigma, jump);
    let (first, end) = (at - half.min(l - 1), at + half.min(r - 1));
    // Levels from the readings beyond the doubtful part, as near as possible.
    let level = |from: usize, to: usize, values: &mut Vec<f64>| -> f64 {
        ground.copy(from, to, values);
        plain_sum(values) / values.len() as f64
    };
    let reach = (half * 4).max(8);
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
    let last = from + values.len() - 1;
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
    let top = log_likelihood.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let weight: Vec<f64> = log_likelihood.iter().map(|l| (l - top).exp()).collect();
    let sum: f64 = weight.iter().sum();
    let best = log_likelihood.iter().position(|l| *l == top).unwrap_or(at - first);
    let mut low = best;
    let mut high = best;
    let mut gathered = 0.0;
    let mut low_found = false;
    for (i, w) in weight.iter().enumerate() {
        gathered += w / sum;
        if !low_found && gathered > 0.025 {
            low = i;
            low_found = true;
        }
        if gathered >= 0.975 {
            high = i;
            break;
        }
    }
    let place =
        Place { at: first + best, low: first + low.min(best), high: first + high.max(best) };
    Sought { place, sigma, half }
}
