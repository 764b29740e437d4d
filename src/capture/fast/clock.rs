//! Time cells of fixed form.

use jiff::civil::{Date, DateTime, Time};

use super::super::stamp::RawDate;
use super::number::Like;
use super::{DateOrder, StampForm};

/// A time read from the start of some bytes.
#[derive(Debug, Clone, Copy)]
pub(super) struct Tick {
    /// Seconds from the first row's time.
    pub(super) time_s: f64,
    /// Bytes it took.
    pub(super) len: usize,
    /// Printed to 10^−decimals of its unit.
    pub(super) decimals: i32,
}

/// Reads time cells; one for each run of rows, as it may remember the last date.
pub(super) trait Clock: Clone + Sync + Send {
    /// The time at the start of `bytes`.
    fn tick(&mut self, bytes: &[u8]) -> Option<Tick>;
    /// True when times may fall by a day at midnight.
    const WRAPS: bool = false;
    /// True when the date has a cell of its own.
    const APART: bool = false;
    /// Reads the date at the start of `bytes`; its length.
    fn date(&mut self, _bytes: &[u8]) -> Option<usize> {
        None
    }
    /// Seconds from the first row's day to that of the last date read, for dates with a cell of their own.
    fn day_s(&self) -> f64 {
        0.0
    }
    /// Forgets the rows read.
    fn restart(&mut self) {}
    /// The dates of the rows read since, as they were written, where their order may be open; of equal ones that
    /// follow each other the first.
    fn dates(self) -> Vec<RawDate> {
        Vec::new()
    }
}

/// Elapsed numbers in some unit.
#[derive(Debug, Clone, Copy)]
pub(super) struct Elapsed {
    pub(super) decimal_mark: u8,
    pub(super) seconds_per_unit: f64,
    /// The first row's number, in the unit.
    pub(super) first: f64,
    /// How the row before is written.
    pub(super) like: Like,
}

impl Clock for Elapsed {
    #[inline(always)]
    fn tick(&mut self, bytes: &[u8]) -> Option<Tick> {
        let cell = self.like.number(bytes, self.decimal_mark)?;
        let time_s = (cell.value - self.first) * self.seconds_per_unit;
        Some(Tick { time_s, len: cell.len, decimals: cell.decimals })
    }
}

/// Nanoseconds, length and places of up to nine digits after a point or comma, if they follow; but the delimiter ends
/// the cell.
#[inline(always)]
pub(super) fn fraction(bytes: &[u8], delimiter: u8) -> Option<(i64, usize, i32)> {
    if !bytes.first().is_some_and(|byte| matches!(byte, b'.' | b',') && *byte != delimiter) {
        return Some((0, 0, 0));
    }
    let mut nanoseconds = 0;
    let mut places = 0;
    let mut unit = 100_000_000;
    for byte in bytes[1..].iter().take_while(|byte| byte.is_ascii_digit()) {
        if places == 9 {
            return None;
        }
        nanoseconds += i64::from(byte - b'0') * unit;
        unit /= 10;
        places += 1;
    }
    (places > 0).then_some((nanoseconds, 1 + places as usize, places))
}

#[inline]
pub(super) fn two(tens: u8, ones: u8) -> Option<i64> {
    (tens.is_ascii_digit() && ones.is_ascii_digit())
        .then(|| i64::from(tens - b'0') * 10 + i64::from(ones - b'0'))
}

/// As `SignedDuration::as_secs_f64`.
#[inline]
pub(super) fn seconds(nanoseconds: i64) -> f64 {
    const SECOND: i64 = 1_000_000_000;
    (nanoseconds / SECOND) as f64 + (nanoseconds % SECOND) as f64 / 1e9
}

pub(super) fn time_of(nanoseconds: i64) -> Option<Time> {
    let second = i32::try_from(nanoseconds / 1_000_000_000).ok()?;
    let subsecond = (nanoseconds % 1_000_000_000) as i32;
    Time::new((second / 3600) as i8, (second / 60 % 60) as i8, (second % 60) as i8, subsecond).ok()
}

/// Date and time of day.
#[derive(Debug, Clone, Copy)]
pub(super) struct Stamps {
    form: StampForm,
    delimiter: u8,
    /// First row's day.
    first_day: i64,
    /// First row's time of that day, nanoseconds.
    first: i64,
    /// The last date's bytes and its day.
    known: ([u8; 10], i64),
    /// The last stamp's bytes up to its seconds, and its whole minutes of the day in nanoseconds.
    minute: ([u8; TO_SECONDS], i64),
}

/// Length of `2026-01-02 03:04:`.
const TO_SECONDS: usize = 17;

impl Stamps {
    /// The clock that starts with the stamp at the start of `bytes`.
    pub(super) fn starting(
        bytes: &[u8],
        form: StampForm,
        delimiter: u8,
    ) -> Option<(Self, DateTime)> {
        let date = date_of(bytes.first_chunk()?, form)?;
        let mut clock = Self {
            form,
            delimiter,
            first_day: 0,
            first: 0,
            known: (*bytes.first_chunk()?, day_of(date)),
            minute: ([0; TO_SECONDS], 0),
        };
        let (day, first, _, _) = clock.read(bytes)?;
        (clock.first_day, clock.first) = (day, first);
        Some((clock, DateTime::from_parts(date, time_of(first)?)))
    }

    #[inline]
    fn read(&mut self, bytes: &[u8]) -> Option<(i64, i64, usize, i32)> {
        let minute = bytes.first_chunk::<TO_SECONDS>()?;
        if *minute != self.minute.0 {
            let date = bytes.first_chunk::<10>()?;
            if *date != self.known.0 {
                self.known = (*date, day_of(date_of(date, self.form)?));
            }
            if bytes[10] != self.form.between {
                return None;
            }
            let (hour, minutes) = (two(bytes[11], bytes[12])?, two(bytes[14], bytes[15])?);
            if hour > 23 || minutes > 59 || [bytes[13], bytes[16]] != [b':'; 2] {
                return None;
            }
            self.minute = (*minute, (hour * 60 + minutes) * 60_000_000_000);
        }
        let [tens, ones] = *bytes[TO_SECONDS..].first_chunk()?;
        let second = two(tens, ones).filter(|second| *second <= 59)?;
        let (part, len, decimals) = fraction(&bytes[TO_SECONDS + 2..], self.delimiter)?;
        let nanoseconds = self.minute.1 + second * 1_000_000_000 + part;
        Some((self.known.1, nanoseconds, TO_SECONDS + 2 + len, decimals))
    }
}

impl Clock for Stamps {
    #[inline]
    fn tick(&mut self, bytes: &[u8]) -> Option<Tick> {
        let (day, nanoseconds, len, decimals) = self.read(bytes)?;
        let since = (day - self.first_day)
            .checked_mul(86_400_000_000_000)?
            .checked_add(nanoseconds - self.first)?;
        Some(Tick { time_s: seconds(since), len, decimals })
    }
}

pub(super) fn day_of(date: Date) -> i64 {
    i64::from(Date::ZERO.until(date).map_or(0, |span| span.get_days()))
}

fn date_of(bytes: &[u8; 10], form: StampForm) -> Option<Date> {
    let [b0, b1, b2, b3, b4, b5, b6, b7, b8, b9] = *bytes;
    let (year, first, second, separators) = match form.order {
        DateOrder::YearMonthDay => ([b0, b1, b2, b3], [b5, b6], [b8, b9], [b4, b7]),
        _ => ([b6, b7, b8, b9], [b0, b1], [b3, b4], [b2, b5]),
    };
    let year = two(year[0], year[1])? * 100 + two(year[2], year[3])?;
    let (first, second) = (two(first[0], first[1])?, two(second[0], second[1])?);
    let (month, day) = match form.order {
        DateOrder::DayMonthYear => (second, first),
        _ => (first, second),
    };
    let separated = separators == [form.date_separator; 2];
    separated.then(|| Date::new(year as i16, month as i8, day as i8).ok()).flatten()
}

/// Rows that come at a fixed interval.
#[derive(Debug, Clone, Copy)]
pub(super) struct NoClock;

impl Clock for NoClock {
    fn tick(&mut self, _bytes: &[u8]) -> Option<Tick> {
        None
    }
}
