//! Repeats of one unit that scatter unlike the other units': a capture under another's name, or a unit
//! that is not steady.

use std::collections::BTreeMap;
use std::path::Path;

use crate::findings::{Caution, Measure};
use crate::numeric::Moments;

use super::beside::Key;
use super::column::{UnitValue, by_unit};
use super::family::{FALSE_RISK, below};
use super::headline::{name_of, shown};
use super::measure::{Measured, UnitOutcome};
use super::outliers::{RobustSpread, median};

use super::spread::{bartlett, cochran, levene};

/// Units with repeats that one of them is held against.
const ENOUGH: usize = 3;
/// At most this share of the units can be set aside; more are another kind of repeat.
const MOST: f64 = 0.25;
/// What repeats must exceed of what their own uncertainty lets expect.
const BEYOND_OWN: f64 = 2.0;
/// Repeats that scatter by less than this share of the spread between units are no concern.
const OF_SPREAD: f64 = 0.1;
/// A unit whose repeats scatter by `sd`, all others by `others_sd`.
struct Apart {
    place: usize,
    sd: f64,
    others_sd: f64,
}

/// What the repeats of every column tell. `alpha`: chance that a clean column names a unit.
pub(super) fn told(
    columns: &BTreeMap<Key, Vec<(usize, &Measured)>>,
    outcomes: &[UnitOutcome],
    alpha: f64,
) -> Vec<Caution> {
    let mut units_apart: BTreeMap<String, (Vec<String>, Option<String>)> = BTreeMap::new();
    let mut uneven: Vec<(String, Option<(f64, f64)>)> = Vec::new();
    for (key, column) in columns {
        let units = by_unit(column, outcomes);
        let name = name_of(key.0, key.1.as_deref(), key.2.as_deref());
        // A wake more or less in a capture moves everything but the currents.
        let apart = match key.0 {
            Measure::Draw | Measure::SleepFloor => apart(&units, column, alpha),
            _ => Vec::new(),
        };
        for Apart { place, sd, others_sd } in &apart {
            let unit = &units[*place];
            let (names, file) = units_apart.entry(unit.unit.to_owned()).or_default();
            let (sd, others_sd) = (shown(key.0, *sd), shown(key.0, *others_sd));
            names.push(format!("{name} ({sd} against {others_sd})"));
            *file = file.take().or_else(|| farthest(unit, outcomes));
        }
        let left = units.iter().enumerate();
        let left = left.filter(|(place, _)| apart.iter().all(|apart| apart.place != *place));
        let spreads = spreads(left.map(|(_, unit)| unit));
        uneven.push((name, spreads));
    }
    // Both tests must agree, since Bartlett's alone takes a long tail for a spread.
    let both = uneven.iter().map(|(_, found)| found.map(|(bartlett, levene)| bartlett.max(levene)));
    let named = below(FALSE_RISK, &both.collect::<Vec<_>>());
    let uneven = uneven.into_iter().zip(named).filter(|(_, named)| *named);
    let uneven = uneven.filter_map(|((name, found), _)| {
        let (bartlett, levene) = found?;
        Some(Caution::new(
            "uneven-repeats",
            format!("Repeats of the {name} scatter more for some units than for others (Bartlett {bartlett:.1e}, Levene {levene:.1e}): those units are unsteady, or were not left alone."),
        ))
    });
    let apart = units_apart.into_iter().map(|(unit, (names, file))| {
        let farthest = file.map_or_else(String::new, |file| format!(" {file} is the farthest."));
        Caution::new(
            "repeats-apart",
            format!("Repeats of {unit} scatter far more than the other units' (Cochran; standard deviations): {}.{farthest} See whether a capture of another unit stands under this name; else the unit is unsteady.", names.join(", ")),
        )
    });
    apart.chain(uneven).collect()
}

/// Cochran's test as ISO 5725-2 uses it, repeated. As with outliers all up to the last round that
/// exceeds are named: two units that were taken for each other mask themselves.
fn apart(units: &[UnitValue<'_>], column: &[(usize, &Measured)], alpha: f64) -> Vec<Apart> {
    let of = |place: usize| {
        let moments = Moments::of(&units[place].repeats)?;
        Some((place, moments.count as f64 - 1.0, moments.sd?.powi(2)))
    };
    let mut left: Vec<(usize, f64, f64)> = (0..units.len()).filter_map(of).collect();
    let most = ((MOST * left.len() as f64) as usize).max(1);
    let mut rounds: Vec<(Apart, f64)> = Vec::new();
    while rounds.len() < most && left.len() >= ENOUGH {
        let all: f64 = left.iter().map(|(_, degrees, variance)| degrees * variance).sum();
        let all_degrees: f64 = left.iter().map(|(_, degrees, _)| degrees).sum();
        let probability = |(_, degrees, variance): &(usize, f64, f64)| {
            let others_degrees = all_degrees - degrees;
            let others = (all - degrees * variance).max(0.0) / others_degrees;
            Some((cochran((*variance, *degrees), (others, others_degrees), left.len())?, others))
        };
        let least = (0..left.len())
            .filter_map(|at| Some((at, probability(&left[at])?)))
            // Where probabilities are too small to tell apart, the largest variance.
            .min_by(|(a, (p, _)), (b, (q, _))| {
                p.total_cmp(q).then(left[*b].2.total_cmp(&left[*a].2))
            });
        let Some((at, (p, others))) = least else { break };
        let (place, _, variance) = left.remove(at);
        rounds.push((Apart { place, sd: variance.sqrt(), others_sd: others.sqrt() }, p));
    }
    let named = rounds.iter().rposition(|(_, p)| *p < alpha).map_or(0, |at| at + 1);
    rounds.truncate(named);
    let others_sd = rounds.last().map_or(0.0, |(apart, _)| apart.others_sd);
    let means: Vec<f64> = units.iter().map(|unit| unit.mean).collect();
    let spread = RobustSpread::of(&means).and_then(|robust| robust.sd).unwrap_or(0.0);
    let apart = rounds.into_iter().map(|(apart, _)| Apart { others_sd, ..apart });
    apart
        .filter(|apart| apart.sd > OF_SPREAD * spread)
        .filter(|apart| apart.sd > BEYOND_OWN * own_scatter(&units[apart.place], column))
        .collect()
}

/// What repeats of the unit would scatter by, going by their uncertainty; 0 where it is not known.
fn own_scatter(unit: &UnitValue<'_>, column: &[(usize, &Measured)]) -> f64 {
    let own = column.iter().filter(|(at, _)| unit.captures.contains(at));
    own.filter_map(|(_, measured)| measured.scatter).fold(0.0, f64::max)
}

/// Of three captures or more the file that is farthest from the middle one.
fn farthest(unit: &UnitValue<'_>, outcomes: &[UnitOutcome]) -> Option<String> {
    let middle = median(&unit.repeats)?;
    let off = |at: &usize| (unit.repeats[*at] - middle).abs();
    let at = (0..unit.repeats.len())
        .filter(|_| unit.repeats.len() > 2)
        .max_by(|a, b| off(a).total_cmp(&off(b)))?;
    let file = Path::new(&outcomes[unit.captures[at]].file);
    Some(file.file_name()?.to_string_lossy().into_owned())
}

/// Probabilities of repeats that scatter as unlike from unit to unit, by Bartlett's and by Levene's test.
fn spreads<'a>(units: impl Iterator<Item = &'a UnitValue<'a>>) -> Option<(f64, f64)> {
    let groups: Vec<Vec<f64>> =
        units.filter(|u| u.repeats.len() > 2).map(|u| u.repeats.clone()).collect();
    let ((_, bartlett), (_, levene)) = bartlett(&groups).zip(levene(&groups))?;
    Some((bartlett, levene))
}

#[cfg(test)]
mod tests {
    use super::super::beside::{key, tests::unit};
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    /// Twelve units 1 mA apart, `repeats` captures each that scatter by 0.01 mA; `source` tells whose
    /// capture stands under a unit's name.
    fn captured(
        seed: u64,
        repeats: usize,
        source: impl Fn(usize, usize) -> usize,
    ) -> Vec<UnitOutcome> {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        (0..12 * repeats)
            .map(|at| {
                let (name, repeat) = (at / repeats, at % repeats);
                let z: f64 = StandardNormal.sample(&mut rng);
                let mut outcome = unit(name);
                outcome.file = format!("rx-{name:02}_{repeat}.csv");
                outcome.measured.truncate(1);
                outcome.measured[0].value = 30e-3 + 1e-3 * source(name, repeat) as f64 + 1e-5 * z;
                outcome
            })
            .collect()
    }

    fn codes(outcomes: &[UnitOutcome], alpha: f64) -> Vec<(String, String)> {
        let mut columns: BTreeMap<Key, Vec<(usize, &Measured)>> = BTreeMap::new();
        for (at, outcome) in outcomes.iter().enumerate() {
            for measured in &outcome.measured {
                columns.entry(key(measured)).or_default().push((at, measured));
            }
        }
        let cautions = told(&columns, outcomes, alpha).into_iter();
        cautions.map(|caution| (caution.code, caution.text)).collect()
    }

    #[test]
    fn two_captures_under_each_others_name_are_told_with_their_units() {
        let swapped = |name: usize, repeat: usize| match (name, repeat) {
            (2, 1) => 6,
            (6, 1) => 2,
            _ => name,
        };
        for (seed, repeats) in (0..20).flat_map(|seed| [(seed, 2), (seed, 3), (seed, 5)]) {
            let told = codes(&captured(seed, repeats, swapped), 0.005);
            let named: Vec<&str> =
                told.iter().map(|(_, text)| text.split(' ').nth(2).unwrap()).collect();
            assert_eq!(named, ["rx-02", "rx-06"], "seed {seed}, {repeats} repeats: {told:?}");
            assert!(told.iter().all(|(code, _)| code == "repeats-apart"), "{told:?}");
            // Which of two is the wrong one nobody can tell.
            let file = told[0].1.contains("rx-02_1.csv is the farthest");
            assert_eq!(file, repeats > 2, "{told:?}");
        }
    }

    #[test]
    fn even_repeats_name_a_unit_no_more_often_than_the_risk() {
        let count = |repeats: usize| {
            let own = |name, _| name;
            let told = (0..400).flat_map(|seed| codes(&captured(seed, repeats, own), 0.02));
            told.filter(|(code, _)| code == "repeats-apart").count()
        };
        // 8 of 400 are expected; 17 or more come once in 200 times.
        assert!(count(2) < 17 && count(3) < 17, "{} {}", count(2), count(3));
    }

    #[test]
    fn a_scatter_that_the_captures_own_uncertainty_explains_blames_nobody() {
        let noisy = |off_a: f64, scatter| {
            let mut outcomes = captured(1, 3, |name, _| name);
            for (at, off) in [(9, -1.0), (10, 0.0), (11, 1.0)] {
                outcomes[at].measured[0].value += off * off_a;
                outcomes[at].measured[0].scatter = scatter;
            }
            let told = codes(&outcomes, 0.005).into_iter();
            told.filter(|(code, _)| code == "repeats-apart").count()
        };
        assert_eq!((noisy(1e-3, Some(1e-5)), noisy(1e-3, Some(1e-3))), (1, 0));
        // Nor does one that is small beside the spread between units.
        assert_eq!(noisy(1e-4, Some(1e-5)), 0);
    }
}
