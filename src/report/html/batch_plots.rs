//! The pictures of a batch's page: a chart a quantity, and a close look at the worst units.

use std::collections::BTreeSet;
use std::path::Path;

use crate::findings::{
    BatchFindings, MeasureRow, PopulationRow, Standing, UnitRow, UnitStatus, Verdict,
};
use crate::numeric::{Quantity, Unit};
use crate::report::figures::{self, Figure};
use crate::report::text::{measure_name, measure_shown};
use crate::report::words::{printable, tied};
use crate::report::{ReportError, Sketch};

/// Quantities with a picture on the page.
const PICTURES: usize = 12;
/// Units with a close look of their own.
const CLOSE: usize = 8;

/// The plots of a batch.
#[derive(Debug)]
pub(in crate::report) struct BatchPlots {
    pub(super) measures: Vec<(usize, Figure)>,
    /// What is told of the unit, and its picture.
    pub(super) units: Vec<(String, Figure)>,
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
pub(super) fn ordered(findings: &BatchFindings) -> Vec<usize> {
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

/// Units that stand out, each by what it does so most, the worst first.
pub(super) fn worst(findings: &BatchFindings) -> Vec<Standing<'_>> {
    let mut told: BTreeSet<&str> = BTreeSet::new();
    let all = Standing::all(&findings.units).into_iter();
    all.filter(|of| told.insert(&findings.units[of.at].unit)).collect()
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
            && !unit.measures.iter().any(MeasureRow::stands_out)
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
    for standing in worst(findings) {
        let row = standing.row;
        let Some(own) = sketch(standing.at) else { continue };
        let unit = printable(&findings.units[standing.at].unit);
        let what = measure_name(row.measure, row.load.as_deref(), row.state.as_deref());
        let mut told = format!("{what} {}", shown_with(row));
        if let Some(score) = row.anomaly_score {
            told.push_str(&format!(", score {score:+.1}"));
        }
        told.push_str(&format!("; {}", because(row)));
        if standing.captures > 1 {
            let file = Path::new(&findings.units[standing.at].file).file_name();
            let file = file.map(|file| file.to_string_lossy().into_owned()).unwrap_or_default();
            told.push_str(&format!(" ({}, of {} captures)", printable(&file), standing.captures));
        }
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

fn because(row: &MeasureRow) -> String {
    let beyond = format!("{}beyond its limit", breach(row));
    match (row.verdict, row.outlier) {
        (Verdict::NonConforming, true) => format!("{beyond} and apart from the batch"),
        (Verdict::NonConforming, false) => beyond,
        (Verdict::NoLimit, _) => "apart from the batch".to_owned(),
        (Verdict::Indeterminate, _) => {
            "apart from the batch, too near its limit to tell".to_owned()
        }
        (Verdict::Conforming, _) => "apart from the batch, within its limit".to_owned(),
    }
}

/// What is beyond the limit, before the word that it is; nothing where it is the value itself.
pub(super) fn breach(row: &MeasureRow) -> String {
    let told = |(what, value)| format!("{what} {} ", measure_shown(row.measure, value));
    row.breach().map_or_else(String::new, told)
}

pub(super) fn shown_with(row: &MeasureRow) -> String {
    match (row.si_unit.as_str(), row.expanded_uncertainty) {
        ("A", Some(expanded)) => Quantity::amperes_with(row.value, expanded).to_string(),
        ("Ah", Some(expanded)) => {
            Quantity::new_with(row.value, expanded, Unit::AmpereHour).to_string()
        }
        _ => measure_shown(row.measure, row.value),
    }
}
