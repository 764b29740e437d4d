//! Whether the floor is a level that is come back to, and not one of many that the draw happens to pass.
//!
//! What sleeps leaves its floor by much and comes back to it: from one stay to the next the level changes by little
//! beside the steps that lead away and back. Among levels that come and go at random, each return is to another one.

use super::baseline::BLOCK;
use super::floor::count_a;
use super::follow::Edge;
use super::stretches::{Depth, LONG};
use super::{Night, middle};
use crate::findings::SegmentKind;
use crate::numeric::effective_samples;

/// Change from stay to stay, beside the lower of the steps away and back, up to which the floor is one level.
const SAME: f64 = 0.05;
/// Standard deviations that the levels of two stays differ by at most, by noise alone,
const BY_NOISE: f64 = 2.0;
/// and by a zero that wanders at random as it usually does within a stay.
const BY_WANDER: f64 = 3.0;
/// Middle of the distances of a unit Gaussian from its mean.
const MIDDLE: f64 = 0.6745;
/// Share of the returns that come back to the level that was left.
const MOST: f64 = 2.0 / 3.0;
/// Returns from which on they tell.
const TELLS: usize = 2;
/// Fewer tell nothing unless the floor stands apart: by its share of the time, by the longest stay beside the longest
/// of any level above, or by this factor below all of them.
const MOST_TIME: f64 = 0.3;
const APART: f64 = 2.0;

/// A return to the floor.
struct Return {
    change_a: f64,
    /// The lower of the steps away from the floor and back.
    step_a: f64,
    /// Standard uncertainty of the change by noise.
    u_a: f64,
    apart_s: f64,
}

/// Whether the segments asleep, and those `held` at the level that was taken for the floor, are at one.
/// O(segments log segments).
pub(super) fn tell(
    night: &Night<'_>,
    edges: &[[Edge; 2]],
    dips: &[bool],
    held: &[bool],
    depths: &[Depth],
) -> bool {
    let segments = &night.segmentation.segments;
    let stays: Vec<usize> = (0..segments.len())
        .filter(|at| {
            (depths[*at] == Depth::Asleep || (held[*at] && depths[*at] == Depth::Up))
                && segments[*at].end - segments[*at].first >= LONG
        })
        .filter(|at| segments[*at].kind == SegmentKind::Steady || dips[*at])
        .collect();
    let returns: Vec<Return> =
        stays.windows(2).filter_map(|two| back(night, edges, depths, two[0], two[1])).collect();
    let wander = Wander::of(night, edges, &stays);
    let count_a = 0.5 * count_a(night);
    let same = |it: &&Return| {
        let room_a = (BY_NOISE * it.u_a).max(wander.move_a(it.apart_s)).max(count_a);
        it.change_a - room_a <= SAME * it.step_a
    };
    let same = returns.iter().filter(same).count();
    match returns.len() {
        0..TELLS => stands_apart(night, depths),
        all => MOST * all as f64 <= same as f64,
    }
}

/// From one stay to the next, away from the floor and back; `None` where nothing stands above it between them.
fn back(
    night: &Night<'_>,
    edges: &[[Edge; 2]],
    depths: &[Depth],
    from: usize,
    to: usize,
) -> Option<Return> {
    let between = from + 1..to;
    if depths[between.clone()].contains(&Depth::Off) {
        return None;
    }
    let segments = &night.segmentation.segments;
    // A soft edge is no level.
    let up = |at: &usize| depths[*at] == Depth::Up;
    let level = |at: &usize| up(at) && segments[*at].kind != SegmentKind::Transient;
    let first = between.clone().find(level).or_else(|| between.clone().find(up))?;
    let last = between.clone().rev().find(level).or_else(|| between.clone().rev().find(up))?;
    let (leaves, enters) = (edges[from][1], edges[to][0]);
    let away_a = night.mean_a(first) - leaves.level_a;
    let back_a = night.mean_a(last) - enters.level_a;
    Some(Return {
        change_a: (enters.level_a - leaves.level_a).abs(),
        step_a: away_a.min(back_a),
        u_a: edge_u_a(night, from).hypot(edge_u_a(night, to)),
        apart_s: enters.time_s - leaves.time_s,
    })
}

/// Standard uncertainty of the level at which a segment begins or ends, by its noise, ampere.
fn edge_u_a(night: &Night<'_>, at: usize) -> f64 {
    let segment = &night.segmentation.segments[at];
    // The middle half of them.
    let readings = 0.5 * BLOCK.min(segment.end - segment.first) as f64;
    segment.noise_a / effective_samples(readings, night.segmentation.noise.phi).max(1.0).sqrt()
}

/// How a zero that wanders at random moves the level within a stay, more than the noise does.
struct Wander {
    move_a: f64,
    length_s: f64,
}

impl Wander {
    fn of(night: &Night<'_>, edges: &[[Edge; 2]], stays: &[usize]) -> Self {
        let segments = &night.segmentation.segments;
        let long = || {
            let long = |at: &usize| segments[*at].end - segments[*at].first >= 2 * BLOCK;
            stays.iter().copied().filter(long)
        };
        let usual = |of: &dyn Fn(usize) -> f64| {
            let mut values: Vec<f64> = long().map(of).collect();
            values.sort_by(f64::total_cmp);
            middle(&values).unwrap_or(0.0)
        };
        let change_a = usual(&|at| (edges[at][1].level_a - edges[at][0].level_a).abs());
        let noise_a = MIDDLE * std::f64::consts::SQRT_2 * usual(&|at| edge_u_a(night, at));
        Self {
            move_a: (change_a * change_a - noise_a * noise_a).max(0.0).sqrt(),
            length_s: usual(&|at| edges[at][1].time_s - edges[at][0].time_s),
        }
    }

    /// By how much at most from one moment to another.
    fn move_a(&self, apart_s: f64) -> f64 {
        let longer = if self.length_s > 0.0 { (apart_s / self.length_s).max(1.0) } else { 1.0 };
        BY_WANDER * self.move_a * longer.sqrt()
    }
}

/// Whether what is asleep differs plainly from all that stands above it. O(segments).
fn stands_apart(night: &Night<'_>, depths: &[Depth]) -> bool {
    let segments = &night.segmentation.segments;
    let of = |depth: Depth| {
        let own = move |at: &usize| depths[*at] == depth;
        (0..segments.len()).filter(own)
    };
    let length_s = |at: usize| segments[at].end_s - segments[at].start_s;
    let time_s = |depth: Depth| of(depth).map(length_s).sum::<f64>();
    let (asleep_s, up_s) = (time_s(Depth::Asleep), time_s(Depth::Up));
    let steady = |depth: Depth| of(depth).filter(|at| segments[*at].kind == SegmentKind::Steady);
    let longest_s = |depth: Depth| steady(depth).map(length_s).fold(0.0, f64::max);
    let highest_a = steady(Depth::Asleep).map(|at| night.mean_a(at)).fold(0.0, f64::max);
    let lowest_a = steady(Depth::Up).map(|at| night.mean_a(at)).fold(f64::INFINITY, f64::min);
    asleep_s >= MOST_TIME * (asleep_s + up_s)
        || longest_s(Depth::Asleep) >= APART * longest_s(Depth::Up)
        || lowest_a >= APART * highest_a
}
