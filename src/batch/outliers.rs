//! Units that stand apart: generalized ESD and modified z-scores.

use crate::numeric::{Moments, student_quantile};

/// One round of the generalized extreme Studentized deviate test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct EsdRound {
    /// Index of the value set aside in this round.
    pub(crate) index: usize,
    /// `Rᵢ = max |x − x̄| / s` of the values still in.
    pub(crate) statistic: f64,
    /// Critical value `λᵢ`.
    pub(crate) critical: f64,
}

/// Generalized ESD test for up to `most` outliers at level `alpha`
/// (Rosner 1983, Technometrics 25, 165-172; NIST/SEMATECH e-Handbook 1.3.5.17.3).
///
/// `λᵢ = (n−i) t / √((n−i−1+t²)(n−i+1))` with `t` Student's quantile at `1 − α/(2(n−i+1))` and
/// `n−i−1` degrees of freedom. Rounds stop early when what is left has no spread or fewer than
/// three values. O(most · n).
pub(crate) fn esd_rounds(values: &[f64], most: usize, alpha: f64) -> Vec<EsdRound> {
    let n = values.len();
    let mut kept: Vec<usize> = (0..n).collect();
    let mut rounds = Vec::new();
    for i in 1..=most.min(n.saturating_sub(2)) {
        let inside: Vec<f64> = kept.iter().map(|at| values[*at]).collect();
        let Some(Moments { mean, sd: Some(sd), .. }) = Moments::of(&inside) else { break };
        if sd <= 0.0 {
            break;
        }
        let far = |at: &usize| (values[*at] - mean).abs();
        let Some(place) = (0..kept.len()).max_by(|a, b| far(&kept[*a]).total_cmp(&far(&kept[*b])))
        else {
            break;
        };
        let left = (n - i) as f64;
        let degrees = left - 1.0;
        if degrees < 1.0 {
            break;
        }
        let t = student_quantile(1.0 - alpha / (2.0 * (left + 1.0)), Some(degrees));
        let critical = left * t / ((degrees + t * t) * (left + 1.0)).sqrt();
        let index = kept.remove(place);
        rounds.push(EsdRound { index, statistic: far(&index) / sd, critical });
    }
    rounds
}

/// Indices that the rounds name: all up to the last round whose statistic exceeds its critical
/// value, even where earlier rounds fail (a pair of outliers masks itself).
pub(crate) fn esd_outliers(rounds: &[EsdRound]) -> Vec<usize> {
    let count =
        rounds.iter().rposition(|round| round.statistic > round.critical).map_or(0, |at| at + 1);
    rounds[..count].iter().map(|round| round.index).collect()
}

/// Median and 1.4826 × MAD.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct RobustSpread {
    /// Median.
    pub(crate) median: f64,
    /// Robust standard deviation; `None` when even the mean absolute deviation is 0.
    pub(crate) sd: Option<f64>,
}

impl RobustSpread {
    /// Of `values`; `None` when there are none. O(n log n).
    ///
    /// Where more than half of the values are equal the MAD is 0 and 1.2533 × the mean absolute
    /// deviation from the median takes its place (Iglewicz & Hoaglin 1993).
    pub(crate) fn of(values: &[f64]) -> Option<Self> {
        let median = median(values)?;
        let deviations: Vec<f64> = values.iter().map(|value| (value - median).abs()).collect();
        let mad = self::median(&deviations)?;
        let mean = Moments::of(&deviations)?.mean;
        let sd =
            if mad > 0.0 { Some(mad / 0.6745) } else { (mean > 0.0).then_some(mean * 1.253_314) };
        Some(Self { median, sd })
    }

    /// Modified z-score `0.6745 (x − median)/MAD`; `None` without spread.
    pub(crate) fn z(&self, value: f64) -> Option<f64> {
        self.sd.map(|sd| (value - self.median) / sd)
    }
}

/// Modified z-scores beyond this are outliers (Iglewicz & Hoaglin 1993).
pub(crate) const MODIFIED_Z_CUT: f64 = 3.5;

/// Middle value; `None` of nothing. O(n log n).
pub(crate) fn median(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let n = sorted.len();
    if n == 0 {
        return None;
    }
    Some(0.5 * (sorted[(n - 1) / 2] + sorted[n / 2]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    const URANIUM: [f64; 8] = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57];

    fn rosner() -> Vec<f64> {
        include_str!("../../shared/checks/rosner54.csv")
            .lines()
            .skip(1)
            .map(|line| line.trim().parse().unwrap())
            .collect()
    }

    // NIST/SEMATECH e-Handbook 1.3.5.17.3 and Rosner 1983, read in a secondary copy; some printed
    // figures are truncated, hence 1.1e-3.
    #[test]
    fn generalized_esd_of_the_handbook_names_three_although_two_rounds_fail() {
        let rounds = esd_rounds(&rosner(), 10, 0.05);
        let statistics = [3.118, 2.942, 3.179, 2.81, 2.815, 2.848, 2.279, 2.31, 2.101, 2.067];
        let critical = [3.158, 3.151, 3.143, 3.136, 3.128, 3.12, 3.111, 3.103, 3.094, 3.085];
        for (round, (r, l)) in rounds.iter().zip(statistics.into_iter().zip(critical)) {
            assert_abs_diff_eq!(round.statistic, r, epsilon = 1.1e-3);
            assert_abs_diff_eq!(round.critical, l, epsilon = 1.1e-3);
        }
        assert!(rounds[0].statistic < rounds[0].critical);
        assert_eq!(esd_outliers(&rounds).len(), 3);
    }

    // NIST/SEMATECH e-Handbook 1.3.5.17.1 (data of Tietjen & Moore 1972), read in a secondary
    // copy: one round is Grubbs' test; two-sided at 10 % is one-sided at 5 %. Value truncated.
    #[test]
    fn one_round_is_grubbs_test() {
        let round = esd_rounds(&URANIUM, 1, 0.10)[0];
        assert_abs_diff_eq!(round.statistic, 2.4687, epsilon = 1e-4);
        assert_abs_diff_eq!(round.critical, 2.032, epsilon = 5e-4);
        // Grubbs' table (one-sided 0.025 = two-sided 0.05), read in a secondary copy.
        for (n, critical) in [(3, 1.153), (5, 1.715), (10, 2.29), (20, 2.709), (30, 2.908)] {
            let values: Vec<f64> = (0..n).map(f64::from).collect();
            assert_abs_diff_eq!(esd_rounds(&values, 1, 0.05)[0].critical, critical, epsilon = 2e-3);
        }
    }

    // Iglewicz & Hoaglin's constants as the e-Handbook 1.3.5.17 gives them; by hand: the median
    // is (200.82 + 201.92)/2, the deviations' two middle values are 0.81 and 1.18.
    #[test]
    fn modified_z_by_hand() {
        let spread = RobustSpread::of(&URANIUM).unwrap();
        assert_abs_diff_eq!(spread.median, 201.37, epsilon = 1e-9);
        let by_hand = 0.6745 * 44.2 / (0.5 * (0.81 + 1.18));
        assert_abs_diff_eq!(spread.z(245.57).unwrap(), by_hand, epsilon = 1e-9);
    }

    #[test]
    fn equal_values_have_no_outliers_and_no_scores() {
        assert!(esd_rounds(&[2.0; 12], 4, 0.05).is_empty());
        assert_eq!(RobustSpread::of(&[2.0; 12]).unwrap().sd, None);
        assert_eq!(RobustSpread::of(&[]), None);
        assert!(esd_rounds(&[1.0, 2.0], 4, 0.05).is_empty());
    }
}
