//! Clocks whose cells are read once a day by the careful path's scanner and by their digits in between.

use jiff::civil::{Date, DateTime};

use super::super::dates::{Order, calendar};
use super::super::stamp::{RawDate, stamp};
use super::clock::{Clock, Tick, day_of, seconds, time_of};
use super::parts::{Parts, of_day};
use super::text::{TEXT, Text};

const HALF_DAY: i64 = 43_200_000_000_000;
const DAY: i64 = 2 * HALF_DAY;

/// A date and a time of day in one cell.
pub(super) const DATED: u8 = 0;
/// A date and a time of day, each in a cell of its own.
pub(super) const APART: u8 = 1;
/// A time of day without a date.
pub(super) const OF_DAY: u8 = 2;
/// Time since a start, with whole days before it where they are written (`1d 02:03:04`).
pub(super) const SPAN: u8 = 3;

/// What is told of a clock before its first row is read.
#[derive(Debug, Clone, Copy)]
pub(super) struct FaceForm {
    /// Byte that ends the cell: the delimiter, or the quote round it.
    pub(super) ends: u8,
    pub(super) date_ends: u8,
    pub(super) order: Order,
    /// Minutes from UTC that every cell states.
    pub(super) offset_min: Option<i32>,
    /// Two parts (`12:34`) without a date are minutes and seconds.
    pub(super) two_are_minutes: bool,
}

/// Dates and times of day in any form: a date's name, AM or PM, an offset from UTC that stays.
#[derive(Debug, Clone)]
pub(super) struct Face<const KIND: u8> {
    form: FaceForm,
    /// First row's day and time of that day, nanoseconds.
    first: (i64, i64),
    /// The last row's date, of a cell of its own.
    date: Text,
    day: i64,
    /// What stands round the time of day while the day lasts.
    before: Text,
    after: Text,
    afternoon: Option<bool>,
    parts: Parts,
    /// Nanoseconds that stand before the time of day in a span.
    base: i64,
    ready: bool,
    /// The dates met, as they were written; of equal ones that follow each other the first.
    dates: Vec<RawDate>,
}

impl<const KIND: u8> Face<KIND> {
    fn new(form: FaceForm) -> Self {
        Self {
            form,
            first: (0, 0),
            date: Text::EMPTY,
            day: 0,
            before: Text::EMPTY,
            after: Text::EMPTY,
            afternoon: None,
            parts: Parts::HoursMinutesSeconds,
            base: 0,
            ready: false,
            dates: Vec::new(),
        }
    }

    /// The dated clock that starts with the time at the start of `time`, and with the date at the start of `date`
    /// where that has a cell of its own.
    pub(super) fn dated(time: &[u8], date: &[u8], form: FaceForm) -> Option<(Self, DateTime)> {
        let mut clock = Self::new(form);
        if KIND == APART {
            clock.date(date)?;
        }
        let (nanoseconds, ..) = clock.learn(time)?;
        clock.first = (clock.day, nanoseconds);
        let date = Date::ZERO.checked_add(jiff::Span::new().try_days(clock.day).ok()?).ok()?;
        Some((clock, DateTime::from_parts(date, time_of(nanoseconds)?)))
    }

    /// The clock without a date that starts with the cell at the start of `bytes`, and its nanoseconds.
    pub(super) fn undated(bytes: &[u8], form: FaceForm) -> Option<(Self, i64)> {
        let mut clock = Self::new(form);
        let (nanoseconds, ..) = clock.learn(bytes)?;
        clock.first.1 = nanoseconds;
        Some((clock, nanoseconds))
    }

    /// The cell at the start of `bytes`, which the byte `ends` ends or the row.
    fn cell(bytes: &[u8], ends: u8) -> Option<&[u8]> {
        let end = |byte: &u8| *byte == ends || matches!(byte, b'\n' | b'\r' | b'"');
        let len = bytes.iter().take(2 * TEXT + 32).position(end).unwrap_or(bytes.len());
        let quote = bytes.get(len) == Some(&b'"');
        (len <= 2 * TEXT && quote == (ends == b'"')).then(|| bytes[..len].trim_ascii_end())
    }

    fn note(&mut self, date: RawDate) {
        if self.dates.last() != Some(&date) {
            self.dates.push(date);
        }
    }

    /// Reads a cell by the scanner and remembers what will not change.
    #[cold]
    fn learn(&mut self, bytes: &[u8]) -> Option<(i64, usize, i32)> {
        self.ready = false;
        let cell = Self::cell(bytes, self.form.ends)?;
        let found = stamp(cell)?;
        if (found.span && KIND != SPAN) || found.offset_min != self.form.offset_min {
            return None;
        }
        match found.date {
            Some(date) if KIND == DATED => {
                self.day = day_of(calendar(date, self.form.order)?);
                self.note(date);
            }
            None if KIND != DATED => {}
            _ => return None,
        }
        let scaled = found.two_parts && self.form.two_are_minutes && KIND >= OF_DAY;
        let second = found.second? / if scaled { 60.0 } else { 1.0 };
        let nanoseconds = (second * 1e9).round() as i64;
        if nanoseconds >= DAY && KIND != SPAN {
            return None;
        }
        self.before = Text::of(cell.get(..found.time_at)?)?;
        self.afternoon = found.half_day.then_some(nanoseconds >= HALF_DAY);
        let clock = &cell[found.time_at..];
        // Zero reads alike in all of them.
        let may_be: &[Parts] = match (found.two_parts, scaled) {
            (true, true) => &[Parts::MinutesSeconds],
            (true, false) => &[Parts::HoursMinutes],
            _ => &[Parts::HoursMinutesSeconds, Parts::HoursMinutes, Parts::MinutesSeconds],
        };
        may_be.iter().find_map(|&parts| {
            let (quick, len, decimals) = of_day::<KIND>(clock, self.form.ends, parts)?;
            let quick = half_day(quick, self.afternoon);
            // Whole days before a span; the scanner's seconds are rounded in the ninth digit.
            let days =
                if KIND == SPAN { (nanoseconds - quick + HALF_DAY).div_euclid(DAY) } else { 0 };
            if days != 0 && found.time_at == 0 || (nanoseconds - quick - days * DAY).abs() > 1000 {
                return None;
            }
            self.after = Text::of(&clock[len..])?;
            (self.parts, self.base, self.ready) = (parts, days * DAY, true);
            Some((quick + days * DAY, cell.len(), decimals))
        })
    }

    #[inline(always)]
    fn quick(&self, bytes: &[u8]) -> Option<(i64, usize, i32)> {
        let rest = bytes.strip_prefix(self.before.bytes())?;
        let (nanoseconds, len, decimals) = of_day::<KIND>(rest, self.form.ends, self.parts)?;
        let rest = rest[len..].strip_prefix(self.after.bytes())?;
        let ends = match rest.first() {
            Some(byte) => *byte == self.form.ends || matches!(byte, b'\n' | b'\r'),
            None => true,
        };
        ends.then(|| {
            (half_day(nanoseconds, self.afternoon) + self.base, bytes.len() - rest.len(), decimals)
        })
    }
}

impl<const KIND: u8> Clock for Face<KIND> {
    #[inline(always)]
    fn tick(&mut self, bytes: &[u8]) -> Option<Tick> {
        let quick = if self.ready { self.quick(bytes) } else { None };
        let (nanoseconds, len, decimals) = match quick {
            Some(read) => read,
            None => self.learn(bytes)?,
        };
        let of_day = nanoseconds - self.first.1;
        // A day in a cell of its own may stand behind the time: see `day_s`.
        let time_s = if KIND == DATED {
            seconds((self.day - self.first.0).checked_mul(DAY)?.checked_add(of_day)?)
        } else {
            seconds(of_day)
        };
        Some(Tick { time_s, len, decimals })
    }

    const WRAPS: bool = KIND == OF_DAY;

    const APART: bool = KIND == APART;

    #[inline(always)]
    fn date(&mut self, bytes: &[u8]) -> Option<usize> {
        let known = self.date.bytes();
        if !known.is_empty()
            && bytes.starts_with(known)
            && bytes
                .get(known.len())
                .is_none_or(|byte| *byte == self.form.date_ends || matches!(byte, b'\n' | b'\r'))
        {
            return Some(known.len());
        }
        let cell = Self::cell(bytes, self.form.date_ends)?;
        let found = stamp(cell)?;
        if found.second.is_some() {
            return None;
        }
        let date = found.date?;
        self.day = day_of(calendar(date, self.form.order)?);
        self.note(date);
        self.date = Text::of(cell)?;
        Some(cell.len())
    }

    #[inline(always)]
    fn day_s(&self) -> f64 {
        if KIND == APART { (self.day - self.first.0) as f64 * 86_400.0 } else { 0.0 }
    }

    fn restart(&mut self) {
        self.ready = false;
        self.date = Text::EMPTY;
        self.dates.clear();
    }

    fn dates(self) -> Vec<RawDate> {
        self.dates
    }
}

fn half_day(nanoseconds: i64, afternoon: Option<bool>) -> i64 {
    match afternoon {
        None => nanoseconds,
        Some(false) => nanoseconds % HALF_DAY,
        Some(true) => nanoseconds % HALF_DAY + HALF_DAY,
    }
}
