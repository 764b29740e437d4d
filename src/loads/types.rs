//! What the loads stage hands on.

use crate::findings::{Caution, UncertaintyItem, ZeroCheck};
use crate::segment::Segment;

/// What the meter's data sheet says, checked.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct MeterSpec {
    /// Accuracy, percent of reading (half-width).
    pub accuracy_percent_of_reading: f64,
    /// Accuracy, counts of the resolution (half-width).
    pub accuracy_counts: f64,
    /// Resolution, ampere; `None` to use what the capture shows.
    pub resolution_a: Option<f64>,
    /// Largest zero reading that still counts as a good zero, ampere.
    pub zero_return_tolerance_a: Option<f64>,
}

/// The zero as a function of time: piecewise linear through knots, constant outside them.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ZeroModel {
    /// Knots `(time_s, zero_a)`, in order; empty when there is no zero check.
    pub knots: Vec<(f64, f64)>,
    /// Standard uncertainty of the zero at the worst moment of the capture, ampere.
    pub standard_uncertainty_a: Option<f64>,
    /// Zero at the capture's start, ampere.
    pub offset_a: Option<f64>,
    /// Overall drift, ampere an hour.
    pub drift_a_per_h: Option<f64>,
    /// The checks.
    pub checks: Vec<ZeroCheck>,
    /// True when at least one check was made and all are within tolerance.
    pub trusted: bool,
    /// To how many ampere the level can be trusted, about 95 %.
    pub trusted_to_a: Option<f64>,
    /// Doubt of the zero's mean over the capture, about 95 %, ampere; the meter's own counts are not in it.
    pub mean_expanded_a: Option<f64>,
    /// The same with the meter's counts and resolution: to how many ampere a mean over the capture can be trusted.
    pub mean_trusted_to_a: Option<f64>,
    /// Plain answer.
    pub answer: String,
}

impl ZeroModel {
    /// Zero at a time, ampere; 0 without a check.
    pub fn at(&self, time_s: f64) -> f64 {
        let knots = &self.knots;
        let Some(first) = knots.first() else { return 0.0 };
        let after = knots.partition_point(|knot| knot.0 <= time_s);
        if after == 0 {
            return first.1;
        }
        let (t0, z0) = knots[after - 1];
        match knots.get(after) {
            Some(&(t1, z1)) => z0 + (z1 - z0) * (time_s - t0) / (t1 - t0),
            None => z0,
        }
    }
}

/// Draw of one load in one state, before any judgement.
#[derive(Debug, Clone, PartialEq)]
pub struct LoadEstimate {
    /// Load as the event list names it.
    pub load: String,
    /// State: the job sheet's, the event list's, or a name for what it did by itself.
    pub state: String,
    /// Draw above the load switched off, ampere; the group's sum when not separable.
    pub draw_a: f64,
    /// Combined standard uncertainty, ampere.
    pub standard_uncertainty_a: f64,
    /// Effective degrees of freedom (Welch-Satterthwaite); `None` for infinitely many.
    pub degrees_of_freedom: Option<f64>,
    /// Student factor for about 95 %.
    pub coverage_factor: f64,
    /// Steady stretches that tell of it.
    pub observations: u64,
    /// Draws of its separate switchings, ampere, for judging it against its own repeats.
    pub repeats_a: Vec<f64>,
    /// False when it was always switched together with the loads below.
    pub separable: bool,
    /// Those loads (load, state).
    pub inseparable_from: Vec<(String, String)>,
    /// Itemised uncertainty.
    pub uncertainty_budget: Vec<UncertaintyItem>,
}

/// Everything the loads stage found.
#[derive(Debug, Clone, PartialEq)]
pub struct LoadsFound {
    /// The zero.
    pub zero: ZeroModel,
    /// One row a load and state, in order of first appearance.
    pub loads: Vec<LoadEstimate>,
    /// Draw with every listed load off, ampere; `None` when that never happened.
    pub base_a: Option<f64>,
    /// For every segment, the draw that the fitted loads account for, ampere.
    pub accounted_a: Vec<Option<f64>>,
    /// For every segment, which `(load, state)` were on, as indices into `loads`.
    pub on: Vec<Vec<usize>>,
    /// True when the readings were turned because the clamp sat the other way round.
    pub turned: bool,
    /// What a reader must know.
    pub cautions: Vec<Caution>,
}

impl LoadsFound {
    /// −1 where the readings were turned, else 1.
    pub fn sign(&self) -> f64 {
        if self.turned { -1.0 } else { 1.0 }
    }

    /// Mean of a segment, the sign turned and the zero in its middle removed, ampere. O(log checks).
    pub fn drawn_a(&self, segment: &Segment) -> f64 {
        self.sign() * segment.mean_a - self.zero.at(0.5 * (segment.start_s + segment.end_s))
    }
}
