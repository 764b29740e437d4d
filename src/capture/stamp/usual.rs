//! The commonest form of a date and time of day, read without looking about.

use super::{DateKind, RawDate, Stamp};

/// `2026-01-02 03:04:05` to the letter, also with `T`, `/` or `.`, as the scanner reads it.
pub(super) fn usual(cell: &[u8]) -> Option<Stamp> {
    let [y1, y2, y3, y4, mark, m1, m2, mark_2, d1, d2, between, time @ ..] =
        cell.first_chunk::<19>().filter(|_| cell.len() == 19)?;
    let [h1, h2, b':', i1, i2, b':', s1, s2] = time else { return None };
    if mark != mark_2
        || !matches!(mark, b'-' | b'/' | b'.')
        || !matches!(between, b' ' | b'T')
        || ![y1, y2, y3, y4, m1, m2, d1, d2, h1, h2, i1, i2, s1, s2]
            .iter()
            .all(|byte| byte.is_ascii_digit())
    {
        return None;
    }
    let two = |tens: &u8, ones: &u8| i32::from(tens - b'0') * 10 + i32::from(ones - b'0');
    let fields = [two(y1, y2) * 100 + two(y3, y4), two(m1, m2), two(d1, d2)];
    let (hour, minute, second) = (two(h1, h2), two(i1, i2), two(s1, s2));
    (hour <= 23 && minute <= 59 && second <= 59).then(|| Stamp {
        date: Some(RawDate { fields, kind: DateKind::Settled }),
        second: Some(f64::from(hour * 3600 + minute * 60 + second)),
        time_at: 11,
        separator: *mark,
        ..Stamp::EMPTY
    })
}

#[cfg(test)]
mod tests {
    use super::super::scanner::Scanner;
    use super::*;

    #[test]
    fn the_usual_form_is_what_the_scanner_says_it_is() {
        let text = proptest::string::string_regex(
            "[0-2][0-9]{3}[-/.][01][0-9][-/.][0-3][0-9][ T][0-2][0-9]:[0-6][0-9]:[0-6][0-9]",
        );
        let text = text.expect("a pattern");
        proptest::proptest!(|(cell in text)| {
            if let Some(found) = usual(cell.as_bytes()) {
                proptest::prop_assert_eq!(Some(found), Scanner::new(cell.as_bytes()).run());
            }
        });
        for cell in ["2026-01-02 03:04:05", "2026/12/31T23:59:59"] {
            assert!(usual(cell.as_bytes()).is_some(), "{cell}");
        }
    }
}
