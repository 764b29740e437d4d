//! A length of time in the words people use of a battery.

use std::fmt;

/// Hours to be shown: `7.5 h`, `1.3 days`, `41 days`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lasting(pub f64);

impl fmt::Display for Lasting {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self(hours) = *self;
        let (value, unit) = if hours.abs() < 23.95 { (hours, "h") } else { (hours / 24.0, "days") };
        // One decimal where it still tells something, and none that is idle.
        let text = if value.abs() < 9.95 { format!("{value:.1}") } else { format!("{value:.0}") };
        let text = text.strip_suffix(".0").unwrap_or(&text);
        write!(f, "{text} {}", if text == "1" && unit == "days" { "day" } else { unit })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hours_become_days_from_one_day_up() {
        let shown: Vec<String> =
            [7.46, 22.8, 24.0, 31.2, 48.0, 146.4, 987.0].map(|h| Lasting(h).to_string()).into();
        assert_eq!(shown, ["7.5 h", "23 h", "1 day", "1.3 days", "2 days", "6.1 days", "41 days"]);
    }
}
