//! Which line belongs to which step: order-preserving, one to one, either side may stay alone.
//!
//! A pairing is a chain of pairs that rise in line and in step. Its gain is the sum of its
//! pairs' gains, each the log likelihood ratio of "this line is this step" to "neither has
//! anything to do with the other". [`best`] finds the chain of greatest gain, [`chances`] the
//! probability of every pair over all chains. Both are exact, by prefix maxima and prefix sums in
//! a binary indexed tree: O(P log P) for P pairs.

/// One line that may be one step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Pair {
    /// Index of the line, in time order.
    pub(super) line: usize,
    /// Index of the step.
    pub(super) step: usize,
    /// Log likelihood ratio, nats.
    pub(super) gain: f64,
}

/// Indices of the pairs of the chain of greatest gain, rising. `pairs` are sorted by line, then step.
pub(super) fn best(pairs: &[Pair]) -> Vec<usize> {
    let ranks = Ranks::of(pairs, |pair| pair.step);
    let mut tree = Tree::new(
        ranks.count,
        (0.0, None),
        |a: (f64, Option<usize>), b| {
            if b.0 > a.0 { b } else { a }
        },
    );
    let mut before: Vec<Option<usize>> = vec![None; pairs.len()];
    let mut end = (0.0, None);
    for group in by_line(pairs) {
        let reached: Vec<(usize, f64)> = group
            .clone()
            .map(|p| {
                let (gain, from) = tree.below(ranks.rank[p]);
                before[p] = from;
                (p, gain + pairs[p].gain)
            })
            .collect();
        for (p, gain) in reached {
            if gain > end.0 {
                end = (gain, Some(p));
            }
            tree.insert(ranks.rank[p], (gain, Some(p)));
        }
    }
    let mut chain = Vec::new();
    let mut at = end.1;
    while let Some(p) = at {
        chain.push(p);
        at = before[p];
    }
    chain.reverse();
    chain
}

/// Log of the summed weight of all chains (the empty one weighs 1), and each pair's probability.
pub(super) fn chances(pairs: &[Pair]) -> (f64, Vec<f64>) {
    let (forward, ln_sum) = sums(pairs);
    // Backward sums are forward sums with both orders turned round.
    let turned: Vec<Pair> = pairs
        .iter()
        .rev()
        .map(|pair| Pair { line: usize::MAX - pair.line, step: usize::MAX - pair.step, ..*pair })
        .collect();
    let (backward, _) = sums(&turned);
    let chance = |p: usize| {
        (forward[p] + backward[pairs.len() - 1 - p] - pairs[p].gain - ln_sum).exp().min(1.0)
    };
    (ln_sum, (0..pairs.len()).map(chance).collect())
}

/// Log of the summed weight of all chains alone.
pub(super) fn ln_weight(pairs: &[Pair]) -> f64 {
    sums(pairs).1
}

/// For every pair the log weight of all chains that end in it, and that of all chains.
fn sums(pairs: &[Pair]) -> (Vec<f64>, f64) {
    let ranks = Ranks::of(pairs, |pair| pair.step);
    let mut tree = Tree::new(ranks.count, f64::NEG_INFINITY, ln_add);
    let mut ending = vec![0.0; pairs.len()];
    let mut all = 0.0;
    for group in by_line(pairs) {
        for p in group.clone() {
            ending[p] = pairs[p].gain + ln_add(0.0, tree.below(ranks.rank[p]));
        }
        for p in group {
            all = ln_add(all, ending[p]);
            tree.insert(ranks.rank[p], ending[p]);
        }
    }
    (ending, all)
}

/// `ln(eᵃ + eᵇ)`.
pub(super) fn ln_add(a: f64, b: f64) -> f64 {
    let (low, high) = if a < b { (a, b) } else { (b, a) };
    if low == f64::NEG_INFINITY { high } else { high + (low - high).exp().ln_1p() }
}

fn by_line(pairs: &[Pair]) -> impl Iterator<Item = std::ops::Range<usize>> + '_ {
    let mut from = 0;
    std::iter::from_fn(move || {
        let line = pairs.get(from)?.line;
        let end = from + pairs[from..].partition_point(|pair| pair.line == line).max(1);
        Some(std::mem::replace(&mut from, end)..end)
    })
}

/// Steps numbered densely.
struct Ranks {
    rank: Vec<usize>,
    count: usize,
}

impl Ranks {
    fn of(pairs: &[Pair], key: impl Fn(&Pair) -> usize) -> Self {
        let mut steps: Vec<usize> = pairs.iter().map(&key).collect();
        steps.sort_unstable();
        steps.dedup();
        let rank = pairs.iter().map(|pair| steps.partition_point(|s| *s < key(pair))).collect();
        Self { rank, count: steps.len() }
    }
}

/// A binary indexed tree over prefixes.
struct Tree<T, F> {
    nodes: Vec<T>,
    empty: T,
    join: F,
}

impl<T: Copy, F: Fn(T, T) -> T> Tree<T, F> {
    fn new(len: usize, empty: T, join: F) -> Self {
        Self { nodes: vec![empty; len + 1], empty, join }
    }

    /// Everything inserted at ranks below `rank`, joined.
    fn below(&self, mut rank: usize) -> T {
        let mut joined = self.empty;
        while rank > 0 {
            joined = (self.join)(joined, self.nodes[rank]);
            rank &= rank - 1;
        }
        joined
    }

    fn insert(&mut self, rank: usize, value: T) {
        let mut at = rank + 1;
        while at < self.nodes.len() {
            self.nodes[at] = (self.join)(self.nodes[at], value);
            at += at & at.wrapping_neg();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;
    use proptest::prelude::*;

    /// Every chain, by trying all of them.
    fn chains(pairs: &[Pair]) -> Vec<Vec<usize>> {
        (0u32..1 << pairs.len())
            .map(|set| (0..pairs.len()).filter(|p| set >> p & 1 == 1).collect::<Vec<_>>())
            .filter(|chain| {
                chain.windows(2).all(|w| {
                    pairs[w[0]].line < pairs[w[1]].line && pairs[w[0]].step < pairs[w[1]].step
                })
            })
            .collect()
    }

    fn gain(pairs: &[Pair], chain: &[usize]) -> f64 {
        chain.iter().map(|p| pairs[*p].gain).sum()
    }

    proptest! {
        #![proptest_config(crate::chance::same(200))]

        #[test]
        fn the_best_chain_and_all_chances_are_those_of_trying_every_chain(
            found in prop::collection::btree_map((0usize..5, 0usize..6), -3.0f64..4.0, 0..11)
        ) {
            let pairs: Vec<Pair> =
                found.into_iter().map(|((line, step), gain)| Pair { line, step, gain }).collect();
            let all = chains(&pairs);
            let most = all.iter().map(|c| gain(&pairs, c)).fold(f64::NEG_INFINITY, f64::max);
            let chain = best(&pairs);
            prop_assert!(all.contains(&chain));
            prop_assert!((gain(&pairs, &chain) - most).abs() < 1e-9);
            let weight: f64 = all.iter().map(|c| gain(&pairs, c).exp()).sum();
            let (ln_sum, chance) = chances(&pairs);
            prop_assert!((ln_sum - weight.ln()).abs() < 1e-9);
            for (p, chance) in chance.iter().enumerate() {
                let with: f64 =
                    all.iter().filter(|c| c.contains(&p)).map(|c| gain(&pairs, c).exp()).sum();
                prop_assert!((chance - with / weight).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn nothing_to_pair_is_one_empty_chain() {
        assert!(best(&[]).is_empty());
        assert_relative_eq!(ln_weight(&[]), 0.0);
    }
}
