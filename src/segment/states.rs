//! Steady stretches at the same level are one state.

use super::{Level, Segment};
use crate::findings::SegmentKind;

/// Standard deviations within which two means are the same level.
const SAME: f64 = 3.5;

/// Groups the steady segments into levels, lowest first, and writes each one's into `state`.
///
/// Means sorted by size join the level below while they lie within 3.5 standard deviations of its
/// weighted mean. The variance is that of both means plus that of the wander between visits, which
/// the differences between a stretch and the next but one tell where the capture returned to the
/// level it left. O(k log k).
pub(super) fn group(segments: &mut [Segment], sigma: f64) -> Vec<Level> {
    let wander = wander(segments, sigma);
    let mut order: Vec<usize> =
        (0..segments.len()).filter(|i| segments[*i].kind == SegmentKind::Steady).collect();
    order.sort_by(|a, b| segments[*a].mean_a.total_cmp(&segments[*b].mean_a).then(a.cmp(b)));
    let mut levels: Vec<Level> = Vec::new();
    let (mut weight, mut mean) = (0.0, 0.0);
    let (mut time, mut charge, mut squares) = (0.0, 0.0, 0.0);
    for i in order {
        let segment = &mut segments[i];
        let variance = segment.standard_uncertainty_a.powi(2) + wander * wander;
        let apart = (segment.mean_a - mean).abs();
        let joined = !levels.is_empty()
            && (apart <= SAME * (variance + 1.0 / weight).sqrt() || apart == 0.0);
        if !joined {
            (weight, mean, time, charge, squares) = (0.0, 0.0, 0.0, 0.0, 0.0);
            levels.push(Level { mean_a: 0.0, noise_a: 0.0, time_s: 0.0, charge_c: 0.0 });
        }
        let w = 1.0 / variance.max(f64::MIN_POSITIVE);
        mean += (segment.mean_a - mean) * w / (weight + w);
        weight += w;
        let length = (segment.end_s - segment.start_s).max(f64::MIN_POSITIVE);
        time += length;
        charge += length * segment.mean_a;
        squares += length * segment.noise_a * segment.noise_a;
        segment.state = Some(levels.len() - 1);
        if let Some(level) = levels.last_mut() {
            *level = Level {
                mean_a: charge / time,
                noise_a: (squares / time).sqrt(),
                time_s: time,
                charge_c: charge,
            };
        }
    }
    levels
}

/// Standard deviation of a level from visit to visit.
fn wander(segments: &[Segment], sigma: f64) -> f64 {
    let mut returns: Vec<f64> = segments
        .windows(3)
        .filter(|w| w[0].kind == SegmentKind::Steady && w[2].kind == SegmentKind::Steady)
        .filter_map(|w| {
            let out = (w[1].mean_a - w[0].mean_a).abs();
            let back = (w[2].mean_a - w[0].mean_a).abs();
            (back < 0.2 * out).then_some(back)
        })
        .collect();
    if returns.len() < 3 {
        return 0.5 * sigma;
    }
    returns.sort_by(f64::total_cmp);
    returns[returns.len() / 2] * 1.4826 / std::f64::consts::SQRT_2
}
