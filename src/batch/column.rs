//! One quantity over the batch: the units' values, and what every test says of them.

use std::collections::BTreeMap;

use crate::findings::Group;
use crate::numeric::Moments;

use super::beside::Key;
use super::capability::normality;
use super::measure::{Measured, UnitOutcome};
use super::order::{TwoGroups, group_set_aside, trend, two_groups};
use super::outliers::{MODIFIED_Z_CUT, MOST_OUTLIERS, Tested, median, tested};

/// Share of the units that must show a measure before one of them can stand out by it: what few
/// show (a start-up that now and then settles long enough) is no sample of the batch.
const SHOWN_BY: f64 = 0.5;
/// Own scatter of more than this share of the spread hides how the units are distributed.
const BLURRED_BY: f64 = 0.5;

/// One unit's value: the mean of its repeats.
pub(super) struct UnitValue<'a> {
    pub(super) unit: &'a str,
    /// Places of its captures among the outcomes, and the value of each.
    pub(super) captures: Vec<usize>,
    pub(super) repeats: Vec<f64>,
    pub(super) mean: f64,
    /// Mean square of its captures' own scatter; 0 where it is not known.
    pub(super) own_variance: f64,
}

pub(super) fn by_unit<'a>(
    column: &[(usize, &Measured)],
    outcomes: &'a [UnitOutcome],
) -> Vec<UnitValue<'a>> {
    let mut units: Vec<UnitValue<'a>> = Vec::new();
    let mut places: BTreeMap<&str, usize> = BTreeMap::new();
    for (at, measured) in column {
        let unit = outcomes[*at].unit.as_str();
        let place = *places.entry(unit).or_insert_with(|| {
            units.push(UnitValue {
                unit,
                captures: vec![],
                repeats: vec![],
                mean: 0.0,
                own_variance: 0.0,
            });
            units.len() - 1
        });
        units[place].own_variance += measured.scatter.map_or(0.0, |u| u * u);
        units[place].captures.push(*at);
        units[place].repeats.push(measured.value);
    }
    for unit in &mut units {
        unit.mean = Moments::of(&unit.repeats).map_or(0.0, |moments| moments.mean);
        unit.own_variance /= unit.repeats.len() as f64;
    }
    units
}

/// One quantity, looked at by itself.
pub(super) struct Column<'a> {
    pub(super) key: &'a Key,
    pub(super) captures: &'a [(usize, &'a Measured)],
    pub(super) units: Vec<UnitValue<'a>>,
    pub(super) means: Vec<f64>,
    /// Shown by too few units to hold one against the others.
    pub(super) few: bool,
    pub(super) tests: Tested,
    /// Places of the units that no test names, and their values.
    pub(super) kept: Vec<usize>,
    pub(super) inside: Vec<f64>,
    pub(super) limit_low: Option<f64>,
    pub(super) limit_high: Option<f64>,
    /// Probability of values at least as far from normal.
    pub(super) normality: Option<f64>,
    /// Kendall's S in standard deviations and its probability.
    pub(super) trend: Option<(f64, f64)>,
    pub(super) groups: Option<TwoGroups>,
    /// Spread hardly wider than one measurement's own scatter: steps of its rounding look like a shape.
    pub(super) blurred: bool,
}

impl<'a> Column<'a> {
    /// Of the `captures` that show it, in a batch of `whole` units; `alpha` is the chance that it names
    /// one of a clean batch. O(units²).
    pub(super) fn of(
        key: &'a Key,
        captures: &'a [(usize, &'a Measured)],
        outcomes: &'a [UnitOutcome],
        whole: usize,
        alpha: f64,
    ) -> Self {
        let units = by_unit(captures, outcomes);
        let means: Vec<f64> = units.iter().map(|unit| unit.mean).collect();
        let few = (units.len() as f64) < SHOWN_BY * whole as f64;
        let own: Vec<f64> = units.iter().map(|unit| unit.own_variance).collect();
        let own_middle = median(&own).unwrap_or(0.0);
        let own_sd: Vec<f64> = own.iter().map(|own| own.sqrt()).collect();
        let told_apart = |groups: &TwoGroups| {
            groups.high - groups.low > MODIFIED_Z_CUT * (2.0 * own_middle).sqrt()
        };
        let mut tests = if few { Tested::default() } else { tested(&means, &own_sd, alpha) };
        // Who belongs to the second half of a batch is no outlier.
        if let Some(halves) = two_groups(&means).filter(|groups| groups.smaller() > MOST_OUTLIERS) {
            tests.named.retain(|at| !halves.holds(means[*at], MODIFIED_Z_CUT));
        }
        let kept: Vec<usize> = (0..means.len()).filter(|at| !tests.named.contains(at)).collect();
        let inside: Vec<f64> = kept.iter().map(|at| means[*at]).collect();
        let set_aside: Vec<f64> = tests.named.iter().map(|at| means[*at]).collect();
        let groups =
            two_groups(&inside).or_else(|| group_set_aside(&inside, &set_aside)).filter(told_apart);
        let spread = Moments::of(&inside).and_then(|moments| moments.sd);
        Self {
            key,
            captures,
            few,
            blurred: spread.is_some_and(|sd| own_middle.sqrt() > BLURRED_BY * sd),
            kept,
            limit_low: captures.iter().find_map(|(_, measured)| measured.limit_low),
            limit_high: captures.iter().find_map(|(_, measured)| measured.limit_high),
            normality: normality(&inside).map(|(_, p)| p),
            trend: trend(&means),
            groups,
            units,
            means,
            tests,
            inside,
        }
    }

    /// The group that a value is one of, where there are two and it is far from neither.
    pub(super) fn group_of(&self, value: f64) -> Option<Group> {
        let groups = self.groups.filter(|groups| groups.holds(value, MODIFIED_Z_CUT))?;
        Some(if groups.is_high(value) { Group::Higher } else { Group::Lower })
    }

    pub(super) fn limited(&self) -> bool {
        self.limit_low.is_some() || self.limit_high.is_some()
    }
}
