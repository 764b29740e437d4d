//! One cell: a number, a reading with its unit, a missing value, an overload.

use super::options::CurrentUnit;
pub(super) use super::options::DecimalMark as Mark;
use super::units::{Unit, unit_of};

impl Mark {
    pub(super) fn byte(self) -> u8 {
        match self {
            Self::Point => b'.',
            Self::Comma => b',',
        }
    }

    fn other(self) -> u8 {
        match self {
            Self::Point => b',',
            Self::Comma => b'.',
        }
    }
}

/// What a cell of the current column holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Reading {
    /// A finite number and, when the cell carries one, its unit.
    Value(f64, Option<CurrentUnit>),
    /// No reading was taken.
    Missing,
    /// Over range.
    Overload,
    /// Something else.
    Text,
}

/// Reads a cell of the current column. `cell` is trimmed.
pub(super) fn reading(cell: &[u8], mark: Mark) -> Reading {
    if let Some((value, rest)) = number_prefix(cell, mark) {
        if rest.is_empty() {
            return classed(value, None);
        }
        return match unit_suffix(rest) {
            Some(Unit::Current { unit, .. }) => classed(value, Some(unit)),
            _ if is_overload(cell) => Reading::Overload,
            _ => Reading::Text,
        };
    }
    if is_missing(cell) {
        Reading::Missing
    } else if is_overload(cell) {
        Reading::Overload
    } else {
        Reading::Text
    }
}

/// IEEE 488.2 / SCPI-99 (vol. 1, 7.2.1): ±9.9E37 stands for infinity and 9.91E37 for not a number.
fn classed(value: f64, unit: Option<CurrentUnit>) -> Reading {
    if !value.is_finite() {
        Reading::Overload
    } else if value.abs() >= 9.89e37 {
        if (value - 9.91e37).abs() < 1e34 { Reading::Missing } else { Reading::Overload }
    } else {
        Reading::Value(value, unit)
    }
}

/// The unit that follows a number in its cell.
pub(super) fn unit_suffix(rest: &[u8]) -> Option<Unit> {
    let rest = rest.trim_ascii();
    // The rest of a date or time of day is no unit.
    if rest.len() > 24 || rest.iter().any(u8::is_ascii_digit) {
        return None;
    }
    match rest {
        b"A" => return Some(Unit::Current { unit: CurrentUnit::Ampere, ac: false }),
        b"mA" => return Some(Unit::Current { unit: CurrentUnit::Milliampere, ac: false }),
        // µ as a single byte of windows-1252.
        [0xB5, b'A'] => return Some(Unit::Current { unit: CurrentUnit::Microampere, ac: false }),
        _ => {}
    }
    unit_of(std::str::from_utf8(rest).ok()?)
}

/// A plain number and nothing else.
pub(super) fn number(cell: &[u8], mark: Mark) -> Option<f64> {
    match number_prefix(cell, mark) {
        Some((value, [])) if value.is_finite() => Some(value),
        _ => None,
    }
}

/// The number that `cell` starts with and what follows it.
///
/// Takes a sign (also U+2212), digits with thousands marks in groups of three, the decimal mark and an exponent.
#[inline]
pub(super) fn number_prefix(cell: &[u8], mark: Mark) -> Option<(f64, &[u8])> {
    let first = *cell.first()?;
    if mark == Mark::Point
        && (first.is_ascii_digit() || first == b'-')
        && cell.last()?.is_ascii_digit()
        && (first.is_ascii_digit() || cell.get(1).is_some_and(|b| b.is_ascii_digit() || *b == b'.'))
        && let Ok((value, used)) = fast_float2::parse_partial::<f64, _>(cell)
        && used == cell.len()
    {
        return Some((value, &[]));
    }
    careful_prefix(cell, mark)
}

fn careful_prefix(cell: &[u8], mark: Mark) -> Option<(f64, &[u8])> {
    let mut plain = [0_u8; 64];
    let mut len = 0;
    let mut push = |byte: u8, len: &mut usize| -> Option<()> {
        *plain.get_mut(*len)? = byte;
        *len += 1;
        Some(())
    };
    let mut rest = cell;
    match rest {
        [b'+', tail @ ..] => rest = tail,
        [b'-', tail @ ..] => {
            push(b'-', &mut len)?;
            rest = tail;
        }
        [0xE2, 0x88, 0x92, tail @ ..] | [0x96, tail @ ..] => {
            push(b'-', &mut len)?;
            rest = tail;
        }
        _ => {}
    }
    rest = rest.trim_ascii_start();
    let mut digits = 0;
    let mut leads_with_nonzero = false;
    let mut group_start = None::<usize>;
    loop {
        match rest {
            [b, tail @ ..] if b.is_ascii_digit() => {
                leads_with_nonzero |= digits == 0 && *b != b'0';
                push(*b, &mut len)?;
                digits += 1;
                rest = tail;
            }
            // A thousands mark: the other mark, a space, an apostrophe, before exactly three digits.
            _ if digits > 0 => {
                let width = match rest {
                    [b, ..] if *b == mark.other() || *b == b'\'' || *b == b' ' => 1,
                    [0xC2, 0xA0, ..] => 2,
                    [0xE2, 0x80, 0xAF | 0x89, ..] => 3,
                    [0xA0, ..] => 1,
                    _ => 0,
                };
                let tail = &rest[width.min(rest.len())..];
                let three = tail.len() >= 3
                    && tail[..3].iter().all(u8::is_ascii_digit)
                    && !tail.get(3).is_some_and(u8::is_ascii_digit);
                let group_fits = match group_start {
                    // `0'118`: an apostrophe is no decimal mark.
                    None => digits <= 3 && (leads_with_nonzero || rest.first() == Some(&b'\'')),
                    Some(at) => digits - at == 3,
                };
                if width > 0 && three && group_fits {
                    group_start = Some(digits);
                    rest = tail;
                } else {
                    break;
                }
            }
            _ => break,
        }
    }
    if let [b, tail @ ..] = rest
        && *b == mark.byte()
    {
        let fraction = tail.iter().take_while(|b| b.is_ascii_digit()).count();
        // `5.` is a number, `5,` is a cell of another table.
        if digits + fraction == 0 || (fraction == 0 && mark == Mark::Comma) {
            return None;
        }
        if digits == 0 {
            push(b'0', &mut len)?;
        }
        push(b'.', &mut len)?;
        for b in &tail[..fraction.min(30)] {
            push(*b, &mut len)?;
        }
        if fraction == 0 {
            push(b'0', &mut len)?;
        }
        digits += fraction;
        rest = &tail[fraction..];
    }
    if digits == 0 {
        return None;
    }
    if let [b'e' | b'E', tail @ ..] = rest {
        let signed = usize::from(matches!(tail.first(), Some(b'+' | b'-')));
        let count = tail[signed..].iter().take_while(|b| b.is_ascii_digit()).count();
        if count > 0 && count <= 4 {
            push(b'e', &mut len)?;
            for b in &tail[..signed + count] {
                push(*b, &mut len)?;
            }
            rest = &tail[signed + count..];
        }
    }
    let text = std::str::from_utf8(&plain[..len]).ok()?;
    Some((text.parse().ok()?, rest))
}

/// Certain at a glance: a cell that starts with a digit and has a colon in it, or a hyphen or slash between digits, is
/// neither a number, with its unit or without, nor one of the words for none. It may be a time.
pub(super) fn timelike(cell: &[u8]) -> bool {
    match cell {
        // `0L` and its like.
        [b'0', after, ..] if !after.is_ascii_digit() => return false,
        [first, ..] if first.is_ascii_digit() => {}
        _ => return false,
    }
    let mut before = 0_u8;
    for (at, byte) in cell.iter().enumerate() {
        match byte {
            b':' => return true,
            b'-' | b'/'
                if before.is_ascii_digit() && cell.get(at + 1).is_some_and(u8::is_ascii_digit) =>
            {
                return true;
            }
            _ => before = *byte,
        }
    }
    false
}

/// Blank, dashes, `N/A`, `nan` and their like.
pub(super) fn is_missing(cell: &[u8]) -> bool {
    if cell.iter().all(|b| matches!(b, b'-' | b' ' | b'_' | b'.' | b'?' | b'*' | b'#')) {
        return true;
    }
    if matches!(cell, b"\xE2\x80\x93" | b"\xE2\x80\x94" | b"\xE2\x88\x92") {
        return true;
    }
    let mut lower = [0_u8; 12];
    let Some(slot) = lower.get_mut(..cell.len()) else { return false };
    slot.copy_from_slice(cell);
    slot.make_ascii_lowercase();
    matches!(
        &*slot,
        b"n/a"
            | b"#n/a"
            | b"na"
            | b"n.a."
            | b"nan"
            | b"+nan"
            | b"-nan"
            | b"null"
            | b"none"
            | b"nil"
            | b"missing"
            | b"no data"
            | b"nodata"
            | b"undef"
            | b"1.#qnan"
            | b"1.#ind"
            | b"-1.#ind"
            | b"#value!"
            | b"#num!"
            | b"#div/0!"
            | b"#ref!"
            | b"invalid"
            | b"error"
            | b"err"
            | b"blank"
            | b"empty"
            | b"(null)"
            | b"unavailable"
            | b"unknown"
    )
}

/// `OL`, `OVLD`, `over range`, infinity and their like, with or without sign and unit.
pub(super) fn is_overload(cell: &[u8]) -> bool {
    if cell.len() > 20 {
        return false;
    }
    let Ok(text) = std::str::from_utf8(cell) else { return false };
    // `>10`: above what the range shows.
    if let Some(limit) = text.strip_prefix('>') {
        let limit = limit.trim().as_bytes();
        return [Mark::Point, Mark::Comma].iter().any(|mark| number_prefix(limit, *mark).is_some());
    }
    let lower = text.to_ascii_lowercase();
    let bare = lower.trim_start_matches(['+', '-', '>', '<', ' ']);
    let word = bare.split([' ', '(']).next().unwrap_or_default();
    matches!(
        bare,
        "over range"
            | "out of range"
            | "over load"
            | "over flow"
            | "overrange"
            | "1.#inf"
            | "1.#inf00"
            | "∞"
            | "off scale"
            | "o.l"
            | "0.l"
            | ".ol"
    ) || matches!(
        word,
        "ol" | "0l"
            | "o.l"
            | "o.l."
            | "0.l"
            | "ovl"
            | "ovld"
            | "ovf"
            | "ovfl"
            | "over"
            | "overload"
            | "overrange"
            | "overflow"
            | "ovrng"
            | "ovr"
            | "inf"
            | "infinity"
            | "clip"
            | "clipped"
            | "saturated"
            | "ol."
            | "oor"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_in_both_marks() {
        for (text, mark, value) in [
            ("0.004", Mark::Point, 0.004),
            ("-8E-06", Mark::Point, -8e-6),
            ("1.5E+002", Mark::Point, 150.0),
            ("+.5", Mark::Point, 0.5),
            ("0,0042", Mark::Comma, 0.0042),
            ("1.234,5", Mark::Comma, 1234.5),
            ("1,234.5", Mark::Point, 1234.5),
            ("1 234,5", Mark::Comma, 1234.5),
            ("−3", Mark::Point, -3.0),
            ("1'234'567", Mark::Point, 1_234_567.0),
            ("0'118", Mark::Comma, 118.0),
            ("5.", Mark::Point, 5.0),
            ("- 0.5", Mark::Point, -0.5),
        ] {
            assert_eq!(number(text.as_bytes(), mark), Some(value), "{text}");
        }
    }

    #[test]
    fn what_is_no_number_is_none() {
        for text in [
            "",
            "-",
            "1.2.3",
            "12:30",
            "2026-01-02",
            "0x1F",
            "1,5",
            "inf",
            "nan",
            "e5",
            "1,2345",
            "0,123",
            "--5",
            ".",
        ] {
            assert_eq!(number(text.as_bytes(), Mark::Point), None, "{text}");
        }
    }

    #[test]
    fn a_cell_may_carry_its_unit() {
        use CurrentUnit::*;
        assert_eq!(reading(b"0.004A", Mark::Point), Reading::Value(0.004, Some(Ampere)));
        assert_eq!(reading(b"0,0000 A DC", Mark::Comma), Reading::Value(0.0, Some(Ampere)));
        assert_eq!(
            reading("998.2 µA".as_bytes(), Mark::Point),
            Reading::Value(998.2, Some(Microampere))
        );
        assert_eq!(reading(b"12.1 V", Mark::Point), Reading::Text);
    }

    #[test]
    fn missing_and_overload_are_never_zero() {
        for text in ["", "-", "---", "N/A", "nan", "NULL", "9.91E+37"] {
            assert_eq!(reading(text.as_bytes(), Mark::Point), Reading::Missing, "{text}");
        }
        for text in [
            "OL",
            "-OL",
            "OVLD",
            "0L",
            "OL mA",
            "Overload",
            "9.9E37",
            "-9.9E+37",
            "inf",
            "over range",
        ] {
            assert_eq!(reading(text.as_bytes(), Mark::Point), Reading::Overload, "{text}");
        }
    }
}
