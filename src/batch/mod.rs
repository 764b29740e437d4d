//! Many units, one procedure: every capture analysed on its own, then the batch as a population.
//!
//! Memory is bounded by the number of cores: a capture is reduced to its [`UnitOutcome`] before
//! the next one is read. Results are in the order given, whatever the number of threads.

mod capability;
mod measure;
mod order;
mod outliers;
mod population;
mod spread;
mod unit;

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
