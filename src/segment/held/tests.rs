use super::super::{Wishes, segment};
use super::*;
use crate::findings::Span;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

const COUNT_A: f64 = 1e-3;

fn normal(random: &mut ChaCha8Rng) -> f64 {
    random.sample(StandardNormal)
}

fn rounded(counts: impl Iterator<Item = f64>) -> Vec<f64> {
    counts.map(|value| value.round() * COUNT_A).collect()
}

/// A meter's readings, in counts: noise of `sigma` on a level.
fn readings(seed: u64, len: usize, level: impl Fn(usize) -> f64, sigma: f64) -> Vec<f64> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    rounded((0..len).map(|i| level(i) + sigma * normal(&mut random)))
}

/// For each sample of a logger that takes `times` a reading, the reading that stands then; each comes as late
/// as `jitter` of the time between readings tells.
fn standing(len: usize, times: f64, jitter: f64) -> Vec<usize> {
    let mut random = ChaCha8Rng::seed_from_u64(99);
    let mut came: Vec<f64> = (0..len).map(|i| i as f64 + jitter * normal(&mut random)).collect();
    came[0] = f64::NEG_INFINITY;
    let samples = (len as f64 * times) as usize;
    let at = |sample: usize| came.partition_point(|came| *came <= (sample as f64 + 0.3) / times);
    (0..samples).map(|sample| at(sample) - 1).collect()
}

fn take(readings: &[f64], standing: &[usize]) -> Vec<f64> {
    standing.iter().map(|reading| readings[*reading]).collect()
}

fn uniform(current_a: Vec<f64>) -> Samples {
    Samples { time: TimeAxis::Uniform { interval_s: 0.1, len: current_a.len() }, current_a }
}

fn is_held(values: &[f64]) -> bool {
    [None, Some(COUNT_A)].into_iter().any(|count_a| find(values, &[], count_a).is_some())
        || lines::find(values, &[]).is_some()
}

#[test]
fn stands_of_a_whole_number_of_samples_are_all_found() {
    for (seed, times) in [(1, 2), (2, 3), (3, 5), (4, 10), (5, 333)] {
        for (level, sigma) in [(50.0, 0.4), (50.5, 0.2), (50.2, 1.5), (-3.0, 5.0)] {
            let readings = readings(seed, 600, |_| level, sigma);
            let values: Vec<f64> =
                readings.iter().flat_map(|v| std::iter::repeat_n(*v, times)).collect();
            // What stands already when the log begins has lost samples.
            let held = find(&values[1..], &[], Some(COUNT_A)).unwrap();
            assert_eq!(held.times, times as f64);
            let expected: Vec<usize> = (0..600).map(|i| (i * times).saturating_sub(1)).collect();
            assert_eq!(held.first, expected, "{times} {level} {sigma}");
        }
    }
}

#[test]
fn stands_of_two_free_clocks_are_found() {
    for (times, jitter) in [(2.4, 0.0), (3.3, 0.0), (3.9, 0.05), (4.7, 0.08), (17.2, 0.1)] {
        for sigma in [0.5, 1.5, 5.0] {
            let readings = readings(7, 1000, |_| 50.3, sigma);
            let values = take(&readings, &standing(1000, times, jitter));
            let held = find(&values, &[], Some(COUNT_A)).unwrap();
            assert!((held.times / times - 1.0).abs() < 0.01, "{} for {times}", held.times);
            assert!(held.first.len().abs_diff(1000) <= 10, "{} of {times}", held.first.len());
        }
    }
}

/// A gap puts the stands out of step.
#[test]
fn stands_start_anew_after_a_gap() {
    let readings = readings(3, 800, |_| 50.0, 0.7);
    let mut values: Vec<f64> = readings.iter().flat_map(|v| [*v; 5]).collect();
    values.drain(1502..2001);
    let held = find(&values, &[1502], None).unwrap();
    let before = (0..=300).map(|i| 5 * i);
    let after = (401..800).map(|i| 5 * i - 499);
    let expected: Vec<usize> = before.chain([1502]).chain(after).collect();
    assert_eq!(held.first, expected);
}

#[test]
fn readings_with_lines_between_them_are_found() {
    for (times, counts) in [(2, 20.0), (3, 20.0), (10, 20.0), (50, 1000.0)] {
        for count_a in [0.0, COUNT_A / counts] {
            let readings = readings(4, 400, |i| if i < 200 { 40.0 } else { 90.0 }, 3.0);
            let values: Vec<f64> = (0..399 * times)
                .map(|i| {
                    let (at, on) = (i / times, (i % times) as f64 / times as f64);
                    let value = readings[at] + on * (readings[at + 1] - readings[at]);
                    if count_a > 0.0 { (value / count_a).round() * count_a } else { value }
                })
                .collect();
            let held = lines::find(&values[1..], &[]).unwrap();
            assert!(held.interpolated && held.times == times as f64);
            let expected: Vec<usize> = (0..399).map(|i| (i * times).saturating_sub(1)).collect();
            assert_eq!(held.first, expected, "{times} {count_a}");
        }
    }
}

#[test]
fn rounded_noise_is_not_held() {
    for seed in 0..60 {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let level = 50.0 + random.random::<f64>();
        let sigma = 0.08 * 60f64.powf(random.random());
        assert!(!is_held(&readings(seed, 3000, |_| level, sigma)), "white {seed}");
        // Correlated over up to a hundred readings, by one pole and by a moving mean.
        let length = 100f64.powf(random.random());
        let phi = (-1.0 / length).exp();
        let white: Vec<f64> = (0..3200).map(|_| normal(&mut random)).collect();
        let one_pole = white.iter().scan(0.0, |u, e| {
            *u = phi * *u + (1.0 - phi * phi).sqrt() * e;
            Some(level + sigma * *u)
        });
        assert!(!is_held(&rounded(one_pole)), "AR(1) {seed}");
        let width = length.ceil() as usize;
        let mean = |w: &[f64]| level + sigma * w.iter().sum::<f64>() / (width as f64).sqrt();
        assert!(!is_held(&rounded(white.windows(width).map(mean))), "moving mean {seed}");
        let twice: Vec<f64> = white.windows(width).map(|w| w.iter().sum::<f64>()).collect();
        let mean = |w: &[f64]| level + sigma * w.iter().sum::<f64>() / width as f64;
        assert!(!is_held(&rounded(twice.windows(width).map(mean))), "two moving means {seed}");
        let walk = white.iter().scan(level, |u, e| {
            *u += 0.2 * sigma * e;
            Some(*u)
        });
        assert!(!is_held(&rounded(walk)), "walk {seed}");
        let now_and_then = white.iter().map(|e| level.floor() + f64::from(*e > 2.0));
        assert!(!is_held(&rounded(now_and_then)), "single flips {seed}");
    }
}

#[test]
fn ripple_and_drift_are_not_held() {
    for seed in 0..60 {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let period = 3.0 * 20f64.powf(random.random());
        let (height, sigma) =
            (0.4 + 2.0 * random.random::<f64>(), 0.02 + 0.2 * random.random::<f64>());
        let sine = |i: usize| height * (std::f64::consts::TAU * i as f64 / period).sin();
        let square = |i: usize| height * sine(i).signum();
        let triangle = |i: usize| 4.0 * height * ((i as f64 / period).fract() - 0.5).abs();
        let whole =
            |i: usize| if i % (2 * period as usize) < period as usize { height } else { 0.0 };
        for (name, shape) in [
            ("sine", &sine as &dyn Fn(usize) -> f64),
            ("square", &square),
            ("triangle", &triangle),
            ("whole", &whole),
        ] {
            let fine: Vec<f64> = (0..3000).map(|i| 50.3 + shape(i)).collect();
            assert!(!is_held(&fine), "{name} {seed}, not rounded");
            for sigma in [0.0, sigma] {
                let values = readings(seed, 3000, |i| 50.3 + shape(i) + 1e-4 * i as f64, sigma);
                assert!(!is_held(&values), "{name} {seed} {sigma}");
            }
        }
        let slow = 30.0 * period;
        let ramp = (0..3000).map(|i| f64::from(i) / period);
        assert!(!is_held(&rounded(ramp)), "ramp {seed}");
        let wave = (0..3000).map(|i| 20.0 * (f64::from(i) / slow).sin());
        assert!(!is_held(&rounded(wave)), "wave {seed}");
        let settling = (0..3000).map(|i| 60.0 * (-(f64::from(i) % slow.round()) / period).exp());
        assert!(!is_held(&rounded(settling.clone())), "settling {seed}");
        assert!(!is_held(&settling.collect::<Vec<f64>>()), "settling, not rounded {seed}");
    }
}

/// Loads without noise, whose changes may all lie a whole number of samples apart.
#[test]
fn loads_that_come_and_go_are_not_held() {
    for seed in 0..100 {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let grid = random.random_range(1..20);
        let levels: Vec<(f64, usize, bool)> = (0..random.random_range(2..6))
            .map(|_| {
                (random.random_range(0..200).into(), random.random_range(1..12), random.random())
            })
            .collect();
        let mut values = Vec::new();
        while values.len() < 6000 {
            for (level, stays, same) in &levels {
                let stays = if *same { *stays } else { random.random_range(2..12) };
                values.extend(std::iter::repeat_n(level * COUNT_A, stays * grid));
            }
        }
        assert!(!is_held(&values), "on a grid {seed}");
        // A thermostat: times and levels differ a little from one turn to the next.
        let (on, off) = (random.random_range(3.0..60.0), random.random_range(3.0..200.0));
        let mut values = Vec::new();
        while values.len() < 6000 {
            let level = (100.0 + 2.0 * normal(&mut random)).round() * COUNT_A;
            for (level, stays) in [(level, on), (0.0, off)] {
                let stays = stays * (1.0 + 0.1 * normal(&mut random));
                values.extend(std::iter::repeat_n(level, stays.max(1.0) as usize));
            }
        }
        assert!(!is_held(&values), "thermostat {seed}");
    }
}

#[test]
fn few_changes_tell_nothing() {
    let readings = readings(5, 40, |_| 50.0, 3.0);
    let values: Vec<f64> = readings.iter().flat_map(|v| [*v; 5]).collect();
    assert!(!is_held(&values));
}

fn levels(i: usize) -> f64 {
    [50.0, 90.0, 60.0, 130.0, 50.0, 20.0][i / 250 % 6]
}

/// The same readings, each held a whole number of times, tell the same.
#[test]
fn held_readings_tell_what_they_tell_alone() {
    for (seed, times) in [(11, 3), (12, 5), (13, 10)] {
        for sigma in [0.4, 1.5, 3.0] {
            let readings = readings(seed, 3000, levels, sigma);
            let alone = Samples {
                time: TimeAxis::Uniform { interval_s: 0.1 * times as f64, len: 3000 },
                current_a: readings.clone(),
            };
            let held =
                uniform(readings.iter().flat_map(|v| std::iter::repeat_n(*v, times)).collect());
            let cut = |samples: &Samples| {
                segment(samples, &[], Some(COUNT_A), &Wishes::default()).unwrap()
            };
            let (alone, found) = (cut(&alone), cut(&held));
            let steps: Vec<usize> = alone.steps.iter().map(|step| step.index * times).collect();
            assert_eq!(found.steps.iter().map(|step| step.index).collect::<Vec<_>>(), steps);
            // Every level begins at its first sample.
            assert_eq!(
                steps,
                (1..12).map(|k| 250 * k * times).collect::<Vec<_>>(),
                "{seed} {sigma}"
            );
            assert_eq!(found.segments.last().unwrap().end, held.len());
            assert_eq!(found.segments.last().unwrap().end_s, held.duration_s());
            for (a, b) in alone.segments.iter().zip(&found.segments) {
                assert_eq!((a.first * times, a.end * times), (b.first, b.end));
                assert!((a.mean_a - b.mean_a).abs() < 1e-9);
                let ratio = a.standard_uncertainty_a / b.standard_uncertainty_a;
                assert!((ratio - 1.0).abs() < 1e-6, "{ratio}");
            }
            for (a, b) in alone.steps.iter().zip(&found.steps) {
                assert!((a.delta_a - b.delta_a).abs() < 1e-9 && (a.score - b.score).abs() < 1e-6);
                assert!((a.time_low_s - b.time_low_s).abs() < 1e-6);
            }
            assert_eq!(
                found.held.as_ref().unwrap().in_readings(&found).segments.len(),
                found.segments.len()
            );
        }
    }
}

/// Two free clocks: the steps of the truth and no other, each within a reading.
#[test]
fn steps_of_readings_held_unevenly_are_found() {
    for (seed, times, jitter) in [(21, 2.4, 0.0), (22, 3.3, 0.0), (23, 4.7, 0.08), (24, 9.6, 0.05)]
    {
        for sigma in [0.5, 1.5, 3.0] {
            let standing = standing(3000, times, jitter);
            let samples = uniform(take(&readings(seed, 3000, levels, sigma), &standing));
            let found = segment(&samples, &[], Some(COUNT_A), &Wishes::default()).unwrap();
            let truth: Vec<usize> =
                (1..12).map(|k| standing.partition_point(|reading| *reading < 250 * k)).collect();
            let steps: Vec<usize> = found.steps.iter().map(|step| step.index).collect();
            assert_eq!(steps, truth, "{times} {sigma}");
        }
    }
}

#[test]
fn lines_between_readings_are_no_steps() {
    let readings = readings(31, 3000, levels, 1.5);
    let values = (0..2999 * 3).map(|i| {
        let (at, on) = (i / 3, (i % 3) as f64 / 3.0);
        readings[at] + on * (readings[at + 1] - readings[at])
    });
    let found = segment(&uniform(values.collect()), &[], None, &Wishes::default()).unwrap();
    let steps: Vec<usize> = found.steps.iter().map(|step| step.index).collect();
    assert_eq!(steps, (1..12).map(|k| 750 * k).collect::<Vec<_>>());
}

/// A step in a gap lies between the last sample before it and the first after it.
#[test]
fn a_gap_in_held_readings_stays_one() {
    let readings = readings(41, 2000, |i| if i < 1000 { 50.0 } else { 70.0 }, 0.8);
    let current_a: Vec<f64> = readings.iter().flat_map(|v| [*v; 5]).collect();
    let times_s = (0..10_000).map(|i| 0.1 * f64::from(i) + if i < 5000 { 0.0 } else { 60.0 });
    let samples = Samples { time: TimeAxis::Listed(times_s.collect()), current_a };
    let gap = Span { start_s: samples.time.at(4999), end_s: samples.time.at(5000) };
    let found = segment(&samples, &[gap], Some(COUNT_A), &Wishes::default()).unwrap();
    let ends: Vec<(usize, usize)> = found.segments.iter().map(|s| (s.first, s.end)).collect();
    assert_eq!(ends, [(0, 5000), (5000, 10_000)]);
    assert_eq!(found.segments[0].end_s, gap.start_s);
    assert_eq!(found.steps.len(), 1);
}
