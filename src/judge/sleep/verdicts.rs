//! Sleep against the job sheet's limits, decided like a load's draw.

use super::baseline::Baseline;
use super::floor::Floor;
use super::outings::Outing;
use super::{Night, meetings};
use crate::findings::{SleepFindings, SleepVerdict, Verdict, Wake};
use crate::jobsheet::JobSheet;
use crate::judge::Risk;
use crate::judge::conformity::{Decision, Measured, decide, decide_between};
use crate::judge::limits::Limits;
use crate::numeric::{Moments, effective_samples, rectangular, student_quantile};

/// What the limits are held to, beside the findings.
pub(super) struct Seen {
    pub(super) floor: Floor,
    /// How long it was awake at least where it did not fall asleep, seconds.
    pub(super) awake_s: Option<f64>,
    /// How long a wake goes on at most after the last activity in it that shows, seconds.
    pub(super) lingers_s: Option<f64>,
    /// The wake that takes most.
    pub(super) largest: Option<Largest>,
    pub(super) interval_s: f64,
}

/// The wake that takes most, of those that no other touches.
#[derive(Debug, Clone, Copy)]
pub(super) struct Largest {
    charge_ah: f64,
    /// Standard uncertainty from noise and from where its edges lie.
    u_ah: f64,
    /// Of how many wakes.
    count: usize,
}

/// Distance of the quartiles of a unit Gaussian, and the fewest wakes that have quartiles.
const QUARTILES: f64 = 1.349;
const FEWEST: usize = 4;

/// The largest of `every` wake; `wakes` are the findings on them, in order. O(wakes).
pub(super) fn largest(
    night: &Night<'_>,
    baseline: &Baseline,
    every: &[Outing],
    wakes: &[Wake],
) -> Option<Largest> {
    let alone = || every.iter().zip(wakes).filter(|(_, wake)| !wake.met);
    let (outing, wake) = alone().max_by(|a, b| a.1.charge_ah.total_cmp(&b.1.charge_ah))?;
    let noise = &night.segmentation.noise;
    let sigma_a = noise.by_level.iter().map(|known| known.sigma_a).fold(baseline.sigma_a, f64::max);
    let readings = (outing.end - outing.first) as f64;
    let noise_a = sigma_a * readings / effective_samples(readings, noise.phi).sqrt();
    // A meter that takes momentary values sees either edge up to a reading early or late: most wakes then differ so.
    let edges_a = outing.height_a / 6.0f64.sqrt();
    let per_reading_ah = night.usual_interval_s / 3600.0;
    let kind = alone().filter(|(_, other)| other.series == wake.series);
    let mut charges: Vec<f64> = kind.map(|(_, other)| other.charge_ah).collect();
    charges.sort_by(f64::total_cmp);
    let n = charges.len();
    let most_differ_ah = match n {
        0..FEWEST => f64::INFINITY,
        _ => (charges[3 * n / 4] - charges[n / 4]) / QUARTILES,
    };
    let u_ah = (noise_a * per_reading_ah).hypot(most_differ_ah.min(edges_a * per_reading_ah));
    Some(Largest { charge_ah: wake.charge_ah, u_ah, count: alone().count() })
}

/// A figure to be held to a limit.
struct Figure {
    value: f64,
    u: f64,
    degrees_of_freedom: Option<f64>,
}

impl Figure {
    fn of(value: f64, u: f64) -> Self {
        Self { value, u, degrees_of_freedom: None }
    }

    fn decide(&self, limit: f64, risk: Risk) -> Decision {
        let Self { value, u, degrees_of_freedom } = *self;
        decide(&Measured { value_a: value, u_a: u, degrees_of_freedom }, &up_to(limit), risk)
    }

    fn verdict(&self, limit_name: &str, si_unit: &str, limit: f64, risk: Risk) -> SleepVerdict {
        let decision = self.decide(limit, risk);
        SleepVerdict {
            limit_name: limit_name.to_owned(),
            value: self.value,
            standard_uncertainty: self.u,
            least: None,
            most: None,
            limit,
            si_unit: si_unit.to_owned(),
            verdict: decision.verdict,
            conformance_probability: decision.conformance_probability,
        }
    }
}

fn up_to(limit: f64) -> Limits {
    Limits { specified_a: None, low_a: None, high_a: Some(limit) }
}

/// Makes a verdict one on a figure of which only bounds are known, each to its uncertainty.
fn bounded(verdict: SleepVerdict, (least, most): (f64, f64), risk: Risk) -> SleepVerdict {
    let u = verdict.standard_uncertainty;
    let decision = decide_between((least, most), u, &up_to(verdict.limit), risk);
    SleepVerdict {
        value: 0.5 * (least + most),
        standard_uncertainty: u.hypot(rectangular(0.5 * (most - least))),
        least: Some(least),
        most: Some(most),
        verdict: decision.verdict,
        conformance_probability: decision.conformance_probability,
        ..verdict
    }
}

/// The job sheet's `[sleep]` limits, each with its verdict.
pub(super) fn of(
    found: &SleepFindings,
    seen: &Seen,
    sheet: &JobSheet,
    risk: Risk,
) -> Vec<SleepVerdict> {
    let Some(limits) = sheet.sleep else { return Vec::new() };
    // Both edges of a duration lie somewhere in their sampling interval.
    let edges_s = seen.interval_s / 6.0f64.sqrt();
    let floor = limits.sleep_max_a.map(|limit_a| {
        let (value, u) = (seen.floor.value_a, seen.floor.u_a);
        Figure { value, u, degrees_of_freedom: seen.floor.degrees_of_freedom }.verdict(
            "sleep_max_a",
            "A",
            limit_a,
            risk,
        )
    });
    let time =
        limits.sleep_within_s.and_then(|limit_s| of_time(found, seen, limit_s, edges_s, risk));
    let charge = limits
        .wake_charge_max_ah
        .and_then(|limit_ah| of_charge(found, seen.largest, limit_ah, sheet, risk));
    let whole_s = found.asleep.time_s + found.waking.time_s + found.awake.time_s;
    let outings = (found.wakes.len() + found.failures.len() + found.falls_asleep.len()) as f64;
    let u_share = if whole_s > 0.0 { edges_s * outings.sqrt() / whole_s } else { 0.0 };
    let share = limits.awake_share_max.map(|limit| {
        let awake = found.awake.share_of_time;
        let most = found.waking.share_of_time + awake;
        let verdict = Figure::of(most, u_share).verdict("awake_share_max", "1", limit, risk);
        match found.waking.least_share_of_time {
            Some(least) => bounded(verdict, (least + awake, most), risk),
            None => verdict,
        }
    });
    [floor, time, charge, share].into_iter().flatten().collect()
}

/// Awake for longer than allowed is beyond the limit, whenever it would have slept; for less, nothing. Wakes that go
/// on for longer after the last activity that shows may have been active all the time: they leave it open.
fn of_time(
    found: &SleepFindings,
    seen: &Seen,
    limit_s: f64,
    edges_s: f64,
    risk: Risk,
) -> Option<SleepVerdict> {
    let verdict =
        |took_s: f64| Figure::of(took_s, edges_s).verdict("sleep_within_s", "s", limit_s, risk);
    let longest_s = found.longest_time_to_sleep_s;
    let unslept_s = seen.awake_s.filter(|s| longest_s.is_none_or(|longest_s| *s > longest_s));
    if let Some(broken_s) = unslept_s.filter(|s| *s > limit_s) {
        return Some(SleepVerdict { least: Some(broken_s), ..verdict(broken_s) });
    }
    let slept = longest_s.map(|longest_s| {
        // The longest of what each took at least, and of what each took at most.
        let falls = || found.falls_asleep.iter();
        let least_s = falls().map(|fall| fall.least_s.unwrap_or(fall.took_s)).fold(0.0, f64::max);
        let most_s = falls().map(|fall| fall.most_s.unwrap_or(fall.took_s)).fold(0.0, f64::max);
        match least_s < most_s {
            true => bounded(verdict(longest_s), (least_s, most_s), risk),
            false => verdict(longest_s),
        }
    });
    let lingers = seen.lingers_s.map(verdict);
    match lingers {
        Some(lingers) if slept.is_none() && lingers.verdict == Verdict::Conforming => Some(lingers),
        Some(lingers)
            if lingers.verdict != Verdict::Conforming
                && slept.as_ref().is_none_or(|slept| slept.verdict == Verdict::Conforming) =>
        {
            let least_s = longest_s.unwrap_or(0.0);
            let most_s = lingers.value.max(least_s);
            Some(bounded(lingers, (least_s, most_s), risk))
        }
        _ => slept,
    }
}

/// Held to the mean of the kind that takes most, and to the wake that takes most where that is plainly beyond:
/// further than the noise takes the largest of so many.
fn of_charge(
    found: &SleepFindings,
    largest: Option<Largest>,
    limit_ah: f64,
    sheet: &JobSheet,
    risk: Risk,
) -> Option<SleepVerdict> {
    let name = "wake_charge_max_ah";
    let each_ah = |at: usize| found.series[at].charge_each_ah;
    let most = (0..found.series.len()).max_by(|a, b| each_ah(*a).total_cmp(&each_ah(*b)))?;
    let mean = Figure::of(each_ah(most), charge_uncertainty_ah(found, most, sheet))
        .verdict(name, "Ah", limit_ah, risk);
    let single = largest.filter(|_| mean.verdict != Verdict::NonConforming).and_then(|one| {
        let u_ah = one.u_ah.hypot(rectangular(share_of_reading(sheet) * one.charge_ah));
        let far = student_quantile(1.0 - risk.get() / one.count as f64, None);
        let beyond = one.charge_ah - limit_ah > far * u_ah;
        beyond.then(|| Figure::of(one.charge_ah, u_ah).verdict(name, "Ah", limit_ah, risk))
    });
    Some(single.unwrap_or(mean))
}

fn share_of_reading(sheet: &JobSheet) -> f64 {
    sheet.meter.unwrap_or_default().accuracy_percent_of_reading / 100.0
}

/// Standard uncertainty of the mean charge of a series' wakes: their scatter, and the meter's
/// percent of reading (rectangular). The floor's error cancels.
fn charge_uncertainty_ah(found: &SleepFindings, series: usize, sheet: &JobSheet) -> f64 {
    let of_kind = || found.wakes.iter().filter(|wake| wake.series == Some(series));
    let alone: Vec<f64> = of_kind().filter(|w| !w.met).map(|wake| wake.charge_ah).collect();
    let charges = if alone.len() < meetings::FEWEST {
        of_kind().map(|wake| wake.charge_ah).collect()
    } else {
        alone
    };
    let scatter_ah = Moments::of(&charges)
        .and_then(|moments| moments.sd.map(|sd| sd / (moments.count as f64).sqrt()))
        .unwrap_or(0.0);
    scatter_ah.hypot(rectangular(share_of_reading(sheet) * found.series[series].charge_each_ah))
}
