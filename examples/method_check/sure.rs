//! How sure the method says it is, and how often it is right.

use ebbmark::numeric::effective_samples;
use ebbmark::segment::{Segmentation, Step, Wishes, segment};
use rand::Rng;
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

use crate::Options;
use crate::families::{faint, rng};
use crate::meter::{Log, Meter, Truth, between, log_between, read};

fn cut(log: &Log) -> Segmentation {
    segment(&log.samples, &log.gaps, Some(log.resolution_a), &Wishes::default())
        .expect("a capture of thousands of samples")
}

/// Whether 95 % intervals hold the true time, by size of the step over the noise of a reading.
pub(crate) fn intervals(options: &Options) {
    println!("\n95 % intervals of the time, clean steps held 100 to 1000 readings, φ 0 to 0.8");
    println!("{:>10} {:>7} {:>7} {:>9} {:>12}", "step, σ", "steps", "found", "covered", "width");
    for sizes in [(0.5, 0.8), (0.8, 1.5), (1.5, 3.0), (3.0, 6.0), (6.0, 20.0)] {
        let found: Vec<(usize, usize, usize, f64)> = (options.from..options.from + options.seeds)
            .into_par_iter()
            .map(|seed| {
                let rng = &mut rng("intervals", seed);
                let mut truth = Truth::new(0.0, 0.02);
                let meter = Meter::plain(1.0, 1e-3, 2e-3, between(rng, 0.0, 0.8));
                let mut up = 0.0;
                for _ in 0..8 {
                    truth.duration_s += log_between(rng, 100.0, 1000.0).round();
                    let size = meter.sigma_a * log_between(rng, sizes.0, sizes.1);
                    let delta = if up > 0.0 { -up } else { size };
                    truth.add(truth.duration_s, delta);
                    up += delta;
                }
                truth.duration_s += 500.0;
                let log = read(rng, truth, &meter);
                let found = cut(&log);
                let mut result = (log.true_steps.len(), 0, 0, 0.0);
                for (at_s, delta_a) in &log.true_steps {
                    let near =
                        found.steps.iter().filter(|step| step.delta_a * delta_a > 0.0).min_by(
                            |a, b| (a.time_s - at_s).abs().total_cmp(&(b.time_s - at_s).abs()),
                        );
                    if let Some(step) = near.filter(|step| (step.time_s - at_s).abs() < 100.0) {
                        result.1 += 1;
                        let held = step.time_low_s < at_s + 0.01 && *at_s < step.time_high_s + 0.01;
                        result.2 += usize::from(held);
                        result.3 += step.time_high_s - step.time_low_s;
                    }
                }
                result
            })
            .collect();
        let [steps, hits, covered] = [
            found.iter().map(|f| f.0).sum::<usize>(),
            found.iter().map(|f| f.1).sum::<usize>(),
            found.iter().map(|f| f.2).sum::<usize>(),
        ];
        let width: f64 = found.iter().map(|f| f.3).sum();
        println!(
            "{:>10} {steps:>7} {hits:>7} {:>8.1}% {:>12.1}",
            format!("{}-{}", sizes.0, sizes.1),
            100.0 * covered as f64 / hits.max(1) as f64,
            width / hits.max(1) as f64,
        );
    }
}

/// A family of captures by the share of true steps at each score.
struct Doubt {
    name: &'static str,
    /// Captures for each seed asked for.
    times: u64,
    make: fn(&mut ChaCha8Rng) -> Log,
}

const DOUBTS: [Doubt; 4] = [
    Doubt { name: "two hours, faint loads, steady zero", times: 8, make: steady },
    Doubt { name: "two hours, faint loads, wandering zero", times: 8, make: wandering },
    Doubt { name: "faint family", times: 4, make: faint },
    Doubt { name: "nights with steps about the limit", times: 2, make: about_the_limit },
];

/// How often steps of a score are true: there is one of like sign where the step's interval says,
/// give or take its own width or a minute.
pub(crate) fn scores(options: &Options) {
    let borders = [0.0, 0.5, 0.9, 0.99, 0.999, 1.0 + f64::EPSILON];
    println!("\nshare of true steps by score");
    let names = borders.windows(2).map(|pair| format!("{} to {}", pair[0], pair[1].min(1.0)));
    println!("{:<40}{}", "", names.map(|name| format!("{name:>18}")).collect::<String>());
    for doubt in &DOUBTS {
        let captures = options.from..options.from + doubt.times * options.seeds;
        let all: Vec<(f64, bool)> = captures
            .into_par_iter()
            .flat_map_iter(|seed| {
                let log = (doubt.make)(&mut rng("scores", seed));
                let real = |step: &Step| {
                    let more_s = (step.time_high_s - step.time_low_s).max(60.0);
                    let within = step.time_low_s - more_s..=step.time_high_s + more_s;
                    log.true_steps.iter().any(|(at_s, delta_a)| {
                        within.contains(at_s) && delta_a * step.delta_a > 0.0
                    })
                };
                let steps = cut(&log).steps;
                steps.iter().map(|step| (step.score, real(step))).collect::<Vec<_>>()
            })
            .collect();
        let cells = borders.windows(2).map(|pair| {
            let here = all.iter().filter(|(score, _)| (pair[0]..pair[1]).contains(score));
            let (count, real) =
                here.fold((0, 0), |(n, k), (_, real)| (n + 1, k + usize::from(*real)));
            let share = 100.0 * f64::from(real as u32) / f64::from(count.max(1));
            if count == 0 { format!("{:>18}", "") } else { format!("{share:>8.1}% of {count:>5}") }
        });
        println!("{:<40}{}", doubt.name, cells.collect::<String>());
    }
}

fn steady(rng: &mut ChaCha8Rng) -> Log {
    doubtful(rng, 0.0)
}

fn wandering(rng: &mut ChaCha8Rng) -> Log {
    doubtful(rng, 0.012)
}

/// A night with four pairs of edges ten minutes apart, of sizes about what can be found.
fn about_the_limit(rng: &mut ChaCha8Rng) -> Log {
    let meter = Meter::plain(1.0, 1e-3, 2e-3, between(rng, 0.0, 0.8));
    let jump_sd = meter.sigma_a * (2.0 / effective_samples(600.0, meter.phi)).sqrt();
    let mut truth = Truth::new(43_200.0, 0.02);
    for part in 0..4 {
        let at_s = 10_800.0 * f64::from(part) + between(rng, 2000.0, 8000.0).round();
        let delta_a = jump_sd * between(rng, 3.0, 7.0);
        truth.add(at_s, delta_a);
        truth.add(at_s + 600.0, -delta_a);
    }
    read(rng, truth, &meter)
}

/// Two hours with no, one or two faint loads.
fn doubtful(rng: &mut ChaCha8Rng, wander_a: f64) -> Log {
    let phi = between(rng, 0.0, 0.8);
    let mut meter = Meter::plain(1.0, 1e-3, log_between(rng, 0.5e-3, 3e-3), phi);
    meter.wander_a = wander_a;
    meter.spikes_per_sample = 0.0005;
    meter.spike_a = 0.2;
    let mut truth = Truth::new(7200.0, 0.02);
    let mut at_s = between(rng, 300.0, 2500.0).round();
    for _ in 0..rng.random_range(0..3) {
        let hold = log_between(rng, 20.0, 2000.0).round();
        // Sizes from what nobody could see to what is plain, for the time held.
        let unit = meter.sigma_a * (2.0 / effective_samples(hold, phi)).sqrt();
        let delta_a = unit * log_between(rng, 2.5, 12.0);
        truth.add(at_s, delta_a);
        truth.add(at_s + hold, -delta_a);
        at_s += hold + between(rng, 500.0, 1500.0).round();
    }
    truth.edges.retain(|edge| edge.at_s < 7100.0);
    read(rng, truth, &meter)
}
