//! Sleep behaviour: the floor, falling asleep, wakes and their rhythm, and failures to sleep.
//!
//! ```text
//! stretches   off, asleep or up, from the steady states
//! follow      the floor from stay to stay
//! returns     whether that is a level that is come back to
//! baseline    the floor at every moment
//! heights     how high the readings lie above it
//! outings     every time it left the floor: wake, awake on order, failure to sleep
//! ends        the levels that it begins and ends with
//! raised      wakes while another load stands on
//! lifted      stays in which they go on as before: the floor stepped
//! series      wakes that belong together, and their rhythm
//! meetings    wakes of two rhythms at once
//! share       how long it is awake, as far as the rate tells
//! floor       its level and uncertainty
//! levels      whether it is one level, or stepped to another
//! creep       whether it creeps, steps, or the zero moves
//! verdicts    all that against the job sheet's limits
//! ```

mod baseline;
mod creep;
mod ends;
mod floor;
mod follow;
mod heights;
mod levels;
mod lifted;
mod meetings;
mod outings;
mod raised;
mod returns;
mod series;
mod share;
mod stretches;
#[cfg(test)]
mod tests;
mod verdicts;

use super::Risk;
use crate::capture::{Samples, TimeAxis};
use crate::events::Alignment;
use crate::findings::{SleepFindings, Span, Wakes};
use crate::jobsheet::JobSheet;
use crate::loads::LoadsFound;
use crate::numeric::{ExactSum, duration, plain_sum};
use crate::segment::Segmentation;
use jiff::civil::DateTime;
use outings::{Away, Outing, OutingKind};
use rayon::prelude::*;
use share::Unresolved;
use std::ops::Range;
use stretches::Depths;

/// Readings, and what is known of their times.
#[derive(Clone, Copy)]
pub(super) struct Logged<'a> {
    pub(super) samples: &'a Samples,
    pub(super) gaps: &'a [Span],
    /// Wall clock at the first of them.
    pub(super) start: Option<DateTime>,
}

/// What the sleep rooms look at.
struct Night<'a> {
    samples: &'a Samples,
    start: Option<DateTime>,
    segmentation: &'a Segmentation,
    alignment: Option<&'a Alignment>,
    loads: &'a LoadsFound,
    sheet: &'a JobSheet,
    gaps: &'a [Span],
    /// Middle time between samples.
    usual_interval_s: f64,
    /// Samples lie evenly, without gaps.
    even: bool,
    /// 1, or −1 for a clamp put on backwards.
    sign: f64,
    /// The zero, where it is the same all the time.
    constant_zero_a: Option<f64>,
}

/// Samples that one task looks at. Tasks start where their samples do, not where threads are free.
const TASK: usize = 1 << 16;

/// What `of` makes of `samples`, task by task: on all cores where there is more than one.
fn each_task<T: Send>(samples: Range<usize>, of: impl Fn(Range<usize>) -> T + Sync) -> Vec<T> {
    if samples.len() <= TASK {
        return vec![of(samples)];
    }
    let task = |at: usize| {
        let from = samples.start + at * TASK;
        of(from..samples.end.min(from + TASK))
    };
    (0..samples.len().div_ceil(TASK)).into_par_iter().map(task).collect()
}

/// Samples whose values are made at once.
const BLOCK: usize = 256;

/// Tells `of` the `samples` in blocks: the first, and what `fill` makes of it and those after it. O(n).
fn in_blocks(
    samples: Range<usize>,
    mut fill: impl FnMut(usize, &mut [f64]),
    mut of: impl FnMut(usize, &[f64]),
) {
    let mut room = [0.0; BLOCK];
    for first in samples.clone().step_by(BLOCK) {
        let block = &mut room[..BLOCK.min(samples.end - first)];
        fill(first, block);
        of(first, block);
    }
}

impl Night<'_> {
    /// Mean of a segment, the sign turned and the zero removed, ampere.
    fn mean_a(&self, segment: usize) -> f64 {
        self.loads.drawn_a(&self.segmentation.segments[segment])
    }

    /// A reading, the sign turned and the zero removed, ampere.
    #[inline]
    fn drawn_a(&self, sample: usize) -> f64 {
        let zero_a = match self.constant_zero_a {
            Some(zero_a) => zero_a,
            None => self.loads.zero.at(self.samples.time.at(sample)),
        };
        self.sign * self.samples.current_a[sample] - zero_a
    }

    /// Readings from `first` on, as [`drawn_a`](Self::drawn_a) tells them.
    fn drawn_from(&self, first: usize, into: &mut [f64]) {
        let readings = &self.samples.current_a[first..first + into.len()];
        for (k, (drawn_a, reading_a)) in into.iter_mut().zip(readings).enumerate() {
            *drawn_a = match self.constant_zero_a {
                Some(zero_a) => self.sign * reading_a - zero_a,
                None => self.drawn_a(first + k),
            };
        }
    }

    /// Sum of the readings, no digit lost that they have, ampere. O(n).
    fn sum_a(&self, samples: Range<usize>) -> f64 {
        let parts = each_task(samples, |task| {
            let mut sum = ExactSum::new();
            let fill = |first: usize, into: &mut [f64]| self.drawn_from(first, into);
            in_blocks(task, fill, |_, drawn| sum.add(plain_sum(drawn)));
            sum.value()
        });
        parts.into_iter().collect::<ExactSum>().value()
    }

    /// Charge drawn while these samples stand, coulomb, and how long they do, seconds. O(n).
    fn charge_and_time(&self, samples: Range<usize>) -> (f64, f64) {
        if self.even {
            let charge_c = self.sum_a(samples.clone()) * self.usual_interval_s;
            return (charge_c, samples.len() as f64 * self.usual_interval_s);
        }
        let parts = each_task(samples, |task| {
            let (mut charge, mut time) = (ExactSum::new(), ExactSum::new());
            for sample in task {
                let interval_s = self.interval_s(sample);
                charge.add(self.drawn_a(sample) * interval_s);
                time.add(interval_s);
            }
            (charge.value(), time.value())
        });
        let total = |of: fn(&(f64, f64)) -> f64| parts.iter().map(of).collect::<ExactSum>().value();
        (total(|part| part.0), total(|part| part.1))
    }

    /// The gap that hides a moment.
    fn gap_at(&self, time_s: f64) -> Option<Span> {
        let after = self.gaps.partition_point(|gap| gap.start_s < time_s);
        self.gaps[..after].last().filter(|gap| gap.end_s > time_s).copied()
    }

    /// How much of the time between two moments lies in gaps, seconds.
    fn hidden_s(&self, from_s: f64, to_s: f64) -> f64 {
        let from = self.gaps.partition_point(|gap| gap.end_s <= from_s);
        let inside = self.gaps[from..].iter().take_while(|gap| gap.start_s < to_s);
        inside.map(|gap| gap.end_s.min(to_s) - gap.start_s.max(from_s)).sum()
    }

    /// Time that a sample stands for: until the next one, or as long as usual before a gap and at
    /// the end.
    #[inline]
    fn interval_s(&self, sample: usize) -> f64 {
        if self.even {
            return self.usual_interval_s;
        }
        let time = &self.samples.time;
        if sample + 1 >= time.len() {
            return self.usual_interval_s;
        }
        let (from_s, to_s) = (time.at(sample), time.at(sample + 1));
        let gap = self.gaps.partition_point(|gap| 0.5 * (gap.start_s + gap.end_s) < from_s);
        match self.gaps.get(gap) {
            Some(gap) if 0.5 * (gap.start_s + gap.end_s) < to_s => self.usual_interval_s,
            _ => to_s - from_s,
        }
    }
}

/// Intervals that the usual one is learnt from at most.
const INTERVALS: usize = 4096;

/// Middle time between samples, seconds; 0 for fewer than two.
fn usual_interval_s(time: &TimeAxis) -> f64 {
    match time {
        TimeAxis::Uniform { interval_s, .. } => *interval_s,
        TimeAxis::Listed(times) => {
            let stride = times.len().div_ceil(INTERVALS).max(1);
            let mut intervals: Vec<f64> =
                times.windows(2).step_by(stride).map(|pair| pair[1] - pair[0]).collect();
            intervals.sort_by(f64::total_cmp);
            middle(&intervals).unwrap_or(0.0)
        }
    }
}

/// Sleep behaviour, and the summary of all wakes; `None` when nothing sleeps.
/// O(n + segments log segments).
pub(super) fn assess(
    logged: Logged<'_>,
    segmentation: &Segmentation,
    alignment: Option<&Alignment>,
    loads: &LoadsFound,
    sheet: &JobSheet,
    risk: Risk,
) -> Option<(SleepFindings, Option<Wakes>)> {
    let Logged { samples, gaps, start } = logged;
    let usual_interval_s = usual_interval_s(&samples.time);
    let even = gaps.is_empty() && matches!(samples.time, TimeAxis::Uniform { .. });
    let night = Night {
        samples,
        start,
        segmentation,
        alignment,
        loads,
        sheet,
        gaps,
        usual_interval_s,
        even,
        sign: loads.sign(),
        constant_zero_a: match loads.zero.knots[..] {
            [] => Some(0.0),
            [(_, level_a)] => Some(level_a),
            _ => None,
        },
    };
    let mut depths = stretches::find(&night)?;
    let mut away = Away::of(&night, &depths)?;
    if let Some(lifted) = lifted::find(&night, &depths, &away) {
        away = Away::of(&night, &lifted)?;
        depths = lifted;
    }
    let Away { baseline, outings, strays, raised } = away;
    if outings.is_empty() {
        return None;
    }
    let rests = floor::rests(&night, &depths, &outings, &strays);
    let floor = floor::level(&night, &rests)?;
    let noise_a = floor::noise_a(&night, &rests);
    let levels = levels::of(&night, &rests, &outings, noise_a);
    let every_wake = with_raised(&outings, &raised);
    let (mut wakes, mut series) = series::of(&every_wake);
    meetings::settle(&mut wakes, &mut series, &busy(&night, &depths, &outings), usual_interval_s);
    series::mark_jitter(&mut series, usual_interval_s);
    let unresolved = Unresolved::mark(&night, &every_wake, &wakes, &mut series);
    let floor = floor.holding(share::hidden_a(&night, &baseline, &rests, &series));
    let falls_asleep = outings::falls_asleep(&night, &outings, &raised);
    let mut took: Vec<f64> = falls_asleep.iter().map(|fall| fall.took_s).collect();
    took.sort_by(f64::total_cmp);
    let [asleep, waking, awake] =
        share::of(&night, &depths, &baseline, &outings, &raised, &unresolved);
    let summary = series::summary(&series, &wakes, waking.share_of_charge);
    let mut findings = SleepFindings {
        floor_a: floor.value_a,
        floor_standard_uncertainty_a: floor.u_a,
        floor_noise_a: noise_a,
        floor_expanded_uncertainty_a: crate::numeric::coverage_factor_95(floor.degrees_of_freedom)
            * floor.u_a,
        asleep,
        waking,
        awake,
        time_to_sleep_s: middle(&took),
        longest_time_to_sleep_s: took.last().copied(),
        falls_asleep,
        wakes,
        series,
        failures: outings::failures(&night, &baseline, &outings, &raised),
        awake_stretches: outings
            .iter()
            .filter(|outing| outing.kind != OutingKind::Wake)
            .map(|outing| Span { start_s: outing.start_s, end_s: outing.end_s })
            .collect(),
        creep: creep::of(&night, &rests, &levels, noise_a),
        floor_levels: levels.iter().map(levels::Level::row).collect(),
        verdicts: Vec::new(),
        unseen: unseen(usual_interval_s, &every_wake),
    };
    let highest = levels.iter().map(|level| level.floor);
    let seen = verdicts::Seen {
        floor: highest.max_by(|a, b| a.value_a.total_cmp(&b.value_a)).unwrap_or(floor),
        awake_s: outings::longest_awake_s(&night, &outings, &raised),
        lingers_s: outings::longest_after_activity_s(&night, &outings),
        largest: verdicts::largest(&night, &baseline, &every_wake, &findings.wakes),
        interval_s: usual_interval_s,
    };
    findings.verdicts = verdicts::of(&findings, &seen, sheet, risk);
    Some((findings, summary))
}

/// All wakes in order: those at the floor and those on a raised level.
fn with_raised(outings: &[Outing], raised: &[Outing]) -> Vec<Outing> {
    let at_the_floor = outings.iter().filter(|outing| outing.kind == OutingKind::Wake);
    let mut all: Vec<Outing> = at_the_floor.chain(raised).copied().collect();
    all.sort_by_key(|wake| wake.first);
    all
}

/// Stretches in which a wake that is due could not be seen by itself: nothing was powered or logged, or
/// it was awake anyway. In order.
fn busy(night: &Night<'_>, depths: &Depths, outings: &[Outing]) -> Vec<Span> {
    let time = &night.samples.time;
    let powered = outings::powered(night, depths);
    let ends_s = powered.iter().map(|range| time.at(range.1 - 1));
    let starts_s = powered.iter().map(|range| time.at(range.0));
    let from_s = [f64::NEG_INFINITY].into_iter().chain(ends_s);
    let until_s = starts_s.chain([f64::INFINITY]);
    let off = from_s.zip(until_s).map(|(start_s, end_s)| Span { start_s, end_s });
    let awake = outings
        .iter()
        .filter(|outing| outing.kind != OutingKind::Wake)
        .map(|outing| Span { start_s: outing.start_s, end_s: outing.end_s });
    let mut all: Vec<Span> = off.chain(awake).chain(night.gaps.iter().copied()).collect();
    all.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    all
}

/// Middle of sorted values.
fn middle(sorted: &[f64]) -> Option<f64> {
    let n = sorted.len();
    (n > 0).then(|| 0.5 * (sorted[(n - 1) / 2] + sorted[n / 2]))
}

/// Wakes of fewer readings have no width and peak of their own.
const SHORT: usize = 3;

/// What the sampling rate cannot see of these wakes.
fn unseen(interval_s: f64, wakes: &[Outing]) -> String {
    let interval = duration(interval_s);
    let rate = format!(
        "One reading every {interval}: a wake shorter than that has no width or peak of its own. Its \
         charge is in the total where the meter averages between readings, and is missed where it \
         takes a momentary value."
    );
    match wakes.iter().filter(|wake| wake.end - wake.first < SHORT).count() {
        0 => rate,
        short => format!(
            "{rate} {short} of {} wakes show in one or two readings: log faster to see how long \
             and how high they are.",
            wakes.len()
        ),
    }
}
