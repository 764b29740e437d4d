//! The careful path: every row of a table whose form is known, on all cores, each odd cell accounted for.

use memchr::{memchr, memrchr};
use rayon::prelude::*;

use super::cell::{Mark, Reading, number, reading};
use super::clock::Clock;
use super::columns::cell_unit;
use super::dialect::{Delimiter, Dialect, Lines};
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

/// Reads the rows of `text` from `first_row` on, which is line `first_line`.
pub(super) fn read(
    text: &[u8],
    first_row: usize,
    first_line: u64,
    plan: &Plan,
    progress: &dyn Progress,
) -> Raw {
    let mut all = Raw::default();
    let mut at = first_row;
    let wave = rayon::current_num_threads().max(1);
    while at < text.len() {
        let mut blocks = Vec::with_capacity(wave);
        for _ in 0..wave {
            if at >= text.len() {
                break;
            }
            let end = block_end(text, at, plan.line_end);
            blocks.push(&text[at..end]);
            at = end;
        }
        let parts: Vec<Raw> = blocks.par_iter().map(|block| read_block(block, plan)).collect();
        for part in parts {
            all.append(part, first_line);
        }
        progress.at(at as u64, text.len() as u64);
    }
    all
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
    prefix: Vec<u8>,
    run: Option<(Option<RawDate>, Option<i32>)>,
}

fn read_block(block: &[u8], plan: &Plan) -> Raw {
    let mut raw = Raw::default();
    let mut cells: Vec<&[u8]> = Vec::new();
    let mut cache = DateCache { prefix: Vec::new(), run: None };
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
        fraction = ticks as f64 / 10_f64.powi(tail.len() as i32);
    }
    Some((whole - origin) as f64 + fraction)
}

/// Date and time, or time alone, in one cell.
#[inline]
fn one_cell(cell: &[u8], cache: &mut DateCache, two_part_scale: f64) -> Option<f64> {
    let known = cache.prefix.len();
    if known > 0
        && cell.len() > known
        && cell.starts_with(&cache.prefix)
        && let Some(second) = quick_time(&cell[known..])
    {
        return Some(second);
    }
    let found = stamp(cell)?;
    let second = match (found.second, found.two_parts && found.date.is_none()) {
        (Some(second), true) => second * two_part_scale,
        (Some(second), false) => second,
        (None, _) => 0.0,
    };
    cache.run = Some((found.date, found.offset_min));
    // Only a prefix that leaves nothing but the time of day is worth keeping.
    cache.prefix.clear();
    if found.date.is_some()
        && found.offset_min.is_none()
        && quick_time(&cell[found.time_at..]) == Some(second)
    {
        cache.prefix.extend_from_slice(&cell[..found.time_at]);
    }
    Some(second)
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
            const POWERS: [f64; 10] = [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9];
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
