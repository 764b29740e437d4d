//! From the clock's numbers to seconds that never decrease.
//!
//! The rule for a clock that goes back: a time of day that falls by more than half a day has passed midnight; a
//! date or time of day without an offset that falls by one hour has left summer time; a counter that falls near its wrap has
//! overflowed; a counter or clock of spans that starts again near its first value begins another session; a whole
//! file that runs backwards is turned round. Each is told. Any other fall is a fault at its row.

use jiff::civil::{DateTime, Time};

use super::careful::Raw;
use super::columns::shown;
use super::dates::lay_days;
use super::spread::spread;
use crate::fault::InputFault;
use crate::findings::{Caution, Decision};
use crate::numeric::significant;

pub(super) const DAY: f64 = 86_400.0;

const HOUR: f64 = 3600.0;

/// What is known of the clock before its rows are settled.
#[derive(Debug, Clone, Copy)]
pub(super) struct Form {
    /// The rows carry time of day with dates in runs, or none.
    pub(super) stamped: bool,
    /// Spans or counters: no midnight to pass.
    pub(super) span: bool,
    /// A counter's wrap, seconds.
    pub(super) wraps_s: Option<f64>,
    /// The file writes decimal commas.
    pub(super) comma: bool,
    /// AM or PM stands in the cells.
    pub(super) half_day: bool,
    /// Byte between the numbers of a date.
    pub(super) separator: u8,
    /// Bytes between date and time, and between the numbers of the time.
    pub(super) time_marks: [u8; 2],
    /// Seconds that a counter showed at time 0.
    pub(super) origin_s: f64,
}

/// The settled clock.
#[derive(Debug, Clone, Default)]
pub(super) struct Settled {
    /// Date and time of row 0, when dated.
    pub(super) start: Option<DateTime>,
    /// Time of day of row 0, when that is all there is.
    pub(super) time_of_day: Option<Time>,
    pub(super) offset_min: Option<i32>,
    /// Rows before which another session begins, with the place where the clock started again.
    pub(super) sessions: Vec<usize>,
    /// The clock at row 0, seconds from its own origin or from midnight.
    pub(super) first_s: f64,
    /// Midnight that the rows of a dated clock count from.
    pub(super) midnight: Option<DateTime>,
}

/// Turns `raw.time` into seconds from row 0, not decreasing.
///
/// # Errors
/// At the first row where time goes back for no reason that the rule knows, or when dates cannot be.
pub(super) fn settle(
    file: &str,
    raw: &mut Raw,
    form: &Form,
    decisions: &mut Vec<Decision>,
    cautions: &mut Vec<Caution>,
) -> Result<Settled, InputFault> {
    let mut out = Settled::default();
    if raw.time.is_empty() {
        return Ok(out);
    }
    let dated = form.stamped && raw.runs.iter().any(|r| r.date.is_some());
    if dated {
        lay_days(file, raw, form, decisions, cautions, &mut out)?;
    }
    if runs_backwards(&raw.time) {
        turn_round(raw);
        decisions.push(Decision {
            what: "order of rows".to_owned(),
            chosen: "newest first, turned round".to_owned(),
            why: "the clock falls from row to row through the whole file".to_owned(),
            option: None,
        });
    }
    // Most clocks only rise; the rest is looked at row by row.
    if !raw.time.windows(2).all(|w| w[1] > w[0]) {
        mend_falls(file, raw, form, dated, cautions, &mut out)?;
        spread(&mut raw.time, &out.sessions, cautions);
    }
    out.first_s = raw.time[0];
    out.start = out.midnight.and_then(|midnight| shift(midnight, out.first_s));
    if form.stamped && !dated && !form.span {
        out.time_of_day = time_of(out.first_s);
    }
    // Numbers so large that steps vanish in them, or that are no times at all.
    let odd = (0..raw.time.len())
        .find(|&at| !raw.time[at].is_finite() || (at > 0 && raw.time[at] < raw.time[at - 1]));
    if let Some(at) = odd {
        return Err(goes_back(
            file,
            raw,
            at,
            if at > 0 { raw.time[at - 1] - raw.time[at] } else { 0.0 },
        ));
    }
    from_zero(&mut raw.time);
    Ok(out)
}

/// Counts `time` from its first, which is handed back.
pub(super) fn from_zero(time: &mut [f64]) -> f64 {
    let first = time.first().copied().unwrap_or(0.0);
    if first != 0.0 {
        for t in time {
            *t -= first;
        }
    }
    first
}

pub(super) fn time_of(second: f64) -> Option<Time> {
    let nanos = (second.rem_euclid(DAY) * 1e9).round() as i64;
    let (whole, nano) = (nanos / 1_000_000_000 % 86_400, nanos % 1_000_000_000);
    Time::new((whole / 3600) as i8, (whole / 60 % 60) as i8, (whole % 60) as i8, nano as i32).ok()
}

pub(super) fn shift(start: DateTime, seconds: f64) -> Option<DateTime> {
    let nanos = (seconds * 1e9).round();
    if !nanos.is_finite() || nanos.abs() > 9e18 {
        return None;
    }
    start.checked_add(jiff::Span::new().try_nanoseconds(nanos as i64).ok()?).ok()
}

fn runs_backwards(time: &[f64]) -> bool {
    let n = time.len();
    if n < 3 || time[n - 1] >= time[0] {
        return false;
    }
    let down = time.windows(2).filter(|w| w[1] < w[0]).count();
    let up = time.windows(2).filter(|w| w[1] > w[0]).count();
    down > 0 && up * 100 <= down
}

fn turn_round(raw: &mut Raw) {
    let last = raw.time.len() - 1;
    raw.time.reverse();
    raw.value.reverse();
    raw.odd.reverse();
    for (row, _) in &mut raw.odd {
        *row = last - *row;
    }
    // Places of falls in file order say nothing about the turned rows.
    raw.back.clear();
    raw.breaks.clear();
}

/// Accounts for every row whose time is below the row before.
fn mend_falls(
    file: &str,
    raw: &mut Raw,
    form: &Form,
    dated: bool,
    cautions: &mut Vec<Caution>,
    out: &mut Settled,
) -> Result<(), InputFault> {
    let typical = typical_step(&raw.time);
    let first = raw.time[0];
    let mut shift = 0.0;
    let mut midnights = 0;
    let mut hours = 0;
    let mut hour_from_s = None;
    let mut wraps = 0;
    for at in 1..raw.time.len() {
        let before = raw.time[at - 1];
        let raw_now = raw.time[at];
        let mut now = raw_now + shift;
        if now < before {
            let fall = before - now;
            if form.stamped && !dated && !form.span && fall > DAY / 2.0 {
                while now < before {
                    shift += DAY;
                    now += DAY;
                }
                midnights += 1;
            } else if form.stamped
                && !form.span
                && out.offset_min.is_none()
                && (fall - HOUR).abs() <= (3.0 * typical).clamp(2.0, 600.0)
                && hours < 2
            {
                shift += HOUR;
                now += HOUR;
                hours += 1;
                hour_from_s.get_or_insert(before);
            } else if let Some(wrap) = form.wraps_s.filter(|wrap| {
                !dated
                    && before - shift + form.origin_s > 0.9 * wrap
                    && raw_now + form.origin_s < 0.1 * wrap
            }) {
                shift += wrap;
                now += wrap;
                wraps += 1;
            } else if !dated && form.span && restarts(raw, at, raw_now, first, typical) {
                let next = before + typical * 20.0;
                shift += next - now;
                now = next;
                out.sessions.push(at);
            } else {
                return Err(goes_back(file, raw, at, fall));
            }
        }
        raw.time[at] = now;
    }
    if midnights > 0 {
        tell_midnights(midnights, cautions);
    }
    if let Some(time) = hour_from_s.and_then(time_of) {
        let time = time.strftime("%H:%M:%S");
        cautions.push(Caution::new(
            "clock-hour-back",
            format!(
                "the clock goes back by one hour after {time}, as at the end of summer time; the rows after it were moved on by an hour, and lines of an event list that follow the clock from then on must be as well: add an hour to them"
            ),
        ));
    }
    if wraps > 0 {
        cautions.push(Caution::new("clock-overflow", "the counter of the clock starts again from 0 after its largest number; the rows after it were moved on"));
    }
    if !out.sessions.is_empty() {
        cautions.push(Caution::new(
            "sessions",
            format!(
                "the clock starts again {} within the file: {} sessions were put one after the other, the time between them being unknown",
                if out.sessions.len() == 1 { "once".to_owned() } else { format!("{} times", out.sessions.len()) },
                out.sessions.len() + 1
            ),
        ));
    }
    Ok(())
}

/// Says that a time of day passed midnight.
pub(super) fn tell_midnights(times: usize, cautions: &mut Vec<Caution>) {
    let often = if times == 1 { "once".to_owned() } else { format!("{times} times") };
    cautions.push(Caution::new(
        "clock-midnight",
        format!(
            "the time of day passes midnight {often}; the rows after it were placed on the next day"
        ),
    ));
}

/// The clock begins again where it began: near the first value, or after a header or other text in between.
fn restarts(raw: &Raw, at: usize, now: f64, first: f64, typical: f64) -> bool {
    let near = (now - first).abs() <= typical * 1.5;
    let parted = raw.breaks.binary_search(&at).is_ok();
    near || (parted && now <= first.abs() + typical * 10.0)
}

fn goes_back(file: &str, raw: &Raw, at: usize, fall: f64) -> InputFault {
    let place = raw.back.iter().find(|p| p.row == at);
    let text = place.map(|p| format!(" (\"{}\")", shown(&p.text))).unwrap_or_default();
    let mut fault = InputFault::of_file(
        file,
        format!("time goes back by {} s{text}", significant(fall, 6)),
        "mend or cut the file there, name another clock with --time-column, or give the seconds between rows with --interval",
    );
    if let Some(place) = place {
        fault.place.line = Some(place.line);
        fault.place.column = Some(place.column);
    }
    fault
}

/// Median of the positive steps of the first rows; 1 when there is none.
fn typical_step(time: &[f64]) -> f64 {
    let mut steps: Vec<f64> =
        time.windows(2).take(20_000).map(|w| w[1] - w[0]).filter(|s| *s > 0.0).collect();
    if steps.is_empty() {
        return 1.0;
    }
    let middle = steps.len() / 2;
    *steps.select_nth_unstable_by(middle, f64::total_cmp).1
}
