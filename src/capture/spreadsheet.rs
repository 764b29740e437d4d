//! Spreadsheets: the sheet that holds the table becomes text, so that it is read like any other.

use std::fmt::Write as _;
use std::io::{Cursor, Read};

use calamine::{Data, Reader, Sheets, open_workbook_auto_from_rs};

use super::columns::shown;
use super::options::ReadOptions;
use super::read::{self, Told};
use super::sniff;
use super::types::Capture;
use crate::capture::Progress;
use crate::fault::InputFault;
use crate::findings::Decision;

/// Parts of a workbook may not unpack to more than this in all.
const LARGEST_WORKBOOK: u64 = 512 << 20;

/// Reads the sheet asked for, or the one that holds a current.
pub(super) fn capture(
    file: &str,
    bytes: Vec<u8>,
    options: &ReadOptions,
    progress: &dyn Progress,
    mut told: Told,
) -> Result<Capture, InputFault> {
    within_bounds(file, &bytes)?;
    let broken = |error: calamine::Error| {
        InputFault::of_file(
            file,
            format!("a spreadsheet that cannot be opened ({error})"),
            "save it again, without a password, or export it as CSV",
        )
    };
    let mut book = open_workbook_auto_from_rs(Cursor::new(bytes)).map_err(broken)?;
    let names = book.sheet_names();
    let wanted: Vec<String> = match &options.sheet {
        Some(sheet) => {
            let by_name = names.iter().find(|n| n.trim().eq_ignore_ascii_case(sheet.trim()));
            let by_place =
                sheet.trim().parse::<usize>().ok().and_then(|at| names.get(at.checked_sub(1)?));
            let found = by_name.or(by_place).ok_or_else(|| {
                InputFault::of_file(
                    file,
                    format!("--sheet \"{}\" names no sheet", shown(sheet)),
                    format!("give one of {}", listed(&names)),
                )
            })?;
            vec![found.clone()]
        }
        None => names.clone(),
    };
    let mut best: Option<(bool, usize, String, String)> = None;
    let mut first_fault = None;
    for name in &wanted {
        let text = sheet_text(&mut book, name).map_err(broken)?;
        let rows = text.lines().count();
        let readable = match sniff::sniff(file, text.as_bytes(), options, &mut Told::default()) {
            Ok(_) => true,
            Err(fault) => {
                first_fault.get_or_insert(fault);
                false
            }
        };
        if best.as_ref().is_none_or(|(ok, most, ..)| (readable, rows) > (*ok, *most)) {
            best = Some((readable, rows, name.clone(), text));
        }
    }
    let Some((readable, _, name, text)) = best else {
        return Err(InputFault::of_file(
            file,
            "a spreadsheet without sheets",
            "give one with readings",
        ));
    };
    if !readable && let Some(mut fault) = first_fault {
        if wanted.len() > 1 {
            fault.found =
                format!("none of the sheets {} can be read: {}", listed(&wanted), fault.found);
        }
        return Err(fault);
    }
    let why = match (&options.sheet, names.len()) {
        (Some(_), _) => "asked for by --sheet".to_owned(),
        (None, 1) => "the only one".to_owned(),
        (None, _) => format!("of {} it holds the longest table with a current", listed(&names)),
    };
    told.decisions.push(Decision {
        what: "sheet".to_owned(),
        chosen: shown(&name),
        why,
        option: Some(format!("--sheet \"{name}\"")),
    });
    read::from_text(file, text.as_bytes(), options, progress, told)
}

fn listed(names: &[String]) -> String {
    names.iter().take(12).map(|n| format!("\"{}\"", shown(n))).collect::<Vec<_>>().join(", ")
}

/// Unpacks every part once, counting, since sizes in an archive's directory may lie.
fn within_bounds(file: &str, bytes: &[u8]) -> Result<(), InputFault> {
    if !bytes.starts_with(b"PK") {
        return Ok(());
    }
    let Ok(mut archive) = zip::ZipArchive::new(Cursor::new(bytes)) else { return Ok(()) };
    let mut total = 0;
    for at in 0..archive.len() {
        let Ok(part) = archive.by_index(at) else { continue };
        let room = LARGEST_WORKBOOK + 1 - total;
        total += std::io::copy(&mut part.take(room), &mut std::io::sink()).unwrap_or(0);
        if total > LARGEST_WORKBOOK {
            return Err(InputFault::of_file(
                file,
                format!("the spreadsheet unpacks to more than {} MiB", LARGEST_WORKBOOK >> 20),
                "export the sheet as CSV and give that",
            ));
        }
    }
    Ok(())
}

/// The cells of a sheet, tab between them.
fn sheet_text(book: &mut Sheets<Cursor<Vec<u8>>>, name: &str) -> Result<String, calamine::Error> {
    let range = book.worksheet_range(name)?;
    let mut text = String::new();
    for row in range.rows() {
        for (at, cell) in row.iter().enumerate() {
            if at > 0 {
                text.push('\t');
            }
            push_cell(&mut text, cell);
        }
        text.push('\n');
    }
    Ok(text)
}

fn push_cell(text: &mut String, cell: &Data) {
    match cell {
        Data::Empty => {}
        Data::String(s) => push_flat(text, s),
        Data::Float(f) => {
            let _ = write!(text, "{f}");
        }
        Data::Int(i) => {
            let _ = write!(text, "{i}");
        }
        Data::Bool(b) => {
            let _ = write!(text, "{b}");
        }
        Data::DateTime(stamp) => {
            // Serial numbers hold milliseconds at best.
            let (year, month, day, hour, minute, second, milli) = stamp.to_ymd_hms_milli();
            if stamp.is_duration() {
                let seconds = stamp.as_f64() * 86_400.0;
                let whole = (seconds * 1000.0).round() / 1000.0;
                let hours = (whole / 3600.0).floor();
                let minutes = ((whole - hours * 3600.0) / 60.0).floor();
                let _ = write!(
                    text,
                    "{hours:02}:{minutes:02}:{:06.3}",
                    whole - hours * 3600.0 - minutes * 60.0
                );
            } else if year < 1901 {
                // A time of day alone.
                let _ = write!(text, "{hour:02}:{minute:02}:{second:02}.{milli:03}");
            } else {
                let _ = write!(
                    text,
                    "{year:04}-{month:02}-{day:02} {hour:02}:{minute:02}:{second:02}.{milli:03}"
                );
            }
        }
        Data::DateTimeIso(s) | Data::DurationIso(s) => push_flat(text, s),
        Data::Error(_) => text.push_str("#N/A"),
        #[allow(unreachable_patterns, reason = "the library may learn new kinds of cells")]
        _ => {}
    }
}

fn push_flat(text: &mut String, cell: &str) {
    text.extend(cell.chars().map(|c| if c.is_control() { ' ' } else { c }));
}
