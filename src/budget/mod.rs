//! Is it the battery? Ampere-hours a day, how long a sound battery carries them, and whether
//! that explains the complaint.
//!
//! # Model
//!
//! The day's charge is `Q = Σ hours × draw` over loads and states (ampere-hours). A sound battery
//! of rated capacity `C` (at `H` hours) carries the mean draw `I = Q/24` for
//!
//! ```text
//! t = C · p(I) · usable / (k_T · k_age) / (I + I_self)
//! p(I) = min(1, (C/(I·H))^(k−1))        hour-rate Peukert, t = H (C/(I·H))^k
//! ```
//!
//! with the sizing factors of temperature `k_T` and age `k_age` that the capacity is divided by
//! (IEEE Std 485) and the self-discharge as a current. `p` is held at 1 below the rated current:
//! Peukert's relation has no data there. The bounds are the runtimes at `Q ± U(Q)`.
//!
//! # Limits of validity
//!
//! Lead-acid. Peukert's relation is for a steady current: pulses much above the mean empty the
//! battery sooner. The temperature is that of the electrolyte, not of the air.

mod by_level;
mod by_load;
mod capacity;
mod case;
mod daily;
mod doubt;
mod observed;
mod solar;
mod temperature;

use crate::findings::{
    BatteryCase, Budget, BudgetFindings, BudgetShare, Caution, Findings, StateRow,
};
use crate::jobsheet::JobSheet;
use crate::numeric::Quantity;
pub(crate) use by_level::doubt_of_level;
use capacity::SoundBattery;
use daily::Day;
pub(crate) use daily::{DayRow, TYPICAL_FROM_S, each_once, group_name};
pub(crate) use doubt::Doubt;
use observed::Observed;

/// Why there is no budget.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum BudgetError {
    /// Neither the job sheet nor a capture gives a draw.
    #[error(
        "no draw is known: neither the job sheet's states (specified_a or maximum_a) nor a result \
         give one"
    )]
    NoDraw,
}

/// The `budget` part of `analyze`: `None` without a battery in the job sheet or without any draw.
///
/// O(loads + segments).
pub fn of_findings(findings: &Findings, sheet: &JobSheet) -> Option<Budget> {
    sheet.battery?;
    let day = daily::day(sheet, Some(findings));
    (!day.rows.is_empty()).then(|| budget(day, sheet))
}

/// The document of `budget`: from the job sheet alone, or with the draws that a capture showed.
///
/// Without a battery it holds the day's charge alone.
///
/// # Errors
/// When no draw is known at all.
pub fn of_sheet(
    sheet: &JobSheet,
    findings: Option<&Findings>,
) -> Result<BudgetFindings, BudgetError> {
    let day = daily::day(sheet, findings);
    if day.rows.is_empty() {
        return Err(BudgetError::NoDraw);
    }
    Ok(BudgetFindings {
        schema: "ebbmark.budget/1".to_owned(),
        site: sheet.site.name.clone().or_else(|| findings.and_then(|found| found.site.clone())),
        budget: budget(day, sheet),
    })
}

fn budget(day: Day, sheet: &JobSheet) -> Budget {
    let Day { rows, mut cautions, brief, .. } = day;
    let ah_per_day: f64 = rows.iter().map(DayRow::ah_per_day).sum();
    let expanded_ah = doubt_of_day(&rows).map(|doubt| doubt.expanded());
    let battery = sheet.battery.map(SoundBattery::new);
    let runtime_h = |ah: f64| battery.and_then(|battery| battery.runtime_h(ah / 24.0, 0.0));
    let low_high = expanded_ah.map(|u| (runtime_h(ah_per_day + u), runtime_h(ah_per_day - u)));
    let draw_a = ah_per_day / 24.0;
    let solar = solar::balance(sheet, battery.as_ref(), ah_per_day);
    let mut factors = battery.map_or_else(Vec::new, |battery| battery.factors(draw_a));
    factors.extend(solar::factors(sheet, battery.as_ref()));
    cautions.extend(battery.map_or_else(Vec::new, |battery| battery.cautions(draw_a)));
    // More than the rated capacity within an hour, all day long, is no load's habit.
    if let Some(capacity_ah) = sheet.battery.map(|battery| battery.capacity_ah)
        && draw_a > capacity_ah
    {
        cautions.push(Caution::new(
            "unit-doubtful",
            format!(
                "{} all day would empty the battery within the hour: look at the unit of the \
                 current column (--unit), and at the currents in the job sheet",
                Quantity::amperes(draw_a)
            ),
        ));
    }
    if expanded_ah.is_none() {
        cautions.push(Caution::new(
            "no-doubt",
            "the runtime has no bounds: none of the draws was measured or carries a tolerance",
        ));
    }
    let mut budget = Budget {
        ah_per_day,
        expanded_uncertainty_ah_per_day: expanded_ah,
        runtime_h: runtime_h(ah_per_day),
        runtime_low_h: low_high.and_then(|bounds| bounds.0),
        runtime_high_h: low_high.and_then(|bounds| bounds.1),
        autonomy_days: runtime_h(ah_per_day).map(|hours| hours / 24.0),
        usable_capacity_ah: battery
            .filter(|_| draw_a > 0.0)
            .map(|battery| battery.usable_ah(draw_a)),
        by_load: shares(&rows, ah_per_day),
        factors,
        solar,
        complaint_days: sheet.complaint.map(|complaint| complaint.lasted_days),
        case: BatteryCase::NoComplaint,
        conclusion: String::new(),
        what_if: battery.map_or_else(Vec::new, |battery| case::what_if(&rows, &battery)),
        cautions,
    };
    budget.case = match case::judge(&budget, battery.as_ref()) {
        case if brief && case != BatteryCase::NoComplaint => BatteryCase::TooShort,
        case => case,
    };
    budget.conclusion = case::in_words(&budget, battery.as_ref(), brief);
    budget
}

/// The lines of one capture's day.
pub(crate) fn day_rows(sheet: &JobSheet, findings: &Findings) -> Vec<DayRow> {
    daily::day(sheet, Some(findings)).rows
}

/// Levels of the capture, zero checks and hours of sun left out: index in its states and mean
/// current in ampere, lowest first.
pub(crate) fn levels(findings: &Findings) -> Vec<(usize, f64)> {
    let observed = Observed::of(findings);
    let level = |state: &StateRow| {
        let (time_s, charge_c) = observed.level(state.id);
        (time_s > 0.0).then(|| (state.id, charge_c / time_s))
    };
    findings.states.iter().filter_map(level).collect()
}

/// Hours that the job sheet's battery, sound, carries so much a day without sun.
pub(crate) fn runtime_h(sheet: &JobSheet, ah_per_day: f64) -> Option<f64> {
    SoundBattery::new(sheet.battery?).runtime_h(ah_per_day / 24.0, 0.0)
}

/// The doubt of the day's charge, ampere-hours; `None` when no draw carries any.
pub(crate) fn doubt_of_day(rows: &[DayRow]) -> Option<Doubt> {
    let mut day = Doubt::default();
    let mut any = false;
    for (row, doubt) in rows.iter().filter_map(|row| row.doubt.as_ref().map(|doubt| (row, doubt))) {
        any |= row.hours > 0.0;
        day.add(row.hours, doubt);
    }
    any.then_some(day)
}

fn shares(rows: &[DayRow], ah_per_day: f64) -> Vec<BudgetShare> {
    let mut shares: Vec<BudgetShare> = rows
        .iter()
        .map(|row| BudgetShare {
            load: row.load.clone(),
            state: row.state.clone(),
            draw_a: row.draw_a,
            hours_per_day: row.hours,
            draw_source: row.draw_source.clone(),
            hours_source: row.hours_source.clone(),
            ah_per_day: row.ah_per_day(),
            standard_uncertainty_ah_per_day: row
                .doubt
                .as_ref()
                .map(|doubt| doubt.combined() * row.hours),
            share: if ah_per_day > 0.0 { row.ah_per_day() / ah_per_day } else { 0.0 },
        })
        .collect();
    shares.sort_by(|a, b| b.ah_per_day.total_cmp(&a.ah_per_day));
    shares
}
