//! One findings document, many faces: terminal text, one HTML page, plots, CSV and Parquet tables.
//!
//! Nothing is computed here that is not in [`crate::findings`]: the report says, draws and writes.
//! [`write`] puts a whole [`write::Bundle`] of files in place or none.

pub mod starter;
pub mod tables;
pub mod text;
mod trace;
mod words;
pub mod write;

pub use trace::{Column, Trace};

use crate::findings::{BatchFindings, Budget, CompareFindings, Findings};
use crate::numeric::{Quantity, Unit};
use crate::pipeline::Analysis;
use words::{Clock, printable};
use write::Bundle;

/// Why a report could not be made: a defect of this program, not of an input.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// The result document could not be written as JSON.
    #[error("the result document could not be written as JSON: {0}")]
    Json(#[from] serde_json::Error),
    /// A table could not be encoded.
    #[error("table {table} could not be encoded: {reason}")]
    Table {
        /// Its name.
        table: &'static str,
        /// What the encoder said.
        reason: String,
    },
}

/// Every file of an analysis: `result.json`, and the tables under `tables/`.
///
/// # Errors
/// When an encoder fails, which no input should bring about.
pub fn bundle(analysis: &Analysis) -> Result<Bundle, ReportError> {
    let findings = &analysis.findings;
    let mut bundle = Bundle::new();
    tables::add_all(&mut bundle, &tables::of_findings(findings))?;
    bundle.finish_with("result.json", json(findings)?);
    Ok(bundle)
}

/// Every file of a batch: `batch.json`, and the tables under `tables/`.
///
/// # Errors
/// As [`bundle`].
pub fn batch_bundle(findings: &BatchFindings) -> Result<Bundle, ReportError> {
    let mut bundle = Bundle::new();
    tables::add_all(&mut bundle, &tables::of_batch(findings))?;
    bundle.finish_with("batch.json", json(findings)?);
    Ok(bundle)
}

/// Every file of a comparison: `compare.json`, and the tables under `tables/`.
///
/// # Errors
/// As [`bundle`].
pub fn compare_bundle(findings: &CompareFindings) -> Result<Bundle, ReportError> {
    let mut bundle = Bundle::new();
    tables::add_all(&mut bundle, &tables::of_compare(findings))?;
    bundle.finish_with("compare.json", json(findings)?);
    Ok(bundle)
}

/// A document as JSON, indented, with a final newline. The same document gives the same bytes.
///
/// # Errors
/// When serialising fails.
pub fn json<T: serde::Serialize>(document: &T) -> Result<Vec<u8>, ReportError> {
    let mut bytes = serde_json::to_vec_pretty(document)?;
    bytes.push(b'\n');
    Ok(bytes)
}

/// Stretches no line explains, steps without a line and lines without a step, a sentence each.
fn unexplained_in_words(findings: &Findings, clock: &Clock) -> Vec<String> {
    if findings.events.is_empty() {
        return vec![
            "No event list was given, so no step could be tied to a load. Write one (the starter \
             command lists every step found) and run again."
                .to_owned(),
        ];
    }
    let mut lines: Vec<String> = findings
        .unexplained
        .iter()
        .map(|stretch| {
            format!(
                "{} to {}: {} that no line of the event list explains, for {}, {} of charge.",
                clock.at(stretch.start_s),
                clock.at(stretch.end_s),
                words::signed_current(stretch.delta_a),
                words::duration(stretch.end_s - stretch.start_s),
                Quantity::new(stretch.charge_ah, Unit::AmpereHour),
            )
        })
        .collect();
    lines.extend(findings.events.iter().filter(|event| event.step.is_none()).map(|event| {
        let what = format!("{} {}", printable(&event.load), printable(&event.state));
        format!(
            "Line {} of the event list ({}, {}): no step answers it.",
            event.row,
            what.trim(),
            clock.at(event.aligned_s)
        )
    }));
    let told = |time_s: f64| {
        findings.unexplained.iter().any(|s| time_s >= s.start_s - 1e-9 && time_s <= s.end_s + 1e-9)
    };
    let loose: Vec<_> =
        findings.steps.iter().filter(|step| step.event.is_none() && !told(step.time_s)).collect();
    if let [first, ..] = loose.as_slice() {
        let steps = words::count(loose.len() as u64, "further step", "further steps");
        lines.push(format!("{steps} without a line, the first at {}.", clock.at(first.time_s)));
    }
    if lines.is_empty() {
        lines.push("Nothing: every line has its step and every step its line.".to_owned());
    }
    lines
}

fn budget_in_words(budget: &Budget) -> String {
    let day = Quantity::new(budget.ah_per_day, Unit::AmpereHour);
    let mut text = format!("A day like this takes {day}");
    let hours = |hours: f64| words::duration(3600.0 * hours);
    match (budget.runtime_h, budget.runtime_low_h, budget.runtime_high_h) {
        (Some(runtime), Some(low), Some(high)) => text.push_str(&format!(
            "; a sound battery carries it for {} ({} to {})",
            hours(runtime),
            hours(low),
            hours(high)
        )),
        (Some(runtime), ..) => {
            text.push_str(&format!("; a sound battery carries it for {}", hours(runtime)));
        }
        _ => {}
    }
    text.push('.');
    text
}
