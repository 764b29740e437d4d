//! The page of a batch: who is out, is the batch capable, is the rig or the unit to blame.

use askama::Template;

use crate::batch::{ENOUGH, RISK};
use crate::findings::{
    BatchFindings, Group, Measure, MeasureRow, PopulationRow, SAFETY, UnitRow, UnitStatus, Verdict,
};
use crate::report::ReportError;
use crate::report::figures::Figure;
use crate::report::text::{measure_name, measure_shown};
use crate::report::words::{self, printable, tied};

use super::batch_plots::{BatchPlots, breach, ordered, shown_with, worst};

/// Rows of outlier tests on the page.
const TESTS: usize = 60;
/// Above this many units only those with something to say go to paper.
const ON_PAPER: usize = 60;
/// Quantities whose column goes to paper.
const COLUMNS_ON_PAPER: usize = 5;

#[derive(Template)]
#[template(path = "batch.html")]
struct Page<'a> {
    version: &'static str,
    headline: String,
    /// How near the batch is to its limits.
    rest: Option<String>,
    facts: Vec<(&'static str, String)>,
    verdicts: Vec<String>,
    measures: Vec<&'a Figure>,
    units: Vec<&'a (String, Figure)>,
    typical: Option<String>,
    order_of_test: Option<String>,
    close_left: usize,
    spread: Vec<[String; 8]>,
    capable: Vec<[String; 8]>,
    tests: Vec<TestView>,
    tests_left: usize,
    heads: Vec<(String, &'static str)>,
    rows: Vec<RowView>,
    short_on_paper: bool,
    grouped: bool,
    reach: Option<String>,
    cautions: Vec<String>,
    safety: &'static [&'static str],
}

struct TestView {
    unit: String,
    measure: String,
    value: String,
    z: String,
    esd: String,
    critical: String,
    named: &'static str,
    verdict: String,
    class: &'static str,
}

struct RowView {
    order: usize,
    unit: String,
    told: String,
    told_class: &'static str,
    class: &'static str,
    cells: Vec<(String, &'static str, &'static str)>,
}

/// The page: one HTML file that needs nothing beside it.
pub(in crate::report) fn batch_page(
    findings: &BatchFindings,
    plots: &BatchPlots,
) -> Result<String, ReportError> {
    let order = ordered(findings);
    let population = || order.iter().map(|at| &findings.population[*at]);
    let worst = worst(findings).len();
    let (tests, tests_left) = tests(findings);
    let whole = printable(&findings.headline);
    // What stands out is the headline, the risk a paragraph beneath it.
    let risk = RISK.iter().find_map(|start| whole.find(start)).filter(|at| *at > 0);
    let page = Page {
        version: env!("CARGO_PKG_VERSION"),
        headline: tied(whole[..risk.unwrap_or(whole.len())].trim_end()),
        rest: risk.map(|at| tied(&whole[at..])),
        facts: facts(findings, worst),
        verdicts: population().filter_map(|row| verdict(findings, row)).map(|t| tied(&t)).collect(),
        measures: plots.measures.iter().map(|(_, figure)| figure).collect(),
        close_left: worst.saturating_sub(plots.units.len()),
        units: plots.units.iter().collect(),
        typical: plots.units.first().and_then(|(_, figure)| {
            figure.description.split_once(" Grey: ").map(|(_, grey)| format!("grey: {grey}"))
        }),
        order_of_test: findings.order_of_test.as_deref().map(printable),
        spread: population().map(spread).collect(),
        capable: population().map(capable).collect(),
        tests,
        tests_left,
        heads: population().enumerate().map(|(at, row)| (name(row), on_paper(at))).collect(),
        rows: findings
            .units
            .iter()
            .enumerate()
            .map(|(at, unit)| row(at, unit, population(), findings.units.len()))
            .collect(),
        short_on_paper: findings.units.len() > ON_PAPER,
        grouped: findings.population.iter().any(|row| row.two_groups.is_some()),
        reach: findings.outlier_reach_sd.map(words::outlier_reach),
        cautions: findings.cautions.iter().map(|caution| tied(&printable(&caution.text))).collect(),
        safety: &SAFETY,
    };
    page.render().map_err(|error| ReportError::Page(error.to_string()))
}

fn name(row: &PopulationRow) -> String {
    measure_name(row.measure, row.load.as_deref(), row.state.as_deref())
}

fn on_paper(column: usize) -> &'static str {
    if column < COLUMNS_ON_PAPER { "" } else { " screen" }
}

fn facts(findings: &BatchFindings, worst: usize) -> Vec<(&'static str, String)> {
    let count = |status| findings.units.iter().filter(|unit| unit.status == status).count();
    let mut names: Vec<&str> = findings.units.iter().map(|unit| unit.unit.as_str()).collect();
    names.sort_unstable();
    names.dedup();
    vec![
        ("captures", findings.units.len().to_string()),
        ("units", names.len().to_string()),
        ("measured", count(UnitStatus::Measured).to_string()),
        ("standing out", worst.to_string()),
        ("not counted", (count(UnitStatus::Doubtful) + count(UnitStatus::Unreadable)).to_string()),
    ]
}

/// The verdict on the batch by one limited quantity, with its risk.
fn verdict(findings: &BatchFindings, row: &PopulationRow) -> Option<String> {
    let at_most = row.outside_at_most?;
    let of = findings
        .units
        .iter()
        .filter(|unit| unit.status == UnitStatus::Measured)
        .flat_map(|unit| &unit.measures)
        .filter(|m| (m.measure, &m.load, &m.state) == (row.measure, &row.load, &row.state));
    let count = |verdict| of.clone().filter(|m| m.verdict == verdict).count() as u64;
    let (out, open) = (count(Verdict::NonConforming), count(Verdict::Indeterminate));
    let mut text = format!("{}, {}: ", words::capital(&name(row)), limits(row));
    text.push_str(&match out {
        0 => "no capture is beyond it".to_owned(),
        n => format!("{} beyond it", words::count(n, "capture is", "captures are")),
    });
    if open > 0 {
        text.push_str(&format!(", {open} too near to tell"));
    }
    let measured = findings.units.iter().filter(|unit| unit.status == UnitStatus::Measured);
    let without = measured.count() - of.count();
    if without > 0 {
        let captures = words::count(without as u64, "capture does", "captures do");
        text.push_str(&format!(", {captures} not show it"));
    }
    text.push_str(&if row.units < ENOUGH {
        format!(". Too few units ({}) to tell how many more would be.", row.units)
    } else {
        let share = words::percent(at_most);
        let normal = row.outside_at_most_if_normal.filter(|normal| *normal < at_most);
        let normal = normal.map_or_else(String::new, |normal| {
            let share = words::percent(normal);
            format!("; a count of {} cannot show less. If their values are normally distributed, which nothing here speaks against, the bound is {share}", row.units)
        });
        format!(". With 95 % confidence at most {share} of units made like these lie outside{normal}.")
    });
    if let (Some(cpk), Some(low), Some(high)) = (row.cpk, row.cpk_low, row.cpk_high) {
        let word = if low >= 1.33 {
            "capable"
        } else if high < 1.0 {
            "not capable"
        } else {
            "not shown to be capable"
        };
        let whose = if row.outliers.is_empty() {
            "Cpk"
        } else {
            "The outliers set aside, the others' Cpk is"
        };
        text.push_str(&format!(
            " {whose} {cpk:.2} ({low:.2} to {high:.2}, about 95 %): {word} by the usual mark of 1.33."
        ));
    }
    Some(text)
}

fn limits(row: &PopulationRow) -> String {
    let shown = |value| match row.measure {
        Measure::Draw | Measure::Noise | Measure::SleepFloor => words::set_current(value),
        _ => measure_shown(row.measure, value),
    };
    match (row.limit_low, row.limit_high) {
        (Some(low), Some(high)) => format!("{} to {}", shown(low), shown(high)),
        (Some(low), None) => format!("≥ {}", shown(low)),
        (None, Some(high)) => format!("≤ {}", shown(high)),
        (None, None) => "–".to_owned(),
    }
}

fn maybe(row: &PopulationRow, value: Option<f64>) -> String {
    value.map_or_else(|| "–".to_owned(), |value| measure_shown(row.measure, value))
}

fn spread(row: &PopulationRow) -> [String; 8] {
    [
        name(row),
        row.units.to_string(),
        measure_shown(row.measure, row.kept_mean.unwrap_or(row.mean)),
        maybe(row, row.kept_sd.or(row.sd)),
        maybe(row, row.between_unit_sd),
        maybe(row, row.repeatability_sd),
        measure_shown(row.measure, row.median),
        maybe(row, row.robust_sd),
    ]
}

fn capable(row: &PopulationRow) -> [String; 8] {
    let index = |value: Option<f64>, low: Option<f64>, high: Option<f64>| match (value, low, high) {
        (Some(value), Some(low), Some(high)) => format!("{value:.2} ({low:.2} to {high:.2})"),
        (Some(value), ..) => format!("{value:.2}"),
        _ => "–".to_owned(),
    };
    let probability = |p: Option<f64>| p.map_or_else(|| "–".to_owned(), words::probability);
    [
        name(row),
        limits(row),
        index(row.cp, row.cp_low, row.cp_high),
        index(row.cpk, row.cpk_low, row.cpk_high),
        probability(row.normality_probability),
        probability(row.order_trend_probability),
        row.two_groups.map_or_else(
            || "one".to_owned(),
            |(low, high)| {
                let shown = |value| measure_shown(row.measure, value);
                format!("two, about {} and {}", shown(low), shown(high))
            },
        ),
        match (row.outside_at_most, row.outside_at_most_if_normal) {
            (Some(share), Some(normal)) if normal < share => {
                format!("{} (normal: {})", words::percent(share), words::percent(normal))
            }
            (share, _) => share.map_or_else(|| "–".to_owned(), words::percent),
        },
    ]
}

/// Every row that either test or a limit names, both tests' figures beside each other, the
/// farthest first; and how many are left off.
fn tests(findings: &BatchFindings) -> (Vec<TestView>, usize) {
    let by_esd = |row: &MeasureRow| {
        row.esd_statistic.zip(row.esd_critical).is_some_and(|(r, critical)| r > critical)
    };
    // The usual cut of the modified z-score (Iglewicz & Hoaglin 1993).
    let by_z = |row: &MeasureRow| row.anomaly_score.is_some_and(|z| z.abs() > 3.5);
    let mut named: Vec<(&UnitRow, &MeasureRow)> = findings
        .units
        .iter()
        .filter(|unit| unit.status == UnitStatus::Measured)
        .flat_map(|unit| unit.measures.iter().map(move |row| (unit, row)))
        .filter(|(_, row)| row.stands_out() || by_esd(row) || by_z(row))
        .collect();
    let score = |row: &MeasureRow| row.anomaly_score.map_or(0.0, f64::abs);
    named.sort_by(|a, b| b.1.outlier.cmp(&a.1.outlier).then(score(b.1).total_cmp(&score(a.1))));
    let left = named.len().saturating_sub(TESTS);
    let number = |value: Option<f64>| value.map_or_else(|| "–".to_owned(), |v| format!("{v:.2}"));
    let view = |(unit, row): &(&UnitRow, &MeasureRow)| {
        let (verdict, class) = verdict_of(row);
        TestView {
            unit: printable(&unit.unit),
            measure: measure_name(row.measure, row.load.as_deref(), row.state.as_deref()),
            value: shown_with(row),
            z: row.anomaly_score.map_or_else(|| "–".to_owned(), |z| format!("{z:+.1}")),
            esd: number(row.esd_statistic),
            critical: number(row.esd_critical),
            named: match (row.outlier, by_esd(row), by_z(row)) {
                (true, ..) => "both",
                (_, true, _) => "ESD alone",
                (_, _, true) => "modified z alone",
                _ => "neither",
            },
            verdict,
            class,
        }
    };
    (named.iter().take(TESTS).map(view).collect(), left)
}

fn verdict_of(row: &MeasureRow) -> (String, &'static str) {
    let (verdict, class) = match row.verdict {
        Verdict::Conforming => ("✓ conforms".to_owned(), "good"),
        Verdict::NonConforming => (format!("✗ {}beyond limit", breach(row)), "beyond"),
        Verdict::Indeterminate => ("? undecided".to_owned(), "open"),
        Verdict::NoLimit => ("· no limit".to_owned(), "small"),
    };
    (verdict, class)
}

/// Share of the units that show a measure, from which on one without it is not wholly tested.
const SHOWN_BY: f64 = 0.9;

fn row<'a>(
    at: usize,
    unit: &UnitRow,
    population: impl Iterator<Item = &'a PopulationRow> + Clone,
    units: usize,
) -> RowView {
    let own = |row: &PopulationRow| {
        let key = (row.measure, &row.load, &row.state);
        unit.measures.iter().find(|m| (m.measure, &m.load, &m.state) == key)
    };
    let most = population.clone().map(|row| row.units).max().unwrap_or(0);
    let lacks = |row: &PopulationRow| {
        let limited = row.limit_low.is_some() || row.limit_high.is_some();
        limited && row.units as f64 >= SHOWN_BY * most as f64 && own(row).is_none()
    };
    let untried = unit.status == UnitStatus::Measured && unit.reason.is_some();
    let incomplete = untried || population.clone().any(lacks);
    let (told, told_class) = match unit.status {
        UnitStatus::Measured if unit.measures.iter().any(MeasureRow::stands_out) => {
            ("stands out".to_owned(), "beyond")
        }
        UnitStatus::Measured if untried => ("? not all of it tried".to_owned(), "open"),
        UnitStatus::Measured if incomplete => ("? not all of it shown".to_owned(), "open"),
        UnitStatus::Measured => ("✓".to_owned(), "good"),
        UnitStatus::Doubtful => ("? does not count".to_owned(), "open"),
        UnitStatus::Unreadable => ("✗ not read".to_owned(), "beyond"),
    };
    let reason = unit.reason.as_deref().map(|reason| format!(": {}", printable(reason)));
    let plain = unit.status == UnitStatus::Measured
        && !incomplete
        && !unit.measures.iter().any(MeasureRow::stands_out);
    let cells = population
        .enumerate()
        .map(|(column, row)| {
            let Some(own) = own(row) else { return (String::new(), "", on_paper(column)) };
            let mark = match own.verdict {
                Verdict::NoLimit => String::new(),
                verdict => format!(" {}", words::verdict_mark(verdict)),
            };
            let apart = if own.outlier { " apart" } else { "" };
            let breach = match breach(own).trim_end() {
                "" => String::new(),
                told => format!(" ({told})"),
            };
            let group = match own.group {
                Some(Group::Lower) => " ↓",
                Some(Group::Higher) => " ↑",
                None => "",
            };
            let class = if own.stands_out() { "beyond" } else { "" };
            let text = format!("{}{mark}{breach}{apart}{group}", shown_with(own));
            (tied(&text), class, on_paper(column))
        })
        .collect();
    RowView {
        order: at + 1,
        unit: printable(&unit.unit),
        told: format!("{told}{}", reason.unwrap_or_default()),
        told_class,
        class: if plain && units > ON_PAPER { "screen" } else { "" },
        cells,
    }
}
