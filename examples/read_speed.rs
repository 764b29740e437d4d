//! How long reading takes for every way of writing the time, against a plain file of two numbers with as many rows:
//! `cargo run --release --example read_speed [rows]`. Processor time of all threads, the least of several readings. The
//! last line is a file of 4000 rows, of which nearly all is learning its form.

use std::fmt::Write;
use std::path::Path;
use std::time::Instant;

use ebbmark::capture::{ReadOptions, Silent, read_file};

/// Readings of each file.
const TIMES: usize = 9;

/// A way to write a row: its name, the header, the time of row `i` at 10 Hz, what stands before and after a reading.
type Form = (&'static str, &'static str, fn(u64) -> String, [&'static str; 2]);

/// Hour, minute, second and tenth of row `i`, from 08:00.
fn clock(i: u64) -> (u64, u64, u64, u64) {
    let s = 8 * 3600 + i / 10;
    (s / 3600 % 24, s / 60 % 60, s % 60, i % 10)
}

/// Days from the first row's to that of row `i`.
fn day(i: u64) -> u64 {
    (8 * 3600 + i / 10) / 86_400
}

/// Time of day of row `i` in 24 hours.
fn of_day(i: u64) -> String {
    let (h, m, s, f) = clock(i);
    format!("{h:02}:{m:02}:{s:02}.{f}")
}

/// Time of day of row `i` in twelve hours.
fn half_day(i: u64) -> String {
    let (h, m, s, f) = clock(i);
    let half = if h < 12 { "AM" } else { "PM" };
    format!("{}:{m:02}:{s:02}.{f} {half}", (h + 11) % 12 + 1)
}

const BARE: [&str; 2] = ["", ""];

const FORMS: [Form; 26] = [
    ("two numbers", "time (s),current (A)", |i| format!("{}.{}", i / 10, i % 10), BARE),
    ("ISO", "time,current (A)", |i| format!("2026-03-{} {}", 14 + day(i), of_day(i)), BARE),
    ("ISO with Z", "time,current (A)", |i| format!("2026-03-{}T{}Z", 14 + day(i), of_day(i)), BARE),
    (
        "ISO with offset",
        "time,current (A)",
        |i| format!("2026-03-{}T{}+01:00", 14 + day(i), of_day(i)),
        BARE,
    ),
    (
        "AM/PM, padded",
        "time,current (A)",
        |i| format!("03/{}/2026 {:0>13}", 14 + day(i), half_day(i)),
        BARE,
    ),
    (
        "AM/PM, bare",
        "time,current (A)",
        |i| format!("3/{}/2026 {}", 14 + day(i), half_day(i)),
        BARE,
    ),
    (
        "date and time apart",
        "date,time,current (A)",
        |i| format!("2026-03-{},{}", 14 + day(i), of_day(i)),
        BARE,
    ),
    (
        "time and date apart",
        "time,date,current (A)",
        |i| format!("{},{}.03.2026", of_day(i), 14 + day(i)),
        BARE,
    ),
    (
        "day and month open",
        "time,current (A)",
        |i| format!("{:02}/03/2026 {}", 4 + day(i), of_day(i)),
        BARE,
    ),
    (
        "month and day open, AM/PM",
        "time,current (A)",
        |i| format!("3/{}/2026 {}", 4 + day(i), half_day(i)),
        BARE,
    ),
    (
        "two-digit year",
        "time,current (A)",
        |i| format!("{}/03/26 {}", 14 + day(i), of_day(i)),
        BARE,
    ),
    (
        "two-digit year, all open",
        "time,current (A)",
        |i| format!("{:02}/03/04 {}", 4 + day(i), of_day(i)),
        BARE,
    ),
    ("time of day", "time,current (A)", of_day, BARE),
    ("time of day, AM/PM", "time,current (A)", half_day, BARE),
    ("epoch, ms", "timestamp,current (A)", |i| format!("{}", 1_773_475_200_000 + i * 100), BARE),
    (
        "epoch, s",
        "timestamp,current (A)",
        |i| format!("{}.{}", 1_773_475_200 + i / 10, i % 10),
        BARE,
    ),
    ("epoch, ns", "timestamp,current (A)", |i| format!("{}00000000", 17_734_752_000 + i), BARE),
    ("month name", "time,current (A)", |i| format!("{} Mar 2026 {}", 14 + day(i), of_day(i)), BARE),
    (
        "month name, no year",
        "time,current (A)",
        |i| format!("Mar {} {}", 14 + day(i), of_day(i)),
        BARE,
    ),
    (
        "day of the year",
        "time,current (A)",
        |i| format!("2026-{:03}T{}", 73 + day(i), of_day(i)),
        BARE,
    ),
    ("days, h:m:s", "time,current (A)", |i| format!("{}d {}", day(i), of_day(i)), BARE),
    (
        "hours above 23",
        "elapsed,current (A)",
        |i| {
            let (h, m, s, f) = clock(i);
            format!("{}:{m:02}:{s:02}.{f}", h + 24 * day(i))
        },
        BARE,
    ),
    (
        "minutes above 59",
        "elapsed,current (A)",
        |i| {
            let (h, m, s, f) = clock(i);
            format!("{}:{s:02}.{f}", m + 60 * (h + 24 * day(i)))
        },
        BARE,
    ),
    (
        "ISO, quoted, reading too",
        "time,current (A)",
        |i| format!("\"2026-03-{} {}\"", 14 + day(i), of_day(i)),
        ["\"", "\""],
    ),
    (
        "ISO, unit in the cells",
        "time,current",
        |i| format!("2026-03-{} {}", 14 + day(i), of_day(i)),
        ["", " A"],
    ),
    (
        "weekday, month, AM/PM",
        "time,current",
        |i| {
            let name = ["Sat", "Sun", "Mon"][day(i) as usize % 3];
            format!("\"{name}, Mar {}, 2026 {}\"", 14 + day(i), half_day(i))
        },
        ["", " A"],
    ),
];

/// Processor time of all threads so far where the system tells it; the clock's elsewhere.
fn used_s(start: Instant) -> f64 {
    let threads = std::fs::read_dir("/proc/self/task").ok().map(|tasks| {
        tasks
            .filter_map(|task| std::fs::read_to_string(task.ok()?.path().join("schedstat")).ok())
            .filter_map(|text| text.split(' ').next()?.parse::<f64>().ok())
            .sum::<f64>()
            / 1e9
    });
    threads.filter(|s| *s > 0.0).unwrap_or_else(|| start.elapsed().as_secs_f64())
}

fn least_s(path: &Path, rows: u64) -> f64 {
    let start = Instant::now();
    // The system counts the time of small files too coarsely.
    let often = (200_000 / rows).max(1);
    (0..TIMES)
        .map(|_| {
            let before = used_s(start);
            for _ in 0..often {
                let capture = read_file(path, &ReadOptions::default(), &Silent).expect("is read");
                assert_eq!(capture.samples.len() as u64, rows);
            }
            (used_s(start) - before) / often as f64
        })
        .fold(f64::INFINITY, f64::min)
}

fn main() -> std::io::Result<()> {
    let rows = std::env::args().nth(1).and_then(|n| n.parse().ok()).unwrap_or(1_000_000);
    let folder = tempfile::tempdir()?;
    let mut plain_s = f64::NAN;
    println!("{rows} rows, least of {TIMES}");
    let forms = FORMS.into_iter().map(|form| (form, rows)).chain([(FORMS[1], 4000)]);
    for ((name, header, time, [before, after]), rows) in forms {
        let mut text = format!("{header}\n");
        for i in 0..rows {
            let _ = writeln!(text, "{},{before}0.{:04}{after}", time(i), 1000 + i * 7919 % 83);
        }
        let path = folder.path().join("capture.csv");
        std::fs::write(&path, text)?;
        let took_s = least_s(&path, rows);
        if plain_s.is_nan() {
            plain_s = took_s;
        }
        if rows == 4000 {
            println!("{name}, 4000 rows: {:.2} ms", took_s * 1e3);
        } else {
            println!("{name:26}{:8.1} ms {:6.2} times", took_s * 1e3, took_s / plain_s);
        }
    }
    Ok(())
}
