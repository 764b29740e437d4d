//! Random tests that meet the same cases on every machine: what fails, fails for everyone.
//!
//! `CASES_FROM` starts at another case and `CASES` tries another number of them, to hunt further than a build has
//! time for: `CASES_FROM=100000 CASES=50000 cargo test --test capture damaged`.

use arbtest::arbitrary::{self, Unstructured};
use proptest::test_runner::{Config, RngSeed};
use rand::{Rng, RngCore, SeedableRng};
use rand_chacha::ChaCha8Rng;

fn told(name: &str) -> Option<u64> {
    std::env::var(name).ok()?.parse().ok()
}

/// Names the case that a panic came from.
struct Case(u64);

impl Drop for Case {
    fn drop(&mut self) {
        if std::thread::panicking() {
            eprintln!("case {}: CASES_FROM={} CASES=1 tries it alone", self.0, self.0);
        }
    }
}

/// Tries `property` on `cases` inputs of up to `longest` bytes. What ends for want of bytes is passed over.
pub(crate) fn each(
    cases: u64,
    longest: usize,
    mut property: impl FnMut(&mut Unstructured<'_>) -> arbitrary::Result<()>,
) {
    let from = told("CASES_FROM").unwrap_or(0);
    for case in from..from + told("CASES").unwrap_or(cases) {
        let mut rng = ChaCha8Rng::seed_from_u64(case);
        let mut bytes = vec![0; rng.random_range(32..=longest)];
        rng.fill_bytes(&mut bytes);
        let named = Case(case);
        let _ = property(&mut Unstructured::new(&bytes));
        drop(named);
    }
}

/// What `proptest` is told, so that it draws the same `cases` every time.
pub(crate) fn same(cases: u32) -> Config {
    Config {
        cases: told("CASES").and_then(|n| n.try_into().ok()).unwrap_or(cases),
        rng_seed: RngSeed::Fixed(told("CASES_FROM").unwrap_or(0)),
        failure_persistence: None,
        ..Config::default()
    }
}
