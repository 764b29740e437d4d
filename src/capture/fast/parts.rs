//! The parts of a time of day or a span.

use super::clock::{fraction, two};
use super::face::SPAN;

/// Which parts stand with colons between them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Parts {
    /// `8:00:00`, with an optional fraction.
    HoursMinutesSeconds,
    /// `8:00`
    HoursMinutes,
    /// `8:00.5`, with an optional fraction.
    MinutesSeconds,
}

/// Nanoseconds, length and places of the parts at the start of `bytes`; the byte `ends` is no decimal mark. The first
/// part of a span may be of any size, that of a time of day is an hour.
#[inline(always)]
pub(super) fn of_day<const KIND: u8>(
    bytes: &[u8],
    ends: u8,
    parts: Parts,
) -> Option<(i64, usize, i32)> {
    let (first, at) = match bytes {
        [tens, ones, b':', ..] => (two(*tens, *ones)?, 3),
        [ones @ b'0'..=b'9', b':', ..] => (i64::from(ones - b'0'), 2),
        _ if KIND == SPAN => long_first(bytes)?,
        _ => return None,
    };
    if KIND != SPAN && parts != Parts::MinutesSeconds && first > 23 {
        return None;
    }
    let rest = &bytes[at..];
    let second = two(*rest.first()?, *rest.get(1)?)?;
    if second > 59 {
        return None;
    }
    let (whole_s, at) = match parts {
        Parts::HoursMinutesSeconds => {
            let [b':', tens, ones] = *rest.get(2..)?.first_chunk::<3>()? else { return None };
            let third = two(tens, ones)?;
            if third > 59 {
                return None;
            }
            ((first * 60 + second) * 60 + third, at + 5)
        }
        Parts::HoursMinutes => {
            let goes_on = |byte: &u8| matches!(byte, b':' | b'.' | b',') && *byte != ends;
            let whole = !rest.get(2).is_some_and(goes_on);
            return whole.then_some(((first * 60 + second) * 60_000_000_000, at + 2, 0));
        }
        Parts::MinutesSeconds if rest.get(2) == Some(&b':') => return None,
        Parts::MinutesSeconds => (first * 60 + second, at + 2),
    };
    let (nanoseconds, len, places) = fraction(&bytes[at..], ends)?;
    Some((whole_s * 1_000_000_000 + nanoseconds, at + len, places))
}

/// Digits before a colon, three to six of them, and the length with the colon.
#[cold]
fn long_first(bytes: &[u8]) -> Option<(i64, usize)> {
    let digits = bytes.iter().take(7).take_while(|byte| byte.is_ascii_digit()).count();
    if !(3..=6).contains(&digits) || bytes.get(digits) != Some(&b':') {
        return None;
    }
    let value = bytes[..digits].iter().fold(0, |sum, byte| sum * 10 + i64::from(byte - b'0'));
    Some((value, digits + 1))
}
