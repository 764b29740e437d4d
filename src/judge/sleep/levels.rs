//! Whether the floor is one level, or stepped to another and stayed there.
//!
//! From one stay to the next the floor moves with the meter's noise and its zero's wander. How far it usually does
//! in so much time is learnt from the capture itself; a step is what moves far more, by a good share of the floor,
//! and lasts.

use std::collections::HashMap;

use super::baseline::{BLOCK, resting_level};
use super::floor::{self, Floor, Rest, count_a};
use super::follow::LEAPS;
use super::outings::Outing;
use super::{Night, middle};
use crate::findings::FloorLevel;
use crate::numeric::{coverage_factor_95, effective_samples};

/// A floor that steps by less than this share of its lower level is one: a load's draw asleep differs by as much
/// from one stay to the next.
const STEPS: f64 = 0.1;
/// A level lasts for this share of the time asleep at least.
const LASTS: f64 = 1.0 / 48.0;
/// More levels than this are no steps but a floor that is never the same,
const MOST: usize = 8;
/// and of more than this none lasts.
const TOO_MANY: usize = 64;

/// A level that the floor kept to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Level {
    pub(super) start_s: f64,
    pub(super) end_s: f64,
    pub(super) floor: Floor,
}

impl Level {
    pub(super) fn row(&self) -> FloorLevel {
        let Floor { value_a, u_a, degrees_of_freedom } = self.floor;
        FloorLevel {
            start_s: self.start_s,
            end_s: self.end_s,
            level_a: value_a,
            expanded_uncertainty_a: coverage_factor_95(degrees_of_freedom) * u_a,
        }
    }
}

/// The middle and the level of a few readings asleep.
#[derive(Debug, Clone, Copy)]
struct Block {
    time_s: f64,
    level_a: f64,
    /// Standard uncertainty by the noise of its readings alone.
    u_a: f64,
}

/// Readings next to each other in one stay.
fn blocks(night: &Night<'_>, rest: &Rest, noise_a: f64) -> Vec<Block> {
    let time = &night.samples.time;
    let count = ((rest.end - rest.first) / BLOCK).max(1);
    let edge = |at: usize| rest.first + (rest.end - rest.first) * at / count;
    let block = |at: usize| {
        let (first, end) = (edge(at), edge(at + 1));
        let mut drawn: Vec<f64> = (first..end).map(|sample| night.drawn_a(sample)).collect();
        let effective = effective_samples((end - first) as f64, night.segmentation.noise.phi);
        Block {
            time_s: 0.5 * (time.at(first) + time.at(end - 1)),
            level_a: resting_level(&mut drawn),
            u_a: noise_a / effective.sqrt(),
        }
    };
    (0..count).map(block).collect()
}

/// How far the floor usually moves in so much time, by the blocks of all stays.
struct Usual {
    all: Vec<Block>,
    apart_s: f64,
    /// By how many blocks on.
    known_a: HashMap<usize, f64>,
}

impl Usual {
    fn of(all: Vec<Block>) -> Self {
        let mut apart: Vec<f64> = all.windows(2).map(|two| two[1].time_s - two[0].time_s).collect();
        apart.sort_by(f64::total_cmp);
        let apart_s = middle(&apart).unwrap_or(0.0);
        Self { all, apart_s, known_a: HashMap::new() }
    }

    /// O(blocks log blocks) for each new distance.
    fn move_a(&mut self, apart_s: f64) -> f64 {
        let most = (self.all.len() / 2).max(1);
        let on = if self.apart_s > 0.0 { (apart_s / self.apart_s).ceil() as usize } else { 1 };
        let on = on.clamp(1, most);
        let all = &self.all;
        let move_a = *self.known_a.entry(on).or_insert_with(|| {
            let pairs = all.iter().zip(&all[on.min(all.len())..]);
            let mut moves: Vec<f64> = pairs.map(|(a, b)| (b.level_a - a.level_a).abs()).collect();
            moves.sort_by(f64::total_cmp);
            middle(&moves).unwrap_or(0.0)
        });
        // What lies further apart than any two that were looked at drifts on.
        move_a * (apart_s / (on as f64 * self.apart_s)).max(1.0)
    }
}

/// The levels, in order; none where the floor is one. O(n) and a few passes over its blocks.
pub(super) fn of(
    night: &Night<'_>,
    rests: &[Rest],
    outings: &[Outing],
    noise_a: f64,
) -> Vec<Level> {
    let parts: Vec<Vec<Block>> = rests.iter().map(|rest| blocks(night, rest, noise_a)).collect();
    let mut usual = Usual::of(parts.concat());
    let asleep_s: f64 = rests.iter().map(|rest| rest.length_s).sum();
    let least_a = count_a(night);
    let mut steps = |from: usize, to: usize| {
        let (before, after) = (parts[from][parts[from].len() - 1], parts[to][0]);
        let step_a = (after.level_a - before.level_a).abs();
        let lower_a = before.level_a.min(after.level_a).abs();
        let moves_a = usual.move_a(after.time_s - before.time_s);
        step_a > (STEPS * lower_a).max(least_a)
            && step_a > LEAPS * moves_a.max(before.u_a.hypot(after.u_a))
    };
    // A stay of a few readings tells little beside long ones.
    let readings = |at: &usize| rests[*at].end - rests[*at].first;
    let mut lengths: Vec<usize> = (0..rests.len()).map(|at| readings(&at)).collect();
    lengths.sort_unstable();
    let usual_length = lengths.get(lengths.len() / 2).copied().unwrap_or(0);
    let mut kept: Vec<usize> =
        (0..rests.len()).filter(|at| 2 * readings(at) >= usual_length).collect();
    // What does not last is left out, and its neighbours are looked at again.
    loop {
        let pieces: Vec<Vec<usize>> =
            kept.chunk_by(|a, b| !steps(*a, *b)).map(<[usize]>::to_vec).collect();
        let length_s = |piece: &Vec<usize>| piece.iter().map(|at| rests[*at].length_s).sum::<f64>();
        let shortest = pieces.iter().min_by(|a, b| length_s(a).total_cmp(&length_s(b)));
        match shortest {
            _ if pieces.len() > TOO_MANY => return Vec::new(),
            Some(piece) if pieces.len() > 1 && length_s(piece) < LASTS * asleep_s => {
                let brief = piece.clone();
                kept.retain(|at| !brief.contains(at));
            }
            _ if pieces.len() > MOST || pieces.len() < 2 => return Vec::new(),
            _ => {
                return pieces
                    .iter()
                    .filter_map(|piece| level(night, rests, outings, piece))
                    .collect();
            }
        }
    }
}

fn level(night: &Night<'_>, rests: &[Rest], outings: &[Outing], piece: &[usize]) -> Option<Level> {
    let own: Vec<Rest> = piece.iter().map(|at| rests[*at]).collect();
    let (first, last) = (own.first()?, own.last()?);
    // It may have stepped while it was away from the floor, and the stay after that begins a little late.
    let away = outings.partition_point(|outing| outing.first < first.first);
    let back_s = away.checked_sub(1).map(|at| outings[at].end_s);
    let before = rests.partition_point(|rest| rest.first < first.first).checked_sub(1);
    let left_s = before.map_or(f64::NEG_INFINITY, |at| rests[at].middle_s);
    let start_s = first.middle_s - 0.5 * first.length_s;
    Some(Level {
        start_s: back_s.filter(|back_s| *back_s > left_s).map_or(start_s, |s| s.min(start_s)),
        end_s: last.middle_s + 0.5 * last.length_s,
        floor: floor::level(night, &own)?,
    })
}
