//! How high the readings lie above the floor.

use std::ops::Range;

use super::baseline::Baseline;
use super::{Night, TASK, in_blocks};

/// Outings of fewer readings than this have no plateau: their peak stands for it.
const PLATEAU: usize = 8;
/// Readings that tell the plateau of a run of more than a task takes.
const SOME: usize = 1 << 13;
/// Fraction of the golden ratio: its multiples' fractions lie evenly and keep no rhythm.
const GOLDEN: f64 = 0.618_033_988_749_894_9;

/// Readings above the floor, made where they are looked at: a run may be nearly all of the capture.
pub(super) struct Heights<'a> {
    pub(super) night: &'a Night<'a>,
    pub(super) baseline: &'a Baseline,
}

impl Heights<'_> {
    pub(super) fn at(&self, sample: usize) -> f64 {
        self.night.drawn_a(sample) - self.baseline.at(self.night.samples.time.at(sample))
    }

    /// Heights of `low_a` and more; of more samples than a task takes, those of [`SOME`].
    pub(super) fn from(&self, low_a: f64, samples: Range<usize>) -> Vec<f64> {
        let mut risen = Vec::new();
        if samples.len() > TASK {
            let some = scattered(&samples, SOME).map(|sample| self.at(sample));
            risen.extend(some.filter(|height_a| *height_a >= low_a));
        } else {
            self.in_blocks(samples, |_, heights| {
                risen.extend(heights.iter().filter(|height_a| **height_a >= low_a));
            });
        }
        risen
    }

    /// Tells `of` the heights of `samples` in blocks, each with its first.
    pub(super) fn in_blocks(&self, samples: Range<usize>, of: impl FnMut(usize, &[f64])) {
        let Self { night, baseline } = self;
        let time = &night.samples.time;
        let mut after = baseline.after(time.at(samples.start));
        let fill = |first: usize, into: &mut [f64]| {
            night.drawn_from(first, into);
            baseline.take_from(into, first, time, &mut after);
        };
        in_blocks(samples, fill, of);
    }
}

/// Samples that stand for a long range: `taken` of them, evenly but at no fixed distance, which a rhythm
/// might share.
fn scattered(samples: &Range<usize>, taken: usize) -> impl Iterator<Item = usize> + use<> {
    let (start, apart) = (samples.start, samples.len() as f64 / taken as f64);
    (0..taken).map(move |k| start + ((k as f64 + (k as f64 * GOLDEN).fract()) * apart) as usize)
}

/// Lower quartile and middle; `None` for too few values. O(n).
pub(super) fn lower_half(mut values: Vec<f64>) -> Option<(f64, f64)> {
    let (count, quarter, half) = (values.len(), values.len() / 4, values.len() / 2);
    (count >= PLATEAU).then(|| {
        let (below, middle, _) = values.select_nth_unstable_by(half, f64::total_cmp);
        let middle = *middle;
        (*below.select_nth_unstable_by(quarter, f64::total_cmp).1, middle)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_quartiles_are_those_of_the_sorted_values() {
        for n in [PLATEAU - 1, PLATEAU, 1000] {
            let values: Vec<f64> = (0..n).map(|i| ((i * i) as f64 * 0.618_034).fract()).collect();
            let mut sorted = values.clone();
            sorted.sort_by(f64::total_cmp);
            assert_eq!(
                lower_half(values),
                (n >= PLATEAU).then(|| (sorted[n / 4], sorted[n / 2])),
                "{n}"
            );
        }
    }

    /// Each part of the range has as many as any other, and so has each phase of a rhythm.
    #[test]
    fn scattered_samples_stand_for_all() {
        let (samples, taken) = (1000..9000, 1000);
        let found: Vec<usize> = scattered(&samples, taken).collect();
        assert_eq!(found.len(), taken);
        assert!(found.is_sorted() && found.iter().all(|sample| samples.contains(sample)));
        for (part, start) in found.chunks(100).zip((1000..).step_by(800)) {
            let within = start..start + 800;
            assert!(part.iter().all(|sample| within.contains(sample)), "{within:?}");
        }
        for phase in 0..8 {
            let count = found.iter().filter(|sample| **sample % 8 == phase).count();
            assert!((95..=155).contains(&count), "{count} of 1000 at phase {phase} of 8");
        }
    }
}
