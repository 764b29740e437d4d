//! The batch's answer in one or two sentences.

use crate::findings::{Measure, MeasureRow, PopulationRow, UnitRow, UnitStatus, Verdict};
use crate::numeric::{Quantity, Unit};

use super::population::si_unit;

/// Units named in the headline before it says "and more".
const NAMED: usize = 6;

/// What stands out, and how near the batch is to its limits.
pub(super) fn headline(units: &[UnitRow], population: &[PopulationRow]) -> String {
    let measured = units.iter().filter(|unit| unit.status == UnitStatus::Measured).count();
    let mut out: Vec<String> = Vec::new();
    for unit in units {
        let worst = unit
            .measures
            .iter()
            .filter(|row| row.outlier || row.verdict == Verdict::NonConforming)
            .max_by(|a, b| score(a).total_cmp(&score(b)));
        if let Some(row) = worst {
            let name = name_of(row.measure, row.load.as_deref(), row.state.as_deref());
            let text = format!("{} ({name} {})", unit.unit, shown(row.measure, row.value));
            if !out.contains(&text) {
                out.push(text);
            }
        }
    }
    let found = match out.len() {
        0 => format!("{measured} of {} captures measured; no unit stands out.", units.len()),
        n => {
            let more = if n > NAMED { ", and more" } else { "" };
            format!(
                "{measured} of {} captures measured; {n} stand{} out: {}{more}.",
                units.len(),
                if n == 1 { "s" } else { "" },
                out[..n.min(NAMED)].join(", "),
            )
        }
    };
    let risk = population
        .iter()
        .filter_map(|row| row.outside_at_most.map(|share| (share, row)))
        .min_by(|a, b| margin(a.1).total_cmp(&margin(b.1)).then(b.0.total_cmp(&a.0)));
    match risk {
        Some((share, row)) => {
            let quoted = match (row.cpk, row.cpk_low, row.cpk_high) {
                (Some(cpk), Some(low), Some(high)) => {
                    format!(" (Cpk {cpk:.2}, {low:.2} to {high:.2})")
                }
                _ => String::new(),
            };
            let (limits, them) = match (row.limit_low, row.limit_high) {
                (Some(_), Some(_)) => ("limits", "them"),
                _ => ("limit", "it"),
            };
            format!(
                "{found} Nearest to its {limits} is the {}: with 95 % confidence at most {} of such units lie outside {them}{quoted}.",
                name_of(row.measure, row.load.as_deref(), row.state.as_deref()),
                percent(share),
            )
        }
        None => found,
    }
}

/// Distance of the middle unit from the nearer limit, in robust standard deviations: what the bound
/// on the share outside would also tell, were it not coarse where values are not normal.
fn margin(row: &PopulationRow) -> f64 {
    let above = row.limit_high.map(|high| high - row.median);
    let below = row.limit_low.map(|low| row.median - low);
    let nearer = above.into_iter().chain(below).fold(f64::INFINITY, f64::min);
    match row.robust_sd.or(row.sd) {
        Some(sd) if sd > 0.0 => nearer / sd,
        _ if nearer < 0.0 => f64::NEG_INFINITY,
        _ => f64::INFINITY,
    }
}

fn score(row: &MeasureRow) -> f64 {
    row.anomaly_score.map_or(0.0, f64::abs)
}

fn percent(share: f64) -> String {
    if share >= 0.0995 {
        format!("{:.0} %", 100.0 * share)
    } else if share >= 0.001 {
        format!("{:.1} %", 100.0 * share)
    } else if share >= 0.95e-6 {
        format!("{:.0} in a million", 1e6 * share)
    } else {
        "one in a million".to_owned()
    }
}

/// A quantity of a batch in words.
pub(super) fn name_of(measure: Measure, load: Option<&str>, state: Option<&str>) -> String {
    let what = measure.words();
    match (load, state) {
        (Some(load), Some(state)) => format!("{what} of {load} ({state})"),
        (Some(load), None) => format!("{what} of {load}"),
        _ => what.to_owned(),
    }
}

/// A value of it with its unit.
pub(super) fn shown(measure: Measure, value: f64) -> String {
    match si_unit(measure) {
        "s" => format!("{value:.3} s"),
        "Ah" => Quantity::new(value, Unit::AmpereHour).to_string(),
        _ => Quantity::amperes(value).to_string(),
    }
}
