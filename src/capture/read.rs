//! The whole way from bytes to a capture.

use super::careful::{self, Odd, Plan, Raw};
use super::choose;
use super::clock::{self, Clock};
use super::columns::{self, Column, shown};
use super::dialect::{Delimiter, Lines, line_end, unwrap_line};
use super::options::{Progress, ReadOptions};
use super::settle::{self, Form, Settled};
use super::stamp::stamp;
use super::table::{self, Table};
use super::types::{Capture, OverloadSpan, Samples};
use super::{bytes, sampling};
use crate::fault::InputFault;
use crate::findings::{Caution, Decision, Span};

/// Bytes of the start from which the form is learnt.
const HEAD: usize = 1 << 20;

/// What has been decided and must be told.
#[derive(Debug, Default)]
pub(super) struct Told {
    pub(super) decisions: Vec<Decision>,
    pub(super) cautions: Vec<Caution>,
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
    let text = bytes::decode(
        file,
        &bytes,
        options.encoding.as_deref(),
        &mut told.decisions,
        &mut told.cautions,
    )?;
    from_text(file, &text, options, progress, told)
}

/// Reads a text in UTF-8.
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
    let first_pass = !told.decisions.iter().any(|d| d.what == "quoting");
    let table = table::find(head, options.skip_rows.unwrap_or(0), first_pass)
        .ok_or_else(|| no_table(file, options))?;
    if table.dialect.wrapped {
        told.decisions.push(Decision {
            what: "quoting".to_owned(),
            chosen: "the quotes round every line were taken off".to_owned(),
            why: "every line is one quoted string".to_owned(),
            option: None,
        });
        return from_text(file, &unwrapped(text, table.line_end), options, progress, told);
    }
    tell_table(&table, options, &mut told);
    let columns = columns::describe(&table);
    tell_mark(&columns, &table, &mut told);
    let taken = clock::candidates(&table, &columns);
    let taken = match &options.time_column {
        Some(choice) => vec![choose::named_column(file, choice, &columns, "--time-column")?],
        None => taken,
    };
    let chosen = choose::current(
        file,
        &table,
        &columns,
        &taken,
        options,
        &mut told.decisions,
        &mut told.cautions,
    )?;
    let found = clock::choose(
        file,
        &table,
        &columns,
        chosen.place,
        options,
        &mut told.decisions,
        &mut told.cautions,
    )?;
    let current = &columns[chosen.place];
    if current.mark_doubtful && options.current_column.is_none() {
        told.cautions.push(Caution::new(
            "decimal-mark",
            format!(
                "the comma or point in `{}` ({}) could be a decimal mark or group thousands; {} was taken as the decimal mark",
                current.title(),
                current.range(),
                char::from(current.mark.byte())
            ),
        ));
    }
    let plan = Plan {
        dialect: table.dialect,
        line_end: table.line_end,
        width: table.width,
        widths: table.widths.clone(),
        header_text: table.header_text.clone(),
        clock: found.clock.clone(),
        current: chosen.place,
        mark: current.mark,
        unit: chosen.unit.clone(),
        channel: chosen.channel.clone(),
    };
    let whole = whole_lines(text, &table, &plan, &mut told);
    let mut raw = careful::read(whole, table.first_row, table.first_line, &plan, progress);
    let settled = settle_clock(file, &table, &columns, &found, &plan, &mut raw, &mut told)?;
    finish(file, raw, settled, &table, current, &chosen, options, told)
}

/// The text with the quotes round its lines taken off.
fn unwrapped(text: &[u8], end: u8) -> Vec<u8> {
    let mut out = Vec::with_capacity(text.len());
    for (_, line) in Lines::new(text, end) {
        // Taken off until none is left, so that this ends.
        out.extend_from_slice(&unwrap_line(line));
        out.push(end);
    }
    out
}

/// Whole lines of the start.
fn head_of<'a>(file: &str, text: &'a [u8]) -> Result<&'a [u8], InputFault> {
    if text.len() <= HEAD {
        return Ok(text);
    }
    let end = line_end(&text[..HEAD]);
    if let Some(at) = memchr::memrchr(end, &text[..HEAD]) {
        return Ok(&text[..=at]);
    }
    let reach = text.len().min(careful::LONGEST_LINE);
    match memchr::memchr2(b'\n', b'\r', &text[HEAD..reach]) {
        Some(at) => {
            // A first line longer than the head: take some lines after it as well.
            let from = HEAD + at + 1;
            let to = text.len().min(from + HEAD);
            Ok(memchr::memrchr(text[from - 1], &text[from..to])
                .map_or(&text[..to], |last| &text[..=from + last]))
        }
        None if text.len() <= careful::LONGEST_LINE => Ok(text),
        None => Err(bytes::too_long(file, Some(1))),
    }
}

fn no_table(file: &str, options: &ReadOptions) -> InputFault {
    let advice = if options.skip_rows.is_some() {
        "give the export with its rows of readings, or a smaller --skip-rows"
    } else {
        "give the export with its rows of readings, one a line"
    };
    InputFault::of_file(file, "no rows of numbers were found", advice)
}

fn tell_table(table: &Table, options: &ReadOptions, told: &mut Told) {
    let mut tell = |what: &str, chosen: String, why: String, option: Option<String>| {
        told.decisions.push(Decision { what: what.to_owned(), chosen, why, option })
    };
    tell(
        "delimiter",
        table.dialect.delimiter.name().to_owned(),
        if table.dialect.delimiter == Delimiter::None {
            "no delimiter makes columns".to_owned()
        } else {
            format!("it makes {} columns in most rows", table.width)
        },
        None,
    );
    let skipped = options
        .skip_rows
        .map(|n| format!("; the first {n} lines were passed over by --skip-rows"))
        .unwrap_or_default();
    match table.header_line {
        Some(line) => tell(
            "header",
            table
                .header
                .iter()
                .map(|row| row.iter().map(|c| shown(c)).collect::<Vec<_>>().join(" | "))
                .collect::<Vec<_>>()
                .join(" // "),
            format!(
                "line {line}, right above the first row of numbers (line {}){skipped}",
                table.first_line
            ),
            Some(format!("--skip-rows {}", line - 1)),
        ),
        None => tell(
            "header",
            "none".to_owned(),
            format!("the rows start at line {} without names above{skipped}", table.first_line),
            Some(format!("--skip-rows {}", table.first_line - 1)),
        ),
    }
}

fn tell_mark(columns: &[Column], table: &Table, told: &mut Told) {
    let commas =
        columns.iter().filter(|c| c.numeric() && c.mark == super::cell::Mark::Comma).count();
    let (chosen, why) = if commas > 0 {
        ("comma", "the numbers cannot be read otherwise")
    } else {
        ("point", "the numbers can be read so")
    };
    let _ = table;
    told.decisions.push(Decision {
        what: "decimal mark".to_owned(),
        chosen: chosen.to_owned(),
        why: why.to_owned(),
        option: None,
    });
}

/// The text without a last line that may not be whole.
fn whole_lines<'a>(text: &'a [u8], table: &Table, plan: &Plan, told: &mut Told) -> &'a [u8] {
    let end = table.line_end;
    if text.last() == Some(&end) {
        return text;
    }
    let cut = memchr::memrchr(end, text).map_or(0, |at| at + 1);
    let last = &text[cut..];
    if last.trim_ascii().is_empty() || cut <= table.first_row {
        return text;
    }
    let mut cells = Vec::new();
    plan.dialect.split(last, table.width + 1, &mut cells);
    // Shorter than every sampled cell of that place: it was cut off.
    let shortest = |place: usize| {
        table.sample.iter().filter_map(|row| row.get(place)).map(Vec::len).min().unwrap_or(0)
    };
    let whole = cells.len() >= table.width
        && cells.last().is_some_and(|cell| cell.len() >= shortest(table.width - 1));
    if whole {
        return text;
    }
    told.decisions.push(Decision {
        what: "last line".to_owned(),
        chosen: "left out".to_owned(),
        why: "it has no line ending and is shorter than the others: the file was cut off or is still being written".to_owned(),
        option: None,
    });
    &text[..cut]
}

fn settle_clock(
    file: &str,
    table: &Table,
    columns: &[Column],
    found: &clock::Found,
    plan: &Plan,
    raw: &mut Raw,
    told: &mut Told,
) -> Result<Settled, InputFault> {
    if let Clock::Rows { interval_s } = plan.clock {
        for (row, t) in raw.time.iter_mut().enumerate() {
            *t = row as f64 * interval_s;
        }
    }
    let first_stamp = match &plan.clock {
        Clock::Stamp { date, time, .. } => {
            let cell = |at: &Option<usize>| {
                at.and_then(|at| table.sample.first()?.get(at)).and_then(|c| stamp(c))
            };
            (cell(date), cell(time))
        }
        _ => (None, None),
    };
    let form = Form {
        stamped: matches!(plan.clock, Clock::Stamp { .. } | Clock::Pattern { .. }),
        span: found.span,
        wraps_s: found.wraps_s,
        comma: columns.iter().any(|c| c.numeric() && c.mark == super::cell::Mark::Comma),
        half_day: first_stamp.1.is_some_and(|s| s.half_day),
        separator: first_stamp.0.map_or(0, |s| s.separator),
    };
    let origin_time = raw.time.first().copied();
    let mut settled = settle::settle(file, raw, &form, &mut told.decisions, &mut told.cautions)?;
    if let Some(origin) = found.origin {
        settled.start = origin_time.and_then(|t| settle::shift(origin, t));
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

#[expect(clippy::too_many_arguments, reason = "each is one outcome of the steps before")]
fn finish(
    file: &str,
    raw: Raw,
    settled: Settled,
    table: &Table,
    column: &Column,
    chosen: &choose::Chosen,
    options: &ReadOptions,
    mut told: Told,
) -> Result<Capture, InputFault> {
    let rows = raw.time.len();
    let missing = raw.odd.iter().filter(|(_, odd)| *odd == Odd::Missing).count() as u64;
    let overloads = raw.odd.len() as u64 - missing;
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
        fault.place.line = Some(raw.first_unreadable.as_ref().map_or(table.first_line, |p| p.line));
        return Err(fault);
    }
    let sign = if options.reverse { -1.0 } else { 1.0 };
    let (times, values, overload) = part(&raw, sign);
    // The first sample is the origin, also where the first rows hold no reading.
    let first = times[0];
    let times: Vec<f64> =
        if first == 0.0 { times } else { times.iter().map(|t| t - first).collect() };
    let overload = overload
        .into_iter()
        .map(|s| OverloadSpan {
            span: Span { start_s: s.span.start_s - first, end_s: s.span.end_s - first },
            ..s
        })
        .collect();
    let mut session_gaps: Vec<Span> = Vec::new();
    for &row in &settled.sessions {
        session_gaps
            .push(Span { start_s: raw.time[row - 1] - first, end_s: raw.time[row] - first });
    }
    let samples = Samples { time: sampling::axis(times), current_a: values };
    let sampling = sampling::lie(&samples.time);
    if raw.unreadable > 0 {
        let place = raw.first_unreadable.as_ref();
        told.cautions.push(Caution::new(
            "unreadable-rows",
            format!(
                "{} line{} could not be read as time and current{}",
                raw.unreadable,
                if raw.unreadable == 1 { "" } else { "s" },
                place
                    .map(|p| format!(", the first being line {} (\"{}\")", p.line, shown(&p.text)))
                    .unwrap_or_default()
            ),
        ));
    }
    if overloads > 0 {
        told.cautions.push(Caution::new(
            "overload",
            format!(
                "{overloads} readings were over range and are left out; the true current was higher"
            ),
        ));
    }
    let symbol = if raw.units.len() > 1 {
        raw.units.iter().map(|u| u.symbol()).collect::<Vec<_>>().join(", ")
    } else {
        chosen.symbol.clone()
    };
    let start = settled.start.and_then(|s| settle::shift(s, first));
    let resolution_a = sampling::resolution(&samples.current_a);
    let first_rows =
        (0..samples.len().min(8)).map(|i| (samples.time.at(i), samples.current_a[i])).collect();
    Ok(Capture {
        file: file.to_owned(),
        samples,
        start,
        utc_offset: settled.offset_min.and_then(|m| jiff::tz::Offset::from_seconds(m * 60).ok()),
        current_column: column.title(),
        unit: symbol,
        resolution_a,
        sampling,
        overload,
        missing,
        unreadable_rows: raw.unreadable,
        decisions: told.decisions,
        first_rows,
        cautions: told.cautions,
    })
}

/// Readings apart from what is missing or over range.
fn part(raw: &Raw, sign: f64) -> (Vec<f64>, Vec<f64>, Vec<OverloadSpan>) {
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
                    Some(span) if last_overload == Some(row.wrapping_sub(1)) => {
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
                values.push(sign * raw.value[row]);
            }
        }
    }
    (times, values, overload)
}
