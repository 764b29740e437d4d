//! How well two clocks are set against each other and lines tied to steps, over many simulated
//! visits with known truth: `cargo run --release --example clock_check [VISITS [KIND [FROM]]]`, from
//! seed `FROM`, or 0, on. With `EBBMARK_TELL` set it names what is out.
//!
//! The column `ideal` is what can be had at all: the share of offsets within one sample and a
//! second that a reader finds who knows which line is which step, the drift, and how late people
//! write.

mod ideal;
mod visits;
mod whole;

use std::collections::BTreeMap;
use std::ops::Range;
use std::time::Instant;

use ebbmark::events::align;
use rayon::prelude::*;
use visits::{Kind, ORDINARY, visit};

/// Upper ends of the classes of stated probability.
const STATED: [f64; 5] = [0.5, 0.8, 0.9, 0.95, 0.98];

#[derive(Default)]
struct Tally {
    visits: usize,
    faults: usize,
    near: usize,
    ideal: usize,
    covered: usize,
    lines: usize,
    right: usize,
    far: usize,
    silent: usize,
    alarmed: usize,
    /// Lines that a caution names, and those of them that were right after all.
    named: (usize, usize),
    /// Of ties by stated probability: how many, how many right, and the sum of what was stated.
    stated: [(usize, usize, f64); STATED.len() + 1],
    worst_s: f64,
    cautions: BTreeMap<String, usize>,
}

impl Tally {
    fn with(mut self, other: Self) -> Self {
        self.visits += other.visits;
        self.faults += other.faults;
        self.near += other.near;
        self.ideal += other.ideal;
        self.covered += other.covered;
        self.lines += other.lines;
        self.right += other.right;
        self.far += other.far;
        self.silent += other.silent;
        self.alarmed += other.alarmed;
        self.named = (self.named.0 + other.named.0, self.named.1 + other.named.1);
        for (mine, others) in self.stated.iter_mut().zip(other.stated) {
            *mine = (mine.0 + others.0, mine.1 + others.1, mine.2 + others.2);
        }
        self.worst_s = self.worst_s.max(other.worst_s);
        for (code, count) in other.cautions {
            *self.cautions.entry(code).or_default() += count;
        }
        self
    }
}

fn main() {
    let count: u64 = std::env::args().nth(1).and_then(|n| n.parse().ok()).unwrap_or(500);
    let wanted = std::env::args().nth(2);
    let from: u64 = std::env::args().nth(3).and_then(|n| n.parse().ok()).unwrap_or(0);
    let seeds = from..from + count;
    let verbose = std::env::var_os("EBBMARK_TELL").is_some();
    let asked = |name: &str| wanted.as_ref().is_none_or(|wanted| name.contains(wanted));
    let kinds = [
        ORDINARY,
        Kind { name: "the same, draws in a job sheet", sheet: true, ..ORDINARY },
        Kind { name: "times to 5 s", rounding_s: 5.0, ..ORDINARY },
        Kind { name: "times to the minute", rounding_s: 60.0, ..ORDINARY },
        Kind { name: "to the minute, job sheet", rounding_s: 60.0, sheet: true, ..ORDINARY },
        Kind {
            name: "many lines missing, many idle",
            missing: (0.25, 0.25, 0.1),
            bursts_per_h: 20.0,
            ..ORDINARY
        },
        Kind { name: "quick hands", pause_s: (4.0, 12.0), ..ORDINARY },
        Kind { name: "even rhythm", pause_s: (29.5, 30.5), ..ORDINARY },
        Kind { name: "clamp log at 0.5 Hz", interval_s: 2.0, ..ORDINARY },
        Kind { name: "one round only", rounds: 1, ..ORDINARY },
        Kind {
            name: "long, drifting",
            rounds: 8,
            pause_s: (60.0, 600.0),
            drift_s_per_h: 15.0,
            ..ORDINARY
        },
        Kind { name: "some switched in pairs", pairs: 0.5, ..ORDINARY },
        Kind { name: "clocks agree", offset_s: 2.0, ..ORDINARY },
    ];
    let whole = [("whole visits, times to 1 s", 1.0), ("whole visits, to the minute", 60.0)];
    for (name, rounding_s) in whole.into_iter().filter(|(name, _)| asked(name)) {
        let outcomes: Vec<whole::Outcome> = seeds
            .clone()
            .into_par_iter()
            .map(|seed| whole::visit(seed, rounding_s, verbose))
            .collect();
        let sum = |f: fn(&whole::Outcome) -> usize| outcomes.iter().map(f).sum::<usize>();
        let share = |f: &dyn Fn(&whole::Outcome) -> bool| {
            100.0 * outcomes.iter().filter(|o| f(o)).count() as f64 / outcomes.len().max(1) as f64
        };
        println!(
            "{name}: {} visits; offset within 1.5 s {:.1} %, within 2 u {:.1} %; of {} lines {:.2} % \
             tied right, {} untied, {} more than 5 s off ({} without a caution); {} of {} zero checks",
            outcomes.len(),
            share(&|o| o.error_s.abs() <= 1.5),
            share(&|o| o.error_s.abs() <= 2.0 * o.uncertainty_s),
            sum(|o| o.lines),
            100.0 * sum(|o| o.right) as f64 / sum(|o| o.lines).max(1) as f64,
            sum(|o| o.untied),
            sum(|o| o.far),
            sum(|o| o.silent),
            sum(|o| o.zeros.1),
            sum(|o| o.zeros.0),
        );
    }
    println!(
        "{:32} {:>7} {:>8} {:>8} {:>8} {:>8} {:>7} {:>7} {:>8} {:>7}",
        "visits",
        "offset",
        "ideal",
        "covered",
        "tied ok",
        "wrong>5s",
        "silent",
        "alarm",
        "worst s",
        "ms each"
    );
    for kind in kinds.into_iter().filter(|kind| asked(kind.name)) {
        let clock = Instant::now();
        let tally = check(&kind, seeds.clone(), verbose);
        let each = clock.elapsed().as_secs_f64() * 1e3 / count as f64;
        let of = |n: usize, all: usize| 100.0 * n as f64 / all.max(1) as f64;
        println!(
            "{:32} {:>6.1}% {:>7.1}% {:>7.1}% {:>7.2}% {:>8} {:>7} {:>6.1}% {:>8.1} {:>7.1}  {:?}",
            kind.name,
            of(tally.near, tally.visits),
            of(tally.ideal, tally.visits),
            of(tally.covered, tally.visits),
            of(tally.right, tally.lines),
            tally.far,
            tally.silent,
            of(tally.alarmed, tally.visits),
            tally.worst_s,
            each,
            tally.cautions,
        );
        let class = |(n, right, sum): &(usize, usize, f64)| {
            let n = *n;
            if n == 0 {
                return "-".to_owned();
            }
            format!("{n}: {:.1} ({:.1})", of(*right, n), 100.0 * sum / n as f64)
        };
        println!(
            "   {} lines doubted, {} of them right; ties right in % (stated): {}",
            tally.named.0,
            tally.named.1,
            tally.stated.iter().map(class).collect::<Vec<_>>().join(", ")
        );
        if tally.faults > 0 {
            println!("   {} lists refused", tally.faults);
        }
    }
}

fn check(kind: &Kind, seeds: Range<u64>, verbose: bool) -> Tally {
    seeds.into_par_iter().map(|seed| one(kind, seed, verbose)).reduce(Tally::default, Tally::with)
}

fn one(kind: &Kind, seed: u64, verbose: bool) -> Tally {
    let mut tally = Tally::default();
    let visit = visit(kind, seed);
    tally.visits += 1;
    let found = match align(
        &visit.list,
        Some(visit.start),
        &visit.samples,
        &visit.segmentation,
        &visit.sheet,
    ) {
        Ok(found) => found,
        Err(fault) => {
            if verbose {
                println!("seed {seed}: {fault}");
            }
            tally.faults += 1;
            return tally;
        }
    };
    // Compared in the middle of the list, where a drift left alone does least.
    let middle_s =
        found.events.iter().map(|event| event.listed_s).sum::<f64>() / found.events.len() as f64;
    let drift = found.clock.drift_s_per_h.unwrap_or(0.0) - visit.drift_s_per_h;
    let error_s = found.clock.offset_s - visit.offset_s + drift * middle_s / 3600.0;
    let allowed_s = kind.interval_s + 1.0;
    tally.near += usize::from(error_s.abs() <= allowed_s);
    tally.ideal += usize::from(ideal::error_s(kind, &visit, &found, allowed_s) <= allowed_s);
    tally.covered += usize::from(error_s.abs() <= 2.0 * found.clock.standard_uncertainty_s);
    tally.worst_s = tally.worst_s.max(error_s.abs());
    let clock_told = found
        .cautions
        .iter()
        .any(|c| ["clock-ambiguous", "clock-not-found", "times-coarse"].contains(&c.code.as_str()));
    let doubtful: Vec<String> = found
        .cautions
        .iter()
        .filter(|c| ["event-doubtful", "event-unclear"].contains(&c.code.as_str()))
        .map(|c| c.text.to_lowercase())
        .collect();
    tally.alarmed += usize::from(clock_told || !doubtful.is_empty());
    for caution in &found.cautions {
        *tally.cautions.entry(caution.code.clone()).or_default() += 1;
    }
    for event in &found.events {
        let truth = visit.truth.iter().find(|(row, _)| *row == event.line.row);
        let truth = truth.and_then(|(_, step)| *step);
        tally.lines += 1;
        // Of two lines with one step either may hold it.
        let shared = event.step.is_none()
            && truth.is_some_and(|step| {
                found.step_events[step].is_some_and(|other| {
                    let row = found.events[other].line.row;
                    visit.truth.iter().any(|(r, s)| *r == row && *s == truth)
                })
            });
        let right = truth == event.step || shared;
        tally.right += usize::from(right);
        let named = format!("line {} ", event.line.row);
        let doubted = doubtful.iter().any(|text| text.contains(&named));
        tally.named.0 += usize::from(doubted);
        tally.named.1 += usize::from(doubted && right);
        if event.step.is_some() {
            let class = &mut tally.stated[STATED.partition_point(|end| *end <= event.probability)];
            *class = (class.0 + 1, class.1 + usize::from(right), class.2 + event.probability);
        }
        if verbose && (doubted || !right) {
            let steps = &visit.segmentation.steps;
            let of = |step: Option<usize>| step.map(|s| (steps[s].time_s, steps[s].delta_a));
            println!(
                "seed {seed} row {} {} {} at {:.1}: tied {:.3?} true {:.3?} p {:.3}{}{}",
                event.line.row,
                event.line.load,
                event.line.state,
                event.aligned_s,
                of(event.step),
                of(truth),
                event.probability,
                if right { "" } else { " WRONG" },
                if doubted { " doubted" } else { "" }
            );
        }
        let steps = &visit.segmentation.steps;
        let Some(tied) = event.step.filter(|_| truth != event.step) else { continue };
        // A line without a step of its own is compared with where it should have been.
        let due_s = truth.map_or(
            event.listed_s + visit.offset_s + visit.drift_s_per_h * event.listed_s / 3600.0,
            |step| steps[step].time_s,
        );
        if (steps[tied].time_s - due_s).abs() > 5.0 {
            tally.far += 1;
            let told = clock_told || doubted;
            tally.silent += usize::from(!told);
            if verbose && !told {
                println!(
                    "seed {seed}: row {} {} {} tied to {:.1} due {:.1} p {:.3} error {error_s:.2}",
                    event.line.row,
                    event.line.load,
                    event.line.state,
                    steps[tied].time_s,
                    due_s,
                    event.probability
                );
            }
        }
    }
    if verbose && error_s.abs() > allowed_s {
        println!(
            "seed {seed}: offset {:.2} true {:.2} u {:.2} rivals {:?}",
            found.clock.offset_s,
            visit.offset_s,
            found.clock.standard_uncertainty_s,
            found.clock.rival_offsets_s
        );
    }
    tally
}
