//! A capture thinned to what the page of a batch can show of it, so that a thousand of them fit.

use serde::{Deserialize, Serialize};

use super::trace::{Column, Trace};
use crate::findings::{Findings, Span};
use crate::pipeline::Analysis;

/// Columns that a stretch is thinned to.
const COLUMNS: usize = 300;
/// Wakes that a close look shows.
const WAKES: usize = 8;

/// A capture as a few hundred lowest and highest readings: the whole, and where the unit wakes a
/// close look at a few wakes. About 10 kB whatever the capture's length.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Sketch {
    /// The whole capture.
    pub(super) whole: Stretch,
    /// A few wakes.
    pub(super) wakes: Option<Stretch>,
}

/// A stretch of a capture, thinned.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Stretch {
    /// Where it lies.
    pub(super) span: Span,
    /// First, lowest, highest and last reading of each column, ampere; `None` without readings.
    pub(super) columns: Vec<Option<[f32; 4]>>,
}

impl Sketch {
    /// Of an analysed capture. O(n).
    pub fn of(analysis: &Analysis) -> Self {
        let trace = Trace::of(analysis);
        let whole = Span { start_s: 0.0, end_s: trace.duration_s() };
        let few = few_wakes(&analysis.findings, whole.end_s);
        Self { whole: Stretch::of(&trace, whole), wakes: few.map(|span| Stretch::of(&trace, span)) }
    }
}

fn few_wakes(findings: &Findings, duration_s: f64) -> Option<Span> {
    let sleep = findings.sleep.as_ref()?;
    let period_s = sleep.series.first()?.period_s?;
    let first = sleep.wakes.iter().find(|wake| wake.series == Some(0))?;
    let start_s = (first.start_s - 0.5 * period_s).max(0.0);
    let end_s = (start_s + WAKES as f64 * period_s).min(duration_s);
    (end_s > start_s).then_some(Span { start_s, end_s })
}

impl Stretch {
    fn of(trace: &Trace<'_>, span: Span) -> Self {
        let columns = trace.columns(span.start_s, span.end_s, COLUMNS);
        let thin =
            |c: &Column| [c.first_a, c.low_a, c.high_a, c.last_a].map(|value_a| value_a as f32);
        Self { span, columns: columns.iter().map(|c| c.as_ref().map(thin)).collect() }
    }

    /// Its readings as points, times from the capture's start; a line for each stretch without an
    /// empty column longer than the usual distance of readings.
    pub(super) fn lines(&self) -> Vec<Vec<(f64, f64)>> {
        let step_s = self.span.length_s() / self.columns.len().max(1) as f64;
        // A slow capture leaves empty columns between its readings; a gap leaves many more.
        let filled: Vec<usize> =
            (0..self.columns.len()).filter(|at| self.columns[*at].is_some()).collect();
        let mut steps: Vec<usize> = filled.windows(2).map(|pair| pair[1] - pair[0]).collect();
        steps.sort_unstable();
        let usual = steps.get(steps.len() / 2).copied().unwrap_or(1);
        let mut lines: Vec<Vec<(f64, f64)>> = vec![Vec::new()];
        let mut last = None;
        for at in filled {
            if last.is_some_and(|last| at - last > 3 * usual) {
                lines.push(Vec::new());
            }
            last = Some(at);
            let middle_s = self.span.start_s + (at as f64 + 0.5) * step_s;
            let line = lines.last_mut().expect("starts with one line");
            for value_a in self.columns[at].iter().flatten() {
                let point = (middle_s, f64::from(*value_a));
                if line.last() != Some(&point) {
                    line.push(point);
                }
            }
        }
        lines
    }
}
