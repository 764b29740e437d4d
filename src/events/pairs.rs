//! The pairs of lines and steps near one setting of the clocks, with their gains.

use super::evidence::{Evidence, Line, Way};
use super::setting::Setting;
use super::tie::Pair;

/// Share of lines without a step, before the list itself is asked.
pub(super) const MISSED: f64 = 0.12;

/// The same for a line that tells a load what it was told last: either the line between is missing,
/// or there was nothing to switch.
const MISSED_AGAIN: f64 = 0.5;
/// How many lines of its own load a line's first guess counts as.
const BELIEF: f64 = 2.0;

/// How often lines and steps stand alone.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Rates {
    /// For every line, the probability that it has no step.
    pub(super) missed: Vec<f64>,
    /// Steps a second that nobody listed.
    pub(super) unlisted_per_s: f64,
}

impl Rates {
    /// Before anything is tied.
    pub(super) fn at_first(evidence: &Evidence) -> Self {
        Self {
            missed: evidence.lines.iter().map(|line| missed_at_first(line, MISSED)).collect(),
            unlisted_per_s: evidence.steps_per_s,
        }
    }

    /// After each line was left alone with a probability: for the list as a whole with the first
    /// guess counting as eight lines, and for a load from its other lines, for one that draws
    /// nothing the meter can see shows no step in any of them.
    pub(super) fn after(evidence: &Evidence, alone: &[f64]) -> Self {
        let (lines, steps) = (&evidence.lines, evidence.marks.len() as f64);
        let tied = lines.len() as f64 - alone.iter().sum::<f64>();
        // A zero check without a step rests in a zero.
        let switched = || (0..lines.len()).filter(|i| lines[*i].way != Way::Zero);
        let untied: f64 = switched().map(|i| alone[i]).sum();
        let of_list = (untied + 8.0 * MISSED) / (switched().count() as f64 + 8.0);
        let missed = |i: usize| {
            let first = missed_at_first(&lines[i], of_list);
            if lines[i].way == Way::Zero {
                return MISSED;
            }
            let others = switched().filter(|k| *k != i && lines[*k].load == lines[i].load);
            let (count, sum) =
                others.fold((0.0, 0.0), |(count, sum), k| (count + 1.0, sum + alone[k]));
            (sum + BELIEF * first) / (count + BELIEF)
        };
        Self {
            missed: (0..lines.len()).map(missed).collect(),
            unlisted_per_s: ((steps - tied).max(0.0) + 2.0) / (steps + 2.0) * evidence.steps_per_s,
        }
    }
}

/// The probability that a line has no step, before its load's other lines are asked.
pub(super) fn missed_at_first(line: &Line, of_list: f64) -> f64 {
    if line.repeats { of_list.max(MISSED_AGAIN) } else { of_list }
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
        rates: &Rates,
    ) -> Self {
        let mut pairs = Vec::new();
        let widest = evidence.marks.iter().map(|m| m.time_sd_s).fold(0.0, f64::max);
        for (i, line) in evidence.lines.iter().enumerate() {
            let at_s = setting.capture_time(line.listed_s);
            let missed = rates.missed[i];
            let odds = ((1.0 - missed) / missed / rates.unlisted_per_s).ln();
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
pub(super) fn sizes(
    evidence: &Evidence,
    tied_pairs: impl IntoIterator<Item = (usize, usize)>,
) -> Vec<Option<(f64, f64)>> {
    let mut tied = vec![None; evidence.lines.len()];
    for (line, step) in tied_pairs {
        tied[line] = Some(evidence.marks[step].delta_a.abs().max(f64::MIN_POSITIVE).ln());
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
