//! Many units, one procedure: every capture analysed on its own, then the batch as a population.
//!
//! Memory is bounded by the number of cores: a capture is reduced to its [`UnitOutcome`] before
//! the next one is read. Results are in the order given, whatever the number of threads.

mod beside;
mod capability;
mod headline;
mod measure;
mod missing;
mod order;
mod outliers;
mod population;
mod repeats;
mod spread;
mod twice;
mod unit;

pub(crate) use headline::ENOUGH;
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
    use crate::findings::{BatchFindings, Measure};
    use crate::pipeline::{Request, analyze};
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    /// Twelve captures of a load that wakes, one of them no capture at all.
    fn analyse(source: &UnitSource) -> Result<Findings, InputFault> {
        let number: u64 = source.unit.parse().unwrap();
        let mut text = String::from("t (s),I (mA)\n");
        for i in 0..900u64 {
            let chance = (i * 2_654_435_761 + number * 40_503) % 97;
            let level = if i % 90 < 6 { 40.0 } else { 2.0 + 0.05 * number as f64 };
            text += &format!("{i},{:.3}\n", level + chance as f64 * 1e-3);
        }
        if number == 7 {
            text = String::from("nothing of use");
        }
        let name = source.file.display().to_string();
        let capture = read_bytes(&name, text.into_bytes(), &ReadOptions::default(), &Silent)?;
        let request = Request {
            sheet: &crate::jobsheet::JobSheet::default(),
            events: None,
            wishes: crate::segment::Wishes::default(),
            risk: crate::judge::Risk::default(),
        };
        Ok(analyze(capture, &request)?.findings)
    }

    // Two units that never sleep among six: 35 mA from switching on to switching off, 0.8 mA allowed 40 s
    // later. The others wake every 15 s.
    #[test]
    fn a_unit_that_never_sleeps_is_not_taken_for_one_that_conforms() {
        let sheet = crate::jobsheet::parse(
            "sheet.toml",
            "[meter]\nzero_return_tolerance_a = 0.00005\n[[load]]\nname = \"hut\"\nbehaves_as = \"constant-current\"\n[sleep]\nsleep_max_a = 0.0008\nsleep_within_s = 40.0\n",
        )
        .unwrap();
        let list = "time,load,state\n2.0,zero,\n20.0,hut,on\n280.0,hut,off\n";
        let list = crate::events::parse("events.csv", list).unwrap();
        let analyse = |source: &UnitSource| {
            let number: u64 = source.unit.parse().unwrap();
            let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(number);
            let mut text = String::from("t (s),I (mA)\n");
            for i in 0..2900u64 {
                let t_s = i as f64 / 10.0;
                let noise: f64 = StandardNormal.sample(&mut rng);
                let woken = t_s < 50.0 || (t_s % 15.0 < 0.5 && t_s < 275.0);
                let level = match (20.0..280.0).contains(&t_s) {
                    true if woken || number > 4 => 35.0 + 0.1 * number as f64,
                    true => 0.5,
                    false => 0.0,
                };
                text += &format!("{t_s:.1},{:.3}\n", level + 2.4e-3 * noise);
            }
            let name = source.file.display().to_string();
            let capture = read_bytes(&name, text.into_bytes(), &ReadOptions::default(), &Silent)?;
            let request = Request {
                sheet: &sheet,
                events: Some(&list),
                wishes: crate::segment::Wishes::default(),
                risk: crate::judge::Risk::default(),
            };
            Ok(analyze(capture, &request)?.findings)
        };
        let sources: Vec<UnitSource> =
            (1..7).map(|i| UnitSource::named_by_file(format!("{i}.csv").as_ref())).collect();
        let outcomes = measure_units(&sources, analyse, |_| None, |_, _| {});
        let reasons: Vec<Option<&str>> = outcomes.iter().map(|o| o.reason.as_deref()).collect();
        assert_eq!(reasons[..4], [None; 4]);
        for (reason, draw) in reasons[4..].iter().zip(["35.5", "35.6"]) {
            let reason = reason.unwrap();
            assert!(reason.starts_with("no limit on sleep was tried"), "{reason}");
            assert!(reason.contains(draw), "{reason}");
        }
        let found = population(&outcomes);
        assert!(outcomes.iter().all(|o| o.status == crate::findings::UnitStatus::Measured));
        assert!(found.headline.contains("every limit on sleep: 5, 6."), "{}", found.headline);
    }

    /// Twelve sound units, awake for 30 s and then at about 0.5 mA, waking every 15 s: as `shown` in
    /// milliampere, `decimals` of them.
    fn sleepers(decimals: usize, shown: impl Fn(u64, f64, f64) -> f64 + Sync) -> BatchFindings {
        let list = "time,load,state\n2.0,zero,\n20.0,hut,on\n280.0,hut,off\n";
        let list = crate::events::parse("events.csv", list).unwrap();
        let analyse = |source: &UnitSource| {
            let number: u64 = source.unit.parse().unwrap();
            let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(number);
            let mut text = String::from("t (s),I (mA)\n");
            for i in 0..2900u64 {
                let t_s = i as f64 / 10.0;
                let noise: f64 = StandardNormal.sample(&mut rng);
                let level = match (20.0..280.0).contains(&t_s) {
                    true if t_s < 50.0 || t_s % 15.0 < 0.5 => 35.0 + 0.1 * number as f64,
                    true => 0.5,
                    false => 0.0,
                };
                let value = shown(number, t_s, level) + 2.4e-3 * noise;
                text += &format!("{t_s:.1},{value:.decimals$}\n");
            }
            let name = source.file.display().to_string();
            let capture = read_bytes(&name, text.into_bytes(), &ReadOptions::default(), &Silent)?;
            let request = Request {
                sheet: &crate::jobsheet::JobSheet::default(),
                events: Some(&list),
                wishes: crate::segment::Wishes::default(),
                risk: crate::judge::Risk::default(),
            };
            Ok(analyze(capture, &request)?.findings)
        };
        let sources: Vec<UnitSource> =
            (1..13).map(|i| UnitSource::named_by_file(format!("{i}.csv").as_ref())).collect();
        population(&measure_units(&sources, analyse, |_| None, |_, _| {}))
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

    #[test]
    fn threads_change_nothing() {
        let sources: Vec<UnitSource> =
            (0..12).map(|i| UnitSource::named_by_file(format!("{i}.csv").as_ref())).collect();
        let with = |threads: usize| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            let outcomes = pool.install(|| measure_units(&sources, analyse, |_| None, |_, _| {}));
            (population(&outcomes), outcomes)
        };
        let (one, four) = (with(1), with(4));
        assert_eq!(one, four);
        assert_eq!(one.1[7].status, crate::findings::UnitStatus::Unreadable);
        assert!(one.0.population.iter().any(|row| row.units == 11));
    }
}
