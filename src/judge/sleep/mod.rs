//! Sleep behaviour: the floor, falling asleep, wakes and their rhythm, and failures to sleep.
//!
//! ```text
//! stretches   off, asleep or up, from the steady states
//! outings     every time it left the floor: wake, awake on order, failure to sleep
//! series      wakes that belong together, and their rhythm
//! floor       its level, uncertainty and creep
//! ```

mod floor;
mod outings;
mod series;
mod stretches;
#[cfg(test)]
mod tests;

use super::Risk;
use super::conformity::{Measured, decide};
use super::limits::Limits;
use crate::capture::Samples;
use crate::events::Alignment;
use crate::findings::{SleepFindings, SleepShare, SleepVerdict, Span, Wakes};
use crate::jobsheet::JobSheet;
use crate::loads::LoadsFound;
use crate::segment::Segmentation;
use outings::{Outing, OutingKind};
use stretches::{Depth, Stretch};

/// What the sleep rooms look at.
struct Night<'a> {
    samples: &'a Samples,
    segmentation: &'a Segmentation,
    alignment: Option<&'a Alignment>,
    loads: &'a LoadsFound,
    sheet: &'a JobSheet,
}

impl Night<'_> {
    fn sign(&self) -> f64 {
        if self.loads.turned { -1.0 } else { 1.0 }
    }

    /// Mean of a segment, the sign turned and the zero removed, ampere.
    fn mean_a(&self, segment: usize) -> f64 {
        let segment = &self.segmentation.segments[segment];
        let middle_s = 0.5 * (segment.start_s + segment.end_s);
        self.sign() * segment.mean_a - self.loads.zero.at(middle_s)
    }

    /// Time that a sample stands for: until the next one.
    fn interval_s(&self, sample: usize) -> f64 {
        let time = &self.samples.time;
        if sample + 1 < time.len() { time.at(sample + 1) - time.at(sample) } else { 0.0 }
    }
}

/// Sleep behaviour, and the summary of its most frequent wakes; `None` when nothing sleeps.
/// O(n + segments log segments).
pub(super) fn assess(
    samples: &Samples,
    segmentation: &Segmentation,
    alignment: Option<&Alignment>,
    loads: &LoadsFound,
    sheet: &JobSheet,
    risk: Risk,
) -> Option<(SleepFindings, Option<Wakes>)> {
    let night = Night { samples, segmentation, alignment, loads, sheet };
    let stretches = stretches::find(&night)?;
    let outings = outings::find(&night, &stretches);
    let floor = floor::level(&night, &stretches)?;
    let (wakes, series) = series::of(&outings);
    let falls_asleep = outings::falls_asleep(&night, &outings);
    let mut took: Vec<f64> = falls_asleep.iter().map(|fall| fall.took_s).collect();
    took.sort_by(f64::total_cmp);
    let (asleep, waking, awake) = shares(&night, &stretches, &outings);
    let summary = series::summary(&series, &wakes, waking.share_of_charge);
    let interval_s = if samples.is_empty() { 0.0 } else { night.interval_s(0) };
    let mut findings = SleepFindings {
        floor_a: floor.value_a,
        floor_standard_uncertainty_a: floor.u_a,
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
        failures: outings::failures(&outings),
        awake_stretches: outings
            .iter()
            .filter(|outing| outing.kind != OutingKind::Wake)
            .map(|outing| Span { start_s: outing.start_s, end_s: outing.end_s })
            .collect(),
        creep: floor::creep(&night, &stretches),
        verdicts: Vec::new(),
        unseen: unseen(interval_s),
    };
    findings.verdicts = verdicts(&findings, &floor, interval_s, sheet, risk);
    Some((findings, summary))
}

/// Middle of sorted values.
fn middle(sorted: &[f64]) -> Option<f64> {
    let n = sorted.len();
    (n > 0).then(|| 0.5 * (sorted[(n - 1) / 2] + sorted[n / 2]))
}

fn unseen(interval_s: f64) -> String {
    let interval = if interval_s >= 1.0 {
        format!("{interval_s:.0} s")
    } else if interval_s >= 1e-3 {
        format!("{:.3} ms", 1e3 * interval_s)
    } else {
        format!("{:.3} µs", 1e6 * interval_s)
    };
    format!(
        "One reading every {interval}: a wake shorter than that has no width or peak of its own. Its \
         charge is in the total where the meter averages between readings, and is missed where it \
         takes a momentary value."
    )
}

fn shares(
    night: &Night<'_>,
    stretches: &[Stretch],
    outings: &[Outing],
) -> (SleepShare, SleepShare, SleepShare) {
    let mut parts = [SleepShare::default(); 3];
    let mut add = |part: usize, first: usize, end: usize| {
        for segment in first..end {
            let found = &night.segmentation.segments[segment];
            let length_s = found.end_s - found.start_s;
            parts[part].time_s += length_s;
            parts[part].charge_ah += night.mean_a(segment) * length_s / 3600.0;
        }
    };
    for stretch in stretches.iter().filter(|stretch| stretch.depth == Depth::Asleep) {
        add(0, stretch.first, stretch.end);
    }
    for outing in outings {
        let part = if outing.kind == OutingKind::Wake { 1 } else { 2 };
        add(part, outing.first, outing.end);
    }
    let time_s: f64 = parts.iter().map(|part| part.time_s).sum();
    let charge_ah: f64 = parts.iter().map(|part| part.charge_ah).sum();
    for part in &mut parts {
        part.share_of_time = if time_s > 0.0 { part.time_s / time_s } else { 0.0 };
        let share = if charge_ah > 0.0 { part.charge_ah / charge_ah } else { 0.0 };
        part.share_of_charge = share.clamp(0.0, 1.0);
    }
    let [asleep, waking, awake] = parts;
    (asleep, waking, awake)
}

/// The job sheet's `[sleep]` limits, decided like a load's.
fn verdicts(
    found: &SleepFindings,
    floor: &floor::Floor,
    interval_s: f64,
    sheet: &JobSheet,
    risk: Risk,
) -> Vec<SleepVerdict> {
    let Some(limits) = sheet.sleep else { return Vec::new() };
    // Both edges of a duration lie somewhere in their sampling interval.
    let edges_s = interval_s / 6.0f64.sqrt();
    let mut all = Vec::new();
    let mut judge = |name: &str, unit: &str, value: Option<f64>, u: f64, limit: Option<f64>| {
        let Some((value, limit)) = value.zip(limit) else { return };
        let degrees_of_freedom = (unit == "A").then_some(floor.degrees_of_freedom).flatten();
        let measured = Measured { value_a: value, u_a: u, degrees_of_freedom };
        let bounds = Limits { specified_a: None, low_a: None, high_a: Some(limit) };
        let decision = decide(&measured, &bounds, risk);
        all.push(SleepVerdict {
            limit_name: name.to_owned(),
            value,
            standard_uncertainty: u,
            limit,
            si_unit: unit.to_owned(),
            verdict: decision.verdict,
            conformance_probability: decision.conformance_probability,
        });
    };
    judge("sleep_max_a", "A", Some(found.floor_a), floor.u_a, limits.sleep_max_a);
    judge("sleep_within_s", "s", found.longest_time_to_sleep_s, edges_s, limits.sleep_within_s);
    // The largest kind of wake is the one to hold to the limit.
    let largest = found.series.iter().map(|series| series.charge_each_ah).reduce(f64::max);
    let scatter = charge_scatter(found);
    judge("wake_charge_max_ah", "Ah", largest, scatter, limits.wake_charge_max_ah);
    let up = found.waking.share_of_time + found.awake.share_of_time;
    let whole_s = found.asleep.time_s + found.waking.time_s + found.awake.time_s;
    let outings = (found.wakes.len() + found.failures.len() + found.falls_asleep.len()) as f64;
    let u_share = if whole_s > 0.0 { edges_s * outings.sqrt() / whole_s } else { 0.0 };
    judge("awake_share_max", "1", Some(up), u_share, limits.awake_share_max);
    all
}

/// Standard uncertainty of the mean charge of a wake, from their scatter.
fn charge_scatter(found: &SleepFindings) -> f64 {
    let charges: Vec<f64> = found.wakes.iter().map(|wake| wake.charge_ah).collect();
    crate::numeric::Moments::of(&charges)
        .and_then(|moments| moments.sd.map(|sd| sd / (moments.count as f64).sqrt()))
        .unwrap_or(0.0)
}
