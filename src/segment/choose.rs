//! Which candidates are steps.

use std::cmp::Ordering;
use std::collections::BinaryHeap;

use rayon::prelude::*;

use super::jump::{Evidence, Ground};
use super::memo::{Memo, Place, Weighed};

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
    needed: impl Fn(&Evidence) -> f64 + Sync,
    enough: f64,
    memo: &mut Memo,
) -> Vec<Chosen> {
    let n = ground.values.len();
    let k = candidates.len();
    let mut before: Vec<usize> = (0..k).map(|i| i.wrapping_sub(1)).collect();
    let mut after: Vec<usize> = (1..=k).collect();
    let mut version = vec![0u32; k];
    let mut gone = vec![false; k];
    let place = |i: usize, before: &[usize], after: &[usize]| -> Place {
        let left = candidates.get(before[i]).copied().unwrap_or(0);
        (left, candidates[i], candidates.get(after[i]).copied().unwrap_or(n))
    };
    let known = &*memo;
    let weighed: Vec<Weighed> = (0..k)
        .into_par_iter()
        .map(|i| weigh(ground, place(i, &before, &after), enough, known))
        .collect();
    let mut evidence: Vec<Evidence> = weighed
        .into_iter()
        .enumerate()
        .map(|(i, weighed)| memo.keep(place(i, &before, &after), weighed))
        .collect();
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
                let place = place(j, &before, &after);
                let weighed = weigh(ground, place, enough, memo);
                evidence[j] = memo.keep(place, weighed);
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

/// Looks once more at what was dropped: between each two chosen steps, the candidate with most
/// evidence, where that is enough; then on both sides of it. Elimination may have dropped a true
/// step while a false neighbour still stood in its window.
pub(super) fn regain(
    ground: &Ground<'_>,
    candidates: &[usize],
    chosen: &[Chosen],
    needed: impl Fn(&Evidence) -> f64 + Sync,
    enough: f64,
    memo: &mut Memo,
) -> Vec<usize> {
    let n = ground.values.len();
    let mut edges: Vec<usize> = chosen.iter().map(|c| c.at).collect();
    edges.push(n);
    let known = &*memo;
    let found: Vec<(Vec<usize>, Vec<(Place, Weighed)>)> = (0..edges.len())
        .into_par_iter()
        .map(|i| {
            let left = if i > 0 { edges[i - 1] } else { 0 };
            let (mut found, mut news) = (Vec::new(), Vec::new());
            let mut open = vec![(left, edges[i])];
            while let Some((left, right)) = open.pop() {
                let from = candidates.partition_point(|c| *c <= left + 1);
                let to = candidates.partition_point(|c| *c + 1 < right);
                let best = candidates[from..to.max(from)]
                    .iter()
                    .map(|at| {
                        let place = (left, *at, right);
                        let weighed = weigh(ground, place, enough, known);
                        let e = weighed.evidence;
                        news.push((place, weighed));
                        (e.deviance - needed(&e), *at)
                    })
                    .filter(|(surplus, _)| *surplus >= 0.0)
                    .max_by(|a, b| a.0.total_cmp(&b.0).then(b.1.cmp(&a.1)));
                if let Some((_, at)) = best {
                    found.push(at);
                    open.extend([(left, at), (at, right)]);
                }
            }
            (found, news)
        })
        .collect();
    let mut all = Vec::new();
    for (found, news) in found {
        all.extend(found);
        for (place, weighed) in news {
            memo.keep(place, weighed);
        }
    }
    all.sort_unstable();
    all
}

/// Evidence at a place between two steps.
fn weigh(ground: &Ground<'_>, place: Place, enough: f64, memo: &Memo) -> Weighed {
    let (left, at, right) = place;
    let tail = left > 0 && at - left <= REACH;
    let (from, to) = (left.max(at.saturating_sub(REACH)), right.min(at + REACH));
    memo.weigh(place, |notes| ground.test(from, at, to, tail, enough, notes))
}
