//! The job sheet: what is known of the site, its meter, loads and battery.

mod supply;
mod types;

pub use supply::{ASSUMED_BEHAVIOUR, carry_current, carrying_assumption};
pub use types::*;

use crate::fault::InputFault;

/// Reads and checks a job sheet.
///
/// # Errors
/// A fault that points at the key or value.
pub fn parse(file: &str, text: &str) -> Result<JobSheet, InputFault> {
    let _ = (file, text);
    todo!()
}
