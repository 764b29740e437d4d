//! Every time the floor was left: a wake, awake because somebody switched, or a failure to sleep.

use super::Night;
use super::stretches::{Depth, Stretch};
use crate::findings::{FailureToSleep, FallAsleep};
use crate::numeric::ExactSum;

/// Why the floor was left.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum OutingKind {
    /// Short, by itself, and back at the floor.
    Wake,
    /// A line of the event list switched something, or the capture's edge cuts it off.
    Awake,
    /// Nobody switched, and far longer than a wake.
    Failure,
}

/// Segments `first..end` above the floor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Outing {
    pub(super) kind: OutingKind,
    pub(super) first: usize,
    pub(super) end: usize,
    pub(super) start_s: f64,
    pub(super) end_s: f64,
    pub(super) peak_a: f64,
    /// Charge above the floor on either side, coulomb.
    pub(super) charge_c: f64,
    /// True when the floor follows.
    pub(super) falls_asleep: bool,
}

impl Outing {
    pub(super) fn width_s(&self) -> f64 {
        self.end_s - self.start_s
    }
}

/// An outing this many times as long as nine in ten of the others is no wake.
const FAR_LONGER: f64 = 4.0;

/// All outings, in order. O(samples in them).
pub(super) fn find(night: &Night<'_>, stretches: &[Stretch]) -> Vec<Outing> {
    let asleep = |at: Option<usize>| {
        at.and_then(|at| stretches.get(at)).filter(|stretch| stretch.depth == Depth::Asleep)
    };
    let mut all: Vec<Outing> = Vec::new();
    for (at, stretch) in stretches.iter().enumerate() {
        if stretch.depth != Depth::Up {
            continue;
        }
        let before = asleep(at.checked_sub(1));
        let after = asleep(Some(at + 1));
        let segments = &night.segmentation.segments;
        let (start_s, end_s) = (segments[stretch.first].start_s, segments[stretch.end - 1].end_s);
        let by_order = listed_in(night, start_s, end_s);
        let whole = before.is_some() && after.is_some();
        let near = |stretch: Option<&Stretch>, last: bool| {
            stretch.map(|s| segments[if last { s.end - 1 } else { s.first }].mean_a)
        };
        let floors: Vec<f64> =
            [near(before, true), near(after, false)].into_iter().flatten().collect();
        let floor_a = if floors.is_empty() {
            None
        } else {
            Some(floors.iter().sum::<f64>() / floors.len() as f64)
        };
        let (peak_a, charge_c) = above(night, stretch, floor_a);
        all.push(Outing {
            kind: if whole && !by_order { OutingKind::Wake } else { OutingKind::Awake },
            first: stretch.first,
            end: stretch.end,
            start_s,
            end_s,
            peak_a,
            charge_c,
            falls_asleep: after.is_some(),
        });
    }
    set_failures_apart(&mut all);
    all
}

/// Highest reading, zero removed, and charge above `floor_a` (as read; the zero cancels).
fn above(night: &Night<'_>, stretch: &Stretch, floor_a: Option<f64>) -> (f64, f64) {
    let segments = &night.segmentation.segments;
    let (first, end) = (segments[stretch.first].first, segments[stretch.end - 1].end);
    let mut charge = ExactSum::new();
    let mut peak_a = f64::NEG_INFINITY;
    for sample in first..end {
        let reading_a = night.samples.current_a[sample];
        let time_s = night.samples.time.at(sample);
        let drawn_a = night.sign() * reading_a - night.loads.zero.at(time_s);
        peak_a = peak_a.max(drawn_a);
        let base_a = floor_a.unwrap_or(reading_a);
        charge.add(night.sign() * (reading_a - base_a) * night.interval_s(sample));
    }
    (peak_a, charge.value())
}

/// Wakes that last far longer than the others are failures to sleep; with fewer than four to
/// compare with, a wake that holds a steady level for more than ten times its shortest peer.
fn set_failures_apart(outings: &mut [Outing]) {
    let mut widths: Vec<f64> = outings
        .iter()
        .filter(|outing| outing.kind == OutingKind::Wake)
        .map(Outing::width_s)
        .collect();
    widths.sort_by(f64::total_cmp);
    let n = widths.len();
    let limit_s = match n {
        0 | 1 => return,
        2..=4 => 10.0 * widths[0],
        _ => FAR_LONGER * widths[(n * 9 / 10).min(n - 2)],
    };
    for outing in outings.iter_mut().filter(|outing| outing.kind == OutingKind::Wake) {
        if outing.width_s() > limit_s {
            outing.kind = OutingKind::Failure;
        }
    }
}

/// Whether a line of the event list is tied to a step of this stretch, its end included.
fn listed_in(night: &Night<'_>, start_s: f64, end_s: f64) -> bool {
    let Some(alignment) = night.alignment else { return false };
    night
        .segmentation
        .steps
        .iter()
        .zip(&alignment.step_events)
        .any(|(step, event)| event.is_some() && step.time_s >= start_s && step.time_s <= end_s)
}

/// Every time the floor came after being awake, with the last activity before: a listed event's
/// step or a rise of the current.
pub(super) fn falls_asleep(night: &Night<'_>, outings: &[Outing]) -> Vec<FallAsleep> {
    let listed = night.alignment.map(|alignment| alignment.step_events.as_slice());
    outings
        .iter()
        .filter(|outing| outing.falls_asleep && outing.kind != OutingKind::Wake)
        .filter_map(|outing| {
            let steps = night.segmentation.steps.iter().enumerate();
            let last = steps
                .filter(|(_, step)| step.time_s >= outing.start_s && step.time_s < outing.end_s)
                .filter(|(at, step)| {
                    let by_order = listed.and_then(|events| events.get(*at).copied().flatten());
                    by_order.is_some() || night.sign() * step.delta_a > 0.0
                })
                .map(|(_, step)| step.time_s)
                .reduce(f64::max)?;
            // Switched off or down by hand is not falling asleep.
            let by_hand = night.segmentation.steps.iter().enumerate().any(|(at, step)| {
                step.time_s == outing.end_s
                    && listed.and_then(|events| events.get(at).copied().flatten()).is_some()
            });
            (!by_hand).then_some(FallAsleep {
                last_activity_s: last,
                asleep_s: outing.end_s,
                took_s: outing.end_s - last,
            })
        })
        .collect()
}

/// Failures to sleep, costliest first.
pub(super) fn failures(outings: &[Outing]) -> Vec<FailureToSleep> {
    let mut all: Vec<FailureToSleep> = outings
        .iter()
        .filter(|outing| outing.kind == OutingKind::Failure && outing.width_s() > 0.0)
        .map(|outing| FailureToSleep {
            start_s: outing.start_s,
            end_s: outing.end_s,
            above_floor_a: outing.charge_c / outing.width_s(),
            charge_ah: outing.charge_c / 3600.0,
        })
        .collect();
    all.sort_by(|a, b| b.charge_ah.total_cmp(&a.charge_ah));
    all
}
