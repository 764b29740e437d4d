//! Small text inputs and the capture, opened for reading only.

use std::io::Read;
use std::path::Path;

use crate::capture::{self, Capture, ReadOptions};
use crate::events::{self, EventList};
use crate::fault::InputFault;
use crate::findings::Caution;
use crate::jobsheet::{self, JobSheet};

use super::console::Console;

/// Largest event list, job sheet or scenario that is read, bytes.
const LARGEST_TEXT: u64 = 16 * 1024 * 1024;

/// Reads a small text; one that is not UTF-8 with a caution.
pub(crate) fn text(path: &Path, console: &Console) -> Result<String, InputFault> {
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
    if bytes.starts_with(b"PK\x03\x04") {
        let advice = "save the sheet as CSV in UTF-8, or the text as plain text";
        return Err(InputFault::of_file(&file, "is a workbook or another packed file", advice));
    }
    // As spreadsheets save it: a byte order mark leaves no doubt.
    if std::str::from_utf8(&bytes).is_err()
        && let Some((text, encoding)) = capture::other_text(&bytes)
    {
        if !encoding.starts_with("UTF-16") {
            let text = format!(
                "{file} is not UTF-8 and was read as {encoding}: look whether the names in the report are \
                 spelt right, and save the file as UTF-8 when they are not"
            );
            console.cautions(&[Caution::new("encoding-guessed", text)]);
        }
        return Ok(text);
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
pub(crate) fn job_sheet(path: Option<&Path>, console: &Console) -> Result<JobSheet, InputFault> {
    match path {
        Some(path) => jobsheet::parse(&path.display().to_string(), &text(path, console)?),
        None => Ok(JobSheet::default()),
    }
}

/// Reads the event list.
pub(crate) fn event_list(
    path: Option<&Path>,
    console: &Console,
) -> Result<Option<EventList>, InputFault> {
    path.map(|path| events::parse(&path.display().to_string(), &text(path, console)?)).transpose()
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

/// Captures from files, folders (every file in them that is not hidden) and patterns (`*` and `?`
/// in the last part of a path, for shells that do not expand them), each once. What a folder or
/// pattern holds of `others`, the inputs that are no captures, and of this program's own documents
/// (results, a simulation's truth) is passed over.
pub(crate) fn captures(
    named: &[std::path::PathBuf],
    others: &[&Path],
) -> Result<Vec<std::path::PathBuf>, InputFault> {
    let others: Vec<_> = others.iter().filter_map(|other| other.canonicalize().ok()).collect();
    let is_capture = |file: &std::path::PathBuf| {
        !is_own_document(file) && file.canonicalize().map_or(true, |file| !others.contains(&file))
    };
    let mut all: Vec<std::path::PathBuf> = Vec::new();
    for path in named {
        let found = if path.is_dir() {
            files_in(path, |_| true)?.into_iter().filter(is_capture).collect()
        } else if !path.exists() && holds_pattern(path) {
            let pattern = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
            let folder = path.parent().filter(|parent| !parent.as_os_str().is_empty());
            let files = files_in(folder.unwrap_or(Path::new(".")), |name| matches(&pattern, name))?;
            files.into_iter().filter(is_capture).collect()
        } else {
            vec![path.clone()]
        };
        if found.is_empty() {
            let holds_folders = std::fs::read_dir(path)
                .is_ok_and(|entries| entries.flatten().any(|entry| entry.path().is_dir()));
            let (named, next) = if holds_folders {
                ("holds folders, but no capture itself", "name the folders in it, each by itself")
            } else {
                (
                    "names no capture",
                    "check the folder, or the pattern: * stands for any letters, ? for one",
                )
            };
            return Err(InputFault::of_file(&path.display().to_string(), named, next));
        }
        all.extend(found.into_iter().filter(|file| !all.contains(file)).collect::<Vec<_>>());
    }
    Ok(all)
}

/// Whether a file is a JSON document that starts by naming a schema of this program.
fn is_own_document(file: &Path) -> bool {
    let mut start = Vec::new();
    let read = std::fs::File::open(file).and_then(|file| file.take(200).read_to_end(&mut start));
    let Ok(text) = String::from_utf8(start) else { return false };
    let bare: String = text.split_whitespace().collect();
    read.is_ok() && bare.starts_with("{\"schema\":\"ebbmark.")
}

fn holds_pattern(path: &Path) -> bool {
    path.file_name().is_some_and(|name| name.to_string_lossy().contains(['*', '?']))
}

fn files_in(
    folder: &Path,
    wanted: impl Fn(&str) -> bool,
) -> Result<Vec<std::path::PathBuf>, InputFault> {
    let cannot = |error: std::io::Error| {
        InputFault::of_file(
            &folder.display().to_string(),
            format!("cannot be listed: {error}"),
            "check the name and that you may read it",
        )
    };
    let mut files = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(cannot)? {
        let path = entry.map_err(cannot)?.path();
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        if path.is_file() && !name.starts_with('.') && wanted(&name) {
            files.push(path);
        }
    }
    files.sort();
    Ok(files)
}

/// Whether a file name fits a pattern of `*` and `?`.
fn matches(pattern: &str, name: &str) -> bool {
    let (pattern, name): (Vec<char>, Vec<char>) =
        (pattern.chars().collect(), name.chars().collect());
    let (mut p, mut n) = (0, 0);
    let mut retry: Option<(usize, usize)> = None;
    while n < name.len() {
        match pattern.get(p) {
            Some('*') => {
                retry = Some((p, n));
                p += 1;
            }
            Some(c) if *c == '?' || *c == name[n] => {
                p += 1;
                n += 1;
            }
            _ => match retry {
                Some((star, from)) => {
                    p = star + 1;
                    n = from + 1;
                    retry = Some((star, n));
                }
                None => return false,
            },
        }
    }
    pattern[p..].iter().all(|c| *c == '*')
}

#[cfg(test)]
mod tests {
    use super::{Console, matches, text};

    #[test]
    fn a_list_as_a_spreadsheet_saves_it_is_read_and_a_workbook_refused() {
        let file = tempfile::NamedTempFile::new().unwrap();
        let console = Console::new(true);
        let written = "time,load,state\n14:05,Füllstand,on\n";
        let bytes: Vec<u8> = "\u{feff}"
            .encode_utf16()
            .chain(written.encode_utf16())
            .flat_map(u16::to_le_bytes)
            .collect();
        std::fs::write(file.path(), bytes).unwrap();
        assert_eq!(text(file.path(), &console).unwrap(), written);
        // As saved where text is windows-1252.
        std::fs::write(file.path(), b"time,load,state\n14:05,F\xFCllstand,on\n").unwrap();
        assert_eq!(text(file.path(), &console).unwrap(), written);
        // UTF-8 that is damaged is not taken for another encoding.
        let damaged = b"time,load,state\n14:05,F\xC3\xBCllst\xC3\xA4nd-\xC3\x84\xC3\xB6\xC3\x9F,on\n14:06,\xC3,on\n";
        std::fs::write(file.path(), damaged).unwrap();
        let fault = text(file.path(), &console).unwrap_err();
        assert_eq!((fault.place.line, fault.place.column), (Some(3), Some(7)));
        std::fs::write(file.path(), b"PK\x03\x04rest").unwrap();
        assert!(text(file.path(), &console).unwrap_err().found.contains("workbook"));
    }

    #[test]
    fn patterns_fit_as_in_a_shell() {
        for (pattern, name, fits) in [
            ("*.csv", "rx-1.csv", true),
            ("*.csv", "rx-1.csv.gz", false),
            ("rx-?.csv", "rx-1.csv", true),
            ("rx-?.csv", "rx-12.csv", false),
            ("*a*b*", "xxaxxbxx", true),
            ("*a*b*", "xxbxxaxx", false),
            ("", "", true),
        ] {
            assert_eq!(matches(pattern, name), fits, "{pattern} {name}");
        }
    }
}
