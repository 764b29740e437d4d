//! Tables on their side: every column is one long line.

use super::dialect::{Delimiter, Dialect, Lines, line_end};
use super::table::{Kind, kind};

/// Lines of such a file at most.
const LINES: usize = 16;
/// Cells of a line at least.
const CELLS: usize = 16;

/// The table with its lines as columns; `None` for a text that is not on its side.
///
/// O(n), in memory twice the text at most.
pub(super) fn turn(text: &[u8]) -> Option<Vec<u8>> {
    let mut lines = Vec::new();
    for (_, line) in Lines::new(text, line_end(&text[..text.len().min(1 << 24)])) {
        if line.trim_ascii().is_empty() {
            continue;
        }
        if lines.len() == LINES {
            return None;
        }
        lines.push(line);
    }
    let longest = lines.iter().max_by_key(|line| line.len())?;
    let delimiter = [Delimiter::Tab, Delimiter::Semicolon, Delimiter::Bar, Delimiter::Comma]
        .into_iter()
        .find(|d| {
            d.byte()
                .is_some_and(|b| memchr::memchr_iter(b, longest).take(CELLS).count() >= CELLS - 1)
        })?;
    let dialect = Dialect { delimiter, wrapped: false };
    let mut columns: Vec<Vec<&[u8]>> = Vec::new();
    let mut labelled = false;
    for line in &lines {
        let mut cells = Vec::new();
        dialect.split(line, usize::MAX, &mut cells);
        while cells.last().is_some_and(|c| c.is_empty()) {
            cells.pop();
        }
        if cells.len() < CELLS {
            continue;
        }
        // Readings or times in a row, a name at most before them.
        let looked = &cells[1..cells.len().min(200)];
        let typed = looked.iter().filter(|c| !matches!(kind(c), Kind::Text | Kind::Empty)).count();
        if typed * 10 < looked.len() * 9 {
            return None;
        }
        labelled |= kind(cells[0]) == Kind::Text;
        columns.push(cells);
    }
    let width = columns.iter().map(Vec::len).max()?;
    if width <= lines.len() || (!labelled && lines.len() > 2) {
        return None;
    }
    let mut out = Vec::with_capacity(text.len() + width);
    for at in 0..width {
        for (column, cells) in columns.iter().enumerate() {
            if column > 0 {
                out.push(b'\t');
            }
            out.extend_from_slice(cells.get(at).copied().unwrap_or_default());
        }
        out.push(b'\n');
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_table_on_its_side_is_turned() {
        let line = |name: &str| {
            format!("{name},{}\n", (0..20).map(|i| i.to_string()).collect::<Vec<_>>().join(","))
        };
        let turned = turn((line("t") + &line("i")).as_bytes()).unwrap();
        assert!(turned.starts_with(b"t\ti\n0\t0\n1\t1\n"));
        let names = (0..20).map(|i| format!("n{i}")).collect::<Vec<_>>().join(",");
        assert_eq!(turn((names + "\n" + &line("1")).as_bytes()), None);
        assert_eq!(turn(b"t,i\n1,2\n"), None);
    }
}
