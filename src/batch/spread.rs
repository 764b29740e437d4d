//! Spread told apart: repeatability against unit to unit, and whether groups spread alike.

use statrs::distribution::{ChiSquared, ContinuousCDF, FisherSnedecor};

use crate::numeric::{ExactSum, Moments};

use super::outliers::median;

/// One-way analysis of variance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct OneWay {
    /// Mean square between groups.
    pub(crate) between: f64,
    /// Mean square within groups.
    pub(crate) within: f64,
    /// Degrees of freedom between groups.
    pub(crate) between_df: f64,
    /// Degrees of freedom within groups.
    pub(crate) within_df: f64,
    /// Group size in the expected mean square between groups: `n₀ = (N − Σnᵢ²/N)/(k − 1)`.
    pub(crate) mean_size: f64,
}

impl OneWay {
    /// Of `groups`; `None` with fewer than two groups or no group of two. O(N).
    ///
    /// Every value is taken as its distance from the first one, so that constant leading digits
    /// cost nothing (NIST StRD SmLs04 and SmLs07).
    pub(crate) fn of(groups: &[Vec<f64>]) -> Option<Self> {
        let groups: Vec<&Vec<f64>> = groups.iter().filter(|group| !group.is_empty()).collect();
        let k = groups.len() as f64;
        let n = groups.iter().map(|group| group.len()).sum::<usize>() as f64;
        if k < 2.0 || n <= k {
            return None;
        }
        let origin = groups[0][0];
        let centred: Vec<Vec<f64>> =
            groups.iter().map(|group| group.iter().map(|value| value - origin).collect()).collect();
        let grand = centred.iter().flatten().copied().collect::<ExactSum>().value() / n;
        let mut between = ExactSum::new();
        let mut within = ExactSum::new();
        let mut squares = 0.0;
        for group in &centred {
            let size = group.len() as f64;
            let mean = Moments::of(group)?.mean;
            between.add(size * (mean - grand) * (mean - grand));
            group.iter().for_each(|value| within.add((value - mean) * (value - mean)));
            squares += size * size;
        }
        Some(Self {
            between: between.value() / (k - 1.0),
            within: within.value() / (n - k),
            between_df: k - 1.0,
            within_df: n - k,
            mean_size: (n - squares / n) / (k - 1.0),
        })
    }

    /// Variance ratio; `None` when the groups have no inner spread.
    pub(crate) fn ratio(&self) -> Option<f64> {
        (self.within > 0.0).then(|| self.between / self.within)
    }

    /// Probability of a ratio at least as large when the groups do not differ.
    pub(crate) fn p_value(&self) -> Option<f64> {
        let distribution = FisherSnedecor::new(self.between_df, self.within_df).ok()?;
        Some(distribution.sf(self.ratio()?))
    }

    /// Standard deviation of repeats of one unit: √MS_within.
    pub(crate) fn repeatability_sd(&self) -> f64 {
        self.within.max(0.0).sqrt()
    }

    /// Standard deviation between units: √((MS_between − MS_within)/n₀), 0 when negative.
    pub(crate) fn between_unit_sd(&self) -> f64 {
        ((self.between - self.within) / self.mean_size).max(0.0).sqrt()
    }
}

/// Bartlett's statistic for equal variances and its probability
/// (NIST/SEMATECH e-Handbook 1.3.5.7). Assumes normal values. `None` when a group has no spread.
pub(crate) fn bartlett(groups: &[Vec<f64>]) -> Option<(f64, f64)> {
    let groups: Vec<&Vec<f64>> = groups.iter().filter(|group| group.len() > 1).collect();
    let k = groups.len() as f64;
    if k < 2.0 {
        return None;
    }
    let n = groups.iter().map(|group| group.len()).sum::<usize>() as f64;
    let (mut pooled, mut logs, mut inverse) = (0.0, 0.0, 0.0);
    for group in &groups {
        let degrees = group.len() as f64 - 1.0;
        let variance = Moments::of(group)?.sd?.powi(2);
        if variance <= 0.0 {
            return None;
        }
        pooled += degrees * variance / (n - k);
        logs += degrees * variance.ln();
        inverse += 1.0 / degrees;
    }
    let statistic =
        ((n - k) * pooled.ln() - logs) / (1.0 + (inverse - 1.0 / (n - k)) / (3.0 * (k - 1.0)));
    Some((statistic, ChiSquared::new(k - 1.0).ok()?.sf(statistic)))
}

/// Levene's statistic about the group medians (Brown & Forsythe) and its probability
/// (NIST/SEMATECH e-Handbook 1.3.5.10). Holds without normality.
pub(crate) fn levene(groups: &[Vec<f64>]) -> Option<(f64, f64)> {
    let deviations: Vec<Vec<f64>> = groups
        .iter()
        .filter_map(|group| {
            let centre = median(group)?;
            Some(group.iter().map(|value| (value - centre).abs()).collect())
        })
        .collect();
    let anova = OneWay::of(&deviations)?;
    Some((anova.ratio()?, anova.p_value()?))
}

/// Probability that the largest of `groups` variances is at least as far above the others as
/// `variance` is above the `others` pooled, each with its degrees of freedom: Cochran's C test, for
/// groups of any size (ISO 5725-2:1994, 7.3.3; 't Lam 2010, Anal. Chim. Acta 659, 68-84). Assumes normal
/// values. `None` when the others have no spread.
pub(crate) fn cochran(
    (variance, degrees): (f64, f64),
    (others, others_degrees): (f64, f64),
    groups: usize,
) -> Option<f64> {
    if others <= 0.0 {
        return None;
    }
    let distribution = FisherSnedecor::new(degrees, others_degrees).ok()?;
    Some((groups as f64 * distribution.sf(variance / others)).min(1.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::{assert_abs_diff_eq, assert_relative_eq};

    fn groups(csv: &str) -> Vec<Vec<f64>> {
        let mut groups: Vec<(String, Vec<f64>)> = Vec::new();
        for line in csv.lines().skip(1) {
            let (group, value) = line.split_once(',').unwrap();
            let value = value.trim().parse().unwrap();
            match groups.iter_mut().find(|(name, _)| name == group) {
                Some((_, values)) => values.push(value),
                None => groups.push((group.to_owned(), vec![value])),
            }
        }
        groups.into_iter().map(|(_, values)| values).collect()
    }

    // NIST StRD, one-way ANOVA: certified F, read in a secondary copy. SmLs07 has thirteen
    // constant leading digits, of which f64 keeps the last in units of 1e-4.
    #[test]
    fn analysis_of_variance_of_the_reference_sets() {
        for (csv, f, tolerance) in [
            (include_str!("../../shared/checks/anova_SiRstv.csv"), 1.180_462_374_402_55, 1e-9),
            (include_str!("../../shared/checks/anova_AtmWtAg.csv"), 15.946_733_567_793_0, 1e-9),
            (include_str!("../../shared/checks/anova_SmLs01.csv"), 21.0, 1e-9),
            (include_str!("../../shared/checks/anova_SmLs04.csv"), 21.0, 1e-6),
            (include_str!("../../shared/checks/anova_SmLs07.csv"), 21.0, 1e-2),
        ] {
            let found = OneWay::of(&groups(csv)).unwrap();
            assert_relative_eq!(found.ratio().unwrap(), f, max_relative = tolerance);
        }
    }

    // NIST/SEMATECH e-Handbook 1.3.5.7 and 1.3.5.10 on GEAR.DAT; read in a secondary copy, part
    // from memory; the probability was computed with scipy 1.x.
    #[test]
    fn equality_of_spread_of_the_gear_batches() {
        let gear = groups(include_str!("../../shared/checks/gear.csv"));
        let (statistic, p) = bartlett(&gear).unwrap();
        assert_abs_diff_eq!(statistic, 20.7858, epsilon = 1e-4);
        assert_abs_diff_eq!(p, 0.013_635_863_278_1, epsilon = 1e-9);
        assert_abs_diff_eq!(levene(&gear).unwrap().0, 1.70591, epsilon = 1e-5);
    }

    // Critical values of Cochran's C for `groups` of `size` values, 1 % and 5 %: the table that ISO 5725-2
    // gives, read in secondary copies with four and three digits. C is the share of the largest
    // variance in their sum.
    #[test]
    fn cochrans_test_has_the_critical_values_of_the_table() {
        for (groups, size, c, level) in [
            (3, 3, 0.9423, 0.01),
            (5, 3, 0.7885, 0.01),
            (10, 2, 0.7175, 0.01),
            (10, 6, 0.3572, 0.01),
            (12, 3, 0.4751, 0.01),
            (20, 2, 0.4799, 0.01),
            (40, 3, 0.1915, 0.01),
            (5, 3, 0.684, 0.05),
            (10, 3, 0.445, 0.05),
            (20, 2, 0.389, 0.05),
            (20, 5, 0.192, 0.05),
        ] {
            let degrees = f64::from(size) - 1.0;
            let rest = groups as f64 - 1.0;
            let p =
                |c: f64| cochran((c, degrees), ((1.0 - c) / rest, degrees * rest), groups).unwrap();
            assert!(p(c + 6e-4) < level && level < p(c - 6e-4), "{groups}, {size}: {}", p(c));
        }
        assert_eq!(cochran((1.0, 2.0), (0.0, 20.0), 11), None);
    }

    #[test]
    fn components_of_a_balanced_set_by_hand() {
        // Means 1, 2, 3 of pairs ±0.1: MS_within = 0.02, MS_between = 2, n₀ = 2.
        let found = OneWay::of(&[vec![0.9, 1.1], vec![1.9, 2.1], vec![2.9, 3.1]]).unwrap();
        assert_relative_eq!(found.repeatability_sd(), 0.02f64.sqrt(), max_relative = 1e-12);
        assert_relative_eq!(found.between_unit_sd(), 0.99f64.sqrt(), max_relative = 1e-12);
    }

    // JCGM 100:2008, H.5.2, table H.9 and eq. H.27: a voltage standard on ten days, five readings a
    // day, from the means and standard deviations of the days; read in a secondary copy. Means
    // scatter by 57 µV, readings within a day by 85 µV, F(9, 40) = 2.25.
    #[test]
    fn a_voltage_standard_from_day_to_day() {
        let means_uv = [172.0, 116.0, 13.0, 144.0, 106.0, 31.0, 60.0, 125.0, 163.0, 41.0];
        let sds_uv = [60.0, 77.0, 111.0, 101.0, 67.0, 93.0, 80.0, 73.0, 88.0, 86.0];
        // Five readings of mean 0 and standard deviation 1.
        let shape = [-2.0, -1.0, 0.0, 1.0, 2.0].map(|z: f64| z / 2.5f64.sqrt());
        let days: Vec<Vec<f64>> = means_uv
            .iter()
            .zip(sds_uv)
            .map(|(mean, sd)| shape.iter().map(|z| 10.0 + 1e-6 * (mean + sd * z)).collect())
            .collect();
        let found = OneWay::of(&days).unwrap();
        assert_abs_diff_eq!((found.between / 5.0).sqrt(), 57e-6, epsilon = 0.5e-6);
        assert_abs_diff_eq!(found.repeatability_sd(), 85e-6, epsilon = 0.5e-6);
        assert_abs_diff_eq!(found.ratio().unwrap(), 2.25, epsilon = 0.02);
        // H.27 and its text: the days differ at 5 %, and do not at 2.5 %.
        assert!((0.025..0.05).contains(&found.p_value().unwrap()));
        let between = (57e-6f64.powi(2) - 85e-6f64.powi(2) / 5.0).sqrt();
        assert_abs_diff_eq!(found.between_unit_sd(), between, epsilon = 1e-6);
    }
}
