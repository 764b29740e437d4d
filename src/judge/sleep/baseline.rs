//! The floor at every moment, from the sleeping readings themselves, and how much they scatter.

use rayon::prelude::*;

use super::floor::count_a;
use super::follow::LEAPS;
use super::outings::RISES;
use super::stretches::{Depth, LONG, Stretch};
use super::{Night, middle};
use crate::capture::TimeAxis;
use crate::findings::SegmentKind;
use crate::numeric::rising;
use crate::segment::Segment;

/// Readings that one knot stands for.
pub(super) const BLOCK: usize = 64;
/// Fewest knots that a task makes.
const PIECES: usize = 512;
/// Share of the squares kept for the scatter, and their mean for a unit Gaussian.
const KEPT: (f64, f64) = (0.85, 0.5205);
/// Readings of a stay from which on the quarter left out holds those across its edges.
const CLEAR: usize = 8;
/// Readings that the scatter is learnt from at most.
pub(super) const LEARN_FROM: usize = 1 << 16;

/// Readings below the floor lie this near to it, all but the meter's strays.
const REACH: f64 = 0.98;
/// What lies above the floor is current, and not noise or the meter's strays, when it outnumbers what lies as far
/// below by this many standard deviations of their number.
const NOT_STRAY: f64 = 3.0;

/// Whether so many more lie above than below that they are current.
pub(super) fn is_current(above: usize, below: usize) -> bool {
    let (above, below) = (above as f64, below as f64);
    above - below > NOT_STRAY * (above + below).sqrt()
}

/// Standard deviation of the floor's readings from their deviations, rounded to `count_a`. Wakes that lie too close
/// to be told apart from it only ever rise: what lies higher than the noise reaches down is left out. O(n).
pub(super) fn resting_sd(mut deviations: Vec<f64>, count_a: f64) -> f64 {
    let below = deviations.iter().filter(|a| **a < 0.0).count();
    // The lowest stand first.
    if let Some(rank) = below.checked_sub(1).map(|last| last - (REACH * last as f64) as usize) {
        let reach_a = count_a - *deviations.select_nth_unstable_by(rank, rising).1;
        let under = deviations.iter().filter(|a| **a < -reach_a).count();
        let over = deviations.iter().filter(|a| **a > reach_a).count();
        if is_current(over, under) {
            let kept = deviations.len() - (over - under);
            deviations.select_nth_unstable_by(kept, rising);
            deviations.truncate(kept);
        }
    }
    trimmed_sd(deviations.into_iter().map(|a| a * a).collect())
}

/// Standard deviation from squared deviations, the largest 15 % left out. O(n).
fn trimmed_sd(mut squares: Vec<f64>) -> f64 {
    let kept = (KEPT.0 * squares.len() as f64).ceil() as usize;
    if kept < squares.len() {
        squares.select_nth_unstable_by(kept, rising);
    }
    (squares[..kept].iter().sum::<f64>() / kept.max(1) as f64 / KEPT.1).sqrt()
}

/// The highest quarter of readings lies this many times as far from the middle half as the lowest, and wakes are
/// among them; and fewest readings that tell so.
const LEANS: f64 = 2.0;
const TELL: usize = 16;

/// Level of readings at the floor: the mean of what is left without the lowest and the highest quarter. Where wakes
/// lie so close that more than a quarter of the readings is theirs, that of the half that lies closest together and
/// what lies about it. O(n), or O(n log n).
pub(super) fn resting_level(values: &mut [f64]) -> f64 {
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    let cut = values.len() / 4;
    if cut == 0 {
        return mean(values);
    }
    let (inner, least_high, high) = {
        let above = values.len() - cut;
        values.select_nth_unstable_by(above, rising)
    };
    let high_a = (*least_high + high.iter().sum::<f64>()) / cut as f64;
    let (low, most_low, inner) = inner.select_nth_unstable_by(cut - 1, rising);
    let low_a = (*most_low + low.iter().sum::<f64>()) / cut as f64;
    let middle_a = mean(inner);
    if values.len() < TELL || high_a - middle_a <= LEANS * (middle_a - low_a) {
        return middle_a;
    }
    values.sort_unstable_by(rising);
    let half = values.len() / 2;
    let width = |first: &usize| values[first + half] - values[*first];
    let first = (0..values.len() - half).min_by(|a, b| width(a).total_cmp(&width(b))).unwrap_or(0);
    // Of a Gaussian that is all to within two standard deviations.
    let (from_a, to_a) = (values[first] - width(&first), values[first + half] + width(&first));
    let (from, to) =
        (values.partition_point(|a| *a < from_a), values.partition_point(|a| *a <= to_a));
    mean(&values[from..to])
}

/// Readings that one knot stands for.
#[derive(Debug, Clone, Copy)]
struct Piece {
    first: usize,
    end: usize,
    /// Of its stay.
    last: bool,
}

/// A stay in pieces.
fn pieces(first: usize, end: usize) -> impl Iterator<Item = Piece> {
    let count = ((end - first) / BLOCK).max(1);
    let border = move |at: usize| first + at * (end - first) / count;
    (0..count).map(move |at| Piece {
        first: border(at),
        end: border(at + 1),
        last: at + 1 == count,
    })
}

/// The stays of neighbouring segments asleep: where the floor steps and stays, another one begins.
fn stays(segments: &[Segment]) -> Vec<(usize, usize)> {
    let mut all: Vec<(usize, usize)> = Vec::new();
    // Whether the last of them holds a long one.
    let mut told = false;
    for segment in segments {
        let long = segment.kind == SegmentKind::Steady && segment.end - segment.first >= LONG;
        match all.last_mut() {
            Some(last) if !(long && told) => last.1 = segment.end,
            _ => all.push((segment.first, segment.end)),
        }
        told |= long;
    }
    all
}

/// Where the one level of two stays ends and the other begins: what was too short beside a wake to be a stay of its
/// own stands at the end of the one or at the start of the other.
fn step(night: &Night<'_>, pieces: [Piece; 2], levels_a: [f64; 2]) -> (usize, usize) {
    let reach_a = 0.5 * (levels_a[1] - levels_a[0]).abs();
    let of =
        |level_a: f64| move |sample: &usize| (night.drawn_a(*sample) - level_a).abs() < reach_a;
    let [before, after] = pieces;
    let early = (before.first..before.end).rev().take_while(of(levels_a[1])).count();
    let late = (after.first..after.end).take_while(of(levels_a[0])).count();
    match (early, late) {
        (0, 0) => (before.end, after.first),
        (0, _) => (after.first + late, after.first + late),
        _ => (before.end - early, before.end - early),
    }
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
    /// Through the level of every 64 sleeping readings, which neither wakes that the segmentation
    /// missed nor rounding move much. Stays of a few readings, such as the tail of a
    /// wake that the next one cuts off, tell nothing beside long ones. `None` when nothing sleeps. O(n).
    pub(super) fn of(night: &Night<'_>, stretches: &[Stretch]) -> Option<Self> {
        let segments = &night.segmentation.segments;
        let mut asleep: Vec<(usize, usize)> = stretches
            .iter()
            .filter(|stretch| stretch.depth == Depth::Asleep)
            .flat_map(|stretch| stays(&segments[stretch.first..stretch.end]))
            .collect();
        let readings = |least: usize| {
            let lengths = asleep.iter().map(|(first, end)| end - first);
            lengths.filter(|length| *length >= least).sum::<usize>()
        };
        if let Some(least) =
            [CLEAR, LONG].into_iter().find(|least| 2 * readings(*least) > readings(0))
        {
            asleep.retain(|(first, end)| end - first >= least);
        }
        let pieces: Vec<Piece> =
            asleep.iter().flat_map(|&(first, end)| pieces(first, end)).collect();
        let time = &night.samples.time;
        let knot = |block: &mut Vec<f64>, piece: &Piece| {
            block.clear();
            block.extend((piece.first..piece.end).map(|sample| night.drawn_a(sample)));
            (0.5 * (time.at(piece.first) + time.at(piece.end - 1)), resting_level(block))
        };
        let knots: Vec<(f64, f64)> =
            pieces.par_iter().with_min_len(PIECES).map_init(Vec::new, knot).collect();
        if knots.is_empty() {
            return None;
        }
        let total: usize = asleep.iter().map(|(first, end)| end - first).sum();
        let stride = total.div_ceil(LEARN_FROM).max(1);
        let sigma_a = |line: &Self| {
            let mut deviations = Vec::with_capacity(total.div_ceil(stride) + asleep.len());
            let mut after = 0;
            for (first, end) in &asleep {
                let known = deviations.len();
                deviations.resize(known + end - first, 0.0);
                let stay = &mut deviations[known..];
                night.drawn_from(*first, stay);
                line.take_from(stay, *first, time, &mut after);
                // Every so many of them.
                let kept = (end - first).div_ceil(stride);
                (0..kept).for_each(|at| stay[at] = stay[at * stride]);
                deviations.truncate(known + kept);
            }
            let sigma_a = resting_sd(deviations, count_a(night));
            sigma_a.max(night.segmentation.noise.floor_a)
        };
        let mut baseline = Self { knots, sigma_a: 0.0 };
        baseline.sigma_a = sigma_a(&baseline);
        if baseline.hold(night, &pieces) {
            baseline.sigma_a = sigma_a(&baseline);
        }
        Some(baseline)
    }

    /// Where the floor is another from one stay to the next, and far more so than it usually moves, it keeps its level
    /// to where it steps. Tells whether it does anywhere. O(knots).
    fn hold(&mut self, night: &Night<'_>, pieces: &[Piece]) -> bool {
        let change_a = |two: &[(f64, f64)]| (two[1].1 - two[0].1).abs();
        let mut moves: Vec<f64> = self.knots.windows(2).map(change_a).collect();
        moves.sort_by(f64::total_cmp);
        let Some(usual_a) = middle(&moves) else { return false };
        let least_a = (LEAPS * usual_a).max(RISES * self.sigma_a);
        let time = &night.samples.time;
        let mut held = Vec::with_capacity(self.knots.len());
        for (at, knot) in self.knots.iter().enumerate() {
            held.push(*knot);
            let next = self.knots.get(at + 1).filter(|_| pieces[at].last);
            if let Some(next) = next.filter(|next| change_a(&[*knot, **next]) > least_a) {
                let (end, first) = step(night, [pieces[at], pieces[at + 1]], [knot.1, next.1]);
                held.push((time.at(end - 1).max(knot.0), knot.1));
                held.push((time.at(first).min(next.0), next.1));
            }
        }
        let longer = held.len() > self.knots.len();
        self.knots = held;
        longer
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
    use crate::numeric::student_quantile;

    #[test]
    fn the_interquartile_mean_leaves_a_quarter_out_on_either_side() {
        for n in 1..40 {
            let mut values: Vec<f64> = (0..n).map(|i| f64::from(i * 29 % 41)).collect();
            let mut sorted = values.clone();
            sorted.sort_by(f64::total_cmp);
            let inner = &sorted[sorted.len() / 4..sorted.len() - sorted.len() / 4];
            let direct = inner.iter().sum::<f64>() / inner.len() as f64;
            assert!((resting_level(&mut values) - direct).abs() < 1e-12, "{n}");
        }
    }

    /// Quantiles of a unit Gaussian, and wakes 8 to 20 times as high in two of five readings.
    #[test]
    fn wakes_in_two_of_five_readings_move_neither_level_nor_scatter() {
        for n in [40, 400] {
            let noise = (0..n).map(|i| student_quantile((f64::from(i) + 0.5) / f64::from(n), None));
            let quiet: Vec<f64> = noise.collect();
            let wakes = (0..2 * n / 3).map(|i| 8.0 + 12.0 * f64::from(i % 7) / 6.0);
            let both: Vec<f64> = quiet.iter().copied().chain(wakes).collect();
            for values in [quiet, both] {
                approx::assert_abs_diff_eq!(resting_level(&mut values.clone()), 0.0, epsilon = 0.1);
                approx::assert_abs_diff_eq!(resting_sd(values, 0.0), 1.0, epsilon = 0.1);
            }
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
