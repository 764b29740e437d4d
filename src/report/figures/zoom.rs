//! A close look at each line of the event list.

use super::panel::{Form, Panel};
use super::paper::Figure;
use crate::findings::{EventRow, Findings, Span, StepRow, ZeroCheck};
use crate::numeric::Quantity;
use crate::report::ReportError;
use crate::report::trace::Trace;
use crate::report::words::{self, Clock};

/// Zooms that are drawn; a list longer than this is told in the tables.
pub(crate) const MOST: usize = 36;

const FORM: Form = Form {
    width: 280,
    height: 176,
    left: 38.0,
    bottom: 20.0,
    tag_rows: 1,
    time_ticks: 3,
    time_title: false,
    current_ticks: 4,
};

/// One zoom with its caption.
#[derive(Debug, Clone)]
pub(crate) struct Zoom {
    /// Number of the line, as the capture's figure tags it.
    pub(crate) number: usize,
    /// Load and state.
    pub(crate) what: String,
    /// What was seen, and when.
    pub(crate) seen: String,
    /// The picture.
    pub(crate) figure: Figure,
}

/// A zoom for each line of the event list, the first [`MOST`] of them.
pub(crate) fn zooms(
    findings: &Findings,
    trace: &Trace<'_>,
    clock: &Clock,
) -> Result<Vec<Zoom>, ReportError> {
    let lines = findings.events.iter().enumerate().take(MOST);
    lines.map(|(i, event)| zoom(findings, trace, clock, i, event)).collect()
}

fn zoom(
    findings: &Findings,
    trace: &Trace<'_>,
    clock: &Clock,
    i: usize,
    event: &EventRow,
) -> Result<Zoom, ReportError> {
    let step = event.step.and_then(|step| findings.steps.get(step));
    let span = window(findings, event, step, trace.duration_s());
    let credible = step.map(|step| Span { start_s: step.time_low_s, end_s: step.time_high_s });
    let what = words::done(event);
    let seen = words::tied(&seen(findings, event, step, clock));
    let panel = Panel::new(findings, trace, clock, span, FORM, credible);
    let figure = Figure::of(
        format!("event-{:02}", i + 1),
        (format!("Event {}: {what}", i + 1), seen.clone()),
        &panel,
        None,
    )?;
    Ok(Zoom { number: i + 1, what, seen, figure })
}

fn seen(findings: &Findings, event: &EventRow, step: Option<&StepRow>, clock: &Clock) -> String {
    if words::is_zero_check(event) {
        let away = |check: &ZeroCheck| (check.time_s - event.aligned_s).abs();
        let checks = findings.zero.checks.iter().filter(|check| check.listed);
        return match checks.min_by(|a, b| away(a).total_cmp(&away(b))) {
            Some(check) => format!("the meter read {}", Quantity::amperes(check.reading_a)),
            None => "no reading of it".to_owned(),
        };
    }
    let Some(step) = step else {
        return format!("no step seen near {}", clock.at(event.aligned_s));
    };
    // Twice the standard uncertainty, about 95 % for a normal error.
    let size = Quantity::amperes_with(step.delta_a, 2.0 * step.standard_uncertainty_a);
    let sign = if step.delta_a > 0.0 { "+" } else { "" };
    let late_s = event.aligned_s - step.time_s;
    let mut text = format!("{sign}{size} at {}", clock.at(step.time_s));
    if late_s.abs() >= 1.0 {
        let side = if late_s > 0.0 { "late" } else { "early" };
        let late = match late_s.abs() {
            short_s if short_s < 99.5 => format!("{} s", words::significant(short_s, 2)),
            long_s => words::duration(long_s),
        };
        text.push_str(&format!(", listed {late} {side}"));
    }
    text
}

/// Enough of the levels on both sides to see the step, without its neighbours where they leave
/// room: 45 % of the way to the nearer one, at least 12 readings, at most 3 minutes each side.
fn window(findings: &Findings, event: &EventRow, step: Option<&StepRow>, duration_s: f64) -> Span {
    let centre_s = step.map_or(event.aligned_s, |step| step.time_s);
    let interval_s = findings.capture.sampling_interval_s.unwrap_or(0.0);
    let nearest_s = findings
        .steps
        .iter()
        .map(|other| (other.time_s - centre_s).abs())
        .filter(|distance_s| *distance_s > 1e-9)
        .fold(f64::INFINITY, f64::min);
    let listed_s = (event.aligned_s - centre_s).abs();
    let half_s = (0.9 * nearest_s).min(180.0).max(12.0 * interval_s).max(1.2 * listed_s);
    let half_s = if half_s > 0.0 && half_s.is_finite() { half_s } else { 0.05 * duration_s };
    let start_s = (centre_s - half_s).clamp(0.0, duration_s);
    let end_s = (centre_s + half_s).clamp(start_s, duration_s);
    if end_s > start_s { Span { start_s, end_s } } else { Span { start_s: 0.0, end_s: duration_s } }
}
