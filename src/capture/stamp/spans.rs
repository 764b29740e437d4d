//! Spans of time as numbers with units.

use super::super::cell::{Mark, number_prefix, unit_suffix};
use super::super::units::Unit;
use super::Stamp;

/// `12.5 s`, `250 ms`: a span as a number with its unit.
pub(super) fn span_with_unit(cell: &[u8]) -> Option<Stamp> {
    let (value, rest) = number_prefix(cell, Mark::Point)?;
    match unit_suffix(rest).filter(|_| !rest.is_empty())? {
        Unit::Time { seconds } => Some(Stamp::of_span(value * seconds)),
        _ => None,
    }
}

/// `PT1H30M5.5S`, `P1DT2H` (ISO 8601-1, 5.5.2), without years and months, whose length is not fixed.
pub(super) fn iso_duration(cell: &[u8]) -> Option<Stamp> {
    let mut rest = cell.strip_prefix(b"P")?;
    let (mut second, mut timed, mut parts) = (0.0, false, 0);
    while !rest.is_empty() {
        if let (Some(after), false) = (rest.strip_prefix(b"T"), timed) {
            (rest, timed) = (after, true);
            continue;
        }
        let len = rest.iter().position(|b| !matches!(b, b'0'..=b'9' | b'.' | b','))?;
        let number = std::str::from_utf8(&rest[..len]).ok()?.replace(',', ".");
        let scale = match (rest[len], timed) {
            (b'W', false) => 604_800.0,
            (b'D', false) => 86_400.0,
            (b'H', true) => 3600.0,
            (b'M', true) => 60.0,
            (b'S', true) => 1.0,
            _ => return None,
        };
        second += number.parse::<f64>().ok()? * scale;
        (rest, parts) = (&rest[len + 1..], parts + 1);
    }
    (parts > 0).then(|| Stamp::of_span(second))
}
