//! Draw above what the event list accounts for, ranked by the charge it cost.

use crate::findings::{FailureToSleep, SegmentKind, Unexplained};
use crate::loads::LoadsFound;
use crate::segment::{Segment, Segmentation};

/// Excess counts from this many of its standard uncertainties, and this share of what is accounted for.
const CLEAR: f64 = 5.0;
const CLEAR_SHARE: f64 = 0.01;
/// Stretches that cost less than this share of the capture's charge are left out.
const LEAST_CHARGE: f64 = 1e-3;
/// A stay is odd when it is this many times as long as the usual one.
const STUCK: f64 = 6.0;

/// Stretches of unexplained draw, largest charge first.
///
/// With an event list: steady stretches whose level, zero removed, exceeds the fitted draws that were
/// on; neighbours are merged over the transients and bursts between them. Without one nothing is
/// listed, and what is told is what the capture itself shows to be odd: a stay in a state above the
/// lowest that lasts six times as long as its other stays do (it got stuck), counted from the lowest
/// state. A failure to fall asleep that is not among them is one more. O(n).
pub(super) fn find(
    segmentation: &Segmentation,
    loads: &LoadsFound,
    listed: bool,
    failures: &[FailureToSleep],
) -> Vec<Unexplained> {
    let mut found =
        if listed { above_accounted(segmentation, loads) } else { stuck(segmentation, loads) };
    let apart = |one: &FailureToSleep, other: &Unexplained| {
        one.end_s <= other.start_s || one.start_s >= other.end_s
    };
    let of_failure = |one: &FailureToSleep| Unexplained {
        start_s: one.start_s,
        end_s: one.end_s,
        delta_a: one.above_floor_a,
        charge_ah: one.charge_ah,
    };
    let new: Vec<Unexplained> = failures
        .iter()
        .filter(|one| found.iter().all(|other| apart(one, other)))
        .map(of_failure)
        .collect();
    found.extend(new);
    let sign = loads.sign();
    let total_ah: f64 = segmentation
        .segments
        .iter()
        .map(|s| sign * s.mean_a * (s.end_s - s.start_s) / 3600.0)
        .sum::<f64>()
        .abs();
    found.retain(|one| one.charge_ah > LEAST_CHARGE * total_ah);
    found.sort_by(|a, b| b.charge_ah.total_cmp(&a.charge_ah));
    found
}

fn above_accounted(segmentation: &Segmentation, loads: &LoadsFound) -> Vec<Unexplained> {
    let is_clear = |index| is_clear(segmentation, loads, index);
    let excess_a = |index| excess_a(segmentation, loads, index);
    let mut found: Vec<Unexplained> = Vec::new();
    let mut open: Option<(usize, usize)> = None;
    for (index, segment) in segmentation.segments.iter().enumerate() {
        match segment.kind {
            SegmentKind::Steady if is_clear(index) => {
                open = Some((open.map_or(index, |(from, _)| from), index));
            }
            SegmentKind::Steady => {
                found.extend(open.take().map(|span| merged(segmentation, span, &excess_a)));
            }
            SegmentKind::Transient | SegmentKind::Burst => {}
        }
    }
    found.extend(open.map(|span| merged(segmentation, span, &excess_a)));
    found
}

/// Level of a stretch, zero removed, above the fitted draws that were on, ampere.
fn excess_a(segmentation: &Segmentation, loads: &LoadsFound, index: usize) -> Option<f64> {
    let accounted_a = loads.accounted_a[index]?;
    Some(loads.drawn_a(&segmentation.segments[index]) - accounted_a)
}

/// True where a steady stretch draws more than its doubt above what is accounted for.
pub(super) fn is_clear(segmentation: &Segmentation, loads: &LoadsFound, index: usize) -> bool {
    let segment = &segmentation.segments[index];
    let of_loads: f64 =
        loads.on[index].iter().map(|&at| loads.loads.get(at).map_or(0.0, type_a_variance)).sum();
    let zero_a = loads.zero.standard_uncertainty_a.unwrap_or(0.0);
    let u_a = (segment.standard_uncertainty_a.powi(2) + of_loads + zero_a * zero_a).sqrt();
    let accounted_a = loads.accounted_a[index].unwrap_or(0.0).abs();
    excess_a(segmentation, loads, index)
        .is_some_and(|a| a > CLEAR * u_a + CLEAR_SHARE * accounted_a + segmentation.noise.floor_a)
}

/// Variance of a draw that the readings themselves tell of, ampere squared.
pub(super) fn type_a_variance(load: &crate::loads::LoadEstimate) -> f64 {
    load.uncertainty_budget
        .iter()
        .filter(|item| item.evaluation == crate::findings::EvaluationType::A)
        .map(|item| item.standard_uncertainty_a.powi(2))
        .sum()
}

fn merged(
    segmentation: &Segmentation,
    (from, to): (usize, usize),
    excess_a: &impl Fn(usize) -> Option<f64>,
) -> Unexplained {
    let length_s = |s: &Segment| s.end_s - s.start_s;
    let (mut charge_c, mut time_s) = (0.0, 0.0);
    for index in from..=to {
        if let Some(a) = excess_a(index) {
            charge_c += a * length_s(&segmentation.segments[index]);
            time_s += length_s(&segmentation.segments[index]);
        }
    }
    Unexplained {
        start_s: segmentation.segments[from].start_s,
        end_s: segmentation.segments[to].end_s,
        delta_a: if time_s > 0.0 { charge_c / time_s } else { 0.0 },
        charge_ah: charge_c / 3600.0,
    }
}

fn stuck(segmentation: &Segmentation, loads: &LoadsFound) -> Vec<Unexplained> {
    let sign = loads.sign();
    let level = |state: usize| sign * segmentation.states[state].mean_a;
    let Some(lowest) =
        (0..segmentation.states.len()).min_by(|&a, &b| level(a).total_cmp(&level(b)))
    else {
        return Vec::new();
    };
    let mut stays_of: Vec<Vec<&Segment>> = vec![Vec::new(); segmentation.states.len()];
    for segment in segmentation.of_kind(SegmentKind::Steady) {
        if let Some(stays) = segment.state.and_then(|state| stays_of.get_mut(state)) {
            stays.push(segment);
        }
    }
    let mut found = Vec::new();
    for (_, stays) in stays_of.iter().enumerate().filter(|(state, _)| *state != lowest) {
        let mut lengths_s: Vec<f64> = stays.iter().map(|s| s.end_s - s.start_s).collect();
        lengths_s.sort_by(f64::total_cmp);
        if lengths_s.len() < 4 {
            continue;
        }
        let usual_s = lengths_s[lengths_s.len() / 2];
        for stay in stays.iter().filter(|s| s.end_s - s.start_s > STUCK * usual_s) {
            let delta_a = sign * stay.mean_a - level(lowest);
            found.push(Unexplained {
                start_s: stay.start_s,
                end_s: stay.end_s,
                delta_a,
                charge_ah: delta_a * (stay.end_s - stay.start_s) / 3600.0,
            });
        }
    }
    found
}
