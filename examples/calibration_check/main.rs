//! How often the 95 % intervals hold the truth, end to end: random visits are simulated, written as
//! files, read, segmented, aligned and solved:
//! `cargo run --release --example calibration_check [CAPTURES [KIND [FROM]]]`, from seed `FROM`, or 0,
//! on; an empty `KIND` is all of them. With `EBBMARK_TELL` set it names every capture that is out. Some
//! 50 ms a capture on one core.

mod visits;

use std::ops::Range;
use std::time::Instant;

use ebbmark::capture::{ReadOptions, Silent, read_bytes};
use ebbmark::judge::Risk;
use ebbmark::pipeline::{Request, analyze};
use ebbmark::segment::Wishes;
use ebbmark::{events, jobsheet, simulate};
use rayon::prelude::*;
use visits::{Kind, scenario};

#[derive(Default)]
struct Tally {
    loads: usize,
    held: usize,
    missing: usize,
    extra: usize,
    errors: Vec<f64>,
    widths: Vec<f64>,
    squares: f64,
    faults: usize,
}

impl Tally {
    fn with(mut self, other: Self) -> Self {
        self.loads += other.loads;
        self.held += other.held;
        self.missing += other.missing;
        self.extra += other.extra;
        self.errors.extend(other.errors);
        self.widths.extend(other.widths);
        self.squares += other.squares;
        self.faults += other.faults;
        self
    }
}

fn main() {
    let count: u64 = std::env::args().nth(1).and_then(|n| n.parse().ok()).unwrap_or(500);
    let wanted = std::env::args().nth(2);
    let from: u64 = std::env::args().nth(3).and_then(|n| n.parse().ok()).unwrap_or(0);
    let verbose = std::env::var_os("EBBMARK_TELL").is_some();
    let plain = Kind::default();
    let kinds = [
        Kind { name: "steady zero", ..plain },
        Kind { name: "wandering clamp", wander_a: 0.0011, drift_a_per_h: 0.002, ..plain },
        Kind { name: "10 mA an hour", drift_a_per_h: 0.010, ..plain },
        Kind { name: "coarse counts, little noise", noise_a: 0.0003, resolution_a: 0.002, ..plain },
        Kind { name: "one zero check", zero_checks: 1, wander_a: 0.0005, ..plain },
        Kind { name: "no zero check", zero_checks: 0, wander_a: 0.0005, ..plain },
        Kind { name: "loads that start up and sleep", phases: true, wander_a: 0.0005, ..plain },
        Kind { name: "listed to the minute", rounds_to_s: 60.0, wander_a: 0.0005, ..plain },
        Kind {
            name: "error inside 2 % + 3 counts",
            accuracy_percent: 2.0,
            counts: 3.0,
            wander_a: 0.0005,
            ..plain
        },
    ];
    println!(
        "{:32} {:>6} {:>8} {:>6} {:>7} {:>7} {:>8} {:>8} {:>9} {:>8}",
        "captures",
        "loads",
        "held",
        "rms z",
        "missing",
        "extra",
        "median U",
        "worst",
        "(>=20 mA)",
        "ms each"
    );
    for kind in kinds.into_iter().filter(|k| wanted.as_ref().is_none_or(|w| k.name.contains(w))) {
        let clock = Instant::now();
        let tally = check(&kind, from..from + count, verbose);
        let each_ms = clock.elapsed().as_secs_f64() * 1e3 / count as f64;
        let mut widths = tally.widths.clone();
        widths.sort_by(f64::total_cmp);
        let loads = tally.loads.max(1) as f64;
        println!(
            "{:32} {:>6} {:>7.1}% {:>6.2} {:>7} {:>7} {:>6.2}mA {:>7.2}% {:>9} {:>8.0}",
            kind.name,
            tally.loads,
            100.0 * tally.held as f64 / loads,
            (tally.squares / loads).sqrt(),
            tally.missing,
            tally.extra,
            1e3 * widths.get(widths.len() / 2).copied().unwrap_or(0.0),
            100.0 * tally.errors.iter().copied().fold(0.0, f64::max),
            tally.errors.len(),
            each_ms,
        );
        if tally.faults > 0 {
            println!("   {} captures refused", tally.faults);
        }
    }
}

fn check(kind: &Kind, seeds: Range<u64>, verbose: bool) -> Tally {
    seeds.into_par_iter().map(|seed| one(kind, seed, verbose)).reduce(Tally::default, Tally::with)
}

fn one(kind: &Kind, seed: u64, verbose: bool) -> Tally {
    let mut tally = Tally::default();
    let text = scenario(kind, seed);
    if let Some(folder) = std::env::var_os("EBBMARK_WRITE") {
        let file = std::path::Path::new(&folder).join(format!("{seed}.toml"));
        std::fs::write(file, &text).expect("the folder takes it");
    }
    let parsed = simulate::parse("scenario", &text).expect("the scenario is sound");
    let made = simulate::run(&parsed, seed);
    let sheet = jobsheet::parse("sheet", &made.jobsheet.expect("has one").text()).expect("sound");
    let list = events::parse("list", &made.events.expect("has one").text()).expect("sound");
    let file = made.captures.into_iter().next().expect("one capture");
    let capture = read_bytes(&file.name, file.bytes, &ReadOptions::default(), &Silent)
        .expect("the capture reads");
    let request = Request {
        sheet: &sheet,
        events: Some(&list),
        wishes: Wishes::default(),
        risk: Risk::default(),
    };
    let Ok(analysis) = analyze(capture, &request) else {
        tally.faults += 1;
        return tally;
    };
    let truth = &made.truth.captures[0];
    let rows = &analysis.findings.loads;
    for load in &truth.loads {
        // Too short a stay has no steady stretch to be told by.
        if load.time_s < 40.0 || load.state == "off" {
            continue;
        }
        let Some(row) = rows.iter().find(|r| r.load == load.load && r.state == load.state) else {
            tally.missing += 1;
            if verbose {
                let known: Vec<_> = rows.iter().map(|r| (&r.load, &r.state, r.draw_a)).collect();
                println!(
                    "   {} seed {seed}: no {} ({}) {:.4} A in {known:?}",
                    kind.name, load.load, load.state, load.draw_a
                );
            }
            continue;
        };
        let error_a = row.draw_a - load.draw_a;
        tally.loads += 1;
        tally.squares += (error_a / row.standard_uncertainty_a).powi(2);
        tally.held += usize::from(error_a.abs() <= row.expanded_uncertainty_a);
        tally.widths.push(row.expanded_uncertainty_a);
        if load.draw_a >= 0.020 {
            tally.errors.push(error_a.abs() / load.draw_a);
        }
        if verbose
            && (error_a.abs() > 2.0 * row.expanded_uncertainty_a
                || (load.draw_a >= 0.020 && error_a.abs() > 0.05 * load.draw_a))
        {
            println!(
                "   {} seed {seed}: {} ({}) {:.5} A ± {:.5}, truly {:.5}",
                kind.name,
                load.load,
                load.state,
                row.draw_a,
                row.expanded_uncertainty_a,
                load.draw_a
            );
        }
    }
    for row in rows {
        let known = truth.loads.iter().any(|l| l.load == row.load && l.state == row.state);
        tally.extra += usize::from(!known);
        if verbose && !known {
            println!("   {} seed {seed}: no such state {} ({})", kind.name, row.load, row.state);
        }
    }
    tally
}

trait Text {
    fn text(&self) -> String;
}

impl Text for simulate::SimulatedFile {
    fn text(&self) -> String {
        String::from_utf8_lossy(&self.bytes).into_owned()
    }
}
