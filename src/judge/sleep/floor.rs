//! The sleep floor: its level, and how far to trust it.

use rayon::prelude::*;

use super::baseline::{LEARN_FROM, resting_sd};
use super::outings::Outing;
use super::stretches::{Depth, Depths};
use super::{Night, each_task};
use crate::findings::SegmentKind;
use crate::numeric::{effective_samples, rectangular, resolution};

/// The floor with its uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Floor {
    pub(super) value_a: f64,
    pub(super) u_a: f64,
    pub(super) degrees_of_freedom: Option<f64>,
}

impl Floor {
    /// The floor where wakes may hide in it that take so much of its mean.
    pub(super) fn holding(self, hidden_a: f64) -> Self {
        Self { u_a: self.u_a.hypot(rectangular(hidden_a)), ..self }
    }
}

/// One stay at the floor, between two outings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Rest {
    pub(super) first: usize,
    pub(super) end: usize,
    pub(super) middle_s: f64,
    pub(super) length_s: f64,
    pub(super) mean_a: f64,
    pub(super) u_a: f64,
}

/// Fewest readings of a stay.
pub(super) const FEWEST: usize = 3;
/// Least share of the readings asleep that lies in stays of so many.
const LEAST_SHARE: f64 = 1.0 / 3.0;
/// Fewest stays that a task measures.
const STAYS: usize = 64;

/// The stays at the floor: steady segments asleep, no panel charging, without the outings and the stray readings in
/// them. Where few are, whatever is asleep. O(n).
pub(super) fn rests(
    night: &Night<'_>,
    depths: &Depths,
    outings: &[Outing],
    strays: &[usize],
) -> Vec<Rest> {
    let up = outings.iter().map(|outing| (outing.first, outing.end));
    let mut left: Vec<(usize, usize)> = up.chain(strays.iter().map(|at| (*at, at + 1))).collect();
    left.sort_unstable();
    let steady = stays(night, depths, &left, true);
    let any = stays(night, depths, &left, false);
    let readings = |stays: &[(usize, usize)]| stays.iter().map(|(first, end)| end - first).sum();
    let (few, all): (usize, usize) = (readings(&steady), readings(&any));
    // What is awake most of the time is never asleep for long enough.
    let kept = if 2 * few < all { any } else { steady };
    kept.par_iter().with_min_len(STAYS).map(|&(first, end)| rest(night, first, end)).collect()
}

/// `left` are the readings away from the floor, in order.
fn stays(
    night: &Night<'_>,
    depths: &Depths,
    left: &[(usize, usize)],
    steady: bool,
) -> Vec<(usize, usize)> {
    let segments = &night.segmentation.segments;
    let asleep = depths
        .stretches
        .iter()
        .filter(|stretch| stretch.depth == Depth::Asleep)
        .flat_map(|stretch| stretch.first..stretch.end)
        .filter(|at| !steady || segments[*at].kind == SegmentKind::Steady)
        .filter(|at| night.mean_a(*at) >= depths.least_a);
    let mut all: Vec<(usize, usize)> = Vec::new();
    let mut whole = 0;
    for segment in asleep.map(|at| &segments[at]) {
        let mut first = segment.first;
        let from = left.partition_point(|outing| outing.1 < segment.first);
        let inside = left[from..].iter().take_while(|outing| outing.0 <= segment.end);
        whole += segment.end - segment.first;
        let mut seen = segment.first;
        // A reading on either side of an outing may be partly of it.
        for outing in inside {
            // Outings may overlap.
            let (from, to) = (outing.0.clamp(seen, segment.end), outing.1.clamp(seen, segment.end));
            whole -= to - from;
            seen = to;
            all.push((first, outing.0.saturating_sub(1).min(segment.end)));
            first = first.max(outing.1 + 1);
        }
        all.push((first, segment.end));
    }
    all.retain(|&(first, end)| end >= first + FEWEST);
    // Where most stays are too short to be among them, these are the ones in which a wake was missed.
    let readings: usize = all.iter().map(|(first, end)| end - first).sum();
    if (readings as f64) < LEAST_SHARE * whole as f64 {
        all.clear();
    }
    all
}

/// These readings as one stay.
pub(super) fn rest(night: &Night<'_>, first: usize, end: usize) -> Rest {
    let count = (end - first) as f64;
    let mean_a = night.sum_a(first..end) / count;
    let squares = each_task(first..end, |task| {
        task.map(|sample| (night.drawn_a(sample) - mean_a).powi(2)).sum::<f64>()
    });
    let squares: f64 = squares.into_iter().sum();
    let noise = &night.segmentation.noise;
    let noise_a = (squares / (count - 1.0)).sqrt().max(noise.floor_a);
    let time = &night.samples.time;
    Rest {
        first,
        end,
        middle_s: 0.5 * (time.at(first) + time.at(end - 1)),
        length_s: time.at(end - 1) - time.at(first) + night.usual_interval_s,
        mean_a,
        u_a: noise_a / effective_samples(count, noise.phi).sqrt(),
    }
}

/// Standard deviation of one reading about its stay's mean, strays left out, ampere.
pub(super) fn noise_a(night: &Night<'_>, rests: &[Rest]) -> f64 {
    let total: usize = rests.iter().map(|rest| rest.end - rest.first).sum();
    let stride = total.div_ceil(LEARN_FROM).max(1);
    let mut deviations = Vec::with_capacity(total / stride + rests.len());
    for rest in rests {
        // Each stay's mean is its own readings'.
        let count = (rest.end - rest.first) as f64;
        let wider = (count / (count - 1.0)).sqrt();
        let taken = (rest.first..rest.end).step_by(stride);
        deviations.extend(taken.map(|sample| (night.drawn_a(sample) - rest.mean_a) * wider));
    }
    resting_sd(deviations, count_a(night)).max(night.segmentation.noise.floor_a)
}

/// Count of the meter, ampere.
pub(super) fn count_a(night: &Night<'_>) -> f64 {
    let known_a = night.sheet.meter.and_then(|meter| meter.resolution_a);
    known_a.unwrap_or(night.segmentation.noise.floor_a * 12f64.sqrt())
}

/// Standard uncertainty of the zero's mean, ampere: of the one removed; where none was checked that of a
/// zero anywhere within the tolerance that the job sheet gives, if it does.
fn zero_a(night: &Night<'_>) -> f64 {
    let unseen_a = || {
        let tolerance_a = night.sheet.meter?.zero_return_tolerance_a?;
        Some(rectangular(tolerance_a))
    };
    match night.loads.zero.mean_expanded_a {
        Some(expanded_a) => 0.5 * expanded_a,
        None if night.loads.zero.checks.is_empty() => unseen_a().unwrap_or(0.0),
        None => 0.0,
    }
}

/// Mean of the floor over its time, `Σ tᵢ x̄ᵢ / Σ tᵢ`, and its standard uncertainty: type A of the
/// stays (independent), their scatter where they wander, the zero (rectangular within the job sheet's
/// tolerance where nobody checked it), and the meter's accuracy (rectangular: percent of reading and
/// counts) and resolution q/√12. O(stays).
pub(super) fn level(night: &Night<'_>, visits: &[Rest]) -> Option<Floor> {
    let time_s: f64 = visits.iter().map(|visit| visit.length_s).sum();
    if visits.is_empty() || time_s <= 0.0 {
        return None;
    }
    let value_a = visits.iter().map(|v| v.length_s * v.mean_a).sum::<f64>() / time_s;
    let type_a: f64 =
        visits.iter().map(|visit| (visit.length_s * visit.u_a / time_s).powi(2)).sum();
    // Effective number of visits of unequal length (Kish).
    let squares: f64 = visits.iter().map(|visit| visit.length_s * visit.length_s).sum();
    let effective = time_s * time_s / squares;
    let scatter: f64 =
        visits.iter().map(|v| v.length_s * (v.mean_a - value_a).powi(2)).sum::<f64>() / time_s;
    let wander = if effective > 1.5 { scatter / (effective - 1.0) } else { 0.0 };
    let meter = night.sheet.meter.unwrap_or_default();
    let resolution_a = count_a(night);
    let type_b = rectangular(meter.accuracy_percent_of_reading / 100.0 * value_a).powi(2)
        + rectangular(meter.accuracy_counts * resolution_a).powi(2)
        + resolution(resolution_a).powi(2)
        + zero_a(night).powi(2);
    let u_a = (type_a.max(wander) + type_b).sqrt();
    let own = type_a.max(wander);
    // Welch-Satterthwaite with the stretches' scatter as the only estimated part.
    let degrees_of_freedom = (own > 0.0 && wander > type_a)
        .then(|| (effective - 1.0).max(1.0) * (u_a * u_a / own).powi(2));
    Some(Floor { value_a, u_a, degrees_of_freedom })
}
