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

/// Breakpoints (index of the first value of each new stretch) of the least penalised sum of
/// squares, every value weighing the same.
///
/// Where several cuts cost the same, one with fewer breakpoints is preferred. O(n) on average for
/// noisy data, O(n²) at worst; memory 4 bytes a value.
///
/// # Panics
/// When `penalty` is negative or not a number. Values must be finite.
pub(crate) fn exact(values: &[f64], penalty: f64) -> Vec<usize> {
    search(values.iter().map(|value| (*value, 1.0)), range_of(values), penalty)
}

/// As [`exact`], each value with a weight (`1/σ²`, or the number of readings behind a mean).
///
/// # Panics
/// When `penalty` is negative or not a number, or the lengths differ. Values must be finite,
/// weights positive.
pub(crate) fn exact_weighted(values: &[f64], weights: &[f64], penalty: f64) -> Vec<usize> {
    assert_eq!(values.len(), weights.len(), "one weight for each value");
    let pairs = values.iter().copied().zip(weights.iter().copied());
    search(pairs, range_of(values), penalty)
}

/// Where one start of the last stretch wins: from `low` up to the next piece's `low`, with cost
/// `weight (µ − mean)² + least`, `least` being counted from the best cost so far.
#[derive(Debug, Clone, Copy)]
struct Piece {
    low: f64,
    weight: f64,
    mean: f64,
    least: f64,
    start: u32,
}

fn range_of(values: &[f64]) -> (f64, f64) {
    values.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| {
        (low.min(*value), high.max(*value))
    })
}

/// The recursion. Costs are kept as Welford's mean and sum of squares and relative to the best
/// one, so that neither an offset nor a long series costs digits.
fn search(
    values: impl ExactSizeIterator<Item = (f64, f64)>,
    (low, high): (f64, f64),
    penalty: f64,
) -> Vec<usize> {
    assert!(penalty >= 0.0, "penalty {penalty}");
    assert!(values.len() < u32::MAX as usize, "too many values for one search");
    if high <= low || values.len() == 0 {
        return Vec::new();
    }
    let mut last_start: Vec<u32> = Vec::with_capacity(values.len());
    let mut pieces: Vec<Piece> = Vec::new();
    let mut kept: Vec<Piece> = Vec::new();
    for (t, (value, weight)) in values.enumerate() {
        let fresh = Piece { low, weight: 0.0, mean: value, least: penalty, start: t as u32 };
        kept.clear();
        if t == 0 {
            kept.push(Piece { least: 0.0, ..fresh });
        }
        for (i, piece) in pieces.iter().enumerate() {
            let end = pieces.get(i + 1).map_or(high, |next| next.low);
            let room = penalty - piece.least;
            let reach = if room > 0.0 { (room / piece.weight).sqrt() } else { f64::NEG_INFINITY };
            let (from, to) = (piece.low.max(piece.mean - reach), end.min(piece.mean + reach));
            let renew = |kept: &mut Vec<Piece>, low: f64| {
                if kept.last().is_none_or(|last| last.start != fresh.start) {
                    kept.push(Piece { low, ..fresh });
                }
            };
            if from >= to {
                renew(&mut kept, piece.low);
                continue;
            }
            if from > piece.low {
                renew(&mut kept, piece.low);
            }
            kept.push(Piece { low: from, ..*piece });
            if to < end {
                renew(&mut kept, to);
            }
        }
        let mut best = (f64::INFINITY, 0);
        for piece in &mut kept {
            let total = piece.weight + weight;
            let d = value - piece.mean;
            piece.least += piece.weight * weight / total * d * d;
            piece.mean += d * weight / total;
            piece.weight = total;
            if piece.least < best.0 || (piece.least == best.0 && piece.start < best.1) {
                best = (piece.least, piece.start);
            }
        }
        for piece in &mut kept {
            piece.least -= best.0;
        }
        last_start.push(best.1);
        std::mem::swap(&mut pieces, &mut kept);
    }
    trace(&last_start)
}

fn trace(last_start: &[u32]) -> Vec<usize> {
    let mut breaks = Vec::new();
    let mut end = last_start.len();
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
    fn cost_of(values: &[f64], weights: &[f64]) -> f64 {
        let total: f64 = weights.iter().sum();
        let shift = values[0];
        let mean = values.iter().zip(weights).map(|(v, w)| w * (v - shift)).sum::<f64>() / total;
        values.iter().zip(weights).map(|(v, w)| w * (v - shift - mean).powi(2)).sum()
    }

    fn cost_of_cut(values: &[f64], weights: &[f64], breaks: &[usize], penalty: f64) -> f64 {
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
        #![proptest_config(ProptestConfig::with_cases(4000))]

        #[test]
        fn no_cut_is_cheaper(values in readings(), penalty in 0.0..6.0f64) {
            let weights = vec![1.0; values.len()];
            check(&values, &weights, penalty, &exact(&values, penalty));
        }

        #[test]
        fn no_weighted_cut_is_cheaper(
            values in readings(),
            penalty in 0.0..6.0f64,
            seed in prop::collection::vec(0.01..10.0f64, 40),
        ) {
            let weights = &seed[..values.len()];
            check(&values, weights, penalty, &exact_weighted(&values, weights, penalty));
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
