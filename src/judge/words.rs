//! Words that verdicts, advice and the headline share.

use jiff::SignedDuration;
use jiff::civil::DateTime;

use crate::numeric::{Quantity, duration};

/// A current that somebody set: `96 mA`, not `96.0 mA`.
pub(super) fn set_current(value_a: f64) -> String {
    let text = Quantity::amperes(value_a).to_string();
    match text.split_once(' ') {
        Some((number, unit)) if number.contains('.') => {
            format!("{} {unit}", number.trim_end_matches('0').trim_end_matches('.'))
        }
        _ => text,
    }
}

/// A moment of a capture on its clock, to the second.
fn moment(start: Option<DateTime>, time_s: f64) -> Option<DateTime> {
    let whole = SignedDuration::try_from_secs_f64(time_s.round()).ok()?;
    start?.checked_add(whole).ok()
}

/// `at 12 May 21:04:10` where the clock is known, else `24 min after the start`.
pub(super) fn at(start: Option<DateTime>, time_s: f64) -> String {
    match moment(start, time_s) {
        Some(at) => format!("at {}", at.strftime("%-d %b %H:%M:%S")),
        None => format!("{} after the start", duration(time_s)),
    }
}

/// From one moment of a capture to another: `from 12 May 21:04:10 to 23:10:00` where its clock is known, else
/// `from 24 min to 2:30 h after the start`.
pub(super) fn from_to(start: Option<DateTime>, from_s: f64, to_s: f64) -> String {
    let Some((from, to)) = moment(start, from_s).zip(moment(start, to_s)) else {
        return format!("from {} to {} after the start", duration(from_s), duration(to_s));
    };
    let day = if from.date() == to.date() { "" } else { "%-d %b " };
    format!(
        "from {} to {}",
        from.strftime("%-d %b %H:%M:%S"),
        to.strftime(&format!("{day}%H:%M:%S"))
    )
}

/// `in standby`, `when on`, `when asleep lower`, `while starting`.
pub(super) fn in_state(state: &str) -> String {
    let first = state.split(' ').next().unwrap_or(state);
    match first {
        "asleep" | "awake" | "settled" => format!("when {state}"),
        "on" if state == "on" => "when on".to_owned(),
        "starting" => format!("while {state}"),
        _ => format!("in {state}"),
    }
}

/// A load's name with an article, unless it brings its own.
pub(super) fn the(load: &str) -> String {
    let lower = load.to_lowercase();
    if lower.starts_with("the ") { load.to_owned() } else { format!("the {load}") }
}

/// The first letter in upper case.
pub(super) fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    match letters.next() {
        Some(first) => first.to_uppercase().chain(letters).collect(),
        None => String::new(),
    }
}

/// The first letter in lower case, unless a name in capitals begins there.
pub(super) fn clause(text: &str) -> String {
    let mut letters = text.chars();
    match (letters.next(), text.chars().nth(1)) {
        (Some(first), Some(second)) if !second.is_uppercase() => {
            first.to_lowercase().chain(letters).collect()
        }
        _ => text.to_owned(),
    }
}

/// How another load's row is named in a row: `fan (on)`.
pub(super) fn partner(load: &str, state: &str) -> String {
    format!("{load} ({state})")
}

/// `a`, `a and b`, `a, b and c`.
pub(super) fn list(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [one] => one.clone(),
        [rest @ .., last] => format!("{} and {last}", rest.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_read_as_people_say_them() {
        assert_eq!(set_current(0.096), "96 mA");
        assert_eq!(set_current(0.1), "100 mA");
        assert_eq!(in_state("standby"), "in standby");
        assert_eq!(in_state("settled lower"), "when settled lower");
        assert_eq!(sentence(&the("radio")), "The radio");
        assert_eq!(clause("Use a meter."), "use a meter.");
        assert_eq!(clause("RTU off."), "RTU off.");
        let three = ["a", "b", "c"].map(str::to_owned);
        assert_eq!(list(&three), "a, b and c");
        assert_eq!(list(&three[..1]), "a");
    }
}
