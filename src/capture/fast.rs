//! The bulk path: plain tables of numbers, read by both cores, exactly as `str::parse` reads
//! them, or refused so that the careful path can take the whole file.

mod axis;
mod clock;
mod counter;
mod face;
mod number;
mod parts;
mod pieces;
mod rows;
mod source;
#[cfg(test)]
mod tests;
mod text;

use jiff::civil::{DateTime, Time};
use rayon::prelude::*;

use self::clock::{Elapsed, NoClock, Stamps};
use self::counter::Counter;
use self::face::{APART, DATED, Face, FaceForm, OF_DAY, SPAN};
use self::pieces::{LONGEST_ROW, Rows, Table, printed_unit};
use self::rows::{Form, empty_line};
pub(super) use self::source::Source;
pub(super) use self::text::Text;
use super::dates::Order;
use super::stamp::RawDate;
use super::{Progress, TimeAxis};

/// A table whose form has been decided. Every row must follow it to the letter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct PlainLayout {
    /// Byte between cells: `,`, `;`, tab, space…
    pub(super) delimiter: u8,
    /// Decimal mark, `.` or `,`; where it is the delimiter as well, every number must stand in quotes.
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
    /// Cells may stand in quotes; the clock's do where they do in the first row.
    pub(super) quoted: bool,
    /// What follows every reading in its cell: its unit, if anything.
    pub(super) unit_text: Text,
}

/// How the time of a row is written. Columns count from 0.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum PlainTime {
    /// A number; times `seconds_per_unit` it is in seconds.
    Elapsed { column: usize, seconds_per_unit: f64 },
    /// Date and time of day in one cell, all parts with leading zeros.
    Stamp { column: usize, form: StampForm },
    /// Time of day; passing midnight starts the next day. Two parts may be minutes and seconds.
    TimeOfDay { column: usize, two_are_minutes: bool },
    /// Date and time of day in any other form, with the order of the date's numbers and the offset from UTC that all
    /// rows state.
    Face { column: usize, order: Order, offset_min: Option<i32> },
    /// Time since a start, whole days before it where they are written. Two parts may be minutes and seconds.
    Span { column: usize, two_are_minutes: bool },
    /// As `Face`, the date in a cell of its own.
    Apart { date: usize, time: usize, order: Order, offset_min: Option<i32> },
    /// A counter whose first number is large: `origin` is taken off before it becomes a float.
    Counter { column: usize, seconds_per_unit: f64, origin: i64 },
    /// No time column: one row every `interval_s`.
    Rows { interval_s: f64 },
}

impl PlainTime {
    fn column(&self) -> Option<usize> {
        match self {
            Self::Elapsed { column, .. }
            | Self::Stamp { column, .. }
            | Self::TimeOfDay { column, .. }
            | Self::Face { column, .. }
            | Self::Span { column, .. }
            | Self::Counter { column, .. }
            | Self::Apart { time: column, .. } => Some(*column),
            Self::Rows { .. } => None,
        }
    }

    fn date_column(&self) -> Option<usize> {
        match self {
            Self::Apart { date, .. } => Some(*date),
            _ => None,
        }
    }

    /// The same clock with the numbers of its dates in another order.
    pub(super) fn in_order(self, order: Order) -> Self {
        match self {
            Self::Face { column, offset_min, .. } => Self::Face { column, order, offset_min },
            Self::Apart { date, time, offset_min, .. } => {
                Self::Apart { date, time, order, offset_min }
            }
            other => other,
        }
    }
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
    /// Most digits after the decimal mark in any cell of the current, less its exponent.
    pub(super) current_decimals: i32,
    /// Dates as they were written, of equal ones that follow each other the first; only of clocks whose dates' order
    /// may be open.
    pub(super) dates: Vec<RawDate>,
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

/// Reads a plain table that is in memory; see [`read_from`].
///
/// # Errors
/// [`NotPlain`] at the first row that does not follow the layout.
#[cfg(test)]
pub(super) fn read(
    bytes: &[u8],
    layout: &PlainLayout,
    progress: &dyn Progress,
) -> Result<FastTable, NotPlain> {
    read_from(bytes, bytes.len(), layout, progress)
}

/// Reads a plain table from the first `len` bytes of `source`. Rows end in LF or CRLF; empty lines are
/// passed over; spaces round a cell do not matter.
///
/// Two passes over 1 MiB pieces, on all cores: the first counts rows, so that every piece knows
/// its place in the result and the tick of an even clock; the second reads. Times are only kept
/// when they are not even (see [`EvenClock`]). Beyond the result, memory is one piece a thread.
///
/// # Errors
/// [`NotPlain`] at the first row that does not follow the layout; nothing of the table is kept.
pub(super) fn read_from(
    source: &(impl Source + ?Sized),
    len: usize,
    layout: &PlainLayout,
    progress: &dyn Progress,
) -> Result<FastTable, NotPlain> {
    let none = NotPlain { offset: layout.first_row };
    let mut buffer = Vec::new();
    let (first_row, end, open_end) =
        bounds(source, layout.first_row, len, &mut buffer).ok_or(none)?;
    let head = source.bytes(first_row..end.min(first_row + LONGEST_ROW), &mut buffer);
    let row = head.map_err(|_| none)?;
    let form = Form::of(layout, row);
    let table =
        Table { source, form, first_row, end, progress, len, buffers: std::sync::Mutex::default() };
    let head = table.form.time_cell(row).ok_or(none)?;
    let face = |order, offset_min, two_are_minutes| FaceForm {
        ends: table.form.time_ends(),
        date_ends: table.form.date_ends(),
        order,
        offset_min,
        two_are_minutes,
    };
    let (rows, first_time, unit_s) = match layout.time {
        PlainTime::Elapsed { seconds_per_unit, .. } => {
            let decimal_mark = layout.decimal_mark;
            let first = number::number(head, decimal_mark).ok_or(none)?.value;
            let like = number::Like::NONE;
            let clock = Elapsed { decimal_mark, seconds_per_unit, first, like };
            let rows = table.read(clock, seconds_per_unit, None)?;
            (rows, FirstTime::Elapsed(first * seconds_per_unit), Some(seconds_per_unit))
        }
        PlainTime::Stamp { form, .. } => {
            let (clock, first) =
                Stamps::starting(head, form, table.form.time_ends()).ok_or(none)?;
            (table.read(clock, 1.0, None)?, FirstTime::Stamp(first), Some(1.0))
        }
        PlainTime::TimeOfDay { two_are_minutes, .. } => {
            let form = face(Order::YearMonth, None, two_are_minutes);
            let (clock, first) = Face::<OF_DAY>::undated(head, form).ok_or(none)?;
            let first = clock::time_of(first).ok_or(none)?;
            (table.read(clock, 1.0, None)?, FirstTime::TimeOfDay(first), Some(1.0))
        }
        PlainTime::Face { order, offset_min, .. } => {
            let form = face(order, offset_min, false);
            let (clock, first) = Face::<DATED>::dated(head, head, form).ok_or(none)?;
            (table.read(clock, 1.0, None)?, FirstTime::Stamp(first), Some(1.0))
        }
        PlainTime::Span { two_are_minutes, .. } => {
            let form = face(Order::YearMonth, None, two_are_minutes);
            let (clock, first) = Face::<SPAN>::undated(head, form).ok_or(none)?;
            (table.read(clock, 1.0, None)?, FirstTime::Elapsed(clock::seconds(first)), Some(1.0))
        }
        PlainTime::Apart { order, offset_min, .. } => {
            let date = table.form.date_cell(row).ok_or(none)?;
            let form = face(order, offset_min, false);
            let (clock, first) = Face::<APART>::dated(head, date, form).ok_or(none)?;
            (table.read(clock, 1.0, None)?, FirstTime::Stamp(first), Some(1.0))
        }
        PlainTime::Counter { seconds_per_unit, origin, .. } => {
            let decimal_mark = layout.decimal_mark;
            let mut clock = Counter { decimal_mark, seconds_per_unit, origin, first: 0.0 };
            (clock.first, ..) = clock.read(head).ok_or(none)?;
            let first_s = clock.first * seconds_per_unit;
            let rows = table.read(clock, seconds_per_unit, None)?;
            (rows, FirstTime::Elapsed(first_s), Some(seconds_per_unit))
        }
        PlainTime::Rows { interval_s } => {
            (table.read(NoClock, 1.0, Some(interval_s))?, FirstTime::Rows, None)
        }
    };
    let Rows { time, time_decimals, mut current, current_decimals, dates } = rows;
    if layout.amperes_per_unit != 1.0 {
        current.par_iter_mut().for_each(|current| *current *= layout.amperes_per_unit);
    }
    Ok(FastTable {
        time,
        first_time,
        time_resolution_s: unit_s.map(|unit_s| unit_s * printed_unit(time_decimals)),
        current_a: current,
        current_decimals,
        dates,
        open_end,
    })
}

/// Where the rows start and end, without the empty lines round them, and whether the last one
/// lacks its line ending.
fn bounds(
    source: &(impl Source + ?Sized),
    first_row: usize,
    len: usize,
    buffer: &mut Vec<u8>,
) -> Option<(usize, usize, bool)> {
    let head = source.bytes(first_row..len.min(first_row + LONGEST_ROW), buffer).ok()?;
    let mut start = 0;
    while empty_line(&head[start..]) > 0 {
        start += empty_line(&head[start..]);
    }
    let from = len.saturating_sub(LONGEST_ROW).max(first_row + start);
    let tail = source.bytes(from..len, buffer).ok()?;
    let kept = tail.iter().rposition(|byte| !matches!(byte, b'\n' | b'\r'))? + 1;
    let ending = empty_line(&tail[kept..]);
    Some((first_row + start, from + kept + ending, ending == 0))
}
