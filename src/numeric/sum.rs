//! Sums that keep every digit that the addends have.

/// A running sum with a compensation term (Neumaier 1974, ZAMM 54, 39-51, algorithm IV).
///
/// The error is of the order of one rounding of the result, whatever the number of addends,
/// as long as `n · ε · Σ|x|` stays below `|Σx|`; 10⁸ readings on an offset of 10⁶ counts lose nothing.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct ExactSum {
    sum: f64,
    compensation: f64,
}

impl ExactSum {
    /// Zero.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds one value. O(1).
    #[inline]
    pub fn add(&mut self, value: f64) {
        let total = self.sum + value;
        self.compensation += if self.sum.abs() >= value.abs() {
            (self.sum - total) + value
        } else {
            (value - total) + self.sum
        };
        self.sum = total;
    }

    /// The sum.
    pub fn value(&self) -> f64 {
        self.sum + self.compensation
    }
}

impl FromIterator<f64> for ExactSum {
    fn from_iter<I: IntoIterator<Item = f64>>(values: I) -> Self {
        let mut sum = Self::new();
        values.into_iter().for_each(|value| sum.add(value));
        sum
    }
}

/// Sum in four lanes, none waiting for another: for so few values that no digit is lost that a
/// reading has. O(n).
#[inline]
pub(crate) fn plain_sum(values: &[f64]) -> f64 {
    let (fours, rest) = values.as_chunks::<4>();
    let mut lanes = [0.0; 4];
    for four in fours {
        for (lane, value) in lanes.iter_mut().zip(four) {
            *lane += value;
        }
    }
    (lanes[0] + lanes[2]) + (lanes[1] + lanes[3]) + rest.iter().sum::<f64>()
}

/// [`plain_sum`] of what lies above `origin`. O(n).
#[inline]
pub(crate) fn sum_above(values: &[f64], origin: f64) -> f64 {
    let (fours, rest) = values.as_chunks::<4>();
    let mut lanes = [0.0; 4];
    for four in fours {
        for (lane, value) in lanes.iter_mut().zip(four) {
            *lane += value - origin;
        }
    }
    let rest = rest.iter().map(|value| value - origin).sum::<f64>();
    (lanes[0] + lanes[2]) + (lanes[1] + lanes[3]) + rest
}

/// Lowest and highest of finite values, in four lanes; infinities the wrong way round for none. O(n).
#[inline]
pub(crate) fn extremes(values: &[f64]) -> (f64, f64) {
    // A plain comparison, where `f64::max` would care for what is no number.
    let lower = |a: f64, b: f64| if b < a { b } else { a };
    let higher = |a: f64, b: f64| if b > a { b } else { a };
    let (fours, rest) = values.as_chunks::<4>();
    let (mut low, mut high) = ([f64::INFINITY; 4], [f64::NEG_INFINITY; 4]);
    for four in fours {
        for lane in 0..4 {
            low[lane] = lower(low[lane], four[lane]);
            high[lane] = higher(high[lane], four[lane]);
        }
    }
    let all_low = low.into_iter().chain(rest.iter().copied()).fold(f64::INFINITY, lower);
    let all_high = high.into_iter().chain(rest.iter().copied()).fold(f64::NEG_INFINITY, higher);
    (all_low, all_high)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn extremes_are_those_of_all_values_wherever_they_stand() {
        assert_eq!(extremes(&[]), (f64::INFINITY, f64::NEG_INFINITY));
        for n in 1..14 {
            for at in 0..n {
                let mut values = vec![1.0; n];
                values[at] = 2.0;
                values[(at + 1) % n] -= 4.0;
                let expected = if n == 1 { (-2.0, -2.0) } else { (-3.0, 2.0) };
                assert_eq!(extremes(&values), expected, "{at} of {n}");
            }
        }
    }

    #[test]
    fn cancelling_giants_leave_the_small_term() {
        let sum: ExactSum = [1.0, 1e100, 1.0, -1e100].into_iter().collect();
        assert_eq!(sum.value(), 2.0);
    }

    #[test]
    fn a_plain_sum_adds_every_value() {
        for n in 0..20 {
            let values: Vec<f64> = (0..n).map(|i| f64::from(i) + 0.5).collect();
            assert_eq!(plain_sum(&values), 0.5 * f64::from(n) * f64::from(n));
            assert_eq!(sum_above(&values, 0.5), 0.5 * f64::from(n) * f64::from(n - 1));
        }
    }

    #[test]
    fn ten_million_readings_on_a_large_offset_keep_their_mean() {
        let n = 10_000_000;
        let sum: ExactSum = (0..n).map(|i| 1e6 + f64::from(i % 10) * 0.1).collect();
        assert_eq!(sum.value() / f64::from(n), 1e6 + 0.45);
    }
}
