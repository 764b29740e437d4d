//! Candidates among many values: means of blocks first, every value only where it matters.
//!
//! # What pooling cannot lose
//! With `c(a, b)` the sum of squares of the values in `a..b` about their mean, call
//! `c(a, b) − c(a, t) − c(t, b)` the evidence of a change at `t` in the window `a..b`.
//!
//! 1. *Between items.* Let `a < t < b` be borders of items and the evidence exceed three penalties.
//!    Then the search over their means has a break in `a..b`. Otherwise `a..b` would lie within
//!    one of its stretches; breaks at `a`, `t` and `b` would lower the sum of squares by at least
//!    the evidence (cutting never raises it, and the sums of squares inside the items are the
//!    same for every such cut) and raise the cost by at most three penalties: the cut would not
//!    have been the best one.
//! 2. *Within a block.* Only blocks whose own sum of squares is at most two penalties are pooled;
//!    all others enter value by value. So in a pooled block no change, and no burst, has more
//!    evidence than two penalties: the least that the two breaks of a burst cost.
//! 3. *Within blocks that are pooled once more.* Four of them are one item where the squares between
//!    their means and the two largest sums of squares inside them are together at most three
//!    penalties. The two borders of a burst cut two blocks at most, and no cut lowers the sum of
//!    squares below that inside the others: in such an item no change, and no burst, has more
//!    evidence than three penalties.
//! 4. *Constant stretches.* Blocks of one and the same value are pooled for free: a break inside
//!    a run of equal values can always move to one end of the run without raising the cost,
//!    as the cost of `j` of them on the left and the rest on the right,
//!    `j u/(j + u) p² + (k − j) v/(k − j + v) q²` (`u`, `v` values on either side, at distances
//!    `p`, `q`), is concave in `j`.
//!
//! A candidate that is to be kept must have more evidence than three times a penalty that is
//! known to be too low, so no change that matters goes without a break in its window. Where
//! exactly it lies is then settled, block by block where four of them were one item beside the break,
//! and value by value in the two blocks at each break.

use std::ops::Range;

use rayon::prelude::*;

use super::{exact, search};

/// Values in a block. Short, so that a block's noise alone (`χ²` with 7 degrees of freedom, in
/// units of σ²) exceeds two penalties of 12 σ² once in a thousand blocks.
const BLOCK: usize = 8;
/// Blocks that are pooled once more, and values in them.
const BLOCKS: usize = 4;
const WIDE: usize = BLOCK * BLOCKS;

/// Fewer values than this are not pooled.
const WORTH_POOLING: usize = 1 << 12;

/// Values that one task pools.
const TASK: usize = 1 << 16;

/// Candidate changes (index of the first value of each new stretch) among `count` values, for a
/// penalty known to be too low: those of [`exact`] for short series, and for long ones the best
/// cut among block means with every break then moved to its best place within a block. The page on
/// top says what that cannot lose. `copy` fills in the values from an index on; long series are
/// gone through once, and never held. On the way `look` is shown all values, task by task with the
/// index of each one's first, and what it made of them is handed back in order. O(n) on average, on
/// all cores; the result does not depend on their number.
///
/// # Panics
/// When `penalty` is negative or not a number. Values must be finite.
pub(crate) fn proposals<S: Send>(
    count: usize,
    copy: impl Fn(usize, &mut [f64]) + Sync,
    look: impl Fn(usize, &[f64]) -> S + Sync,
    penalty: f64,
) -> (Vec<usize>, Vec<S>) {
    if count < WORTH_POOLING {
        let mut values = vec![0.0; count];
        copy(0, &mut values);
        let seen = look(0, &values);
        (exact(&values, penalty), vec![seen])
    } else {
        pooled(count, copy, look, penalty)
    }
}

/// Values or means of blocks, in order.
#[derive(Debug, Clone)]
struct Items {
    mean: Vec<f64>,
    weight: Vec<f64>,
    /// Index of the first value.
    first: Vec<u32>,
    low: f64,
    high: f64,
}

impl Items {
    fn with_capacity(items: usize) -> Self {
        let (low, high) = (f64::INFINITY, f64::NEG_INFINITY);
        let room = || Vec::with_capacity(items);
        Self { mean: room(), weight: room(), first: Vec::with_capacity(items), low, high }
    }

    fn len(&self) -> usize {
        self.mean.len()
    }

    #[inline]
    fn push(&mut self, mean: f64, weight: f64, first: usize) {
        self.mean.push(mean);
        self.weight.push(weight);
        self.first.push(first as u32);
        self.low = if mean < self.low { mean } else { self.low };
        self.high = if mean > self.high { mean } else { self.high };
    }

    /// Values one by one.
    fn push_values(&mut self, values: &[f64], first: usize) {
        for (i, value) in values.iter().enumerate() {
            self.push(*value, 1.0, first + i);
        }
    }

    fn pairs(&self) -> impl DoubleEndedIterator<Item = (f64, f64)> {
        self.mean.iter().copied().zip(self.weight.iter().copied())
    }
}

fn pooled<S: Send>(
    count: usize,
    copy: impl Fn(usize, &mut [f64]) + Sync,
    look: impl Fn(usize, &[f64]) -> S + Sync,
    penalty: f64,
) -> (Vec<usize>, Vec<S>) {
    let (parts, seen): (Vec<Items>, Vec<S>) =
        coarse(count, &copy, look, penalty).into_iter().unzip();
    let rough = breaks_of(&parts, penalty);
    let rough = opened(count, &copy, &parts, rough, penalty);
    (refined(count, copy, &parts, &rough, penalty), seen)
}

/// The best cut of the items in all parts.
fn breaks_of(parts: &[Items], penalty: f64) -> Vec<usize> {
    let (left, right) = parts.split_at(parts.len() / 2);
    let count = |parts: &[Items]| parts.iter().map(Items::len).sum::<usize>();
    let range = parts.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), part| {
        (low.min(part.low), high.max(part.high))
    });
    let found = search(
        (count(left), left.iter().flat_map(Items::pairs)),
        (count(right), right.iter().rev().flat_map(|part| part.pairs().rev())),
        range,
        penalty,
    );
    let mut parts = parts.iter();
    let (mut part, mut before) = (parts.next(), 0);
    found
        .into_iter()
        .filter_map(|item| {
            while let Some(here) = part.filter(|here| item - before >= here.len()) {
                before += here.len();
                part = parts.next();
            }
            part.map(|here| here.first[item - before] as usize)
        })
        .collect()
}

/// Mean and sum of squares about it.
#[derive(Debug, Clone, Copy)]
struct Block {
    mean: f64,
    squares: f64,
}

impl Block {
    /// Taken from the first value, so that an offset costs no digits.
    fn of(values: &[f64]) -> Option<Self> {
        let shift = *values.first()?;
        let n = values.len() as f64;
        let (mut sum, mut squares) = (0.0, 0.0);
        for value in values {
            let d = value - shift;
            sum += d;
            squares += d * d;
        }
        Some(Self { mean: shift + sum / n, squares: squares - sum * (sum / n) })
    }

    /// The same for a whole block, without one addition having to wait for the other.
    #[inline]
    fn of_whole(values: &[f64; BLOCK]) -> Self {
        let shift = values[0];
        let d = values.map(|value| value - shift);
        let q = d.map(|d| d * d);
        let tree = |v: &[f64; BLOCK]| {
            let four: [f64; 4] = std::array::from_fn(|i| v[i] + v[i + 4]);
            (four[0] + four[2]) + (four[1] + four[3])
        };
        let (sum, squares) = (tree(&d), tree(&q));
        let mean = sum * (1.0 / BLOCK as f64);
        Self { mean: shift + mean, squares: squares - sum * mean }
    }

    #[inline]
    fn of_four(values: &[f64; WIDE]) -> [Self; BLOCKS] {
        let (each, _) = values.as_chunks::<BLOCK>();
        std::array::from_fn(|k| Self::of_whole(&each[k]))
    }

    /// Mean of blocks that may be one item, without a digit lost to an offset; `None` where they may not, or where
    /// one is of a single value.
    #[inline]
    fn pooled(blocks: &[Self; BLOCKS], penalty: f64) -> Option<f64> {
        let shift = blocks[0].mean;
        let off = blocks.map(|block| block.mean - shift);
        let mean = off.iter().sum::<f64>() * (1.0 / BLOCKS as f64);
        let between = off.map(|off| (off - mean) * (off - mean)).iter().sum::<f64>() * BLOCK as f64;
        let (mut largest, mut second, mut least) = (0.0, 0.0, f64::INFINITY);
        for Self { squares, .. } in blocks {
            second = f64::max(second, squares.min(largest));
            largest = f64::max(largest, *squares);
            least = f64::min(least, *squares);
        }
        let alike = between + largest + second <= 3.0 * penalty && largest <= 2.0 * penalty;
        (alike && least > 0.0).then_some(shift + mean)
    }
}

/// The items of the first search, one part a task, and what `look` makes of its values.
fn coarse<S: Send>(
    count: usize,
    copy: impl Fn(usize, &mut [f64]) + Sync,
    look: impl Fn(usize, &[f64]) -> S + Sync,
    penalty: f64,
) -> Vec<(Items, S)> {
    let part = |buffer: &mut Vec<f64>, task: usize| {
        let from = task * TASK;
        buffer.resize(TASK.min(count - from), 0.0);
        copy(from, buffer);
        let seen = look(from, buffer);
        let mut items = Items::with_capacity(buffer.len() / BLOCK + buffer.len() / (4 * BLOCK));
        let mut constant = None;
        let mut take = |Block { mean, squares }: Block, block: &[f64], first: usize| {
            let weight = block.len() as f64;
            match items.weight.last_mut() {
                Some(run) if squares == 0.0 && constant == Some(mean) => *run += weight,
                _ if squares <= 2.0 * penalty => items.push(mean, weight, first),
                _ => items.push_values(block, first),
            }
            constant = (squares == 0.0).then_some(mean);
        };
        let (fours, few) = buffer.as_chunks::<WIDE>();
        for (i, four) in fours.iter().enumerate() {
            let first = from + i * WIDE;
            let blocks = Block::of_four(four);
            match Block::pooled(&blocks, penalty) {
                Some(mean) => take(Block { mean, squares: penalty }, four, first),
                None => {
                    let (each, _) = four.as_chunks::<BLOCK>();
                    let each = blocks.into_iter().zip(each).enumerate();
                    each.for_each(|(k, (block, values))| take(block, values, first + k * BLOCK));
                }
            }
        }
        for (k, block) in few.chunks(BLOCK).enumerate() {
            Block::of(block).into_iter().for_each(|found| {
                take(found, block, from + fours.len() * WIDE + k * BLOCK);
            });
        }
        (items, seen)
    };
    (0..count.div_ceil(TASK)).into_par_iter().map_init(Vec::new, part).collect()
}

/// The best cut among those with breaks within a block of the `rough` ones, where that lies beside four blocks that
/// are one item, as well; the `rough` ones themselves where none does.
fn opened(
    count: usize,
    copy: impl Fn(usize, &mut [f64]) + Sync,
    parts: &[Items],
    rough: Vec<usize>,
    penalty: f64,
) -> Vec<usize> {
    let is_wide = |at: usize| {
        let part = &parts[at / TASK];
        let item = part.first.partition_point(|first| (*first as usize) < at);
        part.first.get(item) == Some(&(at as u32)) && part.weight[item] == WIDE as f64
    };
    let span = |at: usize| {
        let (before, after) = (at.checked_sub(WIDE).filter(|at| is_wide(*at)), is_wide(at));
        (before.unwrap_or(at), if after { at + WIDE } else { at })
    };
    let spans: Vec<(usize, usize)> = rough.iter().map(|at| span(*at)).collect();
    if spans.iter().all(|(from, end)| from == end) {
        return rough;
    }
    let blocks = |values: &[f64], first: usize, items: &mut Items| {
        let (blocks, _) = values.as_chunks::<BLOCK>();
        for (k, block) in blocks.iter().enumerate() {
            items.push(Block::of_whole(block).mean, BLOCK as f64, first + k * BLOCK);
        }
    };
    breaks_of(&near(&spans, parts, count, &copy, &blocks), penalty)
}

/// The best cut among those with breaks within a block of the `rough` ones: all values there are
/// items of their own.
fn refined(
    count: usize,
    copy: impl Fn(usize, &mut [f64]) + Sync,
    parts: &[Items],
    rough: &[usize],
    penalty: f64,
) -> Vec<usize> {
    // At the borders of blocks, where items end.
    let span = |at: &usize| {
        let from = (at / BLOCK).saturating_sub(1) * BLOCK;
        (from, ((at.div_ceil(BLOCK) + 1) * BLOCK).min(count))
    };
    let spans: Vec<(usize, usize)> = rough.iter().map(span).collect();
    let values = |values: &[f64], first: usize, items: &mut Items| items.push_values(values, first);
    breaks_of(&near(&spans, parts, count, &copy, &values), penalty)
}

/// What `lay` makes of the values of each span, and what lies between as one item, as it is one stretch already. The
/// items of either half of the parts are made at the same time. Spans are in order, of borders of blocks.
fn near(
    spans: &[(usize, usize)],
    parts: &[Items],
    count: usize,
    copy: &(impl Fn(usize, &mut [f64]) + Sync),
    lay: &(impl Fn(&[f64], usize, &mut Items) + Sync),
) -> [Items; 2] {
    let (left, right) = parts.split_at(parts.len() / 2);
    let middle = left.len() * TASK;
    let half = |parts: &[Items], range: Range<usize>| {
        let first = spans.partition_point(|(_, end)| *end <= range.start);
        let spans = spans[first..].iter().take_while(|(from, _)| *from < range.end);
        let mut between = Between::of(parts, copy);
        let mut items = Items::with_capacity(spans.clone().count() * (3 * BLOCK + 1) + 1);
        let mut buffer = Vec::new();
        let mut done = range.start;
        for (from, end) in spans {
            let (from, end) = ((*from).max(done), (*end).min(range.end));
            if from > end {
                continue;
            }
            between.take(done..from, &mut items);
            buffer.resize(end - from, 0.0);
            copy(from, &mut buffer);
            lay(&buffer, from, &mut items);
            done = end;
        }
        between.take(done..range.end, &mut items);
        items
    };
    let (left, right) = rayon::join(|| half(left, 0..middle), || half(right, middle..count));
    [left, right]
}

/// Goes through the items of all parts from the first to the last.
struct Between<I, C> {
    rest: I,
    copy: C,
    /// Mean and place of the present item.
    mean: f64,
    whole: Range<usize>,
}

impl Between<(), ()> {
    fn of<C: Fn(usize, &mut [f64])>(
        parts: &[Items],
        copy: C,
    ) -> Between<impl Iterator<Item = (f64, Range<usize>)>, C> {
        let rest = parts.iter().flat_map(|part| {
            let first = part.first.iter().map(|first| *first as usize);
            part.pairs().zip(first).map(|((mean, weight), at)| (mean, at..at + weight as usize))
        });
        Between { rest, copy, mean: 0.0, whole: 0..0 }
    }
}

impl<I: Iterator<Item = (f64, Range<usize>)>, C: Fn(usize, &mut [f64])> Between<I, C> {
    /// Pushes the mean of the values in `range`, which lies beyond all that were taken before.
    fn take(&mut self, range: Range<usize>, into: &mut Items) {
        if range.is_empty() {
            return;
        }
        let mut shift = None;
        let mut sum = 0.0;
        loop {
            let here = self.whole.start.max(range.start)..self.whole.end.min(range.end);
            if !here.is_empty() {
                let mean = self.mean_of(&here);
                let shift = *shift.get_or_insert(mean);
                sum += (mean - shift) * here.len() as f64;
            }
            if self.whole.end >= range.end {
                break;
            }
            let Some((mean, next)) = self.rest.next() else { break };
            (self.mean, self.whole) = (mean, next);
        }
        let mean = shift.unwrap_or(0.0) + sum / range.len() as f64;
        into.push(mean, range.len() as f64, range.start);
    }

    /// Mean of a part of the present item: a run of one value has the same one everywhere.
    fn mean_of(&self, part: &Range<usize>) -> f64 {
        if *part == self.whole || self.whole.len() != WIDE {
            return self.mean;
        }
        let mut values = [0.0; WIDE];
        let values = &mut values[..part.len()];
        (self.copy)(part.start, values);
        values.iter().map(|value| value - self.mean).sum::<f64>() / part.len() as f64 + self.mean
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{cost_of, cost_of_cut};
    use super::*;
    use proptest::prelude::*;
    use rand::{Rng, SeedableRng};
    use rand_distr::StandardNormal;

    /// Readings with unit noise, or counts of it, on steps of any height and length.
    fn readings() -> impl Strategy<Value = Vec<f64>> {
        let step = (-6.0..6.0f64, 1usize..40);
        (prop::collection::vec(step, 1..8), any::<u64>(), prop::sample::select(vec![0.0, 0.5, 2.0]))
            .prop_map(|(steps, seed, count)| {
                let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
                let levels = steps.iter().flat_map(|(level, length)| vec![*level; *length]);
                levels
                    .map(|level| level + random.sample::<f64, _>(StandardNormal))
                    .map(|value| if count > 0.0 { (value / count).round() * count } else { value })
                    .collect()
            })
    }

    fn copy_of(values: &[f64]) -> impl Fn(usize, &mut [f64]) + Sync {
        |from, into| into.copy_from_slice(&values[from..from + into.len()])
    }

    fn items_of(values: &[f64], penalty: f64) -> Vec<Items> {
        let parts = coarse(values.len(), copy_of(values), |_, _| (), penalty);
        parts.into_iter().map(|part| part.0).collect()
    }

    fn found_in(values: &[f64], penalty: f64) -> Vec<usize> {
        proposals(values.len(), copy_of(values), |_, _| (), penalty).0
    }

    fn cost(values: &[f64], breaks: &[usize], penalty: f64) -> f64 {
        cost_of_cut(values, &vec![1.0; values.len()], breaks, penalty)
    }

    fn squares(values: &[f64]) -> f64 {
        cost_of(values, &vec![1.0; values.len()])
    }

    proptest! {
        #![proptest_config(crate::chance::same(600))]

        #[test]
        fn evidence_of_three_penalties_between_items_always_makes_a_break(
            values in readings(),
            penalty in 1.0..14.0f64,
        ) {
            let items = items_of(&values, penalty);
            let rough = breaks_of(&items, penalty);
            let firsts = items.iter().flat_map(|part| part.first.iter().map(|first| *first as usize));
            let borders: Vec<usize> = firsts.chain([values.len()]).collect();
            for (i, a) in borders.iter().enumerate() {
                for (j, t) in borders.iter().enumerate().skip(i + 1) {
                    for b in &borders[j + 1..] {
                        let evidence = squares(&values[*a..*b])
                            - squares(&values[*a..*t])
                            - squares(&values[*t..*b]);
                        let broken = rough.iter().any(|at| a <= at && at <= b);
                        prop_assert!(broken || evidence <= 3.0 * penalty + 1e-9);
                    }
                }
            }
        }

        /// Of a change between any two values, and of a burst that begins and ends anywhere.
        #[test]
        fn no_item_holds_evidence_of_more_than_three_penalties(
            values in readings(),
            penalty in 1.0..14.0f64,
        ) {
            for part in items_of(&values, penalty) {
                for (first, weight) in part.first.iter().zip(&part.weight) {
                    let (a, b) = (*first as usize, *first as usize + *weight as usize);
                    let whole = squares(&values[a..b]);
                    if whole == 0.0 {
                        continue;
                    }
                    for t in a + 1..b {
                        for u in t + 1..=b {
                            let burst = &values[t..u];
                            let beside = [&values[a..t], &values[u..b]].concat();
                            let left = squares(burst) + squares(&beside);
                            prop_assert!(whole - left <= 3.0 * penalty + 1e-9);
                        }
                    }
                }
            }
        }

        #[test]
        fn pooling_costs_at_most_three_penalties_a_change(
            values in readings(),
            penalty in 1.0..14.0f64,
        ) {
            let best = exact(&values, penalty);
            let found = pooled(values.len(), copy_of(&values), |_, _| (), penalty).0;
            let excess = cost(&values, &found, penalty) - cost(&values, &best, penalty);
            prop_assert!(excess <= 3.0 * penalty * best.len() as f64 + 1e-9);
            prop_assert!(excess >= -1e-9);
        }
    }

    #[test]
    fn changes_that_matter_are_those_of_the_exact_search() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(7);
        let mut values = Vec::new();
        let mut truth = Vec::new();
        let mut level = 0.0;
        while values.len() < 4 * TASK {
            let length = random.random_range(3..3000);
            level += if random.random() { 6.0 } else { -6.0 } + random.random_range(-1.0..1.0);
            values.extend((0..length).map(|_| level + random.sample::<f64, _>(StandardNormal)));
            truth.push(values.len());
        }
        let penalty = 2.0 * (values.len() as f64).ln();
        let found = found_in(&values, penalty);
        assert_eq!(found, exact(&values, penalty));
        assert!(
            found.len() + 4 > truth.len() && truth.len() > 150,
            "{} {}",
            found.len(),
            truth.len()
        );
    }

    #[test]
    fn runs_of_one_value_are_one_item_and_bursts_in_them_are_found() {
        let mut values = vec![1e6 + 0.25; 300_000];
        values[100_003] += 7.0;
        values[200_000..200_004].iter_mut().for_each(|value| *value -= 5.0);
        let items = items_of(&values, 12.0);
        assert!(items.iter().map(Items::len).sum::<usize>() < 60);
        assert_eq!(found_in(&values, 12.0), [100_003, 100_004, 200_000, 200_004]);
    }

    #[test]
    fn the_number_of_threads_does_not_matter() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(11);
        let values: Vec<f64> = (0..4 * TASK + 5)
            .map(|i| (i / 1000 % 3) as f64 + random.sample::<f64, _>(StandardNormal))
            .collect();
        let with = |threads| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            pool.install(|| found_in(&values, 12.0))
        };
        let one = with(1);
        assert!(one.len() > 200);
        assert_eq!(one, with(3));
    }
}
