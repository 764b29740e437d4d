//! Stage by stage, by criterion: `cargo bench --bench stages`.

use std::hint::black_box;

use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use ebbmark::capture::{ReadOptions, Samples, Silent, TimeAxis, read_bytes};
use ebbmark::segment::{Wishes, exact_breakpoints, segment};
use rand::{Rng, SeedableRng};
use rand_distr::StandardNormal;

/// Unit noise on levels held for `hold` samples.
fn readings(samples: usize, hold: usize) -> Vec<f64> {
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(1);
    let mut level = 0.0;
    (0..samples)
        .map(|i| {
            if i % hold == 0 {
                level = random.random_range(0.0..150.0);
            }
            level + random.sample::<f64, _>(StandardNormal)
        })
        .collect()
}

fn exact(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("exact search, white noise, 2 ln n");
    for samples in [20_000, 100_000] {
        let values = readings(samples, usize::MAX);
        let penalty = 2.0 * (samples as f64).ln();
        group.throughput(Throughput::Elements(samples as u64));
        group.bench_with_input(BenchmarkId::from_parameter(samples), &values, |bench, values| {
            bench.iter(|| exact_breakpoints(black_box(values), penalty));
        });
    }
    group.finish();
}

fn stages(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("segment");
    group.sample_size(10);
    for (samples, hold) in [(100_000, 500), (1_000_000, 500), (1_000_000, 50_000)] {
        let current_a: Vec<f64> = readings(samples, hold).iter().map(|v| 0.002 * v).collect();
        let time = TimeAxis::Uniform { interval_s: 0.001, len: samples };
        let capture = Samples { time, current_a };
        group.throughput(Throughput::Elements(samples as u64));
        let name = BenchmarkId::new(format!("a step every {hold}"), samples);
        group.bench_with_input(name, &capture, |bench, capture| {
            bench.iter(|| segment(black_box(capture), &[], None, &Wishes::default()));
        });
    }
    group.finish();
}

fn reading(criterion: &mut Criterion) {
    let samples = 1_000_000;
    let values = readings(samples, 50_000);
    let elapsed: String = (0..samples)
        .map(|i| format!("{}.{:03},{:.6}\n", i / 1000, i % 1000, 0.002 * values[i]))
        .collect();
    let stamped: String = (0..samples)
        .map(|i| {
            let (s, ms) = (i / 1000, i % 1000);
            let (h, m, s) = (s / 3600, s / 60 % 60, s % 60);
            format!("2026-03-14 {h:02}:{m:02}:{s:02}.{ms:03},{:.6}\n", 0.002 * values[i])
        })
        .collect();
    let mut group = criterion.benchmark_group("read");
    group.sample_size(10);
    group.throughput(Throughput::Elements(samples as u64));
    for (name, header, text) in
        [("seconds", "time (s),current (A)\n", elapsed), ("stamps", "time,current (A)\n", stamped)]
    {
        let bytes = format!("{header}{text}").into_bytes();
        group.bench_function(name, |bench| {
            bench.iter(|| read_bytes("bench", bytes.clone(), &ReadOptions::default(), &Silent));
        });
    }
    group.finish();
}

criterion_group!(benches, exact, stages, reading);
criterion_main!(benches);
