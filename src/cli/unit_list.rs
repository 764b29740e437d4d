//! `--unit-list`: which capture belongs to which unit, every line for one capture and every capture in
//! one line.

use std::path::{Component, Path, PathBuf};

use crate::batch::UnitSource;
use crate::fault::InputFault;
use crate::findings::Caution;

use super::console::Console;
use super::inputs;

/// Absent files named in the caution.
const NAMED: usize = 6;

/// One line of the list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Line {
    number: u64,
    file: String,
    unit: String,
}

/// Reads a CSV list with the columns `file` and `unit`.
pub(crate) fn read(path: &Path, console: &Console) -> Result<Vec<Line>, InputFault> {
    parse(&path.display().to_string(), &inputs::text(path, console)?)
}

fn parse(list: &str, text: &str) -> Result<Vec<Line>, InputFault> {
    let text = text.trim_start_matches('\u{feff}');
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .comment(Some(b'#'))
        .from_reader(text.as_bytes());
    let wrong = |error: csv::Error| {
        let line = error.position().map_or(1, csv::Position::line);
        InputFault::at(list, line, 1, format!("is no CSV row: {error}"), "mend the row")
    };
    let headers = reader.headers().map_err(wrong)?.clone();
    let column = |name: &str| {
        headers.iter().position(|header| header.eq_ignore_ascii_case(name)).ok_or_else(|| {
            InputFault::at(
                list,
                1,
                1,
                format!("has no column \"{name}\""),
                "give the columns file and unit in the first row",
            )
        })
    };
    let (file, unit) = (column("file")?, column("unit")?);
    let mut lines = Vec::new();
    for record in reader.records() {
        let record = record.map_err(wrong)?;
        let cell = |at: usize| record.get(at).unwrap_or_default().to_owned();
        let number = record.position().map_or(1, |position| line_of(text, position));
        let line = Line { number, file: cell(file), unit: cell(unit) };
        match (line.file.is_empty(), line.unit.is_empty()) {
            (true, true) => {}
            (false, false) => lines.push(line),
            (no_file, _) => {
                let lacks = if no_file { "no file" } else { "no unit" };
                let found = format!("names {lacks}");
                return Err(InputFault::at(
                    list,
                    number,
                    1,
                    found,
                    "fill in both, or leave it out",
                ));
            }
        }
    }
    Ok(lines)
}

/// The line of the row behind a place: empty lines and remarks before it are no rows.
fn line_of(text: &str, place: &csv::Position) -> u64 {
    let rest = text.get(place.byte() as usize..).unwrap_or_default();
    let passed = rest.lines().take_while(|line| line.is_empty() || line.starts_with('#'));
    place.line() + passed.count() as u64
}

/// The captures with their units in the list's order, and what of the list is not among them.
pub(crate) fn assign(
    list: &str,
    lines: &[Line],
    files: Vec<PathBuf>,
) -> Result<(Vec<UnitSource>, Option<Caution>), InputFault> {
    let mut taken: Vec<Option<PathBuf>> = vec![None; lines.len()];
    for file in files {
        let mut fit = (0..lines.len()).filter(|at| names(&lines[*at].file, &file));
        let Some(at) = fit.next() else {
            return Err(InputFault::of_file(
                list,
                format!("does not list {}", file.display()),
                "add a line for it, or leave it out of the captures",
            ));
        };
        let line = &lines[at];
        if let Some(again) = fit.next() {
            let again = &lines[again];
            return Err(InputFault::at(
                list,
                again.number,
                1,
                format!(
                    "\"{}\" for unit {} and \"{}\" in line {} for unit {} both name {}",
                    again.file,
                    again.unit,
                    line.file,
                    line.number,
                    line.unit,
                    file.display()
                ),
                "keep one of the lines; where files of one name stand in several folders, write the folder before each",
            ));
        }
        if let Some(other) = &taken[at] {
            return Err(InputFault::at(
                list,
                line.number,
                1,
                format!("\"{}\" names {} and {}", line.file, other.display(), file.display()),
                "give each file a line of its own with its folder before the name",
            ));
        }
        taken[at] = Some(file);
    }
    let absent = lines.iter().zip(&taken).filter(|(_, file)| file.is_none());
    let absent: Vec<String> =
        absent.map(|(line, _)| format!("{} ({})", line.file, line.unit)).collect();
    let sources = lines
        .iter()
        .zip(taken)
        .filter_map(|(line, file)| Some(UnitSource { unit: line.unit.clone(), file: file? }))
        .collect();
    Ok((sources, caution(list, &absent)))
}

fn caution(list: &str, absent: &[String]) -> Option<Caution> {
    let more = absent.len().saturating_sub(NAMED);
    let named = absent[..absent.len() - more].join(", ");
    let more = if more > 0 { format!(", and {more} more") } else { String::new() };
    (!absent.is_empty()).then(|| {
        Caution::new(
            "listed-but-absent",
            format!("{list} lists what is not among the captures: {named}{more}. Nothing is said of these units by it; look for the files, or take them off the list."),
        )
    })
}

/// Whether a list's entry, a file name with any part of its folders, names a file.
fn names(entry: &str, file: &Path) -> bool {
    let plain = |path: &Path| -> PathBuf {
        path.components().filter(|part| *part != Component::CurDir).collect()
    };
    plain(file).ends_with(plain(Path::new(entry)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn assigned(
        list: &str,
        files: &[&str],
    ) -> Result<(Vec<(String, String)>, Option<String>), String> {
        let told = |fault: InputFault| fault.to_string();
        let lines = parse("list.csv", list).map_err(told)?;
        let files = files.iter().map(PathBuf::from).collect();
        let (sources, caution) = assign("list.csv", &lines, files).map_err(told)?;
        let pair = |s: UnitSource| (s.unit, s.file.display().to_string());
        Ok((sources.into_iter().map(pair).collect(), caution.map(|caution| caution.text)))
    }

    #[test]
    fn the_lists_order_counts_and_folders_tell_files_of_one_name_apart() {
        let list = "unit,file\nB,y/r1.csv\nA,./x/r1.csv\nC, r2.csv\n,\n";
        let (sources, absent) =
            assigned(list, &["./logs/x/r1.csv", "r2.csv", "logs/y/r1.csv"]).unwrap();
        let pair = |unit: &str, file: &str| (unit.to_owned(), file.to_owned());
        let expected =
            [pair("B", "logs/y/r1.csv"), pair("A", "./logs/x/r1.csv"), pair("C", "r2.csv")];
        assert_eq!(sources, expected);
        assert_eq!(absent, None);
        // A part of a name is not the name.
        assert!(
            assigned("file,unit\n1.csv,A\n", &["r1.csv"]).unwrap_err().contains("does not list")
        );
    }

    #[test]
    fn what_fits_twice_is_refused_with_list_and_line() {
        for (list, files, parts) in [
            // Bare names, each file in two folders.
            (
                "file,unit\nr1.csv,x1\nr1.csv,y1\n",
                &["x/r1.csv", "y/r1.csv"][..],
                ["line 3", "y1", "x1"],
            ),
            (
                "file,unit\r\n\r\n# run\r\nr1.csv,A\r\n",
                &["x/r1.csv", "y/r1.csv"][..],
                ["line 4", "x/r1.csv", "y/r1.csv"],
            ),
            // One file under two units.
            (
                "file,unit\nc3.csv,U3\nc4.csv,U4\nc3.csv,U9\n",
                &["c3.csv", "c4.csv"][..],
                ["line 4", "U9", "line 2"],
            ),
            (
                "file,unit\nx/c3.csv,U3\nc3.csv,U3\n",
                &["x/c3.csv"][..],
                ["line 3", "x/c3.csv", "U3"],
            ),
            ("file,unit\nc3.csv,\n", &["c3.csv"][..], ["line 2", "no unit", "fill in"]),
            ("file,unit\nc3.csv,U1\n,U2\n", &["c3.csv"][..], ["line 3", "no file", "fill in"]),
        ] {
            let fault = assigned(list, files).unwrap_err();
            assert!(fault.starts_with("list.csv, "), "{fault}");
            parts.iter().for_each(|part| assert!(fault.contains(part), "{part} not in {fault}"));
        }
    }

    #[test]
    fn what_is_listed_and_absent_is_told() {
        let lines: String = (1..=10).map(|at| format!("c{at}.csv,U{at}\n")).collect();
        let list = format!("file,unit\n{lines}");
        let (sources, absent) = assigned(&list, &["c1.csv", "c2.csv"]).unwrap();
        assert_eq!(sources.len(), 2);
        let absent = absent.unwrap();
        assert!(absent.contains("c3.csv (U3)") && absent.contains("and 2 more"), "{absent}");
        assert!(!absent.contains("c1.csv") && !absent.contains("c2.csv"), "{absent}");
    }
}
