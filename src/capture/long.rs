//! The long layout: one row a channel and time, or records of several types in turn; the rows of one current are kept.

use std::collections::BTreeMap;

use super::claim::{is_vague, names_current};
use super::columns::{self, Column, shown};
use super::options::{ColumnChoice, DecimalMark};
use super::read::Told;
use super::table::Table;
use super::units::{Unit, unit_in_header, unit_of};
use crate::findings::{Caution, Decision};

/// The rows of one channel.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Long {
    /// Column of channel names.
    pub(super) label: usize,
    /// Column of values.
    pub(super) value: usize,
    /// The channel to keep.
    pub(super) name: String,
    /// Other channels that name a current.
    pub(super) rivals: Vec<String>,
}

/// Finds a column of a few names in turn, of which at least one names a current and one does not, beside one column of
/// values; or one name in every row, of a current, beside values whose header says nothing.
///
/// A `choice` that names a column is no such layout's; one that names a channel keeps that.
pub(super) fn find(
    table: &Table,
    columns: &[Column],
    choice: Option<&ColumnChoice>,
) -> Option<Long> {
    let chosen = match choice {
        None => None,
        Some(ColumnChoice::Place(_)) => return None,
        Some(ColumnChoice::Header(name)) => Some(name.trim()),
    };
    if chosen.is_some_and(|name| columns.iter().any(|c| c.name.trim().eq_ignore_ascii_case(name))) {
        return None;
    }
    let mut values: Vec<&Column> =
        columns.iter().filter(|c| c.numeric() && !is_clock_like(c)).collect();
    if values.len() > 1 {
        values.retain(|c| c.low < c.high);
    }
    let [value] = values.as_slice() else { return None };
    if value.unit.is_some() || !value.cell_units.is_empty() {
        return None;
    }
    columns.iter().filter(|c| c.numbers == 0 && c.times == 0 && c.texts > 5).find_map(|label| {
        let mut names: BTreeMap<&[u8], usize> = BTreeMap::new();
        for row in &table.sample {
            *names.entry(row.get(label.place)?.as_slice()).or_default() += 1;
            if names.len() > 64 {
                return None;
            }
        }
        if names.values().any(|count| *count < 2) {
            return None;
        }
        let only = names.len() == 1;
        let vague = value.name.is_empty()
            || matches!(
                value.name.trim().to_lowercase().as_str(),
                "state" | "payload" | "message" | "msg"
            )
            || value.words().iter().any(|word| is_vague(word));
        if only && (!vague || label.name.is_empty()) {
            return None;
        }
        let mut currents: Vec<(i32, String)> = names
            .keys()
            .filter_map(|name| {
                let text = std::str::from_utf8(name).ok()?;
                // A column of one unit is no column of names.
                let named = names_current(text).filter(|_| !only || unit_of(text).is_none());
                named.map(|score| (score, text.to_owned()))
            })
            .collect();
        if let Some(chosen) = chosen {
            let name = names
                .keys()
                .filter_map(|name| std::str::from_utf8(name).ok())
                .find(|name| name.trim().eq_ignore_ascii_case(chosen))?
                .to_owned();
            let rivals = Vec::new();
            return Some(Long { label: label.place, value: value.place, name, rivals });
        }
        if currents.is_empty() || (currents.len() == names.len() && !only) {
            return None;
        }
        currents.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.cmp(&b.1)));
        let name = currents.remove(0).1;
        Some(Long {
            label: label.place,
            value: value.place,
            name,
            rivals: currents.into_iter().map(|c| c.1).collect(),
        })
    })
}

fn is_clock_like(column: &Column) -> bool {
    matches!(column.unit, Some((Unit::Time { .. }, _)))
        || (column.rising && column.rises && column.numbers > 3)
        || column.words().iter().any(|w| {
            matches!(
                w.as_str(),
                "time" | "timestamp" | "epoch" | "t" | "index" | "no" | "nr" | "id"
            )
        })
}

/// Leaves the kept channel's rows in the sample, and names the value column after it.
pub(super) fn keep(
    table: &mut Table,
    columns: &mut Vec<Column>,
    long: &Long,
    mark: Option<DecimalMark>,
    told: &mut Told,
) {
    let label_title = columns[long.label].title();
    table.sample.retain(|row| {
        row.get(long.label).is_some_and(|cell| cell.as_slice() == long.name.as_bytes())
    });
    *columns = columns::describe(table, mark);
    if let Some(column) = columns.get_mut(long.value) {
        column.unit = unit_in_header(&long.name).or(column.unit);
        column.name.clone_from(&long.name);
    }
    told.decisions.push(Decision {
        what: "rows".to_owned(),
        chosen: format!("those whose `{label_title}` is \"{}\"", shown(&long.name)),
        why: "the file has one row a channel and time".to_owned(),
        option: None,
    });
    if !long.rivals.is_empty() {
        let list = long
            .rivals
            .iter()
            .take(8)
            .map(|r| format!("\"{}\"", shown(r)))
            .collect::<Vec<_>>()
            .join(", ");
        told.cautions.push(Caution::new(
            "rival-currents",
            format!("the channel \"{}\" was read as the current; {list} could be meant as well: choose with --current-column", shown(&long.name)),
        ));
    }
}
