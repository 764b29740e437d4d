//! Draw of each load against its limit.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, VPos};

use super::axes::{self, Axis, Ticks};
use super::paper::{Drawn, Figure, Paper, Scene, ink};
use crate::findings::{Findings, LoadRow, Verdict};
use crate::numeric::Quantity;
use crate::report::ReportError;
use crate::report::text::ordered;
use crate::report::words::{self, printable};

/// Rows that are drawn; more would not fit a page.
const MOST: usize = 24;
const LABEL: f64 = 12.0;

struct Row {
    name: String,
    draw_a: f64,
    expanded_a: f64,
    low_a: Option<f64>,
    high_a: Option<f64>,
    verdict: Verdict,
    words: String,
    figure: String,
}

struct Chart {
    rows: Vec<Row>,
    narrow: bool,
    ticks: Ticks,
    low_a: f64,
    high_a: f64,
}

/// The chart; `None` without loads.
pub(crate) fn loads(findings: &Findings) -> Result<Option<Figure>, ReportError> {
    if findings.loads.is_empty() {
        return Ok(None);
    }
    let description = ordered(&findings.loads)
        .map(|load| {
            format!(
                "{} {}: {}, limit {}, {}.",
                printable(&load.load),
                printable(&load.state),
                Quantity::amperes_with(load.draw_a, load.expanded_uncertainty_a),
                words::limits(load),
                words::verdict_words(load)
            )
        })
        .collect::<Vec<_>>()
        .join(" ");
    let words = ("Draw of each load against its limit".to_owned(), description);
    let (wide, narrow) = (chart(findings, false), chart(findings, true));
    Figure::of("loads".to_owned(), words, &wide, Some(&narrow)).map(Some)
}

fn chart(findings: &Findings, narrow: bool) -> Chart {
    let rows: Vec<Row> = ordered(&findings.loads).take(MOST).map(row).collect();
    let (low_a, high_a) = range(&rows);
    let size = if high_a > low_a { high_a - low_a } else { 1e-3 };
    let (low_a, high_a) =
        (if low_a < 0.0 { low_a - 0.03 * size } else { 0.0 }, high_a + 0.05 * size);
    let ticks = axes::current(low_a, high_a, if narrow { 4 } else { 6 }, "draw");
    Chart { rows, narrow, ticks, low_a, high_a }
}

/// Lowest and highest current to show: every draw and limit, and the uncertainties unless one is
/// so wide that it would flatten the rest; its bar then ends in arrows.
fn range(rows: &[Row]) -> (f64, f64) {
    let wide = |(low, high): (f64, f64), end: f64| (low.min(end), high.max(end));
    let firm = rows.iter().flat_map(|row| [Some(row.draw_a), row.low_a, row.high_a]).flatten();
    let (low_a, high_a) = firm.fold((0.0, 0.0), wide);
    let room_a = high_a - low_a;
    let bars = rows.iter().filter(|row| row.expanded_a <= 0.5 * room_a);
    bars.flat_map(|row| [row.draw_a - row.expanded_a, row.draw_a + row.expanded_a])
        .fold((low_a, high_a), wide)
}

fn row(load: &LoadRow) -> Row {
    Row {
        name: format!("{}, {}", printable(&load.load), printable(&load.state)),
        draw_a: load.draw_a,
        expanded_a: load.expanded_uncertainty_a,
        low_a: load.limit_low_a,
        high_a: load.limit_high_a,
        verdict: load.verdict,
        words: format!("{} {}", words::verdict_mark(load.verdict), words::verdict_words(load)),
        figure: Quantity::amperes_with(load.draw_a, load.expanded_uncertainty_a).to_string(),
    }
}

impl Chart {
    fn row_height(&self) -> f64 {
        if self.narrow { 62.0 } else { 38.0 }
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
        let (_, height) = self.size();
        let foot = (corner.0, paper.px(f64::from(height) - 1.0));
        paper.area.draw_text(&self.ticks.title, &title, foot)?;
        for (i, row) in self.rows.iter().enumerate() {
            let share = if self.narrow { 0.7 } else { 0.5 };
            let middle = |current_a: f64| place(current_a, i as f64 + share);
            self.draw_words(
                paper,
                row,
                place(self.low_a, i as f64 + if self.narrow { 0.3 } else { 0.5 }),
            )?;
            self.draw_row(paper, row, &middle)?;
        }
        Ok(())
    }
}

impl Chart {
    fn draw_words<DB: DrawingBackend>(
        &self,
        paper: &Paper<DB>,
        row: &Row,
        at: (i32, i32),
    ) -> Drawn<DB> {
        let beyond = row.verdict == Verdict::NonConforming;
        let colour = if beyond { ink::BEYOND } else { ink::TEXT };
        let (width, _) = self.size();
        let edge = paper.px(f64::from(width) - 8.0);
        let (left, right) = self.margins();
        if self.narrow {
            let verdict = paper.text(colour, LABEL, HPos::Right, VPos::Center);
            paper.area.draw_text(&row.words, &verdict, (edge, at.1))?;
            let name = paper.text(ink::TEXT, LABEL, HPos::Left, VPos::Center);
            let room = edge - paper.width_of(&row.words, &verdict) - paper.px(22.0);
            return paper.area.draw_text(
                &paper.fitted(&row.name, &name, room),
                &name,
                (paper.px(left), at.1),
            );
        }
        let name = paper.text(ink::TEXT, LABEL, HPos::Right, VPos::Center);
        let fitted = paper.fitted(&row.name, &name, paper.px(left - 20.0));
        paper.area.draw_text(&fitted, &name, (paper.px(left - 12.0), at.1))?;
        let start = paper.px(f64::from(width) - right + 14.0);
        let style = paper.text(ink::TEXT, LABEL, HPos::Left, VPos::Bottom);
        paper.area.draw_text(&row.figure, &style, (start, at.1 - paper.px(1.0)))?;
        let style = paper.text(colour, LABEL, HPos::Left, VPos::Top);
        let words = paper.fitted(&row.words, &style, paper.px(right - 18.0));
        paper.area.draw_text(&words, &style, (start, at.1 + paper.px(2.0)))
    }

    fn draw_row<DB: DrawingBackend>(
        &self,
        paper: &Paper<DB>,
        row: &Row,
        middle: &dyn Fn(f64) -> (i32, i32),
    ) -> Drawn<DB> {
        let half = paper.px(9.0);
        let limit = |value_a: f64, inward: f64| {
            let (x, y) = middle(value_a);
            let hook = x + paper.px(inward);
            let corners = vec![(hook, y - half), (x, y - half), (x, y + half), (hook, y + half)];
            paper.area.draw(&PathElement::new(corners, paper.line(ink::TEXT, 2.0)))
        };
        if row.low_a.is_some() || row.high_a.is_some() {
            let from = middle(row.low_a.unwrap_or(self.low_a.max(0.0)));
            let to = middle(row.high_a.unwrap_or(self.high_a));
            let corners = [(from.0, from.1 - half), (to.0, to.1 + half)];
            paper.area.draw(&Rectangle::new(corners, ink::WITHIN.filled()))?;
        }
        if let Some(low_a) = row.low_a {
            limit(low_a, 4.0)?;
        }
        if let Some(high_a) = row.high_a {
            limit(high_a, -4.0)?;
        }
        let colour = if row.verdict == Verdict::NonConforming { ink::BEYOND } else { ink::STATE };
        let (low_a, high_a) = (row.draw_a - row.expanded_a, row.draw_a + row.expanded_a);
        let (from, to) = (middle(low_a.max(self.low_a)), middle(high_a.min(self.high_a)));
        let (cap, style) = (paper.px(5.0), paper.line(colour, 2.0));
        paper.area.draw(&PathElement::new(vec![from, to], style))?;
        for (end, cut, inward) in
            [(from, low_a < self.low_a, cap), (to, high_a > self.high_a, -cap)]
        {
            // A bar that goes on beyond the picture ends in an arrow, one that ends here in a cap.
            let back = if cut { end.0 + inward } else { end.0 };
            let mut line = vec![(back, end.1 - cap), (back, end.1 + cap)];
            if cut {
                line.insert(1, end);
            }
            paper.area.draw(&PathElement::new(line, style))?;
        }
        let (x, y) = middle(row.draw_a);
        let size = paper.px(5.0);
        match row.verdict {
            Verdict::Conforming => paper.area.draw(&Circle::new((x, y), size, colour.filled())),
            Verdict::NonConforming => {
                let size = paper.px(7.0);
                let corners = vec![(x - size, y), (x, y - size), (x + size, y), (x, y + size)];
                paper.area.draw(&Polygon::new(corners, colour.filled()))
            }
            Verdict::Indeterminate => {
                let corners = [(x - size, y - size), (x + size, y + size)];
                paper.area.draw(&Rectangle::new(corners, ink::PAPER.filled()))?;
                paper.area.draw(&Rectangle::new(corners, style))
            }
            Verdict::NoLimit => {
                paper.area.draw(&Circle::new((x, y), size, ink::PAPER.filled()))?;
                paper.area.draw(&Circle::new((x, y), size, style))
            }
        }
    }
}
