//! Charge as it adds up, with the share asleep, waking and awake.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, VPos};

use super::axes;
use super::frame::{Frame, LABEL, Scale};
use super::paper::{Drawn, Figure, Paper, Scene, ink};
use crate::findings::{Findings, SleepFindings};
use crate::numeric::{Quantity, Unit};
use crate::report::ReportError;
use crate::report::trace::Trace;
use crate::report::words::{self, Clock};

const COLUMNS: usize = 300;

struct Stack {
    frame: Frame,
    /// Time and the charge asleep, waking and awake up to then, ampere-hours.
    sums: Vec<(f64, [f64; 3])>,
    labels: [String; 3],
}

/// The charge as it adds up; `None` for a capture without length.
pub(crate) fn charge(
    findings: &Findings,
    sleep: &SleepFindings,
    trace: &Trace<'_>,
    clock: &Clock,
) -> Result<Option<Figure>, ReportError> {
    let end_s = trace.duration_s();
    if end_s <= 0.0 {
        return Ok(None);
    }
    let shares = [&sleep.asleep, &sleep.waking, &sleep.awake];
    let labels = ["asleep", "waking", "awake"];
    let told: Vec<String> = labels
        .iter()
        .zip(shares)
        .map(|(label, share)| {
            let charge = Quantity::new(share.charge_ah, Unit::AmpereHour);
            match words::share_of_charge(sleep, share) {
                Some(share) => format!("{label} {charge}, {share}"),
                None => format!("{label} {charge}"),
            }
        })
        .collect();
    let words = (
        "Charge as it adds up".to_owned(),
        format!("Charge as it adds up over the capture: {}.", told.join("; ")),
    );
    let longest_s = 3.0 * findings.capture.sampling_interval_s.unwrap_or(f64::INFINITY);
    let awake = sleep.awake_stretches.iter().map(|span| (span.start_s, span.end_s)).collect();
    let waking =
        sleep.wakes.iter().map(|wake| (wake.start_s, wake.start_s + wake.width_s)).collect();
    let sums = sums(longest_s, awake, waking, trace, end_s);
    let totals = sums.iter().map(|(_, parts)| parts.iter().sum::<f64>());
    let high_ah = totals.fold(0.0, f64::max);
    let high_ah = if high_ah > 0.0 { 1.05 * high_ah } else { 1e-9 };
    let mut times = axes::time(0.0, end_s, clock, 4);
    times.drop_cut_labels(end_s, 10.0 * end_s / 280.0);
    let stack = Stack {
        frame: Frame {
            left: 46.0,
            right: 326.0,
            top: 20.0,
            foot: 226.0,
            x: Scale::linear(0.0, end_s, times),
            y: Scale::linear(0.0, high_ah, axes::quantity(0.0, high_ah, 5, "charge", "Ah")),
        },
        sums,
        labels: [0, 1, 2].map(|i| match words::share_of_charge(sleep, shares[i]) {
            Some(share) => format!("{} {share}", labels[i]),
            None => labels[i].to_owned(),
        }),
    };
    Figure::of("charge".to_owned(), words, &stack, None).map(Some)
}

/// Times and the charge asleep, waking and awake up to then.
fn sums(
    longest_s: f64,
    mut awake: Vec<(f64, f64)>,
    mut waking: Vec<(f64, f64)>,
    trace: &Trace<'_>,
    end_s: f64,
) -> Vec<(f64, [f64; 3])> {
    for spans in [&mut awake, &mut waking] {
        spans.sort_by(|a, b| a.0.total_cmp(&b.0));
    }
    // Both are walked along with the time.
    let (mut in_awake, mut in_waking) = (0, 0);
    let within = |spans: &[(f64, f64)], at: &mut usize, time_s: f64| {
        while spans.get(*at).is_some_and(|span| span.1 <= time_s) {
            *at += 1;
        }
        spans.get(*at).is_some_and(|span| span.0 <= time_s)
    };
    let mut sums = vec![(0.0, [0.0; 3])];
    let mut parts = [0.0; 3];
    let mut next = 1;
    trace.each(longest_s, |time_s, stands_s, value_a| {
        let part = if within(&waking, &mut in_waking, time_s) {
            1
        } else if within(&awake, &mut in_awake, time_s) {
            2
        } else {
            0
        };
        parts[part] += value_a * stands_s / 3600.0;
        if time_s >= end_s * next as f64 / COLUMNS as f64 {
            sums.push((time_s, parts));
            while time_s >= end_s * next as f64 / COLUMNS as f64 {
                next += 1;
            }
        }
    });
    sums.push((end_s, parts));
    sums
}

impl Scene for Stack {
    fn size(&self) -> (u32, u32) {
        (430, 262)
    }

    fn draw<DB: DrawingBackend>(&self, paper: &Paper<DB>) -> Drawn<DB> {
        let frame = &self.frame;
        frame.draw_y(paper)?;
        let colours = [ink::WITHIN, ink::STATE, ink::BEYOND];
        let up_to = |parts: &[f64; 3], n: usize| parts[..n].iter().sum::<f64>();
        for part in 0..3 {
            let upper = self.sums.iter().map(|(time_s, parts)| (*time_s, up_to(parts, part + 1)));
            let lower = self.sums.iter().rev().map(|(time_s, parts)| (*time_s, up_to(parts, part)));
            let corners: Vec<_> = upper.chain(lower).map(|point| frame.at(paper, point)).collect();
            paper.area.draw(&Polygon::new(corners, colours[part].filled()))?;
        }
        let whole: Vec<_> = self.sums.iter().map(|(time_s, p)| (*time_s, up_to(p, 3))).collect();
        frame.line(paper, &whole, paper.line(ink::TEXT, 1.0))?;
        // Labels stand at the end of their part, pushed apart where parts are thin.
        let style = paper.text(ink::TEXT, LABEL, HPos::Left, VPos::Center);
        let last = self.sums.last().map_or([0.0; 3], |sum| sum.1);
        let middle = |part| frame.down(paper, up_to(&last, part) + 0.5 * last[part]);
        let room = paper.px(15.0);
        let mut places = [middle(0).min(paper.px(frame.foot - 6.0)), middle(1), middle(2)];
        for part in 1..3 {
            places[part] = places[part].min(places[part - 1] - room);
        }
        for part in 0..3 {
            let (x, y) = (paper.px(frame.right + 6.0), places[part]);
            let size = paper.px(4.0);
            let square = [(x, y - size), (x + 2 * size, y + size)];
            paper.area.draw(&Rectangle::new(square, colours[part].filled()))?;
            paper.area.draw(&Rectangle::new(square, paper.line(ink::SOFT, 0.5)))?;
            paper.area.draw_text(&self.labels[part], &style, (x + paper.px(12.0), y))?;
        }
        frame.draw_x(paper)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::{Samples, TimeAxis};

    // By hand: an ampere for 3600 s, of which 600 s awake and two wakes of 60 s.
    #[test]
    fn charge_falls_to_what_the_equipment_did() {
        let samples = Samples {
            time: TimeAxis::Uniform { interval_s: 1.0, len: 3601 },
            current_a: vec![1.0; 3601],
        };
        let spans = [(1000.0, 1600.0)];
        let wakes = [(100.0, 160.0), (2000.0, 2060.0)];
        let sums = sums(3.0, spans.into(), wakes.into(), &Trace::plain(&samples), 3600.0);
        let (end_s, parts) = *sums.last().unwrap();
        assert_eq!(end_s, 3600.0);
        let hours = [2880.0 / 3600.0, 120.0 / 3600.0, 600.0 / 3600.0];
        for (part, hours) in parts.iter().zip(hours) {
            approx::assert_relative_eq!(*part, hours, max_relative = 1e-9);
        }
        assert!(sums.len() <= COLUMNS + 3);
    }
}
