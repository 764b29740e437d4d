//! What is wrong with an input: one message that names file, line, column, what was found and
//! what to do next. Every reader of the project (captures, event lists, job sheets, scenarios)
//! fails with this type; the command line draws it with a pointer at the place.

use std::fmt;

/// A place in an input file. Lines and columns count from 1, columns in characters.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Place {
    /// File name as given; `-` for standard input.
    pub file: String,
    /// Line in the file.
    pub line: Option<u64>,
    /// Column in the line.
    pub column: Option<u64>,
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.file)?;
        if let Some(line) = self.line {
            write!(f, ", line {line}")?;
            if let Some(column) = self.column {
                write!(f, ", column {column}")?;
            }
        }
        Ok(())
    }
}

/// A few lines round the place, for the pointer under the text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Excerpt {
    /// Whole lines, at most a few, each cut to a readable width.
    pub text: String,
    /// Line number of the first of them.
    pub first_line: u64,
    /// Byte offset in `text` of what is meant.
    pub offset: usize,
    /// Its length in bytes.
    pub length: usize,
}

/// An input that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{place}: {found}; {advice}")]
pub struct InputFault {
    /// Where.
    pub place: Place,
    /// What was found there.
    pub found: String,
    /// What to do next.
    pub advice: String,
    /// The text round it, when there is any.
    pub excerpt: Option<Excerpt>,
}

impl InputFault {
    /// A fault of a whole file.
    pub fn of_file(file: &str, found: impl Into<String>, advice: impl Into<String>) -> Self {
        Self {
            place: Place { file: file.to_owned(), line: None, column: None },
            found: found.into(),
            advice: advice.into(),
            excerpt: None,
        }
    }

    /// A fault at a line and column.
    pub fn at(
        file: &str,
        line: u64,
        column: u64,
        found: impl Into<String>,
        advice: impl Into<String>,
    ) -> Self {
        Self {
            place: Place { file: file.to_owned(), line: Some(line), column: Some(column) },
            found: found.into(),
            advice: advice.into(),
            excerpt: None,
        }
    }

    /// A fault at a byte range of a small text that is at hand whole, with its line as excerpt.
    pub fn in_text(
        file: &str,
        text: &str,
        range: std::ops::Range<usize>,
        found: impl Into<String>,
        advice: impl Into<String>,
    ) -> Self {
        let start = floor_char(text, range.start.min(text.len()));
        let end = floor_char(text, range.end.clamp(start, text.len()));
        let line_start = text[..start].rfind('\n').map_or(0, |at| at + 1);
        let line_end = text[start..].find('\n').map_or(text.len(), |at| start + at);
        let line = text[..start].matches('\n').count() as u64 + 1;
        let column = text[line_start..start].chars().count() as u64 + 1;
        let mut fault = Self::at(file, line, column, found, advice);
        fault.excerpt = Some(Excerpt {
            text: text[line_start..line_end].to_owned(),
            first_line: line,
            offset: start - line_start,
            length: end.min(line_end).saturating_sub(start).max(1),
        });
        fault
    }
}

fn floor_char(text: &str, mut at: usize) -> usize {
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    at
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fault_in_text_names_line_and_column_in_characters() {
        let text = "[site]\nname = \"hütte\" x\n";
        let at = text.find('x').unwrap();
        let fault = InputFault::in_text("job.toml", text, at..at + 1, "a stray x", "remove it");
        assert_eq!(fault.to_string(), "job.toml, line 2, column 16: a stray x; remove it");
        let excerpt = fault.excerpt.unwrap();
        assert_eq!(&excerpt.text[excerpt.offset..excerpt.offset + excerpt.length], "x");
    }

    #[test]
    fn a_range_past_the_end_or_inside_a_character_is_clamped() {
        let text = "µ";
        let fault = InputFault::in_text("a", text, 1..9, "f", "d");
        assert_eq!((fault.place.line, fault.place.column), (Some(1), Some(1)));
    }
}
