//! Where nothing may be powered: the stretches that a zero check can read.

use crate::findings::SegmentKind;
use crate::jobsheet::JobSheet;
use crate::segment::{Segment, Segmentation};

/// A run of segments near zero.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct ZeroStretch {
    pub(super) start_s: f64,
    pub(super) end_s: f64,
    /// Its longest segment.
    pub(super) segment: usize,
}

/// Readings that a dip has at least to be a zero check,
const FEW_READINGS: usize = 5;
/// and how many times as much as noise does at its level they scatter at most.
const STILL: f64 = 2.0;
/// Levels further apart than this many standard deviations of a reading differ plainly.
const PLAIN: f64 = 4.0;
/// Share of the middle step within which a level counts as near zero.
const NEAR: f64 = 0.05;

/// Runs of segments as near to zero as any, within what the meter may wander.
///
/// Zero is the lowest level, for a clamp's own zero may be off by more than a sleeping site draws;
/// the highest when the clamp sat the other way round; and the one nearest 0 when current flows
/// both ways, as with a solar panel. Where zero checks are listed, a short dip to a level that
/// stands still may be one, whatever else short excursions are.
pub(super) fn zero_stretches(
    segmentation: &Segmentation,
    sheet: &JobSheet,
    checked: bool,
) -> Vec<ZeroStretch> {
    let segments = &segmentation.segments;
    let levels: Vec<usize> = (0..segments.len())
        .filter(|&i| {
            segments[i].kind == SegmentKind::Steady || (checked && is_dip(segmentation, i))
        })
        .collect();
    let mean_a = |i: &usize| segments[*i].mean_a;
    let by_mean = |a: &&usize, b: &&usize| mean_a(a).total_cmp(&mean_a(b));
    let ends = levels.iter().min_by(by_mean).zip(levels.iter().max_by(by_mean));
    let Some((lowest, highest)) = ends else { return Vec::new() };
    let nearest = levels.iter().min_by(|a, b| mean_a(a).abs().total_cmp(&mean_a(b).abs()));
    let little = 0.15 * mean_a(lowest).abs().max(mean_a(highest).abs());
    // +1 where more current reads higher, −1 for a turned clamp, `None` where it flows both ways.
    let (zero, turn) = if mean_a(lowest) > -little {
        (lowest, Some(1.0))
    } else if mean_a(highest) < little {
        (highest, Some(-1.0))
    } else {
        (nearest.unwrap_or(lowest), None)
    };
    let mut jumps: Vec<f64> = segmentation.steps.iter().map(|step| step.delta_a.abs()).collect();
    jumps.sort_by(f64::total_cmp);
    let jump = jumps.get(jumps.len() / 2).copied().unwrap_or(0.0);
    let wander = sheet.meter.and_then(|meter| meter.zero_return_tolerance_a).unwrap_or(0.0);
    let reach = wander.max(4.0 * segments[*zero].noise_a).max(NEAR * jump);
    let mut near: Vec<usize> =
        levels.iter().copied().filter(|i| (mean_a(i) - mean_a(zero)).abs() <= reach).collect();
    if let (true, Some(turn)) = (checked, turn) {
        let powered = powered(segments, &near, turn);
        near = near.into_iter().zip(powered).filter(|(_, on)| !on).map(|(i, _)| i).collect();
    }
    let mut stretches: Vec<ZeroStretch> = Vec::new();
    let mut before: Option<usize> = None;
    for i in near {
        let segment = &segments[i];
        match stretches.last_mut() {
            Some(last) if before.is_some_and(|before| before + 1 == i) => {
                let longest = &segments[last.segment];
                if segment.end - segment.first > longest.end - longest.first {
                    last.segment = i;
                }
                last.end_s = segment.end_s;
            }
            _ => stretches.push(ZeroStretch {
                start_s: segment.start_s,
                end_s: segment.end_s,
                segment: i,
            }),
        }
        before = Some(i);
    }
    stretches
}

/// True for a short excursion that stands still below what lies on either side of it: a wake
/// draws more, not less.
fn is_dip(segmentation: &Segmentation, i: usize) -> bool {
    let segments = &segmentation.segments;
    let this = &segments[i];
    let size = |other: usize| segments.get(other).map(|other| other.mean_a - this.mean_a);
    let Some((before_a, after_a)) = i.checked_sub(1).and_then(size).zip(size(i + 1)) else {
        return false;
    };
    this.end - this.first >= FEW_READINGS
        && this.noise_a <= STILL * segmentation.noise.sigma_at(this.mean_a)
        && before_a * after_a > 0.0
}

/// For every level near zero, whether something draws there all the same.
///
/// Nothing falls from nothing: a level beside a plainly lower one is powered, however near to zero it
/// lies. So is a level between wakes that is nearer to the last such one than to the zero beside
/// that, both followed as they move. O(n).
fn powered(segments: &[Segment], near: &[usize], turn: f64) -> Vec<bool> {
    let level_a = |at: usize| turn * segments[near[at]].mean_a;
    // Settling and partial readings may lie between neighbours.
    let side = |a: usize, b: usize| {
        let between = near[a] + 1..near[b];
        between.len() < FEW_READINGS
            && between.clone().map(|i| segments[i].end - segments[i].first).sum::<usize>()
                < FEW_READINGS
    };
    let plainly_below = |low: usize, high: usize| {
        let noise_a = segments[near[low]].noise_a.max(segments[near[high]].noise_a);
        level_a(high) - level_a(low) > PLAIN * noise_a
    };
    let lower = |at: usize| {
        let before = at.checked_sub(1).filter(|&before| side(before, at));
        let after = Some(at + 1).filter(|&after| after < near.len() && side(at, after));
        [before, after].into_iter().flatten().find(|&other| plainly_below(other, at))
    };
    let mut found: Vec<Option<bool>> = vec![None; near.len()];
    let pairs: Vec<Option<f64>> = (0..near.len()).map(|at| lower(at).map(level_a)).collect();
    for backward in [false, true] {
        let mut known: Option<(f64, f64)> = None;
        for step in 0..near.len() {
            let at = if backward { near.len() - 1 - step } else { step };
            match (pairs[at], known) {
                (Some(zero_a), _) => {
                    found[at] = Some(true);
                    known = Some((level_a(at), zero_a));
                }
                (None, Some((powered_a, zero_a))) if found[at].is_none() => {
                    let on = (level_a(at) - powered_a).abs() < (level_a(at) - zero_a).abs();
                    found[at] = Some(on);
                    known = Some(if on { (level_a(at), zero_a) } else { (powered_a, level_a(at)) });
                }
                _ => {}
            }
        }
    }
    found.into_iter().map(|on| on == Some(true)).collect()
}
