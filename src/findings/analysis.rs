//! The document of `analyze`, and its parts that `inspect` prints alone.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::battery::Budget;
use super::sleep::SleepFindings;

/// Value of [`Findings::schema`].
pub const RESULT_SCHEMA: &str = "ebbmark.result/1";

/// Everything one capture told.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Findings {
    /// `"ebbmark.result/1"`.
    pub schema: String,
    /// The answer in one or two plain sentences.
    pub headline: String,
    /// Name of the site as the job sheet gives it.
    pub site: Option<String>,
    /// Supply voltage at the site, volt.
    pub supply_voltage_v: Option<f64>,
    /// How the file was read.
    pub capture: CaptureFacts,
    /// The meter's noise as found in this capture.
    pub noise: Noise,
    /// The capture cut into stretches, in order, none overlapping.
    pub segments: Vec<SegmentRow>,
    /// Sharp changes of level, in order.
    pub steps: Vec<StepRow>,
    /// The user's list, line by line.
    pub events: Vec<EventRow>,
    /// How the list's clock stands to the capture's; `None` without an event list.
    pub clock: Option<ClockRow>,
    /// Whether the meter's zero is to be believed.
    pub zero: ZeroFacts,
    /// Draw and verdict, one row a load and state.
    pub loads: Vec<LoadRow>,
    /// How long each load was in each state, in the order of `loads`.
    pub duty: Vec<DutyRow>,
    /// Draw with every listed load off, zero removed, ampere; `None` when that never happened.
    pub base_a: Option<f64>,
    /// Levels that the capture visits, lowest mean first.
    pub states: Vec<StateRow>,
    /// Repeated short bursts above the lowest state; `None` when there are none.
    pub wakes: Option<Wakes>,
    /// Sleep behaviour; `None` when nothing on the lead sleeps.
    pub sleep: Option<SleepFindings>,
    /// Stretches of draw that no line of the event list explains, largest charge first.
    pub unexplained: Vec<Unexplained>,
    /// Charge and extremes of the whole capture.
    #[serde(flatten)]
    pub totals: Totals,
    /// Ampere-hours a day and runtime; `None` without a battery in the job sheet.
    pub budget: Option<Budget>,
    /// What to measure next, most useful first.
    pub advice: Vec<Advice>,
    /// What a reader must know before relying on the figures.
    pub cautions: Vec<Caution>,
}

/// The document of `inspect`: the reading alone, before any segmentation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct InspectFindings {
    /// `"ebbmark.inspect/1"`.
    pub schema: String,
    /// How the file was read.
    pub capture: CaptureFacts,
    /// Charge and extremes of the whole capture.
    #[serde(flatten)]
    pub totals: Totals,
    /// What a reader must know before relying on the figures.
    pub cautions: Vec<Caution>,
}

/// How a capture was read and what the reader decided.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CaptureFacts {
    /// File name as given; `-` for standard input.
    pub file: String,
    /// Finite readings kept.
    pub samples: u64,
    /// Local time of the first sample (RFC 3339; with an offset only where the file states one).
    pub start: Option<String>,
    /// Last sample's time less the first's, seconds.
    pub duration_s: f64,
    /// Median time between samples, seconds; `None` for a single sample.
    pub sampling_interval_s: Option<f64>,
    /// Header of the column read as current.
    pub current_column: String,
    /// Unit the column was in before conversion to ampere.
    pub unit: String,
    /// Smallest step the readings are rounded to, ampere; `None` when none shows.
    pub resolution_a: Option<f64>,
    /// Cells that said overload or over range.
    pub overload_samples: u64,
    /// Rows that could not be read as time and current.
    pub unreadable_rows: u64,
    /// Stretches without samples.
    pub gaps: Vec<Span>,
    /// Every choice the reader made, and why.
    pub decisions: Vec<Decision>,
}

/// A stretch of time, seconds from the first sample.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Span {
    /// First moment.
    pub start_s: f64,
    /// Last moment.
    pub end_s: f64,
}

impl Span {
    /// Length in seconds.
    pub fn length_s(&self) -> f64 {
        self.end_s - self.start_s
    }
}

/// One choice of the reader.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Decision {
    /// What had to be decided: `encoding`, `delimiter`, `decimal mark`, `header`, `time column`, …
    pub what: String,
    /// What was chosen.
    pub chosen: String,
    /// Why.
    pub why: String,
    /// The option that overrules the choice, ready to type; `None` when there is none.
    pub option: Option<String>,
}

/// The meter's noise.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Noise {
    /// Standard deviation of one reading about its steady level, at the capture's commonest level, ampere.
    pub sigma_a: f64,
    /// Correlation of neighbouring readings.
    pub lag1_autocorrelation: f64,
    /// Single readings set aside as spikes.
    pub spikes: u64,
    /// Noise against level, lowest level first.
    pub by_level: Vec<NoiseAtLevel>,
}

/// Noise near one level of current.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct NoiseAtLevel {
    /// Level, ampere.
    pub level_a: f64,
    /// Standard deviation of one reading, ampere.
    pub sigma_a: f64,
}

/// What a stretch between two boundaries is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum SegmentKind {
    /// A level that holds.
    Steady,
    /// Settling or ramping.
    Transient,
    /// A short excursion that returns to the level it left.
    Burst,
}

/// One stretch of the capture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SegmentRow {
    /// First sample's time, seconds from the capture's first sample.
    pub start_s: f64,
    /// Time at which the next stretch starts (or the last sample's time).
    pub end_s: f64,
    /// Readings in it.
    pub samples: u64,
    /// Mean current, zero removed, ampere.
    pub mean_a: f64,
    /// Standard deviation of one reading, ampere.
    pub noise_a: f64,
    /// Type A standard uncertainty of the mean, ampere (GUM 4.2, effective sample size).
    pub standard_uncertainty_a: f64,
    /// Steady, transient or burst.
    pub kind: SegmentKind,
    /// Index into `states`; `None` for a stretch that is no steady state.
    pub state: Option<usize>,
    /// Distance of this visit to its state from the capture's other visits to it, in standard
    /// uncertainties of that distance, positive for more draw; `None` for the only visit.
    pub anomaly_score: Option<f64>,
}

/// One sharp change of level.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct StepRow {
    /// Time of the first sample at the new level, seconds from the first sample.
    pub time_s: f64,
    /// Earliest credible time (95 %).
    pub time_low_s: f64,
    /// Latest credible time (95 %).
    pub time_high_s: f64,
    /// Change of level, ampere; positive is more draw.
    pub delta_a: f64,
    /// Standard uncertainty of `delta_a`, ampere.
    pub standard_uncertainty_a: f64,
    /// Index into `events`; `None` when no line explains the step.
    pub event: Option<usize>,
    /// How sure: see the method page for the definition and its calibration.
    pub score: f64,
    /// Load and state that was entered here without a line: what a load did by itself.
    pub by_itself: Option<String>,
    /// Distance of the jump from the change of the draws that its line, or the load by itself, stands
    /// for, in standard uncertainties of that distance, positive for more draw; `None` beside a
    /// stretch that is not steady.
    pub anomaly_score: Option<f64>,
}

/// One line of the event list.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct EventRow {
    /// Line number in the event list file.
    pub row: u64,
    /// Load as listed.
    pub load: String,
    /// State as listed.
    pub state: String,
    /// Listed time on the list's own clock, seconds from the first sample.
    pub listed_s: f64,
    /// `listed_s` moved to the capture's clock.
    pub aligned_s: f64,
    /// Index into `steps`; `None` when nothing was seen.
    pub step: Option<usize>,
}

/// How the event list's clock stands to the capture's: `listed + offset = capture time`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ClockRow {
    /// Seconds to add to a listed time.
    pub offset_s: f64,
    /// Standard uncertainty of the offset, seconds.
    pub standard_uncertainty_s: f64,
    /// Drift of the list's clock, seconds an hour; `None` when the list is too short to tell.
    pub drift_s_per_h: Option<f64>,
    /// Other offsets that fit nearly as well, seconds; empty when the answer is unique.
    pub rival_offsets_s: Vec<f64>,
}

/// Whether the meter's zero is to be believed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ZeroFacts {
    /// The zero checks, in order.
    pub checks: Vec<ZeroCheck>,
    /// Zero removed from the readings at the capture's start, ampere; `None` without a check.
    pub offset_a: Option<f64>,
    /// Drift of the zero, ampere an hour; `None` when the checks cannot tell.
    pub drift_a_per_h: Option<f64>,
    /// True when at least one check was made and all lie within tolerance.
    pub trusted: bool,
    /// To how many ampere the level of this capture can be trusted (about 95 %).
    pub trusted_to_a: Option<f64>,
    /// Charge over the capture with the zero removed, ampere-hours; `None` without a check.
    pub net_charge_ah: Option<f64>,
    /// Its expanded uncertainty (about 95 %), from the zero and the meter's stated accuracy,
    /// ampere-hours.
    #[serde(default)]
    pub net_charge_expanded_uncertainty_ah: Option<f64>,
    /// That charge over the time it was measured in, ampere.
    pub net_mean_a: Option<f64>,
    /// The plain answer: is the meter to be believed, and what is missing.
    pub answer: String,
}

/// One zero check.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ZeroCheck {
    /// Middle of the check, seconds from the first sample.
    pub time_s: f64,
    /// Reading as the meter showed it, before the zero was removed, ampere.
    pub reading_a: f64,
    /// What is left after the zero model is removed, ampere.
    pub residual_a: f64,
    /// Whether the raw reading lies within the meter's zero return tolerance.
    pub within_tolerance: bool,
    /// True when the event list names the check, false when it was found in the readings.
    pub listed: bool,
}

/// Conformity of a draw with its limit (JCGM 106:2012).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Within its limits at the accepted risk.
    Conforming,
    /// Outside its limits at the accepted risk.
    NonConforming,
    /// The uncertainty spans a limit.
    Indeterminate,
    /// The job sheet gives no limit.
    NoLimit,
}

/// How a load's current follows the supply voltage.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum LoadBehaviour {
    /// Switching supply: I ∝ 1/V.
    ConstantPower,
    /// Linear regulator: I does not follow V.
    ConstantCurrent,
    /// Heater, lamp, resistor: I ∝ V.
    Resistive,
}

/// Draw of one load in one state.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LoadRow {
    /// Load.
    pub load: String,
    /// State.
    pub state: String,
    /// Draw above the load switched off, ampere; for loads that cannot be told apart, their sum.
    pub draw_a: f64,
    /// Combined standard uncertainty, ampere.
    pub standard_uncertainty_a: f64,
    /// Expanded uncertainty, about 95 %, ampere.
    pub expanded_uncertainty_a: f64,
    /// Student factor between the two.
    pub coverage_factor: f64,
    /// Steady states that tell of it.
    pub observations: u64,
    /// False when the loads in `inseparable_from` were always switched with it.
    pub separable: bool,
    /// Loads whose sum with this one is what `draw_a` gives.
    pub inseparable_from: Vec<String>,
    /// Specified current carried to the site's voltage, ampere.
    pub specified_a: Option<f64>,
    /// Lower limit at the site's voltage, ampere.
    pub limit_low_a: Option<f64>,
    /// Upper limit at the site's voltage, ampere.
    pub limit_high_a: Option<f64>,
    /// Specified current as the data sheet gives it.
    pub listed_specified_a: Option<f64>,
    /// Voltage at which it was specified, volt.
    pub listed_at_voltage_v: Option<f64>,
    /// Behaviour assumed to carry it.
    pub behaves_as: Option<LoadBehaviour>,
    /// The verdict.
    pub verdict: Verdict,
    /// Probability that the true draw lies within the limits.
    pub conformance_probability: Option<f64>,
    /// Guard band used on each limit, ampere.
    pub guard_band_a: Option<f64>,
    /// Distance from the limit or from its own repeats in standard uncertainties, signed.
    pub anomaly_score: Option<f64>,
    /// Itemised uncertainty.
    pub uncertainty_budget: Vec<UncertaintyItem>,
    /// What would decide an indeterminate verdict.
    pub to_decide: Option<String>,
}

/// Time that one load spent in one state.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DutyRow {
    /// Load.
    pub load: String,
    /// State.
    pub state: String,
    /// Time in it, gaps left out, seconds.
    pub time_s: f64,
    /// Charge it drew in that time, ampere-hours; of its whole group when not separable.
    pub charge_ah: f64,
}

/// Type of an uncertainty component (GUM 3.3.4).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum EvaluationType {
    /// By statistics of repeated readings.
    A,
    /// By other means.
    B,
}

/// One line of an uncertainty budget.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct UncertaintyItem {
    /// Where it comes from.
    pub source: String,
    /// Type A or B.
    pub evaluation: EvaluationType,
    /// Distribution: `normal`, `rectangular`, `Student`.
    pub distribution: String,
    /// Standard uncertainty of the draw from this source, ampere.
    pub standard_uncertainty_a: f64,
    /// Degrees of freedom; `None` for infinitely many.
    pub degrees_of_freedom: Option<f64>,
    /// Share of the combined variance, 0 to 1.
    pub share: f64,
    /// What has this error in common: it adds up within it, and cancels in its differences.
    pub common_to: CommonTo,
}

/// What has one and the same error in common (GUM 5.2.4, correlated input quantities).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum CommonTo {
    /// This draw alone: noise, rounding.
    Draw,
    /// Every draw of the capture: its zero and drift.
    Capture,
    /// Everything the meter reads on that range: its gain.
    Meter,
}

/// One level that the capture visits.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct StateRow {
    /// Index that `segments[].state` refers to.
    pub id: usize,
    /// Mean current, zero removed, ampere.
    pub mean_a: f64,
    /// Standard deviation of one reading, ampere.
    pub noise_a: f64,
    /// Time spent in it, seconds.
    pub time_s: f64,
    /// Share of the capture's time.
    pub share_of_time: f64,
    /// Charge drawn in it, ampere-hours.
    pub charge_ah: f64,
}

/// Repeated short bursts above the sleep floor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Wakes {
    /// How many.
    pub count: u64,
    /// Median time between starts, seconds; `None` for a single wake.
    pub period_s: Option<f64>,
    /// Standard deviation of the period, seconds.
    pub period_sd_s: Option<f64>,
    /// Median width, seconds.
    pub width_s: f64,
    /// Median highest reading, ampere.
    pub peak_a: f64,
    /// Mean charge of one wake above the sleep floor, ampere-hours.
    pub charge_each_ah: f64,
    /// Share of the capture's charge.
    pub share_of_charge: f64,
}

/// A stretch of draw that no line explains.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Unexplained {
    /// Start, seconds from the first sample.
    pub start_s: f64,
    /// End, seconds from the first sample.
    pub end_s: f64,
    /// Draw above what the event list accounts for, ampere.
    pub delta_a: f64,
    /// Charge it cost, ampere-hours.
    pub charge_ah: f64,
}

/// Charge and extremes of a capture as the meter gave it, its zero included; what is left without
/// the zero is `net_charge_ah` and `net_mean_a` of [`ZeroFacts`].
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Totals {
    /// Trapezoid charge of the readings as the meter gave them, gaps bridged by nothing, ampere-hours.
    pub charge_ah: f64,
    /// Charge over the time it was measured in, ampere.
    pub mean_a: f64,
    /// Plain mean of the samples, ampere: differs from `mean_a` where the rate changes.
    pub sample_mean_a: f64,
    /// Lowest reading, ampere.
    pub minimum_a: f64,
    /// Highest reading, ampere.
    pub maximum_a: f64,
}

/// What to measure next.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Advice {
    /// What to do.
    pub what: String,
    /// What it would settle.
    pub why: String,
}

/// What a reader must know before relying on the figures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Caution {
    /// Stable short name, for programs.
    pub code: String,
    /// The caution in words.
    pub text: String,
}

impl Caution {
    /// A caution with `code` and `text`, made a sentence: a capital first, a full stop last.
    pub fn new(code: &str, text: impl Into<String>) -> Self {
        let text: String = text.into();
        let mut sentence = text.trim().to_owned();
        // A file's name or a unit stays as it is written.
        let is_word = sentence
            .split_whitespace()
            .next()
            .is_some_and(|word| word.chars().all(|c| c.is_ascii_lowercase() || c == ','));
        if is_word {
            sentence[..1].make_ascii_uppercase();
        }
        if !sentence.ends_with(['.', '!', '?']) {
            sentence.push('.');
        }
        Self { code: code.to_owned(), text: sentence }
    }
}
