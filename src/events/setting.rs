//! One clock by another, and how a person's times lie about their steps.

use std::f64::consts::TAU;

use super::evidence::{Line, Mark};
use crate::numeric::normal_cdf;

/// Share of times that were written down much later, or before.
const CARELESS: f64 = 0.05;
/// Largest lateness that is taken off, seconds.
const MOST_LATENESS_S: f64 = 1.25;
/// Mean lateness over its spread.
const LATENESS_TO_SPREAD: f64 = 1.4;

/// How one clock goes by the other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Setting {
    pub(super) offset_s: f64,
    pub(super) drift_s_per_h: f64,
    /// Spread of a person's times, seconds.
    pub(super) spread_s: f64,
    /// −1 when the clamp sat the other way round.
    pub(super) turn: f64,
}

impl Setting {
    pub(super) fn capture_time(&self, listed_s: f64) -> f64 {
        listed_s + self.offset_s + self.drift_s_per_h * listed_s / 3600.0
    }

    /// Mean lateness that a spread speaks of: people note what they did, not what they will do,
    /// and lateness of spread `s` has a mean of `√3·s` (level from 0) or `s` (exponential). A value
    /// between is taken, at most 1¼ s: not everybody's seconds are late.
    pub(super) fn lateness_s(&self) -> f64 {
        (LATENESS_TO_SPREAD * self.spread_s).min(MOST_LATENESS_S)
    }

    /// How far a step lies from where its line says, lateness and rounding taken off, in spreads.
    pub(super) fn strangeness(&self, mark: &Mark, line: &Line) -> f64 {
        let from_s = (mark.time_s - self.capture_time(line.listed_s) + self.lateness_s()).abs();
        // A person's spread of nothing is luck.
        let least_s = if self.spread_s > 0.3 { 0.9 } else { 0.0 };
        let spread_s = self.spread_s.max(least_s).hypot(mark.time_sd_s);
        (from_s - 0.5 * line.rounding_s).max(0.0) / spread_s
    }

    /// Log density of `residual = step − capture time of the line`, per second.
    pub(super) fn ln_density(&self, residual_s: f64, rounding_s: f64, step_sd_s: f64) -> f64 {
        let sd = self.spread_s.hypot(step_sd_s);
        let from = residual_s + self.lateness_s();
        let normal = |x: f64, sd: f64| (-0.5 * (x / sd).powi(2)).exp() / (sd * TAU.sqrt());
        let careful = if rounding_s < 0.3 * sd {
            normal(from, sd.hypot(rounding_s / 12f64.sqrt()))
        } else {
            let half = 0.5 * rounding_s;
            (normal_cdf((from + half) / sd) - normal_cdf((from - half) / sd)) / rounding_s
        };
        let careless = normal(from, (6.0 * sd).hypot(0.5 * rounding_s));
        ((1.0 - CARELESS) * careful + CARELESS * careless).ln()
    }

    pub(super) fn reach_s(&self, rounding_s: f64, step_sd_s: f64) -> f64 {
        let sd = self.spread_s.hypot(step_sd_s);
        0.5 * rounding_s + 4.0 * (6.0 * sd).hypot(0.5 * rounding_s).min(8.0 * sd + rounding_s)
    }
}
