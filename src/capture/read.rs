//! The whole way from bytes to a capture.

use std::io::Cursor;

use super::assemble::finish;
use super::bytes::Unpacked;
use super::careful::{self, Raw};
use super::clock::{self, Clock, Found, PartsAre};
use super::dialect::line_end;
use super::fast::Source;
use super::lines::{TAIL, head_of, joined_quotes, unwrapped, whole_end};
use super::options::{DecimalMark, Progress, ReadOptions};
use super::settle::{self, Form, Settled};
use super::sniff::{self, Sniffed};
use super::stamp::{Stamp, USUAL_MARKS, stamp};
use super::types::Capture;
use super::{bytes, json, keyed, line_protocol, plain, prose, second, spreadsheet, turned};
use crate::fault::InputFault;
use crate::findings::{Caution, Decision};

/// What has been decided and must be told.
#[derive(Debug, Default, Clone)]
pub(super) struct Told {
    pub(super) decisions: Vec<Decision>,
    pub(super) cautions: Vec<Caution>,
    /// The quotes round every line have been taken off.
    pub(super) unwrapped: bool,
    /// Line breaks inside quotes have been made blanks.
    pub(super) joined: bool,
}

/// Reads bytes of any form.
pub(super) fn capture(
    file: &str,
    bytes: Vec<u8>,
    options: &ReadOptions,
    progress: &dyn Progress,
) -> Result<Capture, InputFault> {
    let mut told = Told::default();
    if bytes.is_empty() {
        return Err(InputFault::of_file(file, "the file is empty", "give a capture with readings"));
    }
    let wrapping = bytes::wrapping(&bytes);
    match bytes::unpack(file, wrapping, Cursor::new(&bytes), &mut told.decisions)? {
        Some(unpacked) => {
            drop(bytes);
            from_unpacked(file, unpacked, options, progress, told)
        }
        None => from_bytes(file, bytes, options, progress, told),
    }
}

/// Reads what a compressed file unpacked to.
pub(super) fn from_unpacked(
    file: &str,
    unpacked: Unpacked,
    options: &ReadOptions,
    progress: &dyn Progress,
    told: Told,
) -> Result<Capture, InputFault> {
    if let Unpacked::Spilled(spilled, len) = &unpacked
        && let Some(read) = plain::attempt(file, spilled, *len, options, progress, &told)
    {
        return read;
    }
    from_bytes(file, unpacked.whole(file)?, options, progress, told)
}

fn from_bytes(
    file: &str,
    bytes: Vec<u8>,
    options: &ReadOptions,
    progress: &dyn Progress,
    mut told: Told,
) -> Result<Capture, InputFault> {
    if bytes::wrapping(&bytes) == bytes::Wrapping::Spreadsheet {
        return spreadsheet::capture(file, bytes, options, progress, told);
    }
    if let Some(read) =
        plain::attempt(file, bytes.as_slice(), bytes.len(), options, progress, &told)
    {
        return read;
    }
    let text = bytes::decode(
        file,
        &bytes,
        options.encoding.as_deref(),
        &mut told.decisions,
        &mut told.cautions,
    )?;
    from_text(file, &text, options, progress, told)
}

/// Reads a text in UTF-8 by the careful path.
pub(super) fn from_text(
    file: &str,
    text: &[u8],
    options: &ReadOptions,
    progress: &dyn Progress,
    mut told: Told,
) -> Result<Capture, InputFault> {
    if text.trim_ascii().is_empty() {
        return Err(InputFault::of_file(
            file,
            "nothing but blanks",
            "give a capture with readings",
        ));
    }
    let head = head_of(file, text)?;
    if !told.unwrapped
        && super::table::find(head, options.skip_rows.unwrap_or(0), true)
            .first()
            .is_some_and(|t| t.dialect.wrapped)
    {
        told.unwrapped = true;
        told.decisions.push(Decision {
            what: "quoting".to_owned(),
            chosen: "the quotes round every line were taken off".to_owned(),
            why: "every line is one quoted string".to_owned(),
            option: None,
        });
        return from_text(file, &unwrapped(text, line_end(head)), options, progress, told);
    }
    if !told.joined
        && let Some(joined) = joined_quotes(text)
    {
        told.joined = true;
        return from_text(file, &joined, options, progress, told);
    }
    if let Some(table) = keyed::table(text) {
        told.decisions.push(Decision {
            what: "layout".to_owned(),
            chosen: "the names of the values in every line became the header".to_owned(),
            why: "every line names its values".to_owned(),
            option: None,
        });
        if table.starts_with(prose::LEVEL_TIME.as_bytes()) {
            told.cautions.push(Caution::new(
                "clock-unit-assumed",
                "the number in brackets behind each line's letter was taken for milliseconds: overrule with --clock-format s or us",
            ));
        }
        return rest(file, table.as_slice(), table.len(), &table, options, progress, told);
    }
    if let Some(table) = line_protocol::table(text, options.current_column.as_ref(), &mut told) {
        return rest(
            file,
            table.as_slice(),
            table.len(),
            head_of(file, &table)?,
            options,
            progress,
            told,
        );
    }
    if let Some(table) = json::table(text) {
        told.decisions.push(Decision {
            what: "layout".to_owned(),
            chosen: "an array of the document became the rows".to_owned(),
            why: "the file is one JSON document".to_owned(),
            option: None,
        });
        let head = head_of(file, &table)?;
        return rest(file, table.as_slice(), table.len(), head, options, progress, told);
    }
    if let Some(turned) = turned::turn(text) {
        told.decisions.push(Decision {
            what: "layout".to_owned(),
            chosen: "turned: every column is one long line".to_owned(),
            why: "the file has few lines, each a row of many readings".to_owned(),
            option: None,
        });
        return rest(file, turned.as_slice(), turned.len(), &turned, options, progress, told);
    }
    rest(file, text, text.len(), head, options, progress, told)
}

/// Reads the rows of a text whose form needs no rewriting; `head` is the whole lines of its start.
pub(super) fn rest(
    file: &str,
    source: &(impl Source + ?Sized),
    len: usize,
    head: &[u8],
    options: &ReadOptions,
    progress: &dyn Progress,
    mut told: Told,
) -> Result<Capture, InputFault> {
    let sniffed = sniff::sniff(file, head, options, &mut told)?;
    let mut buffer = Vec::new();
    let tail_at = len.saturating_sub(TAIL).max(sniffed.table.first_row.min(len));
    let tail = source.bytes(tail_at..len, &mut buffer).map_err(|error| unreadable(file, &error))?;
    let end = tail_at + whole_end(tail, &sniffed, &mut told);
    let before = told.clone();
    match rows(file, source, end, &sniffed, progress, &mut told) {
        Ok((raw, settled)) => {
            second::compare(file, source, end, &sniffed, options, &mut told);
            finish(file, raw, settled, &sniffed, options, told)
        }
        Err(fault) => {
            match other_clock(file, source, end, &sniffed, options, progress, before, &fault) {
                Some((sniffed, raw, settled, told)) => {
                    finish(file, raw, settled, &sniffed, options, told)
                }
                None => Err(fault),
            }
        }
    }
}

fn unreadable(file: &str, error: &std::io::Error) -> InputFault {
    InputFault::of_file(
        file,
        format!("cannot be read ({error})"),
        "check the disk or the connection and try again",
    )
}

/// Reads all rows and settles their clock.
fn rows(
    file: &str,
    source: &(impl Source + ?Sized),
    len: usize,
    sniffed: &Sniffed,
    progress: &dyn Progress,
    told: &mut Told,
) -> Result<(Raw, Settled), InputFault> {
    let table = &sniffed.table;
    let mut raw =
        careful::read(source, len, table.first_row, table.first_line, &sniffed.plan(), progress)
            .map_err(|error| unreadable(file, &error))?;
    let settled = settle_clock(file, sniffed, &mut raw, told)?;
    Ok((raw, settled))
}

/// A second clock in the file, when the first goes back.
#[expect(clippy::too_many_arguments, reason = "what `rest` holds, once more with another clock")]
fn other_clock(
    file: &str,
    source: &(impl Source + ?Sized),
    len: usize,
    sniffed: &Sniffed,
    options: &ReadOptions,
    progress: &dyn Progress,
    mut told: Told,
    fault: &InputFault,
) -> Option<(Sniffed, Raw, Settled, Told)> {
    if options.time_column.is_some()
        || options.clock_format.is_some()
        || options.interval_s.is_some()
    {
        return None;
    }
    let used = sniffed.found.clock.columns();
    if used.is_empty() {
        return None;
    }
    told.decisions.retain(|d| {
        !matches!(d.what.as_str(), "time column" | "clock" | "clock header" | "order of the date")
    });
    let found = clock::choose(
        file,
        &sniffed.table,
        &sniffed.columns,
        sniffed.chosen.place,
        &used,
        options,
        &mut told,
    )
    .ok()?;
    if matches!(found.clock, Clock::Rows { .. }) {
        return None;
    }
    let second = Sniffed { found, ..sniffed.clone() };
    let (raw, settled) = rows(file, source, len, &second, progress, &mut told).ok()?;
    told.cautions.push(Caution::new(
        "second-clock",
        format!("a second clock in the file was used, because in the first {} ({}): choose with --time-column", fault.found, fault.place),
    ));
    Some((second, raw, settled, told))
}

/// The first row's stamps of the date's and the time's cell.
pub(super) fn first_stamps(sniffed: &Sniffed, clock: &Clock) -> (Option<Stamp>, Option<Stamp>) {
    let cell = |at: &Option<usize>| {
        at.and_then(|at| sniffed.table.sample.first()?.get(at)).and_then(|c| stamp(c))
    };
    match clock {
        Clock::Stamp { date, time, .. } => (cell(date), cell(time)),
        _ => (None, None),
    }
}

/// What the form of the clock's cells tells before its rows are settled.
pub(super) fn form_of(sniffed: &Sniffed, found: &Found) -> Form {
    let (date, time) = first_stamps(sniffed, &found.clock);
    Form {
        stamped: matches!(found.clock, Clock::Stamp { .. } | Clock::Pattern { .. }),
        span: found.span,
        wraps_s: found.wraps_s,
        comma: sniffed.columns.iter().any(|c| c.numeric() && c.mark == DecimalMark::Comma),
        half_day: time.is_some_and(|s| s.half_day),
        separator: date.map_or(0, |s| s.separator),
        time_marks: match &found.clock {
            Clock::Stamp { parts: PartsAre::Points, .. } => *b" .",
            _ => date.map_or(USUAL_MARKS, |s| s.time_marks),
        },
        origin_s: match found.clock {
            Clock::Number { origin, scale_s, .. } => origin as f64 * scale_s,
            _ => 0.0,
        },
    }
}

/// Makes seconds from row 0 of what the clock's cells say.
pub(super) fn settle_clock(
    file: &str,
    sniffed: &Sniffed,
    raw: &mut Raw,
    told: &mut Told,
) -> Result<Settled, InputFault> {
    let found = &sniffed.found;
    if let Clock::Rows { interval_s } = found.clock {
        for (row, t) in raw.time.iter_mut().enumerate() {
            *t = row as f64 * interval_s;
        }
    }
    let form = form_of(sniffed, found);
    let mut settled = settle::settle(file, raw, &form, &mut told.decisions, &mut told.cautions)?;
    count_from(found, &mut settled, told);
    Ok(settled)
}

/// The start that the clock's numbers tell.
pub(super) fn count_from(found: &Found, settled: &mut Settled, told: &mut Told) {
    if let Some(origin) = found.origin {
        // Days with a fraction hold a millisecond at best.
        let precision = if found.utc { 1e9 } else { 1e3 };
        settled.start = settle::shift(origin, (settled.first_s * precision).round() / precision);
        if found.utc {
            settled.offset_min = Some(0);
            told.cautions.push(Caution::new(
                "clock-utc",
                "the clock counts from 1970 in UTC: the start is given in UTC, not in local time",
            ));
        }
    }
}
