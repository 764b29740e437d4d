//! Checks the segmentation against simulated truth, defaults only, and prints a table.
//!
//! `cargo run --release --example method_check -- [--seeds N] [--from SEED] [--only FAMILY] [--show]`

mod families;
mod limits;
mod meter;
mod score;
mod sure;

use std::time::Instant;

use families::{Bar, FAMILIES, Family, rng};
use rayon::prelude::*;
use score::{Score, score};

pub(crate) struct Options {
    pub(crate) seeds: u64,
    pub(crate) from: u64,
    only: Option<String>,
    show: bool,
}

fn options() -> Options {
    let mut options = Options { seeds: 50, from: 1000, only: None, show: false };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        let mut number = || words.next().and_then(|n| n.parse().ok()).unwrap_or_default();
        match word.as_str() {
            "--seeds" => options.seeds = number(),
            "--from" => options.from = number(),
            "--only" => options.only = words.next(),
            "--show" => options.show = true,
            other => {
                eprintln!(
                    "unknown option {other}; options: --seeds N, --from SEED, --only FAMILY, --show"
                );
                std::process::exit(2);
            }
        }
    }
    options
}

fn main() {
    let options = options();
    println!(
        "seeds {} to {}, defaults only",
        options.from,
        options.from + options.seeds.max(1) - 1
    );
    println!(
        "{:<12} {:>7} {:>7} {:>9} {:>8} {:>8} {:>9} {:>9} {:>8} {:>8}",
        "family", "F1", "figure", "precision", "recall", "true", "false", "covered", "ns/read", ""
    );
    for family in
        FAMILIES.iter().filter(|f| options.only.as_deref().is_none_or(|o| f.name.starts_with(o)))
    {
        row(family, &options);
    }
    if options.only.as_deref().is_none_or(|o| o == "limits") {
        limits::edges(&options);
        limits::power(&options);
    }
    if options.only.as_deref().is_none_or(|o| o == "how-sure") {
        sure::intervals(&options);
        sure::scores(&options);
    }
}

fn row(family: &Family, options: &Options) {
    let scores: Vec<(u64, Score)> = (options.from..options.from + options.seeds)
        .into_par_iter()
        .map(|seed| {
            let log = (family.make)(&mut rng(family.name, seed));
            let start = Instant::now();
            let found = ebbmark::segment::segment(
                &log.samples,
                &log.gaps,
                Some(log.resolution_a),
                &ebbmark::segment::Wishes::default(),
            )
            .expect("a capture of thousands of samples");
            let elapsed = start.elapsed().as_nanos() as f64;
            let score = score(&log, &found, family.within_s, elapsed);
            (seed, score)
        })
        .collect();
    let mut total = Score::default();
    for (seed, one) in &scores {
        if options.show && (one.false_steps > 0 || one.missed > 0) {
            println!(
                "  seed {seed}: φ, σ {:.5?} false {:.7?} missed {:.4?}",
                one.noise, one.false_at, one.missed_at
            );
        }
        total.add(one);
    }
    let f1 = total.f1();
    let (figure, good) = match family.bar {
        Bar::F1(bar) => (format!("{bar:.3}"), f1 >= bar),
        Bar::FalsePerCapture(bar) => {
            (format!("{bar:.2}/log"), total.false_steps as f64 / options.seeds as f64 <= bar)
        }
    };
    println!(
        "{:<12} {:>7.4} {:>7} {:>9.4} {:>8.4} {:>8} {:>9} {:>9.3} {:>8.0} {:>8}",
        family.name,
        f1,
        figure,
        total.precision(),
        total.recall(),
        total.truths,
        total.false_steps,
        total.covered as f64 / total.hits.max(1) as f64,
        total.elapsed_ns / total.samples as f64,
        if good { "reached" } else { "short" }
    );
}
