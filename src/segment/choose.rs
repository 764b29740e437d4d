//! Which candidates are steps.

use std::cmp::Ordering;
use std::collections::BinaryHeap;

use super::jump::{Evidence, Ground};

/// Samples on one side that a test looks at, at most.
const REACH: usize = 4096;

/// A step that passed.
#[derive(Debug, Clone, Copy)]
pub(super) struct Chosen {
    pub(super) at: usize,
    pub(super) evidence: Evidence,
}

struct Entry {
    deviance: f64,
    at: usize,
    version: u32,
}

impl PartialEq for Entry {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}
impl Eq for Entry {}
impl PartialOrd for Entry {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}
impl Ord for Entry {
    /// The weakest comes first; equally weak ones in order of place.
    fn cmp(&self, other: &Self) -> Ordering {
        other.deviance.total_cmp(&self.deviance).then(other.at.cmp(&self.at))
    }
}

/// Drops the weakest candidate, tests its neighbours again, until all that are left pass.
pub(super) fn eliminate(
    ground: &Ground<'_>,
    candidates: &[usize],
    needed: impl Fn(&Evidence) -> f64,
    enough: f64,
) -> Vec<Chosen> {
    let n = ground.values.len();
    let k = candidates.len();
    let mut before: Vec<usize> = (0..k).map(|i| i.wrapping_sub(1)).collect();
    let mut after: Vec<usize> = (1..=k).collect();
    let mut version = vec![0u32; k];
    let mut gone = vec![false; k];
    let test = |i: usize, before: &[usize], after: &[usize]| -> Evidence {
        let at = candidates[i];
        let left = candidates.get(before[i]).copied();
        let right = candidates.get(after[i]).copied().unwrap_or(n);
        ground.test(
            left.unwrap_or(0).max(at.saturating_sub(REACH)),
            at,
            right.min(at + REACH),
            left.is_some_and(|l| at - l <= REACH),
            enough,
        )
    };
    let mut evidence: Vec<Evidence> = (0..k).map(|i| test(i, &before, &after)).collect();
    let mut heap: BinaryHeap<Entry> = evidence
        .iter()
        .enumerate()
        .map(|(at, e)| Entry { deviance: e.deviance - needed(e), at, version: 0 })
        .collect();
    while let Some(entry) = heap.pop() {
        if gone[entry.at] || version[entry.at] != entry.version {
            continue;
        }
        if entry.deviance >= 0.0 {
            break;
        }
        let i = entry.at;
        gone[i] = true;
        let (b, a) = (before[i], after[i]);
        if b < k {
            after[b] = a;
        }
        if a < k {
            before[a] = b;
        }
        for j in [b, a] {
            if j < k {
                evidence[j] = test(j, &before, &after);
                version[j] += 1;
                heap.push(Entry {
                    deviance: evidence[j].deviance - needed(&evidence[j]),
                    at: j,
                    version: version[j],
                });
            }
        }
    }
    (0..k)
        .filter(|i| !gone[*i])
        .map(|i| Chosen { at: candidates[i], evidence: evidence[i] })
        .collect()
}
