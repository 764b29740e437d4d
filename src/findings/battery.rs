//! The battery's part of the result, and the documents of `budget`, `compare` and `scale`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::analysis::{Caution, LoadBehaviour, Verdict};

/// What the battery has to carry and how long it does.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Budget {
    /// Ampere-hours a day.
    pub ah_per_day: f64,
    /// Expanded uncertainty of `ah_per_day`, about 95 %; `None` when no draw carries its doubt.
    pub expanded_uncertainty_ah_per_day: Option<f64>,
    /// How long a sound battery carries it without sun, hours; `None` when the draw is not positive.
    pub runtime_h: Option<f64>,
    /// Lower bound, about 95 %, hours.
    pub runtime_low_h: Option<f64>,
    /// Upper bound, about 95 %, hours; `None` also when the draw may be nil.
    pub runtime_high_h: Option<f64>,
    /// `runtime_h` in days: how long the site lasts without any charge coming in.
    pub autonomy_days: Option<f64>,
    /// Charge that a sound battery gives up to the runtime's end, ampere-hours; `None` without a battery.
    pub usable_capacity_ah: Option<f64>,
    /// By load and state, largest first.
    pub by_load: Vec<BudgetShare>,
    /// Everything that was multiplied in, with where it came from.
    pub factors: Vec<Factor>,
    /// What the sun brings against what the site draws; `None` without a panel in the job sheet.
    pub solar: Option<SolarBalance>,
    /// Days after which the battery was complained of.
    pub complaint_days: Option<f64>,
    /// What the draw says of the complaint.
    pub case: BatteryCase,
    /// The same in plain words.
    pub conclusion: String,
    /// What would change without a load, or with it repaired; most gained first.
    pub what_if: Vec<WhatIf>,
    /// What a reader must know before relying on the figures.
    pub cautions: Vec<Caution>,
}

/// What the draw says of a battery that was complained of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum BatteryCase {
    /// A sound battery would have lasted no longer: the draw explains the complaint.
    DrawExplains,
    /// A sound battery would have lasted longer: it must be tested.
    TestBattery,
    /// A sound battery would have lasted longer, but most of the draw is specified and not
    /// measured: a load may draw more than it should.
    MeasureFirst,
    /// The bounds of the runtime span the complaint: the draw may or may not explain it.
    Undecided,
    /// The battery lasted longer than a sound one can at this draw: a figure given is wrong.
    Contradiction,
    /// The draw is that of a capture too short to hold a day's habits, with no loads told apart.
    TooShort,
    /// Nothing to compare with: no complaint, no battery or no draw.
    NoComplaint,
}

/// One load's share of the daily charge.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BudgetShare {
    /// Load.
    pub load: String,
    /// Its state; `None` for draw that belongs to no state of a load.
    pub state: Option<String>,
    /// Draw in that state, ampere; the mean over its hours where it has no single level.
    pub draw_a: f64,
    /// Hours a day in that state.
    pub hours_per_day: f64,
    /// Where the draw comes from: measured, or the job sheet.
    pub draw_source: String,
    /// Where the hours come from: the job sheet, the capture, or an assumption.
    pub hours_source: String,
    /// Ampere-hours a day.
    pub ah_per_day: f64,
    /// Standard uncertainty of `ah_per_day`; `None` when the draw carries no doubt.
    pub standard_uncertainty_ah_per_day: Option<f64>,
    /// Share of the day's charge.
    pub share: f64,
}

/// A factor of the battery's budget.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Factor {
    /// What it is.
    pub name: String,
    /// Its value.
    pub value: f64,
    /// Job sheet, capture, or the published source.
    pub source: String,
    /// Unit symbol; `None` for a plain number.
    pub unit: Option<String>,
}

/// What the sun brings against what the site draws.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SolarBalance {
    /// Harvest that keeps the battery where it is, charging losses and self-discharge
    /// included, ampere-hours a day.
    pub break_even_harvest_ah_per_day: f64,
    /// Hours of full sun (1 kW/m²) a day that bring it; `None` without the panel's power or the voltage.
    pub break_even_sun_hours_per_day: Option<f64>,
    /// Harvest that the job sheet gives or its panel and sun hours amount to, ampere-hours a day.
    pub harvest_ah_per_day: Option<f64>,
    /// What is left of that harvest after the day's draw, ampere-hours; negative when it falls short.
    pub balance_ah_per_day: Option<f64>,
    /// How long a sound battery lasts with that harvest, hours; `None` when it never empties.
    pub runtime_h: Option<f64>,
}

/// What would change if one load were gone or repaired.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WhatIf {
    /// Load.
    pub load: String,
    /// What is supposed of it.
    pub change: WhatIfChange,
    /// Ampere-hours a day then.
    pub ah_per_day: f64,
    /// Runtime then, hours; `None` when nothing draws any more.
    pub runtime_h: Option<f64>,
    /// Runtime gained, hours.
    pub runtime_gained_h: Option<f64>,
}

/// What is supposed of a load.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum WhatIfChange {
    /// It is taken away.
    Without,
    /// It draws what it is specified to draw, or its limit where only that is known.
    Repaired,
}

/// The document of `budget`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BudgetFindings {
    /// `"ebbmark.budget/1"`.
    pub schema: String,
    /// Name of the site as the job sheet gives it.
    pub site: Option<String>,
    /// The budget; its fields stand beside `schema`.
    #[serde(flatten)]
    pub budget: Budget,
}

/// The document of `compare`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CompareFindings {
    /// `"ebbmark.compare/1"`.
    pub schema: String,
    /// The answer in one or two plain sentences.
    pub headline: String,
    /// Name of the site as the job sheet gives it.
    pub site: Option<String>,
    /// The capture before.
    pub before: ComparedCapture,
    /// The capture after.
    pub after: ComparedCapture,
    /// What the rows of `changes` stand for.
    pub aligned_by: AlignedBy,
    /// One row a load and state seen on both sides.
    pub changes: Vec<Change>,
    /// Loads and states seen on one side only.
    pub one_sided: Vec<OneSided>,
    /// Charge saved, ampere-hours a day; negative when the site draws more than before.
    pub charge_saved_ah_per_day: f64,
    /// Expanded uncertainty of `charge_saved_ah_per_day`, about 95 %.
    pub expanded_uncertainty_ah_per_day: Option<f64>,
    /// Runtime gained, hours; `None` without a battery in the job sheet.
    pub runtime_gained_h: Option<f64>,
    /// What was taken as the same error on both sides, and cancelled; and what was not.
    pub shared_errors: String,
    /// What a reader must know before relying on the figures.
    pub cautions: Vec<Caution>,
}

/// What the rows of a comparison stand for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum AlignedBy {
    /// A load in a state.
    Load,
    /// A level of the whole site's current.
    Level,
}

/// One of the two captures of a comparison.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ComparedCapture {
    /// File name as given.
    pub file: String,
    /// Local time of the first sample.
    pub start: Option<String>,
    /// Length, seconds.
    pub duration_s: f64,
    /// Charge over time, ampere.
    pub mean_a: f64,
    /// Whether its zero is to be believed.
    pub zero_trusted: bool,
    /// Ampere-hours a day.
    pub ah_per_day: Option<f64>,
    /// Runtime of a sound battery, hours.
    pub runtime_h: Option<f64>,
}

/// What one load did between two captures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Change {
    /// Load, or the level's name.
    pub load: String,
    /// State; empty for a level.
    pub state: String,
    /// Draw before, ampere.
    pub before_a: f64,
    /// Expanded uncertainty of `before_a`, about 95 %, ampere.
    pub before_expanded_a: f64,
    /// Draw after, ampere.
    pub after_a: f64,
    /// Expanded uncertainty of `after_a`, about 95 %, ampere.
    pub after_expanded_a: f64,
    /// After less before, ampere.
    pub change_a: f64,
    /// Standard uncertainty of the change with shared errors cancelled, ampere.
    pub standard_uncertainty_a: f64,
    /// Expanded uncertainty of the change, about 95 %, ampere.
    pub expanded_uncertainty_a: f64,
    /// Probability that the change has the sign it shows.
    pub probability_real: f64,
    /// Upper limit at the site's voltage, ampere.
    pub limit_high_a: Option<f64>,
    /// Verdict before.
    pub before_verdict: Verdict,
    /// Verdict after.
    pub after_verdict: Verdict,
}

impl Change {
    /// Whether its sign is sure at 97.5 %, which is a two-sided test at 95 %.
    pub fn is_real(&self) -> bool {
        self.probability_real >= 0.975
    }
}

/// A load and state that only one capture shows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct OneSided {
    /// Load, or the level's name.
    pub load: String,
    /// State; empty for a level.
    pub state: String,
    /// True when the capture before shows it, false when the one after does.
    pub before: bool,
    /// Its draw, ampere.
    pub draw_a: f64,
}

/// A specified current at another supply voltage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ScaleFindings {
    /// `"ebbmark.scale/1"`.
    pub schema: String,
    /// Current as specified, ampere.
    pub from_a: f64,
    /// Voltage it was specified at, volt.
    pub from_v: f64,
    /// Voltage it is carried to, volt.
    pub to_v: f64,
    /// Behaviour assumed.
    pub behaves_as: LoadBehaviour,
    /// Current at `to_v`, ampere.
    pub to_a: f64,
    /// What `behaves_as` takes for granted, in words.
    pub assumption: String,
    /// What the other behaviours would give.
    pub other_behaviours: Vec<ScaledCurrent>,
}

/// A current carried to another voltage with one behaviour.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ScaledCurrent {
    /// Behaviour assumed.
    pub behaves_as: LoadBehaviour,
    /// Current it gives, ampere.
    pub to_a: f64,
}
