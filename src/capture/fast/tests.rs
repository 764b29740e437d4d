//! The bulk path against the csv crate, the standard library and jiff.

use super::pieces::PIECE;
use super::*;
use crate::capture::Silent;
use jiff::ToSpan;
use proptest::prelude::*;
use std::io::Write;

const PLAIN: PlainLayout = PlainLayout {
    delimiter: b',',
    decimal_mark: b'.',
    columns: 2,
    first_row: 0,
    time: PlainTime::Elapsed { column: 0, seconds_per_unit: 1.0 },
    current_column: 1,
    amperes_per_unit: 1.0,
    quoted: false,
    unit_text: Text::EMPTY,
};

fn times(table: &FastTable) -> Vec<f64> {
    (0..table.time.len()).map(|i| table.time.at(i)).collect()
}

/// Both ways in, which must agree.
fn read_both(text: &str, layout: &PlainLayout) -> Result<FastTable, NotPlain> {
    let mut file = tempfile::tempfile().unwrap();
    file.write_all(text.as_bytes()).unwrap();
    let from_file = read_from(&file, text.len(), layout, &Silent);
    assert_eq!(from_file, read(text.as_bytes(), layout, &Silent));
    from_file
}

proptest! {
    #![proptest_config(crate::chance::same(300))]

    #[test]
    fn every_cell_is_what_the_csv_crate_and_the_standard_library_read(
        rows in prop::collection::vec((0.0..2.0f64, -1e3..1e3f64, 0usize..9), 1..60),
        delimiter in prop::sample::select(b",;\t".to_vec()),
        place in 0usize..3,
        crlf in any::<bool>(),
        pad in any::<bool>(),
        closed in any::<bool>(),
        preamble in "[a-z ,;0-9]{0,20}",
    ) {
        let decimal_mark = if delimiter == b',' { b'.' } else { b',' };
        let ending = if crlf { "\r\n" } else { "\n" };
        let pad = if pad { " " } else { "" };
        let mut text = format!("{preamble}\n");
        let first_row = text.len();
        let mut t = 3.0;
        for (wait, current, digits) in &rows {
            t += wait;
            let mut cells = vec![format!("{t:.4}"), format!("{pad}{current:.digits$}")];
            cells.insert(place, "note".to_owned());
            let line = cells.join(&char::from(delimiter).to_string());
            text += &line.replace('.', &char::from(decimal_mark).to_string());
            text += ending;
        }
        if !closed {
            text.truncate(text.len() - ending.len());
        }
        let columns: Vec<usize> = (0..3).filter(|column| *column != place).collect();
        let layout = PlainLayout {
            delimiter,
            decimal_mark,
            columns: 3,
            first_row,
            time: PlainTime::Elapsed { column: columns[0], seconds_per_unit: 1e-3 },
            current_column: columns[1],
            amperes_per_unit: 1e-3,
            ..PLAIN
        };
        let table = read_both(&text, &layout).unwrap();

        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .delimiter(delimiter)
            .from_reader(&text.as_bytes()[first_row..]);
        let cell = |record: &csv::StringRecord, column: usize| -> f64 {
            record[column].trim().replace(',', ".").parse().unwrap()
        };
        let expected: Vec<(f64, f64)> = reader
            .records()
            .map(|record| record.unwrap())
            .map(|record| (cell(&record, columns[0]), cell(&record, columns[1])))
            .collect();
        let first = expected[0].0;
        prop_assert_eq!(table.first_time, FirstTime::Elapsed(first * 1e-3));
        prop_assert_eq!(table.open_end, !closed);
        let currents: Vec<f64> = expected.iter().map(|(_, c)| c * 1e-3).collect();
        prop_assert_eq!(&table.current_a, &currents);
        let decimals = rows.iter().map(|(_, _, digits)| *digits as i32).max().unwrap();
        prop_assert_eq!(table.current_decimals, decimals);
        for (found, (t, _)) in times(&table).iter().zip(&expected) {
            let exact = (t - first) * 1e-3;
            let uniform = matches!(table.time, TimeAxis::Uniform { .. });
            let allowed = if uniform { 1.01e-7 } else { 0.0 };
            prop_assert!((found - exact).abs() <= allowed);
        }
    }

    #[test]
    fn stamps_are_what_jiff_makes_of_them(
        waits in prop::collection::vec(0i64..40_000_000, 1..50),
        order in 0usize..3,
        separator in prop::sample::select(b"-/.".to_vec()),
        between in prop::sample::select(b" T".to_vec()),
        places in 0u32..7,
    ) {
        let mut now = jiff::civil::date(2024, 2, 28).at(23, 59, 1, 0);
        let mut stamps = Vec::new();
        let mut text = String::new();
        for wait in &waits {
            let unit = 10i64.pow(6 - places);
            now = now.checked_add((wait / unit * unit).microseconds()).unwrap();
            stamps.push(now);
            let date = now.date();
            let (y, m, d) = (date.year(), date.month(), date.day());
            let s = char::from(separator);
            let date = [
                format!("{y:04}{s}{m:02}{s}{d:02}"),
                format!("{d:02}{s}{m:02}{s}{y:04}"),
                format!("{m:02}{s}{d:02}{s}{y:04}"),
            ][order]
                .clone();
            let time = now.strftime("%H:%M:%S").to_string();
            let fraction = format!("{:06}", now.subsec_nanosecond() / 1000);
            let fraction = match places {
                0 => String::new(),
                _ => format!(".{}", &fraction[..places as usize]),
            };
            text += &format!("{date}{}{time}{fraction},0.5\n", char::from(between));
        }
        let order = [DateOrder::YearMonthDay, DateOrder::DayMonthYear, DateOrder::MonthDayYear][order];
        let form = StampForm { order, date_separator: separator, between };
        let layout = PlainLayout { time: PlainTime::Stamp { column: 0, form }, ..PLAIN };
        let table = read_both(&text, &layout).unwrap();
        prop_assert_eq!(table.first_time, FirstTime::Stamp(stamps[0]));
        prop_assert_eq!(table.time_resolution_s, Some(10f64.powi(-(places as i32))));
        if let TimeAxis::Listed(times) = &table.time {
            for (time, stamp) in times.iter().zip(&stamps) {
                prop_assert_eq!(*time, stamp.duration_since(stamps[0]).as_secs_f64());
            }
        }
    }
}

/// A file of many pieces.
fn long(rows: usize, line: impl Fn(usize) -> String) -> String {
    (0..rows).map(|i| line(i) + "\n").collect()
}

#[test]
fn an_even_clock_over_many_pieces_is_uniform() {
    let text = long(150_000, |i| format!("{}.{},{}", i / 2, i % 2 * 5, i % 1000));
    let text = text + "\n\r\n";
    assert!(text.len() > PIECE + PIECE / 2);
    let table = read_both(&text, &PLAIN).unwrap();
    assert_eq!(table.time, TimeAxis::Uniform { interval_s: 0.5, len: 150_000 });
    assert!(table.current_a.iter().enumerate().all(|(i, c)| *c == (i % 1000) as f64));
    assert!(!table.open_end);
}

#[test]
fn a_gap_or_empty_lines_are_listed_and_closed_up() {
    let blank = |i: usize| if i % 40_000 == 7 { "\n\n" } else { "" };
    let text = long(150_000, |i| {
        let t = if i < 70_000 { i } else { i + 5 };
        format!("{t}.000,{}{}", i % 1000, blank(i))
    });
    let table = read_both(&text, &PLAIN).unwrap();
    let expected: Vec<f64> =
        (0..150_000).map(|i| (if i < 70_000 { i } else { i + 5 }) as f64).collect();
    assert_eq!(table.time, TimeAxis::Listed(expected));
    assert!(table.current_a.iter().enumerate().all(|(i, c)| *c == (i % 1000) as f64));
}

#[test]
fn time_of_day_goes_on_past_midnight() {
    let clock = |i: usize| (86_000 + 40 * i) % 86_400;
    let text = long(90_000, |i| {
        let s = clock(i);
        format!("{:02}:{:02}:{:02},{}", s / 3600, s / 60 % 60, s % 60, i % 10)
    });
    let layout =
        PlainLayout { time: PlainTime::TimeOfDay { column: 0, two_are_minutes: false }, ..PLAIN };
    let table = read_both(&text, &layout).unwrap();
    assert_eq!(table.time, TimeAxis::Uniform { interval_s: 40.0, len: 90_000 });
    assert_eq!(table.first_time, FirstTime::TimeOfDay(jiff::civil::time(23, 53, 20, 0)));
}

#[test]
fn rows_without_a_clock_take_the_interval() {
    let layout = PlainLayout {
        columns: 1,
        current_column: 0,
        time: PlainTime::Rows { interval_s: 0.25 },
        ..PLAIN
    };
    let table = read_both("1\n\n2\n3", &layout).unwrap();
    assert_eq!(table.time, TimeAxis::Uniform { interval_s: 0.25, len: 3 });
    assert_eq!(table.current_a, [1.0, 2.0, 3.0]);
    assert_eq!((table.first_time, table.time_resolution_s), (FirstTime::Rows, None));
    assert!(table.open_end);
}

#[test]
fn the_first_row_that_is_not_plain_is_named() {
    for bad in [
        "7,OL", "7", "7,1,2", "7,\"1\"", "x,1", "7,nan", "7,1e999", "7,9.9E37", "7,1 A", "3,1",
        "7,",
    ] {
        let text = format!("0,1\n5,1\n{bad}\n8,1\nbad\n");
        assert_eq!(read_both(&text, &PLAIN), Err(NotPlain { offset: 8 }), "{bad}");
    }
    let good = long(300_000, |i| format!("{i},1"));
    let text = format!("{good}1,1\n{good}bad\n");
    assert_eq!(read_both(&text, &PLAIN), Err(NotPlain { offset: good.len() }));
    assert_eq!(read_both("", &PLAIN), Err(NotPlain { offset: 0 }));
    assert_eq!(read_both("\n\n", &PLAIN), Err(NotPlain { offset: 0 }));
    let endless = "1".repeat(3 * PIECE);
    assert!(read_both(&endless, &PLAIN).is_err());
}
