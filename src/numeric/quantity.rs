//! Values in the words people read: engineering prefixes, digits that follow the uncertainty.

use std::fmt;

/// Units that are shown with engineering prefixes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unit {
    /// Ampere.
    Ampere,
    /// Ampere-hour.
    AmpereHour,
}

impl Unit {
    fn symbol(self) -> &'static str {
        match self {
            Self::Ampere => "A",
            Self::AmpereHour => "Ah",
        }
    }
}

/// A value to be shown: `214 mA ± 5 mA`, `8.31 µA`, `1.204 A`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quantity {
    value: f64,
    expanded: Option<f64>,
    unit: Unit,
}

impl Quantity {
    /// A value alone, three significant digits.
    pub fn new(value: f64, unit: Unit) -> Self {
        Self { value, expanded: None, unit }
    }

    /// Amperes, three significant digits.
    pub fn amperes(value: f64) -> Self {
        Self::new(value, Unit::Ampere)
    }

    /// Amperes with an expanded uncertainty, shown to its two leading digits (one from 3 up).
    pub fn amperes_with(value: f64, expanded: f64) -> Self {
        Self::new_with(value, expanded, Unit::Ampere)
    }

    /// A value with an expanded uncertainty, shown as [`Self::amperes_with`] shows it.
    pub fn new_with(value: f64, expanded: f64, unit: Unit) -> Self {
        Self { value, expanded: Some(expanded), unit }
    }
}

const PREFIXES: [(f64, &str); 6] =
    [(1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p")];

fn prefix_of(magnitude: f64) -> (f64, &'static str) {
    // 0.9995 rounds to 1.00 at three digits, so it belongs to the next prefix.
    PREFIXES
        .into_iter()
        .find(|(scale, _)| magnitude >= scale * 0.9995)
        .unwrap_or(if magnitude == 0.0 { (1.0, "") } else { (1e-12, "p") })
}

fn digit_of(value: f64) -> i32 {
    value.abs().log10().floor() as i32
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let unit = self.unit.symbol();
        let reference = match self.expanded {
            Some(expanded) if expanded > self.value.abs() => expanded,
            _ => self.value.abs(),
        };
        let (scale, prefix) = prefix_of(reference);
        let value = self.value / scale;
        match self.expanded {
            Some(expanded) if expanded > 0.0 => {
                let expanded = expanded / scale;
                let lead = digit_of(expanded);
                // Two digits for 1.0…2.9, one from 3 up, so that rounding costs the same everywhere.
                let digits = if expanded / 10f64.powi(lead) < 2.95 { lead - 1 } else { lead };
                let places = (-digits).clamp(0, 9) as usize;
                let unit_step = 10f64.powi(digits.max(0));
                let round = |x: f64| (x / unit_step).round() * unit_step;
                let (v, u) =
                    if digits > 0 { (round(value), round(expanded)) } else { (value, expanded) };
                let v = positive_zero(format!("{v:.places$}"));
                write!(f, "{v} {prefix}{unit} ± {u:.places$} {prefix}{unit}")
            }
            _ => {
                let places = if value == 0.0 {
                    0
                } else {
                    // The rounding itself may carry into the next digit: 9.996 is 10.0.
                    let rounded =
                        format!("{:.2e}", value.abs()).parse::<f64>().unwrap_or(value.abs());
                    (2 - digit_of(rounded)).clamp(0, 9) as usize
                };
                let value = positive_zero(format!("{value:.places$}"));
                write!(f, "{value} {prefix}{unit}")
            }
        }
    }
}

/// What rounds to nothing has no sign.
fn positive_zero(number: String) -> String {
    let is_zero = number.chars().all(|c| matches!(c, '-' | '0' | '.'));
    match number.strip_prefix('-').filter(|_| is_zero) {
        Some(zero) => zero.to_owned(),
        None => number,
    }
}

/// A number to `digits` significant digits, without trailing zeros behind the point.
pub fn significant(value: f64, digits: usize) -> String {
    if value == 0.0 || !value.is_finite() {
        return "0".to_owned();
    }
    let places = digits as i32 - 1 - value.abs().log10().floor() as i32;
    let text = format!("{value:.*}", places.max(0) as usize);
    trimmed(&text).to_owned()
}

/// Without idle zeros behind the point.
pub(crate) fn trimmed(number: &str) -> &str {
    if number.contains('.') { number.trim_end_matches('0').trim_end_matches('.') } else { number }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn people_read_engineering_prefixes() {
        let show = |a: f64| Quantity::amperes(a).to_string();
        assert_eq!(show(0.214), "214 mA");
        assert_eq!(show(8.314e-6), "8.31 µA");
        assert_eq!(show(1.2044), "1.20 A");
        assert_eq!(show(-0.0314), "-31.4 mA");
        assert_eq!(show(0.0), "0 A");
        assert_eq!(show(-0.0), "0 A");
        assert_eq!(show(0.0099996), "10.0 mA");
        assert_eq!(show(0.9999), "1.00 A");
        assert_eq!(Quantity::new(0.0123, Unit::AmpereHour).to_string(), "12.3 mAh");
    }

    #[test]
    fn digits_follow_the_uncertainty() {
        let show = |a: f64, u: f64| Quantity::amperes_with(a, u).to_string();
        assert_eq!(show(-0.0004, 0.005), "0 mA ± 5 mA");
        assert_eq!(show(-0.0004, 0.0005), "-400 µA ± 500 µA");
        assert_eq!(show(0.21437, 0.0048), "214 mA ± 5 mA");
        assert_eq!(show(0.21437, 0.0012), "214.4 mA ± 1.2 mA");
        assert_eq!(show(0.21437, 0.048), "210 mA ± 50 mA");
        assert_eq!(show(0.0002, 0.003), "0 mA ± 3 mA");
        assert_eq!(show(4.2e-5, 1.4e-7), "42.00 µA ± 0.14 µA");
    }
}
