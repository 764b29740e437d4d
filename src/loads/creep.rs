//! Whether what is powered creeps, or the zero wanders under it.
//!
//! ```text
//! zero check   level = z₀ + d t + Z̄ + ε
//! stay         level = z₀ + d t + Z̄ + f + c (t − t̄) + ε
//! ```
//!
//! with a zero `z₀ + d t + Z` that drifts and wanders, and a floor `f` that creeps by `c`. From two checks on
//! `c` is told apart from `d`: the zero is the same on either side of the moment at which a check ends, but
//! for what it wanders in so short a time. How much that is, the levels say themselves; `c` is averaged
//! over all wanders, as a load's draw is.

use super::attribute::floor_variances;
use super::solve::{Column, Design};
use super::wander::Rows;

/// A stretch of which the mean is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stay {
    /// Its start, seconds.
    pub start_s: f64,
    /// Its end, seconds.
    pub end_s: f64,
    /// Mean of its readings, the zero not removed, ampere.
    pub level_a: f64,
    /// Standard uncertainty of that mean from noise, ampere.
    pub noise_a: f64,
    /// Standard uncertainty of that mean from rounding, ampere.
    pub rounding_a: f64,
    /// True where nothing was powered.
    pub zero: bool,
}

/// An even creep.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slope {
    /// Ampere a second.
    pub a_per_s: f64,
    /// Its standard uncertainty.
    pub standard_uncertainty_a_per_s: f64,
    /// Degrees of freedom of that; `None` for infinitely many.
    pub degrees_of_freedom: Option<f64>,
}

/// Fewest stays of which a slope is made.
const STAYS: usize = 3;

/// Creep of what is powered in `stays`, in order of time; `None` with fewer than two zero checks or three
/// other stays. `prior_wander_a` is how far the zero is expected to wander. O(n), some 1400 times.
pub fn creep(stays: &[Stay], prior_wander_a: Option<f64>) -> Option<Slope> {
    let powered = || stays.iter().filter(|stay| !stay.zero);
    let count = powered().count();
    if stays.len() - count < 2 || count < STAYS {
        return None;
    }
    let middle_s = |stay: &Stay| 0.5 * (stay.start_s + stay.end_s);
    let centre_s = powered().map(middle_s).sum::<f64>() / count as f64;
    let column = |of: &dyn Fn(&Stay) -> f64| stays.iter().map(of).collect::<Vec<f64>>();
    let of_powered =
        |of: &dyn Fn(&Stay) -> f64| column(&|stay| if stay.zero { 0.0 } else { of(stay) });
    let mut rows = Rows {
        start_s: column(&|stay| stay.start_s),
        end_s: column(&|stay| stay.end_s),
        noise_a2: column(&|stay| stay.noise_a.powi(2)),
        rounding_a2: column(&|stay| stay.rounding_a.powi(2)),
    };
    let level_a = column(&|stay| stay.level_a);
    floor_variances(&mut rows, &level_a);
    let columns = [Column::Offset, Column::Drift, Column::Unlisted, Column::Creep];
    let x = [
        column(&|_| 1.0),
        column(&|stay| middle_s(stay) - centre_s),
        of_powered(&|_| 1.0),
        of_powered(&|stay| middle_s(stay) - centre_s),
    ];
    let design = Design { rows, level_a, x: x.to_vec(), columns: columns.to_vec() };
    let fit = design.solve_whole(prior_wander_a);
    let creep = fit.unit(fit.column(Column::Creep)?);
    if !fit.normal.estimable(&creep) {
        return None;
    }
    let (variance, degrees_of_freedom) = fit.estimated_variance(&creep);
    Some(Slope {
        a_per_s: creep.dot(&fit.beta),
        standard_uncertainty_a_per_s: variance.sqrt(),
        degrees_of_freedom,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numeric::{coverage_factor_95, student_quantile};
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};
    use std::f64::consts::TAU;

    const NIGHT_S: f64 = 28_800.0;

    /// The zero at every moment, ampere.
    type Zero = Box<dyn Fn(f64) -> f64>;

    /// Stays of ten minutes on 30 mA, the clamp off the lead for two minutes at each of `checks_s`. The
    /// zero is the mean of `zero_a` over each.
    fn night(
        checks_s: &[f64],
        creep_a_per_h: f64,
        zero_a: &dyn Fn(f64) -> f64,
        rng: &mut ChaCha8Rng,
    ) -> Vec<Stay> {
        let mut edges_s = vec![0.0];
        let stays_s = (1..48).map(|at| 600.0 * f64::from(at)).chain([NIGHT_S]);
        edges_s.extend(stays_s.chain(checks_s.iter().flat_map(|&at_s| [at_s, at_s + 120.0])));
        edges_s.sort_by(f64::total_cmp);
        let stay = |edges_s: &[f64]| {
            let (start_s, end_s) = (edges_s[0], edges_s[1]);
            let zero = checks_s.contains(&start_s);
            let moment_s = |i: u32| start_s + (end_s - start_s) * (f64::from(i) + 0.5) / 20.0;
            let mean_a = (0..20).map(|i| zero_a(moment_s(i))).sum::<f64>() / 20.0;
            let drawn_a = 0.030 + creep_a_per_h * 0.5 * (start_s + end_s) / 3600.0;
            let noise_a = 0.0012 / (end_s - start_s).sqrt();
            let error: f64 = StandardNormal.sample(rng);
            let level_a = if zero { 0.0 } else { drawn_a } + mean_a + noise_a * error;
            Stay { start_s, end_s, level_a, noise_a, rounding_a: 0.0, zero }
        };
        edges_s.windows(2).map(stay).collect()
    }

    const BOTH_ENDS_S: [f64; 2] = [60.0, 28_620.0];

    /// Captures of 40 that are said to creep (risk 0.1 %), and of which the 95 % interval holds the truth.
    fn told(
        checks_s: &[f64],
        creep_a_per_h: f64,
        zero: fn(&mut ChaCha8Rng) -> Zero,
    ) -> (usize, usize) {
        let (mut seen, mut held) = (0, 0);
        for seed in 0..40 {
            let mut rng = ChaCha8Rng::seed_from_u64(seed);
            let zero_a = zero(&mut rng);
            let stays = night(checks_s, creep_a_per_h, &zero_a, &mut rng);
            let slope = creep(&stays, Some(0.005)).unwrap();
            let (df, u) = (slope.degrees_of_freedom, slope.standard_uncertainty_a_per_s);
            seen += usize::from(slope.a_per_s.abs() > student_quantile(0.9995, df) * u);
            let off = (slope.a_per_s - creep_a_per_h / 3600.0).abs();
            held += usize::from(off <= coverage_factor_95(df) * u);
        }
        (seen, held)
    }

    fn even(_: &mut ChaCha8Rng) -> Zero {
        Box::new(|_| 0.002)
    }

    fn straight(rng: &mut ChaCha8Rng) -> Zero {
        let moved_a = rng.random_range(-0.012..0.012);
        Box::new(move |time_s| moved_a * time_s / NIGHT_S)
    }

    /// Two sines of up to 12 mA together, of one to three turns in the night.
    fn smooth(rng: &mut ChaCha8Rng) -> Zero {
        let sines = [0.008, 0.004].map(|most_a| {
            let turns = rng.random_range(1.0..3.0);
            (rng.random_range(0.3 * most_a..most_a), turns, rng.random_range(0.0..TAU))
        });
        Box::new(move |time_s| {
            let sine = |(a, turns, phase): (f64, f64, f64)| {
                a * (TAU * turns * time_s / NIGHT_S + phase).sin()
            };
            sines.into_iter().map(sine).sum()
        })
    }

    /// A random walk of 6 mA in the night, a step every 20 s.
    fn walk(rng: &mut ChaCha8Rng) -> Zero {
        let steps = (NIGHT_S / 20.0) as usize;
        let mut zero_a = vec![0.0];
        for at in 0..steps {
            let step: f64 = StandardNormal.sample(rng);
            zero_a.push(zero_a[at] + 0.006 * step / (steps as f64).sqrt());
        }
        Box::new(move |time_s| zero_a[((time_s / 20.0) as usize).min(steps)])
    }

    #[test]
    fn a_zero_that_drifts_or_wanders_is_no_creep() {
        let middle_too = [60.0, 14_520.0, 28_620.0];
        for (zero, checks_s) in [
            (straight as fn(&mut ChaCha8Rng) -> Zero, &BOTH_ENDS_S[..]),
            (smooth, &BOTH_ENDS_S),
            (smooth, &middle_too),
            (walk, &BOTH_ENDS_S),
        ] {
            let (seen, held) = told(checks_s, 0.0, zero);
            assert!(seen <= 1 && held >= 34, "{seen} seen and {held} held of 40");
        }
    }

    #[test]
    fn a_floor_that_creeps_over_a_zero_that_stands_or_drifts_is_told() {
        for (creep_a_per_h, zero) in
            [(0.001, straight as fn(&mut ChaCha8Rng) -> Zero), (-0.0002, even)]
        {
            let (seen, held) = told(&BOTH_ENDS_S, creep_a_per_h, zero);
            assert!(seen >= 39 && held >= 34, "{seen} seen and {held} held of 40");
        }
    }

    /// A walk of `w` in the night moves by `w √(τ/T)` from a check to the floor `τ` later. The means of
    /// ten minutes and of two lie `τ = 180 s` and more apart at either end: what the creep is told to is
    /// no less than `√2 w √(τ/T)` over the night, and the floor's own noise (6 µA an hour) is far less.
    #[test]
    fn what_a_walk_leaves_in_doubt_is_told() {
        let least = 2f64.sqrt() * 0.006 * (180.0 / NIGHT_S).sqrt() / 8.0 / 3600.0;
        let mut told: Vec<f64> = (0..20)
            .map(|seed| {
                let mut rng = ChaCha8Rng::seed_from_u64(seed);
                let zero_a = walk(&mut rng);
                let stays = night(&BOTH_ENDS_S, 0.0, &zero_a, &mut rng);
                creep(&stays, Some(0.005)).unwrap().standard_uncertainty_a_per_s
            })
            .collect();
        told.sort_by(f64::total_cmp);
        assert!((0.5 * least..4.0 * least).contains(&told[10]), "{} for {least}", told[10]);
    }

    #[test]
    fn fewer_than_two_checks_tell_no_creep() {
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        for checks_s in [&[][..], &[60.0]] {
            let stays = night(checks_s, 0.001, &|time_s| -0.001 * time_s / 3600.0, &mut rng);
            assert_eq!(creep(&stays, None), None);
        }
    }
}
