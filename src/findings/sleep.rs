//! The sleep behaviour of what hangs on the lead.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::analysis::{Span, Verdict};

/// How the capture sleeps, wakes and fails to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SleepFindings {
    /// Sleep floor, zero removed, ampere.
    pub floor_a: f64,
    /// Its combined standard uncertainty, ampere; without the zero where no zero check was made.
    pub floor_standard_uncertainty_a: f64,
    /// Its expanded uncertainty, about 95 %, ampere.
    pub floor_expanded_uncertainty_a: f64,
    /// The levels that it kept to one after another, where it stepped; empty where it is one.
    #[serde(default)]
    pub floor_levels: Vec<FloorLevel>,
    /// Standard deviation of one reading at the floor, ampere.
    #[serde(default)]
    pub floor_noise_a: f64,
    /// Time and charge at the floor.
    pub asleep: SleepShare,
    /// Time and charge of the wakes.
    pub waking: SleepShare,
    /// Time and charge of everything longer than a wake.
    pub awake: SleepShare,
    /// Every time it fell asleep after being awake.
    pub falls_asleep: Vec<FallAsleep>,
    /// Median of their durations, seconds; `None` when it never did.
    pub time_to_sleep_s: Option<f64>,
    /// Longest of their durations, seconds.
    pub longest_time_to_sleep_s: Option<f64>,
    /// Every wake, those while another load stands on among them.
    pub wakes: Vec<Wake>,
    /// Wakes that belong together, told apart by their charge; most frequent first.
    pub series: Vec<WakeSeries>,
    /// Stretches awake that nobody switched on and that last far longer than a wake.
    pub failures: Vec<FailureToSleep>,
    /// Every stretch that counts as awake, the failures among them, in order.
    #[serde(default)]
    pub awake_stretches: Vec<Span>,
    /// Whether the floor creeps.
    pub creep: Creep,
    /// Against the job sheet's limits on sleep.
    pub verdicts: Vec<SleepVerdict>,
    /// What the sampling rate cannot see.
    pub unseen: String,
}

/// A share of the capture.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
pub struct SleepShare {
    /// Time, seconds; the most it can be where `least_time_s` is given.
    pub time_s: f64,
    /// The least it can be where the sampling rate cannot see how long the wakes are, seconds.
    #[serde(default)]
    pub least_time_s: Option<f64>,
    /// Share of the time the equipment was powered.
    pub share_of_time: f64,
    /// The least it can be, likewise.
    #[serde(default)]
    pub least_share_of_time: Option<f64>,
    /// Charge, zero removed, ampere-hours.
    pub charge_ah: f64,
    /// Share of the charge the equipment drew.
    pub share_of_charge: f64,
}

/// A level that the sleep floor kept to, between two steps.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FloorLevel {
    /// First moment known to be at it, seconds.
    pub start_s: f64,
    /// Last moment known to be at it, seconds.
    pub end_s: f64,
    /// Level, zero removed, ampere.
    pub level_a: f64,
    /// Its expanded uncertainty, about 95 %, ampere.
    pub expanded_uncertainty_a: f64,
}

/// Falling asleep once.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FallAsleep {
    /// Last activity: the last listed event or rise of the current before, seconds.
    pub last_activity_s: f64,
    /// First moment at the floor, seconds.
    pub asleep_s: f64,
    /// Time between, seconds; the middle of what it may be where a gap hides either moment.
    pub took_s: f64,
    /// Least that it can be then, seconds.
    #[serde(default)]
    pub least_s: Option<f64>,
    /// Most that it can be then, seconds.
    #[serde(default)]
    pub most_s: Option<f64>,
}

/// One wake.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Wake {
    /// Start, seconds.
    pub start_s: f64,
    /// Width, seconds.
    pub width_s: f64,
    /// Highest reading, zero removed and less what stands on beside it, ampere.
    pub peak_a: f64,
    /// Charge above the level on either side, ampere-hours.
    pub charge_ah: f64,
    /// Index into `series`.
    pub series: Option<usize>,
    /// True when a wake of another rhythm lies within or beside it: its charge is that of both.
    #[serde(default)]
    pub met: bool,
}

/// Wakes of one kind.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WakeSeries {
    /// How many.
    pub count: u64,
    /// Time between starts, seconds: mean of the intervals of one period where they keep a
    /// rhythm, else the median; `None` for a single one.
    pub period_s: Option<f64>,
    /// Standard deviation of those intervals, seconds; no less than momentary readings can tell where they keep a rhythm.
    pub jitter_s: Option<f64>,
    /// True when much of `jitter_s` may be the sampling's own: the wakes keep their rhythm better, or as badly at most.
    #[serde(default)]
    pub jitter_at_most: bool,
    /// True when the starts keep a rhythm.
    pub regular: bool,
    /// Where they keep none one by one but in groups.
    #[serde(default)]
    pub groups: Option<WakeGroups>,
    /// Wakes missing from the rhythm.
    pub skipped: u64,
    /// Wakes of the rhythm that lie within or beside a wake of another, and are not counted.
    #[serde(default)]
    pub met: u64,
    /// Median width, seconds; the most it can be where `width_at_most` is set.
    pub width_s: f64,
    /// True when the sampling rate cannot see how long they are.
    #[serde(default)]
    pub width_at_most: bool,
    /// Median highest reading, ampere.
    pub peak_a: f64,
    /// Mean charge of one above the floor, of those that no other touches, ampere-hours.
    pub charge_each_ah: f64,
}

/// Wakes close together, such as slots of a schedule or tries to reach somebody, and the groups' rhythm.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WakeGroups {
    /// How many groups.
    pub count: u64,
    /// Wakes in the smallest of them.
    pub least: u64,
    /// Wakes in the largest.
    pub most: u64,
    /// Time from the first wake of one to that of the next, seconds.
    pub period_s: f64,
    /// Standard deviation of that, seconds.
    pub jitter_s: Option<f64>,
    /// Middle time between the starts of neighbours in a group, seconds.
    pub apart_s: f64,
}

/// Not falling asleep when it should have.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FailureToSleep {
    /// Start, seconds.
    pub start_s: f64,
    /// End, seconds.
    pub end_s: f64,
    /// Mean above the floor, ampere.
    pub above_floor_a: f64,
    /// Charge it cost above the floor, wakes in it left out, ampere-hours.
    pub charge_ah: f64,
}

/// Whether the sleep floor creeps.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Creep {
    /// Slope of the floor, zero removed, ampere an hour; `None` with fewer than three stretches.
    pub slope_a_per_h: Option<f64>,
    /// Its standard uncertainty, the zero's wander between two checks included, ampere an hour.
    pub standard_uncertainty_a_per_h: Option<f64>,
    /// The answer.
    pub answer: CreepAnswer,
    /// The same in words.
    pub text: String,
}

/// Whether the sleep floor creeps.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum CreepAnswer {
    /// No slope beyond its uncertainty, the zero being held by two checks.
    Steady,
    /// The equipment's draw changes.
    Creeps,
    /// The meter's zero may have moved as much: it was not checked twice, or it wanders.
    Undecidable,
}

/// A figure of sleep against its limit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SleepVerdict {
    /// Key of the limit in the job sheet.
    pub limit_name: String,
    /// Value found, in `si_unit`; the middle where only bounds are known.
    pub value: f64,
    /// Its standard uncertainty.
    pub standard_uncertainty: f64,
    /// Least that it can be, where the sampling rate leaves only bounds.
    #[serde(default)]
    pub least: Option<f64>,
    /// Most that it can be, likewise.
    #[serde(default)]
    pub most: Option<f64>,
    /// Limit, in `si_unit`.
    pub limit: f64,
    /// Unit symbol: A, s, Ah, or 1 for a share.
    pub si_unit: String,
    /// The verdict.
    pub verdict: Verdict,
    /// Probability that the true value lies within the limit.
    pub conformance_probability: f64,
}
