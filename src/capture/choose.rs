//! Which column is the current, and in which unit.

use super::columns::{Column, shown, unit_column, value_at};
use super::options::{ColumnChoice, CurrentUnit, ReadOptions};
use super::table::Table;
use super::units::{Standing, Unit, unit_in_header, unit_of, words_of};
use crate::fault::InputFault;
use crate::findings::{Caution, Decision};

/// Where the unit of a reading stands.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum UnitPlace {
    /// One unit for the whole column.
    Column(CurrentUnit),
    /// In the cells; the given one where a cell has none.
    Cells(Option<CurrentUnit>),
    /// In the column beside.
    Beside(usize),
}

/// The current column.
#[derive(Debug, Clone)]
pub(super) struct Chosen {
    pub(super) place: usize,
    pub(super) unit: UnitPlace,
    /// Symbol for the findings.
    pub(super) symbol: String,
    pub(super) ac: bool,
    /// In the long layout: the column of channel names and the name to keep.
    pub(super) channel: Option<(usize, Vec<u8>)>,
}

/// Words that name a current in the languages exports come in.
const CURRENT_WORDS: &[&str] = &[
    "current",
    "currents",
    "curr",
    "cur",
    "crnt",
    "amperage",
    "amps",
    "amp",
    "ampere",
    "amperes",
    "strom",
    "stromstärke",
    "stromst",
    "stromstaerke",
    "corriente",
    "intensidad",
    "courant",
    "intensité",
    "intensite",
    "corrente",
    "intensità",
    "stroom",
    "ström",
    "strøm",
    "prąd",
    "prad",
    "proud",
    "virta",
    "áram",
    "akım",
    "akim",
    "curent",
    "ток",
    "电流",
    "電流",
    "전류",
    "batteriestrom",
    "laststrom",
    "ladestrom",
    "entladestrom",
    "ibat",
    "ibatt",
    "iload",
    "iin",
    "iout",
    "isolar",
    "ipump",
    "isys",
    "idc",
    "imeas",
    "iavg",
    "imon",
    "dci",
    "milliamps",
    "milliamp",
    "microamps",
    "mamps",
];
const CURRENT_STEMS: &[&str] =
    &["current", "strom", "corriente", "courant", "corrente", "stroom", "amperage"];

/// Words that say a column is something else, or about the current but not it.
const OTHER_WORDS: &[&str] = &[
    "voltage",
    "volt",
    "volts",
    "spannung",
    "tension",
    "tensión",
    "voltaje",
    "tensione",
    "spanning",
    "power",
    "leistung",
    "puissance",
    "potencia",
    "watt",
    "watts",
    "temp",
    "temperature",
    "temperatur",
    "capacity",
    "charge",
    "energy",
    "energie",
    "soc",
    "humidity",
    "pressure",
    "index",
    "status",
    "state",
    "mode",
    "range",
    "flags",
    "flag",
    "time",
    "date",
    "step",
    "cycle",
    "sample#",
    "resistance",
    "widerstand",
    "frequency",
    "speed",
    "rssi",
    "resistivity",
    "ah",
    "mah",
    "wh",
    "id",
    "row",
    "record",
    "stream",
    "job",
    "user",
    "version",
    "density",
];

/// Words of a figure made from readings, or set, not read.
const DERIVED_WORDS: &[&str] = &[
    "max",
    "maximum",
    "min",
    "minimum",
    "peak",
    "avg",
    "average",
    "mean",
    "limit",
    "set",
    "setpoint",
    "target",
    "ref",
    "reference",
    "sollwert",
    "offset",
    "zero",
    "std",
    "stdev",
    "sd",
    "error",
    "accuracy",
    "total",
    "sum",
    "ripple",
    "nominal",
    "threshold",
    "programmed",
];

const BATTERY_WORDS: &[&str] = &[
    "battery",
    "batt",
    "bat",
    "batterie",
    "batería",
    "bateria",
    "akku",
    "accu",
    "ibat",
    "ibatt",
    "batteriestrom",
    "supply",
    "shunt",
];

/// Words that name a reading without saying of what.
const VAGUE_WORDS: &[&str] = &[
    "reading",
    "readings",
    "value",
    "values",
    "sample",
    "samples",
    "measurement",
    "measured",
    "meas",
    "messwert",
    "wert",
    "valeur",
    "valor",
    "valore",
    "lectura",
    "mesure",
    "medida",
    "display",
    "data",
    "result",
    "y",
    "channel",
    "ch",
    "i",
    "probe",
    "sensor",
    "waarde",
];

/// How strongly a column says that it is a current, and why.
struct Claim {
    place: usize,
    score: i32,
    why: String,
}

fn claim(column: &Column, columns: &[Column], beside: bool) -> Option<Claim> {
    if !column.numeric() {
        return None;
    }
    let words = column.words();
    let has = |list: &[&str]| words.iter().any(|w| list.contains(&w.as_str()));
    let named = (has(CURRENT_WORDS)
        || words.iter().any(|w| CURRENT_STEMS.iter().any(|s| w.len() < 24 && w.contains(s)))
        || symbol_name(column, columns))
        && !words.iter().any(|w| {
            matches!(
                w.as_str(),
                "time"
                    | "date"
                    | "step"
                    | "state"
                    | "mode"
                    | "cycle"
                    | "index"
                    | "range"
                    | "id"
                    | "row"
                    | "record"
            )
        });
    let mut why = String::new();
    let mut score = 0;
    match column.unit {
        Some((Unit::Current { .. }, Standing::Written)) if !is_channel_letter(column, columns) => {
            score = 100;
            why = "its header gives a unit of current".to_owned();
        }
        Some((Unit::Current { unit, .. }, Standing::Suffix))
            if named
                || (unit != CurrentUnit::Ampere && !has(OTHER_WORDS))
                || !has_sibling(column, columns)
                    && !has(OTHER_WORDS)
                    && !has(&["phase", "channel", "ch", "input", "port", "line"]) =>
        {
            score = 90;
            why = "its header ends in a unit of current".to_owned();
        }
        Some((Unit::Voltage { .. } | Unit::Power { .. } | Unit::Other | Unit::Time { .. }, _)) => {
            return None;
        }
        _ => {}
    }
    if column.other_cell_unit {
        return None;
    }
    if !column.cell_units.is_empty() {
        score = score.max(100);
        why = "its cells carry a unit of current".to_owned();
    } else if score < 100 && beside && !has(OTHER_WORDS) {
        score = 100;
        why = "the cells beside it are units of current".to_owned();
    }
    if score == 0 && has(OTHER_WORDS) && !named {
        return None;
    }
    if named {
        if score == 0 {
            why = "its header names a current".to_owned();
        }
        score = if score == 0 { 60 } else { score + 5 };
    }
    if score == 0 {
        return None;
    }
    // A mean of readings stands for them better than an extreme or a setting.
    if has(&["avg", "average", "mean"]) {
        score -= 10;
    } else if has(DERIVED_WORDS) {
        score -= 25;
    }
    if has(BATTERY_WORDS) {
        score += 8;
    }
    if matches!(column.unit, Some((Unit::Current { ac: true, .. }, _))) {
        score -= 3;
    }
    if column.numbers == 0 || (column.low == column.high && column.numbers > 3) {
        score -= 4;
    }
    Some(Claim { place: column.place, score, why })
}

/// How strongly a channel's name says that it is a current; `None` when it does not.
pub(super) fn names_current(text: &str) -> Option<i32> {
    let words: Vec<String> = words_of(text).iter().map(|w| w.to_lowercase()).collect();
    let has = |list: &[&str]| words.iter().any(|w| list.contains(&w.as_str()));
    let unit = unit_in_header(text).map(|(u, _)| u);
    let score = match unit {
        Some(Unit::Current { .. }) => 100,
        Some(_) => return None,
        None if has(CURRENT_WORDS)
            || words.iter().any(|w| CURRENT_STEMS.iter().any(|s| w.contains(s))) =>
        {
            60
        }
        None if words.first().is_some_and(|w| w == "i") => 50,
        None => return None,
    };
    let derived = if has(DERIVED_WORDS) { 25 } else { 0 };
    Some(score + if has(BATTERY_WORDS) { 8 } else { 0 } - derived)
}

/// `I`, `I1`, `I_bat`, `I(bat)`: the symbol of the quantity, unless the columns are just lettered.
fn symbol_name(column: &Column, columns: &[Column]) -> bool {
    let mut words = words_of(&column.name).into_iter();
    let Some(first) = words.next() else { return false };
    let symbol = matches!(
        first.as_str(),
        "I" | "i"
            | "Ia"
            | "I1"
            | "I2"
            | "Ib"
            | "Il"
            | "IL"
            | "Ip"
            | "Is"
            | "Ich"
            | "Idd"
            | "IDD"
            | "Icc"
            | "ICC"
            | "IBAT"
            | "Ibat"
            | "Iq"
    );
    let lettered = columns.iter().any(|c| matches!(c.name.trim(), "H" | "J" | "h" | "j"));
    symbol && !lettered
}

/// `A` beside `B` and `C`: letters of channels, not ampere.
fn is_channel_letter(column: &Column, columns: &[Column]) -> bool {
    column.name.trim().eq_ignore_ascii_case("a")
        && columns.iter().any(|c| matches!(c.name.trim(), "B" | "b" | "C" | "c" | "D"))
}

/// `input_A` beside `input_B`.
fn has_sibling(column: &Column, columns: &[Column]) -> bool {
    let Some(stem) = column.name.strip_suffix(['A', 'a']) else { return false };
    columns
        .iter()
        .any(|c| c.name.strip_suffix(['B', 'b', 'C', 'c']).is_some_and(|other| other == stem))
}

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
    if chosen.ac {
        cautions.push(Caution::new(
            "alternating-current",
            format!(
                "the column `{}` is an alternating (effective) current: it has no sign, and its charge is not what a battery loses",
                column.title()
            ),
        ));
    }
    Ok(chosen)
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
    let [only] = unknown.as_slice() else {
        let vague: Vec<&&Column> = unknown
            .iter()
            .filter(|c| {
                c.words().iter().any(|w| {
                    VAGUE_WORDS.contains(&w.trim_end_matches(|c: char| c.is_ascii_digit()))
                })
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

fn says_current(line: &str) -> bool {
    words_of(line).iter().any(|w| {
        let lower = w.to_lowercase();
        CURRENT_STEMS.contains(&lower.as_str())
            || matches!(
                lower.as_str(),
                "ammeter"
                    | "amps"
                    | "curr"
                    | "dci"
                    | "aci"
                    | "milliamps"
                    | "courant"
                    | "gleichstrom"
                    | "dcma"
                    | "dca"
            )
    })
}

fn says_voltage(line: &str) -> bool {
    words_of(line).iter().any(|w| {
        matches!(
            w.to_lowercase().as_str(),
            "voltage" | "volts" | "volt" | "spannung" | "tension" | "dcv"
        )
    })
}

fn preamble_line_for<'a>(table: &'a Table, column: &Column) -> Option<&'a str> {
    let name = column.name.trim();
    if name.len() < 2 {
        return None;
    }
    table
        .preamble
        .iter()
        .find(|line| {
            line.to_lowercase().find(&name.to_lowercase()).is_some_and(|at| {
                line[..].get(at + name.len()..).is_some_and(|after| {
                    !after.starts_with(|c: char| c.is_alphanumeric()) && after.len() > 2
                })
            })
        })
        .map(String::as_str)
}

/// A unit of current that the lines before the table give, with how it was said.
fn preamble_unit(table: &Table) -> Option<(CurrentUnit, bool, String)> {
    for line in &table.preamble {
        let bare = line.trim().trim_start_matches(['#', '%', '/', ';', '!', '*', '"']).trim();
        let pieces: Vec<&str> = bare.splitn(2, [':', '=', ';', ',', '\t', '|']).collect();
        let [key, value] = pieces.as_slice() else { continue };
        let key_words: Vec<String> = words_of(key).iter().map(|w| w.to_lowercase()).collect();
        let about_unit = key_words.iter().any(|w| {
            matches!(
                w.as_str(),
                "unit"
                    | "units"
                    | "einheit"
                    | "einheiten"
                    | "unité"
                    | "unités"
                    | "unite"
                    | "unidad"
                    | "unidades"
                    | "unità"
                    | "unita"
                    | "eenheid"
                    | "unite(s)"
            )
        });
        let about_function = key_words.iter().any(|w| {
            matches!(
                w.as_str(),
                "function"
                    | "mode"
                    | "measurement"
                    | "measuring"
                    | "funktion"
                    | "messung"
                    | "messart"
                    | "fonction"
                    | "función"
                    | "quantity"
                    | "type"
                    | "input"
                    | "channel"
            )
        });
        let about_range = key_words.iter().any(|w| {
            matches!(
                w.as_str(),
                "range"
                    | "limit"
                    | "resolution"
                    | "accuracy"
                    | "fuse"
                    | "max"
                    | "bereich"
                    | "messbereich"
            )
        });
        if about_range || !(about_unit || about_function) {
            continue;
        }
        for part in std::iter::once(*value).chain(value.split([',', ';', '\t', '|', ' ', '"'])) {
            if let Some(Unit::Current { unit, ac }) = unit_of(part) {
                return Some((unit, ac, shown(bare)));
            }
        }
        if let Some((Unit::Current { unit, ac }, _)) = unit_in_header(value) {
            return Some((unit, ac, shown(bare)));
        }
    }
    None
}

/// The unit of the column at `place`.
fn with_unit(
    table: &Table,
    columns: &[Column],
    place: usize,
    options: &ReadOptions,
    decisions: &mut Vec<Decision>,
    cautions: &mut Vec<Caution>,
) -> Chosen {
    let column = &columns[place];
    let mut ac = matches!(column.unit, Some((Unit::Current { ac: true, .. }, _)))
        || cells_say_ac(table, place);
    let header = column.unit.and_then(|(u, standing)| u.current().map(|unit| (unit, standing)));
    let done = |unit: UnitPlace, symbol: String, ac: bool| Chosen {
        place,
        unit,
        symbol,
        ac,
        channel: None,
    };
    let mut decide = |chosen: &str, why: String, unit: Option<CurrentUnit>| {
        decisions.push(Decision {
            what: "unit".to_owned(),
            chosen: chosen.to_owned(),
            why,
            option: unit.map(|unit| format!("--unit {}", unit.symbol())),
        });
    };
    if let Some(unit) = options.unit {
        decide(unit.symbol(), "given by --unit".to_owned(), Some(unit));
        if let Some((other, _)) = header.filter(|(other, _)| *other != unit) {
            cautions.push(Caution::new(
                "unit-overruled",
                format!(
                    "--unit {} overrules the header, which says {}",
                    unit.symbol(),
                    other.symbol()
                ),
            ));
        }
        return done(UnitPlace::Column(unit), unit.symbol().to_owned(), ac);
    }
    if !column.cell_units.is_empty() {
        let symbols = column.cell_units.iter().map(|u| u.symbol()).collect::<Vec<_>>().join(", ");
        let fallback = header.map(|(unit, _)| unit).or(match column.cell_units.as_slice() {
            [only] => Some(*only),
            _ => None,
        });
        decide(&symbols, "written in the cells, cell by cell".to_owned(), None);
        if let Some((unit, _)) = header
            && column.cell_units.as_slice() != [unit]
        {
            cautions.push(Caution::new(
                "unit-differs",
                format!("the header says {} and the cells say {symbols}; the cells were followed: overrule with --unit", unit.symbol()),
            ));
        }
        return done(UnitPlace::Cells(fallback), symbols, ac);
    }
    if let Some((beside, units)) = unit_column(table, columns, place) {
        let symbols = units.iter().map(|u| u.symbol()).collect::<Vec<_>>().join(", ");
        decide(&symbols, format!("written in `{}`, row by row", columns[beside].title()), None);
        return done(UnitPlace::Beside(beside), symbols, ac);
    }
    if let Some((unit, standing)) = header {
        decide(
            unit.symbol(),
            format!("the header says so: \"{}\"", shown(&column.name)),
            Some(unit),
        );
        let damaged = table.header.iter().any(|row| row[place].contains(['\u{fffd}', '?']));
        if damaged && unit == CurrentUnit::Microampere {
            cautions.push(Caution::new(
                "unit-damaged",
                format!("a damaged character before A in `{}` was taken for µ (microampere): overrule with --unit", column.title()),
            ));
        } else if standing == Standing::Suffix
            && unit == CurrentUnit::Ampere
            && !column.words().iter().any(|w| CURRENT_WORDS.contains(&w.as_str()) || w == "i")
        {
            cautions.push(Caution::new(
                "unit-doubtful",
                format!("the last letter of `{}` was taken for ampere: overrule with --unit or --current-column", column.title()),
            ));
        }
        return done(UnitPlace::Column(unit), unit.symbol().to_owned(), ac);
    }
    if let Some(line) = preamble_line_for(table, column)
        && let Some((Unit::Current { unit, ac: line_ac }, _)) =
            unit_in_header(line).or_else(|| loose_unit(line))
    {
        ac |= line_ac;
        decide(
            unit.symbol(),
            format!("a line before the table says so: \"{}\"", shown(line.trim())),
            Some(unit),
        );
        return done(UnitPlace::Column(unit), unit.symbol().to_owned(), ac);
    }
    if let Some((unit, unit_ac, line)) = preamble_unit(table) {
        ac |= unit_ac;
        decide(unit.symbol(), format!("a line before the table says so: \"{line}\""), Some(unit));
        return done(UnitPlace::Column(unit), unit.symbol().to_owned(), ac);
    }
    let (unit, why) = assumed(table, columns, place);
    decide(unit.symbol(), format!("assumed: {why}"), Some(unit));
    cautions.push(Caution::new(
        "unit-assumed",
        format!(
            "nothing in the file gives the unit of `{}` ({}); {} was assumed because {why}: give the unit with --unit",
            column.title(),
            column.range(),
            unit.symbol()
        ),
    ));
    done(UnitPlace::Column(unit), unit.symbol().to_owned(), ac)
}

fn loose_unit(line: &str) -> Option<(Unit, Standing)> {
    line.split([',', ';', ' ', '\t', ':', '='])
        .find_map(|part| unit_of(part).filter(|u| u.current().is_some()))
        .map(|u| (u, Standing::Suffix))
}

/// The cells, or the units beside them, say alternating or effective.
fn cells_say_ac(table: &Table, place: usize) -> bool {
    let says = |cell: &Vec<u8>| {
        let text = String::from_utf8_lossy(cell);
        let unit = text.trim_start_matches(|c: char| !c.is_alphabetic());
        matches!(unit_of(unit), Some(Unit::Current { ac: true, .. }))
    };
    table
        .sample
        .iter()
        .take(50)
        .any(|row| row.get(place).is_some_and(says) || row.get(place + 1).is_some_and(says))
}

/// A unit for a current column that has none: by power and voltage beside it, by the voltage's unit, by size.
fn assumed(table: &Table, columns: &[Column], place: usize) -> (CurrentUnit, String) {
    let column = &columns[place];
    if let Some((unit, why)) = by_power(table, columns, column) {
        return (unit, why);
    }
    let milli = columns
        .iter()
        .any(|c| matches!(c.unit, Some((Unit::Voltage { volts }, _)) if volts == 1e-3));
    if milli && column.integers {
        return (CurrentUnit::Milliampere, "the voltage is in mV".to_owned());
    }
    let largest = column.low.abs().max(column.high.abs());
    if column.integers && largest >= 20.0 && column.low != column.high {
        return (
            CurrentUnit::Milliampere,
            "the readings are whole numbers of that size".to_owned(),
        );
    }
    if largest > 100.0 {
        return (
            CurrentUnit::Milliampere,
            "readings above 100 A are rare in low-voltage equipment".to_owned(),
        );
    }
    (CurrentUnit::Ampere, "it is the unit of current".to_owned())
}

/// P = U I tells the unit of I when U and P are there with theirs.
fn by_power(table: &Table, columns: &[Column], current: &Column) -> Option<(CurrentUnit, String)> {
    let voltage = columns
        .iter()
        .find(|c| matches!(c.unit, Some((Unit::Voltage { .. }, _))) && c.numeric())?;
    let power =
        columns.iter().find(|c| matches!(c.unit, Some((Unit::Power { .. }, _))) && c.numeric())?;
    let (Some((Unit::Voltage { volts }, _)), Some((Unit::Power { watts }, _))) =
        (voltage.unit, power.unit)
    else {
        return None;
    };
    let mut ratios: Vec<f64> = table
        .sample
        .iter()
        .filter_map(|row| {
            let u = value_at(row, voltage)? * volts;
            let p = value_at(row, power)? * watts;
            let i = value_at(row, current)?;
            let ratio = p / (u * i);
            (ratio.is_finite() && ratio > 0.0).then_some(ratio)
        })
        .collect();
    if ratios.len() < 5 {
        return None;
    }
    ratios.sort_by(f64::total_cmp);
    let ratio = ratios[ratios.len() / 2];
    [CurrentUnit::Ampere, CurrentUnit::Milliampere, CurrentUnit::Microampere]
        .into_iter()
        .find(|unit| (ratio / unit.amperes()).log10().abs() < 0.15)
        .map(|unit| {
            (
                unit,
                format!(
                    "power over voltage (`{}` and `{}`) agrees with it",
                    power.title(),
                    voltage.title()
                ),
            )
        })
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
