//! Stays that the wakes go on in at another level than the floor before: the floor has stepped.
//!
//! What stays up and wakes no more has not fallen asleep. What wakes as it did has, and draws another current.

use super::Night;
use super::baseline::{BLOCK, resting_level};
use super::outings::{self, Away, Outing, OutingKind};
use super::stretches::{Depth, Depths, Stretch};
use crate::findings::SegmentKind;

/// Fewest wakes in a stay that tell it, and the share of those due by their rate elsewhere.
const FEWEST: usize = 3;
const GO_ON: f64 = 0.5;
/// A steady segment of such a stay is up to this many times as far above the floor as most of it.
const HIGHEST: f64 = 2.0;
/// Another is of it where it is as far above the floor within this share.
const ALIKE: f64 = 0.25;

/// The depths with such stays asleep; `None` where there are none. O(segments + wakes).
pub(super) fn find(night: &Night<'_>, depths: &Depths, away: &Away) -> Option<Depths> {
    let outings = || away.outings.iter();
    let wakes = outings().filter(|outing| outing.kind == OutingKind::Wake).count();
    let up_s: f64 = outings().filter(|o| o.kind != OutingKind::Wake).map(Outing::seen_s).sum();
    let elsewhere_s = night.samples.duration_s() - up_s;
    let segments = &night.segmentation.segments;
    let mut lifted = vec![false; segments.len()];
    let unasked =
        |outing: &&Outing| outing.kind != OutingKind::Wake && !outings::by_order(night, outing);
    for outing in outings().filter(unasked) {
        let inside = outing.wakes(&away.raised);
        let due = GO_ON * wakes as f64 * outing.seen_s() / elsewhere_s;
        if inside.len() < FEWEST || (inside.len() as f64) < due {
            continue;
        }
        let from = segments.partition_point(|segment| segment.end <= outing.first);
        let to = segments.partition_point(|segment| segment.first < outing.end);
        let floor_a = away.baseline.at(outing.start_s);
        let mut steady: Vec<(usize, f64)> = (from..to)
            .filter(|at| segments[*at].kind == SegmentKind::Steady)
            .map(|at| (at, level_a(night, at) - floor_a))
            .collect();
        steady.sort_by(|a, b| a.1.total_cmp(&b.1).then(a.0.cmp(&b.0)));
        let readings = |at: usize| segments[at].end - segments[at].first;
        let half = steady.iter().map(|(at, _)| readings(*at)).sum::<usize>() / 2;
        let mut lower = 0;
        let middle = steady.iter().find(|(at, _)| {
            lower += readings(*at);
            lower > half
        });
        // One that doubles the draw is no floor, as everywhere.
        let Some((_, rise_a)) = middle.filter(|(_, rise_a)| *rise_a <= floor_a) else { continue };
        for (at, above_a) in &steady {
            lifted[*at] = *above_a <= HIGHEST * rise_a;
        }
        // What is too short beside a wake to be steady.
        for at in (from..to).filter(|at| segments[*at].kind != SegmentKind::Steady) {
            lifted[at] = (level_a(night, at) - floor_a - rise_a).abs() <= ALIKE * rise_a;
        }
    }
    lifted.contains(&true).then(|| Depths { stretches: split(depths, &lifted), ..*depths })
}

/// Level of a segment between wakes that may have been missed, by readings in its middle.
fn level_a(night: &Night<'_>, at: usize) -> f64 {
    let segment = &night.segmentation.segments[at];
    let count = BLOCK.min(segment.end - segment.first);
    let first = segment.first + (segment.end - segment.first - count) / 2;
    let mut drawn: Vec<f64> = (first..first + count).map(|sample| night.drawn_a(sample)).collect();
    resting_level(&mut drawn)
}

/// Each lifted segment as a stretch of its own, at a level of its own.
fn split(depths: &Depths, lifted: &[bool]) -> Vec<Stretch> {
    let pieces = |stretch: &Stretch| {
        let Stretch { depth, first, end } = *stretch;
        let mut all: Vec<Stretch> = Vec::new();
        for at in first..end {
            let lifts = depth == Depth::Up && lifted[at];
            match all.last_mut() {
                Some(last) if !lifts && last.depth == depth => last.end = at + 1,
                _ => {
                    let depth = if lifts { Depth::Asleep } else { depth };
                    all.push(Stretch { depth, first: at, end: at + 1 });
                }
            }
        }
        all
    };
    depths.stretches.iter().flat_map(pieces).collect()
}
