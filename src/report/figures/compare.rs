//! Before and after, side by side on one scale.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, VPos};

use super::axes::{self, Axis, Ticks};
use super::panel::{Form, Panel};
use super::paper::{Drawn, Figure, Paper, Scene, ink};
use crate::findings::{Change, CompareFindings, Findings, Span};
use crate::numeric::Quantity;
use crate::report::ReportError;
use crate::report::trace::Trace;
use crate::report::words::{Clock, printable};

/// Rows that are drawn; more would not fit a page.
const MOST: usize = 24;
const LABEL: f64 = 12.0;

const SIDE: Form = Form {
    width: 430,
    height: 250,
    left: 44.0,
    bottom: 38.0,
    tag_rows: 0,
    time_ticks: 4,
    time_title: true,
    current_ticks: 5,
};

/// Both captures in panels of the same size and current scale, before first.
pub(crate) fn sides(captures: [(&Findings, &Trace<'_>); 2]) -> Result<[Figure; 2], ReportError> {
    let panels = captures.map(|(findings, trace)| {
        let end_s = trace.duration_s().max(f64::MIN_POSITIVE);
        let span = Span { start_s: 0.0, end_s };
        Panel::new(findings, trace, &Clock::of(&findings.capture), span, SIDE, None).without_marks()
    });
    let [before, after] = panels.each_ref().map(Panel::scale);
    let (low_a, high_a) = (before.0.min(after.0), before.1.max(after.1));
    let [before, after] = panels.map(|panel| panel.on_scale(low_a, high_a));
    let words = |when: &str, findings: &Findings| {
        let mean = Quantity::amperes(findings.totals.mean_a);
        (format!("Current {when}"), format!("Current of the capture {when}, {mean} on average."))
    };
    let figure = |when: &str, findings, panel: &Panel| {
        Figure::of(when.to_owned(), words(when, findings), panel, None)
    };
    Ok([figure("before", captures[0].0, &before)?, figure("after", captures[1].0, &after)?])
}

struct Row {
    name: String,
    before: (f64, f64),
    after: (f64, f64),
    high_a: Option<f64>,
    change: String,
    real: bool,
}

struct Chart {
    rows: Vec<Row>,
    narrow: bool,
    ticks: Ticks,
    low_a: f64,
    high_a: f64,
}

/// Every change on one scale; `None` when there is none.
pub(crate) fn changes(findings: &CompareFindings) -> Result<Option<Figure>, ReportError> {
    if findings.changes.is_empty() {
        return Ok(None);
    }
    let one = |change: &Change| {
        format!(
            "{} {}: {} before, {} after.",
            printable(&change.load),
            printable(&change.state),
            Quantity::amperes_with(change.before_a, change.before_expanded_a),
            Quantity::amperes_with(change.after_a, change.after_expanded_a),
        )
    };
    let description = findings.changes.iter().map(one).collect::<Vec<_>>().join(" ");
    let words = ("Draw before and after".to_owned(), description);
    let (wide, narrow) = (chart(findings, false), chart(findings, true));
    Figure::of("changes".to_owned(), words, &wide, Some(&narrow)).map(Some)
}

fn chart(findings: &CompareFindings, narrow: bool) -> Chart {
    let rows: Vec<Row> = findings.changes.iter().take(MOST).map(row).collect();
    let ends = rows.iter().flat_map(|row| {
        [row.before, row.after]
            .into_iter()
            .flat_map(|(draw_a, expanded_a)| [draw_a - expanded_a, draw_a + expanded_a])
            .chain(row.high_a)
    });
    let (low_a, high_a) =
        ends.fold((0.0, 0.0), |(low, high): (f64, f64), end| (low.min(end), high.max(end)));
    let size = if high_a > low_a { high_a - low_a } else { 1e-3 };
    let (low_a, high_a) =
        (if low_a < 0.0 { low_a - 0.03 * size } else { 0.0 }, high_a + 0.05 * size);
    let ticks = axes::current(low_a, high_a, if narrow { 4 } else { 6 }, "draw");
    Chart { rows, narrow, ticks, low_a, high_a }
}

fn row(change: &Change) -> Row {
    let name = [&change.load, &change.state].map(|text| printable(text));
    Row {
        name: name.join(", ").trim_end_matches(", ").to_owned(),
        before: (change.before_a, change.before_expanded_a),
        after: (change.after_a, change.after_expanded_a),
        high_a: change.limit_high_a,
        change: Quantity::amperes_with(change.change_a, change.expanded_uncertainty_a).to_string(),
        real: change.is_real(),
    }
}

impl Chart {
    fn row_height(&self) -> f64 {
        if self.narrow { 66.0 } else { 46.0 }
    }

    fn margins(&self) -> (f64, f64) {
        if self.narrow { (10.0, 14.0) } else { (210.0, 176.0) }
    }
}

impl Scene for Chart {
    fn size(&self) -> (u32, u32) {
        let height = self.row_height() * self.rows.len() as f64 + 46.0;
        (if self.narrow { 400 } else { 880 }, height as u32)
    }

    fn draw<DB: DrawingBackend>(&self, paper: &Paper<DB>) -> Drawn<DB> {
        let (left, right) = self.margins();
        let n = self.rows.len() as f64;
        let x = Axis::new(self.low_a, self.high_a, &self.ticks);
        let mut chart = ChartBuilder::on(&paper.area)
            .margin_top(paper.px(6.0))
            .margin_left(paper.px(left))
            .margin_right(paper.px(right))
            .set_label_area_size(LabelAreaPosition::Bottom, paper.px(36.0))
            .build_cartesian_2d(x, n..0.0)?;
        chart
            .configure_mesh()
            .disable_y_mesh()
            .disable_y_axis()
            .light_line_style(TRANSPARENT)
            .bold_line_style(paper.line(ink::GRID, 1.0))
            .axis_style(paper.line(ink::SOFT, 1.0))
            .label_style(paper.text(ink::SOFT, 11.0, HPos::Left, VPos::Top))
            .x_label_formatter(&|tick| self.ticks.label(*tick))
            .draw()?;
        let place = |current_a: f64, row: f64| chart.backend_coord(&(current_a, row));
        let corner = place(self.high_a, n);
        let title = paper.text(ink::SOFT, 11.0, HPos::Right, VPos::Bottom);
        let foot = (corner.0, paper.px(f64::from(self.size().1) - 1.0));
        paper.area.draw_text(&self.ticks.title, &title, foot)?;
        let (from, to) = if self.narrow { (0.52, 0.84) } else { (0.32, 0.70) };
        for (i, row) in self.rows.iter().enumerate() {
            let i = i as f64;
            let name_at = place(self.low_a, i + if self.narrow { 0.24 } else { 0.5 });
            self.draw_words(paper, row, name_at)?;
            if let Some(high_a) = row.high_a {
                let (top, foot) = (place(high_a, i + from - 0.14), place(high_a, i + to + 0.14));
                paper.area.draw(&PathElement::new(vec![top, foot], paper.line(ink::TEXT, 2.0)))?;
            }
            let before = |a: f64| place(a, i + from);
            let after = |a: f64| place(a, i + to);
            draw_bar(paper, row.before, &before, ink::SOFT, false)?;
            draw_bar(paper, row.after, &after, ink::STATE, true)?;
        }
        Ok(())
    }
}

/// A draw with its uncertainty; hollow before, filled after.
fn draw_bar<DB: DrawingBackend>(
    paper: &Paper<DB>,
    (draw_a, expanded_a): (f64, f64),
    place: &dyn Fn(f64) -> (i32, i32),
    colour: RGBColor,
    filled: bool,
) -> Drawn<DB> {
    let (from, to) = (place(draw_a - expanded_a), place(draw_a + expanded_a));
    let (cap, style) = (paper.px(4.0), paper.line(colour, 2.0));
    for line in [
        vec![from, to],
        vec![(from.0, from.1 - cap), (from.0, from.1 + cap)],
        vec![(to.0, to.1 - cap), (to.0, to.1 + cap)],
    ] {
        paper.area.draw(&PathElement::new(line, style))?;
    }
    let (at, size) = (place(draw_a), paper.px(5.0));
    if filled {
        paper.area.draw(&Circle::new(at, size, colour.filled()))
    } else {
        paper.area.draw(&Circle::new(at, size, ink::PAPER.filled()))?;
        paper.area.draw(&Circle::new(at, size, style))
    }
}

impl Chart {
    fn draw_words<DB: DrawingBackend>(
        &self,
        paper: &Paper<DB>,
        row: &Row,
        at: (i32, i32),
    ) -> Drawn<DB> {
        let (width, _) = self.size();
        let (left, right) = self.margins();
        let words = if row.real { "changed" } else { "within doubt" };
        if self.narrow {
            let edge = paper.px(f64::from(width) - 8.0);
            let change = paper.text(ink::TEXT, LABEL, HPos::Right, VPos::Center);
            paper.area.draw_text(&row.change, &change, (edge, at.1))?;
            let name = paper.text(ink::TEXT, LABEL, HPos::Left, VPos::Center);
            let room = edge - paper.width_of(&row.change, &change) - paper.px(22.0);
            let fitted = paper.fitted(&row.name, &name, room);
            return paper.area.draw_text(&fitted, &name, (paper.px(left), at.1));
        }
        let name = paper.text(ink::TEXT, LABEL, HPos::Right, VPos::Center);
        let fitted = paper.fitted(&row.name, &name, paper.px(left - 20.0));
        paper.area.draw_text(&fitted, &name, (paper.px(left - 12.0), at.1))?;
        let start = paper.px(f64::from(width) - right + 14.0);
        let style = paper.text(ink::TEXT, LABEL, HPos::Left, VPos::Bottom);
        paper.area.draw_text(&row.change, &style, (start, at.1 - paper.px(1.0)))?;
        let style = paper.text(ink::SOFT, LABEL, HPos::Left, VPos::Top);
        paper.area.draw_text(words, &style, (start, at.1 + paper.px(2.0)))
    }
}
