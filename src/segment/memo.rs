//! What has been looked at already, so that it need not be looked at again.
//!
//! Eliminations follow one another with few changes: most places keep their neighbours, and from one
//! pass to the next only the usual slope and the price of a term change.

use std::collections::HashMap;
use std::hash::{BuildHasherDefault, Hasher};

use rayon::prelude::*;

use super::equations::COLUMNS;
use super::jump::Evidence;
use super::place::Sought;

/// The step before (or the start, 0), a place, and the step after (or the end).
pub(super) type Place = (usize, usize, usize);

/// A place, the readings on either side of it, and the scale.
pub(super) type Window = (usize, u32, u32, u8);

/// What the readings of one window say, whatever slope is usual and whatever a term costs.
#[derive(Debug, Clone, Copy)]
pub(super) struct Products {
    /// Normal equations of the whitened columns, their lower half.
    pub(super) gram: [[f64; COLUMNS]; COLUMNS],
    pub(super) rows: usize,
    /// Residual square sums on the best decay, without a jump and with one, where they were needed.
    pub(super) decays: Option<[f64; 2]>,
}

/// Products without the half that says the same.
#[derive(Debug, Clone, Copy)]
struct Packed {
    lower: [f64; COLUMNS * (COLUMNS + 1) / 2],
    rows: usize,
    decays: Option<[f64; 2]>,
}

impl Packed {
    fn of(products: &Products) -> Self {
        let mut lower = [0.0; COLUMNS * (COLUMNS + 1) / 2];
        for (i, row) in products.gram.iter().enumerate() {
            lower[i * (i + 1) / 2..][..=i].copy_from_slice(&row[..=i]);
        }
        Self { lower, rows: products.rows, decays: products.decays }
    }

    fn unpack(&self) -> Products {
        let mut gram = [[0.0; COLUMNS]; COLUMNS];
        for (i, row) in gram.iter_mut().enumerate() {
            row[..=i].copy_from_slice(&self.lower[i * (i + 1) / 2..][..=i]);
        }
        Products { gram, rows: self.rows, decays: self.decays }
    }
}

/// Products that are kept in one piece: few enough for memory that has just been given back.
const PACK: usize = 64;

/// What is known of windows, and room for a test to work in and to tell what it found.
pub(super) struct Notes<'a> {
    known: &'a Memo,
    pub(super) room: &'a mut Room,
}

impl Notes<'_> {
    /// What a window that was looked at says.
    pub(super) fn products(&self, window: &Window) -> Option<Products> {
        let at = *self.known.shard(window.0).looks.get(window)?;
        Some(self.known.packs[at as usize / PACK][at as usize % PACK].unpack())
    }
}

/// Room that one look after the other uses, and what was found for the first time.
#[derive(Debug, Default)]
pub(super) struct Room {
    pub(super) readings: Vec<f64>,
    pub(super) means: Vec<f64>,
    pub(super) cells: Vec<f64>,
    evidence: Vec<(Place, Evidence)>,
    windows: Vec<Window>,
    /// Products of as many, all packs but the last one full.
    packs: Vec<Vec<Packed>>,
    places: Vec<(Place, Sought)>,
}

impl Room {
    /// A window was looked at for the first time.
    pub(super) fn saw(&mut self, window: Window, products: Products) {
        if self.windows.len().is_multiple_of(PACK) {
            self.packs.push(Vec::new());
        }
        self.windows.push(window);
        if let Some(pack) = self.packs.last_mut() {
            pack.push(Packed::of(&products));
        }
    }

    /// A step between two others was sought for the first time.
    pub(super) fn sought(&mut self, place: Place, sought: Sought) {
        self.places.push((place, sought));
    }
}

/// Parts of a capture of which memory is kept apart, so that threads can take things in side by side.
const SHARDS: usize = 16;
/// Findings from which on several threads take them in.
const WORTH_SHARING: usize = 1024;

/// What is known of one part of the capture.
#[derive(Debug, Default)]
struct Shard {
    /// The evidence at a place between two others, on the same ground.
    evidence: HashMap<Place, Evidence, Quick>,
    /// What windows of readings say, on any ground: the number of their products.
    looks: HashMap<Window, u32, Quick>,
    /// Where the step between two others is.
    places: HashMap<Place, Sought, Quick>,
}

/// What is known of the same readings.
#[derive(Debug)]
pub(super) struct Memo {
    /// Part of a place: its upper bits.
    shift: u32,
    shards: Vec<Shard>,
    packs: Vec<Vec<Packed>>,
    /// The pack that is filled one by one.
    open: Option<usize>,
}

impl Memo {
    /// Nothing is known of so many readings.
    pub(super) fn of(readings: usize) -> Self {
        let width = readings.div_ceil(SHARDS).max(1).next_power_of_two();
        let shards = (0..SHARDS).map(|_| Shard::default()).collect();
        Self { shift: width.trailing_zeros(), shards, packs: Vec::new(), open: None }
    }

    fn shard(&self, at: usize) -> &Shard {
        &self.shards[at >> self.shift]
    }

    /// Another slope is usual, or terms have another price.
    pub(super) fn new_ground(&mut self) {
        for shard in &mut self.shards {
            shard.evidence.clear();
        }
    }

    /// The background was found to have another unrest.
    pub(super) fn new_rows(&mut self) {
        self.shards.iter_mut().for_each(|shard| shard.looks.clear());
        (self.packs, self.open) = (Vec::new(), None);
    }

    /// More readings were found to be spikes.
    pub(super) fn new_spikes(&mut self) {
        self.shards.iter_mut().for_each(|shard| *shard = Shard::default());
        (self.packs, self.open) = (Vec::new(), None);
    }

    /// Evidence at a place: what is known, or what `test` finds.
    pub(super) fn weigh(
        &self,
        place: Place,
        room: &mut Room,
        test: impl FnOnce(&mut Notes<'_>) -> Evidence,
    ) -> Evidence {
        if let Some(evidence) = self.shard(place.1).evidence.get(&place) {
            return *evidence;
        }
        let evidence = test(&mut self.notes(room));
        room.evidence.push((place, evidence));
        evidence
    }

    /// For looks whose evidence is not asked for again.
    pub(super) fn notes<'a>(&'a self, room: &'a mut Room) -> Notes<'a> {
        Notes { known: self, room }
    }

    /// Where a step was sought last between the same neighbours.
    pub(super) fn sought(&self, place: Place) -> Option<&Sought> {
        self.shard(place.1).places.get(&place)
    }

    /// Remembers what was found.
    pub(super) fn learn(&mut self, mut rooms: Vec<Room>) {
        let first: Vec<usize> = rooms.iter_mut().map(|room| self.take_packs(room)).collect();
        let found = rooms.iter().map(|room| room.evidence.len().max(room.places.len()));
        if found.sum::<usize>() < WORTH_SHARING {
            for (first, room) in first.iter().zip(&rooms) {
                self.take_in(|k| (first + k) as u32, room);
            }
            return;
        }
        let (shift, rooms) = (self.shift, &rooms);
        self.shards.par_iter_mut().enumerate().for_each(|(number, shard)| {
            let own = |at: usize| at >> shift == number;
            for (first, room) in first.iter().zip(rooms) {
                let evidence = room.evidence.iter().filter(|(place, _)| own(place.1));
                shard.evidence.extend(evidence.copied());
                let windows = room.windows.iter().enumerate();
                let windows = windows.filter(|(_, window)| own(window.0));
                shard.looks.extend(windows.map(|(k, window)| (*window, (first + k) as u32)));
                let places = room.places.iter().filter(|(place, _)| own(place.1));
                shard.places.extend(places.copied());
            }
        });
    }

    /// Remembers what was found, and leaves the room empty for the next look.
    pub(super) fn learn_at_once(&mut self, room: &mut Room) {
        let packs = room.packs.drain(..).flatten();
        let numbers: Vec<u32> = packs.map(|packed| self.append(packed)).collect();
        self.take_in(|k| numbers[k], room);
        room.evidence.clear();
        room.windows.clear();
        room.places.clear();
    }

    /// Adds the products of one window; their number.
    fn append(&mut self, packed: Packed) -> u32 {
        let open = self.open.filter(|open| self.packs[*open].len() < PACK).unwrap_or_else(|| {
            self.packs.push(Vec::with_capacity(PACK));
            self.packs.len() - 1
        });
        self.open = Some(open);
        self.packs[open].push(packed);
        (open * PACK + self.packs[open].len() - 1) as u32
    }

    /// Takes over the products that were found; the number of the first one.
    fn take_packs(&mut self, room: &mut Room) -> usize {
        let first = self.packs.len() * PACK;
        self.packs.append(&mut room.packs);
        first
    }

    /// Remembers what was found; `number` tells that of a window's products.
    fn take_in(&mut self, number: impl Fn(usize) -> u32, room: &Room) {
        for (place, evidence) in &room.evidence {
            self.shards[place.1 >> self.shift].evidence.insert(*place, *evidence);
        }
        for (k, window) in room.windows.iter().enumerate() {
            self.shards[window.0 >> self.shift].looks.insert(*window, number(k));
        }
        for (place, sought) in &room.places {
            self.shards[place.1 >> self.shift].places.insert(*place, *sought);
        }
    }
}

/// Hashes whole numbers that nobody chooses with ill intent: places in a capture.
type Quick = BuildHasherDefault<Mix>;

/// Multiplies and turns.
#[derive(Debug, Default)]
struct Mix(u64);

impl Hasher for Mix {
    fn write(&mut self, bytes: &[u8]) {
        bytes.iter().for_each(|byte| self.write_u64(u64::from(*byte)));
    }

    fn write_u64(&mut self, number: u64) {
        // An odd constant without pattern: the fraction of the golden ratio.
        self.0 = (self.0.rotate_left(26) ^ number).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    }

    fn write_u32(&mut self, number: u32) {
        self.write_u64(u64::from(number));
    }

    fn write_u8(&mut self, number: u8) {
        self.write_u64(u64::from(number));
    }

    fn write_usize(&mut self, number: usize) {
        self.write_u64(number as u64);
    }

    fn finish(&self) -> u64 {
        // The table reads the low bits, and the product's high ones are the well mixed ones.
        self.0.rotate_left(26)
    }
}

#[cfg(test)]
mod tests {
    use super::super::jump::{Ground, POOLS};
    use super::super::noise::Noise;
    use super::super::slopes::Slopes;
    use super::*;
    use crate::capture::TimeAxis;
    use rand::{Rng, SeedableRng};
    use rand_distr::StandardNormal;

    /// What was seen on one ground must not colour what another one says.
    #[test]
    fn what_is_remembered_changes_no_evidence() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        let values: Vec<f64> = (0..1200)
            .map(|i| {
                let level = [0.0, 1.5, 9.0][i / 400];
                let tail = 4.0 * (-(i as f64 % 400.0) / 20.0).exp();
                level + tail + random.sample::<f64, _>(StandardNormal)
            })
            .collect();
        let noise = Noise::learn(&values, None);
        let even = TimeAxis::Uniform { interval_s: 1.0, len: 1200 };
        let listed = TimeAxis::Listed((0..1200).map(|i| f64::from(i) + f64::from(i % 3)).collect());
        for time in [even, listed] {
            let slopes = [0.05, 0.0].map(|slope| Slopes::everywhere([slope; POOLS.len()]));
            let ground = |drift: usize, term_cost: f64| {
                let mut ground = Ground::plain(&values, &time, &noise);
                ground.breaks = &[900];
                ground.drift = &slopes[drift];
                ground.term_cost = term_cost;
                ground
            };
            let test = |ground: &Ground<'_>, memo: &Memo, at: usize, room: &mut Room| {
                memo.weigh((0, at, 1200), room, |notes| ground.test(0, at, 1200, true, 20.0, notes))
            };
            let (steep, flat) = (ground(0, 10.0), ground(1, 22.0));
            // Taken in one by one, and all at once.
            for together in [false, true] {
                let (mut memo, mut room) = (Memo::of(1200), Room::default());
                for at in (5..1195).step_by(17).chain([400, 800]) {
                    test(&steep, &memo, at, &mut room);
                    if !together {
                        memo.learn_at_once(&mut room);
                    }
                }
                memo.learn(vec![room]);
                memo.new_ground();
                for at in (5..1195).step_by(17).chain([400, 800]) {
                    let known = test(&flat, &memo, at, &mut Room::default());
                    let alone = test(&flat, &Memo::of(1200), at, &mut Room::default());
                    assert_eq!(known, alone, "{at}");
                }
            }
        }
    }
}
