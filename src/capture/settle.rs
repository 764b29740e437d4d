//! From the clock's numbers to seconds that never decrease.
//!
//! The rule for a clock that goes back: a time of day that falls by more than half a day has passed midnight; a
//! dated clock without offsets that falls by one hour has left summer time; a counter that falls near its wrap has
//! overflowed; a counter or clock of spans that starts again near its first value begins another session; a whole
//! file that runs backwards is turned round. Each is told. Any other fall is a fault at its row.

use jiff::civil::{Date, DateTime, Time};

use super::careful::{Raw, RowPlace};
use super::columns::shown;
use super::read::Told;
use super::stamp::{DateKind, RawDate, full_year};
use crate::fault::InputFault;
use crate::findings::{Caution, Decision};

const DAY: f64 = 86_400.0;
const HOUR: f64 = 3600.0;

/// What is known of the clock before its rows are settled.
#[derive(Debug, Clone, Copy)]
pub(super) struct Form {
    /// The rows carry time of day with dates in runs, or none.
    pub(super) stamped: bool,
    /// Spans or counters: no midnight to pass.
    pub(super) span: bool,
    /// A counter's wrap, seconds.
    pub(super) wraps_s: Option<f64>,
    /// The file writes decimal commas.
    pub(super) comma: bool,
    /// AM or PM stands in the cells.
    pub(super) half_day: bool,
    /// Byte between the numbers of a date.
    pub(super) separator: u8,
    /// Seconds that a counter showed at time 0.
    pub(super) origin_s: f64,
}

/// The settled clock.
#[derive(Debug, Clone, Default)]
pub(super) struct Settled {
    /// Date and time of row 0, when dated.
    pub(super) start: Option<DateTime>,
    /// Time of day of row 0, when that is all there is.
    pub(super) time_of_day: Option<Time>,
    pub(super) offset_min: Option<i32>,
    /// Rows before which another session begins, with the place where the clock started again.
    pub(super) sessions: Vec<usize>,
    /// The clock at row 0, seconds from its own origin or from midnight.
    pub(super) first_s: f64,
    /// Midnight that the rows of a dated clock count from.
    midnight: Option<DateTime>,
}

/// Order of a numeric date.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Order {
    DayMonth,
    MonthDay,
    YearMonth,
}

impl Order {
    fn name(self) -> &'static str {
        match self {
            Self::DayMonth => "day before month",
            Self::MonthDay => "month before day",
            Self::YearMonth => "year, month, day",
        }
    }
}

/// Turns `raw.time` into seconds from row 0, not decreasing.
///
/// # Errors
/// At the first row where time goes back for no reason that the rule knows, or when dates cannot be.
pub(super) fn settle(
    file: &str,
    raw: &mut Raw,
    form: &Form,
    decisions: &mut Vec<Decision>,
    cautions: &mut Vec<Caution>,
) -> Result<Settled, InputFault> {
    let mut out = Settled::default();
    if raw.time.is_empty() {
        return Ok(out);
    }
    let dated = form.stamped && raw.runs.iter().any(|r| r.date.is_some());
    if dated {
        lay_days(file, raw, form, decisions, cautions, &mut out)?;
    }
    if runs_backwards(&raw.time) {
        turn_round(raw);
        decisions.push(Decision {
            what: "order of rows".to_owned(),
            chosen: "newest first, turned round".to_owned(),
            why: "the clock falls from row to row through the whole file".to_owned(),
            option: None,
        });
    }
    // Most clocks only rise; the rest is looked at row by row.
    if !raw.time.windows(2).all(|w| w[1] > w[0]) {
        mend_falls(file, raw, form, dated, cautions, &mut out)?;
        spread(&mut raw.time, &out.sessions, cautions);
    }
    out.first_s = raw.time[0];
    out.start = out.midnight.and_then(|midnight| shift(midnight, out.first_s));
    if form.stamped && !dated && !form.span {
        out.time_of_day = time_of(out.first_s);
    }
    // Numbers so large that steps vanish in them, or that are no times at all.
    let odd = (0..raw.time.len())
        .find(|&at| !raw.time[at].is_finite() || (at > 0 && raw.time[at] < raw.time[at - 1]));
    if let Some(at) = odd {
        return Err(goes_back(
            file,
            raw,
            at,
            if at > 0 { raw.time[at - 1] - raw.time[at] } else { 0.0 },
        ));
    }
    from_zero(&mut raw.time);
    Ok(out)
}

/// Counts `time` from its first, which is handed back.
pub(super) fn from_zero(time: &mut [f64]) -> f64 {
    let first = time.first().copied().unwrap_or(0.0);
    if first != 0.0 {
        for t in time {
            *t -= first;
        }
    }
    first
}

pub(super) fn time_of(second: f64) -> Option<Time> {
    let nanos = (second.rem_euclid(DAY) * 1e9).round() as i64;
    let (whole, nano) = (nanos / 1_000_000_000 % 86_400, nanos % 1_000_000_000);
    Time::new((whole / 3600) as i8, (whole / 60 % 60) as i8, (whole % 60) as i8, nano as i32).ok()
}

pub(super) fn shift(start: DateTime, seconds: f64) -> Option<DateTime> {
    let nanos = (seconds * 1e9).round();
    if !nanos.is_finite() || nanos.abs() > 9e18 {
        return None;
    }
    start.checked_add(jiff::Span::new().try_nanoseconds(nanos as i64).ok()?).ok()
}

fn runs_backwards(time: &[f64]) -> bool {
    let n = time.len();
    if n < 3 || time[n - 1] >= time[0] {
        return false;
    }
    let down = time.windows(2).filter(|w| w[1] < w[0]).count();
    let up = time.windows(2).filter(|w| w[1] > w[0]).count();
    down > 0 && up * 100 <= down
}

fn turn_round(raw: &mut Raw) {
    let last = raw.time.len() - 1;
    raw.time.reverse();
    raw.value.reverse();
    raw.odd.reverse();
    for (row, _) in &mut raw.odd {
        *row = last - *row;
    }
    // Places of falls in file order say nothing about the turned rows.
    raw.back.clear();
    raw.breaks.clear();
}

/// Adds whole days to the seconds of the day, by the order of the dates' numbers that the file bears out.
fn lay_days(
    file: &str,
    raw: &mut Raw,
    form: &Form,
    decisions: &mut Vec<Decision>,
    cautions: &mut Vec<Caution>,
    out: &mut Settled,
) -> Result<(), InputFault> {
    let dates: Vec<RawDate> = raw.runs.iter().filter_map(|r| r.date).collect();
    let open = dates.iter().any(|d| d.kind != DateKind::Settled);
    let order =
        if open { order_of(&dates, form, decisions, cautions) } else { Some(Order::YearMonth) };
    let impossible = |place: Option<&RowPlace>| {
        let mut fault = InputFault::of_file(
            file,
            "a date that no calendar has",
            "give the form of the dates with --clock-format, such as %d/%m/%Y %H:%M:%S",
        );
        if let Some(place) = place {
            fault.place.line = Some(place.line);
            fault.place.column = Some(place.column);
        }
        fault
    };
    let Some(order) = order else { return Err(impossible(raw.back.first())) };
    let offsets: Vec<i32> = raw.runs.iter().filter_map(|r| r.offset_min).collect();
    let all_offset = !offsets.is_empty() && raw.runs.iter().all(|r| r.offset_min.is_some());
    let first_offset = raw.runs.first().and_then(|r| r.offset_min);
    out.offset_min = first_offset.filter(|_| all_offset);
    let mut day = None::<f64>;
    let mut base = None::<(Date, f64)>;
    let rows = raw.time.len();
    for at in 0..raw.runs.len() {
        let run = raw.runs[at];
        let end = raw.runs.get(at + 1).map_or(rows, |next| next.row);
        if let Some(date) = run.date {
            let Some(date) = calendar(date, order) else {
                return Err(impossible(
                    raw.back.iter().find(|p| p.row >= run.row).or(raw.back.last()),
                ));
            };
            let (base_date, _) = *base.get_or_insert((date, 0.0));
            day = Some(f64::from(base_date.until(date).map(|s| s.get_days()).unwrap_or(0)) * DAY);
        }
        let zone = match (run.offset_min, first_offset) {
            (Some(now), Some(first)) if all_offset => f64::from(now - first) * 60.0,
            _ => 0.0,
        };
        let shift = day.unwrap_or(0.0) - zone;
        for t in &mut raw.time[run.row..end] {
            *t += shift;
        }
    }
    if let Some((date, _)) = base {
        let no_year =
            dates.first().is_some_and(|d| d.kind == DateKind::Settled && d.fields[0] == 0);
        if !no_year {
            out.midnight = Some(date.at(0, 0, 0, 0));
        }
    }
    if all_offset && offsets.iter().any(|o| Some(*o) != first_offset) {
        cautions.push(Caution::new("clock-zone-changes", "the clock's offset from UTC changes within the file; times were counted in UTC, and the start is in the first offset"));
    } else if !offsets.is_empty() && !all_offset {
        cautions.push(Caution::new(
            "clock-zone-partial",
            "only some rows state an offset from UTC; the offsets were set aside",
        ));
    }
    Ok(())
}

fn calendar(date: RawDate, order: Order) -> Option<Date> {
    let [a, b, c] = date.fields;
    let (year, month, day) = match date.kind {
        DateKind::Settled => (if a == 0 { 2000 } else { a }, b, c),
        DateKind::YearLast => match order {
            Order::MonthDay => (c, a, b),
            _ => (c, b, a),
        },
        DateKind::Short => match order {
            Order::YearMonth => (full_year(a), b, c),
            Order::MonthDay => (full_year(c), a, b),
            Order::DayMonth => (full_year(c), b, a),
        },
    };
    Date::new(i16::try_from(year).ok()?, i8::try_from(month).ok()?, i8::try_from(day).ok()?).ok()
}

/// Which order the dates, in the order of their rows, bear out; `None` when none is possible.
fn order_of(
    dates: &[RawDate],
    form: &Form,
    decisions: &mut Vec<Decision>,
    cautions: &mut Vec<Caution>,
) -> Option<Order> {
    let short = dates.iter().any(|d| d.kind == DateKind::Short);
    let mut orders = vec![Order::DayMonth, Order::MonthDay];
    if short {
        orders.push(Order::YearMonth);
    }
    // Possible on every row, without falls, and spanning the least time.
    let mut possible: Vec<(Order, bool, f64)> = orders
        .into_iter()
        .filter_map(|order| {
            let mut span = 0.0;
            let mut falls = 0_usize;
            let mut before: Option<Date> = None;
            for date in dates {
                let date = calendar(*date, order)?;
                if let Some(last) = before {
                    let days = f64::from(last.until(date).map(|s| s.get_days()).unwrap_or(0));
                    span += days.abs();
                    falls += usize::from(days < 0.0);
                }
                before = Some(date);
            }
            Some((order, falls > 0, span))
        })
        .collect();
    let example = {
        let [a, b, c] = dates.first()?.fields;
        let mark = if form.separator == 0 { '/' } else { char::from(form.separator) };
        if short {
            format!("{a:02}{mark}{b:02}{mark}{c:02}")
        } else {
            format!("{a:02}{mark}{b:02}{mark}{c}")
        }
    };
    possible.sort_by(|a, b| a.1.cmp(&b.1).then(a.2.total_cmp(&b.2)));
    let (first, rest) = possible.split_first()?;
    let rivals: Vec<Order> =
        rest.iter().filter(|p| p.1 == first.1 && p.2 == first.2).map(|p| p.0).collect();
    let (order, why) = if rivals.is_empty() {
        let why = if possible.len() == 1 {
            "no other order makes dates of all rows"
        } else {
            "the days follow one another in that order only"
        };
        (first.0, why.to_owned())
    } else {
        let open: Vec<Order> = std::iter::once(first.0).chain(rivals.iter().copied()).collect();
        let same = rivals
            .iter()
            .all(|order| dates.iter().all(|d| calendar(*d, *order) == calendar(*d, first.0)));
        let (order, why, sure) = habit(&open, form);
        if !sure && !same {
            cautions.push(Caution::new(
                "date-order",
                format!(
                    "the date \"{example}\" can be read in more than one order; {} was chosen because {why}: overrule with --clock-format \"{}\"",
                    order.name(),
                    other_pattern(order, form, short)
                ),
            ));
        }
        (order, why.to_owned())
    };
    decisions.push(Decision {
        what: "order of the date".to_owned(),
        chosen: order.name().to_owned(),
        why,
        option: Some(format!("--clock-format \"{}\"", pattern_of(order, form, short))),
    });
    Some(order)
}

/// What writers of such files commonly mean (common practice).
fn habit(open: &[Order], form: &Form) -> (Order, &'static str, bool) {
    let has = |order| open.contains(&order);
    if form.separator == b'.' && has(Order::DayMonth) {
        return (Order::DayMonth, "dates with points put the day first", true);
    }
    if form.half_day && has(Order::MonthDay) {
        return (Order::MonthDay, "AM and PM go with the month first", false);
    }
    if form.comma && has(Order::DayMonth) {
        return (Order::DayMonth, "decimal commas go with the day first", false);
    }
    if has(Order::DayMonth) {
        return (Order::DayMonth, "most of the world puts the day first", false);
    }
    (open[0], "it is the first that fits", false)
}

fn pattern_of(order: Order, form: &Form, short: bool) -> String {
    let sep = if form.separator == 0 { '/' } else { char::from(form.separator) };
    let year = if short { "%y" } else { "%Y" };
    let date = match order {
        Order::DayMonth => format!("%d{sep}%m{sep}{year}"),
        Order::MonthDay => format!("%m{sep}%d{sep}{year}"),
        Order::YearMonth => format!("{year}{sep}%m{sep}%d"),
    };
    let time = if form.half_day { "%I:%M:%S %p" } else { "%H:%M:%S" };
    format!("{date} {time}")
}

fn other_pattern(order: Order, form: &Form, short: bool) -> String {
    pattern_of(
        if order == Order::DayMonth { Order::MonthDay } else { Order::DayMonth },
        form,
        short,
    )
}

/// Accounts for every row whose time is below the row before.
fn mend_falls(
    file: &str,
    raw: &mut Raw,
    form: &Form,
    dated: bool,
    cautions: &mut Vec<Caution>,
    out: &mut Settled,
) -> Result<(), InputFault> {
    let typical = typical_step(&raw.time);
    let first = raw.time[0];
    let mut shift = 0.0;
    let mut midnights = 0;
    let mut hours = 0;
    let mut wraps = 0;
    for at in 1..raw.time.len() {
        let before = raw.time[at - 1];
        let raw_now = raw.time[at];
        let mut now = raw_now + shift;
        if now < before {
            let fall = before - now;
            if form.stamped && !dated && !form.span && fall > DAY / 2.0 {
                while now < before {
                    shift += DAY;
                    now += DAY;
                }
                midnights += 1;
            } else if dated
                && out.offset_min.is_none()
                && (fall - HOUR).abs() <= (3.0 * typical).clamp(2.0, 600.0)
                && hours < 2
            {
                shift += HOUR;
                now += HOUR;
                hours += 1;
            } else if let Some(wrap) = form.wraps_s.filter(|wrap| {
                !dated
                    && before - shift + form.origin_s > 0.9 * wrap
                    && raw_now + form.origin_s < 0.1 * wrap
            }) {
                shift += wrap;
                now += wrap;
                wraps += 1;
            } else if !dated && form.span && restarts(raw, at, raw_now, first, typical) {
                let next = before + typical * 20.0;
                shift += next - now;
                now = next;
                out.sessions.push(at);
            } else {
                return Err(goes_back(file, raw, at, fall));
            }
        }
        raw.time[at] = now;
    }
    if midnights > 0 {
        tell_midnights(midnights, cautions);
    }
    if hours > 0 {
        cautions.push(Caution::new("clock-hour-back", "the clock goes back by one hour, as at the end of summer time; the rows after it were moved on by an hour"));
    }
    if wraps > 0 {
        cautions.push(Caution::new("clock-overflow", "the counter of the clock starts again from 0 after its largest number; the rows after it were moved on"));
    }
    if !out.sessions.is_empty() {
        cautions.push(Caution::new(
            "sessions",
            format!(
                "the clock starts again {} within the file: {} sessions were put one after the other, the time between them being unknown",
                if out.sessions.len() == 1 { "once".to_owned() } else { format!("{} times", out.sessions.len()) },
                out.sessions.len() + 1
            ),
        ));
    }
    Ok(())
}

/// Says that a time of day passed midnight.
pub(super) fn tell_midnights(times: usize, cautions: &mut Vec<Caution>) {
    let often = if times == 1 { "once".to_owned() } else { format!("{times} times") };
    cautions.push(Caution::new(
        "clock-midnight",
        format!(
            "the time of day passes midnight {often}; the rows after it were placed on the next day"
        ),
    ));
}

/// Says which order of a numeric date was beyond doubt.
pub(super) fn tell_order(day_first: bool, separator: u8, decisions: &mut Vec<Decision>) {
    let order = if day_first { Order::DayMonth } else { Order::MonthDay };
    let form = Form {
        stamped: true,
        span: false,
        wraps_s: None,
        comma: false,
        half_day: false,
        separator,
        origin_s: 0.0,
    };
    decisions.push(Decision {
        what: "order of the date".to_owned(),
        chosen: order.name().to_owned(),
        why: if separator == b'.' {
            "dates with points put the day first"
        } else {
            "no other order makes dates of all rows"
        }
        .to_owned(),
        option: Some(format!("--clock-format \"{}\"", pattern_of(order, &form, false))),
    });
}

/// The first of some dates, their order settled as for a clock.
pub(super) fn first_date(dates: &[RawDate], form: &Form, told: &mut Told) -> Option<Date> {
    let first = *dates.first()?;
    if first.kind == DateKind::Settled {
        return (first.fields[0] != 0).then(|| calendar(first, Order::YearMonth)).flatten();
    }
    let order = order_of(dates, form, &mut told.decisions, &mut told.cautions)?;
    calendar(first, order)
}

/// The clock begins again where it began: near the first value, or after a header or other text in between.
fn restarts(raw: &Raw, at: usize, now: f64, first: f64, typical: f64) -> bool {
    let near = (now - first).abs() <= typical * 1.5;
    let parted = raw.breaks.binary_search(&at).is_ok();
    near || (parted && now <= first.abs() + typical * 10.0)
}

fn goes_back(file: &str, raw: &Raw, at: usize, fall: f64) -> InputFault {
    let place = raw.back.iter().find(|p| p.row == at);
    let text = place.map(|p| format!(" (\"{}\")", shown(&p.text))).unwrap_or_default();
    let mut fault = InputFault::of_file(
        file,
        format!("time goes back by {} s{text}", significant(fall)),
        "mend or cut the file there, name another clock with --time-column, or give the seconds between rows with --interval",
    );
    if let Some(place) = place {
        fault.place.line = Some(place.line);
        fault.place.column = Some(place.column);
    }
    fault
}

fn significant(value: f64) -> String {
    let text = format!("{value:.6}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Median of the positive steps of the first rows; 1 when there is none.
fn typical_step(time: &[f64]) -> f64 {
    let mut steps: Vec<f64> =
        time.windows(2).take(20_000).map(|w| w[1] - w[0]).filter(|s| *s > 0.0).collect();
    if steps.is_empty() {
        return 1.0;
    }
    let middle = steps.len() / 2;
    *steps.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// Rows that share a stamp are spread evenly up to the next stamp; the first row moves where its group began before
/// its stamp.
pub(super) fn spread(time: &mut [f64], sessions: &[usize], cautions: &mut Vec<Caution>) {
    let n = time.len();
    let mut groups: Vec<(usize, usize)> = Vec::new();
    let mut repeats = 0_usize;
    let mut start = 0;
    for at in 1..=n {
        if at == n || time[at] != time[start] {
            if at - start > 1 {
                repeats += at - start - 1;
                groups.push((start, at));
            }
            start = at;
        }
    }
    if groups.is_empty() {
        return;
    }
    // The commonest spacing inside a group that is followed at once by another stamp.
    let mut spacings: Vec<f64> = groups
        .iter()
        .filter(|(_, end)| *end < n && !sessions.contains(end))
        .map(|(start, end)| (time[*end] - time[*start]) / (end - start) as f64)
        .collect();
    if spacings.is_empty() {
        return;
    }
    let middle = spacings.len() / 2;
    let typical = *spacings.select_nth_unstable_by(middle, f64::total_cmp).1;
    for &(start, end) in &groups {
        let count = end - start;
        let stamp = time[start];
        let ahead = if end < n { time[end] - stamp } else { f64::INFINITY };
        let room = if end < n && !sessions.contains(&end) {
            ahead
        } else {
            ahead.min(typical * count as f64)
        };
        let step = if room > 3.0 * typical * count as f64 { typical } else { room / count as f64 };
        // A first group that began before its stamp is cut off at its front.
        let late = if start == 0
            && end < n
            && (count as f64) * typical < 0.9 * room
            && room <= 3.0 * typical * count as f64
        {
            room - typical * count as f64
        } else {
            0.0
        };
        let step = if late > 0.0 { typical } else { step };
        for (k, t) in time[start..end].iter_mut().enumerate() {
            *t = stamp + late + step * k as f64;
        }
    }
    if repeats * 20 > n {
        cautions.push(Caution::new(
            "clock-repeats",
            format!("{repeats} rows carry the same time as the row before; rows of one stamp were spread evenly up to the next"),
        ));
    }
}

#[cfg(test)]
mod tests {
    use super::super::{ReadOptions, Silent, read_bytes};

    /// Whole-second stamps, four rows in each but the first, which the capture entered late: by both paths.
    #[test]
    fn a_first_second_that_was_entered_late_starts_at_zero() {
        for quote in ["", "\""] {
            let mut text = format!("time,current_A\n2026-03-14 21:15:00,{quote}0.118{quote}\n");
            for row in 3..51 {
                text += &format!("2026-03-14 21:15:{:02},0.117\n", row / 4);
            }
            let read =
                read_bytes("late", text.into_bytes(), &ReadOptions::default(), &Silent).unwrap();
            assert_eq!(read.samples.len(), 49);
            for at in 0..49 {
                assert!((read.samples.time.at(at) - 0.25 * at as f64).abs() < 1e-9, "{at}");
            }
            assert_eq!(read.start.unwrap().to_string(), "2026-03-14T21:15:00.5");
        }
    }
}
