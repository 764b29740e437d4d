//! What has been looked at already, so that it need not be looked at again.
//!
//! Eliminations follow one another with few changes: most places keep their neighbours, and from one
//! pass to the next only the usual slope and the price of a term change.

use std::collections::HashMap;
use std::hash::{BuildHasherDefault, Hasher};

use super::equations::COLUMNS;
use super::jump::Evidence;
use super::place::Sought;

/// The step before (or the start, 0), a place, and the step after (or the end).
pub(super) type Place = (usize, usize, usize);

/// A place, the readings on either side of it, and the scale.
type Window = (usize, u32, u32, u8);

/// What the readings of one window say, whatever slope is usual and whatever a term costs.
#[derive(Debug, Clone, Copy)]
pub(super) struct Products {
    /// Normal equations of the whitened columns, their lower half.
    pub(super) gram: [[f64; COLUMNS]; COLUMNS],
    pub(super) rows: usize,
    /// Residual square sums on the best decay, without a jump and with one, where they were needed.
    pub(super) decays: Option<[f64; 2]>,
}

/// Windows that have been looked at. Boxed by whoever looked, so that one thread need not move all.
pub(super) type Looks = HashMap<Window, Box<Products>, Quick>;

/// A window that was looked at for the first time.
pub(super) type Seen = (Window, Box<Products>);

/// What is known of windows, and what a test adds to it.
pub(super) struct Notes<'a> {
    pub(super) known: &'a Looks,
    pub(super) seen: Vec<Seen>,
    pub(super) room: &'a mut Room,
}

/// Room that one look after the other uses.
#[derive(Debug, Default)]
pub(super) struct Room {
    pub(super) readings: Vec<f64>,
    pub(super) means: Vec<f64>,
    pub(super) cells: Vec<f64>,
}

impl<'a> Notes<'a> {
    fn new(known: &'a Looks, room: &'a mut Room) -> Self {
        Self { known, seen: Vec::new(), room }
    }
}

/// What is known of the same readings.
#[derive(Debug, Default)]
pub(super) struct Memo {
    /// The evidence at a place between two others, on the same ground.
    evidence: HashMap<Place, Evidence, Quick>,
    /// What windows of readings say, on any ground.
    looks: Looks,
    /// Where the step between two others is.
    places: HashMap<Place, Sought, Quick>,
}

/// Evidence at a place, and what was seen for the first time on the way to it.
#[derive(Debug)]
pub(super) struct Weighed {
    pub(super) evidence: Evidence,
    seen: Option<Vec<Seen>>,
}

impl Memo {
    /// Another slope is usual, or terms have another price.
    pub(super) fn new_ground(&mut self) {
        self.evidence.clear();
    }

    /// The background was found to have another unrest.
    pub(super) fn new_rows(&mut self) {
        self.looks.clear();
    }

    /// More readings were found to be spikes.
    pub(super) fn new_spikes(&mut self) {
        *self = Self::default();
    }

    /// Makes room for what is found at so many places.
    pub(super) fn reserve(&mut self, places: usize) {
        self.evidence.reserve(places);
        self.looks.reserve(places);
    }

    /// Evidence at a place: what is known, or what `test` finds.
    pub(super) fn weigh(
        &self,
        place: Place,
        room: &mut Room,
        test: impl FnOnce(&mut Notes<'_>) -> Evidence,
    ) -> Weighed {
        if let Some(evidence) = self.evidence.get(&place) {
            return Weighed { evidence: *evidence, seen: None };
        }
        let mut notes = Notes::new(&self.looks, room);
        let evidence = test(&mut notes);
        Weighed { evidence, seen: Some(notes.seen) }
    }

    /// Remembers what was found at a place; hands the evidence back.
    pub(super) fn keep(&mut self, place: Place, weighed: Weighed) -> Evidence {
        if let Some(seen) = weighed.seen {
            self.evidence.insert(place, weighed.evidence);
            self.looks.extend(seen);
        }
        weighed.evidence
    }

    /// For looks whose evidence is not asked for again.
    pub(super) fn notes<'a>(&'a self, room: &'a mut Room) -> Notes<'a> {
        Notes::new(&self.looks, room)
    }

    /// Remembers those looks.
    pub(super) fn learn(&mut self, seen: Vec<Seen>) {
        self.looks.extend(seen);
    }

    /// Where a step was sought last between the same neighbours.
    pub(super) fn sought(&self, place: Place) -> Option<&Sought> {
        self.places.get(&place)
    }

    /// Remembers where steps are.
    pub(super) fn found(&mut self, places: impl IntoIterator<Item = (Place, Sought)>) {
        self.places.extend(places);
    }
}

/// Hashes whole numbers that nobody chooses with ill intent: places in a capture.
pub(super) type Quick = BuildHasherDefault<Mix>;

/// Multiplies and turns.
#[derive(Debug, Default)]
pub(super) struct Mix(u64);

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
            let test = |ground: &Ground<'_>, memo: &Memo, at: usize| {
                memo.weigh((0, at, 1200), &mut Room::default(), |notes| {
                    ground.test(0, at, 1200, true, 20.0, notes)
                })
            };
            let (steep, flat) = (ground(0, 10.0), ground(1, 22.0));
            let mut memo = Memo::default();
            for at in (5..1195).step_by(17).chain([400, 800]) {
                let weighed = test(&steep, &memo, at);
                memo.keep((0, at, 1200), weighed);
            }
            memo.new_ground();
            for at in (5..1195).step_by(17).chain([400, 800]) {
                let alone = test(&flat, &Memo::default(), at);
                assert_eq!(test(&flat, &memo, at).evidence, alone.evidence, "{at}");
            }
        }
    }
}
