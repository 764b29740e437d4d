//! Rows of one piece of the table.

use super::clock::Clock;
use super::number::Like;
use super::text::Text;
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
    /// Cells may stand in quotes or carry their unit.
    pub(super) marked: bool,
    quoted: bool,
    /// The cells of the clock stand in quotes.
    time_quoted: bool,
    date_quoted: bool,
    /// Numbers need quotes, as their decimal mark is the delimiter.
    bare_numbers: bool,
    unit_text: Text,
}

impl Form {
    /// `row` are the bytes from the first row on.
    pub(super) fn of(layout: &PlainLayout, row: &[u8]) -> Self {
        let mut form = Self {
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
            marked: layout.quoted || !layout.unit_text.bytes().is_empty(),
            quoted: layout.quoted,
            time_quoted: false,
            date_quoted: false,
            bare_numbers: layout.decimal_mark != layout.delimiter,
            unit_text: layout.unit_text,
        };
        if form.quoted {
            let quoted = |column| matches!(form.cell(row, column), Some([b'"', ..]));
            (form.time_quoted, form.date_quoted) =
                (quoted(form.time_column), quoted(form.date_column));
        }
        form
    }

    /// The byte that ends the clock's cell.
    pub(super) fn time_ends(&self) -> u8 {
        if self.time_quoted { b'"' } else { self.delimiter }
    }

    pub(super) fn date_ends(&self) -> u8 {
        if self.date_quoted { b'"' } else { self.delimiter }
    }

    /// Reads the row at the start of `bytes`, which is not an empty line. `None` when it does not
    /// follow the layout. `like` tells how the current before is written. Without `MARKED`, no cell stands in quotes or carries its unit.
    #[inline(always)]
    pub(super) fn row<C: Clock, const MARKED: bool>(
        &self,
        bytes: &[u8],
        clock: &mut C,
        like: &mut Like,
    ) -> Option<Row> {
        if self.pair
            && !MARKED
            && !C::APART
            && let Some(row) = self.pair(bytes, clock, like)
        {
            return Some(row);
        }
        let mut row =
            Row { time_s: 0.0, time_decimals: 0, current: f64::NAN, current_decimals: 0, len: 0 };
        let mut at = 0;
        for column in 0..=self.last_column {
            at = self.blanks(bytes, at);
            let open = MARKED && self.quoted && bytes.get(at) == Some(&b'"');
            if column == self.time_column {
                if MARKED && open != self.time_quoted {
                    return None;
                }
                at = self.opened(bytes, at, open);
                let tick = clock.tick(&bytes[at..])?;
                at += tick.len;
                (row.time_s, row.time_decimals) = (tick.time_s, tick.decimals);
            } else if column == self.current_column {
                if MARKED && !open && !self.bare_numbers {
                    return None;
                }
                at = self.opened(bytes, at, open);
                let cell = like.number(&bytes[at..], self.decimal_mark)?;
                if cell.value.abs() >= SENTINELS {
                    return None;
                }
                at += cell.len;
                (row.current, row.current_decimals) = (cell.value, cell.decimals);
                if MARKED {
                    let unit = self.unit_text.bytes();
                    if !bytes[at..].starts_with(unit) {
                        return None;
                    }
                    at += unit.len();
                }
            } else if C::APART && column == self.date_column {
                if MARKED && open != self.date_quoted {
                    return None;
                }
                at = self.opened(bytes, at, open);
                at += clock.date(&bytes[at..])?;
            } else if open {
                at += quoted_len(&bytes[at..])?;
            } else {
                at += self.skipped(&bytes[at..])?;
            }
            at = self.blanks(bytes, at);
            let wanted = matches!(column, c if c == self.time_column || c == self.current_column)
                || C::APART && column == self.date_column;
            if MARKED && open && wanted {
                if bytes.get(at) != Some(&b'"') {
                    return None;
                }
                at = self.blanks(bytes, at + 1);
            }
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
    fn pair<C: Clock>(&self, bytes: &[u8], clock: &mut C, like: &mut Like) -> Option<Row> {
        let tick = clock.tick(bytes)?;
        let rest = bytes.get(tick.len..)?;
        if *rest.first()? != self.delimiter {
            return None;
        }
        let cell = like.number(&rest[1..], self.decimal_mark)?;
        let end = tick.len + 1 + cell.len;
        let ending = match bytes.get(end)? {
            b'\n' => 1,
            b'\r' if bytes.get(end + 1) == Some(&b'\n') => 2,
            _ => return None,
        };
        if cell.value.abs() >= SENTINELS {
            return None;
        }
        Some(Row {
            time_s: tick.time_s,
            time_decimals: tick.decimals,
            current: cell.value,
            current_decimals: cell.decimals,
            len: end + ending,
        })
    }

    /// Past the quote that opens a cell, and the blanks behind it.
    #[inline(always)]
    fn opened(&self, bytes: &[u8], at: usize, open: bool) -> usize {
        if open { self.blanks(bytes, at + 1) } else { at }
    }

    /// The bytes from the time cell of the first row on, within its quotes; all of them without a time column.
    pub(super) fn time_cell<'b>(&self, bytes: &'b [u8]) -> Option<&'b [u8]> {
        self.within(self.cell(bytes, self.time_column)?, self.time_quoted)
    }

    /// As [`time_cell`](Self::time_cell), of the date that has a cell of its own.
    pub(super) fn date_cell<'b>(&self, bytes: &'b [u8]) -> Option<&'b [u8]> {
        self.within(self.cell(bytes, self.date_column)?, self.date_quoted)
    }

    fn within<'b>(&self, cell: &'b [u8], quoted: bool) -> Option<&'b [u8]> {
        cell.get(self.opened(cell, 0, quoted)..)
    }

    /// The bytes from the cell in `column` on.
    fn cell<'b>(&self, bytes: &'b [u8], column: usize) -> Option<&'b [u8]> {
        let mut at = self.blanks(bytes, 0);
        if column == usize::MAX {
            return Some(bytes);
        }
        for _ in 0..column {
            at += match bytes.get(at) {
                Some(b'"') if self.quoted => quoted_len(&bytes[at..])?,
                _ => self.skipped(&bytes[at..])?,
            };
            at = self.blanks(bytes, at);
            at = self.blanks(bytes, at + usize::from(bytes.get(at) == Some(&self.delimiter)));
        }
        bytes.get(at..)
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

/// Length of a quoted cell with its quotes, doubled ones inside passed over; it may not go on in the next line.
fn quoted_len(bytes: &[u8]) -> Option<usize> {
    let mut at = 1;
    loop {
        at += memchr::memchr2(b'"', b'\n', bytes.get(at..)?)?;
        match (bytes[at], bytes.get(at + 1)) {
            (b'"', Some(b'"')) => at += 2,
            (b'"', _) => return Some(at + 1),
            _ => return None,
        }
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
    take: impl FnMut(usize, Row) -> Option<()>,
) -> Result<usize, NotPlain> {
    if form.marked {
        rows_of::<C, true>(form, clock, bytes, until, offset, take)
    } else {
        rows_of::<C, false>(form, clock, bytes, until, offset, take)
    }
}

#[inline(always)]
fn rows_of<C: Clock, const MARKED: bool>(
    form: &Form,
    clock: &mut C,
    bytes: &[u8],
    until: usize,
    offset: usize,
    mut take: impl FnMut(usize, Row) -> Option<()>,
) -> Result<usize, NotPlain> {
    let (mut at, mut rows) = (0, 0);
    let mut like = Like::NONE;
    while at < until {
        let empty = empty_line(&bytes[at..]);
        if empty > 0 {
            at += empty;
            continue;
        }
        let not_plain = NotPlain { offset: offset + at };
        let row = form.row::<C, MARKED>(&bytes[at..], clock, &mut like).ok_or(not_plain)?;
        take(rows, row).ok_or(not_plain)?;
        at += row.len;
        rows += 1;
    }
    Ok(rows)
}
