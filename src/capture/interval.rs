//! The sampling interval as lines before the table or header cells give it.

use super::cell::{Mark, number_prefix};
use super::stamp::stamp;
use super::table::Table;
use super::units::{Unit, unit_of};

/// The sampling interval given before the table or in a header cell: seconds, whether the unit was assumed, and the line.
pub(super) fn interval_in_text(table: &Table) -> Option<(f64, bool, String)> {
    let headers = table.header.iter().flatten();
    table
        .preamble
        .iter()
        .chain(headers)
        .find_map(|line| interval_of(line).map(|(s, assumed)| (s, assumed, line.clone())))
        .or_else(|| below_its_name(table))
}

/// As [`interval_in_text`], the number standing in the line below its name.
fn below_its_name(table: &Table) -> Option<(f64, bool, String)> {
    let cells = |line: &String| -> Vec<String> {
        let mut cells = Vec::new();
        table.dialect.split(line.as_bytes(), 64, &mut cells);
        cells.iter().map(|cell| String::from_utf8_lossy(cell).into_owned()).collect()
    };
    let rows: Vec<Vec<String>> =
        table.preamble.iter().map(cells).chain(table.header.iter().cloned()).collect();
    rows.windows(2).flat_map(|pair| pair[0].iter().zip(&pair[1])).find_map(|(name, number)| {
        let told = name.starts_with(char::is_alphabetic)
            && number.starts_with(|c: char| c.is_ascii_digit() || c == '.');
        let both = format!("{name} {number}");
        if told { interval_of(&both).map(|(s, assumed)| (s, assumed, both)) } else { None }
    })
}

pub(super) fn interval_of(line: &str) -> Option<(f64, bool)> {
    named_interval(line)
        .or_else(|| at_rate(line).map(|s| (s, false)))
        .or_else(|| sampling_in_hertz(line).map(|s| (s, false)))
}

/// `@ 100 Hz`: seconds from row to row.
fn at_rate(line: &str) -> Option<f64> {
    let (_, after) = line.rsplit_once('@')?;
    per_second(after)
}

/// `Sampling = 50 kHz`: as [`at_rate`].
fn sampling_in_hertz(line: &str) -> Option<f64> {
    let (key, after) = line.split_once(['=', ':', ';', ',', '\t'])?;
    let key = key.to_lowercase();
    let named = ["sampl", "abtast", "acqui", "échant", "muestr", "campion"];
    named.iter().any(|word| key.contains(word)).then(|| per_second(after))?
}

/// A rate with its unit, as the time from one to the next.
fn per_second(after: &str) -> Option<f64> {
    let (value, rest) = number_prefix(after.trim().as_bytes(), Mark::Point)?;
    let word = std::str::from_utf8(rest).ok()?.trim().split([' ', ')', ']', ',', ';']).next()?;
    let hertz = match word.to_ascii_lowercase().as_str() {
        "hz" | "s/s" | "sps" => value,
        "khz" | "ksps" => value * 1e3,
        "mhz" if word.starts_with('M') => value * 1e6,
        _ => return None,
    };
    (hertz > 0.0).then(|| 1.0 / hertz)
}

fn named_interval(line: &str) -> Option<(f64, bool)> {
    let lower = line.to_lowercase();
    let keys: [(&str, bool); 32] = [
        ("sampling interval", false),
        ("sample interval", false),
        ("logging interval", false),
        ("log interval", false),
        ("sampled every", false),
        ("logged every", false),
        ("recorded every", false),
        ("samplinginterval", false),
        ("sampleinterval", false),
        ("interval", false),
        ("intervall", false),
        ("abtastintervall", false),
        ("messintervall", false),
        ("intervalle", false),
        ("intervalo", false),
        ("sample period", false),
        ("sampling period", false),
        ("sampleperiod", false),
        ("period", false),
        ("increment", false),
        ("xincrement", false),
        ("delta t", false),
        ("dt", false),
        ("sampling rate", true),
        ("abtastrate", true),
        ("sample rate", true),
        ("samplerate", true),
        ("samplingrate", true),
        ("rate", true),
        ("frequency", true),
        ("samples/s", true),
        ("fs", true),
    ];
    let (at, key, rate) = keys.iter().find_map(|(key, rate)| {
        let at = lower.find(key)?;
        let before = lower[..at].chars().next_back().is_none_or(|c| !c.is_alphanumeric());
        let after = lower[at + key.len()..]
            .chars()
            .next()
            .is_none_or(|c| !c.is_alphabetic() || key.len() > 3);
        (before && after).then_some((at, *key, *rate))
    })?;
    let tail = line.get(at + key.len()..)?;
    let digit = tail.find(|c: char| c.is_ascii_digit())?;
    if digit > 40 {
        return None;
    }
    let label = &tail[..digit];
    let value_text = &tail[digit..];
    let word: &str = value_text.split([';', '\t', '"', '|']).next().unwrap_or_default().trim();
    if let Some(span) = stamp(word.split_whitespace().next()?.as_bytes()).and_then(|s| s.second)
        && word.contains(':')
    {
        return (span > 0.0).then_some((span, false));
    }
    let bytes = word.as_bytes();
    let comma_decimal = word
        .split_once(',')
        .is_some_and(|(_, after)| after.starts_with(|c: char| c.is_ascii_digit()));
    let (value, rest) = if comma_decimal {
        number_prefix(bytes, Mark::Comma)
    } else {
        number_prefix(bytes, Mark::Point)
    }?;
    let rest = String::from_utf8_lossy(rest).trim().trim_start_matches(',').trim().to_owned();
    let unit_word = rest.split([' ', ',', ')', ']']).next().unwrap_or_default().to_owned();
    let in_label =
        label.split(['(', '[', ')', ']', ' ', ':', '_', ',', ';', '\t']).find_map(unit_of);
    let hertz = |word: &str| match word.to_lowercase().as_str() {
        "hz" | "/s" | "1/s" | "/sec" | "sps" | "s/s" | "samples/s" | "sa/s" => Some(1.0),
        "khz" | "ksps" | "ks/s" | "ksa/s" => Some(1e3),
        "mhz" | "msps" | "ms/s" | "msa/s" => Some(1e6),
        _ => None,
    };
    let label_hertz =
        label.split(['(', '[', ')', ']', ' ', ':', '_', ',', ';', '\t']).find_map(hertz);
    if let Some(factor) = hertz(&unit_word).or(label_hertz) {
        let hz = value * factor;
        return (hz > 0.0).then_some((1.0 / hz, false));
    }
    let unit = unit_of(&unit_word).or(in_label);
    let seconds = match unit {
        Some(Unit::Time { seconds }) => value * seconds,
        Some(_) => return None,
        None if rate => return (value > 0.0).then_some((1.0 / value, false)),
        None => return (value > 0.0).then_some((value, true)),
    };
    // A "rate of 2 s" is an interval.
    (seconds > 0.0 && seconds.is_finite()).then_some((seconds, false))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn intervals_and_rates_as_written() {
        for (line, seconds) in [
            ("Sampling interval (ms): 250", 0.25),
            ("Interval,00:00:05", 5.0),
            ("Log rate 2 s", 2.0),
            ("Sample rate: 500 Hz", 0.002),
            ("Sample rate: 500 /s", 0.002),
            ("Rate = 2 kSa/s", 0.0005),
            ("XIncrement,4.0E-06", 4e-6),
            ("Sample rate (Hz);10", 0.1),
            ("dt = 0,5 s", 0.5),
            ("; Samplerate: 2 kHz", 5e-4),
        ] {
            let found = interval_of(line).map(|(s, _)| s);
            assert!(found.is_some_and(|s| (s / seconds - 1.0).abs() < 1e-12), "{line}: {found:?}");
        }
        for line in ["Rate of charge", "Interval", "Period under report"] {
            assert_eq!(interval_of(line), None, "{line}");
        }
    }
}
