//! The simulated truth against what the stages find, and the demo against its scenarios.

use std::path::{Path, PathBuf};

use ebbmark::capture::{self, Capture, ReadOptions, Silent};
use ebbmark::simulate::{self, Simulated, SimulatedFile};

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

fn read(file: &SimulatedFile) -> Capture {
    let options = ReadOptions::default();
    capture::read_bytes(&file.name, file.bytes.clone(), &options, &Silent)
        .unwrap_or_else(|fault| panic!("{fault}"))
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
