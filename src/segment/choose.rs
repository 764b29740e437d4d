//! Which candidates are steps.

use std::cmp::Ordering;
use std::collections::{BTreeMap, BinaryHeap};

use rayon::prelude::*;

use super::jump::{Evidence, Ground, SOFT_FROM};
use super::memo::{Memo, Place, Room};

/// Samples on one side that a test looks at, at most.
const REACH: usize = 4096;
/// Candidates after the one at which a burst starts, among which its end is looked for.
const EDGES: usize = 8;
/// Longest burst, samples, that is looked for as a whole: of a longer one each edge shows by itself.
const LONGEST_BURST: usize = 64;
/// Readings on either side that tell the level next to a burst.
const BESIDE: usize = 5;

/// Steps between two chosen ones that one look regains at most: each costs a look at all candidates
/// there, and the next look begins at those found.
const MOST_REGAINED: usize = 16;

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
    let mut evidence = weigh_all(ground, k, |i| place(i, &before, &after), enough, memo);
    let surplus = |e: &Evidence| e.deviance - needed(e);
    // Only what fails goes.
    let mut heap: BinaryHeap<Entry> = (evidence.iter().enumerate())
        .map(|(at, e)| Entry { deviance: surplus(e), at, version: 0 })
        .filter(|entry| entry.deviance < 0.0)
        .collect();
    // A weak one between strong ones goes: what its neighbours say then is found on all cores.
    let fails = |i: usize| evidence.get(i).is_some_and(|e| surplus(e) < 0.0);
    let alone = |i: &usize| fails(*i) && !fails(before[*i]) && !fails(after[*i]);
    let at = |i: usize| candidates.get(i).copied();
    let without: Vec<Place> = (heap.iter().map(|entry| entry.at))
        .filter(alone)
        .flat_map(|i| {
            let (b, a) = (before[i], after[i]);
            let (left, right) = (at(b).unwrap_or(0), at(a).unwrap_or(n));
            let b = at(b).map(|here| (at(before[b]).unwrap_or(0), here, right));
            let a = at(a).map(|here| (left, here, at(after[a]).unwrap_or(n)));
            [b, a].into_iter().flatten()
        })
        .collect();
    weigh_all(ground, without.len(), |i| without[i], enough, memo);
    let mut room = Room::default();
    while let Some(entry) = heap.pop() {
        if gone[entry.at] || version[entry.at] != entry.version {
            continue;
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
                evidence[j] = weigh(ground, place, enough, memo, &mut room);
                memo.learn_at_once(&mut room);
                version[j] += 1;
                let entry = Entry { deviance: surplus(&evidence[j]), at: j, version: version[j] };
                if entry.deviance < 0.0 {
                    heap.push(entry);
                }
            }
        }
    }
    (0..k)
        .filter(|i| !gone[*i])
        .map(|i| Chosen { at: candidates[i], evidence: evidence[i] })
        .collect()
}

/// Evidence at `count` places, on all cores.
fn weigh_all(
    ground: &Ground<'_>,
    count: usize,
    place: impl Fn(usize) -> Place + Sync,
    enough: f64,
    memo: &mut Memo,
) -> Vec<Evidence> {
    let known = &*memo;
    let parts: Vec<(Vec<Evidence>, Room)> = (0..count)
        .into_par_iter()
        .fold(Default::default, |(mut evidence, mut room): (Vec<Evidence>, Room), i| {
            evidence.push(weigh(ground, place(i), enough, known, &mut room));
            (evidence, room)
        })
        .collect();
    let (evidence, rooms): (Vec<Vec<Evidence>>, Vec<Room>) = parts.into_iter().unzip();
    memo.learn(rooms);
    evidence.concat()
}

/// Looks once more at what was dropped: between each two chosen steps, the candidate with most
/// evidence, where that is enough; then on both sides of it. Elimination may have dropped a true
/// step while a false neighbour still stood in its window.
pub(super) fn regain(
    ground: &Ground<'_>,
    candidates: &[usize],
    chosen: &[usize],
    needed: impl Fn(&Evidence) -> f64 + Sync,
    enough: f64,
    memo: &mut Memo,
) -> Vec<usize> {
    let n = ground.values.len();
    let edges = [chosen, &[n]].concat();
    let known = &*memo;
    let parts: Vec<(Vec<usize>, Room)> = (0..edges.len())
        .into_par_iter()
        .fold(Default::default, |(mut found, mut room): (Vec<usize>, Room), i| {
            let left = if i > 0 { edges[i - 1] } else { 0 };
            let most = found.len() + MOST_REGAINED;
            let mut open = vec![(left, edges[i])];
            while let Some((left, right)) = open.pop().filter(|_| found.len() < most) {
                let from = candidates.partition_point(|c| *c <= left + 1);
                let to = candidates.partition_point(|c| *c + 1 < right);
                let best = candidates[from..to.max(from)]
                    .iter()
                    .map(|at| {
                        let e = weigh(ground, (left, *at, right), enough, known, &mut room);
                        (e.deviance - needed(&e), *at)
                    })
                    .filter(|(surplus, _)| *surplus >= 0.0)
                    .max_by(|a, b| a.0.total_cmp(&b.0).then(b.1.cmp(&a.1)));
                if let Some((_, at)) = best {
                    found.push(at);
                    open.extend([(left, at), (at, right)]);
                }
            }
            (found, room)
        })
        .collect();
    let (found, rooms): (Vec<Vec<usize>>, Vec<Room>) = parts.into_iter().unzip();
    memo.learn(rooms);
    let mut all = found.concat();
    all.sort_unstable();
    all
}

/// Candidates between which the readings leave their level and come back to it, that were dropped
/// one by one. Where the edges of a short burst are soft, several candidates lie on each, and none
/// has much evidence while the others stand.
pub(super) fn regain_bursts(
    ground: &Ground<'_>,
    candidates: &[usize],
    chosen: &[usize],
    needed: impl Fn(&Evidence) -> f64 + Sync,
    enough: f64,
    memo: &mut Memo,
) -> Vec<usize> {
    let known = &*memo;
    let parts: Vec<(Vec<Burst>, Room)> = (0..candidates.len())
        .into_par_iter()
        .fold(Default::default, |(mut found, mut room): (Vec<Burst>, Room), first| {
            let at = candidates[first];
            let before = chosen.partition_point(|c| *c < at);
            let left = before.checked_sub(1).map_or(0, |before| chosen[before]);
            let ends = candidates[first + 1..].iter().take(EDGES).copied();
            let ends = ends.take_while(|end| *end <= at + LONGEST_BURST);
            let starts_known = stands(chosen, at);
            let mut level_before = None;
            let mut best: Option<Burst> = None;
            for end in ends {
                let after = chosen.partition_point(|c| *c <= end);
                let right = chosen.get(after).copied().unwrap_or(ground.values.len());
                let short = at <= left + 1 || end < at + 2 || end + 1 >= right;
                if short || (starts_known && stands(chosen, end)) {
                    continue;
                }
                let before = *level_before.get_or_insert_with(|| {
                    middle(&ground.values[left.max(at.saturating_sub(BESIDE))..at])
                });
                if !stands_out(ground, before, (at, end), right, enough) {
                    continue;
                }
                let places = [(left, at, end), (at, end, right)];
                let surplus = places.map(|place| {
                    let evidence = weigh(ground, place, enough, known, &mut room);
                    evidence.deviance - needed(&evidence)
                });
                let surplus = surplus.into_iter().fold(f64::INFINITY, f64::min);
                if surplus >= 0.0 && best.is_none_or(|best| surplus > best.surplus) {
                    best = Some(Burst { at, end, surplus });
                }
            }
            found.extend(best);
            (found, room)
        })
        .collect();
    let (found, rooms): (Vec<Vec<Burst>>, Vec<Room>) = parts.into_iter().unzip();
    memo.learn(rooms);
    let mut bursts = found.concat();
    bursts.sort_by(|a, b| b.surplus.total_cmp(&a.surplus).then(a.at.cmp(&b.at)));
    let mut taken: BTreeMap<usize, usize> = BTreeMap::new();
    for burst in bursts {
        let before = taken.range(..=burst.end).next_back();
        if before.is_none_or(|(_, end)| *end < burst.at) {
            taken.insert(burst.at, burst.end);
        }
    }
    taken.into_iter().flat_map(|(at, end)| [at, end]).collect()
}

/// Whether a step was chosen at a place or beside it.
fn stands(chosen: &[usize], at: usize) -> bool {
    chosen.get(chosen.partition_point(|c| *c + 1 < at)).is_some_and(|c| *c <= at + 1)
}

/// Two places between which the readings are away from their level.
#[derive(Debug, Clone, Copy)]
struct Burst {
    at: usize,
    end: usize,
    /// Evidence of the weaker one beyond what is needed.
    surplus: f64,
}

/// Median of at most [`LONGEST_BURST`] readings, of two the upper.
fn middle(readings: &[f64]) -> f64 {
    let mut near = [0.0; LONGEST_BURST];
    let near = &mut near[..readings.len()];
    near.copy_from_slice(readings);
    *near.select_nth_unstable_by(readings.len() / 2, f64::total_cmp).1
}

/// Whether the readings `at..end` differ from the level `before` them and from those next to them,
/// before the step `right`, by so much that two steps are worth weighing. Lower bursts have no soft
/// edges, and each of theirs shows by itself.
fn stands_out(
    ground: &Ground<'_>,
    before: f64,
    (at, end): (usize, usize),
    right: usize,
    enough: f64,
) -> bool {
    let within = middle(&ground.values[at..end]);
    let after = middle(&ground.values[end..right.min(end + BESIDE)]);
    let sigma = [before, within, after].map(|level| ground.noise.sigma_at(level));
    let sigma = sigma.into_iter().fold(0.0, f64::max);
    let least = (2.0 * enough / (end - at) as f64).sqrt() * sigma;
    let (up, down) = (within - before, within - after);
    up * down > 0.0 && up.abs().min(down.abs()) > least.max(SOFT_FROM * sigma)
}

/// Evidence at a place between two steps.
fn weigh(ground: &Ground<'_>, place: Place, enough: f64, memo: &Memo, room: &mut Room) -> Evidence {
    let (left, at, right) = place;
    let tail = left > 0 && at - left <= REACH;
    let (from, to) = (left.max(at.saturating_sub(REACH)), right.min(at + REACH));
    memo.weigh(place, room, |notes| {
        let found = ground.test(from, at, to, tail, enough, notes);
        let shorter = (at - left).min(right - at);
        // Less may be rounding.
        let least = [at - 1, at].map(|i| ground.noise.least_step(ground.values[i], shorter));
        match found.jump.abs() < least[0].max(least[1]) {
            true => Evidence { deviance: f64::NEG_INFINITY, ..found },
            false => found,
        }
    })
}

#[cfg(test)]
mod tests {
    use super::super::noise::Noise;
    use super::super::{Wishes, segment};
    use super::*;
    use crate::capture::{Samples, TimeAxis};
    use rand::{Rng, SeedableRng};
    use rand_distr::StandardNormal;

    /// Steps found in readings at 1 Hz that are rounded to 1 mA; `level` and `sigma` in counts.
    fn found(
        seed: u64,
        len: usize,
        sigma: f64,
        phi: f64,
        level: impl Fn(usize) -> f64,
    ) -> Vec<usize> {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        let mut noise: f64 = random.sample(StandardNormal);
        let reading = |i: usize| {
            let new: f64 = random.sample(StandardNormal);
            noise = phi * noise + (1.0 - phi * phi).sqrt() * new;
            1e-3 * (level(i) + sigma * noise).round()
        };
        let current_a = (0..len).map(reading).collect();
        let samples = Samples { time: TimeAxis::Uniform { interval_s: 1.0, len }, current_a };
        let found = segment(&samples, &[], Some(1e-3), &Wishes::default()).unwrap();
        found.steps.iter().map(|step| step.index).collect()
    }

    /// A level that creeps through the counts under next to no noise moves the mean of readings only where
    /// it crosses over; one that lies a third of a count below the next crosses over now and then, for a
    /// few readings. Neither is a step; one count, held for minutes, is.
    #[test]
    fn rounding_makes_no_steps() {
        let (mut creeps, mut flips, mut right) = (0, 0, 0);
        for seed in 0..8 {
            let creeping = |i: usize| 20.0 + 6.0 * (i as f64 / 2300.0 + seed as f64).sin();
            creeps += found(seed, 14_000, 0.12, 0.0, creeping).len();
            flips += found(100 + seed, 20_000, 0.25, 0.45, |_| 5.2).len();
            let one = found(200 + seed, 8000, 0.3, 0.0, |i| 5.0 + (i / 800 % 2) as f64);
            assert!(one.len() <= 9, "{one:?}");
            right += (1..10).filter(|k| one.iter().any(|at| at.abs_diff(800 * k) <= 5)).count();
        }
        assert!(creeps <= 4 && flips <= 1, "{creeps} {flips}");
        assert!(right >= 70, "{right} of 72");
    }

    /// Where both edges of one short wake are missing among the candidates, its neighbours stay: each
    /// shows in its nearest readings, though wider windows hold the wake that is missing.
    #[test]
    fn a_dropped_neighbour_takes_no_step_with_it() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(11);
        let (wakes, every, wide) = (40, 60, 3);
        let values: Vec<f64> = (0..wakes * every)
            .map(|i| {
                let noise: f64 = random.sample(StandardNormal);
                match i % every >= every - wide {
                    true => 4.2e-3 + 3e-5 * noise,
                    false => 12e-6 + 1e-7 * noise,
                }
            })
            .collect();
        let edges: Vec<usize> =
            (1..wakes).flat_map(|wake| [wake * every - wide, wake * every]).collect();
        let missing = 2 * (wakes / 2);
        let candidates = [&edges[..missing], &edges[missing + 2..]].concat();
        let noise = Noise::learn(&values, None);
        let time = TimeAxis::Uniform { interval_s: 1.0, len: values.len() };
        let ground = Ground::plain(&values, &time, &noise);
        let enough = 2.0 * (100.0 * values.len() as f64).ln() + 6.0;
        let chosen =
            eliminate(&ground, &candidates, |_| enough, enough, &mut Memo::of(values.len()));
        let kept: Vec<usize> = chosen.iter().map(|c| c.at).collect();
        assert_eq!(kept, candidates);
    }
}
