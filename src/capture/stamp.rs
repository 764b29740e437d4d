//! Dates and times of day as people and programs write them, in one cell.

use super::cell::{Mark, number_prefix, unit_suffix};
use super::day_names::{is_weekday, month_named, zone_named};
use super::units::Unit;

/// Numbers of a date in the order in which they were written, or settled.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(super) struct RawDate {
    pub(super) fields: [i32; 3],
    pub(super) kind: DateKind,
}

/// What the way a date is written tells of its order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(super) enum DateKind {
    /// Year, month, day: four-digit year first, or the month named.
    Settled,
    /// Two numbers and a four-digit year; which is the month is open.
    YearLast,
    /// Three numbers of two digits.
    Short,
}

/// A time read from a cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Stamp {
    pub(super) date: Option<RawDate>,
    /// Second of the day, or of the span; `None` for a date alone.
    pub(super) second: Option<f64>,
    /// Offset from UTC in minutes, where stated.
    pub(super) offset_min: Option<i32>,
    /// A span since some start (`0d 00:01`, hours above 23), not a time of day.
    pub(super) span: bool,
    /// Written with only two parts (`12:34`), which may be h:m or m:s.
    pub(super) two_parts: bool,
    /// AM or PM was written.
    pub(super) half_day: bool,
    /// Byte at which the time of day starts.
    pub(super) time_at: usize,
    /// Byte between the date's numbers.
    pub(super) separator: u8,
}

/// Reads `cell` as date, time, or both; `None` when it is neither.
pub(super) fn stamp(cell: &[u8]) -> Option<Stamp> {
    if cell.ends_with(b",")
        || cell.len() > 64
        || cell.len() < 3
        || !cell.iter().any(u8::is_ascii_digit)
    {
        return None;
    }
    if let Some(found) = compact(cell) {
        return Some(found);
    }
    Scanner::new(cell).run().or_else(|| span_with_unit(cell))
}

/// `12.5 s`, `250 ms`: a span as a number with its unit.
fn span_with_unit(cell: &[u8]) -> Option<Stamp> {
    let (value, rest) = number_prefix(cell, Mark::Point)?;
    let seconds = match unit_suffix(rest).filter(|_| !rest.is_empty())? {
        Unit::Time { seconds } => value * seconds,
        _ => return None,
    };
    Some(Stamp {
        date: None,
        second: Some(seconds),
        offset_min: None,
        span: true,
        two_parts: false,
        half_day: false,
        time_at: 0,
        separator: 0,
    })
}

/// `20260314211500`: date and time in fourteen digits.
pub(super) fn compact(cell: &[u8]) -> Option<Stamp> {
    if cell.len() != 14
        || !matches!(cell, [b'1', b'9', ..] | [b'2', b'0', ..])
        || !cell.iter().all(u8::is_ascii_digit)
    {
        return None;
    }
    let part = |at: std::ops::Range<usize>| {
        cell[at].iter().fold(0, |sum, b| sum * 10 + i32::from(b - b'0'))
    };
    let (month, day) = (part(4..6), part(6..8));
    if !(1..=12).contains(&month) || !(1..=31).contains(&day) {
        return None;
    }
    let second = hms(part(8..10), part(10..12), part(12..14))?;
    Some(Stamp {
        date: Some(RawDate { fields: [part(0..4), month, day], kind: DateKind::Settled }),
        second: Some(second),
        offset_min: None,
        span: false,
        two_parts: false,
        half_day: false,
        time_at: 0,
        separator: 0,
    })
}

struct Scanner<'a> {
    cell: &'a [u8],
    at: usize,
    out: Stamp,
    month: Option<i32>,
    /// Loose numbers beside a month's name, with their digits.
    loose: [(i32, usize); 3],
    loose_len: usize,
    days: Option<f64>,
    span_s: Option<f64>,
    /// The half of the day where it stands before the time.
    half: Option<&'static str>,
}

impl<'a> Scanner<'a> {
    fn new(cell: &'a [u8]) -> Self {
        let out = Stamp {
            date: None,
            second: None,
            offset_min: None,
            span: false,
            two_parts: false,
            half_day: false,
            time_at: 0,
            separator: 0,
        };
        Self {
            cell,
            at: 0,
            out,
            month: None,
            loose: [(0, 0); 3],
            loose_len: 0,
            days: None,
            span_s: None,
            half: None,
        }
    }

    fn peek(&self) -> Option<u8> {
        self.cell.get(self.at).copied()
    }

    fn run(mut self) -> Option<Stamp> {
        while let Some(byte) = self.peek() {
            match byte {
                b'0'..=b'9' => self.digits()?,
                b' ' | b',' | b'[' | b']' | b'(' | b')' | b'_' | b'\t' => self.at += 1,
                b'.' | b'-' | b'/'
                    if self.month.is_some() || self.loose_len > 0 || self.out.date.is_some() =>
                {
                    self.zone_or_filler(byte)?
                }
                b'+' | b'-' if self.out.second.is_some() => self.offset()?,
                0xC2 if self.cell.get(self.at + 1) == Some(&0xA0) => self.at += 2,
                0xE2 if self.cell.get(self.at..self.at + 3) == Some(&[0xE2, 0x80, 0xAF]) => {
                    self.at += 3
                }
                _ if byte.is_ascii_alphabetic() || byte >= 0x80 => self.word()?,
                _ => return None,
            }
        }
        self.finish()
    }

    fn zone_or_filler(&mut self, byte: u8) -> Option<()> {
        if byte == b'-' && self.out.second.is_some() {
            return self.offset();
        }
        self.at += 1;
        Some(())
    }

    /// A run of digits and what hangs on it.
    fn digits(&mut self) -> Option<()> {
        let start = self.at;
        let (value, count) = self.take_number()?;
        match self.peek() {
            Some(b':') if self.out.second.is_none() && count <= 4 => {
                if self.out.date.is_none() && self.month.is_none() && count > 2 && value > 9999 {
                    return None;
                }
                self.time(start, value)
            }
            Some(sep @ (b'-' | b'/' | b'.')) if self.out.date.is_none() && self.month.is_none() => {
                self.date(value, count, sep)
            }
            Some(b'T' | b't' | b'_' | b' ') | None
                if count == 8 && self.out.date.is_none() && value > 19_000_000 =>
            {
                self.out.date = Some(RawDate {
                    fields: [value / 10_000, value / 100 % 100, value % 100],
                    kind: DateKind::Settled,
                });
                Some(())
            }
            _ if count == 6 && self.out.date.is_some() && self.out.second.is_none() => {
                self.out.time_at = start;
                let fraction = self.fraction();
                self.out.second =
                    Some(hms(value / 10_000, value / 100 % 100, value % 100)? + fraction);
                Some(())
            }
            Some(b'd' | b'h' | b'm' | b's' | b'D' | b'H')
                if self.cell.get(self.at + 1).is_none_or(|b| !b.is_ascii_alphabetic())
                    || self.long_span_word() =>
            {
                self.span_part(f64::from(value))
            }
            Some(b' ') if self.day_word_follows() => {
                self.at += 1;
                self.span_part(f64::from(value))
            }
            _ if count <= 4 => {
                let slot = self.loose.get_mut(self.loose_len)?;
                *slot = (value, count);
                self.loose_len += 1;
                // Ordinals: 2nd, 3rd.
                if self.cell[self.at..].starts_with(b"st")
                    || self.cell[self.at..].starts_with(b"nd")
                    || self.cell[self.at..].starts_with(b"rd")
                    || self.cell[self.at..].starts_with(b"th")
                {
                    self.at += 2;
                }
                Some(())
            }
            _ => None,
        }
    }

    fn take_number(&mut self) -> Option<(i32, usize)> {
        let start = self.at;
        let mut value: i32 = 0;
        while let Some(byte @ b'0'..=b'9') = self.peek() {
            value = value.checked_mul(10)?.checked_add(i32::from(byte - b'0'))?;
            self.at += 1;
        }
        Some((value, self.at - start))
    }

    fn fraction(&mut self) -> f64 {
        if !matches!(self.peek(), Some(b'.' | b','))
            || !self.cell.get(self.at + 1).is_some_and(u8::is_ascii_digit)
        {
            return 0.0;
        }
        self.at += 1;
        self.fraction_digits()
    }

    fn fraction_digits(&mut self) -> f64 {
        let (mut value, mut scale) = (0.0, 1.0);
        while let Some(byte @ b'0'..=b'9') = self.peek() {
            if scale < 1e12 {
                value = value * 10.0 + f64::from(byte - b'0');
                scale *= 10.0;
            }
            self.at += 1;
        }
        value / scale
    }

    /// `h:m`, `h:m:s`, with fraction.
    fn time(&mut self, start: usize, hour: i32) -> Option<()> {
        self.out.time_at = start;
        self.at += 1;
        let (minute, count) = self.take_number()?;
        if count != 2 && !(count == 1 && self.peek() == Some(b':')) {
            return None;
        }
        if self.peek() != Some(b':') {
            let whole_end = self.at;
            let fraction = self.fraction();
            if self.at > whole_end {
                // m:s.f
                self.out.span = true;
                self.out.second = Some(f64::from(hour) * 60.0 + hms(0, 0, minute)? + fraction);
                return Some(());
            }
            self.out.two_parts = true;
            if minute > 59 {
                return None;
            }
            self.out.second = Some(f64::from(hour) * 3600.0 + f64::from(minute) * 60.0);
            return Some(());
        }
        self.at += 1;
        let (second, count) = self.take_number()?;
        if count == 0 || count > 2 || minute > 59 || second > 60 {
            return None;
        }
        let mut fraction = self.fraction();
        if fraction == 0.0
            && self.peek() == Some(b':')
            && self.cell.get(self.at + 1).is_some_and(u8::is_ascii_digit)
        {
            // A fourth part: thousandths of a second.
            self.at += 1;
            let from = self.at;
            let digits = self.fraction_digits();
            let count = self.at - from;
            fraction =
                if count == 3 { digits } else { digits * 10_f64.powi(count as i32) / 1000.0 };
        }
        if hour > 23 {
            self.out.span = true;
        }
        self.out.second = Some(
            f64::from(hour) * 3600.0 + f64::from(minute) * 60.0 + f64::from(second) + fraction,
        );
        Some(())
    }

    /// Three numbers with the same mark between them, or a day and a named month.
    fn date(&mut self, first: i32, first_count: usize, sep: u8) -> Option<()> {
        let mark = self.at;
        self.at += 1;
        if !self.peek()?.is_ascii_digit() {
            // 02-Jan-2026, or an ordinal point: "2. Januar".
            self.at = mark + 1;
            *self.loose.get_mut(self.loose_len)? = (first, first_count);
            self.loose_len += 1;
            return Some(());
        }
        let (second, second_count) = self.take_number()?;
        if sep == b'.' && self.peek() == Some(b':') && self.out.second.is_none() {
            // 1.02:03:04, days and time of day.
            self.days = Some(f64::from(first));
            self.out.span = true;
            return self.time(mark + 1, second);
        }
        if self.peek() != Some(sep) {
            return None;
        }
        self.at += 1;
        let (third, third_count) = self.take_number()?;
        let kind = match (first_count, second_count, third_count) {
            (4, 1 | 2, 1 | 2) => DateKind::Settled,
            (1 | 2, 1 | 2, 4) => DateKind::YearLast,
            (1 | 2, 1 | 2, 2) => DateKind::Short,
            _ => return None,
        };
        if self.peek() == Some(b':') {
            // 02/Jan/2026:03:04:05 and its like.
            self.at += 1;
        }
        self.out.separator = sep;
        self.out.date = Some(RawDate { fields: [first, second, third], kind });
        Some(())
    }

    /// `+02:00`, `-0500`, `+2`.
    fn offset(&mut self) -> Option<()> {
        let negative = self.peek() == Some(b'-');
        self.at += 1;
        let (value, count) = self.take_number()?;
        let minutes = match count {
            1 | 2 => {
                if self.peek() == Some(b':') {
                    self.at += 1;
                    let (minute, 2) = self.take_number()? else { return None };
                    value * 60 + minute
                } else {
                    value * 60
                }
            }
            4 => value / 100 * 60 + value % 100,
            _ => return None,
        };
        if minutes > 24 * 60 {
            return None;
        }
        self.out.offset_min = Some(if negative { -minutes } else { minutes });
        Some(())
    }

    fn word(&mut self) -> Option<()> {
        let start = self.at;
        while self.peek().is_some_and(|b| b.is_ascii_alphabetic() || b >= 0x80) {
            self.at += 1;
        }
        let text = std::str::from_utf8(&self.cell[start..self.at]).ok()?;
        // a.m. and p.m.
        if text.len() == 1 && self.out.second.is_some() && self.cell.get(self.at) == Some(&b'.') {
            let dotted: String = self.cell[start..]
                .iter()
                .map(|b| char::from(*b).to_ascii_lowercase())
                .filter(|c| *c != '.' && *c != ' ')
                .take(2)
                .collect();
            if dotted == "am" || dotted == "pm" {
                while self
                    .peek()
                    .is_some_and(|b| matches!(b, b'.' | b' ') || b.is_ascii_alphabetic())
                {
                    self.at += 1;
                }
                return self.half_day(&dotted);
            }
        }
        if text.len() == 1 {
            return match text {
                "T" | "t" if self.out.date.is_some() => Some(()),
                "Z" | "z" if self.out.second.is_some() => {
                    self.out.offset_min = Some(0);
                    Some(())
                }
                _ => None,
            };
        }
        let lower = text.to_lowercase();
        let half = match lower.as_str() {
            "am" | "오전" | "上午" | "午前" => Some("am"),
            "pm" | "오후" | "下午" | "午後" => Some("pm"),
            _ => None,
        };
        if let Some(half) = half {
            // Korean, Chinese and Japanese put it before the time.
            if self.out.second.is_none() && !lower.is_ascii() {
                self.half = Some(half);
                return Some(());
            }
            return self.half_day(half);
        }
        if let Some(month) = month_named(&lower) {
            if self.month.is_some() || self.out.date.is_some() {
                return None;
            }
            self.month = Some(month);
            return Some(());
        }
        if is_weekday(&lower)
            || matches!(lower.as_str(), "uhr" | "de" | "at" | "um" | "à" | "le" | "den")
        {
            return Some(());
        }
        if self.out.second.is_some()
            && let Some(minutes) = zone_named(text)
        {
            self.out.offset_min = self.out.offset_min.or(minutes);
            return Some(());
        }
        None
    }

    fn half_day(&mut self, lower: &str) -> Option<()> {
        let second = self.out.second?;
        if !(0.0..46_800.0).contains(&second) {
            return None;
        }
        let within = second % 43_200.0;
        self.out.second = Some(if lower == "pm" { within + 43_200.0 } else { within });
        self.out.half_day = true;
        self.out.two_parts = false;
        Some(())
    }

    fn long_span_word(&self) -> bool {
        let rest = &self.cell[self.at..];
        [&b"day"[..], b"days", b"hrs", b"hr", b"min", b"sec", b"ms"].iter().any(|word| {
            rest.len() >= word.len()
                && rest[..word.len()].eq_ignore_ascii_case(word)
                && rest.get(word.len()).is_none_or(|b| !b.is_ascii_alphabetic())
        })
    }

    fn day_word_follows(&self) -> bool {
        let rest = &self.cell[self.at + 1..];
        [&b"days"[..], b"day", b"d"].iter().any(|word| {
            rest.len() >= word.len()
                && rest[..word.len()].eq_ignore_ascii_case(word)
                && rest.get(word.len()).is_none_or(|b| !b.is_ascii_alphabetic())
        })
    }

    /// `1d`, `2h`, `3m`, `4s`, `5 days`.
    fn span_part(&mut self, value: f64) -> Option<()> {
        let start = self.at;
        while self.peek().is_some_and(|b| b.is_ascii_alphabetic()) {
            self.at += 1;
        }
        let word = self.cell[start..self.at].to_ascii_lowercase();
        let scale = match word.as_slice() {
            b"d" | b"day" | b"days" => {
                self.days = Some(value);
                self.out.span = true;
                return Some(());
            }
            b"h" | b"hr" | b"hrs" => 3600.0,
            b"m" | b"min" => 60.0,
            b"s" | b"sec" => 1.0,
            b"ms" => 1e-3,
            _ => return None,
        };
        self.span_s = Some(self.span_s.unwrap_or(0.0) + value * scale);
        Some(())
    }

    fn finish(mut self) -> Option<Stamp> {
        if let Some(half) = self.half {
            self.half_day(half)?;
        }
        if let Some(month) = self.month {
            let (day, year) = match &self.loose[..self.loose_len] {
                [(year, 4), (day, _)] => (*day, *year),
                [(day, _), (year, 4)] => (*day, *year),
                [(day, _), (year, 2)] => (*day, full_year(*year)),
                [(day, _)] => (*day, 0),
                _ => return None,
            };
            if !(1..=31).contains(&day) {
                return None;
            }
            self.out.date = Some(RawDate { fields: [year, month, day], kind: DateKind::Settled });
        } else if self.loose_len > 0 {
            return None;
        }
        if let Some(span) = self.span_s {
            if self.out.second.is_some() || self.out.date.is_some() {
                return None;
            }
            self.out.second = Some(span);
            self.out.span = true;
        }
        if let Some(days) = self.days {
            if self.out.date.is_some() {
                return None;
            }
            self.out.two_parts = false;
            self.out.second = Some(self.out.second.unwrap_or(0.0) + days * 86_400.0);
        }
        if self.out.span && self.out.date.is_some() {
            return None;
        }
        (self.out.date.is_some() || self.out.second.is_some()).then_some(self.out)
    }
}

fn hms(hour: i32, minute: i32, second: i32) -> Option<f64> {
    (hour <= 24 && minute <= 59 && second <= 60)
        .then(|| f64::from(hour * 3600 + minute * 60 + second))
}

/// 70-99 are of the last century.
pub(super) fn full_year(two_digits: i32) -> i32 {
    if two_digits >= 70 { 1900 + two_digits } else { 2000 + two_digits }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> (Option<[i32; 3]>, Option<f64>, Option<i32>) {
        let stamp = stamp(text.as_bytes()).unwrap_or_else(|| panic!("{text} is not read"));
        (stamp.date.map(|d| d.fields), stamp.second, stamp.offset_min)
    }

    #[test]
    fn dates_and_times_as_written() {
        let t = Some(3.0 * 3600.0 + 4.0 * 60.0 + 5.0);
        let half = t.map(|t| t + 0.5);
        let d = Some([2026, 1, 2]);
        for (text, date, second, offset) in [
            ("2026-01-02 03:04:05", d, t, None),
            ("2026-01-02T03:04:05.5Z", d, half, Some(0)),
            ("2026-01-02T03:04:05,5+02:00", d, half, Some(120)),
            ("2026-01-02 03:04:05 -0530", d, t, Some(-330)),
            ("2026/1/2 3:04:05", d, t, None),
            ("20260102T030405", d, t, None),
            ("20260102 030405.5", d, half, None),
            ("02.01.2026 03:04:05", Some([2, 1, 2026]), t, None),
            ("02.01.2026, 03:04:05", Some([2, 1, 2026]), t, None),
            ("01/02/26 03:04:05 AM", Some([1, 2, 26]), t, None),
            ("02-Jan-2026 03:04:05", d, t, None),
            ("02-Jan-26 03:04:05", d, t, None),
            ("Jan 2, 2026 3:04:05 am", d, t, None),
            ("2 janvier 2026 03:04:05", d, t, None),
            ("2. Januar 2026 03:04:05", d, t, None),
            ("Fri Jan  2 03:04:05 2026", d, t, None),
            ("Friday, January 2nd 2026 03:04:05", d, t, None),
            ("2026-01-02 03:04:05 CEST", d, t, Some(120)),
            ("[03:04:05]", None, t, None),
            ("03:04:05:500", None, half, None),
            ("3:04:05 a.m.", None, t, None),
            ("03:04:05 PM", None, t.map(|t| t + 43_200.0), None),
            ("12:00:05 AM", None, Some(5.0), None),
            ("12:00:05 PM", None, Some(43_205.0), None),
            ("0d 00:01", None, Some(60.0), None),
            ("1d 02:03:04", None, Some(93_784.0), None),
            ("1 day, 02:03:04", None, Some(93_784.0), None),
            ("1.02:03:04", None, Some(93_784.0), None),
            ("1h02m03s", None, Some(3723.0), None),
            ("1h 02m 03s", None, Some(3723.0), None),
            ("27:00:01", None, Some(97_201.0), None),
            ("02:03.5", None, Some(123.5), None),
            ("00:01.000", None, Some(1.0), None),
            ("2026-01-02", d, None, None),
        ] {
            assert_eq!(read(text), (date, second, offset), "{text}");
        }
    }

    #[test]
    fn what_is_no_time_is_none() {
        for text in [
            "",
            "0.5",
            "123",
            "A:10",
            "12:3x",
            "25-13",
            "1:2:3:4:5:6",
            "pump",
            "2026",
            "1.2.3.4",
            "99:99:99",
            "CH1",
            "12 V",
            "-",
            "may",
        ] {
            assert_eq!(stamp(text.as_bytes()), None, "{text}");
        }
    }
}
