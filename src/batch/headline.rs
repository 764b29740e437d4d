//! The batch's answer in one or two sentences.

use std::collections::BTreeSet;

use crate::findings::{Measure, MeasureRow, PopulationRow, UnitRow, UnitStatus, Verdict};
use crate::numeric::{Quantity, Unit, significant};

use super::population::si_unit;

/// Units named in the headline before it says "and more".
const NAMED: usize = 6;
/// Units that a statement about the batch needs: of four, none of them outside, nearly half of all
/// units might be (Clopper and Pearson).
pub(crate) const ENOUGH: u64 = 5;

/// What stands out, and how near the batch is to its limits.
pub(super) fn headline(units: &[UnitRow], population: &[PopulationRow]) -> String {
    let measured = units.iter().filter(|unit| unit.status == UnitStatus::Measured).count();
    let mut out: Vec<String> = Vec::new();
    for unit in units.iter().filter(|unit| unit.status == UnitStatus::Measured) {
        if let Some(row) = unit.worst() {
            let name = name_of(row.measure, row.load.as_deref(), row.state.as_deref());
            let (name, value) = match row.breach() {
                Some((what, value)) if !row.outlier => (what.to_owned(), value),
                _ => (name, row.value),
            };
            let beyond = match row.verdict {
                Verdict::NonConforming => ", beyond its limit",
                _ => "",
            };
            let text = format!("{} ({name} {}{beyond})", unit.unit, shown(row.measure, value));
            if !out.contains(&text) {
                out.push(text);
            }
        }
    }
    let found = match out.len() {
        0 => format!("{measured} of {} captures measured; no unit stands out", units.len()),
        n => format!(
            "{measured} of {} captures measured; {n} stand{} out: {}",
            units.len(),
            if n == 1 { "s" } else { "" },
            named(&out),
        ),
    };
    let untried = untried(units);
    let found = match untried.len() {
        0 => format!("{found}."),
        n => {
            let which = match (out.is_empty(), n) {
                (true, _) => format!(", but {n} of them"),
                (false, 1) => ". 1 capture".to_owned(),
                (false, _) => format!(". {n} captures"),
            };
            let names = named(&untried);
            format!("{found}{which} could not be held to every limit on sleep: {names}.")
        }
    };
    let whole = population.iter().map(|row| row.units).max().unwrap_or(0);
    let limited = population.iter().any(|row| row.outside_at_most.is_some());
    if limited && whole < ENOUGH {
        return format!(
            "{found} With {whole} unit{} nothing can be said of the batch as a whole.",
            if whole == 1 { "" } else { "s" }
        );
    }
    let risk = population
        .iter()
        .filter(|row| row.units >= ENOUGH)
        .filter_map(|row| row.outside_at_most.map(|share| (share, row)))
        .min_by(|(a_share, a), (b_share, b)| {
            let nearest = |row: &PopulationRow| nearest(row, units);
            nearest(a)
                .total_cmp(&nearest(b))
                .then(b_share.total_cmp(a_share))
                .then(margin(a, a.median).total_cmp(&margin(b, b.median)))
        });
    match risk {
        Some((share, row)) => {
            let quoted = match (row.cpk, row.cpk_low, row.cpk_high) {
                (Some(cpk), Some(low), Some(high)) => {
                    let aside = if row.outliers.is_empty() { "" } else { ", outliers set aside" };
                    format!(" (Cpk {cpk:.2}, {low:.2} to {high:.2}{aside})")
                }
                _ => String::new(),
            };
            let (limits, them) = match (row.limit_low, row.limit_high) {
                (Some(_), Some(_)) => ("limits", "them"),
                _ => ("limit", "it"),
            };
            let beyond = of_verdict(units, row, Verdict::NonConforming);
            let count = match beyond.len() {
                0 => format!("none of {} units is beyond {them}", row.units),
                1 => format!("1 of {} units is beyond {them}", row.units),
                n => format!("{n} of {} units are beyond {them}", row.units),
            };
            let near = of_verdict(units, row, Verdict::Indeterminate);
            let near = match near.difference(&beyond).count() {
                0 => String::new(),
                n => format!(", {n} too near to tell"),
            };
            let normal = match row.outside_at_most_if_normal.filter(|normal| *normal < share) {
                Some(normal) => format!(
                    ", going by their count; at most {} if their values are normally distributed, which nothing here speaks against",
                    percent(normal)
                ),
                None => String::new(),
            };
            format!(
                "{found} Nearest to its {limits} is the {}: {count}{near}. With 95 % confidence at most {} of such units lie outside{normal}{quoted}.",
                name_of(row.measure, row.load.as_deref(), row.state.as_deref()),
                percent(share),
            )
        }
        None => found,
    }
}

/// The first few names.
fn named(names: &[String]) -> String {
    let more = if names.len() > NAMED { ", and more" } else { "" };
    format!("{}{more}", names[..names.len().min(NAMED)].join(", "))
}

/// Captures that count and have a reason why a limit on sleep was not tried.
fn untried(units: &[UnitRow]) -> Vec<String> {
    let counting = units.iter().filter(|unit| unit.status == UnitStatus::Measured);
    counting.filter(|unit| unit.reason.is_some()).map(|unit| unit.unit.clone()).collect()
}

/// What the units that count show of this quantity.
fn shown_of<'a>(
    units: &'a [UnitRow],
    row: &'a PopulationRow,
) -> impl Iterator<Item = (&'a UnitRow, &'a MeasureRow)> {
    let counting = units.iter().filter(|unit| unit.status == UnitStatus::Measured);
    counting
        .flat_map(|unit| unit.measures.iter().map(move |measure| (unit, measure)))
        .filter(|(_, m)| (m.measure, &m.load, &m.state) == (row.measure, &row.load, &row.state))
}

/// Units of which a capture has this verdict by this quantity.
fn of_verdict<'a>(
    units: &'a [UnitRow],
    row: &'a PopulationRow,
    verdict: Verdict,
) -> BTreeSet<&'a str> {
    shown_of(units, row)
        .filter(|(_, measure)| measure.verdict == verdict)
        .map(|(unit, _)| unit.unit.as_str())
        .collect()
}

/// Margin of the middle unit or of the worst: what the bound on the share outside would also tell,
/// were it not coarse where values are not normal. How far a single unit is beyond its limit says
/// nothing of the batch.
fn nearest(row: &PopulationRow, units: &[UnitRow]) -> f64 {
    let worst = shown_of(units, row).map(|(_, measure)| margin(row, measure.value));
    margin(row, row.median).min(worst.fold(f64::INFINITY, f64::min).max(0.0))
}

/// Distance of a value from the nearer limit, in robust standard deviations.
fn margin(row: &PopulationRow, value: f64) -> f64 {
    let above = row.limit_high.map(|high| high - value);
    let below = row.limit_low.map(|low| value - low);
    let nearer = above.into_iter().chain(below).fold(f64::INFINITY, f64::min);
    match row.robust_sd.or(row.sd) {
        Some(sd) if sd > 0.0 => nearer / sd,
        _ if nearer < 0.0 => f64::NEG_INFINITY,
        _ => f64::INFINITY,
    }
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
        "s" => format!("{} s", significant(value, 4)),
        "1" => format!("{} %", significant(100.0 * value, 3)),
        "Ah" => Quantity::new(value, Unit::AmpereHour).to_string(),
        _ => Quantity::amperes(value).to_string(),
    }
}
