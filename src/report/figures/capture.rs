//! The whole capture.

use super::panel::{Form, Panel};
use super::paper::Figure;
use crate::findings::{Findings, SegmentKind, Span};
use crate::numeric::Quantity;
use crate::report::trace::Trace;
use crate::report::words::{self, Clock};
use crate::report::{ReportError, loose_steps};

const WIDE: Form = Form {
    width: 880,
    height: 350,
    left: 44.0,
    bottom: 38.0,
    tag_rows: 2,
    time_ticks: 9,
    time_title: true,
    current_ticks: 5,
};

const NARROW: Form = Form {
    width: 400,
    height: 320,
    left: 40.0,
    bottom: 38.0,
    tag_rows: 3,
    time_ticks: 4,
    time_title: true,
    current_ticks: 5,
};

/// The capture with its steady states and events.
pub(crate) fn overview(
    findings: &Findings,
    trace: &Trace<'_>,
    clock: &Clock,
) -> Result<Figure, ReportError> {
    let end_s = trace.duration_s().max(f64::MIN_POSITIVE);
    let span = Span { start_s: 0.0, end_s };
    let panel = |form| Panel::new(findings, trace, clock, span, form, None);
    Figure::of(
        "capture".to_owned(),
        ("Current over the whole capture".to_owned(), description(findings, clock)),
        &panel(WIDE),
        Some(&panel(NARROW)),
    )
}

fn description(findings: &Findings, clock: &Clock) -> String {
    let steady: Vec<f64> = findings
        .segments
        .iter()
        .filter(|segment| segment.kind == SegmentKind::Steady)
        .map(|segment| segment.mean_a)
        .collect();
    let mut text =
        format!("Current from {} to {}", clock.at(0.0), clock.at(findings.capture.duration_s));
    if let (Some(low), Some(high)) =
        (steady.iter().copied().reduce(f64::min), steady.iter().copied().reduce(f64::max))
    {
        text.push_str(&format!(
            ": {} between {} and {}",
            words::count(steady.len() as u64, "steady state", "steady states"),
            Quantity::amperes(low),
            Quantity::amperes(high)
        ));
    }
    let loose = loose_steps(findings).count() as u64;
    text.push_str(&format!(
        "; {}, {} without an event, {}, {} of overload.",
        words::count(findings.events.len() as u64, "event", "events"),
        words::count(loose, "step", "steps"),
        words::count(findings.capture.gaps.len() as u64, "gap", "gaps"),
        words::count(findings.capture.overload_samples, "reading", "readings"),
    ));
    text
}
