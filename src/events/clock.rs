//! How the list's clock stands to the capture's: found from the pattern of lines and steps
//! together, with everything else that could explain it weighed beside it.
//!
//! Model: a line was written `L` seconds after its step, rounded to a width `R`, by a clock that
//! differs by `θ` and drifts by `δ`: `t = l + θ + δ·l/3600 − L + r`. Lines have no step with
//! probability `q`; steps that nobody listed come at rate `λ`. Up to a constant the likelihood of
//! an offset is the sum over all order-preserving pairings of the product of their pairs'
//! likelihood ratios `(1−q)/q · p(t − l − θ)/λ · w`, with `w` for direction and size.

use std::f64::consts::TAU;

use super::evidence::{Evidence, Line, Mark, Way};
use super::prior::Prior;
use super::tie::{self, Pair};
use crate::numeric::normal_cdf;

/// Share of lines without a step, before the list itself is asked.
const MISSED: f64 = 0.12;
/// Share of times that were written down much later, or before.
const CARELESS: f64 = 0.05;
/// Spreads of a person's times about their steps that are tried, seconds, with the log of their
/// prior weight.
const PERSON_S: [(f64, f64); 2] = [(1.2, -0.5), (4.0, -1.0)];
/// Spreads of a machine's.
const MACHINE_S: [(f64, f64); 3] = [(0.12, -3.0), (0.03, -3.5), (0.006, -4.0)];
/// Largest lateness that is taken off, seconds.
const MOST_LATENESS_S: f64 = 1.25;
/// Mean lateness over its spread.
const LATENESS_TO_SPREAD: f64 = 1.4;
/// Log of the prior weight of a clamp that sat the other way round.
const TURNED: f64 = -3.5;
/// Peaks whose evidence is further below the best than this are given up.
const HOPELESS: f64 = 12.0;
/// Largest drift that is searched, seconds an hour: 5.6 parts in a thousand.
const MOST_DRIFT_S_PER_H: f64 = 20.0;
/// Peaks that are looked at closely.
const PEAKS: usize = 8;

/// How one clock goes by the other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Setting {
    pub(super) offset_s: f64,
    pub(super) drift_s_per_h: f64,
    /// Spread of a person's times, seconds.
    pub(super) spread_s: f64,
    /// −1 when the clamp sat the other way round.
    pub(super) turn: f64,
}

impl Setting {
    pub(super) fn capture_time(&self, listed_s: f64) -> f64 {
        listed_s + self.offset_s + self.drift_s_per_h * listed_s / 3600.0
    }

    /// Mean lateness that a spread speaks of: people note what they did, not what they will do,
    /// and lateness of spread `s` has a mean of `√3·s` (level from 0) or `s` (exponential). A value
    /// between is taken, at most 1¼ s: not everybody's seconds are late.
    pub(super) fn lateness_s(&self) -> f64 {
        (LATENESS_TO_SPREAD * self.spread_s).min(MOST_LATENESS_S)
    }

    /// How far a step lies from where its line says, lateness and rounding taken off, in spreads.
    pub(super) fn strangeness(&self, mark: &Mark, line: &Line) -> f64 {
        let from_s = (mark.time_s - self.capture_time(line.listed_s) + self.lateness_s()).abs();
        // A person's spread of nothing is luck.
        let least_s = if self.spread_s > 0.3 { 0.9 } else { 0.0 };
        let spread_s = self.spread_s.max(least_s).hypot(mark.time_sd_s);
        (from_s - 0.5 * line.rounding_s).max(0.0) / spread_s
    }

    /// Log density of `residual = step − capture time of the line`, per second.
    fn ln_density(&self, residual_s: f64, rounding_s: f64, step_sd_s: f64) -> f64 {
        let sd = self.spread_s.hypot(step_sd_s);
        let from = residual_s + self.lateness_s();
        let normal = |x: f64, sd: f64| (-0.5 * (x / sd).powi(2)).exp() / (sd * TAU.sqrt());
        let careful = if rounding_s < 0.3 * sd {
            normal(from, sd.hypot(rounding_s / 12f64.sqrt()))
        } else {
            let half = 0.5 * rounding_s;
            (normal_cdf((from + half) / sd) - normal_cdf((from - half) / sd)) / rounding_s
        };
        let careless = normal(from, (6.0 * sd).hypot(0.5 * rounding_s));
        ((1.0 - CARELESS) * careful + CARELESS * careless).ln()
    }

    fn reach_s(&self, rounding_s: f64, step_sd_s: f64) -> f64 {
        let sd = self.spread_s.hypot(step_sd_s);
        0.5 * rounding_s + 4.0 * (6.0 * sd).hypot(0.5 * rounding_s).min(8.0 * sd + rounding_s)
    }
}

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
    let mut peaks: Vec<(f64, Setting)> = Vec::new();
    for (n, (spread_s, ln_weight)) in spreads(evidence).into_iter().enumerate() {
        let drifts = if n == 0 { drifts(evidence, spread_s) } else { vec![0.0] };
        for drift_s_per_h in drifts {
            let setting = Setting { offset_s: 0.0, drift_s_per_h, spread_s, turn: 1.0 };
            let ln_weight = ln_weight - drift_s_per_h.abs() / 2.0;
            scan(evidence, prior, setting, ln_weight, &mut peaks);
            if n == 0 && drift_s_per_h == 0.0 {
                let setting = Setting { turn: -1.0, ..setting };
                scan(evidence, prior, setting, ln_weight + TURNED, &mut peaks);
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

fn middle_of(evidence: &Evidence) -> f64 {
    let lines = &evidence.lines;
    0.5 * (lines[0].listed_s + lines[lines.len() - 1].listed_s)
}

fn span_of(evidence: &Evidence) -> f64 {
    let lines = &evidence.lines;
    lines[lines.len() - 1].listed_s - lines[0].listed_s
}

fn rounding_of(evidence: &Evidence) -> f64 {
    evidence.lines.iter().map(|line| line.rounding_s).fold(0.0, f64::max)
}

/// Spreads worth trying: a machine's only where times are written finely enough to be one's.
fn spreads(evidence: &Evidence) -> Vec<(f64, f64)> {
    let finest_line = evidence.lines.iter().map(|l| l.rounding_s).fold(f64::INFINITY, f64::min);
    let finest_step = evidence.marks.iter().map(|m| m.time_sd_s).fold(f64::INFINITY, f64::min);
    let finest = finest_line.max(finest_step);
    let machine = MACHINE_S.into_iter().filter(|(spread_s, _)| *spread_s >= finest);
    let person = PERSON_S.into_iter().filter(|(spread_s, _)| *spread_s < evidence.duration_s);
    let tried: Vec<(f64, f64)> = person.chain(machine).collect();
    if tried.is_empty() { vec![(0.1 * evidence.duration_s, 0.0)] } else { tried }
}

/// Log of the prior weight of a spread, by the nearest that was tried at first.
fn spread_ln_weight(spread_s: f64) -> f64 {
    PERSON_S
        .into_iter()
        .chain(MACHINE_S)
        .min_by(|a, b| {
            let far = |x: &(f64, f64)| (x.0 / spread_s).ln().abs();
            far(a).total_cmp(&far(b))
        })
        .map_or(0.0, |(_, ln_weight)| ln_weight)
}

/// Drifts worth trying: so close together that the list's ends stay within one spread.
fn drifts(evidence: &Evidence, spread_s: f64) -> Vec<f64> {
    let hours = span_of(evidence) / 3600.0;
    let width = spread_s + 0.5 * rounding_of(evidence);
    if hours * MOST_DRIFT_S_PER_H < 2.0 * width || evidence.lines.len() < 6 {
        return vec![0.0];
    }
    let steps = (MOST_DRIFT_S_PER_H * hours / (2.0 * width)).ceil().clamp(1.0, 40.0);
    let each = MOST_DRIFT_S_PER_H / steps;
    (-(steps as i32)..=steps as i32).map(|k| f64::from(k) * each).collect()
}

/// Scores every offset of the prior's intervals on a grid, each line on its own (no order, not
/// one to one), and adds the local maxima to `peaks`. O(lines × (steps × kernel + grid)).
fn scan(
    evidence: &Evidence,
    prior: &Prior,
    setting: Setting,
    ln_weight: f64,
    peaks: &mut Vec<(f64, Setting)>,
) {
    let mut sds: Vec<f64> = evidence.marks.iter().map(|mark| mark.time_sd_s).collect();
    sds.sort_by(f64::total_cmp);
    let step_sd_s = sds[sds.len() / 2];
    let range: f64 = prior.intervals.iter().map(|(low, high)| high - low).sum();
    let bin = (0.5 * setting.spread_s.hypot(step_sd_s)).max(range / 200_000.0);
    let odds = (1.0 - MISSED) / MISSED;
    let kernels: Vec<(f64, Vec<f64>)> = {
        let mut widths: Vec<f64> = evidence.lines.iter().map(|line| line.rounding_s).collect();
        widths.sort_by(f64::total_cmp);
        widths.dedup();
        widths
            .into_iter()
            .map(|rounding_s| {
                let reach = 0.5 * rounding_s + 4.0 * setting.spread_s.hypot(step_sd_s);
                let half = (reach / bin).ceil() as i64;
                let at = |k: i64| setting.ln_density(k as f64 * bin, rounding_s, step_sd_s).exp();
                (rounding_s, (-half..=half).map(at).collect())
            })
            .collect()
    };
    let turned: Vec<Vec<f64>> = (0..evidence.lines.len())
        .map(|i| (0..evidence.marks.len()).map(|j| evidence.ratio(i, j, setting.turn)).collect())
        .collect();
    let zero_ratio = evidence.duration_s / evidence.zero_time_s().max(bin);
    for (low, high) in &prior.intervals {
        let bins = ((high - low) / bin).ceil().max(1.0) as usize;
        let mut total = vec![0.0; bins];
        let mut ratio = vec![0.0; bins];
        for (i, line) in evidence.lines.iter().enumerate() {
            let Some((_, kernel)) = kernels.iter().find(|(width, _)| *width == line.rounding_s)
            else {
                continue;
            };
            let half = (kernel.len() / 2) as i64;
            let at_s = line.listed_s + setting.drift_s_per_h * line.listed_s / 3600.0;
            let place = |time_s: f64| (time_s - at_s - low) / bin;
            let reach = half as f64 * bin;
            let from = evidence.marks.partition_point(|m| m.time_s < at_s + low - reach);
            let to = evidence.marks.partition_point(|m| m.time_s <= at_s + high + reach);
            let (mut first, mut last) = (bins, 0usize);
            for j in from..to {
                // The residual falls as the offset grows: the kernel is laid in mirror image.
                let centre = place(evidence.marks[j].time_s).floor() as i64;
                let begin = (centre - half).max(0);
                let end = (centre + half + 1).min(bins as i64);
                if begin >= end {
                    continue;
                }
                let weight = turned[i][j] / evidence.steps_per_s;
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
        let score = |k: usize| {
            total[k] + prior.ln_density(low + (k as f64 + 0.5) * bin) + bin.ln() + ln_weight
        };
        let mut scores: Vec<f64> = (0..bins).map(score).collect();
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

/// How often lines and steps stand alone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Rates {
    /// Share of lines without a step.
    pub(super) missed: f64,
    /// Steps a second that nobody listed.
    pub(super) unlisted_per_s: f64,
}

impl Rates {
    /// Before anything is tied.
    pub(super) fn at_first(evidence: &Evidence) -> Self {
        Self { missed: MISSED, unlisted_per_s: evidence.steps_per_s }
    }

    /// After `tied` ties, the first guess counting as eight lines.
    pub(super) fn after(evidence: &Evidence, tied: usize) -> Self {
        let (lines, steps) = (evidence.lines.len(), evidence.marks.len());
        Self {
            missed: ((lines - tied) as f64 + 8.0 * MISSED) / (lines as f64 + 8.0),
            unlisted_per_s: ((steps - tied) as f64 + 2.0) / (steps as f64 + 2.0)
                * evidence.steps_per_s,
        }
    }
}

/// Everything near one setting: pairs with their time-independent part of the gain.
pub(super) struct Near<'a> {
    evidence: &'a Evidence,
    pairs: Vec<Pair>,
}

impl<'a> Near<'a> {
    /// `sizes`: for each line, the log size that its load's other lines make expect, and how well.
    pub(super) fn of(
        evidence: &'a Evidence,
        setting: &Setting,
        slack_s: f64,
        sizes: &[Option<(f64, f64)>],
        rates: Rates,
    ) -> Self {
        let odds = ((1.0 - rates.missed) / rates.missed / rates.unlisted_per_s).ln();
        let mut pairs = Vec::new();
        let widest = evidence.marks.iter().map(|m| m.time_sd_s).fold(0.0, f64::max);
        for (i, line) in evidence.lines.iter().enumerate() {
            let at_s = setting.capture_time(line.listed_s);
            let far = slack_s + setting.reach_s(line.rounding_s, widest);
            let from = evidence.marks.partition_point(|mark| mark.time_s < at_s - far);
            for (j, mark) in evidence.marks.iter().enumerate().skip(from) {
                if mark.time_s > at_s + far {
                    break;
                }
                let size = sizes.get(i).copied().flatten().map_or(1.0, |(expected, sd)| {
                    let size = mark.delta_a.abs().max(f64::MIN_POSITIVE).ln();
                    evidence.size_ratio(size, expected, sd, 0.75)
                });
                let ratio = evidence.ratio(i, j, setting.turn) * size;
                let half = if line.way == Way::Zero { 0.5f64.ln() } else { 0.0 };
                pairs.push(Pair { line: i, step: j, gain: odds + ratio.ln() + half });
            }
        }
        Self { evidence, pairs }
    }

    /// Log weight of a zero check that reads a near-zero stretch without being its first step.
    fn resting(&self, setting: &Setting, line: usize) -> f64 {
        let line = &self.evidence.lines[line];
        if line.way != Way::Zero {
            return 0.0;
        }
        let at_s = setting.capture_time(line.listed_s);
        let slack = 0.5 * line.rounding_s + setting.spread_s;
        let evidence = self.evidence;
        let near = [-slack, 0.0, slack].iter().any(|d| evidence.zero_at(at_s + d).is_some());
        let share = evidence.duration_s / evidence.zero_time_s().max(1e-9);
        let odds = 0.5 * (1.0 - MISSED) / MISSED;
        if near { (odds * share).ln_1p() } else { 0.0 }
    }

    /// Pairs at one setting with their whole gain, and the weight of lines that rest in a zero.
    pub(super) fn at(&self, setting: &Setting) -> (Vec<Pair>, f64) {
        let mut resting = vec![0.0; self.evidence.lines.len()];
        for (line, rest) in resting.iter_mut().enumerate() {
            *rest = self.resting(setting, line);
        }
        let pairs = self
            .pairs
            .iter()
            .filter_map(|pair| {
                let line = &self.evidence.lines[pair.line];
                let mark = &self.evidence.marks[pair.step];
                let residual = mark.time_s - setting.capture_time(line.listed_s);
                let ln_density = setting.ln_density(residual, line.rounding_s, mark.time_sd_s);
                let gain = pair.gain + ln_density - resting[pair.line];
                (gain > -7.0).then_some(Pair { gain, ..*pair })
            })
            .collect();
        (pairs, resting.iter().sum())
    }
}

/// For each line, what the other ties of the same doing (or its opposite) say of its size.
pub(super) fn sizes(evidence: &Evidence, chain: &[Pair]) -> Vec<Option<(f64, f64)>> {
    let mut tied = vec![None; evidence.lines.len()];
    for pair in chain {
        tied[pair.line] = Some(evidence.marks[pair.step].delta_a.abs().max(f64::MIN_POSITIVE).ln());
    }
    let median = |mut sizes: Vec<f64>| {
        sizes.sort_by(f64::total_cmp);
        let n = sizes.len();
        (n > 0).then(|| 0.5 * (sizes[(n - 1) / 2] + sizes[n / 2]))
    };
    evidence
        .lines
        .iter()
        .enumerate()
        .map(|(i, line)| {
            let others = |doing: usize| {
                let same = |(k, size): (usize, &Option<f64>)| {
                    size.filter(|_| k != i && evidence.lines[k].doing == doing)
                };
                median(tied.iter().enumerate().filter_map(same).collect())
            };
            if line.way == Way::Zero {
                return None;
            }
            others(line.doing)
                .map(|size| (size, 0.2))
                .or_else(|| line.opposite.and_then(others).map(|size| (size, 0.5)))
        })
        .collect()
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
        let setting = Setting { spread_s: factor * from.setting.spread_s, ..from.setting };
        let (setting, uncertainty_s, ln_sum) =
            weigh(evidence, prior, setting, sizes, from.uncertainty_s);
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
        let near = Near::of(evidence, &fit.setting, 0.0, &known_sizes, rates);
        let (pairs, _) = near.at(&fit.setting);
        let chain: Vec<Pair> = tie::best(&pairs).into_iter().map(|p| pairs[p]).collect();
        known_sizes = sizes(evidence, &chain);
        if let Some(drift) = drift(evidence, &fit.setting, &chain) {
            let middle = middle_of(evidence);
            let at = fit.setting.capture_time(middle);
            fit.setting.drift_s_per_h = drift;
            fit.setting.offset_s += at - fit.setting.capture_time(middle);
            fit.drift_found = drift != 0.0;
        }
        fit = climb(evidence, prior, &fit, factors, &known_sizes);
    }
    fit
}

/// Posterior mean and standard deviation of the offset near a setting, and the log of its weight,
/// on a grid that widens until the ends do not matter.
fn weigh(
    evidence: &Evidence,
    prior: &Prior,
    setting: Setting,
    sizes: &[Option<(f64, f64)>],
    uncertainty_s: f64,
) -> (Setting, f64, f64) {
    let rounding_s = rounding_of(evidence);
    let mut half = 0.5 * rounding_s + 3.0 * setting.spread_s.max(uncertainty_s.min(60.0));
    let near = Near::of(evidence, &setting, half, sizes, Rates::at_first(evidence));
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
                (offset_s, tie::ln_weight(&pairs) + resting + prior.ln_density(offset_s))
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
/// when there are too few, `Some(0)` when it does not stand out by 3.5 standard uncertainties.
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
    Some(if slope.abs() > 3.5 * uncertainty { slope } else { 0.0 })
}
