//! Sleep behaviour against simulated truth, end to end and with defaults only: captures are simulated,
//! written as files, read, segmented and judged.
//!
//! `cargo run --release --example sleep_check -- [--captures N] [--only FAMILY] [--show]`

mod families;

use std::time::Instant;

use ebbmark::capture::{Capture, ReadOptions, Silent, read_bytes};
use ebbmark::findings::{CreepAnswer, SleepFindings, Verdict};
use ebbmark::judge::Risk;
use ebbmark::pipeline::{Request, analyze};
use ebbmark::segment::Wishes;
use ebbmark::simulate::{CaptureTruth, TrueWakes};
use ebbmark::{events, jobsheet, simulate};
use families::{FAMILIES, Family, Night};

/// What one capture, or many, came to.
#[derive(Default)]
struct Tally {
    captures: usize,
    lost: usize,
    true_wakes: usize,
    count_off: usize,
    captures_off: usize,
    period: Vec<f64>,
    width: Vec<f64>,
    floor_missed: usize,
    floor: Vec<f64>,
    wake_charge: Vec<f64>,
    charge: Vec<f64>,
    /// The same of whoever knows when the zero checks are and that the zero stands still.
    charge_at_best: Vec<f64>,
    charge_missed: usize,
    failures: usize,
    failures_missed: usize,
    failures_extra: usize,
    series_wrong: usize,
    creep_wrong: usize,
    verdicts_wrong: usize,
}

struct Options {
    captures: u64,
    only: Option<String>,
    show: bool,
}

fn options() -> Options {
    let mut options = Options { captures: 100, only: None, show: false };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        match word.as_str() {
            "--captures" => {
                options.captures = words.next().and_then(|n| n.parse().ok()).unwrap_or(100);
            }
            "--only" => options.only = words.next(),
            "--show" => options.show = true,
            other => {
                eprintln!("unknown option {other}; options: --captures N, --only FAMILY, --show");
                std::process::exit(2);
            }
        }
    }
    options
}

fn main() {
    let options = options();
    println!(
        "{:<22} {:>4} {:>6} {:>7} {:>7} {:>7} {:>7} {:>7} {:>9} {:>9} {:>6} {:>5} {:>8} {:>7}",
        "family",
        "logs",
        "wakes",
        "count",
        "period",
        "width",
        "floor",
        "wake Ah",
        "Ah",
        "failures",
        "kinds",
        "creep",
        "verdicts",
        "ms each"
    );
    let wanted =
        |family: &&Family| options.only.as_deref().is_none_or(|only| family.name.starts_with(only));
    for family in FAMILIES.iter().filter(wanted) {
        let clock = Instant::now();
        let mut tally = Tally::default();
        for seed in 0..options.captures {
            check(family, seed, &mut tally, options.show);
        }
        row(family, &tally, clock.elapsed().as_secs_f64() * 1e3 / options.captures as f64);
    }
    println!(
        "count: share of wakes missed or made up; period, wake Ah, Ah: largest error (Ah: and captures off by more than 0.5 % and \
         more than the zero is known to); width: largest \
         error, samples; floor: captures off by more than 2 % and more than the stated uncertainty; \
         failures: missed, made up; kinds: captures with series not told apart; creep, verdicts: wrong"
    );
}

fn row(family: &Family, tally: &Tally, each_ms: f64) {
    let most = |errors: &[f64]| errors.iter().copied().fold(0.0, f64::max);
    let percent = |errors: &[f64]| format!("{:.2}%", 100.0 * most(errors));
    println!(
        "{:<22} {:>4} {:>6} {:>6.2}% {:>7} {:>7.2} {:>7} {:>7} {:>9} {:>9} {:>6} {:>5} {:>8} {:>7.0}",
        family.name,
        tally.captures,
        tally.true_wakes,
        100.0 * tally.count_off as f64 / tally.true_wakes.max(1) as f64,
        percent(&tally.period),
        most(&tally.width),
        tally.floor_missed,
        percent(&tally.wake_charge),
        format!("{} {}", percent(&tally.charge), tally.charge_missed),
        format!("{}+{} of {}", tally.failures_missed, tally.failures_extra, tally.failures),
        tally.series_wrong,
        tally.creep_wrong,
        tally.verdicts_wrong,
        each_ms
    );
    if !tally.charge_at_best.is_empty() {
        let rms = |errors: &[f64]| {
            let squares: f64 = errors.iter().map(|error| error * error).sum();
            100.0 * (squares / errors.len() as f64).sqrt()
        };
        println!(
            "   charge off by {:.3} % rms; by {:.3} % rms and {} at most for whoever knows where the zero \
             checks are and that the zero stands still",
            rms(&tally.charge),
            rms(&tally.charge_at_best),
            percent(&tally.charge_at_best)
        );
    }
    if tally.lost > 0 {
        println!("   in {} captures nothing was seen to sleep", tally.lost);
    }
}

fn check(family: &Family, seed: u64, tally: &mut Tally, show: bool) {
    let night = (family.make)(seed);
    let parsed = simulate::parse("scenario", &night.scenario)
        .unwrap_or_else(|fault| panic!("{fault}\n{}", night.scenario));
    let made = simulate::run(&parsed, seed);
    let text = |file: &simulate::SimulatedFile| String::from_utf8_lossy(&file.bytes).into_owned();
    let sheet = jobsheet::parse("sheet", &made.jobsheet.as_ref().map(text).unwrap_or_default())
        .expect("the job sheet is sound");
    let list = made.events.as_ref().map(|file| events::parse("list", &text(file)).expect("sound"));
    let truth = &made.truth.captures[0];
    let file = made.captures.into_iter().next().expect("one capture");
    let capture =
        read_bytes(&file.name, file.bytes, &ReadOptions::default(), &Silent).expect("it reads");
    let interval_s = capture.sampling.interval_s.expect("many samples");
    if night.bare_ends {
        tally.charge_at_best.push((at_best_ah(&night, &capture) / truth.charge_ah - 1.0).abs());
    }
    let wishes = Wishes::default();
    let request = Request { sheet: &sheet, events: list.as_ref(), wishes, risk: Risk::default() };
    let analysis = analyze(capture, &request).expect("long enough");
    tally.captures += 1;
    let Some(sleep) = &analysis.findings.sleep else {
        tally.lost += 1;
        tally.floor_missed += 1;
        if show {
            println!("   {} {seed}: nothing sleeps", family.name);
        }
        return;
    };
    let zero_known_to_a = analysis.findings.zero.trusted_to_a;
    let case = Case { night: &night, truth, sleep, interval_s, zero_known_to_a };
    let told = case.judge(tally);
    if show && !told.is_empty() {
        println!("   {} {seed}: {}", family.name, told.join("; "));
    }
}

/// Charge with the zero that the mean of all readings before and after tells.
fn at_best_ah(night: &Night, capture: &Capture) -> f64 {
    let (from_s, to_s) = night.seen_s;
    let (mut bare, mut bare_a, mut seen, mut seen_a) = (0.0, 0.0, 0.0, 0.0);
    for (sample, reading_a) in capture.samples.current_a.iter().enumerate() {
        // A reading is the mean of the interval that ends with it.
        let time_s = capture.samples.time.at(sample);
        if time_s > from_s && time_s < to_s + 1.0 {
            (seen, seen_a) = (seen + 1.0, seen_a + reading_a);
        } else {
            (bare, bare_a) = (bare + 1.0, bare_a + reading_a);
        }
    }
    (seen_a - seen * bare_a / bare) * capture.sampling.interval_s.unwrap_or(0.0) / 3600.0
}

/// A wake that runs into, or out of, a failure to sleep.
#[derive(Clone, Copy)]
struct Into {
    start_s: f64,
    end_s: f64,
    charge_ah: f64,
}

/// One capture's findings beside its truth.
struct Case<'a> {
    night: &'a Night,
    truth: &'a CaptureTruth,
    sleep: &'a SleepFindings,
    interval_s: f64,
    /// About 95 %, where it was checked.
    zero_known_to_a: Option<f64>,
}

impl Case<'_> {
    fn judge(&self, tally: &mut Tally) -> Vec<String> {
        let mut told = Vec::new();
        self.count(tally, &mut told);
        self.kinds(tally, &mut told);
        self.floor_and_charge(tally, &mut told);
        self.failures(tally, &mut told);
        let answer = self.sleep.creep.answer;
        if self.night.creep.is_some_and(|wanted| wanted != answer) {
            tally.creep_wrong += 1;
            told.push(format!("creep {:?}", self.sleep.creep));
        }
        for (name, wanted) in &self.night.verdicts {
            let found = self.sleep.verdicts.iter().find(|verdict| verdict.limit_name == *name);
            if found.map(|verdict| verdict.verdict) != Some(*wanted) {
                tally.verdicts_wrong += 1;
                told.push(format!("{name}: {found:?}"));
            }
        }
        told
    }

    /// Starts of the true wakes that lie whole in what the meter saw.
    fn starts(&self, wakes: &TrueWakes) -> Vec<f64> {
        let room_s = wakes.width_s + 12.0 * self.night.tail_s + 3.0 * self.interval_s;
        let (from_s, to_s) = self.night.seen_s;
        let starts = wakes.starts_s.iter().copied();
        starts.filter(|start| *start > from_s + room_s && start + room_s < to_s).collect()
    }

    fn count(&self, tally: &mut Tally, told: &mut Vec<String>) {
        let mut starts: Vec<f64> =
            self.truth.wakes.iter().flat_map(|wakes| self.starts(wakes)).collect();
        starts.sort_by(f64::total_cmp);
        // Wakes that overlap, or with hardly a reading between, are one to whoever looks at the lead.
        let hidden = |at: f64| {
            self.truth.wakes.iter().any(|wakes| {
                let room_s = wakes.width_s * 1.1 + 4.0 * self.interval_s;
                let before = wakes.starts_s.partition_point(|start| *start < at);
                let within = before > 0 && at - wakes.starts_s[before - 1] < room_s;
                // One that runs into a longer one has no start of its own.
                let longer = wakes.width_s > 2.0 * self.truth.wakes[0].width_s;
                let into = wakes.starts_s.get(before).is_some_and(|next| {
                    longer
                        && *next > at
                        && *next - at < self.truth.wakes[0].width_s + 4.0 * self.interval_s
                });
                within || into
            })
        };
        starts.retain(|start| !hidden(*start));
        // One that ran into a failure to sleep, or out of it, is part of it.
        for edge_s in self.night.failures.iter().flat_map(|one| [one.start_s, one.end_s]) {
            let into = self.wake_into(edge_s).map(|wake| wake.start_s);
            starts.retain(|start| Some(*start) != into);
        }
        // A true start counts once it is met by a wake found, and the other way round.
        let near_s = 2.0 * self.interval_s + self.night.tail_s;
        let found: Vec<f64> = self.sleep.wakes.iter().map(|wake| wake.start_s).collect();
        let met = |times: &[f64], at: f64| {
            let next = times.partition_point(|time| *time < at - near_s);
            times.get(next).is_some_and(|time| *time <= at + near_s)
        };
        let missed: Vec<f64> = starts.iter().copied().filter(|at| !met(&found, *at)).collect();
        let all: Vec<f64> = {
            let mut all: Vec<f64> =
                self.truth.wakes.iter().flat_map(|wakes| wakes.starts_s.clone()).collect();
            all.sort_by(f64::total_cmp);
            all
        };
        let extra: Vec<f64> = found.iter().copied().filter(|at| !met(&all, *at)).collect();
        tally.true_wakes += starts.len();
        tally.count_off += missed.len() + extra.len();
        tally.captures_off += usize::from(missed.len() + extra.len() > starts.len() / 100);
        if !missed.is_empty() || !extra.is_empty() {
            told.push(format!("missed {missed:.3?} made up {extra:.3?} of {}", starts.len()));
        }
    }

    fn kinds(&self, tally: &mut Tally, told: &mut Vec<String>) {
        let mut wanted: Vec<&TrueWakes> = self.truth.wakes.iter().collect();
        wanted.sort_by_key(|wakes| std::cmp::Reverse(wakes.count));
        if self.sleep.series.len() != wanted.len() {
            tally.series_wrong += 1;
            told.push(format!("series {:?}", self.sleep.series));
            return;
        }
        for (found, wakes) in self.sleep.series.iter().zip(wanted) {
            let starts = self.starts(wakes);
            let mut intervals: Vec<f64> = starts.windows(2).map(|two| two[1] - two[0]).collect();
            intervals.sort_by(f64::total_cmp);
            let middle_s = intervals[intervals.len() / 2];
            intervals.retain(|interval| (interval / middle_s - 1.0).abs() < 0.15);
            let period_s = intervals.iter().sum::<f64>() / intervals.len() as f64;
            let error = (found.period_s.unwrap_or(f64::INFINITY) / period_s - 1.0).abs();
            if error > 0.005 {
                told.push(format!("period {:?} for {period_s}", found.period_s));
            }
            tally.period.push(error);
            if !self.night.short {
                // At half height, an exponential tail adds τ ln 2.
                let width_s = wakes.width_s + self.night.tail_s * std::f64::consts::LN_2;
                let samples = (found.width_s - width_s).abs() / self.interval_s;
                if samples > 1.0 {
                    told.push(format!("width {} for {width_s}", found.width_s));
                }
                tally.width.push(samples);
            }
            let true_ah = self.charge_ah(wakes);
            let error = (found.charge_each_ah / true_ah - 1.0).abs();
            if error > 0.005 {
                told.push(format!("wake of {} Ah for {true_ah}", found.charge_each_ah));
            }
            tally.wake_charge.push(error);
        }
    }

    /// Charge of one wake above the floor, by itself.
    fn charge_ah(&self, wakes: &TrueWakes) -> f64 {
        wakes.above_a * (wakes.width_s + self.night.tail_s) / 3600.0
    }

    fn floor_and_charge(&self, tally: &mut Tally, told: &mut Vec<String>) {
        let floor_a: f64 = self.night.floor_a;
        let off_a = (self.sleep.floor_a - floor_a).abs();
        let held = off_a <= 0.02 * floor_a || off_a <= self.sleep.floor_expanded_uncertainty_a;
        tally.floor_missed += usize::from(!held);
        tally.floor.push(off_a / floor_a);
        if !held {
            told.push(format!(
                "floor {} ± {} for {floor_a}",
                self.sleep.floor_a, self.sleep.floor_expanded_uncertainty_a
            ));
        }
        let parts = [self.sleep.asleep, self.sleep.waking, self.sleep.awake];
        let charge_ah: f64 = parts.iter().map(|part| part.charge_ah).sum();
        let error = (charge_ah / self.truth.charge_ah - 1.0).abs();
        tally.charge.push(error);
        if error > 0.005 {
            let hours = self.truth.duration_s / 3600.0;
            let known = self.zero_known_to_a.map(|to_a| to_a * hours);
            let held = known.is_some_and(|ah| (charge_ah - self.truth.charge_ah).abs() <= ah);
            tally.charge_missed += usize::from(!held);
            told.push(format!(
                "{charge_ah} Ah for {}, the zero known to {known:?} Ah",
                self.truth.charge_ah
            ));
        }
    }

    /// A wake that had not ended at a time.
    fn wake_into(&self, at_s: f64) -> Option<Into> {
        self.truth.wakes.iter().find_map(|wakes| {
            let after = wakes.starts_s.partition_point(|start| *start < at_s);
            let start_s = *wakes.starts_s.get(after.checked_sub(1)?)?;
            let running = start_s + 1.1 * wakes.width_s + 4.0 * self.interval_s > at_s;
            running.then_some(Into {
                start_s,
                end_s: start_s + wakes.width_s,
                charge_ah: wakes.above_a * wakes.width_s / 3600.0,
            })
        })
    }

    fn failures(&self, tally: &mut Tally, told: &mut Vec<String>) {
        let near_s = self.night.tail_s + 3.0 * self.interval_s;
        let mut left = self.sleep.failures.clone();
        for wanted in &self.night.failures {
            tally.failures += 1;
            // A wake that ran into it, or out of it: the lead was off the floor with that too.
            let into = self.wake_into(wanted.start_s);
            let out_of = self.wake_into(wanted.end_s);
            let near = |at_s: f64, own_s: f64, other_s: Option<f64>| {
                (at_s - own_s).abs() < near_s
                    || other_s.is_some_and(|other_s| (at_s - other_s).abs() < near_s)
            };
            let own_ah = wanted.above_a * (wanted.end_s - wanted.start_s) / 3600.0;
            let least_ah = 0.98 * own_ah;
            let most_ah = 1.02
                * (own_ah
                    + into.map_or(0.0, |wake| wake.charge_ah)
                    + out_of.map_or(0.0, |wake| wake.charge_ah));
            let met = left.iter().position(|found| {
                near(found.start_s, wanted.start_s, into.map(|wake| wake.start_s))
                    && near(found.end_s, wanted.end_s, out_of.map(|wake| wake.end_s))
                    && found.charge_ah > least_ah
                    && found.charge_ah < most_ah
            });
            match met {
                Some(at) => {
                    left.remove(at);
                }
                None => {
                    tally.failures_missed += 1;
                    told.push(format!("failure {wanted:?} not among {:?}", self.sleep.failures));
                }
            }
        }
        tally.failures_extra += left.len();
        if !left.is_empty() {
            told.push(format!("failures made up: {left:?}"));
        }
    }
}

/// What a creeping floor should be called; none where it is not judged.
pub(crate) type Creeps = Option<CreepAnswer>;
/// A limit's name and its verdict.
pub(crate) type Wanted = (&'static str, Verdict);
