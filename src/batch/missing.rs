//! What captures do not show: limits that they were not held to, and measures that the others have.

use std::collections::{BTreeMap, BTreeSet};

use crate::findings::{Caution, Measure};

use super::beside::{ENOUGH, Key, counting, key, listed};
use super::headline::name_of;
use super::measure::UnitOutcome;
use crate::judge::SLEEP_LIMIT_NOT_TRIED;

/// Share of the captures that show what one is then missing.
const SHOWN_BY: f64 = 0.9;
/// Where a limit goes with it, this share is enough: below it, none is held against the others.
const LIMIT_SHOWN_BY: f64 = 0.5;

/// Captures that the limits on sleep were not held against, however many they are: all of them may be
/// awake throughout.
pub(super) fn untried(outcomes: &[UnitOutcome]) -> Option<Caution> {
    let units: Vec<String> =
        counting(outcomes).filter(|o| o.reason.is_some()).map(|o| o.unit.clone()).collect();
    let whole = counting(outcomes).count();
    (!units.is_empty()).then(|| {
        Caution::new(
            SLEEP_LIMIT_NOT_TRIED,
            format!("Not held to every limit on sleep: {} ({} of {whole} captures). Each has its reason in its row; none of them is shown to conform.", listed(&units), units.len()),
        )
    })
}

/// Captures that lack what nearly all others show, a line for all that lack the same.
pub(super) fn lacking(outcomes: &[UnitOutcome]) -> Vec<Caution> {
    let whole = counting(outcomes).count();
    let mut shown: BTreeMap<Key, (usize, bool)> = BTreeMap::new();
    for measured in counting(outcomes).flat_map(|o| &o.measured) {
        let (count, limited) = shown.entry(key(measured)).or_default();
        *count += 1;
        *limited |= measured.limit_low.is_some() || measured.limit_high.is_some();
    }
    let usual: Vec<Key> = shown
        .into_iter()
        .filter(|(_, (count, limited))| {
            let share = if *limited { LIMIT_SHOWN_BY } else { SHOWN_BY };
            whole >= ENOUGH && *count as f64 >= share * whole as f64
        })
        .map(|(key, _)| key)
        .collect();
    let mut without: BTreeMap<Vec<&Key>, Vec<String>> = BTreeMap::new();
    for outcome in counting(outcomes) {
        let own: BTreeSet<Key> = outcome.measured.iter().map(key).collect();
        let told = outcome.reason.is_some();
        let lacks =
            usual.iter().filter(|key| !(own.contains(key) || told && of_sleep(key))).collect();
        without.entry(lacks).or_default().push(outcome.unit.clone());
    }
    without
        .into_iter()
        .filter(|(lacks, _)| !lacks.is_empty())
        .map(|(lacks, units)| {
            let name = |key: &&Key| name_of(key.0, key.1.as_deref(), key.2.as_deref());
            let names: Vec<String> = lacks.iter().map(name).collect();
            Caution::new(
                "not-shown",
                format!("Without what most captures show, the {}: {} ({} of {whole}). Nothing is said for or against them by it.", names.join(", "), listed(&units), units.len()),
            )
        })
        .collect()
}

/// What a unit that does not sleep cannot show.
fn of_sleep((measure, _, state): &Key) -> bool {
    match measure {
        Measure::Draw => state.as_deref().is_some_and(|state| state.starts_with("asleep")),
        _ => true,
    }
}

#[cfg(test)]
mod tests {
    use super::super::beside::beside;
    use super::super::beside::tests::{told, unit};
    use super::*;

    /// Twelve units, of which the first `awake` never sleep.
    fn batch(awake: usize) -> Vec<UnitOutcome> {
        let mut outcomes: Vec<UnitOutcome> = (0..12).map(unit).collect();
        for outcome in &mut outcomes[..awake] {
            outcome.measured.retain(|m| m.measure == Measure::Draw);
            outcome.reason = Some("no limit on sleep was tried".to_owned());
        }
        outcomes
    }

    #[test]
    fn units_that_were_not_held_to_a_limit_on_sleep_are_told_at_every_share() {
        for awake in 1..=12 {
            let found = beside(&batch(awake));
            let untried = told(&found, SLEEP_LIMIT_NOT_TRIED);
            assert_eq!(untried.len(), 1);
            let count = format!("({awake} of 12 captures)");
            assert!(untried[0].contains(&count) && untried[0].contains("rx-00"), "{untried:?}");
            // What follows from it is not told once more.
            assert!(told(&found, "not-shown").is_empty(), "{:?}", found.cautions);
        }
        assert!(told(&beside(&batch(0)), SLEEP_LIMIT_NOT_TRIED).is_empty());
    }

    #[test]
    fn units_that_lack_the_same_share_a_line() {
        let mut outcomes: Vec<UnitOutcome> = (0..36).map(unit).collect();
        outcomes[5].measured.clear();
        outcomes[7].measured.clear();
        outcomes[9].measured.remove(0);
        let missing = told(&beside(&outcomes), "not-shown");
        assert_eq!(missing.len(), 2, "{missing:?}");
        let told = |lack: &str| missing.iter().any(|text| text.contains(lack));
        assert!(told("the draw, sleep floor: rx-05, rx-07 (2 of 36)"), "{missing:?}");
        assert!(told("the draw: rx-09 (1 of 36)"), "{missing:?}");
    }

    // Of twelve, three are a quarter: told where a limit was not tried, else left alone.
    #[test]
    fn a_limit_that_some_were_not_held_to_is_told_at_a_smaller_share() {
        let lacking_draw = |limit_high| {
            let mut outcomes: Vec<UnitOutcome> = (0..12).map(unit).collect();
            outcomes.iter_mut().for_each(|outcome| outcome.measured[0].limit_high = limit_high);
            outcomes[..3].iter_mut().for_each(|outcome| drop(outcome.measured.remove(0)));
            told(&beside(&outcomes), "not-shown").len()
        };
        assert_eq!((lacking_draw(Some(40e-3)), lacking_draw(None)), (1, 0));
    }
}
