//! Clocks by a strptime pattern that the user gave.

use super::clock::{Clock, Found, decide, second_of};
use super::columns::{Column, shown};
use super::stamp::{DateKind, RawDate};
use super::table::Table;
use crate::fault::InputFault;
use crate::findings::Decision;

pub(super) fn pattern(
    file: &str,
    table: &Table,
    columns: &[Column],
    chosen: Option<usize>,
    format: &str,
    decisions: &mut Vec<Decision>,
) -> Result<Found, InputFault> {
    let text_at = |row: &Vec<Vec<u8>>, at: &[usize]| {
        at.iter()
            .map(|c| {
                row.get(*c).map(|b| String::from_utf8_lossy(b).into_owned()).unwrap_or_default()
            })
            .collect::<Vec<_>>()
            .join(" ")
    };
    let mut tries: Vec<Vec<usize>> = chosen.into_iter().map(|c| vec![c]).collect();
    for a in 0..columns.len().min(12) {
        tries.push(vec![a]);
        for b in 0..columns.len().min(12) {
            if a != b {
                tries.push(vec![a, b]);
            }
        }
    }
    let reads = |at: &Vec<usize>| {
        let rows = table.sample.len().min(20);
        rows > 0
            && table
                .sample
                .iter()
                .take(20)
                .filter(|row| by_pattern(format, &text_at(row, at)).is_some())
                .count()
                * 2
                > rows
    };
    match tries.into_iter().find(reads) {
        Some(at) => {
            decide(
                decisions,
                "clock",
                format.to_owned(),
                "given by --clock-format".to_owned(),
                Some(format!("--clock-format \"{format}\"")),
            );
            Ok(Found {
                clock: Clock::Pattern { columns: at, format: format.to_owned() },
                origin: None,
                utc: false,
                span: false,
                wraps_s: None,
            })
        }
        None => {
            let example = chosen
                .and_then(|c| table.sample.first()?.get(c))
                .map(|c| format!(", such as \"{}\"", shown(&String::from_utf8_lossy(c))))
                .unwrap_or_default();
            let mut fault = InputFault::of_file(
                file,
                format!("no column follows --clock-format \"{}\"{example}", shown(format)),
                "mend the pattern (%Y %m %d %H %M %S %f %p), or leave it out",
            );
            fault.place.line = Some(table.first_line);
            Err(fault)
        }
    }
}

/// Reads a text by a strptime pattern: date, second of the day, offset in minutes.
pub(super) fn by_pattern(format: &str, text: &str) -> Option<(Option<RawDate>, f64, Option<i32>)> {
    let parsed = jiff::fmt::strtime::parse(format, text.trim()).ok()?;
    let date = parsed.to_date().ok();
    let second = match parsed.to_time() {
        Ok(time) => second_of(time),
        // Minutes and seconds alone.
        Err(_) => match (parsed.minute(), parsed.second()) {
            (Some(minute), second) => f64::from(minute) * 60.0 + f64::from(second.unwrap_or(0)),
            _ if date.is_some() => 0.0,
            _ => return None,
        },
    };
    let offset = parsed.offset().map(|o| o.seconds() / 60);
    let date = date.map(|d| RawDate {
        fields: [i32::from(d.year()), i32::from(d.month()), i32::from(d.day())],
        kind: DateKind::Settled,
    });
    (date.is_some() || parsed.minute().is_some() || parsed.hour().is_some())
        .then_some((date, second, offset))
}
