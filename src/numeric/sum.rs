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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cancelling_giants_leave_the_small_term() {
        let sum: ExactSum = [1.0, 1e100, 1.0, -1e100].into_iter().collect();
        assert_eq!(sum.value(), 2.0);
    }

    #[test]
    fn ten_million_readings_on_a_large_offset_keep_their_mean() {
        let n = 10_000_000;
        let sum: ExactSum = (0..n).map(|i| 1e6 + f64::from(i % 10) * 0.1).collect();
        assert_eq!(sum.value() / f64::from(n), 1e6 + 0.45);
    }
}
