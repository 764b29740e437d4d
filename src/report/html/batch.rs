//! The page of a batch: who is out, is the batch capable, is the rig or the unit to blame.

use askama::Template;

use crate::findings::{
    BatchFindings, Measure, MeasureRow, PopulationRow, SAFETY, UnitRow, UnitStatus, Verdict,
};
use crate::numeric::{Quantity, Unit};
use crate::report::figures::{self, Figure};
use crate::report::text::{measure_name, measure_shown};
use crate::report::words::{self, printable, tied};
use crate::report::{ReportError, Sketch};

/// Quantities with a picture on the page.
const PICTURES: usize = 12;
/// Units with a close look of their own.
const CLOSE: usize = 8;
/// Rows of outlier tests on the page.
const TESTS: usize = 60;
/// Above this many units only those with something to say go to paper.
const ON_PAPER: usize = 60;
/// Quantities whose column goes to paper.
const COLUMNS_ON_PAPER: usize = 5;

/// The plots of a batch.
#[derive(Debug)]
pub(in crate::report) struct BatchPlots {
    measures: Vec<(usize, Figure)>,
    units: Vec<(String, Figure)>,
}

impl BatchPlots {
    /// A chart a quantity, and a close look at each of the worst units.
    pub(in crate::report) fn draw(
        findings: &BatchFindings,
        sketches: &[Option<Sketch>],
    ) -> Result<Self, ReportError> {
        let mut measures = Vec::new();
        for at in ordered(findings).into_iter().take(PICTURES) {
            let number = measures.len() + 1;
            if let Some(figure) = figures::units(findings, &findings.population[at], number)? {
                measures.push((at, figure));
            }
        }
        Ok(Self { measures, units: close(findings, sketches)? })
    }

    /// Every plot.
    pub(in crate::report) fn all(&self) -> impl Iterator<Item = &Figure> {
        let measures = self.measures.iter().map(|(_, figure)| figure);
        measures.chain(self.units.iter().map(|(_, figure)| figure))
    }
}

/// Places of the quantities in the order a reader wants them: those with a limit or with units
/// that stand apart first.
fn ordered(findings: &BatchFindings) -> Vec<usize> {
    let rank = |row: &PopulationRow| {
        let limited = row.limit_low.is_some() || row.limit_high.is_some();
        match (limited, row.outliers.is_empty()) {
            (true, _) => 0,
            (false, false) => 1,
            (false, true) => 2,
        }
    };
    let mut places: Vec<usize> = (0..findings.population.len()).collect();
    places.sort_by_key(|at| {
        let row = &findings.population[*at];
        (rank(row), std::cmp::Reverse(row.units))
    });
    places
}

fn stands_out(row: &MeasureRow) -> bool {
    row.outlier || row.verdict == Verdict::NonConforming
}

/// Places of units and of the measure that each stands out by, the farthest first.
fn worst(findings: &BatchFindings) -> Vec<(usize, &MeasureRow)> {
    let score = |row: &MeasureRow| row.anomaly_score.map_or(0.0, f64::abs);
    let mut worst: Vec<(usize, &MeasureRow)> = findings
        .units
        .iter()
        .enumerate()
        .filter_map(|(at, unit)| {
            let out = unit.measures.iter().filter(|row| stands_out(row));
            Some((at, out.max_by(|a, b| score(a).total_cmp(&score(b)))?))
        })
        .collect();
    worst.sort_by(|a, b| b.1.outlier.cmp(&a.1.outlier).then(score(b.1).total_cmp(&score(a.1))));
    worst
}

/// The measured unit that least speaks against.
fn typical(findings: &BatchFindings, sketches: &[Option<Sketch>]) -> Option<usize> {
    let farthest = |unit: &UnitRow| {
        let scores = unit.measures.iter().filter_map(|row| row.anomaly_score);
        scores.map(f64::abs).fold(0.0, f64::max)
    };
    let quiet = |at: &usize| {
        let unit = &findings.units[*at];
        unit.status == UnitStatus::Measured
            && !unit.measures.iter().any(stands_out)
            && sketches.get(*at).is_some_and(Option::is_some)
    };
    // The one with most quantities first: a unit that never woke is typical of nothing.
    let rows = |at: usize| std::cmp::Reverse(findings.units[at].measures.len());
    (0..findings.units.len()).filter(quiet).min_by(|a, b| {
        let far = |at: usize| farthest(&findings.units[at]);
        rows(*a).cmp(&rows(*b)).then(far(*a).total_cmp(&far(*b)))
    })
}

fn close(
    findings: &BatchFindings,
    sketches: &[Option<Sketch>],
) -> Result<Vec<(String, Figure)>, ReportError> {
    let sketch = |at: usize| sketches.get(at).and_then(Option::as_ref);
    let typical = typical(findings, sketches);
    let mut drawn = Vec::new();
    for (at, row) in worst(findings) {
        let Some(own) = sketch(at) else { continue };
        let unit = printable(&findings.units[at].unit);
        let what = measure_name(row.measure, row.load.as_deref(), row.state.as_deref());
        let mut told = format!("{what} {}", shown_with(row));
        if let Some(score) = row.anomaly_score {
            told.push_str(&format!(", score {score:+.1}"));
        }
        told.push_str(&format!("; {}", because(row)));
        let name = format!("unit-{:02}", drawn.len() + 1);
        let over = typical.map_or(String::new(), |at| {
            format!(" Grey: {}, which nothing speaks against.", printable(&findings.units[at].unit))
        });
        let words = (unit, format!("{}.{over}", tied(&told)));
        drawn.push((
            tied(&told),
            figures::unit_zoom(name, words, row, own, typical.and_then(sketch))?,
        ));
        if drawn.len() == CLOSE {
            break;
        }
    }
    Ok(drawn)
}

fn because(row: &MeasureRow) -> &'static str {
    match (row.verdict == Verdict::NonConforming, row.outlier) {
        (true, true) => "beyond its limit and apart from the batch",
        (true, false) => "beyond its limit",
        _ => "apart from the batch, within its limit",
    }
}

fn shown_with(row: &MeasureRow) -> String {
    match (row.si_unit.as_str(), row.expanded_uncertainty) {
        ("A", Some(expanded)) => Quantity::amperes_with(row.value, expanded).to_string(),
        ("Ah", Some(expanded)) => {
            Quantity::new_with(row.value, expanded, Unit::AmpereHour).to_string()
        }
        _ => measure_shown(row.measure, row.value),
    }
}

#[derive(Template)]
#[template(path = "batch.html")]
struct Page<'a> {
    version: &'static str,
    headline: String,
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
    verdict: &'static str,
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
    let page = Page {
        version: env!("CARGO_PKG_VERSION"),
        headline: tied(&printable(&findings.headline)),
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
    text.push_str(&format!(
        ". With 95 % confidence at most {} of units made like these lie outside.",
        if at_most < 1e-3 { "less than 0.1 %".to_owned() } else { words::percent(at_most) }
    ));
    if let (Some(cpk), Some(low), Some(high)) = (row.cpk, row.cpk_low, row.cpk_high) {
        let word = if low >= 1.33 {
            "capable"
        } else if high < 1.0 {
            "not capable"
        } else {
            "not shown to be capable"
        };
        text.push_str(&format!(
            " Cpk {cpk:.2} ({low:.2} to {high:.2}, about 95 %): {word} by the usual mark of 1.33, \
             outliers set aside."
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
        measure_shown(row.measure, row.mean),
        maybe(row, row.sd),
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
        row.outside_at_most.map_or_else(|| "–".to_owned(), words::percent),
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
        .filter(|(_, row)| stands_out(row) || by_esd(row) || by_z(row))
        .collect();
    let score = |row: &MeasureRow| row.anomaly_score.map_or(0.0, f64::abs);
    named.sort_by(|a, b| b.1.outlier.cmp(&a.1.outlier).then(score(b.1).total_cmp(&score(a.1))));
    let left = named.len().saturating_sub(TESTS);
    let number = |value: Option<f64>| value.map_or_else(|| "–".to_owned(), |v| format!("{v:.2}"));
    let view = |(unit, row): &(&UnitRow, &MeasureRow)| {
        let (verdict, class) = verdict_of(row.verdict);
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

fn verdict_of(verdict: Verdict) -> (&'static str, &'static str) {
    match verdict {
        Verdict::Conforming => ("✓ conforms", "good"),
        Verdict::NonConforming => ("✗ beyond limit", "beyond"),
        Verdict::Indeterminate => ("? undecided", "open"),
        Verdict::NoLimit => ("· no limit", "small"),
    }
}

fn row<'a>(
    at: usize,
    unit: &UnitRow,
    population: impl Iterator<Item = &'a PopulationRow>,
    units: usize,
) -> RowView {
    let (told, told_class) = match unit.status {
        UnitStatus::Measured if unit.measures.iter().any(stands_out) => {
            ("stands out".to_owned(), "beyond")
        }
        UnitStatus::Measured => ("✓".to_owned(), "good"),
        UnitStatus::Doubtful => ("? does not count".to_owned(), "open"),
        UnitStatus::Unreadable => ("✗ not read".to_owned(), "beyond"),
    };
    let reason = unit.reason.as_deref().map(|reason| format!(": {}", printable(reason)));
    let plain = unit.status == UnitStatus::Measured && !unit.measures.iter().any(stands_out);
    let cells = population
        .enumerate()
        .map(|(column, row)| {
            let own = unit
                .measures
                .iter()
                .find(|m| (m.measure, &m.load, &m.state) == (row.measure, &row.load, &row.state));
            let Some(own) = own else { return (String::new(), "", on_paper(column)) };
            let mark = match own.verdict {
                Verdict::NoLimit => String::new(),
                verdict => format!(" {}", words::verdict_mark(verdict)),
            };
            let apart = if own.outlier { " apart" } else { "" };
            let class = if stands_out(own) { "beyond" } else { "" };
            (tied(&format!("{}{mark}{apart}", shown_with(own))), class, on_paper(column))
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
