//! The floor followed both ways from where it is plain.

use rayon::prelude::*;

use super::Night;
use super::baseline::{BLOCK, LEARN_FROM, resting_level, resting_sd};
use super::floor::count_a;
use super::middle;
use super::stretches::{Depth, LONG};
use crate::findings::SegmentKind;

/// Nothing is within this share of the floor: a meter's zero may be off by as much, and what is lower charges.
const NOTHING: f64 = 0.5;
/// A floor that wanders moves from one stay to the next by less than this many times as much as usual.
pub(super) const LEAPS: f64 = 10.0;

/// A level at which a segment begins or ends, ampere, and when, seconds.
#[derive(Debug, Clone, Copy)]
pub(super) struct Edge {
    pub(super) level_a: f64,
    pub(super) time_s: f64,
}

/// Levels of the readings next to either end of a segment.
fn ends_a(night: &Night<'_>, at: usize) -> [f64; 2] {
    let segment = &night.segmentation.segments[at];
    let count = BLOCK.min(segment.end - segment.first);
    let mut room = [0.0; BLOCK];
    [segment.first, segment.end - count].map(|first| {
        let readings = &mut room[..count];
        night.drawn_from(first, readings);
        resting_level(readings)
    })
}

/// Where each segment begins and ends, by the readings there: a zero wanders within it, and a wake may have been
/// missed. O(segments).
pub(super) fn edges(night: &Night<'_>) -> Vec<[Edge; 2]> {
    let of_segment = |at: usize| {
        let segment = &night.segmentation.segments[at];
        let [enters_a, leaves_a] = ends_a(night, at);
        let edge = |level_a, time_s| Edge { level_a, time_s };
        [edge(enters_a, segment.start_s), edge(leaves_a, segment.end_s)]
    };
    (0..night.segmentation.segments.len()).into_par_iter().map(of_segment).collect()
}

/// Standard deviation of a reading about its neighbours in these segments, missed wakes left out, ampere. O(segments).
pub(super) fn noise_a(
    night: &Night<'_>,
    edges: &[[Edge; 2]],
    segments: impl ExactSizeIterator<Item = usize>,
) -> f64 {
    let stride = (segments.len() * BLOCK).div_ceil(LEARN_FROM).max(1);
    let mut deviations = Vec::new();
    for at in segments.step_by(stride) {
        let segment = &night.segmentation.segments[at];
        let known = deviations.len();
        deviations.resize(known + BLOCK.min(segment.end - segment.first), 0.0);
        night.drawn_from(segment.first, &mut deviations[known..]);
        let level_a = edges[at][0].level_a;
        deviations[known..].iter_mut().for_each(|reading_a| *reading_a -= level_a);
    }
    resting_sd(deviations, count_a(night))
}

/// The floor that is followed.
pub(super) struct Floor<'a> {
    pub(super) night: &'a Night<'a>,
    /// Where each segment begins and ends.
    pub(super) edges: &'a [[Edge; 2]],
    /// Segments in which nothing is powered.
    pub(super) off: &'a [bool],
    /// Short segments between higher ones, which are stays as well.
    pub(super) dips: &'a [bool],
    /// Where it is plain.
    pub(super) seed: usize,
    /// Its level, ampere.
    pub(super) floor_a: f64,
    /// What is higher than the stay before by no more than this is asleep, ampere.
    pub(super) allowed_a: f64,
    /// A rise by less is of its noise, ampere.
    pub(super) split_a: f64,
}

/// From one stay at the floor to the next: by how much, and how long after.
struct Move {
    change_a: f64,
    apart_s: f64,
}

impl Floor<'_> {
    /// How deep every segment sleeps. O(segments log segments).
    pub(super) fn depths(&self) -> Vec<Depth> {
        let (_, moves) = self.both_ways(None);
        let usual = |of: fn(&Move) -> f64| {
            let mut values: Vec<f64> = moves.iter().map(of).collect();
            values.sort_by(f64::total_cmp);
            // The largest may be the one in question.
            values.pop();
            middle(&values)
        };
        let usual = usual(|it| it.change_a).zip(usual(|it| it.apart_s));
        let (change_a, apart_s) = usual.unwrap_or((0.0, 0.0));
        self.both_ways(Some(&Move { change_a, apart_s })).0
    }

    fn both_ways(&self, usual: Option<&Move>) -> (Vec<Depth>, Vec<Move>) {
        let mut depths = vec![Depth::Off; self.off.len()];
        let mut moves = Vec::new();
        self.follow(self.seed..self.off.len(), false, usual, &mut depths, &mut moves);
        self.follow((0..=self.seed).rev(), true, usual, &mut depths, &mut moves);
        (depths, moves)
    }

    fn follow(
        &self,
        order: impl Iterator<Item = usize>,
        back: bool,
        usual: Option<&Move>,
        depths: &mut [Depth],
        moves: &mut Vec<Move>,
    ) {
        let mut before: Option<Edge> = None;
        for at in order.filter(|at| !self.off[*at]) {
            let segment = &self.night.segmentation.segments[at];
            let stays = (segment.kind != SegmentKind::Burst || self.dips[at])
                && segment.end - segment.first >= LONG;
            let steady = segment.kind == SegmentKind::Steady || self.dips[at];
            let mut sides = self.edges[at];
            if back {
                sides.reverse();
            }
            let [enters, leaves] = sides;
            // What settles is asleep before it has.
            let here_a = if steady { enters.level_a } else { self.night.mean_a(at) };
            let from_a = before.map_or(here_a, |before| before.level_a);
            let leaps = || {
                let passed = before.zip(usual);
                passed.is_some_and(|(before, usual)| {
                    sides.iter().all(|side| self.leaps(&before, side, usual))
                })
            };
            // A ramp at the floor, such as the sun's at dawn, is asleep too.
            depths[at] = if here_a > from_a + self.allowed_a || (stays && leaps()) {
                Depth::Up
            } else if here_a < from_a - self.allowed_a && here_a >= -NOTHING * from_a {
                Depth::Dip
            } else {
                Depth::Asleep
            };
            let left_a = if steady { here_a } else { leaves.level_a };
            let near = (left_a - from_a).abs() <= self.allowed_a;
            if depths[at] == Depth::Asleep && stays && near {
                moves.extend(before.map(|before| between(&before, &enters)));
                before = Some(leaves);
            }
        }
    }

    /// Whether the draw doubles at least, and by more than a zero that wanders at random makes of it: no longer
    /// asleep, however low it is beside a wake.
    fn leaps(&self, before: &Edge, here: &Edge, usual: &Move) -> bool {
        let from_a = before.level_a.max(self.floor_a);
        let room_s = BLOCK as f64 * self.night.usual_interval_s;
        let longer = (between(before, here).apart_s + room_s) / (usual.apart_s + room_s);
        let wander_a = LEAPS * usual.change_a * longer.max(1.0).sqrt();
        here.level_a - from_a > from_a.max(self.split_a).max(wander_a)
    }
}

fn between(before: &Edge, here: &Edge) -> Move {
    Move {
        change_a: (here.level_a - before.level_a).abs(),
        apart_s: (here.time_s - before.time_s).abs(),
    }
}
