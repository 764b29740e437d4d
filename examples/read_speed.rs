//! How long reading takes for every way of writing the time, against a plain file of two numbers with as many rows:
//! `cargo run --release --example read_speed [rows]`. Processor time of all threads, the least of several readings.

use std::fmt::Write;
use std::path::Path;
use std::time::Instant;

use ebbmark::capture::{ReadOptions, Silent, read_file};

/// Readings of each file.
const TIMES: usize = 9;

/// A way to write a row: its name, the header, the time of row `i` at 10 Hz.
type Form = (&'static str, &'static str, fn(u64) -> String);

/// Hour, minute, second and tenth of row `i`, from 08:00.
fn clock(i: u64) -> (u64, u64, u64, u64) {
    let s = 8 * 3600 + i / 10;
    (s / 3600 % 24, s / 60 % 60, s % 60, i % 10)
}

/// Day of the month of row `i`, the first being the 14th.
fn day(i: u64) -> u64 {
    14 + (8 * 3600 + i / 10) / 86_400
}

fn half(hour: u64) -> (u64, &'static str) {
    ((hour + 11) % 12 + 1, if hour < 12 { "AM" } else { "PM" })
}

const FORMS: [Form; 14] = [
    ("two numbers", "time (s),current (A)", |i| format!("{}.{}", i / 10, i % 10)),
    ("ISO", "time,current (A)", |i| {
        let (h, m, s, f) = clock(i);
        format!("2026-03-{} {h:02}:{m:02}:{s:02}.{f}", day(i))
    }),
    ("ISO with Z", "time,current (A)", |i| {
        let (h, m, s, f) = clock(i);
        format!("2026-03-{}T{h:02}:{m:02}:{s:02}.{f}Z", day(i))
    }),
    ("ISO with offset", "time,current (A)", |i| {
        let (h, m, s, f) = clock(i);
        format!("2026-03-{}T{h:02}:{m:02}:{s:02}.{f}+01:00", day(i))
    }),
    ("AM/PM, padded", "time,current (A)", |i| {
        let (h, m, s, f) = clock(i);
        let (h, half) = half(h);
        format!("03/{}/2026 {h:02}:{m:02}:{s:02}.{f} {half}", day(i))
    }),
    ("AM/PM, bare", "time,current (A)", |i| {
        let (h, m, s, f) = clock(i);
        let (h, half) = half(h);
        format!("3/{}/2026 {h}:{m:02}:{s:02}.{f} {half}", day(i))
    }),
    ("date and time apart", "date,time,current (A)", |i| {
        let (h, m, s, f) = clock(i);
        format!("2026-03-{},{h:02}:{m:02}:{s:02}.{f}", day(i))
    }),
    ("time and date apart", "time,date,current (A)", |i| {
        let (h, m, s, f) = clock(i);
        format!("{h:02}:{m:02}:{s:02}.{f},{}.03.2026", day(i))
    }),
    ("time of day", "time,current (A)", |i| {
        let (h, m, s, f) = clock(i);
        format!("{h:02}:{m:02}:{s:02}.{f}")
    }),
    ("epoch, ms", "timestamp,current (A)", |i| format!("{}", 1_773_475_200_000 + i * 100)),
    ("epoch, s", "timestamp,current (A)", |i| format!("{}.{}", 1_773_475_200 + i / 10, i % 10)),
    ("month name", "time,current (A)", |i| {
        let (h, m, s, f) = clock(i);
        format!("{} Mar 2026 {h:02}:{m:02}:{s:02}.{f}", day(i))
    }),
    ("days, h:m:s", "time,current (A)", |i| {
        let (h, m, s, f) = clock(i);
        format!("{}d {h:02}:{m:02}:{s:02}.{f}", day(i) - 14)
    }),
    ("weekday, month, AM/PM", "time,current", |i| {
        let (h, m, s, f) = clock(i);
        let (h, half) = half(h);
        let name = ["Sat", "Sun", "Mon"][(day(i) - 14) as usize % 3];
        format!("\"{name}, Mar {}, 2026 {h}:{m:02}:{s:02}.{f} {half}\"", day(i))
    }),
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
    (0..TIMES)
        .map(|_| {
            let before = used_s(start);
            let capture = read_file(path, &ReadOptions::default(), &Silent).expect("is read");
            let after = used_s(start);
            assert_eq!(capture.samples.len() as u64, rows);
            after - before
        })
        .fold(f64::INFINITY, f64::min)
}

fn main() -> std::io::Result<()> {
    let rows = std::env::args().nth(1).and_then(|n| n.parse().ok()).unwrap_or(1_000_000);
    let folder = tempfile::tempdir()?;
    let mut plain_s = f64::NAN;
    println!("{rows} rows, least of {TIMES}");
    for (name, header, time) in FORMS {
        let mut text = format!("{header}\n");
        for i in 0..rows {
            let unit = if header.ends_with(')') { "" } else { " A" };
            let _ = writeln!(text, "{},0.{:04}{unit}", time(i), 1000 + i * 7919 % 83);
        }
        let path = folder.path().join("capture.csv");
        std::fs::write(&path, text)?;
        let took_s = least_s(&path, rows);
        if plain_s.is_nan() {
            plain_s = took_s;
        }
        println!("{name:24}{:8.1} ms {:6.2} times", took_s * 1e3, took_s / plain_s);
    }
    Ok(())
}
