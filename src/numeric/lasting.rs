//! Lengths of time in the words people use.

use std::fmt;

use super::quantity::significant;

/// Hours that a battery lasts, to the digits that such a figure is worth: `20 min`, `7.5 h`,
/// `1.3 days`, `41 days`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lasting(pub f64);

impl fmt::Display for Lasting {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self(hours) = *self;
        if hours.abs() < 1.0 {
            return f.write_str(&duration(3600.0 * hours));
        }
        let (value, unit) = if hours.abs() < 23.95 { (hours, "h") } else { (hours / 24.0, "days") };
        // One decimal where it still tells something, and none that is idle.
        let text = if value.abs() < 9.95 { format!("{value:.1}") } else { format!("{value:.0}") };
        let text = text.strip_suffix(".0").unwrap_or(&text);
        write!(f, "{text} {}", if text == "1" && unit == "days" { "day" } else { unit })
    }
}

/// Bounds in brackets behind a length in hours: ` (1.6 days to 1.8 days)`, ` (at least 5 h)`; nothing
/// where both read like the length itself.
pub fn bounds(hours: f64, low_h: f64, high_h: Option<f64>) -> String {
    let [shown, low] = [hours, low_h].map(|hours| Lasting(hours).to_string());
    match high_h.map(|high_h| Lasting(high_h).to_string()) {
        Some(high) if low == shown && high == shown => String::new(),
        Some(high) => format!(" ({low} to {high})"),
        None => format!(" (at least {low})"),
    }
}

/// A length of time: `35 ms`, `40 s`, `20 min`, `1 h 12 min`, `3.2 days`.
pub fn duration(seconds: f64) -> String {
    let size = seconds.abs();
    if size == 0.0 {
        "0 s".to_owned()
    } else if size < 1e-3 {
        format!("{} µs", significant(seconds * 1e6, 3))
    } else if size < 0.9995 {
        format!("{} ms", significant(seconds * 1e3, 3))
    } else if size < 99.5 {
        format!("{} s", significant(seconds, 3))
    } else if size < 3599.5 {
        let whole = size.round();
        let (minutes, rest) = ((whole / 60.0).floor(), whole % 60.0);
        if rest == 0.0 || size >= 1200.0 {
            format!("{:.0} min", seconds / 60.0)
        } else {
            format!("{minutes:.0} min {rest:.0} s")
        }
    } else if size < 48.0 * 3600.0 {
        let minutes = (size / 60.0).round();
        let (hours, rest) = ((minutes / 60.0).floor(), minutes % 60.0);
        if rest == 0.0 { format!("{hours:.0} h") } else { format!("{hours:.0} h {rest:.0} min") }
    } else {
        format!("{} days", significant(seconds / 86400.0, 2))
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

    #[test]
    fn bounds_that_say_nothing_are_left_out() {
        assert_eq!(bounds(33.6, 33.5, Some(33.8)), "");
        assert_eq!(bounds(33.6, 31.0, Some(36.0)), " (1.3 days to 1.5 days)");
        assert_eq!(bounds(33.6, 31.0, None), " (at least 1.3 days)");
    }

    #[test]
    fn seconds_as_people_say_them() {
        assert_eq!(duration(1200.0), "20 min");
        assert_eq!(duration(125.0), "2 min 5 s");
        assert_eq!(duration(36000.0), "10 h");
        assert_eq!(duration(4320.0), "1 h 12 min");
        assert_eq!(duration(0.035), "35 ms");
        assert_eq!(duration(0.0), "0 s");
        assert_eq!(duration(3.2 * 86400.0), "3.2 days");
    }
}
