//! How long it took to fall asleep, as the share of times that took no longer.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, VPos};

use super::axes;
use super::frame::{Frame, LABEL, Scale};
use super::paper::{Drawn, Figure, Paper, Scene, ink};
use crate::findings::SleepFindings;
use crate::report::ReportError;
use crate::report::words;

/// Fewer are told one by one: stairs of two or three steps say nothing of a distribution.
const FEWEST: usize = 4;

struct Stairs {
    frame: Frame,
    corners: Vec<(f64, f64)>,
    limit_s: Option<f64>,
}

/// The times to sleep as a distribution; `None` with fewer than four.
pub(crate) fn falls(sleep: &SleepFindings) -> Result<Option<Figure>, ReportError> {
    let mut took_s: Vec<f64> = sleep.falls_asleep.iter().map(|fall| fall.took_s).collect();
    let Some(middle_s) = sleep.time_to_sleep_s.filter(|_| took_s.len() >= FEWEST) else {
        return Ok(None);
    };
    took_s.sort_by(f64::total_cmp);
    let limit = sleep.verdicts.iter().find(|verdict| verdict.limit_name == "sleep_within_s");
    let limit_s = limit.map(|verdict| verdict.limit);
    let n = took_s.len();
    let beyond = limit_s.map_or(String::new(), |limit_s| {
        let within = took_s.partition_point(|took_s| *took_s <= limit_s);
        format!(" {within} of {n} within the limit of {}.", words::duration(limit_s))
    });
    let description = format!(
        "Share of the {n} times it fell asleep that took no longer, against the time from the last \
         activity: {} in the middle, {} at most.{beyond}",
        words::duration(middle_s),
        words::duration(took_s[n - 1]),
    );
    let words = ("How long it took to fall asleep".to_owned(), description);
    Figure::of("time-to-sleep".to_owned(), words, &stairs(&took_s, limit_s), None).map(Some)
}

/// The empirical distribution function of sorted times: it rises by `1/n` at each.
fn stairs(took_s: &[f64], limit_s: Option<f64>) -> Stairs {
    let longest_s = took_s.iter().copied().chain(limit_s).fold(0.0, f64::max);
    let high_s = if longest_s > 0.0 { 1.08 * longest_s } else { 1.0 };
    let n = took_s.len() as f64;
    let mut corners = vec![(0.0, 0.0)];
    for (at, time_s) in took_s.iter().enumerate() {
        corners.push((*time_s, at as f64 / n));
        corners.push((*time_s, (at + 1) as f64 / n));
    }
    corners.push((high_s, 1.0));
    let frame = Frame {
        left: 40.0,
        right: 420.0,
        top: 20.0,
        foot: 226.0,
        x: Scale::linear(0.0, high_s, axes::span(high_s, 6, "time to sleep")),
        y: Scale::linear(0.0, 1.0, axes::shares(1.0, 5, "share of times that took no longer")),
    };
    Stairs { frame, corners, limit_s }
}

impl Scene for Stairs {
    fn size(&self) -> (u32, u32) {
        (430, 262)
    }

    fn draw<DB: DrawingBackend>(&self, paper: &Paper<DB>) -> Drawn<DB> {
        let frame = &self.frame;
        frame.draw_y(paper)?;
        frame.line(paper, &self.corners, paper.line(ink::STATE, 2.0))?;
        if let Some(limit_s) = self.limit_s {
            let x = frame.across(paper, limit_s);
            let (top, foot) = (paper.px(frame.top), paper.px(frame.foot));
            paper.dashes((x, top), (x, foot), paper.line(ink::BEYOND, 1.0), (5.0, 4.0))?;
            let style = paper.text(ink::TEXT, LABEL, HPos::Right, VPos::Bottom);
            let at = (paper.px(frame.right), top - paper.px(5.0));
            let text = format!("broken line: limit, {}", words::duration(limit_s));
            paper.area.draw_text(&text, &style, at)?;
        }
        frame.draw_x(paper)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // By hand: of 10, 20, 20 and 40 s a quarter is within 10 s, three quarters within 20 s.
    #[test]
    fn stairs_rise_by_one_share_at_every_time() {
        let found = stairs(&[10.0, 20.0, 20.0, 40.0], Some(30.0));
        let share_within = |time_s: f64| {
            let before = found.corners.iter().rev().find(|corner| corner.0 <= time_s);
            before.map(|corner| corner.1)
        };
        assert_eq!(share_within(9.9), Some(0.0));
        assert_eq!(share_within(10.0), Some(0.25));
        assert_eq!(share_within(20.0), Some(0.75));
        assert_eq!(share_within(39.0), Some(0.75));
        assert_eq!(share_within(40.0), Some(1.0));
        assert!(found.corners.windows(2).all(|pair| pair[0].0 <= pair[1].0));
        // A limit beyond every time is still on the paper.
        let far = stairs(&[1.0; 4], Some(100.0));
        assert!(far.frame.x.high > 100.0);
        assert_eq!(far.corners.last(), Some(&(far.frame.x.high, 1.0)));
    }
}
