//! When a table is plain enough for the bulk path, and what the bulk path is told.

use super::assemble::{Reading, assemble};
use super::bytes;
use super::cell::number_prefix;
use super::clock::{Clock, PartsAre, second_of};
use super::dates::{Order, calendar, order_of, tell_order};
use super::dialect::Delimiter;
use super::fast::{self, DateOrder, FastTable, FirstTime, PlainLayout, PlainTime, StampForm, Text};
use super::lines::{TAIL, head_of, joined_quotes, whole_end};
use super::options::{Progress, ReadOptions};
use super::read::{Told, count_from, form_of, rest};
use super::reading_unit::UnitPlace;
use super::settle::{Settled, from_zero, shift, time_of};
use super::sniff::{self, Sniffed};
use super::spread::spread;
use super::stamp::{DateKind, RawDate, Stamp, stamp};
use super::types::{Capture, TimeAxis};
use super::{keyed, line_protocol, second, table};
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
    told: &Told,
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
    let mut told = told.clone();
    let seen = &text[..text.len().min(TOLD_BY)];
    bytes::tell_plain_utf8(seen, bom > 0, label.is_some(), &mut told.decisions)?;
    let head = head_of(file, text).ok()?;
    // What is here already need not be fetched again.
    let found = match start.len() == len {
        true => bulk(file, start, len, bom, head, options, progress, told.clone()),
        false => bulk(file, source, len, bom, head, options, progress, told.clone()),
    };
    if found.is_some() {
        return found.map(Ok);
    }
    let wrapped = table::find(head, options.skip_rows.unwrap_or(0), true)
        .first()
        .is_some_and(|t| t.dialect.wrapped);
    let document = matches!(head.trim_ascii_start().first(), Some(b'{' | b'['));
    let rewritten = wrapped
        || document
        || line_protocol::speaks(head)
        || keyed::table(head).is_some()
        || joined_quotes(head).is_some();
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
    let (mut layout, orders) = layout(&sniffed, head)?;
    layout.first_row += bom;
    // A last line that is not whole stays out.
    let mut buffer = Vec::new();
    let tail_at = len.saturating_sub(TAIL).max(layout.first_row);
    let tail = source.bytes(tail_at..len, &mut buffer).ok()?;
    let end = tail_at + whole_end(tail, &sniffed, &mut told);
    let table = match &orders {
        Orders::None => fast::read_from(source, end, &layout, progress).ok()?,
        Orders::Settled(order, separator) => {
            let table = fast::read_from(source, end, &layout, progress).ok()?;
            tell_order(*order, *separator, &mut told.decisions);
            table
        }
        Orders::Open(orders) => {
            let form = form_of(&sniffed, &sniffed.found);
            orders.iter().find_map(|order| {
                let layout = PlainLayout { time: layout.time.in_order(*order), ..layout };
                let table = fast::read_from(source, end, &layout, progress).ok()?;
                let (mut decisions, mut cautions) = (Vec::new(), Vec::new());
                let found = order_of(&table.dates, &form, &mut decisions, &mut cautions);
                (found == Some(*order)).then(|| {
                    told.decisions.append(&mut decisions);
                    told.cautions.append(&mut cautions);
                    table
                })
            })?
        }
    };
    second::compare(file, source, end, &sniffed, options, &mut told);
    capture(file, table, &sniffed, options, told)
}

/// What is known of the order of the dates' numbers before all rows are read.
enum Orders {
    /// There is nothing to tell.
    None,
    /// The rows seen leave no doubt; with the byte between the numbers.
    Settled(Order, u8),
    /// All dates decide; those that the rows seen allow, the likeliest first.
    Open(Vec<Order>),
}

/// The layout that the bulk path needs; `None` for a table that only the careful path can read.
fn layout(sniffed: &Sniffed, head: &[u8]) -> Option<(PlainLayout, Orders)> {
    let table = &sniffed.table;
    let delimiter = match table.dialect.delimiter {
        Delimiter::Blanks => b' ',
        // Any byte that no cell holds.
        Delimiter::None => 0x1F,
        other => other.byte()?,
    };
    let column = sniffed.current();
    let (amperes_per_unit, unit_text) = match &sniffed.chosen.unit {
        UnitPlace::Column(unit) => (unit.amperes(), Text::EMPTY),
        UnitPlace::Cells(_) => one_unit(sniffed)?,
        UnitPlace::Beside(_) | UnitPlace::Prefixed { .. } => return None,
    };
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
    let mut orders = Orders::None;
    let time = match &sniffed.found.clock {
        Clock::Rows { interval_s } => PlainTime::Rows { interval_s: *interval_s },
        Clock::Number { column: at, mark, scale_s, origin } if *mark == column.mark => match origin
        {
            0 => PlainTime::Elapsed { column: *at, seconds_per_unit: *scale_s },
            _ => PlainTime::Counter { column: *at, seconds_per_unit: *scale_s, origin: *origin },
        },
        Clock::Stamp { parts: PartsAre::Points, .. } => return None,
        Clock::Stamp { date: Some(date), time: Some(time), .. } => {
            let offset_min;
            (orders, offset_min) = orders_of(sniffed, *date, *time)?;
            let order = match &orders {
                Orders::None => Order::YearMonth,
                Orders::Settled(order, _) => *order,
                Orders::Open(orders) => *orders.first()?,
            };
            let form = match orders {
                Orders::Open(_) => None,
                _ => stamp_form(sniffed, *date, order),
            };
            match form {
                Some(form) if date == time => PlainTime::Stamp { column: *date, form },
                _ if date == time => PlainTime::Face { column: *date, order, offset_min },
                _ => PlainTime::Apart { date: *date, time: *time, order, offset_min },
            }
        }
        Clock::Stamp {
            date: None,
            time: Some(time),
            parts: parts @ (PartsAre::Usual | PartsAre::MinutesSeconds),
        } => {
            let (column, two_are_minutes) = (*time, *parts == PartsAre::MinutesSeconds);
            if sniffed.found.span {
                PlainTime::Span { column, two_are_minutes }
            } else {
                PlainTime::TimeOfDay { column, two_are_minutes }
            }
        }
        _ => return None,
    };
    let first_row = table.first_row;
    let row_end =
        memchr::memchr(b'\n', head.get(first_row..)?).map_or(head.len(), |at| first_row + at);
    let quoted = head[first_row..row_end].contains(&b'"');
    let decimal_mark = column.mark.byte();
    if decimal_mark == delimiter && !quoted {
        return None;
    }
    let layout = PlainLayout {
        delimiter,
        decimal_mark,
        columns: table.width,
        first_row,
        time,
        current_column: column.place,
        amperes_per_unit,
        quoted,
        unit_text,
    };
    Some((layout, orders))
}

/// Amperes in the unit that every reading seen carries in its cell, and how it is written there.
fn one_unit(sniffed: &Sniffed) -> Option<(f64, Text)> {
    let column = sniffed.current();
    let [unit] = column.cell_units.as_slice() else { return None };
    let mut units = sniffed
        .table
        .sample
        .iter()
        .map(|row| number_prefix(row.get(column.place)?, column.mark).map(|(_, rest)| rest));
    let text = units.next()??;
    (!text.is_empty() && units.all(|other| other == Some(text)))
        .then(|| Text::of(text).map(|text| (unit.amperes(), text)))?
}

/// The orders that the dates' numbers may have by the rows seen, and the offset from UTC that they state.
fn orders_of(sniffed: &Sniffed, date: usize, time: usize) -> Option<(Orders, Option<i32>)> {
    let rows = &sniffed.table.sample;
    let dates: Vec<Stamp> = rows.iter().filter_map(|row| stamp(row.get(date)?)).collect();
    let first = dates.first()?;
    let offset_min = if date == time { first.offset_min } else { None };
    let kind = first.date?.kind;
    if dates.iter().any(|s| s.span || s.date.is_none_or(|d| d.kind != kind)) {
        return None;
    }
    let fields = |at: usize| dates.iter().filter_map(move |s| s.date.map(|d| d.fields[at]));
    let orders = match kind {
        DateKind::Settled => Orders::None,
        DateKind::YearLast if first.separator == b'.' => {
            Orders::Settled(Order::DayMonth, first.separator)
        }
        DateKind::YearLast if fields(0).any(|f| f > 12) => {
            Orders::Settled(Order::DayMonth, first.separator)
        }
        DateKind::YearLast if fields(1).any(|f| f > 12) => {
            Orders::Settled(Order::MonthDay, first.separator)
        }
        _ => {
            let mut runs: Vec<RawDate> = dates.iter().filter_map(|s| s.date).collect();
            runs.dedup();
            let form = form_of(sniffed, &sniffed.found);
            let likely = order_of(&runs, &form, &mut Vec::new(), &mut Vec::new())?;
            let mut orders = vec![likely];
            let others = [Order::DayMonth, Order::MonthDay, Order::YearMonth];
            orders.extend(others.into_iter().filter(|order| {
                *order != likely
                    && (kind == DateKind::Short || *order != Order::YearMonth)
                    && runs.iter().all(|date| calendar(*date, *order).is_some())
            }));
            Orders::Open(orders)
        }
    };
    Some((orders, offset_min))
}

/// The form of stamps in digits alone, all parts with leading zeros.
fn stamp_form(sniffed: &Sniffed, place: usize, order: Order) -> Option<StampForm> {
    let cell = sniffed.table.sample.first()?.get(place)?;
    let first = stamp(cell)?;
    let date_separator = first.separator;
    let padded = |row: &Vec<Vec<u8>>| {
        matches!(
            row.get(place).and_then(|cell| cell.get(11..)),
            Some([_, _, b':', _, _, b':', _, _, ..])
        )
    };
    if first.half_day
        || first.offset_min.is_some()
        || !matches!(date_separator, b'-' | b'/' | b'.')
        || first.time_at != 11
        || !cell.last()?.is_ascii_digit()
        || !sniffed.table.sample.iter().all(padded)
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
    if let (FirstTime::Stamp(_), Clock::Stamp { date: Some(date), time: Some(time), .. }) =
        (table.first_time, &sniffed.found.clock)
    {
        let first = stamp(sniffed.table.sample.first()?.get(*date)?)?;
        settled.offset_min = first.offset_min.filter(|_| date == time);
        // Without a year there is no start to tell.
        if first.date?.kind == DateKind::Settled && first.date?.fields[0] == 0 {
            settled.start = None;
        }
    }
    let reading = Reading { time, current_a: table.current_a, ..Reading::default() };
    Some(assemble(file, reading, settled, sniffed, options, told))
}
