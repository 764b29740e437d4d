//! Terminal text: one screen that says what the HTML page says.

mod batch;
mod budget;
mod compare;
mod inspect;
mod layout;
mod scale;

pub use batch::render_batch;
pub(super) use batch::{name as measure_name, shown as measure_shown};
pub use budget::render_budget;
pub(super) use compare::in_words as change_in_words;
pub use compare::render_compare;
pub use inspect::render_inspect;
pub use scale::render_scale;

use crate::findings::{CAUTIONS_IN_BRIEF, Findings, LoadRow, Verdict};
use crate::numeric::{Quantity, Unit};

use super::words::{self, Clock, printable};
use layout::Page;

/// Rows of any one list on the screen; the rest is counted and stands in the report.
const ROWS: usize = 4;

/// The findings as one screen of text, `width` columns wide (40 to 120).
///
/// Lines end in `\n` and carry escape codes only when `colour` is set. Text from input files is
/// shown with its control characters escaped.
pub fn render(findings: &Findings, width: usize, colour: bool) -> String {
    let clock = Clock::of(&findings.capture);
    let mut page = Page::new(width, colour);
    page.faint(&place(findings, &clock));
    page.blank();
    page.strong(&printable(&findings.headline));
    if findings.loads.is_empty() {
        levels(&mut page, findings);
    } else {
        loads(&mut page, findings);
    }
    told(&mut page, findings);
    unexplained(&mut page, findings, &clock);
    advice(&mut page, findings);
    cautions(&mut page, findings);
    page.finish()
}

fn place(findings: &Findings, clock: &Clock) -> String {
    let capture = &findings.capture;
    let mut parts = Vec::new();
    parts.extend(findings.site.as_deref().map(printable));
    parts.push(printable(&capture.file));
    parts.extend(clock.start_in_full());
    let long = words::duration(capture.duration_s);
    parts.push(match capture.sampling_interval_s {
        Some(interval_s) if interval_s > 0.0 => format!("{long}, {}", words::rate(interval_s)),
        _ => long,
    });
    parts.extend(findings.supply_voltage_v.map(|v| format!("{} V", words::significant(v, 4))));
    parts.join(" · ")
}

fn loads(page: &mut Page, findings: &Findings) {
    page.heading("Draw of each load against its limit");
    // Loads without a limit are told last, and only a few of them.
    let limited = ordered(&findings.loads).filter(|load| load.verdict != Verdict::NoLimit);
    let free = ordered(&findings.loads).filter(|load| load.verdict == Verdict::NoLimit);
    let shown: Vec<_> = limited.chain(free.take(ROWS)).collect();
    let left = findings.loads.len() - shown.len();
    let rows = shown.into_iter().map(|load| {
        let mut name = printable(&load.load);
        if !load.separable {
            name.push_str(" *");
        }
        vec![
            name,
            printable(&load.state),
            Quantity::amperes_with(load.draw_a, load.expanded_uncertainty_a).to_string(),
            words::limits(load),
            format!("{} {}", words::verdict_mark(load.verdict), words::verdict_words(load)),
        ]
    });
    page.table(&["load", "state", "draw, about 95 %", "limit", "verdict"], rows.collect());
    page.more(left, 0, "load or state without a limit", "loads or states without a limit");
    for load in findings.loads.iter().filter(|load| !load.separable) {
        let others: Vec<_> = load.inseparable_from.iter().map(|name| printable(name)).collect();
        page.note(&format!(
            "* {} was always switched together with {}: the figure is their sum.",
            printable(&load.load),
            others.join(", ")
        ));
    }
}

/// Loads as a reader wants them: what does not conform first, the rest in order of appearance.
pub(crate) fn ordered(loads: &[LoadRow]) -> impl Iterator<Item = &LoadRow> {
    let rank = |verdict| match verdict {
        Verdict::NonConforming => 0,
        Verdict::Indeterminate => 1,
        Verdict::Conforming => 2,
        Verdict::NoLimit => 3,
    };
    let mut rows: Vec<_> = loads.iter().collect();
    rows.sort_by_key(|load| rank(load.verdict));
    rows.into_iter()
}

fn levels(page: &mut Page, findings: &Findings) {
    if findings.states.is_empty() {
        return;
    }
    page.heading("Levels that the capture visits");
    let rows = findings.states.iter().take(2 * ROWS).map(|state| {
        vec![
            words::level(state.mean_a, findings.capture.resolution_a),
            words::duration(state.time_s),
            words::percent(state.share_of_time),
            Quantity::new(state.charge_ah, Unit::AmpereHour).to_string(),
        ]
    });
    page.table(&["level", "time", "share of time", "charge"], rows.collect());
    page.more(findings.states.len(), 2 * ROWS, "level", "levels");
}

/// Meter, charge and battery, a short paragraph each.
fn told(page: &mut Page, findings: &Findings) {
    page.blank();
    page.told("Meter", &printable(&findings.zero.answer));
    let totals = &findings.totals;
    let (charge, mean_a, removed) = super::drawn(findings);
    let mut text = format!(
        "{charge} in {}, {} on average{removed} (lowest reading {}, highest {}).",
        words::duration(findings.capture.duration_s),
        Quantity::amperes(mean_a),
        Quantity::amperes(totals.minimum_a),
        Quantity::amperes(totals.maximum_a),
    );
    if let Some(wakes) = findings.wakes.as_ref().filter(|_| findings.sleep.is_none()) {
        text.push_str(&format!(" {}.", super::wakes_in_words(wakes, None)));
    }
    page.told("Charge", &text);
    let slept = super::sleep_in_words(findings, &Clock::of(&findings.capture));
    if !slept.is_empty() {
        page.told("Sleep", &slept.join(" "));
    }
    if let Some(budget) = &findings.budget {
        let day = super::budget_in_words(budget);
        page.told("Battery", &format!("{} {day}", printable(&budget.conclusion)));
    }
}

fn unexplained(page: &mut Page, findings: &Findings, clock: &Clock) {
    page.heading("Not explained");
    let lines = super::unexplained_in_words(findings, clock);
    for line in lines.iter().take(ROWS) {
        page.item("-", line);
    }
    page.more(lines.len(), ROWS, "point", "points");
}

fn advice(page: &mut Page, findings: &Findings) {
    if findings.advice.is_empty() {
        return;
    }
    page.heading("Measure next");
    // The reasons stand in the report.
    for (i, advice) in findings.advice.iter().take(3).enumerate() {
        page.item(&format!("{}.", i + 1), &printable(&advice.what));
    }
    page.more(findings.advice.len(), 3, "measurement", "measurements");
}

fn cautions(page: &mut Page, findings: &Findings) {
    if !findings.cautions.is_empty() {
        page.heading("Before you rely on this");
        for caution in findings.cautions.iter().take(ROWS) {
            page.item("!", &printable(&caution.text));
        }
        page.more(findings.cautions.len(), ROWS, "caution", "cautions");
    }
    page.blank();
    page.faint(CAUTIONS_IN_BRIEF);
}
