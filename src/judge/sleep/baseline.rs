//! The floor at every moment, from the sleeping readings themselves, and how much they scatter.

use rayon::prelude::*;

use super::Night;
use super::stretches::{Depth, LONG, Stretch};

/// Readings that one knot stands for.
const BLOCK: usize = 64;
/// Fewest knots that a task makes.
const PIECES: usize = 512;
/// Share of the squares kept for the scatter, and their mean for a unit Gaussian.
const KEPT: (f64, f64) = (0.85, 0.5205);
/// Readings that the scatter is learnt from at most.
pub(super) const LEARN_FROM: usize = 1 << 16;

/// Standard deviation from squared deviations, the largest 15 % left out. O(n).
pub(super) fn trimmed_sd(mut squares: Vec<f64>) -> f64 {
    let kept = (KEPT.0 * squares.len() as f64).ceil() as usize;
    if kept < squares.len() {
        squares.select_nth_unstable_by(kept, f64::total_cmp);
    }
    (squares[..kept].iter().sum::<f64>() / kept.max(1) as f64 / KEPT.1).sqrt()
}

/// Mean of what is left without the lowest and the highest quarter. O(n).
fn interquartile_mean(values: &mut [f64]) -> f64 {
    let cut = values.len() / 4;
    let mut inner = values;
    if cut > 0 {
        let above = inner.len() - cut;
        inner = inner.select_nth_unstable_by(above, f64::total_cmp).0;
        inner = &mut inner.select_nth_unstable_by(cut - 1, f64::total_cmp).2[..];
    }
    inner.iter().sum::<f64>() / inner.len() as f64
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
    /// segmentation missed nor rounding moves much. Stays of a few readings, such as the tail of a
    /// wake that the next one cuts off, tell nothing beside long ones. `None` when nothing sleeps. O(n).
    pub(super) fn of(night: &Night<'_>, stretches: &[Stretch]) -> Option<Self> {
        let segments = &night.segmentation.segments;
        let mut asleep: Vec<(usize, usize)> = stretches
            .iter()
            .filter(|stretch| stretch.depth == Depth::Asleep)
            .map(|stretch| (segments[stretch.first].first, segments[stretch.end - 1].end))
            .collect();
        let readings = |least: usize| {
            let lengths = asleep.iter().map(|(first, end)| end - first);
            lengths.filter(|length| *length >= least).sum::<usize>()
        };
        if 2 * readings(LONG) > readings(0) {
            asleep.retain(|(first, end)| end - first >= LONG);
        }
        let pieces: Vec<(usize, usize)> = asleep
            .iter()
            .flat_map(|&(first, end)| {
                let pieces = ((end - first) / BLOCK).max(1);
                let border = move |piece: usize| first + piece * (end - first) / pieces;
                (0..pieces).map(move |piece| (border(piece), border(piece + 1)))
            })
            .collect();
        let knot = |block: &mut Vec<f64>, &(from, to): &(usize, usize)| {
            block.clear();
            block.extend((from..to).map(|sample| night.drawn_a(sample)));
            let time_s = 0.5 * (night.samples.time.at(from) + night.samples.time.at(to - 1));
            (time_s, interquartile_mean(block))
        };
        let knots: Vec<(f64, f64)> =
            pieces.par_iter().with_min_len(PIECES).map_init(Vec::new, knot).collect();
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
        let line = self.line(self.knots.partition_point(|knot| knot.0 <= time_s));
        line.1 + (time_s - line.0) * line.2
    }

    /// A reader for times from `start_s` on that do not go back. O(1) a reading.
    pub(super) fn walk(&self, start_s: f64) -> impl FnMut(f64) -> f64 + '_ {
        let mut after = self.knots.partition_point(|knot| knot.0 <= start_s);
        let next_s = |after: usize| self.knots.get(after).map_or(f64::INFINITY, |knot| knot.0);
        let (mut until_s, mut line) = (next_s(after), self.line(after));
        move |time_s| {
            if time_s >= until_s {
                while next_s(after) <= time_s {
                    after += 1;
                }
                (until_s, line) = (next_s(after), self.line(after));
            }
            line.1 + (time_s - line.0) * line.2
        }
    }

    /// The line that ends at a knot: a moment, the level then, and its slope.
    fn line(&self, after: usize) -> (f64, f64, f64) {
        match (after.checked_sub(1).map(|before| self.knots[before]), self.knots.get(after)) {
            (Some((t0, a0)), Some(&(t1, a1))) => (t0, a0, (a1 - a0) / (t1 - t0)),
            (Some((_, level_a)), None) | (None, Some(&(_, level_a))) => (0.0, level_a, 0.0),
            (None, None) => (0.0, 0.0, 0.0),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_interquartile_mean_leaves_a_quarter_out_on_either_side() {
        for n in 1..40 {
            let mut values: Vec<f64> = (0..n).map(|i| f64::from(i * 29 % 41)).collect();
            let mut sorted = values.clone();
            sorted.sort_by(f64::total_cmp);
            let inner = &sorted[sorted.len() / 4..sorted.len() - sorted.len() / 4];
            let direct = inner.iter().sum::<f64>() / inner.len() as f64;
            assert!((interquartile_mean(&mut values) - direct).abs() < 1e-12, "{n}");
        }
    }

    #[test]
    fn walking_along_the_floor_meets_what_is_there_at_every_moment() {
        let knots = vec![(1.0, 5.0), (2.0, 7.0), (2.5, 4.0), (9.0, 4.0)];
        let baseline = Baseline { knots, sigma_a: 1.0 };
        for start in 0..12 {
            let mut walk = baseline.walk(f64::from(start));
            for step in 0..40 {
                let time_s = f64::from(start) + 0.25 * f64::from(step);
                assert_eq!(walk(time_s), baseline.at(time_s));
            }
        }
        assert_eq!((baseline.at(0.0), baseline.at(1.5), baseline.at(10.0)), (5.0, 6.0, 4.0));
    }
}
