//! The batch as a population: centre, spread, outliers, capability, and the answer in words.

use std::collections::{BTreeMap, BTreeSet};

use statrs::distribution::{Beta, ContinuousCDF};

use crate::findings::{
    BatchFindings, Caution, Measure, MeasureRow, PopulationRow, UnitRow, UnitStatus,
};
use crate::numeric::{Moments, normal_cdf};

use super::beside::{Beside, Key, beside, key};
use super::capability::{capability, normality};
use super::headline::{headline, name_of, shown};
use super::measure::{Measured, UnitOutcome};
use super::order::{TwoGroups, group_set_aside, trend, two_groups};
use super::outliers::{MODIFIED_Z_CUT, MOST_OUTLIERS, RobustSpread, Tested, median, tested};
use super::repeats;
use super::spread::OneWay;

/// Chance that a clean batch names an outlier at all, shared among its measures.
const FALSE_OUTLIER_RISK: f64 = 0.02;
/// Share of the units that must show a measure before one of them can stand out by it: what few
/// show (a start-up that now and then settles long enough) is no sample of the batch.
const SHOWN_BY: f64 = 0.5;
/// Below this probability values are not taken as normal and no capability is quoted.
const NORMAL_ENOUGH: f64 = 0.01;
/// Below this probability a trend over the order of test is reported.
const TREND_RISK: f64 = 0.01;

/// Judges the batch. Units that are doubtful or unreadable keep their row but do not count.
///
/// `outcomes` are in the order of test. O(units² · measures) by the trend test.
pub fn population(outcomes: &[UnitOutcome]) -> BatchFindings {
    let Beside { outcomes, mut cautions } = beside(outcomes);
    let outcomes = outcomes.as_slice();
    let mut columns: BTreeMap<Key, Vec<(usize, &Measured)>> = BTreeMap::new();
    for (at, outcome) in outcomes.iter().enumerate() {
        if outcome.status == UnitStatus::Measured {
            for measured in &outcome.measured {
                columns.entry(key(measured)).or_default().push((at, measured));
            }
        }
    }
    let mut units: Vec<UnitRow> = outcomes.iter().map(unit_row).collect();
    let alpha = FALSE_OUTLIER_RISK / columns.len().max(1) as f64;
    let whole = measured_units(outcomes);
    let population: Vec<PopulationRow> = columns
        .iter()
        .map(|(key, column)| row(key, column, outcomes, whole, alpha, &mut units, &mut cautions))
        .collect();
    cautions.extend(repeats::told(&columns, outcomes, alpha));
    let left_out = outcomes.iter().filter(|o| o.status != UnitStatus::Measured).count();
    if left_out > 0 {
        cautions.push(Caution::new(
            "left-out",
            format!("{left_out} of {} captures could not be read or trusted and do not count in the batch's figures; each has its reason in its row.", outcomes.len()),
        ));
    }
    BatchFindings {
        schema: "ebbmark.batch/1".to_owned(),
        headline: headline(&units, &population),
        order_of_test: None,
        units,
        population,
        cautions,
    }
}

fn unit_row(outcome: &UnitOutcome) -> UnitRow {
    UnitRow {
        unit: outcome.unit.clone(),
        file: outcome.file.clone(),
        status: outcome.status,
        reason: outcome.reason.clone(),
        measures: outcome
            .measured
            .iter()
            .map(|measured| MeasureRow {
                measure: measured.measure,
                load: measured.load.clone(),
                state: measured.state.clone(),
                value: measured.value,
                si_unit: si_unit(measured.measure).to_owned(),
                expanded_uncertainty: measured.expanded_uncertainty,
                verdict: measured.verdict,
                anomaly_score: None,
                esd_statistic: None,
                esd_critical: None,
                outlier: false,
            })
            .collect(),
    }
}

/// Unit symbol of a measure.
pub(super) fn si_unit(measure: Measure) -> &'static str {
    match measure {
        Measure::Draw | Measure::Noise | Measure::SleepFloor => "A",
        Measure::TimeToSleep | Measure::WakePeriod => "s",
        Measure::WakeCharge => "Ah",
        Measure::AwakeShare => "1",
    }
}

/// Units with at least one capture that counts.
fn measured_units(outcomes: &[UnitOutcome]) -> usize {
    let measured = outcomes.iter().filter(|outcome| outcome.status == UnitStatus::Measured);
    measured.map(|outcome| outcome.unit.as_str()).collect::<BTreeSet<_>>().len()
}

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

fn row(
    key: &Key,
    column: &[(usize, &Measured)],
    outcomes: &[UnitOutcome],
    whole: usize,
    alpha: f64,
    rows: &mut [UnitRow],
    cautions: &mut Vec<Caution>,
) -> PopulationRow {
    let units = by_unit(column, outcomes);
    let means: Vec<f64> = units.iter().map(|unit| unit.mean).collect();
    let few = (units.len() as f64) < SHOWN_BY * whole as f64;
    let own: Vec<f64> = units.iter().map(|unit| unit.own_variance).collect();
    let own_middle = median(&own).unwrap_or(0.0);
    // A value and the middle one each carry their measurement's own scatter.
    let least: Vec<f64> = own.iter().map(|own| (own + own_middle).sqrt()).collect();
    let told_apart =
        |groups: &TwoGroups| groups.high - groups.low > MODIFIED_Z_CUT * (2.0 * own_middle).sqrt();
    let mut tests = if few { Tested::default() } else { tested(&means, &least, alpha) };
    // Who belongs to the second half of a batch is no outlier.
    if let Some(halves) = two_groups(&means).filter(|groups| groups.smaller() > MOST_OUTLIERS) {
        tests.named.retain(|at| !halves.holds(means[*at], MODIFIED_Z_CUT));
    }
    if !few {
        mark_outliers(key, &units, &tests, rows);
    }
    let Tested { named: outlying, logarithmic, .. } = tests;
    let kept: Vec<usize> = (0..means.len()).filter(|at| !outlying.contains(at)).collect();
    let inside: Vec<f64> = kept.iter().map(|at| means[*at]).collect();
    let set_aside: Vec<f64> = outlying.iter().map(|at| means[*at]).collect();
    let moments = Moments::of(&means);
    let inner = Moments::of(&inside);
    let robust = RobustSpread::of(&means);
    let (between_unit_sd, repeatability_sd) = components(column, &units, &kept, inner.as_ref());
    let limit_low = column.iter().find_map(|(_, measured)| measured.limit_low);
    let limit_high = column.iter().find_map(|(_, measured)| measured.limit_high);
    let normal = normality(&inside);
    let limited = limit_low.is_some() || limit_high.is_some();
    let name = name_of(key.0, key.1.as_deref(), key.2.as_deref());
    if few {
        cautions.push(Caution::new(
            "few-units",
            format!("The {name} shows in {} of {whole} units only: none of them is held against the others by it.", units.len()),
        ));
    }
    if logarithmic {
        cautions.push(Caution::new(
            "long-tail",
            format!("The {name} has a long tail upwards, as where units differ by factors: they are held against one another by its logarithm."),
        ));
    }
    let quoted = match normal {
        Some((_, p)) if p < NORMAL_ENOUGH => {
            if limited {
                cautions.push(Caution::new(
                    "not-normal",
                    format!("The batch's {name} is not normally distributed (Anderson-Darling, probability {p:.1e}); no capability is quoted."),
                ));
            }
            None
        }
        Some(_) => inner.as_ref().map(|moments| capability(moments, limit_low, limit_high)),
        None => None,
    };
    let order = trend(&means);
    if let Some((z, p)) = order.filter(|(_, p)| *p < TREND_RISK) {
        let way = if z > 0.0 { "rises" } else { "falls" };
        cautions.push(Caution::new(
            "order-trend",
            format!("The {name} {way} over the order of test (Mann-Kendall, probability {p:.1e}): look at the rig's temperature, supply and warm-up before blaming units."),
        ));
    }
    let drifting = order.is_some_and(|(_, p)| p < TREND_RISK);
    let groups =
        two_groups(&inside).or_else(|| group_set_aside(&inside, &set_aside)).filter(told_apart);
    if let Some(groups) = &groups {
        cautions.push(Caution::new(
            "two-groups",
            format!(
                "The {name} falls into two groups about {} and {} ({:.0} % in the higher): look for a second rig, a second reel of parts or a second firmware.",
                shown(key.0, groups.low),
                shown(key.0, groups.high),
                100.0 * groups.share_high,
            ),
        ));
    }
    let capability = quoted.unwrap_or_default();
    let outside = outside(&means, limit_low, limit_high);
    // What was set aside belongs to the batch too: no model of the others speaks for it. Nor does one
    // of what changes while it is tested.
    let one_kind = outlying.is_empty() && groups.is_none() && !drifting && outside == 0;
    let tails = f64::from(u8::from(limit_low.is_some()) + u8::from(limit_high.is_some()));
    let modelled = capability.cpk_limits.filter(|_| one_kind);
    PopulationRow {
        measure: key.0,
        load: key.1.clone(),
        state: key.2.clone(),
        units: units.len() as u64,
        mean: moments.map_or(0.0, |moments| moments.mean),
        sd: moments.and_then(|moments| moments.sd),
        kept_mean: inner.as_ref().map(|moments| moments.mean),
        kept_sd: inner.as_ref().and_then(|moments| moments.sd),
        between_unit_sd,
        repeatability_sd,
        median: robust.map_or(0.0, |robust| robust.median),
        robust_sd: robust.and_then(|robust| robust.sd),
        cp: capability.cp,
        cp_low: capability.cp_limits.map(|limits| limits.0),
        cp_high: capability.cp_limits.map(|limits| limits.1),
        cpk: capability.cpk,
        cpk_low: capability.cpk_limits.map(|limits| limits.0),
        cpk_high: capability.cpk_limits.map(|limits| limits.1),
        limit_low,
        limit_high,
        si_unit: si_unit(key.0).to_owned(),
        normality_probability: normal.map(|(_, p)| p),
        order_trend_probability: order.map(|(_, p)| p),
        two_groups: groups.map(|groups| (groups.low, groups.high)),
        outside_at_most: limited.then(|| outside_at_most(outside, means.len())),
        outside_at_most_if_normal: modelled.map(|(low, _)| tails * normal_cdf(-3.0 * low)),
        outliers: outlying.iter().map(|at| units[*at].unit.to_owned()).collect(),
    }
}

/// Writes both tests' figures into the units' rows.
fn mark_outliers(key: &Key, units: &[UnitValue<'_>], tests: &Tested, rows: &mut [UnitRow]) {
    for (place, unit) in units.iter().enumerate() {
        let round = tests.rounds.iter().find(|round| round.index == place);
        for capture in &unit.captures {
            let found = rows[*capture]
                .measures
                .iter_mut()
                .find(|row| (row.measure, &row.load, &row.state) == (key.0, &key.1, &key.2));
            if let Some(row) = found {
                row.anomaly_score = tests.scores[place];
                row.esd_statistic = round.map(|round| round.statistic);
                row.esd_critical = round.map(|round| round.critical);
                row.outlier = tests.named.contains(&place);
            }
        }
    }
}

/// Spread between the units `kept` with the measurement's own share removed, and the spread of
/// repeats.
///
/// With repeats both are variance components of a one-way random-effects model; without, the mean
/// square of the measurement's own scatter is taken off the spread as measured.
fn components(
    column: &[(usize, &Measured)],
    units: &[UnitValue<'_>],
    kept: &[usize],
    inner: Option<&Moments>,
) -> (Option<f64>, Option<f64>) {
    let groups: Vec<Vec<f64>> = kept.iter().map(|at| units[*at].repeats.clone()).collect();
    if let Some(anova) = OneWay::of(&groups) {
        return (Some(anova.between_unit_sd()), Some(anova.repeatability_sd()));
    }
    let scatter: Option<Vec<f64>> =
        column.iter().map(|(_, measured)| measured.scatter.map(|u| u * u)).collect();
    let own = scatter.as_deref().and_then(Moments::of).map(|moments| moments.mean);
    let sd = inner.and_then(|moments| moments.sd);
    (sd.zip(own).map(|(sd, own)| (sd * sd - own).max(0.0).sqrt()), None)
}

/// Values beyond a limit.
fn outside(means: &[f64], low: Option<f64>, high: Option<f64>) -> usize {
    let beyond = |v: f64| low.is_some_and(|low| v < low) || high.is_some_and(|high| v > high);
    means.iter().filter(|value| beyond(**value)).count()
}

/// Upper 95 % bound on the share of all units outside the limits, `outside` of `units` being so
/// (Clopper & Pearson). Holds whatever their distribution.
fn outside_at_most(outside: usize, units: usize) -> f64 {
    let inside = (units - outside) as f64;
    Beta::new(outside as f64 + 1.0, inside)
        .map_or(1.0, |distribution| distribution.inverse_cdf(0.95))
}

#[cfg(test)]
mod tests;
