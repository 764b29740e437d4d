//! Which column is the clock, and how it counts.

use jiff::civil::{Date, DateTime, Time};

use super::cell::{Mark, number_prefix};
use super::choose::{is_counter, named_column};
use super::columns::{Column, shown};
use super::options::ReadOptions;
use super::read::Told;
use super::stamp::{DateKind, RawDate, Stamp, stamp};
use super::table::Table;
use super::units::{Unit, unit_of};
use crate::fault::InputFault;
use crate::findings::{Caution, Decision};

/// How a row tells its time.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Clock {
    /// One row every so many seconds.
    Rows { interval_s: f64 },
    /// A number less `origin`, times `scale_s`.
    Number { column: usize, mark: Mark, scale_s: f64, origin: i64 },
    /// A date and a time of day, in one cell or two, or a time of day alone.
    Stamp { date: Option<usize>, time: Option<usize>, two_part_scale: f64 },
    /// As `--clock-format` says.
    Pattern { columns: Vec<usize>, format: String },
}

impl Clock {
    pub(super) fn columns(&self) -> Vec<usize> {
        match self {
            Self::Rows { .. } => Vec::new(),
            Self::Number { column, .. } => vec![*column],
            Self::Stamp { date, time, .. } => date.iter().chain(time.iter()).copied().collect(),
            Self::Pattern { columns, .. } => columns.clone(),
        }
    }
}

/// The clock with what its form says of the start.
#[derive(Debug, Clone)]
pub(super) struct Found {
    pub(super) clock: Clock,
    /// Date and time at the clock's origin, where its numbers tell it.
    pub(super) origin: Option<DateTime>,
    /// The numbers count from an origin in UTC.
    pub(super) utc: bool,
    /// Spans since a start, not times of day.
    pub(super) span: bool,
    /// The numbers are a counter of this many steps before it starts again from 0, seconds.
    pub(super) wraps_s: Option<f64>,
}

const TIME_WORDS: &[&str] = &[
    "time",
    "timestamp",
    "times",
    "t",
    "zeit",
    "zeitstempel",
    "tiempo",
    "temps",
    "hora",
    "heure",
    "uhrzeit",
    "tempo",
    "ora",
    "tijd",
    "tid",
    "elapsed",
    "seconds",
    "second",
    "sec",
    "secs",
    "millis",
    "ms",
    "clock",
    "uptime",
    "epoch",
    "unix",
    "unixtime",
    "datetime",
    "date",
    "datum",
    "fecha",
    "dauer",
    "duration",
    "ticks",
    "x",
    "czas",
    "čas",
    "aika",
    "runtime",
    "minutes",
    "min",
    "hours",
    "msec",
    "us",
    "micros",
    "ts",
    "laufzeit",
    "horodatage",
];
const INDEX_WORDS: &[&str] = &[
    "index", "no", "nr", "n", "number", "sample", "record", "count", "id", "row", "point", "num",
    "#", "line", "samples", "item", "entry", "seq",
];

/// Columns that could be a clock, so that they are not taken for readings.
pub(super) fn candidates(table: &Table, columns: &[Column]) -> Vec<usize> {
    let mut found: Vec<usize> = columns.iter().filter(|c| is_stamp(c)).map(|c| c.place).collect();
    found.extend(
        columns.iter().filter(|c| numeric_rank(table, c, columns).is_some()).map(|c| c.place),
    );
    found.sort_unstable();
    found.dedup();
    found
}

fn is_stamp(column: &Column) -> bool {
    column.times > 0 && column.times >= 4 * (column.texts + column.numbers)
}

/// How likely a column of numbers is the clock; lower is likelier.
fn numeric_rank(table: &Table, column: &Column, columns: &[Column]) -> Option<u8> {
    if !column.numeric() || column.numbers == 0 {
        return None;
    }
    let words = column.words();
    let timed = words.iter().any(|w| TIME_WORDS.contains(&w.as_str()));
    let current_or_other = matches!(
        column.unit,
        Some((Unit::Current { .. } | Unit::Voltage { .. } | Unit::Power { .. } | Unit::Other, _))
    );
    if current_or_other || !column.cell_units.is_empty() || column.other_cell_unit {
        return None;
    }
    let moving = column.rises || column.numbers == 1 || !column.rising;
    match column.unit {
        Some((Unit::Time { .. }, _)) if moving && mostly_rising(table, column) => return Some(0),
        Some((Unit::Time { .. }, _)) => return None,
        _ => {}
    }
    if timed && mostly_rising(table, column) {
        return Some(1);
    }
    let epoch = epoch_scale(column).is_some() && mostly_rising(table, column);
    if epoch {
        return Some(2);
    }
    let index =
        words.iter().any(|w| INDEX_WORDS.contains(&w.as_str())) || column.name.trim() == "#";
    if index {
        return None;
    }
    // The leftmost column that only ever rises, without a name of its own.
    let first = columns.iter().find(|c| c.numeric())?;
    (column.name.is_empty()
        && column.place == first.place
        && columns.len() > 1
        && column.rising
        && column.rises
        && column.numbers > 2)
        .then_some(3)
}

fn mostly_rising(table: &Table, column: &Column) -> bool {
    if column.rising || column.falling {
        return true;
    }
    let values: Vec<f64> =
        table.sample.iter().filter_map(|row| super::columns::value_at(row, column)).collect();
    let up = values.windows(2).filter(|w| w[1] >= w[0]).count();
    up * 10 >= (values.len().saturating_sub(1)) * 9
}

/// Seconds in one step of an epoch clock, by its size: 2001 to 2100.
fn epoch_scale(column: &Column) -> Option<(f64, &'static str)> {
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
    let values: Vec<f64> =
        table.sample.iter().filter_map(|row| super::columns::value_at(row, column)).collect();
    let mut steps: Vec<f64> =
        values.windows(2).map(|w| (w[1] - w[0]).abs()).filter(|s| *s > 0.0).collect();
    steps.sort_by(f64::total_cmp);
    steps.get(steps.len() / 2).copied()
}

/// Chooses the clock for the current in column `current`, columns in `set_aside` being no choice.
///
/// # Errors
/// When the file has no clock and no interval, or the options name none.
pub(super) fn choose(
    file: &str,
    table: &Table,
    columns: &[Column],
    current: usize,
    set_aside: &[usize],
    options: &ReadOptions,
    told: &mut Told,
) -> Result<Found, InputFault> {
    let Told { decisions, cautions, .. } = told;
    let rows = |interval_s| Found {
        clock: Clock::Rows { interval_s },
        origin: None,
        utc: false,
        span: false,
        wraps_s: None,
    };
    if let Some(interval_s) = options.interval_s {
        decide(
            decisions,
            "clock",
            format!("one row every {interval_s} s"),
            "given by --interval".to_owned(),
            Some(format!("--interval {interval_s}")),
        );
        return Ok(rows(interval_s));
    }
    let chosen = match &options.time_column {
        Some(choice) => Some(named_column(file, choice, columns, "--time-column")?),
        None => pick(table, columns, current, set_aside),
    };
    if let Some(format) = options.clock_format.as_deref().filter(|f| f.contains('%')) {
        return pattern(file, table, columns, chosen, format, decisions);
    }
    let Some(place) = chosen else {
        return match interval_in_text(table) {
            Some((interval_s, assumed, line)) => {
                decide(
                    decisions,
                    "clock",
                    format!("one row every {interval_s} s"),
                    format!(
                        "no column is a clock, and the interval is given: \"{}\"",
                        shown(line.trim())
                    ),
                    Some(format!("--interval {interval_s}")),
                );
                if assumed {
                    cautions.push(Caution::new(
                        "interval-unit-assumed",
                        format!("the interval in \"{}\" has no unit; seconds were assumed: overrule with --interval", shown(line.trim())),
                    ));
                }
                Ok(rows(interval_s))
            }
            None => Err(InputFault::of_file(
                file,
                "no column is a clock, and no line gives the sampling interval",
                "give the seconds between rows with --interval, or name the clock with --time-column",
            )),
        };
    };
    let column = &columns[place];
    if column.times > column.numbers {
        Ok(stamps(table, columns, place, current, options, decisions, cautions))
    } else if column.numeric() {
        numbers(file, table, columns, column, options, decisions, cautions)
    } else {
        Err(InputFault::of_file(
            file,
            format!("the column `{}` cannot be read as a clock", column.title()),
            "name another with --time-column, give its form with --clock-format, or the interval with --interval",
        ))
    }
}

fn decide(
    decisions: &mut Vec<Decision>,
    what: &str,
    chosen: String,
    why: String,
    option: Option<String>,
) {
    decisions.push(Decision { what: what.to_owned(), chosen, why, option });
}

/// The clock column: stamps with a date, then numbers with a time's unit or name, then times of day;
/// of several alike the nearest on the left of the current.
fn pick(table: &Table, columns: &[Column], current: usize, set_aside: &[usize]) -> Option<usize> {
    let rank = |c: &Column| -> Option<u8> {
        if c.place == current || set_aside.contains(&c.place) {
            return None;
        }
        if is_stamp(c) {
            let sample = stamps_of(table, c.place);
            let dated = sample.iter().filter(|s| s.date.is_some()).count() * 2 > sample.len();
            let timed = sample.iter().filter(|s| s.second.is_some()).count() * 2 > sample.len();
            return Some(match (dated, timed) {
                // Stamps that stand still from row to row give way to a counter that does not.
                (true, true) if stands_still(table, c) => 18,
                (true, true) => 0,
                (false, true) => 20,
                _ => 30,
            });
        }
        // A bare row number is the last resort.
        numeric_rank(table, c, columns).map(|r| if r == 3 && is_counter(c) { 40 } else { 10 + r })
    };
    let distance =
        |c: &Column| if c.place < current { current - c.place } else { 1000 + c.place - current };
    let mut ranked: Vec<(u8, usize, usize)> =
        columns.iter().filter_map(|c| rank(c).map(|r| (r, distance(c), c.place))).collect();
    ranked.sort_unstable();
    // A time of day beside a column of dates makes a full stamp.
    let dates = ranked.iter().any(|(r, ..)| *r == 30);
    if dates
        && let Some(time) = ranked.iter().find(|(r, ..)| *r == 20)
        && !ranked.iter().any(|(r, ..)| *r == 0)
    {
        return Some(time.2);
    }
    ranked.first().map(|(.., place)| *place)
}

/// A third of the cells repeat the cell before.
fn stands_still(table: &Table, column: &Column) -> bool {
    let cells: Vec<&Vec<u8>> =
        table.sample.iter().filter_map(|row| row.get(column.place)).collect();
    let repeats = cells.windows(2).filter(|w| w[0] == w[1]).count();
    repeats * 3 > cells.len()
}

fn stamps_of(table: &Table, place: usize) -> Vec<Stamp> {
    table
        .sample
        .iter()
        .take(300)
        .filter_map(|row| row.get(place))
        .filter_map(|cell| stamp(cell))
        .collect()
}

fn stamps(
    table: &Table,
    columns: &[Column],
    place: usize,
    current: usize,
    _options: &ReadOptions,
    decisions: &mut Vec<Decision>,
    cautions: &mut Vec<Caution>,
) -> Found {
    let sample = stamps_of(table, place);
    let column = &columns[place];
    let most =
        |test: fn(&Stamp) -> bool| sample.iter().filter(|s| test(s)).count() * 2 > sample.len();
    let dated = most(|s| s.date.is_some());
    let timed = most(|s| s.second.is_some());
    let partner = |want_date: bool| {
        columns
            .iter()
            .filter(|c| c.place != place && c.place != current && is_stamp(c))
            .filter(|c| {
                let stamps = stamps_of(table, c.place);
                let hits = stamps
                    .iter()
                    .filter(|s| {
                        if want_date {
                            s.date.is_some() && s.second.is_none()
                        } else {
                            s.date.is_none() && s.second.is_some() && !s.span
                        }
                    })
                    .count();
                hits * 2 > stamps.len()
            })
            .min_by_key(|c| c.place.abs_diff(place))
            .map(|c| c.place)
    };
    let (date, time) = match (dated, timed) {
        (true, true) => (Some(place), Some(place)),
        (true, false) => (Some(place), partner(false)),
        _ => (partner(true), Some(place)),
    };
    let span = sample.iter().any(|s| s.span)
        || date.is_none()
            && sample.first().is_some_and(|s| s.second.is_some_and(|t| t < 1.0) && !s.half_day);
    let mut two_part_scale = 1.0;
    if date.is_none() && most(|s| s.two_parts) {
        two_part_scale = two_parts(table, column, &sample, cautions);
    }
    let example = |at: Option<usize>| {
        at.and_then(|at| table.sample.first()?.get(at))
            .map(|c| shown(&String::from_utf8_lossy(c)))
            .unwrap_or_default()
    };
    let (chosen, why) = match (date, time) {
        (Some(d), Some(t)) if d == t => {
            ("date and time".to_owned(), format!("cells such as \"{}\"", example(Some(d))))
        }
        (Some(d), Some(t)) => (
            format!("date in `{}`, time in `{}`", columns[d].title(), columns[t].title()),
            format!("cells such as \"{}\" and \"{}\"", example(Some(d)), example(Some(t))),
        ),
        (Some(d), None) => ("dates".to_owned(), format!("cells such as \"{}\"", example(Some(d)))),
        (None, t) if span => (
            "time since the start, hours:minutes:seconds".to_owned(),
            format!("cells such as \"{}\"", example(t)),
        ),
        (None, t) => {
            ("time of day without a date".to_owned(), format!("cells such as \"{}\"", example(t)))
        }
    };
    decide(
        decisions,
        "time column",
        column.title(),
        "its cells are dates or times".to_owned(),
        Some(format!("--time-column {}", column.handle(columns))),
    );
    decide(decisions, "clock", chosen, why, None);
    if (date.is_some() || !span)
        && let Some((Unit::Time { .. }, _)) = column.unit
    {
        let why =
            format!("`{}` speaks of a unit, its cells are dates or times of day", column.title());
        decide(decisions, "clock header", "set aside".to_owned(), why, None);
    }
    Found {
        clock: Clock::Stamp { date, time, two_part_scale },
        origin: None,
        utc: false,
        span,
        wraps_s: None,
    }
}

/// `12:34`: hours and minutes (1) or minutes and seconds (1/60).
fn two_parts(table: &Table, column: &Column, sample: &[Stamp], cautions: &mut Vec<Caution>) -> f64 {
    if sample.iter().any(|s| s.date.is_some() || s.half_day) {
        return 1.0;
    }
    let header = column.name.to_lowercase();
    if header.contains("mm:ss") || header.contains("m:s") {
        return 1.0 / 60.0;
    }
    if header.contains("hh:mm")
        || header.contains("h:m")
        || header.contains("uhrzeit")
        || header.contains("clock")
    {
        return 1.0;
    }
    let days = table
        .sample
        .iter()
        .take(20)
        .any(|row| row.get(column.place).is_some_and(|c| c.contains(&b'd')));
    if days {
        return 1.0;
    }
    // Hours of a day end at 23.
    let largest = sample.iter().filter_map(|s| s.second).fold(0.0, f64::max) / 3600.0;
    if largest >= 24.0 {
        return 1.0 / 60.0;
    }
    cautions.push(Caution::new(
        "clock-two-parts",
        format!(
            "the times in `{}` have two parts; hours and minutes were assumed: overrule with --clock-format %M:%S",
            column.title()
        ),
    ));
    1.0
}

fn numbers(
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
    if column.integers && step >= 50.0 {
        return (
            1e-3,
            "ms",
            "whole numbers with a step of that size count milliseconds".to_owned(),
        );
    }
    (1.0, "s", "it is the unit of time".to_owned())
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

/// The sampling interval given before the table or in a header cell: seconds, whether the unit was assumed, and the line.
pub(super) fn interval_in_text(table: &Table) -> Option<(f64, bool, String)> {
    let headers = table.header.iter().flatten();
    table
        .preamble
        .iter()
        .chain(headers)
        .find_map(|line| interval_of(line).map(|(s, assumed)| (s, assumed, line.clone())))
}

fn interval_of(line: &str) -> Option<(f64, bool)> {
    let lower = line.to_lowercase();
    let keys: [(&str, bool); 20] = [
        ("sampling interval", false),
        ("sample interval", false),
        ("logging interval", false),
        ("log interval", false),
        ("interval", false),
        ("intervall", false),
        ("intervalle", false),
        ("intervalo", false),
        ("sample period", false),
        ("sampling period", false),
        ("period", false),
        ("increment", false),
        ("delta t", false),
        ("dt", false),
        ("sampling rate", true),
        ("sample rate", true),
        ("rate", true),
        ("frequency", true),
        ("samples/s", true),
        ("fs", true),
    ];
    let (at, key, rate) = keys.iter().find_map(|(key, rate)| {
        let at = lower.find(key)?;
        let before = lower[..at].chars().next_back().is_none_or(|c| !c.is_alphanumeric());
        let after = lower[at + key.len()..]
            .chars()
            .next()
            .is_none_or(|c| !c.is_alphabetic() || key.len() > 3);
        (before && after).then_some((at, *key, *rate))
    })?;
    let tail = line.get(at + key.len()..)?;
    let digit = tail.find(|c: char| c.is_ascii_digit())?;
    if digit > 40 {
        return None;
    }
    let label = &tail[..digit];
    let value_text = &tail[digit..];
    let word: &str = value_text.split([';', '\t', '"', '|']).next().unwrap_or_default().trim();
    if let Some(span) = stamp(word.split_whitespace().next()?.as_bytes()).and_then(|s| s.second)
        && word.contains(':')
    {
        return (span > 0.0).then_some((span, false));
    }
    let bytes = word.as_bytes();
    let comma_decimal = word
        .split_once(',')
        .is_some_and(|(_, after)| after.starts_with(|c: char| c.is_ascii_digit()));
    let (value, rest) = if comma_decimal {
        number_prefix(bytes, Mark::Comma)
    } else {
        number_prefix(bytes, Mark::Point)
    }?;
    let rest = String::from_utf8_lossy(rest).trim().trim_start_matches(',').trim().to_owned();
    let unit_word = rest.split([' ', ',', ')', ']']).next().unwrap_or_default().to_owned();
    let in_label =
        label.split(['(', '[', ')', ']', ' ', ':', '_', ',', ';', '\t']).find_map(unit_of);
    let hertz = |word: &str| match word.to_lowercase().as_str() {
        "hz" | "sps" | "s/s" | "samples/s" | "sa/s" => Some(1.0),
        "khz" | "ksps" | "ks/s" | "ksa/s" => Some(1e3),
        "mhz" | "msps" | "ms/s" | "msa/s" => Some(1e6),
        _ => None,
    };
    let label_hertz =
        label.split(['(', '[', ')', ']', ' ', ':', '_', ',', ';', '\t']).find_map(hertz);
    if let Some(factor) = hertz(&unit_word).or(label_hertz) {
        let hz = value * factor;
        return (hz > 0.0).then_some((1.0 / hz, false));
    }
    let unit = unit_of(&unit_word).or(in_label);
    let seconds = match unit {
        Some(Unit::Time { seconds }) => value * seconds,
        Some(_) => return None,
        None if rate => return (value > 0.0).then_some((1.0 / value, false)),
        None => return (value > 0.0).then_some((value, true)),
    };
    (seconds > 0.0 && seconds.is_finite())
        .then_some((if rate { 1.0 / seconds } else { seconds }, false))
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

fn pattern(
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

pub(super) fn second_of(time: Time) -> f64 {
    f64::from(time.hour()) * 3600.0
        + f64::from(time.minute()) * 60.0
        + f64::from(time.second())
        + f64::from(time.subsec_nanosecond()) * 1e-9
}
