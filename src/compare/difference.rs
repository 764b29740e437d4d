//! The uncertainty of a difference with shared errors cancelled.

use crate::budget::Doubt;
use crate::numeric::{coverage_factor_95, student_cdf, welch_satterthwaite};

/// Whether the meter's gain error is the same on both sides.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Gain {
    /// One meter, one range: it cancels but for the difference of the draws.
    Shared,
    /// The readings are rounded differently: another meter or range.
    OfTwoRanges,
    /// The rounding does not show on one side.
    Unknown,
}

impl Gain {
    pub(super) fn in_words(self) -> String {
        match self {
            Self::Shared => {
                "Both captures are rounded alike and taken as one meter's on one range: its gain \
                 error is the same on both sides and cancels but for the part that goes with the \
                 change itself. Noise and zero are each capture's own and do not cancel."
            }
            Self::OfTwoRanges => {
                "The captures are rounded differently, so they come from two meters or ranges: \
                 nothing is taken as shared, and the gain errors of both add up."
            }
            Self::Unknown => {
                "It does not show whether both captures come from one meter and range: nothing is \
                 taken as shared, and the gain errors of both add up."
            }
        }
        .to_owned()
    }
}

/// The spread of a difference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Spread {
    /// Combined standard uncertainty, in the unit of the doubts.
    pub(super) standard: f64,
    degrees_of_freedom: Option<f64>,
}

impl Spread {
    pub(super) fn of(before: &Doubt, after: &Doubt, gain: Gain) -> Self {
        let meter = match gain {
            Gain::Shared => (after.meter - before.meter).powi(2),
            Gain::OfTwoRanges | Gain::Unknown => after.meter.powi(2) + before.meter.powi(2),
        };
        let shared = [meter, before.capture.powi(2), after.capture.powi(2)];
        let mut parts: Vec<_> = shared.map(|variance| (variance.sqrt(), None)).into();
        parts.extend(before.own.iter().chain(&after.own));
        Self {
            standard: parts.iter().map(|(u, _)| u * u).sum::<f64>().sqrt(),
            degrees_of_freedom: welch_satterthwaite(&parts),
        }
    }

    /// Expanded uncertainty, about 95 %.
    pub(super) fn expanded(&self) -> f64 {
        self.standard * coverage_factor_95(self.degrees_of_freedom)
    }

    /// Probability that the true difference has the sign of `difference`.
    pub(super) fn probability_of_sign(&self, difference: f64) -> f64 {
        if self.standard > 0.0 {
            student_cdf(difference.abs() / self.standard, self.degrees_of_freedom)
        } else if difference == 0.0 {
            0.5
        } else {
            1.0
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::{assert_abs_diff_eq, assert_relative_eq};

    fn own(mean_sd: f64, dof: f64) -> Doubt {
        Doubt { own: vec![(mean_sd, Some(dof))], ..Doubt::default() }
    }

    // Check `t2-welch` of shared/checks: NIST/SEMATECH e-Handbook 1.3.5.3, AUTO83B, means
    // 20.14458 (n 249, s 6.41470) and 30.48101 (n 79, s 6.10771): t = -12.946, 136.87 degrees of
    // freedom (read in a secondary copy).
    #[test]
    fn the_handbooks_two_means_with_unequal_variances() {
        let (before, after) =
            (own(6.414_70 / 249f64.sqrt(), 248.0), own(6.107_71 / 79f64.sqrt(), 78.0));
        let spread = Spread::of(&before, &after, Gain::Unknown);
        let t = (20.144_58 - 30.481_01) / spread.standard;
        assert_abs_diff_eq!(t, -12.946, epsilon = 0.006);
        assert_abs_diff_eq!(spread.degrees_of_freedom.unwrap(), 136.87, epsilon = 0.006);
    }

    // Check `t2-sleep` of shared/checks: Student 1908, Biometrika 6(1), the sleep data: Welch
    // t = -1.8608134674868526, 17.776473516178488 degrees of freedom, two-sided
    // p = 0.0793941401873583 (read in a secondary copy). The probability of the sign is 1 - p/2.
    #[test]
    fn students_sleep_data_give_their_published_probability() {
        let first = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0];
        let second = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4];
        let moments = [first, second].map(|x| crate::numeric::Moments::of(&x).unwrap());
        let [before, after] = moments.map(|m| own(m.sd.unwrap() / 10f64.sqrt(), 9.0));
        let spread = Spread::of(&before, &after, Gain::Unknown);
        let difference = moments[1].mean - moments[0].mean;
        assert_abs_diff_eq!(difference / spread.standard, 1.860_813_467_486_852_6, epsilon = 1e-12);
        assert_abs_diff_eq!(
            spread.degrees_of_freedom.unwrap(),
            17.776_473_516_178_488,
            epsilon = 1e-11
        );
        let p = 2.0 * (1.0 - spread.probability_of_sign(difference));
        assert_abs_diff_eq!(p, 0.079_394_140_187_358_3, epsilon = 1e-9);
    }

    // By hand: a gain known to 1 % leaves 1 % of the change, 1 mA of 100 mA; apart it is
    // √(2² + 1²) mA.
    #[test]
    fn a_shared_gain_leaves_only_its_part_of_the_change() {
        let draw = |a: f64| Doubt { meter: 0.01 * a, ..Doubt::default() };
        let u = |gain| Spread::of(&draw(0.200), &draw(0.100), gain).standard;
        assert_relative_eq!(u(Gain::Shared), 0.001, max_relative = 1e-12);
        assert_relative_eq!(u(Gain::OfTwoRanges), 0.001 * 5f64.sqrt(), max_relative = 1e-12);
    }
}
