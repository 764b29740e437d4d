//! How a line falls into cells.

use std::borrow::Cow;

use memchr::memchr;

/// What stands between cells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Delimiter {
    Comma,
    Semicolon,
    Tab,
    Bar,
    /// Runs of blanks.
    Blanks,
    /// The line is one cell.
    None,
}

impl Delimiter {
    pub(super) const ALL: [Self; 6] =
        [Self::Comma, Self::Semicolon, Self::Tab, Self::Bar, Self::Blanks, Self::None];

    pub(super) fn byte(self) -> Option<u8> {
        match self {
            Self::Comma => Some(b','),
            Self::Semicolon => Some(b';'),
            Self::Tab => Some(b'\t'),
            Self::Bar => Some(b'|'),
            Self::Blanks | Self::None => None,
        }
    }

    pub(super) fn name(self) -> &'static str {
        match self {
            Self::Comma => "comma",
            Self::Semicolon => "semicolon",
            Self::Tab => "tab",
            Self::Bar => "vertical bar",
            Self::Blanks => "blanks",
            Self::None => "none (one cell a line)",
        }
    }
}

/// How a line falls into cells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Dialect {
    pub(super) delimiter: Delimiter,
    /// Every line is one quoted string that holds the cells.
    pub(super) wrapped: bool,
}

impl Dialect {
    /// The line without its wrapping quotes.
    pub(super) fn unwrap<'a>(&self, line: &'a [u8]) -> Cow<'a, [u8]> {
        if self.wrapped { unwrap_line(line) } else { Cow::Borrowed(line) }
    }

    /// Cuts an unwrapped line into trimmed cells without their quotes; at most `limit` of them.
    pub(super) fn split<'a>(&self, line: &'a [u8], limit: usize, cells: &mut Vec<&'a [u8]>) {
        cells.clear();
        self.each_cell(line, limit, |cell| cells.push(cell));
    }

    /// As [`split`](Self::split), one cell after the other.
    pub(super) fn each_cell<'a>(
        &self,
        line: &'a [u8],
        limit: usize,
        mut take: impl FnMut(&'a [u8]),
    ) {
        let Some(delimiter) = self.delimiter.byte() else {
            if self.delimiter == Delimiter::None {
                take(clean(line));
            } else {
                each_between_blanks(line, limit, take);
            }
            return;
        };
        let quoted = memchr(b'"', line).is_some();
        let mut rest = line;
        for _ in 0..limit {
            let end = if quoted { cell_end(rest, delimiter) } else { memchr(delimiter, rest) };
            match end {
                Some(end) => {
                    take(clean(&rest[..end]));
                    rest = &rest[end + 1..];
                }
                None => {
                    take(clean(rest));
                    return;
                }
            }
        }
    }
}

/// Where the cell that `rest` starts with ends, minding quotes; a quote that is never closed is a letter.
fn cell_end(rest: &[u8], delimiter: u8) -> Option<usize> {
    let start = rest.iter().position(|b| !matches!(b, b' ' | b'\t'))?;
    if rest[start] != b'"' {
        return memchr(delimiter, rest);
    }
    let mut at = start + 1;
    while let Some(quote) = memchr(b'"', &rest[at..]) {
        at += quote + 1;
        if rest.get(at) == Some(&b'"') {
            at += 1;
        } else {
            return memchr(delimiter, &rest[at..]).map(|end| at + end);
        }
    }
    memchr(delimiter, rest)
}

fn each_between_blanks<'a>(line: &'a [u8], limit: usize, mut take: impl FnMut(&'a [u8])) {
    let mut at = 0;
    for _ in 0..limit {
        while line.get(at).is_some_and(|b| matches!(b, b' ' | b'\t')) {
            at += 1;
        }
        if at >= line.len() {
            return;
        }
        let start = at;
        if line[at] == b'"'
            && let Some(close) = memchr(b'"', &line[at + 1..])
        {
            at += close + 2;
        }
        while line.get(at).is_some_and(|b| !matches!(b, b' ' | b'\t')) {
            at += 1;
        }
        take(clean(&line[start..at]));
    }
}

/// Trims blanks (also U+00A0 and stray control characters) and one pair of quotes.
pub(super) fn clean(cell: &[u8]) -> &[u8] {
    let trimmed = trim(cell);
    match trimmed {
        [b'"', inner @ .., b'"'] | [b'\'', inner @ .., b'\''] => trim(inner),
        // A spreadsheet's way to force text: ="0.5"
        [b'=', b'"', inner @ .., b'"'] => trim(inner),
        _ => trimmed,
    }
}

fn trim(mut cell: &[u8]) -> &[u8] {
    loop {
        cell = match cell {
            [0..=b' ' | 0x7F, rest @ ..] | [0xC2, 0xA0, rest @ ..] => rest,
            [rest @ .., 0..=b' ' | 0x7F] | [rest @ .., 0xC2, 0xA0] => rest,
            _ => return cell,
        }
    }
}

/// Removes the quotes round a whole line and undoes the doubling inside.
pub(super) fn unwrap_line(line: &[u8]) -> Cow<'_, [u8]> {
    let trimmed = line.trim_ascii();
    let [b'"', inner @ .., b'"'] = trimmed else { return Cow::Borrowed(line) };
    if memchr(b'"', inner).is_none() {
        return Cow::Borrowed(inner);
    }
    let mut plain = Vec::with_capacity(inner.len());
    let mut rest = inner;
    while let Some(at) = memchr(b'"', rest) {
        plain.extend_from_slice(&rest[..=at]);
        rest = &rest[at + 1..];
        if rest.first() == Some(&b'"') {
            rest = &rest[1..];
        }
    }
    plain.extend_from_slice(rest);
    Cow::Owned(plain)
}

/// Lines of a text with their byte offsets; ended by LF, CRLF or, when the text has no LF, CR.
#[derive(Debug, Clone)]
pub(super) struct Lines<'a> {
    text: &'a [u8],
    at: usize,
    end: u8,
}

impl<'a> Lines<'a> {
    pub(super) fn new(text: &'a [u8], end: u8) -> Self {
        Self { text, at: 0, end }
    }
}

impl<'a> Iterator for Lines<'a> {
    /// Offset of the line and its bytes without the ending.
    type Item = (usize, &'a [u8]);

    fn next(&mut self) -> Option<Self::Item> {
        if self.at >= self.text.len() {
            return None;
        }
        let start = self.at;
        let rest = &self.text[start..];
        let (line, next) = match memchr(self.end, rest) {
            Some(end) => (&rest[..end], start + end + 1),
            None => (rest, self.text.len()),
        };
        self.at = next;
        Some((start, line.strip_suffix(b"\r").unwrap_or(line)))
    }
}

/// The byte that ends lines: CR only where no LF occurs in the head.
pub(super) fn line_end(head: &[u8]) -> u8 {
    if memchr(b'\n', head).is_none() && memchr(b'\r', head).is_some() { b'\r' } else { b'\n' }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cells(delimiter: Delimiter, line: &str) -> Vec<String> {
        let mut cells = Vec::new();
        Dialect { delimiter, wrapped: false }.split(line.as_bytes(), 99, &mut cells);
        cells.iter().map(|c| String::from_utf8_lossy(c).into_owned()).collect()
    }

    #[test]
    fn quotes_padding_and_blanks() {
        assert_eq!(
            cells(Delimiter::Comma, r#"1, "a,b" ,"x""y",="5","#),
            ["1", "a,b", "x\"\"y", "5", ""]
        );
        assert_eq!(cells(Delimiter::Blanks, "  1.0\t 2.0  \"a b\" "), ["1.0", "2.0", "a b"]);
        assert_eq!(cells(Delimiter::Comma, r#"1,"never closed,2"#), ["1", "\"never closed", "2"]);
    }

    #[test]
    fn a_wrapped_line_loses_its_quotes_once() {
        assert_eq!(&*unwrap_line(br#""1;""a;b"";2""#), br#"1;"a;b";2"#);
    }

    #[test]
    fn lines_end_in_any_of_three_ways() {
        let of = |text: &'static [u8]| {
            Lines::new(text, line_end(text)).map(|(_, l)| l).collect::<Vec<_>>()
        };
        assert_eq!(of(b"a\r\nb\r\n"), [b"a", b"b"]);
        assert_eq!(of(b"a\rb"), [b"a", b"b"]);
        assert_eq!(of(b"a\n\nb\n"), [&b"a"[..], b"", b"b"]);
    }
}
