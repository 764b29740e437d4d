//! What the order of test and the shape of the batch tell: a drift, or two groups.

use crate::numeric::{Moments, normal_cdf};

/// Mann-Kendall test for a trend over the order of test: Kendall's S in standard deviations and
/// its two-sided probability, ties corrected (Mann 1945, Econometrica 13, 245-259; Kendall 1975).
///
/// `None` for fewer than eight values or when all are equal. O(n²).
pub(crate) fn trend(values: &[f64]) -> Option<(f64, f64)> {
    let n = values.len();
    if n < 8 {
        return None;
    }
    let mut s = 0i64;
    for i in 0..n {
        for j in i + 1..n {
            s += values[j].total_cmp(&values[i]) as i64;
        }
    }
    let term = |t: f64| t * (t - 1.0) * (2.0 * t + 5.0);
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let ties: f64 = sorted.chunk_by(|a, b| a == b).map(|run| term(run.len() as f64)).sum();
    let variance = (term(n as f64) - ties) / 18.0;
    if variance <= 0.0 {
        return None;
    }
    // One off for continuity.
    let z = (s - s.signum()) as f64 / variance.sqrt();
    Some((z, 2.0 * normal_cdf(-z.abs())))
}

/// Log likelihood by which a step must fit better than a slope to be told as one: odds of 50 to 1.
const STEP_ODDS: f64 = 3.9;

/// Where values in the order of test change in one step rather than along a slope: the place of the first
/// behind it. O(n).
pub(crate) fn in_one_step(values: &[f64]) -> Option<usize> {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let middle = 0.5 * (n - 1.0);
    let d: Vec<f64> = values.iter().map(|value| value - mean).collect();
    let all: f64 = d.iter().map(|d| d * d).sum();
    let along: f64 = d.iter().enumerate().map(|(at, d)| (at as f64 - middle) * d).sum();
    let sloped = all - along * along * 12.0 / (n * (n * n - 1.0));
    let mut before = 0.0;
    let (at, between) = (1..values.len())
        .map(|at| {
            before += d[at - 1];
            (at, before * before * n / (at as f64 * (n - at as f64)))
        })
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let stepped = all - between;
    // A step has its place as one parameter more.
    (0.5 * n * (sloped / stepped).ln() - 1.0 > STEP_ODDS).then_some(at)
}

/// The place that best parts values that do not hold from values that do, or the other way round, and how many
/// then lie on the wrong side. O(n).
pub(crate) fn turning(holds: &[bool]) -> Option<(usize, usize)> {
    let all = holds.iter().filter(|holds| **holds).count();
    let mut before = 0;
    (1..holds.len())
        .map(|at| {
            before += usize::from(holds[at - 1]);
            let first_low = before + (holds.len() - at - (all - before));
            (at, first_low.min(holds.len() - first_low))
        })
        .min_by_key(|(_, wrong)| *wrong)
}

/// Two groups inside one batch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct TwoGroups {
    /// Mean of the lower group.
    pub(crate) low: f64,
    /// Mean of the higher group.
    pub(crate) high: f64,
    /// Share of units in the higher group.
    pub(crate) share_high: f64,
    /// Distance of the means in common standard deviations.
    pub(crate) separation: f64,
    /// Twice the log likelihood gained over one group.
    pub(crate) gain: f64,
}

/// Twice the log likelihood that two groups must gain over a single normal one; seldom reached by such
/// a one (the test below counts how seldom).
const GAIN_NEEDED: f64 = 12.0;
/// The same over a single skewed one, which has a parameter less than two groups.
const GAIN_OVER_SKEWED: f64 = 4.0;
/// Means must lie this many common standard deviations apart to be two humps: the halves of an even
/// spread with blurred ends lie nearly as far apart.
const SEPARATION_NEEDED: f64 = 3.3;
/// The smaller group holds at least this share; fewer are outliers, not a group.
const SMALLEST_SHARE: f64 = 0.1;

/// Outliers set aside spread at most this many times as far as the others where they are a group.
const GROUP_SPREAD: f64 = 3.0;

impl TwoGroups {
    /// Share of the smaller group.
    pub(crate) fn smaller(&self) -> f64 {
        self.share_high.min(1.0 - self.share_high)
    }

    /// Whether a value is likelier one of the higher group.
    pub(crate) fn is_high(&self, value: f64) -> bool {
        let apart = self.high - self.low;
        let within = apart / self.separation;
        let odds = (1.0 - self.share_high) / self.share_high;
        value - 0.5 * (self.low + self.high) > within * within / apart * odds.ln()
    }

    /// Whether a value lies in either group, `cut` standard deviations wide.
    pub(crate) fn holds(&self, value: f64, cut: f64) -> bool {
        let within = (self.high - self.low) / self.separation;
        [self.low, self.high].iter().any(|mean| (value - mean).abs() <= cut * within)
    }
}

/// The group that values `set_aside` make beside those `inside`: enough of them, no more apart from
/// one another than a group is, and not the tail of a skewed one.
pub(crate) fn group_set_aside(inside: &[f64], set_aside: &[f64]) -> Option<TwoGroups> {
    let n = (inside.len() + set_aside.len()) as f64;
    let share = set_aside.len() as f64 / n;
    if set_aside.len() < 3 || n < 10.0 || share < SMALLEST_SHARE {
        return None;
    }
    let (own, other) = (Moments::of(inside)?, Moments::of(set_aside)?);
    let (sd, other_sd) = own.sd.zip(other.sd).filter(|(sd, other)| *other <= GROUP_SPREAD * sd)?;
    let higher = other.mean > own.mean;
    let variance = (1.0 - share) * sd * sd + share * other_sd * other_sd;
    let mut all: Vec<f64> = inside.iter().chain(set_aside).copied().collect();
    all.sort_by(f64::total_cmp);
    let whole = Moments::of(&all)?;
    let scale = whole.sd?;
    let z: Vec<f64> = all.iter().map(|value| (value - whole.mean) / scale).collect();
    let place = |mean: f64| (mean - whole.mean) / scale;
    let fit = Mixture {
        low: place(own.mean.min(other.mean)),
        high: place(own.mean.max(other.mean)),
        share_high: if higher { share } else { 1.0 - share },
        variance: variance / (scale * scale),
    };
    if 2.0 * (improve(&z, fit).1 - skewed(&z)) <= GAIN_OVER_SKEWED {
        return None;
    }
    Some(TwoGroups {
        low: own.mean.min(other.mean),
        high: own.mean.max(other.mean),
        share_high: if higher { share } else { 1.0 - share },
        separation: (other.mean - own.mean).abs() / variance.sqrt(),
        gain: f64::INFINITY,
    })
}

/// Looks for two normal groups of equal spread by expectation maximisation from the best
/// two-means split. `None` when one normal or skewed group explains the values about as well, or an even
/// spread does better, or for fewer than ten.
/// O(n log n + 400 n).
pub(crate) fn two_groups(values: &[f64]) -> Option<TwoGroups> {
    let n = values.len();
    if n < 10 {
        return None;
    }
    let mean = values.iter().sum::<f64>() / n as f64;
    let sd = (values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / n as f64).sqrt();
    if sd <= 0.0 {
        return None;
    }
    let mut z: Vec<f64> = values.iter().map(|v| (v - mean) / sd).collect();
    z.sort_by(f64::total_cmp);
    let mut fit = best_split(&z);
    let mut likelihood = f64::NEG_INFINITY;
    for _ in 0..200 {
        let (next, gained) = improve(&z, fit);
        fit = next;
        if gained - likelihood < 1e-10 * gained.abs().max(1.0) {
            break;
        }
        likelihood = gained;
    }
    let single = -0.5 * n as f64 * (1.0 + (2.0 * std::f64::consts::PI).ln());
    let even = -(n as f64) * (z[n - 1] - z[0]).ln();
    let found = TwoGroups {
        low: mean + fit.low * sd,
        high: mean + fit.high * sd,
        share_high: fit.share_high,
        separation: (fit.high - fit.low) / fit.variance.sqrt(),
        gain: 2.0 * (likelihood - single),
    };
    // Few values gain more by chance.
    let few = 1.0 - 2.0 / n as f64;
    let apart = few * found.gain > GAIN_NEEDED
        && found.separation > SEPARATION_NEEDED
        && found.smaller() >= SMALLEST_SHARE
        && likelihood > even
        && few * 2.0 * (likelihood - skewed(&z)) > GAIN_OVER_SKEWED;
    apart.then_some(found)
}

/// Most that the logarithms of a skewed group's distances from its end may spread: beyond, a likelihood
/// can be had for nothing by an end that lies at the first value.
const MOST_SKEWED: f64 = 1.0;

/// Log likelihood of the best log-normal group, whichever side its tail is on and wherever it ends, of
/// standardised values in rising order. O(140 n).
fn skewed(z: &[f64]) -> f64 {
    let n = z.len() as f64;
    let (lowest, highest) = (z[0], z[z.len() - 1]);
    let fit = |distance: &dyn Fn(&f64) -> f64| {
        let logs: Vec<f64> = z.iter().map(|value| distance(value).ln()).collect();
        let mean = logs.iter().sum::<f64>() / n;
        let variance = logs.iter().map(|log| (log - mean) * (log - mean)).sum::<f64>() / n;
        let likelihood = -0.5 * n * (1.0 + (2.0 * std::f64::consts::PI * variance).ln()) - n * mean;
        (variance.sqrt() <= MOST_SKEWED).then_some(likelihood)
    };
    // Ends from a thousandth of a standard deviation before the first value to so far off that what is
    // left is normal.
    let ends = (-30..40).map(|tenth| 10f64.powf(f64::from(tenth) / 10.0));
    ends.flat_map(|end| [fit(&|v| v - lowest + end), fit(&|v| highest - v + end)])
        .flatten()
        .fold(f64::NEG_INFINITY, f64::max)
}

/// Two normal groups of standardised values.
#[derive(Debug, Clone, Copy)]
struct Mixture {
    low: f64,
    high: f64,
    share_high: f64,
    variance: f64,
}

/// Spread below this share of the batch's variance is rounding, not a group of its own.
const LEAST_VARIANCE: f64 = 1e-6;

fn best_split(z: &[f64]) -> Mixture {
    let n = z.len() as f64;
    let total: f64 = z.iter().sum();
    let mut left = 0.0;
    let mut best = (f64::NEG_INFINITY, 1.0, 0.0);
    for (i, value) in z.iter().enumerate().take(z.len() - 1) {
        left += value;
        let (a, b) = (i as f64 + 1.0, n - i as f64 - 1.0);
        let between = left * left / a + (total - left) * (total - left) / b;
        if between > best.0 {
            best = (between, a, left);
        }
    }
    let (between, a, left) = best;
    let variance = ((z.iter().map(|v| v * v).sum::<f64>() - between) / n).max(LEAST_VARIANCE);
    Mixture { low: left / a, high: (total - left) / (n - a), share_high: 1.0 - a / n, variance }
}

fn improve(z: &[f64], fit: Mixture) -> (Mixture, f64) {
    let density = |value: f64, centre: f64| {
        let d = value - centre;
        (-0.5 * d * d / fit.variance).exp() / (2.0 * std::f64::consts::PI * fit.variance).sqrt()
    };
    let (mut weight, mut high, mut low, mut likelihood) = (0.0, 0.0, 0.0, 0.0);
    let mut memberships = Vec::with_capacity(z.len());
    for value in z {
        let up = fit.share_high * density(*value, fit.high);
        let down = (1.0 - fit.share_high) * density(*value, fit.low);
        let both = (up + down).max(f64::MIN_POSITIVE);
        let membership = up / both;
        likelihood += both.ln();
        weight += membership;
        high += membership * value;
        low += (1.0 - membership) * value;
        memberships.push(membership);
    }
    let n = z.len() as f64;
    let weight = weight.clamp(1e-9 * n, (1.0 - 1e-9) * n);
    let (high, low) = (high / weight, low / (n - weight));
    let variance = z
        .iter()
        .zip(&memberships)
        .map(|(v, m)| m * (v - high) * (v - high) + (1.0 - m) * (v - low) * (v - low))
        .sum::<f64>()
        / n;
    let variance = variance.max(LEAST_VARIANCE);
    (Mixture { low, high, share_high: weight / n, variance }, likelihood)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    fn normals(seed: u64, n: usize) -> Vec<f64> {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        (0..n).map(|_| StandardNormal.sample(&mut rng)).collect()
    }

    #[test]
    fn one_group_is_seldom_split_and_two_are_found() {
        let split = |n: usize| (0..500).filter(|s| two_groups(&normals(*s, n)).is_some()).count();
        assert!(split(24) <= 3 && split(200) <= 3, "{} {}", split(24), split(200));
        let missed = (0..200)
            .filter(|seed| {
                let mut values = normals(*seed, 60);
                values[40..].iter_mut().for_each(|value| *value += 6.0);
                two_groups(&values).is_none_or(|found| (found.share_high - 1.0 / 3.0).abs() > 0.06)
            })
            .count();
        assert!(missed <= 2, "{missed}");
    }

    /// Of 200 batches, those of which a share lies `apart` standard deviations higher and is told.
    fn told_apart(n: usize, share: f64, apart: f64) -> usize {
        let told = |seed: &u64| {
            let mut values = normals(7000 + seed, n);
            values.iter_mut().take((share * n as f64) as usize).for_each(|value| *value += apart);
            two_groups(&values).is_some()
        };
        (0..200).filter(told).count()
    }

    #[test]
    fn groups_four_standard_deviations_apart_are_found_in_most_batches() {
        assert!(told_apart(60, 0.4, 4.0) >= 150 && told_apart(60, 0.2, 4.0) >= 150);
        assert!(told_apart(200, 0.4, 4.0) >= 195 && told_apart(200, 0.15, 4.0) >= 190);
        assert!(told_apart(24, 0.4, 6.0) >= 175);
    }

    // Units that differ by factors, times until something happens: one group, however long its tail.
    #[test]
    fn a_long_tail_is_no_second_group() {
        let split = |n: usize, value: &dyn Fn(f64) -> f64| {
            let two = |seed: &u64| {
                let values: Vec<f64> = normals(9000 + seed, n).iter().map(|z| value(*z)).collect();
                two_groups(&values).is_some()
            };
            (0..200).filter(two).count()
        };
        for n in [24, 60, 200] {
            let exponential = split(n, &|z| -normal_cdf(z).ln());
            let turned = split(n, &|z| normal_cdf(z).ln());
            let factors = [0.15, 0.3, 0.6].map(|s| split(n, &|z| (s * z).exp()));
            assert!(exponential <= 12 && turned <= 12, "{n}: {exponential}, {turned}");
            assert!(factors.iter().all(|told| *told <= 16), "{n}: {factors:?}");
        }
    }

    #[test]
    fn an_even_or_a_skewed_spread_is_not_split() {
        let split = |n: usize, value: &dyn Fn(f64) -> f64| {
            let two = |seed: &u64| {
                let values: Vec<f64> = normals(*seed, n).iter().map(|z| value(*z)).collect();
                two_groups(&values).is_some()
            };
            (0..100).filter(two).count()
        };
        for n in [24, 60, 200] {
            let even = split(n, &normal_cdf);
            // Most lie near either end, as where something swings.
            let swings = split(n, &|z| (std::f64::consts::PI * (normal_cdf(z) - 0.5)).sin());
            assert!(even <= 4 && swings <= 20, "{n}: {even}, {swings}");
        }
        assert!(split(200, &|z| (0.3 * z).exp()) <= 4);
    }

    // By hand: 1 to 9 and 21, 22, 23; and what lies as far apart as no group does.
    #[test]
    fn outliers_that_stand_together_are_a_group() {
        let inside: Vec<f64> = (1..10).map(f64::from).collect();
        for scale in [1.0, -1e-6] {
            let of = |values: &[f64]| -> Vec<f64> { values.iter().map(|v| scale * v).collect() };
            let group = |set_aside: &[f64]| group_set_aside(&of(&inside), &of(set_aside));
            let found = group(&[21.0, 22.0, 23.0]).unwrap();
            let (near, far) =
                if scale > 0.0 { (found.low, found.high) } else { (found.high, found.low) };
            approx::assert_relative_eq!(near, 5.0 * scale, max_relative = 1e-12);
            approx::assert_relative_eq!(far, 22.0 * scale, max_relative = 1e-12);
            approx::assert_relative_eq!(found.smaller(), 0.25, max_relative = 1e-12);
            assert!(group(&[21.0, 22.0]).is_none() && group(&[21.0, 40.0, 60.0]).is_none());
            assert!(group(&[-20.0, 22.0, 23.0]).is_none());
        }
    }

    #[test]
    fn a_drift_over_the_order_of_test_is_seen_and_chance_is_not() {
        let false_alarms =
            (0..400).filter(|seed| trend(&normals(*seed, 40)).unwrap().1 < 0.01).count();
        assert!(false_alarms <= 10, "{false_alarms}");
        let drifting: Vec<f64> =
            normals(7, 40).iter().enumerate().map(|(i, v)| v + 0.1 * i as f64).collect();
        assert!(trend(&drifting).unwrap().1 < 1e-4);
        assert_eq!(trend(&[1.0; 20]), None);
    }

    /// Values that rise evenly by many times their noise are no two groups; two reels, one after the
    /// other, are.
    #[test]
    fn a_steady_drift_is_told_from_two_groups() {
        for n in [24, 60, 120] {
            let with = |seed: u64, added: &dyn Fn(usize) -> f64| {
                let values: Vec<f64> =
                    normals(seed, n).iter().enumerate().map(|(i, z)| z + added(i)).collect();
                two_groups(&values).is_some()
            };
            let drifts = (0..60).filter(|seed| with(*seed, &|i| 0.2 * i as f64)).count();
            let reels = |i: usize| if i < 2 * n / 5 { 0.0 } else { 6.0 };
            let found = (0..60).filter(|seed| with(*seed, &reels)).count();
            assert!(drifts <= 1 && found >= 50, "{n}: {drifts}, {found}");
        }
    }

    #[test]
    fn a_step_in_the_order_of_test_is_told_from_a_slope() {
        for n in [24, 60, 200] {
            let of = |seed: u64, added: &dyn Fn(usize) -> f64| {
                let values: Vec<f64> =
                    normals(seed, n).iter().enumerate().map(|(i, z)| z + added(i)).collect();
                in_one_step(&values)
            };
            let at = 2 * n / 3;
            let step = |i: usize| if i < at { 0.0 } else { -6.0 };
            let found = (0..100).filter(|seed| of(*seed, &step) == Some(at)).count();
            let sloped = |i: usize| 6.0 * i as f64 / n as f64;
            let wrong = (0..100).filter(|seed| of(*seed, &sloped).is_some()).count();
            assert!(found >= 95 && wrong <= 5, "{n}: {found}, {wrong}");
        }
    }

    #[test]
    fn where_two_kinds_turn_by_hand() {
        let kinds = |text: &str| text.chars().map(|c| c == 'h').collect::<Vec<bool>>();
        assert_eq!(turning(&kinds("lllhh")), Some((3, 0)));
        assert_eq!(turning(&kinds("hhhhl")), Some((4, 0)));
        assert_eq!(turning(&kinds("llhllhhhlh")), Some((5, 2)));
        assert_eq!(turning(&kinds("h")), None);
    }

    // By hand: 8 rising values, S = 28, variance 8·7·21/18 = 65.333.
    #[test]
    fn kendalls_s_by_hand() {
        let rising: Vec<f64> = (0..8).map(f64::from).collect();
        let (z, _) = trend(&rising).unwrap();
        approx::assert_relative_eq!(z, 27.0 / (1176.0f64 / 18.0).sqrt(), max_relative = 1e-9);
    }
}
