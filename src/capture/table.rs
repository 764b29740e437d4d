//! Where the table is: delimiter, preamble, header stack, first row.

mod header;

use std::collections::BTreeMap;

use self::header::header;
use super::cell::{Mark, is_missing, is_overload, number_prefix, timelike, unit_suffix};
use super::dialect::{Delimiter, Dialect, Lines, line_end};
use super::stamp::{compact, stamp};

/// Cells of a line that are looked at; a wider table is read by place only.
pub(super) const CELLS: usize = 4096;
/// Cells looked at in all, per dialect.
const BUDGET: usize = 300_000;
/// Lines with anything in them that a dialect is judged by, and that a table is looked for in.
const JUDGED: usize = 3000;
const LOOKED: usize = 4000;
/// Rows kept to learn from.
const SAMPLE: usize = 1500;
/// Lines of preamble kept.
const PREAMBLE: usize = 400;
/// Bytes of a preamble line kept.
const PREAMBLE_WIDTH: usize = 400;

/// What a cell looks like before its column is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Empty,
    Missing,
    Number,
    Time,
    Text,
}

/// The table as found in the head of a file.
#[derive(Debug, Clone)]
pub(super) struct Table {
    pub(super) dialect: Dialect,
    pub(super) line_end: u8,
    /// Cells of most rows.
    pub(super) width: usize,
    /// Other numbers of cells that rows of this table have.
    pub(super) widths: Vec<usize>,
    /// Header rows, top first, each as wide as the table.
    pub(super) header: Vec<Vec<String>>,
    /// Cells of the header's bottom row as written; 0 without a header.
    pub(super) header_width: usize,
    /// Line of the first header row.
    pub(super) header_line: Option<u64>,
    /// The header's bottom row as it stands, to know it again.
    pub(super) header_text: Vec<u8>,
    /// Byte offset and line of the first row.
    pub(super) first_row: usize,
    pub(super) first_line: u64,
    /// Lines before the header.
    pub(super) preamble: Vec<String>,
    /// First rows, cell by cell.
    pub(super) sample: Vec<Vec<Vec<u8>>>,
}

/// Digits with a point among them and perhaps a minus before them: nothing else that a cell may be looks so.
fn is_plain_number(cell: &[u8]) -> bool {
    let digits = cell.strip_prefix(b"-").unwrap_or(cell);
    let points = digits.iter().filter(|byte| **byte == b'.').count();
    cell.len() <= 80
        && points == 1
        && digits[0].is_ascii_digit()
        && digits[digits.len() - 1].is_ascii_digit()
        && digits.iter().all(|byte| byte.is_ascii_digit() || *byte == b'.')
}

pub(super) fn kind(cell: &[u8]) -> Kind {
    if is_plain_number(cell) { Kind::Number } else { careful_kind(cell) }
}

fn careful_kind(cell: &[u8]) -> Kind {
    if cell.is_empty() {
        return Kind::Empty;
    }
    // A cell that another delimiter would cut is none of this one's.
    if cell.len() > 80 || cell.iter().any(|b| matches!(b, b'\t' | b';' | b'|')) {
        return Kind::Text;
    }
    if compact(cell).is_some() {
        return Kind::Time;
    }
    if timelike(cell) {
        return if stamp(cell).is_some() { Kind::Time } else { Kind::Text };
    }
    let prefixes = [Mark::Point, Mark::Comma].map(|mark| number_prefix(cell, mark));
    if prefixes.iter().flatten().any(|(value, rest)| rest.is_empty() && value.is_finite()) {
        return Kind::Number;
    }
    if is_missing(cell) || is_overload(cell) {
        return Kind::Missing;
    }
    let with_unit = |(_, rest): &(f64, &[u8])| !rest.is_empty() && unit_suffix(rest).is_some();
    if prefixes.iter().flatten().any(with_unit) {
        return Kind::Number;
    }
    if stamp(cell).is_some() { Kind::Time } else { Kind::Text }
}

/// One line of the head under one dialect.
#[derive(Debug, Clone, Copy)]
struct Shape {
    width: usize,
    /// Bit i: cell i is text.
    text: u64,
    /// Bit i: cell i is empty.
    empty: u64,
    /// Bit i: cell i is a number, a time or a missing value.
    known: u64,
    numbers: usize,
    typed: usize,
    filled: usize,
}

impl Shape {
    const EMPTY: Self =
        Self { width: 0, text: 0, empty: 0, known: 0, numbers: 0, typed: 0, filled: 0 };

    /// Takes in the next cell of the line.
    fn add(&mut self, cell: &[u8]) {
        let (kind, at) = (kind(cell), self.width);
        if at < 64 {
            self.empty |= u64::from(kind == Kind::Empty) << at;
            self.known |=
                u64::from(matches!(kind, Kind::Number | Kind::Time | Kind::Missing)) << at;
            self.text |= u64::from(kind == Kind::Text) << at;
        }
        self.width += 1;
        self.filled += usize::from(kind != Kind::Empty);
        self.numbers += usize::from(kind == Kind::Number);
        self.typed += usize::from(matches!(kind, Kind::Number | Kind::Time | Kind::Missing));
    }
}

fn shape(line: &[u8], dialect: Dialect) -> Shape {
    let mut shape = Shape::EMPTY;
    dialect.each_cell(&dialect.unwrap(line), CELLS, |cell| shape.add(cell));
    shape
}

/// How well a dialect explains the head, and the shape that most rows have under it.
#[derive(Debug, Clone, Copy)]
struct Fit {
    dialect: Dialect,
    score: f64,
    width: usize,
    text: u64,
}

/// What a dialect makes of the lines: its fits, best first, and the shapes of the lines it looked at, where it had
/// to know them.
struct Judged {
    fits: Vec<Fit>,
    shapes: Vec<Option<Shape>>,
}

/// Judges a dialect; `None` as soon as no fit of it can score above `least`.
fn judge(lines: &[(usize, &[u8])], dialect: Dialect, least: f64) -> Option<Judged> {
    let mut by_width: BTreeMap<usize, f64> = BTreeMap::new();
    let mut masks: BTreeMap<(usize, u64), usize> = BTreeMap::new();
    let mut shapes = Vec::with_capacity(lines.len());
    let mut top = 0.0_f64;
    let mut seen = 0;
    for (at, (_, line)) in lines.iter().enumerate() {
        // No line adds more than 1.
        if top + (lines.len() - at) as f64 <= least {
            return None;
        }
        // What the delimiter does not cut need not be looked at.
        let cuts = dialect.delimiter.byte().is_none_or(|byte| line.contains(&byte));
        let shape = if cuts { shape(line, dialect) } else { Shape { width: 1, ..Shape::EMPTY } };
        seen += shape.width;
        if seen > BUDGET {
            break;
        }
        if shape.width < 2 && dialect.delimiter != Delimiter::None {
            shapes.push(None);
            continue;
        }
        shapes.push(Some(shape));
        if shape.numbers == 0 {
            continue;
        }
        let share = shape.typed as f64 / shape.filled as f64;
        let score = by_width.entry(shape.width).or_default();
        *score += share * share;
        top = top.max(*score);
        *masks.entry((shape.width, shape.text)).or_default() += 1;
    }
    let mut fits: Vec<Fit> = by_width
        .iter()
        .filter_map(|(&width, &score)| {
            let of_width = masks.iter().filter(|(key, _)| key.0 == width);
            let (&(_, text), _) = of_width.max_by_key(|(_, count)| **count)?;
            Some(Fit { dialect, score, width, text })
        })
        .collect();
    fits.sort_by(|a, b| b.score.total_cmp(&a.score).then(a.width.cmp(&b.width)));
    Some(Judged { fits, shapes })
}

/// Finds the table in `head`, and after it others of another width that it may hold; `head` is the whole lines of the text's start; `skip` lines are passed over first.
/// With `may_be_wrapped`, every line may be one quoted string.
///
/// O(n) in the bytes of the first lines; a line is read once for every delimiter that may still be the best.
pub(super) fn find(head: &[u8], skip: usize, may_be_wrapped: bool) -> Vec<Table> {
    let end = line_end(head);
    let mut lines: Vec<(usize, &[u8])> = Vec::new();
    // Places of the lines with anything in them.
    let mut filled: Vec<usize> = Vec::with_capacity(LOOKED);
    for (offset, line) in Lines::new(head, end).skip(skip) {
        if !line.trim_ascii().is_empty() {
            filled.push(lines.len());
        }
        lines.push((offset, line));
        if filled.len() == LOOKED {
            break;
        }
    }
    let judged: Vec<(usize, &[u8])> = filled.iter().take(JUDGED).map(|at| lines[*at]).collect();
    let quoted = judged
        .iter()
        .filter(|(_, line)| {
            let line = line.trim_ascii();
            line.len() > 1 && line.starts_with(b"\"") && line.ends_with(b"\"")
        })
        .count();
    let mut best: Option<(Fit, Judged)> = None;
    let wraps: &[bool] =
        if may_be_wrapped && quoted * 2 > judged.len() { &[false, true] } else { &[false] };
    for &wrapped in wraps {
        for delimiter in Delimiter::ALL {
            // Blanks split at tabs as well, and dates from their times.
            let tabbed = best.as_ref().is_some_and(|(b, _)| b.dialect.delimiter == Delimiter::Tab);
            if delimiter == Delimiter::Blanks && tabbed {
                continue;
            }
            // A later candidate has to be clearly better.
            let least = best.as_ref().map_or(f64::NEG_INFINITY, |(b, _)| b.score * 1.02 + 1e-9);
            if let Some(found) = judge(&judged, Dialect { delimiter, wrapped }, least)
                && let Some(fit) = found.fits.first().copied().filter(|fit| fit.score > least)
            {
                best = Some((fit, found));
            }
        }
    }
    let Some((mut best, mut found)) = best else { return Vec::new() };
    if let Some(single) = one_column(&best, &judged) {
        (best, found) = single;
    }
    let mut fits = found.fits;
    fits.retain(|f| f.width != best.width && f.score > 0.2 * best.score);
    fits.truncate(2);
    fits.insert(0, best);
    let looked = look(&lines, &filled, best.dialect, found.shapes);
    fits.iter().filter_map(|fit| collect(&lines, &looked, end, skip, fit)).collect()
}

/// The shapes of the lines that a table is looked for in, with their places.
fn look(
    lines: &[(usize, &[u8])],
    filled: &[usize],
    dialect: Dialect,
    known: Vec<Option<Shape>>,
) -> Vec<(usize, Shape)> {
    let known = known.into_iter().chain(std::iter::repeat(None));
    filled
        .iter()
        .zip(known)
        .map(|(&at, known)| (at, known.unwrap_or_else(|| shape(lines[at].1, dialect))))
        .scan(0, |seen, (at, shape)| {
            *seen += shape.width;
            (*seen < BUDGET + CELLS).then_some((at, shape))
        })
        .collect()
}

/// A single column of decimal commas splits at its commas as well; the header's width tells.
fn one_column(best: &Fit, lines: &[(usize, &[u8])]) -> Option<(Fit, Judged)> {
    if best.dialect.delimiter != Delimiter::Comma || best.width != 2 {
        return None;
    }
    let shapes = lines.iter().map(|(_, line)| shape(line, best.dialect));
    let title = shapes.take_while(|shape| shape.numbers == 0).last()?;
    if title.width != 1 {
        return None;
    }
    let whole = Dialect { delimiter: Delimiter::None, ..best.dialect };
    let judged = judge(lines, whole, f64::NEG_INFINITY)?;
    let single = *judged.fits.first()?;
    (single.score >= best.score * 0.98).then_some((single, judged))
}

/// Bits of the columns that are blank in all but the first rows, where a preamble stands beside them.
fn notes(looked: &[(usize, Shape)], fit: &Fit) -> u64 {
    let usual = |s: &Shape| s.width == fit.width && s.text == fit.text && s.numbers > 0;
    let rows: Vec<&Shape> = looked.iter().map(|(_, s)| s).filter(|s| usual(s)).collect();
    if rows.len() < 8 {
        return 0;
    }
    (0..fit.width.min(64))
        .filter(|at| {
            let blank = rows.iter().filter(|s| s.empty >> at & 1 == 1).count();
            blank * 10 >= rows.len() * 9
        })
        .fold(0, |bits, at| bits | 1 << at)
}

fn collect(
    lines: &[(usize, &[u8])],
    looked: &[(usize, Shape)],
    line_end: u8,
    skip: usize,
    fit: &Fit,
) -> Option<Table> {
    let dialect = fit.dialect;
    // Cells beyond the table's width are notes.
    let own = if fit.width < 64 { (1 << fit.width) - 1 } else { u64::MAX } & !notes(looked, fit);
    let is_row = |shape: &Shape| {
        let strange = (shape.text & !fit.text & own).count_ones() as usize;
        shape.typed > 0
            && (shape.known & own != 0 || fit.width > 64)
            && shape.width + 1 >= fit.width.min(2)
            && strange * 4 <= shape.width
            && (shape.width == fit.width || shape.width + 2 >= fit.width)
    };
    // Lines of a preamble that are filled up with delimiters hold text and fewer numbers than rows do.
    let mut fullness: BTreeMap<usize, usize> = BTreeMap::new();
    for (_, shape) in looked.iter().filter(|(_, s)| s.width == fit.width && is_row(s)) {
        *fullness.entry(shape.typed).or_default() += 1;
    }
    let usual = fullness.iter().max_by_key(|(_, count)| **count).map_or(0, |(typed, _)| *typed);
    // The table starts where rows go on: most of the next ten lines are rows too.
    let start = (0..looked.len())
        .find(|&i| {
            let window = &looked[i..(i + 10).min(looked.len())];
            let row = &looked[i].1;
            let exact = row.numbers > 0
                && (row.text & !fit.text & own == 0 || row.typed * 2 >= usual)
                && (fit.width..=fit.width + 2).contains(&row.width);
            exact
                && is_row(&looked[i].1)
                && window.iter().filter(|(_, s)| is_row(s)).count() * 10 >= window.len() * 6
        })
        .or_else(|| looked.iter().position(|(_, s)| is_row(s) && s.width == fit.width))?;
    let first = looked[start].0;
    let mut sample: Vec<Vec<Vec<u8>>> = Vec::new();
    let mut seen_widths: Vec<(usize, usize)> = Vec::new();
    for (at, seen) in &looked[start..] {
        if sample.len() >= SAMPLE {
            break;
        }
        if is_row(seen) && seen.numbers + usize::from(fit.width > 1) > 0 {
            seen_widths.push((seen.width, *at));
            if seen.width == fit.width {
                let mut cells = Vec::with_capacity(fit.width);
                let line = dialect.unwrap(lines[*at].1);
                dialect.each_cell(&line, CELLS, |cell| cells.push(cell.to_vec()));
                sample.push(cells);
            }
        }
    }
    // Rows that all start with the same word are records of one type; others with another word are not of this table.
    let tag = sample.first()?.first().filter(|tag| kind(tag) == Kind::Text).cloned();
    let tag = tag.filter(|tag| sample.iter().all(|row| row.first() == Some(tag)));
    let mut widths: BTreeMap<usize, usize> = BTreeMap::new();
    for (width, at) in &seen_widths {
        let starts_with = |tag: &Vec<u8>| {
            let mut starts = false;
            dialect.each_cell(&dialect.unwrap(lines[*at].1), 1, |word| starts = word == tag);
            starts
        };
        if tag.as_ref().is_none_or(starts_with) {
            *widths.entry(*width).or_default() += 1;
        }
    }
    let rows: usize = widths.values().sum();
    let widest = widths.keys().max().copied().unwrap_or(fit.width);
    let mut widths: Vec<usize> = widths
        .into_iter()
        .filter(|(w, count)| *w != fit.width && count * 20 >= rows)
        .map(|(w, _)| w)
        .collect();
    let head = header(lines, first, dialect, fit.width, widest, sample.first()?);
    if head.width > fit.width && !widths.contains(&head.width) {
        widths.push(head.width);
    }
    let top = head.first_at.unwrap_or(first);
    // Such a header is looked through for the interval as well.
    let header_end = if head.width > fit.width { first } else { top };
    // A preamble may stand in columns of its own beside the first rows.
    let beside = looked[start..]
        .iter()
        .take(40)
        .filter(|(_, s)| {
            s.width == fit.width && s.numbers > 0 && (!is_row(s) || s.text & !fit.text & !own != 0)
        })
        .map(|(at, _)| &lines[*at]);
    let preamble = lines[..header_end]
        .iter()
        .chain(beside)
        .filter(|(_, line)| !line.trim_ascii().is_empty())
        .take(PREAMBLE)
        .map(|(_, line)| {
            String::from_utf8_lossy(&line[..line.len().min(PREAMBLE_WIDTH)]).into_owned()
        })
        .collect();
    Some(Table {
        dialect,
        line_end,
        width: fit.width,
        widths,
        header: head.rows,
        header_width: head.width,
        header_line: head.first_at.map(|at| (skip + at) as u64 + 1),
        header_text: head.text,
        first_row: lines[first].0,
        first_line: (skip + first) as u64 + 1,
        preamble,
        sample,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(text: &str) -> Table {
        find(text.as_bytes(), 0, true)
            .into_iter()
            .next()
            .unwrap_or_else(|| panic!("no table in {text}"))
    }

    fn rows(row: impl Fn(usize) -> String) -> String {
        (0..20).map(|i| row(i) + "\n").collect()
    }

    #[test]
    fn a_preamble_and_a_stack_of_headers_are_set_apart() {
        let text = format!(
            "Logger 7\nRange;500 mA\n\nTime;Current\ns;mA\n{}",
            rows(|i| format!("{i};{},5", i + 3))
        );
        let table = found(&text);
        assert_eq!(table.dialect.delimiter, Delimiter::Semicolon);
        assert_eq!(table.header, [["Time", "Current"], ["s", "mA"]]);
        assert_eq!((table.header_line, table.first_line), (Some(4), 6));
        assert_eq!(table.preamble.len(), 2);
    }

    #[test]
    fn a_plain_number_is_nothing_else() {
        proptest::proptest!(|(cell in "-?[0-9.]{1,18}")| {
            let cell = cell.as_bytes();
            proptest::prop_assert!(!is_plain_number(cell) || careful_kind(cell) == Kind::Number);
        });
        let plain = |cell: &str| is_plain_number(cell.as_bytes());
        assert!(plain("0.5") && plain("-12.25"));
        assert!(!["", "-", ".", "5.", "-.5", "1.2.3", "20260314211500"].into_iter().any(plain));
    }

    #[test]
    fn a_decimal_comma_is_no_delimiter() {
        let table = found(&rows(|i| format!("{i},25;0,{i:03}")));
        assert_eq!((table.dialect.delimiter, table.width), (Delimiter::Semicolon, 2));
        let table = found(&format!("Current (A)\n{}", rows(|i| format!("0,{i:03}"))));
        assert_eq!((table.dialect.delimiter, table.width), (Delimiter::None, 1));
    }

    #[test]
    fn wrapped_lines_and_commented_headers() {
        let text = format!("\"time,current\"\n{}", rows(|i| format!("\"{i},0.{i:02}\"")));
        assert!(found(&text).dialect.wrapped);
        let text = format!("# t/s  I/mA\n{}", rows(|i| format!("  {i}.0   0.{i:02}")));
        let table = found(&text);
        assert_eq!(
            (table.dialect.delimiter, table.header),
            (Delimiter::Blanks, vec![vec!["t/s".to_owned(), "I/mA".to_owned()]])
        );
    }
}
