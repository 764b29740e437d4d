//! What a clamp or meter adds to a current: noise that remembers and grows with the level, a zero
//! that is off and wanders, a gain error, ranges, counts, spikes, overload, and a clock that
//! jitters, drops samples and leaves gaps.
//!
//! ```
//! use ebbmark::simulate::meter::{MeterParameters, Reading};
//!
//! let meter = MeterParameters {
//!     interval_s: 0.5,
//!     noise_a: 0.002,
//!     lag1_autocorrelation: 0.6,
//!     resolution_a: Some(0.001),
//!     ..MeterParameters::default()
//! }
//! .check()?;
//! let log = meter.log(60.0, |t| if t < 30.0 { 0.12 } else { 0.01 }, 7);
//! assert_eq!(log.times_s.len(), 120);
//! assert!(matches!(log.readings[0], Reading::Amperes(a) if (a - 0.12).abs() < 0.02));
//! # Ok::<(), ebbmark::simulate::meter::MeterFault>(())
//! ```

use std::f64::consts::TAU;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use serde::{Deserialize, Serialize};

use crate::capture::{Samples, TimeAxis};

/// Coming down, an autoranging meter changes range this far below the lower range's end.
const RANGE_HYSTERESIS: f64 = 0.9;
/// No current, time or rate of a meter is larger; keeps sums and the text they become finite.
pub(super) const LARGEST: f64 = 1e12;
/// Points that an averaging meter's window is evaluated at.
const WINDOW_POINTS: usize = 16;
/// Periods of the wander relative to the slowest, and their shares of its variance.
const WANDER: [(f64, f64); 4] = [(1.0, 0.60), (0.618, 0.25), (0.382, 0.10), (0.236, 0.05)];

/// One range of an autoranging meter.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MeterRange {
    /// Largest magnitude it shows, ampere; the last range also shows what lies beyond.
    pub up_to_a: f64,
    /// Step of its display, ampere.
    pub resolution_a: f64,
    /// Standard deviation of one reading in it, ampere.
    pub noise_a: f64,
}

/// A stretch in which nothing is logged.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LoggingGap {
    /// Its first moment, seconds from the start.
    pub start_s: f64,
    /// Its end, seconds from the start; a sample at this moment is logged again.
    pub end_s: f64,
}

/// A meter as described, unchecked. The default is a perfect meter that logs once a second.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct MeterParameters {
    /// Time between samples, seconds.
    pub interval_s: f64,
    /// Each sample lies within this many seconds of its place, evenly spread; below half the interval.
    pub time_jitter_s: f64,
    /// Share of the samples that is lost, one by one, 0 to below 1.
    pub dropped_share: f64,
    /// Stretches without samples.
    #[serde(rename = "gap")]
    pub gaps: Vec<LoggingGap>,
    /// Each reading is the mean over this many seconds before it; 0 for a momentary reading.
    pub averaging_s: f64,
    /// Standard deviation of one reading near zero, ampere.
    pub noise_a: f64,
    /// Standard deviation that grows with the level, as a share of it; adds in quadrature.
    pub noise_share_of_level: f64,
    /// Correlation φ of the noise of neighbouring samples, 0 to below 1.
    pub lag1_autocorrelation: f64,
    /// Reading at no current, ampere.
    pub zero_offset_a: f64,
    /// Straight drift of the zero, ampere an hour.
    pub zero_drift_a_per_h: f64,
    /// Standard deviation of a slow, smooth wander of the zero, as temperature makes it, ampere.
    pub zero_wander_a: f64,
    /// Slowest period of the wander, seconds.
    pub zero_wander_period_s: f64,
    /// Error of the slope, percent of reading.
    pub gain_error_percent: f64,
    /// Step of the display, ampere; `None` for readings that are not rounded.
    pub resolution_a: Option<f64>,
    /// Ranges, smallest first; they overrule `resolution_a` and `noise_a`.
    #[serde(rename = "range")]
    pub ranges: Vec<MeterRange>,
    /// Expected number of single-sample spikes an hour.
    pub spikes_per_h: f64,
    /// Size of a spike, ampere; each is between half of it and all of it, either way.
    pub spike_a: f64,
    /// Magnitude above which the meter shows overload, ampere.
    pub overload_above_a: Option<f64>,
}

impl Default for MeterParameters {
    fn default() -> Self {
        Self {
            interval_s: 1.0,
            time_jitter_s: 0.0,
            dropped_share: 0.0,
            gaps: Vec::new(),
            averaging_s: 0.0,
            noise_a: 0.0,
            noise_share_of_level: 0.0,
            lag1_autocorrelation: 0.0,
            zero_offset_a: 0.0,
            zero_drift_a_per_h: 0.0,
            zero_wander_a: 0.0,
            zero_wander_period_s: 7200.0,
            gain_error_percent: 0.0,
            resolution_a: None,
            ranges: Vec::new(),
            spikes_per_h: 0.0,
            spike_a: 0.0,
            overload_above_a: None,
        }
    }
}

/// A parameter that no meter can have.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{key} is {found}; {advice}")]
pub struct MeterFault {
    /// Which.
    pub key: &'static str,
    /// Its place, for a key of a list.
    pub index: Option<usize>,
    /// Its value.
    pub found: f64,
    /// What it should be.
    pub advice: &'static str,
}

impl MeterParameters {
    /// Checks every value.
    ///
    /// # Errors
    /// The first value that no meter can have.
    pub fn check(self) -> Result<Meter, MeterFault> {
        let fault = |key, index, found, advice| Err(MeterFault { key, index, found, advice });
        for (key, value) in
            [("interval_s", self.interval_s), ("zero_wander_period_s", self.zero_wander_period_s)]
        {
            if !(value > 0.0 && value.abs() <= LARGEST) {
                return fault(key, None, value, "give a positive number of seconds");
            }
        }
        for (key, value) in [
            ("averaging_s", self.averaging_s),
            ("noise_a", self.noise_a),
            ("noise_share_of_level", self.noise_share_of_level),
            ("zero_wander_a", self.zero_wander_a),
            ("spikes_per_h", self.spikes_per_h),
            ("spike_a", self.spike_a),
        ] {
            if !(value >= 0.0 && value.abs() <= LARGEST) {
                return fault(key, None, value, "give 0 or a positive number");
            }
        }
        for (key, value) in
            [("zero_offset_a", self.zero_offset_a), ("zero_drift_a_per_h", self.zero_drift_a_per_h)]
        {
            if value.is_nan() || value.abs() > LARGEST {
                return fault(key, None, value, "give a finite number of amperes");
            }
        }
        for (key, value) in [
            ("dropped_share", self.dropped_share),
            ("lag1_autocorrelation", self.lag1_autocorrelation),
        ] {
            if !(0.0..1.0).contains(&value) {
                return fault(key, None, value, "give a share from 0 to below 1");
            }
        }
        if !(self.gain_error_percent > -100.0 && self.gain_error_percent.abs() <= LARGEST) {
            return fault(
                "gain_error_percent",
                None,
                self.gain_error_percent,
                "give a percentage above -100",
            );
        }
        if !(self.time_jitter_s >= 0.0 && self.time_jitter_s < self.interval_s / 2.0) {
            return fault(
                "time_jitter_s",
                None,
                self.time_jitter_s,
                "keep it below half of interval_s",
            );
        }
        if self.spikes_per_h * self.interval_s > 3600.0 {
            return fault(
                "spikes_per_h",
                None,
                self.spikes_per_h,
                "give fewer spikes than samples",
            );
        }
        for (key, value) in
            [("resolution_a", self.resolution_a), ("overload_above_a", self.overload_above_a)]
        {
            if let Some(value) = value.filter(|value| !(*value > 0.0 && value.abs() <= LARGEST)) {
                return fault(
                    key,
                    None,
                    value,
                    "give a positive number of amperes, or leave it out",
                );
            }
        }
        let mut below = 0.0;
        for (i, range) in self.ranges.iter().enumerate() {
            if !(range.up_to_a > below && range.up_to_a.abs() <= LARGEST) {
                return fault(
                    "up_to_a",
                    Some(i),
                    range.up_to_a,
                    "list the ranges from the smallest to the largest",
                );
            }
            if !(range.resolution_a > 0.0 && range.resolution_a < range.up_to_a) {
                return fault(
                    "resolution_a",
                    Some(i),
                    range.resolution_a,
                    "give a positive step below up_to_a",
                );
            }
            if !(range.noise_a >= 0.0 && range.noise_a.abs() <= LARGEST) {
                return fault("noise_a", Some(i), range.noise_a, "give 0 or a positive number");
            }
            below = range.up_to_a;
        }
        for (i, gap) in self.gaps.iter().enumerate() {
            if !(gap.start_s > 0.0 && gap.start_s.abs() <= LARGEST) {
                return fault(
                    "start_s",
                    Some(i),
                    gap.start_s,
                    "start the gap after the first sample, at 0 s",
                );
            }
            if !(gap.end_s > gap.start_s && gap.end_s.abs() <= LARGEST) {
                return fault("end_s", Some(i), gap.end_s, "end the gap after its start_s");
            }
        }
        Ok(Meter(self))
    }
}

/// A meter whose parameters have been checked.
#[derive(Debug, Clone, PartialEq)]
pub struct Meter(MeterParameters);

/// What the meter shows at one sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reading {
    /// A current, ampere.
    Amperes(f64),
    /// Over range.
    Overload,
}

/// What a meter logged, sample by sample, and what it added.
#[derive(Debug, Clone, PartialEq)]
pub struct MeterLog {
    /// True times of the samples, seconds from the start.
    pub times_s: Vec<f64>,
    /// What the meter showed.
    pub readings: Vec<Reading>,
    /// The current that was there, ampere.
    pub true_a: Vec<f64>,
    /// The zero at each sample, ampere.
    pub zero_a: Vec<f64>,
    /// Samples that are spikes, in order.
    pub spikes: Vec<usize>,
    sampling_is_even: bool,
    interval_s: f64,
}

impl MeterLog {
    /// The readings as the capture stage would hand them on, overload left out and the first at 0 s.
    pub fn samples(&self) -> Samples {
        let kept = |i: &usize| matches!(self.readings[*i], Reading::Amperes(_));
        let indices: Vec<usize> = (0..self.readings.len()).filter(kept).collect();
        let current_a: Vec<f64> = indices
            .iter()
            .filter_map(|&i| match self.readings[i] {
                Reading::Amperes(a) => Some(a),
                Reading::Overload => None,
            })
            .collect();
        let time = if self.sampling_is_even && current_a.len() == self.readings.len() {
            TimeAxis::Uniform { interval_s: self.interval_s, len: current_a.len() }
        } else {
            let start = indices.first().map_or(0.0, |&i| self.times_s[i]);
            TimeAxis::Listed(indices.iter().map(|&i| self.times_s[i] - start).collect())
        };
        Samples { time, current_a }
    }
}

/// Each effect draws from a stream of its own, so that changing one leaves the others as they were.
#[derive(Clone, Copy)]
enum Stream {
    Noise = 1,
    Wander = 2,
    Spikes = 3,
    Clock = 4,
}

fn stream(seed: u64, which: Stream) -> ChaCha8Rng {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(which as u64);
    rng
}

impl Meter {
    /// The parameters.
    pub fn parameters(&self) -> &MeterParameters {
        &self.0
    }

    /// Times at which the meter logs from 0 to below `duration_s`, increasing. O(n).
    fn sample_times(&self, duration_s: f64, seed: u64) -> Vec<f64> {
        let p = &self.0;
        let mut rng = stream(seed, Stream::Clock);
        let count = (duration_s / p.interval_s - 1e-9).ceil().max(0.0) as usize;
        (0..count)
            .filter_map(|i| {
                // Both are drawn for every sample, so that a gap does not shift what follows.
                let (jitter, luck): (f64, f64) = (rng.random(), rng.random());
                let place = i as f64 * p.interval_s;
                let time =
                    if i == 0 { 0.0 } else { place + p.time_jitter_s * (2.0 * jitter - 1.0) };
                let dropped = i > 0 && luck < p.dropped_share;
                let gap = p.gaps.iter().any(|gap| gap.start_s <= place && place < gap.end_s);
                (!dropped && !gap).then_some(time)
            })
            .collect()
    }

    /// Logs a current for `duration_s` seconds.
    ///
    /// The reading at `t` is, before range and rounding,
    /// `(1 + g) ī(t) + z₀ + d t + w(t) + σ(ī) e(t) [+ spike]`, where `ī` is the mean of `true_a` over
    /// `averaging_s` before `t`; `w` a sum of four sines of random phase; `e` unit AR(1) noise with
    /// correlation `φ^(Δt / interval_s)` between samples `Δt` apart; and
    /// `σ² = noise_a² + (noise_share_of_level ī)²`.
    ///
    /// The same seed gives the same log on every machine and thread count: ChaCha8 (portable) and
    /// the ziggurat normal of `rand_distr`; what a platform's `sin` or `powf` may change, the last
    /// bit, does not survive the rounding to the meter's resolution. O(n).
    pub fn log(&self, duration_s: f64, true_a: impl Fn(f64) -> f64, seed: u64) -> MeterLog {
        let p = &self.0;
        let times_s = self.sample_times(duration_s, seed);
        let wander = self.wander(seed);
        let (mut noise, mut spikes) = (stream(seed, Stream::Noise), stream(seed, Stream::Spikes));
        let spike_chance = p.spikes_per_h * p.interval_s / 3600.0;
        let gain = 1.0 + p.gain_error_percent / 100.0;

        let mut log = MeterLog {
            readings: Vec::with_capacity(times_s.len()),
            true_a: Vec::with_capacity(times_s.len()),
            zero_a: Vec::with_capacity(times_s.len()),
            spikes: Vec::new(),
            sampling_is_even: p.time_jitter_s == 0.0 && p.dropped_share == 0.0 && p.gaps.is_empty(),
            interval_s: p.interval_s,
            times_s,
        };
        let mut unit_noise: Option<(f64, f64)> = None;
        let mut range = 0;
        for (i, &t) in log.times_s.iter().enumerate() {
            let level = self.window_mean(t, &true_a);
            let zero = p.zero_offset_a
                + p.zero_drift_a_per_h * t / 3600.0
                + wander.iter().map(|(a, rate, phase)| a * (rate * t + phase).sin()).sum::<f64>();
            let fresh: f64 = StandardNormal.sample(&mut noise);
            let unit = match unit_noise {
                None => fresh,
                Some((last_t, last)) => {
                    let phi = self.correlation_over(t - last_t);
                    phi * last + (1.0 - phi * phi).sqrt() * fresh
                }
            };
            unit_noise = Some((t, unit));
            let clean = gain * level + zero;
            range = self.range_at(range, clean.abs());
            let (resolution_a, noise_a) = match p.ranges.get(range) {
                Some(range) => (Some(range.resolution_a), range.noise_a),
                None => (p.resolution_a, p.noise_a),
            };
            let mut reading = clean + noise_a.hypot(p.noise_share_of_level * level) * unit;
            // All three are drawn every time, so that more spikes keep those that were there.
            let (luck, size, sign): (f64, f64, bool) =
                (spikes.random(), spikes.random(), spikes.random());
            if luck < spike_chance {
                reading += p.spike_a * (0.5 + 0.5 * size) * if sign { 1.0 } else { -1.0 };
                log.spikes.push(i);
            }
            let over = p.overload_above_a.is_some_and(|limit| reading.abs() > limit);
            log.readings.push(if over {
                Reading::Overload
            } else {
                Reading::Amperes(resolution_a.map_or(reading, |q| (reading / q).round() * q))
            });
            log.true_a.push(true_a(t));
            log.zero_a.push(zero);
        }
        log
    }

    /// Amplitude, angular rate and phase of each sine of the wander.
    fn wander(&self, seed: u64) -> Vec<(f64, f64, f64)> {
        let mut rng = stream(seed, Stream::Wander);
        let sines = WANDER.iter().map(|(relative, share)| {
            let amplitude = self.0.zero_wander_a * (2.0 * share).sqrt();
            (amplitude, TAU / (relative * self.0.zero_wander_period_s), TAU * rng.random::<f64>())
        });
        sines.filter(|(amplitude, ..)| *amplitude > 0.0).collect()
    }

    fn correlation_over(&self, dt_s: f64) -> f64 {
        let (phi, steps) = (self.0.lag1_autocorrelation, dt_s / self.0.interval_s);
        if (steps - 1.0).abs() < 1e-9 { phi } else { phi.powf(steps) }
    }

    fn range_at(&self, mut range: usize, magnitude_a: f64) -> usize {
        let ranges = &self.0.ranges;
        while range + 1 < ranges.len() && magnitude_a > ranges[range].up_to_a {
            range += 1;
        }
        while range > 0 && magnitude_a < RANGE_HYSTERESIS * ranges[range - 1].up_to_a {
            range -= 1;
        }
        range
    }

    fn window_mean(&self, t: f64, true_a: &impl Fn(f64) -> f64) -> f64 {
        if self.0.averaging_s == 0.0 {
            return true_a(t);
        }
        let step = self.0.averaging_s / WINDOW_POINTS as f64;
        let points = (0..WINDOW_POINTS).map(|k| true_a(t - (k as f64 + 0.5) * step));
        points.sum::<f64>() / WINDOW_POINTS as f64
    }
}

#[cfg(test)]
mod tests {
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
        let p =
            MeterParameters { noise_a: 0.003, noise_share_of_level: 0.004, ..Default::default() };
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
        let p = MeterParameters {
            zero_wander_a: 0.005,
            zero_wander_period_s: 600.0,
            ..Default::default()
        };
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
        assert_eq!(
            key(MeterParameters { time_jitter_s: 0.5, ..Default::default() }),
            "time_jitter_s"
        );
        let ranges = vec![
            MeterRange { up_to_a: 1.0, resolution_a: 0.1, noise_a: 0.0 },
            MeterRange { up_to_a: 0.5, resolution_a: 0.1, noise_a: 0.0 },
        ];
        let fault = MeterParameters { ranges, ..Default::default() }.check().unwrap_err();
        assert_eq!((fault.key, fault.index), ("up_to_a", Some(1)));
    }
}
