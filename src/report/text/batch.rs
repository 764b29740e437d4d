//! A batch as one screen of text.

use crate::findings::{BatchFindings, Measure, PopulationRow, Standing, UnitStatus, Verdict};
use crate::numeric::{Quantity, Unit};
use crate::report::words::{self, printable};

use super::layout::Page;

/// Units named on the screen; the rest is counted and stands in the report.
const UNITS: usize = 12;

/// The batch, `width` columns wide (40 to 120): the answer, the population, the units that stand
/// out, those that were not wholly tried and those that could not be trusted.
pub fn render_batch(found: &BatchFindings, width: usize, colour: bool) -> String {
    let mut page = Page::new(width, colour);
    page.strong(&printable(&found.headline));
    if !found.population.is_empty() {
        page.heading("The batch");
        let repeated = found.population.iter().any(|row| row.repeatability_sd.is_some());
        let rows = found.population.iter().map(|row| population_row(row, repeated)).collect();
        let mut head = vec!["measure", "units", "mean", "spread", "limit", "Cpk"];
        if repeated {
            head.insert(4, "repeats");
        }
        page.table(&head, rows);
        let own = if repeated {
            "spread: standard deviation between units; repeats: of one unit"
        } else {
            "spread: standard deviation, the measurement's own share taken off where it is known"
        };
        let reach = found.outlier_reach_sd.map(words::outlier_reach).unwrap_or_default();
        page.note(&format!("Mean and spread without the outliers named; {own}. {reach}"));
    }
    standing_out(&mut page, found);
    untried(&mut page, found);
    left_out(&mut page, found);
    if !found.cautions.is_empty() {
        page.heading("Cautions");
        for caution in &found.cautions {
            page.item("·", &printable(&caution.text));
        }
    }
    page.finish()
}

fn population_row(row: &PopulationRow, repeated: bool) -> Vec<String> {
    let limit = match (row.limit_low, row.limit_high) {
        (Some(low), Some(high)) => {
            format!("{} to {}", shown(row.measure, low), shown(row.measure, high))
        }
        (Some(low), None) => format!("at least {}", shown(row.measure, low)),
        (None, Some(high)) => format!("at most {}", shown(row.measure, high)),
        (None, None) => "none".to_owned(),
    };
    let spread = row.between_unit_sd.or(row.kept_sd).map_or_else(
        || "unknown".to_owned(),
        |sd| if sd > 0.0 { shown(row.measure, sd) } else { "none seen".to_owned() },
    );
    let cpk = match (row.cpk, row.cpk_low, row.cpk_high) {
        (Some(cpk), Some(low), Some(high)) => format!("{cpk:.2} ({low:.2} to {high:.2})"),
        _ => "none".to_owned(),
    };
    let mut cells = vec![
        name(row.measure, row.load.as_deref(), row.state.as_deref()),
        row.units.to_string(),
        shown(row.measure, row.kept_mean.unwrap_or(row.mean)),
        spread,
        limit,
        cpk,
    ];
    if repeated {
        let repeats = row.repeatability_sd;
        cells.insert(4, repeats.map_or_else(|| "–".to_owned(), |sd| shown(row.measure, sd)));
    }
    cells
}

fn standing_out(page: &mut Page, found: &BatchFindings) {
    let out = Standing::all(&found.units);
    if out.is_empty() {
        return;
    }
    page.heading("Units that stand out");
    let rows = out.iter().take(UNITS).map(|of| {
        let row = of.row;
        vec![
            printable(&found.units[of.at].unit),
            name(row.measure, row.load.as_deref(), row.state.as_deref()),
            shown(row.measure, of.value()),
            row.anomaly_score.map_or_else(String::new, |z| format!("{z:+.1}")),
            why(of),
        ]
    });
    page.table(&["unit", "measure", "value", "score", "because"], rows.collect());
    page.more(out.len(), UNITS, "finding", "findings");
}

fn why(of: &Standing<'_>) -> String {
    let row = of.row;
    let part = match (of.beyond, of.captures) {
        (beyond, captures) if beyond == captures => String::new(),
        (beyond, captures) => format!(" in {beyond} of {captures} captures"),
    };
    let beyond = match row.breach() {
        Some((what, value)) => {
            format!("✗ {what} {} beyond its limit{part}", shown(row.measure, value))
        }
        None => format!("✗ beyond its limit{part}"),
    };
    match (row.verdict, row.outlier) {
        (Verdict::NonConforming, true) => format!("{beyond}, outlier"),
        (Verdict::NonConforming, false) => beyond,
        (Verdict::NoLimit, _) => "? outlier, no limit".to_owned(),
        (Verdict::Indeterminate, _) => "? outlier, too near its limit to tell".to_owned(),
        (Verdict::Conforming, _) => "? outlier, within its limit".to_owned(),
    }
}

fn untried(page: &mut Page, found: &BatchFindings) {
    let untried: Vec<(&str, &str)> = found
        .units
        .iter()
        .filter(|unit| unit.status == UnitStatus::Measured)
        .filter_map(|unit| Some((unit.unit.as_str(), unit.reason.as_deref()?)))
        .collect();
    if untried.is_empty() {
        return;
    }
    page.heading("Captures not held to every limit on sleep");
    for (unit, reason) in untried.iter().take(UNITS) {
        page.item("?", &printable(&format!("{unit}: {reason}")));
    }
    page.more(untried.len(), UNITS, "capture", "captures");
}

fn left_out(page: &mut Page, found: &BatchFindings) {
    let out: Vec<_> =
        found.units.iter().filter(|unit| unit.status != UnitStatus::Measured).collect();
    if out.is_empty() {
        return;
    }
    page.heading("Captures that do not count");
    for unit in out.iter().take(UNITS) {
        let reason = unit.reason.as_deref().unwrap_or("no reason given");
        // What could not be read names its file already.
        let named = reason.starts_with(&unit.file);
        let file = if named { String::new() } else { format!(" ({})", unit.file) };
        page.item("✗", &printable(&format!("{}{file}: {reason}", unit.unit)));
    }
    page.more(out.len(), UNITS, "capture", "captures");
}

/// A quantity of a batch in words.
pub(in super::super) fn name(measure: Measure, load: Option<&str>, state: Option<&str>) -> String {
    let what = measure.words();
    match (load, state) {
        (Some(load), Some(state)) => printable(&format!("{load}, {state}: {what}")),
        (Some(load), None) => printable(&format!("{load}: {what}")),
        _ => what.to_owned(),
    }
}

/// A value of it with its unit.
pub(in super::super) fn shown(measure: Measure, value: f64) -> String {
    match measure {
        Measure::Draw | Measure::Noise | Measure::SleepFloor => {
            Quantity::amperes(value).to_string()
        }
        Measure::TimeToSleep | Measure::WakePeriod => {
            format!("{} s", words::significant(value, 4))
        }
        Measure::WakeCharge => Quantity::new(value, Unit::AmpereHour).to_string(),
        Measure::AwakeShare => format!("{} %", words::significant(100.0 * value, 3)),
    }
}
