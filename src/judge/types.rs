//! What the judge stage hands on.

use crate::findings::{Advice, Caution, LoadRow, SleepFindings, Unexplained, Wakes};

/// What the lead carried: the sign turned, the zero taken off where it was checked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Carried {
    /// Charge over the capture, Ah.
    pub charge_ah: f64,
    /// Mean over its time, ampere.
    pub mean_a: f64,
}

/// Largest accepted probability of passing a load that does not conform, 0 < risk < 0.5.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Risk(f64);

impl Risk {
    /// A checked risk; `None` outside (0, 0.5).
    pub fn new(risk: f64) -> Option<Self> {
        (risk > 0.0 && risk < 0.5).then_some(Self(risk))
    }

    /// The probability.
    pub fn get(self) -> f64 {
        self.0
    }
}

impl Default for Risk {
    /// 2.5 %: the false-accept risk of a guard band of U = 2u (ILAC-G8:09/2019, table 1).
    fn default() -> Self {
        Self(0.025)
    }
}

/// What is odd about one step.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct StepJudged {
    /// Load and state that was entered here without a line.
    pub by_itself: Option<String>,
    /// Its anomaly score.
    pub anomaly_score: Option<f64>,
}

/// Everything the judge said.
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    /// The answer in one or two plain sentences.
    pub headline: String,
    /// Draw and verdict, one row a load and state.
    pub loads: Vec<LoadRow>,
    /// Draw that no line explains, largest charge first.
    pub unexplained: Vec<Unexplained>,
    /// One entry a step of the segmentation.
    pub steps: Vec<StepJudged>,
    /// Anomaly score of every segment against the other visits to its state.
    pub visit_scores: Vec<Option<f64>>,
    /// Sleep behaviour; `None` when nothing on the lead sleeps.
    pub sleep: Option<SleepFindings>,
    /// Its wakes in short; `None` without any.
    pub wakes: Option<Wakes>,
    /// What to measure next, most useful first.
    pub advice: Vec<Advice>,
    /// What a reader must know.
    pub cautions: Vec<Caution>,
}
