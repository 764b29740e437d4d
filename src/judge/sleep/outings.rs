//! Every time the floor was left: a wake, awake because somebody switched, or a failure to sleep.
//!
//! Outings are found in the readings: wakes may be as short as one reading, and their edges and
//! tails fall between the segments'. The segmentation tells where the floor is, and confirms
//! whatever leaves it gently.

use std::ops::Range;

use rayon::prelude::*;

use super::baseline::{Baseline, is_current};
use super::ends;
use super::heights::{Heights, lower_half};
use super::meetings;
use super::raised;
use super::series::seldom_by_chance;
use super::stretches::{Depth, Depths, Stretch};
use super::{Night, each_task, in_blocks};
use crate::events::Action;
use crate::findings::{FailureToSleep, FallAsleep, Span};
use crate::jobsheet::same_name;
use crate::numeric::{ExactSum, extremes, plain_sum};

/// Why the floor was left.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum OutingKind {
    /// Short, by itself, and back at the floor.
    Wake,
    /// A line of the event list switched something, or it was awake from the start.
    Awake,
    /// Nobody switched, and the end cuts it off: awake, or a failure where it is far longer than a wake.
    CutOff,
    /// Nobody switched, and far longer than a wake.
    Failure,
}

/// Samples `first..end` above the floor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Outing {
    pub(super) kind: OutingKind,
    pub(super) first: usize,
    pub(super) end: usize,
    /// Where the current passes half of its height on the way up and on the way down, seconds.
    pub(super) start_s: f64,
    pub(super) end_s: f64,
    /// How much of the time between them lies in gaps, seconds.
    pub(super) hidden_s: f64,
    pub(super) peak_a: f64,
    /// Highest reading above the floor.
    pub(super) height_a: f64,
    /// Charge above the floor, coulomb.
    pub(super) charge_c: f64,
    /// True when the floor follows.
    pub(super) falls_asleep: bool,
}

impl Outing {
    pub(super) fn width_s(&self) -> f64 {
        self.end_s - self.start_s
    }

    /// Those of the wakes that begin in it.
    pub(super) fn wakes<'a>(&self, wakes: &'a [Outing]) -> &'a [Outing] {
        let first = wakes.partition_point(|wake| wake.first < self.first);
        let end = wakes.partition_point(|wake| wake.first < self.end);
        &wakes[first..end.max(first)]
    }

    /// How long it was seen above the floor, seconds.
    pub(super) fn seen_s(&self) -> f64 {
        self.width_s() - self.hidden_s
    }
}

/// An outing this many times as long as nine in ten of the others is no wake.
const FAR_LONGER: f64 = 4.0;
/// An outing rises above the floor by this many standard deviations,
pub(super) const RISES: f64 = 6.0;
/// and lasts while it is above it by this many.
pub(super) const LASTS: f64 = 2.5;
/// Two outings fewer quiet readings apart are one.
pub(super) const APART: usize = 2;
/// A rise by less than this share of what an outing draws above the floor is no activity (common
/// practice, no source: a load's own draw wavers by about 1 %).
const WAVERING: f64 = 0.02;
/// Share of its height that a sharp outing gains from one reading to the next but one.
const SHARP: f64 = 0.6;
/// Share of an outing's height from which on a reading may be of its plateau.
pub(super) const RISEN: f64 = 0.2;
/// Fewest runs that a task measures, where they are short: of long ones fewer.
const RUNS: usize = 64;
const LONG_RUN: usize = 1024;
/// Long outings alike within this factor may be a habit.
pub(super) const ALIKE: f64 = 1.6;

/// A run of readings above the floor.
#[derive(Debug, Clone, Copy)]
pub(super) struct Run {
    pub(super) first: usize,
    pub(super) end: usize,
}

/// The floor, and every time it was left.
#[derive(Debug)]
pub(super) struct Away {
    pub(super) baseline: Baseline,
    pub(super) outings: Vec<Outing>,
    /// Readings away from the floor that are no outings.
    pub(super) strays: Vec<usize>,
    /// Wakes within outings that are none.
    pub(super) raised: Vec<Outing>,
}

impl Away {
    /// `None` when nothing sleeps. O(n).
    pub(super) fn of(night: &Night<'_>, depths: &Depths) -> Option<Self> {
        let baseline = Baseline::of(night, &depths.stretches)?;
        let (outings, strays) = find(night, depths, &baseline);
        let raised = raised::find(night, &baseline, &outings);
        Some(Self { baseline, outings, strays, raised })
    }
}

/// All outings, and the stray readings that are none, each in order. O(n).
fn find(night: &Night<'_>, depths: &Depths, baseline: &Baseline) -> (Vec<Outing>, Vec<usize>) {
    let mut all = Vec::new();
    let mut single: Vec<Outing> = Vec::new();
    let mut strays: Vec<usize> = Vec::new();
    for (first, end) in powered(night, depths) {
        let (runs, below) = runs(night, baseline, first, end);
        strays.extend(below);
        let up: usize = runs.iter().map(|run| run.end - run.first).sum();
        let few = (RUNS * LONG_RUN * runs.len()).checked_div(up).unwrap_or(RUNS).clamp(1, RUNS);
        let measured: Vec<Option<Outing>> = runs
            .into_par_iter()
            .with_min_len(few)
            .map(|run| measure(night, depths, baseline, run, (first, end)))
            .collect();
        for outing in measured.into_iter().flatten() {
            if outing.end - outing.first == 1 && outing.kind == OutingKind::Wake {
                single.push(outing);
            } else {
                all.push(outing);
            }
        }
    }
    // A wake no longer than a reading shows in one, or in the two that it falls into.
    let twos = all.iter().filter(|outing| outing.end - outing.first == 2);
    let short = twos.filter(|outing| outing.kind == OutingKind::Wake).count();
    if is_current(single.len() + short, strays.len()) {
        all.extend(single);
        all.sort_by_key(|outing| outing.first);
    } else {
        strays.extend(single.iter().map(|outing| outing.first));
    }
    drop_clouds(night, depths, baseline, &mut all);
    let allowed_s = night.sheet.sleep.and_then(|limits| limits.sleep_within_s);
    set_failures_apart(&mut all, allowed_s);
    meetings::take_back(&mut all, night.usual_interval_s);
    // No longer awake than it may be: no failure.
    let failures = all.iter_mut().filter(|outing| outing.kind == OutingKind::Failure);
    let allowed_s = allowed_s.unwrap_or(0.0);
    failures.filter(|f| f.seen_s() <= allowed_s).for_each(|f| f.kind = OutingKind::Awake);
    (all, strays)
}

/// Where a panel charges, the sun rises and falls by itself: only what is alike to wakes in the dark is one.
fn drop_clouds(night: &Night<'_>, depths: &Depths, baseline: &Baseline, all: &mut Vec<Outing>) {
    let in_the_sun = |outing: &Outing| {
        outing.kind == OutingKind::Wake && baseline.at(outing.start_s) < depths.least_a
    };
    if !all.iter().any(in_the_sun) {
        return;
    }
    let dark: Vec<Outing> = all.iter().filter(|outing| !in_the_sun(outing)).copied().collect();
    let kinds = raised::Kind::all(&dark);
    let alike = |outing: &Outing| kinds.iter().any(|kind| kind.has(outing, night.usual_interval_s));
    all.retain(|outing| !in_the_sun(outing) || kinds.is_empty() || alike(outing));
}

/// Ranges of samples in which something is powered.
pub(super) fn powered(night: &Night<'_>, depths: &Depths) -> Vec<(usize, usize)> {
    let segments = &night.segmentation.segments;
    let mut ranges: Vec<(usize, usize)> = Vec::new();
    for stretch in depths.stretches.iter().filter(|stretch| stretch.depth != Depth::Off) {
        let (first, end) = (segments[stretch.first].first, segments[stretch.end - 1].end);
        match ranges.last_mut() {
            Some(last) if last.1 == first => last.1 = end,
            _ => ranges.push((first, end)),
        }
    }
    ranges
}

/// Runs of readings above the floor in `first..end`, and the single readings that lie as far below.
fn runs(
    night: &Night<'_>,
    baseline: &Baseline,
    first: usize,
    end: usize,
) -> (Vec<Run>, Vec<usize>) {
    let (rises_a, lasts_a) = (RISES * baseline.sigma_a, LASTS * baseline.sigma_a);
    // What leaves the noise, and whether it rises; and what lies as far below.
    let heights = Heights { night, baseline };
    let parts = each_task(first..end, |task| {
        let (mut above, mut below): (Vec<(Run, bool)>, Vec<Run>) = (Vec::new(), Vec::new());
        heights.in_blocks(task, |first, heights| {
            let (lowest_a, highest_a) = extremes(heights);
            // Most blocks lie wholly in the noise, or above it.
            if lowest_a > rises_a {
                lengthen(&mut above, (Run { first, end: first + heights.len() }, true));
            } else if highest_a > lasts_a || lowest_a < -rises_a {
                for (sample, &height_a) in (first..).zip(heights) {
                    let here = Run { first: sample, end: sample + 1 };
                    if height_a > lasts_a {
                        lengthen(&mut above, (here, height_a > rises_a));
                    } else if height_a < -rises_a {
                        match below.last_mut() {
                            Some(last) if last.end == sample => last.end = sample + 1,
                            _ => below.push(here),
                        }
                    }
                }
            }
        });
        (above, below)
    });
    let mut open: Vec<(Run, bool)> = Vec::new();
    let mut under: Vec<Run> = Vec::new();
    for (above, below) in parts {
        above.into_iter().for_each(|run| lengthen(&mut open, run));
        for run in below {
            match under.last_mut() {
                Some(last) if last.end == run.first => last.end = run.end,
                _ => under.push(run),
            }
        }
    }
    let mut runs: Vec<Run> = Vec::new();
    for (run, _) in open.into_iter().filter(|(_, risen)| *risen) {
        match runs.last_mut() {
            Some(last) if run.first < last.end + APART => last.end = run.end,
            _ => runs.push(run),
        }
    }
    let single = under.iter().filter(|run| run.end - run.first == 1 && run.end < end);
    (runs, single.map(|run| run.first).collect())
}

/// Adds a run to the one that it follows on, or as one of its own.
fn lengthen(runs: &mut Vec<(Run, bool)>, (run, risen): (Run, bool)) {
    match runs.last_mut() {
        Some((last, has_risen)) if last.end == run.first => {
            last.end = run.end;
            *has_risen |= risen;
        }
        _ => runs.push((run, risen)),
    }
}

fn measure(
    night: &Night<'_>,
    depths: &Depths,
    baseline: &Baseline,
    run: Run,
    (first, end): (usize, usize),
) -> Option<Outing> {
    let time = &night.samples.time;
    let heights = Heights { night, baseline };
    let parts = each_task(run.first..run.end, |task| {
        let mut charge = ExactSum::new();
        let (mut peak_a, mut highest_a) = (f64::NEG_INFINITY, f64::NEG_INFINITY);
        let drawn = |first: usize, into: &mut [f64]| night.drawn_from(first, into);
        in_blocks(task.clone(), drawn, |_, drawn| peak_a = peak_a.max(extremes(drawn).1));
        heights.in_blocks(task, |first, heights| {
            highest_a = highest_a.max(extremes(heights).1);
            if night.even {
                charge.add(plain_sum(heights) * night.usual_interval_s);
            } else {
                let each = (first..).zip(heights);
                each.for_each(|(sample, above_a)| charge.add(above_a * night.interval_s(sample)));
            }
        });
        (charge.value(), peak_a, highest_a)
    });
    let charge_c = parts.iter().map(|part| part.0).collect::<ExactSum>().value();
    let peak_a = parts.iter().map(|part| part.1).fold(f64::NEG_INFINITY, f64::max);
    let highest_a = parts.iter().map(|part| part.2).fold(f64::NEG_INFINITY, f64::max);
    let (whole_before, whole_after) = (run.first > first, run.end < end);
    let least_a = (SHARP * highest_a).max(RISES * baseline.sigma_a);
    if !(is_sharp(&heights, run, (first, end), least_a) || seen_up(night, depths, run)) {
        return None;
    }
    // What stays below the higher of the floors beside it is the step between them.
    let floor_a = |sample: usize| baseline.at(time.at(sample));
    if whole_before && whole_after {
        let higher_a = floor_a(run.first - 1).max(floor_a(run.end));
        if peak_a < higher_a + RISES * baseline.sigma_a {
            return None;
        }
    }
    // Of what rises to a fifth of the height: it may begin low, and a tail may be much of it. What is too short has no
    // plateau.
    let plateau_a = lower_half(heights.from(RISEN * highest_a, run.first..run.end));
    let plateau_a = plateau_a.unwrap_or((highest_a, highest_a));
    let height_a = |sample: usize| heights.at(sample);
    // Between two readings, in proportion.
    let crossing = |low: usize, high: usize, half_a: f64| {
        let (low_a, high_a) = (height_a(low), height_a(high));
        let share = ((half_a - low_a) / (high_a - low_a)).clamp(0.0, 1.0);
        time.at(low) + share * (time.at(high) - time.at(low))
    };
    let (first_a, last_a) = ends::levels(&heights, run, plateau_a);
    let (rising_a, falling_a) = (0.5 * first_a, 0.5 * last_a);
    let up = (run.first..run.end).find(|sample| height_a(*sample) >= rising_a)?;
    let down = (run.first..run.end).rev().find(|sample| height_a(*sample) >= falling_a)?;
    let start_s = if up > first { crossing(up - 1, up, rising_a) } else { time.at(up) };
    let end_s = if down + 1 < end { crossing(down + 1, down, falling_a) } else { time.at(down) };
    let kind = match (listed_beside(night, start_s, end_s), whole_before, whole_after) {
        (false, true, true) => OutingKind::Wake,
        (false, true, false) => OutingKind::CutOff,
        _ => OutingKind::Awake,
    };
    Some(Outing {
        kind,
        first: run.first,
        end: run.end,
        start_s,
        end_s,
        hidden_s: night.hidden_s(start_s, end_s),
        peak_a,
        height_a: highest_a,
        charge_c,
        falls_asleep: whole_after,
    })
}

/// Whether most of the height is gained or lost within two readings, as by no slow background. At an end of what is
/// `powered` nothing is.
fn is_sharp(heights: &Heights<'_>, run: Run, powered: (usize, usize), least_a: f64) -> bool {
    let last = run.end - 1;
    let begins = [run.first, (run.first + 1).min(last)];
    let ends = [last, last.max(run.first + 1) - 1];
    let high = |samples: [usize; 2]| samples.into_iter().any(|at| heights.at(at) >= least_a);
    if (run.first > powered.0 && high(begins)) || (run.end < powered.1 && high(ends)) {
        return true;
    }
    let leaps = |task: Range<usize>| {
        let mut values = Vec::with_capacity(task.len() + 2);
        heights.in_blocks(task.start..task.end + 2, |_, block| values.extend_from_slice(block));
        values.windows(3).any(|three| (three[2] - three[0]).abs() >= least_a)
    };
    run.end - run.first > 2 && each_task(run.first..run.end - 2, leaps).contains(&true)
}

/// Whether the segmentation has a stretch above the floor there.
fn seen_up(night: &Night<'_>, depths: &Depths, run: Run) -> bool {
    let segments = &night.segmentation.segments;
    let after = |stretch: &Stretch| segments[stretch.end - 1].end <= run.first;
    let from = depths.stretches.partition_point(after);
    depths.stretches[from..]
        .iter()
        .take_while(|stretch| segments[stretch.first].first < run.end)
        .any(|stretch| stretch.depth == Depth::Up)
}

/// Outings that last far longer than the wakes are failures to sleep, unless three or more alike keep a
/// rhythm that chance seldom makes: reports among polls. With fewer than five to compare with, one of
/// more than ten times its shortest peer, or of more than the job sheet allows from the last activity to
/// sleep.
fn set_failures_apart(outings: &mut [Outing], allowed_s: Option<f64>) {
    let mut widths: Vec<f64> = outings
        .iter()
        .filter(|outing| outing.kind == OutingKind::Wake)
        .map(Outing::seen_s)
        .collect();
    widths.sort_by(f64::total_cmp);
    let n = widths.len();
    let allowed_s = allowed_s.unwrap_or(f64::INFINITY);
    let limit_s = match n {
        0 | 1 => allowed_s,
        2..=4 => (10.0 * widths[0]).min(allowed_s),
        _ => FAR_LONGER * widths[(n * 9 / 10).min(n - 2)],
    };
    for outing in outings.iter_mut().filter(|outing| outing.kind == OutingKind::CutOff) {
        let fails = outing.seen_s() > limit_s;
        outing.kind = if fails { OutingKind::Failure } else { OutingKind::Awake };
    }
    let mut long: Vec<usize> = (0..outings.len())
        .filter(|at| outings[*at].kind == OutingKind::Wake && outings[*at].seen_s() > limit_s)
        .collect();
    long.sort_by(|a, b| outings[*a].seen_s().total_cmp(&outings[*b].seen_s()).then(a.cmp(b)));
    let alike = |a: &usize, b: &usize| outings[*b].seen_s() < ALIKE * outings[*a].seen_s();
    let habits: Vec<usize> = long
        .chunk_by(alike)
        .filter(|group| {
            let mut starts: Vec<f64> = group.iter().map(|at| outings[*at].start_s).collect();
            starts.sort_by(f64::total_cmp);
            seldom_by_chance(&starts)
        })
        .flatten()
        .copied()
        .collect();
    for at in long.into_iter().filter(|at| !habits.contains(at)) {
        outings[at].kind = OutingKind::Failure;
    }
}

/// Whether a line of the event list switched something in it.
pub(super) fn by_order(night: &Night<'_>, outing: &Outing) -> bool {
    listed_beside(night, outing.start_s, outing.end_s)
}

fn listed_beside(night: &Night<'_>, start_s: f64, end_s: f64) -> bool {
    let near_s = 2.0 * night.usual_interval_s;
    listed_in(night, start_s - near_s, end_s + near_s)
}

/// Whether a line of the event list is tied to a step of this stretch, its end included.
fn listed_in(night: &Night<'_>, start_s: f64, end_s: f64) -> bool {
    let Some(alignment) = night.alignment else { return false };
    let steps = &night.segmentation.steps;
    let from = steps.partition_point(|step| step.time_s < start_s);
    let to = steps.partition_point(|step| step.time_s <= end_s);
    (from..to).any(|at| alignment.step_events.get(at).copied().flatten().is_some())
}

/// The last activity in an outing: a listed event's step or a rise of the current that is no mere
/// wavering of what draws already, nor a wake in it.
fn last_activity_s(night: &Night<'_>, outing: &Outing, raised: &[Outing]) -> f64 {
    let near_s = 2.0 * night.usual_interval_s;
    let least_a = WAVERING * outing.charge_c / outing.width_s().max(night.usual_interval_s);
    let steps = &night.segmentation.steps;
    let from = steps.partition_point(|step| step.time_s < outing.start_s - near_s);
    let to = steps.partition_point(|step| step.time_s < outing.end_s - near_s);
    (from..to)
        .rev()
        .find(|at| {
            let until = raised.partition_point(|wake| wake.start_s < steps[*at].time_s + near_s);
            let wakes = until > 0 && raised[until - 1].end_s > steps[*at].time_s - near_s;
            let rises = !wakes && rise_a(night, steps[*at].index) > least_a;
            rises || is_listed(night, *at)
        })
        .map_or(outing.start_s, |at| steps[at].time_s.max(outing.start_s))
}

/// The same as late as it can have been where a gap hides it.
fn latest_activity_s(night: &Night<'_>, outing: &Outing, raised: &[Outing]) -> f64 {
    let at_s = last_activity_s(night, outing, raised);
    night.gap_at(at_s).map_or(at_s, |gap| gap.end_s)
}

/// The wakes that start between two moments.
fn within(raised: &[Outing], from_s: f64, to_s: f64) -> &[Outing] {
    let first = raised.partition_point(|wake| wake.start_s < from_s);
    let end = raised.partition_point(|wake| wake.start_s < to_s);
    &raised[first..end.max(first)]
}

/// How much more the stretch from this sample on draws than the one before, ampere. (A jump's own
/// estimate, beside a start-up hump, is that of a bent background.)
fn rise_a(night: &Night<'_>, sample: usize) -> f64 {
    let segments = &night.segmentation.segments;
    let here = segments.partition_point(|segment| segment.first < sample);
    let mean_a = |at: usize| segments.get(at).map(|segment| night.sign * segment.mean_a);
    let before = here.checked_sub(1).and_then(mean_a);
    before.zip(mean_a(here)).map_or(0.0, |(before, here)| here - before)
}

fn is_listed(night: &Night<'_>, step: usize) -> bool {
    night
        .alignment
        .is_some_and(|alignment| alignment.step_events.get(step).copied().flatten().is_some())
}

/// Switched off or down by hand is not falling asleep.
fn ended_by_hand(night: &Night<'_>, outing: &Outing) -> bool {
    let near_s = 2.0 * night.usual_interval_s;
    listed_in(night, outing.end_s - near_s, outing.end_s + near_s)
}

/// Every time the floor came after being awake, with the last activity before.
pub(super) fn falls_asleep(
    night: &Night<'_>,
    outings: &[Outing],
    raised: &[Outing],
) -> Vec<FallAsleep> {
    outings
        .iter()
        .filter(|outing| outing.falls_asleep && outing.kind != OutingKind::Wake)
        .filter_map(|outing| {
            let last_activity_s = last_activity_s(night, outing, raised);
            let (activity, asleep) = (night.gap_at(last_activity_s), night.gap_at(outing.end_s));
            // What a gap hides happened somewhere in it.
            let hidden = (activity.is_some() || asleep.is_some()).then(|| {
                let from =
                    activity.unwrap_or(Span { start_s: last_activity_s, end_s: last_activity_s });
                let to = asleep.unwrap_or(Span { start_s: outing.end_s, end_s: outing.end_s });
                ((to.start_s - from.end_s).max(0.0), to.end_s - from.start_s)
            });
            (!ended_by_hand(night, outing)).then_some(FallAsleep {
                last_activity_s,
                asleep_s: outing.end_s,
                took_s: outing.end_s - last_activity_s,
                least_s: hidden.map(|(least_s, _)| least_s),
                most_s: hidden.map(|(_, most_s)| most_s),
            })
        })
        .collect()
}

/// The longest time that it is known to have been awake after the last activity without falling asleep: until
/// the capture or the power ended. Of several loads on the lead, what is switched off or left on may be no
/// sleeper: nothing is known then. Seconds.
pub(super) fn longest_awake_s(
    night: &Night<'_>,
    outings: &[Outing],
    raised: &[Outing],
) -> Option<f64> {
    let cut_off = |outing: &&Outing| {
        outing.kind != OutingKind::Wake && (!outing.falls_asleep || ended_by_hand(night, outing))
    };
    let awake_s = |outing: &Outing| outing.end_s - latest_activity_s(night, outing, raised);
    let cut_off = outings.iter().filter(cut_off);
    is_one_unit(night).then(|| cut_off.map(awake_s).reduce(f64::max)).flatten()
}

/// The longest time that a wake goes on after the last activity in it that shows, seconds.
pub(super) fn longest_after_activity_s(night: &Night<'_>, outings: &[Outing]) -> Option<f64> {
    let wakes = outings.iter().filter(|outing| outing.kind == OutingKind::Wake);
    wakes.map(|wake| wake.end_s - last_activity_s(night, wake, &[])).reduce(f64::max)
}

/// Whether the list switches one load only, or there is none.
fn is_one_unit(night: &Night<'_>) -> bool {
    let Some(alignment) = night.alignment else { return true };
    let lines = alignment.events.iter().map(|event| &event.line);
    let mut loads = lines.filter(|line| line.action != Action::Zero).map(|line| &line.load);
    let first = loads.next();
    loads.all(|load| first.is_some_and(|first| same_name(load, first)))
}

/// Failures to sleep, costliest first: outings that are nothing else, and what an outing on order
/// lasts beyond the time that the job sheet allows from its last activity. Wakes in them would have
/// come anyway and are no part of the cost.
pub(super) fn failures(
    night: &Night<'_>,
    baseline: &Baseline,
    outings: &[Outing],
    raised: &[Outing],
) -> Vec<FailureToSleep> {
    let allowed_s = night.sheet.sleep.and_then(|limits| limits.sleep_within_s);
    let one_unit = is_one_unit(night);
    // Of what a gap hides nobody knows whether it was awake.
    let seen_to_s =
        |outing: &Outing| night.gap_at(outing.end_s).map_or(outing.end_s, |gap| gap.start_s);
    let mut all: Vec<FailureToSleep> = outings
        .iter()
        .filter(|outing| outing.width_s() > 0.0)
        .filter_map(|outing| match (outing.kind, allowed_s) {
            (OutingKind::Failure, _) => {
                let start_s = outing.start_s;
                let start_s = night.gap_at(start_s).map_or(start_s, |gap| gap.end_s);
                let wakes_c = charge_c(outing.wakes(raised));
                let (end_s, above_c) = (seen_to_s(outing), outing.charge_c - wakes_c);
                (start_s < end_s).then(|| failure(night, (start_s, end_s), above_c))
            }
            (OutingKind::Awake, Some(allowed_s)) if one_unit || !ended_by_hand(night, outing) => {
                let start_s = latest_activity_s(night, outing, raised) + allowed_s;
                let end_s = seen_to_s(outing);
                (start_s < end_s).then(|| {
                    let wakes_c = charge_c(within(raised, start_s, end_s));
                    let whole_c = from_c(night, baseline, outing, start_s);
                    failure(night, (start_s, end_s), whole_c - wakes_c)
                })
            }
            _ => None,
        })
        .collect();
    all.sort_by(|a, b| b.charge_ah.total_cmp(&a.charge_ah));
    all
}

fn charge_c(wakes: &[Outing]) -> f64 {
    wakes.iter().map(|wake| wake.charge_c).sum()
}

fn failure(night: &Night<'_>, (start_s, end_s): (f64, f64), charge_c: f64) -> FailureToSleep {
    FailureToSleep {
        start_s,
        end_s,
        above_floor_a: charge_c / (end_s - start_s - night.hidden_s(start_s, end_s)),
        charge_ah: charge_c / 3600.0,
    }
}

/// Charge above the floor of the part of an outing from `start_s` on, coulomb.
fn from_c(night: &Night<'_>, baseline: &Baseline, outing: &Outing, start_s: f64) -> f64 {
    let time = &night.samples.time;
    let first = time.index_at(start_s).max(outing.first);
    let charge: ExactSum = (first..outing.end)
        .map(|sample| {
            (night.drawn_a(sample) - baseline.at(time.at(sample))) * night.interval_s(sample)
        })
        .collect();
    charge.value()
}
