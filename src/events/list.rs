//! From the text of an event list to its lines.

use std::ops::Range;

use super::written_time::{self, SlashDates};
use super::{Action, EventLine, EventList, ListedTime};
use crate::fault::InputFault;
use crate::jobsheet::nearest;

const HEADER: &str = "begin the list with a line `time,load,state,note`";
const DELIMITERS: [u8; 4] = [b',', b';', b'\t', b'|'];

/// Reads an event list: delimiter found, columns by header in any order and letter case.
pub(super) fn parse(file: &str, text: &str) -> Result<EventList, InputFault> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    // Lone carriage returns ended lines on some older systems.
    let mended = (!text.contains('\n') && text.contains('\r')).then(|| text.replace('\r', "\n"));
    let text = mended.as_deref().unwrap_or(text);
    let (header, delimiter) = find_header(file, text)?;
    let records = read_records(file, text, header.end, delimiter)?;
    let columns = Columns::of(file, text, &header, delimiter)?;
    let reader = Reader { file, text, delimiter, columns };
    let slash = written_time::slash_order(
        records.iter().filter_map(|r| r.cell(reader.columns.date.unwrap_or(reader.columns.time))),
    );
    let lines = records
        .iter()
        .map(|record| reader.line(record, slash))
        .collect::<Result<Vec<EventLine>, InputFault>>()?;
    if lines.is_empty() {
        return Err(InputFault::of_file(
            file,
            "the event list has a header but no line",
            "write a line for each thing that was switched, such as `14:05:30,radio,on`",
        ));
    }
    reader.one_kind_of_time(&lines, &records)?;
    Ok(EventList { file: file.to_owned(), lines })
}

/// One record: its place in the text and its cells.
struct Record {
    row: u64,
    start: usize,
    cells: Vec<String>,
}

impl Record {
    fn cell(&self, column: usize) -> Option<&str> {
        self.cells.get(column).map(String::as_str)
    }
}

/// Start and end of the first line that is neither blank nor a comment.
fn content_line(text: &str, mut from: usize) -> Option<Range<usize>> {
    while from < text.len() {
        let end = text[from..].find('\n').map_or(text.len(), |at| from + at + 1);
        let blank = |c: char| c.is_whitespace() || c == '\u{feff}';
        let line = text[from..end].trim_matches(blank);
        if !line.is_empty() && !line.starts_with('#') {
            return Some(from..end);
        }
        from = end;
    }
    None
}

fn split(line: &str, delimiter: u8) -> Vec<String> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(delimiter)
        .from_reader(line.as_bytes());
    let record = reader.records().next().and_then(Result::ok).unwrap_or_default();
    record.iter().map(|cell| cell.trim().to_owned()).collect()
}

fn find_header(file: &str, text: &str) -> Result<(Range<usize>, u8), InputFault> {
    let header = content_line(text, 0)
        .ok_or_else(|| InputFault::of_file(file, "the event list is empty", HEADER))?;
    let line = &text[header.clone()];
    let wanted = ["time", "load", "state", "note", "date"];
    let known = |delimiter: u8| {
        let cells = split(line, delimiter);
        let hits = cells.iter().filter(|cell| wanted.contains(&&*cell.to_lowercase())).count();
        (hits, cells.len())
    };
    let delimiter =
        DELIMITERS.into_iter().rev().max_by_key(|delimiter| known(*delimiter)).unwrap_or(b',');
    Ok((header, delimiter))
}

struct Columns {
    time: usize,
    date: Option<usize>,
    load: usize,
    state: usize,
    note: Option<usize>,
    count: usize,
}

impl Columns {
    fn of(
        file: &str,
        text: &str,
        header: &Range<usize>,
        delimiter: u8,
    ) -> Result<Self, InputFault> {
        let cells: Vec<String> = split(&text[header.clone()], delimiter)
            .iter()
            .map(|cell| cell.to_lowercase())
            .collect();
        let fault = |column: Option<usize>, found: String, advice: String| {
            let at = column.map_or(header.start..header.start + 1, |column| {
                cell_range(text, header.start, delimiter, column)
            });
            InputFault::in_text(file, text, at, found, advice)
        };
        let find = |name: &str| {
            let mut places = cells.iter().enumerate().filter(|(_, cell)| *cell == name);
            let first = places.next().map(|(column, _)| column);
            match places.next() {
                Some((again, _)) => Err(fault(
                    Some(again),
                    format!("a second column named `{name}`"),
                    "keep one of them".to_owned(),
                )),
                None => Ok(first),
            }
        };
        let need = |name: &str| {
            find(name)?.ok_or_else(|| {
                let first_is_time = cells
                    .first()
                    .is_some_and(|c| written_time::read(c, None, SlashDates::DayFirst).is_ok());
                if first_is_time {
                    return fault(Some(0), "the list has no header".to_owned(), HEADER.to_owned());
                }
                let names: Vec<&str> = cells.iter().map(String::as_str).collect();
                match nearest(name, &names).and_then(|near| cells.iter().position(|c| c == near)) {
                    Some(column) => fault(
                        Some(column),
                        format!("no column named `{name}`"),
                        format!("did you mean it by `{}`? rename it", cells[column]),
                    ),
                    None => fault(
                        None,
                        format!("no column named `{name}`, only {}", names.join(", ")),
                        HEADER.to_owned(),
                    ),
                }
            })
        };
        Ok(Self {
            time: need("time")?,
            load: need("load")?,
            state: need("state")?,
            note: find("note")?,
            date: find("date")?,
            count: cells.len(),
        })
    }
}

fn read_records(
    file: &str,
    text: &str,
    from: usize,
    delimiter: u8,
) -> Result<Vec<Record>, InputFault> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(delimiter)
        .comment(Some(b'#'))
        .from_reader(&text.as_bytes()[from..]);
    let mut records = Vec::new();
    let (mut counted, mut row) = (0, 1);
    let mut raw = csv::StringRecord::new();
    loop {
        let began = from + reader.position().byte() as usize;
        match reader.read_record(&mut raw) {
            Ok(true) => {}
            Ok(false) => break,
            Err(error) => {
                return Err(InputFault::in_text(
                    file,
                    text,
                    began..began + 1,
                    format!("a line that is no table row ({error})"),
                    "correct its quotes",
                ));
            }
        }
        let blank = raw.iter().all(|cell| cell.trim().is_empty());
        if blank || raw.get(0).is_some_and(|cell| cell.trim_start().starts_with('#')) {
            continue;
        }
        // The reader's position stands before the blank lines and comments that it skips.
        let start = content_line(text, began).map_or(began, |line| line.start);
        row += text[counted..start].matches('\n').count() as u64;
        counted = start;
        let cells = raw.iter().map(|cell| cell.trim().to_owned()).collect();
        records.push(Record { row, start, cells });
    }
    // Nothing ends a quote that is left open but the end of the list.
    if let Some(last) = records.last()
        && text[last.start..].matches('"').count() % 2 == 1
    {
        let cell = last.cells.iter().position(|cell| cell.contains('\n'));
        let column = cell.unwrap_or(last.cells.len().saturating_sub(1));
        let from = cell_range(text, last.start, delimiter, column).start;
        let line = text[from..].find(['\n', '\r']).map_or(text.len(), |end| from + end);
        return Err(InputFault::in_text(
            file,
            text,
            from..line,
            "a double quote that is never closed",
            "close it at the end of its cell, or remove it",
        ));
    }
    Ok(records)
}

/// Byte range of a cell in the raw text of a record.
fn cell_range(text: &str, record: usize, delimiter: u8, column: usize) -> Range<usize> {
    let bytes = text.as_bytes();
    let (mut at, mut left, mut quoted) = (record, column, false);
    let mut start = record;
    while at < bytes.len() {
        match bytes[at] {
            b'"' => quoted = !quoted,
            b'\n' | b'\r' if !quoted => break,
            byte if byte == delimiter && !quoted => {
                if left == 0 {
                    break;
                }
                left -= 1;
                start = at + 1;
            }
            _ => {}
        }
        at += 1;
    }
    if left > 0 {
        return at.saturating_sub(1).max(record)..at;
    }
    let cell = &text[start..at];
    let lead = cell.len() - cell.trim_start().len();
    start + lead..start + lead + cell.trim().len().max(1)
}

struct Reader<'a> {
    file: &'a str,
    text: &'a str,
    delimiter: u8,
    columns: Columns,
}

impl Reader<'_> {
    fn line(&self, record: &Record, slash: SlashDates) -> Result<EventLine, InputFault> {
        let columns = &self.columns;
        let cell = |column: usize| record.cell(column).unwrap_or("");
        let mut note = columns.note.map(|column| cell(column).to_owned());
        if record.cells.len() > columns.count {
            let last_is_note = columns.note.is_some_and(|column| column + 1 == columns.count);
            let surplus = &record.cells[columns.count..];
            if last_is_note {
                let mark = if self.delimiter == b',' { ", " } else { " " };
                let whole: Vec<&str> = note.iter().chain(surplus).map(String::as_str).collect();
                note = Some(whole.join(mark).trim_end_matches([',', ' ']).to_owned());
            } else if surplus.iter().any(|cell| !cell.is_empty()) {
                return Err(self.fault(
                    record,
                    columns.count,
                    format!(
                        "a cell \"{}\" past the {} columns of the header",
                        surplus.join(" "),
                        columns.count
                    ),
                    "put cells that hold the delimiter between double quotes",
                ));
            }
        }
        let written = written_time::read(cell(columns.time), columns.date.map(cell), slash)
            .map_err(|bad| self.fault(record, columns.time, bad.found, bad.advice))?;
        let (load, state) = (cell(columns.load).to_owned(), cell(columns.state).to_owned());
        let action = self.action(record, &load, &state)?;
        Ok(EventLine {
            row: record.row,
            time: written.time,
            rounding_s: written.rounding_s,
            load,
            state,
            action,
            note: note.filter(|note| !note.is_empty()),
        })
    }

    fn action(&self, record: &Record, load: &str, state: &str) -> Result<Action, InputFault> {
        if is_zero(load) || is_zero(state) {
            return Ok(Action::Zero);
        }
        if load.is_empty() {
            return Err(self.fault(
                record,
                self.columns.load,
                "the load is empty",
                "name what was switched, as the job sheet calls it, or write `zero` for a zero check",
            ));
        }
        match state.to_lowercase().as_str() {
            "on" => Ok(Action::On),
            "off" => Ok(Action::Off),
            "" => Err(self.fault(
                record,
                self.columns.state,
                format!("the state of \"{load}\" is empty"),
                "write on, off or the name of a state",
            )),
            _ => Ok(Action::To(state.to_owned())),
        }
    }

    /// Seconds from the start and times of a clock cannot stand in one list: the two have
    /// different offsets.
    fn one_kind_of_time(&self, lines: &[EventLine], records: &[Record]) -> Result<(), InputFault> {
        let elapsed = |line: &EventLine| matches!(line.time, ListedTime::Elapsed(_));
        let first = elapsed(&lines[0]);
        match lines.iter().position(|line| elapsed(line) != first) {
            None => Ok(()),
            Some(other) => Err(self.fault(
                &records[other],
                self.columns.time,
                if first {
                    "a clock time in a list of seconds from the start"
                } else {
                    "seconds from the start in a list of clock times"
                },
                "write all times of a list in one way",
            )),
        }
    }

    fn fault(
        &self,
        record: &Record,
        column: usize,
        found: impl Into<String>,
        advice: impl Into<String>,
    ) -> InputFault {
        let at = cell_range(self.text, record.start, self.delimiter, column);
        InputFault::in_text(self.file, self.text, at, found, advice)
    }
}

fn is_zero(cell: &str) -> bool {
    let lower = cell.to_lowercase();
    matches!(lower.replace(['-', '_'], " ").trim(), "zero" | "zero check")
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::time;

    fn read(text: &str) -> EventList {
        parse("events.csv", text).unwrap_or_else(|fault| panic!("{fault}"))
    }

    fn brief(text: &str) -> Vec<(u64, String, Action)> {
        read(text).lines.into_iter().map(|l| (l.row, l.load, l.action)).collect()
    }

    #[test]
    fn columns_come_in_any_order_case_and_delimiter() {
        let expected = vec![
            (3, "zero".to_owned(), Action::Zero),
            (4, "radio".to_owned(), Action::On),
            (6, "radio".to_owned(), Action::To("transmit".to_owned())),
            (7, "valve, upper".to_owned(), Action::Off),
            (8, "probe".to_owned(), Action::Zero),
        ];
        let text = "# visit\nState,TIME,Load,note\n,14:01,zero,\nON,14:02,radio,\n\n\
                    transmit,14:03,radio,\nOff,14:04,\"valve, upper\",\nZero,14:05,probe,\n";
        assert_eq!(brief(text), expected);
        for delimiter in [";", "\t", "|"] {
            let text = text.replace("\"valve, upper\"", "@").replace(',', delimiter);
            assert_eq!(brief(&text.replace('@', "valve, upper")), expected, "{delimiter}");
        }
        assert_eq!(brief(&format!("\u{feff}{}", text.replace('\n', "\r\n"))), expected);
        assert_eq!(brief(&text.replace('\n', "\r")), expected);
    }

    #[test]
    fn notes_are_kept_even_with_commas_in_them() {
        let list = read("time,load,state,note\n90,radio,on,\"first, of two\"\n95,radio,off,a, b\n");
        assert_eq!(list.lines[0].note.as_deref(), Some("first, of two"));
        assert_eq!(list.lines[1].note.as_deref(), Some("a, b"));
        assert_eq!(list.lines[0].time, ListedTime::Elapsed(90.0));
    }

    #[test]
    fn a_multi_line_note_does_not_shift_the_rows() {
        let list = read("time,load,state,note\n1,a,on,\"x\ny\"\n# c\n\n2,a,off,\n");
        assert_eq!(list.lines.iter().map(|line| line.row).collect::<Vec<_>>(), [2, 6]);
    }

    #[test]
    fn a_quote_left_open_is_told_where_it_opens() {
        for (line, column) in [("14:02,\"radio,on,", 7), ("14:02,radio,on,\"first try", 16)] {
            let text = format!("time,load,state,note\n14:01,zero,,\n{line}\n14:03,radio,off,\n");
            let fault = parse("events.csv", &text).unwrap_err();
            assert_eq!((fault.place.line, fault.place.column), (Some(3), Some(column)), "{fault}");
            assert!(fault.found.contains("never closed"), "{fault}");
        }
    }

    #[test]
    fn a_decimal_comma_and_a_date_column_are_understood() {
        let list = read("time;load;state\n90,5;radio;on\n");
        assert_eq!(list.lines[0].time, ListedTime::Elapsed(90.5));
        let list = read("date,time,load,state\n2026-05-31,14:05,radio,on\n");
        assert!(matches!(list.lines[0].time, ListedTime::DateTime(_)));
        let list = read("time,load,state\n14:05:30,radio,on\n");
        assert_eq!(list.lines[0].time, ListedTime::TimeOfDay(time(14, 5, 30, 0)));
    }

    #[test]
    fn faults_point_at_the_cell() {
        for (text, place, marked, says) in [
            ("", None, "", "is empty"),
            ("# only\n\n", None, "", "is empty"),
            ("time,load,state\n", None, "", "no line"),
            ("time,load\n1,a\n", Some((1, 1)), "t", "no column named `state`, only time, load"),
            ("time,laod,state\n1,a,on\n", Some((1, 6)), "laod", "did you mean it by `laod`"),
            ("time,load,state,load\n1,a,on,b\n", Some((1, 17)), "load", "second column"),
            ("14:05,radio,on\n14:06,radio,off\n", Some((1, 1)), "14:05", "no header"),
            ("time,load,state\n# c\n\n14:99, radio ,on\n", Some((4, 1)), "14:99", "not a time"),
            ("load,state,time\n\"ra,dio\",on, 1x \n", Some((2, 14)), "1x", "not a time"),
            ("time,load,state\n14:05,,on\n", Some((2, 7)), ",", "load is empty"),
            ("time,load,state\n14:05,radio\n", Some((2, 11)), "o", "state of \"radio\" is empty"),
            ("time,load,state\n14:05,radio,on,x\n", Some((2, 16)), "x", "past the 3 columns"),
            (
                "time,load,state\n14:05,a,on\n90,a,off\n",
                Some((3, 1)),
                "90",
                "seconds from the start",
            ),
        ] {
            let fault = parse("events.csv", text).expect_err(text);
            assert!(fault.to_string().contains(says), "{text:?}: {fault}");
            let found = fault.place.line.zip(fault.place.column);
            assert_eq!(found, place.map(|(line, column): (u64, u64)| (line, column)), "{text:?}");
            if let Some(excerpt) = fault.excerpt {
                let end = excerpt.offset + excerpt.length;
                assert_eq!(&excerpt.text[excerpt.offset..end], marked, "{text:?}");
            }
        }
    }

    #[test]
    fn hostile_lists_end_in_a_fault_or_a_list() {
        // A line of nothing but a byte order mark.
        assert!(parse("e.csv", "#\n\u{feff}\n\u{feff}\nx").is_err());
        let whole = "time,load,state,note\n14:05,a,on,\"x\ny\"\n14:06,zero,,\n";
        crate::chance::each(600, 1 << 12, |u| {
            let noise: String = u.arbitrary()?;
            let _ = parse("e.csv", &noise);
            let at = u.int_in_range(0..=whole.len())?;
            let _ = parse("e.csv", &format!("{}{noise}{}", &whole[..at], &whole[at..]));
            Ok(())
        });
    }
}
