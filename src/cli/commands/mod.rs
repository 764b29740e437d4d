//! One file a command: open, call the library, print or write.

pub(crate) mod analyze;
pub(crate) mod batch;
pub(crate) mod budget;
pub(crate) mod compare;
pub(crate) mod generated;
pub(crate) mod inspect;
pub(crate) mod scale;
pub(crate) mod simulate;
pub(crate) mod starter;

use crate::fault::InputFault;

/// A failure that no input should bring about.
fn defect(error: impl std::fmt::Display) -> InputFault {
    InputFault::of_file("ebbmark", error.to_string(), "report this as a defect of ebbmark")
}
