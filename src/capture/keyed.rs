//! Lines that name every value (`t=0.5 I=12mA`, `{"time": 0.5, "current_mA": 12}`): made into a table with a header.

use std::borrow::Cow;

use super::dialect::{Lines, line_end};
use super::json::{cell, flat};
use super::prose::{self, joined_records, spoken};
use super::stamp::stamp;

/// Lines looked at before deciding.
const LOOKED: usize = 50;

/// The text as a tab-separated table; `None` when its lines do not name their values. O(n).
pub(super) fn table(text: &[u8]) -> Option<Vec<u8>> {
    let start = text.trim_ascii_start();
    // An array of objects is broken into lines.
    let broken: Vec<u8>;
    let text = if start.starts_with(b"[") && start[1..].trim_ascii_start().starts_with(b"{") {
        broken = text.iter().map(|b| if *b == b'}' { b'\n' } else { *b }).collect();
        &broken
    } else {
        text
    };
    let end = line_end(&text[..text.len().min(1 << 20)]);
    let joined = joined_records(text, end);
    let (text, end) = joined.as_deref().map_or((text, end), |joined| (joined, b'\n'));
    let mut keys: Option<Vec<String>> = None;
    let (mut seen, mut alike) = (0, 0);
    for (_, line) in
        Lines::new(text, end).filter(|(_, l)| l.iter().any(u8::is_ascii_alphanumeric)).take(LOOKED)
    {
        seen += 1;
        let Some(found) =
            pairs(line).map(|p| p.into_iter().map(|(key, _)| key).collect::<Vec<_>>())
        else {
            continue;
        };
        match &keys {
            None => {
                alike = 1;
                keys = Some(found);
            }
            Some(first) if *first == found => alike += 1,
            Some(_) => {}
        }
    }
    let keys = keys.filter(|_| alike >= 3 && alike * 10 >= seen * 8)?;
    let mut out = Vec::with_capacity(text.len());
    let mut headed = false;
    for (_, line) in Lines::new(text, end) {
        let found = pairs(line);
        // What stands before the first of such lines stays before the header.
        if !headed && found.as_ref().is_some_and(|found| found.iter().map(|p| &p.0).eq(&keys)) {
            headed = true;
            out.extend_from_slice(keys.join("\t").as_bytes());
            out.push(b'\n');
        }
        match found {
            Some(found) if found.len() == keys.len() && found.iter().map(|p| &p.0).eq(&keys) => {
                let values: Vec<&str> = found.iter().map(|(_, value)| value.as_str()).collect();
                out.extend_from_slice(values.join("\t").as_bytes());
            }
            _ => out.extend(line.iter().filter(|b| !matches!(b, b'[' | b']' | b'{' | b'}' | b','))),
        }
        out.push(b'\n');
    }
    Some(out)
}

/// Keys and values of a line, two at least; `None` when it names none.
fn pairs(line: &[u8]) -> Option<Vec<(String, String)>> {
    if line.len() > 4096 {
        return None;
    }
    let text = std::str::from_utf8(line).ok()?;
    // The names in a line behind a level's letter and ticks are those after its colon.
    if prose::has_level(text) { spoken(text) } else { named(text).or_else(|| spoken(text)) }
}

/// Keys and values of a line that holds nothing else, but for a stamp and who wrote it.
fn named(text: &str) -> Option<Vec<(String, String)>> {
    if let Some(found) = nested(text).or_else(|| object_behind_stamp(text)) {
        return Some(found);
    }
    if let Some((time, rest)) = bracketed(text) {
        let (_, pairs) = rest.split_at(rest[..rest.find('=')?].trim_end().rfind(' ')?);
        let mut found = vec![("time".to_owned(), time.to_owned())];
        let line = pairs.trim();
        match named(line) {
            Some(more) => found.extend(more),
            None => {
                let (key, value) = line.split_once('=')?;
                (!value.contains('=')).then_some(())?;
                found.push((key.to_owned(), value.to_owned()));
            }
        }
        return Some(found);
    }
    let bare: String = without_quoted_blanks(text)
        .chars()
        .map(|c| if matches!(c, '{' | '}' | '[' | ']' | '"' | '\'' | '\t') { ' ' } else { c })
        .collect();
    let (time, bare) = stamped(&bare);
    // Tabs part better than blanks where each holds one pair.
    let one_pair = |part: &str| part.matches('=').count() + part.matches(": ").count() == 1;
    let tabbed = time.is_none() && text.contains('\t') && text.trim().split('\t').all(one_pair);
    // Blanks part only where no comma or semicolon does, and single ones only where no two stand together.
    let parts: Vec<&str> = if tabbed {
        text.trim().split('\t').collect()
    } else if bare.contains([',', ';']) {
        bare.split([',', ';']).collect()
    } else if bare.trim().contains("  ") {
        bare.split("  ").collect()
    } else {
        bare.split_whitespace().collect()
    };
    // `I: 3` falls apart at its blank.
    let mut whole: Vec<String> = Vec::new();
    for part in parts.iter().map(|p| p.trim()).filter(|p| !p.is_empty()) {
        match whole.last_mut() {
            Some(last) if last.ends_with([':', '=']) => last.push_str(part),
            _ => whole.push(part.to_owned()),
        }
    }
    let mut found: Vec<(String, String)> = Vec::new();
    found.extend(time.map(|time| ("time".to_owned(), time.to_owned())));
    for part in whole.iter().map(String::as_str) {
        let pair = part.split_once(['=', ':']).filter(|(key, value)| {
            let key = key.trim();
            !value.trim().is_empty()
                && key.starts_with(|c: char| c.is_alphabetic())
                && key.len() <= 40
        });
        match (pair, found.last_mut()) {
            (Some((key, value)), _) => found.push((key.trim().to_owned(), value.trim().to_owned())),
            // A unit after its number, or the digits after a decimal comma.
            (None, Some(last)) if part.chars().all(char::is_alphabetic) && part.len() <= 4 => {
                last.1.push(' ');
                last.1.push_str(part);
            }
            _ => return None,
        }
    }
    (found.len() >= 2).then_some(found)
}

/// `msg="pump on" I=3`: the value in quotes as one word.
fn without_quoted_blanks(text: &str) -> Cow<'_, str> {
    if !text.contains("=\"") {
        return Cow::Borrowed(text);
    }
    let (mut inside, mut before) = (false, ' ');
    let keep = |c: char| {
        let quote = c == '"' && (inside || before == '=');
        inside ^= quote;
        before = c;
        match c {
            _ if quote => None,
            ' ' | ',' | ';' | '=' | ':' if inside => Some('_'),
            _ => Some(c),
        }
    };
    Cow::Owned(text.chars().filter_map(keep).collect())
}

/// Names and values of a line that is one JSON object with objects or arrays inside; arrays are passed over.
fn nested(line: &str) -> Option<Vec<(String, String)>> {
    let line = line.trim().trim_end_matches(',');
    if !line.starts_with('{') || !line.ends_with('}') || !line[1..].contains(['{', '[']) {
        return None;
    }
    let object = serde_json::from_str(line).ok()?;
    let found: Vec<_> = flat(&object).into_iter().map(|(key, v)| (key, cell(v))).collect();
    (found.len() >= 2 && !found.iter().any(|(_, value)| value.contains('\t'))).then_some(found)
}

/// `2026-03-14T21:15:00Z hut: {"i_mA": 117}`: names and values of the object, the time before them.
fn object_behind_stamp(line: &str) -> Option<Vec<(String, String)>> {
    let at = line.find('{').filter(|at| *at > 0 && line.trim_end().ends_with('}'))?;
    let before = line[..at].trim();
    let end = stamp_end(before)?;
    let object = serde_json::from_str(line[at..].trim()).ok()?;
    let mut found = vec![("time".to_owned(), before[..end].to_owned())];
    found.extend(flat(&object).into_iter().map(|(key, v)| (key, cell(v))));
    (found.len() >= 2 && !found.iter().any(|(_, value)| value.contains('\t'))).then_some(found)
}

/// Where the date or time of day that a text starts with ends.
fn stamp_end(text: &str) -> Option<usize> {
    let mut ends = text.match_indices(' ').map(|(at, _)| at).chain([text.len()]);
    let timed =
        |end: usize| stamp(&text.as_bytes()[..end]).is_some_and(|found| found.second.is_some());
    ends.rfind(|end| *end <= 40 && timed(*end))
}

/// `[   12.345] `, `(1773522900.1) `: a number in brackets that the line starts with is its time.
fn bracketed(line: &str) -> Option<(&str, &str)> {
    let line = line.trim_start();
    let close = if line.starts_with('[') { ']' } else { ')' };
    let (number, rest) = line.strip_prefix(['[', '('])?.split_once(close)?;
    let number = number.trim();
    let digits = number.bytes().all(|b| b.is_ascii_digit() || b == b'.');
    (digits && number.parse::<f64>().is_ok() && rest.contains('=')).then_some((number, rest))
}

/// A date or time of day that the line starts with, before the names: `21:15:00 -> I:3`. What stands between the stamp
/// and an arrow, a colon, or the first `name=` is who wrote the line.
fn stamped(line: &str) -> (Option<&str>, &str) {
    let arrow = ["->", "=>", " : ", "> ", " | "].into_iter().find_map(|mark| line.split_once(mark));
    let named = || {
        let word = line[..line.find('=')?].trim_end().rfind(' ')?;
        Some(line.split_at(word))
    };
    // `[21:15:00] CHG I:3mA U:12V`, where no name has a sign of equality.
    let spelled = || {
        let at = line.split_whitespace().find(|word| is_pair(word))?.as_ptr() as usize;
        Some(line.split_at(at - line.as_ptr() as usize))
    };
    let found = named().or_else(spelled);
    for (before, after) in [arrow, found].into_iter().flatten() {
        let before = without_year(before.trim());
        if let Some(end) = stamp_end(before) {
            return (Some(&before[..end]), after);
        }
    }
    (None, line)
}

/// `I:0.118A`, `U:-3`.
fn is_pair(word: &str) -> bool {
    word.split_once(':').is_some_and(|(key, value)| {
        key.starts_with(char::is_alphabetic)
            && value.trim_start_matches(['-', '+', '.']).starts_with(|c: char| c.is_ascii_digit())
    })
}

/// `03-14 21:15:00.250  812 …` without its date, which lacks the year.
fn without_year(text: &str) -> &str {
    match text.as_bytes() {
        [a, b, b'-' | b'/', c, d, b' ', ..] if [a, b, c, d].iter().all(|d| d.is_ascii_digit()) => {
            text[6..].trim_start()
        }
        _ => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn named_values_become_columns() {
        let turned = |text: &str| table(text.as_bytes()).map(|t| String::from_utf8(t).unwrap());
        assert_eq!(
            turned("t=0 I=1.5 mA\nt=1 I=1.6 mA\nt=2 I=1.7 mA\n").unwrap(),
            "t\tI\n0\t1.5 mA\n1\t1.6 mA\n2\t1.7 mA\n"
        );
        assert_eq!(
            turned("21:15:00 -> I:3\n21:15:01 -> I:4\n21:15:02 -> I:5\n").unwrap(),
            "time\tI\n21:15:00\t3\n21:15:01\t4\n21:15:02\t5\n"
        );
        assert_eq!(
            turned(
                &(0..3)
                    .map(|i| format!("2026-03-14 21:15:0{i},250 INFO hut: I={i} mA U=12.6 V\n"))
                    .collect::<String>()
            )
            .unwrap(),
            "time\tI\tU\n2026-03-14 21:15:00,250\t0 mA\t12.6 V\n\
             2026-03-14 21:15:01,250\t1 mA\t12.6 V\n2026-03-14 21:15:02,250\t2 mA\t12.6 V\n"
        );
        assert_eq!(
            turned(
                &(0..3)
                    .map(|i| format!(
                        "2026-03-14T21:15:0{i}Z hut: {{\"i_mA\": {i}.5, \"u\": 12}}\n"
                    ))
                    .collect::<String>()
            )
            .unwrap(),
            "time\ti_mA\tu\n2026-03-14T21:15:00Z\t0.5\t12\n2026-03-14T21:15:01Z\t1.5\t12\n\
             2026-03-14T21:15:02Z\t2.5\t12\n"
        );
        let spoken: String = (0..3).map(|i| format!("21:15:0{i} -> I(mA): {i}.5\n")).collect();
        assert!(turned(&spoken).unwrap().starts_with("time\tI(mA)\n21:15:00\t0.5\n"));
        let tagged: String =
            (0..3).map(|i| format!("21:15:0{i} charge I:1.{i}A U:12V\n")).collect();
        assert_eq!(
            turned(&tagged).unwrap(),
            "time\tI\tU\n21:15:00\t1.0A\t12V\n21:15:01\t1.1A\t12V\n21:15:02\t1.2A\t12V\n"
        );
        let tabs: String = (0..3)
            .map(|i| format!("Time: {i} ms\tBus voltage: 12.6 V\tCurrent: 1.{i} mA\n"))
            .collect();
        assert!(
            turned(&tabs)
                .unwrap()
                .starts_with("Time\tBus voltage\tCurrent\n0 ms\t12.6 V\t1.0 mA\n")
        );
        let quoted: String = (0..3)
            .map(|i| format!("level=info ts=2026-03-14T21:15:0{i}Z msg=\"pump, on\" mA=1.{i}\n"))
            .collect();
        assert!(
            turned(&quoted)
                .unwrap()
                .starts_with("level\tts\tmsg\tmA\ninfo\t2026-03-14T21:15:00Z\tpump__on\t1.0\n")
        );
        let script: String = (0..3).map(|i| format!("{{'t': {i}, 'mA': 1.{i}}}\n")).collect();
        assert_eq!(turned(&script).unwrap(), "t\tmA\n0\t1.0\n1\t1.1\n2\t1.2\n");
        let flags: String =
            (0..3).map(|i| format!("{{\"mA\": 1.{i}, \"flags\": [1, 2], \"t\": {i}}}\n")).collect();
        assert_eq!(turned(&flags).unwrap(), "mA\tt\n1.0\t0\n1.1\t1\n1.2\t2\n");
        let json = r#"[{"t":0,"i_mA":1},{"t":1,"i_mA":2},{"t":2,"i_mA":3}]"#;
        assert!(turned(json).unwrap().starts_with("t\ti_mA\n0\t1\n1\t2\n2\t3\n"));
        assert_eq!(turned("time,current\n0,1\n1,2\n2,3\n"), None);
        assert_eq!(turned("10:00:00 12:00:00\n10:00:01 12:00:01\n10:00:02 12:00:02\n"), None);
    }
}
