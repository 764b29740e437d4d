//! The battery's budget in the words of the page.

use crate::findings::{Budget, BudgetShare, WhatIf, WhatIfChange};
use crate::numeric::{Lasting, Quantity, Unit};
use crate::report::words::{self, printable, tied};

/// Suppositions that the page tells; the tables have them all.
const MOST: usize = 4;

/// The budget as the page shows it.
pub(super) struct BatteryView {
    pub(super) conclusion: String,
    pub(super) day: String,
    pub(super) shares: Vec<ShareView>,
    pub(super) what_if: Vec<String>,
    pub(super) factors: Vec<(String, String, String)>,
}

/// A load's share as the page shows it.
pub(super) struct ShareView {
    pub(super) load: String,
    pub(super) state: String,
    pub(super) draw: String,
    pub(super) hours: String,
    pub(super) charge: String,
    pub(super) share: String,
}

fn charge(ah: f64) -> String {
    Quantity::new(ah, Unit::AmpereHour).to_string()
}

impl BatteryView {
    pub(super) fn of(budget: &Budget) -> Self {
        Self {
            conclusion: tied(&printable(&budget.conclusion)),
            day: tied(&crate::report::budget_in_words(budget)),
            shares: budget.by_load.iter().map(share).collect(),
            what_if: budget.what_if.iter().take(MOST).map(what_if).collect(),
            factors: budget
                .factors
                .iter()
                .map(|factor| {
                    let unit =
                        factor.unit.as_deref().map_or(String::new(), |unit| format!(" {unit}"));
                    let value =
                        format!("{}{}", words::significant(factor.value, 4), printable(&unit));
                    (printable(&factor.name), value, printable(&factor.source))
                })
                .collect(),
        }
    }
}

fn share(share: &BudgetShare) -> ShareView {
    ShareView {
        load: printable(&share.load),
        state: share.state.as_deref().map(printable).unwrap_or_default(),
        draw: Quantity::amperes(share.draw_a).to_string(),
        hours: words::significant(share.hours_per_day, 3),
        charge: charge(share.ah_per_day),
        share: words::percent(share.share),
    }
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
    if let Some(gained_h) = what.runtime_gained_h.filter(|gained_h| *gained_h > 0.0) {
        text.push_str(&format!(" ({} more)", Lasting(gained_h)));
    }
    text.push('.');
    tied(&text)
}
