//! One quantity of a batch: a dot a unit in the order of test with its uncertainty and the limits,
//! and beside it the distribution on the same scale.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, VPos};

use super::axes;
use super::frame::{Frame, LABEL, Scale};
use super::paper::{Drawn, Figure, Paper, Scene, ink};
use crate::findings::{BatchFindings, MeasureRow, PopulationRow, UnitStatus, Verdict};
use crate::report::ReportError;
use crate::report::text::{measure_name, measure_shown};
use crate::report::words::{self, printable};

/// Robust standard deviations from the median beyond which a unit no longer sets the scale.
const FAR: f64 = 8.0;
/// Units beyond which the narrow picture leaves their uncertainties to the wide one.
const CROWD: usize = 150;
/// Units that are named in the picture.
const NAMED: usize = 8;

struct Dot {
    order: f64,
    value: f64,
    expanded: f64,
    verdict: Verdict,
    outlier: bool,
    counts: bool,
    name: String,
}

struct Chart {
    narrow: bool,
    dots: Vec<Dot>,
    limits: (Option<f64>, Option<f64>),
    median: f64,
    frame: Frame,
    side: Frame,
    bars: Vec<(f64, f64, f64)>,
}

/// The chart of one quantity, `number` for its name; `None` with fewer than three units.
pub(crate) fn units(
    findings: &BatchFindings,
    row: &PopulationRow,
    number: usize,
) -> Result<Option<Figure>, ReportError> {
    if row.units < 3 {
        return Ok(None);
    }
    let name = measure_name(row.measure, row.load.as_deref(), row.state.as_deref());
    let mut description = format!(
        "{} of {} in the order of test: median {}",
        name,
        words::count(row.units, "unit", "units"),
        measure_shown(row.measure, row.median)
    );
    for (what, limit) in [("lower", row.limit_low), ("upper", row.limit_high)] {
        if let Some(limit) = limit {
            description.push_str(&format!(", {what} limit {}", measure_shown(row.measure, limit)));
        }
    }
    match row.outliers.as_slice() {
        [] => description.push_str("; no unit stands apart."),
        names => {
            let names: Vec<String> = names.iter().take(12).map(|name| printable(name)).collect();
            description.push_str(&format!("; standing apart: {}.", names.join(", ")));
        }
    }
    let figure = Figure::of(
        format!("measure-{number:02}"),
        (words::capital(&name), words::capital(&description)),
        &chart(findings, row, false),
        Some(&chart(findings, row, true)),
    )?;
    Ok(Some(figure))
}

fn is_of(row: &PopulationRow, measure: &MeasureRow) -> bool {
    (measure.measure, &measure.load, &measure.state) == (row.measure, &row.load, &row.state)
}

fn chart(findings: &BatchFindings, row: &PopulationRow, narrow: bool) -> Chart {
    let dots: Vec<Dot> = findings
        .units
        .iter()
        .enumerate()
        .flat_map(|(at, unit)| {
            let own = unit.measures.iter().filter(|measure| is_of(row, measure));
            own.map(move |measure| Dot {
                order: at as f64 + 1.0,
                value: measure.value,
                expanded: measure.expanded_uncertainty.unwrap_or(0.0),
                verdict: measure.verdict,
                outlier: measure.outlier,
                counts: unit.status == UnitStatus::Measured,
                name: printable(&unit.unit),
            })
        })
        .collect();
    let (low, high) = range(row, &dots);
    let symbol = row.si_unit.as_str();
    let y = || Scale::linear(low, high, axes::quantity(low, high, 5, "value", symbol));
    let n = findings.units.len().max(2) as f64;
    let order = axes::counts(1.0, n, if narrow { 4 } else { 10 }, "order of test");
    let edge = 0.5 + 0.01 * n;
    let (left, right, side_left, side_right) =
        if narrow { (50.0, 296.0, 308.0, 392.0) } else { (56.0, 670.0, 690.0, 868.0) };
    let foot = if narrow { 226.0 } else { 216.0 };
    let bars = bars(&dots, low, high);
    let most = bars.iter().map(|bar| bar.2).fold(1.0, f64::max);
    let counts = axes::counts(0.0, 1.04 * most, if narrow { 2 } else { 4 }, "units");
    let frame = |left, right, x| Frame { left, right, top: 20.0, foot, x, y: y() };
    Chart {
        narrow,
        limits: (row.limit_low, row.limit_high),
        median: row.median,
        frame: frame(left, right, Scale::linear(1.0 - edge, n + edge, order)),
        side: frame(side_left, side_right, Scale::linear(0.0, 1.04 * most, counts)),
        bars,
        dots,
    }
}

/// Lowest and highest value to show: limits, and every unit with its uncertainty but those so far
/// away that they would flatten the rest; these stand at the edge with their figure.
fn range(row: &PopulationRow, dots: &[Dot]) -> (f64, f64) {
    let near =
        |dot: &&Dot| row.robust_sd.is_none_or(|sd| (dot.value - row.median).abs() <= FAR * sd);
    let whole = dots.iter().filter(near).map(|dot| dot.value);
    let (low, high) = whole
        .chain([row.median])
        .chain(row.limit_low)
        .chain(row.limit_high)
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h): (f64, f64), v| (l.min(v), h.max(v)));
    // Uncertainties count unless they are far wider than the batch.
    let room = high - low;
    let ends = dots.iter().filter(near).filter(|dot| dot.expanded <= room.max(0.5 * high.abs()));
    let (low, high) = ends.fold((low, high), |(l, h), dot| {
        (l.min(dot.value - dot.expanded), h.max(dot.value + dot.expanded))
    });
    let size = if high > low { high - low } else { high.abs().max(1e-12) };
    (low - 0.08 * size, high + 0.08 * size)
}

/// Lower end, upper end and count of the distribution's bars.
fn bars(dots: &[Dot], low: f64, high: f64) -> Vec<(f64, f64, f64)> {
    let counted: Vec<&Dot> = dots.iter().filter(|dot| dot.counts).collect();
    let n = (2.0 * (counted.len() as f64).sqrt()).clamp(8.0, 40.0) as usize;
    let step = (high - low) / n as f64;
    let mut bars: Vec<(f64, f64, f64)> =
        (0..n).map(|i| (low + i as f64 * step, low + (i + 1) as f64 * step, 0.0)).collect();
    for dot in counted.iter().filter(|dot| dot.value >= low && dot.value <= high) {
        bars[(((dot.value - low) / step) as usize).min(n - 1)].2 += 1.0;
    }
    bars
}

impl Chart {
    fn limits<DB: DrawingBackend>(&self, paper: &Paper<DB>, frame: &Frame) -> Drawn<DB> {
        let (low, high) = self.limits;
        let (left, right) = (paper.px(frame.left), paper.px(frame.right));
        if low.is_some() || high.is_some() {
            let top = frame.down(paper, high.unwrap_or(frame.y.high));
            let foot = frame.down(paper, low.unwrap_or(frame.y.low));
            let corners = [(left, top), (right, foot)];
            paper.area.draw(&Rectangle::new(corners, ink::WITHIN.filled()))?;
        }
        Ok(())
    }

    fn limit_lines<DB: DrawingBackend>(&self, paper: &Paper<DB>, frame: &Frame) -> Drawn<DB> {
        let (left, right) = (paper.px(frame.left), paper.px(frame.right));
        for limit in [self.limits.0, self.limits.1].into_iter().flatten() {
            let y = frame.down(paper, limit);
            let line = vec![(left, y), (right, y)];
            paper.area.draw(&PathElement::new(line, paper.line(ink::TEXT, 1.5)))?;
        }
        let y = frame.down(paper, self.median);
        paper.dashes((left, y), (right, y), paper.line(ink::SOFT, 1.0), (5.0, 4.0))
    }

    fn dot<DB: DrawingBackend>(&self, paper: &Paper<DB>, dot: &Dot, size: f64) -> Drawn<DB> {
        let frame = &self.frame;
        let out = dot.outlier || dot.verdict == Verdict::NonConforming;
        let colour = match (dot.counts, out) {
            (false, _) => ink::SOFT,
            (true, true) => ink::BEYOND,
            (true, false) => ink::STATE,
        };
        let (x, y) = frame.at(paper, (dot.order, dot.value));
        // In a crowd on a narrow screen they would only be a smear.
        if dot.expanded > 0.0 && !(self.narrow && self.dots.len() > CROWD) {
            let ends = [dot.value - dot.expanded, dot.value + dot.expanded];
            let line = ends.map(|end| (x, frame.down(paper, end))).to_vec();
            paper.area.draw(&PathElement::new(line, paper.line(colour, 1.0)))?;
        }
        let r = paper.px(size).max(1);
        if dot.value > frame.y.high || dot.value < frame.y.low {
            let tip = if dot.value > frame.y.high { -r } else { r };
            let corners = vec![(x, y + tip), (x - r, y - tip), (x + r, y - tip)];
            return paper.area.draw(&Polygon::new(corners, colour.filled()));
        }
        if !dot.counts {
            let style = paper.line(colour, 1.5);
            let stroke = |from, to| PathElement::new(vec![from, to], style);
            paper.area.draw(&stroke((x - r, y - r), (x + r, y + r)))?;
            return paper.area.draw(&stroke((x - r, y + r), (x + r, y - r)));
        }
        if out {
            let r = paper.px(1.4 * size);
            let corners = vec![(x - r, y), (x, y - r), (x + r, y), (x, y + r)];
            return paper.area.draw(&Polygon::new(corners, colour.filled()));
        }
        if dot.verdict == Verdict::Indeterminate {
            let corners = [(x - r, y - r), (x + r, y + r)];
            paper.area.draw(&Rectangle::new(corners, ink::PAPER.filled()))?;
            return paper.area.draw(&Rectangle::new(corners, paper.line(colour, 1.5)));
        }
        paper.area.draw(&Circle::new((x, y), r, colour.filled()))
    }

    /// Names of the units that stand out, as far as they do not run into each other.
    fn names<DB: DrawingBackend>(&self, paper: &Paper<DB>) -> Drawn<DB> {
        let mut out: Vec<&Dot> = self
            .dots
            .iter()
            .filter(|dot| dot.counts && (dot.outlier || dot.verdict == Verdict::NonConforming))
            .collect();
        let away = |dot: &&Dot| (dot.value - self.median).abs();
        out.sort_by(|a, b| b.outlier.cmp(&a.outlier).then(away(b).total_cmp(&away(a))));
        let (low, high) = (self.frame.y.low, self.frame.y.high);
        let dots: Vec<(i32, i32)> =
            self.dots.iter().map(|dot| self.frame.at(paper, (dot.order, dot.value))).collect();
        let mut taken: Vec<(i32, i32, i32)> = Vec::new();
        for dot in out.into_iter().take(NAMED) {
            let (x, y) = self.frame.at(paper, (dot.order, dot.value));
            let style = paper.text(ink::TEXT, LABEL, HPos::Left, VPos::Center);
            let name = paper.fitted(&dot.name, &style, paper.px(110.0));
            let (width, room, off) = (paper.width_of(&name, &style), paper.px(12.0), paper.px(8.0));
            let y = match dot.value {
                value if value > high - 0.1 * (high - low) => y + paper.px(6.0),
                value if value < low + 0.1 * (high - low) => y - paper.px(6.0),
                _ => y,
            };
            // On either side, where it hides neither a name nor another unit.
            let free = |start: &i32| {
                let end = start + width;
                let clear = |(from, to, at): &(i32, i32, i32)| {
                    *start > *to || end < *from || (y - at).abs() > room
                };
                let inside =
                    *start >= paper.px(self.frame.left) && end <= paper.px(self.frame.right);
                let alone = dots.iter().all(|(dot_x, dot_y)| {
                    *dot_x == x || *dot_x < *start || *dot_x > end || (y - dot_y).abs() > room / 2
                });
                inside && alone && taken.iter().all(clear)
            };
            if let Some(start) = [x + off, x - off - width].into_iter().find(free) {
                taken.push((start, start + width, y));
                paper.area.draw_text(&name, &style, (start, y))?;
            }
        }
        Ok(())
    }
}

impl Scene for Chart {
    fn size(&self) -> (u32, u32) {
        if self.narrow { (400, 262) } else { (880, 252) }
    }

    fn draw<DB: DrawingBackend>(&self, paper: &Paper<DB>) -> Drawn<DB> {
        let side = &self.side;
        for frame in [&self.frame, side] {
            self.limits(paper, frame)?;
        }
        self.frame.draw_y(paper)?;
        for (from, to, count) in self.bars.iter().filter(|bar| bar.2 > 0.0) {
            let (top, foot) = (side.down(paper, *to), side.down(paper, *from));
            let corners =
                [(side.across(paper, 0.0), top + 1), (side.across(paper, *count), foot - 1)];
            paper.area.draw(&Rectangle::new(corners, ink::READING.filled()))?;
        }
        for frame in [&self.frame, side] {
            self.limit_lines(paper, frame)?;
        }
        let size = match self.dots.len() {
            0..=60 => 4.0,
            61..=300 => 2.6,
            _ => 1.7,
        };
        for dot in self.dots.iter().filter(|dot| !dot.outlier) {
            self.dot(paper, dot, size)?;
        }
        for dot in self.dots.iter().filter(|dot| dot.outlier) {
            self.dot(paper, dot, size.max(2.6))?;
        }
        self.names(paper)?;
        self.frame.draw_x(paper)?;
        side.draw_x(paper)
    }
}
