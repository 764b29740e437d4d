//! A batch beside what polars needs merely to read its files, on one machine, in one run.
//!
//! ```text
//! cargo bench --bench batch            # 200 captures of 43,200 rows
//! cargo bench --bench batch -- 1000    # as many as a batch may have
//! ```
//!
//! A capture is twelve hours at 1 Hz with a date and time in every row: a sleeper at 12 µA that wakes
//! for 3 s, every minute in one batch and every ten in another. `batch` is the program as a user starts it, with report and tables. How busy
//! it kept the cores is the time its threads ran, and with that the time they waited for a core that
//! somebody else had, as the kernel tells (Linux); on a machine of one's own the two are the same.
//! polars reads the same files one after another on all its threads, its times left as text, in a
//! process that does nothing else.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

use jiff::civil::date;
use rand::{Rng, SeedableRng};
use rand_distr::StandardNormal;

const ROWS: usize = 43_200;
/// Seconds from one wake to the next, batch by batch.
const WAKES_EVERY_S: [usize; 2] = [60, 600];
const SHEET: &str = "[site]\nname = \"bench\"\n\n[sleep]\nsleep_max_a = 0.000015\n";

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    match words.iter().map(String::as_str).collect::<Vec<_>>().as_slice() {
        ["read", folder] => read(Path::new(folder)),
        // `cargo test` runs benches too, to see that they still start.
        ["--test"] | ["--quick"] => compare_all(2),
        [count] => compare_all(count.parse().expect("a number of captures")),
        _ => compare_all(200),
    }
}

fn compare_all(count: usize) {
    WAKES_EVERY_S.into_iter().for_each(|every_s| compare(count, every_s));
}

fn write_capture(path: &Path, unit: u64, every_s: usize) -> std::io::Result<()> {
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(unit);
    let start = date(2026, 5, 12).at(20, 0, 0, 0);
    let own: f64 = random.sample(StandardNormal);
    let floor_a = 12e-6 + 0.3e-6 * own;
    let phase = random.random_range(0..every_s);
    let mut text = String::with_capacity(ROWS * 32);
    text.push_str("time,current (A)\n");
    for i in 0..ROWS {
        let moment = start + jiff::SignedDuration::from_secs(i as i64);
        let noise: f64 = random.sample(StandardNormal);
        let current_a = match (i + phase) % every_s {
            0..3 => 4.2e-3 + 3e-5 * noise,
            _ => floor_a + 1e-7 * noise,
        };
        let _ = writeln!(text, "{moment},{current_a:.8}");
    }
    std::fs::write(path, text)
}

fn captures(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).expect("a folder");
    let mut files: Vec<PathBuf> = entries.map(|entry| entry.expect("a file").path()).collect();
    files.sort();
    files
}

/// In a process of its own: reads every capture as a table, keeping none.
fn read(folder: &Path) {
    use polars::prelude::{CsvReadOptions, SerReader};
    let start = Instant::now();
    for file in captures(folder) {
        let reader = CsvReadOptions::default()
            .try_into_reader_with_file_path(Some(file))
            .expect("a readable file");
        let frame = reader.finish().expect("a plain table");
        assert_eq!(frame.height(), ROWS);
    }
    println!("{}", start.elapsed().as_secs_f64());
}

/// Seconds that the threads of a process ran, and that they waited for a core.
#[derive(Debug, Default, Clone, Copy)]
struct Threads {
    ran_s: f64,
    waited_s: f64,
}

/// Waits for the process, looking at its threads all the while.
fn watch(mut process: std::process::Child) -> Threads {
    let mut seen = std::collections::HashMap::new();
    let tasks = format!("/proc/{}/task", process.id());
    while process.try_wait().expect("a process").is_none() {
        for task in std::fs::read_dir(&tasks).into_iter().flatten().flatten() {
            let told = std::fs::read_to_string(task.path().join("schedstat")).unwrap_or_default();
            let mut fields = told.split_whitespace().filter_map(|f| f.parse::<f64>().ok());
            if let (Some(ran), Some(waited)) = (fields.next(), fields.next()) {
                seen.insert(task.file_name(), (1e-9 * ran, 1e-9 * waited));
            }
        }
        std::thread::sleep(std::time::Duration::from_millis(10));
    }
    assert!(process.wait().expect("a process").success(), "the batch failed");
    Threads {
        ran_s: seen.values().map(|thread| thread.0).sum(),
        waited_s: seen.values().map(|thread| thread.1).sum(),
    }
}

fn compare(count: usize, every_s: usize) {
    let room = tempfile::tempdir().expect("a folder");
    let folder = room.path().join("captures");
    std::fs::create_dir(&folder).expect("a folder");
    (0..count).for_each(|unit| {
        let path = folder.join(format!("rx-{unit:04}.csv"));
        write_capture(&path, unit as u64, every_s).expect("room");
    });
    let sheet = room.path().join("jobsheet.toml");
    std::fs::write(&sheet, SHEET).expect("room");
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let bytes: u64 =
        captures(&folder).iter().filter_map(|file| file.metadata().ok()).map(|m| m.len()).sum();
    println!(
        "{count} captures of {ROWS} rows, {:.0} MB, a wake every {every_s} s, {cores} cores",
        bytes as f64 / 1e6
    );

    // Both take turns, so that both find the files in memory.
    let (mut whole, mut reading, mut ran, mut wanted) = (vec![], vec![], vec![], vec![]);
    for round in 0..3 {
        reading.push(alone(&folder));
        let start = Instant::now();
        let process = Command::new(env!("CARGO_BIN_EXE_ebbmark"))
            .arg("batch")
            .arg(&sheet)
            .arg(&folder)
            .arg("--out")
            .arg(room.path().join(format!("out-{round}")))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("the program");
        let threads = watch(process);
        let seconds = start.elapsed().as_secs_f64();
        ran.push(threads.ran_s);
        wanted.push((threads.ran_s + threads.waited_s) / (seconds * cores as f64));
        whole.push(seconds);
    }
    // What else the machine does only ever adds to the seconds.
    let least = |seconds: Vec<f64>| seconds.into_iter().fold(f64::INFINITY, f64::min);
    let (whole, reading, ran, wanted) = (least(whole), least(reading), least(ran), median(wanted));
    let each = |seconds: f64| 1e3 * seconds / count as f64;
    println!("batch            {whole:8.2} s   {:.1} ms a capture", each(whole));
    println!("  its threads    {ran:8.2} s   {:.1} ms a capture", each(ran));
    println!("polars, reading  {reading:8.2} s   {:.1} ms a capture", each(reading));
    println!("batch / polars   {:8.2}", whole / reading);
    println!("cores busy       {:8.1} %", 100.0 * ran / (whole * cores as f64));
    println!("busy or waiting  {:8.1} %", 100.0 * wanted);
}

fn alone(folder: &Path) -> f64 {
    let output = Command::new(std::env::current_exe().expect("own path"))
        .arg("read")
        .arg(folder)
        .output()
        .expect("a process");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8_lossy(&output.stdout).trim().parse().expect("seconds")
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}
