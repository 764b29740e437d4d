//! Captures that may be there twice: copies, and files of one name.

use std::collections::BTreeMap;
use std::path::Path;

use crate::findings::Caution;

use super::beside::{counting, listed};
use super::measure::UnitOutcome;

/// Captures that give the very same figures: no two measurements do.
pub(super) fn copies(outcomes: &[UnitOutcome]) -> Option<Caution> {
    let mut alike: BTreeMap<Vec<u64>, Vec<String>> = BTreeMap::new();
    // A single figure may agree by its rounding.
    for outcome in counting(outcomes).filter(|outcome| outcome.measured.len() > 1) {
        let figures = outcome.measured.iter().map(|m| m.value.to_bits()).collect();
        alike.entry(figures).or_default().push(outcome.file.clone());
    }
    alike.retain(|_, files| files.len() > 1);
    let mut same: Vec<Vec<String>> = alike.into_values().collect();
    same.sort();
    let same: Vec<String> = same.iter().map(|files| listed(files)).collect();
    (!same.is_empty()).then(|| {
        Caution::new(
            "same-capture",
            format!("The same to the last digit, so copies of one capture: {}. Keep one of them: they make spread and repeatability look better than they are.", same.join("; ")),
        )
    })
}

/// Few units of which files of one name stand in several folders: whether these are repeats of one
/// unit or units of one name only a person can tell. Where most units have such files, they are
/// the procedure.
pub(super) fn namesakes(outcomes: &[UnitOutcome]) -> Option<Caution> {
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

#[cfg(test)]
mod tests {
    use super::super::beside::beside;
    use super::super::beside::tests::{told, unit};
    use super::*;

    #[test]
    fn a_copy_and_a_name_used_twice_are_told() {
        let mut outcomes: Vec<UnitOutcome> = (0..12).map(unit).collect();
        outcomes[7].measured = outcomes[2].measured.clone();
        outcomes[9].unit = "rx-03".to_owned();
        outcomes[9].file = "tuesday/rx-03.csv".to_owned();
        let found = beside(&outcomes);
        let copies = told(&found, "same-capture");
        assert!(copies[0].contains("of one capture: rx-02.csv, rx-07.csv."), "{copies:?}");
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
}
