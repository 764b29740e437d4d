//! Rows of one piece of the table.

use super::clock::Clock;
use super::number::number;
use super::{NotPlain, PlainLayout};

/// From here up, IEEE 488.2 and SCPI-99 (vol. 1, 7.2.1) say overload or no reading.
const SENTINELS: f64 = 9e37;

/// What a row held.
#[derive(Debug, Clone, Copy)]
pub(super) struct Row {
    pub(super) time_s: f64,
    pub(super) time_decimals: i32,
    /// The cell's number.
    pub(super) current: f64,
    pub(super) current_decimals: i32,
    /// Bytes to the next row.
    pub(super) len: usize,
}

/// The layout as the inner loop wants it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Form {
    delimiter: u8,
    decimal_mark: u8,
    last_column: usize,
    /// No column has the number `usize::MAX`.
    time_column: usize,
    date_column: usize,
    current_column: usize,
    padded: bool,
    /// Time and current, and nothing else.
    pair: bool,
}

impl Form {
    pub(super) fn of(layout: &PlainLayout) -> Self {
        Self {
            delimiter: layout.delimiter,
            decimal_mark: layout.decimal_mark,
            last_column: layout.columns - 1,
            time_column: layout.time.column().unwrap_or(usize::MAX),
            date_column: layout.time.date_column().unwrap_or(usize::MAX),
            current_column: layout.current_column,
            padded: layout.delimiter != b' ',
            pair: layout.columns == 2
                && layout.time.column() == Some(0)
                && layout.current_column == 1,
        }
    }

    /// Reads the row at the start of `bytes`, which is not an empty line. `None` when it does not
    /// follow the layout.
    #[inline(always)]
    pub(super) fn row<C: Clock>(&self, bytes: &[u8], clock: &mut C) -> Option<Row> {
        if self.pair
            && !C::APART
            && let Some(row) = self.pair(bytes, clock)
        {
            return Some(row);
        }
        let mut row =
            Row { time_s: 0.0, time_decimals: 0, current: f64::NAN, current_decimals: 0, len: 0 };
        let mut at = 0;
        for column in 0..=self.last_column {
            at = self.blanks(bytes, at);
            if column == self.time_column {
                let tick = clock.tick(&bytes[at..])?;
                at += tick.len;
                (row.time_s, row.time_decimals) = (tick.time_s, tick.decimals);
            } else if column == self.current_column {
                let cell = number(&bytes[at..], self.decimal_mark)?;
                if cell.value.abs() >= SENTINELS {
                    return None;
                }
                at += cell.len;
                (row.current, row.current_decimals) = (cell.value, cell.decimals);
            } else if C::APART && column == self.date_column {
                at += clock.date(&bytes[at..])?;
            } else {
                at += self.skipped(&bytes[at..])?;
            }
            at = self.blanks(bytes, at);
            if column < self.last_column {
                if bytes.get(at) != Some(&self.delimiter) {
                    return None;
                }
                at += 1;
            }
        }
        if C::APART {
            row.time_s += clock.day_s();
        }
        row.len = at + line_end(&bytes[at..])?;
        Some(row)
    }

    /// Reads a row of time and current that holds nothing else, not even a blank.
    #[inline(always)]
    fn pair<C: Clock>(&self, bytes: &[u8], clock: &mut C) -> Option<Row> {
        let tick = clock.tick(bytes)?;
        let rest = bytes.get(tick.len..)?;
        if *rest.first()? != self.delimiter {
            return None;
        }
        let cell = number(&rest[1..], self.decimal_mark)?;
        let end = tick.len + 1 + cell.len;
        if bytes.get(end) != Some(&b'\n') || cell.value.abs() >= SENTINELS {
            return None;
        }
        Some(Row {
            time_s: tick.time_s,
            time_decimals: tick.decimals,
            current: cell.value,
            current_decimals: cell.decimals,
            len: end + 1,
        })
    }

    /// The bytes from the time cell of the first row on; all of them without a time column.
    pub(super) fn time_cell<'b>(&self, bytes: &'b [u8]) -> Option<&'b [u8]> {
        self.cell(bytes, self.time_column)
    }

    /// As [`time_cell`](Self::time_cell), of the date that has a cell of its own.
    pub(super) fn date_cell<'b>(&self, bytes: &'b [u8]) -> Option<&'b [u8]> {
        self.cell(bytes, self.date_column)
    }

    fn cell<'b>(&self, bytes: &'b [u8], column: usize) -> Option<&'b [u8]> {
        let mut at = self.blanks(bytes, 0);
        if column == usize::MAX {
            return Some(bytes);
        }
        for _ in 0..column {
            at += self.skipped(&bytes[at..])?;
            at = self.blanks(bytes, at + usize::from(bytes.get(at) == Some(&self.delimiter)));
        }
        Some(&bytes[at..])
    }

    /// Past the spaces that pad a cell.
    #[inline(always)]
    fn blanks(&self, bytes: &[u8], mut at: usize) -> usize {
        if self.padded {
            while bytes.get(at) == Some(&b' ') {
                at += 1;
            }
        }
        at
    }

    /// Length of a cell that nobody needs; a quoted one may hide anything.
    fn skipped(&self, bytes: &[u8]) -> Option<usize> {
        let len = bytes
            .iter()
            .position(|byte| *byte == self.delimiter || matches!(byte, b'\n' | b'\r' | b'"'))
            .unwrap_or(bytes.len());
        (bytes.get(len) != Some(&b'"')).then_some(len)
    }
}

/// Length of the line ending, or 0 at the end of the bytes.
#[inline(always)]
fn line_end(bytes: &[u8]) -> Option<usize> {
    match bytes {
        [b'\n', ..] => Some(1),
        [b'\r', b'\n', ..] => Some(2),
        [] => Some(0),
        _ => None,
    }
}

/// Length of an empty line at the start of `bytes`, 0 when there is none.
#[inline(always)]
pub(super) fn empty_line(bytes: &[u8]) -> usize {
    match bytes {
        [b'\n', ..] => 1,
        [b'\r', b'\n', ..] => 2,
        _ => 0,
    }
}

/// Reads the rows that start in `bytes[..until]`, `bytes` starting at `offset` of the table, and
/// hands each to `take` with its number among them.
///
/// # Errors
/// At the first row that does not follow the layout, or that `take` refuses.
#[inline(always)]
pub(super) fn each_row<C: Clock>(
    form: &Form,
    clock: &mut C,
    bytes: &[u8],
    until: usize,
    offset: usize,
    mut take: impl FnMut(usize, Row) -> Option<()>,
) -> Result<usize, NotPlain> {
    let (mut at, mut rows) = (0, 0);
    while at < until {
        let empty = empty_line(&bytes[at..]);
        if empty > 0 {
            at += empty;
            continue;
        }
        let not_plain = NotPlain { offset: offset + at };
        let row = form.row(&bytes[at..], clock).ok_or(not_plain)?;
        take(rows, row).ok_or(not_plain)?;
        at += row.len;
        rows += 1;
    }
    Ok(rows)
}
