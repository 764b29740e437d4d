//! What one analysed capture says of its unit.

use serde::{Deserialize, Serialize};

use crate::fault::InputFault;
use crate::findings::{
    EvaluationType, Findings, LoadRow, Measure, SegmentKind, SleepFindings, UnitStatus, Verdict,
};
use crate::judge::SLEEP_LIMIT_NOT_TRIED;
use crate::loads::CLAMP_TURNED;
use crate::numeric::{Moments, Quantity, coverage_factor_95, duration};

/// One quantity of one unit, with what the population needs of its uncertainty.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Measured {
    /// Which quantity.
    pub measure: Measure,
    /// Load it belongs to.
    pub load: Option<String>,
    /// State it belongs to.
    pub state: Option<String>,
    /// Value in the measure's SI unit.
    pub value: f64,
    /// Expanded uncertainty, about 95 %.
    pub expanded_uncertainty: Option<f64>,
    /// Standard uncertainty that repeats of the same unit would scatter by: noise, rounding, the zero's
    /// wander, how far wakes differ.
    pub scatter: Option<f64>,
    /// Lower limit.
    pub limit_low: Option<f64>,
    /// Upper limit.
    pub limit_high: Option<f64>,
    /// Verdict against the job sheet.
    pub verdict: Verdict,
    /// What the verdict was held to where that is not `value`: a single wake, a stretch awake.
    #[serde(default)]
    pub judged: Option<f64>,
}

/// What became of one capture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct UnitOutcome {
    /// The unit's identity.
    pub unit: String,
    /// Its capture's file.
    pub file: String,
    /// What became of it.
    pub status: UnitStatus,
    /// Why it is doubtful or unreadable; of one that is measured, which limits on sleep it could not be
    /// held to.
    pub reason: Option<String>,
    /// How long its capture is, seconds; `None` where it could not be read.
    pub duration_s: Option<f64>,
    /// Median time between its readings, seconds; `None` where it could not be read.
    pub interval_s: Option<f64>,
    /// When it began, as it tells.
    #[serde(default)]
    pub start: Option<String>,
    /// True when its readings were turned round.
    #[serde(default)]
    pub turned: bool,
    /// True when nobody checked the meter's zero in it.
    #[serde(default)]
    pub zero_unseen: bool,
    /// Its highest reading, ampere; `None` where it could not be read.
    #[serde(default)]
    pub highest_a: Option<f64>,
    /// True when its readings stand still at the highest one, and scatter below.
    #[serde(default)]
    pub still_at_highest: bool,
    /// What was measured.
    pub measured: Vec<Measured>,
}

/// More of the samples than this in overload, and the means are too low to be believed.
const OVERLOAD_SHARE: f64 = 0.001;
/// More of the rows than this unreadable, and the file is not what it was taken for.
const UNREADABLE_SHARE: f64 = 0.05;
/// More of the time than this without samples, and states may be missing.
const GAP_SHARE: f64 = 0.2;

impl UnitOutcome {
    /// Of a capture that was analysed.
    pub(crate) fn of(unit: String, findings: &Findings) -> Self {
        let measured = measured(findings);
        let reason = doubt(findings).or_else(|| {
            let nothing = measured.is_empty();
            nothing.then(|| nothing_shows(findings))
        });
        Self {
            unit,
            file: findings.capture.file.clone(),
            status: if reason.is_some() { UnitStatus::Doubtful } else { UnitStatus::Measured },
            reason: reason.or_else(|| untried(findings)),
            duration_s: Some(findings.capture.duration_s),
            interval_s: findings.capture.sampling_interval_s,
            start: findings.capture.start.clone(),
            turned: findings.cautions.iter().any(|caution| caution.code == CLAMP_TURNED),
            zero_unseen: findings.zero.checks.is_empty(),
            highest_a: Some(findings.totals.maximum_a),
            still_at_highest: still_at_highest(findings),
            measured,
        }
    }

    /// Of a capture that could not be read.
    pub(crate) fn unreadable(unit: String, file: String, fault: &InputFault) -> Self {
        Self {
            unit,
            file,
            status: UnitStatus::Unreadable,
            reason: Some(fault.to_string()),
            duration_s: None,
            interval_s: None,
            start: None,
            turned: false,
            zero_unseen: false,
            highest_a: None,
            still_at_highest: false,
            measured: Vec::new(),
        }
    }
}

/// Why a capture is not to be trusted; `None` when nothing speaks against it. A capture without
/// any zero check is not doubtful for that alone: the whole batch shares the lack.
fn doubt(findings: &Findings) -> Option<String> {
    let capture = &findings.capture;
    let samples = capture.samples as f64;
    if !findings.zero.checks.is_empty() && !findings.zero.trusted {
        // The rest is of use to whoever looks at this capture by itself.
        let answer = findings.zero.answer.split(';').next().unwrap_or_default();
        let answer = answer.split_once(": ").map_or(answer, |(_, told)| told);
        return Some(format!("its zero is not to be believed: {answer}"));
    }
    if capture.overload_samples as f64 > OVERLOAD_SHARE * samples {
        return Some(format!(
            "{} readings were over range; measure again on a higher range",
            capture.overload_samples
        ));
    }
    if capture.unreadable_rows as f64 > UNREADABLE_SHARE * samples {
        return Some(format!("{} rows could not be read", capture.unreadable_rows));
    }
    let gaps_s: f64 = capture.gaps.iter().map(|gap| gap.length_s()).sum();
    if gaps_s > GAP_SHARE * capture.duration_s {
        return Some(format!("{gaps_s:.0} s of {:.0} s have no samples", capture.duration_s));
    }
    None
}

/// Readings of the same figure from which on a stretch stands still.
const STILL: u64 = 20;

/// Whether a steady stretch stays at the very highest reading while a lower one shows noise: as at the end of a
/// meter's range, or in a coarser one.
fn still_at_highest(findings: &Findings) -> bool {
    let Some(count_a) = findings.capture.resolution_a else { return false };
    // Noise is never told to be less than what a count hides.
    let hidden_a = count_a / 12f64.sqrt();
    let highest_a = findings.totals.maximum_a - findings.zero.offset_a.unwrap_or(0.0);
    let steady = findings.segments.iter().filter(|s| s.kind == SegmentKind::Steady);
    let long = || steady.clone().filter(|s| s.samples >= STILL);
    long().any(|s| s.mean_a > highest_a - 0.5 * count_a && s.noise_a < 1.01 * hidden_a)
        && long().any(|s| s.mean_a < highest_a - count_a && s.noise_a > 2.0 * hidden_a)
}

/// A capture in which no load was seen and nothing sleeps.
fn nothing_shows(findings: &Findings) -> String {
    let (low, high) = (findings.totals.minimum_a, findings.totals.maximum_a);
    let (low, high) = (Quantity::amperes(low).to_string(), Quantity::amperes(high).to_string());
    let stay = if low == high { format!("at {low}") } else { format!("between {low} and {high}") };
    let length = duration(findings.capture.duration_s);
    format!(
        "nothing in its {length} could be measured, its readings stay {stay}: the unit is dead or was not connected, or the capture is another's"
    )
}

/// Which limits on sleep a capture could not be held to.
fn untried(findings: &Findings) -> Option<String> {
    findings.cautions.iter().find(|caution| caution.code == SLEEP_LIMIT_NOT_TRIED)?;
    if findings.sleep.is_some() {
        return Some(
            "the limit on the time to sleep was not tried: no last activity shows before it slept"
                .to_owned(),
        );
    }
    let lowest = findings.loads.iter().min_by(|a, b| a.draw_a.total_cmp(&b.draw_a));
    let lowest = lowest.map_or_else(String::new, |row| {
        let draw = Quantity::amperes(row.draw_a);
        format!("; its lowest draw is {draw} ({}, {})", row.load, row.state)
    });
    Some(format!("no limit on sleep was tried: nothing was seen to wake or to fall asleep{lowest}"))
}

fn measured(findings: &Findings) -> Vec<Measured> {
    let mut all: Vec<Measured> = findings.loads.iter().map(draw).collect();
    let lone = |measure, value| Measured {
        measure,
        load: None,
        state: None,
        value,
        expanded_uncertainty: None,
        scatter: None,
        limit_low: None,
        limit_high: None,
        verdict: Verdict::NoLimit,
        judged: None,
    };
    let Some(sleep) = &findings.sleep else { return all };
    let held = |name: &str| sleep.verdicts.iter().find(|verdict| verdict.limit_name == name);
    let judged = |measured: Measured, limit_name: &str| match held(limit_name) {
        Some(found) => Measured {
            limit_high: Some(found.limit),
            verdict: found.verdict,
            // Between bounds nothing is measured.
            judged: Some(found.value).filter(|v| found.most.is_none() && *v != measured.value),
            ..measured
        },
        None => measured,
    };
    let mut floor = judged(lone(Measure::SleepFloor, sleep.floor_a), "sleep_max_a");
    floor.expanded_uncertainty = Some(sleep.floor_expanded_uncertainty_a);
    // Readings that stay within a count hide where in it they are; the zero's do likewise.
    let hidden_a = findings.capture.resolution_a.filter(|q| sleep.floor_noise_a < 0.5 * q);
    let hidden_a = hidden_a.map(|q| q / 12f64.sqrt());
    floor.scatter = hidden_a.map(|u| 2f64.sqrt() * u);
    all.push(floor);
    // Both its ends lie anywhere between two readings.
    let ends_s = findings.capture.sampling_interval_s.map(|s| s / 6f64.sqrt());
    // Awake to the end, and longer than allowed: it is no less than that.
    let unslept_s = held("sleep_within_s").filter(|found| found.verdict == Verdict::NonConforming);
    let to_sleep_s = sleep.longest_time_to_sleep_s.or(unslept_s.map(|found| found.value));
    all.extend(to_sleep_s.map(|s| {
        let to_sleep = Measured { scatter: ends_s, ..lone(Measure::TimeToSleep, s) };
        judged(to_sleep, "sleep_within_s")
    }));
    all.push(Measured { scatter: hidden_a, ..lone(Measure::Noise, sleep.floor_noise_a) });
    if let Some(wakes) = &findings.wakes {
        all.extend(wakes.period_s.map(|period_s| {
            let periods = wakes.count.saturating_sub(1).max(1) as f64;
            let scatter = wakes.period_sd_s.map(|sd| sd / periods.sqrt());
            Measured { scatter, ..lone(Measure::WakePeriod, period_s) }
        }));
    }
    // Of several kinds of wakes the one that takes most, which is the one that a limit is held against.
    let each_ah = |kind: &usize| sleep.series[*kind].charge_each_ah;
    let most = (0..sleep.series.len()).max_by(|a, b| each_ah(a).total_cmp(&each_ah(b)));
    all.extend(most.map(|kind| {
        let scatter = charge_scatter_ah(sleep, kind);
        let charge = Measured { scatter, ..lone(Measure::WakeCharge, each_ah(&kind)) };
        judged(charge, "wake_charge_max_ah")
    }));
    // Of interest only against a limit: it depends on how long the capture runs.
    if let Some(found) = held("awake_share_max") {
        let mut share = judged(lone(Measure::AwakeShare, found.value), "awake_share_max");
        share.expanded_uncertainty = Some(coverage_factor_95(None) * found.standard_uncertainty);
        all.push(share);
    }
    all
}

/// Standard uncertainty of the mean charge of the wakes of a kind, by how far they differ.
fn charge_scatter_ah(sleep: &SleepFindings, kind: usize) -> Option<f64> {
    let of_kind = sleep.wakes.iter().filter(|wake| wake.series == Some(kind) && !wake.met);
    let charges_ah: Vec<f64> = of_kind.map(|wake| wake.charge_ah).collect();
    let moments = Moments::of(&charges_ah)?;
    Some(moments.sd? / (moments.count as f64).sqrt())
}

fn draw(row: &LoadRow) -> Measured {
    let scatter = row
        .uncertainty_budget
        .iter()
        // What a data sheet or a tolerance allows is no scatter: a batch shares it.
        .filter(|item| item.evaluation == EvaluationType::A || item.source == "resolution")
        .map(|item| item.standard_uncertainty_a * item.standard_uncertainty_a)
        .sum::<f64>()
        .sqrt();
    Measured {
        measure: Measure::Draw,
        load: Some(row.load.clone()),
        state: Some(row.state.clone()),
        value: row.draw_a,
        expanded_uncertainty: Some(row.expanded_uncertainty_a),
        scatter: Some(scatter),
        limit_low: row.limit_low_a,
        limit_high: row.limit_high_a,
        verdict: row.verdict,
        judged: None,
    }
}
