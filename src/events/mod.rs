//! From a person's event list to lines on the capture's clock, each tied to the step it explains.

mod align;
mod cautions;
mod clock;
mod decode;
mod evidence;
mod list;
mod nothing;
mod pairs;
mod place;
mod prior;
mod scan;
mod setting;
mod tie;
mod types;
mod written_time;

pub use types::*;

use jiff::civil::DateTime;

use crate::capture::Samples;
use crate::fault::InputFault;
use crate::jobsheet::JobSheet;
use crate::segment::Segmentation;

/// Reads an event list.
///
/// # Errors
/// A fault that points at the line and cell.
pub fn parse(file: &str, text: &str) -> Result<EventList, InputFault> {
    list::parse(file, text)
}

/// Places the list in the capture, finds how the two clocks stand to each other, and ties lines to steps.
///
/// # Errors
/// When the list cannot lie in the capture at all.
pub fn align(
    list: &EventList,
    start: Option<DateTime>,
    samples: &Samples,
    segmentation: &Segmentation,
    sheet: &JobSheet,
) -> Result<Alignment, InputFault> {
    align::align(list, start, samples, segmentation, sheet)
}

#[cfg(test)]
mod tests;
