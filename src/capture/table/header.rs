//! The header above a table's first row: names, groups of names, units.

use super::super::claim::says_current;
use super::super::clock::TIME_WORDS;
use super::super::dialect::{Delimiter, Dialect};
use super::super::interval::interval_of;
use super::super::stamp::stamp;
use super::super::units::{counted_unit, unit_in_header, unit_of, words_of};
use super::{CELLS, Kind, kind};

#[derive(Default)]
pub(super) struct Head {
    /// Cells of the bottom row as written.
    pub(super) width: usize,
    pub(super) rows: Vec<Vec<String>>,
    pub(super) first_at: Option<usize>,
    pub(super) text: Vec<u8>,
}

/// The header stack right above line `first`.
pub(super) fn header(
    lines: &[(usize, &[u8])],
    first: usize,
    dialect: Dialect,
    width: usize,
    widest: usize,
    row: &[Vec<u8>],
) -> Head {
    let mut head = Head::default();
    let mut named = false;
    let mut nested = false;
    let mut at = first;
    while at > 0 && head.rows.len() < 4 {
        at -= 1;
        let line = lines[at].1;
        if line.trim_ascii().is_empty() || is_rule(line) {
            if head.rows.is_empty() && first - at <= 4 {
                continue;
            }
            break;
        }
        let Some((mut cells, written)) =
            header_cells(line, dialect, width, widest, row, !head.rows.is_empty())
        else {
            // A remark between the header and its rows.
            if head.rows.is_empty() && first - at <= 4 && is_remark(line) {
                continue;
            }
            // Rows of the levels above, where the table's own are set in.
            if head.rows.is_empty() && first - at <= 4 && is_set_in(row) {
                nested = true;
                continue;
            }
            break;
        };
        let filled = |cell: &Vec<u8>| !cell.is_empty();
        if nested && !cells.iter().map(|c| !c.is_empty()).eq(row.iter().map(filled)) {
            break;
        }
        let above = || {
            let above = lines.get(at.checked_sub(1)?)?.1;
            header_cells(above, dialect, width, widest, row, true).map(|(cells, _)| cells)
        };
        if head.rows.is_empty() && is_type_row(&cells) && above().is_some_and(|a| !is_type_row(&a))
        {
            continue;
        }
        // `Unit | V | A` above the names.
        if named && is_unit_label(&cells[0]) && is_units_row(&cells[1..]) {
            cells[0].clear();
        }
        let units = is_units_row(&cells)
            || !named && is_kind_row(&cells)
            || !named && above().is_some_and(|above| is_partly_units(&cells, &above));
        if named && !units && !is_group_row(&cells, &head.rows[0]) {
            break;
        }
        if head.rows.is_empty() {
            head.text = line.to_vec();
            head.width = written;
        }
        named |= !units;
        head.rows.insert(0, cells);
        head.first_at = Some(at);
        if nested {
            break;
        }
    }
    head
}

/// The row's first cells are blank: it belongs to a row above.
fn is_set_in(row: &[Vec<u8>]) -> bool {
    row.len() > 2 && row[0].is_empty() && row.iter().filter(|cell| !cell.is_empty()).count() > 1
}

fn is_remark(line: &[u8]) -> bool {
    matches!(line.trim_ascii_start(), [b'#' | b'%', ..] | [b'/', b'/', ..])
}

/// A line of dashes or equals signs under a header.
fn is_rule(line: &[u8]) -> bool {
    line.len() > 2
        && line
            .iter()
            .all(|b| matches!(b, b'-' | b'=' | b'+' | b'|' | b'_' | b'*' | b'#' | b' ' | b'\t'))
}

/// The cells of a line that may be a header of `width` columns.
fn header_cells(
    line: &[u8],
    dialect: Dialect,
    width: usize,
    widest: usize,
    row: &[Vec<u8>],
    over_units: bool,
) -> Option<(Vec<String>, usize)> {
    let plain = dialect.unwrap(line);
    let bare = strip_comment(&plain, dialect.delimiter);
    if width == 1 && is_about_sampling(&String::from_utf8_lossy(bare)) {
        return None;
    }
    let mut slices = Vec::new();
    dialect.split(bare, CELLS, &mut slices);
    let mut cells: Vec<String> = slices.iter().map(|c| tidy(c)).collect();
    if !over_units && is_about_a_unit(&cells) {
        return None;
    }
    // `#fields` is what the line is, not a name.
    let is_time =
        |c: &String| words_of(c).iter().any(|w| TIME_WORDS.contains(&w.to_lowercase().as_str()));
    if cells.len() == width + 1
        && cells.last().is_some_and(|c| !c.is_empty())
        && !cells.first().is_some_and(is_time)
        && matches!(
            plain.trim_ascii_start(),
            [b'#' | b'%' | b'@' | b'$', b'a'..=b'z' | b'A'..=b'Z', ..]
        )
    {
        cells.remove(0);
    }
    let mut names = None;
    if dialect.delimiter == Delimiter::Blanks && cells.len() != width {
        let (merged, written) = blank_header(&String::from_utf8_lossy(bare), width, row)?;
        (cells, names) = (merged, Some(written));
    }
    while cells.len() > width && cells.last().is_some_and(String::is_empty) {
        cells.pop();
    }
    if cells.len() < width {
        widen(&mut cells, width, row);
    }
    let filled = cells.iter().filter(|c| !c.is_empty()).count();
    let texts = cells
        .iter()
        .filter(|c| kind(c.as_bytes()) == Kind::Text || unit_of(c).is_some() || c.contains('�'))
        .count();
    // Cells beyond the names may give the interval.
    let says_interval = cells.len() > width && {
        let extra = cells[width..].join(" ").to_lowercase();
        ["interval", "rate", "period", "dt"].iter().any(|word| extra.contains(word))
    };
    // `10 mA` beside `hh:mm:ss` is a unit that counts.
    let counts = |c: &String| counted_unit(&format!("({c})")).is_some();
    let under_format = cells.iter().any(|c| is_format_word(c));
    let is_number =
        |c: &&String| kind(c.as_bytes()) == Kind::Number && !(under_format && counts(c));
    let numbers = cells.iter().filter(is_number).count();
    if width <= 2 && numbers > 0 && !over_units && !says_interval {
        return None;
    }
    let wide_enough = if width <= 2 {
        cells.len() == width || (cells.len() > width && (cells.len() <= widest || says_interval))
    } else {
        cells.len() * 2 > width && cells.len() <= width + 2
    };
    // A name is no number with a fraction, where the rows have numbers too.
    let fraction = |(name, cell): (&String, &Vec<u8>)| {
        name.contains(['.', ','])
            && name
                .bytes()
                .all(|b| matches!(b, b'0'..=b'9' | b'.' | b',' | b'+' | b'-' | b'e' | b'E'))
            && kind(name.as_bytes()) == Kind::Number
            && kind(cell) == Kind::Number
    };
    if cells.iter().zip(row).any(fraction) {
        return None;
    }
    // A units row may hold a single unit.
    let lonely = width > 2 && filled < 2 && !is_units_row(&cells);
    if !wide_enough || texts == 0 || texts * 2 < filled || lonely {
        return None;
    }
    let written = names.unwrap_or(cells.len());
    cells.resize(width, String::new());
    Some((cells, written))
}

/// `Horizontal Units, s`: says which unit something has, and names no column.
fn is_about_a_unit(cells: &[String]) -> bool {
    let [label, unit] = cells else { return false };
    let words = words_of(label);
    let [.., _, last] = words.as_slice() else { return false };
    is_unit_label(last) && unit_of(unit).is_some()
}

/// `sampled every 0.5 seconds`: says how often and not what.
fn is_about_sampling(line: &str) -> bool {
    let other = matches!(unit_in_header(line), Some((unit, _)) if unit.current().is_some());
    interval_of(line).is_some() && !other && !says_current(line)
}

/// The line without its comment mark; leading tabs are cells and stay.
fn strip_comment(line: &[u8], delimiter: Delimiter) -> &[u8] {
    match line.trim_ascii_start() {
        [b'#' | b'%' | b'!' | b'*', rest @ ..] => {
            rest.strip_prefix(b"#").unwrap_or(rest).trim_ascii_start()
        }
        [b'/', b'/', rest @ ..] => rest.trim_ascii_start(),
        [b';', rest @ ..] if delimiter != Delimiter::Semicolon => rest.trim_ascii_start(),
        _ => line,
    }
}

/// Words of a blank-separated header put together to `width` names, with how many there were.
fn blank_header(line: &str, width: usize, row: &[Vec<u8>]) -> Option<(Vec<String>, usize)> {
    let wide: Vec<String> = line
        .trim()
        .split("  ")
        .flat_map(|p| p.split('\t'))
        .map(|p| p.trim().to_owned())
        .filter(|p| !p.is_empty())
        .collect();
    if wide.len() == width {
        return Some((wide, width));
    }
    let mut merged: Vec<String> = Vec::new();
    for word in line.split_whitespace() {
        match merged.last_mut() {
            Some(last)
                if word.starts_with(['(', '[', '/'])
                    || (last.contains('(') && !last.contains(')'))
                    || (last.contains('[') && !last.contains(']')) =>
            {
                last.push(' ');
                last.push_str(word);
            }
            _ => merged.push(word.to_owned()),
        }
    }
    // Date and time fall apart at their blank, their title does not.
    if merged.len() + 1 == width
        && row.len() >= 2
        && kind(&row[0]) == Kind::Time
        && kind(&row[1]) == Kind::Time
    {
        merged.insert(0, merged[0].clone());
    }
    // Beside titles in quotes, one too few, the first column holds the names of the rows.
    if merged.len() + 1 == width && merged.iter().all(|name| name.starts_with('"')) {
        merged.insert(0, String::new());
        for name in &mut merged {
            *name = name.trim_matches('"').to_owned();
        }
    }
    let written = merged.len();
    (written <= width + 1).then(|| {
        merged.resize(width, String::new());
        (merged, written)
    })
}

/// Names for columns that the header has no cell of its own for: two in one cell for want of a delimiter
/// (`I max (A) I min (A)`), and the time of day that a delimiter after the date set apart (`14/03/2026, 21:15:00`).
fn widen(cells: &mut Vec<String>, width: usize, row: &[Vec<u8>]) {
    let two = |cell: &String| {
        let at = cell.find(") ")? + 1;
        let rest = cell[at..].trim_start();
        (rest.contains('(') && rest.ends_with(')') && !rest.starts_with('(')).then_some(at)
    };
    if cells.len() + 1 == width
        && let Some((place, at)) = cells.iter().enumerate().find_map(|(i, c)| Some((i, two(c)?)))
    {
        let rest = cells[place].split_off(at);
        cells.insert(place + 1, rest.trim().to_owned());
    }
    let of = |cell: Option<&Vec<u8>>| cell.and_then(|cell| stamp(cell));
    if cells.len() + 1 == width
        && row.last().is_some_and(|cell| !cell.is_empty())
        && let Some(date) = (0..row.len()).find(|&i| {
            of(row.get(i)).is_some_and(|s| s.date.is_some() && s.second.is_none())
                && of(row.get(i + 1)).is_some_and(|s| s.date.is_none() && s.second.is_some())
        })
        && cells.get(date + 1).is_none_or(|next| {
            !words_of(next).iter().any(|w| TIME_WORDS.contains(&w.to_lowercase().as_str()))
        })
        && date < cells.len()
    {
        cells.insert(date + 1, cells[date].clone());
    }
}

fn tidy(cell: &[u8]) -> String {
    let text = String::from_utf8_lossy(cell);
    let flat: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    flat.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn is_units_row(cells: &[String]) -> bool {
    let units = cells.iter().filter(|c| unit_of(c).is_some()).count();
    // `[UTC]` under a time: what stands in brackets is no name.
    let bracketed = cells.iter().any(|c| {
        is_format_word(c) && (c.starts_with(['[', '(']) || c.to_ascii_lowercase().contains("h:mm"))
    });
    let plain = cells
        .iter()
        .filter(|c| {
            c.is_empty()
                || unit_of(c).is_some()
                || matches!(c.trim(), "-" | "--" | "n/a")
                || is_format_word(c)
        })
        .count();
    (units > 0 || bracketed) && plain == cells.len()
}

fn is_unit_label(cell: &str) -> bool {
    matches!(
        cell.trim_end_matches(':').to_lowercase().as_str(),
        "unit" | "units" | "einheit" | "einheiten" | "unité" | "unités" | "unidad" | "unidades"
    )
}

/// A row under the names that says of what type the cells are (`time | double | string`).
fn is_type_row(cells: &[String]) -> bool {
    let typed = |c: &str| {
        matches!(
            c,
            "double"
                | "float"
                | "real"
                | "int"
                | "integer"
                | "long"
                | "string"
                | "bool"
                | "numeric"
        )
    };
    let lower: Vec<String> = cells.iter().map(|c| c.to_lowercase()).collect();
    lower.iter().any(|c| typed(c))
        && lower.iter().all(|c| {
            typed(c)
                || matches!(
                    c.as_str(),
                    "" | "time" | "date" | "datetime" | "text" | "count" | "enum" | "interval"
                )
        })
}

/// A row under the units that says what became of the readings (`Avg`, `Smp`, `Max`).
fn is_kind_row(cells: &[String]) -> bool {
    let mut filled = cells.iter().filter(|c| !c.is_empty()).peekable();
    filled.peek().is_some()
        && filled.all(|c| {
            matches!(
                c.to_lowercase().as_str(),
                "avg"
                    | "average"
                    | "mean"
                    | "smp"
                    | "sample"
                    | "min"
                    | "max"
                    | "std"
                    | "tot"
                    | "total"
                    | "inst"
                    | "instant"
                    | "raw"
                    | "calc"
                    | "rms"
                    | "-"
                    | "--"
            )
        })
}

/// Units with a word or two of another kind between them (`TS | RN | Volts | Amps`), under a row that names every
/// column.
fn is_partly_units(cells: &[String], above: &[String]) -> bool {
    let filled = cells.iter().filter(|c| !c.is_empty()).count();
    let units = cells.iter().filter(|c| unit_of(c).is_some()).count();
    let names = above.iter().filter(|c| {
        !c.is_empty()
            && !c.ends_with(':')
            && unit_of(c).is_none()
            && kind(c.as_bytes()) == Kind::Text
    });
    let mut names: Vec<&String> = names.collect();
    names.sort();
    names.dedup();
    units > 0 && units * 2 >= filled && cells.len() > 2 && names.len() == cells.len()
}

/// What a units row says under a date or a text column.
fn is_format_word(cell: &str) -> bool {
    let lower = cell.trim_matches(['(', ')', '[', ']']).to_ascii_lowercase();
    lower.contains("h:mm")
        || lower.contains("yyyy")
        || lower.contains("dd") && lower.contains("mm")
        || matches!(
            lower.as_str(),
            "text" | "date" | "time" | "string" | "datetime" | "iso" | "none" | "utc" | "local"
        )
}

/// A row above the names that groups them (`battery | battery | solar`, with blanks, or channel labels over units).
fn is_group_row(cells: &[String], below: &[String]) -> bool {
    if cells.len() < 3 || cells.iter().any(|c| c.ends_with(':')) {
        return false;
    }
    let mut names: Vec<&String> = below.iter().filter(|c| !c.is_empty()).collect();
    let filled = names.len();
    names.sort();
    names.dedup();
    names.len() < filled || filled < below.len()
}
