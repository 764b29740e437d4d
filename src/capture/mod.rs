//! From a file to samples: encoding, delimiter, decimal mark, header, units and clock are found,
//! and every choice is told with its reason.

#[allow(dead_code)]
mod fast;
mod options;
mod types;

pub use options::{ColumnChoice, CurrentUnit, Progress, ReadOptions, Silent};
pub use types::*;

use std::path::Path;

use crate::fault::InputFault;
use crate::findings::Totals;

/// Reads a capture from a file, whatever its form.
///
/// # Errors
/// A fault that names file, line, column, what was found and what to do.
pub fn read_file(
    path: &Path,
    options: &ReadOptions,
    progress: &dyn Progress,
) -> Result<Capture, InputFault> {
    let _ = (path, options, progress);
    todo!()
}

/// Reads a capture from bytes already at hand (standard input, tests); `name` is for messages.
///
/// # Errors
/// As [`read_file`].
pub fn read_bytes(
    name: &str,
    bytes: Vec<u8>,
    options: &ReadOptions,
    progress: &dyn Progress,
) -> Result<Capture, InputFault> {
    let _ = (name, bytes, options, progress);
    todo!()
}

/// Charge and extremes: trapezoid rule over each stretch between gaps. O(n).
pub fn totals(samples: &Samples, gaps: &[crate::findings::Span]) -> Totals {
    let _ = (samples, gaps);
    todo!()
}
