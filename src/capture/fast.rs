//! The bulk path: plain tables of numbers, read by both cores, exactly as `str::parse` reads
//! them, or refused so that the careful path can take the whole file.

mod axis;
mod clock;
mod number;
mod rows;
mod source;

use std::sync::atomic::{AtomicUsize, Ordering};

use jiff::civil::{DateTime, Time};
use rayon::prelude::*;

use self::axis::EvenClock;
use self::clock::{Clock, Elapsed, NoClock, OfDay, Stamps};
use self::rows::{Form, Row, each_row, empty_line};
pub(super) use self::source::Source;
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

impl PlainTime {
    fn column(&self) -> Option<usize> {
        match self {
            Self::Elapsed { column, .. }
            | Self::Stamp { column, .. }
            | Self::TimeOfDay { column } => Some(*column),
            Self::Rows { .. } => None,
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

/// Bytes that one thread reads at a time.
const PIECE: usize = 1 << 20;
/// Longest row that is taken for plain.
const LONGEST_ROW: usize = 1 << 16;
/// Bytes of a piece that are looked at for the number of digits in its times.
const GLANCE: usize = 1 << 10;
const DAY_S: f64 = 86_400.0;

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
    let table = Table { source, form: Form::of(layout), first_row, end, progress, len };
    let head = source.bytes(first_row..end.min(first_row + LONGEST_ROW), &mut buffer);
    let head = table.form.time_cell(head.map_err(|_| none)?).ok_or(none)?;
    let (rows, first_time, unit_s) = match layout.time {
        PlainTime::Elapsed { seconds_per_unit, .. } => {
            let decimal_mark = layout.decimal_mark;
            let first = number::number(head, decimal_mark).ok_or(none)?.value;
            let clock = Elapsed { decimal_mark, seconds_per_unit, first };
            let rows = table.read(clock, seconds_per_unit, None)?;
            (rows, FirstTime::Elapsed(first * seconds_per_unit), Some(seconds_per_unit))
        }
        PlainTime::Stamp { form, .. } => {
            let (clock, first) = Stamps::starting(head, form, layout.delimiter).ok_or(none)?;
            (table.read(clock, 1.0, None)?, FirstTime::Stamp(first), Some(1.0))
        }
        PlainTime::TimeOfDay { .. } => {
            let (clock, first) = OfDay::starting(head, layout.delimiter).ok_or(none)?;
            (table.read(clock, 1.0, None)?, FirstTime::TimeOfDay(first), Some(1.0))
        }
        PlainTime::Rows { interval_s } => {
            (table.read(NoClock, 1.0, Some(interval_s))?, FirstTime::Rows, None)
        }
    };
    let Rows { time, time_decimals, mut current, current_decimals } = rows;
    if layout.amperes_per_unit != 1.0 {
        current.par_iter_mut().for_each(|current| *current *= layout.amperes_per_unit);
    }
    Ok(FastTable {
        time,
        first_time,
        time_resolution_s: unit_s.map(|unit_s| unit_s * printed_unit(time_decimals)),
        current_a: current,
        current_decimals,
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

/// The rows of a plain table, cut into pieces.
struct Table<'a, S: ?Sized> {
    source: &'a S,
    form: Form,
    first_row: usize,
    end: usize,
    progress: &'a dyn Progress,
    /// Length of the file.
    len: usize,
}

/// What came of the rows.
struct Rows {
    time: TimeAxis,
    time_decimals: i32,
    current: Vec<f64>,
    current_decimals: i32,
}

/// A first look at a piece.
#[derive(Clone, Copy)]
struct Glance {
    /// Lines, those that are empty included.
    lines: usize,
    first_s: f64,
    last_s: f64,
    time_decimals: i32,
}

/// What came of one piece.
#[derive(Clone, Copy, Default)]
struct Piece {
    rows: usize,
    time_decimals: i32,
    current_decimals: i32,
    /// Largest distance from the even clock, seconds.
    distance_s: f64,
    /// Midnights passed.
    midnights: u32,
}

impl<S: Source + ?Sized> Table<'_, S> {
    /// The bytes of piece `piece` from its first row on, how many of them may start a row, and
    /// the offset of the first. They end with a whole row.
    fn piece<'b>(
        &'b self,
        piece: usize,
        buffer: &'b mut Vec<u8>,
    ) -> Result<(&'b [u8], usize, usize), NotPlain> {
        let start = self.first_row + piece * PIECE;
        let end = (start + PIECE).min(self.end);
        let not_plain = NotPlain { offset: start };
        // The byte before tells whether a row starts at the very first byte.
        let from = start - usize::from(piece > 0);
        let to = (end + LONGEST_ROW).min(self.end);
        let mut bytes = self.source.bytes(from..to, buffer).map_err(|_| not_plain)?;
        if to < self.end {
            let whole = memchr::memrchr(b'\n', bytes).ok_or(not_plain)? + 1;
            bytes = &bytes[..whole];
        }
        let skipped = match piece {
            0 => 0,
            _ => memchr::memchr(b'\n', bytes).ok_or(not_plain)? + 1,
        };
        Ok((&bytes[skipped..], (end - from).saturating_sub(skipped), from + skipped))
    }

    fn glance<C: Clock>(
        &self,
        piece: usize,
        mut clock: C,
        buffer: &mut Vec<u8>,
    ) -> Result<Glance, NotPlain> {
        let (bytes, starts, offset) = self.piece(piece, buffer)?;
        let starts = starts.min(bytes.len());
        let mut glance = Glance { lines: 0, first_s: 0.0, last_s: 0.0, time_decimals: i32::MIN };
        if starts == 0 {
            return Ok(glance);
        }
        glance.lines = 1 + memchr::memchr_iter(b'\n', &bytes[..starts - 1]).count();
        // A row that does not follow the layout is the next pass's to name.
        let mut look = |from: usize, until: usize| {
            let mut times = (f64::NAN, f64::NAN);
            let take = |i, row: Row| {
                times = (if i == 0 { row.time_s } else { times.0 }, row.time_s);
                glance.time_decimals = glance.time_decimals.max(row.time_decimals);
                Some(())
            };
            let read = each_row(&self.form, &mut clock, &bytes[from..], until - from, offset, take);
            if read.is_ok() { times } else { (f64::NAN, f64::NAN) }
        };
        glance.first_s = look(0, starts.min(GLANCE)).0;
        let last = memchr::memrchr(b'\n', &bytes[..starts - 1]).map_or(0, |at| at + 1);
        glance.last_s = look(last, starts).1;
        Ok(glance)
    }

    /// Reads all pieces, each row's number and the piece's own slots of the result going to `take`.
    fn pass<C: Clock, T: Send>(
        &self,
        clock: C,
        slots: Vec<T>,
        take: impl Fn(&mut Piece, &mut T, usize, Row) -> Option<()> + Sync,
    ) -> Result<Vec<Piece>, NotPlain> {
        let done = AtomicUsize::new(0);
        let failed = AtomicUsize::new(usize::MAX);
        let results: Vec<Result<Piece, NotPlain>> = slots
            .into_par_iter()
            .enumerate()
            .map_init(Vec::new, |buffer, (index, mut slot)| {
                let mut piece = Piece {
                    time_decimals: i32::MIN,
                    current_decimals: i32::MIN,
                    ..Piece::default()
                };
                // Which row is named must not depend on who comes first: earlier pieces go on.
                if failed.load(Ordering::Relaxed) < index {
                    return Ok(piece);
                }
                let (bytes, starts, offset) = self.piece(index, buffer)?;
                let mut clock = clock;
                let rows = each_row(&self.form, &mut clock, bytes, starts, offset, |i, row| {
                    piece.time_decimals = piece.time_decimals.max(row.time_decimals);
                    piece.current_decimals = piece.current_decimals.max(row.current_decimals);
                    take(&mut piece, &mut slot, i, row)
                });
                piece.rows = rows.inspect_err(|_| {
                    failed.fetch_min(index, Ordering::Relaxed);
                })?;
                let now = done.fetch_add(starts, Ordering::Relaxed) + starts;
                self.progress.at((self.first_row + now).min(self.len) as u64, self.len as u64);
                Ok(piece)
            })
            .collect();
        results.into_iter().collect()
    }

    fn read<C: Clock>(
        &self,
        clock: C,
        seconds_per_unit: f64,
        interval_s: Option<f64>,
    ) -> Result<Rows, NotPlain> {
        let pieces = (self.end - self.first_row).div_ceil(PIECE);
        let glances: Vec<Glance> = (0..pieces)
            .into_par_iter()
            .map_init(Vec::new, |buffer, piece| self.glance(piece, clock, buffer))
            .collect::<Vec<_>>()
            .into_iter()
            .collect::<Result<_, _>>()?;
        let lines: Vec<usize> = glances.iter().map(|glance| glance.lines).collect();
        let total = lines.iter().sum();
        let mut current = vec![0.0; total];

        let seen = glances.iter().map(|glance| glance.time_decimals).max().unwrap_or(0);
        let resolution_s = |decimals| seconds_per_unit * printed_unit(decimals);
        let last = glances.iter().rev().find(|glance| glance.lines > 0);
        let last_s = last.map_or(0.0, |glance| glance.last_s);
        let even = match interval_s {
            Some(interval_s) => Some(EvenClock::given(interval_s)),
            None if C::WRAPS => None,
            None => EvenClock::through(last_s, total, resolution_s(seen)),
        };
        let even = even.filter(|even| interval_s.is_some() || self.plausible(even, &glances));
        if let Some(even) = even {
            let firsts = starts_of(&lines);
            let slots = slices(&mut current, &lines).into_iter().zip(firsts).collect();
            let read = self.pass(
                clock,
                slots,
                |piece, (slot, first): &mut (&mut [f64], usize), i, row| {
                    *slot.get_mut(i)? = row.current;
                    if interval_s.is_none() {
                        piece.distance_s =
                            piece.distance_s.max(even.distance_s(*first + i, row.time_s));
                    }
                    Some(())
                },
            )?;
            let all = together(&read);
            let rows: usize = read.iter().map(|piece| piece.rows).sum();
            let exact = if interval_s.is_some() {
                true
            } else {
                rows == total
                    && EvenClock::through(last_s, total, resolution_s(all.time_decimals))
                        .is_some_and(|truly| {
                            truly.interval_s == even.interval_s && truly.allows(all.distance_s)
                        })
            };
            if exact {
                close_up(&mut current, &lines, &read);
                return Ok(Rows {
                    time: TimeAxis::Uniform { interval_s: even.interval_s, len: rows },
                    time_decimals: all.time_decimals,
                    current,
                    current_decimals: all.current_decimals,
                });
            }
        }
        self.read_listed(clock, &lines, current, resolution_s)
    }

    /// Whether the even clock meets the first rows of all pieces.
    fn plausible(&self, even: &EvenClock, glances: &[Glance]) -> bool {
        let firsts =
            starts_of(glances.iter().map(|glance| glance.lines).collect::<Vec<_>>().as_slice());
        glances
            .iter()
            .zip(firsts)
            .filter(|(glance, _)| glance.lines > 0)
            .all(|(glance, first)| even.allows(even.distance_s(first, glance.first_s)))
    }

    fn read_listed<C: Clock>(
        &self,
        clock: C,
        lines: &[usize],
        mut current: Vec<f64>,
        resolution_s: impl Fn(i32) -> f64,
    ) -> Result<Rows, NotPlain> {
        let mut times = vec![0.0; current.len()];
        let slots =
            slices(&mut current, lines).into_iter().zip(slices(&mut times, lines)).collect();
        let read = self.pass(
            clock,
            slots,
            |piece, (current, times): &mut (&mut [f64], &mut [f64]), i, row| {
                *current.get_mut(i)? = row.current;
                let mut time_s = row.time_s + DAY_S * f64::from(piece.midnights);
                if i > 0 && time_s < times[i - 1] {
                    if !midnight::<C>(times[i - 1], time_s) {
                        return None;
                    }
                    piece.midnights += 1;
                    time_s += DAY_S;
                }
                *times.get_mut(i)? = time_s;
                Some(())
            },
        )?;
        let mut previous_s = 0.0;
        let mut midnights = 0;
        for (index, (piece, times)) in read.iter().zip(slices(&mut times, lines)).enumerate() {
            let times = &mut times[..piece.rows];
            let Some(first_s) = times.first().map(|first| first + DAY_S * f64::from(midnights))
            else {
                continue;
            };
            if first_s < previous_s {
                if !midnight::<C>(previous_s, first_s) {
                    return Err(NotPlain { offset: self.first_row + index * PIECE });
                }
                midnights += 1;
            }
            if midnights > 0 {
                times.iter_mut().for_each(|time_s| *time_s += DAY_S * f64::from(midnights));
            }
            midnights += piece.midnights;
            previous_s = times[times.len() - 1];
        }
        close_up(&mut current, lines, &read);
        close_up(&mut times, lines, &read);
        let all = together(&read);
        Ok(Rows {
            time: axis::axis(times, resolution_s(all.time_decimals)),
            time_decimals: all.time_decimals,
            current,
            current_decimals: all.current_decimals,
        })
    }
}

/// Value of the last digit printed.
fn printed_unit(decimals: i32) -> f64 {
    10f64.powi(-decimals.clamp(-300, 300))
}

/// Whether a fall from one time of day to the next is midnight.
fn midnight<C: Clock>(from_s: f64, to_s: f64) -> bool {
    C::WRAPS && from_s - to_s > 0.5 * DAY_S
}

fn together(pieces: &[Piece]) -> Piece {
    pieces.iter().fold(
        Piece { time_decimals: i32::MIN, current_decimals: i32::MIN, ..Piece::default() },
        |all, piece| Piece {
            rows: all.rows + piece.rows,
            time_decimals: all.time_decimals.max(piece.time_decimals),
            current_decimals: all.current_decimals.max(piece.current_decimals),
            distance_s: all.distance_s.max(piece.distance_s),
            midnights: all.midnights + piece.midnights,
        },
    )
}

/// Number of the first line of each piece.
fn starts_of(lines: &[usize]) -> Vec<usize> {
    lines
        .iter()
        .scan(0, |next, lines| {
            let first = *next;
            *next += lines;
            Some(first)
        })
        .collect()
}

fn slices<'v>(mut values: &'v mut [f64], lines: &[usize]) -> Vec<&'v mut [f64]> {
    lines
        .iter()
        .map(|lines| {
            let (own, rest) = std::mem::take(&mut values).split_at_mut(*lines);
            values = rest;
            own
        })
        .collect()
}

/// Removes the slots that empty lines left over.
fn close_up(values: &mut Vec<f64>, lines: &[usize], pieces: &[Piece]) {
    let mut to = 0;
    for (from, piece) in starts_of(lines).into_iter().zip(pieces) {
        if from != to {
            values.copy_within(from..from + piece.rows, to);
        }
        to += piece.rows;
    }
    values.truncate(to);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::Silent;
    use jiff::ToSpan;
    use proptest::prelude::*;
    use std::io::Write;

    const PLAIN: PlainLayout = PlainLayout {
        delimiter: b',',
        decimal_mark: b'.',
        columns: 2,
        first_row: 0,
        time: PlainTime::Elapsed { column: 0, seconds_per_unit: 1.0 },
        current_column: 1,
        amperes_per_unit: 1.0,
    };

    fn times(table: &FastTable) -> Vec<f64> {
        (0..table.time.len()).map(|i| table.time.at(i)).collect()
    }

    /// Both ways in, which must agree.
    fn read_both(text: &str, layout: &PlainLayout) -> Result<FastTable, NotPlain> {
        let mut file = tempfile::tempfile().unwrap();
        file.write_all(text.as_bytes()).unwrap();
        let from_file = read_from(&file, text.len(), layout, &Silent);
        assert_eq!(from_file, read(text.as_bytes(), layout, &Silent));
        from_file
    }

    proptest! {
        #![proptest_config(crate::chance::same(300))]

        #[test]
        fn every_cell_is_what_the_csv_crate_and_the_standard_library_read(
            rows in prop::collection::vec((0.0..2.0f64, -1e3..1e3f64, 0usize..9), 1..60),
            delimiter in prop::sample::select(b",;\t".to_vec()),
            place in 0usize..3,
            crlf in any::<bool>(),
            pad in any::<bool>(),
            closed in any::<bool>(),
            preamble in "[a-z ,;0-9]{0,20}",
        ) {
            let decimal_mark = if delimiter == b',' { b'.' } else { b',' };
            let ending = if crlf { "\r\n" } else { "\n" };
            let pad = if pad { " " } else { "" };
            let mut text = format!("{preamble}\n");
            let first_row = text.len();
            let mut t = 3.0;
            for (wait, current, digits) in &rows {
                t += wait;
                let mut cells = vec![format!("{t:.4}"), format!("{pad}{current:.digits$}")];
                cells.insert(place, "note".to_owned());
                let line = cells.join(&char::from(delimiter).to_string());
                text += &line.replace('.', &char::from(decimal_mark).to_string());
                text += ending;
            }
            if !closed {
                text.truncate(text.len() - ending.len());
            }
            let columns: Vec<usize> = (0..3).filter(|column| *column != place).collect();
            let layout = PlainLayout {
                delimiter,
                decimal_mark,
                columns: 3,
                first_row,
                time: PlainTime::Elapsed { column: columns[0], seconds_per_unit: 1e-3 },
                current_column: columns[1],
                amperes_per_unit: 1e-3,
            };
            let table = read_both(&text, &layout).unwrap();

            let mut reader = csv::ReaderBuilder::new()
                .has_headers(false)
                .delimiter(delimiter)
                .from_reader(&text.as_bytes()[first_row..]);
            let cell = |record: &csv::StringRecord, column: usize| -> f64 {
                record[column].trim().replace(',', ".").parse().unwrap()
            };
            let expected: Vec<(f64, f64)> = reader
                .records()
                .map(|record| record.unwrap())
                .map(|record| (cell(&record, columns[0]), cell(&record, columns[1])))
                .collect();
            let first = expected[0].0;
            prop_assert_eq!(table.first_time, FirstTime::Elapsed(first * 1e-3));
            prop_assert_eq!(table.open_end, !closed);
            let currents: Vec<f64> = expected.iter().map(|(_, c)| c * 1e-3).collect();
            prop_assert_eq!(&table.current_a, &currents);
            let decimals = rows.iter().map(|(_, _, digits)| *digits as i32).max().unwrap();
            prop_assert_eq!(table.current_decimals, decimals);
            for (found, (t, _)) in times(&table).iter().zip(&expected) {
                let exact = (t - first) * 1e-3;
                let uniform = matches!(table.time, TimeAxis::Uniform { .. });
                let allowed = if uniform { 1.01e-7 } else { 0.0 };
                prop_assert!((found - exact).abs() <= allowed);
            }
        }

        #[test]
        fn stamps_are_what_jiff_makes_of_them(
            waits in prop::collection::vec(0i64..40_000_000, 1..50),
            order in 0usize..3,
            separator in prop::sample::select(b"-/.".to_vec()),
            between in prop::sample::select(b" T".to_vec()),
            places in 0u32..7,
        ) {
            let mut now = jiff::civil::date(2024, 2, 28).at(23, 59, 1, 0);
            let mut stamps = Vec::new();
            let mut text = String::new();
            for wait in &waits {
                let unit = 10i64.pow(6 - places);
                now = now.checked_add((wait / unit * unit).microseconds()).unwrap();
                stamps.push(now);
                let date = now.date();
                let (y, m, d) = (date.year(), date.month(), date.day());
                let s = char::from(separator);
                let date = [
                    format!("{y:04}{s}{m:02}{s}{d:02}"),
                    format!("{d:02}{s}{m:02}{s}{y:04}"),
                    format!("{m:02}{s}{d:02}{s}{y:04}"),
                ][order]
                    .clone();
                let time = now.strftime("%H:%M:%S").to_string();
                let fraction = format!("{:06}", now.subsec_nanosecond() / 1000);
                let fraction = match places {
                    0 => String::new(),
                    _ => format!(".{}", &fraction[..places as usize]),
                };
                text += &format!("{date}{}{time}{fraction},0.5\n", char::from(between));
            }
            let order = [DateOrder::YearMonthDay, DateOrder::DayMonthYear, DateOrder::MonthDayYear][order];
            let form = StampForm { order, date_separator: separator, between };
            let layout = PlainLayout { time: PlainTime::Stamp { column: 0, form }, ..PLAIN };
            let table = read_both(&text, &layout).unwrap();
            prop_assert_eq!(table.first_time, FirstTime::Stamp(stamps[0]));
            prop_assert_eq!(table.time_resolution_s, Some(10f64.powi(-(places as i32))));
            if let TimeAxis::Listed(times) = &table.time {
                for (time, stamp) in times.iter().zip(&stamps) {
                    prop_assert_eq!(*time, stamp.duration_since(stamps[0]).as_secs_f64());
                }
            }
        }
    }

    /// A file of many pieces.
    fn long(rows: usize, line: impl Fn(usize) -> String) -> String {
        (0..rows).map(|i| line(i) + "\n").collect()
    }

    #[test]
    fn an_even_clock_over_many_pieces_is_uniform() {
        let text = long(150_000, |i| format!("{}.{},{}", i / 2, i % 2 * 5, i % 1000));
        let text = text + "\n\r\n";
        assert!(text.len() > PIECE + PIECE / 2);
        let table = read_both(&text, &PLAIN).unwrap();
        assert_eq!(table.time, TimeAxis::Uniform { interval_s: 0.5, len: 150_000 });
        assert!(table.current_a.iter().enumerate().all(|(i, c)| *c == (i % 1000) as f64));
        assert!(!table.open_end);
    }

    #[test]
    fn a_gap_or_empty_lines_are_listed_and_closed_up() {
        let blank = |i: usize| if i % 40_000 == 7 { "\n\n" } else { "" };
        let text = long(150_000, |i| {
            let t = if i < 70_000 { i } else { i + 5 };
            format!("{t}.000,{}{}", i % 1000, blank(i))
        });
        let table = read_both(&text, &PLAIN).unwrap();
        let expected: Vec<f64> =
            (0..150_000).map(|i| (if i < 70_000 { i } else { i + 5 }) as f64).collect();
        assert_eq!(table.time, TimeAxis::Listed(expected));
        assert!(table.current_a.iter().enumerate().all(|(i, c)| *c == (i % 1000) as f64));
    }

    #[test]
    fn time_of_day_goes_on_past_midnight() {
        let clock = |i: usize| (86_000 + 40 * i) % 86_400;
        let text = long(90_000, |i| {
            let s = clock(i);
            format!("{:02}:{:02}:{:02},{}", s / 3600, s / 60 % 60, s % 60, i % 10)
        });
        let layout = PlainLayout { time: PlainTime::TimeOfDay { column: 0 }, ..PLAIN };
        let table = read_both(&text, &layout).unwrap();
        assert_eq!(table.time, TimeAxis::Uniform { interval_s: 40.0, len: 90_000 });
        assert_eq!(table.first_time, FirstTime::TimeOfDay(jiff::civil::time(23, 53, 20, 0)));
    }

    #[test]
    fn rows_without_a_clock_take_the_interval() {
        let layout = PlainLayout {
            columns: 1,
            current_column: 0,
            time: PlainTime::Rows { interval_s: 0.25 },
            ..PLAIN
        };
        let table = read_both("1\n\n2\n3", &layout).unwrap();
        assert_eq!(table.time, TimeAxis::Uniform { interval_s: 0.25, len: 3 });
        assert_eq!(table.current_a, [1.0, 2.0, 3.0]);
        assert_eq!((table.first_time, table.time_resolution_s), (FirstTime::Rows, None));
        assert!(table.open_end);
    }

    #[test]
    fn the_first_row_that_is_not_plain_is_named() {
        for bad in [
            "7,OL", "7", "7,1,2", "7,\"1\"", "x,1", "7,nan", "7,1e999", "7,9.9E37", "7,1 A", "3,1",
            "7,",
        ] {
            let text = format!("0,1\n5,1\n{bad}\n8,1\nbad\n");
            assert_eq!(read_both(&text, &PLAIN), Err(NotPlain { offset: 8 }), "{bad}");
        }
        let good = long(300_000, |i| format!("{i},1"));
        let text = format!("{good}1,1\n{good}bad\n");
        assert_eq!(read_both(&text, &PLAIN), Err(NotPlain { offset: good.len() }));
        assert_eq!(read_both("", &PLAIN), Err(NotPlain { offset: 0 }));
        assert_eq!(read_both("\n\n", &PLAIN), Err(NotPlain { offset: 0 }));
        let endless = "1".repeat(3 * PIECE);
        assert!(read_both(&endless, &PLAIN).is_err());
    }
}
