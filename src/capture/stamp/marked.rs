//! Stamps whose numbers stand between marks other than colons: `2026_03_14_21_15_00`, `2026-03-14T21-15-00`, `21.15.00`.

use super::scanner::hms;
use super::{DateKind, RawDate, Stamp};

/// Six numbers, of which the last three are a time of day parted by hyphens, underscores, points or slashes.
pub(super) fn six_numbers(cell: &[u8]) -> Option<Stamp> {
    let mut rest = cell;
    let mut numbers = [(0, 0); 6];
    let mut marks = [0_u8; 5];
    for at in 0..6 {
        numbers[at] = take(&mut rest, 4)?;
        if let Some(mark) = marks.get_mut(at) {
            (*mark, rest) = rest.split_first().map(|(mark, rest)| (*mark, rest))?;
        }
    }
    let [day_mark, day_mark_2, between, mark, mark_2] = marks;
    if day_mark != day_mark_2
        || mark != mark_2
        || !matches!(day_mark, b'-' | b'_' | b'.' | b'/')
        || !matches!(mark, b'-' | b'_' | b'.' | b'/')
        || !(between == mark || matches!(between, b'T' | b't' | b' ' | b'_' | b'-'))
        || numbers[3..].iter().any(|(_, digits)| *digits > 2)
        || numbers[4..].iter().any(|(_, digits)| *digits != 2)
    {
        return None;
    }
    let fraction = fraction_of(&mut rest)?;
    let offset_min = match rest {
        [] => None,
        [b'Z'] => Some(0),
        _ => return None,
    };
    let [(a, a_digits), (b, b_digits), (c, c_digits), (hour, _), (minute, _), (second, _)] =
        numbers;
    let kind = match (a_digits, b_digits, c_digits) {
        (4, 1 | 2, 1 | 2) => DateKind::Settled,
        (1 | 2, 1 | 2, 4) => DateKind::YearLast,
        (2, 2, 2) => DateKind::Short,
        _ => return None,
    };
    let date = RawDate { fields: [a, b, c], kind };
    Some(Stamp {
        date: Some(date),
        second: Some(hms(hour, minute, second)? + fraction),
        offset_min,
        separator: day_mark,
        time_marks: [between, mark],
        ..Stamp::EMPTY
    })
}

/// The second of the day that `21.15.00` is when it is no date, with an optional fraction.
pub(super) fn pointed_time(cell: &[u8]) -> Option<f64> {
    let mut rest = cell;
    let mut numbers = [0; 3];
    for at in 0..3 {
        let (number, digits) = take(&mut rest, 2)?;
        if at > 0 && digits != 2 {
            return None;
        }
        numbers[at] = number;
        if at < 2 {
            rest = rest.strip_prefix(b".")?;
        }
    }
    let fraction = fraction_of(&mut rest)?;
    let [hour, minute, second] = numbers;
    (rest.is_empty() && hour < 24).then(|| hms(hour, minute, second).map(|s| s + fraction))?
}

fn take(rest: &mut &[u8], most: usize) -> Option<(i32, usize)> {
    let digits = rest.iter().take(most + 1).take_while(|b| b.is_ascii_digit()).count();
    if digits == 0 || digits > most {
        return None;
    }
    let value = rest[..digits].iter().fold(0, |sum, b| sum * 10 + i32::from(b - b'0'));
    *rest = &rest[digits..];
    Some((value, digits))
}

/// `.250`, `,250`, or nothing; `None` when a mark stands without digits or with too many.
fn fraction_of(rest: &mut &[u8]) -> Option<f64> {
    let [b'.' | b',', tail @ ..] = rest else { return Some(0.0) };
    let digits = tail.iter().take_while(|b| b.is_ascii_digit()).count();
    if digits == 0 || digits > 9 {
        return None;
    }
    let ticks = tail[..digits].iter().fold(0_u32, |sum, b| sum * 10 + u32::from(b - b'0'));
    *rest = &tail[digits..];
    Some(f64::from(ticks) / 10_f64.powi(digits as i32))
}
