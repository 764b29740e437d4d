//! Small text inputs and the capture, opened for reading only.

use std::io::Read;
use std::path::Path;

use crate::capture::{self, Capture, ReadOptions};
use crate::events::{self, EventList};
use crate::fault::InputFault;
use crate::jobsheet::{self, JobSheet};

use super::console::Console;

/// Largest event list, job sheet or scenario that is read, bytes.
const LARGEST_TEXT: u64 = 16 * 1024 * 1024;

/// Reads a small UTF-8 text.
pub(crate) fn text(path: &Path) -> Result<String, InputFault> {
    let file = path.display().to_string();
    let cannot = |error: std::io::Error| {
        InputFault::of_file(
            &file,
            format!("cannot be read: {error}"),
            "check the name and that you may read it",
        )
    };
    let mut source = std::fs::File::open(path).map_err(cannot)?;
    if source.metadata().map_err(cannot)?.is_dir() {
        return Err(InputFault::of_file(&file, "is a folder", "name a file in it"));
    }
    let mut bytes = Vec::new();
    source.by_ref().take(LARGEST_TEXT + 1).read_to_end(&mut bytes).map_err(cannot)?;
    if bytes.len() as u64 > LARGEST_TEXT {
        return Err(InputFault::of_file(
            &file,
            "is larger than 16 MiB",
            "this looks like a capture: name it as CAPTURE",
        ));
    }
    String::from_utf8(bytes).map_err(|error| {
        let at = error.utf8_error().valid_up_to();
        let before = &error.as_bytes()[..at];
        let line = before.iter().filter(|byte| **byte == b'\n').count() as u64 + 1;
        let start = before.iter().rposition(|byte| *byte == b'\n').map_or(0, |at| at + 1);
        let column = String::from_utf8_lossy(&before[start..]).chars().count() as u64 + 1;
        InputFault::at(&file, line, column, "is not UTF-8 text here", "save the file as UTF-8")
    })
}

/// Reads the job sheet; an empty one when there is none.
pub(crate) fn job_sheet(path: Option<&Path>) -> Result<JobSheet, InputFault> {
    match path {
        Some(path) => jobsheet::parse(&path.display().to_string(), &text(path)?),
        None => Ok(JobSheet::default()),
    }
}

/// Reads the event list.
pub(crate) fn event_list(path: Option<&Path>) -> Result<Option<EventList>, InputFault> {
    path.map(|path| events::parse(&path.display().to_string(), &text(path)?)).transpose()
}

/// Reads a capture with a progress bar; `-` is standard input.
pub(crate) fn capture(
    path: &Path,
    options: &ReadOptions,
    console: &Console,
) -> Result<Capture, InputFault> {
    let bar = console.reading(&path.display().to_string());
    if path.as_os_str() == "-" {
        let mut bytes = Vec::new();
        std::io::stdin().lock().read_to_end(&mut bytes).map_err(|error| {
            InputFault::of_file("-", format!("standard input cannot be read: {error}"), "try again")
        })?;
        return capture::read_bytes("-", bytes, options, &bar);
    }
    capture::read_file(path, options, &bar)
}
