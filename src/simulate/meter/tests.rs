use super::*;
use crate::numeric::{Moments, lag1_autocorrelation};
use approx::assert_relative_eq;

fn log_of(parameters: MeterParameters, duration_s: f64, level_a: f64) -> Vec<f64> {
    parameters.check().unwrap().log(duration_s, |_| level_a, 11).samples().current_a
}

#[test]
fn noise_has_the_asked_sd_and_memory() {
    // 50 000 samples at φ = 0.7: sd of the estimates about 0.8 % and 0.003.
    let p = MeterParameters { noise_a: 0.002, lag1_autocorrelation: 0.7, ..Default::default() };
    let values = log_of(p, 50_000.0, 0.1);
    let moments = Moments::of(&values).unwrap();
    assert_relative_eq!(moments.sd.unwrap(), 0.002, max_relative = 0.03);
    assert_relative_eq!(lag1_autocorrelation(&values).unwrap(), 0.7, epsilon = 0.015);
    assert_relative_eq!(moments.mean, 0.1, epsilon = 1.2e-4);
}

#[test]
fn noise_grows_with_the_level_in_quadrature() {
    let p = MeterParameters { noise_a: 0.003, noise_share_of_level: 0.004, ..Default::default() };
    let sd = Moments::of(&log_of(p, 20_000.0, 1.0)).unwrap().sd.unwrap();
    assert_relative_eq!(sd, 0.005, max_relative = 0.03);
}

#[test]
fn gain_and_zero_shift_a_noiseless_reading_and_rounding_keeps_to_counts() {
    let p = MeterParameters {
        gain_error_percent: 2.0,
        zero_offset_a: 0.0104,
        zero_drift_a_per_h: 0.002,
        resolution_a: Some(0.001),
        ..Default::default()
    };
    let values = log_of(p, 3601.0, 0.5);
    assert_relative_eq!(values[0], 0.520, epsilon = 1e-12);
    assert_relative_eq!(values[3600], 0.522, epsilon = 1e-12);
}

#[test]
fn the_wander_has_its_standard_deviation_and_no_sharp_edge() {
    let p =
        MeterParameters { zero_wander_a: 0.005, zero_wander_period_s: 600.0, ..Default::default() };
    let values = log_of(p, 60_000.0, 0.0);
    assert_relative_eq!(Moments::of(&values).unwrap().sd.unwrap(), 0.005, max_relative = 0.05);
    // The steepest that the sum of four sines can be: Σ aₖ 2π/Tₖ.
    let steepest: f64 =
        WANDER.iter().map(|(r, s)| 0.005 * (2.0 * s).sqrt() * TAU / (r * 600.0)).sum();
    assert!(values.windows(2).all(|w| (w[1] - w[0]).abs() <= steepest));
}

#[test]
fn ranges_set_resolution_and_hold_on_the_way_down() {
    let meter = MeterParameters {
        ranges: vec![
            MeterRange { up_to_a: 0.04, resolution_a: 1e-5, noise_a: 0.0 },
            MeterRange { up_to_a: 0.4, resolution_a: 1e-3, noise_a: 0.0 },
        ],
        ..Default::default()
    }
    .check()
    .unwrap();
    let level = |t: f64| [0.012345, 0.123456, 0.038123, 0.034567][t as usize];
    let samples = meter.log(4.0, level, 1).samples().current_a;
    for (reading, expected) in samples.iter().zip([0.01234, 0.123, 0.038, 0.03457]) {
        assert!((reading - expected).abs() < 1.01e-5, "{reading} {expected}");
    }
    assert_eq!((samples[2] * 1e3).round(), samples[2] * 1e3);
}

#[test]
fn gaps_drops_and_jitter_shape_the_clock() {
    let meter = MeterParameters {
        time_jitter_s: 0.1,
        dropped_share: 0.05,
        gaps: vec![LoggingGap { start_s: 1000.0, end_s: 1500.0 }],
        ..Default::default()
    }
    .check()
    .unwrap();
    let log = meter.log(10_000.0, |_| 0.0, 3);
    assert!(log.times_s.windows(2).all(|w| w[1] > w[0]));
    assert!(!log.times_s.iter().any(|t| (1000.5..1499.0).contains(t)));
    // 9500 places, binomial sd 21.
    assert!((log.times_s.len() as f64 - 9500.0 * 0.95).abs() < 100.0);
    assert!(log.times_s.iter().all(|t| (t - t.round()).abs() <= 0.1));
}

#[test]
fn spikes_and_overload_are_single_and_told() {
    let meter = MeterParameters {
        spikes_per_h: 60.0,
        spike_a: 1.0,
        overload_above_a: Some(0.8),
        ..Default::default()
    }
    .check()
    .unwrap();
    let log = meter.log(36_000.0, |_| 0.0, 5);
    assert!((log.spikes.len() as f64 - 600.0).abs() < 100.0);
    for (i, reading) in log.readings.iter().enumerate() {
        match reading {
            Reading::Overload => assert!(log.spikes.contains(&i)),
            Reading::Amperes(a) => assert_eq!(*a != 0.0, log.spikes.contains(&i)),
        }
    }
    assert!(log.samples().len() < log.readings.len());
}

#[test]
fn one_effect_leaves_the_others_as_they_were() {
    let plain = MeterParameters { noise_a: 0.01, ..Default::default() };
    let spiky = MeterParameters { spikes_per_h: 30.0, spike_a: 1.0, ..plain.clone() };
    let a = plain.check().unwrap().log(3600.0, |_| 0.1, 9);
    let b = spiky.check().unwrap().log(3600.0, |_| 0.1, 9);
    let differ: Vec<usize> = (0..3600).filter(|&i| a.readings[i] != b.readings[i]).collect();
    assert!(!differ.is_empty());
    assert_eq!(differ, b.spikes);
}

#[test]
fn averaging_shows_a_step_half_way() {
    let meter = MeterParameters { averaging_s: 1.0, ..Default::default() }.check().unwrap();
    let log = meter.log(4.0, |t| if t < 1.5 { 0.0 } else { 1.0 }, 1).samples();
    assert_eq!(log.current_a, [0.0, 0.0, 0.5, 1.0]);
}

#[test]
fn impossible_meters_are_refused_by_name() {
    let key = |p: MeterParameters| p.check().unwrap_err().key;
    assert_eq!(key(MeterParameters { interval_s: 0.0, ..Default::default() }), "interval_s");
    assert_eq!(key(MeterParameters { noise_a: f64::NAN, ..Default::default() }), "noise_a");
    assert_eq!(
        key(MeterParameters { lag1_autocorrelation: 1.0, ..Default::default() }),
        "lag1_autocorrelation"
    );
    assert_eq!(key(MeterParameters { time_jitter_s: 0.5, ..Default::default() }), "time_jitter_s");
    let ranges = vec![
        MeterRange { up_to_a: 1.0, resolution_a: 0.1, noise_a: 0.0 },
        MeterRange { up_to_a: 0.5, resolution_a: 0.1, noise_a: 0.0 },
    ];
    let fault = MeterParameters { ranges, ..Default::default() }.check().unwrap_err();
    assert_eq!((fault.key, fault.index), ("up_to_a", Some(1)));
}
