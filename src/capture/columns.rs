//! What each column is: name, unit, decimal mark, range.

use super::cell::{
    Mark, Reading, is_missing, number, number_prefix, reading, timelike, unit_suffix,
};
use super::claim::{MEAN_WORDS, READING_WORDS};
use super::clock::TIME_WORDS;
use super::options::CurrentUnit;
use super::stamp::{compact, stamp};
use super::table::Table;
use super::units::{Standing, Unit, says_ac, unit_in_header, unit_of, words_of};

/// A column of the sample rows.
#[derive(Debug, Clone)]
pub(super) struct Column {
    /// Place, the first being 0.
    pub(super) place: usize,
    /// Header texts joined, top first; empty without a header.
    pub(super) name: String,
    /// Unit by header or units row.
    pub(super) unit: Option<(Unit, Standing)>,
    pub(super) mark: Mark,
    /// Every marked cell could be read with either mark.
    pub(super) mark_doubtful: bool,
    /// Every number seen, and every other column, leaves it open whether the mark groups thousands.
    pub(super) mark_open: bool,
    pub(super) numbers: usize,
    pub(super) overloads: usize,
    pub(super) times: usize,
    pub(super) texts: usize,
    pub(super) low: f64,
    pub(super) high: f64,
    /// No number is below the one before.
    pub(super) rising: bool,
    /// Some number is above the one before.
    pub(super) rises: bool,
    pub(super) falling: bool,
    /// Every number is above the one before by the same.
    pub(super) even_steps: bool,
    pub(super) integers: bool,
    /// Units that stand in the cells themselves.
    pub(super) cell_units: Vec<CurrentUnit>,
    /// Cells carry a unit that is not of current.
    pub(super) other_cell_unit: bool,
    pub(super) first: Option<f64>,
}

impl Column {
    /// Name for messages.
    pub(super) fn title(&self) -> String {
        if self.name.is_empty() { format!("column {}", self.place + 1) } else { shown(&self.name) }
    }

    /// `--option` value that names the column.
    pub(super) fn handle(&self, columns: &[Column]) -> String {
        let unique =
            columns.iter().filter(|c| c.name.eq_ignore_ascii_case(&self.name)).count() == 1;
        if self.name.is_empty()
            || !unique
            || self.name.chars().any(|c| c.is_control() || c == '\u{fffd}' || c == '"')
        {
            (self.place + 1).to_string()
        } else {
            format!("\"{}\"", self.name)
        }
    }

    pub(super) fn numeric(&self) -> bool {
        let odd = self.texts + self.times;
        self.numbers + self.overloads > 0 && (self.numbers + self.overloads) >= odd * 4
    }

    pub(super) fn range(&self) -> String {
        if self.numbers == 0 {
            "no number".to_owned()
        } else {
            format!("{} to {}", self.low, self.high)
        }
    }

    pub(super) fn words(&self) -> Vec<String> {
        words_of(&self.name).iter().map(|w| w.to_lowercase()).collect()
    }
}

/// Text of a file made fit for a message: control characters shown, length bounded.
pub(super) fn shown(text: &str) -> String {
    let mut out = String::new();
    for c in text.chars().take(60) {
        if c.is_control() || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}') {
            out.extend(c.escape_default());
        } else {
            out.push(c);
        }
    }
    if text.chars().nth(60).is_some() {
        out.push('…');
    }
    out
}

/// Describes every column of `table`; `told` is the decimal mark that the user gave.
pub(super) fn describe(table: &Table, told: Option<Mark>) -> Vec<Column> {
    let votes: Vec<Votes> = (0..table.width.min(4096)).map(|place| votes(table, place)).collect();
    let file_mark = file_mark(&votes);
    let mut columns: Vec<Column> = votes
        .iter()
        .enumerate()
        .map(|(place, votes)| column(table, place, mark_of(*votes, file_mark, told)))
        .collect();
    units_in_front(&mut columns);
    small_units(&mut columns);
    columns
}

/// Words of leads and supplies, which have a current and a voltage.
const LEAD_WORDS: &[&str] = &[
    "bat", "batt", "battery", "akku", "load", "solar", "pv", "panel", "supply", "pack", "bus",
    "pump", "motor", "charger", "input", "output", "in", "out", "main", "rail",
];

/// `batt_a` beside `batt_v`: units in small letters after the name of a lead.
fn small_units(columns: &mut [Column]) {
    let stem = |c: &Column, end: &str| -> Option<String> {
        let stem = c.name.strip_suffix(end).filter(|_| c.unit.is_none())?;
        let lead = |word: &str| LEAD_WORDS.contains(&word.to_lowercase().as_str());
        words_of(stem).last().is_some_and(|word| lead(word)).then(|| stem.to_owned())
    };
    let volts: Vec<String> = columns.iter().take(256).filter_map(|c| stem(c, "_v")).collect();
    for column in columns.iter_mut().take(256) {
        if stem(column, "_a").is_some_and(|name| volts.contains(&name)) {
            let unit = Unit::Current { unit: CurrentUnit::Ampere, ac: false };
            column.unit = Some((unit, Standing::Suffix));
        }
    }
}

/// `V-L1`, `A-L1`, `W-L1`: units before one name, where those of current and voltage stand side by side.
fn units_in_front(columns: &mut [Column]) {
    let split = |c: &Column| -> Option<(Unit, String)> {
        let (unit, rest) = c.name.split_once(['-', '_', ' ', '.'])?;
        (c.unit.is_none() && !rest.is_empty()).then(|| Some((unit_of(unit)?, rest.to_owned())))?
    };
    // A file of very many columns is not of this kind.
    let found: Vec<Option<(Unit, String)>> = columns.iter().take(256).map(split).collect();
    let volts: Vec<&String> = found
        .iter()
        .flatten()
        .filter(|(unit, _)| matches!(unit, Unit::Voltage { .. }))
        .map(|(_, rest)| rest)
        .collect();
    for (column, found) in columns.iter_mut().zip(&found) {
        if let Some((unit, rest)) = found
            && volts.contains(&rest)
        {
            column.unit = Some((*unit, Standing::Suffix));
        }
    }
}

/// Votes for one mark or the other among the cells of a column.
#[derive(Debug, Default, Clone, Copy)]
struct Votes {
    point: usize,
    comma: usize,
    /// Could be read with a point as thousands or decimal mark.
    either_point: usize,
    either_comma: usize,
    /// Whole numbers of at most three digits without any mark.
    small_plain: usize,
}

fn votes(table: &Table, place: usize) -> Votes {
    let mut votes = Votes::default();
    for row in &table.sample {
        let Some(cell) = row.get(place).filter(|cell| !timelike(cell)) else { continue };
        let whole = |mark| {
            number_prefix(cell, mark)
                .filter(|(_, rest)| rest.is_empty() || unit_suffix(rest).is_some())
                .map(|(value, _)| value)
        };
        match (whole(Mark::Point), whole(Mark::Comma)) {
            (Some(_), None) => votes.point += 1,
            (None, Some(_)) => votes.comma += 1,
            (Some(a), Some(b)) if a != b => {
                if cell.contains(&b'.') {
                    votes.either_point += 1;
                } else {
                    votes.either_comma += 1;
                }
            }
            (Some(a), Some(_)) if a.abs() < 1000.0 => votes.small_plain += 1,
            _ => {}
        }
    }
    votes
}

/// The mark that the columns with a clear answer agree on.
fn file_mark(votes: &[Votes]) -> Option<Mark> {
    let (mut point, mut comma) = (0, 0);
    for votes in votes {
        point += usize::from(votes.point > votes.comma);
        comma += usize::from(votes.comma > votes.point);
    }
    match (point, comma) {
        (0, 0) => None,
        (p, c) if c > p => Some(Mark::Comma),
        _ => Some(Mark::Point),
    }
}

/// How sure a column's decimal mark is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum MarkIs {
    Certain,
    /// It is the common one, and nothing speaks for it.
    Open,
    Doubtful,
}

/// The column's decimal mark and how sure it is.
fn mark_of(votes: Votes, file: Option<Mark>, told: Option<Mark>) -> (Mark, MarkIs) {
    let barred = |mark| match mark {
        Mark::Point => votes.comma > votes.point,
        Mark::Comma => votes.point > votes.comma,
    };
    if let Some(mark) = told.filter(|mark| !barred(*mark)) {
        return (mark, MarkIs::Certain);
    }
    if votes.comma > votes.point {
        return (Mark::Comma, MarkIs::Certain);
    }
    if votes.point > 0 {
        return (Mark::Point, MarkIs::Certain);
    }
    if votes.either_comma > 0 {
        // `1,234` throughout: with whole numbers below 1000 beside it the comma groups thousands.
        let guess = match file {
            Some(mark) => mark,
            None if votes.small_plain > 0 => Mark::Point,
            None => Mark::Comma,
        };
        return (guess, MarkIs::Doubtful);
    }
    if votes.either_point > 0 {
        // A writer of three decimals writes them everywhere, a whole number included.
        return match file {
            Some(Mark::Comma) => (Mark::Comma, MarkIs::Doubtful),
            None if votes.small_plain > 0 => (Mark::Comma, MarkIs::Doubtful),
            None => (Mark::Point, MarkIs::Open),
            Some(Mark::Point) => (Mark::Point, MarkIs::Certain),
        };
    }
    (file.unwrap_or(Mark::Point), MarkIs::Certain)
}

fn column(table: &Table, place: usize, (mark, mark_is): (Mark, MarkIs)) -> Column {
    let titles: Vec<&str> =
        table.header.iter().map(|row| row[place].as_str()).filter(|t| !t.is_empty()).collect();
    let name = name_of(&titles);
    let mut out = Column {
        place,
        unit: unit_from(&titles).map(|unit| with_coupling(unit, &name)),
        name,
        mark,
        mark_doubtful: mark_is == MarkIs::Doubtful,
        mark_open: mark_is == MarkIs::Open,
        numbers: 0,
        overloads: 0,
        times: 0,
        texts: 0,
        low: f64::INFINITY,
        high: f64::NEG_INFINITY,
        rising: true,
        rises: false,
        falling: true,
        even_steps: false,
        integers: true,
        cell_units: Vec::new(),
        other_cell_unit: false,
        first: None,
    };
    let mut before = None;
    let mut minutes = 0;
    let mut steps: Option<(f64, f64)> = None;
    for row in &table.sample {
        let Some(cell) = row.get(place) else { continue };
        if minutes_or_metres(cell, mark) {
            minutes += 1;
        } else {
            let last: Option<f64> = before;
            tally(cell, mark, &mut before, &mut out);
            if let (Some(last), Some(now)) = (last, before) {
                let (low, high) = steps.unwrap_or((f64::INFINITY, f64::NEG_INFINITY));
                steps = Some((low.min(now - last), high.max(now - last)));
            }
        }
    }
    out.even_steps = steps.is_some_and(|(low, high)| low > 0.0 && high - low <= 1e-6 * high);
    if minutes > 0 {
        let timed = out.words().iter().any(|word| TIME_WORDS.contains(&word.as_str()));
        if timed || out.times > 0 {
            out.times += minutes;
        } else {
            out.texts += minutes;
            out.other_cell_unit = true;
        }
    }
    out
}

/// `118m`: a time where the column is one.
fn minutes_or_metres(cell: &[u8], mark: Mark) -> bool {
    cell.ends_with(b"m")
        && number_prefix(cell, mark).is_some_and(|(_, rest)| rest.trim_ascii() == b"m")
}

fn tally(cell: &[u8], mark: Mark, before: &mut Option<f64>, out: &mut Column) {
    if compact(cell).is_some() {
        out.times += 1;
        return;
    }
    if timelike(cell) {
        if stamp(cell).is_some() {
            out.times += 1;
        } else {
            out.texts += 1;
        }
        return;
    }
    match reading(cell, mark) {
        Reading::Value(value, unit) => {
            out.numbers += 1;
            out.low = out.low.min(value);
            out.high = out.high.max(value);
            out.integers &= value.fract() == 0.0;
            out.first = out.first.or(Some(value));
            if let Some(before) = *before {
                out.rising &= value >= before;
                out.rises |= value > before;
                out.falling &= value <= before;
            }
            *before = Some(value);
            if let Some(unit) = unit
                && !out.cell_units.contains(&unit)
            {
                out.cell_units.push(unit);
            }
        }
        Reading::Missing => {}
        Reading::Overload => out.overloads += 1,
        Reading::Text => {
            let unit = number_prefix(cell, mark).and_then(|(_, rest)| unit_suffix(rest));
            if matches!(unit, Some(Unit::Time { .. })) && stamp(cell).is_some() {
                out.times += 1;
            } else if unit.is_some() {
                out.other_cell_unit = true;
                out.texts += 1;
            } else if stamp(cell).is_some() {
                out.times += 1;
            } else if !is_missing(cell) {
                out.texts += 1;
            }
        }
    }
}

/// Names of the stack put together, a units row left out.
fn name_of(titles: &[&str]) -> String {
    let mut parts: Vec<&str> = Vec::new();
    for title in titles {
        let is_unit = unit_of(title).is_some();
        let unit_row = is_unit && titles.len() > 1;
        if !unit_row && !parts.contains(title) {
            parts.push(title);
        }
    }
    if parts.is_empty() {
        // `Min` over `A`: the upper is a name, whatever else it is short for.
        titles.first().map(|t| (*t).to_owned()).unwrap_or_default()
    } else {
        parts.join(" ")
    }
}

/// The unit of a stack: a cell that is nothing but a unit goes before one inside a name.
fn unit_from(titles: &[&str]) -> Option<(Unit, Standing)> {
    if titles.len() > 1
        && let Some(unit) = titles.iter().rev().find_map(|t| unit_of(t))
    {
        return Some((unit, Standing::Written));
    }
    titles.iter().rev().find_map(|title| unit_in_header(title))
}

/// A unit of its own row does not say what its name says: alternating.
fn with_coupling((unit, standing): (Unit, Standing), name: &str) -> (Unit, Standing) {
    match unit {
        Unit::Current { unit, ac } => (Unit::Current { unit, ac: ac || says_ac(name) }, standing),
        other => (other, standing),
    }
}

/// The column of text whose cells are units of current, one a row: beside `place`, or anywhere when `place` is the
/// only column that goes by a reading's name.
pub(super) fn unit_column(
    table: &Table,
    columns: &[Column],
    place: usize,
) -> Option<(usize, Vec<CurrentUnit>)> {
    let named = |c: &Column, words: &[&str]| {
        c.numeric() && c.unit.is_none() && c.words().iter().any(|w| words.contains(&w.as_str()))
    };
    // Two of a kind are found early, so that very many columns cost no more.
    let lone = |words: &[&str]| {
        columns.get(place).is_some_and(|c| named(c, words))
            && columns.iter().filter(|c| named(c, words)).nth(1).is_none()
    };
    // The mean beside its extremes where no column is named a reading.
    let only =
        lone(READING_WORDS) || lone(MEAN_WORDS) && !columns.iter().any(|c| named(c, READING_WORDS));
    let far = if only { 0..columns.len() } else { 0..0 };
    for beside in [place + 1, place.wrapping_sub(1)].into_iter().chain(far) {
        let Some(column) = columns.get(beside) else { continue };
        if column.numbers > 0 || column.texts == 0 {
            continue;
        }
        let mut units = Vec::new();
        let mut others = 0;
        let mut seen = 0;
        for row in &table.sample {
            let Some(cell) = row.get(beside).filter(|c| !c.is_empty()) else { continue };
            seen += 1;
            match cell_unit(cell) {
                Some(unit) if !units.contains(&unit) => units.push(unit),
                Some(_) => {}
                None => others += 1,
            }
        }
        if !units.is_empty() && others * 10 <= seen {
            return Some((beside, units));
        }
    }
    None
}

/// A cell that is a unit of current.
pub(super) fn cell_unit(cell: &[u8]) -> Option<CurrentUnit> {
    unit_suffix(cell).and_then(Unit::current)
}

/// A cell as a number in the column's mark.
pub(super) fn value_at(row: &[Vec<u8>], column: &Column) -> Option<f64> {
    number(row.get(column.place)?, column.mark)
}
