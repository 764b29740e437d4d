//! Which stretches are off, asleep or up.

use super::Night;
use crate::findings::SegmentKind;

/// How deep a stretch sleeps.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Depth {
    /// Nothing is powered.
    Off,
    /// At the sleep floor.
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

/// A level is the floor only when the capture spends this share of its time there.
const FLOOR_SHARE: f64 = 0.05;
/// Levels within this share of the floor are the floor, wandering.
const FLOOR_WIDTH: f64 = 0.2;
/// Above this share of the way from the floor to the next level, a steady stretch is not asleep.
const ASLEEP_UP_TO: f64 = 0.3;

/// Cuts the capture into off, asleep and up; `None` when it never leaves its lowest level or has
/// none above zero.
///
/// The floor is the lowest level, zero removed, that is above 0, is no zero check's, and holds for
/// a twentieth of the time; where a wandering floor leaves none, the one held longest. What lies up to 0.3 of the way to the usual wake counts as asleep, so
/// that a wandering floor is not several.
pub(super) fn find(night: &Night<'_>) -> Option<Vec<Stretch>> {
    let segments = &night.segmentation.segments;
    let off = off_states(night);
    let whole_s: f64 = segments.iter().map(|segment| segment.end_s - segment.start_s).sum();
    let states = &night.segmentation.states;
    let mut levels = vec![(0.0, 0.0); states.len()];
    for (at, segment) in segments.iter().enumerate() {
        if let Some(state) = segment.state {
            let length_s = segment.end_s - segment.start_s;
            levels[state].0 += length_s;
            levels[state].1 += length_s * night.mean_a(at);
        }
    }
    let mean_a = |state: usize| levels[state].1 / levels[state].0;
    let powered: Vec<usize> = (0..states.len())
        .filter(|state| levels[*state].0 > 0.0 && !off.contains(state) && mean_a(*state) > 0.0)
        .collect();
    let holding = powered.iter().copied().filter(|state| levels[*state].0 >= FLOOR_SHARE * whole_s);
    let floor = holding
        .min_by(|a, b| mean_a(*a).total_cmp(&mean_a(*b)))
        .or_else(|| powered.iter().copied().max_by(|a, b| levels[*a].0.total_cmp(&levels[*b].0)))?;
    let floor_a = mean_a(floor);
    let mut above: Vec<f64> = segments
        .iter()
        .enumerate()
        .filter(|(_, segment)| segment.kind != SegmentKind::Steady)
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
    for (at, segment) in segments.iter().enumerate() {
        let depth = match segment.state {
            Some(state) if off.contains(&state) => Depth::Off,
            // A ramp at the floor, such as the sun's at dawn, is asleep too.
            _ if night.mean_a(at) <= limit_a => Depth::Asleep,
            _ => Depth::Up,
        };
        match all.last_mut() {
            Some(last) if last.depth == depth => last.end = at + 1,
            _ => all.push(Stretch { depth, first: at, end: at + 1 }),
        }
    }
    all.iter().any(|stretch| stretch.depth == Depth::Up).then_some(all)
}

/// Levels at which a zero check was made.
fn off_states(night: &Night<'_>) -> Vec<usize> {
    let checks = night.loads.zero.checks.iter().map(|check| check.time_s);
    let mut off: Vec<usize> = checks
        .filter_map(|time_s| {
            let segments = &night.segmentation.segments;
            let at = segments.partition_point(|segment| segment.end_s <= time_s);
            segments.get(at)?.state
        })
        .collect();
    off.sort_unstable();
    off.dedup();
    off
}
