//! Three digits behind a point in every cell: decimals by far the most often, thousands where the file speaks for
//! it.

use super::assemble::Reading;
use super::cell::Mark;
use super::columns::Column;
use super::dialect::Delimiter;
use super::options::CurrentUnit;
use super::reading_unit::UnitPlace;
use super::sniff::Sniffed;
use super::table::Table;
use crate::findings::Caution;

/// Whole numbers above all others that are no chance,
const SOME: usize = 3;
/// where the others are multiples of at most so many thousandths.
const FINE: u64 = 10;

/// Says that a column's marks may be either.
pub(super) fn caution(column: &Column) -> Caution {
    let (chosen, other) = match column.mark {
        Mark::Comma => ("comma", "point"),
        Mark::Point => ("point", "comma"),
    };
    let text = format!(
        "the marks in `{}` ({}) could be decimal marks or group thousands; a {chosen} was taken for the decimal mark: overrule with --decimal-mark {other}",
        column.title(),
        column.range(),
    );
    Caution::new("decimal-mark", text)
}

/// A caution where a point that nothing shows to be a decimal mark may group thousands all the same: where the
/// file is written as by those who write decimal commas, or where numbers below a thousand follow without it.
///
/// Thousands of amperes are none of this program's captures.
pub(super) fn doubt(sniffed: &Sniffed, reading: &Reading) -> Option<Caution> {
    let column = sniffed.current();
    let unit = match &sniffed.chosen.unit {
        UnitPlace::Column(unit) | UnitPlace::Cells(Some(unit)) => *unit,
        _ => return None,
    };
    let small = !matches!(unit, CurrentUnit::Ampere | CurrentUnit::Kiloampere);
    let per_unit_a = unit.amperes();
    // Nobody writes thousands as `0.118`.
    let below_one = |a: &f64| (0.0005..0.9995).contains(&(a.abs() / per_unit_a));
    if !column.mark_open || !small || reading.current_a.iter().any(below_one) {
        return None;
    }
    let written = writes_commas(&sniffed.table);
    let speaks = written.unwrap_or_else(|| mixed(&reading.current_a, per_unit_a));
    speaks.then(|| caution(column))
}

/// Whether the rest of the file is written with decimal commas: by the fraction of its seconds, else by
/// semicolons between cells, or dates with points; `None` where nothing tells.
fn writes_commas(table: &Table) -> Option<bool> {
    let cells = || table.sample.iter().take(100).flatten();
    let fraction = |mark: u8| {
        cells().any(|cell| {
            let seconds = cell.iter().rposition(|b| *b == b':').map(|at| &cell[at + 1..]);
            seconds.is_some_and(|s| s.len() > 3 && s[2] == mark && s[3].is_ascii_digit())
        })
    };
    if fraction(b'.') {
        return Some(false);
    }
    let dotted = |cell: &Vec<u8>| {
        matches!(cell.as_slice(), [a, b, b'.', c, d, b'.', e, ..]
            if [a, b, c, d, e].iter().all(|digit| digit.is_ascii_digit()))
    };
    let speaks =
        fraction(b',') || table.dialect.delimiter == Delimiter::Semicolon || cells().any(dotted);
    speaks.then_some(true)
}

/// Whether there are whole numbers larger than any that has decimals, as where those are thousands and what is
/// below needs no mark. Of a coarse meter the largest reading may well be a whole number.
fn mixed(current_a: &[f64], per_unit_a: f64) -> bool {
    let thousandths = || current_a.iter().map(|a| (1000.0 * a / per_unit_a).round().abs() as u64);
    let (mut largest, mut common) = (0, 0);
    for number in thousandths().filter(|number| number % 1000 != 0) {
        largest = number.max(largest);
        common = gcd(common, number);
    }
    let larger = thousandths().filter(|&number| number % 1000 == 0 && number > largest).count();
    (1..=FINE).contains(&common) && larger >= SOME
}

fn gcd(a: u64, b: u64) -> u64 {
    if b == 0 { a } else { gcd(b, a % b) }
}

#[cfg(test)]
mod tests {
    use super::super::{ReadOptions, Silent, read_bytes};

    /// Whether a file of these cells is read with a caution on its decimal mark, and its largest reading.
    fn read(header: &str, between: char, cells: &[String]) -> (bool, f64) {
        let row = |(i, cell): (usize, &String)| {
            format!("2026-03-14 18:{:02}:{:02}{between}{cell}\n", i / 60 % 60, i % 60)
        };
        let rows: String = cells.iter().enumerate().map(row).collect();
        let text = format!("time{between}{header}\n{rows}");
        let capture =
            read_bytes("a.csv", text.into_bytes(), &ReadOptions::default(), &Silent).unwrap();
        let told = capture.cautions.iter().any(|caution| caution.code == "decimal-mark");
        (told, capture.samples.current_a.iter().copied().fold(0.0, f64::max))
    }

    /// As a program writes 1.200 to 4.999.
    fn thousandths(count: u32) -> Vec<String> {
        (0..count)
            .map(|i| 1200 + i * 37 % 3800)
            .map(|v| format!("{}.{:03}", v / 1000, v % 1000))
            .collect()
    }

    #[test]
    fn three_decimals_are_decimals_without_a_word_unless_the_file_writes_commas() {
        let cells = thousandths(300);
        for (header, between, doubtful) in [
            ("current (mA)", ',', false),
            ("current (mA)", '\t', false),
            ("current (A)", ';', false),
            ("current (mA)", ';', true),
            ("current (µA)", ';', true),
        ] {
            let (told, most_a) = read(header, between, &cells);
            assert_eq!(told, doubtful, "{header} {between}");
            assert!(most_a < 5.0);
        }
        // One reading below 1 later on tells, and so does another column.
        let later: Vec<String> = cells.iter().cloned().chain(["0.874".to_owned()]).collect();
        assert!(!read("current (mA)", ';', &later).0);
        let beside: Vec<String> = cells.iter().map(|cell| format!("{cell};12.5")).collect();
        assert!(!read("current (mA);voltage (V)", ';', &beside).0);
    }

    /// Far behind what is looked at first the current falls below a thousand, where no mark is needed.
    #[test]
    fn thousands_of_which_some_need_no_mark_are_told() {
        let mut cells = thousandths(5000);
        cells.extend((0..40).map(|i| (700 + 7 * i % 300).to_string()));
        assert!(read("current (mA)", ',', &cells).0);
        // A meter of half a milliampere shows whole ones as often as others, its largest as well.
        let halves: Vec<String> =
            (0..5000).map(|i| format!("{}.{}00", 1 + i * 7 % 5, i % 4 / 3 * 5)).collect();
        assert!(!read("current (mA)", ',', &halves).0);
    }
}
