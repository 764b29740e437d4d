//! A batch beside what polars needs merely to read its files, on one machine, in one run.
//!
//! ```text
//! cargo bench --bench batch            # 200 captures of 43,200 rows
//! cargo bench --bench batch -- 1000    # as many as a batch may have
//! ```
//!
//! A capture is twelve hours at 1 Hz with a date and time in every row: a sleeper at 12 µA that wakes
//! every minute for 3 s. `batch` is the program as a user starts it, with report and tables; how busy
//! it kept the cores is the processor time that the kernel gives for it (Linux). polars reads the
//! same files one after another on all its threads, its times left as text, in a process that does
//! nothing else.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

use jiff::civil::date;
use rand::{Rng, SeedableRng};
use rand_distr::StandardNormal;

const ROWS: usize = 43_200;
const SHEET: &str = "[site]\nname = \"bench\"\n\n[sleep]\nsleep_max_a = 0.000015\n";

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    match words.iter().map(String::as_str).collect::<Vec<_>>().as_slice() {
        ["read", folder] => read(Path::new(folder)),
        // `cargo test` runs benches too, to see that they still start.
        ["--test"] | ["--quick"] => compare(2),
        [count] => compare(count.parse().expect("a number of captures")),
        _ => compare(200),
    }
}

fn write_capture(path: &Path, unit: u64) -> std::io::Result<()> {
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(unit);
    let start = date(2026, 5, 12).at(20, 0, 0, 0);
    let own: f64 = random.sample(StandardNormal);
    let floor_a = 12e-6 + 0.3e-6 * own;
    let phase = random.random_range(0..60);
    let mut text = String::with_capacity(ROWS * 32);
    text.push_str("time,current (A)\n");
    for i in 0..ROWS {
        let moment = start + jiff::SignedDuration::from_secs(i as i64);
        let noise: f64 = random.sample(StandardNormal);
        let current_a = match (i + phase) % 60 {
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

/// Processor seconds that finished child processes took so far.
fn of_children() -> f64 {
    // Fields 16 and 17 of /proc/self/stat, in ticks of a hundredth of a second.
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let after = stat.rsplit_once(')').map_or("", |(_, rest)| rest);
    let fields: Vec<&str> = after.split_whitespace().collect();
    let ticks = |at: usize| fields.get(at).and_then(|f| f.parse::<f64>().ok()).unwrap_or(f64::NAN);
    0.01 * (ticks(13) + ticks(14))
}

fn compare(count: usize) {
    let room = tempfile::tempdir().expect("a folder");
    let folder = room.path().join("captures");
    std::fs::create_dir(&folder).expect("a folder");
    (0..count).for_each(|unit| {
        write_capture(&folder.join(format!("rx-{unit:04}.csv")), unit as u64).expect("room");
    });
    let sheet = room.path().join("jobsheet.toml");
    std::fs::write(&sheet, SHEET).expect("room");
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let bytes: u64 =
        captures(&folder).iter().filter_map(|file| file.metadata().ok()).map(|m| m.len()).sum();
    println!("{count} captures of {ROWS} rows, {:.0} MB, {cores} cores", bytes as f64 / 1e6);

    // Both take turns, so that both find the files in memory.
    let (mut whole, mut reading, mut busy) = (Vec::new(), Vec::new(), Vec::new());
    for round in 0..3 {
        reading.push(alone(&folder));
        let (before, start) = (of_children(), Instant::now());
        let status = Command::new(env!("CARGO_BIN_EXE_ebbmark"))
            .arg("batch")
            .arg(&sheet)
            .arg(&folder)
            .arg("--out")
            .arg(room.path().join(format!("out-{round}")))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .status()
            .expect("the program");
        assert!(status.success(), "{status}");
        let seconds = start.elapsed().as_secs_f64();
        busy.push((of_children() - before) / (seconds * cores as f64));
        whole.push(seconds);
    }
    let (whole, reading, busy) = (median(whole), median(reading), median(busy));
    println!("batch            {whole:8.2} s   {:.1} ms a capture", 1e3 * whole / count as f64);
    println!("polars, reading  {reading:8.2} s");
    println!("batch / polars   {:8.2}", whole / reading);
    println!("cores busy       {:8.1} %", 100.0 * busy);
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
