//! Which stretches of a capture tell of the draw: not the zero checks, not the hours of sun.

use crate::findings::{Findings, SegmentKind, SegmentRow};
use crate::numeric::ExactSum;

/// Charging shows as a level below zero of at least this share of the largest draw, and below
/// what the zero is good to: a shifted zero is no sun.
const CHARGING_FROM: f64 = 0.1;

/// The stretches that count.
#[derive(Debug, Clone)]
pub(super) struct Observed<'a> {
    pub(super) stretches: Vec<&'a SegmentRow>,
    /// Their time, seconds.
    pub(super) time_s: f64,
    /// Their charge, zero removed, coulomb.
    pub(super) charge_c: f64,
    /// When charge came in: first and last second, left out with the ramps on either side.
    pub(super) sun_s: Option<(f64, f64)>,
}

impl<'a> Observed<'a> {
    /// O(segments × zero checks).
    pub(super) fn of(findings: &'a Findings) -> Self {
        let segments = &findings.segments;
        let sun = sun(findings);
        let stretches: Vec<&SegmentRow> = segments
            .iter()
            .enumerate()
            .filter(|(i, _)| sun.is_none_or(|(first, last)| *i < first || *i > last))
            .map(|(_, segment)| segment)
            .filter(|segment| {
                let inside = |time_s: f64| (segment.start_s..=segment.end_s).contains(&time_s);
                !findings.zero.checks.iter().any(|check| inside(check.time_s))
            })
            .collect();
        let length_s = |segment: &SegmentRow| segment.end_s - segment.start_s;
        Self {
            time_s: stretches.iter().map(|s| length_s(s)).collect::<ExactSum>().value(),
            charge_c: stretches
                .iter()
                .map(|s| s.mean_a * length_s(s))
                .collect::<ExactSum>()
                .value(),
            stretches,
            sun_s: sun.map(|(first, last)| (segments[first].start_s, segments[last].end_s)),
        }
    }

    /// Time and charge of one level, seconds and coulomb.
    pub(super) fn level(&self, state: usize) -> (f64, f64) {
        let mut time_s = ExactSum::new();
        let mut charge_c = ExactSum::new();
        for segment in self.stretches.iter().filter(|segment| segment.state == Some(state)) {
            time_s.add(segment.end_s - segment.start_s);
            charge_c.add(segment.mean_a * (segment.end_s - segment.start_s));
        }
        (time_s.value(), charge_c.value())
    }

    /// Type A standard uncertainty of a level: its stretches' means, weighted by time, ampere.
    pub(super) fn type_a(&self, state: usize) -> f64 {
        let mut squares = 0.0;
        let mut time_s = 0.0;
        for segment in self.stretches.iter().filter(|segment| segment.state == Some(state)) {
            let length_s = segment.end_s - segment.start_s;
            squares += (segment.standard_uncertainty_a * length_s).powi(2);
            time_s += length_s;
        }
        if time_s > 0.0 { squares.sqrt() / time_s } else { 0.0 }
    }
}

/// First and last segment of the time in which charge comes in: from the first charging stretch
/// to the last, widened over the ramps that lead to and from them.
fn sun(findings: &Findings) -> Option<(usize, usize)> {
    let segments = &findings.segments;
    let largest_a = segments.iter().map(|segment| segment.mean_a).fold(0.0, f64::max);
    let zero_a = findings.zero.trusted_to_a.unwrap_or(0.0);
    let threshold_a = -f64::max(CHARGING_FROM * largest_a, zero_a);
    let charging = |segment: &SegmentRow| segment.mean_a < threshold_a;
    let mut first = segments.iter().position(charging)?;
    let mut last = segments.iter().rposition(charging)?;
    let ramp = |i: usize| segments[i].kind == SegmentKind::Transient;
    while first > 0 && ramp(first - 1) {
        first -= 1;
    }
    while last + 1 < segments.len() && ramp(last + 1) {
        last += 1;
    }
    Some((first, last))
}
