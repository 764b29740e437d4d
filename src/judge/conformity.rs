//! Conformity of a measured draw with its limits (JCGM 106:2012).

use super::Risk;
use super::limits::Limits;
use crate::findings::Verdict;
use crate::numeric::{student_cdf, student_quantile};

/// A measured value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Measured {
    pub(super) value_a: f64,
    pub(super) u_a: f64,
    pub(super) degrees_of_freedom: Option<f64>,
}

/// The decision on one set of limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Decision {
    pub(super) verdict: Verdict,
    pub(super) conformance_probability: f64,
    pub(super) guard_band_a: f64,
}

/// Probability that the true value lies within the limits, the measurement alone being known of it
/// (JCGM 106:2012, 7.2 to 7.4: `p_c = G(T_U) − G(T_L)`), with Student's distribution for `G` where
/// the uncertainty itself is estimated (JCGM 100:2008, G.3).
pub(super) fn conformance_probability(measured: &Measured, limits: &Limits) -> f64 {
    let below = |limit_a: f64| {
        if measured.u_a > 0.0 {
            student_cdf((limit_a - measured.value_a) / measured.u_a, measured.degrees_of_freedom)
        } else {
            f64::from(u8::from(measured.value_a <= limit_a))
        }
    };
    let up_to_high = limits.high_a.map_or(1.0, below);
    // At a lower limit without uncertainty the value itself still conforms.
    let up_to_low = limits.low_a.map_or(0.0, |low_a| {
        if measured.u_a > 0.0 {
            below(low_a)
        } else {
            f64::from(u8::from(measured.value_a < low_a))
        }
    });
    (up_to_high - up_to_low).clamp(0.0, 1.0)
}

/// Decides by guarded acceptance and guarded rejection with the same risk (JCGM 106:2012, 8.3):
/// conforming when `p_c ≥ 1 − risk`, non-conforming when `p_c ≤ risk`, else indeterminate.
///
/// With one limit this is acceptance up to `w = t(1 − risk) u` inside it and rejection from `w`
/// outside it; `w` is the guard band.
pub(super) fn decide(measured: &Measured, limits: &Limits, risk: Risk) -> Decision {
    let probability = conformance_probability(measured, limits);
    let verdict = if !limits.any() {
        Verdict::NoLimit
    } else if probability >= 1.0 - risk.get() {
        Verdict::Conforming
    } else if probability <= risk.get() {
        Verdict::NonConforming
    } else {
        Verdict::Indeterminate
    };
    let factor = student_quantile(1.0 - risk.get(), measured.degrees_of_freedom);
    Decision { verdict, conformance_probability: probability, guard_band_a: factor * measured.u_a }
}

/// Decides on a value of which only the `least` and the `most` are known, each to `u`: conforming where the
/// most does, non-conforming where the least does not, else indeterminate, with the limit's place between
/// them for the probability (a rectangular distribution, JCGM 100:2008, 4.3.7).
pub(super) fn decide_between(
    (least, most): (f64, f64),
    u: f64,
    limits: &Limits,
    risk: Risk,
) -> Decision {
    let of = |value_a: f64| {
        decide(&Measured { value_a, u_a: u, degrees_of_freedom: None }, limits, risk)
    };
    let (low, high) = (of(least), of(most));
    if high.verdict == Verdict::Conforming {
        return high;
    }
    if low.verdict == Verdict::NonConforming {
        return low;
    }
    let place = |limit: f64| ((limit - least) / (most - least)).clamp(0.0, 1.0);
    let probability = limits.high_a.map_or(1.0, place) - limits.low_a.map_or(0.0, place);
    Decision {
        verdict: Verdict::Indeterminate,
        conformance_probability: probability.clamp(0.0, 1.0),
        guard_band_a: high.guard_band_a,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    fn normal(value_a: f64, u_a: f64) -> Measured {
        Measured { value_a, u_a, degrees_of_freedom: None }
    }

    fn limits(low_a: Option<f64>, high_a: Option<f64>) -> Limits {
        Limits { specified_a: None, low_a, high_a }
    }

    /// JCGM 106:2012, 7.3.3, table 1; from memory, recomputed.
    #[test]
    fn j106_table1() {
        for (p, z) in [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)] {
            assert_abs_diff_eq!(
                conformance_probability(&normal(-z, 1.0), &limits(None, Some(0.0))),
                p,
                epsilon = 0.002
            );
        }
    }

    /// JCGM 106:2012, 7.3.4 and 7.3.5, examples 1 and 2 (zener voltage, burst pressure); from memory, recomputed.
    #[test]
    fn j106_zener_and_burst() {
        let zener = conformance_probability(&normal(-5.47, 0.05), &limits(None, Some(-5.40)));
        assert_abs_diff_eq!(zener, 0.92, epsilon = 0.005);
        let burst = conformance_probability(&normal(509.7, 8.6), &limits(Some(490.0), None));
        assert_abs_diff_eq!(burst, 0.99, epsilon = 0.012);
    }

    /// JCGM 106:2012, 7.4, example (oil viscosity, two-sided); from memory, recomputed.
    #[test]
    fn j106_oil() {
        let oil = conformance_probability(&normal(13.6, 1.8), &limits(Some(12.5), Some(16.3)));
        assert_abs_diff_eq!(oil, 0.66, epsilon = 0.005);
    }

    /// JCGM 106:2012, 8.3.3, example (speed limit 100 km/h, 2 %, 99.9 %): rejected from 107 km/h;
    /// from memory, recomputed.
    #[test]
    fn j106_radar() {
        let risk = Risk::new(0.001).unwrap();
        let verdict =
            |v: f64| decide(&normal(v, 0.02 * v), &limits(None, Some(100.0)), risk).verdict;
        assert_eq!(verdict(106.0), Verdict::Indeterminate);
        assert_eq!(verdict(107.0), Verdict::NonConforming);
    }

    /// ILAC-G8:09/2019, 4.2.2 and 5: a result on the acceptance limit of a guard band of 2 u fails with
    /// 2.28 %; read in a secondary copy.
    #[test]
    fn guard_band_of_twice_the_uncertainty() {
        let on_limit = conformance_probability(&normal(10.0 - 2.0, 1.0), &limits(None, Some(10.0)));
        assert_abs_diff_eq!(1.0 - on_limit, 0.0228, epsilon = 5e-5);
        let decision = decide(&normal(8.0, 1.0), &limits(None, Some(10.0)), Risk::default());
        assert_eq!(decision.verdict, Verdict::Conforming);
        assert_abs_diff_eq!(decision.guard_band_a, 1.96, epsilon = 0.001);
    }

    #[test]
    fn without_uncertainty_the_limit_itself_conforms() {
        let at =
            |v| decide(&normal(v, 0.0), &limits(Some(1.0), Some(2.0)), Risk::default()).verdict;
        assert_eq!(at(1.0), Verdict::Conforming);
        assert_eq!(at(2.0), Verdict::Conforming);
        assert_eq!(at(2.1), Verdict::NonConforming);
        assert_eq!(at(0.9), Verdict::NonConforming);
    }
}
