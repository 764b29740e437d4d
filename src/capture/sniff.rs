//! Everything about a text that is decided from its start.

use super::careful::Plan;
use super::cell::Mark;
use super::choose;
use super::clock::{self, Found};
use super::columns::{self, Column, shown};
use super::dialect::Delimiter;
use super::long;
use super::options::ReadOptions;
use super::read::Told;
use super::reading_unit::Chosen;
use super::short_header;
use super::table::{self, Table};
use super::thousands;
use crate::fault::InputFault;
use crate::findings::{Caution, Decision};

/// The form of a text.
#[derive(Debug, Clone)]
pub(super) struct Sniffed {
    pub(super) table: Table,
    pub(super) columns: Vec<Column>,
    pub(super) chosen: Chosen,
    pub(super) found: Found,
}

impl Sniffed {
    pub(super) fn current(&self) -> &Column {
        &self.columns[self.chosen.place]
    }

    pub(super) fn plan(&self) -> Plan {
        Plan {
            dialect: self.table.dialect,
            line_end: self.table.line_end,
            width: self.table.width,
            widths: self.table.widths.clone(),
            header_text: self.table.header_text.clone(),
            clock: self.found.clock.clone(),
            current: self.chosen.place,
            mark: self.current().mark,
            unit: self.chosen.unit.clone(),
            channel: self.chosen.channel.clone(),
        }
    }
}

/// Finds the table, its columns, the current and the clock in `head`, the whole lines of a text's start.
///
/// # Errors
/// When there is no table, or nothing says which column is a current, or there is no clock.
pub(super) fn sniff(
    file: &str,
    head: &[u8],
    options: &ReadOptions,
    told: &mut Told,
) -> Result<Sniffed, InputFault> {
    if head.starts_with(b"%PDF-") {
        return Err(InputFault::of_file(
            file,
            "a PDF document",
            "export the readings as text (CSV) or as a workbook (xlsx, ods)",
        ));
    }
    let tables = table::find(head, options.skip_rows.unwrap_or(0), !told.unwrapped);
    let before = told.clone();
    let mut first_fault = None;
    for (at, table) in tables.into_iter().enumerate() {
        *told = before.clone();
        match sniff_table(file, table, options, told) {
            Ok(sniffed) => {
                if at > 0 {
                    let width = sniffed.table.width;
                    let text = format!(
                        "the file holds rows of another form as well; those with {width} cells, which hold the current, were read"
                    );
                    told.cautions.push(Caution::new("other-rows", text));
                }
                return Ok(sniffed);
            }
            Err(fault) => {
                first_fault.get_or_insert(fault);
            }
        }
    }
    Err(first_fault.unwrap_or_else(|| no_table(file, head, options)))
}

/// As [`sniff`], the table being found.
fn sniff_table(
    file: &str,
    mut table: Table,
    options: &ReadOptions,
    told: &mut Told,
) -> Result<Sniffed, InputFault> {
    short_header::mend(&mut table, options.decimal_mark, told);
    tell_table(&table, options, told);
    let mut columns = columns::describe(&table, options.decimal_mark);
    commas_in_two_roles(file, &table, &columns)?;
    names_missing(&table, &columns, told);
    let long = long::find(&table, &columns, options.current_column.as_ref());
    if let Some(long) = &long {
        long::keep(&mut table, &mut columns, long, options.decimal_mark, told);
    }
    let taken = match &options.time_column {
        Some(choice) => vec![choose::named_column(file, choice, &columns, "--time-column")?],
        None => clock::candidates(&table, &columns),
    };
    let mut chosen = choose::current(
        file,
        &table,
        &columns,
        &taken,
        options,
        &mut told.decisions,
        &mut told.cautions,
    )?;
    chosen.channel =
        long.filter(|l| l.value == chosen.place).map(|l| (l.label, l.name.into_bytes()));
    tell_mark(&columns[chosen.place], options, told);
    let found = clock::choose(file, &table, &columns, chosen.place, &[], options, told)?;
    Ok(Sniffed { table, columns, chosen, found })
}

/// `time,current` over `0,0,118`: the comma parts cells and decimals alike, and no reading of it is safe.
fn commas_in_two_roles(file: &str, table: &Table, columns: &[Column]) -> Result<(), InputFault> {
    let named = table.header_width;
    let whole_numbers = |c: &Column| c.numbers > 0 && c.integers && c.texts + c.times == 0;
    // Readings with decimal points need no comma for it.
    let is_time = |c: &Column| c.words().iter().any(|w| clock::TIME_WORDS.contains(&w.as_str()));
    let pointed = columns.iter().take(named).any(|c| c.numbers > 0 && !c.integers && !is_time(c));
    if table.dialect.delimiter != Delimiter::Comma
        || named == 0
        || named >= table.width
        || pointed
        || !columns[named..].iter().all(whole_numbers)
    {
        return Ok(());
    }
    let mut fault = InputFault::of_file(
        file,
        format!(
            "the header names {named} columns and the rows have {} cells: the comma seems to be the delimiter and the decimal mark at once",
            table.width
        ),
        "export with semicolons or tabs between the cells, with points in the numbers, or with quoted cells",
    );
    fault.place.line = Some(table.first_line);
    Err(fault)
}

/// A header with fewer names than the rows have cells may stand over the wrong columns.
fn names_missing(table: &Table, columns: &[Column], told: &mut Told) {
    let named = table.header_width;
    if named == 0 || named >= columns.len() || columns[named..].iter().all(|c| c.numbers == 0) {
        return;
    }
    told.cautions.push(Caution::new(
        "header-short",
        format!(
            "the header names {named} columns and the rows have {} cells: if a name is missing, those behind it stand one column off; look at the first rows, and choose with --current-column and --time-column",
            table.width
        ),
    ));
}

fn no_table(file: &str, head: &[u8], options: &ReadOptions) -> InputFault {
    // Some programs save a page under a spreadsheet's name.
    if head.trim_ascii_start().starts_with(b"<") {
        return InputFault::of_file(
            file,
            "a web page or another marked-up document, without rows of numbers",
            "open it in a spreadsheet program and save it as CSV or as a workbook (xlsx, ods)",
        );
    }
    let advice = if options.skip_rows.is_some() {
        "give the export with its rows of readings, or a smaller --skip-rows"
    } else {
        "give the export with its rows of readings, one a line"
    };
    InputFault::of_file(file, "no rows of numbers were found", advice)
}

fn tell_table(table: &Table, options: &ReadOptions, told: &mut Told) {
    let mut tell = |what: &str, chosen: String, why: String, option: Option<String>| {
        told.decisions.push(Decision { what: what.to_owned(), chosen, why, option });
    };
    let why = if table.dialect.delimiter == Delimiter::None {
        "no delimiter makes columns".to_owned()
    } else {
        format!("it makes {} columns in most rows", table.width)
    };
    tell("delimiter", table.dialect.delimiter.name().to_owned(), why, None);
    let skipped = options
        .skip_rows
        .map(|n| format!("; the first {n} lines were passed over by --skip-rows"))
        .unwrap_or_default();
    let skip = options.skip_rows.map(|n| format!("--skip-rows {n}"));
    match table.header_line {
        Some(line) => {
            let row = |row: &Vec<String>| {
                row.iter().take(40).map(|c| shown(c)).collect::<Vec<_>>().join(" | ")
            };
            tell(
                "header",
                table.header.iter().map(row).collect::<Vec<_>>().join(" // "),
                format!(
                    "line {line}, right above the first row of numbers (line {}){skipped}",
                    table.first_line
                ),
                skip,
            );
        }
        None => tell(
            "header",
            "none".to_owned(),
            format!("the rows start at line {} without names above{skipped}", table.first_line),
            skip,
        ),
    }
}

fn tell_mark(column: &Column, options: &ReadOptions, told: &mut Told) {
    let (chosen, why) = match column.mark {
        Mark::Comma => ("comma", "the numbers cannot be read otherwise, or other columns write it"),
        Mark::Point => ("point", "the numbers can be read so"),
    };
    let given = options.decimal_mark == Some(column.mark);
    told.decisions.push(Decision {
        what: "decimal mark".to_owned(),
        chosen: chosen.to_owned(),
        why: if given { "given by --decimal-mark" } else { why }.to_owned(),
        option: Some(format!("--decimal-mark {chosen}")),
    });
    if column.mark_doubtful {
        told.cautions.push(thousands::caution(column));
    }
}
