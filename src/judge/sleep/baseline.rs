//! The floor at every moment, from the sleeping readings themselves, and how much they scatter.

use super::Night;
use super::stretches::{Depth, Stretch};

/// Readings that one knot stands for.
const BLOCK: usize = 64;
/// Share of the squares kept for the scatter, and their mean for a unit Gaussian.
const KEPT: (f64, f64) = (0.85, 0.5205);
/// Readings that the scatter is learnt from at most.
pub(super) const LEARN_FROM: usize = 1 << 16;

/// Standard deviation from squared deviations, the largest 15 % left out. O(n log n).
pub(super) fn trimmed_sd(mut squares: Vec<f64>) -> f64 {
    squares.sort_unstable_by(f64::total_cmp);
    let kept = (KEPT.0 * squares.len() as f64).ceil() as usize;
    (squares[..kept].iter().sum::<f64>() / kept.max(1) as f64 / KEPT.1).sqrt()
}

/// The floor as a line from knot to knot, constant outside them.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Baseline {
    /// Time and level, in order.
    knots: Vec<(f64, f64)>,
    /// Standard deviation of a sleeping reading about the line, ampere.
    pub(super) sigma_a: f64,
}

impl Baseline {
    /// Through the interquartile mean of every 64 sleeping readings, which neither a wake that the
    /// segmentation missed nor rounding moves much. `None` when nothing sleeps. O(n).
    pub(super) fn of(night: &Night<'_>, stretches: &[Stretch]) -> Option<Self> {
        let segments = &night.segmentation.segments;
        let asleep: Vec<(usize, usize)> = stretches
            .iter()
            .filter(|stretch| stretch.depth == Depth::Asleep)
            .map(|stretch| (segments[stretch.first].first, segments[stretch.end - 1].end))
            .collect();
        let mut knots = Vec::new();
        let mut block = Vec::with_capacity(2 * BLOCK);
        for &(first, end) in &asleep {
            let pieces = ((end - first) / BLOCK).max(1);
            for piece in 0..pieces {
                let from = first + piece * (end - first) / pieces;
                let to = first + (piece + 1) * (end - first) / pieces;
                block.clear();
                block.extend((from..to).map(|sample| night.drawn_a(sample)));
                block.sort_unstable_by(f64::total_cmp);
                let cut = block.len() / 4;
                let inner = &block[cut..block.len() - cut];
                let level_a = inner.iter().sum::<f64>() / inner.len() as f64;
                let time_s = 0.5 * (night.samples.time.at(from) + night.samples.time.at(to - 1));
                knots.push((time_s, level_a));
            }
        }
        if knots.is_empty() {
            return None;
        }
        let mut baseline = Self { knots, sigma_a: 0.0 };
        let total: usize = asleep.iter().map(|(first, end)| end - first).sum();
        let stride = total.div_ceil(LEARN_FROM).max(1);
        let squares = asleep
            .iter()
            .flat_map(|&(first, end)| (first..end).step_by(stride))
            .map(|sample| {
                (night.drawn_a(sample) - baseline.at(night.samples.time.at(sample))).powi(2)
            })
            .collect();
        baseline.sigma_a = trimmed_sd(squares).max(night.segmentation.noise.floor_a);
        Some(baseline)
    }

    /// Level at a time, ampere. O(log knots).
    pub(super) fn at(&self, time_s: f64) -> f64 {
        self.between(self.knots.partition_point(|knot| knot.0 <= time_s), time_s)
    }

    fn between(&self, after: usize, time_s: f64) -> f64 {
        match (after.checked_sub(1).map(|before| self.knots[before]), self.knots.get(after)) {
            (Some((t0, a0)), Some(&(t1, a1))) => a0 + (a1 - a0) * (time_s - t0) / (t1 - t0),
            (Some((_, level_a)), None) | (None, Some(&(_, level_a))) => level_a,
            (None, None) => 0.0,
        }
    }

    /// A reader for times that do not go back. O(1) a reading.
    pub(super) fn walk(&self) -> impl FnMut(f64) -> f64 + '_ {
        let mut after = 0;
        move |time_s| {
            while self.knots.get(after).is_some_and(|knot| knot.0 <= time_s) {
                after += 1;
            }
            self.between(after, time_s)
        }
    }
}
