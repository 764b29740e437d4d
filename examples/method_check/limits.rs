//! How near the method comes to what can be known at all.

use ebbmark::numeric::effective_samples;
use ebbmark::segment::{Wishes, segment};
use rayon::prelude::*;

use crate::Options;
use crate::families::rng;
use crate::meter::{Log, Meter, Truth, between, read};

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
/// Pairs of edges in a night, one in each part of it.
const PAIRS: usize = 4;

/// Steps up and down in a night, against an oracle that knows noise, duration and background.
///
/// The oracle compares the means of the 600 readings on either side; its threshold is the one that
/// a whole quiet night passes once on average, and a step of just that size passes in half of all
/// cases. The method is asked twice: by default, and with the evidence that lets one false step a
/// night pass (nominally 0.5; more on rounded readings), which is the fair comparison.
pub(crate) fn power(options: &Options) {
    let seeds = options.from..options.from + options.seeds;
    for (phi, wander_a) in [(0.0, 0.0), (0.5, 0.0), (0.5, 0.015)] {
        let sigma_a = 2e-3;
        // Uncertainty of the difference between the means of 600 readings on either side.
        let jump_sd = sigma_a * (2.0 / effective_samples(HELD as f64, phi)).sqrt();
        let nights: Vec<Vec<f64>> = seeds
            .clone()
            .into_par_iter()
            .map(|seed| peaks(&night(phi, sigma_a, 0.0, seed, None), jump_sd))
            .collect();
        let mut all: Vec<f64> = nights.into_iter().flatten().collect();
        all.sort_by(|a, b| b.total_cmp(a));
        let oracle = all[(options.seeds as usize).min(all.len() - 1)] * jump_sd;
        for (name, false_steps) in [("default", None), ("about one false a night", Some(0.5))] {
            let wishes = Wishes { false_steps, ..Wishes::default() };
            let power = |size: f64| {
                let some = options.from..options.from + options.seeds.div_ceil(2);
                let hits: usize = some
                    .clone()
                    .into_par_iter()
                    .map(|seed| found(&night(phi, sigma_a, wander_a, seed, Some(size)), &wishes))
                    .sum();
                hits as f64 / (2 * PAIRS * some.count()) as f64
            };
            let mut before = (0.0, 0.0);
            let mut half = f64::NAN;
            for step in 0..24 {
                let size = oracle * (0.8 + 0.15 * f64::from(step));
                let share = power(size);
                if share >= 0.5 {
                    half = before.0 + (size - before.0) * (0.5 - before.1) / (share - before.1);
                    break;
                }
                before = (size, share);
            }
            let false_steps: usize = seeds
                .clone()
                .into_par_iter()
                .map(|seed| {
                    let log = night(phi, sigma_a, wander_a, seed, None);
                    segment(&log.samples, &[], Some(log.resolution_a), &wishes)
                        .map_or(0, |found| found.steps.len())
                })
                .sum();
            println!(
                "limit: φ {phi}, wander {wander_a} A, {name}: half of the steps held {HELD} readings found at {:.3} σ, oracle {:.3} σ, ratio {:.2} (figure 1.3); {:.2} false steps a night",
                half / sigma_a,
                oracle / sigma_a,
                half / oracle,
                false_steps as f64 / options.seeds as f64
            );
        }
    }
}

fn night(phi: f64, sigma_a: f64, wander_a: f64, seed: u64, step: Option<f64>) -> Log {
    let rng = &mut rng("limit", seed);
    let mut truth = Truth::new(NIGHT as f64, 0.02);
    if let Some(size) = step {
        for part in 0..PAIRS {
            let first = part * NIGHT / PAIRS;
            let at_s = first as f64 + between(rng, 2000.0, (NIGHT / PAIRS) as f64 - 3000.0).round();
            truth.add(at_s, size);
            truth.add(at_s + HELD as f64, -size);
        }
    }
    let mut meter = Meter::plain(1.0, 1e-3, sigma_a, phi);
    meter.wander_a = wander_a;
    read(rng, truth, &meter)
}

/// Standardised differences of neighbouring means at their peaks, no two within a held length.
fn peaks(log: &Log, jump_sd: f64) -> Vec<f64> {
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
    let mut order: Vec<usize> = (0..z.len()).filter(|k| z[*k] > 2.0).collect();
    order.sort_by(|a, b| z[*b].total_cmp(&z[*a]));
    let mut peaks: Vec<usize> = Vec::new();
    for k in order {
        if peaks.iter().all(|peak| peak.abs_diff(k) >= HELD) {
            peaks.push(k);
        }
    }
    peaks.into_iter().map(|k| z[k]).collect()
}

/// How many of the edges are found, within half the time held (their place is that uncertain).
fn found(log: &Log, wishes: &Wishes) -> usize {
    let Ok(found) = segment(&log.samples, &[], Some(log.resolution_a), wishes) else {
        return 0;
    };
    log.true_steps
        .iter()
        .filter(|truth| {
            found.steps.iter().any(|step| (step.time_s - truth.0).abs() <= 0.5 * HELD as f64)
        })
        .count()
}
