//! What the capture stage hands on.

use jiff::civil::{DateTime, Time};
use jiff::tz::Offset;

use crate::findings::{Caution, Decision, Span};

/// Times of the samples, seconds from the first one.
#[derive(Debug, Clone, PartialEq)]
pub enum TimeAxis {
    /// Sample `i` is at `i * interval_s`.
    Uniform {
        /// Time between samples, seconds, positive.
        interval_s: f64,
        /// Number of samples.
        len: usize,
    },
    /// Every time listed, not decreasing, the first 0.
    Listed(Vec<f64>),
}

impl Default for TimeAxis {
    /// No samples.
    fn default() -> Self {
        Self::Listed(Vec::new())
    }
}

impl TimeAxis {
    /// Number of samples.
    pub fn len(&self) -> usize {
        match self {
            Self::Uniform { len, .. } => *len,
            Self::Listed(times) => times.len(),
        }
    }

    /// True without samples.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Time of sample `i`, seconds.
    ///
    /// # Panics
    /// When `i` is not below [`len`](Self::len).
    pub fn at(&self, i: usize) -> f64 {
        match self {
            Self::Uniform { interval_s, len } => {
                assert!(i < *len, "sample {i} of {len}");
                i as f64 * interval_s
            }
            Self::Listed(times) => times[i],
        }
    }

    /// Index of the first sample at or after `time_s`; `len` when there is none. O(log n).
    pub fn index_at(&self, time_s: f64) -> usize {
        match self {
            Self::Uniform { interval_s, len } => {
                let at = (time_s / interval_s - 1e-9).ceil();
                if at <= 0.0 { 0 } else { (at as usize).min(*len) }
            }
            Self::Listed(times) => times.partition_point(|t| *t < time_s),
        }
    }
}

/// Readings in ampere with their times. Every value is finite; readings that were missing or
/// over range are not here but in [`Capture::missing`] and [`Capture::overload`].
#[derive(Debug, Clone, PartialEq)]
pub struct Samples {
    /// Times, seconds from the first sample.
    pub time: TimeAxis,
    /// Current, ampere; as many as times.
    pub current_a: Vec<f64>,
}

impl Samples {
    /// Number of samples.
    pub fn len(&self) -> usize {
        self.current_a.len()
    }

    /// True without samples.
    pub fn is_empty(&self) -> bool {
        self.current_a.is_empty()
    }

    /// Time of the last sample, seconds; 0 when empty.
    pub fn duration_s(&self) -> f64 {
        match self.len() {
            0 => 0.0,
            n => self.time.at(n - 1),
        }
    }
}

/// A stretch of cells that said overload or over range.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OverloadSpan {
    /// First and last such moment, seconds from the first sample.
    pub span: Span,
    /// How many cells.
    pub samples: u64,
}

/// How the samples lie in time.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Sampling {
    /// Median time between samples, seconds; `None` for a single sample.
    pub interval_s: Option<f64>,
    /// Shortest and longest interval outside gaps, seconds.
    pub interval_range_s: Option<(f64, f64)>,
    /// Stretches without samples, in order.
    pub gaps: Vec<Span>,
}

/// A capture as read.
#[derive(Debug, Clone, PartialEq)]
pub struct Capture {
    /// File name as given; `-` for standard input.
    pub file: String,
    /// The readings.
    pub samples: Samples,
    /// Local wall-clock time of the first sample, when the file has one with a date.
    pub start: Option<DateTime>,
    /// Local time of day of the first sample, when the file has one without a date.
    pub time_of_day: Option<Time>,
    /// Offset from UTC, when the file states one.
    pub utc_offset: Option<Offset>,
    /// Header of the current column.
    pub current_column: String,
    /// Unit it was in.
    pub unit: String,
    /// Smallest step that the readings are rounded to, ampere.
    pub resolution_a: Option<f64>,
    /// How the samples lie in time.
    pub sampling: Sampling,
    /// Overload stretches, in order.
    pub overload: Vec<OverloadSpan>,
    /// Cells that held no reading (blank, dash, "nan").
    pub missing: u64,
    /// Rows that could not be read.
    pub unreadable_rows: u64,
    /// Every choice the reader made.
    pub decisions: Vec<Decision>,
    /// First rows as understood: time in seconds and current in ampere.
    pub first_rows: Vec<(f64, f64)>,
    /// What a reader must know.
    pub cautions: Vec<Caution>,
}
