//! Process capability, quoted only after a look at normality.

use statrs::distribution::{ChiSquared, ContinuousCDF};

use crate::numeric::{Moments, normal_cdf, normal_quantile};

/// Capability indices with 95 % confidence limits.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Capability {
    /// `(U − L)/6s`; `None` without both limits.
    pub(crate) cp: Option<f64>,
    /// 95 % limits of `cp`, by χ² of the variance.
    pub(crate) cp_limits: Option<(f64, f64)>,
    /// `min((U − x̄), (x̄ − L))/3s`; `None` without a limit.
    pub(crate) cpk: Option<f64>,
    /// 95 % limits of `cpk`: `± 1.96 √(1/(9n) + Cpk²/(2(n−1)))`.
    pub(crate) cpk_limits: Option<(f64, f64)>,
}

/// Indices of values with `moments` against a lower and an upper limit
/// (NIST/SEMATECH e-Handbook 6.1.6). Assumes normal values. All `None` without spread.
pub(crate) fn capability(moments: &Moments, low: Option<f64>, high: Option<f64>) -> Capability {
    let Some(sd) = moments.sd.filter(|sd| *sd > 0.0) else { return Capability::default() };
    let n = moments.count as f64;
    let above = high.map(|high| (high - moments.mean) / (3.0 * sd));
    let below = low.map(|low| (moments.mean - low) / (3.0 * sd));
    let cp = high.zip(low).map(|(high, low)| (high - low) / (6.0 * sd));
    let cpk = match (above, below) {
        (Some(above), Some(below)) => Some(above.min(below)),
        (one, other) => one.or(other),
    };
    let chi = ChiSquared::new(n - 1.0).ok();
    let cp_limits = cp.zip(chi).map(|(cp, chi)| {
        let limit = |p: f64| cp * (chi.inverse_cdf(p) / (n - 1.0)).sqrt();
        (limit(0.025), limit(0.975))
    });
    let cpk_limits = cpk.map(|cpk| {
        let variance = 1.0 / (9.0 * n) + cpk * cpk / (2.0 * (n - 1.0));
        let half = normal_quantile(0.975) * variance.sqrt();
        (cpk - half, cpk + half)
    });
    Capability { cp, cp_limits, cpk, cpk_limits }
}

/// Anderson-Darling test for a normal distribution with mean and spread estimated from the values:
/// the statistic corrected for size, `A*² = A² (1 + 0.75/n + 2.25/n²)`, and its probability
/// (D'Agostino & Stephens 1986, Goodness-of-Fit Techniques, table 4.9; constants from memory).
///
/// `None` for fewer than eight values or without spread. O(n log n).
pub(crate) fn normality(values: &[f64]) -> Option<(f64, f64)> {
    let Moments { count, mean, sd } = Moments::of(values)?;
    let sd = sd.filter(|sd| *sd > 0.0)?;
    if count < 8 {
        return None;
    }
    let mut z: Vec<f64> = values.iter().map(|value| (value - mean) / sd).collect();
    z.sort_by(f64::total_cmp);
    let n = count as f64;
    let sum: f64 = (0..count)
        .map(|i| {
            let below = normal_cdf(z[i]).max(f64::MIN_POSITIVE);
            let above = normal_cdf(-z[count - 1 - i]).max(f64::MIN_POSITIVE);
            (2.0 * i as f64 + 1.0) * (below.ln() + above.ln())
        })
        .sum();
    let a = (-n - sum / n) * (1.0 + 0.75 / n + 2.25 / (n * n));
    let p = if a >= 0.6 {
        (1.2937 - 5.709 * a + 0.0186 * a * a).exp()
    } else if a >= 0.34 {
        (0.9177 - 4.279 * a - 1.38 * a * a).exp()
    } else if a >= 0.2 {
        1.0 - (-8.318 + 42.796 * a - 59.938 * a * a).exp()
    } else {
        1.0 - (-13.436 + 101.14 * a - 223.73 * a * a).exp()
    };
    Some((a, p.clamp(0.0, 1.0)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    // NIST/SEMATECH e-Handbook 6.1.6, from memory: limits 8 and 20, mean 16, s 2.
    #[test]
    fn indices_of_the_handbook_example() {
        let moments = Moments { count: 50, mean: 16.0, sd: Some(2.0) };
        let found = capability(&moments, Some(8.0), Some(20.0));
        assert_abs_diff_eq!(found.cp.unwrap(), 1.0, epsilon = 5e-5);
        assert_abs_diff_eq!(found.cpk.unwrap(), 0.6667, epsilon = 5e-5);
        // By hand from the formula: 1.96 √(1/450 + 0.4444/98) = 0.1611.
        let (low, high) = found.cpk_limits.unwrap();
        assert_abs_diff_eq!(low, 0.6667 - 0.1611, epsilon = 5e-4);
        assert_abs_diff_eq!(high, 0.6667 + 0.1611, epsilon = 5e-4);
        let only_high = capability(&moments, None, Some(20.0));
        assert_eq!((only_high.cp, only_high.cpk), (None, found.cpk));
        let only_low = capability(&moments, Some(8.0), None);
        assert_abs_diff_eq!(only_low.cpk.unwrap(), 1.3333, epsilon = 5e-5);
    }

    // Normal scores of any size must be taken as normal, exponential ones not.
    #[test]
    fn normality_is_seen_and_its_lack_too() {
        let scores = |n: usize| -> Vec<f64> {
            (0..n).map(|i| normal_quantile((i as f64 + 0.5) / n as f64)).collect()
        };
        let exponential: Vec<f64> =
            (0..100).map(|i| -(1.0 - (f64::from(i) + 0.5) / 100.0).ln()).collect();
        assert!(normality(&scores(20)).unwrap().1 > 0.9);
        assert!(normality(&scores(500)).unwrap().1 > 0.9);
        assert!(normality(&exponential).unwrap().1 < 1e-6);
        assert_eq!(normality(&[1.0; 30]), None);
    }
}
