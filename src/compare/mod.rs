//! The same site before and after: what changed, by how much, and is it real.
//!
//! Loads are tied by name and state; captures without an event list by their levels. Each change
//! `d = after − before` has the variance
//!
//! ```text
//! u²(d) = Σ u²_own + u²_zero,before + u²_zero,after + (g_after − g_before)²
//! ```
//!
//! where `g` is the draw's standard uncertainty from the meter's gain. On one meter and range the
//! gain's error is the same relative error on both sides, so its contributions subtract
//! (GUM 5.2.2, note 1, with correlation 1); otherwise they add in squares. The change is real with
//! probability `F(|d|/u)`, Student's distribution at the Welch-Satterthwaite degrees of freedom.

mod align;
mod difference;
mod words;

use crate::budget::{self, DayRow};
use crate::findings::{
    AlignedBy, Caution, Change, CompareFindings, ComparedCapture, Findings, OneSided,
};
use crate::jobsheet::{JobSheet, same_name};
use align::{Entry, Pairing};
use difference::{Gain, Spread};

/// Compares two results of one site.
///
/// The job sheet says which meter both were made with, the hours a day and the battery.
/// O(loads² + levels²).
pub fn compare(before: &Findings, after: &Findings, sheet: &JobSheet) -> CompareFindings {
    let gain = gain_of(before, after);
    let by_load = !before.loads.is_empty() && !after.loads.is_empty();
    let pairing =
        if by_load { align::by_load(before, after) } else { align::by_level(before, after, sheet) };
    let changes: Vec<Change> =
        pairing.pairs.iter().map(|(before, after)| change(before, after, gain)).collect();
    let days = [before, after].map(|findings| budget::day_rows(sheet, findings));
    let saved = Saved::of(&days, by_load, gain);
    let [before_ah, after_ah] = days.each_ref().map(|rows| total_ah(rows));
    let runtime_h = |ah: Option<f64>| ah.and_then(|ah| budget::runtime_h(sheet, ah));
    let runtime_before_h = runtime_h(before_ah);
    let runtime_gained_h = runtime_before_h
        .zip(runtime_h(before_ah.map(|ah| ah - saved.ah)))
        .map(|(before_h, after_h)| after_h - before_h);
    let mut findings = CompareFindings {
        schema: "ebbmark.compare/1".to_owned(),
        headline: String::new(),
        site: sheet.site.name.clone().or_else(|| after.site.clone()),
        before: side(before, before_ah, runtime_before_h),
        after: side(after, after_ah, runtime_h(after_ah)),
        aligned_by: if by_load { AlignedBy::Load } else { AlignedBy::Level },
        changes,
        one_sided: one_sided(&pairing),
        charge_saved_ah_per_day: saved.ah,
        expanded_uncertainty_ah_per_day: saved.expanded_ah,
        runtime_gained_h,
        shared_errors: gain.in_words(),
        cautions: cautions(before, after, by_load, &pairing),
    };
    findings.headline = words::headline(&findings, sheet.solar.is_some());
    findings
}

/// One gain for both sides where the readings are rounded alike: one meter on one range.
fn gain_of(before: &Findings, after: &Findings) -> Gain {
    match (before.capture.resolution_a, after.capture.resolution_a) {
        // The resolution is found from the readings, to their own rounding.
        (Some(b), Some(a)) if (b - a).abs() <= 1e-3 * b.max(a) => Gain::Shared,
        (Some(_), Some(_)) => Gain::OfTwoRanges,
        _ => Gain::Unknown,
    }
}

fn change(before: &Entry, after: &Entry, gain: Gain) -> Change {
    let change_a = after.draw_a - before.draw_a;
    let spread = Spread::of(&before.doubt, &after.doubt, gain);
    Change {
        load: before.load.clone(),
        state: before.state.clone(),
        before_a: before.draw_a,
        before_expanded_a: before.expanded_a,
        after_a: after.draw_a,
        after_expanded_a: after.expanded_a,
        change_a,
        standard_uncertainty_a: spread.standard,
        expanded_uncertainty_a: spread.expanded(),
        probability_real: spread.probability_of_sign(change_a),
        limit_high_a: after.limit_high_a.or(before.limit_high_a),
        before_verdict: before.verdict,
        after_verdict: after.verdict,
    }
}

fn one_sided(pairing: &Pairing) -> Vec<OneSided> {
    let row = |entry: &Entry, before: bool| OneSided {
        load: entry.load.clone(),
        state: entry.state.clone(),
        before,
        draw_a: entry.draw_a,
    };
    let before = pairing.only_before.iter().map(|entry| row(entry, true));
    before.chain(pairing.only_after.iter().map(|entry| row(entry, false))).collect()
}

fn side(findings: &Findings, ah_per_day: Option<f64>, runtime_h: Option<f64>) -> ComparedCapture {
    ComparedCapture {
        file: findings.capture.file.clone(),
        start: findings.capture.start.clone(),
        duration_s: findings.capture.duration_s,
        mean_a: findings.totals.mean_a,
        zero_trusted: findings.zero.trusted,
        ah_per_day,
        runtime_h,
    }
}

/// Without its loads told apart, such a capture says nothing of a day.
fn is_brief(duration_s: f64) -> bool {
    duration_s < budget::TYPICAL_FROM_S
}

fn total_ah(rows: &[DayRow]) -> Option<f64> {
    (!rows.is_empty()).then(|| rows.iter().map(DayRow::ah_per_day).sum())
}

/// Charge saved a day.
struct Saved {
    ah: f64,
    expanded_ah: Option<f64>,
}

impl Saved {
    /// Over the loads that both sides measured, each in the hours of its own side; of captures
    /// tied by level, over everything.
    fn of([before, after]: &[Vec<DayRow>; 2], by_load: bool, gain: Gain) -> Self {
        let known = |row: &DayRow, rows: &[DayRow]| {
            !by_load || rows.iter().any(|other| same_name(&other.load, &row.load))
        };
        let kept = |rows: &[DayRow], others: &[DayRow]| -> Vec<DayRow> {
            rows.iter().filter(|row| known(row, others)).cloned().collect()
        };
        let (before, after) = (kept(before, after), kept(after, before));
        let sum = |rows: &[DayRow]| rows.iter().map(DayRow::ah_per_day).sum::<f64>();
        let doubts = [&before, &after].map(|rows| budget::doubt_of_day(rows));
        Self {
            ah: sum(&before) - sum(&after),
            expanded_ah: match doubts {
                [Some(before), Some(after)] => Some(Spread::of(&before, &after, gain).expanded()),
                _ => None,
            },
        }
    }
}

fn cautions(before: &Findings, after: &Findings, by_load: bool, pairing: &Pairing) -> Vec<Caution> {
    let mut all = Vec::new();
    if !by_load {
        all.push(Caution::new(
            "tied-by-level",
            "without an event list on both sides the levels are tied by their order and size: which \
             load changed is not told",
        ));
        if [before, after].iter().any(|findings| is_brief(findings.capture.duration_s)) {
            all.push(Caution::new(
                "hours-assumed",
                "a capture is too short to hold a day's habits: the charge a day is as if all hours \
                 were like it; compare nights, or visits with event lists",
            ));
        }
        for (findings, name) in [(before, "before"), (after, "after")] {
            if findings.zero.trusted_to_a.is_none() {
                all.push(Caution::new(
                    "no-zero",
                    format!(
                        "the capture {name} has no zero check: a shifted zero looks like a change of \
                         every level"
                    ),
                ));
            }
        }
    }
    if pairing.pairs.is_empty() {
        all.push(Caution::new(
            "nothing-in-common",
            "no load and state is on both sides: use the same names in both event lists",
        ));
    }
    for load in &pairing.grouped_otherwise {
        all.push(Caution::new(
            "grouped-otherwise",
            format!(
                "{load} was switched alone in one capture and together with others in the other: the \
                 two figures are not of the same thing and are not compared"
            ),
        ));
    }
    all
}
