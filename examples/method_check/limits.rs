//! How near the method comes to what can be known at all.

use ebbmark::numeric::effective_samples;
use ebbmark::segment::{Wishes, segment};
use rand::Rng;
use rayon::prelude::*;

use crate::Options;
use crate::families::rng;
use crate::meter::{Meter, Truth, between, read};

/// Time of clean steps: share within one sample of the truth.
pub(crate) fn edges(options: &Options) {
    let results: Vec<(usize, usize, usize)> = (options.from..options.from + options.seeds)
        .into_par_iter()
        .map(|seed| {
            let rng = &mut rng("edges", seed);
            let mut truth = Truth::new(1000.0, 0.01);
            let meter = Meter::plain(1.0, 1e-3, 2e-3, between(rng, 0.0, 0.7));
            for k in 0..9 {
                let at_s = 100.0 * f64::from(k + 1) + between(rng, -20.0, 20.0);
                let delta_a = meter.sigma_a * between(rng, 6.0, 60.0);
                truth.add(at_s, if k % 2 == 0 { delta_a } else { -delta_a });
            }
            let log = read(rng, truth, &meter);
            let found =
                segment(&log.samples, &log.gaps, Some(log.resolution_a), &Wishes::default())
                    .expect("a capture of a thousand samples");
            let near = log.true_steps.iter().filter_map(|(at_s, _)| {
                found
                    .steps
                    .iter()
                    .min_by(|a, b| (a.time_s - at_s).abs().total_cmp(&(b.time_s - at_s).abs()))
                    .map(|step| (step, *at_s))
            });
            let (mut within, mut covered) = (0, 0);
            for (step, at_s) in near {
                within += usize::from((step.time_s - at_s).abs() < 1.01);
                covered += usize::from(step.time_low_s <= at_s && at_s <= step.time_high_s);
            }
            (log.true_steps.len(), within, covered)
        })
        .collect();
    let sum = |pick: fn(&(usize, usize, usize)) -> usize| results.iter().map(pick).sum::<usize>();
    let (all, within, covered) = (sum(|r| r.0), sum(|r| r.1), sum(|r| r.2));
    println!(
        "edges: {all} clean steps of 6 to 60 σ, {:.2} % within one sample (figure 95 %), {:.2} % inside their 95 % interval",
        100.0 * within as f64 / all as f64,
        100.0 * covered as f64 / all as f64
    );
}

const NIGHT: usize = 43_200;
/// Samples for which a step is held.
const HELD: usize = 600;

/// One step up and down in a night, against an oracle that knows noise, place and duration.
pub(crate) fn power(options: &Options) {
    for phi in [0.0, 0.5] {
        let sigma_a = 2e-3;
        // Uncertainty of the difference between the means of 600 readings on either side.
        let jump_sd = sigma_a * (2.0 / effective_samples(HELD as f64, phi)).sqrt();
        let nights: Vec<Vec<f64>> = (0..options.seeds)
            .into_par_iter()
            .map(|seed| peaks(&quiet(phi, sigma_a, options.from + seed, None), jump_sd))
            .collect();
        // The level that the scan passes once a night on average.
        let mut all: Vec<f64> = nights.into_iter().flatten().collect();
        all.sort_by(|a, b| b.total_cmp(a));
        let oracle = all[(options.seeds as usize).min(all.len() - 1)] * jump_sd;
        let mut before = (0.0, 0.0);
        let mut half = f64::NAN;
        for step in 1..=20 {
            let size = oracle * (0.6 + 0.1 * f64::from(step));
            let hits: usize = (options.from..options.from + options.seeds)
                .into_par_iter()
                .map(|seed| found(phi, sigma_a, seed, size))
                .sum();
            let share = hits as f64 / (2 * options.seeds) as f64;
            if share >= 0.5 {
                half = before.0 + (size - before.0) * (0.5 - before.1) / (share - before.1);
                break;
            }
            before = (size, share);
        }
        let false_steps: usize = (options.from..options.from + options.seeds)
            .into_par_iter()
            .map(|seed| {
                let log = quiet(phi, sigma_a, seed, None);
                segment(&log.samples, &[], Some(log.resolution_a), &Wishes::default())
                    .map_or(0, |found| found.steps.len())
            })
            .sum();
        println!(
            "limit: φ {phi}: half of the steps held {HELD} readings found at {:.3} σ, oracle at one false step a night {:.3} σ, ratio {:.2} (figure 1.3); ours makes {:.2} false steps a night",
            half / sigma_a,
            oracle / sigma_a,
            half / oracle,
            false_steps as f64 / options.seeds as f64
        );
    }
}

fn quiet(phi: f64, sigma_a: f64, seed: u64, step: Option<f64>) -> crate::meter::Log {
    let rng = &mut rng("limit", seed);
    let mut truth = Truth::new(NIGHT as f64, 0.02);
    let at_s = rng.random_range(2000..NIGHT - 2000) as f64;
    if let Some(size) = step {
        truth.add(at_s, size);
        truth.add(at_s + HELD as f64, -size);
    }
    read(rng, truth, &Meter::plain(1.0, 1e-3, sigma_a, phi))
}

/// Largest standardised differences of neighbouring means, one a held length.
fn peaks(log: &crate::meter::Log, jump_sd: f64) -> Vec<f64> {
    let mut sums = vec![0.0];
    for value in &log.samples.current_a {
        sums.push(sums[sums.len() - 1] + value);
    }
    let z: Vec<f64> = (HELD..log.samples.len() - HELD)
        .map(|c| {
            let difference = sums[c + HELD] - 2.0 * sums[c] + sums[c - HELD];
            (difference / HELD as f64 / jump_sd).abs()
        })
        .collect();
    z.chunks(HELD).map(|chunk| chunk.iter().copied().fold(0.0, f64::max)).collect()
}

/// How many of the two edges are found, within half the time held (its place is that uncertain).
fn found(phi: f64, sigma_a: f64, seed: u64, size: f64) -> usize {
    let log = quiet(phi, sigma_a, seed, Some(size));
    let Ok(found) = segment(&log.samples, &[], Some(log.resolution_a), &Wishes::default()) else {
        return 0;
    };
    log.true_steps
        .iter()
        .filter(|truth| {
            found.steps.iter().any(|step| (step.time_s - truth.0).abs() <= 0.5 * HELD as f64)
        })
        .count()
}
