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

use rayon::prelude::*;

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
    sources
        .par_iter()
        .with_max_len(1)
        .map(|source| {
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
        })
        .collect()
}
