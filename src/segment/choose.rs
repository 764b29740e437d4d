//! Which candidates are steps.

use std::cmp::Ordering;
use std::collections::{BinaryHeap, HashMap};

use rayon::prelude::*;

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

/// What has been weighed already on the same ground: the evidence at a place between two others.
/// Eliminations follow one another with few changes, and most places keep their neighbours.
#[derive(Debug, Default)]
pub(super) struct Memo {
    known: HashMap<Place, Evidence>,
}

/// The step before, the place, and the step after.
type Place = (usize, usize, usize);

impl Memo {
    /// The evidence and whether it is news.
    fn weigh(&self, ground: &Ground<'_>, place: Place, enough: f64) -> (Evidence, bool) {
        match self.known.get(&place) {
            Some(evidence) => (*evidence, false),
            None => (weigh(ground, place, enough), true),
        }
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
    let weighed: Vec<(Evidence, bool)> = (0..k)
        .into_par_iter()
        .map(|i| memo.weigh(ground, place(i, &before, &after), enough))
        .collect();
    for (i, (evidence, _)) in weighed.iter().enumerate().filter(|(_, (_, news))| *news) {
        memo.known.insert(place(i, &before, &after), *evidence);
    }
    let mut evidence: Vec<Evidence> = weighed.into_iter().map(|(evidence, _)| evidence).collect();
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
                let (found, news) = memo.weigh(ground, place, enough);
                if news {
                    memo.known.insert(place, found);
                }
                evidence[j] = found;
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
    let found: Vec<(Vec<usize>, Vec<(Place, Evidence)>)> = (0..edges.len())
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
                        let (e, new) = known.weigh(ground, (left, *at, right), enough);
                        news.extend(new.then_some(((left, *at, right), e)));
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
        memo.known.extend(news);
    }
    all.sort_unstable();
    all
}

/// Evidence at `at` between the steps `left` (or the start, 0) and `right` (or the end).
fn weigh(ground: &Ground<'_>, (left, at, right): Place, enough: f64) -> Evidence {
    let tail = left > 0 && at - left <= REACH;
    ground.test(left.max(at.saturating_sub(REACH)), at, right.min(at + REACH), tail, enough)
}
