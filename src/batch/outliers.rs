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

/// How far from the mean of the others one of `n` values must lie, in their standard deviation, for the
/// first round to name it half of the time; `None` of fewer than three.
///
/// The round names what exceeds Student's `t` at `1 − α/2n` and `n − 2` degrees of freedom by its distance
/// from the others' mean over `s √(1 + 1/(n−1))`.
pub(crate) fn esd_reach(n: usize, alpha: f64) -> Option<f64> {
    let units = n as f64;
    let far = || student_quantile(1.0 - alpha / (2.0 * units), Some(units - 2.0));
    (n >= 3).then(|| far() * (units / (units - 1.0)).sqrt())
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

    /// Modified z-score `0.6745 (x − median)/MAD`; `None` without spread. What the measurement itself
    /// leaves open sets nobody apart: `own` of this value and `usual` of the others, standard deviations.
    /// A value and the median each carry it, and one that is measured worse than usual spreads wider.
    pub(crate) fn z(&self, value: f64, own: f64, usual: f64) -> Option<f64> {
        let least = own.hypot(usual);
        let wider = (own * own - usual * usual).max(0.0);
        self.sd.map(|sd| (value - self.median) / (sd * sd + wider).sqrt().max(least))
    }
}

/// Modified z-scores beyond this are outliers (Iglewicz & Hoaglin 1993).
pub(crate) const MODIFIED_Z_CUT: f64 = 3.5;

/// At most this share of the units can be outliers; more are a second group.
pub(crate) const MOST_OUTLIERS: f64 = 0.25;
/// Log likelihood by which logarithms of values must be the more normal ones to be tested in their
/// place: odds of 50 to 1.
const LOG_ODDS: f64 = 3.9;

/// What both tests say of a batch's values.
#[derive(Debug, Clone, Default)]
pub(crate) struct Tested {
    pub(crate) rounds: Vec<EsdRound>,
    /// Modified z-score of each value.
    pub(crate) scores: Vec<Option<f64>>,
    /// Indices that both tests name.
    pub(crate) named: Vec<usize>,
    /// Whether the logarithms were tested.
    pub(crate) logarithmic: bool,
}

/// Both tests at level `alpha`; `own` is the standard deviation that each value's own measurement leaves
/// open.
///
/// Where values are named, and without the far ones their logarithms are evidently the more normal ones,
/// these are tested instead: the long tail of a skewed batch is no fault. O(units²).
pub(crate) fn tested(values: &[f64], own: &[f64], alpha: f64) -> Tested {
    let plain = both_tests(values, own, alpha);
    if plain.named.is_empty() || values.iter().any(|value| *value <= 0.0) {
        return plain;
    }
    let logs: Vec<f64> = values.iter().map(|value| value.ln()).collect();
    let relative: Vec<f64> = own.iter().zip(values).map(|(own, v)| own / v).collect();
    let logarithmic = Tested { logarithmic: true, ..both_tests(&logs, &relative, alpha) };
    let kept = |of: &[f64]| -> Vec<f64> {
        (0..of.len()).filter(|at| !logarithmic.named.contains(at)).map(|at| of[at]).collect()
    };
    let sd = |of: &[f64]| Moments::of(of).and_then(|moments| moments.sd).filter(|sd| *sd > 0.0);
    let (values, logs) = (kept(values), kept(&logs));
    let Some((sd, log_sd)) = sd(&values).zip(sd(&logs)) else { return plain };
    let gain = values.len() as f64 * (sd / log_sd).ln() - logs.iter().sum::<f64>();
    if gain > LOG_ODDS { logarithmic } else { plain }
}

fn both_tests(values: &[f64], own: &[f64], alpha: f64) -> Tested {
    let most = ((values.len() as f64 * MOST_OUTLIERS) as usize).max(1);
    let rounds = esd_rounds(values, most, alpha);
    let robust = RobustSpread::of(values);
    let usual = median(own).unwrap_or(0.0);
    let score =
        |(value, own): (&f64, &f64)| robust.and_then(|robust| robust.z(*value, *own, usual));
    let scores: Vec<Option<f64>> = values.iter().zip(own).map(score).collect();
    let far = |at: &usize| scores[*at].is_some_and(|z| z.abs() > MODIFIED_Z_CUT);
    let named = esd_outliers(&rounds).into_iter().filter(far).collect();
    Tested { rounds, scores, named, logarithmic: false }
}

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
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

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
        assert_abs_diff_eq!(spread.z(245.57, 0.0, 0.0).unwrap(), by_hand, epsilon = 1e-9);
    }

    fn normals(seed: u64, n: usize) -> Vec<f64> {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        (0..n).map(|_| StandardNormal.sample(&mut rng)).collect()
    }

    // Units that differ by factors (log-normal, σ 0.5): the normal theory names some in half of all batches.
    #[test]
    fn a_long_tail_names_nobody_and_a_fault_is_found() {
        for (n, scale) in [(24, 1.0), (60, 1e-6), (200, 1e-6)] {
            let named = |value: &dyn Fn(usize, f64) -> f64, seed| {
                let values: Vec<f64> = normals(seed, n)
                    .iter()
                    .enumerate()
                    .map(|(at, z)| scale * value(at, *z))
                    .collect();
                tested(&values, &vec![0.0; n], 0.0025).named
            };
            let tail =
                (0..100).filter(|seed| !named(&|_, z| (0.5 * z).exp(), *seed).is_empty()).count();
            assert!(tail <= 12, "{n} units: {tail} of 100");
            for fault in [6.0, -6.0] {
                let faulty = |at, z| 1.0 + 0.05 * if at == 7 { fault } else { z };
                let found = (0..100).filter(|seed| named(&faulty, *seed).contains(&7)).count();
                assert!(found >= 85, "{n} units, {fault}: {found} of 100");
            }
        }
    }

    // A meter of 0.1 mA shows 0.8 mA or 0.9 mA for what lies between: a count is no fault, three are.
    #[test]
    fn what_the_measurement_leaves_open_sets_nobody_apart() {
        for scale in [1.0, 1e-3] {
            let mut values: Vec<f64> = (0..24)
                .map(|at| scale * (if at % 8 == 0 { 9.0 } else { 8.0 } + 1e-15 * f64::from(at)))
                .collect();
            let own = vec![scale / 12f64.sqrt(); 24];
            assert!(!tested(&values, &[0.0; 24], 0.0025).named.is_empty());
            let found = tested(&values, &own, 0.0025);
            assert!(found.named.is_empty(), "{:?}", found.named);
            assert!(found.scores.iter().all(|z| z.unwrap().abs() < 3.0), "{:?}", found.scores);
            values[3] = 11.0 * scale;
            assert_eq!(tested(&values, &own, 0.0025).named, [3]);
        }
    }

    // A quarter of the units measured five times worse than the others, 1.5 of their standard deviations.
    #[test]
    fn a_unit_that_is_measured_worse_must_be_farther_off() {
        let own: Vec<f64> = (0..200).map(|at| if at % 4 == 0 { 1.5 } else { 0.3 }).collect();
        let values = |seed| -> Vec<f64> {
            let (units, errors) = (normals(seed, 200), normals(5000 + seed, 200));
            units.iter().zip(errors).zip(&own).map(|((z, error), own)| z + own * error).collect()
        };
        let named = |seed: &u64| !tested(&values(*seed), &own, 0.02).named.is_empty();
        let told = (0..300).filter(named).count();
        // 6 of 300 are expected at most; 13 or more come once in 200 times.
        assert!(told < 13, "{told}");
        let found = |seed: &u64| {
            let mut values = values(*seed);
            values[4] = 15.0;
            tested(&values, &own, 0.02).named.contains(&4)
        };
        assert!((0..100).filter(found).count() >= 95);
    }

    #[test]
    fn half_of_the_faults_at_the_reach_are_named() {
        for n in [12, 24, 200] {
            let reach = esd_reach(n, 0.0025).unwrap();
            let found = |off: f64| {
                let named = |seed: &u64| {
                    let mut values = normals(*seed, n);
                    values[5] = off * reach;
                    tested(&values, &vec![0.0; n], 0.0025).named.contains(&5)
                };
                (0..400).filter(named).count()
            };
            let (near, at, far) = (found(0.8), found(1.0), found(1.3));
            assert!((150..260).contains(&at), "{n} units: {at} of 400");
            assert!(near < 100 && far > 300, "{n} units: {near}, {far} of 400");
        }
        assert_eq!(esd_reach(2, 0.0025), None);
    }

    #[test]
    fn equal_values_have_no_outliers_and_no_scores() {
        assert!(esd_rounds(&[2.0; 12], 4, 0.05).is_empty());
        assert_eq!(RobustSpread::of(&[2.0; 12]).unwrap().sd, None);
        assert_eq!(RobustSpread::of(&[]), None);
        assert!(esd_rounds(&[1.0, 2.0], 4, 0.05).is_empty());
    }
}
