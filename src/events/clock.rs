//! How the list's clock stands to the capture's: found from the pattern of lines and steps
//! together, with everything else that could explain it weighed beside it.
//!
//! Model: a line was written `L` seconds after its step, rounded to a width `R`, by a clock that
//! differs by `θ` and drifts by `δ`: `t = l + θ + δ·l/3600 − L + r`. Lines have no step with
//! probability `q`; steps that nobody listed come at rate `λ`. Up to a constant the likelihood of
//! an offset is the sum over all order-preserving pairings of the product of their pairs'
//! likelihood ratios `(1−q)/q · p(t − l − θ)/λ · w`, with `w` for direction and size.

use super::evidence::{Evidence, Way};
use super::pairs::{Near, Rates, sizes};
use super::prior::Prior;
use super::scan::{
    Grid, MACHINE_S, PEAKS, drift_ln_weight, drifts, middle_of, ratios, rounding_of, scan,
    spread_ln_weight, spreads,
};
use super::setting::Setting;
use super::tie::{self, Pair};

/// Log of the prior weight of a clamp that sat the other way round.
const TURNED: f64 = -3.5;
/// Spread of an ordinary person's times: late by 0 to 3 s (common practice, no source).
const PERSON_S: f64 = 0.9;
/// Peaks whose evidence is further below the best than this are given up.
const HOPELESS: f64 = 12.0;

/// One way of setting the clocks against each other, weighed.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Fit {
    pub(super) setting: Setting,
    /// Standard uncertainty of the offset given that this is the right peak, seconds.
    pub(super) uncertainty_s: f64,
    /// Log of prior times likelihood, summed over the peak; 0 is "no line has a step".
    pub(super) ln_evidence: f64,
    /// True when the list itself speaks for the drift.
    pub(super) drift_found: bool,
}

/// The fits worth telling of, best first; none when there is nothing to pair.
pub(super) fn fits(evidence: &Evidence, prior: &Prior) -> Vec<Fit> {
    if evidence.lines.is_empty() || evidence.marks.is_empty() || prior.intervals.is_empty() {
        return Vec::new();
    }
    let as_is = ratios(evidence, 1.0);
    let mut peaks: Vec<(f64, Setting)> = Vec::new();
    for (n, (spread_s, ln_weight)) in spreads(evidence).into_iter().enumerate() {
        let drifts = if n == 0 { drifts(evidence, spread_s) } else { vec![0.0] };
        let setting = Setting { offset_s: 0.0, drift_s_per_h: 0.0, spread_s, turn: 1.0 };
        let grid = Grid::of(evidence, prior, setting);
        for drift_s_per_h in drifts {
            let setting = Setting { drift_s_per_h, ..setting };
            let ln_weight = ln_weight + drift_ln_weight(drift_s_per_h);
            scan(evidence, prior, &grid, setting, &as_is, ln_weight, &mut peaks);
            if n == 0 && drift_s_per_h == 0.0 {
                let setting = Setting { turn: -1.0, ..setting };
                scan(
                    evidence,
                    prior,
                    &grid,
                    setting,
                    &ratios(evidence, -1.0),
                    ln_weight + TURNED,
                    &mut peaks,
                );
            }
        }
    }
    peaks.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut chosen: Vec<Setting> = Vec::new();
    for (_, setting) in peaks {
        let apart = |other: &Setting| {
            let middle = middle_of(evidence);
            (setting.capture_time(middle) - other.capture_time(middle)).abs()
                > 2.0 * (setting.spread_s.max(other.spread_s)) + 0.5 * rounding_of(evidence)
                || setting.turn != other.turn
                // A person's spread takes in more steps at first than a machine's that fits them better.
                || (setting.spread_s > MACHINE_S) != (other.spread_s > MACHINE_S)
        };
        if chosen.iter().all(apart) {
            chosen.push(setting);
        }
        if chosen.len() == PEAKS {
            break;
        }
    }
    let mut fits: Vec<Fit> = chosen
        .into_iter()
        .map(|setting| {
            let fit = Fit {
                setting,
                uncertainty_s: setting.spread_s,
                ln_evidence: f64::NEG_INFINITY,
                drift_found: false,
            };
            climb(evidence, prior, &fit, &[1.0], &[])
        })
        .collect();
    let best = fits.iter().map(|fit| fit.ln_evidence).fold(f64::NEG_INFINITY, f64::max);
    fits.retain(|fit| fit.ln_evidence > best - HOPELESS);
    fits = fits.into_iter().map(|fit| refine(evidence, prior, fit)).collect();
    fits.sort_by(|a, b| b.ln_evidence.total_cmp(&a.ln_evidence));
    // Two peaks may climb to one.
    let mut kept: Vec<Fit> = Vec::new();
    for fit in fits {
        let middle = middle_of(evidence);
        let new = kept.iter().all(|known| {
            let gap = fit.setting.capture_time(middle) - known.setting.capture_time(middle);
            gap.abs() > 3.0 * known.uncertainty_s.max(fit.uncertainty_s)
                || known.setting.turn != fit.setting.turn
        });
        if new {
            kept.push(fit);
        }
    }
    kept
}

/// Looks at spreads that are `factors` times the present one and keeps the likeliest.
fn climb(
    evidence: &Evidence,
    prior: &Prior,
    from: &Fit,
    factors: &[f64],
    sizes: &[Option<(f64, f64)>],
) -> Fit {
    let mut best: Option<Fit> = None;
    for factor in factors {
        let spread_s = (factor * from.setting.spread_s).max(least_spread(evidence, &from.setting));
        let setting = Setting { spread_s, ..from.setting };
        let rates = Rates::at_first(evidence);
        let (setting, uncertainty_s, ln_sum) =
            weigh(evidence, prior, setting, sizes, from.uncertainty_s, &rates);
        let turned = if setting.turn > 0.0 { 0.0 } else { TURNED };
        let ln_evidence = ln_sum + turned + spread_ln_weight(setting.spread_s);
        if best.as_ref().is_none_or(|best| ln_evidence > best.ln_evidence) {
            best = Some(Fit { setting, uncertainty_s, ln_evidence, drift_found: from.drift_found });
        }
    }
    best.unwrap_or_else(|| from.clone())
}

/// Climbs to the peak: spread, drift and the sizes of repeated switchings come from the ties, and
/// the ties from them.
fn refine(evidence: &Evidence, prior: &Prior, start: Fit) -> Fit {
    let mut fit = start;
    let mut known_sizes = Vec::new();
    let rates = Rates::at_first(evidence);
    for factors in [&[0.6, 1.0, 1.7][..], &[0.75, 1.0, 1.33], &[1.0]] {
        let near = Near::of(evidence, &fit.setting, 0.0, &known_sizes, &rates);
        let (pairs, _) = near.at(&fit.setting);
        let chain: Vec<Pair> = tie::best(&pairs).into_iter().map(|p| pairs[p]).collect();
        known_sizes = sizes(evidence, chain.iter().map(|pair| (pair.line, pair.step)));
        if let Some(drift) = drift(evidence, &fit.setting, &chain) {
            let middle = middle_of(evidence);
            let at = fit.setting.capture_time(middle);
            fit.setting.drift_s_per_h = drift;
            fit.setting.offset_s += at - fit.setting.capture_time(middle);
            fit.drift_found = drift != 0.0;
        }
        fit = climb(evidence, prior, &fit, factors, &known_sizes);
    }
    // Where the list is known to be good, lines left alone are rarer than at first.
    let near = Near::of(evidence, &fit.setting, 0.0, &known_sizes, &rates);
    let pairs = near.at(&fit.setting).0;
    let mut alone = vec![1.0; evidence.lines.len()];
    tie::best(&pairs).into_iter().for_each(|p| alone[pairs[p].line] = 0.0);
    let rates = Rates::after(evidence, &alone);
    let (setting, uncertainty_s, _) =
        weigh(evidence, prior, fit.setting, &known_sizes, fit.uncertainty_s, &rates);
    Fit { setting, uncertainty_s, ..fit }
}

/// Spread that a person's times have at least as far as their rounding lets it be seen: one that
/// hides in the rounding is no sign of punctuality.
fn least_spread(evidence: &Evidence, setting: &Setting) -> f64 {
    if setting.spread_s > MACHINE_S { (0.3 * rounding_of(evidence)).min(PERSON_S) } else { 0.0 }
}

/// Posterior mean and standard deviation of the offset near a setting, and the log of its weight,
/// on a grid that widens until the ends do not matter.
fn weigh(
    evidence: &Evidence,
    prior: &Prior,
    setting: Setting,
    sizes: &[Option<(f64, f64)>],
    uncertainty_s: f64,
    rates: &Rates,
) -> (Setting, f64, f64) {
    let rounding_s = rounding_of(evidence);
    let mut half = 0.5 * rounding_s + 3.0 * setting.spread_s.max(uncertainty_s.min(60.0));
    let near = Near::of(evidence, &setting, half, sizes, rates);
    let mut centre = setting.offset_s;
    let (mut mean, mut sd, mut ln_sum) = (centre, half, f64::NEG_INFINITY);
    // Each pass looks closer at where the weight lies.
    for _ in 0..3 {
        const POINTS: usize = 41;
        let bin = 2.0 * half / POINTS as f64;
        let scores: Vec<(f64, f64)> = (0..POINTS)
            .map(|k| {
                let offset_s = centre - half + (k as f64 + 0.5) * bin;
                let (pairs, resting) = near.at(&Setting { offset_s, ..setting });
                (
                    offset_s,
                    tie::ln_weight(&pairs) + resting + prior.ln_density(offset_s, setting.spread_s),
                )
            })
            .collect();
        let most = scores.iter().map(|s| s.1).fold(f64::NEG_INFINITY, f64::max);
        if most == f64::NEG_INFINITY {
            break;
        }
        let weights: Vec<(f64, f64)> =
            scores.iter().map(|(offset, score)| (*offset, (score - most).exp())).collect();
        let sum: f64 = weights.iter().map(|w| w.1).sum();
        mean = weights.iter().map(|(offset, w)| offset * w).sum::<f64>() / sum;
        let variance = weights.iter().map(|(x, w)| (x - mean).powi(2) * w).sum::<f64>() / sum;
        sd = variance.sqrt().max(bin / 12f64.sqrt());
        ln_sum = most + (sum * bin).ln();
        if sd > 3.0 * bin {
            break;
        }
        centre = mean;
        half = 5.0 * sd.max(bin);
    }
    (Setting { offset_s: mean, ..setting }, sd, ln_sum)
}

/// Drift from the ties, seconds an hour: a straight line through `step − listed` by weighted
/// least squares, reweighted against outliers (Huber's weights at 2 standard deviations); `None`
/// when there are too few, `Some(0)` when it does not stand out by 3.5 standard uncertainties, and by
/// more the larger it is: of clocks that drift by 20 s an hour there are few.
fn drift(evidence: &Evidence, setting: &Setting, chain: &[Pair]) -> Option<f64> {
    let points: Vec<(f64, f64, f64)> = chain
        .iter()
        .filter(|pair| evidence.lines[pair.line].way != Way::Zero)
        .map(|pair| {
            let (line, mark) = (&evidence.lines[pair.line], &evidence.marks[pair.step]);
            let variance =
                setting.spread_s.powi(2) + mark.time_sd_s.powi(2) + line.rounding_s.powi(2) / 12.0;
            (line.listed_s / 3600.0, mark.time_s - line.listed_s, 1.0 / variance)
        })
        .collect();
    if points.len() < 5 {
        return None;
    }
    let (mut slope, mut intercept) = (setting.drift_s_per_h, setting.offset_s);
    let mut uncertainty = f64::INFINITY;
    for _ in 0..10 {
        let weight = |(x, y, w): &(f64, f64, f64)| {
            let z = (y - intercept - slope * x).abs() * w.sqrt();
            w * if z > 2.0 { 2.0 / z } else { 1.0 }
        };
        let sum = |f: &dyn Fn(&(f64, f64, f64)) -> f64| points.iter().map(f).sum::<f64>();
        let all = sum(&weight);
        let mx = sum(&|p| weight(p) * p.0) / all;
        let my = sum(&|p| weight(p) * p.1) / all;
        let sxx = sum(&|p| weight(p) * (p.0 - mx).powi(2));
        if sxx <= 0.0 {
            return None;
        }
        slope = sum(&|p| weight(p) * (p.0 - mx) * (p.1 - my)) / sxx;
        intercept = my - slope * mx;
        uncertainty = sxx.sqrt().recip();
    }
    let evidence = 0.5 * (slope / uncertainty).powi(2) + drift_ln_weight(slope);
    Some(if evidence > 0.5 * 3.5f64.powi(2) { slope } else { 0.0 })
}
