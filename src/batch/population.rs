//! The batch as a population: centre, spread, outliers, capability, and the answer in words.

use std::collections::{BTreeMap, BTreeSet};

use statrs::distribution::{Beta, ContinuousCDF};

use crate::findings::{
    BatchFindings, Caution, Measure, MeasureRow, PopulationRow, UnitRow, UnitStatus,
};
use crate::numeric::{Moments, normal_cdf};

use super::beside::{Beside, beside};
use super::capability::{capability, normality};
use super::headline::{headline, name_of, shown};
use super::measure::{Measured, UnitOutcome};
use super::order::{drifts_rather, trend, two_groups};
use super::outliers::{MODIFIED_Z_CUT, RobustSpread, esd_outliers, esd_rounds};
use super::spread::{OneWay, bartlett, levene};

/// Chance that a clean batch names an outlier at all, shared among its measures.
const FALSE_OUTLIER_RISK: f64 = 0.02;
/// Share of the units that must show a measure before one of them can stand out by it: what few
/// show (a start-up that now and then settles long enough) is no sample of the batch.
const SHOWN_BY: f64 = 0.5;
/// At most this share of the units can be outliers; more are a second group.
const MOST_OUTLIERS: f64 = 0.25;
/// Below this probability values are not taken as normal and no capability is quoted.
const NORMAL_ENOUGH: f64 = 0.01;
/// Below this probability a trend over the order of test is reported.
const TREND_RISK: f64 = 0.01;

type Key = (Measure, Option<String>, Option<String>);

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
                let key = (measured.measure, measured.load.clone(), measured.state.clone());
                columns.entry(key).or_default().push((at, measured));
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
struct UnitValue<'a> {
    unit: &'a str,
    captures: Vec<usize>,
    repeats: Vec<f64>,
    mean: f64,
}

fn by_unit<'a>(column: &[(usize, &Measured)], outcomes: &'a [UnitOutcome]) -> Vec<UnitValue<'a>> {
    let mut units: Vec<UnitValue<'a>> = Vec::new();
    let mut places: BTreeMap<&str, usize> = BTreeMap::new();
    for (at, measured) in column {
        let unit = outcomes[*at].unit.as_str();
        let place = *places.entry(unit).or_insert_with(|| {
            units.push(UnitValue { unit, captures: vec![], repeats: vec![], mean: 0.0 });
            units.len() - 1
        });
        units[place].captures.push(*at);
        units[place].repeats.push(measured.value);
    }
    for unit in &mut units {
        unit.mean = Moments::of(&unit.repeats).map_or(0.0, |moments| moments.mean);
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
    let outlying = if few { Vec::new() } else { mark_outliers(key, &units, &means, alpha, rows) };
    let kept: Vec<usize> = (0..means.len()).filter(|at| !outlying.contains(at)).collect();
    let inside: Vec<f64> = kept.iter().map(|at| means[*at]).collect();
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
        two_groups(&inside).filter(|groups| !(drifting && drifts_rather(&kept, &inside, groups)));
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
    uneven_repeats(&units, &name, cautions);
    let capability = quoted.unwrap_or_default();
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
        outside_at_most: limited
            .then(|| outside_at_most(&means, limit_low, limit_high, capability.cpk_limits)),
        outliers: outlying.iter().map(|at| units[*at].unit.to_owned()).collect(),
    }
}

/// Runs both outlier tests, writes their figures into the units' rows, and returns the places in
/// `units` that both name.
fn mark_outliers(
    key: &Key,
    units: &[UnitValue<'_>],
    means: &[f64],
    alpha: f64,
    rows: &mut [UnitRow],
) -> Vec<usize> {
    let most = ((means.len() as f64 * MOST_OUTLIERS) as usize).max(1);
    let rounds = esd_rounds(means, most, alpha);
    let named = esd_outliers(&rounds);
    let robust = RobustSpread::of(means);
    let score = |value: f64| robust.and_then(|robust| robust.z(value));
    let outlying: Vec<usize> = named
        .into_iter()
        .filter(|at| score(means[*at]).is_some_and(|z| z.abs() > MODIFIED_Z_CUT))
        .collect();
    for (place, unit) in units.iter().enumerate() {
        let round = rounds.iter().find(|round| round.index == place);
        for capture in &unit.captures {
            let found = rows[*capture]
                .measures
                .iter_mut()
                .find(|row| (row.measure, &row.load, &row.state) == (key.0, &key.1, &key.2));
            if let Some(row) = found {
                row.anomaly_score = score(unit.mean);
                row.esd_statistic = round.map(|round| round.statistic);
                row.esd_critical = round.map(|round| round.critical);
                row.outlier = outlying.contains(&place);
            }
        }
    }
    outlying
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

/// Says so where some units repeat worse than others: Bartlett's and Levene's tests must agree,
/// since Bartlett's alone takes a long tail for a spread.
fn uneven_repeats(units: &[UnitValue<'_>], name: &str, cautions: &mut Vec<Caution>) {
    let groups: Vec<Vec<f64>> =
        units.iter().filter(|u| u.repeats.len() > 2).map(|u| u.repeats.clone()).collect();
    let Some(((_, bartlett), (_, levene))) = bartlett(&groups).zip(levene(&groups)) else { return };
    if bartlett < TREND_RISK && levene < TREND_RISK {
        cautions.push(Caution::new(
            "uneven-repeats",
            format!("Repeats of the {name} scatter more for some units than for others (Bartlett {bartlett:.1e}, Levene {levene:.1e}): those units are unsteady, or were not left alone."),
        ));
    }
}

/// Upper 95 % bound on the share of units outside the limits: the smaller of the normal model's
/// `2 Φ(−3 Cpk_low)`, where capability is quoted, and Clopper & Pearson's bound on the count.
fn outside_at_most(
    means: &[f64],
    low: Option<f64>,
    high: Option<f64>,
    cpk_limits: Option<(f64, f64)>,
) -> f64 {
    let n = means.len() as f64;
    let outside = means
        .iter()
        .filter(|v| low.is_some_and(|low| **v < low) || high.is_some_and(|high| **v > high))
        .count() as f64;
    let counted = Beta::new(outside + 1.0, n - outside)
        .map_or(1.0, |distribution| distribution.inverse_cdf(0.95));
    match cpk_limits {
        Some((cpk_low, _)) if outside == 0.0 => {
            let tails = if low.is_some() && high.is_some() { 2.0 } else { 1.0 };
            counted.min(tails * normal_cdf(-3.0 * cpk_low))
        }
        _ => counted,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::Verdict;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    /// Units with a draw of 40 mA ± 0.5 mA (limit 45 mA) and two more measures; `fault` puts one
    /// value that many standard deviations from the centre.
    fn batch(
        seed: u64,
        n: usize,
        fault: impl Fn(usize, Measure) -> Option<f64>,
    ) -> Vec<UnitOutcome> {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        let mut draw = |measure, centre: f64, sd: f64, at: usize, limit: Option<f64>| {
            let z: f64 = StandardNormal.sample(&mut rng);
            Measured {
                measure,
                load: None,
                state: None,
                value: centre + sd * fault(at, measure).unwrap_or(z),
                expanded_uncertainty: None,
                scatter: Some(0.1 * sd),
                limit_low: None,
                limit_high: limit,
                verdict: Verdict::NoLimit,
            }
        };
        (0..n)
            .map(|at| UnitOutcome {
                unit: format!("rx-{at:03}"),
                file: format!("rx-{at:03}.csv"),
                status: UnitStatus::Measured,
                reason: None,
                duration_s: Some(1800.0),
                measured: vec![
                    draw(Measure::Draw, 0.040, 0.0005, at, Some(0.045)),
                    draw(Measure::SleepFloor, 12e-6, 0.4e-6, at, None),
                    draw(Measure::WakePeriod, 10.0, 0.02, at, None),
                ],
            })
            .collect()
    }

    fn named(found: &BatchFindings) -> Vec<String> {
        found.population.iter().flat_map(|row| row.outliers.clone()).collect()
    }

    #[test]
    fn clean_batches_seldom_name_an_outlier() {
        let total: usize =
            (0..100).map(|seed| named(&population(&batch(seed, 200, |_, _| None))).len()).sum();
        // One in fifty batches is the risk taken.
        assert!(total <= 5, "{total}");
    }

    #[test]
    fn faults_of_six_sigma_are_found() {
        for seed in 0..60 {
            let fault = |at: usize, measure| match (at, measure) {
                (17, Measure::Draw) | (120, Measure::WakePeriod) => Some(6.0),
                (66, Measure::SleepFloor) => Some(-6.0),
                _ => None,
            };
            let found = named(&population(&batch(seed, 200, fault)));
            for unit in ["rx-017", "rx-066", "rx-120"] {
                assert!(found.contains(&unit.to_owned()), "seed {seed}: {unit} not in {found:?}");
            }
        }
    }

    #[test]
    fn spread_between_units_is_found_under_the_measurements_own() {
        // Units 3.0 apart in sd 2, repeats of sd 1: components by simulation over 400 units.
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        let mut outcomes = Vec::new();
        for unit in 0..400 {
            let own: f64 = StandardNormal.sample(&mut rng);
            for _ in 0..3 {
                let z: f64 = StandardNormal.sample(&mut rng);
                let mut outcome = batch(0, 1, |_, _| None).remove(0);
                outcome.unit = format!("u{unit}");
                outcome.measured.truncate(1);
                outcome.measured[0].value = 100.0 + 2.0 * own + z;
                outcomes.push(outcome);
            }
        }
        let row = &population(&outcomes).population[0];
        assert_eq!(row.units, 400);
        approx::assert_relative_eq!(row.between_unit_sd.unwrap(), 2.0, max_relative = 0.1);
        approx::assert_relative_eq!(row.repeatability_sd.unwrap(), 1.0, max_relative = 0.1);
    }

    #[test]
    fn what_few_units_show_names_none_of_them() {
        let mut outcomes = batch(2, 40, |_, _| None);
        for at in 0..12 {
            let off = if at == 5 { 9.0 } else { 0.01 * at as f64 };
            let starting = Measured {
                state: Some("starting".to_owned()),
                load: Some("receiver".to_owned()),
                value: 1.0 + 0.1 * off,
                limit_high: None,
                ..outcomes[at].measured[0].clone()
            };
            outcomes[at].measured.push(starting);
        }
        let found = population(&outcomes);
        assert!(named(&found).is_empty(), "{:?}", named(&found));
        let told = found.cautions.iter().find(|caution| caution.code == "few-units").unwrap();
        assert!(told.text.contains("12 of 40 units"), "{}", told.text);
        // The same value among all the units does stand out.
        let all = batch(2, 40, |at, measure| {
            (measure == Measure::Draw).then(|| if at == 5 { 9.0 } else { 0.1 * at as f64 % 1.0 })
        });
        assert_eq!(named(&population(&all)), ["rx-005"]);
    }

    #[test]
    fn doubtful_and_unreadable_units_keep_their_row_and_do_not_count() {
        let mut outcomes = batch(1, 12, |_, _| None);
        outcomes[3].status = UnitStatus::Doubtful;
        outcomes[3].measured[0].value = 9.0;
        outcomes[4].status = UnitStatus::Unreadable;
        outcomes[4].measured.clear();
        let found = population(&outcomes);
        assert_eq!(found.units.len(), 12);
        assert!(found.population.iter().all(|row| row.units == 10));
        assert!(found.cautions.iter().any(|caution| caution.code == "left-out"));
        assert!(named(&found).is_empty());
        // What does not count does not stand out either, whatever its verdict.
        outcomes[3].measured[0].verdict = Verdict::NonConforming;
        let headline = population(&outcomes).headline;
        assert!(headline.contains("no unit stands out"), "{headline}");
    }

    // By hand: 1 to 9 have the mean 5 and the variance 60/8; with 1000 beside them the mean is 104.5.
    #[test]
    fn spread_and_capability_leave_the_outliers_out_alike() {
        for repeats in 1..=2 {
            let outcomes: Vec<UnitOutcome> = (0..10 * repeats)
                .map(|at| {
                    let unit = at / repeats;
                    let mut outcome = batch(0, 1, |_, _| None).remove(0);
                    outcome.unit = format!("u{unit}");
                    outcome.measured.truncate(1);
                    outcome.measured[0].scatter = Some(0.0);
                    outcome.measured[0].value = if unit == 9 { 1000.0 } else { unit as f64 + 1.0 };
                    outcome
                })
                .collect();
            let row = &population(&outcomes).population[0];
            assert_eq!(row.outliers, ["u9"]);
            approx::assert_relative_eq!(row.mean, 104.5, max_relative = 1e-12);
            approx::assert_relative_eq!(row.kept_mean.unwrap(), 5.0, max_relative = 1e-12);
            let sd = 7.5f64.sqrt();
            approx::assert_relative_eq!(row.kept_sd.unwrap(), sd, max_relative = 1e-12);
            approx::assert_relative_eq!(row.between_unit_sd.unwrap(), sd, max_relative = 1e-12);
        }
    }

    #[test]
    fn the_order_of_captures_changes_nothing_but_the_trend() {
        let fault = |at: usize, measure| (at == 30 && measure == Measure::Draw).then_some(7.0);
        let outcomes = batch(3, 60, fault);
        let mut turned = outcomes.clone();
        turned.reverse();
        let (one, mut other) = (population(&outcomes), population(&turned));
        for (row, back) in one.population.iter().zip(&mut other.population) {
            // The same numbers added in another order: exact sums, so exactly the same figures.
            back.order_trend_probability = row.order_trend_probability;
            assert_eq!(row, back);
        }
        other.units.reverse();
        assert_eq!(one.units, other.units);
        assert_eq!(one.headline, other.headline);
    }

    #[test]
    fn a_drift_over_the_order_of_test_and_two_groups_are_told() {
        let codes = |fault: &dyn Fn(usize, Measure) -> Option<f64>| {
            let found = population(&batch(11, 60, fault));
            let of = |code: &str| {
                let caution = found.cautions.iter().find(|caution| caution.code == code);
                caution.map(|caution| caution.text.clone())
            };
            (of("order-trend"), of("two-groups"))
        };
        assert_eq!(codes(&|_, _| None), (None, None));
        let wobble = |at: usize| 0.9 * ((at * 7919 % 13) as f64 / 6.0 - 1.0);
        let drifts =
            |at: usize, measure| (measure == Measure::Draw).then(|| wobble(at) + 0.1 * at as f64);
        assert!(codes(&drifts).0.unwrap().contains("draw rises over the order of test"));
        // A second reel: a third of the units eight standard deviations higher, in no order.
        let reels = |at: usize, measure| {
            let high = if (at * 7).is_multiple_of(3) { 8.0 } else { 0.0 };
            (measure == Measure::SleepFloor).then(|| wobble(at) + high)
        };
        let (_, groups) = codes(&reels);
        assert!(groups.unwrap().contains("33 % in the higher"));
    }

    #[test]
    fn the_headline_carries_the_risk_in_plain_words() {
        // Limit 45 mA, mean 40 mA, sd 0.5 mA: far inside; one in twelve outside: not.
        let sound = population(&batch(5, 200, |_, _| None)).headline;
        assert!(sound.contains("200 of 200 captures measured; no unit stands out."), "{sound}");
        assert!(sound.contains("with 95 % confidence at most"), "{sound}");
        assert!(sound.contains("in a million of such units lie outside"), "{sound}");
        let bad = |at: usize, measure| {
            (at.is_multiple_of(12) && measure == Measure::Draw).then_some(20.0 + at as f64 * 0.01)
        };
        let poor = population(&batch(5, 60, bad)).headline;
        let share: f64 = poor
            .split("at most ")
            .nth(1)
            .and_then(|rest| rest.split(" %").next())
            .and_then(|percent| percent.parse().ok())
            .unwrap();
        // Clopper & Pearson, one-sided 95 %: 5 of 60 is at most 16.7 % (quantile of Beta(6, 55)).
        assert!((share - 17.0).abs() <= 1.0, "{poor}");
    }

    #[test]
    fn an_empty_batch_and_a_single_unit_say_so_without_figures() {
        assert!(population(&[]).population.is_empty());
        let found = population(&batch(1, 1, |_, _| None));
        assert_eq!((found.population[0].sd, found.population[0].cpk), (None, None));
        assert!(found.headline.contains("no unit stands out"), "{}", found.headline);
        assert!(
            found.headline.ends_with("With 1 unit nothing can be said of the batch as a whole.")
        );
    }

    // Clopper & Pearson: none outside of n gives 1 − 0.05^(1/n); for 59 that is 4.95 %.
    #[test]
    fn none_of_fifty_nine_outside_is_at_most_five_percent() {
        let share = outside_at_most(&[1.0; 59], None, Some(2.0), None);
        approx::assert_relative_eq!(share, 1.0 - 0.05f64.powf(1.0 / 59.0), max_relative = 1e-6);
    }
}
