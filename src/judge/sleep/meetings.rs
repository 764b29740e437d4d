//! Wakes that meet: of two rhythms one now and then falls within or beside a wake of the other.
//!
//! Two wakes hardly apart are one outing. It is as long as both at most and takes as much as both, so it is
//! no failure to sleep; the wake that it swallowed is not missing from its rhythm; and its charge is no
//! measure of one wake.

use super::outings::{APART, Outing, OutingKind};
use super::series;
use crate::findings::{Span, Wake, WakeSeries};
use crate::numeric::Moments;

/// Kinds of which wakes may meet at once, the most frequent ones.
const KINDS: usize = 6;
/// A meeting is longer than its wakes together by this share at most, and takes as much as they to this
/// share: wakes of one kind differ by some per cent.
const ALIKE: f64 = 0.15;
/// Standard deviations of its interval that a wake may be away from where its rhythm puts it.
const STRAYS: f64 = 3.0;
/// A wake due may stray by this share of the period at most.
const LOOSEST: f64 = 0.25;
/// Fewest wakes that no other touches which tell what one takes.
pub(super) const FEWEST: usize = 3;

/// Takes those back of the failures to sleep that are two or more wakes of known kinds at once.
pub(super) fn take_back(outings: &mut [Outing], interval_s: f64) {
    let (_, kinds) = series::of(outings);
    let kinds = &kinds[..kinds.len().min(KINDS)];
    let gap_s = (APART + 1) as f64 * interval_s;
    let meets = |outing: &Outing| {
        (1..1usize << kinds.len()).filter(|set| set.count_ones() > 1).any(|set| {
            let members = || (0..kinds.len()).filter(|at| set >> at & 1 == 1).map(|at| &kinds[at]);
            let length_s: f64 = members().map(|kind| kind.width_s).sum();
            let charge_c: f64 = members().map(|kind| 3600.0 * kind.charge_each_ah).sum();
            let borders = f64::from(set.count_ones());
            outing.width_s() <= (1.0 + ALIKE) * length_s + borders * gap_s
                && (outing.charge_c - charge_c).abs() <= ALIKE * charge_c
        })
    };
    let stuck = outings.iter_mut().filter(|outing| outing.kind == OutingKind::Failure);
    for outing in stuck.filter(|outing| meets(outing)) {
        outing.kind = OutingKind::Wake;
    }
}

/// A wake due by its rhythm and not seen by itself.
struct Due {
    time_s: f64,
    /// False beside the first and the last wake of its kind, where it may not have been due at all.
    between: bool,
}

/// Moments at which wakes of a rhythm were due without any being seen.
fn due(starts: &[f64], period_s: f64) -> Vec<Due> {
    let mut all = Vec::new();
    for pair in starts.windows(2) {
        let periods = ((pair[1] - pair[0]) / period_s).round().max(1.0);
        let each_s = (pair[1] - pair[0]) / periods;
        let within = (1..periods as usize).map(|k| pair[0] + k as f64 * each_s);
        all.extend(within.map(|time_s| Due { time_s, between: true }));
    }
    let ends = [starts.first().map(|s| s - period_s), starts.last().map(|s| s + period_s)];
    all.extend(ends.into_iter().flatten().map(|time_s| Due { time_s, between: false }));
    all
}

/// Sets right what meetings blur, in place: which wakes are meetings, how many of a rhythm are missing, and
/// what a wake of a kind takes: the mean of those that no other touches or, where every one is touched, the
/// mean of all less what the others in them take.
///
/// `busy` are the stretches in which a wake could not be seen, in order. O(wakes log wakes) a kind.
pub(super) fn settle(wakes: &mut [Wake], kinds: &mut [WakeSeries], busy: &[Span], interval_s: f64) {
    // For every wake, which other kinds lie in it.
    let mut others: Vec<Vec<usize>> = vec![Vec::new(); wakes.len()];
    let longest_s = wakes.iter().map(|wake| wake.width_s).fold(0.0, f64::max);
    for (at, kind) in kinds.iter_mut().enumerate() {
        let Some(period_s) = kind.period_s.filter(|_| kind.regular) else { continue };
        let starts: Vec<f64> =
            wakes.iter().filter(|wake| wake.series == Some(at)).map(|wake| wake.start_s).collect();
        let stray_s = STRAYS * kind.jitter_s.unwrap_or(0.0) + APART as f64 * interval_s;
        let room_s = stray_s.min(LOOSEST * period_s);
        let (mut missing, mut met) = (0, 0);
        for Due { time_s, between } in due(&starts, period_s) {
            let (from_s, to_s) = (time_s - room_s, time_s + kind.width_s + room_s);
            let first = wakes.partition_point(|wake| wake.start_s < from_s - longest_s);
            let end = wakes.partition_point(|wake| wake.start_s <= to_s);
            let there =
                |wake: &Wake| wake.series != Some(at) && wake.start_s + wake.width_s >= from_s;
            let other = (first..end).rev().find(|other| there(&wakes[*other]));
            let unseen = || {
                let end = busy.partition_point(|span| span.start_s <= to_s);
                end.checked_sub(1).is_some_and(|last| busy[last].end_s >= from_s)
            };
            match other {
                Some(other) => {
                    // One that takes no more is a wake of this rhythm that looks otherwise.
                    if wakes[other].charge_ah > (1.0 + ALIKE) * kind.charge_each_ah {
                        others[other].push(at);
                    }
                    met += u64::from(between);
                }
                None if between && !unseen() => missing += 1,
                None => {}
            }
        }
        kind.skipped = missing;
        kind.met = met;
    }
    for (wake, others) in wakes.iter_mut().zip(&others) {
        wake.met = !others.is_empty();
    }
    let mean_ah = |charges: Vec<f64>| Moments::of(&charges).map(|moments| moments.mean);
    let wakes = &*wakes;
    let of = |at: usize| (0..wakes.len()).filter(move |wake| wakes[*wake].series == Some(at));
    let alone_ah: Vec<Option<f64>> = (0..kinds.len())
        .map(|at| {
            let alone = of(at).filter(|wake| !wakes[*wake].met);
            let charges: Vec<f64> = alone.map(|wake| wakes[wake].charge_ah).collect();
            (charges.len() >= FEWEST).then(|| mean_ah(charges)).flatten()
        })
        .collect();
    for (at, kind) in kinds.iter_mut().enumerate() {
        let less_others = |wake: usize| {
            let in_it = others[wake].iter().filter_map(|other| alone_ah[*other]);
            wakes[wake].charge_ah - in_it.sum::<f64>()
        };
        let each_ah = alone_ah[at].or_else(|| mean_ah(of(at).map(less_others).collect()));
        kind.charge_each_ah = each_ah.unwrap_or(kind.charge_each_ah);
    }
}
