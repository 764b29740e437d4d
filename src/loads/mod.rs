//! From steady states and tied events to the draw of each load, with its uncertainty.
//!
//! ```text
//! timeline   what the list says was on     zero      where nothing was powered
//! phases     what loads did by themselves  stays     gathered to phases   names     what to call it
//! wander     the covariance of the levels  likelihood   of the variances, given the levels
//! solve      generalised least squares     nnls         draws that cannot be negative
//! uncertainty  the budget of each draw     rounding     what the counts leave
//! doubt      how far the removed zero may be off
//! creep      what creeps, told from the zero's wander   turned   a clamp put on backwards
//! ```

mod attribute;
mod cautions;
mod creep;
mod doubt;
mod likelihood;
mod names;
mod nnls;
mod phases;
mod rounding;
#[cfg(test)]
pub(crate) mod scene;
mod solve;
mod stays;
#[cfg(test)]
mod tests;
mod timeline;
mod turned;
mod types;
mod uncertainty;
mod wander;
mod zero;

pub use creep::{Slope, Stay, creep};
pub use types::*;

use crate::events::Alignment;
use crate::findings::SegmentKind;
use crate::jobsheet::JobSheet;
use crate::segment::{Segment, Segmentation};
use attribute::Attribution;
use phases::Row;
use rounding::Rounding;
use timeline::Timeline;
use turned::is_turned;
use uncertainty::Meter;

/// Code of the caution that the readings were turned round.
pub(crate) const CLAMP_TURNED: &str = "clamp-turned";

/// Removes the zero and solves for the draw of every load and state.
///
/// `resolution_a` is what the capture shows; the job sheet's meter overrules it. The estimator and
/// its covariance are derived in `docs/draws-and-verdicts.md`. O(n p² + p³) for `n` steady
/// stretches and `p` loads and states, some 700 times for the grid of variance components.
pub fn solve(
    segmentation: &Segmentation,
    alignment: Option<&Alignment>,
    sheet: &JobSheet,
    resolution_a: Option<f64>,
) -> LoadsFound {
    let spec = sheet.meter.unwrap_or_default();
    let resolution_a = spec.resolution_a.or(resolution_a).unwrap_or(0.0);
    let meter = Meter {
        gain: spec.accuracy_percent_of_reading / 100.0,
        counts_a: spec.accuracy_counts * resolution_a,
        resolution_a,
    };
    let turned = is_turned(segmentation, alignment);
    let sign = if turned { -1.0 } else { 1.0 };
    let mut checks: Vec<usize> = alignment
        .iter()
        .flat_map(|alignment| alignment.events.iter().filter_map(|event| event.zero_segment))
        .collect();
    checks.sort_unstable();
    let rows = rows(segmentation, &checks, sign, resolution_a);
    let (timeline, by_level) = match alignment {
        Some(alignment) => (Timeline::new(alignment, segmentation, sheet, sign), false),
        // A capture of one unit that nobody touched is that unit's.
        None if sheet.loads.len() == 1 => (Timeline::always_on(0, sheet), true),
        None => (Timeline::default(), false),
    };
    let mut found =
        Attribution { segmentation, sheet, meter, spec, sign, rows, timeline, by_level }.solve();
    found.turned = turned;
    if turned {
        found.cautions.push(crate::findings::Caution::new(
            CLAMP_TURNED,
            "The readings were turned round: switching loads on lowered them, so the clamp sat the other way.",
        ));
    }
    found
}

/// A stretch of fewer readings, or a tail, is left out when it is this many times less certain than the
/// middle one.
const FEW_READINGS: usize = 5;
const COARSE: f64 = 20.0;

/// Readings of a stretch that is not quite steady scatter at most this many times as much as noise does at
/// its level,
const UNSTEADY: f64 = 2.0;
/// Readings of a tail scatter by more than this share of a step beside it.
const TAIL: f64 = 0.3;
/// and it lasts at least this share of the middle steady one: start-up humps are shorter.
const LASTING: f64 = 0.5;

/// The steady stretches, those left out of which a handful of readings or what moves in them tells nothing
/// beside the others (the tail of a wake), and those that would be steady but for a move no larger than the noise, such as of a load too small to
/// make a step. Without a row what was switched before and after them would pass for one. A listed zero
/// check (`checks`, rising indices of segments) is a row however short.
fn rows(segmentation: &Segmentation, checks: &[usize], sign: f64, resolution_a: f64) -> Vec<Row> {
    let rounding = Rounding::learn(segmentation, resolution_a);
    let mut lengths_s: Vec<f64> =
        segmentation.of_kind(SegmentKind::Steady).map(|s| s.end_s - s.start_s).collect();
    lengths_s.sort_by(f64::total_cmp);
    let lasting_s = lengths_s.get(lengths_s.len() / 2).map_or(f64::INFINITY, |s| LASTING * s);
    let nearly = |segment: &Segment| {
        segment.kind == SegmentKind::Transient
            && segment.end_s - segment.start_s >= lasting_s
            && segment.noise_a <= UNSTEADY * segmentation.noise.sigma_at(segment.mean_a)
    };
    let mut rows: Vec<Row> = segmentation
        .segments
        .iter()
        .enumerate()
        .filter(|(index, segment)| {
            segment.kind == SegmentKind::Steady
                || nearly(segment)
                || checks.binary_search(index).is_ok()
        })
        .map(|(index, segment)| {
            let floor_a = segmentation.noise.floor_a / segment.effective_samples.max(1.0).sqrt();
            // A move does not average out.
            let u_a = match segment.kind {
                SegmentKind::Transient if checks.binary_search(&index).is_err() => segment.noise_a,
                _ => segment.standard_uncertainty_a.max(floor_a),
            };
            let rounding_a = rounding.of(segment, segmentation.noise.floor_a);
            Row {
                segment: index,
                start_s: segment.start_s,
                end_s: segment.end_s,
                level_a: sign * segment.mean_a,
                u_a: u_a.hypot(rounding_a),
                rounding_a,
                zero: false,
                interrupted: false,
            }
        })
        .collect();
    let mut typical: Vec<f64> = rows.iter().map(|row| row.u_a).collect();
    typical.sort_by(f64::total_cmp);
    if let Some(&typical_a) = typical.get(typical.len() / 2) {
        let told: Vec<bool> = (0..rows.len())
            .map(|k| {
                rows[k].u_a <= COARSE * typical_a
                    || checks.binary_search(&rows[k].segment).is_ok()
                    || !(is_short(segmentation, &rows[k]) || is_tail(segmentation, &rows, k))
            })
            .collect();
        let mut told = told.into_iter();
        rows.retain(|_| told.next().unwrap_or(true));
    }
    rows
}

/// True for a stretch of a handful of readings.
fn is_short(segmentation: &Segmentation, row: &Row) -> bool {
    let segment = &segmentation.segments[row.segment];
    segment.end - segment.first < FEW_READINGS
}

/// True for a stretch whose readings scatter more than noise does, and by a good part of what parts it
/// from a stretch beside it: the tail of a wake.
fn is_tail(segmentation: &Segmentation, rows: &[Row], k: usize) -> bool {
    let segment = &segmentation.segments[rows[k].segment];
    let beside = [k.checked_sub(1), Some(k + 1)].into_iter().flatten();
    let apart_a = beside
        .filter_map(|at| rows.get(at))
        .map(|other| (other.level_a - rows[k].level_a).abs())
        .fold(f64::INFINITY, f64::min);
    segment.noise_a > UNSTEADY * segmentation.noise.sigma_at(segment.mean_a)
        && segment.noise_a > TAIL * apart_a
}
