//! The whole way from bytes to a capture.

use super::careful::{self, Odd, Raw, RowPlace};
use super::clock::{self, Clock, Found};
use super::columns::shown;
use super::dialect::{Lines, line_end, unwrap_line};
use super::fast::Source;
use super::options::{CurrentUnit, Progress, ReadOptions};
use super::settle::{self, Form, Settled};
use super::sniff::{self, Sniffed};
use super::stamp::{Stamp, stamp};
use super::types::{Capture, OverloadSpan, Samples, TimeAxis};
use super::{bytes, keyed, plain, sampling, spreadsheet, start, turned};
use crate::fault::InputFault;
use crate::findings::{Caution, Decision, Span};

/// Bytes of the start from which the form is learnt.
const HEAD: usize = 1 << 20;
/// Bytes of the end in which the last line is looked for.
pub(super) const TAIL: usize = 64 << 10;

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

/// Readings on a settled clock.
#[derive(Debug, Default)]
pub(super) struct Reading {
    /// Times from the first sample.
    pub(super) time: TimeAxis,
    /// Ampere, before any reversal.
    pub(super) current_a: Vec<f64>,
    pub(super) overload: Vec<OverloadSpan>,
    pub(super) missing: u64,
    pub(super) unreadable: u64,
    pub(super) first_unreadable: Option<RowPlace>,
    /// Units met in cells.
    pub(super) units: Vec<CurrentUnit>,
    /// Seconds from the first row to the first sample.
    pub(super) lead_s: f64,
    /// Between sessions nothing is known.
    pub(super) session_gaps: Vec<Span>,
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
    let bytes = bytes::unpack(file, bytes, &mut told.decisions)?;
    if bytes::wrapping(&bytes) == bytes::Wrapping::Spreadsheet {
        return spreadsheet::capture(file, bytes, options, progress, told);
    }
    if told.decisions.is_empty()
        && let Some(read) = plain::attempt(file, bytes.as_slice(), bytes.len(), options, progress)
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
        return rest(file, table.as_slice(), table.len(), &table, options, progress, told);
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
        Ok((raw, settled)) => finish(file, raw, settled, &sniffed, options, told),
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

/// The text with line breaks inside the quotes of its first lines made blanks; as many lines as before.
pub(super) fn joined_quotes(text: &[u8]) -> Option<Vec<u8>> {
    const REACH: usize = 16 << 10;
    let end = line_end(&text[..text.len().min(HEAD)]);
    let reach = &text[..text.len().min(REACH)];
    let mut out = Vec::new();
    let (mut inside, mut owed, mut done) = (false, 0, 0);
    for (at, &byte) in reach.iter().enumerate() {
        match byte {
            b'"' => inside = !inside,
            _ if byte == end && inside => {
                owed += 1;
                // A quote that stays open for long is a letter.
                if owed > 8 {
                    return None;
                }
                out.push(b' ');
                continue;
            }
            b'\r' if inside => continue,
            _ if byte == end => {
                out.extend(std::iter::repeat_n(end, owed));
                done += owed;
                owed = 0;
            }
            _ => {}
        }
        out.push(byte);
        if byte == end && !inside && at > REACH / 2 {
            out.extend_from_slice(&text[at + 1..]);
            return (done > 0).then_some(out);
        }
    }
    if inside {
        return None;
    }
    out.extend_from_slice(&text[reach.len()..]);
    (done > 0).then_some(out)
}

/// The text with the quotes round its lines taken off.
fn unwrapped(text: &[u8], end: u8) -> Vec<u8> {
    let mut out = Vec::with_capacity(text.len());
    for (_, line) in Lines::new(text, end) {
        out.extend_from_slice(&unwrap_line(line));
        out.push(end);
    }
    out
}

/// Whole lines of the start.
pub(super) fn head_of<'a>(file: &str, text: &'a [u8]) -> Result<&'a [u8], InputFault> {
    if text.len() <= HEAD {
        return Ok(text);
    }
    let end = line_end(&text[..HEAD]);
    let ends = memchr::memchr_iter(end, &text[..HEAD]).count();
    if ends >= 100 {
        return Ok(memchr::memrchr(end, &text[..HEAD]).map_or(text, |at| &text[..=at]));
    }
    // Long lines: more of the start, up to the longest line that is read.
    let reach = text.len().min(careful::LONGEST_LINE);
    match memchr::memrchr(end, &text[..reach]) {
        Some(at) => Ok(&text[..=at]),
        None if text.len() <= careful::LONGEST_LINE => Ok(text),
        None => Err(bytes::too_long(file, Some(1))),
    }
}

/// Where the last whole line of `tail`, the end of the rows, ends. A last line without ending counts as
/// whole when it is as long as the others.
pub(super) fn whole_end(tail: &[u8], sniffed: &Sniffed, told: &mut Told) -> usize {
    let table = &sniffed.table;
    let end = table.line_end;
    if tail.last() == Some(&end) {
        return tail.len();
    }
    let cut = memchr::memrchr(end, tail).map_or(0, |at| at + 1);
    let last = &tail[cut..];
    if last.trim_ascii().is_empty() || last.len() > careful::LONGEST_LINE || cut == 0 {
        return tail.len();
    }
    let mut cells = Vec::new();
    table.dialect.split(last, table.width + 1, &mut cells);
    // Shorter than every sampled cell of that place (the line itself may be the last): it was cut off.
    let known = table.sample.len() - 1;
    let shortest = |place: usize| {
        table.sample[..known]
            .iter()
            .filter_map(|row| row.get(place))
            .map(Vec::len)
            .min()
            .unwrap_or(0)
    };
    let full = cells.len() >= table.width || table.widths.contains(&cells.len());
    if full
        && cells.last().is_some_and(|cell| cell.len() >= shortest(cells.len().min(table.width) - 1))
    {
        return tail.len();
    }
    told.decisions.push(Decision {
        what: "last line".to_owned(),
        chosen: "left out".to_owned(),
        why: "it has no line ending and is shorter than the others: the file was cut off or is still being written".to_owned(),
        option: None,
    });
    cut
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
        comma: sniffed.columns.iter().any(|c| c.numeric() && c.mark == super::cell::Mark::Comma),
        half_day: time.is_some_and(|s| s.half_day),
        separator: date.map_or(0, |s| s.separator),
        origin_s: match found.clock {
            Clock::Number { origin, scale_s, .. } => origin as f64 * scale_s,
            _ => 0.0,
        },
    }
}

fn settle_clock(
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
    Ok(settled)
}

fn finish(
    file: &str,
    mut raw: Raw,
    settled: Settled,
    sniffed: &Sniffed,
    options: &ReadOptions,
    told: Told,
) -> Result<Capture, InputFault> {
    let rows = raw.time.len();
    let missing = raw.odd.iter().filter(|(_, odd)| *odd == Odd::Missing).count() as u64;
    let overloads = raw.odd.len() as u64 - missing;
    let column = sniffed.current();
    if rows == raw.odd.len() {
        let (found, advice) = if rows == 0 {
            (
                "no row could be read as time and current".to_owned(),
                "name the columns with --time-column and --current-column",
            )
        } else if overloads > 0 {
            (
                format!("every reading of `{}` is an overload or missing", column.title()),
                "measure again in a higher range",
            )
        } else {
            (
                format!("no cell of `{}` holds a reading", column.title()),
                "name another column with --current-column",
            )
        };
        let mut fault = InputFault::of_file(file, found, advice);
        fault.place.line =
            Some(raw.first_unreadable.as_ref().map_or(sniffed.table.first_line, |p| p.line));
        fault.place.column = (rows > 0).then_some(1);
        return Err(fault);
    }
    let parted: Vec<(f64, f64)> =
        settled.sessions.iter().map(|&row| (raw.time[row - 1], raw.time[row])).collect();
    let (mut times, current_a, mut overload) = part(&mut raw);
    // The first sample is the origin, also where the first rows hold no reading.
    let first = times[0];
    if first != 0.0 {
        times.iter_mut().for_each(|t| *t -= first);
        for stretch in &mut overload {
            stretch.span =
                Span { start_s: stretch.span.start_s - first, end_s: stretch.span.end_s - first };
        }
    }
    if times.len() > 1 && times[times.len() - 1] == 0.0 {
        let mut fault = InputFault::of_file(
            file,
            "the clock never moves: every row carries the same time",
            "give the seconds between rows with --interval, or name another clock with --time-column",
        );
        fault.place.line = Some(sniffed.table.first_line);
        return Err(fault);
    }
    let session_gaps = parted
        .into_iter()
        .map(|(from, to)| Span { start_s: (from - first).max(0.0), end_s: to - first })
        // Rows without readings round it, or numbers so large that it vanishes, leave none.
        .filter(|gap| gap.end_s > gap.start_s)
        .collect();
    let reading = Reading {
        time: sampling::axis(times),
        current_a,
        overload,
        missing,
        unreadable: raw.unreadable,
        first_unreadable: raw.first_unreadable,
        units: raw.units,
        lead_s: first,
        session_gaps,
    };
    assemble(file, reading, settled, sniffed, options, told)
}

/// Readings apart from what is missing or over range; `raw` keeps its times where some are.
fn part(raw: &mut Raw) -> (Vec<f64>, Vec<f64>, Vec<OverloadSpan>) {
    if raw.odd.is_empty() {
        return (std::mem::take(&mut raw.time), std::mem::take(&mut raw.value), Vec::new());
    }
    let rows = raw.time.len();
    let mut times = Vec::with_capacity(rows - raw.odd.len());
    let mut values = Vec::with_capacity(rows - raw.odd.len());
    let mut overload: Vec<OverloadSpan> = Vec::new();
    let mut odd = raw.odd.iter().peekable();
    let mut last_overload = None;
    for row in 0..rows {
        match odd.next_if(|(at, _)| *at == row) {
            Some((_, Odd::Missing)) => {}
            Some((_, Odd::Overload)) => {
                let time = raw.time[row];
                match overload.last_mut() {
                    Some(span) if last_overload == row.checked_sub(1) => {
                        span.span.end_s = time;
                        span.samples += 1;
                    }
                    _ => overload.push(OverloadSpan {
                        span: Span { start_s: time, end_s: time },
                        samples: 1,
                    }),
                }
                last_overload = Some(row);
            }
            None => {
                times.push(raw.time[row]);
                values.push(raw.value[row]);
            }
        }
    }
    (times, values, overload)
}

/// The capture with everything that is told about it.
///
/// # Errors
/// None at present; the signature is that of the step it ends.
pub(super) fn assemble(
    file: &str,
    reading: Reading,
    mut settled: Settled,
    sniffed: &Sniffed,
    options: &ReadOptions,
    mut told: Told,
) -> Result<Capture, InputFault> {
    let Reading {
        time,
        mut current_a,
        overload,
        missing,
        unreadable,
        first_unreadable,
        units,
        lead_s,
        session_gaps,
    } = reading;
    if options.reverse {
        current_a.iter_mut().for_each(|current| *current = -*current);
        told.decisions.push(Decision {
            what: "sign".to_owned(),
            chosen: "turned round".to_owned(),
            why: "asked for by --reverse".to_owned(),
            option: Some("--reverse".to_owned()),
        });
    }
    let samples = Samples { time, current_a };
    let mut lie = sampling::lie(&samples.time);
    for gap in session_gaps {
        if !lie.gaps.iter().any(|g| g.start_s <= gap.start_s && gap.end_s <= g.end_s) {
            lie.gaps.push(gap);
        }
    }
    lie.gaps.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    if unreadable > 0 {
        let first = first_unreadable
            .map(|p| format!(", the first being line {} (\"{}\")", p.line, shown(&p.text)))
            .unwrap_or_default();
        let plural = if unreadable == 1 { "" } else { "s" };
        told.cautions.push(Caution::new(
            "unreadable-rows",
            format!("{unreadable} line{plural} within or after the table could not be read as time and current{first}"),
        ));
    }
    let overloads: u64 = overload.iter().map(|s| s.samples).sum();
    if overloads > 0 {
        told.cautions.push(Caution::new(
            "overload",
            format!(
                "{overloads} readings were over range and are left out; the true current was higher"
            ),
        ));
    }
    if settled.start.is_none() {
        start::beside(sniffed, &mut settled, &mut told);
    }
    if let Some(gap) = lie.gaps.iter().find(|g| leaps(g, samples.duration_s())) {
        told.cautions.push(Caution::new(
            "clock-leaps",
            format!(
                "the clock leaps by {:.0} days at {:.0} s: it may have been set there, and times before it are then wrong",
                gap.length_s() / 86_400.0,
                gap.start_s
            ),
        ));
    }
    let unit = if units.len() > 1 {
        units.iter().map(|u| u.symbol()).collect::<Vec<_>>().join(", ")
    } else {
        sniffed.chosen.symbol.clone()
    };
    let uneven =
        sampling::rate_changes(&samples.time).then(|| sampling::totals(&samples, &lie.gaps));
    if let Some(totals) = uneven
        && (totals.mean_a - totals.sample_mean_a).abs()
            > 0.02 * totals.mean_a.abs().max(totals.sample_mean_a.abs())
    {
        told.cautions.push(Caution::new(
            "rate-changes",
            format!("the sampling rate changes within the file: the mean over time is {:.4e} A, the plain mean of the samples {:.4e} A", totals.mean_a, totals.sample_mean_a),
        ));
    }
    Ok(Capture {
        file: file.to_owned(),
        start: settled.start.and_then(|s| settle::shift(s, lead_s)),
        utc_offset: settled.offset_min.and_then(|m| jiff::tz::Offset::from_seconds(m * 60).ok()),
        current_column: sniffed.current().title(),
        unit,
        resolution_a: sampling::resolution(&samples.current_a),
        sampling: lie,
        overload,
        missing,
        unreadable_rows: unreadable,
        decisions: told.decisions,
        first_rows: (0..samples.len().min(8))
            .map(|i| (samples.time.at(i), samples.current_a[i]))
            .collect(),
        cautions: told.cautions,
        samples,
    })
}

/// A gap of more than a month that is nearly all of the capture.
fn leaps(gap: &Span, duration_s: f64) -> bool {
    gap.length_s() > 30.0 * 86_400.0 && gap.length_s() > 0.9 * duration_s
}
