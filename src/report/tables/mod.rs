//! All of a run's tables, as CSV for spreadsheets and Parquet for query engines.
//!
//! A column is named as the field of the result document, unit included; a value that is not
//! available is an empty cell and a Parquet null. The same findings give the same bytes.

mod csv_file;
#[cfg(feature = "tables")]
mod parquet;
mod rows;

pub use rows::{of_batch, of_budget, of_compare, of_findings};

use super::ReportError;
use super::write::Bundle;

/// Values of one column.
#[derive(Debug, Clone, PartialEq)]
pub enum Values {
    /// Real numbers.
    Number(Vec<Option<f64>>),
    /// Counts and indices.
    Count(Vec<Option<u64>>),
    /// Text.
    Text(Vec<Option<String>>),
    /// Yes or no.
    Flag(Vec<Option<bool>>),
}

/// One table: columns of equal length.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// File name without extension.
    pub name: &'static str,
    /// Number of rows.
    pub rows: usize,
    /// Columns in order.
    pub columns: Vec<(&'static str, Values)>,
}

/// Names of the tables of any command.
const NAMES: &[&str] = &[
    "segments",
    "steps",
    "events",
    "zero_checks",
    "loads",
    "duty",
    "states",
    "noise_by_level",
    "unexplained",
    "gaps",
    "decisions",
    "advice",
    "cautions",
    "floor_levels",
    "wakes",
    "wake_series",
    "wake_groups",
    "falls_asleep",
    "failures_to_sleep",
    "awake_stretches",
    "sleep_verdicts",
    "budget_by_load",
    "budget_factors",
    "budget_what_if",
    "changes",
    "one_sided",
    "measures",
    "population",
    "units",
    "sleep",
    "capture",
    "uncertainty_budget",
];

/// Adds every table to `bundle` as `tables/NAME.csv` and, with feature `tables`,
/// `tables/NAME.parquet`, and claims those that any run may have left in the folder: beside a new report
/// one of an earlier run would pass for its own.
///
/// # Errors
/// When an encoder fails.
pub fn add_all(bundle: &mut Bundle, tables: &[Table]) -> Result<(), ReportError> {
    for name in NAMES {
        bundle.owns(format!("tables/{name}.csv"));
        bundle.owns(format!("tables/{name}.parquet"));
    }
    for table in tables {
        debug_assert!(NAMES.contains(&table.name), "{} is of no family", table.name);
        bundle.add(format!("tables/{}.csv", table.name), csv_file::encode(table)?);
        #[cfg(feature = "tables")]
        bundle.add(format!("tables/{}.parquet", table.name), parquet::encode(table)?);
    }
    Ok(())
}
