//! Lines that speak: a time, then words, numbers and their units (`I (1000) meter: current 117 mA`, `100ms: 117mA`,
//! `[004.699] base current 2mA ok`), and records whose time stands on a line of its own.

use super::cell::{Mark, number_prefix, unit_suffix};
use super::claim::CURRENT_WORDS;
use super::dialect::Lines;
use super::stamp::stamp;
use super::units::Unit;

/// Lines looked at before deciding.
const LOOKED: usize = 50;

/// The name under which the number in brackets behind a level's letter goes: such loggers count milliseconds (common
/// practice).
pub(super) const LEVEL_TIME: &str = "time (ms)";

/// Time, names and values of a line that speaks; `None` when it has no time or no current with its unit.
pub(super) fn spoken(line: &str) -> Option<Vec<(String, String)>> {
    let (time, rest) = timed(line.trim())?;
    let mut found = vec![time];
    let mut name: Vec<&str> = Vec::new();
    let mut currents = 0;
    let mut named = false;
    let mut bare = false;
    let mut words = rest
        .split(|c: char| c.is_whitespace() || matches!(c, ';' | '|' | '=' | '(' | ')' | '[' | ']'))
        .map(|word| word.trim_end_matches([',', ':']))
        .filter(|word| !word.is_empty())
        .peekable();
    while let Some(word) = words.next() {
        let Some((_, unit)) = number_prefix(word.as_bytes(), Mark::Point) else {
            name.push(word);
            continue;
        };
        let mut value = word.to_owned();
        let mut quantity = unit_suffix(unit);
        if unit.is_empty() {
            quantity = words.peek().and_then(|next| unit_suffix(next.as_bytes()));
            if quantity.is_some() {
                value.push(' ');
                value.push_str(words.next()?);
            }
        } else if quantity.is_none() {
            name.push(word);
            continue;
        }
        let current = matches!(quantity, Some(Unit::Current { .. }));
        currents += usize::from(current);
        named |= current && !name.is_empty();
        bare |= quantity.is_none();
        if quantity.is_some() || !name.is_empty() {
            let from = name.len().saturating_sub(2);
            let title = name[from..].join(" ");
            found.push((if title.is_empty() { "reading".to_owned() } else { title }, value));
        }
        name.clear();
    }
    // The only current among quantities with their units.
    let alone = found.len() == 2 || currents == 1 && !bare;
    (currents > 0 && (named || alone) && found.len() <= 64).then_some(found)
}

/// The line starts with a level's letter and a number in brackets: `I (1000)`.
pub(super) fn has_level(line: &str) -> bool {
    matches!(line.trim_start().as_bytes(), [b'E' | b'W' | b'I' | b'D' | b'V', b' ', b'(', ..])
}

/// The time that a line starts with, under its name, and the rest of the line.
fn timed(line: &str) -> Option<((String, String), &str)> {
    // I (1000) meter: …
    if has_level(line) {
        let (ticks, rest) = line[3..].split_once(')')?;
        let rest = rest.split_once(": ").map_or(rest, |(_, rest)| rest);
        let whole = !ticks.is_empty() && ticks.bytes().all(|b| b.is_ascii_digit());
        return whole.then(|| ((LEVEL_TIME.to_owned(), ticks.to_owned()), rest));
    }
    // [004.699397] …
    if let Some((number, rest)) = line.strip_prefix('[').and_then(|line| line.split_once(']')) {
        let number = number.trim();
        if number.bytes().all(|b| b.is_ascii_digit() || b == b'.') && number.parse::<f64>().is_ok()
        {
            return Some((("time".to_owned(), number.to_owned()), rest));
        }
    }
    // 100ms: …
    if let Some((time, rest)) = line.split_once(": ")
        && is_span(time)
    {
        return Some((("time".to_owned(), time.to_owned()), rest));
    }
    // 100 ms | current: 117 mA | bus: 12.6 V
    for mark in [" | ", " -> ", " => ", ", ", "; ", " - "] {
        if let Some((time, rest)) = line.split_once(mark)
            && is_span(time)
            && rest.contains([':', '='])
        {
            return Some((("time".to_owned(), time.trim().to_owned()), rest));
        }
    }
    // #12 21:15:00 current 117 mA
    let behind_number = line.split_once(' ').filter(|(number, _)| is_row_number(number));
    let line = behind_number.map_or(line, |(_, rest)| rest.trim_start());
    // 2026-03-14 21:15:00 INFO hut: …
    let ends = line.match_indices(' ').map(|(at, _)| at).take_while(|at| *at <= 40).take(6);
    let end = ends
        .filter(|end| {
            stamp(&line.as_bytes()[..*end]).is_some_and(|s| s.second.is_some() && !s.span)
        })
        .last()?;
    let (time, rest) = line.split_at(end);
    (rest.contains(": ") || speaks_of_current(rest))
        .then(|| (("time".to_owned(), time.to_owned()), rest))
}

/// `100ms`, `2.5 s`: a number with its unit of time.
fn is_span(time: &str) -> bool {
    time.len() <= 16
        && number_prefix(time.trim().as_bytes(), Mark::Point)
            .is_some_and(|(_, unit)| matches!(unit_suffix(unit), Some(Unit::Time { .. })))
}

/// `#12`, `12:`, `(12)`: no part of a date or a time.
fn is_row_number(word: &str) -> bool {
    let digits = word.trim_matches(['#', ':', ')', '(', ']', '[']);
    digits.len() < word.len() && !digits.is_empty() && digits.bytes().all(|b| b.is_ascii_digit())
}

/// A word for a current stands right before a number.
fn speaks_of_current(rest: &str) -> bool {
    let words: Vec<String> = rest.split_whitespace().map(str::to_lowercase).collect();
    words.windows(2).any(|pair| {
        CURRENT_WORDS.contains(&pair[0].trim_end_matches([':', '=']))
            && pair[1].starts_with(|c: char| c.is_ascii_digit() || matches!(c, '-' | '+' | '.'))
    })
}

/// The text with the lines that follow a line of nothing but a date and time put behind it; `None` when it has no such
/// records. O(n).
pub(super) fn joined_records(text: &[u8], end: u8) -> Option<Vec<u8>> {
    let is_stamp = |line: &[u8]| {
        let line = line.trim_ascii();
        line.len() >= 8 && line.len() <= 40 && stamp(line).is_some_and(|s| s.second.is_some())
    };
    let (mut stamps, mut others) = (0, 0);
    for (_, line) in Lines::new(text, end).filter(|(_, l)| !l.trim_ascii().is_empty()).take(LOOKED)
    {
        if is_stamp(line) {
            stamps += 1;
        } else {
            others += 1;
        }
    }
    if stamps < 3 || others < stamps || others > stamps * 8 {
        return None;
    }
    let mut out = Vec::with_capacity(text.len());
    let mut open = false;
    for (_, line) in Lines::new(text, end) {
        let line = line.trim_ascii();
        if line.is_empty() {
            continue;
        }
        if is_stamp(line) {
            if !out.is_empty() {
                out.push(b'\n');
            }
            out.extend_from_slice(line);
            out.extend_from_slice(b" -> ");
            open = false;
        } else {
            if open {
                out.extend_from_slice(b", ");
            }
            out.extend_from_slice(line);
            open = true;
        }
    }
    out.push(b'\n');
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(line: &str) -> Option<Vec<(String, String)>> {
        spoken(line)
    }

    fn pairs(of: &[(&str, &str)]) -> Option<Vec<(String, String)>> {
        Some(of.iter().map(|(a, b)| ((*a).to_owned(), (*b).to_owned())).collect())
    }

    #[test]
    fn a_line_that_speaks_is_taken_apart() {
        assert_eq!(
            read("I (1000) meter: current 117 mA"),
            pairs(&[("time (ms)", "1000"), ("current", "117 mA")])
        );
        assert_eq!(
            read("I (1000) meter: U=12.61 V, I=117mA"),
            pairs(&[("time (ms)", "1000"), ("U", "12.61 V"), ("I", "117mA")])
        );
        assert_eq!(
            read("0.5 s: 117 mA, 12.6 V"),
            pairs(&[("time", "0.5 s"), ("reading", "117 mA"), ("reading", "12.6 V")])
        );
        assert_eq!(read("100ms: 117mA"), pairs(&[("time", "100ms"), ("reading", "117mA")]));
        assert_eq!(
            read("100 ms | current: 117 mA | bus: 12.6 V"),
            pairs(&[("time", "100 ms"), ("current", "117 mA"), ("bus", "12.6 V")])
        );
        assert_eq!(
            read("2026-03-14 21:15:00 INFO  hut: current 117 mA, supply 12.6 V"),
            pairs(&[
                ("time", "2026-03-14 21:15:00"),
                ("hut current", "117 mA"),
                ("supply", "12.6 V")
            ])
        );
        assert_eq!(
            read("#12 21:15:00 current 117 mA, 12.6 V"),
            pairs(&[("time", "21:15:00"), ("current", "117 mA"), ("reading", "12.6 V")])
        );
        assert_eq!(
            read("[004.699397] base current 2mA ok"),
            pairs(&[("time", "004.699397"), ("base current", "2mA")])
        );
    }

    #[test]
    fn what_gives_no_time_or_no_current_is_left_alone() {
        for line in [
            "12.6,0.117",
            "I (1000) wifi: connected",
            "[1.5] 12.6 V",
            "pump: 117 mA",
            "",
            "100 ms | 117 mA | 12.6 V",
        ] {
            assert_eq!(read(line), None, "{line}");
        }
    }

    #[test]
    fn records_under_a_line_of_time_are_joined() {
        let text: String =
            (0..4).map(|i| format!("2026-03-14 21:15:0{i}\nI: 11{i} mA\nU: 12.6 V\n\n")).collect();
        let joined = String::from_utf8(joined_records(text.as_bytes(), b'\n').unwrap()).unwrap();
        assert!(joined.starts_with("2026-03-14 21:15:00 -> I: 110 mA, U: 12.6 V\n2026"));
        assert_eq!(joined.lines().count(), 4);
        assert_eq!(joined_records(b"t,i\n0,1\n1,2\n2,3\n", b'\n'), None);
    }
}
