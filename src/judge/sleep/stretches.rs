//! Which stretches are off, asleep or up.

use super::Night;
use crate::findings::SegmentKind;

/// How deep a stretch sleeps.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Depth {
    /// Nothing is powered.
    Off,
    /// At the sleep floor, or below it where a panel charges.
    Asleep,
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

/// The stretches, and between which levels a steady segment is the floor's own.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Depths {
    pub(super) stretches: Vec<Stretch>,
    /// Below this a panel charges, ampere.
    pub(super) least_a: f64,
    /// Above this nothing sleeps, ampere.
    pub(super) limit_a: f64,
}

/// A level is the floor only when the capture spends this share of its powered time there.
const FLOOR_SHARE: f64 = 0.05;
/// Levels within this share of the floor are the floor, wandering.
const FLOOR_WIDTH: f64 = 0.2;
/// Above this share of the way from the floor to the next level, a steady stretch is not asleep.
const ASLEEP_UP_TO: f64 = 0.3;

/// Cuts the capture into off, asleep and up; `None` when it never leaves its lowest level or has
/// none above zero.
///
/// The floor is the lowest level, zero removed, that is above 0, is powered, and holds for a
/// twentieth of the powered time; where a wandering floor leaves none, the one held longest. What
/// lies up to 0.3 of the way to the usual wake counts as asleep, so that a wandering floor is not
/// several.
pub(super) fn find(night: &Night<'_>) -> Option<Depths> {
    let segments = &night.segmentation.segments;
    let off = off_segments(night);
    let states = &night.segmentation.states;
    let mut levels = vec![(0.0, 0.0); states.len()];
    let mut powered_s = 0.0;
    for (at, segment) in segments.iter().enumerate().filter(|(at, _)| !off[*at]) {
        let length_s = segment.end_s - segment.start_s;
        powered_s += length_s;
        if let Some(state) = segment.state {
            levels[state].0 += length_s;
            levels[state].1 += length_s * night.mean_a(at);
        }
    }
    let mean_a = |state: usize| levels[state].1 / levels[state].0;
    let powered: Vec<usize> =
        (0..states.len()).filter(|state| levels[*state].0 > 0.0 && mean_a(*state) > 0.0).collect();
    let holding =
        powered.iter().copied().filter(|state| levels[*state].0 >= FLOOR_SHARE * powered_s);
    let floor = holding
        .min_by(|a, b| mean_a(*a).total_cmp(&mean_a(*b)))
        .or_else(|| powered.iter().copied().max_by(|a, b| levels[*a].0.total_cmp(&levels[*b].0)))?;
    let floor_a = mean_a(floor);
    let mut above: Vec<f64> = segments
        .iter()
        .enumerate()
        .filter(|(at, segment)| segment.kind != SegmentKind::Steady && !off[*at])
        .map(|(at, _)| night.mean_a(at) - floor_a)
        .filter(|height| *height > 0.0)
        .collect();
    above.sort_by(f64::total_cmp);
    let next = powered.iter().map(|state| mean_a(*state) - floor_a).filter(|height| *height > 0.0);
    // The lower of the usual excursion and the next level that is no split of the floor itself.
    let split = (3.0 * states[floor].noise_a).max(FLOOR_WIDTH * floor_a);
    let step =
        next.filter(|height| *height > split).chain(super::middle(&above)).reduce(f64::min)?;
    let limit_a = floor_a + ASLEEP_UP_TO * step;
    let mut all: Vec<Stretch> = Vec::new();
    for (at, off) in off.iter().enumerate() {
        let depth = match night.mean_a(at) {
            _ if *off => Depth::Off,
            // A ramp at the floor, such as the sun's at dawn, is asleep too.
            level_a if level_a <= limit_a => Depth::Asleep,
            _ => Depth::Up,
        };
        match all.last_mut() {
            Some(last) if last.depth == depth => last.end = at + 1,
            _ => all.push(Stretch { depth, first: at, end: at + 1 }),
        }
    }
    let least_a = floor_a - ASLEEP_UP_TO * step;
    Some(Depths { stretches: all, least_a, limit_a })
}

/// Segments in which nothing is powered: a zero check, its level come back to with nothing listed
/// on, or a level that the meter cannot tell from zero with every listed load off or at an end of
/// the capture.
fn off_segments(night: &Night<'_>) -> Vec<bool> {
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
    let nothing_a = (meter.accuracy_counts + 1.0) * step_a
        + 3.0 * night.loads.zero.standard_uncertainty_a.unwrap_or(0.0);
    (0..segments.len())
        .map(|at| {
            let on = night.loads.on.get(at).map_or(0, Vec::len);
            let listed_off = night.alignment.is_some() && on == 0;
            let unlisted = night.alignment.is_none();
            let zero_level = segments[at].state.is_some_and(|state| states.contains(&state));
            let at_an_end = at == 0 || at + 1 == segments.len();
            let like_nothing = night.mean_a(at).abs() <= nothing_a;
            checked.contains(&at)
                || (zero_level && (listed_off || unlisted))
                || (like_nothing && (listed_off || (unlisted && at_an_end)))
        })
        .collect()
}
