//! When the capture began, for clocks that only count: told by a date beside the counter or before the table.

use jiff::civil::DateTime;

use super::clock::Clock;
use super::columns::shown;
use super::dates;
use super::read::{Told, form_of};
use super::settle::{self, Form, Settled};
use super::sniff::Sniffed;
use super::stamp::{RawDate, Stamp, stamp};
use super::units::words_of;
use crate::findings::Decision;

/// Finds the start and puts it into `settled`.
pub(super) fn beside(sniffed: &Sniffed, settled: &mut Settled, told: &mut Told) {
    let form = form_of(sniffed, &sniffed.found);
    if matches!(sniffed.found.clock, Clock::Stamp { time: Some(_), .. }) && !sniffed.found.span {
        // A time of day: only the date is wanted.
        if let Some(time) = settled.time_of_day
            && let Some((date, line)) = dated_line(sniffed, &form, told)
        {
            settled.start = Some(date.date().to_datetime(time));
            tell(told, settled.start, &line);
        }
        return;
    }
    if let Some((start, title)) = from_column(sniffed, &form, told) {
        settled.start = Some(start);
        tell(told, settled.start, &title);
        return;
    }
    if let Some((start, line)) = dated_line(sniffed, &form, told) {
        settled.start = Some(start);
        tell(told, settled.start, &line);
    }
}

/// The offset from UTC that the header of a dated clock names (`time (UTC)`, `[UTC]`, `GMT+1`), where its cells give
/// none.
pub(super) fn zone_in_header(sniffed: &Sniffed, settled: &mut Settled, told: &mut Told) {
    let Clock::Stamp { date: Some(date), time, .. } = sniffed.found.clock else { return };
    if settled.offset_min.is_some()
        || settled.start.is_none()
        || told.cautions.iter().any(|c| c.code == "clock-zone-partial")
    {
        return;
    }
    let named = [Some(date), time].into_iter().flatten().find_map(|place| {
        sniffed.table.header.iter().find_map(|row| {
            let text = row.get(place)?;
            Some((zone_of(text)?, shown(text)))
        })
    });
    if let Some((minutes, text)) = named {
        settled.offset_min = Some(minutes);
        told.decisions.push(Decision {
            what: "zone".to_owned(),
            chosen: format!(
                "UTC{}{:02}:{:02}",
                if minutes < 0 { '-' } else { '+' },
                minutes.abs() / 60,
                minutes.abs() % 60
            ),
            why: format!("the header says so: \"{text}\""),
            option: None,
        });
    }
}

/// Minutes from UTC.
fn zone_of(text: &str) -> Option<i32> {
    let upper = text.to_ascii_uppercase();
    let at = upper.find("UTC").or_else(|| upper.find("GMT"))?;
    let inside = |c: char| c.is_alphanumeric();
    let rest = upper[at + 3..].trim_start_matches([' ', '_']);
    if upper[..at].ends_with(inside)
        || upper[at + 3..].starts_with(inside)
        || rest.starts_with("OFF")
    {
        return None;
    }
    let digits = rest.strip_prefix(['+', '-', '±', '−']);
    let Some(digits) = digits.filter(|d| d.starts_with(|c: char| c.is_ascii_digit())) else {
        return Some(0);
    };
    let clock: String = digits.chars().take_while(|c| c.is_ascii_digit() || *c == ':').collect();
    let (hours, minutes) = match clock.split_once(':') {
        Some((hours, minutes)) => (hours, minutes),
        None if clock.len() == 4 => clock.split_at(2),
        None => (clock.as_str(), "0"),
    };
    let (hours, minutes): (i32, i32) = (hours.parse().ok()?, minutes.parse().ok()?);
    let offset = hours.checked_mul(60)?.checked_add(minutes)?;
    let west = rest.starts_with(['-', '−']);
    (offset <= 14 * 60 && minutes < 60).then_some(if west { -offset } else { offset })
}

fn tell(told: &mut Told, start: Option<DateTime>, source: &str) {
    if let Some(start) = start {
        told.decisions.push(Decision {
            what: "start".to_owned(),
            chosen: start.to_string(),
            why: format!("given by {source}"),
            option: None,
        });
    }
}

/// The first row's date and time in columns that are not the clock.
fn from_column(sniffed: &Sniffed, form: &Form, told: &mut Told) -> Option<(DateTime, String)> {
    let used = sniffed.found.clock.columns();
    let rows = &sniffed.table.sample;
    sniffed
        .columns
        .iter()
        .filter(|c| !used.contains(&c.place) && c.times > 0 && c.numbers + c.texts == 0)
        .find_map(|column| {
            let stamps: Vec<Stamp> =
                rows.iter().take(200).filter_map(|row| stamp(row.get(column.place)?)).collect();
            let first = stamps.first()?;
            let second = first.second?;
            let dates: Vec<RawDate> = stamps.iter().filter_map(|s| s.date).collect();
            let form = Form { separator: first.separator, half_day: first.half_day, ..*form };
            let date = dates::first_date(&dates, &form, told)?;
            Some((
                settle::shift(date.at(0, 0, 0, 0), second)?,
                format!("the column `{}`", column.title()),
            ))
        })
}

/// A line before the table that gives a date, with its time or a time on another line.
fn dated_line(sniffed: &Sniffed, form: &Form, told: &mut Told) -> Option<(DateTime, String)> {
    let lines = &sniffed.table.preamble;
    let (line, found) = lines.iter().find_map(|line| {
        let key = key_words(line);
        let wanted = key.iter().any(|w| {
            matches!(
                w.as_str(),
                "start"
                    | "started"
                    | "begin"
                    | "began"
                    | "beginn"
                    | "date"
                    | "datum"
                    | "fecha"
                    | "début"
                    | "debut"
                    | "inicio"
                    | "inizio"
                    | "recorded"
                    | "trigger"
                    | "startzeit"
                    | "time"
                    | "zeit"
            )
        });
        let other = key.iter().any(|w| {
            matches!(
                w.as_str(),
                "end"
                    | "stop"
                    | "ende"
                    | "fin"
                    | "calibration"
                    | "calibrated"
                    | "due"
                    | "export"
                    | "exported"
                    | "printed"
                    | "firmware"
                    | "build"
            )
        });
        (wanted && !other)
            .then(|| value_stamp(line))
            .flatten()
            .filter(|s| s.date.is_some())
            .map(|s| (line, s))
    })?;
    let second = match found.second {
        Some(second) => second,
        None => lines
            .iter()
            .filter(|l| {
                key_words(l).iter().any(|w| {
                    matches!(w.as_str(), "time" | "zeit" | "uhrzeit" | "start" | "hora" | "heure")
                })
            })
            .find_map(|l| value_stamp(l).filter(|s| s.date.is_none()).and_then(|s| s.second))
            .unwrap_or(0.0),
    };
    let form = Form { separator: found.separator, half_day: found.half_day, ..*form };
    let date = dates::first_date(&[found.date?], &form, told)?;
    Some((
        settle::shift(date.at(0, 0, 0, 0), second)?,
        format!("the line \"{}\" before the table", shown(line.trim())),
    ))
}

fn key_words(line: &str) -> Vec<String> {
    let key = line.split([':', '=', ';', ',', '\t']).next().unwrap_or_default();
    words_of(key).iter().map(|w| w.to_lowercase()).collect()
}

fn value_stamp(line: &str) -> Option<Stamp> {
    let at = line.find([':', '=', ';', ',', '\t', ' '])?;
    let mut value = line
        .get(at + 1..)?
        .trim_matches(|c: char| matches!(c, ' ' | ':' | '=' | ';' | ',' | '\t' | '"'));
    // Words before the first digit belong to the key, unless they are part of the stamp.
    if stamp(value.as_bytes()).is_none() {
        value = value.get(value.find(|c: char| c.is_ascii_digit())?..)?;
    }
    stamp(value.as_bytes())
        .or_else(|| stamp(value.split([';', '\t', ',']).next()?.trim().as_bytes()))
}

#[cfg(test)]
mod tests {
    use super::zone_of;

    #[test]
    fn a_zone_is_found_in_a_header() {
        for (text, minutes) in [
            ("time (UTC)", Some(0)),
            ("[UTC]", Some(0)),
            ("UTC time", Some(0)),
            ("Zeit (UTC+01:00)", Some(60)),
            ("time GMT-0530", Some(-330)),
            ("time UTC +2", Some(120)),
            ("time", None),
            ("utc_offset", None),
            ("outcome", None),
            ("UTC+99999999999", None),
        ] {
            assert_eq!(zone_of(text), minutes, "{text}");
        }
    }
}
