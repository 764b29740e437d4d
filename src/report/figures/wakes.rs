//! All wakes laid over each other from their start.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, VPos};

use super::axes;
use super::frame::{Frame, LABEL, Scale, points};
use super::paper::{Drawn, Figure, Paper, Scene, ink};
use crate::findings::{Findings, SleepFindings, Wake};
use crate::numeric::Quantity;
use crate::report::ReportError;
use crate::report::trace::Trace;
use crate::report::words;

/// Wakes that are drawn one by one, spread evenly over the capture; a thousand would only be black.
const MOST: usize = 120;
/// Kinds of wakes that get a line of their own.
const KINDS: usize = 3;
const COLUMNS: usize = 240;
/// Kinds whose widths differ by more than this each get a scale of time of their own: on one of
/// them the other would be a stroke, or have no end.
const APART: f64 = 5.0;

struct Kind {
    middle: Vec<(f64, f64)>,
    label: String,
}

/// Wakes on one scale of time.
struct Part {
    frame: Frame,
    lines: Vec<Vec<(f64, f64)>>,
    kinds: Vec<(usize, Kind)>,
}

struct Overlay {
    parts: Vec<Part>,
    height: u32,
}

/// Every wake over the others; `None` when there is none.
pub(crate) fn wakes(
    findings: &Findings,
    sleep: &SleepFindings,
    trace: &Trace<'_>,
) -> Result<Option<Figure>, ReportError> {
    if sleep.wakes.is_empty() {
        return Ok(None);
    }
    let n = words::count(sleep.wakes.len() as u64, "wake", "wakes");
    let each = |kind: &crate::findings::WakeSeries| {
        format!(
            "{}: usually {} wide, up to {}.",
            words::count(kind.count, "wake", "wakes"),
            words::width(kind.width_s, kind.width_at_most),
            Quantity::amperes(kind.peak_a)
        )
    };
    let kinds: Vec<String> = sleep.series.iter().map(each).collect();
    let left_out = if sleep.wakes.iter().all(|wake| is_at_the_floor(sleep, wake)) {
        ""
    } else {
        ", but for those while something else stands on"
    };
    let words = (
        "All wakes from their start".to_owned(),
        format!("{n} laid over each other from their start{left_out}. {}", kinds.join(" ")),
    );
    let overlay = overlay(findings, sleep, trace);
    Figure::of("wakes".to_owned(), words, &overlay, None).map(Some)
}

/// One that does not stand on what another load draws.
fn is_at_the_floor(sleep: &SleepFindings, wake: &Wake) -> bool {
    let after = sleep.awake_stretches.partition_point(|span| span.start_s <= wake.start_s);
    let before = after.checked_sub(1).map(|at| sleep.awake_stretches[at]);
    before.is_none_or(|span| span.end_s <= wake.start_s)
}

fn overlay(findings: &Findings, sleep: &SleepFindings, trace: &Trace<'_>) -> Overlay {
    let shown: Vec<&Wake> =
        sleep.wakes.iter().filter(|wake| is_at_the_floor(sleep, wake)).collect();
    let widths: Vec<f64> = sleep.series.iter().take(KINDS).map(|kind| kind.width_s).collect();
    let (least_s, most_s) =
        widths.iter().fold((f64::INFINITY, 0.0), |(l, h): (f64, f64), w| (l.min(*w), h.max(*w)));
    let groups: Vec<(Vec<usize>, Vec<&Wake>)> = if most_s > APART * least_s && least_s > 0.0 {
        // Wakes of no kind stand with the kind that is nearest to them in width.
        let nearest = |wake: &Wake| {
            let far = |at: &usize| (wake.width_s / widths[*at]).ln().abs();
            (0..widths.len()).min_by(|a, b| far(a).total_cmp(&far(b)))
        };
        let kind_of =
            |wake: &Wake| wake.series.filter(|at| *at < widths.len()).or_else(|| nearest(wake));
        let of = |kind: usize| {
            let own = shown.iter().copied().filter(|wake| kind_of(wake) == Some(kind)).collect();
            (vec![kind], own)
        };
        (0..widths.len()).map(of).filter(|(_, own): &(_, Vec<_>)| !own.is_empty()).collect()
    } else {
        vec![((0..widths.len()).collect(), shown)]
    };
    let plot = if groups.len() > 1 { 112.0 } else { 206.0 };
    let top = |at: usize| 20.0 + at as f64 * (plot + 54.0);
    let height = (top(groups.len() - 1) + plot + 36.0) as u32;
    let parts = groups
        .into_iter()
        .enumerate()
        .map(|(at, (kinds, shown))| {
            part(findings, sleep, trace, (&kinds, &shown), [top(at), top(at) + plot])
        })
        .collect();
    Overlay { parts, height }
}

/// Wakes on one scale of time, with the kinds among them.
fn part(
    findings: &Findings,
    sleep: &SleepFindings,
    trace: &Trace<'_>,
    (kinds, shown): (&[usize], &[&Wake]),
    [top, foot]: [f64; 2],
) -> Part {
    let interval_s = findings.capture.sampling_interval_s.unwrap_or(0.0);
    let mut widths: Vec<f64> = shown.iter().map(|wake| wake.width_s).collect();
    widths.sort_by(f64::total_cmp);
    let wide_s = widths.get(widths.len().saturating_sub(1) * 19 / 20).copied().unwrap_or(0.0);
    let wide_s = wide_s.max(2.0 * interval_s).max(f64::MIN_POSITIVE);
    let (before_s, after_s) = (0.3 * wide_s, 1.6 * wide_s);
    let around = |wake: &Wake, columns: usize| {
        trace.columns(wake.start_s - before_s, wake.start_s + after_s, columns)
    };
    let every = shown.len().div_ceil(MOST).max(1);
    let most = shown.iter().copied().max_by(|a, b| a.charge_ah.total_cmp(&b.charge_ah));
    let drawn: Vec<&Wake> = shown.iter().copied().step_by(every).chain(most).collect();
    let lines: Vec<_> =
        drawn.iter().map(|wake| points(&around(wake, COLUMNS), wake.start_s)).collect();
    // No finer than the readings, so that every column of every wake has one.
    let fine = ((before_s + after_s) / interval_s.max(1e-12)).clamp(4.0, COLUMNS as f64) as usize;
    let kinds = kinds.iter().map(|&kind| {
        let own: Vec<&Wake> =
            shown.iter().copied().filter(|wake| wake.series == Some(kind)).collect();
        let every = own.len().div_ceil(MOST).max(1);
        let own: Vec<_> = own.iter().step_by(every).map(|wake| around(wake, fine)).collect();
        let step_s = (before_s + after_s) / fine as f64;
        let middle = (0..fine)
            .filter_map(|at| {
                let mut values: Vec<f64> = own
                    .iter()
                    .filter_map(|columns| columns[at].map(|c| 0.5 * (c.low_a + c.high_a)))
                    .collect();
                values.sort_by(f64::total_cmp);
                let value_a = *values.get(values.len() / 2)?;
                Some(((at as f64 + 0.5) * step_s - before_s, value_a))
            })
            .collect();
        let series = &sleep.series[kind];
        let every = series.period_s.filter(|_| series.regular);
        let every = every.map_or(String::new(), |s| format!(", every {}", words::duration(s)));
        let label = format!("{}{every}", words::count(series.count, "wake", "wakes"));
        (kind, Kind { middle, label })
    });
    let kinds: Vec<(usize, Kind)> = kinds.collect();
    let high_a = lines.iter().flatten().map(|point| point.1).fold(0.0, f64::max);
    let low_a = lines.iter().flatten().map(|point| point.1).fold(0.0, f64::min);
    let size = if high_a > low_a { high_a - low_a } else { 1e-3 };
    // Room over the wakes for a line of words each kind.
    let room = 0.05 + 20.6 / (foot - top) * kinds.len() as f64;
    let (low_a, high_a) =
        (if low_a < 0.0 { low_a - 0.03 * size } else { 0.0 }, high_a + room * size);
    let times = axes::quantity(-before_s, after_s, 6, "time from the wake's start", "s");
    let currents = axes::current(low_a, high_a, if foot - top > 150.0 { 5 } else { 3 }, "current");
    Part {
        frame: Frame {
            left: 46.0,
            right: 420.0,
            top,
            foot,
            x: Scale::linear(-before_s, after_s, times),
            y: Scale::linear(low_a, high_a, currents),
        },
        lines,
        kinds,
    }
}

impl Scene for Overlay {
    fn size(&self) -> (u32, u32) {
        (430, self.height)
    }

    fn draw<DB: DrawingBackend>(&self, paper: &Paper<DB>) -> Drawn<DB> {
        self.parts.iter().try_for_each(|part| part.draw(paper))
    }
}

impl Part {
    fn draw<DB: DrawingBackend>(&self, paper: &Paper<DB>) -> Drawn<DB> {
        let frame = &self.frame;
        frame.draw_y(paper)?;
        for line in &self.lines {
            frame.line(paper, line, paper.line(ink::READING, 0.75))?;
        }
        for (at, (kind, shown)) in self.kinds.iter().enumerate() {
            let colour = [ink::STATE, ink::BEYOND, ink::TEXT][*kind.min(&2)];
            frame.line(paper, &shown.middle, paper.line(colour, 2.5))?;
            let style = paper.text(ink::TEXT, LABEL, HPos::Right, VPos::Center);
            let y = paper.px(frame.top + 8.0 + 16.0 * at as f64);
            let right = paper.px(frame.right);
            let start = right - paper.width_of(&shown.label, &style) - paper.px(6.0);
            let swatch = vec![(start - paper.px(18.0), y), (start, y)];
            paper.area.draw(&PathElement::new(swatch, paper.line(colour, 2.5)))?;
            paper.area.draw_text(&shown.label, &style, (right, y))?;
        }
        frame.draw_x(paper)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::{ReadOptions, Silent, read_bytes};
    use crate::jobsheet::JobSheet;
    use crate::pipeline::{self, Request};

    /// A poll of 0.3 s every 10 s and a report of 6 s every 5 min, at 10 Hz for half an hour.
    #[test]
    fn a_poll_and_a_report_are_both_seen_from_start_to_end() {
        let reading_a = |i: usize| {
            let noise_a = 1e-6 * ((i * 7919 % 13) as f64 - 6.0);
            let within =
                |period: usize, width: usize, at: usize| (i + period - at) % period < width;
            let up_a = match () {
                () if within(3000, 60, 1250) => 0.085,
                () if within(100, 3, 40) => 0.012,
                () => 0.0008,
            };
            up_a + noise_a
        };
        let rows: String =
            (0..18_000).map(|i| format!("{:.1},{:.6}\n", i as f64 / 10.0, reading_a(i))).collect();
        let text = format!("elapsed (s),current (A)\n{rows}");
        let capture = read_bytes("a.csv", text.into_bytes(), &ReadOptions::default(), &Silent);
        let sheet = JobSheet::default();
        let request = Request {
            sheet: &sheet,
            events: None,
            wishes: Default::default(),
            risk: Default::default(),
        };
        let analysis = pipeline::analyze(capture.unwrap(), &request).unwrap();
        let sleep = analysis.findings.sleep.as_ref().unwrap();
        let found = overlay(&analysis.findings, sleep, &Trace::of(&analysis));
        let ends: Vec<f64> =
            found.parts.iter().flat_map(|part| part.lines.iter().flatten()).map(|p| p.0).collect();
        assert_eq!(found.parts.len(), 2);
        assert!(ends.iter().copied().fold(0.0, f64::max) > 6.0);
        assert!(found.parts.iter().any(|part| {
            part.lines.iter().flatten().all(|point| point.0 < 2.0)
                && !part.kinds[0].1.middle.is_empty()
        }));
        assert!(found.parts.windows(2).all(|pair| pair[0].frame.foot + 36.0 < pair[1].frame.top));
    }
}
