//! A close look at one unit of a batch, over a unit that nothing speaks against.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, VPos};

use super::axes;
use super::frame::{Frame, LABEL, Scale};
use super::paper::{Drawn, Figure, Paper, Scene, ink};
use crate::findings::{Measure, MeasureRow};
use crate::report::ReportError;
use crate::report::sketch::{Sketch, Stretch};

struct Zoom {
    frame: Frame,
    typical: Vec<Vec<(f64, f64)>>,
    own: Vec<Vec<(f64, f64)>>,
    cut: bool,
}

/// The unit's capture where `row` was measured, over the `typical` unit's.
pub(crate) fn unit_zoom(
    name: String,
    words: (String, String),
    row: &MeasureRow,
    own: &Sketch,
    typical: Option<&Sketch>,
) -> Result<Figure, ReportError> {
    Figure::of(name, words, &zoom(row, own, typical), None)
}

/// Share of a capture's columns with a wake in them beyond which its floor is looked at between a
/// few wakes.
const BUSY: f64 = 0.3;

fn is_floor(measure: Measure) -> bool {
    matches!(measure, Measure::SleepFloor | Measure::Noise)
}

/// Readings above this belong to no floor: far above the middle of the lowest readings.
fn floor_end(sketch: &Sketch) -> f64 {
    let lows = sketch.whole.columns.iter().flatten().map(|column| f64::from(column[1]));
    let mut lows: Vec<f64> = lows.collect();
    lows.sort_by(f64::total_cmp);
    2.5 * lows.get(lows.len() / 2).copied().unwrap_or(0.0).max(0.0)
}

fn view(sketch: &Sketch, measure: Measure) -> &Stretch {
    let Some(wakes) = &sketch.wakes else { return &sketch.whole };
    match measure {
        Measure::WakePeriod | Measure::WakeCharge => wakes,
        Measure::SleepFloor | Measure::Noise => {
            let end_a = floor_end(sketch);
            let filled = || sketch.whole.columns.iter().flatten();
            let busy = filled().filter(|column| f64::from(column[2]) > end_a).count();
            if busy as f64 > BUSY * filled().count() as f64 { wakes } else { &sketch.whole }
        }
        Measure::Draw | Measure::TimeToSleep | Measure::AwakeShare => &sketch.whole,
    }
}

fn zoom(row: &MeasureRow, own: &Sketch, typical: Option<&Sketch>) -> Zoom {
    let stretch = view(own, row.measure);
    let mut floor_a = floor_end(own);
    let own = stretch.lines();
    let from_s = stretch.span.start_s;
    let typical = typical.map(|sketch| {
        floor_a = floor_a.max(floor_end(sketch));
        view(sketch, row.measure)
    });
    // Stretches with the unit's first wake each are laid start on start.
    let typical: Vec<Vec<(f64, f64)>> = typical.map_or_else(Vec::new, |stretch| {
        let shift_s = from_s - stretch.span.start_s;
        let moved = |line: Vec<(f64, f64)>| line.into_iter().map(|(t, a)| (t + shift_s, a));
        stretch.lines().into_iter().map(|line| moved(line).collect()).collect()
    });
    let mut readings: Vec<f64> =
        own.iter().chain(&typical).flatten().map(|point| point.1).collect();
    readings.sort_by(f64::total_cmp);
    let (lowest, highest) = (
        readings.first().copied().unwrap_or(0.0).min(0.0),
        readings.last().copied().unwrap_or(0.0).max(0.0),
    );
    let below = readings.partition_point(|value| *value <= floor_a);
    let (low_a, high_a, cut) = if is_floor(row.measure) && below > 10 {
        // The floor is looked at closely; what rises above it is cut off.
        let (low_a, high_a) = (readings[below / 50], readings[below - 1 - below / 50]);
        let room_a = 0.4 * (high_a - low_a).max(0.02 * high_a.abs());
        let low_a = if low_a < 0.5 * high_a { low_a.min(0.0) } else { low_a - room_a };
        (low_a, high_a + room_a, high_a + room_a < highest)
    } else {
        let size = if highest > lowest { highest - lowest } else { 1e-3 };
        let low_a = if lowest < 0.0 { lowest - 0.03 * size } else { 0.0 };
        (low_a, lowest + 1.05 * size, false)
    };
    let end_s = stretch.span.end_s.max(from_s + f64::MIN_POSITIVE);
    Zoom {
        frame: Frame {
            left: 46.0,
            right: 420.0,
            top: 20.0,
            foot: 156.0,
            x: Scale::linear(from_s, end_s, axes::from_start(from_s, end_s, 6)),
            y: Scale::linear(low_a, high_a, axes::current(low_a, high_a, 4, "current")),
        },
        typical,
        own,
        cut,
    }
}

impl Scene for Zoom {
    fn size(&self) -> (u32, u32) {
        (430, 192)
    }

    fn draw<DB: DrawingBackend>(&self, paper: &Paper<DB>) -> Drawn<DB> {
        let frame = &self.frame;
        frame.draw_y(paper)?;
        for (lines, colour, width) in
            [(&self.typical, ink::READING, 1.0), (&self.own, ink::STATE, 1.25)]
        {
            for line in lines {
                // What lies outside the picture's time is another unit's longer capture.
                let inside: Vec<_> = line
                    .iter()
                    .copied()
                    .filter(|point| point.0 >= frame.x.low && point.0 <= frame.x.high)
                    .collect();
                frame.line(paper, &inside, paper.line(colour, width))?;
            }
        }
        if self.cut {
            let style = paper.text(ink::SOFT, LABEL, HPos::Right, VPos::Bottom);
            let at = (paper.px(frame.right), paper.px(frame.top - 5.0));
            paper.area.draw_text("higher readings cut off", &style, at)?;
        }
        frame.draw_x(paper)
    }
}
