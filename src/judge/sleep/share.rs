//! Time and charge asleep, waking and awake, and how long it wakes where the rate cannot see it.

use super::baseline::Baseline;
use super::floor::Rest;
use super::outings::{self, Outing, OutingKind, RISES};
use super::stretches::Depths;
use super::{Night, SHORT};
use crate::findings::{SleepShare, Wake, WakeSeries};

/// The rate sees how long the wakes of a kind are when this share of them has a reading that is wholly
/// theirs; noise lengthens fewer.
const SEEN: f64 = 0.05;

/// How long the wakes are of which the rate does not tell it, each by its first sample.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Unresolved {
    firsts: Vec<usize>,
}

impl Unresolved {
    /// Marks the kinds whose wakes show in one or two readings: a reading may hold a short high wake or a
    /// long low one. Such a wake lasts its readings at most. `every` are the outings of `wakes`, in order.
    pub(super) fn mark(
        night: &Night<'_>,
        every: &[Outing],
        wakes: &[Wake],
        kinds: &mut [WakeSeries],
    ) -> Self {
        let readings = |outing: &Outing| outing.end - outing.first;
        for (at, kind) in kinds.iter_mut().enumerate() {
            let own = |alone: bool| {
                let here = wakes.iter().zip(every);
                here.filter(move |(wake, _)| wake.series == Some(at) && !(alone && wake.met))
            };
            let mut all: Vec<usize> = own(true).map(|(_, outing)| readings(outing)).collect();
            if all.is_empty() {
                all = own(false).map(|(_, outing)| readings(outing)).collect();
            }
            let seen = all.iter().filter(|readings| **readings >= SHORT).count();
            kind.width_at_most = (seen as f64) < SEEN * all.len() as f64;
            if kind.width_at_most {
                all.sort_unstable();
                kind.width_s = all[all.len() / 2] as f64 * night.usual_interval_s;
            }
        }
        let firsts = wakes
            .iter()
            .zip(every)
            .filter(|(wake, outing)| {
                let kind = wake.series.and_then(|at| kinds.get(at));
                kind.is_some_and(|kind| kind.width_at_most) && readings(outing) < SHORT
            })
            .map(|(_, outing)| outing.first)
            .collect();
        Self { firsts }
    }

    fn has(&self, outing: &Outing) -> bool {
        self.firsts.binary_search(&outing.first).is_ok()
    }
}

/// What wakes missing from their rhythm take of the floor's mean at most, ampere, where they may lie in its noise: a
/// short one shows in two readings, and half of it stays below what is told from the floor.
pub(super) fn hidden_a(
    night: &Night<'_>,
    baseline: &Baseline,
    rests: &[Rest],
    kinds: &[WakeSeries],
) -> f64 {
    let asleep_s: f64 = rests.iter().map(|rest| rest.length_s).sum();
    let shows_c = 2.0 * RISES * baseline.sigma_a * night.usual_interval_s;
    let hide = |kind: &&WakeSeries| kind.width_at_most && 3600.0 * kind.charge_each_ah < shows_c;
    let missing = kinds.iter().filter(hide).map(|kind| kind.skipped as f64 * kind.charge_each_ah);
    if asleep_s > 0.0 { 3600.0 * missing.sum::<f64>() / asleep_s } else { 0.0 }
}

/// Time and charge asleep, waking and awake, of what is powered. The time of a wake on a raised
/// level is the level's, its charge above that level its own. O(n).
///
/// A wake that the rate cannot resolve lasts its readings at most, and at least as long as its charge takes
/// at the greatest current above the floor that is seen over several readings, above which no wake is taken
/// to rise. Its charge is known, and the floor's in it counts for that time.
pub(super) fn of(
    night: &Night<'_>,
    depths: &Depths,
    baseline: &Baseline,
    outings: &[Outing],
    raised: &[Outing],
    unresolved: &Unresolved,
) -> [SleepShare; 3] {
    let mut parts = [SleepShare::default(); 3];
    let floor_a = |outing: &Outing| 0.5 * (baseline.at(outing.start_s) + baseline.at(outing.end_s));
    let seen = outings.iter().filter(|outing| outing.end - outing.first >= SHORT);
    let seen = seen.filter(|outing| !unresolved.has(outing));
    let greatest_a = seen.map(|outing| outing.height_a).fold(0.0, f64::max);
    // How much shorter the wakes may be.
    let mut less_s = 0.0;
    for outing in outings {
        let at = if outing.kind == OutingKind::Wake { 1 } else { 2 };
        let (mut most_s, mut least_s) = (outing.seen_s(), outing.seen_s());
        if unresolved.has(outing) {
            most_s = (outing.end - outing.first) as f64 * night.usual_interval_s;
            let highest_s = if greatest_a > 0.0 { outing.charge_c / greatest_a } else { 0.0 };
            least_s = highest_s.clamp(0.0, most_s);
            less_s += most_s - least_s;
        }
        parts[at].time_s += most_s;
        // What it takes above the floor, and the floor while it lasts.
        parts[at].charge_ah += (outing.charge_c + floor_a(outing) * least_s) / 3600.0;
    }
    let (mut time_s, mut charge_ah) = (0.0, 0.0);
    for (first, end) in outings::powered(night, depths) {
        let (charge_c, length_s) = night.charge_and_time(first..end);
        time_s += length_s;
        charge_ah += charge_c / 3600.0;
    }
    let on_top_ah = raised.iter().map(|wake| wake.charge_c / 3600.0).sum::<f64>();
    parts[1].charge_ah += on_top_ah;
    parts[2].charge_ah -= on_top_ah;
    parts[0].time_s = (time_s - parts[1].time_s - parts[2].time_s).max(0.0);
    parts[0].charge_ah = charge_ah - parts[1].charge_ah - parts[2].charge_ah;
    let of_time = |part_s: f64| if time_s > 0.0 { part_s / time_s } else { 0.0 };
    for part in &mut parts {
        part.share_of_time = of_time(part.time_s);
        let share = if charge_ah > 0.0 { part.charge_ah / charge_ah } else { 0.0 };
        part.share_of_charge = share.clamp(0.0, 1.0);
    }
    if less_s > 0.0 {
        parts[1].least_time_s = Some(parts[1].time_s - less_s);
        parts[1].least_share_of_time = Some(of_time(parts[1].time_s - less_s));
    }
    parts
}
