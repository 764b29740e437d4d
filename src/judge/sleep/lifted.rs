//! Stays that the wakes go on in at another level than the floor before: the floor has stepped.
//!
//! What stays up and wakes no more has not fallen asleep. What wakes as it did has, and draws another current.

use super::Night;
use super::baseline::{BLOCK, resting_level};
use super::outings::{Away, Outing, OutingKind};
use super::stretches::{Depth, Depths, Stretch};
use crate::findings::SegmentKind;

/// Fewest wakes in a stay that tell it, and the share of those due by their rate elsewhere.
const FEWEST: usize = 3;
const GO_ON: f64 = 0.5;
/// A steady segment of such a stay is up to this many times as far above the floor as the stay is on average.
const HIGHEST: f64 = 2.0;

/// The depths with such stays asleep; `None` where there are none. O(segments + wakes).
pub(super) fn find(night: &Night<'_>, depths: &Depths, away: &Away) -> Option<Depths> {
    let outings = || away.outings.iter();
    let wakes = outings().filter(|outing| outing.kind == OutingKind::Wake).count();
    let up_s: f64 = outings().filter(|o| o.kind != OutingKind::Wake).map(Outing::seen_s).sum();
    let elsewhere_s = night.samples.duration_s() - up_s;
    let segments = &night.segmentation.segments;
    let mut lifted = vec![false; segments.len()];
    for outing in outings().filter(|outing| outing.kind == OutingKind::Failure) {
        let inside = outing.wakes(&away.raised);
        let due = GO_ON * wakes as f64 * outing.seen_s() / elsewhere_s;
        if inside.len() < FEWEST || (inside.len() as f64) < due {
            continue;
        }
        let wakes_c: f64 = inside.iter().map(|wake| wake.charge_c).sum();
        let rise_a = (outing.charge_c - wakes_c) / outing.seen_s();
        let floor_a = away.baseline.at(outing.start_s);
        // One that doubles the draw is no floor, as everywhere.
        if rise_a > floor_a {
            continue;
        }
        let from = segments.partition_point(|segment| segment.end <= outing.first);
        let to = segments.partition_point(|segment| segment.first < outing.end);
        for at in from..to {
            lifted[at] = segments[at].kind == SegmentKind::Steady
                && level_a(night, at) <= floor_a + HIGHEST * rise_a;
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
