//! What a capture shows only beside the others: that it is shorter, sampled otherwise, or was read in
//! another unit of current.

use std::collections::BTreeMap;

use crate::findings::{Caution, Measure, UnitStatus};
use crate::loads::CLAMP_TURNED;
use crate::numeric::{Quantity, significant};

use super::measure::{Measured, UnitOutcome};
use super::missing::{lacking, untried};
use super::outliers::{MOST_OUTLIERS, median};
use super::twice::{copies, namesakes};

/// Captures that a batch needs before one is held against them.
pub(super) const ENOUGH: usize = 5;
/// Shorter than this share of the middle capture, and a part of the procedure may be missing.
const SHORT: f64 = 0.75;
/// Times between readings apart by more than this factor are no jitter of one clock.
const SAME_RATE: f64 = 1.2;
/// Powers of ten by which a unit of current is mistaken for another.
const PREFIXES: [f64; 4] = [1e3, 1e-3, 1e6, 1e-6];
/// Factor by which a whole unit may be off beside that.
const NEARLY: f64 = 2.0;
/// Captures named in one caution.
const NAMED: usize = 6;

/// The outcomes, more of them in doubt, and what is to be told of the batch.
#[derive(Debug)]
pub(super) struct Beside {
    pub(super) outcomes: Vec<UnitOutcome>,
    pub(super) cautions: Vec<Caution>,
}

/// Holds every capture against the others. O(captures · measures).
pub(super) fn beside(outcomes: &[UnitOutcome]) -> Beside {
    let mut outcomes = outcomes.to_vec();
    doubt_units(&mut outcomes);
    tell_doubtful_length(&mut outcomes);
    let mut cautions = Vec::new();
    cautions.extend(untried(&outcomes));
    cautions.extend(shorter(&outcomes));
    cautions.extend(sampled_otherwise(&outcomes));
    cautions.extend(turned(&outcomes));
    cautions.extend(zero_unseen(&outcomes));
    cautions.extend(range_end(&outcomes));
    cautions.extend(lacking(&outcomes));
    cautions.extend(copies(&outcomes));
    cautions.extend(namesakes(&outcomes));
    Beside { outcomes, cautions }
}

pub(super) type Key = (Measure, Option<String>, Option<String>);

pub(super) fn key(measured: &Measured) -> Key {
    (measured.measure, measured.load.clone(), measured.state.clone())
}

pub(super) fn counting(outcomes: &[UnitOutcome]) -> impl Iterator<Item = &UnitOutcome> {
    outcomes.iter().filter(|outcome| outcome.status == UnitStatus::Measured)
}

/// Captures of which nearly every current is a power of a thousand times the others' are in doubt.
fn doubt_units(outcomes: &mut [UnitOutcome]) {
    let of_current =
        |m: &&Measured| matches!(m.measure, Measure::Draw | Measure::SleepFloor) && m.value > 0.0;
    let mut columns: BTreeMap<Key, Vec<f64>> = BTreeMap::new();
    for measured in counting(outcomes).flat_map(|o| &o.measured).filter(of_current) {
        columns.entry(key(measured)).or_default().push(measured.value);
    }
    let middles: BTreeMap<Key, f64> = columns
        .into_iter()
        .filter(|(_, values)| values.len() >= ENOUGH)
        .filter_map(|(key, values)| Some((key, median(&values)?)))
        .collect();
    for outcome in outcomes {
        let ratios: Vec<f64> = outcome
            .measured
            .iter()
            .filter(of_current)
            .filter_map(|measured| Some(measured.value / middles.get(&key(measured))?))
            .collect();
        let by = |prefix: &f64| {
            let near = |ratio: &f64| (1.0 / NEARLY..NEARLY).contains(&(ratio / prefix));
            // A single one may be the unit's fault, and what is left of the zero is no current of it.
            let count = ratios.iter().filter(|ratio| near(ratio)).count();
            count > 1 && 3 * count > 2 * ratios.len()
        };
        let Some(prefix) = PREFIXES.into_iter().find(|prefix| by(prefix)) else { continue };
        let times = if prefix > 1.0 {
            format!("{prefix} times")
        } else {
            format!("1/{:.0} of", 1.0 / prefix)
        };
        let told = format!(
            "its currents are about {times} the other units': look at the unit of its current column, or at the meter's range"
        );
        outcome.status = UnitStatus::Doubtful;
        outcome.reason = Some(match outcome.reason.take() {
            Some(reason) => format!("{told}; {reason}"),
            None => told,
        });
    }
}

/// Length of the middle capture, of enough of them.
fn middle_length_s(outcomes: &[UnitOutcome]) -> Option<f64> {
    let lengths: Vec<f64> = counting(outcomes).filter_map(|o| o.duration_s).collect();
    median(&lengths).filter(|_| lengths.len() >= ENOUGH)
}

/// A capture in doubt that is much shorter than the others is so for that, mostly.
fn tell_doubtful_length(outcomes: &mut [UnitOutcome]) {
    let Some(middle_s) = middle_length_s(outcomes) else { return };
    for outcome in outcomes.iter_mut().filter(|o| o.status == UnitStatus::Doubtful) {
        let short = outcome.duration_s.filter(|s| *s < SHORT * middle_s);
        if let Some((s, reason)) = short.zip(outcome.reason.as_mut()) {
            reason.push_str(&format!("; it is {s:.0} s long, the middle capture {middle_s:.0} s"));
        }
    }
}

/// Few captures whose readings stand still at their highest, which is less than the others reach.
fn range_end(outcomes: &[UnitOutcome]) -> Option<Caution> {
    let highest: Vec<f64> = counting(outcomes).filter_map(|o| o.highest_a).collect();
    let middle_a = median(&highest).filter(|_| highest.len() >= ENOUGH)?;
    let still: Vec<String> = counting(outcomes)
        .filter(|o| o.still_at_highest)
        .filter_map(|o| Some((o, o.highest_a.filter(|a| *a < middle_a)?)))
        .map(|(o, a)| format!("{} ({})", o.unit, Quantity::amperes(a)))
        .collect();
    (!still.is_empty() && still.len() as f64 <= MOST_OUTLIERS * highest.len() as f64).then(|| {
        Caution::new(
            "range-end",
            format!("Readings stand still at their highest, where the other captures go up to {}: {}. The meter may have been at the end of its range: measure again on a higher one before believing what is said of these.", Quantity::amperes(middle_a), listed(&still)),
        )
    })
}

/// Captures that end much earlier than the middle one.
fn shorter(outcomes: &[UnitOutcome]) -> Option<Caution> {
    let middle_s = middle_length_s(outcomes)?;
    let short: Vec<String> = counting(outcomes)
        .filter_map(|o| Some((o, o.duration_s.filter(|s| *s < SHORT * middle_s)?)))
        .map(|(o, s)| format!("{} ({s:.0} s)", o.unit))
        .collect();
    (!short.is_empty()).then(|| {
        Caution::new(
            "short-captures",
            format!("Much shorter than the middle capture with its {middle_s:.0} s: {}. They count with what they show; what comes later in the procedure was not tested.", listed(&short)),
        )
    })
}

/// Captures whose readings are closer together or farther apart than the middle one's.
fn sampled_otherwise(outcomes: &[UnitOutcome]) -> Option<Caution> {
    let mut intervals_s: Vec<f64> = counting(outcomes).filter_map(|o| o.interval_s).collect();
    intervals_s.sort_by(f64::total_cmp);
    // One that was used, even where two rates share the batch.
    let middle_s = *intervals_s.get(intervals_s.len().saturating_sub(1) / 2)?;
    let same = |s: f64| (middle_s / SAME_RATE..=middle_s * SAME_RATE).contains(&s);
    let other: Vec<String> = counting(outcomes)
        .filter_map(|o| Some((o, o.interval_s.filter(|s| !same(*s))?)))
        .map(|(o, s)| format!("{} ({})", o.unit, seconds(s)))
        .collect();
    (!other.is_empty()).then(|| {
        Caution::new(
            "sampling-differs",
            format!("Sampled every {} in the middle capture, otherwise in these: {}. Noise, the charge of wakes and shares of time depend on it: do not hold them against the others by these.", seconds(middle_s), listed(&other)),
        )
    })
}

/// Captures whose clamp sat the other way: of some it is a slip, of all it is the rig.
fn turned(outcomes: &[UnitOutcome]) -> Option<Caution> {
    let units: Vec<String> =
        counting(outcomes).filter(|o| o.turned).map(|o| o.unit.clone()).collect();
    let whole = counting(outcomes).count();
    (!units.is_empty()).then(|| {
        Caution::new(
            CLAMP_TURNED,
            format!("Readings turned round, since switching on lowered them: {} ({} of {whole} captures). The clamp sat the other way; their figures count.", listed(&units), units.len()),
        )
    })
}

/// Captures whose zero nobody checked.
fn zero_unseen(outcomes: &[UnitOutcome]) -> Option<Caution> {
    let units: Vec<String> =
        counting(outcomes).filter(|o| o.zero_unseen).map(|o| o.unit.clone()).collect();
    let whole = counting(outcomes).count();
    let which = match units.len() {
        0 => return None,
        n if n == whole => "any capture".to_owned(),
        n => format!("{} ({n} of {whole} captures)", listed(&units)),
    };
    Some(Caution::new(
        "zero-not-checked",
        format!(
            "No zero was checked in {which}: their levels hold what the meter shows with nothing connected, which tells most on small ones. Have the rig list a `zero` while its output is off."
        ),
    ))
}

fn seconds(value_s: f64) -> String {
    format!("{} s", significant(value_s, 3))
}

pub(super) fn listed(names: &[String]) -> String {
    let more = names.len().saturating_sub(NAMED);
    let named = names[..names.len() - more].join(", ");
    if more > 0 { format!("{named}, and {more} more") } else { named }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::findings::Verdict;

    pub(in super::super) fn unit(at: usize) -> UnitOutcome {
        let of = |measure, value: f64| Measured {
            measure,
            load: None,
            state: None,
            value: value * (1.0 + 0.01 * (at % 5) as f64 + 1e-6 * at as f64),
            expanded_uncertainty: None,
            scatter: None,
            limit_low: None,
            limit_high: None,
            verdict: Verdict::NoLimit,
            judged: None,
        };
        UnitOutcome {
            unit: format!("rx-{at:02}"),
            file: format!("rx-{at:02}.csv"),
            status: UnitStatus::Measured,
            reason: None,
            duration_s: Some(1500.0),
            interval_s: Some(0.1 + 1e-4 * at as f64),
            start: None,
            turned: false,
            zero_unseen: false,
            highest_a: Some(0.1),
            still_at_highest: false,
            measured: vec![of(Measure::Draw, 35e-3), of(Measure::SleepFloor, 1.2e-3)],
        }
    }

    pub(in super::super) fn told(found: &Beside, code: &str) -> Vec<String> {
        let cautions = found.cautions.iter().filter(|caution| caution.code == code);
        cautions.map(|caution| caution.text.clone()).collect()
    }

    #[test]
    fn captures_like_one_another_are_left_alone() {
        let outcomes: Vec<UnitOutcome> = (0..12).map(unit).collect();
        let found = beside(&outcomes);
        assert_eq!(found.outcomes, outcomes);
        assert!(found.cautions.is_empty(), "{:?}", found.cautions);
    }

    #[test]
    fn a_capture_in_another_unit_of_current_is_in_doubt() {
        let mut outcomes: Vec<UnitOutcome> = (0..12).map(unit).collect();
        outcomes[4].measured.iter_mut().for_each(|measured| measured.value *= 1e3);
        // A unit that sleeps badly is no such capture.
        outcomes[5].measured[1].value *= 1e3;
        outcomes[6].measured.truncate(1);
        outcomes[6].measured[0].value *= 1e-3;
        // What is left of the zero is as the others'.
        for outcome in outcomes.iter_mut().filter(|outcome| outcome.unit != "rx-06") {
            for state in ["off", "on"] {
                let state = Some(state.to_owned());
                outcome.measured.push(Measured { state, ..outcome.measured[0].clone() });
            }
        }
        outcomes[4].measured[2].value = 35e-3;
        let found = beside(&outcomes);
        let doubtful: Vec<usize> =
            (0..12).filter(|at| found.outcomes[*at].status == UnitStatus::Doubtful).collect();
        assert_eq!(doubtful, [4]);
        let reason = found.outcomes[4].reason.as_deref().unwrap();
        assert!(reason.contains("about 1000 times the other units'"), "{reason}");
    }

    #[test]
    fn what_is_short_and_what_is_missing_is_told_by_name() {
        let mut outcomes: Vec<UnitOutcome> = (0..12).map(unit).collect();
        outcomes[2].duration_s = Some(599.0);
        outcomes[9].measured.remove(0);
        let found = beside(&outcomes);
        let short = told(&found, "short-captures");
        assert!(short[0].contains("1500 s: rx-02 (599 s)"), "{short:?}");
        let missing = told(&found, "not-shown");
        assert_eq!(missing.len(), 1);
        assert!(missing[0].contains("the draw: rx-09 (1 of 12)."), "{missing:?}");
    }

    #[test]
    fn a_short_capture_in_doubt_tells_its_length() {
        let mut outcomes: Vec<UnitOutcome> = (0..12).map(unit).collect();
        for at in [2, 3] {
            outcomes[at].status = UnitStatus::Doubtful;
            outcomes[at].reason = Some("its zero is off".to_owned());
        }
        outcomes[2].duration_s = Some(300.0);
        let found = beside(&outcomes);
        let reason = |at: usize| found.outcomes[at].reason.clone().unwrap();
        assert_eq!(reason(2), "its zero is off; it is 300 s long, the middle capture 1500 s");
        assert_eq!(reason(3), "its zero is off");
    }

    #[test]
    fn a_capture_at_the_end_of_its_range_is_told() {
        let mut outcomes: Vec<UnitOutcome> = (0..12).map(unit).collect();
        outcomes[4].highest_a = Some(0.0105);
        outcomes[4].still_at_highest = true;
        // One that reaches as far as the others is in a coarser range.
        outcomes[5].still_at_highest = true;
        let told_of = |outcomes: &[UnitOutcome]| told(&beside(outcomes), "range-end");
        assert!(told_of(&outcomes)[0].contains("up to 100 mA: rx-04 (10.5 mA)."));
        outcomes[..4].iter_mut().for_each(|outcome| {
            outcome.still_at_highest = true;
            outcome.highest_a = Some(0.09);
        });
        assert!(told_of(&outcomes).is_empty());
    }

    #[test]
    fn a_clamp_that_sat_the_other_way_is_told_by_name() {
        let mut outcomes: Vec<UnitOutcome> = (0..12).map(unit).collect();
        outcomes[5].turned = true;
        let turned = told(&beside(&outcomes), CLAMP_TURNED);
        assert!(turned[0].contains("lowered them: rx-05 (1 of 12 captures)."), "{turned:?}");
    }

    #[test]
    fn a_zero_that_nobody_checked_is_told() {
        let mut outcomes: Vec<UnitOutcome> = (0..12).map(unit).collect();
        outcomes[5].zero_unseen = true;
        let found = told(&beside(&outcomes), "zero-not-checked");
        assert!(found[0].contains("checked in rx-05 (1 of 12 captures): "), "{found:?}");
        outcomes.iter_mut().for_each(|outcome| outcome.zero_unseen = true);
        let found = told(&beside(&outcomes), "zero-not-checked");
        assert!(found[0].contains("checked in any capture: "), "{found:?}");
    }

    #[test]
    fn captures_of_another_rate_are_told_with_it() {
        let mut outcomes: Vec<UnitOutcome> = (0..12).map(unit).collect();
        outcomes[3].interval_s = Some(0.5);
        outcomes[6].interval_s = Some(0.02);
        outcomes[8].interval_s = None;
        let found = told(&beside(&outcomes), "sampling-differs");
        assert!(found[0].contains(": rx-03 (0.5 s), rx-06 (0.02 s)."), "{found:?}");
        // Half and half: the middle is one of the two rates.
        for at in 0..12 {
            outcomes[at].interval_s = Some(if at % 2 == 0 { 0.1 } else { 1.0 });
        }
        let found = told(&beside(&outcomes), "sampling-differs");
        assert!(found[0].starts_with("Sampled every 0.1 s in the middle"), "{found:?}");
        assert!(found[0].contains("rx-11 (1 s)."), "{found:?}");
    }
}
