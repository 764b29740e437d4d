//! The readings as the findings see them, thinned to what a picture can show.

use std::ops::Range;

use rayon::prelude::*;

use crate::capture::{OverloadSpan, Samples};
use crate::loads::ZeroModel;
use crate::pipeline::Analysis;

/// Parts that a picture's columns are looked at in.
const TASKS: usize = 16;

/// Readings with the zero removed and the clamp turned the right way, without a copy of them.
#[derive(Debug, Clone, Copy)]
pub struct Trace<'a> {
    samples: &'a Samples,
    zero: Option<&'a ZeroModel>,
    turned: bool,
    overload: &'a [OverloadSpan],
}

/// The readings that fall into one column of a picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Column {
    /// Time of its first reading, seconds.
    pub first_s: f64,
    /// Time of its last reading, seconds.
    pub last_s: f64,
    /// First reading, ampere.
    pub first_a: f64,
    /// Last reading, ampere.
    pub last_a: f64,
    /// Lowest reading, ampere.
    pub low_a: f64,
    /// Highest reading, ampere.
    pub high_a: f64,
}

impl<'a> Trace<'a> {
    /// Readings as they stand in the file.
    pub fn plain(samples: &'a Samples) -> Self {
        Self { samples, zero: None, turned: false, overload: &[] }
    }

    /// Readings of an analysis, on the footing of its findings.
    pub fn of(analysis: &'a Analysis) -> Self {
        Self {
            samples: &analysis.capture.samples,
            zero: Some(&analysis.loads.zero),
            turned: analysis.loads.turned,
            overload: &analysis.capture.overload,
        }
    }

    /// The same with stretches of overload.
    pub fn with_overload(self, overload: &'a [OverloadSpan]) -> Self {
        Self { overload, ..self }
    }

    /// Stretches of overload.
    pub fn overload(&self) -> &'a [OverloadSpan] {
        self.overload
    }

    /// Time of the last reading, seconds.
    pub fn duration_s(&self) -> f64 {
        self.samples.duration_s()
    }

    fn value(&self, i: usize, time_s: f64) -> f64 {
        let current_a = self.samples.current_a[i];
        let signed_a = if self.turned { -current_a } else { current_a };
        signed_a - self.zero.map_or(0.0, |zero| zero.at(time_s))
    }

    /// Tells `of` every reading: its time, the time it stands for (until the next one, at most
    /// `longest_s`), and its current. O(n).
    pub(crate) fn each(&self, longest_s: f64, mut of: impl FnMut(f64, f64, f64)) {
        let n = self.samples.len();
        for i in 0..n {
            let time_s = self.samples.time.at(i);
            let next_s = if i + 1 < n { self.samples.time.at(i + 1) } else { time_s };
            of(time_s, (next_s - time_s).clamp(0.0, longest_s), self.value(i, time_s));
        }
    }

    /// Lowest and highest reading of each of `columns` equal parts of `from_s ..= to_s`; `None`
    /// for a part without readings. Nothing that a picture of that many columns could show is
    /// lost. O(readings in the stretch).
    pub fn columns(&self, from_s: f64, to_s: f64, columns: usize) -> Vec<Option<Column>> {
        if columns == 0 || to_s <= from_s {
            return vec![None; columns];
        }
        let time = &self.samples.time;
        let scale = columns as f64 / (to_s - from_s);
        let column_of =
            |i: usize| (((time.at(i) - from_s) * scale).max(0.0) as usize).min(columns - 1);
        let first = time.index_at(from_s);
        let end = first_from(first..self.samples.len(), |i| time.at(i) > to_s);
        let border = |column: usize| first_from(first..end, |i| column_of(i) >= column);
        (0..columns)
            .into_par_iter()
            .with_min_len(columns.div_ceil(TASKS))
            .map(|column| {
                let past = if column + 1 == columns { end } else { border(column + 1) };
                self.column(border(column)..past)
            })
            .collect()
    }

    /// What a column of these readings shows.
    fn column(&self, readings: Range<usize>) -> Option<Column> {
        let time = &self.samples.time;
        let (first, last) = (readings.start, readings.clone().next_back()?);
        let (first_s, last_s) = (time.at(first), time.at(last));
        let (first_a, last_a) = (self.value(first, first_s), self.value(last, last_s));
        let values = readings.map(|i| self.value(i, time.at(i)));
        // Readings are finite, so that a plain comparison does.
        let (low_a, high_a) = values.fold((first_a, first_a), |(low_a, high_a), value_a| {
            (
                if value_a < low_a { value_a } else { low_a },
                if value_a > high_a { value_a } else { high_a },
            )
        });
        Some(Column { first_s, last_s, first_a, last_a, low_a, high_a })
    }
}

/// The first of `range` that is so, where all after it are; its end where none is. O(log n).
fn first_from(range: Range<usize>, is_so: impl Fn(usize) -> bool) -> usize {
    let (mut low, mut high) = (range.start, range.end.max(range.start));
    while low < high {
        let middle = low + (high - low) / 2;
        match is_so(middle) {
            true => high = middle,
            false => low = middle + 1,
        }
    }
    low
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::TimeAxis;

    #[test]
    fn every_extreme_survives_the_thinning() {
        let n = 10_000;
        let mut current_a: Vec<f64> = (0..n).map(|i| (i % 7) as f64 * 1e-3).collect();
        current_a[4321] = 0.9;
        current_a[77] = -0.5;
        let samples = Samples { time: TimeAxis::Uniform { interval_s: 0.1, len: n }, current_a };
        let columns = Trace::plain(&samples).columns(0.0, samples.duration_s(), 100);
        let found: Vec<_> = columns.iter().flatten().collect();
        assert_eq!(found.len(), 100);
        assert_eq!(found.iter().map(|c| c.high_a).fold(f64::MIN, f64::max), 0.9);
        assert_eq!(found.iter().map(|c| c.low_a).fold(f64::MAX, f64::min), -0.5);
        assert_eq!(found.last().unwrap().last_a, ((n - 1) % 7) as f64 * 1e-3);
    }

    #[test]
    fn a_part_without_readings_stays_empty() {
        let samples = Samples {
            time: TimeAxis::Listed(vec![0.0, 1.0, 8.0, 9.0, 10.0]),
            current_a: vec![1.0; 5],
        };
        let columns = Trace::plain(&samples).columns(0.0, 10.0, 10);
        assert!(columns[2..8].iter().all(Option::is_none));
        assert!(columns[8].is_some() && columns[9].is_some());
    }
}
