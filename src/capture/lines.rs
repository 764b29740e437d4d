//! The lines of a text: its start, its last whole line, line breaks and quotes that are none.

use super::dialect::{Lines, line_end, unwrap_line};
use super::read::Told;
use super::sniff::Sniffed;
use super::{bytes, careful};
use crate::fault::InputFault;
use crate::findings::Decision;

/// Bytes of the start from which the form is learnt.
const HEAD: usize = 1 << 20;

/// Bytes of the end in which the last line is looked for.
pub(super) const TAIL: usize = 64 << 10;

/// The text with line breaks inside the quotes of its first lines made blanks; as many lines as before.
pub(super) fn joined_quotes(text: &[u8]) -> Option<Vec<u8>> {
    const REACH: usize = 16 << 10;
    let end = line_end(&text[..text.len().min(HEAD)]);
    let reach = &text[..text.len().min(REACH)];
    let mut out = Vec::new();
    let (mut inside, mut owed, mut done) = (false, 0, 0);
    for (at, &byte) in reach.iter().enumerate() {
        match byte {
            b'"' => inside = !inside,
            _ if byte == end && inside => {
                owed += 1;
                // A quote that stays open for long is a letter.
                if owed > 8 {
                    return None;
                }
                out.push(b' ');
                continue;
            }
            b'\r' if inside => continue,
            _ if byte == end => {
                out.extend(std::iter::repeat_n(end, owed));
                done += owed;
                owed = 0;
            }
            _ => {}
        }
        out.push(byte);
        if byte == end && !inside && at > REACH / 2 {
            out.extend_from_slice(&text[at + 1..]);
            return (done > 0).then_some(out);
        }
    }
    if inside {
        return None;
    }
    out.extend_from_slice(&text[reach.len()..]);
    (done > 0).then_some(out)
}

/// The text with the quotes round its lines taken off.
pub(super) fn unwrapped(text: &[u8], end: u8) -> Vec<u8> {
    let mut out = Vec::with_capacity(text.len());
    for (_, line) in Lines::new(text, end) {
        out.extend_from_slice(&unwrap_line(line));
        out.push(end);
    }
    out
}

/// Whole lines of the start.
pub(super) fn head_of<'a>(file: &str, text: &'a [u8]) -> Result<&'a [u8], InputFault> {
    if text.len() <= HEAD {
        return Ok(text);
    }
    let end = line_end(&text[..HEAD]);
    let ends = memchr::memchr_iter(end, &text[..HEAD]).count();
    if ends >= 100 {
        return Ok(memchr::memrchr(end, &text[..HEAD]).map_or(text, |at| &text[..=at]));
    }
    // Long lines: more of the start, up to the longest line that is read.
    let reach = text.len().min(careful::LONGEST_LINE);
    match memchr::memrchr(end, &text[..reach]) {
        Some(at) => Ok(&text[..=at]),
        None if text.len() <= careful::LONGEST_LINE => Ok(text),
        None => Err(bytes::too_long(file, Some(1))),
    }
}

/// Where the last whole line of `tail`, the end of the rows, ends. A last line without ending counts as
/// whole when it is as long as the others.
pub(super) fn whole_end(tail: &[u8], sniffed: &Sniffed, told: &mut Told) -> usize {
    let table = &sniffed.table;
    let end = table.line_end;
    if tail.last() == Some(&end) {
        return tail.len();
    }
    let cut = memchr::memrchr(end, tail).map_or(0, |at| at + 1);
    let last = &tail[cut..];
    if last.trim_ascii().is_empty() || last.len() > careful::LONGEST_LINE || cut == 0 {
        return tail.len();
    }
    let mut cells = Vec::new();
    table.dialect.split(last, table.width + 1, &mut cells);
    // Shorter than every sampled cell of that place (the line itself may be the last): it was cut off.
    let known = table.sample.len() - 1;
    let shortest = |place: usize| {
        table.sample[..known]
            .iter()
            .filter_map(|row| row.get(place))
            .map(Vec::len)
            .min()
            .unwrap_or(0)
    };
    let full = cells.len() >= table.width || table.widths.contains(&cells.len());
    if full
        && cells.last().is_some_and(|cell| cell.len() >= shortest(cells.len().min(table.width) - 1))
    {
        return tail.len();
    }
    told.decisions.push(Decision {
        what: "last line".to_owned(),
        chosen: "left out".to_owned(),
        why: "it has no line ending and is shorter than the others: the file was cut off or is still being written".to_owned(),
        option: None,
    });
    cut
}
