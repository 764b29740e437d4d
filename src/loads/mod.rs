//! From steady states and tied events to the draw of each load, with its uncertainty.

mod types;

pub use types::*;

use crate::events::Alignment;
use crate::jobsheet::JobSheet;
use crate::segment::Segmentation;

/// Removes the zero and solves for the draw of every load and state.
///
/// `resolution_a` is what the capture shows; the job sheet's meter overrules it.
pub fn solve(
    segmentation: &Segmentation,
    alignment: Option<&Alignment>,
    sheet: &JobSheet,
    resolution_a: Option<f64>,
) -> LoadsFound {
    let _ = (segmentation, alignment, sheet, resolution_a);
    todo!()
}
