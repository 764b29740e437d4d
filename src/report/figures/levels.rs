//! The current's distribution on a logarithmic axis, by time and by charge.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, VPos};

use super::axes;
use super::frame::{Frame, LABEL, Scale};
use super::paper::{Drawn, Figure, Paper, Scene, ink};
use crate::findings::{Findings, SleepFindings};
use crate::numeric::Quantity;
use crate::report::ReportError;
use crate::report::trace::Trace;
use crate::report::words;

/// Bars a power of ten.
const BARS: f64 = 16.0;
/// Currents from 1 pA to 10 kA have a bar of their own.
const POWERS: (i32, i32) = (-12, 4);
/// The axis begins at most this far below the sleep floor: noise about zero goes on for ever.
const BELOW_FLOOR: f64 = 30.0;

/// Shares by current: those below the axis, and a bar's lower end with its shares.
struct Spread {
    below: f64,
    bars: Vec<(f64, f64, f64)>,
    low_a: f64,
    high_a: f64,
}

struct Chart {
    spread: Spread,
    time: Frame,
    charge: Frame,
}

/// The distribution; `None` when no current was above zero.
pub(crate) fn distribution(
    findings: &Findings,
    sleep: &SleepFindings,
    trace: &Trace<'_>,
) -> Result<Option<Figure>, ReportError> {
    let longest_s = findings.capture.sampling_interval_s.map(|interval_s| 3.0 * interval_s);
    let Some(spread) = longest_s.and_then(|longest_s| spread(longest_s, sleep.floor_a, trace))
    else {
        return Ok(None);
    };
    let most = |share: fn(&(f64, f64, f64)) -> f64| {
        let bar = spread.bars.iter().max_by(|a, b| share(a).total_cmp(&share(b)));
        bar.map_or(0.0, |bar| bar.0)
    };
    let description = format!(
        "Share of time and of charge by current, on a logarithmic axis from {} to {}. Most time is \
         spent about {}, most charge is drawn about {}.",
        Quantity::amperes(spread.low_a),
        Quantity::amperes(spread.high_a),
        Quantity::amperes(most(|bar| bar.1)),
        Quantity::amperes(most(|bar| bar.2)),
    );
    let words = ("How long at which current".to_owned(), description);
    Figure::of("distribution".to_owned(), words, &chart(spread), None).map(Some)
}

fn spread(longest_s: f64, floor_a: f64, trace: &Trace<'_>) -> Option<Spread> {
    let n = ((POWERS.1 - POWERS.0) as f64 * BARS) as usize;
    let mut bars = vec![(0.0, 0.0); n];
    let (mut below_s, mut all_s, mut all_c, mut high_a) = (0.0, 0.0, 0.0, 0.0f64);
    let place = |value_a: f64| (value_a.log10() - f64::from(POWERS.0)) * BARS;
    trace.each(longest_s, |_, stands_s, value_a| {
        all_s += stands_s;
        let at = if value_a > 0.0 { place(value_a) } else { -1.0 };
        if at >= 0.0 {
            let bar = &mut bars[(at as usize).min(n - 1)];
            bar.0 += stands_s;
            bar.1 += stands_s * value_a;
            all_c += stands_s * value_a;
            high_a = high_a.max(value_a);
        } else {
            below_s += stands_s;
        }
    });
    if all_s <= 0.0 || all_c <= 0.0 {
        return None;
    }
    // From where the first thousandth of the time is, no lower than the floor's surroundings.
    let mut passed_s = 0.0;
    let first = bars.iter().position(|bar| {
        passed_s += bar.0;
        passed_s > 1e-3 * all_s
    })?;
    let lowest = place((floor_a / BELOW_FLOOR).max(1e-12)).max(0.0) as usize;
    let first = first.max(lowest);
    let last = bars.iter().rposition(|bar| bar.0 > 0.0)?.max(first);
    below_s += bars[..first].iter().map(|bar| bar.0).sum::<f64>();
    let start = |at: usize| 10f64.powf(f64::from(POWERS.0) + at as f64 / BARS);
    Some(Spread {
        below: below_s / all_s,
        bars: (first..=last)
            .map(|at| (start(at), bars[at].0 / all_s, bars[at].1 / all_c))
            .collect(),
        low_a: start(first.saturating_sub(2)),
        high_a: start(last + 2),
    })
}

fn chart(spread: Spread) -> Chart {
    let x = || {
        let ticks = axes::decades(spread.low_a, spread.high_a, "current");
        Scale::logarithmic(spread.low_a, spread.high_a, ticks)
    };
    let frame = |top: f64, foot: f64, high: f64, what: &str| {
        let high = if high > 0.0 { 1.06 * high } else { 1.0 };
        let y = Scale::linear(0.0, high, axes::shares(high, 4, what));
        Frame { left: 40.0, right: 420.0, top, foot, x: x(), y }
    };
    let highest =
        |share: fn(&(f64, f64, f64)) -> f64| spread.bars.iter().map(share).fold(0.0, f64::max);
    let time = frame(20.0, 112.0, highest(|bar| bar.1), "share of time");
    let charge = frame(138.0, 226.0, highest(|bar| bar.2), "share of charge");
    Chart { time, charge, spread }
}

impl Scene for Chart {
    fn size(&self) -> (u32, u32) {
        (430, 262)
    }

    fn draw<DB: DrawingBackend>(&self, paper: &Paper<DB>) -> Drawn<DB> {
        let width = 10f64.powf(1.0 / BARS);
        for (frame, colour) in [(&self.time, ink::STATE), (&self.charge, ink::BEYOND)] {
            frame.draw_y(paper)?;
            let foot = frame.down(paper, 0.0);
            for (start_a, time, charge) in &self.spread.bars {
                let share = if colour == ink::STATE { time } else { charge };
                if *share <= 0.0 {
                    continue;
                }
                let (from, to) =
                    (frame.across(paper, *start_a), frame.across(paper, start_a * width));
                // What is there is seen, however little.
                let top = frame.down(paper, *share).min(foot - paper.px(1.0));
                let corners = [(from, top), (to - 1, foot)];
                paper.area.draw(&Rectangle::new(corners, colour.filled()))?;
            }
            let line = vec![(paper.px(frame.left), foot), (paper.px(frame.right), foot)];
            paper.area.draw(&PathElement::new(line, paper.line(ink::SOFT, 1.0)))?;
        }
        self.charge.draw_x(paper)?;
        if self.spread.below > 0.0 {
            let text = format!("lower: {} of the time", words::percent(self.spread.below));
            let style = paper.text(ink::SOFT, LABEL, HPos::Right, VPos::Bottom);
            let at = (paper.px(self.time.right), paper.px(self.time.top - 5.0));
            paper.area.draw_text(&text, &style, at)?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::{Samples, TimeAxis};

    // By hand: 90 s at 10 mA and 10 s at 100 mA draw 0.9 C and 1 C.
    #[test]
    fn time_and_charge_fall_to_their_currents() {
        let mut current_a = vec![0.010_5; 90];
        current_a.extend([0.105; 11]);
        let samples = Samples { time: TimeAxis::Uniform { interval_s: 1.0, len: 101 }, current_a };
        let found = spread(3.0, 0.0105, &Trace::plain(&samples)).unwrap();
        let at = |low_a: f64| {
            let near = |bar: &&(f64, f64, f64)| bar.0 <= low_a && bar.0 * 1.16 > low_a;
            *found.bars.iter().find(near).unwrap()
        };
        approx::assert_relative_eq!(at(0.0105).1, 0.9, max_relative = 1e-12);
        approx::assert_relative_eq!(at(0.105).1, 0.1, max_relative = 1e-12);
        approx::assert_relative_eq!(at(0.0105).2, 0.9 / 1.9, max_relative = 1e-9);
        approx::assert_relative_eq!(at(0.105).2, 1.0 / 1.9, max_relative = 1e-9);
        assert_eq!(found.below, 0.0);
    }
}
