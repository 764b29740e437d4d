//! Wakes while the lead is awake anyway: another load stands on, or one is stuck.
//!
//! Under such a stretch lies a level of its own, which other loads' switching may step. It is taken
//! as the morphological opening of the readings (Serra, Image Analysis and Mathematical Morphology,
//! 1982, from memory): at every moment the highest of the minima of all windows around it that are
//! somewhat longer than a wake. Steps pass an opening as they are, whatever is shorter than the
//! window is taken off. A wake is what is taken off, comes back to where it left, and is alike in
//! charge, height and width to the wakes seen at the floor: the activity of whatever is awake is no wake.

use std::collections::VecDeque;
use std::ops::Range;

use rayon::prelude::*;

use super::baseline::Baseline;
use super::heights::lower_half;
use super::outings::{ALIKE, APART, LASTS, Outing, OutingKind, RISEN, RISES};
use super::{Night, TASK, middle, series};

/// Readings on either side of a wake that tell what it stands on, and the fewest of them.
const BESIDE: usize = 16;
const FEWEST: usize = 3;
/// Share of its height that the level may differ by after a wake.
const RETURNS: f64 = 0.2;
/// Median less lower quartile of a unit Gaussian.
const QUARTILE: f64 = 0.6745;

/// What the wakes of one kind at the floor have in common: least and most of each.
pub(super) struct Kind {
    charge_c: (f64, f64),
    height_a: (f64, f64),
    width_s: (f64, f64),
}

impl Kind {
    pub(super) fn all(outings: &[Outing]) -> Vec<Self> {
        let (wakes, series) = series::of(outings);
        let none = (f64::INFINITY, f64::NEG_INFINITY);
        let new = || Self { charge_c: none, height_a: none, width_s: none };
        let mut kinds: Vec<Self> = series.iter().map(|_| new()).collect();
        let seen = outings.iter().filter(|outing| outing.kind == OutingKind::Wake);
        for (outing, wake) in seen.zip(&wakes) {
            let Some(kind) = wake.series.and_then(|at| kinds.get_mut(at)) else { continue };
            for (range, value) in [
                (&mut kind.charge_c, outing.charge_c),
                (&mut kind.height_a, outing.height_a),
                (&mut kind.width_s, outing.width_s()),
            ] {
                *range = (range.0.min(value), range.1.max(value));
            }
        }
        kinds
    }

    /// Whether a wake is alike; a width is told to one reading at either edge.
    pub(super) fn has(&self, wake: &Outing, interval_s: f64) -> bool {
        let within = |value: f64, (least, most): (f64, f64), room: f64| {
            value >= least / ALIKE - room && value <= most * ALIKE + room
        };
        within(wake.charge_c, self.charge_c, 0.0)
            && within(wake.height_a, self.height_a, 0.0)
            && within(wake.width_s(), self.width_s, 2.0 * interval_s)
    }
}

/// Wakes within outings that are no wakes themselves, in order. O(n).
pub(super) fn find(night: &Night<'_>, baseline: &Baseline, outings: &[Outing]) -> Vec<Outing> {
    let kinds = Kind::all(outings);
    let longest_s = kinds.iter().map(|kind| kind.width_s.1).fold(0.0, f64::max);
    if longest_s <= 0.0 || night.usual_interval_s <= 0.0 {
        return Vec::new();
    }
    let window = (ALIKE * longest_s / night.usual_interval_s).ceil() as usize + 2 * APART;
    let part = TASK.max(8 * window);
    let parts: Vec<(Range<usize>, Range<usize>)> = outings
        .iter()
        .filter(|outing| outing.kind != OutingKind::Wake && outing.end - outing.first > 2 * window)
        .flat_map(|outing| {
            // Neighbouring parts overlap by what a wake at their border needs.
            let whole = outing.first..outing.end;
            let room = 3 * window + BESIDE;
            // What did not fall asleep often stays up from a wake on, or to one.
            let (from, to) = match outing.kind {
                OutingKind::Failure => (0, night.samples.current_a.len()),
                _ => (whole.start, whole.end),
            };
            (0..whole.len().div_ceil(part)).map(move |at| {
                let own = whole.start + at * part..(whole.start + (at + 1) * part).min(whole.end);
                let with = own.start.saturating_sub(room).max(from);
                (own.clone(), with..(own.end + room).min(to))
            })
        })
        .collect();
    let found: Vec<Vec<Outing>> = parts
        .into_par_iter()
        .map(|(own, with)| {
            let mut wakes = within(night, baseline, &kinds, with, window);
            wakes.retain(|wake| own.contains(&wake.first));
            wakes
        })
        .collect();
    found.concat()
}

fn within(
    night: &Night<'_>,
    baseline: &Baseline,
    kinds: &[Kind],
    samples: Range<usize>,
    window: usize,
) -> Vec<Outing> {
    let drawn_a: Vec<f64> = samples.clone().map(|sample| night.drawn_a(sample)).collect();
    let under_a = opening(&drawn_a, window);
    let above_a: Vec<f64> =
        drawn_a.iter().zip(&under_a).map(|(drawn, level)| drawn - level).collect();
    // The opening follows the lowest readings: the middle of the noise lies above it.
    let mut ranked = above_a.clone();
    let (quarter, half) = (ranked.len() / 4, ranked.len() / 2);
    let (below, middle_a, _) = ranked.select_nth_unstable_by(half, f64::total_cmp);
    let middle_a = *middle_a;
    let quartile_a = match quarter < below.len() {
        true => *below.select_nth_unstable_by(quarter, f64::total_cmp).1,
        false => middle_a,
    };
    let sigma_a = ((middle_a - quartile_a) / QUARTILE).max(baseline.sigma_a);
    let runs = runs(&above_a, middle_a + LASTS * sigma_a, middle_a + RISES * sigma_a);
    let wake = |at: usize| {
        let (first, end) = runs[at];
        let free_from = at.checked_sub(1).map_or(0, |before| runs[before].1 + 1);
        let free_to = runs.get(at + 1).map_or(drawn_a.len(), |after| after.0.saturating_sub(1));
        // A reading on either side may be partly of the wake, and beyond where the load switches is another level.
        let mut before = first.saturating_sub(1 + BESIDE).max(free_from)..first.saturating_sub(1);
        let mut after = (end + 1).min(free_to)..(end + 1 + BESIDE).min(free_to);
        let alike =
            |nearest: usize, at: usize| (under_a[at] - under_a[nearest]).abs() <= RISES * sigma_a;
        let of = |beside: &mut dyn Iterator<Item = usize>| match beside.next() {
            Some(nearest) => 1 + beside.take_while(|at| alike(nearest, *at)).count(),
            None => 0,
        };
        before.start = before.end - of(&mut before.clone().rev());
        after.end = after.start + of(&mut after.clone());
        if before.len() < FEWEST || after.len() < FEWEST {
            return None;
        }
        let level = |beside: Range<usize>| {
            let mut values = drawn_a[beside].to_vec();
            values.sort_by(f64::total_cmp);
            middle(&values)
        };
        let (before_a, after_a) = (level(before)?, level(after)?);
        let share = |sample: usize| (sample + 1 - first) as f64 / (end + 1 - first) as f64;
        // One reading more on either side, which may be partly of it.
        let height_a = |sample: usize| {
            let level_a = before_a + (after_a - before_a) * share(sample).min(1.0);
            drawn_a[sample] - level_a
        };
        let heights: Vec<f64> = (first..end).map(height_a).collect();
        let highest_a = heights.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        if (after_a - before_a).abs() > RETURNS * highest_a {
            return None;
        }
        let risen = heights.iter().copied().filter(|height_a| *height_a >= RISEN * highest_a);
        let (first_a, last_a) = lower_half(risen.collect()).unwrap_or((highest_a, highest_a));
        let (rising_a, falling_a) = (0.5 * first_a, 0.5 * last_a);
        let time_s = |sample: usize| night.samples.time.at(samples.start + sample);
        let crossing = |low: usize, high: usize, half_a: f64| {
            let (low_a, high_a) = (height_a(low), height_a(high));
            let share = ((half_a - low_a) / (high_a - low_a)).clamp(0.0, 1.0);
            time_s(low) + share * (time_s(high) - time_s(low))
        };
        let up = (first..end).find(|sample| height_a(*sample) >= rising_a)?;
        let down = (first..end).rev().find(|sample| height_a(*sample) >= falling_a)?;
        let charges_c = heights
            .iter()
            .zip(first..end)
            .map(|(height, sample)| height * night.interval_s(samples.start + sample));
        let start_s = crossing(up - 1, up, rising_a);
        let wake = Outing {
            kind: OutingKind::Wake,
            first: samples.start + first,
            end: samples.start + end,
            start_s,
            end_s: crossing(down + 1, down, falling_a),
            hidden_s: 0.0,
            // As high as it would stand at the floor.
            peak_a: baseline.at(start_s) + highest_a,
            height_a: highest_a,
            charge_c: charges_c.sum(),
            falls_asleep: false,
        };
        let alike = kinds.iter().any(|kind| kind.has(&wake, night.usual_interval_s));
        alike.then_some(wake)
    };
    (0..runs.len()).filter_map(wake).collect()
}

/// Runs of values above `lasts`, some of which rises above `rises`; two hardly apart are one.
fn runs(values: &[f64], lasts: f64, rises: f64) -> Vec<(usize, usize)> {
    let mut runs: Vec<(usize, usize)> = Vec::new();
    for (at, _) in values.iter().enumerate().filter(|(_, value)| **value > lasts) {
        match runs.last_mut() {
            Some(last) if at < last.1 + APART => last.1 = at + 1,
            _ => runs.push((at, at + 1)),
        }
    }
    runs.retain(|(first, end)| values[*first..*end].iter().any(|value| *value > rises));
    runs
}

/// The highest of the minima of all windows that a value lies in; those at the ends are cut short
/// by nothing: windows lie within. O(n).
fn opening(values: &[f64], window: usize) -> Vec<f64> {
    let window = window.clamp(1, values.len().max(1));
    let lowest = first_of_windows(values, window, |a, b| a <= b);
    // Every value lies in the windows that start up to `window − 1` before it.
    let mut padded = vec![f64::NEG_INFINITY; window - 1];
    padded.extend(&lowest);
    padded.extend(std::iter::repeat_n(f64::NEG_INFINITY, window - 1));
    first_of_windows(&padded, window, |a, b| a >= b)
}

/// The value of every window that goes before all others of it, by a queue of those that may yet be. O(n).
fn first_of_windows(values: &[f64], window: usize, goes_before: fn(f64, f64) -> bool) -> Vec<f64> {
    let mut queue: VecDeque<usize> = VecDeque::new();
    let mut out = Vec::with_capacity((values.len() + 1).saturating_sub(window));
    for (at, &value) in values.iter().enumerate() {
        while queue.back().is_some_and(|&last| goes_before(value, values[last])) {
            queue.pop_back();
        }
        queue.push_back(at);
        if queue[0] + window <= at {
            queue.pop_front();
        }
        if at + 1 >= window {
            out.push(values[queue[0]]);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_opening_takes_off_what_is_shorter_than_the_window_and_leaves_steps() {
        let mut values = vec![1.0; 40];
        values[20..].fill(5.0);
        let steps = values.clone();
        values[8..12].fill(9.0);
        values[30..33].fill(7.0);
        assert_eq!(opening(&values, 5), steps);
        // By its definition, of any values.
        let values: Vec<f64> = (0..60).map(|i| f64::from(i * 29 % 41)).collect();
        let direct = |at: usize, window: usize| {
            let windows = (0..=values.len() - window).filter(|w| *w <= at && at < w + window);
            let lowest = |w: usize| values[w..w + window].iter().copied().fold(f64::MAX, f64::min);
            windows.map(lowest).fold(f64::MIN, f64::max)
        };
        for window in [1, 2, 7, 60] {
            let direct: Vec<f64> = (0..60).map(|at| direct(at, window)).collect();
            assert_eq!(opening(&values, window), direct, "{window}");
        }
    }
}
