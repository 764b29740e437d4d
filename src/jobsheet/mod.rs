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
        Some(span) => {
            let advice = advice.or_else(|| for_value(text, span.start).map(str::to_owned));
            let advice = advice.unwrap_or_else(|| "correct the TOML at this place".to_owned());
            InputFault::in_text(file, text, span, found, advice)
        }
        None => {
            let advice = advice.unwrap_or_else(|| "correct the TOML".to_owned());
            InputFault::of_file(file, found, advice)
        }
    }
}

/// What to do about a value that is no TOML, by how people write values; `at` lies in its line.
fn for_value(text: &str, at: usize) -> Option<&'static str> {
    let start = text.get(..at)?.rfind('\n').map_or(0, |line| line + 1);
    let (_, value) = text[start..].lines().next()?.split_once('=')?;
    let value = value.split('#').next()?.trim();
    let number = |text: &str| text.parse::<f64>().is_ok();
    if value.contains(['“', '”', '„', '‘', '’', '«', '»']) {
        Some("put the text between straight double quotes (\"), as a plain-text editor writes them")
    } else if number(&value.replacen(',', ".", 1)) {
        Some("write the number with a decimal point")
    } else if value.starts_with(|c: char| c.is_ascii_digit() || matches!(c, '-' | '+' | '.')) {
        Some("write the number alone: its unit stands in the key")
    } else if value.starts_with(char::is_alphabetic) {
        Some("put the text between double quotes")
    } else {
        None
    }
}

/// What was found, and what to do where the message alone tells.
fn reword(message: &str) -> (String, Option<String>) {
    let quoted: Vec<&str> = message.split('`').skip(1).step_by(2).collect();
    if message.starts_with("unknown field")
        && let Some((unknown, known)) = quoted.split_first()
    {
        let advice = match nearest(unknown, known) {
            Some(name) => format!("did you mean `{name}`?"),
            None if known.is_empty() => "remove it".to_owned(),
            None => format!("the keys known here are {}", known.join(", ")),
        };
        return (format!("unknown key `{unknown}`"), Some(advice));
    }
    if message.starts_with("missing field")
        && let Some(key) = quoted.first()
    {
        return (format!("`{key}` is missing here"), Some(format!("add a line `{key} = …`")));
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
        let found = format!("{} where {wanted} is expected", plain_type(found));
        return (found, Some(advice.to_owned()));
    }
    if message.starts_with("duplicate key") {
        let found = "a key that stands here a second time";
        return (found.to_owned(), Some("keep one of the two".to_owned()));
    }
    (message.to_owned(), None)
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
