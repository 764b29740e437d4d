//! How samples lie in time, how finely they are read, and what they add up to.

use std::ops::Range;

use rayon::prelude::*;

use super::types::{Samples, Sampling, TimeAxis};
use crate::findings::{Caution, Span, Totals};
use crate::numeric::{ExactSum, Quantity, rising};

/// A stretch longer than this many median intervals has lost samples.
const GAP: f64 = 5.0;

/// Median interval, its range, and gaps: intervals above five times the median (and above five times the
/// median of the ten on either side, so that a change of rate is no gap).
///
/// O(n).
pub(super) fn lie(time: &TimeAxis) -> Sampling {
    let times = match time {
        TimeAxis::Uniform { interval_s, len } => {
            let interval = (*len > 1).then_some(*interval_s);
            return Sampling {
                interval_s: interval,
                interval_range_s: interval.map(|i| (i, i)),
                gaps: Vec::new(),
            };
        }
        TimeAxis::Listed(times) => times,
    };
    if times.len() < 2 {
        return Sampling::default();
    }
    let steps: Vec<f64> = times.windows(2).map(|w| w[1] - w[0]).collect();
    let median = median_of(&mut steps.clone());
    let mut gaps = Vec::new();
    let (mut low, mut high) = (f64::INFINITY, 0.0_f64);
    for (at, step) in steps.iter().enumerate() {
        if *step > GAP * median && stands_out(&steps, at) {
            gaps.push(Span { start_s: times[at], end_s: times[at + 1] });
        } else {
            low = low.min(*step);
            high = high.max(*step);
        }
    }
    let range = low.is_finite().then_some((low, high));
    Sampling { interval_s: Some(median), interval_range_s: range, gaps }
}

fn stands_out(steps: &[f64], at: usize) -> bool {
    let around = |range: std::ops::Range<usize>| {
        let mut near: Vec<f64> = steps.get(range).unwrap_or_default().to_vec();
        (!near.is_empty()).then(|| median_of(&mut near))
    };
    let left = around(at.saturating_sub(10)..at);
    let right = around(at + 1..(at + 11).min(steps.len()));
    // Against the slower side: a logger that has changed to a slow rate has no gaps.
    let local = left.into_iter().chain(right).fold(0.0, f64::max);
    local == 0.0 || steps[at] > GAP * local
}

/// Whether five intervals in a row differ from the median by more than half of it; single missing cells do not count.
pub(super) fn rate_changes(time: &TimeAxis) -> bool {
    let TimeAxis::Listed(times) = time else { return false };
    if times.len() < 12 {
        return false;
    }
    let steps: Vec<f64> = times.windows(2).map(|w| w[1] - w[0]).collect();
    let median = median_of(&mut steps.clone());
    let mut run = 0;
    steps.iter().any(|step| {
        run = if *step > 1.5 * median || *step < median / 1.5 { run + 1 } else { 0 };
        run >= 5
    })
}

fn median_of(values: &mut [f64]) -> f64 {
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, rising).1
}

/// Times as an even axis where they are one to within a millionth of the interval.
pub(super) fn axis(times: Vec<f64>) -> TimeAxis {
    let n = times.len();
    if n < 2 {
        return if n == 0 {
            TimeAxis::Listed(times)
        } else {
            TimeAxis::Uniform { interval_s: 1.0, len: 1 }
        };
    }
    let interval_s = times[n - 1] / (n - 1) as f64;
    let even = interval_s > 0.0
        && times
            .iter()
            .enumerate()
            .all(|(i, t)| (t - i as f64 * interval_s).abs() <= 1e-6 * interval_s);
    if even {
        TimeAxis::Uniform { interval_s: rounded(interval_s), len: n }
    } else {
        TimeAxis::Listed(times)
    }
}

/// The nearest number of nine significant digits, when it is the same but for rounding.
fn rounded(value: f64) -> f64 {
    let text = format!("{value:.9e}");
    match text.parse::<f64>() {
        Ok(near) if ((near - value) / value).abs() < 1e-12 => near,
        _ => value,
    }
}

/// Smallest step that readings are rounded to: the largest q of which all of them are whole multiples.
///
/// Found from the differences between neighbouring distinct values; `None` when fewer than eight distinct values
/// show, when the values fill their range so finely that no step shows, or when fewer than 99.5 % lie on it.
/// O(n log n) in at most 50 000 values taken evenly.
pub(super) fn resolution(values: &[f64]) -> Option<f64> {
    let stride = (values.len() / 50_000).max(1);
    let mut sorted: Vec<f64> = values.iter().step_by(stride).copied().collect();
    let taken = sorted.len();
    sorted.sort_unstable_by(rising);
    let size = sorted.first()?.abs().max(sorted.last()?.abs());
    if size == 0.0 {
        return None;
    }
    // Below this, differences are rounding of the numbers themselves.
    let dust = size * 1e-12;
    sorted.dedup_by(|a, b| (*a - *b).abs() <= dust);
    if sorted.len() < 3 {
        return None;
    }
    let mut differences: Vec<f64> = sorted.windows(2).map(|w| w[1] - w[0]).collect();
    // A reading repeated more often than fine noise allows shows quantisation even with few levels.
    let repeated = taken as f64 / sorted.len() as f64;
    let rank = differences.len() / 200;
    let smallest = *differences.select_nth_unstable_by(rank, rising).1;
    let candidates = [smallest, smallest / 2.0, smallest / 3.0, smallest / 4.0, smallest / 5.0];
    let fit = |q: f64| {
        let on = sorted.iter().filter(|v| {
            let steps = *v / q;
            (steps - steps.round()).abs() <= 0.02 + (*v / q).abs() * 1e-9
        });
        on.count() as f64 / sorted.len() as f64
    };
    let q = candidates.into_iter().find(|q| fit(*q) >= 0.995)?;
    // Refine over the whole range: the step that makes the largest value a whole number of steps.
    let far = sorted.iter().map(|v| v.abs()).fold(0.0, f64::max);
    let refined = far / (far / q).round();
    let q = if refined.is_finite() && (refined / q - 1.0).abs() < 0.02 { refined } else { q };
    let levels = (sorted[sorted.len() - 1] - sorted[0]) / q;
    // With far more levels than readings a common step is an accident of decimal printing.
    if repeated < 1.05 && levels > 1e7 {
        return None;
    }
    Some(tidy(q))
}

/// The decimal number of three significant digits that `q` is up to rounding, or `q`.
fn tidy(q: f64) -> f64 {
    match format!("{q:.2e}").parse::<f64>() {
        Ok(near) if ((near - q) / q).abs() < 1e-4 => near,
        _ => q,
    }
}

/// Charge and extremes: ∫ I dt by the trapezoid rule over each stretch between gaps, in ampere-hours.
///
/// `mean_a` is that charge over the time it was measured in; without any such time, the samples' mean. O(n).
pub fn totals(samples: &Samples, gaps: &[Span]) -> Totals {
    let current = &samples.current_a;
    let parts: Vec<Part> = (0..current.len().div_ceil(TASK))
        .into_par_iter()
        .map(|task| Part::of(samples, gaps, task * TASK..current.len().min((task + 1) * TASK)))
        .collect();
    let together = |of: fn(&Part) -> f64| parts.iter().map(of).collect::<ExactSum>().value();
    let sum = together(|part| part.sum);
    let sample_mean_a = if current.is_empty() { 0.0 } else { sum / current.len() as f64 };
    let (charge_as, measured_s) = match &samples.time {
        // ∑ of the means of neighbours is the sum less half of each end.
        TimeAxis::Uniform { interval_s, len } if gaps.is_empty() && *len > 0 => {
            let ends = 0.5 * (current[0] + current[len - 1]);
            ((sum - ends) * interval_s, (len - 1) as f64 * interval_s)
        }
        _ => (together(|part| part.charge_as), together(|part| part.measured_s)),
    };
    let (minimum_a, maximum_a) = parts
        .iter()
        .map(|part| (part.minimum_a, part.maximum_a))
        .reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
        .unwrap_or((0.0, 0.0));
    Totals {
        charge_ah: charge_as / 3600.0,
        mean_a: if measured_s > 0.0 { charge_as / measured_s } else { sample_mean_a },
        sample_mean_a,
        minimum_a,
        maximum_a,
    }
}

/// Samples that one task adds up.
const TASK: usize = 1 << 16;

/// What one task found.
struct Part {
    sum: f64,
    charge_as: f64,
    measured_s: f64,
    minimum_a: f64,
    maximum_a: f64,
}

impl Part {
    fn of(samples: &Samples, gaps: &[Span], range: Range<usize>) -> Self {
        let own = &samples.current_a[range.clone()];
        let (minimum_a, maximum_a) = extremes(own);
        let sum = own.chunks(RUN).map(sum_of_run).collect::<ExactSum>().value();
        let mut part = Self { sum, charge_as: 0.0, measured_s: 0.0, minimum_a, maximum_a };
        if !(gaps.is_empty() && matches!(samples.time, TimeAxis::Uniform { .. })) {
            part.integrate(samples, gaps, range);
        }
        part
    }

    /// The trapezoids that end at the samples in `range`.
    fn integrate(&mut self, samples: &Samples, gaps: &[Span], range: Range<usize>) {
        let (mut charge, mut measured) = (ExactSum::new(), ExactSum::new());
        let first_s = samples.time.at(range.start.saturating_sub(1));
        let from = gaps.partition_point(|gap| gap.end_s < first_s);
        let mut gap = gaps[from..].iter().peekable();
        for at in range.start.max(1)..range.end {
            let (from, to) = (samples.time.at(at - 1), samples.time.at(at));
            let middle = 0.5 * (from + to);
            while gap.peek().is_some_and(|g| g.end_s < middle) {
                gap.next();
            }
            if gap.peek().is_some_and(|g| g.start_s < middle) {
                continue;
            }
            charge.add(0.5 * (samples.current_a[at - 1] + samples.current_a[at]) * (to - from));
            measured.add(to - from);
        }
        (self.charge_as, self.measured_s) = (charge.value(), measured.value());
    }
}

/// Samples that are added up plainly: so few that no digit is lost that a reading has.
const RUN: usize = 32;

/// Sum of a run, in four lanes.
fn sum_of_run(values: &[f64]) -> f64 {
    let (fours, rest) = values.as_chunks::<4>();
    let mut lanes = [0.0; 4];
    for four in fours {
        for (lane, value) in lanes.iter_mut().zip(four) {
            *lane += value;
        }
    }
    (lanes[0] + lanes[2]) + (lanes[1] + lanes[3]) + rest.iter().sum::<f64>()
}

/// Least and greatest, in four lanes.
fn extremes(values: &[f64]) -> (f64, f64) {
    let (fours, rest) = values.as_chunks::<4>();
    let (mut low, mut high) = ([f64::INFINITY; 4], [f64::NEG_INFINITY; 4]);
    for four in fours {
        for (i, value) in four.iter().enumerate() {
            low[i] = if *value < low[i] { *value } else { low[i] };
            high[i] = if *value > high[i] { *value } else { high[i] };
        }
    }
    let least = low.iter().chain(rest).copied().fold(f64::INFINITY, f64::min);
    (least, high.iter().chain(rest).copied().fold(f64::NEG_INFINITY, f64::max))
}

/// Fewer readings than this, and noise, correlation and steps are guesses.
const FEW: usize = 20;

/// Readings too few to tell anything, or all the same.
pub(crate) fn says_little(samples: &Samples) -> Option<Caution> {
    let (first, others) = samples.current_a.split_first()?;
    if samples.len() < FEW {
        return Some(Caution::new(
            "few-readings",
            format!(
                "there are only {} readings: too few to tell a level from its noise; log for longer, or at a higher rate",
                samples.len()
            ),
        ));
    }
    others.iter().all(|reading| reading == first).then(|| {
        Caution::new(
            "all-the-same",
            format!("every reading is {}: the meter was on hold, is too coarse for this current, or was not connected", Quantity::amperes(*first)),
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn listed(time: &[f64], current_a: &[f64]) -> Samples {
        Samples { time: TimeAxis::Listed(time.to_vec()), current_a: current_a.to_vec() }
    }

    #[test]
    fn few_readings_and_readings_all_alike_are_told() {
        let code = |current_a: Vec<f64>| {
            let time = TimeAxis::Uniform { interval_s: 0.5, len: current_a.len() };
            says_little(&Samples { time, current_a }).map(|caution| caution.code)
        };
        assert_eq!(code(vec![0.1, 0.2, 0.1]).as_deref(), Some("few-readings"));
        assert_eq!(code(vec![0.118; 400]).as_deref(), Some("all-the-same"));
        let mut one_other = vec![0.118; 400];
        one_other[399] = 0.119;
        assert_eq!(code(one_other), None);
        assert_eq!(code(vec![]), None);
    }

    /// SciPy documentation, `integrate.trapezoid` examples (trapz-1 in shared/checks).
    #[test]
    fn trapezoid_examples_of_the_scipy_documentation() {
        let even = Samples {
            time: TimeAxis::Uniform { interval_s: 1.0, len: 3 },
            current_a: vec![1.0, 2.0, 3.0],
        };
        assert_eq!(totals(&even, &[]).charge_ah * 3600.0, 4.0);
        assert_eq!(
            totals(&listed(&[4.0, 6.0, 8.0], &[1.0, 2.0, 3.0]), &[]).charge_ah * 3600.0,
            8.0
        );
    }

    /// Irregular samples of a straight line are exact: 110 C (trapz-2 in shared/checks).
    #[test]
    fn a_straight_line_sampled_irregularly_is_exact() {
        let t = [0.0, 1.0, 2.5, 2.5, 7.0, 20.0];
        let i: Vec<f64> = t.iter().map(|t| 3.0 + 0.25 * t).collect();
        let found = totals(&listed(&t, &i), &[]);
        assert!((found.charge_ah - 110.0 / 3600.0).abs() < 1e-15);
        assert!((found.mean_a - 5.5).abs() < 1e-12);
    }

    #[test]
    fn nothing_bridges_a_gap() {
        let samples = listed(&[0.0, 1.0, 2.0, 100.0, 101.0], &[2.0; 5]);
        let found = totals(&samples, &[Span { start_s: 2.0, end_s: 100.0 }]);
        assert!((found.charge_ah * 3600.0 - 6.0).abs() < 1e-12);
        assert_eq!(found.mean_a, 2.0);
    }

    #[test]
    fn a_gap_is_five_median_intervals_but_a_slower_rate_is_none() {
        let mut times: Vec<f64> = (0..50).map(f64::from).collect();
        times.extend((0..50).map(|i| 70.0 + f64::from(i)));
        times.extend((0..30).map(|i| 130.0 + 10.0 * f64::from(i)));
        let found = lie(&TimeAxis::Listed(times));
        assert_eq!(found.interval_s, Some(1.0));
        assert_eq!(found.gaps, [Span { start_s: 49.0, end_s: 70.0 }]);
    }

    #[test]
    fn resolution_is_the_step_that_readings_are_rounded_to() {
        for q in [0.001, 1e-6, 0.0025, 0.01, 3e-5] {
            let values: Vec<f64> =
                (0..500_u32).map(|i| f64::from(100 + (i * 7919) % 23) * q).collect();
            let found = resolution(&values).unwrap();
            assert!((found / q - 1.0).abs() < 1e-6, "{q} {found}");
        }
        let fine: Vec<f64> =
            (0..2000).map(|i| (f64::from(i) * 0.7548776662466927).fract()).collect();
        assert_eq!(resolution(&fine), None);
        assert_eq!(resolution(&[0.0; 20]), None);
    }
}
