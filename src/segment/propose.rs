//! Candidate changes: exact penalised least squares by functional pruning.
//!
//! Every function here minimises, over all ways to cut `n` values into stretches,
//!
//! ```text
//! Σ over stretches  Σ_{i in stretch} wᵢ (yᵢ − mean of stretch)²   +   penalty × (stretches − 1)
//! ```
//!
//! by the recursion of FPOP (Maidstone, Hocking, Rigaill & Fearnhead 2017, Statistics and
//! Computing 27, 519-533): `Q_t(µ)`, the least cost of the values up to `t` when the last
//! stretch has mean `µ`, is a minimum of quadratics, one for each start of the last stretch that
//! can still win:
//!
//! ```text
//! Q_t(µ) = min(Q_{t−1}(µ), F_{t−1} + penalty) + w_t (y_t − µ)²        F_t = min over µ of Q_t(µ)
//! ```
//!
//! The first and the second half of the values are searched at the same time, the second from its
//! end, and joined at the mean on which both agree at the least cost: `min over µ of Q(µ) + Q'(µ)`
//! is what the one recursion over everything would have found, whatever the number of threads.

mod front;
mod pool;

use front::Front;
pub(super) use pool::proposals;

/// Breakpoints (index of the first value of each new stretch) of the least penalised sum of
/// squares: the exact search alone, on values whose noise is alike and independent.
///
/// Where several cuts cost the same, any of them is returned. O(n) on average for noisy data,
/// O(n²) at worst; memory 4 bytes a value.
///
/// # Panics
/// When `penalty` is negative or not a number. Values must be finite.
pub fn exact(values: &[f64], penalty: f64) -> Vec<usize> {
    let meeting = if values.len() < WORTH_HALVING { values.len() } else { values.len() / 2 };
    exact_to(meeting, values, penalty)
}

/// Fewer values than this are searched in one go.
const WORTH_HALVING: usize = 4096;

/// As [`exact`], the two searches meeting before value `meeting`.
fn exact_to(meeting: usize, values: &[f64], penalty: f64) -> Vec<usize> {
    let item = |value: &f64| (*value, 1.0);
    let (left, right) = values.split_at(meeting);
    search(
        (left.len(), left.iter().map(item)),
        (right.len(), right.iter().rev().map(item)),
        range_of(values),
        penalty,
    )
}

fn range_of(values: &[f64]) -> (f64, f64) {
    values.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| {
        (if *value < low { *value } else { low }, if *value > high { *value } else { high })
    })
}

/// Breakpoints of the items in `left` and then, from last to first, in `right`: how many there
/// are, and a value with a weight for each (a reading, or the mean of as many as its weight). The
/// values lie in `low..=high`.
fn search(
    left: (usize, impl Iterator<Item = (f64, f64)> + Send),
    right: (usize, impl Iterator<Item = (f64, f64)> + Send),
    (low, high): (f64, f64),
    penalty: f64,
) -> Vec<usize> {
    assert!(penalty >= 0.0, "penalty {penalty}");
    let (meeting, count) = (left.0, left.0 + right.0);
    assert!(count < u32::MAX as usize, "too many values for one search");
    if high <= low || count == 0 {
        return Vec::new();
    }
    let front = || Front::new(low, high, penalty);
    let ((left, left_starts), (right, right_starts)) =
        rayon::join(|| run(front(), left.0, left.1), || run(front(), right.0, right.1));
    let joined = if meeting == count {
        Some((left_starts[count - 1], 0))
    } else if meeting == 0 {
        Some((0, right_starts[count - 1]))
    } else {
        left.join(&right, penalty)
    };
    // Where the stretch through the meeting place starts and ends.
    let (from, end) = match joined {
        Some((from, back)) => (from as usize, count - back as usize),
        None => (meeting, meeting),
    };
    let mut breaks = trace(&left_starts, from);
    breaks.extend((from > 0).then_some(from));
    breaks.extend((end < count && end > from).then_some(end));
    breaks.extend(trace(&right_starts, count - end).into_iter().rev().map(|back| count - back));
    breaks
}

/// For each of `count` items, where the last stretch of the best cut up to it starts.
fn run(
    mut front: Front,
    count: usize,
    items: impl Iterator<Item = (f64, f64)>,
) -> (Front, Vec<u32>) {
    let mut starts = Vec::with_capacity(count);
    // Internal iteration, so that items in several lists are walked list by list.
    items.for_each(|(value, weight)| starts.push(front.add(starts.len() as u32, value, weight)));
    (front, starts)
}

/// The way back from `end`.
fn trace(last_start: &[u32], mut end: usize) -> Vec<usize> {
    let mut breaks = Vec::new();
    while end > 0 {
        let start = last_start[end - 1] as usize;
        if start > 0 {
            breaks.push(start);
        }
        end = start;
    }
    breaks.reverse();
    breaks
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Sum of squares by two passes, after taking the first value off.
    pub(super) fn cost_of(values: &[f64], weights: &[f64]) -> f64 {
        let total: f64 = weights.iter().sum();
        let shift = values[0];
        let mean = values.iter().zip(weights).map(|(v, w)| w * (v - shift)).sum::<f64>() / total;
        values.iter().zip(weights).map(|(v, w)| w * (v - shift - mean).powi(2)).sum()
    }

    pub(super) fn cost_of_cut(
        values: &[f64],
        weights: &[f64],
        breaks: &[usize],
        penalty: f64,
    ) -> f64 {
        let ends = breaks.iter().copied().chain([values.len()]);
        let mut from = 0;
        let mut cost = penalty * breaks.len() as f64;
        for end in ends {
            assert!(from < end && end <= values.len(), "breaks {breaks:?}");
            cost += cost_of(&values[from..end], &weights[from..end]);
            from = end;
        }
        cost
    }

    /// Optimal partition by the plain recursion over all last stretches (Jackson et al. 2005).
    fn brute_force(values: &[f64], weights: &[f64], penalty: f64) -> f64 {
        let mut best = vec![-penalty];
        for end in 1..=values.len() {
            let least = (0..end)
                .map(|from| best[from] + penalty + cost_of(&values[from..end], &weights[from..end]))
                .fold(f64::INFINITY, f64::min);
            best.push(least);
        }
        best[values.len()]
    }

    fn check(values: &[f64], weights: &[f64], penalty: f64, breaks: &[usize]) {
        let optimum = brute_force(values, weights, penalty);
        let reached = cost_of_cut(values, weights, breaks, penalty);
        let scale = cost_of(values, weights) + penalty;
        assert!(
            reached - optimum <= 1e-12 * scale,
            "cost {reached} of {breaks:?}, optimum {optimum}, penalty {penalty}, values {values:?}"
        );
    }

    /// Readings on a grid (ties, constants), continuous ones, on an offset or not, with steps.
    fn readings() -> impl Strategy<Value = Vec<f64>> {
        let grid = prop::collection::vec((0u8..4).prop_map(f64::from), 1..40);
        let fine = prop::collection::vec(-1.0..1.0f64, 1..40);
        let stepped = prop::collection::vec((0u8..3, -1.0..1.0f64), 1..40)
            .prop_map(|pairs| pairs.iter().map(|(l, e)| 5.0 * f64::from(*l) + e).collect());
        (prop_oneof![grid, fine, stepped], prop_oneof![Just(0.0), Just(1e6), Just(-3e-6)]).prop_map(
            |(values, offset): (Vec<f64>, f64)| values.iter().map(|value| value + offset).collect(),
        )
    }

    proptest! {
        #![proptest_config(crate::chance::same(4000))]

        #[test]
        fn no_cut_is_cheaper(values in readings(), penalty in 0.0..6.0f64) {
            let weights = vec![1.0; values.len()];
            check(&values, &weights, penalty, &exact(&values, penalty));
        }

        #[test]
        fn two_searches_meet_at_the_optimum(
            values in readings(),
            penalty in 0.0..6.0f64,
            meeting in 0usize..40,
        ) {
            let weights = vec![1.0; values.len()];
            let meeting = meeting.min(values.len());
            let breaks = exact_to(meeting, &values, penalty);
            check(&values, &weights, penalty, &breaks);
        }

        #[test]
        fn no_weighted_cut_is_cheaper(
            values in readings(),
            penalty in 0.0..6.0f64,
            seed in prop::collection::vec(0.01..10.0f64, 40),
        ) {
            let weights = &seed[..values.len()];
            let items = values.iter().copied().zip(weights.iter().copied());
            let none = (0, std::iter::empty());
            let breaks = search((values.len(), items), none, range_of(&values), penalty);
            check(&values, weights, penalty, &breaks);
        }
    }

    #[test]
    fn the_breakpoints_are_those_of_ruptures() {
        #[derive(serde::Deserialize)]
        struct Fixtures {
            cases: Vec<Case>,
        }
        #[derive(serde::Deserialize)]
        struct Case {
            series: String,
            penalty: f64,
            values: Vec<f64>,
            breakpoints: Vec<usize>,
        }
        // Made by shared/fixtures/exact_breakpoints.py with ruptures 1.1.10 (Pelt l2 and KernelCPD).
        let text = include_str!("../../shared/fixtures/exact_breakpoints.json");
        let Fixtures { cases } = serde_json::from_str(text).unwrap();
        assert_eq!(cases.len(), 17);
        for case in cases {
            let Case { series, penalty, values, breakpoints } = case;
            assert_eq!(exact(&values, penalty), breakpoints, "{series} at {penalty}");
        }
    }

    #[test]
    fn constant_readings_have_no_breakpoint() {
        assert!(exact(&[], 1.0).is_empty());
        assert!(exact(&[2.0], 0.0).is_empty());
        assert!(exact(&[1e6 + 0.1; 1000], 0.0).is_empty());
    }

    #[test]
    fn a_break_is_the_first_value_of_the_new_stretch() {
        let mut values = vec![0.0; 10];
        values.extend([4.0; 10]);
        values.extend([1.0; 5]);
        assert_eq!(exact(&values, 3.0), [10, 20]);
    }

    #[test]
    fn an_offset_of_a_million_counts_changes_nothing() {
        // Counts: both series are exact in f64, so the breakpoints must be the same ones.
        let counts: Vec<f64> = (0u64..20_000)
            .map(|i| {
                let noise = (i.wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 61) as f64;
                noise + if (i / 2_500) % 2 == 0 { 0.0 } else { 8.0 }
            })
            .collect();
        let shifted: Vec<f64> = counts.iter().map(|count| count + 1e6).collect();
        let breaks = exact(&counts, 100.0);
        assert_eq!(breaks, [2_500, 5_000, 7_500, 10_000, 12_500, 15_000, 17_500]);
        assert_eq!(exact(&shifted, 100.0), breaks);
    }
}
