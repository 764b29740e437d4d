//! The careful path: every row of a table whose form is known, on all cores, each odd cell accounted for.

use memchr::{memchr, memrchr};
use rayon::prelude::*;

use super::cell::Mark;
use super::clock::Clock;
use super::dialect::{Delimiter, Dialect, Lines};
use super::fast::Source;
use super::options::{CurrentUnit, Progress};
use super::reading_unit::UnitPlace;
use super::row::{DateCache, Taken, take};
use super::stamp::RawDate;
use super::table::CELLS;

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
            UnitPlace::Prefixed { prefix, unit } => prefix.max(unit),
            _ => 0,
        };
        let channel = self.channel.as_ref().map_or(0, |(at, _)| *at);
        self.clock.columns().into_iter().chain([self.current, beside, channel]).max().unwrap_or(0)
    }

    fn fits(&self, width: usize) -> bool {
        // Of a very wide table only the first cells are looked at.
        width == self.width || self.widths.contains(&width) || self.width == CELLS && width > CELLS
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

fn read_block(block: &[u8], plan: &Plan) -> Raw {
    let mut raw = Raw::default();
    let mut cells: Vec<&[u8]> = Vec::new();
    let mut cache = DateCache::default();
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

/// A row with blank cells or notes behind its own still counts, and one that lacks a cell or two.
fn loose(plan: &Plan, cells: &[&[u8]]) -> bool {
    let note = |cell: &&[u8]| cell.first().is_none_or(|b| b.is_ascii_alphabetic() || !b.is_ascii());
    let extra = cells.len() > plan.width
        && plan.dialect.delimiter != Delimiter::Blanks
        && cells[plan.width..].iter().all(note);
    // A shorter row may be cut off in its last cell.
    let short = cells.len() < plan.width
        && cells.len() > plan.last_cell() + 1
        && plan.dialect.delimiter != Delimiter::Blanks
        && cells.len() + 2 >= plan.width;
    extra || short
}
