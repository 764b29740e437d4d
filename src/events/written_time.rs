//! A time cell as a person writes it.

use jiff::civil::{Date, DateTime, Time};

use super::ListedTime;

/// A time and the finest unit it was written to, seconds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Written {
    pub(super) time: ListedTime,
    pub(super) rounding_s: f64,
}

/// Why a time cell cannot be used: what was found, what to do.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct BadTime {
    pub(super) found: String,
    pub(super) advice: String,
}

/// Which number of `1/2/2026` is the day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum SlashDates {
    DayFirst,
    MonthFirst,
    Unknown,
}

const FORMS: &str = "write a date and time (2026-05-01 14:05:30), a time of day (14:05:30) or \
                     seconds from the capture's start (90.5)";
/// A hundred years of seconds: no capture lasts so long.
const TOO_MANY_SECONDS: f64 = 3.2e9;
/// Seconds of 1990 and later in Unix time.
const UNIX_TIMES: std::ops::Range<f64> = 6.3e8..TOO_MANY_SECONDS;

fn bad(found: impl Into<String>, advice: impl Into<String>) -> BadTime {
    BadTime { found: found.into(), advice: advice.into() }
}

/// Reads a cell, and a date cell beside it where the list has one.
pub(super) fn read(cell: &str, date: Option<&str>, slash: SlashDates) -> Result<Written, BadTime> {
    let cell = cell.trim();
    if cell.is_empty() {
        return Err(bad("the time is empty", FORMS));
    }
    if let Some(date) = date.map(str::trim).filter(|date| !date.is_empty()) {
        let date = read_date(date, slash)?;
        let (time, rounding_s) = read_clock(cell)?;
        return Ok(Written {
            time: ListedTime::DateTime(DateTime::from_parts(date, time)),
            rounding_s,
        });
    }
    if let Some((seconds, rounding_s)) = read_seconds(cell) {
        return elapsed(seconds, rounding_s);
    }
    // The date ends at the first space or at ISO's T.
    let cut = cell.find(|c: char| c.is_whitespace() || c == 'T' || c == 't');
    match cut {
        Some(at) if looks_like_date(&cell[..at]) => {
            let date = read_date(&cell[..at], slash)?;
            let rest =
                cell[at..].trim_start_matches(|c: char| c.is_whitespace() || c == 'T' || c == 't');
            let (time, rounding_s) = read_clock(rest)?;
            Ok(Written { time: ListedTime::DateTime(DateTime::from_parts(date, time)), rounding_s })
        }
        None if looks_like_date(cell) => {
            Err(bad(format!("\"{cell}\" is a date without a time of day"), FORMS))
        }
        _ => {
            let (time, rounding_s) = read_clock(cell)?;
            Ok(Written { time: ListedTime::TimeOfDay(time), rounding_s })
        }
    }
}

fn elapsed(seconds: f64, rounding_s: f64) -> Result<Written, BadTime> {
    if seconds < 0.0 {
        return Err(bad(
            format!("{seconds} s lies before the capture's start"),
            "count seconds from the first sample, or write times of day",
        ));
    }
    if UNIX_TIMES.contains(&seconds) {
        return Err(bad(
            format!("{seconds} looks like seconds since 1970"),
            "write the local date and time instead (2026-05-01 14:05:30)",
        ));
    }
    if seconds >= TOO_MANY_SECONDS {
        return Err(bad(format!("{seconds} s is more than a hundred years"), FORMS));
    }
    Ok(Written { time: ListedTime::Elapsed(seconds), rounding_s })
}

/// `90`, `90.5`, `90,5`, with or without a trailing `s`; the value and its last digit's worth.
fn read_seconds(cell: &str) -> Option<(f64, f64)> {
    let number = cell.strip_suffix(['s', 'S']).map_or(cell, str::trim_end);
    let plain = number.strip_prefix(['-', '+']).unwrap_or(number);
    let (whole, fraction) = plain.split_once(['.', ',']).unwrap_or((plain, ""));
    let digits = |text: &str| text.bytes().all(|b| b.is_ascii_digit());
    if whole.is_empty() || !digits(whole) || !digits(fraction) {
        return None;
    }
    let value: f64 = number.replace(',', ".").parse().ok()?;
    Some((value, 10f64.powi(-(fraction.len().min(9) as i32))))
}

fn looks_like_date(text: &str) -> bool {
    let parts: Vec<&str> = text.split(['-', '/', '.']).collect();
    parts.len() == 3 && parts.iter().all(|p| !p.is_empty() && p.bytes().all(|b| b.is_ascii_digit()))
}

fn read_date(text: &str, slash: SlashDates) -> Result<Date, BadTime> {
    let iso = "write the date as year-month-day, 2026-05-01";
    let parts: Vec<&str> = text.split(['-', '/', '.']).collect();
    let numbers: Vec<i32> = parts.iter().filter_map(|part| part.parse().ok()).collect();
    let (&[a, b, c], true) = (numbers.as_slice(), looks_like_date(text)) else {
        return Err(bad(format!("\"{text}\" is not a date"), iso));
    };
    let (year, month, day) = if parts[0].len() == 4 {
        (a, b, c)
    } else if parts[2].len() != 4 {
        return Err(bad(format!("the date \"{text}\" has no year of four digits"), iso));
    } else if text.contains('.') || a > 12 {
        (c, b, a)
    } else if b > 12 || a == b {
        (c, a, b)
    } else {
        match slash {
            SlashDates::DayFirst => (c, b, a),
            SlashDates::MonthFirst => (c, a, b),
            SlashDates::Unknown => {
                return Err(bad(
                    format!("the date \"{text}\" may be day first or month first"),
                    iso,
                ));
            }
        }
    };
    let small = |n: i32| i8::try_from(n).unwrap_or(0);
    Date::new(i16::try_from(year).unwrap_or(-1).max(-1), small(month), small(day))
        .ok()
        .filter(|_| year > 0)
        .ok_or_else(|| bad(format!("there is no date \"{text}\""), iso))
}

/// What a list's dates with slashes or dashes tell of the order in them.
pub(super) fn slash_order<'a>(cells: impl Iterator<Item = &'a str>) -> SlashDates {
    let (mut day_first, mut month_first) = (false, false);
    for cell in cells {
        let date = cell.trim().split(|c: char| c.is_whitespace() || c == 'T').next().unwrap_or("");
        let parts: Vec<&str> = date.split(['/', '-']).collect();
        let [a, b, year] = parts.as_slice() else { continue };
        if year.len() != 4 {
            continue;
        }
        day_first |= a.parse::<u32>().is_ok_and(|a| a > 12);
        month_first |= b.parse::<u32>().is_ok_and(|b| b > 12);
    }
    match (day_first, month_first) {
        (true, false) => SlashDates::DayFirst,
        (false, true) => SlashDates::MonthFirst,
        _ => SlashDates::Unknown,
    }
}

/// `14:05`, `14:05:30.5`, `2:05 pm`, with or without a zone, which is dropped: lists and captures
/// are compared in the local time they show.
fn read_clock(text: &str) -> Result<(Time, f64), BadTime> {
    let not_a_time = || bad(format!("\"{text}\" is not a time"), FORMS);
    let lower = text.trim().to_lowercase();
    let (clock, half) = ["a.m.", "p.m.", "am", "pm"]
        .into_iter()
        .find_map(|mark| Some((lower.strip_suffix(mark)?.trim_end().to_owned(), Some(&mark[..1]))))
        .unwrap_or((lower.clone(), None));
    let clock = clock.strip_suffix('z').unwrap_or(&clock);
    let clock = match clock.rfind(['+', '-']) {
        Some(at) if clock[..at].contains(':') => clock[..at].trim_end(),
        _ => clock,
    };
    let parts: Vec<&str> = clock.split(':').collect();
    let (hour, minute, second) = match parts.as_slice() {
        [hour, minute] => (*hour, *minute, None),
        [hour, minute, second] => (*hour, *minute, Some(*second)),
        _ => return Err(not_a_time()),
    };
    let whole = |part: &str, most: i8| {
        (matches!(part.len(), 1 | 2) && part.bytes().all(|b| b.is_ascii_digit()))
            .then(|| part.parse::<i8>().ok().filter(|n| *n <= most))
            .flatten()
    };
    let (second, nanosecond, rounding_s) = match second {
        None => (0, 0, 60.0),
        Some(text) => {
            let (seconds, fraction) = text.split_once(['.', ',']).unwrap_or((text, ""));
            if !fraction.bytes().all(|b| b.is_ascii_digit()) {
                return Err(not_a_time());
            }
            let digits = fraction.len().min(9);
            let nanos: i32 = format!("{:0<9}", &fraction[..digits]).parse().unwrap_or(0);
            let seconds = whole(seconds, 59).ok_or_else(not_a_time)?;
            (seconds, nanos, 10f64.powi(-(digits as i32)))
        }
    };
    let minute = whole(minute, 59).ok_or_else(not_a_time)?;
    let hour = match (half, whole(hour, 23).ok_or_else(not_a_time)?) {
        (None, hour) => hour,
        (Some(_), hour) if !(1..=12).contains(&hour) => return Err(not_a_time()),
        (Some("p"), hour) => hour % 12 + 12,
        (Some(_), hour) => hour % 12,
    };
    let time = Time::new(hour, minute, second, nanosecond).map_err(|_| not_a_time())?;
    Ok((time, rounding_s))
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::{date, time};

    fn ok(cell: &str) -> (ListedTime, f64) {
        let written = read(cell, None, SlashDates::Unknown).unwrap_or_else(|e| panic!("{e:?}"));
        (written.time, written.rounding_s)
    }

    #[test]
    fn each_way_of_writing_a_time_keeps_its_rounding() {
        use ListedTime::{DateTime, Elapsed, TimeOfDay};
        let tod = |h, m, s, n| TimeOfDay(time(h, m, s, n));
        let on = |h, m, s| DateTime(date(2026, 5, 31).at(h, m, s, 0));
        for (cell, expected, rounding_s) in [
            ("14:05", tod(14, 5, 0, 0), 60.0),
            ("1:30", tod(1, 30, 0, 0), 60.0),
            (" 14:05:30 ", tod(14, 5, 30, 0), 1.0),
            ("14:05:30.25", tod(14, 5, 30, 250_000_000), 0.01),
            ("14:05:30,2", tod(14, 5, 30, 200_000_000), 0.1),
            ("2:05 PM", tod(14, 5, 0, 0), 60.0),
            ("12:05:10am", tod(0, 5, 10, 0), 1.0),
            ("12:00 p.m.", tod(12, 0, 0, 0), 60.0),
            ("2026-05-31 14:05", on(14, 5, 0), 60.0),
            ("2026-05-31T14:05:30", on(14, 5, 30), 1.0),
            ("2026-05-31T14:05:30+02:00", on(14, 5, 30), 1.0),
            ("2026-05-31T14:05:30Z", on(14, 5, 30), 1.0),
            ("31.05.2026 14:05", on(14, 5, 0), 60.0),
            ("31/05/2026 2:05 pm", on(14, 5, 0), 60.0),
            ("5/31/2026 14:05", on(14, 5, 0), 60.0),
            ("90", Elapsed(90.0), 1.0),
            ("90.50", Elapsed(90.5), 0.01),
            ("90,5 s", Elapsed(90.5), 0.1),
            ("0", Elapsed(0.0), 1.0),
        ] {
            assert_eq!(ok(cell), (expected, rounding_s), "{cell}");
        }
    }

    #[test]
    fn a_date_in_a_column_of_its_own_joins_the_time() {
        let written = read("14:05", Some("2026-05-31"), SlashDates::Unknown).unwrap();
        assert_eq!(written.time, ListedTime::DateTime(date(2026, 5, 31).at(14, 5, 0, 0)));
    }

    #[test]
    fn a_list_tells_the_order_of_its_dates() {
        let order = slash_order(["01/02/2026 10:00", "13/02/2026 10:00"].into_iter());
        assert_eq!(order, SlashDates::DayFirst);
        let written = read("01/02/2026 10:00", None, order).unwrap();
        assert_eq!(written.time, ListedTime::DateTime(date(2026, 2, 1).at(10, 0, 0, 0)));
    }

    #[test]
    fn what_cannot_be_meant_is_refused_with_what_to_do() {
        for (cell, found) in [
            ("", "is empty"),
            ("soon", "is not a time"),
            ("25:00", "is not a time"),
            ("14:60", "is not a time"),
            ("13:00 pm", "is not a time"),
            ("14:05:30:10", "is not a time"),
            ("-5", "before the capture's start"),
            ("1767225600", "since 1970"),
            ("2026-02-30 10:00", "no date"),
            ("01/02/2026 10:00", "day first or month first"),
            ("2026-05-31", "without a time of day"),
            ("1/2/26 10:00", "four digits"),
        ] {
            let fault = read(cell, None, SlashDates::Unknown).expect_err(cell);
            assert!(fault.found.contains(found), "{cell}: {}", fault.found);
            assert!(!fault.advice.is_empty());
        }
    }
}
