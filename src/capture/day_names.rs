//! Names of months, weekdays and zones as exports write them.

/// Months by name in the languages that exports come in; first three or four letters and full names.
pub(super) fn month_named(lower: &str) -> Option<i32> {
    const NAMES: [&[&str]; 12] = [
        &[
            "jan", "januar", "january", "jänner", "janv", "janvier", "ene", "enero", "gen",
            "gennaio", "januari", "janeiro", "sty",
        ],
        &[
            "feb",
            "februar",
            "february",
            "févr",
            "fév",
            "fevr",
            "février",
            "febrero",
            "febbraio",
            "februari",
            "fev",
            "fevereiro",
            "lut",
        ],
        &["mar", "mär", "mrz", "märz", "march", "mars", "marzo", "mrt", "maart", "março"],
        &["apr", "april", "avr", "avril", "abr", "abril", "aprile", "kwi"],
        &["may", "mai", "mayo", "mag", "maggio", "mei", "maj", "maio"],
        &["jun", "juni", "june", "juin", "junio", "giu", "giugno", "junho", "cze"],
        &["jul", "juli", "july", "juil", "juillet", "julio", "lug", "luglio", "julho", "lip"],
        &["aug", "august", "août", "aout", "ago", "agosto", "augustus", "augusti", "sie"],
        &[
            "sep",
            "sept",
            "september",
            "septembre",
            "septiembre",
            "set",
            "settembre",
            "setembro",
            "wrz",
        ],
        &[
            "oct", "okt", "oktober", "october", "octobre", "octubre", "ott", "ottobre", "out",
            "outubro", "paź",
        ],
        &["nov", "november", "novembre", "noviembre", "novembro", "lis"],
        &[
            "dec",
            "dez",
            "dezember",
            "december",
            "déc",
            "décembre",
            "dic",
            "diciembre",
            "dicembre",
            "dezembro",
            "gru",
        ],
    ];
    NAMES.iter().position(|names| names.contains(&lower)).map(|at| at as i32 + 1)
}

pub(super) fn is_weekday(lower: &str) -> bool {
    matches!(
        lower,
        "mon"
            | "tue"
            | "tues"
            | "wed"
            | "thu"
            | "thur"
            | "thurs"
            | "fri"
            | "sat"
            | "sun"
            | "monday"
            | "tuesday"
            | "wednesday"
            | "thursday"
            | "friday"
            | "saturday"
            | "sunday"
            | "mo"
            | "di"
            | "mi"
            | "do"
            | "fr"
            | "sa"
            | "so"
            | "montag"
            | "dienstag"
            | "mittwoch"
            | "donnerstag"
            | "freitag"
            | "samstag"
            | "sonntag"
            | "lun"
            | "lundi"
            | "mardi"
            | "mer"
            | "mercredi"
            | "jeu"
            | "jeudi"
            | "ven"
            | "vendredi"
            | "sam"
            | "samedi"
            | "dim"
            | "dimanche"
            | "lunes"
            | "martes"
            | "mié"
            | "miércoles"
            | "jue"
            | "jueves"
            | "vie"
            | "viernes"
            | "sáb"
            | "sábado"
            | "dom"
            | "domingo"
            | "ma"
            | "wo"
            | "vr"
            | "za"
            | "zo"
            | "gio"
            | "sab"
    )
}

/// Minutes east of UTC of the zones in everyday use; `Some(None)` for a zone name without a known offset.
pub(super) fn zone_named(text: &str) -> Option<Option<i32>> {
    let hours = match text {
        "UTC" | "GMT" | "WET" => 0,
        "CET" | "WEST" | "MEZ" | "BST" => 1,
        "CEST" | "EET" | "MESZ" | "SAST" => 2,
        "EEST" | "MSK" => 3,
        "EST" | "CDT" => -5,
        "EDT" => -4,
        "CST" | "MDT" => -6,
        "MST" | "PDT" => -7,
        "PST" => -8,
        "JST" | "KST" => 9,
        "AEST" => 10,
        "AEDT" => 11,
        // How grave a log's line is.
        "INFO" | "WARN" | "DEBUG" | "ERROR" | "TRACE" | "FATAL" => return None,
        _ if (3..=5).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_uppercase()) => {
            return Some(None);
        }
        _ => return None,
    };
    Some(Some(hours * 60))
}
