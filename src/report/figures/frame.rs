//! The frame of a plot on two scales: where values fall, grid, labels and titles.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, VPos};

use super::axes::Ticks;
use super::paper::{Drawn, Paper, ink};
use crate::report::trace::Column;

/// Size of labels, pixels of the page.
pub(super) const LABEL: f64 = 11.0;

/// One axis of a frame.
#[derive(Debug, Clone)]
pub(super) struct Scale {
    pub(super) low: f64,
    pub(super) high: f64,
    pub(super) ticks: Ticks,
    pub(super) logarithmic: bool,
}

impl Scale {
    pub(super) fn linear(low: f64, high: f64, ticks: Ticks) -> Self {
        Self { low, high, ticks, logarithmic: false }
    }

    pub(super) fn logarithmic(low: f64, high: f64, ticks: Ticks) -> Self {
        Self { low, high, ticks, logarithmic: true }
    }

    /// Where a value lies, 0 at the low end and 1 at the high end; what lies outside ends there.
    fn share(&self, value: f64) -> f64 {
        let share = if self.logarithmic {
            (value.max(f64::MIN_POSITIVE) / self.low).ln() / (self.high / self.low).ln()
        } else {
            (value - self.low) / (self.high - self.low)
        };
        share.clamp(0.0, 1.0)
    }
}

/// Edges of the plot in pixels of the page, and its axes.
#[derive(Debug, Clone)]
pub(super) struct Frame {
    pub(super) left: f64,
    pub(super) right: f64,
    pub(super) top: f64,
    pub(super) foot: f64,
    pub(super) x: Scale,
    pub(super) y: Scale,
}

impl Frame {
    /// Drawn pixel of `x`, across.
    pub(super) fn across<DB: DrawingBackend>(&self, paper: &Paper<DB>, x: f64) -> i32 {
        paper.px(self.left + self.x.share(x) * (self.right - self.left))
    }

    /// Drawn pixel of `y`, down.
    pub(super) fn down<DB: DrawingBackend>(&self, paper: &Paper<DB>, y: f64) -> i32 {
        paper.px(self.foot - self.y.share(y) * (self.foot - self.top))
    }

    /// Drawn pixels of a point.
    pub(super) fn at<DB: DrawingBackend>(
        &self,
        paper: &Paper<DB>,
        (x, y): (f64, f64),
    ) -> (i32, i32) {
        (self.across(paper, x), self.down(paper, y))
    }

    /// Lines across at the ticks of `y`, with their labels, and the title of `y` over the plot.
    pub(super) fn draw_y<DB: DrawingBackend>(&self, paper: &Paper<DB>) -> Drawn<DB> {
        let label = paper.text(ink::SOFT, LABEL, HPos::Right, VPos::Center);
        let (left, right) = (paper.px(self.left), paper.px(self.right));
        for tick in &self.y.ticks.at {
            let y = self.down(paper, *tick);
            let line = vec![(left, y), (right, y)];
            paper.area.draw(&PathElement::new(line, paper.line(ink::GRID, 1.0)))?;
            let text = self.y.ticks.label(*tick);
            paper.area.draw_text(&text, &label, (left - paper.px(5.0), y))?;
        }
        let title = paper.text(ink::SOFT, LABEL, HPos::Left, VPos::Bottom);
        let at = (paper.px(4.0), paper.px(self.top - 5.0));
        paper.area.draw_text(&self.y.ticks.title, &title, at)
    }

    /// The foot of the plot with the ticks, labels and title of `x`.
    pub(super) fn draw_x<DB: DrawingBackend>(&self, paper: &Paper<DB>) -> Drawn<DB> {
        let style = paper.line(ink::SOFT, 1.0);
        let (left, right, foot) = (paper.px(self.left), paper.px(self.right), paper.px(self.foot));
        paper.area.draw(&PathElement::new(vec![(left, foot), (right, foot)], style))?;
        let label = paper.text(ink::SOFT, LABEL, HPos::Center, VPos::Top);
        let mut taken = i32::MIN;
        for tick in &self.x.ticks.at {
            let x = self.across(paper, *tick);
            let line = vec![(x, foot), (x, foot + paper.px(4.0))];
            paper.area.draw(&PathElement::new(line, style))?;
            let text = self.x.ticks.label(*tick);
            let half = paper.width_of(&text, &label) / 2;
            let edge = paper.px(self.right + 8.0);
            // A label that would be cut off or run into the one before is left out.
            if x - half > taken && x + half <= edge.max(right) {
                taken = x + half + paper.px(4.0);
                paper.area.draw_text(&text, &label, (x, foot + paper.px(6.0)))?;
            }
        }
        let title = paper.text(ink::SOFT, LABEL, HPos::Right, VPos::Top);
        let at = (right, foot + paper.px(20.0));
        paper.area.draw_text(&self.x.ticks.title, &title, at)
    }

    /// A polyline through points of the plot.
    pub(super) fn line<DB: DrawingBackend>(
        &self,
        paper: &Paper<DB>,
        points: &[(f64, f64)],
        style: ShapeStyle,
    ) -> Drawn<DB> {
        let mut line: Vec<_> = points.iter().map(|point| self.at(paper, *point)).collect();
        line.dedup();
        match line.as_slice() {
            [] => Ok(()),
            [point] => paper.area.draw(&Circle::new(*point, paper.px(1.0), style.filled())),
            _ => paper.area.draw(&PathElement::new(line, style)),
        }
    }
}

/// The readings of columns as points, lowest and highest of each; times count from `from_s`.
pub(super) fn points(columns: &[Option<Column>], from_s: f64) -> Vec<(f64, f64)> {
    let mut points = Vec::new();
    for column in columns.iter().flatten() {
        let middle_s = 0.5 * (column.first_s + column.last_s) - from_s;
        for value_a in [column.first_a, column.low_a, column.high_a, column.last_a] {
            let point = (middle_s, value_a);
            if points.last() != Some(&point) {
                points.push(point);
            }
        }
    }
    points
}
