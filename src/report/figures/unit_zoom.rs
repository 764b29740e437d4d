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

fn view(sketch: &Sketch, measure: Measure) -> &Stretch {
    match measure {
        Measure::WakePeriod | Measure::WakeCharge => sketch.wakes.as_ref().unwrap_or(&sketch.whole),
        _ => &sketch.whole,
    }
}

fn zoom(row: &MeasureRow, own: &Sketch, typical: Option<&Sketch>) -> Zoom {
    let stretch = view(own, row.measure);
    let own = stretch.lines();
    let from_s = stretch.span.start_s;
    let typical = typical.map(|sketch| view(sketch, row.measure));
    // Stretches with the unit's first wake each are laid start on start.
    let typical: Vec<Vec<(f64, f64)>> = typical.map_or_else(Vec::new, |stretch| {
        let shift_s = from_s - stretch.span.start_s;
        let moved = |line: Vec<(f64, f64)>| line.into_iter().map(|(t, a)| (t + shift_s, a));
        stretch.lines().into_iter().map(|line| moved(line).collect()).collect()
    });
    let high =
        |lines: &[Vec<(f64, f64)>]| lines.iter().flatten().map(|point| point.1).fold(0.0, f64::max);
    let mut high_a = high(&own).max(high(&typical));
    let mut cut = false;
    if matches!(row.measure, Measure::SleepFloor | Measure::Noise) {
        // The floor is looked at closely; what rises far above it is cut off.
        let mut middles: Vec<f64> =
            own.iter().chain(&typical).flatten().map(|point| point.1).collect();
        middles.sort_by(f64::total_cmp);
        let middle_a = middles.get(middles.len() / 2).copied().unwrap_or(0.0);
        let floor_a = if row.measure == Measure::SleepFloor { row.value } else { middle_a };
        let close_a = 2.5 * floor_a.max(middle_a).max(0.0);
        if close_a > 0.0 && close_a < high_a {
            (high_a, cut) = (close_a, true);
        }
    }
    let low = own.iter().chain(&typical).flatten().map(|point| point.1).fold(0.0, f64::min);
    let size = if high_a > low { high_a - low } else { 1e-3 };
    let low_a = if low < 0.0 { (low - 0.03 * size).max(-0.15 * size) } else { 0.0 };
    let high_a = if cut { high_a } else { low + 1.05 * size };
    let end_s = stretch.span.end_s.max(from_s + f64::MIN_POSITIVE);
    let times = axes::quantity(from_s, end_s, 6, "time from start", "s");
    Zoom {
        frame: Frame {
            left: 46.0,
            right: 420.0,
            top: 20.0,
            foot: 156.0,
            x: Scale::linear(from_s, end_s, times),
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
