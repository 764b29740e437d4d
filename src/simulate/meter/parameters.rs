//! A meter as described, and the checks it must pass.

use serde::{Deserialize, Serialize};

use super::{LARGEST, Meter};

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
