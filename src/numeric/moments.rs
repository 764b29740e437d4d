//! Mean, standard deviation and lag-1 autocorrelation.

use super::ExactSum;

/// Mean and spread of a stretch of values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moments {
    /// How many.
    pub count: usize,
    /// Arithmetic mean.
    pub mean: f64,
    /// Sample standard deviation (n − 1); `None` for a single value.
    pub sd: Option<f64>,
}

impl Moments {
    /// Two passes over `values`, the second corrected by the rounding of the mean
    /// (Chan, Golub & LeVeque 1983, The American Statistician 37, 242-247, eq. 1.7).
    ///
    /// `None` when there are no values. O(n).
    pub fn of(values: &[f64]) -> Option<Self> {
        let count = values.len();
        if count == 0 {
            return None;
        }
        let n = count as f64;
        let mean = values.iter().copied().collect::<ExactSum>().value() / n;
        let mut squares = ExactSum::new();
        let mut rest = ExactSum::new();
        for value in values {
            let d = value - mean;
            squares.add(d * d);
            rest.add(d);
        }
        let corrected = squares.value() - rest.value() * rest.value() / n;
        let sd = (count > 1).then(|| (corrected.max(0.0) / (n - 1.0)).sqrt());
        Some(Self { count, mean: mean + rest.value() / n, sd })
    }
}

/// Lag-1 autocorrelation about the mean of the whole series, as NIST StRD defines it:
/// `r₁ = Σ (xᵢ − x̄)(xᵢ₊₁ − x̄) / Σ (xᵢ − x̄)²`.
///
/// `None` for fewer than two values or for constant ones. O(n).
pub fn lag1_autocorrelation(values: &[f64]) -> Option<f64> {
    let mean = Moments::of(values).filter(|m| m.count > 1)?.mean;
    let mut squares = ExactSum::new();
    let mut products = ExactSum::new();
    for (i, value) in values.iter().enumerate() {
        let d = value - mean;
        squares.add(d * d);
        if let Some(next) = values.get(i + 1) {
            products.add(d * (next - mean));
        }
    }
    (squares.value() > 0.0).then(|| products.value() / squares.value())
}
