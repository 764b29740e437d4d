//! One pass over a cell that may be a date, a time of day, or both.

use jiff::civil::Date;

use super::super::day_names::{is_weekday, month_named, zone_named};
use super::{DateKind, FourParts, RawDate, Stamp, full_year};

pub(super) struct Scanner<'a> {
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
    pub(super) fn new(cell: &'a [u8]) -> Self {
        Self {
            cell,
            at: 0,
            out: Stamp::EMPTY,
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

    pub(super) fn run(mut self) -> Option<Stamp> {
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
            Some(b':') if count == 4 && self.out.date.is_none() && self.is_day_of_year() => {
                self.at += 1;
                let (day, _) = self.take_number()?;
                self.ordinal(value, day)
            }
            // 02/Jan/2026:03:04:05
            Some(b':') if count == 4 && self.month.is_some() && self.loose_len == 1 => {
                self.at += 1;
                self.loose[1] = (value, count);
                self.loose_len = 2;
                Some(())
            }
            Some(b':') if self.out.second.is_none() && count <= 4 => {
                if self.out.date.is_none() && self.month.is_none() && count > 2 && value > 9999 {
                    return None;
                }
                self.time(start, value)
            }
            Some(sep @ (b'-' | b'/' | b'.')) if self.out.date.is_none() && self.month.is_none() => {
                self.date(value, count, sep)
            }
            Some(b'T' | b't') if count == 7 && self.out.date.is_none() => {
                self.ordinal(value / 1000, value % 1000)
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
        let first_count = self.at - start;
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
            if first_count == 3 && count == 2 && hour <= 366 && minute <= 23 && digits < 0.6 {
                // 123:04:05:06, day of the year and time of day, the year unknown.
                self.out.span = true;
                let [day, hour, minute] = [hour, minute, second].map(f64::from);
                let second = (digits * 100.0).round() + self.fraction();
                self.out.second = Some(((day * 24.0 + hour) * 60.0 + minute) * 60.0 + second);
                return Some(());
            }
            let [first, second_part, third] = [hour, minute, second].map(f64::from);
            if count < 3 {
                let last = (digits * 10_f64.powi(count as i32)).round();
                let whole = (first * 60.0 + second_part) * 60.0 + third;
                let days = ((first * 24.0 + second_part) * 60.0 + third) * 60.0 + last;
                self.out.four = Some(FourParts {
                    hundredths_s: (count == 2).then_some(whole + last / 100.0),
                    days_s: (minute <= 23 && second <= 59 && last <= 59.0).then_some(days),
                });
            }
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
        if sep == b'.' && matches!(self.cell.get(self.at..), Some([b' ', b'0'..=b'9', ..])) {
            return self.points_and_blanks(first, first_count);
        }
        if !self.peek()?.is_ascii_digit() {
            // 02-Jan-2026, or an ordinal point: "2. Januar".
            self.at = mark + 1;
            *self.loose.get_mut(self.loose_len)? = (first, first_count);
            self.loose_len += 1;
            return Some(());
        }
        let (second, second_count) = self.take_number()?;
        if sep == b'/' && self.peek() == Some(b'-') {
            return self.slash_and_hyphen(first, second);
        }
        if sep == b'.' && self.peek() == Some(b':') && self.out.second.is_none() {
            // 1.02:03:04, days and time of day.
            self.days = Some(f64::from(first));
            self.out.span = true;
            return self.time(mark + 1, second);
        }
        if sep == b'-' && first_count < 4 && second_count == 2 && self.two_parts_follow() {
            // 0-00:00:05, days and time of day.
            self.days = Some(f64::from(first));
            self.out.span = true;
            return self.time(mark + 1, second);
        }
        if self.peek() != Some(sep) {
            let ordinal = (first_count, second_count) == (4, 3) && matches!(sep, b'-' | b'/');
            return if ordinal { self.ordinal(first, second) } else { None };
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

    /// `:04:05` follows and no more: `03-14:21:15:00` would be a month and a day.
    fn two_parts_follow(&self) -> bool {
        let digit = |at: usize| self.cell.get(self.at + at).is_some_and(u8::is_ascii_digit);
        self.out.second.is_none()
            && self.peek() == Some(b':')
            && self.cell.get(self.at + 3) == Some(&b':')
            && [1, 2, 4, 5].into_iter().all(digit)
            && self.cell.get(self.at + 6) != Some(&b':')
    }

    /// `2026. 1. 2.`, `2. 1. 2026`: points with blanks behind them.
    fn points_and_blanks(&mut self, first: i32, first_count: usize) -> Option<()> {
        self.at += 1;
        let (second, 1 | 2) = self.take_number()? else { return None };
        let [b'.', b' ', b'0'..=b'9', ..] = self.cell.get(self.at..)? else { return None };
        self.at += 2;
        let (third, third_count) = self.take_number()?;
        let kind = match (first_count, third_count) {
            (4, 1 | 2) => DateKind::Settled,
            (1 | 2, 4) => DateKind::YearLast,
            _ => return None,
        };
        self.out.separator = b'.';
        self.out.date = Some(RawDate { fields: [first, second, third], kind });
        Some(())
    }

    /// `14/03-2026`: day, month, year (common practice in Denmark and Norway).
    fn slash_and_hyphen(&mut self, day: i32, month: i32) -> Option<()> {
        self.at += 1;
        let (year, 4) = self.take_number()? else { return None };
        if !(1..=31).contains(&day) || !(1..=12).contains(&month) {
            return None;
        }
        self.out.separator = b'/';
        self.out.date = Some(RawDate { fields: [year, month, day], kind: DateKind::Settled });
        Some(())
    }

    /// `2026-123T04:05:06`, `2026/123 04:05:06`, `2026:123:04:05:06`: year and day of the year (ISO 8601-1, 5.2.3).
    /// Without a time in the same cell such numbers are as often those of a job.
    fn ordinal(&mut self, year: i32, day: i32) -> Option<()> {
        let [b'T' | b't' | b' ' | b'_' | b':', b'0'..=b'9', ..] = self.cell.get(self.at..)? else {
            return None;
        };
        self.at += 1;
        let first = Date::new(i16::try_from(year).ok()?, 1, 1).ok()?;
        let date = first.checked_add(jiff::Span::new().try_days(day - 1).ok()?).ok()?;
        if date.year() != first.year() {
            return None;
        }
        let fields = [year, i32::from(date.month()), i32::from(date.day())];
        self.out.date = Some(RawDate { fields, kind: DateKind::Settled });
        Some(())
    }

    /// Three digits between colons follow.
    fn is_day_of_year(&self) -> bool {
        matches!(self.cell.get(self.at..), Some([b':', a, b, c, b':', ..])
            if a.is_ascii_digit() && b.is_ascii_digit() && c.is_ascii_digit())
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
                .filter(|b| b.is_ascii_alphabetic())
                .map(|b| char::from(*b).to_ascii_lowercase())
                .take(2)
                .collect();
            if dotted == "am" || dotted == "pm" {
                while self
                    .peek()
                    .is_some_and(|b| matches!(b, b'.' | b' ' | 0x80..) || b.is_ascii_alphabetic())
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

pub(super) fn hms(hour: i32, minute: i32, second: i32) -> Option<f64> {
    (hour <= 24 && minute <= 59 && second <= 60)
        .then(|| f64::from(hour * 3600 + minute * 60 + second))
}
