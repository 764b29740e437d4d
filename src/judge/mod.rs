//! From draws to verdicts, scores, unexplained draw and what to measure next.

mod types;

pub use types::*;

use crate::capture::Capture;
use crate::events::Alignment;
use crate::jobsheet::JobSheet;
use crate::loads::LoadsFound;
use crate::segment::Segmentation;

/// Judges every load against its limits at the site's voltage.
pub fn judge(
    capture: &Capture,
    segmentation: &Segmentation,
    alignment: Option<&Alignment>,
    loads: &LoadsFound,
    sheet: &JobSheet,
    risk: Risk,
) -> Judgement {
    let _ = (capture, segmentation, alignment, loads, sheet, risk);
    todo!()
}
