//! The batch as a population: centre, spread, outliers, capability, and the answer in words.

use std::collections::{BTreeMap, BTreeSet};

use statrs::distribution::{Beta, ContinuousCDF};

use crate::findings::{
    BatchFindings, Caution, Measure, MeasureRow, PopulationRow, UnitRow, UnitStatus, Verdict,
};
use crate::numeric::{Moments, normal_cdf};

use super::beside::{Beside, Key, beside, key};
use super::capability::capability;
use super::column::{Column, UnitValue};
use super::family::{FALSE_RISK, below};
use super::headline::{ENOUGH, headline, name_of};
use super::measure::{Measured, UnitOutcome};
use super::outliers::{RobustSpread, esd_reach};
use super::repeats;
use super::setups::{Differs, Setups};
use super::shape;
use super::spread::OneWay;

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
    let alpha = FALSE_RISK / columns.len().max(1) as f64;
    let whole = measured_units(outcomes);
    let looked: Vec<Column<'_>> = columns
        .iter()
        .map(|(key, captures)| Column::of(key, captures, outcomes, whole, alpha))
        .collect();
    let asked = |column: &Column<'_>| column.normality.filter(|_| column.limited());
    let not_normal = below(FALSE_RISK, &looked.iter().map(asked).collect::<Vec<_>>());
    let shape = Shape::of(&looked, outcomes, &not_normal);
    let mut population = Vec::new();
    for (at, column) in looked.iter().enumerate() {
        mark(column, &mut units);
        cautions.extend(told(column, whole, not_normal[at]));
        population.push(row(column, not_normal[at], shape.changes[at]));
    }
    let sentences: Vec<String> = shape.told.iter().map(|told| told.sentence.clone()).collect();
    cautions.extend(shape.told.into_iter().map(|told| told.caution));
    cautions.extend(repeats::told(&columns, outcomes, alpha));
    let left_out = outcomes.iter().filter(|o| o.status != UnitStatus::Measured).count();
    if left_out > 0 {
        let (does, each) = if left_out == 1 {
            ("does", "the reason stands in its row")
        } else {
            ("do", "each has its reason in its row")
        };
        cautions.push(Caution::new(
            "left-out",
            format!("{left_out} of {} captures could not be read or trusted and {does} not count in the batch's figures; {each}.", outcomes.len()),
        ));
    }
    BatchFindings {
        schema: "ebbmark.batch/1".to_owned(),
        headline: headline(&units, &population, &sentences),
        order_of_test: None,
        outlier_reach_sd: esd_reach(whole, alpha).filter(|_| whole as u64 >= ENOUGH),
        units,
        population,
        cautions,
    }
}

/// What the batch tells as a whole.
struct Shape {
    told: Vec<shape::Told>,
    /// Whether a quantity changes over the order of test, or from one setup to another.
    changes: Vec<bool>,
}

impl Shape {
    fn of(looked: &[Column<'_>], outcomes: &[UnitOutcome], not_normal: &[bool]) -> Self {
        let setups = Setups::of(outcomes);
        let compare = |column| setups.as_ref().and_then(|setups: &Setups| setups.compare(column));
        let differs: Vec<_> = looked.iter().map(compare).collect();
        let p = |differs: &Option<Differs>| differs.as_ref().map(|differs| differs.p);
        let unlike = below(FALSE_RISK, &differs.iter().map(p).collect::<Vec<_>>());
        let unlike_of = |at: usize| differs[at].as_ref().filter(|_| unlike[at]);
        let trends: Vec<_> = looked.iter().map(|column| column.trend.map(|(_, p)| p)).collect();
        let drifting = below(FALSE_RISK, &trends);
        let mut told = shape::groups(looked, not_normal);
        if let Some(setups) = &setups {
            let found: Vec<_> =
                (0..looked.len()).filter_map(|at| Some((&looked[at], unlike_of(at)?))).collect();
            told.extend(shape::setups(setups, &found));
        }
        // One setup, or one group, after the other is no drift.
        let told_else = |at: usize| unlike[at] || shape::parted(&looked[at]).is_some();
        let drift = |at: &usize| drifting[*at] && !told_else(*at);
        let found: Vec<_> = (0..looked.len()).filter(drift).map(|at| &looked[at]).collect();
        told.extend(shape::drifts(&found));
        let changes = (0..looked.len()).map(|at| drifting[at] || unlike[at]).collect();
        Self { told, changes }
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
                judged: measured.judged,
                anomaly_score: None,
                esd_statistic: None,
                esd_critical: None,
                outlier: false,
                group: None,
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

/// What is to be told of a quantity.
fn told(column: &Column<'_>, whole: usize, not_normal: bool) -> Vec<Caution> {
    let (measure, load, state) = column.key;
    let name = name_of(*measure, load.as_deref(), state.as_deref());
    let mut cautions = Vec::new();
    if column.few {
        cautions.push(Caution::new(
            "few-units",
            format!("The {name} shows in {} of {whole} units only: none of them is held against the others by it.", column.units.len()),
        ));
    }
    if column.tests.logarithmic {
        cautions.push(Caution::new(
            "long-tail",
            format!("The {name} has a long tail upwards, as where units differ by factors: they are held against one another by its logarithm."),
        ));
    }
    // Two groups are the reason, and told as such.
    if let Some(p) = column.normality.filter(|_| not_normal && column.groups.is_none()) {
        cautions.push(if column.blurred {
            Caution::new(
                "spread-not-shown",
                format!("The {name} spreads little wider than one measurement of it (rounding, sampling), so that it does not show how the units are distributed; no capability is quoted. A finer range or more readings would tell."),
            )
        } else {
            Caution::new(
                "not-normal",
                format!("The batch's {name} is not normally distributed (Anderson-Darling, probability {p:.1e}); no capability is quoted."),
            )
        });
    }
    cautions
}

fn row(column: &Column<'_>, not_normal: bool, changes: bool) -> PopulationRow {
    let Column { means, limit_low, limit_high, groups, .. } = column;
    let (limit_low, limit_high) = (*limit_low, *limit_high);
    let moments = Moments::of(means);
    let inner = Moments::of(&column.inside);
    let robust = RobustSpread::of(means);
    let (between_unit_sd, repeatability_sd) = components(column, inner.as_ref());
    let quoted = inner.filter(|_| column.normality.is_some() && !not_normal);
    let capability = quoted.map(|moments| capability(&moments, limit_low, limit_high));
    let capability = capability.unwrap_or_default();
    let outside = outside(column);
    // What was set aside belongs to the batch too: no model of the others speaks for it. Nor does one
    // of what changes while it is tested.
    let one_kind = column.tests.named.is_empty() && groups.is_none() && !changes && outside == 0;
    let tails = f64::from(u8::from(limit_low.is_some()) + u8::from(limit_high.is_some()));
    let modelled = capability.cpk_limits.filter(|_| one_kind);
    let (measure, load, state) = column.key;
    PopulationRow {
        measure: *measure,
        load: load.clone(),
        state: state.clone(),
        units: column.units.len() as u64,
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
        si_unit: si_unit(*measure).to_owned(),
        normality_probability: column.normality,
        order_trend_probability: column.trend.map(|(_, p)| p),
        two_groups: groups.map(|groups| (groups.low, groups.high)),
        outside_at_most: column.limited().then(|| outside_at_most(outside, means.len())),
        outside_at_most_if_normal: modelled.map(|(low, _)| tails * normal_cdf(-3.0 * low)),
        outliers: column.tests.named.iter().map(|at| column.units[*at].unit.to_owned()).collect(),
    }
}

/// Writes into the units' rows what the tests say of each.
fn mark(column: &Column<'_>, rows: &mut [UnitRow]) {
    let (measure, load, state) = column.key;
    let tests = &column.tests;
    for (place, unit) in column.units.iter().enumerate() {
        let round = tests.rounds.iter().find(|round| round.index == place);
        for capture in &unit.captures {
            let found = rows[*capture]
                .measures
                .iter_mut()
                .find(|row| (row.measure, &row.load, &row.state) == (*measure, load, state));
            if let Some(row) = found {
                row.anomaly_score = tests.scores.get(place).copied().flatten();
                row.esd_statistic = round.map(|round| round.statistic);
                row.esd_critical = round.map(|round| round.critical);
                row.outlier = tests.named.contains(&place);
                row.group = column.group_of(unit.mean);
            }
        }
    }
}

/// Spread between the units kept with the measurement's own share removed, and the spread of
/// repeats.
///
/// With repeats both are variance components of a one-way random-effects model; without, the mean
/// square of the measurement's own scatter is taken off the spread as measured.
fn components(column: &Column<'_>, inner: Option<&Moments>) -> (Option<f64>, Option<f64>) {
    let groups: Vec<Vec<f64>> =
        column.kept.iter().map(|at| column.units[*at].repeats.clone()).collect();
    if let Some(anova) = OneWay::of(&groups) {
        return (Some(anova.between_unit_sd()), Some(anova.repeatability_sd()));
    }
    let scatter: Option<Vec<f64>> =
        column.captures.iter().map(|(_, measured)| measured.scatter.map(|u| u * u)).collect();
    let own = scatter.as_deref().and_then(Moments::of).map(|moments| moments.mean);
    let sd = inner.and_then(|moments| moments.sd);
    (sd.zip(own).map(|(sd, own)| (sd * sd - own).max(0.0).sqrt()), None)
}

/// Units beyond a limit, by their value, by that of a single capture or by what else of them is held to it.
fn outside(column: &Column<'_>) -> usize {
    let beyond = |v: f64| {
        column.limit_low.is_some_and(|low| v < low)
            || column.limit_high.is_some_and(|high| v > high)
    };
    let judged = column
        .captures
        .iter()
        .filter(|(_, m)| m.judged.is_some_and(beyond) || m.verdict == Verdict::NonConforming);
    let judged: BTreeSet<usize> = judged.map(|(at, _)| *at).collect();
    let of_unit = |unit: &&UnitValue<'_>| {
        beyond(unit.mean) || unit.captures.iter().any(|at| judged.contains(at))
    };
    column.units.iter().filter(of_unit).count()
}

/// Lower 95 % bound on the share of all units outside the limits, `outside` of `units` being so
/// (Clopper & Pearson).
pub(super) fn outside_at_least(outside: usize, units: usize) -> f64 {
    let inside = (units - outside) as f64;
    Beta::new(outside as f64, inside + 1.0)
        .map_or(0.0, |distribution| distribution.inverse_cdf(0.05))
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
