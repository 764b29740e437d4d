//! Which level an outing begins and which it ends with: it may go through several.

use super::Night;
use super::baseline::Baseline;
use super::heights::Heights;
use super::outings::{APART, RISES, Run};
use crate::findings::SegmentKind;
use crate::numeric::{extremes, plain_sum};

/// Readings of a steady stay that tells what an outing began or ended with.
const STAY: usize = 30;
/// Readings next to an end, but for the one that may be partly of the floor, that tell a short stage there,
/// and the share of their mean that they may differ by: those of a tail or a slow rise differ by more before
/// they are out of the noise.
const STAGE: usize = 3;
const FLAT: f64 = 0.4;
/// Standard deviations that a stage is above the floor: a tail that falls by less is no more than half as high so
/// few readings before its end.
const STAGE_RISES: f64 = 10.0;

/// Levels above the floor that a run begins and ends with: half of each is where its edges are. `lower_a` and
/// `usual_a` are those that it holds: a lower one may be a stage, or a tail where it does not end at once.
pub(super) fn levels(
    heights: &Heights<'_>,
    run: Run,
    (lower_a, usual_a): (f64, f64),
) -> (f64, f64) {
    let Heights { night, baseline } = heights;
    let down = (run.first..run.end).rev().find(|at| heights.at(*at) >= 0.5 * lower_a);
    let at_once = down.is_some_and(|down| run.end <= down + APART);
    let (first_a, last_a) = of_stays(night, baseline, run, usual_a)
        .unwrap_or((lower_a, if at_once { lower_a } else { usual_a }));
    let length = run.end - run.first;
    if length <= STAGE + 1 {
        return (first_a, last_a);
    }
    let least_a = STAGE_RISES * baseline.sigma_a;
    let begins_a = stage_a(heights, run.first + 1, least_a).unwrap_or(first_a);
    let ends_a = stage_a(heights, run.end - 1 - STAGE, least_a).unwrap_or(last_a);
    (first_a.min(begins_a), last_a.min(ends_a))
}

/// Level of the stage that the readings from `first` on are of; `None` where they are no stage.
fn stage_a(heights: &Heights<'_>, first: usize, least_a: f64) -> Option<f64> {
    let readings: [f64; STAGE] = std::array::from_fn(|k| heights.at(first + k));
    let (low_a, high_a) = extremes(&readings);
    let mean_a = plain_sum(&readings) / STAGE as f64;
    (mean_a > least_a && high_a - low_a <= FLAT * mean_a).then_some(mean_a)
}

/// Levels above the floor of the first and the last long stay of a run that goes through several:
/// a load may come on, and later another far above it, or surge first. `plateau_a` is the run's usual one.
fn of_stays(
    night: &Night<'_>,
    baseline: &Baseline,
    run: Run,
    plateau_a: f64,
) -> Option<(f64, f64)> {
    let segments = &night.segmentation.segments;
    let from = segments.partition_point(|segment| segment.first + APART < run.first);
    let to = segments.partition_point(|segment| segment.end <= run.end + APART);
    let mut stays = (from..to.max(from)).filter(|&at| {
        let segment = &segments[at];
        segment.kind != SegmentKind::Transient && segment.end - segment.first >= STAY
    });
    let first = stays.next()?;
    let above_a = |at: usize| {
        let middle_s = 0.5 * (segments[at].start_s + segments[at].end_s);
        night.mean_a(at) - baseline.at(middle_s)
    };
    let Some(last) = stays.next_back() else {
        // What follows a surge ends the run at its own level, and what leads to one begins it.
        let begins = segments[first].first <= run.first + APART;
        // Two readings more may be all that is left of the surge.
        let ends = segments[first].end + if begins { 1 } else { APART } >= run.end;
        let level_a = above_a(first);
        let high_a = plateau_a.max(level_a);
        return (begins != ends && level_a > RISES * baseline.sigma_a).then_some(if ends {
            (high_a, level_a)
        } else {
            (level_a, high_a)
        });
    };
    let levels = (above_a(first), above_a(last));
    let least_a = RISES * baseline.sigma_a;
    (levels.0 > least_a && levels.1 > least_a).then_some(levels)
}
