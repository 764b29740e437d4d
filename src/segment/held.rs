//! Readings that stand in the log several times in a row: a logger faster than its meter.
//!
//! Such a log has few independent readings, each `times` long, and its noise is neither white nor AR(1).
//! Runs of equal samples tell it: they last about whole multiples of one length, hardly any less than that
//! length. Three other things make runs of equal samples, and are told from it: what rounding makes of
//! noise (most of its runs are single samples), of a drift (it hardly ever turns back) and of loads that
//! come and go without noise (they repeat themselves, or go up and down in turn).
//!
//! `lines` tells a log filled with straight lines from one reading to the next.
//!
//! The samples are then cut into stands, of which only the first sample is segmented.

pub(super) mod lines;
#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use super::{Held, Segmentation, states};
use crate::capture::{Samples, TimeAxis};

/// Runs that tell whether readings are held, at most.
const RUNS: usize = 4096;
/// And at least.
const FEWEST: usize = 48;
/// Share of runs that may be shorter than a reading stands: a lost row, a spike of the logger's own.
const SHORTER: f64 = 0.02;
/// Single samples that end the search before there are many runs.
const SINGLES: usize = 8;
/// Share of runs in which a reading stands alone, at least.
const ALONE: f64 = 0.25;
/// Readings of a run up to which its length tells how long one stands.
const TELLING: f64 = 4.5;
/// How well run lengths lie on multiples, in what two even clocks make of them.
const ON_MULTIPLES: f64 = 0.6;
/// The same where nothing else tells two counts from two loads.
const EXACTLY: f64 = 0.95;
/// Runs of a value, in its readings, up to which it lasts.
const LASTS: f64 = 0.55;
/// Share of changes against the one before: two in three for white noise, hardly any for a drift, all
/// between two levels.
const TURNS: [f64; 2] = [0.25, 0.95];
/// Share of changes that go where the last one from the same two levels went, at most: loads that
/// repeat themselves do.
const FORESEEN: f64 = 0.8;

/// A run of equal samples between two changes.
#[derive(Debug, Clone, Copy)]
struct Run {
    length: usize,
    value: f64,
    /// The run before ended where this one starts.
    follows: bool,
}

/// Tells `of` the runs of equal samples in order, as first sample and end, until it returns false.
/// None reaches across a break.
fn each_run(values: &[f64], breaks: &[usize], mut of: impl FnMut(usize, usize) -> bool) {
    const BLOCK: usize = 64;
    let mut breaks = breaks.iter().copied().peekable();
    let mut first = 0;
    while first < values.len() {
        let value = values[first];
        while breaks.next_if(|b| *b <= first).is_some() {}
        let until = breaks.peek().copied().unwrap_or(values.len());
        let mut end = first + 1;
        // Long runs block by block.
        while values[end..until]
            .first_chunk::<BLOCK>()
            .is_some_and(|b| b.iter().all(|v| *v == value))
        {
            end += BLOCK;
        }
        end += values[end..until].iter().take_while(|v| **v == value).count();
        if !of(first, end) {
            return;
        }
        first = end;
    }
}

/// How the readings are held; `None` when they are not, or when too few changes tell. A few runs where
/// readings are not held, O(n) where they are or hardly change.
pub(super) fn find(values: &[f64], breaks: &[usize], count_a: Option<f64>) -> Option<Held> {
    let n = values.len();
    let whole = |first: usize, end: usize| {
        // A run at an end or a gap may have lost samples.
        first > 0
            && end < n
            && breaks.binary_search(&first).is_err()
            && breaks.binary_search(&end).is_err()
    };
    let mut runs: Vec<Run> = Vec::new();
    let (mut singles, mut follows) = (0, false);
    each_run(values, breaks, |first, end| {
        let is_whole = whole(first, end);
        if is_whole {
            runs.push(Run { length: end - first, value: values[first], follows });
            singles += usize::from(end - first == 1);
        }
        follows = is_whole;
        let too_many = singles > SINGLES && singles as f64 > SHORTER * runs.len() as f64;
        !too_many && runs.len() < RUNS
    });
    let (times, on_multiples) = stand(&runs)?;
    if !varies(&runs, times, on_multiples, count_a) {
        return None;
    }
    let mut stands = Stands {
        times,
        first: Vec::with_capacity((n as f64 / times) as usize + 2),
        runs: 0,
        shorter: 0,
    };
    each_run(values, breaks, |first, end| {
        stands.cut(
            first,
            end,
            breaks.binary_search(&first).is_ok() || first == 0,
            whole(first, end),
        );
        true
    });
    let seldom = stands.shorter as f64 <= SHORTER * stands.runs as f64;
    seldom.then_some(Held { times, interpolated: false, first: stands.first })
}

/// Whether a run is too short for one reading that stands `times` samples.
fn is_shorter(length: usize, times: f64) -> bool {
    (length as f64) < 0.6 * times && length as f64 <= times - 0.99
}

/// Readings in a run.
fn readings(length: usize, times: f64) -> f64 {
    (length as f64 / times).round().max(1.0)
}

/// Samples that one reading stands for, where the runs tell, and how well their lengths lie on multiples
/// of it: 1 where two even clocks make them.
fn stand(runs: &[Run]) -> Option<(f64, f64)> {
    if runs.len() < FEWEST {
        return None;
    }
    let mut lengths: Vec<usize> = runs.iter().map(|run| run.length).collect();
    lengths.sort_unstable();
    let least = lengths[(SHORTER * lengths.len() as f64) as usize];
    if least < 2 {
        return None;
    }
    let up_to = |length: f64| &lengths[..lengths.partition_point(|l| *l as f64 <= length)];
    let mean = |lengths: &[usize], readings: f64| lengths.iter().sum::<usize>() as f64 / readings;
    let alone = up_to(1.5 * least as f64 + 0.5);
    let mut times = mean(alone, alone.len() as f64);
    for _ in 0..8 {
        let telling = up_to(TELLING * times);
        times = mean(telling, telling.iter().map(|l| readings(*l, times)).sum());
    }
    let telling = up_to(TELLING * times);
    let count = |of: &dyn Fn(usize) -> bool| telling.iter().filter(|l| of(**l)).count() as f64;
    let off = |length: f64| (std::f64::consts::TAU * length / times).cos();
    let on_multiples = telling.iter().map(|l| off(*l as f64)).sum::<f64>();
    // Two even clocks make runs of the whole numbers of samples on both sides of a multiple.
    let even_clocks = telling.iter().map(|l| readings(*l, times) * times).map(|multiple| {
        let beyond = multiple.fract();
        (1.0 - beyond) * off(multiple.floor()) + beyond * off(multiple.floor() + 1.0)
    });
    let on_multiples = on_multiples / even_clocks.sum::<f64>();
    let all = lengths.len() as f64;
    (count(&|l| is_shorter(l, times)) <= SHORTER * all
        && count(&|l| readings(l, times) == 1.0) >= ALONE * all
        && on_multiples >= ON_MULTIPLES)
        .then_some((times, on_multiples))
}

/// Share of changes against the one before, and share of those that were foreseen: that went where the
/// last one went from what `tells` of a run and the one before it.
fn turned_and_foreseen<T: Ord>(runs: &[Run], tells: impl Fn(&[Run]) -> T) -> [f64; 2] {
    let (mut changes, mut turns, mut foreseen) = (0.0, 0.0, 0.0);
    let mut went: BTreeMap<T, T> = BTreeMap::new();
    for four in runs.windows(4).filter(|w| w[1..].iter().all(|run| run.follows)) {
        let [before, now, next] = [four[1].value, four[2].value, four[3].value];
        changes += 1.0;
        turns += f64::from((now > before) != (next > now));
        let next = tells(&four[2..]);
        foreseen += f64::from(went.insert(tells(&four[1..3]), tells(&four[2..])) == Some(next));
    }
    [turns / changes, foreseen / changes]
}

/// Whether the values vary as noise does.
fn varies(runs: &[Run], times: f64, on_multiples: f64, count_a: Option<f64>) -> bool {
    let pair = |w: &[Run]| [w[0].value.to_bits(), w[1].value.to_bits()];
    let [turns, foreseen] = turned_and_foreseen(runs, pair);
    let several = (TURNS[0]..=TURNS[1]).contains(&turns) && foreseen <= FORESEEN;
    several || (turns >= TURNS[0] && on_multiples >= EXACTLY && flips(runs, times, count_a))
}

/// Whether readings go to and fro between two counts, `count_a` apart where that is known, as independent
/// ones do: whether one stands alone does not depend on how long its value lasts elsewhere, the shares of
/// the values add up, and a reading is as like the next as the fourth from it.
fn flips(runs: &[Run], times: f64, count_a: Option<f64>) -> bool {
    let lasts = |run: &Run| readings(run.length, times);
    let with_length = |w: &[Run]| (w[1].value.to_bits(), lasts(&w[1]) as usize);
    if turned_and_foreseen(runs, with_length)[1] > FORESEEN {
        return false;
    }
    let by_one_count = |count_a: f64| {
        let changes = runs.windows(2).filter(|w| w[1].follows);
        let larger = |w: &&[Run]| (w[1].value - w[0].value).abs() > 1.25 * count_a;
        changes.filter(larger).count() as f64 <= 0.1 * runs.len() as f64
    };
    let mut by_value: BTreeMap<u64, [f64; 3]> = BTreeMap::new();
    for run in runs {
        let [count, length, alone] = by_value.entry(run.value.to_bits()).or_default();
        *count += 1.0;
        *length += lasts(run);
        *alone += f64::from(lasts(run) == 1.0);
    }
    let (mut alone, mut expected, mut shares) = (0.0, 0.0, 0.0);
    for [count, length, stood_alone] in by_value.into_values() {
        shares += 1.0 - count / length;
        if count <= LASTS * length {
            alone += stood_alone;
            expected += count * count / length;
        }
    }
    let stands: Vec<f64> = runs
        .iter()
        .flat_map(|run| std::iter::repeat_n(run.value, lasts(run).min(32.0) as usize))
        .collect();
    let differ = |lag: usize| {
        let pairs = stands.iter().zip(&stands[lag..]);
        pairs.filter(|(a, b)| a != b).count() as f64
    };
    let next = differ(1);
    (expected >= 6.0 || count_a.is_some_and(by_one_count))
        && alone >= 0.5 * expected
        && shares >= 0.85
        && (2..=4).all(|lag| (0.7 * next..=1.4 * next).contains(&differ(lag)))
}

/// The stands that runs are cut into.
struct Stands {
    times: f64,
    first: Vec<usize>,
    runs: usize,
    shorter: usize,
}

impl Stands {
    fn cut(&mut self, first: usize, end: usize, after_gap: bool, whole: bool) {
        let length = end - first;
        let count = readings(length, self.times);
        // Where a run has lost samples, the end that is left is in step.
        let (from, apart) = match (whole, after_gap) {
            (true, _) => (first as f64, length as f64 / count),
            (false, true) => (end as f64 - count * self.times, self.times),
            (false, false) => (first as f64, self.times),
        };
        self.first.push(first);
        let inner = (1..count as usize).map(|k| (from + k as f64 * apart).round() as usize);
        self.first.extend(inner);
        if whole {
            self.runs += 1;
            self.shorter += usize::from(is_shorter(length, self.times));
        }
    }
}

impl Held {
    /// Samples that a reading stands for: `5`, `3.3`.
    pub fn times_in_words(&self) -> String {
        let text = format!("{:.2}", self.times);
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    }

    /// One sample of each reading, at the time it first stands.
    pub fn readings(&self, samples: &Samples) -> Samples {
        Samples {
            time: TimeAxis::Listed(self.first.iter().map(|i| samples.time.at(*i)).collect()),
            current_a: self.first.iter().map(|i| samples.current_a[*i]).collect(),
        }
    }

    /// What was found in the readings, in terms of the samples.
    pub(super) fn in_samples(self, mut found: Segmentation, samples: &Samples) -> Segmentation {
        let sample = |reading: usize| self.first.get(reading).copied().unwrap_or(samples.len());
        for step in &mut found.steps {
            step.index = sample(step.index);
        }
        for spike in &mut found.noise.spikes {
            *spike = sample(*spike);
        }
        for segment in &mut found.segments {
            let last_s = samples.time.at(sample(segment.end - 1));
            (segment.first, segment.end) = (sample(segment.first), sample(segment.end));
            // The last reading before a gap or the end stands for a while.
            if segment.end_s == last_s {
                segment.end_s = samples.time.at(segment.end - 1);
            }
        }
        found.states = states::group(&mut found.segments, found.noise.sigma_a);
        found.held = Some(self);
        found
    }

    /// What was found in the samples, in terms of the readings.
    pub fn in_readings(&self, found: &Segmentation) -> Segmentation {
        let reading = |sample: usize| self.first.partition_point(|first| *first < sample);
        let mut found = found.clone();
        for step in &mut found.steps {
            step.index = reading(step.index);
        }
        for spike in &mut found.noise.spikes {
            *spike = reading(*spike);
        }
        for segment in &mut found.segments {
            (segment.first, segment.end) = (reading(segment.first), reading(segment.end));
        }
        found.held = None;
        found
    }
}
