//! The floor at every moment, from the sleeping readings themselves, and how much they scatter.

use rayon::prelude::*;

use super::Night;
use super::stretches::{Depth, LONG, Stretch};
use crate::capture::TimeAxis;

/// Readings that one knot stands for.
pub(super) const BLOCK: usize = 64;
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
pub(super) fn interquartile_mean(values: &mut [f64]) -> f64 {
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
        let line = self.line(self.after(time_s));
        line.1 + (time_s - line.0) * line.2
    }

    /// The knot after a time.
    pub(super) fn after(&self, time_s: f64) -> usize {
        self.knots.partition_point(|knot| knot.0 <= time_s)
    }

    /// Takes the floor away from currents drawn at the times from `first` on, which do not go back.
    /// `after`, the knot after the first of them, becomes the one after the last. O(1) a reading.
    pub(super) fn take_from(
        &self,
        drawn: &mut [f64],
        first: usize,
        time: &TimeAxis,
        after: &mut usize,
    ) {
        let mut done = 0;
        while done < drawn.len() {
            let from = first + done;
            let next_s = |after: usize| self.knots.get(after).map_or(f64::INFINITY, |knot| knot.0);
            while next_s(*after) <= time.at(from) {
                *after += 1;
            }
            let (until_s, line) = (next_s(*after), self.line(*after));
            let left = &mut drawn[done..];
            let length = match until_s > time.at(from + left.len() - 1) {
                true => left.len(),
                false => (1..left.len()).find(|k| time.at(from + k) >= until_s).unwrap_or(1),
            };
            let on_line = left[..length].iter_mut();
            let floor_a = |time_s: f64| line.1 + (time_s - line.0) * line.2;
            match time {
                TimeAxis::Uniform { interval_s, .. } => {
                    for (k, drawn_a) in (0i32..).zip(on_line) {
                        *drawn_a -= floor_a((from as f64 + f64::from(k)) * interval_s);
                    }
                }
                TimeAxis::Listed(times) => {
                    for (drawn_a, time_s) in on_line.zip(&times[from..]) {
                        *drawn_a -= floor_a(*time_s);
                    }
                }
            }
            done += length;
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
    fn the_floor_is_taken_away_as_it_is_at_every_moment() {
        let knots = vec![(1.0, 5.0), (2.0, 7.0), (2.5, 4.0), (9.0, 4.0)];
        let baseline = Baseline { knots, sigma_a: 1.0 };
        let even = TimeAxis::Uniform { interval_s: 0.25, len: 60 };
        let listed = TimeAxis::Listed((0..60).map(|i| f64::from(i * i) / 250.0).collect());
        for time in [even, listed] {
            for (start, length) in [(0, 60), (3, 1), (7, 2), (8, 30), (59, 1)] {
                let mut drawn = vec![10.0; length];
                let mut after = baseline.after(time.at(start));
                let half = length / 2;
                baseline.take_from(&mut drawn[..half], start, &time, &mut after);
                baseline.take_from(&mut drawn[half..], start + half, &time, &mut after);
                for (k, left) in drawn.iter().enumerate() {
                    assert_eq!(*left, 10.0 - baseline.at(time.at(start + k)), "{start} {k}");
                }
            }
        }
        assert_eq!((baseline.at(0.0), baseline.at(1.5), baseline.at(10.0)), (5.0, 6.0, 4.0));
    }
}
