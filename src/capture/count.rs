//! Clocks that count: elapsed units, epochs, a spreadsheet's days.

use jiff::civil::{Date, DateTime};

use super::clock::{Clock, Found, decide};
use super::columns::{Column, shown, value_at};
use super::interval::interval_in_text;
use super::options::ReadOptions;
use super::table::Table;
use super::units::{Unit, unit_of};
use crate::fault::InputFault;
use crate::findings::{Caution, Decision};

/// Seconds in one step of an epoch clock, by its size: 2001 to 2100.
pub(super) fn epoch_scale(column: &Column) -> Option<(f64, &'static str)> {
    if column.low < 9.7e8 {
        return None;
    }
    let span = |scale: f64| column.low * scale >= 9.7e8 && column.high * scale <= 4.2e9;
    [(1.0, "epoch-s"), (1e-3, "epoch-ms"), (1e-6, "epoch-us"), (1e-9, "epoch-ns")]
        .into_iter()
        .find(|(scale, _)| span(*scale))
}

/// Days since 1899-12-30 as spreadsheets count them, 2000 to 2100, with fractions.
fn is_serial(column: &Column, step: Option<f64>) -> bool {
    column.low >= 36_526.0
        && column.high <= 73_051.0
        && !column.integers
        && step.is_some_and(|s| s > 0.0 && s < 0.5)
}

fn median_step(table: &Table, column: &Column) -> Option<f64> {
    let values: Vec<f64> = table.sample.iter().filter_map(|row| value_at(row, column)).collect();
    let mut steps: Vec<f64> =
        values.windows(2).map(|w| (w[1] - w[0]).abs()).filter(|s| *s > 0.0).collect();
    steps.sort_by(f64::total_cmp);
    steps.get(steps.len() / 2).copied()
}

pub(super) fn numbers(
    file: &str,
    table: &Table,
    columns: &[Column],
    column: &Column,
    options: &ReadOptions,
    decisions: &mut Vec<Decision>,
    cautions: &mut Vec<Caution>,
) -> Result<Found, InputFault> {
    let step = median_step(table, column);
    let handle = Some(format!("--time-column {}", column.handle(columns)));
    let reason = match column.unit {
        Some((Unit::Time { .. }, _)) => "its header gives a unit of time",
        _ if options.time_column.is_some() => "asked for by --time-column",
        _ if column.name.is_empty() => "the leftmost column, whose numbers only rise",
        _ => "its header or its numbers are a time's",
    };
    decide(decisions, "time column", column.title(), reason.to_owned(), handle);
    let (scale_s, kind, why, doubt) = number_form(file, table, column, step, options)?;
    if let Some(text) = doubt {
        cautions.push(Caution::new("clock-unit-assumed", text));
    }
    decide(
        decisions,
        "clock",
        form_name(&kind).to_owned(),
        why,
        Some(format!("--clock-format {kind}")),
    );
    let first = column.first.unwrap_or(0.0);
    let large = first.abs() >= 1e8;
    let origin = if kind.starts_with("epoch") || kind == "serial" || large {
        first.trunc() as i64
    } else {
        0
    };
    let (start, utc) = match kind.as_str() {
        "serial" => (serial_start(origin), false),
        k if k.starts_with("epoch") => (epoch_start(origin, scale_s), true),
        _ => (None, false),
    };
    let wraps_s = column.integers.then_some(4_294_967_296.0 * scale_s);
    Ok(Found {
        clock: Clock::Number { column: column.place, mark: column.mark, scale_s, origin },
        origin: start,
        utc,
        span: true,
        wraps_s,
    })
}

fn form_name(kind: &str) -> &str {
    match kind {
        "s" => "elapsed seconds",
        "ms" => "elapsed milliseconds",
        "us" => "elapsed microseconds",
        "ns" => "elapsed nanoseconds",
        "min" => "elapsed minutes",
        "h" => "elapsed hours",
        "d" => "elapsed days",
        "epoch-s" => "seconds since 1970-01-01 UTC",
        "epoch-ms" => "milliseconds since 1970-01-01 UTC",
        "epoch-us" => "microseconds since 1970-01-01 UTC",
        "epoch-ns" => "nanoseconds since 1970-01-01 UTC",
        "serial" => "spreadsheet days since 1899-12-30",
        other => other,
    }
}

/// Scale, short name, reason, and doubt of a clock of numbers.
type NumberForm = (f64, String, String, Option<String>);

fn number_form(
    file: &str,
    table: &Table,
    column: &Column,
    step: Option<f64>,
    options: &ReadOptions,
) -> Result<NumberForm, InputFault> {
    let plain =
        |scale: f64, kind: &str, why: &str| Ok((scale, kind.to_owned(), why.to_owned(), None));
    if let Some(form) = options.clock_format.as_deref() {
        let scale = match form.trim().to_ascii_lowercase().as_str() {
            "s" | "epoch-s" => 1.0,
            "ms" | "epoch-ms" => 1e-3,
            "us" | "µs" | "epoch-us" => 1e-6,
            "ns" | "epoch-ns" => 1e-9,
            "min" => 60.0,
            "h" => 3600.0,
            "d" | "serial" => 86_400.0,
            other => {
                return Err(InputFault::of_file(
                    file,
                    format!(
                        "--clock-format \"{}\" is no form for a clock of numbers",
                        shown(other)
                    ),
                    "give one of s, ms, us, ns, min, h, d, epoch-s, epoch-ms, epoch-us, epoch-ns, serial, or a strptime pattern such as %d.%m.%Y %H:%M:%S",
                ));
            }
        };
        return plain(scale, &form.trim().to_ascii_lowercase(), "given by --clock-format");
    }
    if let Some((scale, kind)) = epoch_scale(column)
        && !matches!(column.unit, Some((Unit::Time { seconds }, _)) if (seconds - scale).abs() > scale * 0.5 && kind == "epoch-s")
    {
        return plain(scale, kind, "numbers of that size count from 1970");
    }
    if is_serial(column, step) {
        return plain(
            86_400.0,
            "serial",
            "numbers near 45000 with small fractions are a spreadsheet's days",
        );
    }
    if let Some((Unit::Time { seconds }, _)) = column.unit {
        return plain(seconds, kind_of(seconds), "the header gives the unit");
    }
    for word in column.words() {
        if let Some(Unit::Time { seconds }) = unit_of(&word).filter(|_| word.len() > 1) {
            return plain(seconds, kind_of(seconds), "the header gives the unit");
        }
    }
    if let Some((seconds, line)) = time_unit_in_preamble(table) {
        return plain(
            seconds,
            kind_of(seconds),
            &format!("a line before the table says so: \"{}\"", shown(line.trim())),
        );
    }
    let (scale, kind, why) = guess_scale(table, column, step);
    let doubt = format!(
        "the clock `{}` ({}) has no unit; {} were assumed because {why}: overrule with --clock-format s, ms, us, min or h",
        column.title(),
        column.range(),
        form_name(kind).trim_start_matches("elapsed "),
    );
    Ok((scale, kind.to_owned(), format!("assumed: {why}"), Some(doubt)))
}

fn kind_of(seconds: f64) -> &'static str {
    match seconds {
        1e-3 => "ms",
        1e-6 => "us",
        1e-9 => "ns",
        60.0 => "min",
        3600.0 => "h",
        86_400.0 => "d",
        _ => "s",
    }
}

/// An unlabelled counter: by a sampling interval told elsewhere, then by the size and fraction of its step.
fn guess_scale(table: &Table, column: &Column, step: Option<f64>) -> (f64, &'static str, String) {
    let Some(step) = step else { return (1.0, "s", "it is the unit of time".to_owned()) };
    if let Some((interval_s, _, _)) = interval_in_text(table) {
        let ratio = interval_s / step;
        for (scale, kind) in [(1.0, "s"), (1e-3, "ms"), (1e-6, "us"), (60.0, "min"), (3600.0, "h")]
        {
            if (ratio / scale - 1.0).abs() < 0.05 {
                return (
                    scale,
                    kind,
                    format!("the interval of {interval_s} s given before the table agrees"),
                );
            }
        }
    }
    // 0.88541667: a spreadsheet's time of day as a number.
    let seconds = step * 86_400.0;
    let whole = (0.99..61.0).contains(&seconds) && (seconds - seconds.round()).abs() < 0.02;
    if !column.integers && column.low > 0.01 && column.high < 1.0 && whole {
        return (
            86_400.0,
            "d",
            "fractions of one with steps of whole seconds are a spreadsheet's time of day"
                .to_owned(),
        );
    }
    let near = |value: f64, goal: f64| (value / goal - 1.0).abs() < 0.02;
    if !column.integers
        && [1.0, 2.0, 5.0, 10.0, 15.0, 30.0].iter().any(|n| near(step, n / 60.0))
        && !is_round(step)
    {
        return (60.0, "min", "its step is a whole number of seconds in minutes".to_owned());
    }
    if !column.integers
        && [1.0, 2.0, 5.0, 10.0, 15.0, 30.0].iter().any(|n| near(step, n / 3600.0))
        && !is_round(step)
    {
        return (3600.0, "h", "its step is a whole number of seconds in hours".to_owned());
    }
    if column.integers && step >= 1e3 && !is_usual(step * 1e-3) && is_usual(step * 1e-6) {
        return (
            1e-6,
            "us",
            format!("rows every {} s are usual and every {} s are not", step * 1e-6, step * 1e-3),
        );
    }
    if column.integers && step >= 50.0 {
        return (
            1e-3,
            "ms",
            "whole numbers with a step of that size count milliseconds".to_owned(),
        );
    }
    (1.0, "s", "it is the unit of time".to_owned())
}

/// Intervals and rates that loggers are set to (common practice), to within a clock's jitter.
fn is_usual(interval_s: f64) -> bool {
    let is_one_of = |value: f64, list: &[f64]| list.iter().any(|n| (value / n - 1.0).abs() < 0.005);
    if interval_s < 1.0 {
        let rates = [
            2.0, 4.0, 5.0, 8.0, 10.0, 16.0, 20.0, 25.0, 30.0, 32.0, 40.0, 50.0, 60.0, 64.0, 80.0,
            100.0, 120.0, 125.0, 128.0, 160.0, 200.0, 250.0, 256.0, 400.0, 500.0, 512.0, 800.0,
            1000.0,
        ];
        return is_one_of(1.0 / interval_s, &rates);
    }
    let counts = [1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0, 30.0];
    [1.0, 60.0, 3600.0].iter().any(|unit| is_one_of(interval_s / unit, &counts))
}

/// A step of few decimal digits, such as 0.05.
fn is_round(step: f64) -> bool {
    (1..=3).any(|digits| {
        let scaled = step * 10_f64.powi(digits);
        (scaled - scaled.round()).abs() < 1e-6 * scaled.abs()
    })
}

fn time_unit_in_preamble(table: &Table) -> Option<(f64, &str)> {
    table.preamble.iter().find_map(|line| {
        let (key, value) = line.split_once([':', '=', ';', ',', '\t'])?;
        let lower = key.to_lowercase();
        if !(lower.contains("time")
            || lower.contains("zeit")
            || lower.contains("temps")
            || lower.contains("x "))
            || !(lower.contains("unit") || lower.contains("einheit") || lower.contains("unité"))
        {
            return None;
        }
        match value.split([',', ';', '\t', ' ', '"']).find_map(unit_of) {
            Some(Unit::Time { seconds }) => Some((seconds, line.as_str())),
            _ => None,
        }
    })
}

fn serial_start(days: i64) -> Option<DateTime> {
    let base = Date::constant(1899, 12, 30);
    base.checked_add(jiff::Span::new().try_days(days).ok()?).ok().map(|d| d.at(0, 0, 0, 0))
}

fn epoch_start(origin: i64, scale_s: f64) -> Option<DateTime> {
    let nanos = i128::from(origin) * ((scale_s * 1e9).round() as i128);
    let stamp = jiff::Timestamp::from_nanosecond(nanos).ok()?;
    Some(jiff::tz::Offset::UTC.to_datetime(stamp))
}
