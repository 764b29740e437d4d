//! Lines of a terminal page: wrapped, indented, coloured only when asked.

use crate::report::words;
use comfy_table::{Cell, ContentArrangement, Table, TableStyle};

const STRONG: &str = "\u{1b}[1m";
const FAINT: &str = "\u{1b}[2m";
const RED: &str = "\u{1b}[31m";
const GREEN: &str = "\u{1b}[32m";
const YELLOW: &str = "\u{1b}[33m";
const PLAIN: &str = "\u{1b}[0m";

/// A page under construction.
pub(super) struct Page {
    out: String,
    width: usize,
    colour: bool,
}

impl Page {
    pub(super) fn new(width: usize, colour: bool) -> Self {
        Self { out: String::new(), width: width.clamp(40, 120), colour }
    }

    pub(super) fn width(&self) -> usize {
        self.width
    }

    pub(super) fn finish(self) -> String {
        self.out
    }

    pub(super) fn blank(&mut self) {
        self.out.push('\n');
    }

    fn line(&mut self, style: &str, line: &str) {
        let line = line.trim_end();
        if self.colour && !style.is_empty() && !line.is_empty() {
            self.out.push_str(style);
            self.out.push_str(line);
            self.out.push_str(PLAIN);
        } else {
            self.out.push_str(line);
        }
        self.out.push('\n');
    }

    fn wrapped(&mut self, style: &str, first: &str, rest: &str, text: &str) {
        // A name with a hyphen in it, a unit's or a file's, stays whole.
        let options = textwrap::Options::new(self.width)
            .initial_indent(first)
            .subsequent_indent(rest)
            .word_splitter(textwrap::WordSplitter::NoHyphenation);
        for line in textwrap::wrap(&words::tied(text), options) {
            self.line(style, &line.replace('\u{a0}', " "));
        }
    }

    pub(super) fn strong(&mut self, text: &str) {
        self.wrapped(STRONG, "", "", text);
    }

    pub(super) fn faint(&mut self, text: &str) {
        self.wrapped(FAINT, "", "", text);
    }

    pub(super) fn heading(&mut self, text: &str) {
        self.blank();
        self.line(STRONG, text);
    }

    pub(super) fn say(&mut self, text: &str) {
        self.wrapped("", "  ", "  ", text);
    }

    /// A paragraph behind its name.
    pub(super) fn told(&mut self, name: &str, text: &str) {
        let first = format!("{name:<9} ");
        self.wrapped("", &first, &" ".repeat(10), text);
    }

    pub(super) fn note(&mut self, text: &str) {
        self.wrapped(FAINT, "  ", "  ", text);
    }

    pub(super) fn item(&mut self, mark: &str, text: &str) {
        let first = format!("  {mark} ");
        let rest = " ".repeat(first.chars().count());
        self.wrapped("", &first, &rest, text);
    }

    /// A line that must not be broken, such as a drawing.
    pub(super) fn drawing(&mut self, text: &str) {
        self.line("", &format!("  {text}"));
    }

    /// Says how many of `all` were left off after the first `shown`.
    pub(super) fn more(&mut self, all: usize, shown: usize, one: &str, many: &str) {
        if all > shown {
            let rest = all - shown;
            let what = if rest == 1 { one } else { many };
            self.note(&format!("and {rest} more {what} in the report and the tables"));
        }
    }

    pub(super) fn table(&mut self, header: &[&str], rows: Vec<Vec<String>>) {
        let mut table = Table::new();
        table
            .load_style(TableStyle::new())
            .set_content_arrangement(ContentArrangement::Dynamic)
            .set_width(self.width.saturating_sub(2) as u16)
            .set_header(header.iter().map(Cell::new));
        for row in rows {
            table.add_row(row);
        }
        for column in table.column_iter_mut() {
            column.set_padding((0, 2));
        }
        for (i, line) in table.lines().enumerate() {
            let line = format!("  {}", line.trim_end());
            if i == 0 {
                self.line(FAINT, &line);
            } else {
                let line = if self.colour { marked(&line) } else { line };
                self.line("", &line);
            }
        }
    }
}

/// Colours a row from its verdict mark on.
fn marked(line: &str) -> String {
    let colour = |mark| match mark {
        '✗' => Some(RED),
        '✓' => Some(GREEN),
        '?' => Some(YELLOW),
        _ => None,
    };
    let found = line.char_indices().rev().find_map(|(at, c)| {
        let after = line[at + c.len_utf8()..].starts_with(' ');
        colour(c).filter(|_| after).map(|style| (at, style))
    });
    match found {
        Some((at, style)) => format!("{}{style}{}{PLAIN}", &line[..at], &line[at..]),
        None => line.to_owned(),
    }
}
