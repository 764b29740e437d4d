//! Short excursions that return to the level they left.

use super::Segment;
use super::jump::Ground;
use super::kinds::ACROSS;
use crate::findings::SegmentKind;
use crate::numeric::plain_sum;

/// A burst is shorter than this share of the stays on both sides.
const SHARE: f64 = 0.34;
/// Longest burst, in samples, that needs no others like it.
const LONE: usize = 30;
/// Bursts that make a habit.
const HABIT: usize = 5;
/// Stretches that one burst has at most.
const STRETCHES: usize = 4;
/// Readings next to a burst that tell the level of a ramp there,
const BESIDE: usize = 16;
/// and those that a ramp has at least: what is shorter settles.
const RAMP: usize = 4 * BESIDE;

/// Marks them. Their stretches follow one another.
pub(super) fn mark(ground: &Ground<'_>, segments: &mut [Segment]) {
    let found = found(ground, segments);
    let habit = found.len() >= HABIT;
    for (i, j) in found {
        let samples = segments[j].end - segments[i].first;
        let inside = segments[j].end_s - segments[i].start_s;
        let stay = length_s(&segments[i - 1]).min(stay_after_s(segments, j + 1));
        if samples <= LONE || (habit && inside < 0.2 * stay) {
            for segment in &mut segments[i..=j] {
                segment.kind = SegmentKind::Burst;
            }
        }
    }
}

/// The first and the last stretch of each.
fn found(ground: &Ground<'_>, segments: &[Segment]) -> Vec<(usize, usize)> {
    let n = segments.len();
    let mut found = Vec::new();
    let mut i = 1;
    while i + 1 < n {
        let ends = i..(i + STRETCHES).min(n - 1);
        match ends.into_iter().find(|j| is_burst(ground, segments, (i, *j))) {
            Some(j) => {
                found.push((i, j));
                i = j + 2;
            }
            None => i += 1,
        }
    }
    found
}

fn is_burst(ground: &Ground<'_>, segments: &[Segment], (i, j): (usize, usize)) -> bool {
    let (before, after) = (&segments[i - 1], &segments[j + 1]);
    let (level_a, noise_a) = match before.kind {
        SegmentKind::Steady => (before.mean_a, before.noise_a),
        SegmentKind::Transient if is_ramp(before) => {
            let end = before.end - ACROSS;
            let level_a = mean(ground, end - BESIDE, end);
            (level_a, ground.noise.sigma_at(level_a))
        }
        SegmentKind::Transient | SegmentKind::Burst => return false,
    };
    let inside = segments[j].end_s - segments[i].start_s;
    if inside >= SHARE * length_s(before).min(stay_after_s(segments, j + 1)) {
        return false;
    }
    let off = |mean_a: f64| (mean_a - level_a).abs();
    let peak = segments[i..=j].iter().map(|s| off(s.mean_a)).fold(0.0, f64::max);
    let (mut back, mut after_noise_a) = (off(after.mean_a), after.noise_a);
    if after.kind == SegmentKind::Transient && is_ramp(after) {
        let first = after.first + ACROSS;
        back = back.min(off(mean(ground, first, first + BESIDE)));
        after_noise_a = after_noise_a.min(ground.noise.sigma_at(after.mean_a));
    }
    let doubt = 3.0 * noise_a.max(after_noise_a);
    back < (0.25 * peak).max(doubt.min(0.5 * peak))
}

fn length_s(segment: &Segment) -> f64 {
    segment.end_s - segment.start_s
}

/// Of a stretch after a burst: a tail belongs to the level that it ends in.
fn stay_after_s(segments: &[Segment], after: usize) -> f64 {
    match segments.get(after + 1) {
        Some(next)
            if segments[after].kind == SegmentKind::Transient
                && next.kind == SegmentKind::Steady =>
        {
            next.end_s - segments[after].start_s
        }
        _ => length_s(&segments[after]),
    }
}

fn is_ramp(segment: &Segment) -> bool {
    segment.end - segment.first >= RAMP
}

fn mean(ground: &Ground<'_>, first: usize, end: usize) -> f64 {
    plain_sum(ground.readings(first, end, &mut Vec::new())) / (end - first) as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::{Samples, TimeAxis};
    use crate::segment::{Wishes, segment};
    use rand::{Rng, SeedableRng};
    use rand_distr::StandardNormal;

    /// Wakes of a level that does not stand still, as at dawn, are bursts as others are.
    #[test]
    fn a_wake_on_a_ramp_is_a_burst() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(4);
        let values: Vec<f64> = (0..6000)
            .map(|i| {
                let ramp = 2e-5 * f64::from((i - 2000i32).max(0));
                let wake = if i % 600 >= 590 { 0.15 } else { 0.0 };
                0.22 - ramp + wake + 0.0015 * rng.sample::<f64, _>(StandardNormal)
            })
            .collect();
        let time = TimeAxis::Uniform { interval_s: 1.0, len: values.len() };
        let samples = Samples { time, current_a: values };
        let found = segment(&samples, &[], None, &Wishes::default()).unwrap();
        let bursts: Vec<usize> = found.of_kind(SegmentKind::Burst).map(|s| s.first).collect();
        // The last one is cut off by the end of the capture.
        let wakes: Vec<usize> = (0..9).map(|k| 600 * k + 590).collect();
        assert_eq!(bursts, wakes);
    }
}
