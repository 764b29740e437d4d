//! A header with one name fewer than its rows have cells: whether the first column, which holds the names of the rows,
//! is the one without, as tables of statistics programs are written.

use super::cell::Mark;
use super::choose::is_counter;
use super::claim::CURRENT_WORDS;
use super::clock::TIME_WORDS;
use super::columns::{self, Column};
use super::read::Told;
use super::table::Table;
use super::units::Unit;
use crate::findings::Decision;

/// Moves the names one column to the right where they contradict their columns as they stand, and fit them so.
pub(super) fn mend(table: &mut Table, mark: Option<Mark>, told: &mut Told) {
    let one_short = table.header_width > 0 && table.header_width + 1 == table.width;
    if !one_short || table.width > 4096 {
        return;
    }
    let as_written = columns::describe(table, mark);
    if contradictions(&as_written) == 0 || !names_rows(table, &as_written[0]) {
        return;
    }
    let mut moved = table.clone();
    for row in &mut moved.header {
        row.insert(0, String::new());
        row.truncate(table.width);
    }
    if contradictions(&columns::describe(&moved, mark)) > 0 {
        return;
    }
    moved.header_width = moved.width;
    *table = moved;
    told.decisions.push(Decision {
        what: "header".to_owned(),
        chosen: "the first column has no name, the others are named one after the other".to_owned(),
        why: "the header has one name fewer than the rows have cells, and its names fit only so"
            .to_owned(),
        option: None,
    });
}

/// Row numbers, times, or another text in every row.
fn names_rows(table: &Table, first: &Column) -> bool {
    let mut cells: Vec<&[u8]> =
        table.sample.iter().filter_map(|row| row.first()).map(Vec::as_slice).collect();
    let rows = cells.len();
    cells.sort_unstable();
    cells.dedup();
    is_counter(first) || first.numbers == 0 && cells.len() == rows
}

/// Columns that are not what their names say.
fn contradictions(columns: &[Column]) -> usize {
    columns.iter().filter(|c| !c.name.is_empty() && contradicts(c)).count()
}

fn contradicts(column: &Column) -> bool {
    let has = |list: &[&str]| column.words().iter().any(|w| list.contains(&w.as_str()));
    let reading = match column.unit {
        Some((Unit::Current { .. } | Unit::Voltage { .. } | Unit::Power { .. }, _)) => true,
        Some(_) => false,
        None => has(CURRENT_WORDS) || has(&["i", "u", "voltage", "volts", "power"]),
    };
    if reading {
        return !column.numeric() || column.numbers > 8 && column.even_steps;
    }
    let clock = has(TIME_WORDS) || matches!(column.unit, Some((Unit::Time { .. }, _)));
    let timed = column.times > column.numbers + column.texts;
    clock && !timed && !(column.numeric() && (column.rising && column.rises || column.falling))
}
