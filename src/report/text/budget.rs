//! The battery's case as a terminal page.

use crate::findings::{
    Budget, BudgetFindings, BudgetShare, CAUTIONS_IN_BRIEF, SolarBalance, WhatIf, WhatIfChange,
};
use crate::numeric::{Lasting, Quantity, Unit, bounds};

use super::super::words::{self, printable};
use super::layout::Page;

/// The budget as text, `width` columns wide (40 to 120), coloured only when asked.
pub fn render_budget(findings: &BudgetFindings, width: usize, colour: bool) -> String {
    let budget = &findings.budget;
    let mut page = Page::new(width, colour);
    if let Some(site) = &findings.site {
        page.faint(&printable(site));
        page.blank();
    }
    page.strong(&printable(&budget.conclusion));
    day(&mut page, budget);
    battery(&mut page, budget);
    if let Some(solar) = &budget.solar {
        page.heading("The sun");
        page.say(&sun(solar));
    }
    if !budget.what_if.is_empty() {
        let sun = if budget.solar.is_some() { ", without sun" } else { "" };
        page.heading(&format!("What would change it{sun}"));
        budget.what_if.iter().for_each(|what| page.item("-", &what_if(what)));
    }
    if !budget.cautions.is_empty() {
        page.heading("Before you rely on this");
        budget.cautions.iter().for_each(|caution| page.item("!", &printable(&caution.text)));
    }
    page.blank();
    page.faint(CAUTIONS_IN_BRIEF);
    page.finish()
}

fn charge(ah: f64) -> String {
    Quantity::new(ah, Unit::AmpereHour).to_string()
}

fn day(page: &mut Page, budget: &Budget) {
    page.heading("What a day takes");
    let row = |share: &BudgetShare| {
        vec![
            printable(&share.load),
            share.state.as_deref().map(printable).unwrap_or_default(),
            format!("{} ({})", Quantity::amperes(share.draw_a), printable(&share.draw_source)),
            format!("{} h", words::significant(share.hours_per_day, 3)),
            charge(share.ah_per_day),
            format!("{} %", words::significant(100.0 * share.share, 2)),
        ]
    };
    page.table(
        &["load", "state", "draw", "a day", "charge", "share"],
        budget.by_load.iter().map(row).collect(),
    );
    page.say(&match budget.expanded_uncertainty_ah_per_day {
        Some(expanded_ah) => format!(
            "{} a day in all (about 95 %).",
            Quantity::new_with(budget.ah_per_day, expanded_ah, Unit::AmpereHour)
        ),
        None => format!("{} a day in all.", charge(budget.ah_per_day)),
    });
    let mut sources: Vec<&str> = Vec::new();
    for share in &budget.by_load {
        if !sources.contains(&share.hours_source.as_str()) {
            sources.push(&share.hours_source);
        }
    }
    for source in sources {
        let loads: Vec<String> = budget
            .by_load
            .iter()
            .filter(|share| share.hours_source == source)
            .map(|share| match &share.state {
                Some(state) => format!("{} {}", printable(&share.load), printable(state)),
                None => printable(&share.load),
            })
            .collect();
        page.note(&format!("Hours of {}: {}.", loads.join(", "), printable(source)));
    }
}

fn battery(page: &mut Page, budget: &Budget) {
    if budget.factors.is_empty() {
        return;
    }
    page.heading("What the battery gives");
    let rows = budget.factors.iter().map(|factor| {
        let unit = factor.unit.as_deref().map_or(String::new(), |unit| format!(" {unit}"));
        vec![
            printable(&factor.name),
            format!("{}{}", words::significant(factor.value, 4), printable(&unit)),
            printable(&factor.source),
        ]
    });
    page.table(&["factor", "value", "from"], rows.collect());
    if let (Some(usable_ah), Some(runtime_h)) = (budget.usable_capacity_ah, budget.runtime_h) {
        let bounds = budget
            .runtime_low_h
            .map_or(String::new(), |low_h| bounds(runtime_h, low_h, budget.runtime_high_h));
        page.say(&format!(
            "{} are usable, which carry the day's draw for {}{bounds} without sun.",
            charge(usable_ah),
            Lasting(runtime_h)
        ));
    }
}

fn sun(solar: &SolarBalance) -> String {
    let mut text = format!(
        "The panel must bring {} a day to keep the battery where it is",
        charge(solar.break_even_harvest_ah_per_day)
    );
    if let Some(hours) = solar.break_even_sun_hours_per_day {
        text.push_str(&format!(", about {} h of full sun", words::significant(hours, 2)));
    }
    text.push('.');
    if let (Some(harvest_ah), Some(balance_ah)) =
        (solar.harvest_ah_per_day, solar.balance_ah_per_day)
    {
        let outcome = if balance_ah < 0.0 {
            format!("{} a day are missing", charge(-balance_ah))
        } else {
            format!("{} a day are left over", charge(balance_ah))
        };
        text.push_str(&format!(" It brings {}: {outcome}", charge(harvest_ah)));
        if let Some(runtime_h) = solar.runtime_h {
            text.push_str(&format!(", and a sound battery lasts {}", Lasting(runtime_h)));
        }
        text.push('.');
    }
    text
}

fn what_if(what: &WhatIf) -> String {
    let load = printable(&what.load);
    let change = match what.change {
        WhatIfChange::Without => format!("Without the {load}"),
        WhatIfChange::Repaired => format!("With the {load} as specified"),
    };
    let mut text = format!("{change}: {} a day", charge(what.ah_per_day));
    if let Some(runtime_h) = what.runtime_h {
        text.push_str(&format!(", {} on a sound battery", Lasting(runtime_h)));
    }
    text.push('.');
    text
}
