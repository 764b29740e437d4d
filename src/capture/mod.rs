//! From a file to samples: encoding, delimiter, decimal mark, header, units and clock are found,
//! and every choice is told with its reason.
//!
//! ```text
//! bytes ─► dialect, table ─► columns ─► choose ─► clock ─► fast or careful ─► settle ─► sampling
//! unpack,   where the table   what each  which is   how time  every row          seconds    gaps,
//! decode    is                one is     a current  is told                      that rise  resolution
//! ```

mod assemble;
mod bytes;
mod careful;
mod cell;
mod choose;
mod claim;
mod clock;
mod columns;
mod count;
mod dates;
mod day_names;
mod dialect;
mod fast;
mod interval;
mod json;
mod keyed;
mod line_protocol;
mod lines;
mod long;
mod options;
mod pattern;
mod plain;
mod prose;
mod read;
mod reading_unit;
mod row;
mod sampling;
mod scaling;
mod second;
mod settle;
mod short_header;
mod sniff;
mod spread;
mod spreadsheet;
mod stamp;
mod start;
mod summer_time;
mod table;
mod thousands;
mod turned;
mod types;
mod units;

pub use options::{ColumnChoice, CurrentUnit, DecimalMark, Progress, ReadOptions, Silent};
pub(crate) use sampling::says_little;
pub use sampling::totals;
pub use types::*;

use std::io::{Read, Seek};
use std::path::Path;

use crate::fault::InputFault;

/// Reads a capture from a file, whatever its form.
///
/// # Errors
/// A fault that names file, line, column, what was found and what to do.
pub fn read_file(
    path: &Path,
    options: &ReadOptions,
    progress: &dyn Progress,
) -> Result<Capture, InputFault> {
    let name = path.display().to_string();
    let fault = |error: std::io::Error| {
        let found = match error.kind() {
            std::io::ErrorKind::NotFound => "no such file".to_owned(),
            std::io::ErrorKind::IsADirectory => "a folder, not a file".to_owned(),
            _ => format!("cannot be read ({error})"),
        };
        InputFault::of_file(&name, found, "give the path of a capture")
    };
    let file = std::fs::File::open(path).map_err(fault)?;
    let about = file.metadata().map_err(fault)?;
    if about.is_dir() {
        return Err(fault(std::io::ErrorKind::IsADirectory.into()));
    }
    if about.is_file()
        && let Ok(len) = usize::try_from(about.len())
    {
        let mut told = read::Told::default();
        if let Some(read) = plain::attempt(&name, &file, len, options, progress, &told) {
            return read;
        }
        let mut first = Vec::new();
        (&file).take(8).read_to_end(&mut first).map_err(fault)?;
        let wrapping = bytes::wrapping_of(&first, &file);
        (&file).rewind().map_err(fault)?;
        if let Some(unpacked) = bytes::unpack(&name, wrapping, &file, &mut told.decisions)? {
            return read::from_unpacked(&name, unpacked, options, progress, told);
        }
    }
    let mut bytes = Vec::new();
    (&file).read_to_end(&mut bytes).map_err(fault)?;
    read::capture(&name, bytes, options, progress)
}

/// A list or job sheet that is not in UTF-8, by the rules that captures are read by: its text and encoding.
pub(crate) fn other_text(bytes: &[u8]) -> Option<(String, &'static str)> {
    bytes::other_text(bytes)
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
    read::capture(name, bytes, options, progress)
}
