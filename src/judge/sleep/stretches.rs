//! Which stretches are off, asleep or up.

use super::baseline::BLOCK;
use super::follow::{Edge, Floor, edges, noise_a};
use super::{Night, middle, returns};
use crate::events::Action;
use crate::findings::SegmentKind;

/// How deep a stretch sleeps.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Depth {
    /// Nothing is powered.
    Off,
    /// At the sleep floor, or below it where a panel charges.
    Asleep,
    /// Suddenly between the floor and nothing, as when the lead is interrupted: says nothing of the floor.
    Dip,
    /// Above it.
    Up,
}

/// Neighbouring segments of one depth: `first..end`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Stretch {
    pub(super) depth: Depth,
    pub(super) first: usize,
    pub(super) end: usize,
}

/// The stretches, and from which level on a steady segment is the floor's own.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Depths {
    pub(super) stretches: Vec<Stretch>,
    /// Below this a panel charges, ampere.
    pub(super) least_a: f64,
}

/// A level is the floor only when the capture spends this share of its powered time there.
const FLOOR_SHARE: f64 = 0.05;
/// Levels within this share of the floor are the floor, wandering.
const FLOOR_WIDTH: f64 = 0.2;
/// Above this share of the way from the floor to the next level, a steady stretch is not asleep.
const ASLEEP_UP_TO: f64 = 0.3;
/// A level is a zero check's, come back to, where it falls by this share of what a check falls by.
const FALLS_LIKE_A_CHECK: f64 = 0.5;
/// A zero moves by less than this many times as much as it usually does within a stay of that time.
const WANDERS: f64 = 5.0;
/// Readings that a stay needs to say where the floor is now.
pub(super) const LONG: usize = 5;

/// Cuts the capture into off, asleep and up; `None` when no level above zero is powered, or none is a floor.
///
/// The floor is the lowest level, zero removed, that is above 0, is powered, and holds for a
/// twentieth of the powered time, short dips to it among that; where a wandering floor leaves none, the one held longest. From
/// there it is followed both ways, since it may creep by more than a wake is high: what lies up to
/// 0.3 of the usual rise above the stay before is asleep, unless the draw doubles at once. What falls by more
/// than that moves no floor.
pub(super) fn find(night: &Night<'_>) -> Option<Depths> {
    let segments = &night.segmentation.segments;
    let edges = edges(night);
    let off = off_segments(night, &edges);
    let dips = dips(night, &edges, &off);
    let states = &night.segmentation.states;
    let mut levels = vec![(0.0, 0.0); states.len() + 1];
    let mut powered_s = 0.0;
    for (at, segment) in segments.iter().enumerate().filter(|(at, _)| !off[*at]) {
        let length_s = segment.end_s - segment.start_s;
        powered_s += length_s;
        if let Some(state) = segment.state {
            levels[state].0 += length_s;
            levels[state].1 += length_s * night.mean_a(at);
        }
    }
    let mut state_of: Vec<Option<usize>> = segments.iter().map(|segment| segment.state).collect();
    for at in (0..segments.len()).filter(|at| dips[*at]) {
        let level_a = edges[at][0].level_a;
        let state = state_of_dip(&levels, level_a);
        let length_s = segments[at].end_s - segments[at].start_s;
        levels[state].0 += length_s;
        levels[state].1 += length_s * level_a;
        state_of[at] = Some(state);
    }
    let mean_a = |state: usize| levels[state].1 / levels[state].0;
    let powered: Vec<usize> =
        (0..levels.len()).filter(|state| levels[*state].0 > 0.0 && mean_a(*state) > 0.0).collect();
    let holding =
        powered.iter().copied().filter(|state| levels[*state].0 >= FLOOR_SHARE * powered_s);
    let floor = holding
        .min_by(|a, b| mean_a(*a).total_cmp(&mean_a(*b)))
        .or_else(|| powered.iter().copied().max_by(|a, b| levels[*a].0.total_cmp(&levels[*b].0)))?;
    let mut own: Vec<(usize, f64)> = (0..segments.len())
        .filter(|at| state_of[*at] == Some(floor))
        .map(|at| (at, edges[at][0].level_a))
        .collect();
    let held: Vec<bool> = state_of.iter().map(|state| *state == Some(floor)).collect();
    own.sort_by(|a, b| a.1.total_cmp(&b.1).then(a.0.cmp(&b.0)));
    let floor_a = own.get(own.len() / 2)?.1;
    let scatter_a = noise_a(night, &edges, own.iter().map(|own| own.0));
    let split_a = (3.0 * scatter_a).max(FLOOR_WIDTH * floor_a);
    let allowed_a = ASLEEP_UP_TO * usual_rise_a(night, &edges, &off, &dips, split_a);
    let length_s = |at: usize| segments[at].end_s - segments[at].start_s;
    // One that holds an edge that was not found is none to start from, however long.
    let (seed, _) = own
        .into_iter()
        .filter(|own| (own.1 - floor_a).abs() <= allowed_a)
        .max_by(|a, b| length_s(a.0).total_cmp(&length_s(b.0)).then(b.0.cmp(&a.0)))?;
    let depths =
        Floor { night, edges: &edges, off: &off, dips: &dips, seed, floor_a, allowed_a, split_a }
            .depths();
    if !returns::tell(night, &edges, &dips, &held, &depths) {
        return None;
    }
    let mut all: Vec<Stretch> = Vec::new();
    for (at, depth) in depths.into_iter().enumerate() {
        match all.last_mut() {
            Some(last) if last.depth == depth => last.end = at + 1,
            _ => all.push(Stretch { depth, first: at, end: at + 1 }),
        }
    }
    // One of its stays may hold an edge that was not found.
    Some(Depths { stretches: all, least_a: floor_a.min(mean_a(floor)) - allowed_a })
}

/// Short stays that lie below what stands on either side, however short beside it: what is awake most of the time
/// sleeps in them. O(segments).
fn dips(night: &Night<'_>, edges: &[[Edge; 2]], off: &[bool]) -> Vec<bool> {
    let segments = &night.segmentation.segments;
    let dips = |at: usize| {
        let segment = &segments[at];
        let short = segment.kind == SegmentKind::Burst && segment.end - segment.first >= LONG;
        let below = |other: usize| !off[other] && edges[at][0].level_a < night.mean_a(other);
        short && !off[at] && at > 0 && at + 1 < segments.len() && below(at - 1) && below(at + 1)
    };
    (0..segments.len()).map(dips).collect()
}

/// The state that a dip's level is of, by the time and the charge at each of them; the last where it is of none.
fn state_of_dip(levels: &[(f64, f64)], level_a: f64) -> usize {
    let far_a = |state: &usize| (levels[*state].1 / levels[*state].0 - level_a).abs();
    let held = (0..levels.len() - 1).filter(|state| levels[*state].0 > 0.0);
    held.min_by(|a, b| far_a(a).total_cmp(&far_a(b)))
        .filter(|nearest| far_a(nearest) <= FLOOR_WIDTH * level_a)
        .unwrap_or(levels.len() - 1)
}

/// The lower of the usual excursion's first rise and the least rise from one steady stay to the next that is no
/// split of the floor itself, nor what a zero that wanders makes of it meanwhile, ampere; without end where nothing
/// rises.
fn usual_rise_a(
    night: &Night<'_>,
    edges: &[[Edge; 2]],
    off: &[bool],
    dips: &[bool],
    split_a: f64,
) -> f64 {
    let segments = &night.segmentation.segments;
    let mut excursions: Vec<f64> = Vec::new();
    let mut least_a = f64::INFINITY;
    let mut before: Option<(f64, f64)> = None;
    let wanders_a_per_s = WANDERS * wander_a_per_s(night, edges, off);
    let room_s = BLOCK as f64 * night.usual_interval_s;
    // A wake's first stage tells it: what follows may be far above, and its tail is far below.
    let mut told = false;
    for (at, segment) in segments.iter().enumerate() {
        let [mut enters_a, leaves_a] = edges[at].map(|edge| edge.level_a);
        let steady = segment.kind == SegmentKind::Steady || dips[at];
        if !steady {
            enters_a = night.mean_a(at);
        }
        if off[at] {
            before = None;
        } else if steady {
            if let Some((before_a, before_s)) = before {
                let change_a = (enters_a - before_a).abs();
                let moves_a = wanders_a_per_s * (segment.start_s - before_s + room_s);
                if change_a > split_a.max(moves_a) {
                    least_a = least_a.min(change_a);
                }
            }
            (before, told) = (Some((leaves_a, segment.end_s)), false);
        } else {
            let rise_a = before.map(|before| enters_a - before.0).filter(|rise| *rise > split_a);
            excursions.extend(rise_a.filter(|_| !told));
            told |= rise_a.is_some();
            // What a slope leads to is no rise.
            if segment.kind == SegmentKind::Transient && rise_a.is_none() {
                before = None;
            }
        }
    }
    excursions.sort_by(f64::total_cmp);
    middle(&excursions).map_or(least_a, |usual| usual.min(least_a))
}

/// How fast the zero usually wanders, by the ends of steady stays, ampere a second; 0 where none is long.
fn wander_a_per_s(night: &Night<'_>, edges: &[[Edge; 2]], off: &[bool]) -> f64 {
    let segments = &night.segmentation.segments;
    let long = (0..segments.len()).filter(|at| {
        let segment = &segments[*at];
        !off[*at] && segment.kind == SegmentKind::Steady && segment.end - segment.first >= 2 * BLOCK
    });
    let mut rates: Vec<f64> = long
        .map(|at| {
            let [enters, leaves] = edges[at];
            let apart_s = segments[at].end_s - segments[at].start_s;
            (leaves.level_a - enters.level_a).abs()
                / (apart_s - BLOCK as f64 * night.usual_interval_s)
        })
        .collect();
    rates.sort_by(f64::total_cmp);
    middle(&rates).unwrap_or(0.0)
}

/// Segments in which nothing is powered: a zero check, its level come back to with nothing listed
/// on and as far a fall, until as far a rise, or a level that the meter cannot tell from zero, with every listed load
/// off, or at an end of the capture unless that level is held most of the time.
fn off_segments(night: &Night<'_>, edges: &[[Edge; 2]]) -> Vec<bool> {
    let segments = &night.segmentation.segments;
    let checked: Vec<usize> = night
        .loads
        .zero
        .checks
        .iter()
        .map(|check| segments.partition_point(|segment| segment.end_s <= check.time_s))
        .filter(|at| *at < segments.len())
        .collect();
    let states: Vec<usize> = checked.iter().filter_map(|at| segments[*at].state).collect();
    let meter = night.sheet.meter.unwrap_or_default();
    let step_a = meter.resolution_a.unwrap_or(night.segmentation.noise.floor_a * 12f64.sqrt());
    // As near as the meter tells, and the checks' own scatter; how the zero may have wandered since
    // is not counted, or a creeping floor would pass for nothing.
    let checks_a = checked
        .iter()
        .map(|at| segments[*at].standard_uncertainty_a.hypot(night.mean_a(*at)))
        .fold(0.0, f64::max);
    let nothing_a = (meter.accuracy_counts + 1.0) * step_a + 3.0 * checks_a;
    // Of the meter's noise alone: a stretch may hold wakes that were not found.
    let noise_a = |at: usize| {
        let reading_a = segments[at].noise_a.min(night.segmentation.noise.sigma_a);
        reading_a / segments[at].effective_samples.sqrt()
    };
    let like_nothing = |at: usize| night.mean_a(at).abs() <= nothing_a.hypot(3.0 * noise_a(at));
    let switched = night.alignment.is_some_and(|alignment| {
        alignment.events.iter().any(|event| event.line.action != Action::Zero)
    });
    let length_s = |at: usize| segments[at].end_s - segments[at].start_s;
    let whole_s: f64 = (0..segments.len()).map(length_s).sum();
    let nothing_s: f64 = (0..segments.len()).filter(|at| like_nothing(*at)).map(length_s).sum();
    let seldom = nothing_s < 0.5 * whole_s;
    // A floor behind a wandering zero comes by a check's level, but does not fall to it.
    let stays = |at: &usize| {
        segments[*at].end - segments[*at].first >= LONG && segments[*at].kind != SegmentKind::Burst
    };
    let fall_a = |at: usize| {
        let beside = |at: &usize| stays(at) && !checked.contains(at);
        let before = (0..at).rev().find(beside).map(|before| edges[before][1]);
        let after = (at + 1..segments.len()).find(beside).map(|after| edges[after][0]);
        let levels = before.into_iter().chain(after).map(|edge| edge.level_a);
        levels.map(|level_a| level_a - night.mean_a(at)).reduce(f64::min)
    };
    let mut falls_a: Vec<f64> = checked.iter().filter_map(|at| fall_a(*at)).collect();
    falls_a.sort_by(f64::total_cmp);
    let check_a = falls_a.get(falls_a.len() / 2).copied().unwrap_or(0.0);
    // Whether the stay before was off, and its level.
    let mut before: Option<(bool, f64)> = None;
    (0..segments.len())
        .map(|at| {
            let on = night.loads.on.get(at).map_or(0, Vec::len);
            let listed_off = switched && on == 0;
            let unlisted = !switched;
            let zero_level = segments[at].state.is_some_and(|state| states.contains(&state));
            let at_an_end = at == 0 || at + 1 == segments.len();
            let [enters, leaves] = edges[at];
            let like_a_check = |fall_a: f64| fall_a >= FALLS_LIKE_A_CHECK * check_a;
            let stays_off = || match before {
                Some((false, from_a)) => like_a_check(from_a - enters.level_a),
                Some((true, from_a)) => check_a <= 0.0 || !like_a_check(enters.level_a - from_a),
                None => true,
            };
            let off = checked.contains(&at)
                || (zero_level && (listed_off || (unlisted && stays_off())))
                || (like_nothing(at) && (listed_off || (seldom && at_an_end)));
            if stays(&at) {
                before = Some((off, leaves.level_a));
            }
            off
        })
        .collect()
}
