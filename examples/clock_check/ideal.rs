//! The best that can be done with a list: everything known but the offset.

use ebbmark::events::Alignment;

use crate::visits::{Kind, Visit};

/// How far the offset of an ideal reader is off, seconds.
///
/// A line of a step at `t` says `θ = t − l + L − r` with lateness `L` level over `0..late` and
/// rounding `r` level over `±R/2`, so what it says of `θ` is the share of lateness that is left:
/// a trapezium of width `R + late`. Their product is what all lines say; the offset that most of it
/// lies within `allowed_s` of is the best answer.
pub(crate) fn error_s(kind: &Kind, visit: &Visit, found: &Alignment, allowed_s: f64) -> f64 {
    let said: Vec<f64> = found
        .events
        .iter()
        .filter_map(|event| {
            let (_, step) = visit.truth.iter().find(|(row, _)| *row == event.line.row)?;
            let step = &visit.segmentation.steps[(*step)?];
            let drifted = event.listed_s * (1.0 + visit.drift_s_per_h / 3600.0);
            Some(step.time_s - 0.5 * kind.interval_s - drifted - visit.offset_s)
        })
        .collect();
    let half_s = 0.5 * kind.rounding_s + 0.5 * kind.interval_s;
    let reach_s = kind.rounding_s + 2.0 * kind.late_s;
    let bin_s = 0.02;
    let count = (2.0 * reach_s / bin_s) as usize;
    let at = |k: usize| -reach_s + bin_s * (k as f64 + 0.5);
    let logs: Vec<f64> = (0..count)
        .map(|k| {
            let left = |y: &f64| {
                let from = (at(k) - y - half_s).max(0.0);
                let to = (at(k) - y + half_s).min(kind.late_s);
                ((to - from) / kind.late_s).max(1e-9).ln()
            };
            said.iter().map(left).sum()
        })
        .collect();
    let most = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let mut sums = vec![0.0];
    for log in &logs {
        sums.push(sums[sums.len() - 1] + (log - most).exp());
    }
    let window = (allowed_s / bin_s) as usize;
    let within = |k: usize| sums[(k + window + 1).min(count)] - sums[k.saturating_sub(window)];
    // Of equally good answers the middle one.
    let best = (0..count).map(within).fold(0.0, f64::max);
    let good: Vec<usize> = (0..count).filter(|k| within(*k) >= best * (1.0 - 1e-9)).collect();
    good.get(good.len() / 2).map_or(f64::INFINITY, |k| at(*k).abs())
}
