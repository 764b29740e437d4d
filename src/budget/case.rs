//! The battery's case: does the draw explain the complaint, and what would change it.

use super::capacity::SoundBattery;
use super::daily::{DayRow, MEASURED};
use crate::findings::{BatteryCase, Budget, WhatIf, WhatIfChange};
use crate::jobsheet::same_name;
use crate::numeric::{Lasting, bounds};

/// Share of its rating below which a lead-acid battery is to be replaced: IEEE Std 450 and 1188
/// (from memory). Down to here a battery counts as sound.
const REPLACE_BELOW: f64 = 0.8;

/// Share of the day's charge that must be measured before a battery is accused.
const MEASURED_ENOUGH: f64 = 0.9;

/// How long a sound battery lasts to the usable share: estimate, low and high, hours; with the
/// harvest counted where it is known. `None` where it never empties.
struct Expected {
    hours: f64,
    low_h: f64,
    high_h: Option<f64>,
}

fn expected(budget: &Budget, battery: &SoundBattery) -> Option<Expected> {
    let harvest_a = harvest_a(budget, battery);
    let at = |ah: f64| battery.runtime_h(ah / 24.0, harvest_a);
    let hours = at(budget.ah_per_day)?;
    let Some(u) = budget.expanded_uncertainty_ah_per_day else {
        return Some(Expected { hours, low_h: hours, high_h: Some(hours) });
    };
    Some(Expected {
        hours,
        low_h: at(budget.ah_per_day + u).unwrap_or(hours),
        high_h: at(budget.ah_per_day - u),
    })
}

fn harvest_a(budget: &Budget, battery: &SoundBattery) -> f64 {
    let harvest_ah = budget.solar.and_then(|solar| solar.harvest_ah_per_day).unwrap_or(0.0);
    harvest_ah * battery.charging_efficiency() / 24.0
}

const MEASURE_FIRST: &str = "The specified draws do not explain it: measure them, for a load may draw \
                             more than it should; if none does, the battery must be tested.";

const TOO_SHORT: &str = "That is no verdict: the capture is too short to hold a day's habits. Log a night, \
                         or a visit with an event list and hours_per_day in the job sheet, before the \
                         battery or a load is blamed.";

/// Compares the complaint with a sound battery's runtime.
///
/// With `M` the days it lasted, `N` those of a sound battery and `N_low … N_high` its bounds: the
/// draw explains it from `0.8 N` (a battery counts as sound down to 80 % of its rating) up to
/// `N_high` over the usable share (who complains has mostly drawn it deeper); below `0.8 N_low` the
/// battery must be tested (once most of the draw is measured), between `0.8 N_low` and `0.8 N` the figures do not decide.
pub(super) fn judge(budget: &Budget, battery: Option<&SoundBattery>) -> BatteryCase {
    let (Some(complaint_days), Some(battery)) = (budget.complaint_days, battery) else {
        return BatteryCase::NoComplaint;
    };
    if budget.ah_per_day <= 0.0 {
        return BatteryCase::NoComplaint;
    }
    let Some(expected) = expected(budget, battery) else {
        // The harvest outweighs the draw: a sound battery never empties.
        return accusation(budget);
    };
    let lasted_h = complaint_days * 24.0;
    if lasted_h < REPLACE_BELOW * expected.low_h {
        accusation(budget)
    } else if lasted_h < REPLACE_BELOW * expected.hours {
        BatteryCase::Undecided
    } else if expected.high_h.is_none_or(|high_h| lasted_h <= high_h / battery.usable_fraction()) {
        BatteryCase::DrawExplains
    } else {
        BatteryCase::Contradiction
    }
}

/// The battery is only accused on measured draws: data sheets do not know of a faulty load.
fn accusation(budget: &Budget) -> BatteryCase {
    let measured: f64 = budget
        .by_load
        .iter()
        .filter(|share| share.draw_source.starts_with(MEASURED))
        .map(|share| share.share)
        .sum();
    if measured < MEASURED_ENOUGH { BatteryCase::MeasureFirst } else { BatteryCase::TestBattery }
}

/// The conclusion in plain words.
///
/// `brief`: the day is a capture too short to hold its habits, with no loads told apart.
pub(super) fn in_words(budget: &Budget, battery: Option<&SoundBattery>, brief: bool) -> String {
    let Some(battery) = battery else {
        return "No battery in the job sheet: add [battery] to learn how long one would last."
            .to_owned();
    };
    if budget.ah_per_day <= 0.0 {
        return "Nothing is drawn: a battery is emptied by its self-discharge alone.".to_owned();
    }
    let with_sun = match budget.solar.and_then(|solar| solar.harvest_ah_per_day) {
        Some(harvest_ah) => format!(" with {harvest_ah:.2} Ah a day from the panel"),
        None if budget.solar.is_some() => " without sun".to_owned(),
        None => String::new(),
    };
    let Some(expected) = expected(budget, battery) else {
        let keeps_up =
            format!("The harvest outweighs the draw{with_sun}: a sound battery stays full");
        return match budget.complaint_days {
            Some(days) => format!(
                "{keeps_up}, yet it lasted {}. {} What the panel really brings is to be measured too.",
                Lasting(days * 24.0),
                match budget.case {
                    BatteryCase::MeasureFirst => MEASURE_FIRST,
                    BatteryCase::TooShort => TOO_SHORT,
                    _ => "The battery must be tested.",
                }
            ),
            None => format!("{keeps_up}."),
        };
    };
    let verb = if budget.complaint_days.is_some() { "would have lasted" } else { "lasts" };
    let bounds = match (budget.expanded_uncertainty_ah_per_day, expected.high_h) {
        (None, _) => String::new(),
        (Some(_), high_h) => bounds(expected.hours, expected.low_h, high_h),
    };
    let as_if = if brief { ", were all hours like this capture," } else { "" };
    let sound =
        format!("A sound battery {verb}{as_if} {}{bounds}{with_sun}", Lasting(expected.hours));
    let Some(days) = budget.complaint_days else { return format!("{sound} at this draw.") };
    let complaint = format!("{sound}; the complaint says {}.", Lasting(days * 24.0));
    match budget.case {
        BatteryCase::DrawExplains => {
            format!("{complaint} The draw explains it{}.", cure(budget, battery))
        }
        BatteryCase::TestBattery => format!(
            "{complaint} The draw does not explain it: the battery must be tested (capacity, \
             connections, charging)."
        ),
        BatteryCase::MeasureFirst => format!("{complaint} {MEASURE_FIRST}"),
        BatteryCase::Undecided => format!(
            "{complaint} The doubt of the draws spans it: measure the largest load better, or test \
             the battery."
        ),
        BatteryCase::TooShort => format!("{complaint} {TOO_SHORT}"),
        _ => format!(
            "{complaint} It lasted longer than a sound battery can at this draw: charge came in, or \
             a capacity or the hours a day in the job sheet are wrong."
        ),
    }
}

/// The repair that gains most, as the end of a sentence, with the same harvest.
fn cure(budget: &Budget, battery: &SoundBattery) -> String {
    let repaired = budget.what_if.iter().find(|what| what.change == WhatIfChange::Repaired);
    repaired.map_or(String::new(), |what| {
        let harvest_a = harvest_a(budget, battery);
        match battery.runtime_h(what.ah_per_day / 24.0, harvest_a) {
            Some(hours) => format!("; with the {} repaired it is {}", what.load, Lasting(hours)),
            None => format!("; with the {} repaired the panel keeps up", what.load),
        }
    })
}

/// What would change without each load, and with each repaired; most gained first.
pub(super) fn what_if(rows: &[DayRow], battery: &SoundBattery) -> Vec<WhatIf> {
    let total_ah: f64 = rows.iter().map(DayRow::ah_per_day).sum();
    let now_h = battery.runtime_h(total_ah / 24.0, 0.0);
    let mut names: Vec<&str> = Vec::new();
    for row in rows.iter().filter(|row| row.state.is_some()) {
        if !names.iter().any(|name| same_name(name, &row.load)) {
            names.push(&row.load);
        }
    }
    let mut all: Vec<WhatIf> = Vec::new();
    for name in names {
        let of_load = || rows.iter().filter(|row| same_name(&row.load, name));
        let drawn_ah: f64 = of_load().map(DayRow::ah_per_day).sum();
        let saved_ah: f64 =
            of_load().filter_map(|row| row.repaired_a.map(|a| (row.draw_a - a) * row.hours)).sum();
        for (change, less_ah) in
            [(WhatIfChange::Repaired, saved_ah), (WhatIfChange::Without, drawn_ah)]
        {
            if less_ah <= 0.0 {
                continue;
            }
            let ah_per_day = (total_ah - less_ah).max(0.0);
            let runtime_h = battery.runtime_h(ah_per_day / 24.0, 0.0);
            all.push(WhatIf {
                load: name.to_owned(),
                change,
                ah_per_day,
                runtime_h,
                runtime_gained_h: runtime_h.zip(now_h).map(|(then_h, now_h)| then_h - now_h),
            });
        }
    }
    all.sort_by(|a, b| a.ah_per_day.total_cmp(&b.ah_per_day));
    all
}
