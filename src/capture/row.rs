//! One row on the careful path: its time, and its reading in ampere.

use super::careful::{Odd, Plan, Raw};
use super::cell::{Mark, Reading, number, reading};
use super::clock::{Clock, PartsAre};
use super::columns::cell_unit;
use super::options::CurrentUnit;
use super::reading_unit::UnitPlace;
use super::scaling::prefixed;
use super::stamp::{RawDate, stamp};

/// The date of the row before, so that its digits are read once a day.
#[derive(Default)]
pub(super) struct DateCache {
    /// What stands before and after the time of day; of a date's own column, all of it.
    prefix: Vec<u8>,
    suffix: Vec<u8>,
    /// The suffix says AM or PM.
    afternoon: Option<bool>,
    /// Prefix and suffix are those of the row before, and leave nothing but the time of day.
    ready: bool,
    run: Option<(Option<RawDate>, Option<i32>)>,
}

pub(super) enum Taken {
    Row { new_run: Option<(Option<RawDate>, Option<i32>)> },
    Passed,
    No,
}

#[inline]
pub(super) fn take(plan: &Plan, cells: &[&[u8]], cache: &mut DateCache, raw: &mut Raw) -> Taken {
    if let Some((at, name)) = &plan.channel
        && cells.get(*at).is_none_or(|cell| cell != name)
    {
        return Taken::Passed;
    }
    let Some(cell) = cells.get(plan.current) else { return Taken::No };
    let found = reading(cell, plan.mark);
    if found == Reading::Text {
        return Taken::No;
    }
    let before = cache.run;
    let Some(time) = time_of(plan, cells, cache, raw.time.len()) else { return Taken::No };
    let row = raw.time.len();
    let value = match found {
        Reading::Value(value, own) => match scale(plan, own, cells, raw) {
            Some(amperes) => value * amperes,
            None => return Taken::No,
        },
        Reading::Missing => {
            raw.odd.push((row, Odd::Missing));
            0.0
        }
        _ => {
            raw.odd.push((row, Odd::Overload));
            0.0
        }
    };
    raw.time.push(time);
    raw.value.push(value);
    let new_run = if row == 0 || cache.run != before { cache.run } else { None };
    Taken::Row { new_run }
}

#[inline]
fn scale(plan: &Plan, own: Option<CurrentUnit>, cells: &[&[u8]], raw: &mut Raw) -> Option<f64> {
    let unit = match &plan.unit {
        UnitPlace::Column(unit) => *unit,
        UnitPlace::Cells(fallback) => own.or(*fallback)?,
        UnitPlace::Prefixed { prefix, unit } => prefixed(cells.get(*prefix)?, cells.get(*unit)?)?,
        UnitPlace::Beside(at) => cells.get(*at).and_then(|cell| cell_unit(cell))?,
    };
    if !raw.units.contains(&unit) {
        raw.units.push(unit);
    }
    Some(unit.amperes())
}

#[inline]
fn time_of(plan: &Plan, cells: &[&[u8]], cache: &mut DateCache, row: usize) -> Option<f64> {
    match &plan.clock {
        Clock::Rows { .. } => Some(row as f64),
        Clock::Number { column, mark, scale_s, origin } => {
            number_time(cells.get(*column)?, *mark, *origin).map(|t| t * scale_s)
        }
        Clock::Stamp { date, time, parts } => match (date, time) {
            (Some(date), Some(time)) if date != time => {
                let day = cells.get(*date)?;
                // A blank date is that of the row before.
                let carried = day.is_empty() && cache.run.is_some();
                if !carried && (cache.run.is_none() || cache.prefix.as_slice() != *day) {
                    let found = stamp(day)?;
                    cache.prefix = day.to_vec();
                    cache.run = Some((Some(found.date?), cache.run.and_then(|(_, offset)| offset)));
                }
                let cell = cells.get(*time)?;
                if let Some(second) = quick_time(cell) {
                    return Some(second);
                }
                let found = stamp(cell)?;
                if found.offset_min.is_some() {
                    cache.run = cache.run.map(|(date, _)| (date, found.offset_min));
                }
                parts.second(&found)
            }
            _ => one_cell(cells.get(time.or(*date)?)?, cache, *parts),
        },
        Clock::Pattern { columns, format } => {
            let parts: Vec<std::borrow::Cow<'_, str>> = columns
                .iter()
                .map(|c| cells.get(*c).map(|cell| String::from_utf8_lossy(cell)))
                .collect::<Option<_>>()?;
            let (date, second, offset) = super::pattern::by_pattern(format, &parts.join(" "))?;
            cache.run = Some((date, offset));
            Some(second)
        }
    }
}

/// Powers of ten, all exact.
const POWERS: [f64; 19] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16,
    1e17, 1e18,
];

/// A counter or epoch cell less the origin, without losing digits of large whole parts.
#[inline]
pub(super) fn number_time(cell: &[u8], mark: Mark, origin: i64) -> Option<f64> {
    let digits = cell.iter().take_while(|b| b.is_ascii_digit()).count();
    if digits == 0
        || !counts(&cell[..digits])
        || (digits < cell.len() && cell[digits] != mark.byte())
        || digits < 10 && origin == 0
    {
        return number(cell, mark).map(|t| t - origin as f64);
    }
    number_of_counter(cell, digits, origin)
        .or_else(|| number(cell, mark).map(|t| t - origin as f64))
}

/// Whether digits are few or small enough for a whole number of 64 bits: nanoseconds since 1970 are.
#[inline(always)]
pub(super) fn counts(digits: &[u8]) -> bool {
    digits.len() < 19 || digits.len() == 19 && digits[0] < b'9'
}

/// The number in `cell`, of which `digits` digits are its whole part, less the origin.
#[inline(always)]
pub(super) fn number_of_counter(cell: &[u8], digits: usize, origin: i64) -> Option<f64> {
    let mut whole: i64 = 0;
    for b in &cell[..digits] {
        whole = whole * 10 + i64::from(b - b'0');
    }
    let mut fraction = 0.0;
    if digits < cell.len() {
        let tail = &cell[digits + 1..];
        if tail.len() > 18 || !tail.iter().all(u8::is_ascii_digit) {
            return None;
        }
        let ticks = tail.iter().fold(0_u64, |sum, b| sum * 10 + u64::from(b - b'0'));
        fraction = ticks as f64 / POWERS[tail.len()];
    }
    Some((whole - origin) as f64 + fraction)
}

/// Date and time, or time alone, in one cell.
#[inline]
fn one_cell(cell: &[u8], cache: &mut DateCache, parts: PartsAre) -> Option<f64> {
    if cache.ready
        && cell.len() > cache.prefix.len() + cache.suffix.len()
        && cell.starts_with(&cache.prefix)
        && cell.ends_with(&cache.suffix)
        && let Some(second) = quick_time(&cell[cache.prefix.len()..cell.len() - cache.suffix.len()])
    {
        return Some(half_day(second, cache.afternoon));
    }
    let mut found = stamp(cell)?;
    if parts == PartsAre::Points {
        found.date = None;
    }
    let second = match found.date {
        None => parts.second(&found).unwrap_or(0.0),
        Some(_) => found.second.unwrap_or(0.0),
    };
    cache.run = Some((found.date, found.offset_min));
    let (before, rest) = cell.split_at(found.time_at);
    let clock_end = rest
        .iter()
        .position(|b| !matches!(b, b'0'..=b'9' | b':' | b'.' | b','))
        .unwrap_or(rest.len());
    let (clock, after) = rest.split_at(clock_end);
    cache.afternoon = found.half_day.then_some(second >= HALF_DAY);
    cache.ready = quick_time(clock).map(|quick| half_day(quick, cache.afternoon)) == Some(second);
    if cache.ready {
        cache.prefix.clear();
        cache.prefix.extend_from_slice(before);
        cache.suffix.clear();
        cache.suffix.extend_from_slice(after);
    }
    Some(second)
}

const HALF_DAY: f64 = 43_200.0;

fn half_day(second: f64, afternoon: Option<bool>) -> f64 {
    match afternoon {
        None => second,
        Some(false) => second % HALF_DAY,
        Some(true) => second % HALF_DAY + HALF_DAY,
    }
}

/// `HH:MM:SS` with an optional fraction, nothing else.
#[inline]
fn quick_time(cell: &[u8]) -> Option<f64> {
    let [h1, h2, b':', m1, m2, b':', s1, s2, rest @ ..] = cell else { return None };
    let digit = |b: &u8| b.wrapping_sub(b'0');
    let all = [digit(h1), digit(h2), digit(m1), digit(m2), digit(s1), digit(s2)];
    if all.iter().any(|d| *d > 9) {
        return None;
    }
    let pair = |a: u8, b: u8| u32::from(a) * 10 + u32::from(b);
    let (h, m, s) = (pair(all[0], all[1]), pair(all[2], all[3]), pair(all[4], all[5]));
    if h > 23 || m > 59 || s > 60 {
        return None;
    }
    let whole = f64::from(h * 3600 + m * 60 + s);
    match rest {
        [] => Some(whole),
        [b'.' | b',', digits @ ..] if !digits.is_empty() && digits.len() <= 9 => {
            let mut ticks: u32 = 0;
            for b in digits {
                let d = digit(b);
                if d > 9 {
                    return None;
                }
                ticks = ticks.wrapping_mul(10).wrapping_add(u32::from(d));
            }
            Some(whole + f64::from(ticks) / POWERS[digits.len()])
        }
        _ => None,
    }
}
