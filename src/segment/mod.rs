//! From samples to steady states and steps, without a knob.

#[allow(dead_code)]
mod propose;
mod types;

pub use types::*;

use crate::capture::Samples;
use crate::findings::Span;

/// Why samples cannot be segmented.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SegmentError {
    /// Fewer samples than the shortest segment needs.
    #[error("{samples} samples are fewer than the {needed} that one steady state needs")]
    TooShort {
        /// Samples given.
        samples: usize,
        /// Samples needed.
        needed: usize,
    },
}

/// Cuts a capture into steady, transient and burst stretches and finds the sharp steps.
///
/// # Errors
/// When there are too few samples for one steady state.
pub fn segment(
    samples: &Samples,
    gaps: &[Span],
    resolution_a: Option<f64>,
    wishes: &Wishes,
) -> Result<Segmentation, SegmentError> {
    let _ = (samples, gaps, resolution_a, wishes);
    todo!()
}
