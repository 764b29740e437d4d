//! How it was measured: capture, meter, zero, clock, noise, method.

use crate::findings::{Findings, SegmentKind};
use crate::numeric::{Quantity, Unit};
use crate::report::words::{self, Clock, printable};

/// Rows of a table on the page; the rest stands in the files.
const ROWS: usize = 120;

/// A zero check as the page shows it.
pub(super) struct CheckView {
    pub(super) time: String,
    pub(super) reading: String,
    pub(super) residual: String,
    pub(super) within: &'static str,
    pub(super) from: &'static str,
}

/// A folded table as the page shows it.
pub(super) struct TableView {
    pub(super) title: String,
    pub(super) header: &'static [&'static str],
    pub(super) rows: Vec<Vec<String>>,
    pub(super) left: usize,
}

pub(super) fn zero_checks(findings: &Findings, clock: &Clock) -> Vec<CheckView> {
    let checks = findings.zero.checks.iter();
    checks
        .map(|check| CheckView {
            time: clock.at(check.time_s),
            reading: Quantity::amperes(check.reading_a).to_string(),
            residual: Quantity::amperes(check.residual_a).to_string(),
            within: if check.within_tolerance {
                "✓ within tolerance"
            } else {
                "✗ too far from zero"
            },
            from: if check.listed { "event list" } else { "found in the readings" },
        })
        .collect()
}

pub(super) fn told(findings: &Findings, clock: &Clock) -> Vec<(&'static str, String)> {
    let mut told = vec![
        ("Capture", capture(findings, clock)),
        ("Meter's zero", zero(findings)),
        ("Meter's noise", noise(findings)),
    ];
    if let Some(text) = clocks(findings) {
        told.push(("Clocks", text));
    }
    told.push((
        "Method",
        "The capture is cut into steady states where the level jumps; drift, settling and short \
         bursts are told apart from steps. Each event is tied to at most one step. \
         The draw of a load follows by least squares from all steady states in which it was on or \
         off, so that loads may overlap. Errors that all readings share do not average out and are \
         carried as such."
            .to_owned(),
    ));
    told
}

fn capture(findings: &Findings, clock: &Clock) -> String {
    let capture = &findings.capture;
    let mut text = format!(
        "{}, column \u{201c}{}\u{201d} in {}: {} over {}",
        printable(&capture.file),
        printable(&capture.current_column),
        printable(&capture.unit),
        words::count(capture.samples, "reading", "readings"),
        words::duration(capture.duration_s),
    );
    if let Some(interval_s) = capture.sampling_interval_s.filter(|interval_s| *interval_s > 0.0) {
        text.push_str(&format!(", {}", words::sampled(interval_s)));
    }
    text.push('.');
    if let Some(resolution_a) = capture.resolution_a {
        text.push_str(&format!(" Readings step by {}.", words::set_current(resolution_a)));
    }
    match capture.gaps.as_slice() {
        [] => text.push_str(" No gaps."),
        [gap] => text.push_str(&format!(
            " One gap, from {} to {}.",
            clock.at(gap.start_s),
            clock.at(gap.end_s)
        )),
        gaps => {
            let lost_s: f64 = gaps.iter().map(crate::findings::Span::length_s).sum();
            text.push_str(&format!(" {} gaps, {} in all.", gaps.len(), words::duration(lost_s)));
        }
    }
    if capture.overload_samples > 0 {
        let cells = words::count(capture.overload_samples, "reading", "readings");
        text.push_str(&format!(" Overload in {cells}."));
    }
    if capture.unreadable_rows > 0 {
        let rows = words::count(capture.unreadable_rows, "row", "rows");
        text.push_str(&format!(" {rows} could not be read and are left out."));
    }
    text
}

fn zero(findings: &Findings) -> String {
    let zero = &findings.zero;
    let mut text = printable(&zero.answer);
    if let Some(offset_a) = zero.offset_a {
        text.push_str(&format!(" Zero removed: {}", Quantity::amperes(offset_a)));
        if let Some(drift) = zero.drift_a_per_h.filter(|drift| *drift != 0.0) {
            text.push_str(&format!(
                " at the start, drifting by {} an hour",
                words::signed_current(drift)
            ));
        }
        text.push('.');
    }
    text
}

fn noise(findings: &Findings) -> String {
    let noise = &findings.noise;
    let mut text = format!(
        "{} standard deviation of one reading; neighbouring readings correlate by {:.2}.",
        Quantity::amperes(noise.sigma_a),
        noise.lag1_autocorrelation
    );
    if noise.spikes > 0 {
        let spikes = words::count(noise.spikes, "single reading", "single readings");
        text.push_str(&format!(" {spikes} set aside as spikes."));
    }
    text
}

fn clocks(findings: &Findings) -> Option<String> {
    let clock = findings.clock.as_ref()?;
    let side = if clock.offset_s >= 0.0 { "behind" } else { "ahead of" };
    let mut text = format!(
        "The event list's clock is {} {side} the capture's (standard uncertainty {})",
        words::duration(clock.offset_s.abs()),
        words::duration(clock.standard_uncertainty_s)
    );
    if let Some(drift) = clock.drift_s_per_h {
        text.push_str(&format!(" and drifts by {} s an hour", words::significant(drift, 2)));
    }
    text.push_str("; this was found from the steps and taken out.");
    if !clock.rival_offsets_s.is_empty() {
        let rivals: Vec<_> = clock
            .rival_offsets_s
            .iter()
            .map(|s| format!("{} s", words::significant(*s, 3)))
            .collect();
        text.push_str(&format!(" Offsets that fit nearly as well: {}.", rivals.join(", ")));
    }
    Some(text)
}

/// The tables that are folded away on the screen and left off paper.
pub(super) fn tables(findings: &Findings, clock: &Clock) -> Vec<TableView> {
    let mut tables = Vec::new();
    let mut add = |title: &str, header, rows: Vec<Vec<String>>| {
        if !rows.is_empty() {
            let n = rows.len();
            let rows = rows.into_iter().take(ROWS).collect();
            let title = format!("{title} ({n})");
            tables.push(TableView { title, header, rows, left: n.saturating_sub(ROWS) });
        }
    };
    let amperes = |value_a: f64| Quantity::amperes(value_a).to_string();
    let levels = findings.states.iter().map(|state| {
        vec![
            amperes(state.mean_a),
            amperes(state.noise_a),
            words::duration(state.time_s),
            words::percent(state.share_of_time),
            Quantity::new(state.charge_ah, Unit::AmpereHour).to_string(),
        ]
    });
    add("Levels", &["level", "noise", "time", "share of time", "charge"], levels.collect());
    let steady = findings.segments.iter().map(|segment| {
        vec![
            clock.at(segment.start_s),
            clock.at(segment.end_s),
            match segment.kind {
                SegmentKind::Steady => "steady",
                SegmentKind::Transient => "transient",
                SegmentKind::Burst => "burst",
            }
            .to_owned(),
            amperes(segment.mean_a),
            amperes(segment.noise_a),
            amperes(segment.standard_uncertainty_a),
            segment.samples.to_string(),
        ]
    });
    add(
        "Stretches",
        &["from", "to", "kind", "mean", "noise", "standard uncertainty", "readings"],
        steady.collect(),
    );
    let steps = findings.steps.iter().map(|step| {
        vec![
            clock.at(step.time_s),
            format!("{} to {}", clock.at(step.time_low_s), clock.at(step.time_high_s)),
            words::signed_current(step.delta_a),
            amperes(step.standard_uncertainty_a),
            step.event.map_or_else(|| "none".to_owned(), |event| (event + 1).to_string()),
        ]
    });
    add(
        "Steps",
        &["time", "about 95 %", "change", "standard uncertainty", "event"],
        steps.collect(),
    );
    let decisions = findings.capture.decisions.iter().map(|decision| {
        vec![printable(&decision.what), printable(&decision.chosen), printable(&decision.why)]
    });
    add("How the file was read", &["what", "chosen", "because"], decisions.collect());
    tables
}
