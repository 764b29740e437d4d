//! Which number of a date is its month, and the days that the rows of a dated clock lie on.

use jiff::civil::Date;

use super::careful::{Raw, RowPlace};
use super::read::Told;
use super::settle::{DAY, Form, Settled};
use super::stamp::{DateKind, RawDate, full_year};
use crate::fault::InputFault;
use crate::findings::{Caution, Decision};

/// Order of a numeric date.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Order {
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

/// Adds whole days to the seconds of the day, by the order of the dates' numbers that the file bears out.
pub(super) fn lay_days(
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

/// The date that three numbers in that order are, if any.
pub(super) fn calendar(date: RawDate, order: Order) -> Option<Date> {
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
pub(super) fn order_of(
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
    let doubt = !rivals.is_empty();
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
        let first_date = *dates.first()?;
        let (order, why, sure) = habit(&open, form, first_date);
        let differs = |o: &&Order| dates.iter().any(|d| calendar(*d, **o) != calendar(*d, order));
        let other = open.iter().find(differs);
        if let Some(other) = other.filter(|_| !sure && !same) {
            cautions.push(Caution::new(
                "date-order",
                format!(
                    "the date \"{example}\" can be read in more than one order; {} was chosen because {why}: overrule with --clock-format \"{}\"",
                    order.name(),
                    pattern_of(*other, form, short)
                ),
            ));
        }
        (order, why.to_owned())
    };
    decisions.push(Decision {
        what: "order of the date".to_owned(),
        chosen: order.name().to_owned(),
        why,
        // Beyond doubt the order needs no telling, and dates with gaps follow no pattern.
        option: doubt.then(|| format!("--clock-format \"{}\"", pattern_of(order, form, short))),
    });
    Some(order)
}

/// What writers of such files commonly mean (common practice).
fn habit(open: &[Order], form: &Form, first: RawDate) -> (Order, &'static str, bool) {
    // Years of two digits that lie far off are rarely years.
    let likely = |order: &&Order| {
        first.kind != DateKind::Short
            || calendar(first, **order).is_some_and(|d| (2015..2040).contains(&d.year()))
    };
    let near: Vec<Order> = open.iter().filter(likely).copied().collect();
    if let [only] = near.as_slice()
        && form.separator != b'.'
    {
        return (*only, "in the other orders the year lies far off", false);
    }
    let has = |order| open.contains(&order);
    if form.separator == b'_' && has(Order::YearMonth) {
        return (Order::YearMonth, "stamps with underscores put the year first", false);
    }
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
    let [between, mark] = form.time_marks.map(char::from);
    let time = if form.half_day {
        format!("%I{mark}%M{mark}%S %p")
    } else {
        format!("%H{mark}%M{mark}%S")
    };
    format!("{date}{between}{time}")
}

/// Says which order of a numeric date was beyond doubt.
pub(super) fn tell_order(order: Order, separator: u8, decisions: &mut Vec<Decision>) {
    decisions.push(Decision {
        what: "order of the date".to_owned(),
        chosen: order.name().to_owned(),
        why: if separator == b'.' {
            "dates with points put the day first"
        } else {
            "no other order makes dates of all rows"
        }
        .to_owned(),
        option: None,
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
