//! Many units, one procedure: every capture analysed on its own, then the batch as a population.
//!
//! Memory is bounded by the number of cores: a capture is reduced to its [`UnitOutcome`] before
//! the next one is read. Results are in the order given, whatever the number of threads.

mod beside;
mod capability;
mod column;
mod family;
mod headline;
mod measure;
mod missing;
mod order;
mod outliers;
mod population;
mod repeats;
mod setups;
mod shape;
mod spread;
mod twice;
mod unit;

pub(crate) use headline::{ENOUGH, RISK};
pub use measure::{Measured, UnitOutcome};
pub use population::population;
pub use unit::{UnitPattern, UnitSource};

use std::sync::OnceLock;
use std::sync::atomic::{AtomicUsize, Ordering};

use crate::fault::InputFault;
use crate::findings::Findings;

/// Analyses every capture on all cores.
///
/// `analyse` reads and analyses one; a fault of it is a row of the batch, never its end.
/// `known` answers for captures that an earlier, stopped run has done; `done` is told of each new
/// outcome, from any thread. O(total samples).
pub fn measure_units(
    sources: &[UnitSource],
    analyse: impl Fn(&UnitSource) -> Result<Findings, InputFault> + Sync,
    known: impl Fn(&UnitSource) -> Option<UnitOutcome> + Sync,
    done: impl Fn(&UnitSource, &UnitOutcome) + Sync,
) -> Vec<UnitOutcome> {
    let cores = rayon::current_num_threads();
    let workers = cores.min(sources.len());
    let next = AtomicUsize::new(0);
    let outcomes: Vec<OnceLock<UnitOutcome>> = sources.iter().map(|_| OnceLock::new()).collect();
    let one = |source: &UnitSource| {
        if let Some(outcome) = known(source) {
            return outcome;
        }
        let outcome = match analyse(source) {
            Ok(findings) => UnitOutcome::of(source.unit.clone(), &findings),
            Err(fault) => {
                let file = source.file.display().to_string();
                UnitOutcome::unreadable(source.unit.clone(), file, &fault)
            }
        };
        done(source, &outcome);
        outcome
    };
    let work = || {
        while let Some(at) =
            Some(next.fetch_add(1, Ordering::Relaxed)).filter(|at| *at < sources.len())
        {
            let _ = outcomes[at].set(one(&sources[at]));
        }
    };
    std::thread::scope(|scope| {
        for _ in 0..workers {
            // A pool of its own: a thread that waits inside one capture must not take up another
            // and hold both in memory.
            let pool = rayon::ThreadPoolBuilder::new().num_threads(cores / workers).build();
            scope.spawn(|| match pool {
                Ok(pool) => pool.install(work),
                Err(_) => work(),
            });
        }
    });
    sources
        .iter()
        .zip(outcomes)
        .map(|(source, outcome)| outcome.into_inner().unwrap_or_else(|| one(source)))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::{ReadOptions, Silent, read_bytes};
    use crate::findings::{BatchFindings, Measure, MeasureRow, UnitStatus, Verdict};
    use crate::pipeline::{Request, analyze};
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    /// A job sheet up to its limits on sleep.
    const SLEEP: &str = "[meter]\nzero_return_tolerance_a = 0.00005\n[[load]]\nname = \"hut\"\nbehaves_as = \"constant-current\"\n[sleep]\n";

    fn named(units: std::ops::Range<usize>) -> Vec<UnitSource> {
        units.map(|at| UnitSource::named_by_file(format!("{at}.csv").as_ref())).collect()
    }

    fn number(source: &UnitSource) -> u64 {
        source.unit.parse().unwrap()
    }

    fn analysed(
        source: &UnitSource,
        text: String,
        sheet: &crate::jobsheet::JobSheet,
        events: Option<&crate::events::EventList>,
    ) -> Result<Findings, InputFault> {
        let name = source.file.display().to_string();
        let capture = read_bytes(&name, text.into_bytes(), &ReadOptions::default(), &Silent)?;
        let (wishes, risk) = (crate::segment::Wishes::default(), crate::judge::Risk::default());
        Ok(analyze(capture, &Request { sheet, events, wishes, risk })?.findings)
    }

    /// Twelve captures of a load that wakes, one of them no capture at all.
    fn analyse(source: &UnitSource) -> Result<Findings, InputFault> {
        let number = number(source);
        let mut text = String::from("t (s),I (mA)\n");
        for i in 0..900u64 {
            let chance = (i * 2_654_435_761 + number * 40_503) % 97;
            let level = if i % 90 < 6 { 40.0 } else { 2.0 + 0.05 * number as f64 };
            text += &format!("{i},{:.3}\n", level + chance as f64 * 1e-3);
        }
        if number == 7 {
            text = String::from("nothing of use");
        }
        analysed(source, text, &crate::jobsheet::JobSheet::default(), None)
    }

    /// Units on a bench, powered from 20 s to 280 s: as `shown` in milliampere, by number and time, with
    /// noise of 2.4 µA and `decimals` of them.
    fn benched(
        units: std::ops::Range<usize>,
        sheet: &str,
        decimals: usize,
        shown: impl Fn(u64, f64) -> f64 + Sync,
    ) -> Vec<UnitOutcome> {
        let sheet = crate::jobsheet::parse("sheet.toml", sheet).unwrap();
        let list = "time,load,state\n2.0,zero,\n20.0,hut,on\n280.0,hut,off\n";
        let list = crate::events::parse("events.csv", list).unwrap();
        let analyse = |source: &UnitSource| {
            let number = number(source);
            let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(number);
            let mut text = String::from("t (s),I (mA)\n");
            for i in 0..2900u64 {
                let t_s = i as f64 / 10.0;
                let noise: f64 = StandardNormal.sample(&mut rng);
                let powered = (20.0..280.0).contains(&t_s);
                let value = if powered { shown(number, t_s) } else { 0.0 } + 2.4e-3 * noise;
                text += &format!("{t_s:.1},{value:.decimals$}\n");
            }
            analysed(source, text, &sheet, Some(&list))
        };
        measure_units(&named(units), analyse, |_| None, |_, _| {})
    }

    /// Awake for 30 s, then waking for half a second every 15 s.
    fn awake(t_s: f64) -> bool {
        t_s < 50.0 || t_s % 15.0 < 0.5
    }

    // Two units that never sleep among six: 35 mA from switching on to switching off, 0.8 mA allowed 40 s
    // later. The others wake every 15 s.
    #[test]
    fn a_unit_that_never_sleeps_is_not_taken_for_one_that_conforms() {
        let sheet = format!("{SLEEP}sleep_max_a = 0.0008\nsleep_within_s = 40.0\n");
        let shown = |number, t_s| match (awake(t_s) && t_s < 275.0) || number > 4 {
            true => 35.0 + 0.1 * number as f64,
            false => 0.5,
        };
        let outcomes = benched(1..7, &sheet, 3, shown);
        let reasons: Vec<Option<&str>> = outcomes.iter().map(|o| o.reason.as_deref()).collect();
        assert_eq!(reasons[..4], [None; 4]);
        for (reason, draw) in reasons[4..].iter().zip(["35.5", "35.6"]) {
            let reason = reason.unwrap();
            assert!(reason.starts_with("no limit on sleep was tried"), "{reason}");
            assert!(reason.contains(draw), "{reason}");
        }
        let found = population(&outcomes);
        assert!(outcomes.iter().all(|o| o.status == UnitStatus::Measured));
        assert!(found.headline.contains("every limit on sleep: 5, 6."), "{}", found.headline);
    }

    /// Twelve sound units that sleep at about 0.5 mA.
    fn sleepers(decimals: usize, shown: impl Fn(u64, f64, f64) -> f64 + Sync) -> BatchFindings {
        let shown = |number: u64, t_s| {
            shown(number, t_s, if awake(t_s) { 35.0 + 0.1 * number as f64 } else { 0.5 })
        };
        population(&benched(1..13, "", decimals, shown))
    }

    #[test]
    fn a_turned_clamp_is_told_and_its_figures_count() {
        let found = sleepers(3, |number, _, level| if number == 5 { -level } else { level });
        let told = found.cautions.iter().find(|caution| caution.code == "clamp-turned").unwrap();
        assert!(told.text.contains(": 5 (1 of 12 captures)"), "{}", told.text);
        let floor = |unit| of_unit(&found, unit, Measure::SleepFloor).value;
        approx::assert_relative_eq!(floor("5"), floor("4"), max_relative = 0.01);
    }

    // Floors of 0.5 mA but for three of 0.56 mA, which a meter of 0.1 mA shows as 0.6 mA.
    #[test]
    fn a_count_of_a_coarse_meter_names_no_unit() {
        let levels = |number, _, level| if level == 0.5 && number % 4 == 3 { 0.56 } else { level };
        let coarse = sleepers(1, levels);
        let row = coarse.population.iter().find(|row| row.measure == Measure::SleepFloor).unwrap();
        assert!(row.outliers.is_empty() && row.two_groups.is_none(), "{row:?}");
        let scores = coarse.units.iter().flat_map(|unit| &unit.measures);
        let asleep = scores.filter(|row| row.value < 1e-3).filter_map(|row| row.anomaly_score);
        assert!(asleep.map(f64::abs).fold(0.0, f64::max) < 3.5);
        // On a fine meter the same three stand apart.
        let fine = sleepers(3, levels);
        let row = fine.population.iter().find(|row| row.measure == Measure::SleepFloor).unwrap();
        assert_eq!(row.outliers.len(), 3, "{row:?}");
    }

    // Of unit 5 a single wake of fifteen lasts twice as long: its mean charge is no more certain than that.
    #[test]
    fn one_odd_wake_names_no_unit() {
        let odd = |number, t_s: f64, level: f64| match number {
            5 if (120.5..121.0).contains(&t_s) => 35.5,
            _ if level > 30.0 && t_s > 50.0 => 35.0 + 0.01 * number as f64,
            _ => level,
        };
        let found = sleepers(3, odd);
        let row = found.population.iter().find(|row| row.measure == Measure::WakeCharge).unwrap();
        let charges = found.units.iter().flat_map(|unit| &unit.measures);
        let charges = charges.filter(|row| row.measure == Measure::WakeCharge).map(|row| row.value);
        assert!(charges.fold(0.0, f64::max) > 1.05 * row.median, "{row:?}");
        assert!(row.outliers.is_empty(), "{row:?}");
    }

    fn of_unit<'a>(found: &'a BatchFindings, unit: &str, measure: Measure) -> &'a MeasureRow {
        let unit = found.units.iter().find(|row| row.unit == unit).unwrap();
        unit.measures.iter().find(|row| row.measure == measure).unwrap()
    }

    // A wake takes 34.5 mA for 0.5 s, 4.8 µAh; of unit 5 one of fifteen takes twice that, where 7 µAh are allowed.
    #[test]
    fn a_single_wake_beyond_its_limit_leaves_the_unit_its_mean() {
        let shown = |number, t_s| match number == 5 && (120.5..121.0).contains(&t_s) {
            true => 35.0,
            false if awake(t_s) => 35.0 + 0.01 * number as f64,
            false => 0.5,
        };
        let sheet = format!("{SLEEP}wake_charge_max_ah = 0.000007\n");
        let found = population(&benched(1..9, &sheet, 3, shown));
        let (odd, other) =
            (of_unit(&found, "5", Measure::WakeCharge), of_unit(&found, "4", Measure::WakeCharge));
        approx::assert_relative_eq!(odd.value, other.value * 16.0 / 15.0, max_relative = 0.02);
        approx::assert_relative_eq!(odd.judged.unwrap(), 2.0 * other.value, max_relative = 0.05);
        assert_eq!((odd.verdict, other.verdict), (Verdict::NonConforming, Verdict::Conforming));
        assert_eq!(other.judged, None);
        assert!(found.headline.contains("1 stands out: 5 (largest wake 9."), "{}", found.headline);
        // Its mean is within, but one of the eight is not.
        let row = found.population.iter().find(|row| row.measure == Measure::WakeCharge).unwrap();
        let share = row.outside_at_most.unwrap();
        let at_most_one = (1.0 - share).powi(8) + 8.0 * share * (1.0 - share).powi(7);
        approx::assert_relative_eq!(at_most_one, 0.05, max_relative = 1e-6);
    }

    // From 200 s to switching off unit 3 is awake again, and so is unit 4, which was asleep when it was
    // switched on: 80 s where 40 s are allowed.
    #[test]
    fn a_unit_that_never_falls_asleep_again_is_beyond_its_limit() {
        let shown = |number, t_s: f64| {
            let stays = number == 3 || number == 4;
            let on = if stays && t_s > 200.0 || number == 4 && t_s < 50.0 {
                t_s > 200.0
            } else {
                awake(t_s)
            };
            if on { 35.0 + 0.1 * number as f64 } else { 0.5 }
        };
        let found =
            population(&benched(1..9, &format!("{SLEEP}sleep_within_s = 40.0\n"), 3, shown));
        let of = |unit| of_unit(&found, unit, Measure::TimeToSleep);
        let (stays, began_asleep) = (of("3"), of("4"));
        assert_eq!(
            [stays, began_asleep, of("5")].map(|row| row.verdict),
            [Verdict::NonConforming, Verdict::NonConforming, Verdict::Conforming]
        );
        approx::assert_abs_diff_eq!(stays.value, of("5").value, epsilon = 1.0);
        approx::assert_abs_diff_eq!(stays.judged.unwrap(), 80.0, epsilon = 6.0);
        approx::assert_abs_diff_eq!(began_asleep.value, 80.0, epsilon = 6.0);
    }

    #[test]
    fn threads_change_nothing() {
        let sources = named(0..12);
        let with = |threads: usize| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            let outcomes = pool.install(|| measure_units(&sources, analyse, |_| None, |_, _| {}));
            (population(&outcomes), outcomes)
        };
        let (one, four) = (with(1), with(4));
        assert_eq!(one, four);
        assert_eq!(one.1[7].status, UnitStatus::Unreadable);
        assert!(one.0.population.iter().any(|row| row.units == 11));
    }
}
