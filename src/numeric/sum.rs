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

#[cfg(test)]
mod tests {
    use super::*;

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
        }
    }

    #[test]
    fn ten_million_readings_on_a_large_offset_keep_their_mean() {
        let n = 10_000_000;
        let sum: ExactSum = (0..n).map(|i| 1e6 + f64::from(i % 10) * 0.1).collect();
        assert_eq!(sum.value() / f64::from(n), 1e6 + 0.45);
    }
}
