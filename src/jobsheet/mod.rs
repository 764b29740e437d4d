//! The job sheet: what is known of the site, its meter, loads and battery.

mod check;
mod supply;
mod typed;
mod types;

pub use supply::{ASSUMED_BEHAVIOUR, carry_current, carrying_assumption};
pub use types::*;

use crate::fault::InputFault;

/// Reads and checks a job sheet.
///
/// # Errors
/// A fault that points at the key or value.
pub fn parse(file: &str, text: &str) -> Result<JobSheet, InputFault> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let sheet: typed::Sheet =
        toml::from_str(text).map_err(|error| fault_of_toml(file, text, &error))?;
    check::Checker { file, text }.sheet(sheet)
}

/// The reader's own words turned into what was found and what to do.
fn fault_of_toml(file: &str, text: &str, error: &toml::de::Error) -> InputFault {
    let message = error.message().lines().collect::<Vec<_>>().join(" ");
    let (found, advice) = reword(&message);
    match error.span() {
        Some(span) => InputFault::in_text(file, text, span, found, advice),
        None => InputFault::of_file(file, found, advice),
    }
}

fn reword(message: &str) -> (String, String) {
    let quoted: Vec<&str> = message.split('`').skip(1).step_by(2).collect();
    if message.starts_with("unknown field")
        && let Some((unknown, known)) = quoted.split_first()
    {
        let advice = match nearest(unknown, known) {
            Some(name) => format!("did you mean `{name}`?"),
            None if known.is_empty() => "remove it".to_owned(),
            None => format!("the keys known here are {}", known.join(", ")),
        };
        return (format!("unknown key `{unknown}`"), advice);
    }
    if message.starts_with("missing field")
        && let Some(key) = quoted.first()
    {
        return (format!("`{key}` is missing here"), format!("add a line `{key} = …`"));
    }
    if let Some(rest) = message.strip_prefix("invalid type: ")
        && let Some((found, wanted)) = rest.split_once(", expected ")
    {
        let (wanted, advice) = match wanted {
            "f64" => ("a number", "write a plain number with a decimal point, without quotes"),
            "a string" => ("a text", "put the text between double quotes"),
            "a sequence" => ("a list of tables", "write its heading in double brackets: `[[…]]`"),
            _ => ("a table", "write its heading in single brackets: `[…]`"),
        };
        return (format!("{} where {wanted} is expected", plain_type(found)), advice.to_owned());
    }
    (message.to_owned(), "correct the TOML at this place".to_owned())
}

fn plain_type(found: &str) -> String {
    for (theirs, ours) in [
        ("string ", "the text "),
        ("integer ", "the number "),
        ("floating point ", "the number "),
        ("boolean ", "the truth value "),
    ] {
        if let Some(value) = found.strip_prefix(theirs) {
            return format!("{ours}{}", value.replace('`', ""));
        }
    }
    match found {
        "map" => "a table".to_owned(),
        "sequence" => "a list".to_owned(),
        other => other.to_owned(),
    }
}

/// The name that a misspelt one was most likely meant to be; `None` when none is near.
pub(crate) fn nearest<'a>(wrong: &str, known: &[&'a str]) -> Option<&'a str> {
    let wrong = wrong.to_lowercase();
    known
        .iter()
        .map(|name| (strsim::jaro_winkler(&wrong, &name.to_lowercase()), *name))
        .filter(|(likeness, _)| *likeness >= 0.75)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, name)| name)
}

#[cfg(test)]
mod tests;
