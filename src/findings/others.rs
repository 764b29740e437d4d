//! The document of `batch`.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::analysis::{Caution, Verdict};

/// What became of one capture of a batch.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum UnitStatus {
    /// Read and trusted.
    Measured,
    /// Read, but not to be trusted: see the reason.
    Doubtful,
    /// Not read: see the reason.
    Unreadable,
}

/// A quantity that a batch is judged by.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Measure {
    /// Draw of a load in a state, ampere.
    Draw,
    /// Noise of one reading in the sleep state, ampere.
    Noise,
    /// Lowest steady level, ampere.
    SleepFloor,
    /// From last activity to sleep, seconds.
    TimeToSleep,
    /// Median time between wakes, seconds.
    WakePeriod,
    /// Charge of one wake, ampere-hours.
    WakeCharge,
    /// Share of the time not asleep, where the job sheet limits it.
    AwakeShare,
}

impl Measure {
    /// Its name in a sentence.
    pub fn words(self) -> &'static str {
        match self {
            Self::Draw => "draw",
            Self::Noise => "noise",
            Self::SleepFloor => "sleep floor",
            Self::TimeToSleep => "time to sleep",
            Self::WakePeriod => "wake period",
            Self::WakeCharge => "wake charge",
            Self::AwakeShare => "share of time not asleep",
        }
    }
}

/// One of two groups that a batch falls into.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Group {
    /// The one of the lower values.
    Lower,
    /// The one of the higher values.
    Higher,
}

/// The document of `batch`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BatchFindings {
    /// `"ebbmark.batch/1"`.
    pub schema: String,
    /// The answer in one or two plain sentences.
    pub headline: String,
    /// What the order of test, and so of `units`, is taken from.
    #[serde(default)]
    pub order_of_test: Option<String>,
    /// How far from the others' mean a unit must lie to be named an outlier half of the time, in their
    /// standard deviations; `None` of fewer than three units.
    #[serde(default)]
    pub outlier_reach_sd: Option<f64>,
    /// One row a capture.
    pub units: Vec<UnitRow>,
    /// One row a measure, load and state.
    pub population: Vec<PopulationRow>,
    /// What a reader must know before relying on the figures.
    pub cautions: Vec<Caution>,
}

/// One capture of a batch.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct UnitRow {
    /// The unit's identity.
    pub unit: String,
    /// Its capture's file.
    pub file: String,
    /// What became of it.
    pub status: UnitStatus,
    /// Why it is doubtful or unreadable; of one that is measured, which limits on sleep it could not be
    /// held to.
    pub reason: Option<String>,
    /// What was measured.
    pub measures: Vec<MeasureRow>,
}

/// A unit that stands out by a quantity, all its captures taken together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Standing<'a> {
    /// Place of the capture that shows it most.
    pub at: usize,
    /// What that capture shows.
    pub row: &'a MeasureRow,
    /// Mean of its captures that count.
    pub mean: f64,
    /// How many they are.
    pub captures: usize,
    /// How many of them are beyond the limit.
    pub beyond: usize,
}

impl<'a> Standing<'a> {
    /// Every unit and quantity by which it stands out, among captures that count: the units beyond a limit
    /// before those that are only far from the others, and of those the farthest first.
    /// O(captures · measures · log).
    pub fn all(units: &'a [UnitRow]) -> Vec<Self> {
        type Key<'a> = (&'a str, Measure, Option<&'a str>, Option<&'a str>);
        let mut shown: BTreeMap<Key<'a>, Vec<(usize, &'a MeasureRow)>> = BTreeMap::new();
        for (at, unit) in units.iter().enumerate() {
            for row in unit.measures.iter().filter(|_| unit.status == UnitStatus::Measured) {
                let key =
                    (unit.unit.as_str(), row.measure, row.load.as_deref(), row.state.as_deref());
                shown.entry(key).or_default().push((at, row));
            }
        }
        let mut by_unit: BTreeMap<&'a str, Vec<Self>> = BTreeMap::new();
        for ((unit, ..), rows) in &shown {
            by_unit.entry(unit).or_default().extend(Self::of(rows));
        }
        let mut by_unit: Vec<Vec<Self>> = by_unit.into_values().collect();
        by_unit.iter_mut().for_each(|rows| rows.sort_by(Self::order));
        by_unit.retain(|rows| !rows.is_empty());
        by_unit.sort_by(|a, b| Self::order(&a[0], &b[0]));
        by_unit.concat()
    }

    fn of(rows: &[(usize, &'a MeasureRow)]) -> Option<Self> {
        let mean = rows.iter().map(|(_, row)| row.value).sum::<f64>() / rows.len() as f64;
        let beyond = |row: &MeasureRow| row.verdict == Verdict::NonConforming;
        let off = |row: &MeasureRow| (row.judged.unwrap_or(row.value) - mean).abs();
        let out = rows.iter().filter(|(_, row)| row.stands_out());
        let (at, row) = *out.max_by(|(at, a), (bt, b)| {
            beyond(a).cmp(&beyond(b)).then(off(a).total_cmp(&off(b))).then(bt.cmp(at))
        })?;
        let count = rows.iter().filter(|(_, row)| beyond(row)).count();
        Some(Self { at, row, mean, captures: rows.len(), beyond: count })
    }

    fn order(a: &Self, b: &Self) -> std::cmp::Ordering {
        let far = |of: &Self| of.row.anomaly_score.map_or(0.0, f64::abs);
        let beyond = (b.beyond > 0).cmp(&(a.beyond > 0));
        beyond.then(far(b).total_cmp(&far(a))).then(a.at.cmp(&b.at))
    }

    /// The value that it stands out by: of the capture that is beyond the limit, else the mean.
    pub fn value(&self) -> f64 {
        if self.beyond > 0 { self.row.value } else { self.mean }
    }
}

/// One measured quantity of one unit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MeasureRow {
    /// Which quantity.
    pub measure: Measure,
    /// Load it belongs to; `None` for a quantity of the whole unit.
    pub load: Option<String>,
    /// State it belongs to.
    pub state: Option<String>,
    /// Value in `si_unit`.
    pub value: f64,
    /// Unit symbol: A, s, Ah, or 1 for a share.
    pub si_unit: String,
    /// Expanded uncertainty, about 95 %.
    pub expanded_uncertainty: Option<f64>,
    /// Verdict against the job sheet.
    pub verdict: Verdict,
    /// What the verdict was held to where that is not `value`, in `si_unit`: the wake that takes most, or
    /// the longest stretch awake.
    #[serde(default)]
    pub judged: Option<f64>,
    /// Modified z-score: distance from the batch's median in robust standard deviations, signed; of the
    /// logarithms where the caution `long-tail` says so.
    pub anomaly_score: Option<f64>,
    /// Extreme Studentized deviate of the round that set the unit aside.
    pub esd_statistic: Option<f64>,
    /// Its critical value.
    pub esd_critical: Option<f64>,
    /// True when the batch's outlier tests name it: both of them.
    pub outlier: bool,
    /// The group it belongs to, where the batch falls into two by this quantity.
    #[serde(default)]
    pub group: Option<Group>,
}

impl MeasureRow {
    /// Whether it is beyond its limit or far from the other units'.
    pub fn stands_out(&self) -> bool {
        self.outlier || self.verdict == Verdict::NonConforming
    }

    /// What is beyond the limit where the value itself is not held to be, and how much it is.
    pub fn breach(&self) -> Option<(&'static str, f64)> {
        let what = match self.measure {
            Measure::WakeCharge => "largest wake",
            Measure::TimeToSleep => "longest stretch awake",
            other => other.words(),
        };
        let judged = self.judged.filter(|_| self.verdict == Verdict::NonConforming);
        judged.map(|value| (what, value))
    }
}

/// One quantity over the batch.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PopulationRow {
    /// Which quantity.
    pub measure: Measure,
    /// Load it belongs to.
    pub load: Option<String>,
    /// State it belongs to.
    pub state: Option<String>,
    /// Units that have it.
    pub units: u64,
    /// Mean over all of them.
    pub mean: f64,
    /// Standard deviation of the values as measured, over all of them.
    pub sd: Option<f64>,
    /// Mean with the outliers set aside, as capability is reckoned.
    #[serde(default)]
    pub kept_mean: Option<f64>,
    /// Standard deviation of the values as measured with the outliers set aside.
    #[serde(default)]
    pub kept_sd: Option<f64>,
    /// Standard deviation between units with the measurement's own share removed and the outliers
    /// set aside.
    pub between_unit_sd: Option<f64>,
    /// Standard deviation of repeats of one unit, outliers set aside; `None` without repeats.
    pub repeatability_sd: Option<f64>,
    /// Median.
    pub median: f64,
    /// 1.4826 times the median absolute deviation.
    pub robust_sd: Option<f64>,
    /// Process capability index; `None` without two limits.
    pub cp: Option<f64>,
    /// Lower 95 % confidence limit of `cp`.
    #[serde(default)]
    pub cp_low: Option<f64>,
    /// Upper 95 % confidence limit of `cp`.
    #[serde(default)]
    pub cp_high: Option<f64>,
    /// Process capability index with centring; `None` without a limit.
    pub cpk: Option<f64>,
    /// Lower 95 % confidence limit of `cpk`.
    pub cpk_low: Option<f64>,
    /// Upper 95 % confidence limit of `cpk`.
    pub cpk_high: Option<f64>,
    /// Lower limit that the units are held to.
    pub limit_low: Option<f64>,
    /// Upper limit that the units are held to.
    pub limit_high: Option<f64>,
    /// Unit symbol: A, s, Ah, or 1 for a share.
    pub si_unit: String,
    /// Probability of values at least as far from normal (Anderson-Darling, outliers left out).
    pub normality_probability: Option<f64>,
    /// Probability of a trend at least as strong over the order of test (Mann-Kendall).
    pub order_trend_probability: Option<f64>,
    /// Means of two groups, where the batch falls into two.
    pub two_groups: Option<(f64, f64)>,
    /// Share of units that may lie outside the limits, at 95 % confidence at most, going by the count
    /// of those that do.
    pub outside_at_most: Option<f64>,
    /// The same where their values follow a normal distribution, as nothing in the batch contradicts:
    /// `None` where something does, or where one lies outside.
    #[serde(default)]
    pub outside_at_most_if_normal: Option<f64>,
    /// Units that the outlier tests name.
    pub outliers: Vec<String>,
}
