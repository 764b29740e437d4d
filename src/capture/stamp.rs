//! Dates and times of day as people and programs write them, in one cell.

mod marked;
mod scanner;
mod spans;
mod usual;

use self::marked::{pointed_time, six_numbers};
use self::scanner::{Scanner, hms};
use self::spans::{iso_duration, span_with_unit};
use self::usual::usual;

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

/// Other readings of a time in four parts, in seconds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct FourParts {
    /// Hours, minutes, seconds, hundredths.
    pub(super) hundredths_s: Option<f64>,
    /// Days, hours, minutes, seconds.
    pub(super) days_s: Option<f64>,
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
    /// Written with four parts (`0:00:01:30`), which may be other than hours, minutes, seconds and thousandths.
    pub(super) four: Option<FourParts>,
    /// Second of the day if three numbers with points (`21.15.00`) are a time and no date.
    pub(super) pointed_s: Option<f64>,
    /// AM or PM was written.
    pub(super) half_day: bool,
    /// Byte at which the time of day starts.
    pub(super) time_at: usize,
    /// Byte between the date's numbers.
    pub(super) separator: u8,
    /// Bytes between date and time, and between the numbers of the time.
    pub(super) time_marks: [u8; 2],
}

/// As most stamps are written.
pub(super) const USUAL_MARKS: [u8; 2] = *b" :";

impl Stamp {
    const EMPTY: Self = Self {
        date: None,
        second: None,
        offset_min: None,
        span: false,
        two_parts: false,
        four: None,
        pointed_s: None,
        half_day: false,
        time_at: 0,
        separator: 0,
        time_marks: USUAL_MARKS,
    };

    fn of_span(second: f64) -> Self {
        Self { second: Some(second), span: true, ..Self::EMPTY }
    }
}

/// Reads `cell` as date, time, or both; `None` when it is neither.
pub(super) fn stamp(cell: &[u8]) -> Option<Stamp> {
    if let Some(found) = usual(cell) {
        return Some(found);
    }
    if cell.ends_with(b",")
        || cell.len() > 64
        || cell.len() < 3 && !matches!(cell, [b'0'..=b'9', b'd' | b'h' | b'm' | b's'])
        || !cell.iter().any(u8::is_ascii_digit)
    {
        return None;
    }
    if let Some(found) = compact(cell).or_else(|| six_numbers(cell)) {
        return Some(found);
    }
    if let Some(second) = pointed_time(cell) {
        let found =
            Scanner::new(cell).run().unwrap_or(Stamp { second: Some(second), ..Stamp::EMPTY });
        return Some(Stamp { pointed_s: Some(second), ..found });
    }
    // T+00:00:05, +0:05.5: since some start; +02:00 is a zone.
    if let [b'T' | b't', b'+', rest @ ..] | [b'+', rest @ ..] = cell
        && rest.contains(&b':')
    {
        let found = stamp(rest).filter(|s| {
            s.date.is_none() && (!s.two_parts || rest.contains(&b'.') || cell[0] != b'+')
        })?;
        return Some(Stamp { span: true, time_at: 0, ..found });
    }
    if cell[0] == b'P' {
        return iso_duration(cell);
    }
    if let Some(plain) = with_marks(cell) {
        // Where the time starts in the cell as it stands is not known.
        return Scanner::new(&plain).run().map(|found| Stamp { time_at: 0, ..found });
    }
    Scanner::new(cell).run().or_else(|| span_with_unit(cell)).or_else(|| behind_o_clock(cell))
}

/// `2.1.2026 klo 3.04.05`, `kl. 3.04.05` (common practice in the Nordic countries): without the word.
fn behind_o_clock(cell: &[u8]) -> Option<Stamp> {
    let at = match cell {
        [b'k' | b'K', b'l' | b'L', ..] => 0,
        _ => cell.windows(3).position(|w| w.eq_ignore_ascii_case(b" kl"))? + 1,
    };
    let (date, rest) = cell.split_at(at);
    let word = rest.iter().position(|b| *b == b' ')?;
    if !matches!(rest[..word].to_ascii_lowercase().as_slice(), b"kl" | b"kl." | b"klo") {
        return None;
    }
    let plain = [date, &rest[word + 1..]].concat();
    stamp(&plain).map(|found| Stamp { time_at: 0, ..found })
}

/// `2026年3月14日 21时15分00秒` with hyphens and colons in place of its words.
fn with_marks(cell: &[u8]) -> Option<Vec<u8>> {
    if cell.is_ascii() {
        return None;
    }
    let text = std::str::from_utf8(cell).ok()?;
    if !text.contains(['年', '년']) {
        return None;
    }
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '年' | '년' | '月' | '월' => out.push('-'),
            '日' | '일' => out.push(' '),
            '時' | '时' | '시' | '分' | '분' => out.push(':'),
            '秒' | '초' => {}
            ' ' if out.ends_with(['-', ':']) => {}
            other => out.push(other),
        }
    }
    Some(out.trim_end_matches([':', '-']).as_bytes().to_vec())
}

/// `20260314211500`, `20260314-211500`: date and time in fourteen digits.
pub(super) fn compact(cell: &[u8]) -> Option<Stamp> {
    let joined: [u8; 14];
    let cell = match cell {
        [day @ .., b'-' | b'_', _, _, _, _, _, _] if day.len() == 8 => {
            joined = std::array::from_fn(|at| cell[at + usize::from(at > 7)]);
            &joined
        }
        _ => cell,
    };
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
    let date = RawDate { fields: [part(0..4), month, day], kind: DateKind::Settled };
    Some(Stamp { date: Some(date), second: Some(second), ..Stamp::EMPTY })
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
            ("1-02:03:04", None, Some(93_784.0), None),
            ("0-00:00:05.5", None, Some(5.5), None),
            ("1h02m03s", None, Some(3723.0), None),
            ("1h 02m 03s", None, Some(3723.0), None),
            ("27:00:01", None, Some(97_201.0), None),
            ("02:03.5", None, Some(123.5), None),
            ("00:01.000", None, Some(1.0), None),
            ("2026-01-02", d, None, None),
            ("20260102-030405", d, t, None),
            ("2026_01_02_03_04_05", d, t, None),
            ("2026-01-02T03-04-05", d, t, None),
            ("2026-01-02T03-04-05.5Z", d, half, Some(0)),
            ("2026-01-02-03-04-05", d, t, None),
            ("2.1.2026 3.04.05", Some([2, 1, 2026]), t, None),
            ("02/01-2026 03:04:05", d, t, None),
            ("2.1.2026 klo 3.04.05", Some([2, 1, 2026]), t, None),
            ("2026-01-02 kl. 03:04:05", d, t, None),
            ("T+03:04:05", None, t, None),
            ("+3:04:05.5", None, half, None),
            ("+2.0E-01s", None, Some(0.2), None),
            ("kl. 03:04:05", None, t, None),
            ("2026. 1. 2. 3:04:05", d, t, None),
            ("2. 1. 2026 3:04:05", Some([2, 1, 2026]), t, None),
            ("02/Jan/2026:03:04:05 +0000", d, t, Some(0)),
            ("03:04:05 a.\u{a0}m.", None, t, None),
            ("3:04:05\u{202f}p. m.", None, t.map(|t| t + 43_200.0), None),
            ("26_01_02_03_04_05", Some([26, 1, 2]), t, None),
            ("2026-002T03:04:05.5Z", d, half, Some(0)),
            ("2026/002 03:04:05", d, t, None),
            ("2026:002:03:04:05", d, t, None),
            ("2026002T030405", d, t, None),
            ("2024-366T03:04:05", Some([2024, 12, 31]), t, None),
            ("123:03:04:05.5", None, half.map(|t| t + 123.0 * 86_400.0), None),
            ("PT3H4M5.5S", None, half, None),
            ("P1DT3H4M5S", None, t.map(|t| t + 86_400.0), None),
            ("2026年1月2日 03:04:05", d, t, None),
            ("2026年01月02日 03时04分05秒", d, t, None),
            ("2026년 1월 2일 오전 3:04:05", d, t, None),
            ("7s", None, Some(7.0), None),
            ("118m", None, Some(7080.0), None),
            ("2h05m", None, Some(7500.0), None),
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
            "1-02:03",
            "+12",
            "+02:00",
            "T+2026-01-02 03:04:05",
            "03-14:21:15:00",
            "1:2:3:4:5:6",
            "pump",
            "2026",
            "1.2.3.4",
            "99:99:99",
            "CH1",
            "12 V",
            "-",
            "may",
            "2026-114",
            "2026-366T03:04:05",
            "2026-000T03:04:05",
            "P1M",
            "PT",
            "21h15",
            "PUMP",
            "1.2.3.4.5.6",
            "2026-01-02-03-04-99",
            "31/13-2026",
        ] {
            assert_eq!(stamp(text.as_bytes()), None, "{text}");
        }
    }
}
