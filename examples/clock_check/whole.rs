//! The same question asked of whole captures: simulated readings of the demo's visit, read,
//! segmented and aligned, with the technician's watch anywhere within two hours.

use ebbmark::capture::{ReadOptions, Silent, read_bytes};
use ebbmark::events::{Action, align, parse};
use ebbmark::segment::{Wishes, segment};
use ebbmark::simulate;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

const SCENARIO: &str = include_str!("../../sample-logs/scenarios/pump-hut-visit.toml");

/// What became of one visit.
#[derive(Debug, Default, Clone, Copy)]
pub(crate) struct Outcome {
    /// Offset found less the true one, seconds.
    pub error_s: f64,
    /// Its standard uncertainty, seconds.
    pub uncertainty_s: f64,
    /// Lines of loads.
    pub lines: usize,
    /// Tied to a step within 1.5 s of what was done.
    pub right: usize,
    /// Without a step.
    pub untied: usize,
    /// Tied to a step more than 5 s off.
    pub far: usize,
    /// Those without a caution.
    pub silent: usize,
    /// Zero checks, and those that read a stretch inside the true one.
    pub zeros: (usize, usize),
}

/// The visit of a seed, with times rounded to `rounding_s`.
pub(crate) fn visit(seed: u64, rounding_s: f64, show: bool) -> Outcome {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let ahead_s = rng.random_range(-7200.0..7200.0);
    let text = SCENARIO
        .replace("clock_offset_s = 74.0", &format!("clock_offset_s = {ahead_s:.3}"))
        .replace(
            "rounds_to_s = 1.0",
            &format!("rounds_to_s = {rounding_s:.1}\nforgets_share = 0.05"),
        );
    let scenario = simulate::parse("visit.toml", &text).expect("the demo's scenario");
    let made = simulate::run(&scenario, seed);
    let list = made.events.as_ref().expect("a person");
    let list = parse(&list.name, std::str::from_utf8(&list.bytes).expect("text")).expect("a list");
    let options = ReadOptions::default();
    let capture = read_bytes("visit.csv", made.captures[0].bytes.clone(), &options, &Silent)
        .expect("a capture");
    let found =
        segment(&capture.samples, &capture.sampling.gaps, capture.resolution_a, &Wishes::default())
            .expect("long enough");
    let sheet = made.jobsheet.as_ref().expect("a job sheet");
    let sheet = std::str::from_utf8(&sheet.bytes).expect("text");
    let sheet = ebbmark::jobsheet::parse("job.toml", sheet).expect("a job sheet");
    let aligned =
        align(&list, capture.start, &capture.samples, &found, &sheet).expect("a list that fits");
    let truth = made.truth.captures[0].clock_offset_s.expect("a person");
    let mut outcome = Outcome {
        error_s: aligned.clock.offset_s - truth,
        uncertainty_s: aligned.clock.standard_uncertainty_s,
        ..Outcome::default()
    };
    let told = |code: &str| aligned.cautions.iter().find(|caution| caution.code == code);
    let clock_told =
        ["clock-ambiguous", "clock-not-found", "times-coarse"].iter().any(|c| told(c).is_some());
    for event in &aligned.events {
        let deed = made.truth.lines.iter().find(|line| line.row == Some(event.line.row));
        let true_s = deed.expect("every row is a deed").true_s;
        if event.line.action == Action::Zero {
            outcome.zeros.0 += 1;
            let inside = event.zero_segment.map(|at| &found.segments[at]).is_some_and(|segment| {
                let middle_s = 0.5 * (segment.start_s + segment.end_s);
                middle_s > true_s - 2.0 && middle_s < true_s + 75.0
            });
            outcome.zeros.1 += usize::from(inside);
            continue;
        }
        outcome.lines += 1;
        match event.step.map(|step| (found.steps[step].time_s - true_s).abs()) {
            None => outcome.untied += 1,
            Some(off_s) if off_s <= 1.5 => outcome.right += 1,
            Some(off_s) => {
                if off_s > 5.0 {
                    outcome.far += 1;
                    let named = format!("line {} ", event.line.row);
                    let said = clock_told
                        || told("event-doubtful")
                            .is_some_and(|c| c.text.to_lowercase().contains(&named));
                    outcome.silent += usize::from(!said);
                }
                if show {
                    println!(
                        "seed {seed}: {} {} at {true_s} tied {off_s:.1} s off, p {:.2}",
                        event.line.load, event.line.state, event.probability
                    );
                }
            }
        }
        if show && event.step.is_none() {
            println!("seed {seed}: {} {} at {true_s} untied", event.line.load, event.line.state);
        }
    }
    outcome
}
