//! The bulk path: plain tables of numbers, read by both cores, exactly as `str::parse` reads
//! them, or refused so that the careful path can take the whole file.

use jiff::civil::{DateTime, Time};

use super::{Progress, TimeAxis};

/// A table whose form has been decided. Every row must follow it to the letter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct PlainLayout {
    /// Byte between cells: `,`, `;`, tab, space…
    pub(super) delimiter: u8,
    /// Decimal mark, `.` or `,`; differs from the delimiter.
    pub(super) decimal_mark: u8,
    /// Cells in every row, 1 or more.
    pub(super) columns: usize,
    /// Byte offset of the first data row.
    pub(super) first_row: usize,
    /// Which cell is the time, and how it is written.
    pub(super) time: PlainTime,
    /// Place of the current's cell, the first being 0.
    pub(super) current_column: usize,
    /// The cell times this is the current in ampere.
    pub(super) amperes_per_unit: f64,
}

/// How the time of a row is written. Columns count from 0.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum PlainTime {
    /// A number; times `seconds_per_unit` it is in seconds.
    Elapsed { column: usize, seconds_per_unit: f64 },
    /// Date and time of day in one cell, all parts with leading zeros.
    Stamp { column: usize, form: StampForm },
    /// `HH:MM:SS` with an optional fraction; passing midnight starts the next day.
    TimeOfDay { column: usize },
    /// No time column: one row every `interval_s`.
    Rows { interval_s: f64 },
}

/// Order of the parts of a date; the year has four digits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum DateOrder {
    /// 2026-03-14
    YearMonthDay,
    /// 14.03.2026
    DayMonthYear,
    /// 03/14/2026
    MonthDayYear,
}

/// A date-time stamp of fixed form: date, one byte, `HH:MM:SS`, optional fraction of a second
/// after a point or comma.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct StampForm {
    /// Order of the date's parts.
    pub(super) order: DateOrder,
    /// Byte between the date's parts: `-`, `/` or `.`.
    pub(super) date_separator: u8,
    /// Byte between date and time: space or `T`.
    pub(super) between: u8,
}

/// What the first row's time cell said.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum FirstTime {
    /// Seconds, after the unit.
    Elapsed(f64),
    /// Date and time.
    Stamp(DateTime),
    /// Time of day.
    TimeOfDay(Time),
    /// There is no time column.
    Rows,
}

/// A plain table as read.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct FastTable {
    /// Times, seconds from the first row; not decreasing.
    pub(super) time: TimeAxis,
    /// The first row's time.
    pub(super) first_time: FirstTime,
    /// Smallest unit the times are printed to, seconds; `None` without a time column.
    pub(super) time_resolution_s: Option<f64>,
    /// Currents, ampere, finite.
    pub(super) current_a: Vec<f64>,
    /// Most digits after the decimal mark in any cell of the current, as written.
    pub(super) current_decimals: u32,
    /// True when the last row has no line ending: the file may still be being written.
    pub(super) open_end: bool,
}

/// The first row that does not follow the layout (odd cell, other number of cells, time going
/// backwards, value not finite).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct NotPlain {
    /// Byte offset of the row.
    pub(super) offset: usize,
}

/// Reads a plain table. Rows end in LF or CRLF; empty lines are passed over.
///
/// # Errors
/// [`NotPlain`] at the first row that does not follow the layout; nothing of the table is kept.
pub(super) fn read(
    bytes: &[u8],
    layout: &PlainLayout,
    progress: &dyn Progress,
) -> Result<FastTable, NotPlain> {
    progress.at(layout.first_row as u64, bytes.len() as u64);
    Err(NotPlain { offset: layout.first_row })
}
