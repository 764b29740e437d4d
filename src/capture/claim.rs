//! How strongly a column says that it is a current: by its unit, by its name, by what its cells carry.

use super::columns::Column;
use super::options::CurrentUnit;
use super::units::{Standing, Unit, unit_in_header, words_of};

/// Words that name a current in the languages exports come in.
pub(super) const CURRENT_WORDS: &[&str] = &[
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

/// Parts of compound names (`Batteriestrom`).
pub(super) const CURRENT_STEMS: &[&str] =
    &["current", "strom", "corriente", "courant", "corrente", "stroom", "amperage"];

/// Words that say a column is something else, or about the current but not it.
pub(super) const OTHER_WORDS: &[&str] = &[
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

/// Words of the mean of an interval, and of what else is told of it.
pub(super) const MEAN_WORDS: &[&str] = &[
    "avg",
    "average",
    "mean",
    "mittel",
    "mittelwert",
    "moyenne",
    "promedio",
    "gemiddelde",
    "medel",
];
const EXTREME_WORDS: &[&str] =
    &["max", "maximum", "min", "minimum", "peak", "std", "stdev", "sd", "maxi", "mini"];

/// The mean of readings among columns that are otherwise their extremes.
pub(super) fn mean_among_extremes(columns: &[&Column]) -> Option<usize> {
    let says = |c: &Column, list: &[&str]| c.words().iter().any(|w| list.contains(&w.as_str()));
    let (means, others): (Vec<&Column>, Vec<&Column>) =
        columns.iter().partition(|c| says(c, MEAN_WORDS));
    let [mean] = means.as_slice() else { return None };
    (!others.is_empty() && others.iter().all(|c| says(c, EXTREME_WORDS))).then_some(mean.place)
}

/// Words of the lead that matters most.
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

/// Words that name a reading without saying of what, as meters write them over its column.
pub(super) const READING_WORDS: &[&str] = &[
    "reading",
    "readings",
    "value",
    "values",
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
    "waarde",
    "värde",
    "værdi",
    "verdi",
    "arvo",
    "hodnota",
    "wartość",
    "değer",
    "значение",
    "測定値",
    "値",
];

/// Words that name where a reading comes from, and no more.
const SOURCE_WORDS: &[&str] =
    &["sample", "samples", "data", "result", "y", "channel", "ch", "i", "probe", "sensor"];

/// Whether a word leaves open what was read.
pub(super) fn is_vague(word: &str) -> bool {
    READING_WORDS.contains(&word) || SOURCE_WORDS.contains(&word)
}

/// How strongly a column says that it is a current, and why.
pub(super) struct Claim {
    pub(super) place: usize,
    pub(super) score: i32,
    pub(super) why: String,
}

pub(super) fn claim(column: &Column, columns: &[Column], beside: bool) -> Option<Claim> {
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

pub(super) fn says_current(line: &str) -> bool {
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
                    | "ström"
                    | "strøm"
                    | "likström"
                    | "likestrøm"
                    | "jævnstrøm"
                    | "tasavirta"
                    | "dcma"
                    | "dca"
            )
    })
}

pub(super) fn says_voltage(line: &str) -> bool {
    words_of(line).iter().any(|w| {
        matches!(
            w.to_lowercase().as_str(),
            "voltage" | "volts" | "volt" | "spannung" | "tension" | "dcv"
        )
    })
}
