//! What the parts of a time are where their number leaves it open.

use super::super::columns::Column;
use super::super::dates::{Order, calendar};
use super::super::stamp::{DateKind, RawDate, Stamp};
use super::super::table::Table;
use crate::findings::Caution;

/// What the parts of a time are where their number leaves it open.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::capture) enum PartsAre {
    /// Two are hours and minutes, four end in thousandths.
    Usual,
    /// Two are minutes and seconds.
    MinutesSeconds,
    /// The last of four is hundredths.
    Hundredths,
    /// Four start with days.
    Days,
    /// Three with points between are no date.
    Points,
}

impl PartsAre {
    /// Seconds of a time without a date.
    pub(in crate::capture) fn second(self, found: &Stamp) -> Option<f64> {
        match (self, &found.four) {
            (Self::MinutesSeconds, _) if found.two_parts => found.second.map(|s| s / 60.0),
            (Self::Hundredths, Some(four)) => four.hundredths_s,
            (Self::Days, Some(four)) => four.days_s,
            (Self::Points, _) => found.pointed_s.or(found.second),
            _ => found.second,
        }
    }
}

/// Whether `21.15.00` and its like throughout are times: no date has their numbers, or the last, which would be the
/// year, changes from row to row or is 0.
pub(super) fn pointed(sample: &[Stamp]) -> bool {
    let dates: Vec<RawDate> = sample.iter().filter_map(|s| s.date).collect();
    if sample.is_empty()
        || sample.iter().any(|s| s.pointed_s.is_none())
        || dates.iter().any(|d| d.kind != DateKind::Short)
    {
        return false;
    }
    let no_date = dates.iter().any(|date| calendar(*date, Order::DayMonth).is_none());
    let steps = dates.windows(2).filter(|w| w[0] != w[1]).count();
    let years = dates.windows(2).filter(|w| w[0].fields[2] != w[1].fields[2]).count();
    dates.len() < sample.len()
        || steps > 0 && (no_date || years * 2 > steps || dates.iter().all(|d| d.fields[2] == 0))
}

/// `12:34`: hours and minutes or minutes and seconds.
pub(super) fn two_parts(
    table: &Table,
    column: &Column,
    sample: &[Stamp],
    cautions: &mut Vec<Caution>,
) -> PartsAre {
    if sample.iter().any(|s| s.date.is_some() || s.half_day) {
        return PartsAre::Usual;
    }
    let header = column.name.to_lowercase();
    if ["mm:ss", "m:s", "min:s", "mm:s"].iter().any(|word| header.contains(word)) {
        return PartsAre::MinutesSeconds;
    }
    if header.contains("hh:mm")
        || header.contains("h:m")
        || header.contains("uhrzeit")
        || header.contains("clock")
    {
        return PartsAre::Usual;
    }
    let days = table
        .sample
        .iter()
        .take(20)
        .any(|row| row.get(column.place).is_some_and(|c| c.contains(&b'd')));
    if days {
        return PartsAre::Usual;
    }
    // Hours of a day have a leading zero oftener than minutes since a start.
    let first = table.sample.first().and_then(|row| row.get(column.place));
    let from_zero = first.is_some_and(|cell| cell.starts_with(b"0:0"));
    // Hours of a day end at 23.
    let largest = sample.iter().filter_map(|s| s.second).fold(0.0, f64::max) / 3600.0;
    if largest >= 24.0 {
        return PartsAre::MinutesSeconds;
    }
    let (parts, chosen, other) = if from_zero {
        (PartsAre::MinutesSeconds, "minutes and seconds", "%H:%M")
    } else {
        (PartsAre::Usual, "hours and minutes", "%M:%S")
    };
    cautions.push(Caution::new(
        "clock-two-parts",
        format!(
            "the times in `{}` have two parts; {chosen} were assumed: overrule with --clock-format {other}",
            column.title()
        ),
    ));
    parts
}

/// `0:00:01:30`: the reading that the header names, or that spaces the rows most evenly.
pub(super) fn four_parts(
    column: &Column,
    sample: &[Stamp],
    cautions: &mut Vec<Caution>,
) -> PartsAre {
    let header = column.name.to_lowercase();
    if ["d:h", "dd:hh", "day:"].iter().any(|word| header.contains(word)) {
        return PartsAre::Days;
    }
    // Steps that are the commonest one, to within rounding.
    let even = |parts: PartsAre| -> Option<usize> {
        let times: Vec<f64> = sample.iter().map(|s| parts.second(s)).collect::<Option<_>>()?;
        let steps: Vec<f64> = times.windows(2).map(|w| w[1] - w[0]).collect();
        let mut sorted: Vec<f64> = steps.iter().copied().filter(|s| *s > 0.0).collect();
        sorted.sort_by(f64::total_cmp);
        let usual = *sorted.get(sorted.len() / 2)?;
        Some(steps.iter().filter(|s| (*s - usual).abs() <= 0.02 * usual).count())
    };
    let usual = even(PartsAre::Usual).unwrap_or(0);
    let (parts, name) = [
        (PartsAre::Days, "days, hours, minutes and seconds"),
        (PartsAre::Hundredths, "hours, minutes, seconds and hundredths"),
    ]
    .into_iter()
    .filter(|(parts, _)| even(*parts).is_some_and(|count| count > usual))
    .max_by_key(|(parts, _)| even(*parts))
    .unwrap_or((PartsAre::Usual, "hours, minutes, seconds and thousandths"));
    cautions.push(Caution::new(
        "clock-four-parts",
        format!(
            "the times in `{}` have four parts; {name} were assumed: if that is wrong, give the seconds between rows with --interval",
            column.title()
        ),
    ));
    parts
}
