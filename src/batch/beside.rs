//! What a capture shows only beside the others: that it is shorter, lacks what they have, or was read in
//! another unit.

use std::collections::BTreeMap;
use std::path::Path;

use crate::findings::{Caution, Measure, UnitStatus};

use super::headline::name_of;
use super::measure::{Measured, UnitOutcome};
use super::outliers::median;

/// Captures that a batch needs before one is held against them.
const ENOUGH: usize = 5;
/// Share of the captures that show what one is then missing.
const SHOWN_BY: f64 = 0.9;
/// Shorter than this share of the middle capture, and a part of the procedure may be missing.
const SHORT: f64 = 0.75;
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
    let mut cautions = Vec::new();
    cautions.extend(shorter(&outcomes));
    cautions.extend(lacking(&outcomes));
    cautions.extend(copies(&outcomes));
    cautions.extend(namesakes(&outcomes));
    Beside { outcomes, cautions }
}

type Key = (Measure, Option<String>, Option<String>);

fn key(measured: &Measured) -> Key {
    (measured.measure, measured.load.clone(), measured.state.clone())
}

fn counting(outcomes: &[UnitOutcome]) -> impl Iterator<Item = &UnitOutcome> {
    outcomes.iter().filter(|outcome| outcome.status == UnitStatus::Measured)
}

/// Captures whose every current is a power of a thousand times the others' are in doubt.
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
            // A single one may be the unit's fault.
            ratios.len() > 1 && ratios.iter().all(near)
        };
        let Some(prefix) = PREFIXES.into_iter().find(|prefix| by(prefix)) else { continue };
        let times = if prefix > 1.0 {
            format!("{prefix} times")
        } else {
            format!("1/{:.0} of", 1.0 / prefix)
        };
        let told = format!(
            "all its currents are about {times} the other units': look at the unit of its current column, or at the meter's range"
        );
        outcome.status = UnitStatus::Doubtful;
        outcome.reason = Some(match outcome.reason.take() {
            Some(reason) => format!("{told}; {reason}"),
            None => told,
        });
    }
}

/// Captures that end much earlier than the middle one.
fn shorter(outcomes: &[UnitOutcome]) -> Option<Caution> {
    let lengths: Vec<f64> = counting(outcomes).filter_map(|o| o.duration_s).collect();
    if lengths.len() < ENOUGH {
        return None;
    }
    let middle_s = median(&lengths)?;
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

/// Captures that give the very same figures: no two measurements do.
fn copies(outcomes: &[UnitOutcome]) -> Option<Caution> {
    let mut first: BTreeMap<Vec<u64>, &str> = BTreeMap::new();
    let mut same: Vec<String> = Vec::new();
    // A single figure may agree by its rounding.
    for outcome in counting(outcomes).filter(|outcome| outcome.measured.len() > 1) {
        let figures = outcome.measured.iter().map(|m| m.value.to_bits()).collect();
        match first.get(&figures) {
            Some(file) => same.push(format!("{} and {file}", outcome.file)),
            None => drop(first.insert(figures, &outcome.file)),
        }
    }
    (!same.is_empty()).then(|| {
        Caution::new(
            "same-capture",
            format!("The same to the last digit, so the one is a copy of the other: {}. Leave one of them out: they make spread and repeatability look better than they are.", listed(&same)),
        )
    })
}

/// Few units of which files of one name stand in several folders: whether these are repeats of one
/// unit or units of one name only a person can tell. Where most units have such files, they are
/// the procedure.
fn namesakes(outcomes: &[UnitOutcome]) -> Option<Caution> {
    let mut files: BTreeMap<&str, Vec<&Path>> = BTreeMap::new();
    for outcome in counting(outcomes) {
        files.entry(&outcome.unit).or_default().push(Path::new(&outcome.file));
    }
    let of_one_name = |files: &[&Path]| {
        files.iter().enumerate().any(|(i, a)| {
            let earlier = &files[..i];
            earlier.iter().any(|b| a.file_name() == b.file_name())
        })
    };
    let named: Vec<String> = files
        .iter()
        .filter(|(_, files)| of_one_name(files))
        .map(|(unit, _)| (*unit).to_owned())
        .collect();
    (!named.is_empty() && 2 * named.len() <= files.len()).then(|| {
        Caution::new(
            "same-name",
            format!("Files of one name stand in several folders and count as repeats of one unit: {}. Where they are different units, name them in --unit-list.", listed(&named)),
        )
    })
}

/// Captures that lack what nearly all others show.
fn lacking(outcomes: &[UnitOutcome]) -> Vec<Caution> {
    let whole = counting(outcomes).count();
    let mut shown: BTreeMap<Key, usize> = BTreeMap::new();
    for measured in counting(outcomes).flat_map(|o| &o.measured) {
        *shown.entry(key(measured)).or_default() += 1;
    }
    let usual =
        |count: usize| whole >= ENOUGH && count < whole && count as f64 >= SHOWN_BY * whole as f64;
    shown
        .into_iter()
        .filter(|(_, count)| usual(*count))
        .map(|(wanted, count)| {
            let lacks = |o: &&UnitOutcome| o.measured.iter().all(|m| key(m) != wanted);
            let units: Vec<String> =
                counting(outcomes).filter(lacks).map(|o| o.unit.clone()).collect();
            let name = name_of(wanted.0, wanted.1.as_deref(), wanted.2.as_deref());
            Caution::new(
                "not-shown",
                format!("{count} of {whole} captures show the {name}, these do not: {}. Nothing is said for or against them by it.", listed(&units)),
            )
        })
        .collect()
}

fn listed(names: &[String]) -> String {
    let more = names.len().saturating_sub(NAMED);
    let named = names[..names.len() - more].join(", ");
    if more > 0 { format!("{named}, and {more} more") } else { named }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::Verdict;

    fn unit(at: usize) -> UnitOutcome {
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
        };
        UnitOutcome {
            unit: format!("rx-{at:02}"),
            file: format!("rx-{at:02}.csv"),
            status: UnitStatus::Measured,
            reason: None,
            duration_s: Some(1500.0),
            measured: vec![of(Measure::Draw, 35e-3), of(Measure::SleepFloor, 1.2e-3)],
        }
    }

    fn told(found: &Beside, code: &str) -> Vec<String> {
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
        let found = beside(&outcomes);
        let doubtful: Vec<usize> =
            (0..12).filter(|at| found.outcomes[*at].status == UnitStatus::Doubtful).collect();
        assert_eq!(doubtful, [4]);
        let reason = found.outcomes[4].reason.as_deref().unwrap();
        assert!(reason.contains("about 1000 times the other units'"), "{reason}");
    }

    #[test]
    fn a_copy_and_a_name_used_twice_are_told() {
        let mut outcomes: Vec<UnitOutcome> = (0..12).map(unit).collect();
        outcomes[7].measured = outcomes[2].measured.clone();
        outcomes[9].unit = "rx-03".to_owned();
        outcomes[9].file = "tuesday/rx-03.csv".to_owned();
        let found = beside(&outcomes);
        let copies = told(&found, "same-capture");
        assert!(copies[0].contains("rx-07.csv and rx-02.csv"), "{copies:?}");
        let named = told(&found, "same-name");
        assert!(named[0].contains("one unit: rx-03."), "{named:?}");
        // Every unit in both folders is the procedure, and repeats of other names are meant.
        let twice = (0..12).map(|at| UnitOutcome { unit: format!("rx-{:02}", at % 6), ..unit(at) });
        let meant: Vec<UnitOutcome> = twice.collect();
        assert!(told(&beside(&meant), "same-name").is_empty());
        let folders: Vec<UnitOutcome> = (0..12)
            .map(|at| {
                let file = format!("run{}/rx-{:02}.csv", at / 6, at % 6);
                UnitOutcome { unit: format!("rx-{:02}", at % 6), file, ..unit(at) }
            })
            .collect();
        assert!(told(&beside(&folders), "same-name").is_empty());
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
        assert!(missing[0].starts_with("11 of 12 captures show the draw"), "{missing:?}");
        assert!(missing[0].contains("do not: rx-09."), "{missing:?}");
    }
}
