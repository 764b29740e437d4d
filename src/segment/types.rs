//! What the segment stage hands on.

use crate::findings::{NoiseAtLevel, SegmentKind};

/// What a user may wish of the segmentation, checked.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Wishes {
    /// Smallest change that matters, ampere; `None` for whatever the noise allows.
    pub smallest_step_a: Option<f64>,
    /// True for the exact search over every sample, without pooling.
    pub exact: bool,
    /// False steps to put up with in a capture of noise alone, for studies of the method; `None`
    /// for 0.01.
    pub false_steps: Option<f64>,
}

/// The meter's noise, as found in the readings.
#[derive(Debug, Clone, PartialEq)]
pub struct NoiseModel {
    /// Standard deviation of one reading at the commonest level, ampere.
    pub sigma_a: f64,
    /// AR(1) coefficient of the noise, 0 ≤ φ < 1.
    pub phi: f64,
    /// Floor that no standard deviation may fall below, ampere: q/√12 or the finest noise seen.
    pub floor_a: f64,
    /// Noise against level, lowest level first.
    pub by_level: Vec<NoiseAtLevel>,
    /// Samples set aside as spikes.
    pub spikes: Vec<usize>,
}

impl NoiseModel {
    /// Standard deviation of one reading at the known level that is nearest, ampere. O(levels).
    pub fn sigma_at(&self, level_a: f64) -> f64 {
        let far = |known: &NoiseAtLevel| (known.level_a - level_a).abs();
        let nearest = self.by_level.iter().min_by(|a, b| far(a).total_cmp(&far(b)));
        nearest.map_or(self.sigma_a, |known| known.sigma_a)
    }
}

/// One stretch: samples `first..end`.
#[derive(Debug, Clone, PartialEq)]
pub struct Segment {
    /// Index of the first sample.
    pub first: usize,
    /// Index past the last.
    pub end: usize,
    /// Time of the first sample, seconds.
    pub start_s: f64,
    /// Time at which the next stretch starts, or of the last sample before a gap or the end.
    pub end_s: f64,
    /// Mean of its readings, spikes left out, ampere.
    pub mean_a: f64,
    /// Standard deviation of one reading, ampere.
    pub noise_a: f64,
    /// Effective number of independent readings.
    pub effective_samples: f64,
    /// Type A standard uncertainty of the mean, ampere.
    pub standard_uncertainty_a: f64,
    /// What it is.
    pub kind: SegmentKind,
    /// Index into [`Segmentation::states`].
    pub state: Option<usize>,
}

/// One sharp change of level.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// Index of the first sample at the new level.
    pub index: usize,
    /// Its time, seconds.
    pub time_s: f64,
    /// Credible interval of the time, 95 %, seconds.
    pub time_low_s: f64,
    /// Credible interval of the time, 95 %, seconds.
    pub time_high_s: f64,
    /// Jump at the step, ampere, positive for more draw.
    pub delta_a: f64,
    /// Its standard uncertainty, ampere.
    pub standard_uncertainty_a: f64,
    /// How sure it is that the step is real, 0 to 1: `1/(1 + E)`, where `E` is the number of steps
    /// of its evidence that noise and a wandering zero make in such a capture; of a weak step, with the odds
    /// that the Bayesian online posterior of the run length gives, as the geometric mean of both.
    pub score: f64,
}

impl Step {
    /// This one and the next as one edge: where the higher of both is, somewhere between them.
    pub(super) fn and(self, next: Self) -> Self {
        let higher = if next.delta_a.abs() > self.delta_a.abs() { &next } else { &self };
        Self {
            index: higher.index,
            time_s: higher.time_s,
            time_low_s: self.time_low_s.min(next.time_low_s),
            time_high_s: self.time_high_s.max(next.time_high_s),
            delta_a: self.delta_a + next.delta_a,
            standard_uncertainty_a: self.standard_uncertainty_a.hypot(next.standard_uncertainty_a),
            score: self.score.max(next.score),
        }
    }
}

/// A level that the capture visits.
#[derive(Debug, Clone, PartialEq)]
pub struct Level {
    /// Mean over its stretches, weighted by time, ampere.
    pub mean_a: f64,
    /// Standard deviation of one reading, ampere.
    pub noise_a: f64,
    /// Time spent in it, seconds.
    pub time_s: f64,
    /// Charge drawn in it, coulomb.
    pub charge_c: f64,
}

/// Readings that stand in the log several times in a row: the logger is faster than the meter.
#[derive(Debug, Clone, PartialEq)]
pub struct Held {
    /// Samples that a reading stands for.
    pub times: f64,
    /// The samples between readings lie on the line from one to the next.
    pub interpolated: bool,
    /// Index of the first sample of each reading, in order.
    pub first: Vec<usize>,
}

/// A capture cut into stretches.
#[derive(Debug, Clone, PartialEq)]
pub struct Segmentation {
    /// The noise.
    pub noise: NoiseModel,
    /// Stretches in order; every sample lies in exactly one.
    pub segments: Vec<Segment>,
    /// Sharp changes, in order. A stretch may also end without one (settling, a gap).
    pub steps: Vec<Step>,
    /// Levels, lowest mean first.
    pub states: Vec<Level>,
    /// How readings are held, where they are: noise and uncertainties are then those of a reading, not of
    /// a sample.
    pub held: Option<Held>,
}

impl Segmentation {
    /// Stretches of one kind.
    pub fn of_kind(&self, kind: SegmentKind) -> impl Iterator<Item = &Segment> {
        self.segments.iter().filter(move |segment| segment.kind == kind)
    }
}
