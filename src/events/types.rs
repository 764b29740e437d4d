//! What the events stage hands on.

use jiff::civil::{DateTime, Time};

/// A time as a person wrote it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ListedTime {
    /// Date and time of day.
    DateTime(DateTime),
    /// Time of day alone.
    TimeOfDay(Time),
    /// Seconds from the capture's first sample.
    Elapsed(f64),
}

/// What a line says was done.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum Action {
    /// Switched on: the load's first state.
    On,
    /// Switched off.
    Off,
    /// Went into a named state.
    To(String),
    /// Zero check: nothing is powered.
    Zero,
}

/// One line of the event list.
#[derive(Debug, Clone, PartialEq)]
pub struct EventLine {
    /// Line number in the file.
    pub row: u64,
    /// Time as written.
    pub time: ListedTime,
    /// Finest unit the time was written to, seconds: 60 for `14:05`, 1 for `14:05:30`.
    pub rounding_s: f64,
    /// Load as written; empty for a zero check without one.
    pub load: String,
    /// State as written.
    pub state: String,
    /// What it means.
    pub action: Action,
    /// Free note.
    pub note: Option<String>,
}

/// An event list as read.
#[derive(Debug, Clone, PartialEq)]
pub struct EventList {
    /// File name as given.
    pub file: String,
    /// Lines in file order.
    pub lines: Vec<EventLine>,
}

/// A line placed in the capture and tied, or not, to a step.
#[derive(Debug, Clone, PartialEq)]
pub struct TiedEvent {
    /// The line.
    pub line: EventLine,
    /// Listed time, seconds from the first sample on the list's own clock.
    pub listed_s: f64,
    /// Listed time on the capture's clock.
    pub aligned_s: f64,
    /// Index into the segmentation's steps; `None` when nothing was seen. A zero check is tied to
    /// the step into its near-zero stretch, when no other line explains that step.
    pub step: Option<usize>,
    /// Probability that the tie, or its absence, is the right one, given the clock.
    pub probability: f64,
    /// For a zero check, the index of the segment that it reads; `None` for other lines, and
    /// where no level near zero is at hand.
    pub zero_segment: Option<usize>,
}

/// The list's clock against the capture's: `capture = listed + offset_s + drift × listed / 3600`.
#[derive(Debug, Clone, PartialEq)]
pub struct ClockFit {
    /// Seconds to add.
    pub offset_s: f64,
    /// Standard uncertainty of the offset, seconds.
    pub standard_uncertainty_s: f64,
    /// Drift, seconds an hour; `None` when the list cannot tell.
    pub drift_s_per_h: Option<f64>,
    /// Other offsets that fit nearly as well.
    pub rival_offsets_s: Vec<f64>,
}

/// Events on the capture's clock.
#[derive(Debug, Clone, PartialEq)]
pub struct Alignment {
    /// How the clocks stand to each other.
    pub clock: ClockFit,
    /// Lines, in order of `aligned_s`.
    pub events: Vec<TiedEvent>,
    /// For every step of the segmentation, the index in `events` that explains it.
    pub step_events: Vec<Option<usize>>,
    /// What a reader must know (ambiguous clock, lines far from any step, …).
    pub cautions: Vec<crate::findings::Caution>,
}
