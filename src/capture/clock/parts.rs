//! What the parts of a time are where their number leaves it open.

use super::super::columns::{Column, shown};
use super::super::dates::{Order, calendar};
use super::super::interval::interval_in_text;
use super::super::stamp::{DateKind, RawDate, Stamp, stamp};
use super::super::table::Table;
use super::decide;
use crate::findings::{Caution, Decision};

const HOUR_S: f64 = 3600.0;

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
    fn of_two(self) -> &'static str {
        if self == Self::MinutesSeconds { "minutes and seconds" } else { "hours and minutes" }
    }

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
    decisions: &mut Vec<Decision>,
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
        || header.contains("time of day")
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
    let times: Vec<f64> =
        table.sample.iter().filter_map(|row| stamp(row.get(column.place)?)?.second).collect();
    if let Some((parts, why)) = told_elsewhere(table, column, &times) {
        decide(decisions, "parts of the time", parts.of_two().to_owned(), why, None);
        return parts;
    }
    let ends = times.first().copied().unwrap_or(0.0).min(times.last().copied().unwrap_or(0.0));
    // A span starts at 0 nearly always, a time of day once in 24; hours of a day end at 23.
    let short = ends < HOUR_S || times.iter().any(|t| *t >= 24.0 * HOUR_S);
    let parts = if short { PartsAre::MinutesSeconds } else { PartsAre::Usual };
    let chosen = parts.of_two();
    let other = if parts == PartsAre::Usual { "%M:%S" } else { "%H:%M" };
    cautions.push(Caution::new(
        "clock-two-parts",
        format!(
            "the times in `{}` have two parts; {chosen} were assumed: overrule with --clock-format {other}",
            column.title()
        ),
    ));
    parts
}

/// What else the file says of times in two parts, `times` being their seconds if they are hours and minutes.
fn told_elsewhere(table: &Table, column: &Column, times: &[f64]) -> Option<(PartsAre, String)> {
    let mut steps: Vec<f64> =
        times.windows(2).map(|w| (w[1] - w[0]).abs()).filter(|s| *s > 0.0).collect();
    steps.sort_by(f64::total_cmp);
    let step = *steps.get(steps.len() / 2)?;
    let over_midnight =
        |w: &[f64]| 24.0 * HOUR_S - (w[0] - w[1]).abs() <= 2.5 * step && (w[0] - w[1]).abs() > step;
    if times.windows(2).any(over_midnight) {
        return Some((PartsAre::Usual, "they go on from 24:00 to 0:00".to_owned()));
    }
    if let Some((interval_s, _, line)) = interval_in_text(table) {
        let agrees = |step: f64| (interval_s / step - 1.0).abs() < 0.05;
        let why = || format!("the interval told elsewhere agrees: \"{}\"", shown(line.trim()));
        if agrees(step) {
            return Some((PartsAre::Usual, why()));
        }
        if agrees(step / 60.0) {
            return Some((PartsAre::MinutesSeconds, why()));
        }
    }
    let (low, high) = times.iter().fold((f64::MAX, 0.0_f64), |(l, h), t| (l.min(*t), h.max(*t)));
    if low < step && (high + step - 24.0 * HOUR_S).abs() < 0.5 * step {
        return Some((PartsAre::Usual, "they fill a day from 0:00 to 24:00".to_owned()));
    }
    let first = String::from_utf8_lossy(table.sample.first()?.get(column.place)?).into_owned();
    let line = table.preamble.iter().find(|line| {
        line.match_indices(first.as_str()).any(|(at, _)| {
            let before = line[..at].chars().next_back();
            let after = &line[at + first.len()..];
            let ends = !after.starts_with(|c: char| c.is_ascii_digit() || c == '.' || c == ',');
            !before.is_some_and(|c| c.is_ascii_digit() || c == ':') && ends
        })
    });
    line.filter(|_| low >= HOUR_S).map(|line| {
        (
            PartsAre::Usual,
            format!("a line before the table names the first: \"{}\"", shown(line.trim())),
        )
    })
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
