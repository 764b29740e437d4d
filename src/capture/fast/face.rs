//! Clocks whose cells are read once a day by the careful path's scanner and by their digits in between.

use jiff::civil::{Date, DateTime};

use super::super::dates::{Order, calendar};
use super::super::row::number_of_counter;
use super::super::stamp::stamp;
use super::clock::{Clock, Tick, day_of, seconds, time_of};

const HALF_DAY: i64 = 43_200_000_000_000;
const DAY: i64 = 2 * HALF_DAY;

/// Longest text before or after the time of day that is remembered.
const TEXT: usize = 40;

/// A short text.
#[derive(Debug, Clone, Copy)]
struct Text([u8; TEXT], usize);

impl Text {
    const EMPTY: Self = Self([0; TEXT], 0);

    fn of(bytes: &[u8]) -> Option<Self> {
        let mut text = Self::EMPTY;
        text.0.get_mut(..bytes.len())?.copy_from_slice(bytes);
        text.1 = bytes.len();
        Some(text)
    }

    fn bytes(&self) -> &[u8] {
        &self.0[..self.1]
    }
}

/// Dates and times of day in any form: a date's name, AM or PM, an offset from UTC that stays. `APART`: the date has
/// a cell of its own.
#[derive(Debug, Clone, Copy)]
pub(super) struct Face<const APART: bool> {
    delimiter: u8,
    order: Order,
    offset_min: Option<i32>,
    /// First row's day and time of that day, nanoseconds.
    first: (i64, i64),
    /// The last row's date, of a cell of its own.
    date: Text,
    day: i64,
    /// What stands round the time of day while the day lasts.
    before: Text,
    after: Text,
    afternoon: Option<bool>,
    /// Time since a start, with whole days before it (`1d 02:03:04`): no date.
    span: bool,
    /// Nanoseconds that stand before the time of day in a span.
    base: i64,
    ready: bool,
}

impl<const APART: bool> Face<APART> {
    /// The clock that starts with the time at the start of `time`, and with the date at the start of `date` where
    /// that has a cell of its own.
    pub(super) fn starting(
        time: &[u8],
        date: &[u8],
        delimiter: u8,
        order: Order,
        offset_min: Option<i32>,
    ) -> Option<(Self, DateTime)> {
        let mut clock = Self {
            delimiter,
            order,
            offset_min,
            first: (0, 0),
            date: Text::EMPTY,
            day: 0,
            before: Text::EMPTY,
            after: Text::EMPTY,
            afternoon: None,
            span: false,
            base: 0,
            ready: false,
        };
        if APART {
            clock.date(date)?;
        }
        let (nanoseconds, ..) = clock.learn(time)?;
        clock.first = (clock.day, nanoseconds);
        let date = Date::ZERO.checked_add(jiff::Span::new().try_days(clock.day).ok()?).ok()?;
        Some((clock, DateTime::from_parts(date, time_of(nanoseconds)?)))
    }

    /// The clock of spans that starts with the cell at the start of `bytes`, and its nanoseconds.
    pub(super) fn span(bytes: &[u8], delimiter: u8) -> Option<(Self, i64)> {
        let mut clock = Self {
            delimiter,
            order: Order::YearMonth,
            offset_min: None,
            first: (0, 0),
            date: Text::EMPTY,
            day: 0,
            before: Text::EMPTY,
            after: Text::EMPTY,
            afternoon: None,
            span: true,
            base: 0,
            ready: false,
        };
        let (nanoseconds, ..) = clock.learn(bytes)?;
        clock.first.1 = nanoseconds;
        Some((clock, nanoseconds))
    }

    /// The cell at the start of `bytes`.
    fn cell<'b>(&self, bytes: &'b [u8]) -> Option<&'b [u8]> {
        let ends = |byte: &u8| *byte == self.delimiter || matches!(byte, b'\n' | b'\r' | b'"');
        let end = bytes.iter().take(2 * TEXT + 32).position(ends).unwrap_or(bytes.len());
        (end <= 2 * TEXT && bytes.get(end) != Some(&b'"')).then(|| bytes[..end].trim_ascii_end())
    }

    /// Reads a cell by the scanner and remembers what will not change.
    #[cold]
    fn learn(&mut self, bytes: &[u8]) -> Option<(i64, usize, i32)> {
        let cell = self.cell(bytes)?;
        let found = stamp(cell)?;
        if (found.span && !self.span) || found.two_parts || found.offset_min != self.offset_min {
            return None;
        }
        match found.date {
            None if self.span => {}
            Some(_) if self.span => return None,
            Some(date) if !APART => self.day = day_of(calendar(date, self.order)?),
            None if APART => {}
            _ => return None,
        }
        let nanoseconds = (found.second? * 1e9).round() as i64;
        if nanoseconds >= DAY && !self.span {
            return None;
        }
        self.before = Text::of(cell.get(..found.time_at)?)?;
        let (quick, len, decimals) = day_time(&cell[found.time_at..], self.delimiter)?;
        self.after = Text::of(&cell[found.time_at + len..])?;
        self.afternoon = found.half_day.then_some(nanoseconds >= HALF_DAY);
        self.base = if self.span { nanoseconds - quick } else { 0 };
        self.ready = half_day(quick, self.afternoon) + self.base == nanoseconds;
        self.ready.then_some((nanoseconds, cell.len(), decimals))
    }

    #[inline(always)]
    fn quick(&self, bytes: &[u8]) -> Option<(i64, usize, i32)> {
        let rest = bytes.strip_prefix(self.before.bytes())?;
        let (nanoseconds, len, decimals) = day_time(rest, self.delimiter)?;
        let rest = rest[len..].strip_prefix(self.after.bytes())?;
        let ends = match rest.first() {
            Some(byte) => *byte == self.delimiter || matches!(byte, b'\n' | b'\r'),
            None => true,
        };
        ends.then(|| {
            (half_day(nanoseconds, self.afternoon) + self.base, bytes.len() - rest.len(), decimals)
        })
    }
}

impl<const APART: bool> Clock for Face<APART> {
    #[inline(always)]
    fn tick(&mut self, bytes: &[u8]) -> Option<Tick> {
        let quick = if self.ready { self.quick(bytes) } else { None };
        let (nanoseconds, len, decimals) = match quick {
            Some(read) => read,
            None => self.learn(bytes)?,
        };
        let of_day = nanoseconds - self.first.1;
        // A day in a cell of its own may stand behind the time: see `day_s`.
        let time_s = if APART {
            seconds(of_day)
        } else {
            seconds((self.day - self.first.0).checked_mul(DAY)?.checked_add(of_day)?)
        };
        Some(Tick { time_s, len, decimals })
    }

    const APART: bool = APART;

    #[inline(always)]
    fn date(&mut self, bytes: &[u8]) -> Option<usize> {
        let known = self.date.bytes();
        if !known.is_empty()
            && bytes.starts_with(known)
            && bytes
                .get(known.len())
                .is_none_or(|byte| *byte == self.delimiter || matches!(byte, b'\n' | b'\r'))
        {
            return Some(known.len());
        }
        let cell = self.cell(bytes)?;
        let found = stamp(cell)?;
        if found.second.is_some() {
            return None;
        }
        self.day = day_of(calendar(found.date?, self.order)?);
        self.date = Text::of(cell)?;
        Some(cell.len())
    }

    #[inline(always)]
    fn day_s(&self) -> f64 {
        if APART { (self.day - self.first.0) as f64 * 86_400.0 } else { 0.0 }
    }
}

/// Nanoseconds of a day, length and places of `H:MM:SS` or `HH:MM:SS` with up to nine digits after a point or comma;
/// but the delimiter ends the cell.
#[inline(always)]
fn day_time(bytes: &[u8], delimiter: u8) -> Option<(i64, usize, i32)> {
    match *bytes.first_chunk::<3>()? {
        [hour @ b'0'..=b'9', b':', _] => {
            let mut padded = [b'0'; 20];
            let taken = bytes.len().min(19);
            padded[1..=taken].copy_from_slice(&bytes[..taken]);
            padded[1] = hour;
            let (nanoseconds, len, places) = super::clock::day_time(&padded[..=taken], delimiter)?;
            Some((nanoseconds, len - 1, places))
        }
        _ => super::clock::day_time(bytes, delimiter),
    }
}

fn half_day(nanoseconds: i64, afternoon: Option<bool>) -> i64 {
    match afternoon {
        None => nanoseconds,
        Some(false) => nanoseconds % HALF_DAY,
        Some(true) => nanoseconds % HALF_DAY + HALF_DAY,
    }
}

/// A large counter, as of seconds or milliseconds since 1970, whose whole part is an integer.
#[derive(Debug, Clone, Copy)]
pub(super) struct Counter {
    pub(super) decimal_mark: u8,
    pub(super) seconds_per_unit: f64,
    /// The number that is taken off before any digit is lost.
    pub(super) origin: i64,
    /// The first row's number less the origin.
    pub(super) first: f64,
}

impl Counter {
    /// The number at the start of `bytes` less the origin, its length and its places.
    #[inline(always)]
    pub(super) fn read(&self, bytes: &[u8]) -> Option<(f64, usize, i32)> {
        let digits = bytes.iter().take(19).take_while(|byte| byte.is_ascii_digit()).count();
        let mut len = digits;
        if bytes.get(digits) == Some(&self.decimal_mark) {
            len += 1 + bytes[digits + 1..].iter().take_while(|b| b.is_ascii_digit()).count();
        }
        if !(10..=18).contains(&digits) || len > digits + 10 {
            return None;
        }
        let value = number_of_counter(&bytes[..len], digits, self.origin)?;
        Some((value, len, (len - digits).saturating_sub(1) as i32))
    }
}

impl Clock for Counter {
    #[inline(always)]
    fn tick(&mut self, bytes: &[u8]) -> Option<Tick> {
        let (value, len, decimals) = self.read(bytes)?;
        Some(Tick { time_s: (value - self.first) * self.seconds_per_unit, len, decimals })
    }
}
