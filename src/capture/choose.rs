//! Which column is the current.

use super::claim::{
    Claim, OTHER_WORDS, claim, is_vague, mean_among_extremes, says_current, says_voltage,
};
use super::columns::{Column, shown, unit_column};
use super::options::{ColumnChoice, ReadOptions};
use super::reading_unit::{Chosen, preamble_line_for, preamble_unit, with_unit};
use super::scaling;
use super::table::Table;
use super::units::{counted_unit, multiplied_unit, unit_in_header, unit_of};
use crate::fault::InputFault;
use crate::findings::{Caution, Decision};

/// Finds the column that the user named.
pub(super) fn named_column(
    file: &str,
    choice: &ColumnChoice,
    columns: &[Column],
    option: &str,
) -> Result<usize, InputFault> {
    let list = || {
        columns
            .iter()
            .map(|c| format!("{} `{}`", c.place + 1, c.title()))
            .collect::<Vec<_>>()
            .join(", ")
    };
    match choice {
        ColumnChoice::Place(place) if (1..=columns.len()).contains(place) => Ok(place - 1),
        ColumnChoice::Place(place) => Err(InputFault::of_file(
            file,
            format!("{option} {place} asks for a column that is not there"),
            format!("give one of the columns {}", list()),
        )),
        ColumnChoice::Header(name) => {
            let same = |c: &&Column| c.name.trim().eq_ignore_ascii_case(name.trim());
            let bare = |c: &&Column| {
                c.name
                    .split(['(', '[', '/'])
                    .next()
                    .unwrap_or_default()
                    .trim()
                    .eq_ignore_ascii_case(name.trim())
            };
            columns
                .iter()
                .find(same)
                .or_else(|| columns.iter().find(bare))
                .map(|c| c.place)
                .ok_or_else(|| {
                    InputFault::of_file(
                        file,
                        format!("{option} \"{}\" names no column", shown(name)),
                        format!("give one of the columns {}, by name or number", list()),
                    )
                })
        }
    }
}

/// Chooses the current column and its unit.
///
/// # Errors
/// When nothing says which column is a current.
pub(super) fn current(
    file: &str,
    table: &Table,
    columns: &[Column],
    clock: &[usize],
    options: &ReadOptions,
    decisions: &mut Vec<Decision>,
    cautions: &mut Vec<Caution>,
) -> Result<Chosen, InputFault> {
    let beside = |c: &Column| unit_column(table, columns, c.place);
    let mut claims: Vec<Claim> = columns
        .iter()
        .filter(|c| !clock.contains(&c.place))
        .filter_map(|c| claim(c, columns, beside(c).is_some()))
        .collect();
    // By score, then by place.
    claims.sort_by(|a, b| b.score.cmp(&a.score).then(a.place.cmp(&b.place)));
    let mut why = String::new();
    let place = if let Some(choice) = &options.current_column {
        why = "asked for by --current-column".to_owned();
        named_column(file, choice, columns, "--current-column")?
    } else if let Some(best) = claims.first() {
        why.clone_from(&best.why);
        best.place
    } else {
        match lone_candidate(table, columns, clock, options) {
            Some((place, reason)) => {
                why.push_str(&reason);
                place
            }
            None => return Err(no_current(file, table, columns, clock)),
        }
    };
    let column = &columns[place];
    if !column.numeric() {
        return Err(InputFault::of_file(
            file,
            format!("the column `{}` holds no numbers", column.title()),
            "name another column with --current-column",
        ));
    }
    // A range beside a unit of its own, as in a units row, says nothing of the numbers.
    let own_unit = table.header.iter().any(|row| unit_of(&row[place]).is_some());
    let counted = counted_unit(&column.name).filter(|_| !own_unit);
    // A range holds its readings.
    let beyond = counted.filter(|(count, _)| column.high.abs().max(column.low.abs()) > 1.2 * count);
    if options.unit.is_none()
        && let Some(unit) = multiplied_unit(&column.name).or(beyond.map(|(_, unit)| unit))
    {
        let mut fault = InputFault::of_file(
            file,
            format!("the header of `{}` multiplies its unit: \"{}\"", column.title(), shown(unit)),
            "export in plain A, mA or µA, or multiply the column and name its unit so; if the numbers are in such a unit already, give it with --unit",
        );
        fault.place.line = table.header_line;
        return Err(fault);
    }
    let prefixed = || {
        let (unit, _) = beside(column)?;
        scaling::prefixes(table, columns, place, unit)
    };
    if options.unit.is_none()
        && let Some(by) = scaling::multiplier(columns, place)
        && prefixed().is_none()
    {
        let mut fault = InputFault::of_file(
            file,
            format!(
                "the column `{}` seems to multiply the readings of `{}`",
                by.title(),
                column.title()
            ),
            "multiply the readings by it, or, if they need no multiplying, give their unit with --unit",
        );
        fault.place.line = table.header_line;
        return Err(fault);
    }
    if options.unit.is_none()
        && let Some((_, unit)) = counted
    {
        cautions.push(Caution::new(
            "unit-range",
            format!(
                "\"{}\" in the header of `{}` was taken for the range; if the numbers count so much each, multiply the column",
                shown(unit),
                column.title()
            ),
        ));
    }
    let rivals: Vec<&Claim> = claims.iter().filter(|c| c.place != place && c.score >= 50).collect();
    if !rivals.is_empty() && options.current_column.is_none() {
        let list = rivals
            .iter()
            .map(|c| format!("`{}` ({})", columns[c.place].title(), columns[c.place].range()))
            .collect::<Vec<_>>()
            .join(", ");
        why.push_str("; of several currents the battery's goes first, then one that varies, then the leftmost");
        cautions.push(Caution::new(
            "rival-currents",
            format!(
                "the column `{}` ({}) was read as the current; {list} could be meant as well: choose with --current-column",
                column.title(),
                column.range()
            ),
        ));
    }
    decisions.push(Decision {
        what: "current column".to_owned(),
        chosen: column.title(),
        why,
        option: Some(format!("--current-column {}", column.handle(columns))),
    });
    let chosen = with_unit(table, columns, place, options, decisions, cautions);
    let because = match columns.iter().find(|c| tells_of_mains(c)) {
        _ if chosen.ac => Some("is".to_owned()),
        Some(beside) => Some(format!("stands beside `{}` and is then", beside.title())),
        None => None,
    };
    if let Some(because) = because {
        cautions.push(Caution::new(
            "alternating-current",
            format!(
                "the column `{}` {because} an alternating (effective) current: it has no sign, and its charge is not what a battery loses",
                column.title()
            ),
        ));
    }
    Ok(chosen)
}

/// What only alternating current has: a power factor, or a frequency near that of the mains.
fn tells_of_mains(column: &Column) -> bool {
    let words = column.words();
    let has = |word: &str| words.iter().any(|w| w == word);
    let factor = has("pf") || has("cosphi") || (has("factor") && has("power"));
    let mains = (45.0..=65.0).contains(&column.low) && (45.0..=65.0).contains(&column.high);
    column.numbers > 0 && (factor || (mains && (has("hz") || has("frequency") || has("freq"))))
}

/// A single column of numbers beside the clock, when the file or the user says elsewhere that it is a current.
fn lone_candidate(
    table: &Table,
    columns: &[Column],
    clock: &[usize],
    options: &ReadOptions,
) -> Option<(usize, String)> {
    let unknown: Vec<&Column> = columns
        .iter()
        .filter(|c| {
            !clock.contains(&c.place)
                && c.numeric()
                && !is_sparse(table, c)
                && c.unit.is_none()
                && !c.other_cell_unit
                && !is_counter(c)
        })
        .filter(|c| !c.words().iter().any(|w| OTHER_WORDS.contains(&w.as_str())))
        .collect();
    // A preamble line that explains a column by its name: `CH3 = pump current, mA`.
    for column in &unknown {
        if let Some(line) = preamble_line_for(table, column)
            && (says_current(line)
                || unit_in_header(line).is_some_and(|(u, _)| u.current().is_some()))
        {
            return Some((
                column.place,
                format!("a line before the table explains it: \"{}\"", shown(line.trim())),
            ));
        }
    }
    let mean = mean_among_extremes(&unknown);
    let unknown: Vec<&Column> =
        unknown.into_iter().filter(|c| mean.is_none_or(|place| c.place == place)).collect();
    let [only] = unknown.as_slice() else {
        let vague: Vec<&&Column> = unknown
            .iter()
            .filter(|c| {
                c.words().iter().any(|w| is_vague(w.trim_end_matches(|c: char| c.is_ascii_digit())))
            })
            .collect();
        return match vague.as_slice() {
            [only] if preamble_unit(table).is_some() || options.unit.is_some() => Some((
                only.place,
                "the only column of readings, and the unit given is a current's".to_owned(),
            )),
            _ => None,
        };
    };
    if options.unit.is_some() {
        return Some((
            only.place,
            "the only column of numbers besides the clock, and --unit says it is a current"
                .to_owned(),
        ));
    }
    if let Some((_, _, line)) = preamble_unit(table) {
        return Some((
            only.place,
            format!(
                "the only column of numbers besides the clock, and a line before the table says current: \"{line}\""
            ),
        ));
    }
    if table.preamble.iter().any(|line| says_current(line) && !says_voltage(line)) {
        return Some((only.place, "the only column of numbers besides the clock, and the lines before the table speak of current".to_owned()));
    }
    None
}

/// 1, 2, 3, …: a row number.
pub(super) fn is_counter(column: &Column) -> bool {
    column.integers
        && column.rising
        && column.numbers > 2
        && (column.high - column.low - (column.numbers as f64 - 1.0)).abs() < 0.5
        && column.first.is_some_and(|f| f == 0.0 || f == 1.0)
}

/// Most rows have no number there: a preamble beside the first rows.
pub(super) fn is_sparse(table: &Table, column: &Column) -> bool {
    column.numbers * 4 < table.sample.len()
}

/// Nothing is a current: every column of numbers with its range.
fn no_current(file: &str, table: &Table, columns: &[Column], clock: &[usize]) -> InputFault {
    let list: Vec<String> = columns
        .iter()
        .filter(|c| c.numeric())
        .take(12)
        .map(|c| {
            let role = if clock.contains(&c.place) { ", the clock" } else { "" };
            format!("{} `{}` ({}{role})", c.place + 1, c.title(), c.range())
        })
        .collect();
    let readings = columns.iter().filter(|c| c.numeric() && !clock.contains(&c.place)).count();
    let (found, advice) = if readings == 0 {
        (
            "no column of readings was found".to_owned(),
            "give the file as the meter exported it: one row a reading, with a column of numbers"
                .to_owned(),
        )
    } else {
        (
            format!(
                "nothing says which column is a current; the columns of numbers are {}",
                list.join(", ")
            ),
            "if one of them is, name it with --current-column and its unit with --unit (A, mA, µA)"
                .to_owned(),
        )
    };
    let mut fault = InputFault::of_file(file, found, advice);
    fault.place.line = table.header_line.or(Some(table.first_line));
    fault
}
