//! The command line, driven as a process: exit codes, what goes where, and what bad input gets.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Output;

use assert_cmd::Command;
use serde_json::Value;

const VISIT: &str = "sample-logs/pump-hut-visit.csv";
const EVENTS: &str = "sample-logs/pump-hut-visit-events.csv";
const SHEET: &str = "sample-logs/pump-hut-visit-jobsheet.toml";

fn ebbmark(arguments: &[&str]) -> Output {
    Command::cargo_bin("ebbmark")
        .expect("the binary is built")
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .env("NO_COLOR", "1")
        .args(arguments)
        .output()
        .expect("the binary runs")
}

fn out(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).expect("UTF-8")
}

fn err(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).expect("UTF-8")
}

/// A folder of files that a test makes.
struct Desk {
    folder: tempfile::TempDir,
}

impl Desk {
    fn new() -> Self {
        Self { folder: tempfile::tempdir().expect("a folder") }
    }

    fn put(&self, name: &str, text: impl AsRef<[u8]>) -> String {
        let path = self.folder.path().join(name);
        fs::write(&path, text).expect("a file");
        path.display().to_string()
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn names(&self) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(self.folder.path())
            .expect("the folder")
            .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }
}

/// A plain two-level log: 2 Hz, 10 mA, from sample 200 on 60 mA, one count of dither.
fn two_levels(header: &str, rows: usize) -> String {
    let mut text = format!("{header}\n");
    for i in 0..rows {
        let level = if i < 200 { 10.0 } else { 60.0 };
        let dither = [0.0, 1.0, 0.0, -1.0, 1.0, -1.0, 0.0][i * i % 7];
        text.push_str(&format!("{:.1},{:.0}\n", i as f64 * 0.5, level + dither));
    }
    text
}

#[test]
fn the_main_job_names_the_radio_and_writes_everything() {
    let desk = Desk::new();
    let report = desk.path("report").display().to_string();
    let output =
        ebbmark(&["analyze", VISIT, "--events", EVENTS, "--jobsheet", SHEET, "--out", &report]);
    assert_eq!(output.status.code(), Some(0), "{}", err(&output));
    assert!(out(&output).contains("telemetry radio"), "{}", out(&output));
    let result: Value =
        serde_json::from_slice(&fs::read(desk.path("report/result.json")).unwrap()).unwrap();
    assert_eq!(result["schema"], "ebbmark.result/1");
    assert!(fs::read_to_string(desk.path("report/report.html")).unwrap().contains("<svg"));
    assert_eq!(desk.names(), ["report"], "nothing but the report is left");
}

#[test]
fn figures_of_an_earlier_run_do_not_stay_beside_a_new_page() {
    let desk = Desk::new();
    let report = desk.path("report").display().to_string();
    let run = |arguments: &[&str]| {
        let output = ebbmark(&[arguments, &["--out", &report]].concat());
        assert_eq!(output.status.code(), Some(0), "{}", err(&output));
        let plots = fs::read_dir(desk.path("report/plots")).expect("plots");
        let mut names: Vec<String> = plots
            .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
            .filter(|name| name.ends_with(".svg"))
            .collect();
        names.sort();
        names
    };
    assert!(run(&["analyze", VISIT, "--events", EVENTS]).contains(&"loads.svg".to_owned()));
    for name in ["wakes.png", "hours.svg", "measure-01.svg", "changes.svg", "mine.svg"] {
        fs::write(desk.path("report/plots").join(name), "of an earlier run").unwrap();
    }
    let without_steps = desk.put("flat.csv", two_levels("time (s),current (mA)", 150));
    let left = run(&["analyze", &without_steps]);
    assert!(left.contains(&"mine.svg".to_owned()), "{left:?}");
    let page = fs::read_to_string(desk.path("report/report.html")).expect("the page");
    assert!(left.contains(&"capture.svg".to_owned()) && page.contains("<svg"), "{left:?}");
    for gone in ["loads.svg", "hours.svg", "measure-01.svg", "changes.svg"] {
        assert!(!left.contains(&gone.to_owned()), "{left:?}");
    }
    assert!(!desk.path("report/plots/wakes.png").exists());
}

#[test]
fn json_stands_alone_on_standard_output() {
    let output = ebbmark(&["analyze", VISIT, "--events", EVENTS, "--jobsheet", SHEET, "--json"]);
    let result: Value = serde_json::from_slice(&output.stdout).expect("one JSON document");
    for key in [
        "schema",
        "capture",
        "noise",
        "segments",
        "steps",
        "events",
        "clock",
        "zero",
        "loads",
        "states",
        "wakes",
        "unexplained",
        "charge_ah",
        "mean_a",
        "sample_mean_a",
        "minimum_a",
        "maximum_a",
        "budget",
        "advice",
        "cautions",
    ] {
        assert!(result.get(key).is_some(), "{key} is in the contract");
    }
    let quiet = ebbmark(&["analyze", VISIT, "--json", "--quiet"]);
    assert_eq!(err(&quiet), "");
}

#[test]
fn strict_tells_by_the_exit_code_that_a_load_does_not_conform() {
    let run = |strict: &[&str]| {
        let base = ["analyze", VISIT, "--events", EVENTS, "--jobsheet", SHEET, "--quiet"];
        ebbmark(&[&base[..], strict].concat()).status.code()
    };
    assert_eq!(run(&[]), Some(0));
    assert_eq!(run(&["--strict"]), Some(1));
}

/// The scenario makes unit 20 wake three times as often: each load conforms, its share of time awake
/// does not.
#[test]
fn strict_tells_of_limits_on_sleep_too_and_so_does_the_first_sentence() {
    let run = |unit: &str| {
        let bench = "sample-logs/receivers";
        let [capture, events, sheet] =
            [unit, "receiver-events.csv", "receiver-jobsheet.toml"].map(|f| format!("{bench}/{f}"));
        let judged = ["--events", &events, "--jobsheet", &sheet, "--quiet", "--strict"];
        let run = ebbmark(&[&["analyze", &capture, "--json"][..], &judged].concat());
        let document: Value = serde_json::from_slice(&run.stdout).unwrap();
        (run.status.code(), document["headline"].as_str().unwrap().to_owned())
    };
    let (code, headline) = run("receiver-02.csv");
    assert_eq!(code, Some(0));
    assert!(headline.starts_with("Every load conforms"), "{headline}");
    let (code, headline) = run("receiver-20.csv");
    assert_eq!(code, Some(1));
    assert!(headline.starts_with("It is awake"), "{headline}");
    assert!(headline.contains("its limit is 16 %. Every load conforms"), "{headline}");
}

/// The valve driver moves its valve at ten times what it then holds it with. The scenario has it switched
/// off 488 s after the capture's start by a clock 74 s ahead, to the second: awake until then.
#[test]
fn what_follows_a_surge_is_awake_to_its_own_end() {
    let judged = ["--events", EVENTS, "--jobsheet", SHEET, "--quiet", "--json"];
    let run = ebbmark(&[&["analyze", VISIT][..], &judged].concat());
    let document: Value = serde_json::from_slice(&run.stdout).unwrap();
    let awake = document["sleep"]["awake_stretches"].as_array().unwrap();
    let ends = |span: &Value| (span["end_s"].as_f64().unwrap() - (488.0 - 74.0)).abs() < 1.0;
    assert!(awake.iter().any(ends), "{awake:?}");
    let cautions = document["cautions"].as_array().unwrap();
    assert!(cautions.iter().all(|c| c["code"] != "floor-and-draws-differ"), "{cautions:?}");
}

/// The simulated night's true mean; the meter's gain is off by less than 1 %, its zero by 2 % of that mean.
#[test]
fn the_first_sentence_takes_the_zero_off_the_mean() {
    let truth = std::fs::read_to_string("sample-logs/pump-hut-night-truth.json").unwrap();
    let truth: Value = serde_json::from_str(&truth).unwrap();
    let true_a = truth["captures"][0]["mean_a"].as_f64().unwrap();
    let [night, events] =
        ["night.csv", "night-events.csv"].map(|f| format!("sample-logs/pump-hut-{f}"));
    let judged = ["--events", &events, "--jobsheet", SHEET, "--quiet", "--json"];
    let run = ebbmark(&[&["analyze", &night][..], &judged].concat());
    let document: Value = serde_json::from_slice(&run.stdout).unwrap();
    let headline = document["headline"].as_str().unwrap();
    let told = headline.strip_prefix("The lead carried ").and_then(|rest| rest.split(' ').next());
    let told_a = 1e-3 * told.unwrap().parse::<f64>().unwrap();
    assert!((told_a / true_a - 1.0).abs() < 0.01, "{headline}, truth {true_a}");
}

#[test]
fn a_clamp_put_on_backwards_is_suspected_without_an_event_list() {
    let desk = Desk::new();
    let rows: String = (0..240)
        .map(|i| {
            let load_a = if (60..180).contains(&i) { 0.214 } else { 0.0 };
            format!("{i},{:.3}\n", -load_a - 0.003 + 0.001 * f64::from(i * 7 % 3 - 1))
        })
        .collect();
    let log = desk.put("backwards.csv", format!("elapsed (s),current (A)\n{rows}"));
    let told = |more: &[&str]| {
        let run = ebbmark(&[&["analyze", &log, "--json", "--quiet"][..], more].concat());
        let document: Value = serde_json::from_slice(&run.stdout).unwrap();
        let cautions = document["cautions"].as_array().unwrap().clone();
        cautions.iter().any(|caution| caution["text"].as_str().unwrap().contains("the other way"))
    };
    assert!(told(&[]) && !told(&["--reverse"]));
}

#[test]
fn inspect_explains_and_its_document_holds_capture_charge_and_cautions() {
    let text = out(&ebbmark(&["inspect", VISIT]));
    for what in ["delimiter", "current", "2 Hz"] {
        assert!(text.contains(what), "{what} in {text}");
    }
    let document: Value =
        serde_json::from_slice(&ebbmark(&["inspect", VISIT, "--json"]).stdout).unwrap();
    for key in
        ["capture", "charge_ah", "mean_a", "sample_mean_a", "minimum_a", "maximum_a", "cautions"]
    {
        assert!(document.get(key).is_some(), "{key}");
    }
}

#[test]
fn a_capture_may_come_from_standard_input() {
    let output = Command::cargo_bin("ebbmark")
        .unwrap()
        .args(["inspect", "-", "--json"])
        .write_stdin(two_levels("elapsed (s),current (mA)", 400))
        .output()
        .unwrap();
    let document: Value = serde_json::from_slice(&output.stdout).expect("a document");
    assert_eq!(document["capture"]["samples"], 400);
    assert_eq!(document["capture"]["unit"], "mA");
    assert_eq!(document["capture"]["file"], "-");
}

#[test]
fn the_starter_lists_the_step_and_never_replaces_a_file() {
    let desk = Desk::new();
    let log = desk.put("log.csv", two_levels("elapsed (s),current (mA)", 400));
    let visit = desk.path("visit").display().to_string();
    let first = ebbmark(&["starter", &log, "--out", &visit]);
    assert_eq!(first.status.code(), Some(0), "{}", err(&first));
    let events = fs::read_to_string(desk.path("visit/events.csv")).unwrap();
    assert!(events.lines().any(|line| line.starts_with("100")), "the step at 100 s: {events}");
    let again = ebbmark(&["starter", &log, "--out", &visit]);
    assert_eq!(again.status.code(), Some(2));
    assert!(err(&again).contains("events.csv"), "{}", err(&again));
    // As it stands, the list says which line waits for a name.
    let list = desk.path("visit/events.csv").display().to_string();
    let unfilled = ebbmark(&["analyze", &log, "--events", &list]);
    assert_eq!(unfilled.status.code(), Some(2));
    assert!(err(&unfilled).contains("line"), "{}", err(&unfilled));
}

#[test]
fn scale_carries_a_current_and_says_what_it_assumed() {
    // Common practice, no source: 30 mA at 24 V is 60 mA at 12 V for a constant-power load.
    let document: Value = serde_json::from_slice(
        &ebbmark(&["scale", "30mA", "--from", "24", "--to", "12", "--json"]).stdout,
    )
    .unwrap();
    assert_eq!(document["to_a"], 0.06);
    let kept = ebbmark(&[
        "scale",
        "0.03",
        "--from",
        "24",
        "--to",
        "12",
        "--behaves-as",
        "constant-current",
    ]);
    assert!(out(&kept).contains("30.0 mA at 12 V"), "{}", out(&kept));
}

#[test]
fn simulate_makes_the_demo_again_from_its_seed() {
    let desk = Desk::new();
    let made = desk.path("made").display().to_string();
    let output =
        ebbmark(&["simulate", "sample-logs/scenarios/pump-hut-visit.toml", "--out", &made]);
    assert_eq!(output.status.code(), Some(0), "{}", err(&output));
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let file = "pump-hut-visit.csv";
    assert_eq!(
        fs::read(desk.path("made").join(file)).unwrap(),
        fs::read(root.join("sample-logs").join(file)).unwrap()
    );
}

#[test]
fn completions_and_manual_are_made_for_every_command() {
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        assert!(out(&ebbmark(&["completions", shell])).contains("starter"), "{shell}");
    }
    let manual = out(&ebbmark(&["manual"]));
    for command in ["analyze", "inspect", "starter", "batch", "scale", "simulate"] {
        assert!(manual.contains(command), "{command}");
    }
}

/// Runs `analyze` into a folder that must not come to be, and returns the one message.
fn refused(desk: &Desk, arguments: &[&str]) -> String {
    let before = desk.names();
    let report = desk.path("report").display().to_string();
    let output = ebbmark(&[&["analyze"], arguments, &["--out", &report]].concat());
    let message = err(&output);
    assert_eq!(output.status.code(), Some(2), "{message}");
    assert_eq!(out(&output), "", "nothing on standard output");
    assert_eq!(desk.names(), before, "nothing is written");
    assert_eq!(message.matches("help:").count(), 1, "what to do, once: {message}");
    message
}

#[track_caller]
fn says(message: &str, parts: &[&str]) {
    // The message is wrapped to the terminal's width.
    let flat = message.replace(['│', '·'], " ").split_whitespace().collect::<Vec<_>>().join(" ");
    for part in parts {
        assert!(flat.contains(part), "\"{part}\" in: {flat}");
    }
}

#[test]
fn bad_captures_get_one_message_each() {
    let desk = Desk::new();
    says(&refused(&desk, &["no-such-file.csv"]), &["no-such-file.csv"]);
    says(&refused(&desk, &[&desk.put("empty.csv", "")]), &["empty.csv", "empty"]);
    says(&refused(&desk, &[desk.folder.path().to_str().unwrap()]), &["folder"]);
    let binary: Vec<u8> = (0..4096u32).map(|i| (i * 7919 % 256) as u8).collect();
    refused(&desk, &[&desk.put("binary.bin", binary)]);
    says(
        &refused(&desk, &[&desk.put("words.csv", "time,remark\n1,dry\n2,wet\n3,dry\n4,wet\n")]),
        &["words.csv"],
    );
    let backwards = {
        let mut text = two_levels("elapsed (s),current (mA)", 400);
        text = text.replace("\n150.0,", "\n15.0,");
        desk.put("backwards.csv", text)
    };
    says(&refused(&desk, &[&backwards]), &["backwards.csv, line 302"]);
    let overload: String = (0..50).map(|i| format!("{i},OL\n")).collect();
    says(
        &refused(
            &desk,
            &[&desk.put("overload.csv", format!("elapsed (s),current (mA)\n{overload}"))],
        ),
        &["over"],
    );
    says(
        &refused(&desk, &[&desk.put("short.csv", "elapsed (s),current (mA)\n0,10\n1,10\n")]),
        &["short.csv"],
    );
}

#[test]
fn two_candidate_columns_are_both_named() {
    let desk = Desk::new();
    let rows: String = (0..200).map(|i| format!("{i},{},{}\n", 10 + i % 2, 20 + i % 2)).collect();
    let rival =
        desk.put("rival.csv", format!("elapsed (s),current in (mA),current out (mA)\n{rows}"));
    let output = ebbmark(&["inspect", &rival]);
    let told = out(&output) + &err(&output);
    assert!(told.contains("current in") && told.contains("current out"), "{told}");
    assert!(told.contains("--current-column"), "{told}");
}

#[test]
fn bad_event_lists_and_job_sheets_point_at_their_place() {
    let desk = Desk::new();
    let log = desk.put("log.csv", two_levels("elapsed (s),current (mA)", 400));
    let late = desk.put("late.csv", "time,load,state\n90000,lamp,on\n90100,lamp,off\n");
    says(&refused(&desk, &[&log, "--events", &late]), &["late.csv"]);
    let odd = desk.put("odd.csv", "time,load,state\n5 past noon,lamp,on\n");
    says(&refused(&desk, &[&log, "--events", &odd]), &["odd.csv, line 2"]);
    let unknown = desk.put("unknown.toml", "[site]\nname = \"hut\"\nsuply_voltage_v = 12\n");
    says(
        &refused(&desk, &[&log, "--jobsheet", &unknown]),
        &["unknown.toml, line 3", "supply_voltage_v"],
    );
    let wrong = desk.put("wrong.toml", "[battery]\ncapacity_ah = \"eighteen\"\n");
    says(&refused(&desk, &[&log, "--jobsheet", &wrong]), &["wrong.toml, line 2"]);
    let impossible = desk.put("impossible.toml", "[battery]\ncapacity_ah = -18\n");
    says(&refused(&desk, &[&log, "--jobsheet", &impossible]), &["impossible.toml, line 2"]);
}

#[test]
fn an_output_folder_that_cannot_be_is_told_before_the_work() {
    let desk = Desk::new();
    let log = desk.put("log.csv", two_levels("elapsed (s),current (mA)", 400));
    let inside_a_file = format!("{log}/report");
    let output = ebbmark(&["analyze", &log, "--out", &inside_a_file]);
    assert_eq!(output.status.code(), Some(2));
    says(&err(&output), &["--out"]);
}

#[test]
fn a_load_that_the_sheet_does_not_list_is_a_caution_with_the_nearest_name() {
    let desk = Desk::new();
    let list = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(EVENTS)).unwrap();
    let misspelt = desk.put("events.csv", list.replace("telemetry radio", "telemetry raido"));
    let output = ebbmark(&["analyze", VISIT, "--events", &misspelt, "--jobsheet", SHEET, "--json"]);
    let result: Value = serde_json::from_slice(&output.stdout).unwrap();
    let cautions = result["cautions"].as_array().unwrap();
    let found = cautions.iter().any(|caution| {
        let text = caution["text"].as_str().unwrap();
        text.contains("telemetry raido") && text.contains("telemetry radio")
    });
    assert!(found, "{cautions:?}");
}

/// A unit's log at 1 Hz: nothing for a minute, then `level_ma` for six, one count of dither.
fn unit_log(level_ma: f64) -> String {
    let mut text = "elapsed (s),current (mA)\n".to_owned();
    for i in 0..480 {
        let level = if (60..420).contains(&i) { level_ma } else { 0.0 };
        let dither = [0.0, 0.01, 0.0, -0.01, 0.01, -0.01, 0.0][i * i % 7];
        text.push_str(&format!("{i},{:.2}\n", level + dither));
    }
    text
}

/// A bench: job sheet, event list and `logs`, for `batch` run with `more`.
struct Bench {
    desk: Desk,
    sheet: String,
    events: String,
    logs: Vec<String>,
}

impl Bench {
    fn new(logs: &[(&str, f64)]) -> Self {
        let desk = Desk::new();
        let sheet = "[meter]\naccuracy_percent_of_reading = 0.5\n\n[[load]]\nname = \"receiver\"\n\
                     behaves_as = \"constant-current\"\n\n[[load.state]]\nname = \"standby\"\n\
                     specified_a = 0.035\ntolerance_percent = 15\n";
        let events =
            "time,load,state\n20,zero,\n60,receiver,standby\n420,receiver,off\n450,zero,\n";
        let (sheet, events) = (desk.put("sheet.toml", sheet), desk.put("events.csv", events));
        let logs = logs.iter().map(|(name, level)| desk.put(name, unit_log(*level))).collect();
        Self { desk, sheet, events, logs }
    }

    fn arguments<'a>(&'a self, logs: &[&'a str], more: &[&'a str]) -> Vec<&'a str> {
        [&["batch", &self.sheet, "--events", &self.events, "--quiet"], logs, more].concat()
    }

    fn all(&self) -> Vec<&str> {
        self.logs.iter().map(String::as_str).collect()
    }

    fn json(&self, more: &[&str]) -> Value {
        let output = ebbmark(&self.arguments(&self.all(), &[more, &["--json"]].concat()));
        assert_eq!(output.status.code(), Some(0), "{}", err(&output));
        serde_json::from_slice(&output.stdout).expect("one JSON document")
    }
}

fn units(batch: &Value) -> Vec<&str> {
    batch["units"].as_array().unwrap().iter().map(|unit| unit["unit"].as_str().unwrap()).collect()
}

fn standby(batch: &Value) -> &Value {
    let rows = batch["population"].as_array().unwrap().iter();
    let mut own = rows.filter(|row| row["measure"] == "draw" && row["state"] == "standby");
    own.next().expect("a row for standby")
}

#[test]
fn a_unit_is_known_by_its_files_name_a_pattern_or_a_list() {
    let bench = Bench::new(&[
        ("rx-9_first.csv", 34.0),
        ("rx-10_first.csv", 35.0),
        ("rx-9_again.csv", 34.1),
        ("rx-10_again.csv", 35.1),
    ]);
    // Unit 9 before unit 10, whatever the order on the command line.
    let by_name = bench.json(&[]);
    assert_eq!(units(&by_name), ["rx-9_again", "rx-9_first", "rx-10_again", "rx-10_first"]);
    assert_eq!(by_name["order_of_test"], "by file name");
    let by_pattern = bench.json(&["--unit-name", "rx-{unit}_*.csv"]);
    assert_eq!(units(&by_pattern), ["9", "9", "10", "10"]);
    // Repeats 0.1 mA apart: standard deviation 0.1/√2 mA.
    let row = standby(&by_pattern);
    assert_eq!(row["units"], 2);
    let repeatability_a = row["repeatability_sd"].as_f64().unwrap();
    assert!((repeatability_a - 1e-4 / 2f64.sqrt()).abs() < 1e-6, "{repeatability_a}");
    // The order of a list is the order of test.
    let list = bench.desk.put(
        "list.csv",
        "file,unit\nrx-10_first.csv,A\nrx-9_first.csv,B\nrx-10_again.csv,A\nrx-9_again.csv,B\n",
    );
    let listed = bench.json(&["--unit-list", &list]);
    assert_eq!(units(&listed), ["A", "B", "A", "B"]);
    assert_eq!(listed["order_of_test"], "as listed");
    assert_eq!(listed["cautions"], serde_json::json!([]));
    let longer = format!("{}rx-11_first.csv,C\n", fs::read_to_string(&list).unwrap());
    let longer = bench.json(&["--unit-list", &bench.desk.put("longer.csv", &longer)]);
    assert_eq!(longer["cautions"][0]["code"], "listed-but-absent");
    says(longer["cautions"][0]["text"].as_str().unwrap(), &["rx-11_first.csv", "longer.csv"]);
    // A capture that has no place in the pattern or the list is told before the work.
    let short = bench.desk.put("short.csv", "file,unit\nrx-9_first.csv,B\n");
    for more in [["--unit-name", "tx-{unit}.csv"], ["--unit-list", &short]] {
        let output = ebbmark(&bench.arguments(&bench.all(), &more));
        assert_eq!(output.status.code(), Some(2));
        says(&err(&output), &["rx-"]);
    }
}

#[test]
fn a_folder_that_holds_the_other_inputs_too_counts_its_captures_only() {
    let bench = Bench::new(&[("rx-1.csv", 34.0), ("rx-2.csv", 35.0)]);
    let truth = "{\n  \"schema\": \"ebbmark.truth/1\",\n  \"scenario\": \"bench\",\n  \"captures\": []\n}\n";
    bench.desk.put("rx-truth.json", truth);
    let folder = bench.desk.path(".").display().to_string();
    let pattern = bench.desk.path("*.csv").display().to_string();
    let every = bench.desk.path("rx-*").display().to_string();
    for named in [folder, pattern, every] {
        let output = ebbmark(&bench.arguments(&[&named], &["--json"]));
        assert_eq!(output.status.code(), Some(0), "{}", err(&output));
        let batch: Value = serde_json::from_slice(&output.stdout).unwrap();
        assert_eq!(units(&batch), ["rx-1", "rx-2"], "{named}");
    }
}

#[test]
fn a_capture_that_cannot_be_read_is_a_row_with_its_reason() {
    let mut bench = Bench::new(&[("rx-1.csv", 34.0), ("rx-2.csv", 35.0), ("rx-4.csv", 36.0)]);
    let broken = bench.desk.put("rx-3.csv", "time,remark\n1,dry\n2,wet\n3,dry\n4,wet\n");
    bench.logs.push(broken);
    bench.logs.push(bench.desk.path("rx-5.csv").display().to_string());
    let out = bench.desk.path("out").display().to_string();
    let batch = bench.json(&["--out", &out]);
    let status: Vec<&str> =
        batch["units"].as_array().unwrap().iter().map(|u| u["status"].as_str().unwrap()).collect();
    assert_eq!(status, ["measured", "measured", "unreadable", "measured", "unreadable"]);
    let reason = batch["units"][2]["reason"].as_str().unwrap();
    assert!(reason.contains("rx-3.csv"), "{reason}");
    assert_eq!(standby(&batch)["units"], 3);
    let page = fs::read_to_string(bench.desk.path("out/report.html")).unwrap();
    assert!(page.contains("not read") && page.contains("rx-3.csv"), "the page has the reason");
    let strict = ebbmark(&bench.arguments(&bench.all(), &["--strict"]));
    assert_eq!(strict.status.code(), Some(1));
}

#[test]
fn a_batch_is_the_same_in_any_order_and_on_any_number_of_threads() {
    let levels = [34.0, 35.2, 36.1, 34.7, 35.5, 34.9, 35.1, 44.0, 35.3, 34.4];
    let names: Vec<String> = (1..=levels.len()).map(|i| format!("rx-{i}.csv")).collect();
    let logs: Vec<(&str, f64)> = names.iter().map(String::as_str).zip(levels).collect();
    let bench = Bench::new(&logs);
    let run = |out: &str, threads: &str, logs: &[&str]| {
        let folder = bench.desk.path(out).display().to_string();
        let status = Command::cargo_bin("ebbmark")
            .unwrap()
            .env("RAYON_NUM_THREADS", threads)
            .args(bench.arguments(logs, &["--out", &folder]))
            .output()
            .unwrap();
        assert_eq!(status.status.code(), Some(0), "{}", err(&status));
        let file = |name: &str| fs::read(bench.desk.path(out).join(name)).unwrap();
        (file("result.json"), file("report.html"))
    };
    let mut backwards = bench.all();
    backwards.reverse();
    let one = run("one", "1", &bench.all());
    assert!(one == run("two", "2", &bench.all()), "two threads give another result");
    assert!(one == run("back", "2", &backwards), "another order gives another result");
    let folder = bench.desk.folder.path().display().to_string();
    let pattern = format!("{folder}/rx-*.csv");
    assert!(one == run("pattern", "2", &[&pattern]), "a pattern gives another result");
    let batch: Value = serde_json::from_slice(&one.0).unwrap();
    assert_eq!(standby(&batch)["outliers"], serde_json::json!(["rx-8"]));
}

#[cfg(unix)]
#[test]
fn a_stopped_batch_goes_on_where_it_was() {
    let names: Vec<String> = (1..=6).map(|i| format!("rx-{i}.csv")).collect();
    let logs: Vec<(&str, f64)> =
        names.iter().map(String::as_str).zip([34.0, 35.2, 36.1, 34.7, 35.5, 34.9]).collect();
    let bench = Bench::new(&logs);
    let folder = |name: &str| bench.desk.path(name).display().to_string();
    let (whole, out) = (folder("whole"), folder("out"));
    assert!(ebbmark(&bench.arguments(&bench.all(), &["--out", &whole])).status.success());

    // A pipe that nobody writes to holds one worker until the run is killed.
    let held = bench.desk.path("rx-4.csv");
    fs::remove_file(&held).unwrap();
    assert!(std::process::Command::new("mkfifo").arg(&held).status().unwrap().success());
    let mut run = std::process::Command::new(assert_cmd::cargo::cargo_bin("ebbmark"))
        .env("RAYON_NUM_THREADS", "2")
        .args(bench.arguments(&bench.all(), &["--out", &out]))
        .stdout(std::process::Stdio::null())
        .spawn()
        .unwrap();
    let kept = || {
        let entries = fs::read_dir(bench.desk.path("out/unfinished-batch"));
        entries.map_or(0, |entries| {
            let names = entries.filter_map(|entry| Some(entry.ok()?.file_name()));
            names.filter(|name| name.to_string_lossy().ends_with(".json")).count()
        })
    };
    while kept() < 5 {
        assert!(run.try_wait().unwrap().is_none(), "it was not held");
        std::thread::sleep(std::time::Duration::from_millis(5));
    }
    run.kill().unwrap();
    run.wait().unwrap();
    assert!(!bench.desk.path("out/result.json").exists(), "nothing is written by halves");

    fs::remove_file(&held).unwrap();
    fs::write(&held, unit_log(34.7)).unwrap();
    let mut arguments = bench.arguments(&bench.all(), &["--out", &out]);
    arguments.retain(|argument| *argument != "--quiet");
    let resumed = ebbmark(&arguments);
    assert_eq!(resumed.status.code(), Some(0), "{}", err(&resumed));
    says(&err(&resumed), &["5 of 6 captures were measured by a run that was stopped"]);
    for name in ["result.json", "report.html", "report.txt", "plots/measure-01.svg"] {
        let file = |out: &str| fs::read(bench.desk.path(out).join(name)).unwrap();
        assert!(file("whole") == file("out"), "{name} differs");
    }
    assert!(!bench.desk.path("out/unfinished-batch").exists(), "the store is left behind");
}

#[test]
fn a_batch_is_written_whole_or_not_at_all() {
    let bench = Bench::new(&[("rx-1.csv", 34.0), ("rx-2.csv", 35.0)]);
    let out = bench.desk.path("out");
    fs::create_dir_all(out.join("result.json")).unwrap();
    let folder = out.display().to_string();
    let output = ebbmark(&bench.arguments(&bench.all(), &["--out", &folder]));
    assert_eq!(output.status.code(), Some(2));
    says(&err(&output), &["result.json", "folder"]);
    // Only what lets the next run go on is left.
    let mut left: Vec<_> =
        fs::read_dir(&out).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    left.sort();
    assert_eq!(left, ["result.json", "unfinished-batch"]);
    fs::remove_dir(out.join("result.json")).unwrap();
    let again = ebbmark(&bench.arguments(&bench.all(), &["--out", &folder]));
    assert_eq!(again.status.code(), Some(0), "{}", err(&again));
    for name in ["report.html", "report.txt", "result.json", "tables/measures.csv"] {
        assert!(out.join(name).is_file(), "{name}");
    }
    assert_eq!(cfg!(feature = "tables"), out.join("tables/measures.parquet").is_file());
}

#[test]
fn wrong_options_say_what_is_right() {
    for (arguments, part) in [
        (&["analyze", VISIT, "--unit", "V"][..], "mA"),
        (&["analyze", VISIT, "--smallest-step", "-1"][..], "--smallest-step"),
        (&["analyze", VISIT, "--risk", "0.7"][..], "0.5"),
        (&["analyze", VISIT, "--interval", "0"][..], "--interval"),
        (&["scale", "0.03", "--from", "0", "--to", "12"][..], "--from"),
        (&["batch", SHEET, VISIT, "--unit-name", "rx.csv"][..], "{unit}"),
        (&["nothing"][..], "nothing"),
    ] {
        let output = ebbmark(arguments);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}");
        says(&err(&output), &[part]);
    }
}
