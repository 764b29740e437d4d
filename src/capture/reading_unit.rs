//! In which unit the readings of the current's column are.

use super::claim::{CURRENT_WORDS, says_current, says_voltage};
use super::columns::{Column, shown, unit_column, value_at};
use super::options::{CurrentUnit, ReadOptions};
use super::scaling;
use super::table::Table;
use super::units::{Standing, Unit, unit_in_header, unit_of, words_of};
use crate::findings::{Caution, Decision};

/// Where the unit of a reading stands.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum UnitPlace {
    /// One unit for the whole column.
    Column(CurrentUnit),
    /// In the cells; the given one where a cell has none.
    Cells(Option<CurrentUnit>),
    /// In the column beside.
    Beside(usize),
    /// In the column beside, its prefix in another.
    Prefixed { prefix: usize, unit: usize },
}

/// A current that batteries and their chargers hardly reach, ampere (common practice).
const VAST_A: f64 = 1e3;

/// The current column.
#[derive(Debug, Clone)]
pub(super) struct Chosen {
    pub(super) place: usize,
    pub(super) unit: UnitPlace,
    /// Symbol for the findings.
    pub(super) symbol: String,
    pub(super) ac: bool,
    /// In the long layout: the column of channel names and the name to keep.
    pub(super) channel: Option<(usize, Vec<u8>)>,
}

pub(super) fn preamble_line_for<'a>(table: &'a Table, column: &Column) -> Option<&'a str> {
    let name = column.name.trim();
    if name.len() < 2 {
        return None;
    }
    table
        .preamble
        .iter()
        .find(|line| {
            line.to_lowercase().find(&name.to_lowercase()).is_some_and(|at| {
                line[..].get(at + name.len()..).is_some_and(|after| {
                    !after.starts_with(|c: char| c.is_alphanumeric()) && after.len() > 2
                })
            })
        })
        .map(String::as_str)
}

/// A unit of current that the lines before the table give, with how it was said.
pub(super) fn preamble_unit(table: &Table) -> Option<(CurrentUnit, bool, String)> {
    for line in &table.preamble {
        let bare = line.trim().trim_start_matches(['#', '%', '/', ';', '!', '*', '"']).trim();
        let pieces: Vec<&str> = bare.splitn(2, [':', '=', ';', ',', '\t', '|']).collect();
        let [key, value] = pieces.as_slice() else { continue };
        let key_words: Vec<String> = words_of(key).iter().map(|w| w.to_lowercase()).collect();
        let about_unit = key_words.iter().any(|w| {
            matches!(
                w.as_str(),
                "unit"
                    | "units"
                    | "einheit"
                    | "einheiten"
                    | "unité"
                    | "unités"
                    | "unite"
                    | "unidad"
                    | "unidades"
                    | "unità"
                    | "unita"
                    | "eenheid"
                    | "enhet"
                    | "enhed"
                    | "yksikkö"
                    | "jednostka"
                    | "jednotka"
                    | "birim"
                    | "単位"
                    | "单位"
                    | "unite(s)"
            )
        });
        let about_function = key_words.iter().any(|w| {
            matches!(
                w.as_str(),
                "function"
                    | "mode"
                    | "measurement"
                    | "measuring"
                    | "funktion"
                    | "messung"
                    | "messart"
                    | "fonction"
                    | "función"
                    | "quantity"
                    | "type"
                    | "input"
                    | "channel"
            )
        });
        let about_range = key_words.iter().any(|w| {
            matches!(
                w.as_str(),
                "range"
                    | "limit"
                    | "resolution"
                    | "accuracy"
                    | "fuse"
                    | "max"
                    | "bereich"
                    | "messbereich"
            )
        });
        if about_range || !(about_unit || about_function) {
            continue;
        }
        for part in std::iter::once(*value).chain(value.split([',', ';', '\t', '|', ' ', '"'])) {
            if let Some(Unit::Current { unit, ac }) = unit_of(part) {
                return Some((unit, ac, shown(bare)));
            }
        }
        if let Some((Unit::Current { unit, ac }, _)) = unit_in_header(value) {
            return Some((unit, ac, shown(bare)));
        }
    }
    // `Current measurements in mA`, a sentence.
    table.preamble.iter().find_map(|line| {
        let bare = line.trim().trim_start_matches(['#', '%', '/', ';', '!', '*', '"']).trim();
        let sentence = says_current(bare)
            && !says_voltage(bare)
            && bare.contains(" in ")
            && !bare.contains(|c: char| c.is_ascii_digit());
        let unit = unit_in_header(bare).filter(|_| sentence);
        match unit {
            Some((Unit::Current { unit, ac }, Standing::Written)) => Some((unit, ac, shown(bare))),
            _ => None,
        }
    })
}

/// The unit of the column at `place`.
pub(super) fn with_unit(
    table: &Table,
    columns: &[Column],
    place: usize,
    options: &ReadOptions,
    decisions: &mut Vec<Decision>,
    cautions: &mut Vec<Caution>,
) -> Chosen {
    let column = &columns[place];
    let mut ac = matches!(column.unit, Some((Unit::Current { ac: true, .. }, _)))
        || cells_say_ac(table, place);
    let header = column.unit.and_then(|(u, standing)| u.current().map(|unit| (unit, standing)));
    let done = |unit: UnitPlace, symbol: String, ac: bool| Chosen {
        place,
        unit,
        symbol,
        ac,
        channel: None,
    };
    let mut decide = |chosen: &str, why: String, unit: Option<CurrentUnit>| {
        decisions.push(Decision {
            what: "unit".to_owned(),
            chosen: chosen.to_owned(),
            why,
            option: unit.map(|unit| format!("--unit {}", unit.symbol())),
        });
    };
    if let Some(unit) = options.unit {
        decide(unit.symbol(), "given by --unit".to_owned(), Some(unit));
        if let Some((other, _)) = header.filter(|(other, _)| *other != unit) {
            cautions.push(Caution::new(
                "unit-overruled",
                format!(
                    "--unit {} overrules the header, which says {}",
                    unit.symbol(),
                    other.symbol()
                ),
            ));
        }
        return done(UnitPlace::Column(unit), unit.symbol().to_owned(), ac);
    }
    if !column.cell_units.is_empty() {
        let symbols = column.cell_units.iter().map(|u| u.symbol()).collect::<Vec<_>>().join(", ");
        let fallback = header.map(|(unit, _)| unit).or(match column.cell_units.as_slice() {
            [only] => Some(*only),
            _ => None,
        });
        decide(&symbols, "written in the cells, cell by cell".to_owned(), None);
        if let Some((unit, _)) = header
            && column.cell_units.as_slice() != [unit]
        {
            cautions.push(Caution::new(
                "unit-differs",
                format!("the header says {} and the cells say {symbols}; the cells were followed: overrule with --unit", unit.symbol()),
            ));
        }
        return done(UnitPlace::Cells(fallback), symbols, ac);
    }
    if let Some((beside, units)) = unit_column(table, columns, place) {
        let prefixed = scaling::prefixes(table, columns, place, beside);
        let (unit_place, units, prefix) = match prefixed {
            Some((prefix, units)) => {
                (UnitPlace::Prefixed { prefix, unit: beside }, units, Some(prefix))
            }
            None => (UnitPlace::Beside(beside), units, None),
        };
        let before =
            prefix.map(|prefix| format!("`{}` and ", columns[prefix].title())).unwrap_or_default();
        let symbols = units.iter().map(|u| u.symbol()).collect::<Vec<_>>().join(", ");
        decide(
            &symbols,
            format!("written in {before}`{}`, row by row", columns[beside].title()),
            None,
        );
        return done(unit_place, symbols, ac);
    }
    if let Some((unit, standing)) = header {
        decide(
            unit.symbol(),
            format!("the header says so: \"{}\"", shown(&column.name)),
            Some(unit),
        );
        let damaged = table.header.iter().any(|row| row[place].contains(['\u{fffd}', '?']));
        if damaged && unit == CurrentUnit::Microampere {
            cautions.push(Caution::new(
                "unit-damaged",
                format!("a damaged character before A in `{}` was taken for µ (microampere): overrule with --unit", column.title()),
            ));
        } else if standing == Standing::Suffix
            && unit == CurrentUnit::Ampere
            && !column.words().iter().any(|w| CURRENT_WORDS.contains(&w.as_str()) || w == "i")
        {
            cautions.push(Caution::new(
                "unit-doubtful",
                format!("a letter of `{}` was taken for ampere: overrule with --unit or --current-column", column.title()),
            ));
        }
        let largest = column.low.abs().max(column.high.abs());
        if column.numbers > 0
            && unit != CurrentUnit::Kiloampere
            && largest * unit.amperes() >= VAST_A
        {
            cautions.push(Caution::new(
                "unit-doubtful",
                format!(
                    "in {} the readings of `{}` ({}) reach {:.3} kA, which is rare: if the header is wrong, overrule with --unit",
                    unit.symbol(),
                    column.title(),
                    column.range(),
                    largest * unit.amperes() / 1e3
                ),
            ));
        }
        return done(UnitPlace::Column(unit), unit.symbol().to_owned(), ac);
    }
    if let Some(line) = preamble_line_for(table, column)
        && let Some((Unit::Current { unit, ac: line_ac }, _)) =
            unit_in_header(line).or_else(|| loose_unit(line))
    {
        ac |= line_ac;
        decide(
            unit.symbol(),
            format!("a line before the table says so: \"{}\"", shown(line.trim())),
            Some(unit),
        );
        return done(UnitPlace::Column(unit), unit.symbol().to_owned(), ac);
    }
    if let Some((unit, unit_ac, line)) = preamble_unit(table) {
        ac |= unit_ac;
        decide(unit.symbol(), format!("a line before the table says so: \"{line}\""), Some(unit));
        return done(UnitPlace::Column(unit), unit.symbol().to_owned(), ac);
    }
    let (unit, why) = assumed(table, columns, place);
    decide(unit.symbol(), format!("assumed: {why}"), Some(unit));
    cautions.push(Caution::new(
        "unit-assumed",
        format!(
            "nothing in the file gives the unit of `{}` ({}); {} was assumed because {why}: give the unit with --unit",
            column.title(),
            column.range(),
            unit.symbol()
        ),
    ));
    done(UnitPlace::Column(unit), unit.symbol().to_owned(), ac)
}

fn loose_unit(line: &str) -> Option<(Unit, Standing)> {
    line.split([',', ';', ' ', '\t', ':', '='])
        .find_map(|part| unit_of(part).filter(|u| u.current().is_some()))
        .map(|u| (u, Standing::Suffix))
}

/// The cells, or the units beside them, say alternating or effective.
fn cells_say_ac(table: &Table, place: usize) -> bool {
    let says = |cell: &Vec<u8>| {
        let text = String::from_utf8_lossy(cell);
        let unit = text.trim_start_matches(|c: char| !c.is_alphabetic());
        matches!(unit_of(unit), Some(Unit::Current { ac: true, .. }))
    };
    table
        .sample
        .iter()
        .take(50)
        .any(|row| row.get(place).is_some_and(says) || row.get(place + 1).is_some_and(says))
}

/// A unit for a current column that has none: by power and voltage beside it, by the voltage's unit, by size.
fn assumed(table: &Table, columns: &[Column], place: usize) -> (CurrentUnit, String) {
    let column = &columns[place];
    if let Some((unit, why)) = by_power(table, columns, column) {
        return (unit, why);
    }
    let milli = columns
        .iter()
        .any(|c| matches!(c.unit, Some((Unit::Voltage { volts }, _)) if volts == 1e-3));
    if milli && column.integers {
        return (CurrentUnit::Milliampere, "the voltage is in mV".to_owned());
    }
    let largest = column.low.abs().max(column.high.abs());
    // A voltage of millions of whole numbers counts microvolts.
    let micro = columns.iter().any(|c| {
        c.unit.is_none() && c.integers && c.numbers > 0 && c.low >= 1e6 && says_voltage(&c.name)
    });
    if micro && column.integers {
        return (CurrentUnit::Microampere, "the voltage seems to be in µV".to_owned());
    }
    if column.integers && largest * 1e-3 >= VAST_A {
        return (
            CurrentUnit::Microampere,
            "the readings are whole numbers of that size".to_owned(),
        );
    }
    if column.integers && largest >= 20.0 && column.low != column.high {
        return (
            CurrentUnit::Milliampere,
            "the readings are whole numbers of that size".to_owned(),
        );
    }
    if largest > 100.0 {
        return (
            CurrentUnit::Milliampere,
            "readings above 100 A are rare in low-voltage equipment".to_owned(),
        );
    }
    (CurrentUnit::Ampere, "it is the unit of current".to_owned())
}

/// P = U I tells the unit of I when U and P are there with theirs.
fn by_power(table: &Table, columns: &[Column], current: &Column) -> Option<(CurrentUnit, String)> {
    let voltage = columns
        .iter()
        .find(|c| matches!(c.unit, Some((Unit::Voltage { .. }, _))) && c.numeric())?;
    let power =
        columns.iter().find(|c| matches!(c.unit, Some((Unit::Power { .. }, _))) && c.numeric())?;
    let (Some((Unit::Voltage { volts }, _)), Some((Unit::Power { watts }, _))) =
        (voltage.unit, power.unit)
    else {
        return None;
    };
    let mut ratios: Vec<f64> = table
        .sample
        .iter()
        .filter_map(|row| {
            let u = value_at(row, voltage)? * volts;
            let p = value_at(row, power)? * watts;
            let i = value_at(row, current)?;
            let ratio = p / (u * i);
            (ratio.is_finite() && ratio > 0.0).then_some(ratio)
        })
        .collect();
    if ratios.len() < 5 {
        return None;
    }
    ratios.sort_by(f64::total_cmp);
    let ratio = ratios[ratios.len() / 2];
    [CurrentUnit::Ampere, CurrentUnit::Milliampere, CurrentUnit::Microampere]
        .into_iter()
        .find(|unit| (ratio / unit.amperes()).log10().abs() < 0.15)
        .map(|unit| {
            (
                unit,
                format!(
                    "power over voltage (`{}` and `{}`) agrees with it",
                    power.title(),
                    voltage.title()
                ),
            )
        })
}
