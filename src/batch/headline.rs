//! The batch's answer in one or two sentences.

use std::collections::BTreeSet;

use crate::findings::{Measure, MeasureRow, PopulationRow, Standing, UnitRow, UnitStatus, Verdict};
use crate::numeric::{Quantity, Unit, significant};

use super::population::{outside_at_least, si_unit};

/// Units named in the headline before it says "and more".
const NAMED: usize = 6;
/// Units that a statement about the batch needs: of four, none of them outside, nearly half of all
/// units might be (Clopper and Pearson).
pub(crate) const ENOUGH: u64 = 5;

/// What the sentences on the risk begin with.
pub(crate) const RISK: [&str; 2] = ["Nearest to its ", "Farthest beyond its "];

/// What stands out, what the batch tells as a whole (`shape`), and how near it is to its limits.
pub(super) fn headline(
    units: &[UnitRow],
    population: &[PopulationRow],
    shape: &[String],
) -> String {
    let missed: Vec<&PopulationRow> =
        population.iter().filter(|row| missed_by_most(units, row)).collect();
    let out = standing_out(units, &missed);
    let stands = match (out.len(), missed.is_empty()) {
        (0, true) => "no unit stands out".to_owned(),
        (0, false) => ", and no unit stands out otherwise".to_owned(),
        (n, true) => format!("{} out: {}", stand(n), named(&out)),
        (n, false) => format!(", and {} out otherwise: {}", stand(n), named(&out)),
    };
    let missed: Vec<String> = missed
        .iter()
        .map(|row| {
            format!("the {}", name_of(row.measure, row.load.as_deref(), row.state.as_deref()))
        })
        .collect();
    let missed = match missed.len() {
        0 => String::new(),
        1 => format!("most units are beyond the limit of {}", missed[0]),
        _ => format!("most units are beyond the limits of {}", missed.join(" and ")),
    };
    let stands = format!("{missed}{stands}");
    let found = format!("{}; {stands}", counted(units));
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
    let shape: String = shape.iter().map(|sentence| format!(" {sentence}")).collect();
    let found = format!("{found}{shape}");
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
        Some((share, row)) => format!("{found} {}", risk_of(units, row, share)),
        None => found,
    }
}

/// How the batch stands against the limits of a quantity, at most `share` of such units being outside.
fn risk_of(units: &[UnitRow], row: &PopulationRow, share: f64) -> String {
    let name = name_of(row.measure, row.load.as_deref(), row.state.as_deref());
    let quoted = match (row.cpk, row.cpk_low, row.cpk_high) {
        (Some(cpk), Some(low), Some(high)) => {
            let aside = if row.outliers.is_empty() { "" } else { ", outliers set aside" };
            format!(" (Cpk {cpk:.2}, {low:.2} to {high:.2}{aside})")
        }
        _ => String::new(),
    };
    let (limits, them, fit) = match (row.limit_low, row.limit_high) {
        (Some(_), Some(_)) => ("limits", "them", "fit"),
        _ => ("limit", "it", "fits"),
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
    if missed_by_most(units, row) {
        let least = percent(outside_at_least(beyond.len(), row.units as usize));
        let middle = shown(row.measure, row.median);
        return format!(
            "{}{limits} is the {name}: {count}{near}, the middle one with {middle}. With 95 % confidence at least {least} of such units lie outside{quoted}: see whether the {limits} {fit} before blaming units.",
            RISK[1]
        );
    }
    let normal = match row.outside_at_most_if_normal.filter(|normal| *normal < share) {
        Some(normal) => format!(
            ", going by their count; at most {} if their values are normally distributed, which nothing here speaks against",
            percent(normal)
        ),
        None => String::new(),
    };
    let share = percent(share);
    format!(
        "{}{limits} is the {name}: {count}{near}. With 95 % confidence at most {share} of such units lie outside{normal}{quoted}.",
        RISK[0]
    )
}

fn stand(n: usize) -> String {
    format!("{n} stand{}", if n == 1 { "s" } else { "" })
}

/// How many captures, of how many units, count.
fn counted(units: &[UnitRow]) -> String {
    let measured = units.iter().filter(|unit| unit.status == UnitStatus::Measured);
    let names: BTreeSet<&str> = measured.clone().map(|unit| unit.unit.as_str()).collect();
    let captures = measured.count();
    let repeated = match names.len() {
        n if n == captures => String::new(),
        1 => ", all of 1 unit".to_owned(),
        n => format!(", of {n} units"),
    };
    let left_out = match units.len() - captures {
        0 => String::new(),
        1 => ", 1 does not count".to_owned(),
        n => format!(", {n} do not count"),
    };
    format!("{captures} of {} captures measured{repeated}{left_out}", units.len())
}

/// Whether more than half of the units are beyond a limit: it is the limit, or the batch, that is to be looked
/// at, and no single unit.
fn missed_by_most(units: &[UnitRow], row: &PopulationRow) -> bool {
    let beyond = of_verdict(units, row, Verdict::NonConforming).len() as u64;
    row.units >= ENOUGH && 2 * beyond > row.units
}

/// Each unit that stands out, by what it does so most, the worst first; not by limits that most units miss.
fn standing_out(units: &[UnitRow], missed: &[&PopulationRow]) -> Vec<String> {
    let is_of = |measure: &MeasureRow, row: &PopulationRow| {
        (measure.measure, &measure.load, &measure.state) == (row.measure, &row.load, &row.state)
    };
    let mut told: BTreeSet<&str> = BTreeSet::new();
    Standing::all(units)
        .into_iter()
        .filter(|of| of.row.outlier || !missed.iter().any(|row| is_of(of.row, row)))
        .filter(|of| told.insert(&units[of.at].unit))
        .map(|of| {
            let row = of.row;
            let name = name_of(row.measure, row.load.as_deref(), row.state.as_deref());
            let (name, value) = match row.breach() {
                Some((what, value)) if !row.outlier => (what.to_owned(), value),
                _ => (name, of.value()),
            };
            let beyond = match (of.beyond, of.captures) {
                (0, _) => String::new(),
                (1, 1) => ", beyond its limit".to_owned(),
                (beyond, captures) if beyond == captures => {
                    format!(", beyond its limit in all {captures} captures")
                }
                (beyond, captures) => {
                    format!(", beyond its limit in {beyond} of {captures} captures")
                }
            };
            format!("{} ({name} {}{beyond})", units[of.at].unit, shown(row.measure, value))
        })
        .collect()
}

/// The first few names; a single one more is as short as to say so.
fn named(names: &[String]) -> String {
    if names.len() <= NAMED + 1 {
        return names.join(", ");
    }
    format!("{}, and {} more", names[..NAMED].join(", "), names.len() - NAMED)
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
