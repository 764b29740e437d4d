//! Which column is the clock, and how it counts.

mod digits;
mod parts;

use jiff::civil::{DateTime, Time};

use self::digits::{in_bare_digits, in_named_parts};
pub(super) use self::parts::PartsAre;
use self::parts::{four_parts, pointed, two_parts};
use super::cell::Mark;
use super::choose::{is_counter, is_sparse, named_column};
use super::columns::{Column, shown};
use super::count::{epoch_scale, numbers};
use super::interval::interval_in_text;
use super::options::ReadOptions;
use super::pattern::pattern;
use super::read::Told;
use super::stamp::{Stamp, stamp};
use super::table::Table;
use super::units::Unit;
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
    Stamp { date: Option<usize>, time: Option<usize>, parts: PartsAre },
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

/// Words that name a time.
pub(super) const TIME_WORDS: &[&str] = &[
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
    "when",
    "after",
    "stamp",
    "klo",
    "klockslag",
    "klokkeslæt",
    "時間",
    "時刻",
    "日時",
    "时间",
    "시간",
];
/// Words that name a time since a start.
const SPAN_WORDS: &[&str] = &[
    "elapsed",
    "duration",
    "dauer",
    "laufzeit",
    "runtime",
    "uptime",
    "after",
    "durée",
    "duración",
];
const INDEX_WORDS: &[&str] = &[
    "index", "no", "nr", "n", "number", "sample", "record", "count", "id", "row", "point", "num",
    "#", "line", "samples", "item", "entry", "seq",
];

/// Words that name ticks, or numbers of rows.
const COUNTER_WORDS: &[&str] =
    &["counter", "cnt", "zähler", "zaehler", "compteur", "contador", "contatore", "teller"];

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
    let first = columns.iter().find(|c| c.numeric() && !is_sparse(table, c))?;
    // Pulses of a meter do not come in even steps, and rows do not come by hundreds.
    if column.place == first.place
        && words.iter().any(|w| COUNTER_WORDS.contains(&w.as_str()))
        && column.even_steps
        && column.integers
        && (column.high - column.low) >= 100.0 * (column.numbers as f64 - 1.0)
    {
        return Some(4);
    }
    // The leftmost column that only ever rises, without a name of its own.
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
    if options.time_column.is_none()
        && let Some(found) = in_named_parts(table, columns, current, set_aside, decisions, cautions)
            .or_else(|| in_bare_digits(table, columns, set_aside, decisions, cautions))
    {
        return Ok(found);
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
        Ok(stamps(table, columns, place, current, decisions, cautions))
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

pub(super) fn decide(
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
    // Among clocks alike one that starts again, such as a step's, comes after one that does not; so does an
    // interval's end after its start.
    let again = |c: &Column| {
        c.numbers > c.times && !c.rising && !c.falling
            || c.words().iter().any(|w| {
                matches!(
                    w.as_str(),
                    "step"
                        | "lap"
                        | "segment"
                        | "cycle"
                        | "end"
                        | "stop"
                        | "until"
                        | "ende"
                        | "bis"
                        | "fin"
                        | "slut"
                        | "einde"
                )
            })
    };
    let mut ranked: Vec<(u8, bool, usize, usize)> = columns
        .iter()
        .filter_map(|c| rank(c).map(|r| (r, again(c), distance(c), c.place)))
        .collect();
    ranked.sort_unstable();
    // A time of day beside a column of dates makes a full stamp.
    let dates = ranked.iter().any(|(r, ..)| *r == 30);
    if dates
        && let Some(time) = ranked.iter().find(|(r, ..)| *r == 20)
        && !ranked.iter().any(|(r, ..)| *r == 0)
    {
        return Some(time.3);
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
    let mut found: Vec<Stamp> = table
        .sample
        .iter()
        .take(300)
        .filter_map(|row| row.get(place))
        .filter_map(|cell| stamp(cell))
        .collect();
    if pointed(&found) {
        for stamp in &mut found {
            (stamp.date, stamp.second) = (None, stamp.pointed_s);
        }
    }
    found
}

fn stamps(
    table: &Table,
    columns: &[Column],
    place: usize,
    current: usize,
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
    let mut parts = PartsAre::Usual;
    let pointed = |s: &Stamp| s.date.is_none() && s.pointed_s.is_some();
    if time.is_some_and(|at| stamps_of(table, at).first().is_some_and(pointed)) {
        parts = PartsAre::Points;
    } else if date.is_none() && most(|s| s.two_parts) {
        parts = two_parts(table, column, &sample, decisions, cautions);
    } else if date.is_none() && sample.iter().all(|s| s.four.is_some()) {
        parts = four_parts(column, &sample, cautions);
    }
    let counts = column.words().iter().any(|word| SPAN_WORDS.contains(&word.as_str()));
    let span = matches!(parts, PartsAre::Days | PartsAre::MinutesSeconds)
        || date.is_none() && counts
        || sample.iter().any(|s| s.span)
        || date.is_none()
            && sample.first().is_some_and(|s| s.second.is_some_and(|t| t < 1.0) && !s.half_day);
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
            match parts {
                PartsAre::MinutesSeconds => "time since the start, minutes:seconds",
                _ => "time since the start, hours:minutes:seconds",
            }
            .to_owned(),
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
        clock: Clock::Stamp { date, time, parts },
        origin: None,
        utc: false,
        span,
        // Minutes and seconds start again after an hour.
        wraps_s: (parts == PartsAre::MinutesSeconds).then_some(3600.0),
    }
}

pub(super) fn second_of(time: Time) -> f64 {
    f64::from(time.hour()) * 3600.0
        + f64::from(time.minute()) * 60.0
        + f64::from(time.second())
        + f64::from(time.subsec_nanosecond()) * 1e-9
}
