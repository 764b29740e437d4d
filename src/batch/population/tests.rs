//! Batches of known centre and spread.

use super::*;
use crate::findings::{Group, Standing, Verdict};
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

/// Units with a draw of 40 mA ± 0.5 mA (limit 45 mA) and two more measures; `fault` puts one
/// value that many standard deviations from the centre.
fn batch(seed: u64, n: usize, fault: impl Fn(usize, Measure) -> Option<f64>) -> Vec<UnitOutcome> {
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
            judged: None,
        }
    };
    (0..n)
        .map(|at| UnitOutcome {
            unit: format!("rx-{at:03}"),
            file: format!("rx-{at:03}.csv"),
            status: UnitStatus::Measured,
            reason: None,
            duration_s: Some(1800.0),
            interval_s: Some(0.1),
            start: None,
            turned: false,
            zero_unseen: false,
            highest_a: Some(0.1),
            still_at_highest: false,
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

// Far from the others' by two quantities and beyond the limit of the one that is less so.
#[test]
fn the_limit_that_a_unit_breaks_is_told_before_what_is_farther_off() {
    let fault = |at, measure| match (at, measure) {
        (17, Measure::Draw) => Some(12.0),
        (17, Measure::WakePeriod) => Some(40.0),
        _ => None,
    };
    let mut outcomes = batch(3, 60, fault);
    let told = |outcomes: &[UnitOutcome]| population(outcomes).headline;
    assert!(told(&outcomes).contains("1 stands out: rx-017 (wake period 10.8 s)."));
    outcomes[17].measured[0].verdict = Verdict::NonConforming;
    let headline = told(&outcomes);
    assert!(headline.contains("out: rx-017 (draw 46.0 mA, beyond its limit)."), "{headline}");
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
    let found = population(&batch(11, 60, reels));
    assert!(found.cautions.iter().all(|caution| caution.code != "not-normal"));
}

#[test]
fn the_headline_carries_the_risk_in_plain_words() {
    // Limit 45 mA, mean 40 mA, sd 0.5 mA: far inside; one in twelve outside: not.
    let sound = population(&batch(5, 200, |_, _| None)).headline;
    assert!(sound.contains("200 of 200 captures measured; no unit stands out."), "{sound}");
    // 1 − 0.05^(1/200) is 1.49 %.
    let counted =
        "With 95 % confidence at most 1.5 % of such units lie outside, going by their count";
    assert!(sound.contains(counted), "{sound}");
    assert!(sound.contains("in a million if their values are normally distributed"), "{sound}");
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
    assert!(found.headline.ends_with("With 1 unit nothing can be said of the batch as a whole."));
}

// Clopper & Pearson: none outside of n gives 1 − 0.05^(1/n); for 59 that is 4.95 %.
#[test]
fn none_of_fifty_nine_outside_is_at_most_five_percent() {
    let share = outside_at_most(0, 59);
    approx::assert_relative_eq!(share, 1.0 - 0.05f64.powf(1.0 / 59.0), max_relative = 1e-6);
}

// At Clopper & Pearson's bound `outside` or fewer of n have the probability 5 %, as the binomial
// distribution has it.
#[test]
fn what_was_set_aside_leaves_the_count_as_bound() {
    // The limit is ten standard deviations from the middle.
    for (at_sd, outside) in [(9.8, 0), (10.2, 1), (10.2, 2)] {
        let far = |at: usize, measure| {
            let near = if at < outside || outside == 0 { at_sd } else { 9.8 };
            (at < 2 && measure == Measure::Draw).then_some(near)
        };
        let found = population(&batch(4, 20, far));
        let row = found.population.iter().find(|row| row.measure == Measure::Draw).unwrap();
        assert_eq!(row.outliers.iter().max().unwrap(), "rx-001");
        assert_eq!(row.outliers.len(), 2);
        let share = row.outside_at_most.unwrap();
        let ways = [1.0, 20.0, 190.0];
        let exactly = |k: i32| ways[k as usize] * share.powi(k) * (1.0 - share).powi(20 - k);
        let at_most: f64 = (0..=outside as i32).map(exactly).sum();
        approx::assert_relative_eq!(at_most, 0.05, max_relative = 1e-6);
    }
    // Nothing set aside: a model of the values says more than the count, and is told as one.
    let clean = population(&batch(4, 20, |_, _| None));
    let row = clean.population.iter().find(|row| row.measure == Measure::Draw).unwrap();
    assert!(row.outside_at_most_if_normal.unwrap() < 1e-3, "{row:?}");
    approx::assert_relative_eq!(
        row.outside_at_most.unwrap(),
        1.0 - 0.05f64.powf(1.0 / 20.0),
        max_relative = 1e-6
    );
}

// One unit in fifty is dead or shorted. A batch of 24 that happens to hold none looks normal, yet the
// bound must hold the true share in 95 of 100.
#[test]
fn the_bound_on_the_share_outside_holds_for_a_mixed_batch() {
    let missed = |n: usize| {
        let below = |seed: &u64| {
            let bad = |at: usize, m| {
                let chance = (seed * 7919 + at as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 40;
                (m == Measure::Draw && chance.is_multiple_of(50)).then_some(20.0)
            };
            let found = population(&batch(*seed, n, bad));
            let row = found.population.iter().find(|row| row.measure == Measure::Draw).unwrap();
            row.outside_at_most.unwrap() < 0.02
        };
        (0..200).filter(below).count()
    };
    // 10 of 200 are expected at most; 19 or more come once in 200 times.
    assert!(missed(24) < 19 && missed(60) < 19, "{} {}", missed(24), missed(60));
}

#[test]
fn units_too_near_to_tell_are_counted_in_the_headline() {
    let mut outcomes = batch(5, 24, |_, _| None);
    for outcome in &mut outcomes[3..5] {
        outcome.measured[0].verdict = Verdict::Indeterminate;
    }
    let told = population(&outcomes).headline;
    assert!(told.contains("none of 24 units is beyond it, 2 too near to tell. With"), "{told}");
}

// A second reel: a share of the units eight standard deviations higher or lower.
#[test]
fn a_second_reel_is_told_as_a_group_whatever_its_share() {
    for (nth, side) in [(7, 8.0), (7, -8.0), (3, 8.0)] {
        for seed in 0..10 {
            let mut values = batch(seed, 63, |_, _| None);
            for at in (0..63).filter(|at| at % nth == 1) {
                values[at].measured[1].value += side * 0.4e-6;
            }
            let found = population(&values);
            let row = found.population.iter().find(|row| row.measure == Measure::SleepFloor);
            let row = row.unwrap();
            let (low, high) = row.two_groups.expect("a group");
            approx::assert_relative_eq!(high - low, 3.2e-6, max_relative = 0.15);
            for (at, unit) in found.units.iter().enumerate() {
                let own = unit.measures[1].group;
                let higher = (at % nth == 1) == (side > 0.0);
                assert_eq!(own, Some(if higher { Group::Higher } else { Group::Lower }), "{at}");
            }
            let told = found.cautions.iter().filter(|c| c.code == "two-groups").count();
            assert_eq!(told, 1);
            // A third of a batch is no set of outliers.
            let named = row.outliers.len();
            assert!(if nth == 3 { named == 0 } else { named >= 9 }, "{nth}: {named}");
        }
    }
}

#[test]
fn nearest_to_its_limit_is_what_its_worst_unit_comes_nearest_to() {
    // The middle wake period is 5 standard deviations from its limit, the middle draw 10, its worst 0.2.
    let far = |at: usize, measure| (at == 3 && measure == Measure::Draw).then_some(9.8);
    let mut outcomes = batch(4, 20, far);
    let limit_period = |outcomes: &mut [UnitOutcome], limit_s: f64| {
        outcomes.iter_mut().for_each(|o| o.measured[2].limit_high = Some(limit_s));
    };
    limit_period(&mut outcomes, 10.1);
    let told = population(&outcomes).headline;
    assert!(told.contains("Nearest to its limit is the draw: none of 20"), "{told}");
    // Where each has a unit beyond its limit, the middle tells.
    outcomes[3].measured[0].value = 60e-3;
    outcomes[8].measured[2].value = 10.5;
    let told = population(&outcomes).headline;
    assert!(told.contains("Nearest to its limit is the wake period"), "{told}");
    // A batch whose middle is beyond a limit fails by that one, whatever a single unit does.
    outcomes[8].measured[2].value = 10.0;
    limit_period(&mut outcomes, 9.98);
    let told = population(&outcomes).headline;
    assert!(told.contains("Nearest to its limit is the wake period"), "{told}");
}

#[test]
fn units_that_were_not_held_to_a_limit_leave_no_plain_answer() {
    for awake in [1, 12] {
        let mut outcomes = batch(1, 12, |_, _| None);
        for outcome in &mut outcomes[..awake] {
            outcome.measured.truncate(1);
            outcome.reason = Some("no limit on sleep was tried".to_owned());
        }
        let found = population(&outcomes);
        let told = found.headline;
        assert!(!told.contains("stands out."), "{told}");
        let count = format!("no unit stands out, but {awake} of them");
        assert!(told.contains(&count) && told.contains("rx-000"), "{told}");
    }
}

// Four quantities with a limit, ten looked at for a trend: each taken by itself would give a false word in 4 and
// in 10 of 100 batches.
#[test]
fn the_more_is_looked_at_the_more_it_takes_to_be_told() {
    let mut told = BTreeMap::new();
    for seed in 0..400 {
        let mut outcomes = batch(seed, 24, |_, _| None);
        for state in 0..7 {
            let more = batch(1000 + 400 * state + seed, 24, |_, _| None);
            for (outcome, other) in outcomes.iter_mut().zip(more) {
                let state = Some(format!("state {state}"));
                let limit_high = Some(0.045).filter(|_| state < Some("state 3".to_owned()));
                let first = other.measured.into_iter().next().unwrap();
                outcome.measured.push(Measured { state, limit_high, ..first });
            }
        }
        let found = population(&outcomes);
        let codes: BTreeSet<String> = found.cautions.into_iter().map(|c| c.code).collect();
        codes.into_iter().for_each(|code| *told.entry(code).or_insert(0) += 1);
    }
    // 8 of 400 are expected at most; 17 or more come once in 200 times.
    for code in ["order-trend", "not-normal"] {
        assert!(told.get(code).is_none_or(|batches| *batches < 17), "{told:?}");
    }
}

// Floors of 0.80 mA and 0.90 mA on a meter of 0.1 mA, 41 µA of rounding and zero each: what is not normal is the
// meter. The same figures from a fine one are the units'.
#[test]
fn steps_of_the_meter_are_not_told_as_a_shape_of_the_batch() {
    let codes = |scatter_a| {
        let mut outcomes = batch(9, 40, |_, _| None);
        for (at, outcome) in outcomes.iter_mut().enumerate() {
            let floor = &mut outcome.measured[1];
            floor.value = if at % 2 == 1 { 0.9e-3 } else { 0.8e-3 };
            floor.value += 1e-12 * at as f64;
            floor.scatter = Some(scatter_a);
            floor.limit_high = Some(1.5e-3);
        }
        let found = population(&outcomes);
        let row = found.population.iter().find(|row| row.measure == Measure::SleepFloor).unwrap();
        assert_eq!(row.cpk, None);
        let told = |code: &str| found.cautions.iter().any(|caution| caution.code == code);
        (told("spread-not-shown"), told("not-normal"), told("two-groups"))
    };
    assert_eq!(codes(41e-6), (true, false, false));
    assert_eq!(codes(1e-6), (false, false, true));
}

/// Each of `n` units captured in each of three folders, the draw by `rig` off.
fn captured_thrice(seed: u64, n: usize, rig: impl Fn(usize, usize) -> f64) -> Vec<UnitOutcome> {
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
    let units = batch(seed, n, |_, _| None);
    let captured = (0..3 * n).map(|at| {
        let (folder, unit) = (at / n, at % n);
        let z: f64 = StandardNormal.sample(&mut rng);
        let mut outcome = units[unit].clone();
        outcome.file = format!("bench/rig{}/rx-{unit:03}.csv", folder + 1);
        outcome.measured[0].value += rig(folder, unit) + 2e-5 * z;
        outcome
    });
    captured.collect()
}

fn told_as<'a>(found: &'a BatchFindings, code: &str) -> Option<&'a str> {
    let caution = found.cautions.iter().find(|caution| caution.code == code);
    caution.map(|caution| caution.text.as_str())
}

// Three captures each: the units' means count, and a unit is one however many of its captures stand out.
#[test]
fn a_unit_that_was_captured_thrice_is_named_once() {
    let odd = |folder, unit| match (folder, unit) {
        (_, 4) => 6e-3,
        (1, 9) => 9e-3,
        _ => 0.0,
    };
    let mut outcomes = captured_thrice(8, 24, odd);
    for outcome in outcomes.iter_mut().filter(|o| o.measured[0].value > 45e-3) {
        outcome.measured[0].verdict = Verdict::NonConforming;
    }
    let found = population(&outcomes);
    let told = &found.headline;
    assert!(told.starts_with("72 of 72 captures measured, of 24 units; 2 stand out: "), "{told}");
    assert!(told.contains("beyond its limit in all 3 captures"), "{told}");
    assert!(told.contains("beyond its limit in 1 of 3 captures"), "{told}");
    assert_eq!(told.matches("rx-009").count(), 1, "{told}");
    // By hand, two of 24 are beyond it: at most the share p of which that few come once in twenty times.
    let p = found.population[0].outside_at_most.unwrap();
    let exactly = |k: i32, ways: f64| ways * p.powi(k) * (1.0 - p).powi(24 - k);
    let at_most_two = exactly(0, 1.0) + exactly(1, 24.0) + exactly(2, 276.0);
    approx::assert_relative_eq!(at_most_two, 0.05, max_relative = 1e-6);
    // The capture that is beyond is the one whose value is told.
    let standing = Standing::all(&found.units);
    let ninth = standing.iter().find(|of| found.units[of.at].unit == "rx-009").unwrap();
    assert_eq!((ninth.captures, ninth.beyond), (3, 1));
    assert!(ninth.value() > 45e-3 && ninth.mean < 45e-3, "{ninth:?}");
}

// One rig of three reads half a standard deviation of the units too much.
#[test]
fn a_rig_unlike_the_others_is_told_and_not_blamed_on_units() {
    let off = |folder, _| if folder == 2 { 0.25e-3 } else { 0.0 };
    let found = population(&captured_thrice(2, 24, off));
    let told = told_as(&found, "setups-differ").unwrap();
    assert!(told.starts_with("The draw differs between the folders: about 40."), "{told}");
    assert!(told.contains(" in rig3, ") && told.contains("not the units."), "{told}");
    assert!(!told.contains("sleep floor"), "{told}");
    assert!(found.headline.contains("highest in rig3."), "{}", found.headline);
    // One after the other, of different units: the rig, and no drift.
    let mut outcomes = batch(9, 60, |_, _| None);
    for (at, outcome) in outcomes.iter_mut().enumerate() {
        outcome.file = format!("{}/{}", if at < 30 { "a" } else { "b" }, outcome.file);
        outcome.measured[0].value += if at < 30 { 0.0 } else { 0.75e-3 };
    }
    let found = population(&outcomes);
    assert!(told_as(&found, "setups-differ").unwrap().contains("Before blaming units"));
    assert_eq!(told_as(&found, "order-trend"), None);
}

#[test]
fn rigs_alike_are_told_as_different_no_more_often_than_the_risk() {
    let told = |n| {
        let alike = |seed: &u64| {
            let found = population(&captured_thrice(*seed, n, |_, _| 0.0));
            told_as(&found, "setups-differ").is_some()
        };
        (0..200).filter(alike).count()
    };
    // 4 of 200 are expected at most; 11 or more come once in 200 times.
    assert!(told(12) < 11 && told(24) < 11, "{} {}", told(12), told(24));
}

#[test]
fn what_the_batch_tells_as_a_whole_stands_in_its_headline() {
    let wobble = |at: usize| 0.9 * ((at * 7919 % 13) as f64 / 6.0 - 1.0);
    let reels = |at: usize, measure| {
        let high = if at >= 40 { 8.0 } else { 0.0 };
        (measure == Measure::SleepFloor).then(|| wobble(at) + high)
    };
    let found = population(&batch(11, 60, reels));
    let told = &found.headline;
    let expected = "The sleep floor falls into two groups, 20 of 60 units in the higher.";
    assert!(told.contains(expected), "{told}");
    let caution = told_as(&found, "two-groups").unwrap();
    assert!(caution.contains("In the higher: rx-040, rx-041, "), "{caution}");
    assert!(caution.contains("what changed between rx-039 and rx-040."), "{caution}");
    assert_eq!(told_as(&found, "order-trend"), None);
    let drifts =
        |at: usize, measure| (measure == Measure::Draw).then(|| wobble(at) + 0.1 * at as f64);
    let found = population(&batch(11, 60, drifts));
    assert!(found.headline.contains("The draw drifts over the order of test."));
    // 0 to 5.9 standard deviations of 0.5 mA on 40 mA: the thirds' medians lie 2 mA apart.
    let caution = told_as(&found, "order-trend").unwrap();
    assert!(caution.contains("from about 40.5 mA in its first third to 42.5 mA"), "{caution}");
    assert!(!caution.contains("step"), "{caution}");
}

// A limit of 36 mA on a draw of 40 mA: the limit is to be looked at, and no unit is told by it.
#[test]
fn a_limit_that_nobody_meets_is_told_as_one() {
    let fault = |at, measure| (at == 5 && measure == Measure::WakePeriod).then_some(12.0);
    let mut outcomes = batch(6, 24, fault);
    for outcome in &mut outcomes {
        outcome.measured[0].limit_high = Some(36e-3);
        outcome.measured[0].verdict = Verdict::NonConforming;
    }
    let told = population(&outcomes).headline;
    let expected = "; most units are beyond the limit of the draw, and 1 stands out otherwise: rx-005 (wake period 10.24 s). ";
    assert!(told.contains(expected), "{told}");
    assert!(told.contains("Farthest beyond its limit is the draw: 24 of 24 units"), "{told}");
    // Clopper & Pearson: all of n are at least 0.05^(1/n), 88.3 % of 24.
    assert!(told.contains("at least 88 % of such units lie outside"), "{told}");
    approx::assert_relative_eq!(
        outside_at_least(24, 24),
        0.05f64.powf(1.0 / 24.0),
        max_relative = 1e-6
    );
}
