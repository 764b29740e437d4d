//! What was true in a simulated capture: the document written beside it.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Value of [`Truth::schema`].
pub const TRUTH_SCHEMA: &str = "ebbmark.truth/1";

/// What was true, capture by capture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Truth {
    /// `"ebbmark.truth/1"`.
    pub schema: String,
    /// Name of the scenario.
    pub scenario: String,
    /// Seed it was run with.
    pub seed: u64,
    /// One entry a capture.
    pub captures: Vec<CaptureTruth>,
    /// Every deed, and what was written of it.
    pub lines: Vec<TrueLine>,
}

/// What was true in one capture. Times count from its first sample, currents are in ampere,
/// charges in ampere-hours; numbers carry nine digits.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CaptureTruth {
    /// Its file.
    pub file: String,
    /// What this unit does unlike the others.
    pub odd: Option<String>,
    /// Rows in the file.
    pub samples: u64,
    /// Time of the last sample.
    pub duration_s: f64,
    /// Seconds to add to a listed time for the capture's, lateness and rounding aside;
    /// `None` without a person.
    pub clock_offset_s: Option<f64>,
    /// How fast that grows, seconds an hour.
    pub clock_drift_s_per_h: Option<f64>,
    /// Error of the meter's slope, percent.
    pub gain_error_percent: f64,
    /// The meter's zero at the first sample, in every zero check and at the last sample.
    pub zero: Vec<TrueZero>,
    /// Charge that went through the lead.
    pub charge_ah: f64,
    /// That charge over the duration.
    pub mean_a: f64,
    /// Each load in each state it was in.
    pub loads: Vec<TrueLoad>,
    /// Every sharp change of the current, wakes aside, in order.
    pub steps: Vec<TrueStep>,
    /// Stretches between them, wakes included in the mean.
    pub levels: Vec<TrueLevel>,
    /// Repeated bursts, one entry a load and state.
    pub wakes: Vec<TrueWakes>,
    /// Times of single-sample spikes.
    pub spikes_s: Vec<f64>,
}

/// The meter's zero at a moment.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TrueZero {
    /// When.
    pub time_s: f64,
    /// What the meter showed at no current, noise and rounding aside.
    pub zero_a: f64,
}

/// A load in a state.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TrueLoad {
    /// Load.
    pub load: String,
    /// State.
    pub state: String,
    /// Settled draw, wakes aside.
    pub draw_a: f64,
    /// Time in the state.
    pub time_s: f64,
    /// Charge drawn in it, wakes included.
    pub charge_ah: f64,
}

/// A sharp change.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TrueStep {
    /// When.
    pub time_s: f64,
    /// Jump at that moment, positive for more draw.
    pub delta_a: f64,
    /// Load, or `zero` where the clamp left or came back to the lead.
    pub load: String,
    /// State it went to, or `off`.
    pub state: String,
    /// True when the event list has a line for it.
    pub listed: bool,
}

/// A stretch without sharp changes other than wakes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TrueLevel {
    /// From.
    pub start_s: f64,
    /// To.
    pub end_s: f64,
    /// Mean current through the lead.
    pub mean_a: f64,
}

/// Repeated bursts of one load in one state.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TrueWakes {
    /// Load.
    pub load: String,
    /// State.
    pub state: String,
    /// How many.
    pub count: u64,
    /// Median time between starts; `None` for a single one.
    pub period_s: Option<f64>,
    /// Mean width.
    pub width_s: f64,
    /// Mean height above the state's draw.
    pub above_a: f64,
    /// Mean charge of one above the state's draw.
    pub charge_each_ah: f64,
    /// When each began.
    pub starts_s: Vec<f64>,
}

/// Something that was done, and what was written of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TrueLine {
    /// Line number in the event list; `None` when nothing was written.
    pub row: Option<u64>,
    /// Load.
    pub load: String,
    /// State.
    pub state: String,
    /// When it was done, on the capture's clock.
    pub true_s: f64,
    /// The time as written.
    pub written: Option<String>,
}
