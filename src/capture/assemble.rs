//! From readings on a settled clock to the capture, with everything that is told about it.

use super::careful::{Odd, Raw, RowPlace};
use super::clock::second_of;
use super::columns::shown;
use super::options::{CurrentUnit, ReadOptions};
use super::read::Told;
use super::settle::{self, Settled};
use super::sniff::Sniffed;
use super::types::{Capture, OverloadSpan, Samples, TimeAxis};
use super::{sampling, start, summer_time, thousands};
use crate::fault::InputFault;
use crate::findings::{Caution, Decision, Span};

/// Readings on a settled clock.
#[derive(Debug, Default)]
pub(super) struct Reading {
    /// Times from the first sample.
    pub(super) time: TimeAxis,
    /// Ampere, before any reversal.
    pub(super) current_a: Vec<f64>,
    pub(super) overload: Vec<OverloadSpan>,
    pub(super) missing: u64,
    pub(super) unreadable: u64,
    pub(super) first_unreadable: Option<RowPlace>,
    /// Units met in cells.
    pub(super) units: Vec<CurrentUnit>,
    /// Seconds from the first row to the first sample.
    pub(super) lead_s: f64,
    /// Between sessions nothing is known.
    pub(super) session_gaps: Vec<Span>,
}

pub(super) fn finish(
    file: &str,
    mut raw: Raw,
    settled: Settled,
    sniffed: &Sniffed,
    options: &ReadOptions,
    told: Told,
) -> Result<Capture, InputFault> {
    let rows = raw.time.len();
    let missing = raw.odd.iter().filter(|(_, odd)| *odd == Odd::Missing).count() as u64;
    let overloads = raw.odd.len() as u64 - missing;
    let column = sniffed.current();
    if rows == raw.odd.len() {
        let (found, advice) = if rows == 0 {
            (
                "no row could be read as time and current".to_owned(),
                "name the columns with --time-column and --current-column",
            )
        } else if overloads > 0 {
            (
                format!("every reading of `{}` is an overload or missing", column.title()),
                "measure again in a higher range",
            )
        } else {
            (
                format!("no cell of `{}` holds a reading", column.title()),
                "name another column with --current-column",
            )
        };
        let mut fault = InputFault::of_file(file, found, advice);
        fault.place.line =
            Some(raw.first_unreadable.as_ref().map_or(sniffed.table.first_line, |p| p.line));
        fault.place.column = (rows > 0).then_some(1);
        return Err(fault);
    }
    let parted: Vec<(f64, f64)> =
        settled.sessions.iter().map(|&row| (raw.time[row - 1], raw.time[row])).collect();
    let (mut times, current_a, mut overload) = part(&mut raw);
    // The first sample is the origin, also where the first rows hold no reading.
    let first = times[0];
    if first != 0.0 {
        times.iter_mut().for_each(|t| *t -= first);
        for stretch in &mut overload {
            stretch.span =
                Span { start_s: stretch.span.start_s - first, end_s: stretch.span.end_s - first };
        }
    }
    if times.len() > 1 && times[times.len() - 1] == 0.0 {
        let mut fault = InputFault::of_file(
            file,
            "the clock never moves: every row carries the same time",
            "give the seconds between rows with --interval, or name another clock with --time-column",
        );
        fault.place.line = Some(sniffed.table.first_line);
        return Err(fault);
    }
    let session_gaps = parted
        .into_iter()
        .map(|(from, to)| Span { start_s: (from - first).max(0.0), end_s: to - first })
        // Rows without readings round it, or numbers so large that it vanishes, leave none.
        .filter(|gap| gap.end_s > gap.start_s)
        .collect();
    let reading = Reading {
        time: sampling::axis(times),
        current_a,
        overload,
        missing,
        unreadable: raw.unreadable,
        first_unreadable: raw.first_unreadable,
        units: raw.units,
        lead_s: first,
        session_gaps,
    };
    Ok(assemble(file, reading, settled, sniffed, options, told))
}

/// Readings apart from what is missing or over range; `raw` keeps its times where some are.
fn part(raw: &mut Raw) -> (Vec<f64>, Vec<f64>, Vec<OverloadSpan>) {
    if raw.odd.is_empty() {
        return (std::mem::take(&mut raw.time), std::mem::take(&mut raw.value), Vec::new());
    }
    let rows = raw.time.len();
    let mut times = Vec::with_capacity(rows - raw.odd.len());
    let mut values = Vec::with_capacity(rows - raw.odd.len());
    let mut overload: Vec<OverloadSpan> = Vec::new();
    let mut odd = raw.odd.iter().peekable();
    let mut last_overload = None;
    for row in 0..rows {
        match odd.next_if(|(at, _)| *at == row) {
            Some((_, Odd::Missing)) => {}
            Some((_, Odd::Overload)) => {
                let time = raw.time[row];
                match overload.last_mut() {
                    Some(span) if last_overload == row.checked_sub(1) => {
                        span.span.end_s = time;
                        span.samples += 1;
                    }
                    _ => overload.push(OverloadSpan {
                        span: Span { start_s: time, end_s: time },
                        samples: 1,
                    }),
                }
                last_overload = Some(row);
            }
            None => {
                times.push(raw.time[row]);
                values.push(raw.value[row]);
            }
        }
    }
    (times, values, overload)
}

/// The capture with everything that is told about it.
pub(super) fn assemble(
    file: &str,
    reading: Reading,
    mut settled: Settled,
    sniffed: &Sniffed,
    options: &ReadOptions,
    mut told: Told,
) -> Capture {
    told.cautions.extend(thousands::doubt(sniffed, &reading));
    let Reading {
        time,
        mut current_a,
        overload,
        missing,
        unreadable,
        first_unreadable,
        units,
        lead_s,
        session_gaps,
    } = reading;
    if options.reverse {
        current_a.iter_mut().for_each(|current| *current = -*current);
        told.decisions.push(Decision {
            what: "sign".to_owned(),
            chosen: "turned round".to_owned(),
            why: "asked for by --reverse".to_owned(),
            option: Some("--reverse".to_owned()),
        });
    }
    let samples = Samples { time, current_a };
    let mut lie = sampling::lie(&samples.time);
    for gap in session_gaps {
        if !lie.gaps.iter().any(|g| g.start_s <= gap.start_s && gap.end_s <= g.end_s) {
            lie.gaps.push(gap);
        }
    }
    lie.gaps.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    if unreadable > 0 {
        let first = first_unreadable
            .map(|p| format!(", the first being line {} (\"{}\")", p.line, shown(&p.text)))
            .unwrap_or_default();
        let plural = if unreadable == 1 { "" } else { "s" };
        told.cautions.push(Caution::new(
            "unreadable-rows",
            format!("{unreadable} line{plural} within or after the table could not be read as time and current{first}"),
        ));
    }
    let overloads: u64 = overload.iter().map(|s| s.samples).sum();
    if overloads > 0 {
        told.cautions.push(Caution::new(
            "overload",
            format!(
                "{overloads} readings were over range and are left out; the true current was higher"
            ),
        ));
    }
    let rows = samples.len() as u64 + missing + overloads;
    if 2 * missing > rows {
        told.cautions.push(Caution::new(
            "mostly-missing",
            format!(
                "{missing} of {rows} rows hold no reading: look whether the current stands in another column (--current-column)"
            ),
        ));
    }
    if settled.start.is_none() {
        start::beside(sniffed, &mut settled, &mut told);
    }
    start::zone_in_header(sniffed, &mut settled, &mut told);
    if let Some(gap) = lie.gaps.iter().find(|g| leaps(g, samples.duration_s())) {
        told.cautions.push(Caution::new(
            "clock-leaps",
            format!(
                "the clock leaps by {:.0} days at {:.0} s: it may have been set there, and times before it are then wrong",
                gap.length_s() / 86_400.0,
                gap.start_s
            ),
        ));
    }
    let starts = settled.start.and_then(|s| settle::shift(s, lead_s));
    let local = starts.filter(|_| settled.offset_min.is_none());
    told.cautions.extend(summer_time::begins(&lie.gaps, local, lie.interval_s));
    let unit = if units.len() > 1 {
        units.iter().map(|u| u.symbol()).collect::<Vec<_>>().join(", ")
    } else {
        sniffed.chosen.symbol.clone()
    };
    let uneven =
        sampling::rate_changes(&samples.time).then(|| sampling::totals(&samples, &lie.gaps));
    if let Some(totals) = uneven
        && (totals.mean_a - totals.sample_mean_a).abs()
            > 0.02 * totals.mean_a.abs().max(totals.sample_mean_a.abs())
    {
        told.cautions.push(Caution::new(
            "rate-changes",
            format!("the sampling rate changes within the file: the mean over time is {:.4e} A, the plain mean of the samples {:.4e} A", totals.mean_a, totals.sample_mean_a),
        ));
    }
    Capture {
        file: file.to_owned(),
        start: starts,
        time_of_day: settled
            .time_of_day
            .filter(|_| settled.start.is_none())
            .and_then(|time| settle::time_of(second_of(time) + lead_s)),
        utc_offset: settled.offset_min.and_then(|m| jiff::tz::Offset::from_seconds(m * 60).ok()),
        current_column: sniffed.current().title(),
        unit,
        resolution_a: sampling::resolution(&samples.current_a),
        sampling: lie,
        overload,
        missing,
        unreadable_rows: unreadable,
        decisions: told.decisions,
        first_rows: (0..samples.len().min(8))
            .map(|i| (samples.time.at(i), samples.current_a[i]))
            .collect(),
        cautions: told.cautions,
        samples,
    }
}

/// A gap of more than a month that is nearly all of the capture.
fn leaps(gap: &Span, duration_s: f64) -> bool {
    gap.length_s() > 30.0 * 86_400.0 && gap.length_s() > 0.9 * duration_s
}
