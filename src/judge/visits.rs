//! What is odd about a step, and about a stay in a state that the capture visits more than once.

use super::score::of_distance;
use super::types::StepJudged;
use super::unexplained::{is_clear, type_a_variance};
use crate::events::Alignment;
use crate::findings::SegmentKind;
use crate::loads::LoadsFound;
use crate::segment::Segmentation;

/// One entry a step: which load entered which state there by itself, and how far the jump is from
/// the change of the fitted draws. A load that a line switched on and that then settled entered its
/// state by itself where it came to rest on a level that the draws account for. O(n) with few
/// stretches between one rest and the next.
pub(super) fn steps(
    segmentation: &Segmentation,
    alignment: Option<&Alignment>,
    loads: &LoadsFound,
) -> Vec<StepJudged> {
    let segments = &segmentation.segments;
    let is_steady = |k: &usize| segments[*k].kind == SegmentKind::Steady;
    let is_listed = |i: usize| {
        alignment.and_then(|alignment| alignment.step_events.get(i).copied().flatten()).is_some()
    };
    segmentation
        .steps
        .iter()
        .enumerate()
        .map(|(i, step)| {
            // The stretches on either side of the step.
            let after = segments.partition_point(|segment| segment.end <= step.index);
            let (Some(before), true) = (after.checked_sub(1), after < segments.len()) else {
                return StepJudged::default();
            };
            // A load that settles passes through stretches that are not steady: what was on is told
            // by the steady ones at either end.
            let rest = (0..=before).rev().find(is_steady);
            let calm = (after..segments.len()).find(is_steady);
            let by_itself = calm.filter(|_| !is_listed(i)).and_then(|calm| {
                let on_before = rest.map_or(&[][..], |rest| &loads.on[rest]);
                let from = rest.map_or(0, |rest| segments[rest].end);
                let switched = (0..i)
                    .rev()
                    .take_while(|&k| segmentation.steps[k].index >= from)
                    .any(|k| is_listed(k) && segmentation.steps[k].index < segments[calm].first);
                let name_of = |at: usize| &loads.loads[at].load;
                loads.on[calm]
                    .iter()
                    .copied()
                    .filter(|at| !on_before.contains(at) && *at < loads.loads.len())
                    .find(|&at| {
                        let was_on = on_before.iter().any(|&b| name_of(b) == name_of(at));
                        was_on || (switched && !is_clear(segmentation, loads, calm))
                    })
                    .map(|at| format!("{} ({})", name_of(at), loads.loads[at].state))
            });
            let steady = [before, after].iter().all(|&k| segments[k].kind == SegmentKind::Steady);
            let expected_a = loads.accounted_a[after].zip(loads.accounted_a[before]);
            let of_draws: f64 = loads.on[after]
                .iter()
                .chain(&loads.on[before])
                .filter(|at| loads.on[after].contains(at) != loads.on[before].contains(at))
                .filter_map(|&at| loads.loads.get(at))
                .map(type_a_variance)
                .sum();
            let u_a = (step.standard_uncertainty_a.powi(2) + of_draws).sqrt();
            let anomaly_score = expected_a.filter(|_| steady).and_then(|(after_a, before_a)| {
                of_distance(loads.sign() * step.delta_a - (after_a - before_a), u_a)
            });
            StepJudged { by_itself, anomaly_score }
        })
        .collect()
}

/// Score of every steady stretch against the weighted mean of the other visits to its state, the
/// zero's doubt between them included. O(n).
pub(super) fn scores(segmentation: &Segmentation, loads: &LoadsFound) -> Vec<Option<f64>> {
    let zero_a = loads.zero.standard_uncertainty_a.unwrap_or(0.0);
    let visits: Vec<Option<(usize, f64, f64)>> = segmentation
        .segments
        .iter()
        .map(|segment| {
            let state = segment.state.filter(|_| segment.kind == SegmentKind::Steady)?;
            let level_a = loads.drawn_a(segment);
            let u_a = segment
                .standard_uncertainty_a
                .max(segmentation.noise.floor_a / segment.effective_samples.max(1.0).sqrt());
            let weight = (u_a * u_a + zero_a * zero_a).recip();
            weight.is_finite().then_some((state, level_a, weight))
        })
        .collect();
    let mut sums = vec![(0.0, 0.0); segmentation.states.len()];
    for (state, level_a, weight) in visits.iter().flatten() {
        if let Some(sum) = sums.get_mut(*state) {
            sum.0 += weight;
            sum.1 += weight * level_a;
        }
    }
    visits
        .iter()
        .map(|visit| {
            let (state, level_a, weight) = (*visit)?;
            let (total, sum) = *sums.get(state)?;
            let others = total - weight;
            // The only visit has no others; rounding must not make some.
            if others <= 1e-9 * total {
                return None;
            }
            let u_a = (weight.recip() + others.recip()).sqrt();
            of_distance(level_a - (sum - weight * level_a) / others, u_a)
        })
        .collect()
}
