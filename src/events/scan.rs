//! The search over every offset that the clocks may have: where to look closely.

use super::evidence::{Evidence, Way};
use super::pairs::{MISSED, missed_at_first};
use super::prior::Prior;
use super::setting::Setting;

/// Spreads of a person's times about their steps that are tried, seconds, with the log of their
/// prior weight.
const PERSON_S: [(f64, f64); 2] = [(1.2, -0.5), (4.0, -1.0)];
/// Spreads up to this are a machine's, seconds,
pub(super) const MACHINE_S: f64 = 0.3;
/// and those that are tried.
const MACHINES_S: [(f64, f64); 3] = [(0.12, -3.0), (0.03, -3.5), (0.006, -4.0)];
/// Largest drift that is searched, seconds an hour: 5.6 parts in a thousand.
const MOST_DRIFT_S_PER_H: f64 = 20.0;
/// Peaks that are looked at closely.
pub(super) const PEAKS: usize = 8;

pub(super) fn middle_of(evidence: &Evidence) -> f64 {
    let lines = &evidence.lines;
    0.5 * (lines[0].listed_s + lines[lines.len() - 1].listed_s)
}

pub(super) fn span_of(evidence: &Evidence) -> f64 {
    let lines = &evidence.lines;
    lines[lines.len() - 1].listed_s - lines[0].listed_s
}

pub(super) fn rounding_of(evidence: &Evidence) -> f64 {
    evidence.lines.iter().map(|line| line.rounding_s).fold(0.0, f64::max)
}

/// Spreads worth trying: a machine's only where times are written finely enough to be one's.
pub(super) fn spreads(evidence: &Evidence) -> Vec<(f64, f64)> {
    let finest_line = evidence.lines.iter().map(|l| l.rounding_s).fold(f64::INFINITY, f64::min);
    let finest_step = evidence.marks.iter().map(|m| m.time_sd_s).fold(f64::INFINITY, f64::min);
    let finest = finest_line.max(finest_step);
    let machine = MACHINES_S.into_iter().filter(|(spread_s, _)| *spread_s >= finest);
    let person = PERSON_S.into_iter().filter(|(spread_s, _)| *spread_s < evidence.duration_s);
    let tried: Vec<(f64, f64)> = person.chain(machine).collect();
    if tried.is_empty() { vec![(0.1 * evidence.duration_s, 0.0)] } else { tried }
}

/// Log of the prior weight of a spread, by the nearest that was tried at first.
pub(super) fn spread_ln_weight(spread_s: f64) -> f64 {
    PERSON_S
        .into_iter()
        .chain(MACHINES_S)
        .min_by(|a, b| {
            let far = |x: &(f64, f64)| (x.0 / spread_s).ln().abs();
            far(a).total_cmp(&far(b))
        })
        .map_or(0.0, |(_, ln_weight)| ln_weight)
}

/// Log of the prior weight of a drift, beside none: clocks differ by some 2 s an hour (common practice, no
/// source).
pub(super) fn drift_ln_weight(drift_s_per_h: f64) -> f64 {
    -drift_s_per_h.abs() / 2.0
}

/// Drifts worth trying: so close together that the list's ends stay within one spread.
pub(super) fn drifts(evidence: &Evidence, spread_s: f64) -> Vec<f64> {
    let hours = span_of(evidence) / 3600.0;
    let width = spread_s + 0.5 * rounding_of(evidence);
    if hours * MOST_DRIFT_S_PER_H < 2.0 * width || evidence.lines.len() < 6 {
        return vec![0.0];
    }
    let steps = (MOST_DRIFT_S_PER_H * hours / (2.0 * width)).ceil().clamp(1.0, 40.0);
    let each = MOST_DRIFT_S_PER_H / steps;
    (-(steps as i32)..=steps as i32).map(|k| f64::from(k) * each).collect()
}

/// What every line and step say of each other beside their times, line by line.
pub(super) fn ratios(evidence: &Evidence, turn: f64) -> Vec<Vec<f64>> {
    (0..evidence.lines.len())
        .map(|i| (0..evidence.marks.len()).map(|j| evidence.ratio(i, j, turn)).collect())
        .collect()
}

/// What one spread of the times makes of the offsets, whatever the drift.
pub(super) struct Grid {
    /// Width of a bin of offsets.
    bin_s: f64,
    /// Density of a step's time about its line's, in bins from the middle on both sides, for each
    /// width that times are rounded to.
    kernels: Vec<(f64, Vec<f64>)>,
    /// Log prior density in the bins of each of the prior's intervals.
    ln_prior: Vec<Vec<f64>>,
}

impl Grid {
    /// O(bins).
    pub(super) fn of(evidence: &Evidence, prior: &Prior, setting: Setting) -> Self {
        let mut sds: Vec<f64> = evidence.marks.iter().map(|mark| mark.time_sd_s).collect();
        sds.sort_by(f64::total_cmp);
        let step_sd_s = sds[sds.len() / 2];
        let range: f64 = prior.intervals.iter().map(|(low, high)| high - low).sum();
        let bin = (0.5 * setting.spread_s.hypot(step_sd_s)).max(range / 200_000.0);
        let mut widths: Vec<f64> = evidence.lines.iter().map(|line| line.rounding_s).collect();
        widths.sort_by(f64::total_cmp);
        widths.dedup();
        let kernel = |rounding_s: f64| {
            let reach = 0.5 * rounding_s + 4.0 * setting.spread_s.hypot(step_sd_s);
            let half = (reach / bin).ceil() as i64;
            let at = |k: i64| setting.ln_density(k as f64 * bin, rounding_s, step_sd_s).exp();
            (rounding_s, (-half..=half).map(at).collect())
        };
        let ln_prior = prior
            .intervals
            .iter()
            .map(|interval| prior.ln_densities(*interval, bin, setting.spread_s))
            .collect();
        Self { bin_s: bin, kernels: widths.into_iter().map(kernel).collect(), ln_prior }
    }
}

/// Scores every offset of the prior's intervals on the spread's `grid`, each line on its own (no
/// order, not one to one), and adds the local maxima to `peaks`. O(lines × (steps × kernel + bins)).
pub(super) fn scan(
    evidence: &Evidence,
    prior: &Prior,
    grid: &Grid,
    setting: Setting,
    ratios: &[Vec<f64>],
    ln_weight: f64,
    peaks: &mut Vec<(f64, Setting)>,
) {
    let Grid { bin_s, kernels, ln_prior } = grid;
    let bin = *bin_s;
    let zero_ratio = evidence.duration_s / evidence.zero_time_s().max(bin);
    for ((low, high), ln_prior) in prior.intervals.iter().zip(ln_prior) {
        let bins = ln_prior.len();
        let mut total = vec![0.0; bins];
        let mut ratio = vec![0.0; bins];
        for (i, line) in evidence.lines.iter().enumerate() {
            let Some((_, kernel)) = kernels.iter().find(|(width, _)| *width == line.rounding_s)
            else {
                continue;
            };
            let missed = missed_at_first(line, MISSED);
            let odds = (1.0 - missed) / missed;
            let half = (kernel.len() / 2) as i64;
            let at_s = line.listed_s + setting.drift_s_per_h * line.listed_s / 3600.0;
            let place = |time_s: f64| (time_s - at_s - low) / bin;
            let reach = half as f64 * bin;
            let from = evidence.marks.partition_point(|m| m.time_s < at_s + low - reach);
            let to = evidence.marks.partition_point(|m| m.time_s <= at_s + high + reach);
            let (mut first, mut last) = (bins, 0usize);
            for (j, mark) in evidence.marks.iter().enumerate().take(to).skip(from) {
                // The residual falls as the offset grows: the kernel is laid in mirror image.
                let centre = place(mark.time_s).floor() as i64;
                let begin = (centre - half).max(0);
                let end = (centre + half + 1).min(bins as i64);
                if begin >= end {
                    continue;
                }
                let weight = ratios[i][j] / evidence.steps_per_s;
                for k in begin..end {
                    ratio[k as usize] += weight * kernel[(centre - k + half) as usize];
                }
                first = first.min(begin as usize);
                last = last.max(end as usize);
            }
            if line.way == Way::Zero {
                for k in &mut ratio[first.min(bins)..last.max(first.min(bins))] {
                    *k *= 0.5;
                }
                for zero in &evidence.zeros {
                    let begin = place(zero.start_s).max(0.0) as usize;
                    let end = (place(zero.end_s).max(0.0) as usize).min(bins);
                    if begin < end {
                        ratio[begin..end].iter_mut().for_each(|k| *k += 0.5 * zero_ratio);
                        first = first.min(begin);
                        last = last.max(end);
                    }
                }
            }
            for k in first..last {
                if ratio[k] > 0.0 {
                    total[k] += (odds * ratio[k]).ln_1p();
                    ratio[k] = 0.0;
                }
            }
        }
        let score = |(total, ln_prior): (&f64, &f64)| total + ln_prior + bin.ln() + ln_weight;
        let mut scores: Vec<f64> = total.iter().zip(ln_prior).map(score).collect();
        let apart = ((2.0 * setting.spread_s + 0.25 * rounding_of(evidence)) / bin).ceil() as usize;
        for _ in 0..PEAKS {
            let best = (0..bins).max_by(|a, b| scores[*a].total_cmp(&scores[*b])).unwrap_or(0);
            if scores[best] == f64::NEG_INFINITY {
                break;
            }
            let offset_s = low + (best as f64 + 0.5) * bin;
            peaks.push((scores[best], Setting { offset_s, ..setting }));
            scores[best.saturating_sub(apart)..(best + apart + 1).min(bins)]
                .fill(f64::NEG_INFINITY);
        }
    }
}
