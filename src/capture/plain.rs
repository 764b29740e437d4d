//! When a table is plain enough for the bulk path, and what the bulk path is told.

use super::assemble::{Reading, assemble};
use super::bytes;
use super::clock::{Clock, second_of};
use super::dates::{Order, tell_order};
use super::dialect::Delimiter;
use super::fast::{self, DateOrder, FastTable, FirstTime, PlainLayout, PlainTime, StampForm};
use super::lines::{TAIL, head_of, joined_quotes, whole_end};
use super::options::{Progress, ReadOptions};
use super::read::{Told, count_from, rest};
use super::reading_unit::UnitPlace;
use super::settle::{Settled, from_zero, shift, time_of};
use super::sniff::{self, Sniffed};
use super::spread::spread;
use super::stamp::{DateKind, stamp};
use super::types::{Capture, TimeAxis};
use super::{keyed, second, table};
use crate::fault::InputFault;

/// A file at least this long is not taken into memory whole.
const LONG: usize = 32 << 20;

/// Bytes that tell the encoding; what is no number after them is no plain row either.
const TOLD_BY: usize = 1 << 20;

/// Reads `source` without taking it into memory whole: by the bulk path when it is plain, or row by row when it is
/// long and its text needs no rewriting. `None` leaves it to the caller.
pub(super) fn attempt(
    file: &str,
    source: &(impl fast::Source + ?Sized),
    len: usize,
    options: &ReadOptions,
    progress: &dyn Progress,
) -> Option<Result<Capture, InputFault>> {
    let label = options.encoding.as_deref();
    if label.is_some_and(|label| !bytes::is_utf8(label)) {
        return None;
    }
    let mut buffer = Vec::new();
    let start = source.bytes(0..len.min(4 << 20), &mut buffer).ok()?;
    let bom = if start.starts_with(b"\xEF\xBB\xBF") { 3 } else { 0 };
    let text = &start[bom..];
    if bytes::wrapping(text) != bytes::Wrapping::Plain || memchr::memchr(0, text).is_some() {
        return None;
    }
    // The first line goes on beyond what was looked at.
    if len > start.len() && memchr::memchr2(b'\n', b'\r', text).is_none() {
        return None;
    }
    let mut told = Told::default();
    let seen = &text[..text.len().min(TOLD_BY)];
    bytes::tell_plain_utf8(seen, bom > 0, label.is_some(), &mut told.decisions)?;
    let head = head_of(file, text).ok()?;
    let found = bulk(file, source, len, bom, head, options, progress, told.clone());
    if found.is_some() {
        return found.map(Ok);
    }
    let wrapped = table::find(head, options.skip_rows.unwrap_or(0), true)
        .first()
        .is_some_and(|t| t.dialect.wrapped);
    let document = matches!(head.trim_ascii_start().first(), Some(b'{' | b'['));
    let rewritten =
        wrapped || document || keyed::table(head).is_some() || joined_quotes(head).is_some();
    (len >= LONG && bom == 0 && !rewritten)
        .then(|| rest(file, source, len, head, options, progress, told))
}

#[expect(clippy::too_many_arguments, reason = "the second half of `attempt`")]
fn bulk(
    file: &str,
    source: &(impl fast::Source + ?Sized),
    len: usize,
    bom: usize,
    head: &[u8],
    options: &ReadOptions,
    progress: &dyn Progress,
    mut told: Told,
) -> Option<Capture> {
    let sniffed = sniff::sniff(file, head, options, &mut told).ok()?;
    let mut layout = layout(&sniffed)?;
    layout.first_row += bom;
    // A last line that is not whole stays out.
    let mut buffer = Vec::new();
    let tail_at = len.saturating_sub(TAIL).max(layout.first_row);
    let tail = source.bytes(tail_at..len, &mut buffer).ok()?;
    let end = tail_at + whole_end(tail, &sniffed, &mut told);
    let table = fast::read_from(source, end, &layout, progress).ok()?;
    second::compare(file, source, end, &sniffed, options, &mut told);
    capture(file, table, &sniffed, options, told)
}

/// The layout that the bulk path needs; `None` for a table that only the careful path can read.
fn layout(sniffed: &Sniffed) -> Option<PlainLayout> {
    let table = &sniffed.table;
    let delimiter = match table.dialect.delimiter {
        Delimiter::Blanks => b' ',
        // Any byte that no cell holds.
        Delimiter::None => 0x1F,
        other => other.byte()?,
    };
    let UnitPlace::Column(unit) = sniffed.chosen.unit else { return None };
    let column = sniffed.current();
    if table.dialect.wrapped
        || table.line_end != b'\n'
        || !table.widths.is_empty()
        || sniffed.chosen.channel.is_some()
        || column.overloads + column.texts + column.times > 0
        || column.mark_doubtful
        || column.numbers < table.sample.len()
    {
        return None;
    }
    let time = match &sniffed.found.clock {
        Clock::Rows { interval_s } => PlainTime::Rows { interval_s: *interval_s },
        Clock::Number { column: at, mark, scale_s, origin } if *mark == column.mark => match origin
        {
            0 => PlainTime::Elapsed { column: *at, seconds_per_unit: *scale_s },
            _ => PlainTime::Counter { column: *at, seconds_per_unit: *scale_s, origin: *origin },
        },
        Clock::Stamp { date: Some(date), time: Some(time), .. } => {
            let (order, offset_min) = order_beyond_doubt(sniffed, *date, *time)?;
            match stamp_form(sniffed, *date, order) {
                Some(form) if date == time => PlainTime::Stamp { column: *date, form },
                _ if date == time => PlainTime::Face { column: *date, order, offset_min },
                _ => PlainTime::Apart { date: *date, time: *time, order, offset_min },
            }
        }
        Clock::Stamp { date: None, time: Some(time), .. } if !sniffed.found.span => {
            PlainTime::TimeOfDay { column: *time }
        }
        Clock::Stamp { date: None, time: Some(time), two_part_scale: 1.0 } => {
            PlainTime::Span { column: *time }
        }
        _ => return None,
    };
    Some(PlainLayout {
        delimiter,
        decimal_mark: column.mark.byte(),
        columns: table.width,
        first_row: table.first_row,
        time,
        current_column: column.place,
        amperes_per_unit: unit.amperes(),
    })
}

/// Order of the dates' numbers where the rows seen leave no doubt, and the offset from UTC that they state.
fn order_beyond_doubt(sniffed: &Sniffed, date: usize, time: usize) -> Option<(Order, Option<i32>)> {
    let rows = &sniffed.table.sample;
    let stamps = |place: usize| {
        rows.iter().filter_map(move |row| stamp(row.get(place)?)).collect::<Vec<_>>()
    };
    let dates = stamps(date);
    let offset_min = if date == time { dates.first()?.offset_min } else { None };
    let first = dates.first()?;
    let kind = first.date?.kind;
    if dates.iter().any(|s| s.span || s.date.is_none_or(|d| d.kind != kind)) {
        return None;
    }
    let order = match kind {
        // Without a year there is no start to tell.
        DateKind::Settled if first.date?.fields[0] == 0 => return None,
        DateKind::Settled => Order::YearMonth,
        DateKind::Short => return None,
        DateKind::YearLast if first.separator == b'.' => Order::DayMonth,
        DateKind::YearLast => {
            let fields = |at: usize| dates.iter().filter_map(move |s| s.date.map(|d| d.fields[at]));
            match (fields(0).any(|f| f > 12), fields(1).any(|f| f > 12)) {
                (true, false) => Order::DayMonth,
                (false, true) => Order::MonthDay,
                _ => return None,
            }
        }
    };
    Some((order, offset_min))
}

/// The form of stamps in digits alone.
fn stamp_form(sniffed: &Sniffed, place: usize, order: Order) -> Option<StampForm> {
    let cell = sniffed.table.sample.first()?.get(place)?;
    let first = stamp(cell)?;
    let date_separator = first.separator;
    if first.half_day
        || first.offset_min.is_some()
        || !matches!(date_separator, b'-' | b'/' | b'.')
        || first.time_at != 11
        || !cell.last()?.is_ascii_digit()
    {
        return None;
    }
    let order = match order {
        Order::YearMonth => DateOrder::YearMonthDay,
        Order::DayMonth => DateOrder::DayMonthYear,
        Order::MonthDay => DateOrder::MonthDayYear,
    };
    Some(StampForm { order, date_separator, between: *cell.get(10)? })
}

fn capture(
    file: &str,
    table: FastTable,
    sniffed: &Sniffed,
    options: &ReadOptions,
    mut told: Told,
) -> Option<Capture> {
    let mut settled = Settled::default();
    let duration =
        if table.time.is_empty() { return None } else { table.time.at(table.time.len() - 1) };
    match table.first_time {
        FirstTime::Stamp(start) => settled.start = Some(start),
        FirstTime::TimeOfDay(time) => {
            settled.time_of_day = Some(time);
            let passes = ((second_of(time) + duration) / 86_400.0).floor();
            if passes >= 1.0 {
                super::settle::tell_midnights(passes as usize, &mut told.cautions);
            }
        }
        FirstTime::Elapsed(_) | FirstTime::Rows => {}
    }
    let mut late_s = 0.0;
    let time = match table.time {
        TimeAxis::Listed(mut times) => {
            spread(&mut times, &[], &mut told.cautions);
            late_s = from_zero(&mut times);
            settled.start = settled.start.and_then(|start| shift(start, late_s));
            settled.time_of_day =
                settled.time_of_day.and_then(|time| time_of(second_of(time) + late_s));
            TimeAxis::Listed(times)
        }
        even => even,
    };
    if duration == 0.0 && time.len() > 1 {
        return None;
    }
    if let FirstTime::Elapsed(first_s) = table.first_time {
        settled.first_s = first_s + late_s;
        count_from(&sniffed.found, &mut settled, &mut told);
    }
    if let FirstTime::Stamp(_) = table.first_time
        && let Clock::Stamp { date: Some(date), time: Some(time), .. } = sniffed.found.clock
        && let Some((order, offset_min)) = order_beyond_doubt(sniffed, date, time)
    {
        settled.offset_min = offset_min;
        let cell = |place: usize| stamp(sniffed.table.sample.first()?.get(place)?);
        if order != Order::YearMonth
            && let Some(of_date) = cell(date)
        {
            tell_order(order, of_date.separator, &mut told.decisions);
        }
    }
    let reading = Reading { time, current_a: table.current_a, ..Reading::default() };

    assemble(file, reading, settled, sniffed, options, told).ok()
}
