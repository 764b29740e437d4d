//! A length of time in the words people use of a battery.

use std::fmt;

/// Hours to be shown: `7.5 h`, `31 h`, `6.1 days`, `41 days`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lasting(pub f64);

impl fmt::Display for Lasting {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self(hours) = *self;
        let (value, unit) = if hours.abs() < 48.0 { (hours, "h") } else { (hours / 24.0, "days") };
        // One decimal where it still tells something, and none that is idle.
        let text = if value.abs() < 9.95 { format!("{value:.1}") } else { format!("{value:.0}") };
        write!(f, "{} {unit}", text.strip_suffix(".0").unwrap_or(&text))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hours_become_days_from_two_days_up() {
        let shown: Vec<String> =
            [7.46, 31.2, 47.9, 48.0, 146.4, 987.0].map(|hours| Lasting(hours).to_string()).into();
        assert_eq!(shown, ["7.5 h", "31 h", "48 h", "2 days", "6.1 days", "41 days"]);
    }
}
