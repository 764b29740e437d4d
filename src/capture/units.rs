//! Units of measurement as headers, units rows, cells and preambles write them.

use super::options::CurrentUnit;

/// A unit found in text.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Unit {
    /// Of current; `ac` when the text says alternating or effective value.
    Current { unit: CurrentUnit, ac: bool },
    /// Of time, in seconds.
    Time { seconds: f64 },
    /// Of potential difference, in volt.
    Voltage { volts: f64 },
    /// Of power, in watt.
    Power { watts: f64 },
    /// Any other quantity (charge, energy, temperature, …).
    Other,
}

impl Unit {
    pub(super) fn current(self) -> Option<CurrentUnit> {
        match self {
            Self::Current { unit, .. } => Some(unit),
            _ => None,
        }
    }
}

/// Where in a header text a unit stood: decides how far it is to be believed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Standing {
    /// In brackets, after a slash, or the whole text: written as a unit.
    Written,
    /// The last word or the suffix of a name (`bat_mA`, `Current A`): a unit if the name is a current's.
    Suffix,
}

/// The whole of `text` as a unit (`mA`, `[A]`, `A DC`, `mAmps`); `None` when it is not one.
pub(super) fn unit_of(text: &str) -> Option<Unit> {
    let bare = text
        .trim()
        .trim_matches(|c: char| {
            matches!(c, '(' | ')' | '[' | ']' | '{' | '}' | '<' | '>' | '"' | '\'')
        })
        .trim();
    let bare = bare.strip_prefix(['/', '_']).unwrap_or(bare).trim();
    if bare.is_empty() || bare.chars().count() > 24 {
        return None;
    }
    if let Some(unit) = bare_unit(bare) {
        return Some(unit);
    }
    current_with_coupling(bare)
}

/// `A DC`, `DC mA`, `mADC`, `A~`, `Arms`: a unit of current with its coupling.
fn current_with_coupling(text: &str) -> Option<Unit> {
    let mut rest = text.to_owned();
    let mut ac = false;
    let mut found = false;
    for (mark, is_ac) in [
        ("trms", true),
        ("rms", true),
        ("r.m.s.", true),
        ("eff", true),
        ("ac+dc", true),
        ("dc", false),
        ("ac", true),
        ("d.c.", false),
        ("a.c.", true),
        ("~", true),
        ("=", false),
        ("⎓", false),
        ("cc", false),
        ("ca", true),
    ] {
        let lower = rest.to_ascii_lowercase();
        if let Some(at) = lower.find(mark)
            && (at == 0 || at + mark.len() == lower.len())
        {
            rest.replace_range(at..at + mark.len(), "");
            rest = rest
                .trim()
                .trim_matches(['_', '-', ',', '.', '(', ')', '[', ']'])
                .trim()
                .to_owned();
            ac |= is_ac;
            found = true;
        }
    }
    if !found {
        return None;
    }
    match bare_unit(&rest)? {
        Unit::Current { unit, ac: already } => Some(Unit::Current { unit, ac: ac || already }),
        other => Some(other),
    }
}

fn bare_unit(text: &str) -> Option<Unit> {
    use CurrentUnit::*;
    let current = |unit| Some(Unit::Current { unit, ac: false });
    // Letter case matters for symbols: mA and MA, s and S.
    match text {
        "A" => return current(Ampere),
        "mA" | "ma" | "MA" => return current(Milliampere),
        "µA" | "μA" | "uA" | "ua" | "UA" | "µa" | "\u{fffd}A" | "?A" | "Âµ A" | "ÂµA"
        | "&micro;A" | "&#181;A" => {
            return current(Microampere);
        }
        "мА" => return current(Milliampere),
        "мкА" => return current(Microampere),
        "А" => return current(Ampere),
        "nA" => return current(Nanoampere),
        "kA" | "KA" => return current(Kiloampere),
        "s" | "S" => return Some(Unit::Time { seconds: 1.0 }),
        "ms" | "mS" | "MS" => return Some(Unit::Time { seconds: 1e-3 }),
        "µs" | "μs" | "us" | "uS" | "\u{fffd}s" | "?s" | "µS" => {
            return Some(Unit::Time { seconds: 1e-6 });
        }
        "ns" | "nS" => return Some(Unit::Time { seconds: 1e-9 }),
        "h" | "H" => return Some(Unit::Time { seconds: 3600.0 }),
        "d" => return Some(Unit::Time { seconds: 86_400.0 }),
        "V" => return Some(Unit::Voltage { volts: 1.0 }),
        "mV" | "mv" | "MV" => return Some(Unit::Voltage { volts: 1e-3 }),
        "µV" | "uV" | "μV" => return Some(Unit::Voltage { volts: 1e-6 }),
        "kV" => return Some(Unit::Voltage { volts: 1e3 }),
        "W" => return Some(Unit::Power { watts: 1.0 }),
        "mW" => return Some(Unit::Power { watts: 1e-3 }),
        "kW" => return Some(Unit::Power { watts: 1e3 }),
        "µW" | "uW" | "μW" => return Some(Unit::Power { watts: 1e-6 }),
        "Ah" | "mAh" | "A.h" | "A·h" | "µAh" | "uAh" | "AH" | "MAH" | "mah" | "ah" | "A-h"
        | "As" | "Wh" | "mWh" | "kWh" | "WH" | "J" | "C" | "°C" | "\u{fffd}C" | "?C" | "degC"
        | "°F" | "F" | "K" | "Hz" | "kHz" | "MHz" | "%" | "%RH" | "RH" | "Ω" | "ohm" | "Ohm"
        | "mΩ" | "kΩ" | "MΩ" | "mOhm" | "dB" | "dBm" | "bar" | "hPa" | "Pa" | "kPa" | "mbar"
        | "m" | "cm" | "mm" | "km" | "km/h" | "l" | "L" | "l/min" | "rpm" | "VA" | "var"
        | "VAr" | "lx" | "lux" | "W/m2" | "W/m²" | "g" | "kg" | "N" | "Nm" | "ppm" | "m/s"
        | "deg" | "°" | "counts" | "count" | "VDC" | "VAC" | "Vdc" | "Vac" => {
            return Some(if matches!(text, "VDC" | "VAC" | "Vdc" | "Vac") {
                Unit::Voltage { volts: 1.0 }
            } else {
                Unit::Other
            });
        }
        _ => {}
    }
    let lower = text.to_lowercase();
    let word = lower.trim_end_matches('.');
    let (scale, stem) = match word {
        w if w.starts_with("milli") => (Milliampere, w[5..].trim_start_matches(['-', ' '])),
        w if w.starts_with("micro") => (Microampere, w[5..].trim_start_matches(['-', ' '])),
        w if w.starts_with("nano") => (Nanoampere, w[4..].trim_start_matches(['-', ' '])),
        w if w.starts_with("kilo") => (Kiloampere, w[4..].trim_start_matches(['-', ' '])),
        w if w.starts_with("mamp") => (Milliampere, &w[1..]),
        w if w.starts_with("uamp") => (Microampere, &w[1..]),
        w if w.starts_with("µamp") || w.starts_with("μamp") => (Microampere, &w[2..]),
        w => (Ampere, w),
    };
    if matches!(
        stem,
        "amp"
            | "amps"
            | "ampere"
            | "amperes"
            | "ampère"
            | "ampères"
            | "amperios"
            | "amperio"
            | "amperi"
            | "ampär"
            | "amper"
            | "ampery"
            | "amperaje"
    ) {
        return current(scale);
    }
    if scale == Milliampere && matches!(stem, "volt" | "volts") {
        return Some(Unit::Voltage { volts: 1e-3 });
    }
    let seconds = match word {
        "sec" | "secs" | "second" | "seconds" | "sek" | "sekunde" | "sekunden" | "seconde"
        | "secondes" | "segundo" | "segundos" | "secondi" | "seconden" | "seg" | "sekunder"
        | "sekunnit" | "秒" | "초" => 1.0,
        "msec" | "msecs" | "millis" | "millisecond" | "milliseconds" | "millisekunden"
        | "millisecondes" | "milisegundos" | "ミリ秒" | "毫秒" => 1e-3,
        "usec" | "µsec" | "μsec" | "micros" | "microsecond" | "microseconds" => 1e-6,
        "nsec" | "nanos" | "nanosecond" | "nanoseconds" => 1e-9,
        "min" | "mins" | "minute" | "minutes" | "minuten" | "minutos" | "minuti" | "minuter"
        | "分" | "分钟" => 60.0,
        "hr" | "hrs" | "hour" | "hours" | "std" | "stunden" | "heures" | "horas" | "ore" => 3600.0,
        "day" | "days" | "tage" | "jours" | "dias" | "días" => 86_400.0,
        "volt" | "volts" => return Some(Unit::Voltage { volts: 1.0 }),
        "watt" | "watts" => return Some(Unit::Power { watts: 1.0 }),
        "celsius" | "fahrenheit" | "kelvin" | "percent" | "hertz" | "ohms" | "joule" | "joules"
        | "amp-hours" | "amphours" | "amp hours" => {
            return Some(Unit::Other);
        }
        _ => return None,
    };
    Some(Unit::Time { seconds })
}

/// A unit inside a header text, and how it stands there.
pub(super) fn unit_in_header(text: &str) -> Option<(Unit, Standing)> {
    let text = text.trim();
    if let Some(unit) = unit_of(text) {
        return Some((unit, Standing::Written));
    }
    // In brackets, the last pair first.
    for (open, close) in [('[', ']'), ('(', ')'), ('{', '}'), ('<', '>')] {
        let mut end = text.len();
        while let Some(right) = text[..end].rfind(close) {
            let Some(left) = text[..right].rfind(open) else { break };
            let inner = &text[left + open.len_utf8()..right];
            if is_charge_or_energy(&words_of(inner)) {
                return Some((Unit::Other, Standing::Written));
            }
            for part in std::iter::once(inner).chain(inner.split([',', ';', ' '])) {
                if let Some(unit) = unit_of(part) {
                    return Some((refine(unit, text), Standing::Written));
                }
            }
            end = left;
        }
    }
    for mark in ['/', ',', ':', '|', ';', '='] {
        if let Some((_, after)) = text.rsplit_once(mark)
            && let Some(unit) = unit_of(after)
        {
            let standing =
                if mark == '/' || mark == ',' { Standing::Written } else { Standing::Suffix };
            return Some((refine(unit, text), standing));
        }
    }
    if let Some((_, after)) = text.split_once(" in ")
        && let Some(unit) = unit_of(after)
    {
        return Some((refine(unit, text), Standing::Written));
    }
    // A suffix after underscore, hyphen, space or point, or a camel-case hump.
    let mut words = words_of(text);
    while words.len() > 1
        && matches!(
            words.last().map(|w| w.to_ascii_lowercase()).as_deref(),
            Some("dc" | "ac" | "rms" | "raw" | "avg" | "mean")
        )
    {
        words.pop();
    }
    let last = words.last()?;
    if words.len() > 1 && is_charge_or_energy(&words[words.len() - 2..]) {
        return Some((Unit::Other, Standing::Written));
    }
    // Alone `na` is a missing value.
    if words.len() > 1 && last == "na" {
        let unit = Unit::Current { unit: CurrentUnit::Nanoampere, ac: false };
        return Some((refine(unit, text), Standing::Suffix));
    }
    if words.len() > 1
        && let Some(unit) = unit_of(last)
    {
        return Some((refine(unit, text), Standing::Suffix));
    }
    None
}

/// `A h`, `Amp-hr`, `Watt hours`.
fn is_charge_or_energy(words: &[String]) -> bool {
    let [amount, hours] = words else { return false };
    matches!(hours.to_lowercase().as_str(), "h" | "hr" | "hrs" | "hour" | "hours")
        && matches!(unit_of(amount), Some(Unit::Current { .. } | Unit::Power { .. }))
}

/// `x10 mA`, `0.1A`, `mA × 100`, `mA/10`, `cA`, `pA`, `deciamps`: the text in which a header multiplies
/// its unit of current by a power of ten, or names one that is none of ours.
pub(super) fn multiplied_unit(text: &str) -> Option<&str> {
    let power = |digits: &str| {
        let whole = |exponent: f64| (exponent - exponent.round()).abs() < 1e-9;
        digits.parse::<f64>().is_ok_and(|v| v > 0.0 && v != 1.0 && whole(v.log10()))
    };
    let current = |unit: &str| unit_of(unit).is_some_and(|u| u.current().is_some());
    let times = |c: char| matches!(c, 'x' | 'X' | '×' | '*');
    let scaled = |part: &&str| {
        let part = part.trim();
        let end = |c: char| !(c.is_ascii_digit() || c == '.');
        let after = part.trim_start_matches(times).trim_start();
        let (digits, unit) = after.split_at(after.find(end).unwrap_or(after.len()));
        let symbol = unit.trim_start().trim_start_matches(times);
        let signed = after.len() < part.len() || symbol.len() < unit.trim_start().len();
        // Without a sign of multiplication whole numbers are a range.
        let first = power(digits) && current(symbol) && (signed || digits.starts_with("0."));
        let last = part
            .rsplit_once(|c| times(c) || c == '/')
            .is_some_and(|(unit, digits)| current(unit) && power(digits.trim()));
        let tenths = matches!(part, "cA" | "dA" | "pA" | "fA")
            || ["centi", "deci", "pico", "femto"]
                .iter()
                .any(|p| part.to_lowercase().strip_prefix(p).is_some_and(current));
        first || last || tenths
    };
    let bracketed = ['(', ')', '[', ']', '{', '}', ',', ';'];
    if let Some(word) =
        text.split(|c: char| c.is_whitespace() || c == '_' || bracketed.contains(&c)).find(|w| {
            let factor = w.trim_start_matches(times);
            factor.len() < w.len() && power(factor) || is_power_of_ten(w)
        })
    {
        return Some(word);
    }
    // A unit on its own beside it: the number is a resolution or a range.
    if text.split(bracketed).any(current) {
        return None;
    }
    text.split(bracketed).chain(text.split(['_', ' '])).find(scaled).map(str::trim)
}

/// `10^-3`, `10⁻³`, `10**-3`, `1e-3`.
fn is_power_of_ten(word: &str) -> bool {
    let exponent = |c: char| c.is_ascii_digit() || "-+−⁻⁺⁰¹²³⁴⁵⁶⁷⁸⁹".contains(c);
    let word = word.trim_start_matches(['x', 'X', '×', '*', '·', '/']);
    let after = word
        .strip_prefix("10")
        .map(|rest| rest.trim_start_matches(['^', '*']).trim_start_matches('E'));
    let raised = after.is_some_and(|rest| {
        rest.len() + 2 < word.len() && !rest.is_empty() && rest.chars().all(exponent)
            || rest.starts_with(['⁻', '⁺', '¹', '²', '³', '⁴', '⁵', '⁶', '⁷', '⁸', '⁹'])
    });
    let small = word.strip_prefix(['1', 'E']).and_then(|rest| rest.strip_prefix(['e', 'E']));
    raised || small.is_some_and(|rest| !rest.is_empty() && rest.chars().all(exponent))
}

/// `10 mA` or `[10mA]` that a name ends in: a range or a multiple of the unit; the number and the text.
pub(super) fn counted_unit(text: &str) -> Option<(f64, &str)> {
    let text = text.trim().trim_end_matches([')', ']', '}', '>']);
    let part = text.rsplit(['(', '[', '{', '<', ',', '/']).next()?.trim();
    let (part, ranged) = match part.rsplit_once(' ') {
        Some((part, word)) if is_range_word(word) => (part.trim_end(), true),
        _ => (part, false),
    };
    // Without brackets only where a blank stands between: `CH10A` is a channel.
    let (before, unit) = part.rsplit_once(' ').or_else(|| {
        let end = part.find(|c: char| !c.is_ascii_digit())?;
        (ranged || part.len() < text.len()).then(|| part.split_at(end))
    })?;
    let digits = before.rsplit(' ').next()?;
    let whole = digits.bytes().all(|b| b.is_ascii_digit());
    let power =
        digits.starts_with('1') && digits.len() > 1 && digits[1..].bytes().all(|b| b == b'0');
    let current = unit_of(unit).is_some_and(|u| u.current().is_some());
    (whole && (power || ranged) && current)
        .then(|| Some((digits.parse().ok()?, &part[before.len() - digits.len()..])))?
}

fn is_range_word(word: &str) -> bool {
    matches!(
        word.to_lowercase().as_str(),
        "range" | "fs" | "fullscale" | "bereich" | "messbereich" | "calibre" | "rango" | "gamme"
    )
}

/// A name says alternating or effective: `AC`, `I_rms`, `Irms1`.
pub(super) fn says_ac(text: &str) -> bool {
    words_of(text).iter().any(|w| {
        let word = w.to_ascii_lowercase();
        matches!(
            word.trim_end_matches(|c: char| c.is_ascii_digit()),
            "ac" | "rms" | "trms" | "aci" | "irms" | "iac" | "ieff" | "iacrms"
        )
    })
}

/// Alternating current when the header says so beside the unit.
fn refine(unit: Unit, text: &str) -> Unit {
    match unit {
        Unit::Current { unit, ac } => Unit::Current { unit, ac: ac || says_ac(text) },
        other => other,
    }
}

/// Words of a name: split at anything but letters and digits, and at camel-case humps that leave a
/// unit (`currentMilliAmps`, `BatCurrentmA`).
pub(super) fn words_of(text: &str) -> Vec<String> {
    let mut words = Vec::new();
    for piece in text.split(|c: char| {
        !(c.is_alphanumeric() || c == 'µ' || c == '\u{fffd}' || c == '°' || c == '%')
    }) {
        if piece.is_empty() {
            continue;
        }
        // `mA` is one word, although its hump looks like two.
        if bare_unit(piece).is_some() {
            words.push(piece.to_owned());
        } else {
            words.extend(humps(piece));
        }
    }
    words
}

fn humps(piece: &str) -> Vec<String> {
    for unit in [
        "MilliAmps",
        "MicroAmps",
        "milliAmps",
        "microAmps",
        "mAmps",
        "uAmps",
        "Amps",
        "mA",
        "uA",
        "µA",
        "μA",
        "nA",
    ] {
        if let Some(stem) = piece.strip_suffix(unit)
            && stem.chars().next_back().is_some_and(|c| c.is_lowercase() || c.is_ascii_digit())
            && stem.len() >= 3
        {
            let mut words = humps(stem);
            words.push(unit.to_owned());
            return words;
        }
    }
    let mut words = vec![String::new()];
    let mut lower_before = false;
    for c in piece.chars() {
        if c.is_uppercase() && lower_before {
            words.push(String::new());
        }
        lower_before = c.is_lowercase();
        if let Some(word) = words.last_mut() {
            word.push(c);
        }
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    fn current(text: &str) -> Option<CurrentUnit> {
        unit_in_header(text).and_then(|(unit, _)| unit.current())
    }

    #[test]
    fn a_unit_of_current_is_found_wherever_the_trade_hides_it() {
        use CurrentUnit::*;
        for (text, unit) in [
            ("Current (A)", Ampere),
            ("Current [mA]", Milliampere),
            ("I/mA", Milliampere),
            ("I_A", Ampere),
            ("bat_ua", Microampere),
            ("current_mA", Milliampere),
            ("mAmps", Milliampere),
            ("mA", Milliampere),
            ("Strom in mA", Milliampere),
            ("I (µA)", Microampere),
            ("I (\u{fffd}A)", Microampere),
            ("currentMilliAmps", Milliampere),
            ("pumpCurrentmA", Milliampere),
            ("Reading, A DC", Ampere),
            ("Current (mA DC)", Milliampere),
            ("CURRENT (MA)", Milliampere),
            ("courant (ampères)", Ampere),
            ("I [nA]", Nanoampere),
            ("Current, microamps", Microampere),
        ] {
            assert_eq!(current(text), Some(unit), "{text}");
        }
    }

    #[test]
    fn what_only_looks_like_ampere_is_not() {
        for text in [
            "A:10",
            "Charge (Ah)",
            "Charge (A h)",
            "Amp-hr",
            "Watt-hr",
            "Capacity [mA h]",
            "mAh",
            "Area",
            "Alarm",
            "Data",
            "Voltage (V)",
            "Energy [Wh]",
            "schema",
        ] {
            assert_eq!(current(text), None, "{text}");
        }
    }

    #[test]
    fn a_unit_times_a_power_of_ten_is_seen() {
        for text in [
            "Current (x10 mA)",
            "current_0.1A",
            "I [0.01 A]",
            "I (mA × 100)",
            "Strom *10mA",
            "I (mA*10)",
            "current [mA/10]",
            "bat_cA",
            "current, deciamps",
            "I / 10^-3 A",
            "I (10⁻³ A)",
            "I [1e-3 A]",
            "I_mA_x10",
            "current (10*mA)",
            "I [100 x mA]",
            "I (mA) x10",
        ] {
            assert!(multiplied_unit(text).is_some(), "{text}");
        }
        for text in [
            "Current (A)",
            "I (10 A)",
            "Range 10A",
            "I1_mA",
            "x (mA)",
            "CH10 A",
            "max mA",
            "1 A",
            "I (A), 0.1A steps",
        ] {
            assert_eq!(multiplied_unit(text), None, "{text}");
        }
    }

    #[test]
    fn a_number_before_the_unit_is_seen_within_brackets_too() {
        for text in ["current 10 mA", "current [10 mA]", "I (10mA)", "I/10 mA", "I, 10 mA"] {
            assert_eq!(counted_unit(text).map(|(count, _)| count), Some(10.0), "{text}");
        }
        for text in ["I [100 mA range]", "I (100mA range)", "current 100 mA FS"] {
            assert_eq!(counted_unit(text).map(|(count, _)| count), Some(100.0), "{text}");
        }
        for text in
            ["current (mA)", "CH10A", "I (20 A)", "I1 (mA)", "10 V", "I range", "I (A) range"]
        {
            assert_eq!(counted_unit(text), None, "{text}");
        }
    }

    #[test]
    fn alternating_current_is_told_apart() {
        let ac = |text| matches!(unit_in_header(text), Some((Unit::Current { ac: true, .. }, _)));
        assert!(ac("A AC") && ac("Current (Arms)") && ac("AC current (A)") && ac("mA~"));
        assert!(ac("Irms [A]") && ac("Irms1 (mA)") && ac("I_rms/A"));
        assert!(!ac("A DC") && !ac("Current (A)") && !ac("Accessory (A)"));
    }
}
