//! Current over a stretch of time: readings, steady states, events, gaps, overload.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, VPos};

use super::axes::{self, Axis, Ticks};
use super::paper::{Drawn, Paper, Scene, ink};
use crate::findings::{Findings, SegmentKind, Span};
use crate::numeric::Quantity;
use crate::report::loose_steps;
use crate::report::trace::{Column, Trace};
use crate::report::words::{self, Clock};

const LABEL: f64 = 11.0;
const TAG_ROW: f64 = 15.0;

/// Marks beyond which those of loose steps hide more than they tell.
const CROWD: usize = 48;

/// Where a panel is drawn and how much of it is labelling.
#[derive(Debug, Clone, Copy)]
pub(super) struct Form {
    pub(super) width: u32,
    pub(super) height: u32,
    pub(super) left: f64,
    pub(super) bottom: f64,
    pub(super) tag_rows: usize,
    pub(super) time_ticks: usize,
    pub(super) time_title: bool,
    pub(super) current_ticks: usize,
}

impl Form {
    fn top(&self) -> f64 {
        18.0 + TAG_ROW * self.tag_rows as f64
    }

    fn plot_width(&self) -> usize {
        (f64::from(self.width) - self.left - 10.0).max(1.0) as usize
    }
}

/// What a vertical mark stands for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in super::super) enum Kind {
    /// A line of the event list, at its step.
    Event,
    /// A line of the event list that no step answers, at its aligned time.
    Unanswered,
    /// A zero check of the event list.
    Zero,
    /// A step that no line explains.
    Loose,
}

/// A vertical mark with its tag.
#[derive(Debug, Clone, PartialEq)]
pub(in super::super) struct Mark {
    pub(super) time_s: f64,
    pub(super) tag: String,
    pub(in super::super) kind: Kind,
}

/// One panel, ready to draw.
#[derive(Debug)]
pub(super) struct Panel {
    form: Form,
    span: Span,
    low_a: f64,
    high_a: f64,
    columns: Vec<Option<Column>>,
    gaps: Vec<Span>,
    overload: Vec<Span>,
    bars: Vec<(Span, f64)>,
    marks: Vec<Mark>,
    credible: Option<Span>,
    times: Ticks,
    currents: Ticks,
    peak: Option<(f64, f64)>,
}

/// Every mark of the capture, in order of time; without those of loose steps in a crowd.
pub(in super::super) fn marks(findings: &Findings) -> Vec<Mark> {
    let mut marks: Vec<Mark> = findings
        .events
        .iter()
        .enumerate()
        .map(|(i, event)| match event.step.and_then(|step| findings.steps.get(step)) {
            Some(step) => Mark { time_s: step.time_s, tag: (i + 1).to_string(), kind: Kind::Event },
            None if words::is_zero_check(event) => {
                Mark { time_s: event.aligned_s, tag: "0".to_owned(), kind: Kind::Zero }
            }
            None => Mark {
                time_s: event.aligned_s,
                tag: format!("({})", i + 1),
                kind: Kind::Unanswered,
            },
        })
        .collect();
    // Without an event list every step would be marked, which says nothing.
    if !findings.events.is_empty() {
        marks.extend(loose_steps(findings).map(|step| Mark {
            time_s: step.time_s,
            tag: "?".to_owned(),
            kind: Kind::Loose,
        }));
    }
    marks.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
    if marks.len() > CROWD {
        marks.retain(|mark| mark.kind != Kind::Loose);
    }
    marks
}

fn clipped(spans: impl Iterator<Item = Span>, window: Span) -> Vec<Span> {
    spans
        .map(|span| Span {
            start_s: span.start_s.max(window.start_s),
            end_s: span.end_s.min(window.end_s),
        })
        .filter(|span| span.end_s >= span.start_s)
        .collect()
}

impl Panel {
    pub(super) fn new(
        findings: &Findings,
        trace: &Trace<'_>,
        clock: &Clock,
        span: Span,
        form: Form,
        credible: Option<Span>,
    ) -> Self {
        let columns = trace.columns(span.start_s, span.end_s, form.plot_width());
        let bars: Vec<(Span, f64)> = findings
            .segments
            .iter()
            .filter(|segment| segment.kind == SegmentKind::Steady)
            .filter(|segment| segment.end_s > span.start_s && segment.start_s < span.end_s)
            .map(|segment| {
                let start_s = segment.start_s.max(span.start_s);
                (Span { start_s, end_s: segment.end_s.min(span.end_s) }, segment.mean_a)
            })
            .collect();
        let (low_a, high_a, peak) = range(&columns, &bars);
        let inside = |mark: &Mark| mark.time_s >= span.start_s && mark.time_s <= span.end_s;
        let mut times = axes::time(span.start_s, span.end_s, clock, form.time_ticks);
        times.drop_cut_labels(
            span.end_s,
            10.0 * (span.end_s - span.start_s) / form.plot_width() as f64,
        );
        Self {
            times,
            currents: axes::current(low_a, high_a, form.current_ticks, "current"),
            gaps: clipped(findings.capture.gaps.iter().copied(), span),
            overload: clipped(trace.overload().iter().map(|overload| overload.span), span),
            marks: marks(findings).into_iter().filter(inside).collect(),
            form,
            span,
            low_a,
            high_a,
            columns,
            bars,
            credible: clipped(credible.into_iter(), span).first().copied(),
            peak,
        }
    }

    /// Lowest and highest current shown, ampere.
    pub(super) fn scale(&self) -> (f64, f64) {
        (self.low_a, self.high_a)
    }

    /// The same panel without marks, for a page that does not list the events.
    pub(super) fn without_marks(self) -> Self {
        Self { marks: Vec::new(), ..self }
    }

    /// The same panel on another's scale.
    pub(super) fn on_scale(self, low_a: f64, high_a: f64) -> Self {
        Self {
            currents: axes::current(low_a, high_a, self.form.current_ticks, "current"),
            peak: self.peak.filter(|peak| peak.1 > high_a),
            low_a,
            high_a,
            ..self
        }
    }

    /// Points of the readings, a line for each stretch between gaps.
    fn lines(&self) -> Vec<Vec<(f64, f64)>> {
        let mut lines: Vec<Vec<(f64, f64)>> = vec![Vec::new()];
        let mut last_s = f64::NEG_INFINITY;
        for column in self.columns.iter().flatten() {
            let broken = self.gaps.iter().any(|gap| {
                gap.start_s < column.first_s && gap.end_s > last_s && last_s.is_finite()
            });
            if broken {
                lines.push(Vec::new());
            }
            let middle_s = 0.5 * (column.first_s + column.last_s);
            let points = [column.first_a, column.low_a, column.high_a, column.last_a];
            let line = lines.last_mut().expect("starts with one line");
            for value_a in points {
                let point = (middle_s, value_a.clamp(self.low_a, self.high_a));
                if line.last() != Some(&point) {
                    line.push(point);
                }
            }
            last_s = column.last_s;
        }
        lines
    }
}

/// Lowest and highest current to show. A few readings far above every steady state (inrush) are
/// cut off and told, so that they do not flatten the rest: returns the peak's time and value then.
fn range(columns: &[Option<Column>], bars: &[(Span, f64)]) -> (f64, f64, Option<(f64, f64)>) {
    let readings = || columns.iter().flatten();
    let low_a = readings().map(|c| c.low_a).fold(0.0, f64::min);
    let high_a = readings().map(|c| c.high_a).fold(0.0, f64::max);
    let top_a = bars.iter().map(|bar| bar.1).fold(0.0, f64::max);
    let beyond = readings().filter(|c| c.high_a > 1.4 * top_a).count();
    let rare = top_a > 0.0 && beyond > 0 && (beyond as f64) < 0.03 * columns.len() as f64;
    let (shown_a, peak) = if rare && high_a > 2.0 * top_a {
        let peak = readings().find(|c| c.high_a == high_a);
        (1.4 * top_a, peak.map(|c| (0.5 * (c.first_s + c.last_s), c.high_a)))
    } else {
        (high_a, None)
    };
    let size = shown_a - low_a;
    if size <= 0.0 {
        return (-1e-3, 1e-3, None);
    }
    let low_a = if low_a < 0.0 { low_a - 0.04 * size } else { 0.0 };
    (low_a, shown_a + if peak.is_some() { 0.0 } else { 0.06 * size }, peak)
}

impl Scene for Panel {
    fn size(&self) -> (u32, u32) {
        (self.form.width, self.form.height)
    }

    fn draw<DB: DrawingBackend>(&self, paper: &Paper<DB>) -> Drawn<DB> {
        let form = &self.form;
        let x = Axis::new(self.span.start_s, self.span.end_s, &self.times);
        let y = Axis::new(self.low_a, self.high_a, &self.currents);
        let mut chart = ChartBuilder::on(&paper.area)
            .margin_top(paper.px(form.top()))
            .margin_right(paper.px(10.0))
            .set_label_area_size(LabelAreaPosition::Left, paper.px(form.left))
            .set_label_area_size(LabelAreaPosition::Bottom, paper.px(form.bottom))
            .build_cartesian_2d(x, y)?;
        let left = chart.backend_coord(&(self.span.start_s, self.low_a));
        let right = chart.backend_coord(&(self.span.end_s, self.high_a));
        self.draw_blocks(
            paper,
            &|time_s| chart.backend_coord(&(time_s, self.low_a)).0,
            (right.1, left.1),
        )?;
        chart
            .configure_mesh()
            .disable_x_mesh()
            .light_line_style(TRANSPARENT)
            .bold_line_style(paper.line(ink::GRID, 1.0))
            .axis_style(paper.line(ink::SOFT, 1.0))
            .label_style(paper.text(ink::SOFT, LABEL, HPos::Left, VPos::Top))
            .x_label_formatter(&|tick| self.times.label(*tick))
            .y_label_formatter(&|tick| self.currents.label(*tick))
            .draw()?;
        let across = |time_s: f64| chart.backend_coord(&(time_s, self.low_a)).0;
        let down = |current_a: f64| chart.backend_coord(&(self.span.start_s, current_a)).1;
        let title = paper.text(ink::SOFT, LABEL, HPos::Left, VPos::Top);
        paper.area.draw_text(&self.currents.title, &title, (paper.px(4.0), paper.px(2.0)))?;
        if form.time_title {
            let title = paper.text(ink::SOFT, LABEL, HPos::Right, VPos::Bottom);
            let at = (right.0, paper.px(f64::from(form.height) - 1.0));
            paper.area.draw_text(&self.times.title, &title, at)?;
        }

        for gap in &self.gaps {
            let style = paper.text(ink::SOFT, LABEL, HPos::Center, VPos::Center);
            let (from, to) = (across(gap.start_s), across(gap.end_s));
            if to - from > paper.width_of("gap", &style) + paper.px(4.0) {
                paper.area.draw_text("gap", &style, ((from + to) / 2, (left.1 + right.1) / 2))?;
            }
        }
        for line in self.lines() {
            let line: Vec<_> = line.iter().map(|point| chart.backend_coord(point)).collect();
            match line.as_slice() {
                [] => {}
                [point] => {
                    let dot = Circle::new(*point, paper.px(1.2), ink::READING.filled());
                    paper.area.draw(&dot)?;
                }
                _ => paper.area.draw(&PathElement::new(line, paper.line(ink::READING, 1.0)))?,
            }
        }
        for (span, mean_a) in &self.bars {
            let height = down(mean_a.clamp(self.low_a, self.high_a));
            let from = across(span.start_s);
            let to = across(span.end_s).max(from + paper.px(2.0));
            let style = paper.line(ink::STATE, 3.0);
            paper.area.draw(&PathElement::new(vec![(from, height), (to, height)], style))?;
        }
        self.draw_marks(paper, &across, left.1)?;
        for overload in &self.overload {
            let (at, size) = (across(0.5 * (overload.start_s + overload.end_s)), paper.px(6.0));
            let corners =
                vec![(at - size, right.1), (at + size, right.1), (at, right.1 + 2 * size)];
            paper.area.draw(&Polygon::new(corners, ink::BEYOND.filled()))?;
        }
        if let Some((time_s, value_a)) = self.peak {
            let text = format!("↑ {}", Quantity::amperes(value_a));
            let style = paper.text(ink::TEXT, LABEL, HPos::Left, VPos::Top);
            let widest = right.0 - paper.width_of(&text, &style);
            let at =
                ((across(time_s) + paper.px(9.0)).min(widest).max(left.0), right.1 + paper.px(1.0));
            paper.area.draw_text(&text, &style, at)?;
        }
        Ok(())
    }
}

impl Panel {
    /// What lies under the grid: gaps, and the credible time of the step.
    fn draw_blocks<DB: DrawingBackend>(
        &self,
        paper: &Paper<DB>,
        across: &dyn Fn(f64) -> i32,
        (top, foot): (i32, i32),
    ) -> Drawn<DB> {
        let gaps = self.gaps.iter().map(|gap| (gap, ink::GAP));
        for (span, colour) in gaps.chain(self.credible.iter().map(|span| (span, ink::WITHIN))) {
            let from = across(span.start_s);
            let corners = [(from, top), (across(span.end_s).max(from + paper.px(1.0)), foot)];
            paper.area.draw(&Rectangle::new(corners, colour.filled()))?;
        }
        Ok(())
    }

    /// Vertical marks; a tag that would touch its neighbours in every row is left out.
    fn draw_marks<DB: DrawingBackend>(
        &self,
        paper: &Paper<DB>,
        across: &dyn Fn(f64) -> i32,
        foot: i32,
    ) -> Drawn<DB> {
        let mut taken = vec![i32::MIN; self.form.tag_rows];
        for mark in &self.marks {
            let colour = if mark.kind == Kind::Loose { ink::BEYOND } else { ink::SOFT };
            let at = across(mark.time_s);
            let style = paper.text(
                if mark.kind == Kind::Loose { ink::BEYOND } else { ink::TEXT },
                LABEL,
                HPos::Center,
                VPos::Top,
            );
            let half = paper.width_of(&mark.tag, &style) / 2 + paper.px(3.0);
            let row = (0..taken.len()).find(|row| taken[*row] < at - half);
            let mut top = paper.px(self.form.top());
            if let Some(row) = row {
                taken[row] = at + half;
                let head = 16.0 + TAG_ROW * (self.form.tag_rows - 1 - row) as f64;
                paper.area.draw_text(&mark.tag, &style, (at, paper.px(head)))?;
                top = paper.px(head + TAG_ROW - 1.0);
            }
            let dash = match mark.kind {
                Kind::Event | Kind::Zero => (5.0, 3.0),
                Kind::Unanswered | Kind::Loose => (2.0, 4.0),
            };
            paper.dashes((at, top), (at, foot), paper.line(colour, 1.0), dash)?;
        }
        Ok(())
    }
}
