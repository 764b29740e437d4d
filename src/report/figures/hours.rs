//! The capture as rows of one length, an hour for a night, so that what returns stands in columns
//! and what is missing stands out.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, VPos};

use super::axes;
use super::frame::{Frame, LABEL, Scale, points};
use super::paper::{Drawn, Figure, Paper, Scene, ink};
use crate::findings::{Findings, SleepFindings, Span};
use crate::numeric::Quantity;
use crate::report::ReportError;
use crate::report::trace::Trace;
use crate::report::words::{self, Clock};

const HOUR_S: f64 = 3600.0;
/// Lengths of a row where an hour does not fit, seconds.
const LENGTHS: [f64; 15] = [
    0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 30.0, 60.0, 300.0, 600.0, 1800.0, 3600.0, 21_600.0,
    86_400.0,
];
/// Rows that a page takes.
const ROWS: usize = 30;
const COLUMNS: usize = 366;

struct Row {
    label: String,
    line: Vec<Vec<(f64, f64)>>,
    stuck: Vec<(f64, f64)>,
    gaps: Vec<(f64, f64)>,
}

struct Rows {
    rows: Vec<Row>,
    frame: Frame,
}

/// Rows of one length each; `None` for a capture without length.
pub(crate) fn hours(
    findings: &Findings,
    sleep: &SleepFindings,
    trace: &Trace<'_>,
    clock: &Clock,
) -> Result<Option<Figure>, ReportError> {
    let duration_s = trace.duration_s();
    if duration_s <= 0.0 {
        return Ok(None);
    }
    let length_s = row_length(duration_s);
    let stuck: Vec<String> = sleep
        .failures
        .iter()
        .map(|failure| {
            format!(
                "It failed to sleep from {} to {}.",
                clock.at(failure.start_s),
                clock.at(failure.end_s)
            )
        })
        .collect();
    let title = format!("Row by row, {} each", words::duration(length_s));
    let skipped: u64 = sleep.series.iter().map(|series| series.skipped).sum();
    let description = format!(
        "The capture in rows of {}, one under the other, so that wakes that keep their rhythm stand \
         in columns. {} missing from the rhythm. {}",
        words::duration(length_s),
        words::count(skipped, "wake is", "wakes are"),
        stuck.join(" ")
    );
    let rows = rows(findings, sleep, trace, clock, length_s);
    Figure::of("hours".to_owned(), (title, description), &rows, None).map(Some)
}

/// An hour for a night; else the shortest length that a page has room for.
fn row_length(duration_s: f64) -> f64 {
    if (3.0 * HOUR_S..=28.0 * HOUR_S).contains(&duration_s) {
        return HOUR_S;
    }
    let fits = |length_s: &f64| duration_s / length_s <= ROWS as f64 / 2.0;
    LENGTHS.into_iter().find(fits).unwrap_or_else(|| duration_s / ROWS as f64)
}

fn rows(
    findings: &Findings,
    sleep: &SleepFindings,
    trace: &Trace<'_>,
    clock: &Clock,
    length_s: f64,
) -> Rows {
    let duration_s = trace.duration_s();
    // Rows start at round times of day.
    let into_s = clock.wall(0.0).filter(|_| length_s >= 1.0).map_or(0.0, |moment| {
        let midnight = moment.date().at(0, 0, 0, 0);
        midnight.duration_until(moment).as_secs_f64().rem_euclid(length_s)
    });
    let n = ((duration_s + into_s) / length_s).ceil().max(1.0) as usize;
    let mut last_day = None;
    let rows: Vec<Row> = (0..n)
        .map(|at| {
            let from_s = at as f64 * length_s - into_s;
            let to_s = from_s + length_s;
            let columns = trace.columns(from_s, to_s, COLUMNS);
            let cut = |span: &Span| {
                let (start_s, end_s) = (span.start_s.max(from_s), span.end_s.min(to_s));
                (end_s > start_s).then_some((start_s - from_s, end_s - from_s))
            };
            let failures =
                sleep.failures.iter().map(|f| Span { start_s: f.start_s, end_s: f.end_s });
            let gaps: Vec<_> = findings.capture.gaps.iter().filter_map(cut).collect();
            let day = clock.wall(from_s).map(|moment| moment.date());
            let label = match clock.wall(from_s) {
                Some(moment) if length_s >= 60.0 => {
                    let form = if day == last_day { "%H:%M" } else { "%-d %b %H:%M" };
                    moment.strftime(form).to_string()
                }
                _ if length_s >= 1.0 => {
                    let whole = from_s.max(0.0).round() as u64;
                    format!("{}:{:02}:{:02}", whole / 3600, whole / 60 % 60, whole % 60)
                }
                _ => clock.at(from_s),
            };
            last_day = day;
            Row {
                label,
                line: broken(points(&columns, from_s), &gaps),
                stuck: failures.filter_map(|span| cut(&span)).collect(),
                gaps,
            }
        })
        .collect();
    let (low_a, high_a) = heights(sleep, &rows);
    let unit = if length_s == HOUR_S { (60.0, "minutes") } else { (1.0, "seconds") };
    let mut ticks = axes::counts(0.0, length_s / unit.0, 6, &format!("{} into the row", unit.1));
    if length_s / unit.0 < 6.0 {
        ticks = axes::quantity(0.0, length_s, 6, "time into the row", "s");
    } else {
        ticks.at.iter_mut().for_each(|tick| *tick *= unit.0);
        if length_s == HOUR_S && clock.wall(0.0).is_some() {
            ticks.title = "minutes past the hour".to_owned();
        }
    }
    let height = row_height(n);
    Rows {
        frame: Frame {
            left: 98.0,
            right: 420.0,
            top: 20.0,
            foot: 20.0 + height * n as f64,
            x: Scale::linear(0.0, length_s, ticks),
            y: Scale::linear(low_a, high_a, axes::current(low_a, high_a, 4, "current")),
        },
        rows,
    }
}

/// Lowest and highest current of a row: from just below the sleep floor to just above the usual
/// wake or the failures to sleep, so that a few readings far off do not flatten the rest.
fn heights(sleep: &SleepFindings, rows: &[Row]) -> (f64, f64) {
    let wakes = sleep.series.iter().map(|series| series.peak_a);
    let stuck = sleep.failures.iter().map(|failure| sleep.floor_a + failure.above_floor_a);
    let top_a = wakes.chain(stuck).fold(sleep.floor_a, f64::max);
    if top_a > sleep.floor_a {
        let size = top_a - sleep.floor_a;
        return (sleep.floor_a - 0.25 * size, top_a + 0.1 * size);
    }
    let readings = || rows.iter().flat_map(|row| row.line.iter().flatten().map(|point| point.1));
    let (low_a, high_a) = (readings().fold(0.0, f64::min), readings().fold(0.0, f64::max));
    (low_a, if high_a > low_a { high_a } else { low_a + 1e-3 })
}

fn row_height(rows: usize) -> f64 {
    (206.0 / rows as f64).clamp(18.0, 40.0)
}

/// The line broken where readings are missing.
fn broken(points: Vec<(f64, f64)>, gaps: &[(f64, f64)]) -> Vec<Vec<(f64, f64)>> {
    let mut lines: Vec<Vec<(f64, f64)>> = vec![Vec::new()];
    let mut last_s = f64::NEG_INFINITY;
    for point in points {
        if gaps.iter().any(|gap| gap.0 >= last_s - 1e-9 && gap.1 <= point.0 + 1e-9) {
            lines.push(Vec::new());
        }
        last_s = point.0;
        lines.last_mut().expect("starts with one line").push(point);
    }
    lines
}

impl Scene for Rows {
    fn size(&self) -> (u32, u32) {
        (430, (self.frame.foot + 36.0) as u32)
    }

    fn draw<DB: DrawingBackend>(&self, paper: &Paper<DB>) -> Drawn<DB> {
        let height = row_height(self.rows.len());
        let (left, right) = (paper.px(self.frame.left), paper.px(self.frame.right));
        let label = paper.text(ink::SOFT, LABEL, HPos::Right, VPos::Bottom);
        for (at, row) in self.rows.iter().enumerate() {
            let top = self.frame.top + height * at as f64;
            let frame = Frame { top: top + 2.0, foot: top + height, ..self.frame.clone() };
            let foot = paper.px(frame.foot);
            for (from, to) in &row.gaps {
                let corners = [
                    (frame.across(paper, *from), paper.px(frame.top)),
                    (frame.across(paper, *to), foot),
                ];
                paper.area.draw(&Rectangle::new(corners, ink::GAP.filled()))?;
            }
            let base = vec![(left, foot), (right, foot)];
            paper.area.draw(&PathElement::new(base, paper.line(ink::GRID, 1.0)))?;
            for line in &row.line {
                frame.line(paper, line, paper.line(ink::STATE, 1.0))?;
            }
            for (from, to) in &row.stuck {
                let (from, to) = (frame.across(paper, *from), frame.across(paper, *to));
                let line = vec![(from, foot), (to.max(from + paper.px(2.0)), foot)];
                paper.area.draw(&PathElement::new(line, paper.line(ink::BEYOND, 4.0)))?;
            }
            let place = (left - paper.px(6.0), foot + paper.px(3.0));
            paper.area.draw_text(&row.label, &label, place)?;
        }
        let scale = [self.frame.y.low, self.frame.y.high].map(Quantity::amperes);
        let text = format!("a row: {} to {}", scale[0], scale[1]);
        let style = paper.text(ink::SOFT, LABEL, HPos::Right, VPos::Bottom);
        paper.area.draw_text(&text, &style, (right, paper.px(self.frame.top - 5.0)))?;
        self.frame.draw_x(paper)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_night_has_a_row_an_hour_and_anything_else_fits_a_page() {
        assert_eq!(row_length(10.0 * HOUR_S), HOUR_S);
        for duration_s in [0.02, 3.0, 40.0, 299.9, 1200.0, 7200.0, 2e5, 4e6, 1e9] {
            assert!(duration_s / row_length(duration_s) <= ROWS as f64, "{duration_s}");
        }
    }
}
