//! Another clock in the same file, held against the one that is used.

use super::careful;
use super::clock::{self, Clock, Found};
use super::fast::Source;
use super::options::{ReadOptions, Silent};
use super::read::{Told, form_of, settle_clock};
use super::sniff::Sniffed;
use crate::findings::Caution;

/// Places of the file that are looked at, and the bytes of each.
const LOOKS: usize = 8;
const LOOK: usize = 8 << 10;

const DAY_S: f64 = 86_400.0;

/// Clocks that part by less than this share of the time are two clocks as any two are.
const DRIFT: f64 = 1e-3;
/// More than this is told even where it is little of a long capture, seconds.
const APART_S: f64 = 600.0;
/// Zones lie a whole number of these apart, seconds.
const ZONE_S: f64 = 900.0;

/// Cautions where a second clock runs faster or slower, has jumped, or shows another time.
///
/// The rows at eight places of the file are read by both clocks; what lies between is not looked at.
pub(super) fn compare(
    file: &str,
    source: &(impl Source + ?Sized),
    len: usize,
    sniffed: &Sniffed,
    options: &ReadOptions,
    told: &mut Told,
) {
    let used = sniffed.found.clock.columns();
    let chosen = options.time_column.is_some() || options.interval_s.is_some();
    if chosen || used.is_empty() || options.clock_format.is_some() {
        return;
    }
    let others = clock::candidates(&sniffed.table, &sniffed.columns);
    if others.iter().all(|place| used.contains(place) || *place == sniffed.chosen.place) {
        return;
    }
    let Ok(found) = clock::choose(
        file,
        &sniffed.table,
        &sniffed.columns,
        sniffed.chosen.place,
        &used,
        options,
        &mut Told::default(),
    ) else {
        return;
    };
    let second = Sniffed { found, ..sniffed.clone() };
    let theirs = second.found.clock.columns();
    if theirs.is_empty() || theirs.iter().any(|place| used.contains(place)) {
        return;
    }
    // Pairs of clock and reading side by side: the other clock is that of the other reading.
    let current = sniffed.chosen.place;
    let beside = theirs[0] + 1;
    let paired = sniffed.columns.get(beside).is_some_and(|c| c.numeric());
    if used[0] + 1 == current && beside != current && paired {
        return;
    }
    let Some(text) = looks(source, sniffed.table.first_row, len, sniffed.table.line_end) else {
        return;
    };
    let times = read(file, &text, sniffed).zip(read(file, &text, &second));
    if let Some((ours, theirs)) = times
        && let Some(words) = apart(&ours, &theirs)
    {
        let name = |sniffed: &Sniffed| sniffed.columns[sniffed.found.clock.columns()[0]].title();
        told.cautions.push(Caution::new(
            "clocks-disagree",
            format!(
                "the clocks `{}` and `{}` of this file disagree: {words}; the first was used: choose the other with --time-column {}",
                name(sniffed),
                name(&second),
                second.columns[second.found.clock.columns()[0]].handle(&second.columns),
            ),
        ));
    }
}

/// Whole lines from places spread evenly over the rows, the first and the last among them.
fn looks(
    source: &(impl Source + ?Sized),
    first_row: usize,
    len: usize,
    line_end: u8,
) -> Option<Vec<u8>> {
    let mut buffer = Vec::new();
    if len.saturating_sub(first_row) <= LOOKS * LOOK {
        return Some(source.bytes(first_row..len, &mut buffer).ok()?.to_vec());
    }
    let mut text = Vec::with_capacity(LOOKS * LOOK);
    for look in 0..LOOKS {
        let at = first_row + (len - first_row - LOOK) / (LOOKS - 1) * look;
        let to = if look == LOOKS - 1 { len } else { at + LOOK };
        let bytes = source.bytes(at..to, &mut buffer).ok()?;
        let from = if look == 0 { 0 } else { memchr::memchr(line_end, bytes)? + 1 };
        text.extend_from_slice(&bytes[from..memchr::memrchr(line_end, bytes)? + 1]);
    }
    Some(text)
}

/// What one clock says of the rows looked at.
struct Times {
    /// Seconds from the first row.
    time_s: Vec<f64>,
    /// A time of day alone: whole days are lost between the places.
    dateless: bool,
    /// Date and time of the first row, seconds from a common origin.
    start_s: Option<f64>,
    /// What its times are rounded to, seconds.
    grain_s: f64,
}

fn read(file: &str, text: &[u8], sniffed: &Sniffed) -> Option<Times> {
    let mut raw = careful::read(text, text.len(), 0, 1, &sniffed.plan(), &Silent).ok()?;
    let grain_s = grain(&sniffed.found.clock, &raw.time);
    let settled = settle_clock(file, sniffed, &mut raw, &mut Told::default()).ok()?;
    // A counter that starts again counts something else.
    if !settled.sessions.is_empty() {
        return None;
    }
    let Found { span, .. } = &sniffed.found;
    let stamped = form_of(sniffed, &sniffed.found).stamped && !span;
    let start_s = settled.start.map(|start| {
        let since = start.duration_since(jiff::civil::DateTime::constant(2000, 1, 1, 0, 0, 0, 0));
        since.as_secs() as f64 + f64::from(since.subsec_nanos()) * 1e-9
    });
    Some(Times { time_s: raw.time, dateless: stamped && start_s.is_none(), start_s, grain_s })
}

/// What the times of a clock are rounded to, seconds.
fn grain(clock: &Clock, time_s: &[f64]) -> f64 {
    let whole = |unit: f64| time_s.iter().all(|t| (t / unit - (t / unit).round()).abs() < 1e-6);
    match clock {
        Clock::Number { scale_s, .. } => *scale_s * if whole(*scale_s) { 1.0 } else { 0.1 },
        _ if whole(60.0) => 60.0,
        _ => 1.0,
    }
}

/// In words, how the second clock differs from the first by more than both are fine.
fn apart(ours: &Times, theirs: &Times) -> Option<String> {
    if ours.time_s.len() != theirs.time_s.len() {
        return None;
    }
    // The two may be read one after the other.
    let grain_s = 2.0 * ours.grain_s.max(theirs.grain_s) + 1.0;
    if let Some((a, b)) = ours.start_s.zip(theirs.start_s) {
        let offset_s = b - a;
        let zones = offset_s - (offset_s / ZONE_S).round() * ZONE_S;
        if offset_s.abs() > 15.0 * 3600.0 || zones.abs() > grain_s.max(60.0) {
            let side = if offset_s < 0.0 { "behind" } else { "ahead" };
            let by = in_words(offset_s.abs());
            return Some(format!("at the first row the second is {by} {side}"));
        }
    }
    let dateless = ours.dateless || theirs.dateless;
    let part = |at: usize| {
        let by = theirs.time_s[at] - ours.time_s[at];
        if dateless { by - (by / DAY_S).round() * DAY_S } else { by }
    };
    let limit = |at: usize| (DRIFT * ours.time_s[at]).min(APART_S).max(grain_s);
    let last = ours.time_s.len() - 1;
    let worst = (0..=last).max_by(|a, b| part(*a).abs().total_cmp(&part(*b).abs()))?;
    if part(worst).abs() <= limit(worst) {
        return None;
    }
    let at = if part(last).abs() > limit(last) { last } else { worst };
    Some(format!(
        "{} s after the first row by the first, the second has counted {} {}",
        ours.time_s[at].round(),
        in_words(part(at).abs()),
        if part(at) < 0.0 { "less" } else { "more" },
    ))
}

fn in_words(seconds: f64) -> String {
    if seconds.abs() >= 100.0 { format!("{seconds:.0} s") } else { format!("{seconds:.1} s") }
}
