//! How the file is to be written.

use super::rules::{Checked, choice, fault, keys};
use crate::capture::CurrentUnit;
use crate::simulate::meter::MeterParameters;
use crate::simulate::place::Key;
use crate::simulate::scenario::{ClockForm, Encoding, Export};
use crate::simulate::typed;

pub(super) fn export(
    typed: &typed::Export,
    meter: &MeterParameters,
    jitters: bool,
) -> Checked<Export> {
    let at = |key| keys!["export", key];
    let unit = choice(
        &at("unit"),
        "unit",
        &typed.unit,
        &[
            ("A", CurrentUnit::Ampere),
            ("mA", CurrentUnit::Milliampere),
            ("µA", CurrentUnit::Microampere),
            ("uA", CurrentUnit::Microampere),
            ("nA", CurrentUnit::Nanoampere),
            ("kA", CurrentUnit::Kiloampere),
        ],
    )?;
    let delimiter = match typed.delimiter.as_str() {
        "," | ";" | "\t" | "|" => typed.delimiter.chars().next().unwrap_or(','),
        other => {
            return fault(
                &at("delimiter"),
                format!("the delimiter {other:?}"),
                r#"write one of ",", ";", "\t", "|""#,
            );
        }
    };
    let decimal_mark = choice(
        &at("decimal_mark"),
        "decimal mark",
        &typed.decimal_mark,
        &[(".", '.'), (",", ',')],
    )?;
    if decimal_mark == delimiter {
        return fault(
            &at("decimal_mark"),
            "a comma both between the columns and in the numbers",
            "use another delimiter, such as \";\"",
        );
    }
    let clock = choice(
        &at("clock"),
        "clock form",
        &typed.clock,
        &[
            ("date-time", ClockForm::DateTime),
            ("day-first", ClockForm::DayFirst),
            ("month-first", ClockForm::MonthFirst),
            ("two-columns", ClockForm::TwoColumns),
            ("time-of-day", ClockForm::TimeOfDay),
            ("seconds", ClockForm::Seconds),
            ("epoch-seconds", ClockForm::EpochSeconds),
            ("none", ClockForm::Absent),
        ],
    )?;
    let encoding = choice(
        &at("encoding"),
        "encoding",
        &typed.encoding,
        &[
            ("utf-8", Encoding::Utf8),
            ("utf-8-bom", Encoding::Utf8WithMark),
            ("utf-16", Encoding::Utf16),
            ("windows-1252", Encoding::Windows1252),
        ],
    )?;
    let line_ending = choice(
        &at("line_ending"),
        "line ending",
        &typed.line_ending,
        &[("lf", "\n"), ("crlf", "\r\n")],
    )?;
    let finest = meter.ranges.iter().map(|range| range.resolution_a).min_by(f64::total_cmp);
    let resolution_a = finest.or(meter.resolution_a);
    let time_decimals = match typed.time_decimals {
        Some(decimals) if decimals > 9 => {
            return fault(&at("time_decimals"), format!("{decimals} decimals"), "give 9 or fewer");
        }
        Some(decimals) => usize::from(decimals),
        None if jitters => decimals_of(meter.interval_s).max(3),
        None => decimals_of(meter.interval_s),
    };
    Ok(Export {
        preamble: typed.preamble.clone(),
        time_header: typed.time_header.clone(),
        current_header: typed.current_header.clone(),
        row_number_header: typed.row_number_header.clone(),
        current_decimals: resolution_a.map_or(9, |q| decimals_of(q / unit.amperes())),
        overload_text: typed.overload_text.clone(),
        reversed: typed.reversed,
        unit,
        delimiter,
        decimal_mark,
        clock,
        time_decimals,
        encoding,
        line_ending,
    })
}

/// Fewest decimals, up to 9, that write a step without loss.
fn decimals_of(step: f64) -> usize {
    (0..9)
        .find(|d| {
            let scaled = step * 10f64.powi(*d);
            scaled.round() >= 1.0 && (scaled - scaled.round()).abs() < 1e-6 * scaled
        })
        .unwrap_or(9) as usize
}
