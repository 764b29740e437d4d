//! Batches of simulated receivers with known faults, end to end: which units are named, and how often a
//! sound one is. Every capture is written as a file's bytes, read, segmented and judged.
//!
//! `cargo run --release --example batch_check -- [--batches N] [--units N]`
//!
//! Units spread by 2.5 % in each draw, delay and period; a fault moves one of them by six of those
//! standard deviations, up or down, or the meter's noise by a fifth.

use std::collections::BTreeSet;
use std::time::Instant;

use ebbmark::batch::{UnitSource, measure_units, population};
use ebbmark::capture::{ReadOptions, Silent, read_bytes};
use ebbmark::findings::BatchFindings;
use ebbmark::judge::Risk;
use ebbmark::pipeline::{Request, analyze};
use ebbmark::segment::Wishes;
use ebbmark::{events, jobsheet, simulate};
use rand::seq::index::sample;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Spread of the units, as a share.
const SPREAD: f64 = 0.025;
/// Size of a fault in those.
const FAULT: f64 = 6.0;
/// Relative spread of a floor's noise as 2000 readings of φ 0.3 tell it, by theory about 1.7 %.
const NOISE_SPREAD: f64 = 0.017;

const SHEET: &str = "[site]\nsupply_voltage_v = 12.0\n[meter]\naccuracy_percent_of_reading = 0.5\n\
    accuracy_counts = 5\nresolution_a = 0.000001\nzero_return_tolerance_a = 0.00005\n\
    [[load]]\nname = \"receiver\"\nbehaves_as = \"constant-current\"\n\
    [[load.state]]\nname = \"standby\"\nspecified_a = 0.035\ntolerance_percent = 15\n\
    [[load.state]]\nname = \"asleep\"\nmaximum_a = 0.0015\n\
    [sleep]\nsleep_max_a = 0.0015\nsleep_within_s = 40.0\n";

/// What is wrong with a unit.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Fault {
    Draw(f64),
    Sleep(f64),
    Wakes(f64),
    Noise(f64),
}

/// A batch to be: faults by unit, counted from 0.
struct Batch {
    seed: u64,
    units: usize,
    faults: Vec<(usize, Fault)>,
}

impl Batch {
    fn clean(seed: u64, units: usize) -> Self {
        Self { seed, units, faults: Vec::new() }
    }

    /// One to three faults, of kinds that take turns.
    fn faulty(seed: u64, units: usize) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let count = 1 + (seed % 3) as usize;
        let places = sample(&mut rng, units, count);
        let faults = places
            .into_iter()
            .enumerate()
            .map(|(at, unit)| {
                let side = if rng.random::<bool>() { 1.0 } else { -1.0 };
                let moved = 1.0 + side * FAULT * SPREAD;
                let fault = match (seed as usize + at) % 4 {
                    0 => Fault::Draw(moved),
                    1 => Fault::Sleep(moved),
                    2 => Fault::Wakes(moved),
                    // Twice as far: the meter's counts dull it.
                    _ => Fault::Noise(1.0 + 2.0 * FAULT * NOISE_SPREAD),
                };
                (unit, fault)
            })
            .collect();
        Self { seed, units, faults }
    }

    /// The scenario, with the meter's noise that many times its usual.
    fn scenario(&self, noise: f64) -> String {
        let mut text = format!(
            "name = \"rx\"\nseed = {}\nstart = 2026-06-03T14:00:00\nduration_s = 300.0\n\
             [meter]\ninterval_s = 0.1\naveraging_s = 0.1\nlag1_autocorrelation = 0.3\n\
             noise_share_of_level = 0.0012\nzero_offset_a = 0.000004\n\
             [[meter.range]]\nup_to_a = 0.010\nresolution_a = 0.000001\nnoise_a = {:.9}\n\
             [[meter.range]]\nup_to_a = 0.100\nresolution_a = 0.00001\nnoise_a = 0.000014\n\
             [[meter.range]]\nup_to_a = 1.0\nresolution_a = 0.0001\nnoise_a = 0.00012\n\
             [export]\nclock = \"seconds\"\ncurrent_header = \"current (mA)\"\nunit = \"mA\"\n\
             [person]\nlate_s = 0.0\nrounds_to_s = 0.1\nwrites = \"seconds\"\n\
             [[load]]\nname = \"receiver\"\npowers_up_in = \"starting\"\n\
             [[load.state]]\nname = \"standby\"\ndraw_a = 0.0348\nthen = \"asleep\"\nafter_s = 28.0\n\
             after_sd_s = 0.4\n\
             [[load.state]]\nname = \"starting\"\ndraw_a = 0.061\nsurge_a = 0.12\nsurge_s = 0.15\n\
             then = \"standby\"\nafter_s = 1.8\n\
             [[load.state]]\nname = \"asleep\"\ndraw_a = 0.00082\n\
             [load.state.wakes]\nperiod_s = 15.0\nperiod_sd_s = 0.12\nwidth_s = 0.42\n\
             width_sd_s = 0.015\nabove_a = 0.0338\nabove_sd_a = 0.0003\ntail_s = 0.05\n\
             [[zero_check]]\nat_s = 2.0\nfor_s = 15.0\n\
             [[action]]\nat_s = 20.0\nload = \"receiver\"\nstate = \"on\"\n\
             [[action]]\nat_s = 280.0\nload = \"receiver\"\nstate = \"off\"\n\
             [units]\ncount = {}\nspread_percent = {}\nstart_jitter_s = 4.0\n",
            self.seed,
            2.2e-6 * noise,
            self.units,
            100.0 * SPREAD
        );
        for (unit, fault) in &self.faults {
            let (state, what) = match fault {
                Fault::Draw(moved) => ("standby", format!("draw_a = {:.9}", 0.0348 * moved)),
                Fault::Sleep(moved) => ("asleep", format!("draw_a = {:.9}", 0.00082 * moved)),
                Fault::Wakes(moved) => ("asleep", format!("wake_period_s = {:.6}", 15.0 * moved)),
                Fault::Noise(_) => continue,
            };
            text += &format!(
                "[[units.odd]]\nnumber = {}\nload = \"receiver\"\nstate = \"{state}\"\n{what}\n\
                 why = \"{fault:?}\"\n",
                unit + 1
            );
        }
        text
    }

    fn judge(&self) -> BatchFindings {
        let run = |noise: f64| {
            let text = self.scenario(noise);
            let parsed =
                simulate::parse("scenario", &text).unwrap_or_else(|f| panic!("{f}\n{text}"));
            simulate::run(&parsed, self.seed)
        };
        let mut made = run(1.0);
        for (unit, fault) in &self.faults {
            if let Fault::Noise(noise) = fault {
                made.captures[*unit] = run(*noise).captures.swap_remove(*unit);
            }
        }
        let list = made.events.as_ref().expect("the rig writes one");
        let list = events::parse("list", &String::from_utf8_lossy(&list.bytes)).expect("sound");
        let sheet = jobsheet::parse("sheet", SHEET).expect("sound");
        let sources: Vec<UnitSource> = made
            .captures
            .iter()
            .map(|file| UnitSource::named_by_file(file.name.as_ref()))
            .collect();
        let outcomes = measure_units(
            &sources,
            |source| {
                let at = sources.iter().position(|known| known == source).expect("one of them");
                let bytes = made.captures[at].bytes.clone();
                let name = source.file.display().to_string();
                let capture = read_bytes(&name, bytes, &ReadOptions::default(), &Silent)?;
                let request = Request {
                    sheet: &sheet,
                    events: Some(&list),
                    wishes: Wishes::default(),
                    risk: Risk::default(),
                };
                Ok(analyze(capture, &request)?.findings)
            },
            |_| None,
            |_, _| {},
        );
        population(&outcomes)
    }
}

/// Units that the batch names, with the measures they stand out by.
fn named(found: &BatchFindings) -> Vec<(String, String, Option<f64>)> {
    found
        .units
        .iter()
        .flat_map(|unit| {
            unit.measures.iter().filter(|row| row.outlier).map(|row| {
                let state = row.state.as_deref().unwrap_or("");
                (unit.unit.clone(), format!("{:?} {state}", row.measure), row.anomaly_score)
            })
        })
        .collect()
}

fn main() {
    let (mut batches, mut units) = (20, 200);
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        let number = words.next().and_then(|n| n.parse().ok());
        match (word.as_str(), number) {
            ("--batches", Some(number)) => batches = number,
            ("--units", Some(number)) => units = number,
            _ => {
                eprintln!("unknown option {word}; options: --batches N, --units N");
                std::process::exit(2);
            }
        }
    }
    let clock = Instant::now();
    let (mut false_units, mut false_batches) = (0, 0);
    for seed in 0..batches as u64 {
        let out = named(&Batch::clean(seed, units).judge());
        let distinct: BTreeSet<&String> = out.iter().map(|(unit, ..)| unit).collect();
        false_units += distinct.len();
        false_batches += usize::from(!distinct.is_empty());
        if !out.is_empty() {
            println!("   clean batch {seed} names {out:.2?}");
        }
    }
    println!(
        "{batches} clean batches of {units}: {false_units} sound units named, in {false_batches} batches"
    );
    let (mut faults, mut found_faults, mut others) = (0, 0, 0);
    for seed in 1000..1000 + batches as u64 {
        let batch = Batch::faulty(seed, units);
        let out = named(&batch.judge());
        let digits = units.to_string().len();
        let name = |unit: usize| format!("rx-{:0digits$}", unit + 1);
        for (unit, fault) in &batch.faults {
            faults += 1;
            if out.iter().any(|(named, ..)| *named == name(*unit)) {
                found_faults += 1;
            } else {
                println!("   batch {seed} misses {} ({fault:?})", name(*unit));
            }
        }
        let bad: Vec<String> = batch.faults.iter().map(|(unit, _)| name(*unit)).collect();
        for false_one in out.iter().filter(|(unit, ..)| !bad.contains(unit)) {
            others += 1;
            println!("   batch {seed} names {false_one:.2?} beside its faults");
        }
    }
    println!(
        "{batches} faulty batches of {units}: {found_faults} of {faults} faults found, {others} sound units' measures named"
    );
    println!("{:.0} s", clock.elapsed().as_secs_f64());
}
