//! How far the zero that was removed may be off between its checks.
//!
//! The whole fit tells: what is powered draws what it draws or creeps evenly, so every stretch shows
//! the zero under it. At moments where nothing was read the zero is one more unknown `ζ`, with a row
//! of no length that says `0 = Z(t) − ζ + e`; generalised least squares over all rows gives `ζ̂` and its
//! covariance (best linear unbiased prediction, Robinson 1991, Statistical Science 6(1), 15-32, from
//! memory). The error of a removed zero `z` is `z − ζ̂` and that covariance.

use nalgebra::{DMatrix, DVector};

use super::ZeroModel;
use super::nnls::Normal;
use super::solve::{Column, Design, Fit};
use super::wander::Whitener;
use crate::numeric::coverage_factor_95;

/// Moments at which the zero is asked for.
const MOMENTS: usize = 24;
/// A moment's row is this share as uncertain as the most certain stretch; its variance is taken off again.
const OWN_SHARE: f64 = 0.1;

/// Doubt of a removed zero: what it is off by as the whole fit has it, and the standard uncertainty of that.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Doubt {
    pub(super) off_a: f64,
    pub(super) u_a: f64,
}

impl Doubt {
    /// Root mean square of the error, ampere.
    pub(super) fn standard_a(self) -> f64 {
        self.off_a.hypot(self.u_a)
    }

    /// About 95 % of the error, the wander's variance known to `df` degrees of freedom, ampere.
    pub(super) fn expanded_a(self, df: Option<f64>) -> f64 {
        (coverage_factor_95(None) * self.off_a).hypot(coverage_factor_95(df) * self.u_a)
    }
}

/// Doubts of a zero over a capture.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Doubts {
    /// At the moment at which it is largest.
    pub(super) worst: Doubt,
    /// Of its mean over the time.
    pub(super) mean: Doubt,
}

/// A moment between two rows, and the row that comes after it.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Moment {
    time_s: f64,
    before: usize,
}

/// Middles of the gaps between rows, the end of the capture, and the first row's start: the nearest to
/// even times, and those in the widest gaps.
fn moments(fit: &Fit, end_s: f64) -> Vec<Moment> {
    let rows = &fit.design.rows;
    let n = rows.len();
    let between =
        (1..n).map(|k| Moment { time_s: rows.start_s[k] - 0.5 * rows.gap_s(k), before: k });
    let first = Moment { time_s: rows.start_s[0], before: 0 };
    let last = Moment { time_s: end_s.max(rows.end_s[n - 1]), before: n };
    let all: Vec<Moment> = [first].into_iter().chain(between).chain([last]).collect();
    if all.len() <= MOMENTS {
        return all;
    }
    let mut chosen: Vec<usize> = (0..=MOMENTS)
        .map(|i| first.time_s + (last.time_s - first.time_s) * i as f64 / MOMENTS as f64)
        .map(|time_s| {
            let after = all.partition_point(|moment| moment.time_s < time_s).min(all.len() - 1);
            let before = after.saturating_sub(1);
            let far = |at: usize| (all[at].time_s - time_s).abs();
            if far(before) < far(after) { before } else { after }
        })
        .collect();
    let mut wide: Vec<usize> = (1..n).collect();
    wide.sort_by(|&a, &b| rows.gap_s(b).total_cmp(&rows.gap_s(a)));
    chosen.extend(wide.iter().take(MOMENTS / 4));
    chosen.sort_unstable();
    chosen.dedup();
    chosen.into_iter().map(|at| all[at]).collect()
}

/// The doubts of `zero` from the fit's first row to `end_s`. O(n (p + m)²) for `m` moments.
pub(super) fn of(zero: &ZeroModel, fit: &Fit, end_s: f64) -> Doubts {
    let moments = moments(fit, end_s);
    let design = &fit.design;
    let (n, p, m) = (design.len(), design.columns.len(), moments.len());
    let own_a2 =
        (0..n).map(|k| design.rows.independent_a2(k, fit.noise_scale)).fold(f64::MAX, f64::min);
    let own_a2 = OWN_SHARE * own_a2;
    let mut wide = Design { x: vec![Vec::with_capacity(n + m); p + m], ..Design::default() };
    let mut next = 0;
    for k in 0..=n {
        for (at, moment) in
            moments.iter().enumerate().skip(next).take_while(|(_, moment)| moment.before == k)
        {
            wide.rows.start_s.push(moment.time_s);
            wide.rows.end_s.push(moment.time_s);
            wide.rows.noise_a2.push(0.0);
            wide.rows.rounding_a2.push(own_a2);
            wide.level_a.push(0.0);
            for (j, column) in design.columns.iter().enumerate() {
                wide.x[j].push(match column {
                    Column::Offset => 1.0,
                    Column::Drift => moment.time_s,
                    Column::Bow => design.rows.bow(moment.time_s),
                    Column::Creep | Column::Base | Column::Load(_) | Column::Unlisted => 0.0,
                });
            }
            for i in 0..m {
                wide.x[p + i].push(if i == at { -1.0 } else { 0.0 });
            }
            next = at + 1;
        }
        if k == n {
            break;
        }
        wide.rows.start_s.push(design.rows.start_s[k]);
        wide.rows.end_s.push(design.rows.end_s[k]);
        wide.rows.noise_a2.push(design.rows.noise_a2[k]);
        wide.rows.rounding_a2.push(design.rows.rounding_a2[k]);
        wide.level_a.push(design.level_a[k]);
        for j in 0..p {
            wide.x[j].push(design.x[j][k]);
        }
        for i in 0..m {
            wide.x[p + i].push(0.0);
        }
    }
    let whitener = Whitener::new(&wide.rows, fit.noise_scale, fit.wander);
    let mut y = wide.level_a;
    whitener.whiten(&mut y);
    let mut x = wide.x;
    x.iter_mut().for_each(|column| whitener.whiten(column));
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let normal = Normal::new(&DMatrix::from_fn(p + m, p + m, |i, j| dot(&x[i], &x[j])));
    let beta = normal.solve(&DVector::from_fn(p + m, |i, _| dot(&x[i], &y)));
    let off_a = |at: usize| zero.at(moments[at].time_s) - beta[p + at];
    let variance_a2 = |weights: &dyn Fn(usize) -> f64| {
        let a = DVector::from_fn(p + m, |i, _| if i < p { 0.0 } else { weights(i - p) });
        let own: f64 = (0..m).map(|at| weights(at).powi(2) * own_a2).sum();
        (a.dot(&normal.solve(&a)) - own).max(0.0)
    };
    let worst = (0..m)
        .map(|at| Doubt {
            off_a: off_a(at),
            u_a: variance_a2(&|i| if i == at { 1.0 } else { 0.0 }).sqrt(),
        })
        .max_by(|a, b| a.standard_a().total_cmp(&b.standard_a()))
        .unwrap_or_default();
    // Each moment stands for the time to half-way on either side.
    let middle_s = |at: usize| 0.5 * (moments[at].time_s + moments[at + 1].time_s);
    let (first_s, last_s) = (moments[0].time_s, moments[m - 1].time_s);
    let share = |at: usize| {
        let from_s = if at == 0 { first_s } else { middle_s(at - 1) };
        let to_s = if at + 1 == m { last_s } else { middle_s(at) };
        if last_s > first_s { (to_s - from_s) / (last_s - first_s) } else { (m as f64).recip() }
    };
    let mean = Doubt {
        off_a: (0..m).map(|at| share(at) * off_a(at)).sum(),
        u_a: variance_a2(&share).sqrt(),
    };
    Doubts { worst, mean }
}

#[cfg(test)]
mod tests {
    use super::super::scene::{Deed, SceneMeter, build, deed, silent};
    use super::super::wander::tests::{at_moments, dense, rows};
    use super::super::{LoadsFound, solve};
    use super::*;
    use crate::jobsheet::JobSheet;
    use approx::assert_relative_eq;

    /// Two checks and two stretches between them: the zero at a moment by kriging with the dense
    /// covariance, `a β̂ + kᵀV⁻¹(y − Xβ̂)` and `k₀ − kᵀV⁻¹k + (a − XᵀV⁻¹k)ᵀ(XᵀV⁻¹X)⁻¹(a − XᵀV⁻¹k)`
    /// (universal kriging; Cressie 1993, Statistics for Spatial Data, 3.4; from memory).
    #[test]
    fn the_doubt_is_that_of_the_dense_covariance() {
        let x = vec![vec![1.0; 4], vec![0.0, 1.0, 1.0, 0.0]];
        let level_a = vec![0.5, 10.0, 14.5, 7.0];
        let columns = vec![Column::Offset, Column::Base];
        let design = Design { rows: rows(), level_a: level_a.clone(), x: x.clone(), columns };
        let fit = design.solve(Some(3.0));
        assert_eq!(fit.design.columns.len(), 2);
        let zero = ZeroModel { knots: vec![(5.0, 1.0), (60.5, 6.0)], ..ZeroModel::default() };
        let end_s = 70.0;
        let found = of(&zero, &fit, end_s);

        let rows = rows();
        let v = dense(&rows, fit.noise_scale, fit.wander).try_inverse().unwrap();
        let y = DVector::from_vec(level_a);
        let x = DMatrix::from_fn(4, 2, |k, j| x[j][k]);
        let normal = (x.transpose() * &v * &x).try_inverse().unwrap();
        let beta = &normal * x.transpose() * &v * &y;
        // The first row's start, the gaps' middles and the end.
        let times = [0.0, 10.0, 37.5, 60.0, end_s];
        let cross = |t: f64| {
            DVector::from_fn(4, |k, _| {
                let (from_s, length_s) = (rows.start_s[k], rows.length_s(k));
                let at = |i: u32| from_s + length_s * (f64::from(i) + 0.5) / 2000.0;
                (0..2000).map(|i| at_moments(fit.wander, t, at(i))).sum::<f64>() / 2000.0
            })
        };
        let a = DVector::from_vec(vec![1.0, 0.0]);
        let of_moment = |t: f64| {
            let pull = &v * cross(t);
            let level_a = a.dot(&beta) + pull.dot(&(&y - &x * &beta));
            (level_a, &a - x.transpose() * &pull, pull)
        };
        let covariance = |t: f64, u: f64| {
            let ((_, rest_t, pull_t), (_, rest_u, _)) = (of_moment(t), of_moment(u));
            at_moments(fit.wander, t, u) - pull_t.dot(&cross(u))
                + (rest_t.transpose() * &normal * rest_u)[0]
        };
        let off_a = |t: f64| zero.at(t) - of_moment(t).0;
        let standard_a = |t: f64| (off_a(t).powi(2) + covariance(t, t)).sqrt();
        let worst_a = times.into_iter().map(standard_a).fold(0.0, f64::max);
        assert_relative_eq!(found.worst.standard_a(), worst_a, max_relative = 1e-3);
        // Each moment stands for the time to half-way on either side.
        let shares = [5.0, 18.75, 25.0, 16.25, 5.0].map(|s| s / end_s);
        let mean_a: f64 = times.iter().zip(shares).map(|(t, share)| share * off_a(*t)).sum();
        let mean_a2: f64 = (0..25)
            .map(|ij| {
                let (i, j) = (ij / 5, ij % 5);
                shares[i] * shares[j] * covariance(times[i], times[j])
            })
            .sum();
        assert_relative_eq!(found.mean.off_a, mean_a, max_relative = 1e-3);
        assert_relative_eq!(found.mean.u_a, mean_a2.sqrt(), max_relative = 1e-3);
    }

    /// Ten hours asleep on 220 mA, a wake every ten minutes, the clamp off the lead at both ends.
    fn night(wander_a: f64, creep_a_per_h: f64, seed: u64) -> (LoadsFound, f64, f64) {
        const FLOOR_A: f64 = 0.220;
        let end_s = 36_000.0;
        let mut deeds: Vec<Deed> =
            vec![deed(0.0, "zero", 0.0, "check"), silent(150.0, "zero", 1.0)];
        for wake in 1..59 {
            let from_s = 600.0 * f64::from(wake);
            deeds.push(silent(from_s, "controller", 0.150));
            deeds.push(silent(from_s + 11.0, "controller", 0.0));
        }
        deeds.push(deed(35_850.0, "zero", 0.0, "check"));
        let meter = SceneMeter {
            interval_s: 1.0,
            sigma_a: 0.0013,
            share_of_level: 0.004,
            offset_a: 0.003,
            wander_a,
            wander_period_s: 26_000.0,
            ..SceneMeter::default()
        };
        let (mut segmentation, alignment) = build(&deeds, FLOOR_A, end_s, &meter, seed);
        let asleep = |mean_a: f64| (0.15..0.29).contains(&mean_a);
        for segment in segmentation.segments.iter_mut().filter(|s| asleep(s.mean_a)) {
            segment.mean_a += creep_a_per_h * 0.5 * (segment.start_s + segment.end_s) / 3600.0;
        }
        let found = solve(&segmentation, Some(&alignment), &JobSheet::default(), None);
        let (mut time_s, mut off_as) = (0.0, 0.0);
        for segment in segmentation.segments.iter().filter(|s| asleep(s.mean_a)) {
            let (middle_s, length_s) =
                (0.5 * (segment.start_s + segment.end_s), segment.end_s - segment.start_s);
            let floor_a = FLOOR_A + creep_a_per_h * middle_s / 3600.0;
            time_s += length_s;
            off_as += length_s * (found.zero.at(middle_s) - (segment.mean_a - floor_a));
        }
        let held_a = found.zero.mean_expanded_a.unwrap();
        (found, off_as / time_s, held_a)
    }

    /// The floor is seen fifty times between the two checks: the zero's mean is told to about as much
    /// as it wanders and not to many times that, and the interval holds it.
    #[test]
    fn a_floor_seen_all_night_binds_the_zero_between_two_checks() {
        for wander_a in [0.0, 0.002] {
            let (mut held, mut widths_a) = (0, Vec::new());
            for seed in 0..60 {
                let (found, off_a, held_a) = night(wander_a, 0.0, 500 + seed);
                held += u32::from(off_a.abs() <= held_a);
                widths_a.push(found.zero.trusted_to_a.unwrap());
            }
            widths_a.sort_by(f64::total_cmp);
            let (middle_a, noise_a) = (widths_a[30], 0.0008);
            assert!(held >= 54, "{held} of 60 at {wander_a}");
            assert!(middle_a < 6.0 * wander_a + noise_a, "{middle_a} at {wander_a}");
        }
    }

    /// A floor that creeps while both checks stand still is not taken for the zero, and the interval
    /// still holds the zero.
    #[test]
    fn a_floor_that_creeps_between_two_checks_leaves_the_zero_inside_its_interval() {
        for creep_a_per_h in [-0.003, 0.0003, 0.001] {
            let held = (0..40)
                .filter(|seed| {
                    let (_, off_a, held_a) = night(0.0002, creep_a_per_h, 700 + seed);
                    off_a.abs() <= held_a
                })
                .count();
            assert!(held >= 36, "{held} of 40 at {creep_a_per_h}");
        }
    }
}
