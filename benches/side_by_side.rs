//! Side by side on one machine, in one run, on the same files: what polars needs merely to read a
//! CSV capture, and what the whole `analyze` needs.
//!
//! ```text
//! cargo bench --bench side_by_side              # 10⁵, 10⁶ and 10⁷ samples: the README's table
//! cargo bench --bench side_by_side -- large     # also 10⁸ (a file of 1.9 GB)
//! cargo bench --bench side_by_side -- exact FILE PENALTY   # the exact search on little-endian f64
//! ```
//!
//! Every figure is the fastest of runs that take turns: what else a machine does only ever adds to
//! them. `analyze` is the program as a user starts
//! it, from process start to exit; polars' reading is timed inside a process that does nothing
//! else. Peak memory is what the kernel says of a process that does only that (Linux).

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

use ebbmark::jobsheet::JobSheet;
use ebbmark::judge::Risk;
use ebbmark::segment::Wishes;
use ebbmark::{capture, pipeline, segment};
use rand::{Rng, SeedableRng};
use rand_distr::StandardNormal;

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    match words.as_slice() {
        ["one", what, file] => one(what, Path::new(file)),
        ["exact", file, penalty] => exact(Path::new(file), penalty),
        ["large"] => table(&[100_000, 1_000_000, 10_000_000, 100_000_000]),
        // `cargo test` runs benches too, to see that they still start.
        ["--test"] | ["--quick"] => table(&[100_000]),
        _ => table(&[100_000, 1_000_000, 10_000_000]),
    }
}

/// Elapsed seconds and ampere at 1 kHz: levels of 10 to 310 mA held equally long, 2 mA noise.
fn write_capture(path: &Path, samples: usize, changes: usize) -> std::io::Result<()> {
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64((samples + changes) as u64);
    let mut file = BufWriter::with_capacity(1 << 20, File::create(path)?);
    writeln!(file, "time (s),current (A)")?;
    let hold = samples / (changes + 1) + 1;
    let mut level = 0.1;
    for i in 0..samples {
        if i % hold == 0 {
            level = random.random_range(0.01..0.31);
        }
        let noise: f64 = random.sample(StandardNormal);
        writeln!(file, "{}.{:03},{:.6}", i / 1000, i % 1000, level + 0.002 * noise)?;
    }
    file.into_inner()?.sync_all()
}

/// What a process that only did one thing reports of itself.
#[derive(Debug, Default, Clone)]
struct Report {
    seconds: f64,
    peak_bytes: f64,
    parts: Vec<f64>,
}

/// In a process of its own: does one thing and prints seconds, peak memory, and seconds a part.
fn one(what: &str, file: &Path) {
    let start = Instant::now();
    let mut parts = Vec::new();
    match what {
        #[cfg(feature = "tables")]
        "polars" => {
            use polars::prelude::{CsvReadOptions, SerReader};
            let reader = CsvReadOptions::default()
                .try_into_reader_with_file_path(Some(file.to_path_buf()))
                .expect("a readable file");
            let frame = reader.finish().expect("a plain table");
            assert!(frame.height() > 0);
        }
        "analyze" => {
            let options = capture::ReadOptions::default();
            let read = capture::read_file(file, &options, &capture::Silent).expect("a capture");
            parts.push(start.elapsed().as_secs_f64());
            let (samples, gaps) = (read.samples.clone(), read.sampling.gaps.clone());
            let cutting = Instant::now();
            segment::segment(&samples, &gaps, read.resolution_a, &Wishes::default())
                .expect("long enough");
            parts.push(cutting.elapsed().as_secs_f64());
        }
        "memory" => {
            let options = capture::ReadOptions::default();
            let read = capture::read_file(file, &options, &capture::Silent).expect("a capture");
            let sheet = JobSheet::default();
            let request = pipeline::Request {
                sheet: &sheet,
                events: None,
                wishes: Wishes::default(),
                risk: Risk::default(),
            };
            pipeline::analyze(read, &request).expect("long enough");
        }
        other => panic!("unknown measurement {other}"),
    }
    let seconds = start.elapsed().as_secs_f64();
    let parts: Vec<String> = parts.iter().map(f64::to_string).collect();
    println!("{seconds} {} {}", peak_bytes(), parts.join(" "));
}

fn peak_bytes() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with("VmHWM:"));
    let kibibytes = line.and_then(|line| line.split_whitespace().nth(1)?.parse::<f64>().ok());
    kibibytes.map_or(f64::NAN, |kibibytes| kibibytes * 1024.0)
}

fn alone(what: &str, file: &Path) -> Report {
    let output = Command::new(std::env::current_exe().expect("own path"))
        .args(["one", what])
        .arg(file)
        .output()
        .expect("a process");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8_lossy(&output.stdout);
    let mut numbers = text.split_whitespace().filter_map(|word| word.parse().ok());
    Report {
        seconds: numbers.next().unwrap_or(f64::NAN),
        peak_bytes: numbers.next().unwrap_or(f64::NAN),
        parts: numbers.collect(),
    }
}

/// The program as it is started by hand.
fn program(file: &Path) -> f64 {
    let start = Instant::now();
    let status = Command::new(env!("CARGO_BIN_EXE_ebbmark"))
        .arg("analyze")
        .arg(file)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .expect("the program");
    assert!(status.success(), "{status}");
    start.elapsed().as_secs_f64()
}

fn fastest(seconds: Vec<f64>) -> f64 {
    seconds.into_iter().fold(f64::INFINITY, f64::min)
}

fn table(sizes: &[usize]) {
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR"));
    println!("{}, {}\n", machine(), jiff::ZonedDateTime::now().date());
    println!(
        "| samples | changes | polars reads | `analyze` | ratio | reading | segmenting | a sample | peak memory a sample |"
    );
    println!("| ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |");
    for samples in sizes {
        for changes in [20, samples / 500] {
            let file = folder.join(format!("side_by_side_{samples}_{changes}.csv"));
            if !file.exists() {
                write_capture(&file, *samples, changes).expect("room for the file");
            }
            let turns = if *samples > 10_000_000 { 3 } else { 15 };
            let (mut reading, mut whole, mut parts) = (vec![], vec![], vec![vec![], vec![]]);
            for _ in 0..turns {
                reading.push(alone("polars", &file).seconds);
                whole.push(program(&file));
                for (part, seconds) in parts.iter_mut().zip(alone("analyze", &file).parts) {
                    part.push(seconds);
                }
            }
            let memory = alone("memory", &file).peak_bytes / *samples as f64;
            let (reading, whole) = (fastest(reading), fastest(whole));
            let parts: Vec<f64> = parts.into_iter().map(fastest).collect();
            println!(
                "| {samples} | {changes} | {:.3} s | {whole:.3} s | {:.2} | {:.3} s | {:.3} s | {:.0} ns | {memory:.0} B |",
                reading,
                whole / reading,
                parts[0],
                parts[1],
                1e9 * whole / *samples as f64,
            );
            std::fs::remove_file(&file).expect("own file");
        }
    }
}

fn machine() -> String {
    let cpus = std::fs::read_to_string("/proc/cpuinfo").unwrap_or_default();
    let model = cpus
        .lines()
        .find(|line| line.starts_with("model name"))
        .and_then(|line| line.split(':').nth(1))
        .map_or("unknown processor", str::trim);
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    format!("{model}, {cores} cores")
}

/// Times the exact search on a file of little-endian `f64` and prints what it found, as JSON.
fn exact(file: &Path, penalty: &str) {
    let bytes = std::fs::read(file).expect("a file of f64");
    let values: Vec<f64> =
        bytes.as_chunks().0.iter().map(|bytes| f64::from_le_bytes(*bytes)).collect();
    let penalty: f64 = penalty.parse().expect("a penalty");
    let mut seconds = Vec::new();
    let mut breaks = Vec::new();
    for _ in 0..15 {
        let start = Instant::now();
        breaks = segment::exact_breakpoints(&values, penalty);
        seconds.push(start.elapsed().as_secs_f64());
    }
    println!("{}", serde_json::json!({ "seconds": fastest(seconds), "breakpoints": breaks }));
}
