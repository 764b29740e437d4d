//! The careful path: every row of a table whose form is known, on all cores, each odd cell accounted for.

use memchr::{memchr, memrchr};
use rayon::prelude::*;

use super::cell::{Mark, Reading, number, reading};
use super::clock::Clock;
use super::columns::cell_unit;
use super::dialect::{Delimiter, Dialect, Lines};
use super::fast::Source;
use super::options::{CurrentUnit, Progress};
use super::reading_unit::UnitPlace;
use super::stamp::{RawDate, stamp};

/// Bytes of a block that one core takes.
const BLOCK: usize = 4 << 20;
/// A longer line is not read.
pub(super) const LONGEST_LINE: usize = 16 << 20;

/// How rows become times and readings.
#[derive(Debug, Clone)]
pub(super) struct Plan {
    pub(super) dialect: Dialect,
    pub(super) line_end: u8,
    pub(super) width: usize,
    pub(super) widths: Vec<usize>,
    pub(super) header_text: Vec<u8>,
    pub(super) clock: Clock,
    pub(super) current: usize,
    pub(super) mark: Mark,
    pub(super) unit: UnitPlace,
    /// Column of channel names and the name of the rows to keep.
    pub(super) channel: Option<(usize, Vec<u8>)>,
}

impl Plan {
    fn last_cell(&self) -> usize {
        let beside = match self.unit {
            UnitPlace::Beside(at) => at,
            _ => 0,
        };
        let channel = self.channel.as_ref().map_or(0, |(at, _)| *at);
        self.clock.columns().into_iter().chain([self.current, beside, channel]).max().unwrap_or(0)
    }

    fn fits(&self, width: usize) -> bool {
        width == self.width || self.widths.contains(&width)
    }
}

/// What an odd cell was.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Odd {
    Missing,
    Overload,
}

/// Where the date or the offset changes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Run {
    pub(super) row: usize,
    pub(super) date: Option<RawDate>,
    pub(super) offset_min: Option<i32>,
}

/// A row in the file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct RowPlace {
    pub(super) row: usize,
    pub(super) line: u64,
    pub(super) column: u64,
    pub(super) text: String,
}

/// Rows as read, clock not yet settled.
#[derive(Debug, Clone, Default)]
pub(super) struct Raw {
    /// Seconds of the day with [`Raw::runs`], or seconds since the origin.
    pub(super) time: Vec<f64>,
    /// Ampere; meaningless in rows listed in `odd`.
    pub(super) value: Vec<f64>,
    pub(super) odd: Vec<(usize, Odd)>,
    pub(super) runs: Vec<Run>,
    /// Rows after which the header stood again, or other text.
    pub(super) breaks: Vec<usize>,
    /// Rows whose time is below the row before, and the first row of every block.
    pub(super) back: Vec<RowPlace>,
    /// Lines that are no row of the table, and the first of them.
    pub(super) unreadable: u64,
    pub(super) first_unreadable: Option<RowPlace>,
    pub(super) last_unreadable_line: u64,
    /// Rows of other channels in the long layout.
    pub(super) passed: u64,
    /// Units seen in cells, by [`CurrentUnit`] order of discovery.
    pub(super) units: Vec<CurrentUnit>,
    pub(super) lines: u64,
    /// Line of the last row read.
    pub(super) last_row_line: u64,
}

/// Reads the rows in the first `len` bytes of `source` from `first_row` on, which is line `first_line`.
/// Beyond the result, memory is a few blocks.
///
/// # Errors
/// When `source` cannot be read.
pub(super) fn read(
    source: &(impl Source + ?Sized),
    len: usize,
    first_row: usize,
    first_line: u64,
    plan: &Plan,
    progress: &dyn Progress,
) -> std::io::Result<Raw> {
    let mut all = Raw::default();
    let mut buffer = Vec::new();
    let mut at = first_row;
    let cores = rayon::current_num_threads().max(1);
    let mut reach = cores * BLOCK;
    while at < len {
        let to = at.saturating_add(reach).min(len);
        let chunk = source.bytes(at..to, &mut buffer)?;
        let whole = if to == len {
            Some(chunk.len())
        } else {
            memrchr(plan.line_end, chunk).map(|end| end + 1)
        };
        let Some(whole) = whole else {
            if reach < 2 * LONGEST_LINE {
                reach *= 2;
            } else {
                at = to;
            }
            continue;
        };
        let chunk = &chunk[..whole];
        let mut blocks = Vec::with_capacity(cores + 1);
        let mut start = 0;
        while start < chunk.len() {
            let end = block_end(chunk, start, plan.line_end);
            blocks.push(&chunk[start..end]);
            start = end;
        }
        let parts: Vec<Raw> = blocks.par_iter().map(|block| read_block(block, plan)).collect();
        let rows: usize = parts.iter().map(|part| part.time.len()).sum();
        if all.time.is_empty() {
            // The first rows tell how many there will be.
            let expected = (rows as f64 * (len - at) as f64 / whole.max(1) as f64 * 1.02) as usize;
            all.time.reserve(expected);
            all.value.reserve(expected);
        }
        for part in parts {
            all.append(part, first_line);
        }
        at += whole;
        reach = cores * BLOCK;
        progress.at(at as u64, len as u64);
    }
    Ok(all)
}

fn block_end(text: &[u8], start: usize, line_end: u8) -> usize {
    let goal = (start + BLOCK).min(text.len());
    if goal == text.len() {
        return goal;
    }
    match memrchr(line_end, &text[start..goal]) {
        Some(at) => start + at + 1,
        None => memchr(line_end, &text[goal..]).map_or(text.len(), |at| goal + at + 1),
    }
}

impl Raw {
    /// Puts a later block behind this one.
    fn append(&mut self, part: Raw, first_line: u64) {
        let rows = self.time.len();
        let lines = self.lines + first_line;
        let place = |p: RowPlace| RowPlace { row: p.row + rows, line: p.line + lines, ..p };
        self.time.extend(part.time);
        self.value.extend(part.value);
        self.odd.extend(part.odd.into_iter().map(|(row, odd)| (row + rows, odd)));
        for run in part.runs {
            if self
                .runs
                .last()
                .is_none_or(|last| (last.date, last.offset_min) != (run.date, run.offset_min))
            {
                self.runs.push(Run { row: run.row + rows, ..run });
            }
        }
        self.breaks.extend(part.breaks.into_iter().map(|row| row + rows));
        self.back.extend(part.back.into_iter().map(place));
        self.unreadable += part.unreadable;
        if self.first_unreadable.is_none() {
            self.first_unreadable = part.first_unreadable.map(place);
        }
        if part.unreadable > 0 {
            self.last_unreadable_line = part.last_unreadable_line + lines;
        }
        if part.last_row_line > 0 || self.time.len() > rows {
            self.last_row_line = part.last_row_line + lines;
        }
        self.passed += part.passed;
        for unit in part.units {
            if !self.units.contains(&unit) {
                self.units.push(unit);
            }
        }
        self.lines += part.lines;
    }
}

/// The date of the row before, so that its digits are read once a day.
struct DateCache {
    /// What stands before and after the time of day; of a date's own column, all of it.
    prefix: Vec<u8>,
    suffix: Vec<u8>,
    /// The suffix says AM or PM.
    afternoon: Option<bool>,
    /// Prefix and suffix are those of the row before, and leave nothing but the time of day.
    ready: bool,
    run: Option<(Option<RawDate>, Option<i32>)>,
}

fn read_block(block: &[u8], plan: &Plan) -> Raw {
    let mut raw = Raw::default();
    let mut cells: Vec<&[u8]> = Vec::new();
    let mut cache = DateCache {
        prefix: Vec::new(),
        suffix: Vec::new(),
        afternoon: None,
        ready: false,
        run: None,
    };
    let limit = (plan.last_cell() + 1).max(plan.width + 8);
    let rows = block.len() / 24;
    raw.time.reserve(rows);
    raw.value.reserve(rows);
    for (line_at, (_, line)) in Lines::new(block, plan.line_end).enumerate() {
        raw.lines += 1;
        if line.is_empty() || line.len() > LONGEST_LINE {
            continue;
        }
        plan.dialect.split(line, limit, &mut cells);
        let width = match cells.as_slice() {
            [.., b""] if !plan.fits(cells.len()) => cells.len() - 1,
            _ => cells.len(),
        };
        let row = if plan.fits(width) || loose(plan, &cells) {
            take(plan, &cells, &mut cache, &mut raw)
        } else {
            Taken::No
        };
        match row {
            Taken::Row { new_run } => {
                let at = raw.time.len() - 1;
                raw.last_row_line = line_at as u64;
                if let Some((date, offset_min)) = new_run {
                    raw.runs.push(Run { row: at, date, offset_min });
                }
                if at == 0 || raw.time[at] < raw.time[at - 1] {
                    let cell = plan
                        .clock
                        .columns()
                        .first()
                        .and_then(|c| cells.get(*c))
                        .copied()
                        .unwrap_or_default();
                    if raw.back.len() < 4096 || at == 0 {
                        raw.back.push(place(at, line_at, line, cell));
                    }
                }
            }
            Taken::Passed => raw.passed += 1,
            Taken::No => {
                if line.trim_ascii().is_empty() || line.iter().all(|b| *b <= b' ') {
                    continue;
                }
                if line == plan.header_text.as_slice() {
                    raw.breaks.push(raw.time.len());
                } else if !matches!(line.trim_ascii_start().first(), Some(b'#' | b'%' | b'!')) {
                    if raw.first_unreadable.is_none() {
                        raw.first_unreadable =
                            Some(place(raw.time.len(), line_at, line, line.trim_ascii()));
                    }
                    raw.breaks.push(raw.time.len());
                    raw.unreadable += 1;
                    raw.last_unreadable_line = line_at as u64;
                } else {
                    raw.breaks.push(raw.time.len());
                }
            }
        }
    }
    raw.breaks.dedup();
    raw
}

fn place(row: usize, line_at: usize, line: &[u8], cell: &[u8]) -> RowPlace {
    // The cell is a slice of the line.
    let offset = (cell.as_ptr() as usize).wrapping_sub(line.as_ptr() as usize);
    let before = line.get(..offset).unwrap_or_default();
    let text = String::from_utf8_lossy(&cell[..cell.len().min(60)]).into_owned();
    RowPlace {
        row,
        line: line_at as u64,
        column: String::from_utf8_lossy(before).chars().count() as u64 + 1,
        text,
    }
}

/// A row with blank or surplus cells at its end still counts when its width is near.
fn loose(plan: &Plan, cells: &[&[u8]]) -> bool {
    let extra = cells.len() > plan.width && cells[plan.width..].iter().all(|c| c.is_empty());
    // A shorter row may be cut off in its last cell.
    let short = cells.len() < plan.width
        && cells.len() > plan.last_cell() + 1
        && plan.dialect.delimiter != Delimiter::Blanks
        && cells.len() + 2 >= plan.width;
    extra || short
}

enum Taken {
    Row { new_run: Option<(Option<RawDate>, Option<i32>)> },
    Passed,
    No,
}

#[inline]
fn take(plan: &Plan, cells: &[&[u8]], cache: &mut DateCache, raw: &mut Raw) -> Taken {
    if let Some((at, name)) = &plan.channel
        && cells.get(*at).is_none_or(|cell| cell != name)
    {
        return Taken::Passed;
    }
    let Some(cell) = cells.get(plan.current) else { return Taken::No };
    let found = reading(cell, plan.mark);
    if found == Reading::Text {
        return Taken::No;
    }
    let before = cache.run;
    let Some(time) = time_of(plan, cells, cache, raw.time.len()) else { return Taken::No };
    let row = raw.time.len();
    let value = match found {
        Reading::Value(value, own) => match scale(plan, own, cells, raw) {
            Some(amperes) => value * amperes,
            None => return Taken::No,
        },
        Reading::Missing => {
            raw.odd.push((row, Odd::Missing));
            0.0
        }
        _ => {
            raw.odd.push((row, Odd::Overload));
            0.0
        }
    };
    raw.time.push(time);
    raw.value.push(value);
    let new_run = if row == 0 || cache.run != before { cache.run } else { None };
    Taken::Row { new_run }
}

#[inline]
fn scale(plan: &Plan, own: Option<CurrentUnit>, cells: &[&[u8]], raw: &mut Raw) -> Option<f64> {
    let unit = match &plan.unit {
        UnitPlace::Column(unit) => *unit,
        UnitPlace::Cells(fallback) => own.or(*fallback)?,
        UnitPlace::Beside(at) => cells.get(*at).and_then(|cell| cell_unit(cell))?,
    };
    if !raw.units.contains(&unit) {
        raw.units.push(unit);
    }
    Some(unit.amperes())
}

#[inline]
fn time_of(plan: &Plan, cells: &[&[u8]], cache: &mut DateCache, row: usize) -> Option<f64> {
    match &plan.clock {
        Clock::Rows { .. } => Some(row as f64),
        Clock::Number { column, mark, scale_s, origin } => {
            number_time(cells.get(*column)?, *mark, *origin).map(|t| t * scale_s)
        }
        Clock::Stamp { date, time, two_part_scale } => match (date, time) {
            (Some(date), Some(time)) if date != time => {
                let day = cells.get(*date)?;
                // A blank date is that of the row before.
                let carried = day.is_empty() && cache.run.is_some();
                if !carried && (cache.run.is_none() || cache.prefix.as_slice() != *day) {
                    let found = stamp(day)?;
                    cache.prefix = day.to_vec();
                    cache.run = Some((Some(found.date?), cache.run.and_then(|(_, offset)| offset)));
                }
                let cell = cells.get(*time)?;
                if let Some(second) = quick_time(cell) {
                    return Some(second);
                }
                let found = stamp(cell)?;
                if found.offset_min.is_some() {
                    cache.run = cache.run.map(|(date, _)| (date, found.offset_min));
                }
                found.second
            }
            _ => one_cell(cells.get(time.or(*date)?)?, cache, *two_part_scale),
        },
        Clock::Pattern { columns, format } => {
            let parts: Vec<std::borrow::Cow<'_, str>> = columns
                .iter()
                .map(|c| cells.get(*c).map(|cell| String::from_utf8_lossy(cell)))
                .collect::<Option<_>>()?;
            let (date, second, offset) = super::pattern::by_pattern(format, &parts.join(" "))?;
            cache.run = Some((date, offset));
            Some(second)
        }
    }
}

/// Powers of ten, all exact.
const POWERS: [f64; 19] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16,
    1e17, 1e18,
];

/// A counter or epoch cell less the origin, without losing digits of large whole parts.
#[inline]
pub(super) fn number_time(cell: &[u8], mark: Mark, origin: i64) -> Option<f64> {
    let digits = cell.iter().take_while(|b| b.is_ascii_digit()).count();
    if digits == 0
        || digits > 18
        || (digits < cell.len() && cell[digits] != mark.byte())
        || digits < 10 && origin == 0
    {
        return number(cell, mark).map(|t| t - origin as f64);
    }
    let mut whole: i64 = 0;
    for b in &cell[..digits] {
        whole = whole * 10 + i64::from(b - b'0');
    }
    let mut fraction = 0.0;
    if digits < cell.len() {
        let tail = &cell[digits + 1..];
        if tail.len() > 18 || !tail.iter().all(u8::is_ascii_digit) {
            return number(cell, mark).map(|t| t - origin as f64);
        }
        let ticks = tail.iter().fold(0_u64, |sum, b| sum * 10 + u64::from(b - b'0'));
        fraction = ticks as f64 / POWERS[tail.len()];
    }
    Some((whole - origin) as f64 + fraction)
}

/// Date and time, or time alone, in one cell.
#[inline]
fn one_cell(cell: &[u8], cache: &mut DateCache, two_part_scale: f64) -> Option<f64> {
    if cache.ready
        && cell.len() > cache.prefix.len() + cache.suffix.len()
        && cell.starts_with(&cache.prefix)
        && cell.ends_with(&cache.suffix)
        && let Some(second) = quick_time(&cell[cache.prefix.len()..cell.len() - cache.suffix.len()])
    {
        return Some(half_day(second, cache.afternoon));
    }
    let found = stamp(cell)?;
    let second = match (found.second, found.two_parts && found.date.is_none()) {
        (Some(second), true) => second * two_part_scale,
        (Some(second), false) => second,
        (None, _) => 0.0,
    };
    cache.run = Some((found.date, found.offset_min));
    let (before, rest) = cell.split_at(found.time_at);
    let clock_end = rest
        .iter()
        .position(|b| !matches!(b, b'0'..=b'9' | b':' | b'.' | b','))
        .unwrap_or(rest.len());
    let (clock, after) = rest.split_at(clock_end);
    cache.afternoon = found.half_day.then_some(second >= HALF_DAY);
    cache.ready = quick_time(clock).map(|quick| half_day(quick, cache.afternoon)) == Some(second);
    if cache.ready {
        cache.prefix.clear();
        cache.prefix.extend_from_slice(before);
        cache.suffix.clear();
        cache.suffix.extend_from_slice(after);
    }
    Some(second)
}

const HALF_DAY: f64 = 43_200.0;

fn half_day(second: f64, afternoon: Option<bool>) -> f64 {
    match afternoon {
        None => second,
        Some(false) => second % HALF_DAY,
        Some(true) => second % HALF_DAY + HALF_DAY,
    }
}

/// `HH:MM:SS` with an optional fraction, nothing else.
#[inline]
fn quick_time(cell: &[u8]) -> Option<f64> {
    let [h1, h2, b':', m1, m2, b':', s1, s2, rest @ ..] = cell else { return None };
    let digit = |b: &u8| b.wrapping_sub(b'0');
    let all = [digit(h1), digit(h2), digit(m1), digit(m2), digit(s1), digit(s2)];
    if all.iter().any(|d| *d > 9) {
        return None;
    }
    let pair = |a: u8, b: u8| u32::from(a) * 10 + u32::from(b);
    let (h, m, s) = (pair(all[0], all[1]), pair(all[2], all[3]), pair(all[4], all[5]));
    if h > 23 || m > 59 || s > 60 {
        return None;
    }
    let whole = f64::from(h * 3600 + m * 60 + s);
    match rest {
        [] => Some(whole),
        [b'.' | b',', digits @ ..] if !digits.is_empty() && digits.len() <= 9 => {
            let mut ticks: u32 = 0;
            for b in digits {
                let d = digit(b);
                if d > 9 {
                    return None;
                }
                ticks = ticks.wrapping_mul(10).wrapping_add(u32::from(d));
            }
            Some(whole + f64::from(ticks) / POWERS[digits.len()])
        }
        _ => None,
    }
}
