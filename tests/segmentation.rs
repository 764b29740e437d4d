//! The segmentation against published series, simulated truth, and inputs made to mislead it.

#[allow(dead_code)]
#[path = "../src/chance.rs"]
mod chance;
#[allow(dead_code)]
#[path = "../examples/method_check/families.rs"]
mod families;
#[allow(dead_code)]
#[path = "../examples/method_check/meter.rs"]
mod meter;
#[allow(dead_code)]
#[path = "../examples/method_check/score.rs"]
mod score;

use ebbmark::capture::{Samples, TimeAxis};
use ebbmark::findings::{SegmentKind, Span};
use ebbmark::segment::{Segmentation, Wishes, segment};
use proptest::prelude::*;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

fn uniform(current_a: Vec<f64>, interval_s: f64) -> Samples {
    Samples { time: TimeAxis::Uniform { interval_s, len: current_a.len() }, current_a }
}

fn cut(current_a: Vec<f64>, resolution_a: Option<f64>) -> Segmentation {
    segment(&uniform(current_a, 1.0), &[], resolution_a, &Wishes::default()).unwrap()
}

fn places(found: &Segmentation) -> Vec<usize> {
    found.steps.iter().map(|step| step.index).collect()
}

/// AR(1) noise of standard deviation 1.
fn noise(n: usize, phi: f64, seed: u64) -> Vec<f64> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut u = meter::normal(&mut rng);
    (0..n)
        .map(|_| {
            u = phi * u + (1.0 - phi * phi).sqrt() * meter::normal(&mut rng);
            u
        })
        .collect()
}

/// Every sample in one stretch, everything finite, steps inside their intervals.
fn sound(samples: &Samples, found: &Segmentation) {
    let n = samples.len();
    let mut at = 0;
    for stretch in &found.segments {
        assert_eq!(stretch.first, at);
        assert!(stretch.end > stretch.first);
        at = stretch.end;
        for value in [
            stretch.mean_a,
            stretch.noise_a,
            stretch.effective_samples,
            stretch.standard_uncertainty_a,
            stretch.start_s,
            stretch.end_s,
        ] {
            assert!(value.is_finite(), "{stretch:?}");
        }
        assert!(stretch.noise_a >= 0.0 && stretch.effective_samples >= 1.0);
        assert_eq!(stretch.state.is_some(), stretch.kind == SegmentKind::Steady);
    }
    assert_eq!(at, n);
    for step in &found.steps {
        assert!(step.time_low_s <= step.time_s && step.time_s <= step.time_high_s, "{step:?}");
        assert!(step.delta_a.is_finite() && step.standard_uncertainty_a.is_finite(), "{step:?}");
        assert!((0.0..=1.0).contains(&step.score), "{step:?}");
        assert!(step.time_low_s.is_finite() && step.time_high_s.is_finite(), "{step:?}");
    }
    for state in &found.states {
        for value in [state.mean_a, state.noise_a, state.time_s, state.charge_c] {
            assert!(value.is_finite(), "{state:?}");
        }
    }
    for at_level in &found.noise.by_level {
        assert!(at_level.level_a.is_finite() && at_level.sigma_a.is_finite(), "{at_level:?}");
    }
    let noise = &found.noise;
    assert!(noise.sigma_a.is_finite() && noise.floor_a.is_finite());
    assert!((0.0..1.0).contains(&noise.phi), "φ {}", noise.phi);
}

// Cobb 1978, Biometrika 65, 243-251: annual flow of the Nile at Aswan 1871-1970, one change after
// observation 28 (1898). The interval 25 to 32 is as published with R package strucchange.
#[test]
fn nile_changes_once_after_1898() {
    let text = include_str!("../shared/checks/nile.csv");
    let flow: Vec<f64> =
        text.lines().skip(1).map(|line| line.split(',').nth(1).unwrap().parse().unwrap()).collect();
    assert_eq!(flow.len(), 100);
    let found = cut(flow, Some(1.0));
    assert_eq!(places(&found), [28]);
    let step = &found.steps[0];
    // Observation numbers of the last old and the first new one: 25 to 32 is the last old one's.
    assert!(step.time_low_s + 1.0 >= 25.0 && step.time_high_s <= 32.0, "{step:?}");
    assert!((step.delta_a + 247.8).abs() < 2.0 * step.standard_uncertainty_a, "{step:?}");
}

#[test]
fn unit_and_offset_do_not_matter() {
    let level =
        |i: usize| if (400..700).contains(&i) { 0.05 } else { 0.01 } + (i / 1100) as f64 * 0.02;
    let log: Vec<f64> = noise(1500, 0.5, 7)
        .iter()
        .enumerate()
        .map(|(i, u)| ((level(i) + 0.002 * u) / 1e-3).round() * 1e-3)
        .collect();
    let reference = places(&cut(log.clone(), Some(1e-3)));
    assert_eq!(reference, [400, 700, 1100]);
    for factor in [1e-6, 1e3, -1.0] {
        let scaled = log.iter().map(|v| v * factor).collect();
        assert_eq!(places(&cut(scaled, Some(1e-3 * f64::abs(factor)))), reference, "×{factor}");
    }
    // A million counts on top.
    let lifted = log.iter().map(|v| v + 1e6 * 1e-3).collect();
    assert_eq!(places(&cut(lifted, Some(1e-3))), reference);
}

#[test]
fn tiny_and_degenerate_captures_are_sound() {
    for n in 3..=10usize {
        for pattern in 0..6 {
            let log: Vec<f64> = (0..n)
                .map(|i| match pattern {
                    0 => 0.0,
                    1 => 0.3,
                    2 => (i % 2) as f64,
                    3 => i as f64 * 1e-9,
                    4 => f64::from(u8::from(i == n / 2)) * 1e6,
                    _ => f64::from(u8::from(i > n / 2)),
                })
                .collect();
            let samples = uniform(log, 0.5);
            for resolution in [None, Some(1e-3), Some(0.0)] {
                let found = segment(&samples, &[], resolution, &Wishes::default()).unwrap();
                sound(&samples, &found);
            }
        }
    }
    assert!(segment(&uniform(vec![1.0], 1.0), &[], None, &Wishes::default()).is_err());
    assert!(segment(&uniform(vec![], 1.0), &[], None, &Wishes::default()).is_err());
}

/// Stretches of constants, single counts, noise and ramps, each of its own magnitude between 1e-9
/// and 1e6 ampere, with strays among them: `(kind, length, level, spread, seed)`.
fn any_readings() -> impl Strategy<Value = Vec<f64>> {
    let magnitude = || {
        (-9.0..6.0f64, any::<bool>()).prop_map(|(power, minus)| {
            let size = 10f64.powf(power);
            if minus { -size } else { size }
        })
    };
    let stretch = (0u8..5, 1usize..160, magnitude(), magnitude(), any::<u64>());
    prop::collection::vec(stretch, 1..9).prop_map(|stretches| {
        let mut log = Vec::new();
        for (kind, length, level, spread, seed) in stretches {
            let u = noise(length, 0.5, seed);
            log.extend((0..length).map(|i| match kind {
                0 => level,
                1 => level + spread * f64::from(u8::from(u[i] > 1.5)),
                2 => level + spread * u[i],
                3 => level + spread * i as f64 / length as f64,
                _ if i == length / 2 => spread,
                _ => level,
            }));
        }
        log
    })
}

proptest! {
    #![proptest_config(chance::same(400))]

    /// Whatever finite readings come, nothing that is not finite leaves.
    #[test]
    fn finite_readings_give_finite_results(
        log in any_readings(),
        resolution in prop::option::of((-9.0..3.0f64).prop_map(|power| 10f64.powf(power))),
        steady in any::<bool>(),
        strides in prop::collection::vec(0u8..4, 1..20),
        gaps in prop::collection::vec((0.0..1.0f64, 0.0..0.1f64), 0..4),
        smallest_step_a in prop::option::of((-9.0..3.0f64).prop_map(|power| 10f64.powf(power))),
    ) {
        prop_assume!(log.len() >= 3);
        let time = if steady {
            TimeAxis::Uniform { interval_s: 1e-5, len: log.len() }
        } else {
            // Readings may share a moment.
            let mut t = 0.0;
            let strides = strides.iter().cycle();
            let times = strides.take(log.len()).enumerate().map(|(i, stride)| {
                t += if i > 0 { f64::from(*stride) * 0.25 } else { 0.0 };
                t
            });
            TimeAxis::Listed(times.collect())
        };
        let end_s = time.at(log.len() - 1);
        let span = |(from, share): &(f64, f64)| {
            Span { start_s: from * end_s, end_s: (from + share) * end_s }
        };
        let gaps: Vec<Span> = gaps.iter().map(span).collect();
        let samples = Samples { time, current_a: log };
        let wishes = Wishes { smallest_step_a, ..Wishes::default() };
        sound(&samples, &segment(&samples, &gaps, resolution, &wishes).unwrap());
    }
}

#[test]
fn rounded_readings_that_hardly_move_show_their_steps() {
    // No noise at all: 1 mA counts that change twice.
    let log = (0..600).map(|i| if (200..400).contains(&i) { 0.013 } else { 0.010 }).collect();
    assert_eq!(places(&cut(log, Some(1e-3))), [200, 400]);
    let log = (0..600).map(|i| f64::from(u8::from(i >= 300))).collect();
    assert_eq!(places(&cut(log, None)), [300]);
}

#[test]
fn neither_trend_nor_slow_cycle_nor_noise_is_a_step() {
    for seed in 0..6 {
        let phi = [0.0, 0.5, 0.9][seed as usize % 3];
        let u = noise(4000, phi, seed);
        let shape = |f: &dyn Fn(f64) -> f64| -> Vec<f64> {
            u.iter().enumerate().map(|(i, u)| f(i as f64 / 4000.0) + u).collect()
        };
        for (name, log) in [
            ("noise", shape(&|_| 0.0)),
            ("ramp", shape(&|x| 100.0 * x)),
            ("steep ramp", shape(&|x| 1e4 * x)),
            ("slow cycle", shape(&|x| 20.0 * (std::f64::consts::TAU * 3.0 * x).sin())),
            ("decay", shape(&|x| 200.0 * (-4.0 * x).exp())),
        ] {
            let found = cut(log, None);
            assert_eq!(places(&found), Vec::<usize>::new(), "{name}, φ {phi}, seed {seed}");
        }
    }
}

/// Steps, correlated noise and random walks of a few readings, `(kind, length, seed)`.
fn short(kind: u8, n: usize, seed: u64) -> Vec<f64> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let u = noise(n, [0.0, 0.8, 0.0][kind as usize], seed);
    let mut level = 50.0 * random.random::<f64>();
    u.iter()
        .map(|u| {
            if kind == 2 {
                level += u;
                return level;
            }
            if random.random_bool(0.04) {
                level = 50.0 * random.random::<f64>();
            }
            level + u
        })
        .collect()
}

proptest! {
    #![proptest_config(chance::same(300))]

    /// A clamp the other way round shows the same steps, each the other way round.
    #[test]
    fn a_series_upside_down_has_the_same_steps(
        kind in 0u8..3, n in 10usize..250, seed in any::<u64>(), power in -6i32..1,
    ) {
        let unit = 10f64.powi(power);
        let log: Vec<f64> = short(kind, n, seed).iter().map(|v| unit * v).collect();
        let found = cut(log.clone(), None);
        let turned = cut(log.iter().map(|v| -v).collect(), None);
        prop_assert_eq!(places(&found), places(&turned));
        for (a, b) in found.steps.iter().zip(&turned.steps) {
            prop_assert!((a.delta_a + b.delta_a).abs() < a.standard_uncertainty_a);
        }
    }
}

/// By design one capture in a hundred of white noise shows a step; where correlation is told from a hundred
/// readings, a few in a hundred may.
#[test]
fn few_readings_of_noise_or_a_walk_show_hardly_a_step() {
    let walk = |seed| {
        let steps = noise(100, 0.0, seed);
        steps
            .iter()
            .scan(0.0, |level, step| {
                *level += step;
                Some(*level)
            })
            .collect()
    };
    let with_steps = |log: &dyn Fn(u64) -> Vec<f64>| {
        (1000..1060).filter(|seed| !cut(log(*seed), None).steps.is_empty()).count()
    };
    let found = [
        with_steps(&|seed| noise(60, 0.8, seed)),
        with_steps(&|seed| noise(100, 0.9, seed)),
        with_steps(&walk),
    ];
    assert!(found.iter().all(|count| *count <= 6), "{found:?} of 60");
}

/// A technician's minute: two loads on and off, of 6 standard deviations or more.
#[test]
fn sixty_readings_keep_their_steps() {
    for height in [8.0, 20.0, 1000.0] {
        let mut missed = 0;
        for seed in 0..20 {
            let on = |i: usize| f64::from(u8::from((12..27).contains(&i) || (38..50).contains(&i)));
            let u = noise(60, 0.0, 2000 + seed);
            let log = u.iter().enumerate().map(|(i, u)| height * on(i) + u).collect();
            let found = places(&cut(log, None));
            let near = |at: usize| found.iter().any(|f| f.abs_diff(at) <= 1);
            missed += [12, 27, 38, 50].into_iter().filter(|at| !near(*at)).count();
            assert!(found.len() <= 4, "{height}, seed {seed}: {found:?}");
        }
        assert!(missed <= 2, "{height}: {missed}");
    }
}

/// Polls of three to six readings in every ten, now and then a reading more or less, at one averaged reading a
/// second, over a floor of 40 µA with 3 µA of noise.
#[test]
fn every_edge_of_dense_polls_is_found_once() {
    for (ratio, on_s) in [(8.0, 4.0), (30.0, 3.0), (30.0, 6.0), (1000.0, 4.0)] {
        let (mut edges, mut found_edges, mut more) = (0, 0, 0);
        for seed in 0..3 {
            let mut random = ChaCha8Rng::seed_from_u64(seed);
            let mut on = vec![0.0; 1200];
            let mut at = Vec::new();
            let mut start = 5.0 * random.random::<f64>();
            while start < 1180.0 {
                let end = start + on_s * random.random_range(0.9..1.1);
                for (i, on) in on.iter_mut().enumerate() {
                    *on += (end.min(i as f64 + 1.0) - start.max(i as f64)).max(0.0);
                }
                at.extend([start, end]);
                start += 10.0 * random.random_range(0.9..1.1);
            }
            let floor_a = 40e-6;
            let log = on
                .iter()
                .map(|on| floor_a * (1.0 + (ratio - 1.0) * on) + 3e-6 * meter::normal(&mut random));
            let found = places(&cut(log.collect(), None));
            let near = |edge: &&f64| found.iter().any(|f| (*f as f64 - **edge).abs() <= 2.0);
            edges += at.len();
            found_edges += at.iter().filter(near).count();
            more += found.len().saturating_sub(at.len());
        }
        assert!(found_edges * 4 >= 3 * edges, "{ratio} {on_s}: {found_edges} of {edges}");
        assert!(more * 50 <= edges, "{ratio} {on_s}: {more} more than {edges}");
    }
}

/// Polls of three readings in every six, edges between readings: no stay is long enough to show an end, but
/// each is even.
#[test]
fn edges_three_readings_apart_are_found() {
    for high_a in [200e-6, 2e-3, 20e-3] {
        let u = noise(600, 0.0, 77);
        let log = (0..600).map(|i| if i % 6 < 3 { 40e-6 } else { high_a } + 3e-6 * u[i]).collect();
        let found = places(&cut(log, None));
        let right = found.iter().filter(|at| **at % 3 == 0).count();
        assert!(right >= 195 && found.len() == right, "{high_a}: {right} of {}", found.len());
    }
}

/// Clouds before a panel from first light on, after hours in which nothing moved: what moves there says
/// nothing of the rest, and the rest nothing of it. A load that is switched shows in both.
#[test]
fn a_cloudy_dawn_after_a_quiet_night_is_no_step() {
    let mut more = 0;
    for seed in 0..8 {
        let phi = [0.0, 0.65][seed as usize % 2];
        let u = noise(36_000, phi, 900 + seed);
        let night: Vec<f64> = (0..36_000)
            .map(|i| {
                let light = (f64::from(i - 30_000) / 6000.0).max(0.0);
                let cloud = |period_s: f64| (f64::from(i) / period_s + seed as f64).sin();
                let clouds = 0.5 * cloud(240.0) + 0.3 * cloud(130.0) + 0.2 * cloud(70.0);
                let load = if (12_000..33_000).contains(&i) { 0.02 } else { 0.0 };
                0.22 + load - 0.1 * light * light * (1.0 + clouds) + 0.002 * u[i as usize]
            })
            .collect();
        let found = places(&cut(night, None));
        for true_at in [12_000, 33_000] {
            let close = found.iter().filter(|at| at.abs_diff(true_at) <= 2).count();
            assert_eq!(close, 1, "φ {phi}, seed {seed}: {found:?}");
        }
        more += found.len() - 2;
    }
    // Without the parts' own slopes it was nine a night.
    assert!(more <= 1, "{more}");
}

#[test]
fn every_edge_of_a_square_wave_is_found_once() {
    for half in [5usize, 7, 20, 100] {
        let u = noise(half * 60, 0.3, half as u64);
        let log = u
            .iter()
            .enumerate()
            .map(|(i, u)| if (i / half) % 2 == 1 { 30.0 } else { 0.0 } + u)
            .collect();
        let expected: Vec<usize> = (1..60).map(|k| k * half).collect();
        assert_eq!(places(&cut(log, None)), expected, "half period {half}");
    }
}

/// A bench at 10 Hz: asleep at 0.82 mA ± 2.5 µA, awake for 0.42 s at 34 mA every 14 to 16 s, the meter
/// averaging over its interval and what is switched dying away; off shortly after a wake.
#[test]
fn short_wakes_with_soft_edges_are_found_one_by_one() {
    for seed in 0..20 {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut between = |low: f64, high: f64| low + (high - low) * rng.random::<f64>();
        let mut edges = vec![];
        let mut now = between(10.0, 14.0);
        while now < 280.0 {
            edges.push((now, 0.0338));
            edges.push((now + between(0.38, 0.46), -0.0338));
            now += between(14.0, 16.0);
        }
        let off = edges.last().unwrap().0 + between(0.7, 1.2);
        edges.push((off, -0.00081));
        // Twenty moments a reading, for the average over its interval.
        let current = |time_s: f64| -> f64 {
            let of_edge = |(at, delta): &(f64, f64)| match time_s - at {
                past if past < 0.0 => 0.0,
                past if *delta == -0.0338 => delta * (1.0 - (-past / 0.05).exp()),
                _ => *delta,
            };
            0.00082 + edges.iter().map(of_edge).sum::<f64>()
        };
        let readings = noise(3000, 0.3, seed + 100).into_iter().enumerate().map(|(i, noise)| {
            let mean =
                (0..20).map(|k| current(0.1 * i as f64 + 0.005 * f64::from(k))).sum::<f64>() / 20.0;
            let sigma = if mean > 0.01 { 1.4e-5 + 0.0012 * mean } else { 2.5e-6 };
            let count = if mean > 0.01 { 1e-5 } else { 1e-6 };
            ((mean + sigma * noise) / count).round() * count
        });
        let found = cut(readings.collect(), Some(1e-6));
        for (edge, delta) in &edges {
            let near = |at: &&usize| (**at as f64 - 10.0 * edge).abs() <= 2.5;
            let steps = places(&found);
            assert_eq!(steps.iter().filter(near).count(), 1, "seed {seed} {edge} s: {steps:?}");
            let found = found.steps.iter().find(|step| near(&&step.index)).unwrap();
            assert_eq!(found.delta_a > 0.0, *delta > 0.0, "seed {seed} {edge} s");
        }
        assert_eq!(found.steps.len(), edges.len(), "seed {seed}: {:?}", places(&found));
    }
}

#[test]
fn a_gap_hides_a_step_without_locating_it() {
    let mut times: Vec<f64> = (0..600).map(f64::from).collect();
    times.iter_mut().skip(300).for_each(|t| *t += 120.0);
    let current_a: Vec<f64> = noise(600, 0.2, 3)
        .iter()
        .enumerate()
        .map(|(i, u)| if i >= 300 { 0.2 } else { 0.1 } + 0.002 * u)
        .collect();
    let samples = Samples { time: TimeAxis::Listed(times), current_a };
    let gaps = [Span { start_s: 299.0, end_s: 420.0 }];
    let found = segment(&samples, &gaps, None, &Wishes::default()).unwrap();
    sound(&samples, &found);
    assert_eq!(places(&found), [300]);
    assert_eq!((found.steps[0].time_low_s, found.steps[0].time_high_s), (299.0, 420.0));
    assert_eq!(found.segments.len(), 2);
    assert_eq!(found.segments[0].end_s, 299.0);
}

#[test]
fn a_spike_is_set_aside_and_left_out_of_the_mean() {
    let mut log: Vec<f64> = noise(400, 0.0, 5).iter().map(|u| 0.1 + 0.001 * u).collect();
    log[200] = 0.5;
    let found = cut(log, None);
    assert_eq!(places(&found), Vec::<usize>::new());
    assert_eq!(found.noise.spikes, [200]);
    assert!((found.segments[0].mean_a - 0.1).abs() < 2e-4);
}

#[test]
fn noise_is_told_at_each_level_with_its_correlation() {
    for phi in [0.0, 0.4, 0.8] {
        let log =
            noise(40_000, phi, 11)
                .iter()
                .enumerate()
                .map(|(i, u)| {
                    if (i / 500) % 2 == 0 {
                        1e-5 * (1.0 + 0.02 * u)
                    } else {
                        1e-2 * (1.0 + 0.02 * u)
                    }
                })
                .collect();
        let found = cut(log, None);
        assert_eq!(found.steps.len(), 79);
        assert!((found.noise.phi - phi).abs() < 0.06, "{} for {phi}", found.noise.phi);
        for (at, sigma) in [(0, 2e-7), (1, 2e-4)] {
            let noise_a = found.segments[at].noise_a;
            assert!((noise_a / sigma - 1.0).abs() < 0.3, "{noise_a} for {sigma}");
        }
    }
}

#[test]
fn a_wish_for_larger_steps_is_granted() {
    let log: Vec<f64> = noise(900, 0.0, 2)
        .iter()
        .enumerate()
        .map(|(i, u)| [0.0, 0.02, 0.12][i / 300] + 0.002 * u)
        .collect();
    let wishes = Wishes { smallest_step_a: Some(0.05), ..Wishes::default() };
    let found = segment(&uniform(log.clone(), 1.0), &[], None, &wishes).unwrap();
    assert_eq!(places(&found), [600]);
    assert_eq!(places(&cut(log, None)), [300, 600]);
}

#[test]
fn a_settling_load_is_one_step_then_transient_then_steady() {
    let log: Vec<f64> = noise(1200, 0.3, 9)
        .iter()
        .enumerate()
        .map(|(i, u)| {
            let after = i as f64 - 200.0;
            let on = if after >= 0.0 { 0.1 + 0.08 * (-after / 40.0).exp() } else { 0.0 };
            on + 0.001 * u
        })
        .collect();
    let found = cut(log, None);
    assert_eq!(places(&found), [200]);
    let kinds: Vec<SegmentKind> = found.segments.iter().map(|s| s.kind).collect();
    assert_eq!(kinds, [SegmentKind::Steady, SegmentKind::Transient, SegmentKind::Steady]);
    assert!((found.segments[2].mean_a - 0.1).abs() < 5e-4, "{:?}", found.segments[2]);
}

#[test]
fn a_level_that_returns_is_one_state() {
    let log: Vec<f64> = noise(3000, 0.3, 4)
        .iter()
        .enumerate()
        .map(|(i, u)| [0.01, 0.11, 0.01, 0.06, 0.01][i / 600] + 0.001 * u)
        .collect();
    let found = cut(log, None);
    let states: Vec<_> = found.segments.iter().map(|s| s.state).collect();
    assert_eq!(states, [Some(0), Some(2), Some(0), Some(1), Some(0)]);
    assert_eq!(found.states.len(), 3);
    assert!((found.states[0].time_s - 1800.0).abs() < 2.0);
}

#[test]
fn exact_mode_and_pooling_find_the_same_steps() {
    // Long enough to be pooled; an edge every 137 to 9000 readings.
    let n = 300_000;
    let mut rng = ChaCha8Rng::seed_from_u64(21);
    let mut log = noise(n, 0.3, 21);
    let (mut at, mut up) = (0, false);
    while at < n {
        let end = (at + meter::log_between(&mut rng, 137.0, 9000.0) as usize).min(n);
        let level = if up { meter::log_between(&mut rng, 5.0, 200.0) } else { 0.0 };
        log[at..end].iter_mut().for_each(|value| *value += level);
        (at, up) = (end, !up);
    }
    let samples = uniform(log, 1e-3);
    let pooled = segment(&samples, &[], None, &Wishes::default()).unwrap();
    let wishes = Wishes { exact: true, ..Wishes::default() };
    let exact = segment(&samples, &[], None, &wishes).unwrap();
    assert!(exact.steps.len() > 100, "{}", exact.steps.len());
    assert_eq!(places(&pooled), places(&exact));
}

// NIST StRD NumAcc4: mean 10000000.2, standard deviation 0.1, certified; the decimal data written
// in binary keep seven digits of the deviation.
#[test]
fn a_large_offset_costs_no_digits() {
    let log: Vec<f64> = include_str!("../shared/checks/strd_NumAcc4.csv")
        .lines()
        .filter_map(|line| line.split(',').next_back()?.trim().parse().ok())
        .collect();
    assert_eq!(log.len(), 1001);
    let found = cut(log, Some(0.1));
    assert_eq!(found.segments.len(), 1);
    assert!((found.segments[0].mean_a - 10_000_000.2).abs() < 1e-8);
    assert!((found.segments[0].noise_a - 0.1).abs() < 1e-8);
}

#[test]
fn a_stray_reading_at_an_end_is_no_step() {
    for at in [0, 499] {
        let mut log: Vec<f64> = noise(500, 0.2, 8).iter().map(|u| 0.1 + 0.001 * u).collect();
        log[at] = 0.4;
        let found = cut(log, None);
        assert_eq!(places(&found), Vec::<usize>::new());
        assert_eq!(found.noise.spikes, [at]);
        assert!((found.segments[0].mean_a - 0.1).abs() < 2e-4);
    }
}

/// Weak steps: their intervals hold the truth as often as they say, and the scores of the false
/// ones among them are lower.
#[test]
fn weak_steps_say_how_sure_they_are() {
    let (mut found_steps, mut covered, mut doubted) = (0, 0, 0);
    for seed in 0..60 {
        let phi = [0.0, 0.5][seed as usize % 2];
        let log: Vec<f64> = noise(1200, phi, 400 + seed)
            .iter()
            .enumerate()
            .map(|(i, u)| u + if (400..800).contains(&i) { 1.2 } else { 0.0 })
            .collect();
        let found = cut(log, None);
        for truth in [400.0, 800.0] {
            let near = found.steps.iter().find(|step| (step.time_s - truth).abs() < 100.0);
            let Some(step) = near else { continue };
            found_steps += 1;
            covered += usize::from(step.time_low_s <= truth && truth <= step.time_high_s);
            assert!(step.time_high_s - step.time_low_s < 150.0, "{step:?}");
            doubted += usize::from(step.score <= 0.5);
        }
    }
    assert!(found_steps > 90, "{found_steps}");
    assert!(doubted <= 3, "{doubted} true steps of {found_steps} have less than even odds");
    // 95 % of a hundred or so, less three standard deviations.
    assert!(f64::from(covered as u32) >= 0.88 * f64::from(found_steps), "{covered} {found_steps}");
}

/// A few captures of each family, near the figure that many must reach.
#[test]
fn families_come_near_their_figures() {
    for family in families::FAMILIES.iter().filter(|f| f.name != "duty cycle") {
        let seeds = if family.name.contains("night") { 1 } else { 3 };
        let mut total = score::Score::default();
        for seed in 500..500 + seeds {
            let log = (family.make)(&mut families::rng(family.name, seed));
            let found =
                segment(&log.samples, &log.gaps, Some(log.resolution_a), &Wishes::default())
                    .unwrap();
            sound(&log.samples, &found);
            total.add(&score::score(&log, &found, family.within_s, 0.0));
        }
        match family.bar {
            families::Bar::F1(bar) => {
                assert!(total.f1() >= bar - 0.04, "{}: F1 {}", family.name, total.f1());
            }
            families::Bar::FalsePerCapture(_) => {
                assert!(total.false_steps <= 1, "{}: {} false", family.name, total.false_steps);
            }
        }
    }
}

#[test]
fn threads_do_not_change_the_result() {
    let log = (families::FAMILIES[0].make)(&mut families::rng("visit", 3));
    let run = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| {
            segment(&log.samples, &log.gaps, Some(log.resolution_a), &Wishes::default()).unwrap()
        })
    };
    assert_eq!(run(1), run(3));
}
