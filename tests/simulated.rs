//! The simulated truth against what the stages find, and the demo against its scenarios.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use ebbmark::capture::{self, Capture, ReadOptions, Silent};
use ebbmark::events::{self, EventList};
use ebbmark::findings::{CreepAnswer, LoadRow, StepRow, Verdict};
use ebbmark::jobsheet::{self, JobSheet};
use ebbmark::judge::Risk;
use ebbmark::pipeline::{self, Analysis, Request};
use ebbmark::segment::Wishes;
use ebbmark::simulate::{self, Simulated, SimulatedFile, TrueLoad};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

fn sample_logs() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs")
}

fn simulated_text(name: &str, text: &str) -> Simulated {
    let scenario = simulate::parse(name, text).unwrap_or_else(|fault| panic!("{fault}"));
    simulate::run(&scenario, scenario.seed())
}

fn simulated(name: &str) -> Simulated {
    let path = sample_logs().join("scenarios").join(name);
    simulated_text(name, &std::fs::read_to_string(path).unwrap())
}

fn text_of(file: &SimulatedFile) -> &str {
    std::str::from_utf8(&file.bytes).unwrap()
}

fn read(file: &SimulatedFile) -> Capture {
    let options = ReadOptions::default();
    capture::read_bytes(&file.name, file.bytes.clone(), &options, &Silent)
        .unwrap_or_else(|fault| panic!("{fault}"))
}

fn list_of(simulated: &Simulated) -> EventList {
    let file = simulated.events.as_ref().unwrap();
    events::parse(&file.name, text_of(file)).unwrap_or_else(|fault| panic!("{fault}"))
}

fn sheet_of(simulated: &Simulated) -> JobSheet {
    let file = simulated.jobsheet.as_ref().unwrap();
    jobsheet::parse(&file.name, text_of(file)).unwrap_or_else(|fault| panic!("{fault}"))
}

fn analyze(capture: &SimulatedFile, list: &EventList, sheet: &JobSheet) -> Analysis {
    let request =
        Request { sheet, events: Some(list), wishes: Wishes::default(), risk: Risk::default() };
    pipeline::analyze(read(capture), &request).unwrap_or_else(|fault| panic!("{fault}"))
}

fn row<'a>(analysis: &'a Analysis, load: &str, state: &str) -> &'a LoadRow {
    let rows = &analysis.findings.loads;
    rows.iter().find(|row| row.load == load && row.state == state).unwrap_or_else(|| {
        let known: Vec<_> = rows.iter().map(|row| (&row.load, &row.state)).collect();
        panic!("no row {load}, {state} among {known:?}")
    })
}

/// Set `EBBMARK_WRITE_SAMPLES=1` to write the files instead of comparing them.
fn compare(simulated: &Simulated, folder: &Path) {
    let write = std::env::var_os("EBBMARK_WRITE_SAMPLES").is_some();
    for file in simulated.files() {
        let path = folder.join(&file.name);
        if write {
            std::fs::write(&path, &file.bytes).unwrap();
        } else {
            let committed = std::fs::read(&path).unwrap();
            assert!(committed == file.bytes, "{} is not what its scenario makes", path.display());
        }
    }
}

#[test]
fn the_demo_is_what_its_scenarios_make() {
    compare(&simulated("pump-hut-visit.toml"), &sample_logs());
    compare(&simulated("pump-hut-repaired.toml"), &sample_logs());
    compare(&simulated("pump-hut-night.toml"), &sample_logs());
    compare(&simulated("receivers.toml"), &sample_logs().join("receivers"));
}

#[test]
fn the_demo_visit_names_the_radio_and_clears_the_others() {
    let demo = simulated("pump-hut-visit.toml");
    let analysis = analyze(&demo.captures[0], &list_of(&demo), &sheet_of(&demo));
    let radio = row(&analysis, "telemetry radio", "standby");
    assert_eq!(radio.verdict, Verdict::NonConforming);
    assert!((radio.draw_a - 0.214).abs() <= radio.expanded_uncertainty_a, "{radio:?}");
    assert!((radio.limit_high_a.unwrap() - 0.096).abs() < 1e-12);
    assert!(analysis.findings.headline.contains("telemetry radio"));
    for other in analysis.findings.loads.iter().filter(|row| row.load != "telemetry radio") {
        assert!(
            matches!(other.verdict, Verdict::Conforming | Verdict::NoLimit),
            "{}, {}: {:?} at {} A ± {} A",
            other.load,
            other.state,
            other.verdict,
            other.draw_a,
            other.expanded_uncertainty_a
        );
    }
    for (load, state) in
        [("controller", "idle"), ("tank level probe", "measuring"), ("valve driver", "holding")]
    {
        let found = row(&analysis, load, state);
        let truth = demo.truth.captures[0].loads.iter();
        let truth = truth.clone().find(|row| row.load == load && row.state == state).unwrap();
        assert_eq!(found.verdict, Verdict::Conforming);
        assert!((found.draw_a - truth.draw_a).abs() <= found.expanded_uncertainty_a, "{found:?}");
    }
    let silent = demo.truth.captures[0].steps.iter().filter(|step| !step.listed);
    for own in silent {
        let near = |step: &&StepRow| (step.time_s - own.time_s).abs() <= 2.0;
        let found = analysis.findings.steps.iter().find(near).unwrap();
        let name = format!("{} ({})", own.load, own.state);
        assert_eq!(found.by_itself.as_deref(), Some(name.as_str()), "{own:?}");
    }
    let loose = |step: &&StepRow| step.event.is_none() && step.by_itself.is_none();
    assert_eq!(analysis.findings.steps.iter().filter(loose).count(), 0);
    // 74 s between the clocks and 1.6 s of lateness.
    let clock = analysis.findings.clock.unwrap();
    assert!((clock.offset_s + 75.6).abs() < 2.0, "{clock:?}");
    let zero = &analysis.findings.zero;
    assert!(zero.trusted);
    let off_ah = zero.net_charge_ah.unwrap() - demo.truth.captures[0].charge_ah;
    let expanded_ah = zero.net_charge_expanded_uncertainty_ah.unwrap();
    assert!(off_ah.abs() <= expanded_ah, "{off_ah} Ah off, {expanded_ah} Ah stated");
    // What the zero is good to, over the capture, is no less than what is stated.
    let hours = analysis.findings.capture.duration_s / 3600.0;
    assert!(expanded_ah >= 0.98 * zero.trusted_to_a.unwrap() * hours, "{expanded_ah}");
}

#[test]
fn the_night_shows_its_wakes_its_level_and_the_time_it_stayed_up() {
    let night = simulated("pump-hut-night.toml");
    let sheet = sheet_of(&simulated("pump-hut-visit.toml"));
    let findings = analyze(&night.captures[0], &list_of(&night), &sheet).findings;
    let truth = &night.truth.captures[0];

    // Nothing is a step but the wakes' edges, the long stay's, and the clamp's: no cloud at dawn is.
    let edges = 2 * truth.wakes[0].count + 4;
    assert!(findings.steps.len() as u64 <= edges, "{} of {edges} steps", findings.steps.len());

    let wakes = findings.wakes.expect("wakes");
    let true_wakes = &truth.wakes[0];
    assert!(wakes.count.abs_diff(true_wakes.count) <= 2, "{} of {}", wakes.count, true_wakes.count);
    assert!((wakes.period_s.unwrap() - true_wakes.period_s.unwrap()).abs() < 3.0);
    assert!((wakes.width_s - true_wakes.width_s).abs() < 1.0);
    assert!((wakes.charge_each_ah / true_wakes.charge_each_ah - 1.0).abs() < 0.1);

    // Most of the night: controller asleep and the radio at full power.
    let longest = findings.states.iter().max_by(|a, b| a.time_s.total_cmp(&b.time_s)).unwrap();
    assert!((longest.mean_a - 0.2238).abs() < 0.010, "{longest:?}");

    // Up from 13 830 s to 16 650 s, 0.1082 A more, and nobody wrote it down.
    let up = findings
        .unexplained
        .iter()
        .find(|u| (u.start_s - 13_830.0).abs() < 10.0 && (u.end_s - 16_650.0).abs() < 10.0)
        .unwrap_or_else(|| panic!("not among {:?}", findings.unexplained));
    assert!((up.delta_a - 0.1082).abs() < 0.005, "{up:?}");

    let headline = &findings.headline;
    assert!(headline.contains("Asleep it draws 22"), "{headline}");
    assert!(headline.contains("its limit is 120 mA"), "{headline}");
    assert!(headline.contains("failed to sleep once, for 47 min"), "{headline}");

    // The charge: gain 0.7 %, zero up to some 6 mA, both within what the clamp is good for.
    let error_a = findings.totals.charge_ah / (findings.capture.duration_s / 3600.0) - truth.mean_a;
    assert!(error_a.abs() < 0.007 * truth.mean_a + 0.0075, "{error_a}");
}

/// Trapezoids over a fine, perfect log are the truth's closed-form charge.
#[test]
fn charge_of_a_perfect_log_is_the_true_charge() {
    let text =
        std::fs::read_to_string(sample_logs().join("scenarios/pump-hut-night.toml")).unwrap();
    let (before, rest) = text.split_once("[meter]").unwrap();
    let (_, rest) = rest.split_once("[export]").unwrap();
    let meter = "[meter]\ninterval_s = 0.1\n[export]";
    let made = simulated_text("perfect", &format!("{before}{meter}{rest}"));
    let capture = read(&made.captures[0]);
    let totals = capture::totals(&capture.samples, &capture.sampling.gaps);
    let truth = &made.truth.captures[0];
    // Every edge costs at most its height times half an interval: some 120 wake edges of 0.149 A
    // and four of up to 0.23 A, of 2.3 Ah.
    assert!((totals.charge_ah - truth.charge_ah).abs() < 120.0 * 0.149 * 0.05 / 3600.0 + 2e-5);
}

/// A meter that averages loses nothing of wakes shorter than a reading: the readings add up to the
/// truth's closed-form charge, but for the first one, whose window the capture does not hold.
#[test]
fn an_averaging_meter_keeps_the_charge_of_wakes_shorter_than_a_reading() {
    let text = "name = \"short\"\nseed = 3\nstart = 2026-05-12T09:00:00\nduration_s = 7200.0\n\
        [meter]\ninterval_s = 1.0\naveraging_s = 1.0\n[export]\nclock = \"seconds\"\n\
        [[load]]\nname = \"sensor\"\nstarts_in = \"asleep\"\n\
        [[load.state]]\nname = \"asleep\"\ndraw_a = 0.008\n\
        [load.state.wakes]\nperiod_s = 17.3\nperiod_sd_s = 0.2\nwidth_s = 0.2\nwidth_sd_s = 0.01\n\
        above_a = 0.19\nabove_sd_a = 0.002\n";
    let made = simulated_text("short", text);
    let readings = read(&made.captures[0]).samples.current_a;
    let charge_ah = readings[1..].iter().sum::<f64>() / 3600.0;
    let truth = &made.truth.captures[0];
    // The export keeps so many digits; every lost wake would cost 5e-4 of the charge.
    assert!((charge_ah / truth.charge_ah - 1.0).abs() < 1e-5, "{charge_ah} of {}", truth.charge_ah);
}

/// Whatever form the meter's software writes, the reader finds the same samples without being told.
#[test]
fn every_export_form_is_read_back() {
    let scenario = |export: &str| {
        format!(
            "name = \"form\"\nseed = 4\nstart = 2026-05-12T23:58:30\nduration_s = 240.0\n\
             [meter]\ninterval_s = 0.5\nnoise_a = 0.002\nresolution_a = 0.001\n\
             [export]\n{export}\n[[load]]\nname = \"pump\"\nstarts_in = \"on all day\"\n\
             [[load.state]]\nname = \"on all day\"\ndraw_a = 0.214\n\
             [[load.state]]\nname = \"hard at work\"\ndraw_a = 1.31\n\
             [[action]]\nat_s = 100.0\nload = \"pump\"\nstate = \"hard at work\"\n"
        )
    };
    let plain = read(&simulated_text("form", &scenario("clock = 'seconds'")).captures[0]);
    assert_eq!(plain.samples.len(), 480);
    let clocks = [
        ("date-time", true),
        ("day-first", true),
        ("month-first", true),
        ("two-columns", true),
        ("time-of-day", false),
        ("seconds", false),
        ("epoch-seconds", true),
    ];
    let numbers = [(",", "."), (";", ","), ("\\t", "."), ("|", ",")];
    let headers = [
        ("utf-8", "current (mA)", "mA"),
        ("windows-1252", "I / µA", "µA"),
        ("utf-16", "I [A]", "A"),
    ];
    for (clock, dated) in clocks {
        for (delimiter, mark) in numbers {
            for (encoding, header, unit) in headers {
                let export = format!(
                    "clock = '{clock}'\ndelimiter = \"{delimiter}\"\ndecimal_mark = '{mark}'\n\
                     encoding = '{encoding}'\ncurrent_header = '{header}'\nunit = '{unit}'\n\
                     line_ending = 'crlf'\npreamble = ['Logger export', '', 'Channel;1']"
                );
                let found = read(&simulated_text("form", &scenario(&export)).captures[0]);
                let case = format!("{clock} {delimiter} {mark} {encoding} {unit}");
                assert_eq!(found.samples.len(), 480, "{case}");
                assert_eq!(found.unit, unit, "{case}");
                for i in 0..480 {
                    let (a, b) = (found.samples.current_a[i], plain.samples.current_a[i]);
                    assert!((a - b).abs() < 1e-9, "{case}: {a} for {b}");
                    assert!((found.samples.time.at(i) - i as f64 * 0.5).abs() < 1e-6, "{case}");
                }
                if dated {
                    assert_eq!(found.start, Some("2026-05-12T23:58:30".parse().unwrap()), "{case}");
                }
            }
        }
    }
}

struct Visit {
    text: String,
    faulty: Vec<bool>,
}

const NAMES: [&str; 5] = ["controller", "level probe", "radio", "valve", "beacon"];

/// A visit as anyone might make it: two to five loads, each on and off twice in mixed order.
fn random_visit(seed: u64) -> Visit {
    let mut rng = ChaCha8Rng::seed_from_u64(0x0e5e_0000 + seed);
    let count = rng.random_range(2..=5);
    let draws: Vec<f64> = (0..count).map(|_| 0.02 * 30f64.powf(rng.random())).collect();
    let faulty: Vec<bool> = (0..count).map(|_| rng.random_bool(0.4)).collect();

    let mut sheet = String::from(
        "[site]\nsupply_voltage_v = 12.0\n[meter]\naccuracy_percent_of_reading = 1.5\n\
         accuracy_counts = 3\nresolution_a = 0.001\nzero_return_tolerance_a = 0.015\n",
    );
    let (mut loads, mut actions) = (String::new(), String::new());
    for i in 0..count {
        // Wrong beyond doubt or right beyond doubt: what lies between may be indeterminate.
        let limit = draws[i] / if faulty[i] { 1.5 } else { 0.6 };
        let (name, draw) = (NAMES[i], draws[i]);
        let _ = write!(
            sheet,
            "[[load]]\nname = \"{name}\"\n[[load.state]]\nname = \"running\"\nmaximum_a = {limit}\n"
        );
        let surge = if rng.random_bool(0.5) {
            format!(
                "surge_a = {}\nsurge_s = {}\n",
                draw * rng.random::<f64>(),
                0.2 + rng.random::<f64>()
            )
        } else {
            String::new()
        };
        let _ = write!(
            loads,
            "[[load]]\nname = \"{name}\"\n[[load.state]]\nname = \"running\"\ndraw_a = {draw}\n{surge}"
        );
    }
    // Each load is switched four times; the order of all of them is mixed.
    let mut turns: Vec<usize> = (0..count).flat_map(|i| [i; 4]).collect();
    for i in (1..turns.len()).rev() {
        turns.swap(i, rng.random_range(0..=i));
    }
    let (mut at_s, mut on) = (60.0, vec![false; count]);
    for i in turns {
        on[i] = !on[i];
        let state = if on[i] { "on" } else { "off" };
        let _ = write!(
            actions,
            "[[action]]\nat_s = {at_s:.1}\nload = \"{}\"\nstate = \"{state}\"\n",
            NAMES[i]
        );
        at_s += 25.0 + 35.0 * rng.random::<f64>();
    }
    let end_s = at_s + 60.0;
    let mut uniform = |low: f64, high: f64| low + (high - low) * rng.random::<f64>();
    let text = format!(
        "name = \"visit\"\nseed = {seed}\nstart = 2026-05-12T10:00:00\nduration_s = {end_s:.0}\n\
         jobsheet = '''\n{sheet}'''\n[meter]\ninterval_s = 0.5\nnoise_a = {}\n\
         noise_share_of_level = {}\nlag1_autocorrelation = {}\nzero_offset_a = {}\n\
         zero_wander_a = {}\nzero_wander_period_s = {}\ngain_error_percent = {}\n\
         resolution_a = 0.001\nspikes_per_h = {}\nspike_a = 0.3\ndropped_share = {}\n\
         averaging_s = {}\n[person]\nclock_offset_s = {:.0}\nlate_s = {}\nlate_sd_s = 1.0\n\
         {loads}[[zero_check]]\nat_s = 10.0\nfor_s = 40.0\n[[zero_check]]\nat_s = {:.0}\n\
         for_s = 50.0\n{actions}",
        uniform(0.0005, 0.003),
        uniform(0.0, 0.008),
        uniform(0.0, 0.8),
        uniform(-0.006, 0.006),
        uniform(0.0, 0.0015),
        uniform(1500.0, 6000.0),
        uniform(-1.4, 1.4),
        uniform(0.0, 10.0),
        uniform(0.0, 0.01),
        uniform(0.0, 0.5),
        uniform(-180.0, 180.0),
        uniform(0.0, 3.0),
        end_s - 55.0,
    );
    Visit { text, faulty }
}

/// What one randomised visit said of each load, against the truth.
fn judged(seed: u64) -> Vec<(bool, LoadRow, TrueLoad)> {
    let visit = random_visit(seed);
    let made = simulated_text("visit", &visit.text);
    let analysis = analyze(&made.captures[0], &list_of(&made), &sheet_of(&made));
    let truth = made.truth.captures[0].loads.iter().cloned();
    truth
        .map(|truth| {
            let faulty = visit.faulty[NAMES.iter().position(|name| *name == truth.load).unwrap()];
            (faulty, row(&analysis, &truth.load, "running").clone(), truth)
        })
        .collect()
}

#[test]
fn randomised_visits_get_no_wrong_verdict_and_honest_uncertainties() {
    let all: Vec<_> = (0..60u64).into_par_iter().flat_map_iter(judged).collect();
    let (mut within, mut decided) = (0, 0);
    for (faulty, row, truth) in &all {
        let wrong = if *faulty { Verdict::Conforming } else { Verdict::NonConforming };
        assert_ne!(row.verdict, wrong, "{row:?} {truth:?}");
        within += usize::from((row.draw_a - truth.draw_a).abs() <= row.expanded_uncertainty_a);
        decided += usize::from(row.verdict != Verdict::Indeterminate);
    }
    println!("{within} of {} draws within U, {decided} decided", all.len());
    // About 95 %, and the binomial spread of some 200 draws.
    assert!(within as f64 >= 0.90 * all.len() as f64, "{within} of {}", all.len());
    assert!(decided as f64 >= 0.95 * all.len() as f64, "{decided} of {}", all.len());
}

#[test]
fn a_person_who_forgets_lines_gets_no_wrong_verdict_of_a_load_still_known() {
    let judge = |seed: u64| {
        let visit = random_visit(seed);
        let forgetful = visit.text.replace("[person]\n", "[person]\nforgets_share = 0.1\n");
        let made = simulated_text("visit", &forgetful);
        let analysis = analyze(&made.captures[0], &list_of(&made), &sheet_of(&made));
        for row in &analysis.findings.loads {
            let Some(at) = NAMES.iter().position(|name| *name == row.load) else { continue };
            let wrong = if visit.faulty[at] { Verdict::Conforming } else { Verdict::NonConforming };
            let ours = row.state == "running" && row.separable;
            assert!(!ours || row.verdict != wrong, "seed {seed}: {row:?}");
        }
    };
    (40..70u64).into_par_iter().for_each(judge);
}

/// A night at 1 Hz: a floor, a wake of 200 mA for 8 s every 10 min, and zero checks.
struct Night {
    /// At hours from the start.
    floor_a: fn(f64) -> f64,
    drift_a_per_h: f64,
    checks_s: Vec<(f64, f64)>,
    tolerance_a: f64,
}

const NIGHT_S: usize = 21_600;

impl Night {
    fn truth_a(&self, time_s: f64) -> f64 {
        let wake = (301.0..309.0).contains(&(time_s % 600.0));
        let checked = self.checks_s.iter().any(|(from, to)| (*from..*to).contains(&time_s));
        let floor_a = (self.floor_a)(time_s / 3600.0);
        if checked { 0.0 } else { floor_a + if wake { 0.2 } else { 0.0 } }
    }

    fn analyze(&self, seed: u64) -> Analysis {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut text = "time (s),current (A)\n".to_owned();
        for i in 0..NIGHT_S {
            let time_s = i as f64;
            // Near enough to a normal of 0.5 mA: the sum of twelve.
            let noise: f64 = (0..12).map(|_| rng.random::<f64>() - 0.5).sum();
            let reading = self.truth_a(time_s) + self.drift_a_per_h * time_s / 3600.0;
            writeln!(text, "{i},{:.4}", reading + 0.000_5 * noise).unwrap();
        }
        let capture =
            capture::read_bytes("night.csv", text.into(), &ReadOptions::default(), &Silent)
                .unwrap();
        let lines: String =
            self.checks_s.iter().map(|(from, _)| format!("{},zero,\n", from + 2.0)).collect();
        let list = events::parse("list.csv", &format!("time,load,state\n{lines}")).unwrap();
        let sheet = format!(
            "[meter]\nresolution_a = 0.0001\nzero_return_tolerance_a = {}\n",
            self.tolerance_a
        );
        let sheet = jobsheet::parse("job.toml", &sheet).unwrap();
        let request = Request {
            sheet: &sheet,
            events: Some(&list),
            wishes: Wishes::default(),
            risk: Risk::default(),
        };
        pipeline::analyze(capture, &request).unwrap_or_else(|fault| panic!("{fault}"))
    }
}

/// Every listed check is read where the list has it, and reads nothing.
fn assert_checks(night: &Night, found: &Analysis) {
    let checks = &found.findings.zero.checks;
    assert_eq!(checks.len(), night.checks_s.len(), "{checks:?}");
    for (check, (from, to)) in checks.iter().zip(&night.checks_s) {
        assert!((*from..*to).contains(&check.time_s), "{checks:?}");
        let zero_a = night.drift_a_per_h * check.time_s / 3600.0;
        assert!((check.reading_a - zero_a).abs() < 0.000_3, "{checks:?}");
        assert!(check.residual_a.abs() < 0.000_3, "{checks:?}");
    }
}

#[test]
fn a_short_zero_check_among_wakes_is_no_burst() {
    let checks_s = vec![(7185.0, 7235.0), (14_385.0, 14_437.0)];
    let night = Night { floor_a: |_| 0.037, drift_a_per_h: 0.0, checks_s, tolerance_a: 0.005 };
    let found = night.analyze(1);
    assert_checks(&night, &found);
    assert!(found.findings.zero.trusted, "{}", found.findings.zero.answer);
    let sleep = found.findings.sleep.as_ref().unwrap();
    assert!(sleep.failures.is_empty() && sleep.wakes.len() == 36, "{}", sleep.wakes.len());
}

#[test]
fn a_floor_below_the_tolerance_is_no_zero_check_where_checks_are_listed() {
    let checks_s =
        vec![(30.0, 120.0), (7210.0, 7290.0), (14_410.0, 14_490.0), (21_320.0, 21_500.0)];
    let night = Night { floor_a: |_| 0.016, drift_a_per_h: 0.0, checks_s, tolerance_a: 0.020 };
    let found = night.analyze(2);
    assert_checks(&night, &found);
    let floor_a = found.findings.sleep.as_ref().unwrap().floor_a;
    assert!((floor_a - 0.016).abs() < 0.000_3, "{floor_a}");
}

/// A floor that moves while the checks stand still creeps, one that moves with them does not, and one
/// that moves less than they do does. Where it stands while they move, the zero may as well have jumped.
#[test]
fn zero_checks_hold_the_zero_and_not_the_floor() {
    let steady: fn(f64) -> f64 = |_| 0.030;
    let creeps: fn(f64) -> f64 = |hours| 0.030 - 0.001 * hours;
    let checks_s = vec![(0.0, 120.0), (21_450.0, 21_600.0)];
    for (floor_a, drift_a_per_h, creep_a_per_h) in [
        (steady, 0.0, 0.0),
        (steady, -0.001, 0.0),
        (creeps, 0.0, -0.001),
        (creeps, 0.0015, -0.001),
        (creeps, 0.001, -0.001),
    ] {
        let night =
            Night { floor_a, drift_a_per_h, checks_s: checks_s.clone(), tolerance_a: 0.010 };
        let found = night.analyze(3);
        assert_checks(&night, &found);
        assert!(found.findings.zero.trusted, "{}", found.findings.zero.answer);
        let drift = found.findings.zero.drift_a_per_h.unwrap();
        assert!((drift - drift_a_per_h).abs() < 0.000_1, "{drift} for {drift_a_per_h}");
        let creep = &found.findings.sleep.as_ref().unwrap().creep;
        let slope = creep.slope_a_per_h.unwrap();
        let u = creep.standard_uncertainty_a_per_h.unwrap();
        assert!((slope - creep_a_per_h).abs() < 3.0 * u.max(0.000_01), "{creep:?}");
        let answer = match creep_a_per_h {
            0.0 => CreepAnswer::Steady,
            _ if drift_a_per_h == -creep_a_per_h => CreepAnswer::Undecidable,
            _ => CreepAnswer::Creeps,
        };
        assert_eq!(creep.answer, answer, "{creep:?}");
    }
}

/// A floor that settles as no line does, from 40 to 30 mA.
#[test]
fn zero_checks_hold_whatever_way_the_floor_moves() {
    let checks_s = vec![(0.0, 120.0), (7210.0, 7290.0), (21_450.0, 21_600.0)];
    let floor_a: fn(f64) -> f64 = |hours| 0.030 + 0.010 * (-hours / 0.7).exp();
    let night = Night { floor_a, drift_a_per_h: 0.0, checks_s, tolerance_a: 0.010 };
    let found = night.analyze(4);
    assert_checks(&night, &found);
    let net_ah = found.findings.zero.net_charge_ah.unwrap();
    let truth_ah: f64 = (0..NIGHT_S).map(|i| night.truth_a(i as f64)).sum::<f64>() / 3600.0;
    assert!((net_ah / truth_ah - 1.0).abs() < 0.01, "{net_ah} for {truth_ah}");
}

/// A rig's own list, with wakes as high as the draw that it switches on: read at 1 kHz.
#[test]
fn an_exact_list_is_set_exactly_though_wakes_are_as_high_as_the_draw() {
    let mut rng = ChaCha8Rng::seed_from_u64(6);
    let mut text = "time (s),current (uA)\n".to_owned();
    for i in 0..20_000 {
        let time_s = f64::from(i) / 1000.0;
        let on = (2.0..19.5).contains(&time_s);
        let wake = time_s > 4.6 && time_s < 19.0 && (0.7..0.74).contains(&(time_s % 1.0));
        let high = on && (time_s < 4.5 || wake);
        let level = if high {
            12_000.0
        } else if on {
            32.0
        } else {
            0.0
        };
        let noise: f64 = (0..12).map(|_| rng.random::<f64>() - 0.5).sum();
        writeln!(text, "{time_s:.3},{:.1}", level + noise * (0.8 + 0.01 * level)).unwrap();
    }
    let read =
        capture::read_bytes("rx.csv", text.into(), &ReadOptions::default(), &Silent).unwrap();
    let list = "time,load,state\n0.20,zero,\n2.00,receiver,on\n19.50,receiver,off\n";
    let list = events::parse("list.csv", list).unwrap();
    let sheet = "[meter]\nresolution_a = 1e-7\nzero_return_tolerance_a = 2e-6\n[[load]]\nname = \
                 \"receiver\"\n[[load.state]]\nname = \"standby\"\nspecified_a = 0.012\n[[load.state]]\n\
                 name = \"asleep\"\nmaximum_a = 38e-6\n";
    let sheet = jobsheet::parse("job.toml", sheet).unwrap();
    let request = Request {
        sheet: &sheet,
        events: Some(&list),
        wishes: Wishes::default(),
        risk: Risk::default(),
    };
    let found = pipeline::analyze(read, &request).unwrap_or_else(|fault| panic!("{fault}"));
    let clock = found.findings.clock.as_ref().unwrap();
    assert!(clock.offset_s.abs() < 0.1 && clock.standard_uncertainty_s < 0.2, "{clock:?}");
    let standby = row(&found, "receiver", "standby");
    assert!((standby.draw_a - 0.012).abs() < 0.000_1, "{standby:?}");
}
