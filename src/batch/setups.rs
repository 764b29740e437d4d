//! Captures of several folders or days: whether a rig, or a day, measures unlike the others.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use statrs::distribution::{ContinuousCDF, FisherSnedecor};

use crate::findings::UnitStatus;
use crate::numeric::Moments;

use super::column::Column;
use super::measure::UnitOutcome;
use super::spread::OneWay;

/// Units that a folder or a day must hold to be held against another.
const ENOUGH: usize = 5;

/// Where or when each capture was made.
#[derive(Debug)]
pub(super) struct Setups {
    /// What tells them apart: `folder` or `day`.
    pub(super) kind: &'static str,
    /// The name of each outcome's; `None` of one that holds too few units.
    pub(super) names: Vec<Option<String>>,
}

/// A quantity that is not the same everywhere.
#[derive(Debug)]
pub(super) struct Differs {
    /// Where it is least, and how much.
    pub(super) low: (String, f64),
    /// Where it is most.
    pub(super) high: (String, f64),
    /// Probability of as much by chance.
    pub(super) p: f64,
    /// Whether the same units were captured everywhere.
    pub(super) same_units: bool,
}

impl Setups {
    /// The folders of the captures; else, of one folder, the days on which they began. `None` where
    /// fewer than two of them hold enough units.
    pub(super) fn of(outcomes: &[UnitOutcome]) -> Option<Self> {
        let folder = |o: &UnitOutcome| {
            let path = Path::new(&o.file).parent()?;
            Some(path.display().to_string()).filter(|name| !name.is_empty())
        };
        let day = |o: &UnitOutcome| Some(o.start.as_deref()?.get(..10)?.to_owned());
        Self::by("folder", outcomes, folder).or_else(|| Self::by("day", outcomes, day))
    }

    fn by(
        kind: &'static str,
        outcomes: &[UnitOutcome],
        name: impl Fn(&UnitOutcome) -> Option<String>,
    ) -> Option<Self> {
        let mut units: BTreeMap<String, BTreeSet<&str>> = BTreeMap::new();
        for outcome in outcomes.iter().filter(|o| o.status == UnitStatus::Measured) {
            if let Some(name) = name(outcome) {
                units.entry(name).or_default().insert(&outcome.unit);
            }
        }
        units.retain(|_, units| units.len() >= ENOUGH);
        if units.len() < 2 {
            return None;
        }
        // The last folder is enough where it tells them apart.
        let last = |name: &str| {
            let last = Path::new(name).file_name()?.to_str()?;
            let alike = units.keys().filter(|other| Path::new(other).ends_with(last)).count();
            (alike == 1).then(|| last.to_owned())
        };
        let shown = |name: String| {
            units.contains_key(&name).then(|| last(&name).unwrap_or_else(|| name.clone()))
        };
        let names = outcomes.iter().map(|outcome| shown(name(outcome)?)).collect();
        Some(Self { kind, names })
    }

    /// How a quantity differs between them, outliers set aside: over units captured everywhere where enough
    /// were (two-way analysis of variance), else over different units (one-way). `None` where that cannot be
    /// told. O(captures).
    pub(super) fn compare(&self, column: &Column<'_>) -> Option<Differs> {
        let mut by_unit: Vec<BTreeMap<&str, f64>> = Vec::new();
        for unit in column.kept.iter().map(|at| &column.units[*at]) {
            let mut of_setup: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
            for (capture, value) in unit.captures.iter().zip(&unit.repeats) {
                if let Some(name) = &self.names[*capture] {
                    of_setup.entry(name).or_default().push(*value);
                }
            }
            let mean = |values: Vec<f64>| Some(Moments::of(&values)?.mean);
            by_unit.push(of_setup.into_iter().filter_map(|(n, v)| Some((n, mean(v)?))).collect());
        }
        let everywhere: BTreeSet<&str> = by_unit.iter().flat_map(|of| of.keys().copied()).collect();
        let complete: Vec<&BTreeMap<&str, f64>> =
            by_unit.iter().filter(|of| of.len() == everywhere.len()).collect();
        let same_units = complete.len() >= ENOUGH;
        let mut groups: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
        let counted: Vec<_> = if same_units { complete } else { by_unit.iter().collect() };
        for (name, value) in counted.into_iter().flatten() {
            groups.entry(name).or_default().push(*value);
        }
        groups.retain(|_, values| values.len() >= ENOUGH);
        let mut means: Vec<(String, f64)> = groups
            .iter()
            .filter_map(|(name, values)| Some(((*name).to_owned(), Moments::of(values)?.mean)))
            .collect();
        let groups: Vec<Vec<f64>> = groups.into_values().collect();
        let p = if same_units { two_way(&groups)? } else { OneWay::of(&groups)?.p_value()? };
        means.sort_by(|a, b| a.1.total_cmp(&b.1));
        let (low, high) = (means.first()?.clone(), means.last()?.clone());
        Some(Differs { low, high, p, same_units })
    }
}

/// Probability that columns of as many values, a row a unit, differ by chance: two-way analysis of variance
/// without interaction (NIST/SEMATECH e-Handbook 7.4.3.8). `None` without two columns, or where rows
/// leave nothing over.
fn two_way(columns: &[Vec<f64>]) -> Option<f64> {
    let (s, n) = (columns.len(), columns.first()?.len());
    let one = OneWay::of(columns)?;
    let rows: Vec<Vec<f64>> =
        (0..n).map(|row| columns.iter().map(|column| column[row]).collect()).collect();
    let rows = OneWay::of(&rows)?;
    let (columns_df, left_df) = (s as f64 - 1.0, (s as f64 - 1.0) * (n as f64 - 1.0));
    // What is left of the spread within columns once the units' own is taken off.
    let left = one.within * one.within_df - rows.between * rows.between_df;
    if left <= 1e-12 * one.within * one.within_df {
        return None;
    }
    Some(FisherSnedecor::new(columns_df, left_df).ok()?.sf(one.between / (left / left_df)))
}

#[cfg(test)]
mod tests {
    use super::two_way;

    // By hand: effects 0, 1, 5 of three columns on four rows 0, 10, 20, 30, and residuals that sum to zero
    // over rows and columns. SS columns = 4·14 = 56, SS left = 4·(1 + 1) = 8, F = (56/2)/(8/6) = 21; with 2 and
    // 6 degrees of freedom the probability of more is (1 + 2·21/6)⁻³ = 1/512.
    #[test]
    fn columns_of_the_same_units_by_hand() {
        let left = [[1.0, -1.0, 0.0], [-1.0, 1.0, 0.0], [1.0, -1.0, 0.0], [-1.0, 1.0, 0.0]];
        let columns: Vec<Vec<f64>> = [0.0, 1.0, 5.0]
            .iter()
            .enumerate()
            .map(|(c, effect)| (0..4).map(|r| 10.0 * r as f64 + effect + left[r][c]).collect())
            .collect();
        approx::assert_relative_eq!(two_way(&columns).unwrap(), 1.0 / 512.0, max_relative = 1e-9);
        assert_eq!(two_way(&columns[..1]), None);
    }
}
