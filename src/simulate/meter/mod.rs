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

mod parameters;
#[cfg(test)]
mod tests;

pub use parameters::{LoggingGap, MeterFault, MeterParameters, MeterRange};

use std::f64::consts::TAU;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::capture::{Samples, TimeAxis};

/// Coming down, an autoranging meter changes range this far below the lower range's end.
const RANGE_HYSTERESIS: f64 = 0.9;
/// No current, time or rate of a meter is larger; keeps sums and the text they become finite.
pub(super) const LARGEST: f64 = 1e12;
/// Points that an averaging meter's window is evaluated at, where its mean is not known.
const WINDOW_POINTS: usize = 16;
/// Periods of the wander relative to the slowest, and their shares of its variance.
const WANDER: [(f64, f64); 4] = [(1.0, 0.60), (0.618, 0.25), (0.382, 0.10), (0.236, 0.05)];

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
    /// `averaging_s` before `t` (of evenly spaced points); `w` a sum of four sines of random phase; `e` unit AR(1) noise with
    /// correlation `φ^(Δt / interval_s)` between samples `Δt` apart; and
    /// `σ² = noise_a² + (noise_share_of_level ī)²`.
    ///
    /// The same seed gives the same log on every machine and thread count: ChaCha8 (portable) and
    /// the ziggurat normal of `rand_distr`; what a platform's `sin` or `powf` may change, the last
    /// bit, does not survive the rounding to the meter's resolution. O(n).
    pub fn log(&self, duration_s: f64, true_a: impl Fn(f64) -> f64, seed: u64) -> MeterLog {
        let mean_a = |from_s: f64, to_s: f64| {
            let step_s = (to_s - from_s) / WINDOW_POINTS as f64;
            let points = (0..WINDOW_POINTS).map(|k| true_a(from_s + (k as f64 + 0.5) * step_s));
            points.sum::<f64>() / WINDOW_POINTS as f64
        };
        self.log_with(duration_s, &true_a, mean_a, seed)
    }

    /// [`Self::log`] of a current whose mean between two moments is known.
    pub(super) fn log_with(
        &self,
        duration_s: f64,
        true_a: impl Fn(f64) -> f64,
        mean_a: impl Fn(f64, f64) -> f64,
        seed: u64,
    ) -> MeterLog {
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
            let level = match p.averaging_s {
                0.0 => true_a(t),
                window_s => mean_a(t - window_s, t),
            };
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
}
