//! The report as people get it: text, page, tables, files, schema, and the page in a browser.

#[path = "report/browser.rs"]
mod browser;
#[path = "report/orchard.rs"]
mod orchard;

use std::collections::BTreeSet;
use std::path::Path;

use ebbmark::batch::{self, UnitSource};
use ebbmark::capture::{ReadOptions, Samples, Silent, TimeAxis};
use ebbmark::events::ListedTime;
use ebbmark::fault::InputFault;
use ebbmark::findings::{Findings, Span, WakeGroups};
use ebbmark::jobsheet::JobSheet;
use ebbmark::judge::Risk;
use ebbmark::pipeline::{self, Analysis, Request};
use ebbmark::report::{self, Sketch, Trace, tables, text, write};
use ebbmark::segment::Wishes;

fn page(findings: &Findings) -> String {
    let samples = orchard::samples();
    report::html::render(findings, &Trace::plain(&samples)).unwrap()
}

/// A capture of which nothing is known but two readings.
fn bare() -> Findings {
    let mut findings = orchard::findings();
    findings.headline = "Nothing was found.".into();
    findings.site = None;
    findings.supply_voltage_v = None;
    findings.capture.start = None;
    findings.capture.sampling_interval_s = None;
    findings.capture.duration_s = 0.0;
    findings.capture.resolution_a = None;
    findings.capture.gaps.clear();
    findings.capture.decisions.clear();
    findings.noise.by_level.clear();
    findings.segments.clear();
    findings.steps.clear();
    findings.events.clear();
    findings.clock = None;
    findings.zero.checks.clear();
    findings.zero.offset_a = None;
    findings.zero.drift_a_per_h = None;
    findings.zero.trusted = false;
    findings.zero.trusted_to_a = None;
    findings.zero.answer = "No zero check was made.".into();
    findings.loads.clear();
    findings.duty.clear();
    findings.base_a = None;
    findings.states.clear();
    findings.wakes = None;
    findings.unexplained.clear();
    findings.budget = None;
    findings.advice.clear();
    findings.cautions.clear();
    findings
}

fn sheet(name: &str) -> JobSheet {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs");
    ebbmark::jobsheet::parse(name, &std::fs::read_to_string(folder.join(name)).unwrap()).unwrap()
}

/// A bundled capture, through the whole line.
fn bundled(capture: &str, events: &str, sheet: &JobSheet) -> Analysis {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs");
    let list = std::fs::read_to_string(folder.join(events)).unwrap();
    let request = Request {
        sheet,
        events: Some(&ebbmark::events::parse(events, &list).unwrap()),
        wishes: Wishes::default(),
        risk: Risk::default(),
    };
    let file = folder.join(capture);
    let capture = ebbmark::capture::read_file(&file, &ReadOptions::default(), &Silent).unwrap();
    pipeline::analyze(capture, &request).unwrap()
}

/// The bundled `visit`, `night` or `repaired`.
fn pump_hut(what: &str) -> Analysis {
    bundled(
        &format!("pump-hut-{what}.csv"),
        &format!("pump-hut-{what}-events.csv"),
        &sheet("pump-hut-visit-jobsheet.toml"),
    )
}

fn demo() -> Analysis {
    pump_hut("visit")
}

/// The files of the bundled batch, its first capture told as unreadable.
fn batch() -> write::Bundle {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs/receivers");
    let sheet = sheet("receivers/receiver-jobsheet.toml");
    let mut sources: Vec<UnitSource> = (1..=24)
        .map(|i| folder.join(format!("receiver-{i:02}.csv")))
        .map(|file| UnitSource::named_by_file(&file))
        .collect();
    sources[0].file = folder.join("receiver-jobsheet.toml");
    let sketches: std::sync::Mutex<std::collections::BTreeMap<String, Sketch>> = Default::default();
    let outcomes = batch::measure_units(
        &sources,
        |source| {
            if source.file.extension().is_none_or(|end| end != "csv") {
                return Err(InputFault::of_file(
                    "receiver-01.csv",
                    "is no capture",
                    "log it again",
                ));
            }
            let name = source.file.file_name().unwrap().to_str().unwrap();
            let analysis =
                bundled(&format!("receivers/{name}"), "receivers/receiver-events.csv", &sheet);
            sketches.lock().unwrap().insert(source.unit.clone(), Sketch::of(&analysis));
            Ok(analysis.findings)
        },
        |_| None,
        |_, _| (),
    );
    let mut sketches = sketches.into_inner().unwrap();
    let sketches: Vec<Option<Sketch>> =
        sources.iter().map(|source| sketches.remove(&source.unit)).collect();
    report::batch_bundle(&batch::population(&outcomes), &sketches).unwrap()
}

fn text_of<'a>(bundle: &'a write::Bundle, name: &str) -> &'a str {
    std::str::from_utf8(bundle.get(name).unwrap()).unwrap()
}

#[test]
fn the_starter_list_waits_for_the_loads_and_reads_once_they_are_there() {
    let analysis = demo();
    let steps = &analysis.segmentation.steps;
    let list = report::starter::events(&analysis.capture, &analysis.segmentation);
    let fault = ebbmark::events::parse("events.csv", &list).unwrap_err();
    let first = list.lines().position(|line| line.starts_with("time,")).unwrap() as u64 + 2;
    assert_eq!(fault.place.line, Some(first), "{fault}");
    assert!(fault.to_string().contains("load"), "{fault}");
    let filled = list.replace(",,", ",pump,");
    let read = ebbmark::events::parse("events.csv", &filled).unwrap();
    assert_eq!(read.lines.len(), steps.len());
    let start = analysis.capture.start.unwrap();
    for (line, step) in read.lines.iter().zip(steps) {
        let ListedTime::DateTime(time) = line.time else { panic!("{line:?}") };
        let listed_s = start.duration_until(time).as_secs_f64();
        assert!((listed_s - step.time_s).abs() <= 0.051, "{listed_s} {}", step.time_s);
    }
}

#[test]
fn the_visit_is_told_on_one_screen() {
    let text = text::render(&orchard::findings(), 80, false);
    insta::assert_snapshot!("visit_text", text);
    assert!(text.lines().count() <= 50, "{} lines", text.lines().count());
}

#[test]
fn inspect_explains_every_choice() {
    let text = text::render_inspect(&orchard::inspect(), &orchard::capture(), 80, false);
    insta::assert_snapshot!("visit_inspect", text);
    for decision in orchard::inspect().capture.decisions {
        assert!(text.contains(&decision.what) && text.contains(&decision.chosen), "{text}");
    }
}

#[test]
fn no_line_is_wider_than_the_terminal_and_colour_changes_no_word() {
    for width in [40, 57, 80, 120] {
        for findings in [orchard::findings(), bare()] {
            let plain = text::render(&findings, width, false);
            for line in plain.lines() {
                assert!(line.chars().count() <= width, "{width}: {line}");
            }
            let coloured = text::render(&findings, width, true);
            assert_ne!(plain, coloured);
            let codes = ["1m", "2m", "31m", "32m", "33m", "0m"];
            let stripped = codes
                .iter()
                .fold(coloured, |text, code| text.replace(&format!("\u{1b}[{code}"), ""));
            assert_eq!(plain, stripped);
        }
        let inspect = text::render_inspect(&orchard::inspect(), &orchard::capture(), width, false);
        assert!(inspect.lines().all(|line| line.chars().count() <= width), "{width}: {inspect}");
    }
}

#[test]
fn what_a_file_says_is_shown_and_never_run() {
    let evil = "\u{1b}]0;x\u{7}<script>alert(1)</script>\"'&\u{202e}";
    let mut analysis = orchard::analysis();
    let findings = &mut analysis.findings;
    findings.headline.push_str(evil);
    findings.site = Some(evil.into());
    findings.capture.file = evil.into();
    findings.capture.current_column = evil.into();
    findings.loads[0].load = evil.into();
    findings.loads[0].state = evil.into();
    findings.loads[0].to_decide = Some(evil.into());
    findings.loads[0].uncertainty_budget[0].source = evil.into();
    findings.events[3].load = evil.into();
    findings.capture.decisions[0].chosen = evil.into();
    findings.capture.decisions[0].option = Some(evil.into());
    findings.advice[0].what = evil.into();
    findings.cautions[0].text = evil.into();
    findings.zero.answer = evil.into();
    let inspect = ebbmark::findings::InspectFindings {
        capture: findings.capture.clone(),
        cautions: findings.cautions.clone(),
        ..orchard::inspect()
    };
    let screens = text::render(findings, 80, false)
        + &text::render_inspect(&inspect, &orchard::capture(), 80, false);
    let forbidden = |c: char| (c.is_control() && c != '\n') || c == '\u{202e}';
    assert!(!screens.contains(forbidden), "{screens}");

    let bundle = report::bundle(&analysis).unwrap();
    for name in bundle.names().filter(|name| name.ends_with(".html") || name.ends_with(".svg")) {
        let page = std::str::from_utf8(bundle.get(name).unwrap()).unwrap();
        assert!(!page.contains("<script"), "{name}");
        assert!(!page.contains(forbidden), "{name}");
    }
    let html = std::str::from_utf8(bundle.get("report.html").unwrap()).unwrap();
    assert!(html.contains("&#60;script&#62;alert(1)"));
    assert!(bundle.names().all(|name| !name.contains("script")));
}

#[test]
fn the_page_needs_nothing_beside_it_and_says_its_figures_in_words() {
    let html = page(&orchard::findings());
    for outside in ["http:", "https:", "//", "src=", "@import", "url("] {
        let found = html.match_indices(outside).next();
        assert_eq!(found, None, "{:?}", found.map(|(at, _)| &html[at..at + 60]));
    }
    let figures = html.matches("role=\"img\"").count();
    // Overview and loads in a wide and a narrow form, and a zoom for each of the 16 events.
    assert_eq!(figures, 4 + orchard::findings().events.len());
    assert_eq!(html.matches("<title id=").count(), figures);
    assert_eq!(html.matches("<desc id=").count(), figures);
    let ids: Vec<_> =
        html.split(" id=\"").skip(1).filter_map(|rest| rest.split('"').next()).collect();
    assert_eq!(ids.len(), ids.iter().collect::<BTreeSet<_>>().len(), "an id is used twice");
    for word in
        ["telemetry radio", "2.2 × limit", "valve driver hold", "short circuit", "lock them out"]
    {
        assert!(html.contains(word), "{word}");
    }
    assert_eq!(html, page(&orchard::findings()), "the same findings give the same bytes");
}

#[test]
fn the_page_keeps_its_form() {
    let html = page(&orchard::findings());
    // The drawings are looked at by people and by the tests of the figures.
    let mut words = String::new();
    let mut rest = html.as_str();
    while let Some((before, drawing)) = rest.split_once("<svg") {
        words.push_str(before);
        words.push_str("[drawing]");
        rest = drawing.split_once("</svg>").map_or("", |(_, after)| after);
    }
    words.push_str(rest);
    let body = words.split_once("<body>").map_or("", |(_, body)| body);
    insta::with_settings!({ filters => vec![(r"ebbmark \d+\.\d+\.\d+", "ebbmark [version]")] }, {
        insta::assert_snapshot!("visit_page", body);
    });
}

#[test]
fn little_or_odd_data_still_gives_a_report() {
    let mut odd = vec![bare()];
    let mut no_events = orchard::findings();
    no_events.events.clear();
    no_events.clock = None;
    no_events.steps.iter_mut().for_each(|step| step.event = None);
    odd.push(no_events);
    let mut reversed = orchard::findings();
    reversed.loads.iter_mut().for_each(|load| load.draw_a = -load.draw_a);
    reversed.loads[0].limit_low_a = Some(-0.5);
    odd.push(reversed);
    let traces = [
        Samples { time: TimeAxis::Listed(vec![]), current_a: vec![] },
        Samples { time: TimeAxis::Listed(vec![0.0]), current_a: vec![0.0] },
        Samples { time: TimeAxis::Uniform { interval_s: 1e-5, len: 3 }, current_a: vec![0.0; 3] },
        Samples {
            time: TimeAxis::Listed(vec![0.0, 0.0, 4e7, 4e7]),
            current_a: vec![-3e4, 5e-12, -7.0, 1e5],
        },
    ];
    for findings in &odd {
        for samples in &traces {
            let html = report::html::render(findings, &Trace::plain(samples)).unwrap();
            assert!(html.contains("</html>"));
            assert!(!html.contains("NaN") && !html.contains(">inf"), "a figure without a value");
        }
        assert!(!text::render(findings, 80, false).contains("NaN"));
    }
}

/// Every key of the document's lists is a column of its table, so that a field added to the
/// findings cannot be left out of the tables.
#[test]
fn tables_have_every_field_of_the_document() {
    let list_of = |table: &str| match table {
        "zero_checks" => Some("/zero/checks"),
        "noise_by_level" => Some("/noise/by_level"),
        "gaps" => Some("/capture/gaps"),
        "decisions" => Some("/capture/decisions"),
        "budget_by_load" => Some("/budget/by_load"),
        "budget_factors" => Some("/budget/factors"),
        "budget_what_if" => Some("/budget/what_if"),
        "wakes" => Some("/sleep/wakes"),
        "wake_series" => Some("/sleep/series"),
        "floor_levels" => Some("/sleep/floor_levels"),
        "falls_asleep" => Some("/sleep/falls_asleep"),
        "failures_to_sleep" => Some("/sleep/failures"),
        "awake_stretches" => Some("/sleep/awake_stretches"),
        "sleep_verdicts" => Some("/sleep/verdicts"),
        "capture" | "uncertainty_budget" | "wake_groups" | "sleep" => None,
        _ => Some(""),
    };
    let mut night = pump_hut("night").findings;
    let sleep = night.sleep.as_mut().unwrap();
    assert!(!sleep.wakes.is_empty());
    sleep.series[0].groups = Some(WakeGroups {
        count: 30,
        least: 1,
        most: 3,
        period_s: 60.0,
        jitter_s: None,
        apart_s: 4.0,
    });
    for findings in [orchard::findings(), night] {
        let document = serde_json::to_value(&findings).unwrap();
        let all = tables::of_findings(&findings);
        for table in &all {
            let columns: BTreeSet<&str> = table.columns.iter().map(|(name, _)| *name).collect();
            let Some(place) = list_of(table.name) else { continue };
            let place =
                if place.is_empty() { format!("/{}", table.name) } else { place.to_owned() };
            let list = document.pointer(&place).and_then(|list| list.as_array()).expect(&place);
            assert_eq!(table.rows, list.len(), "{}", table.name);
            let Some(first) = list.first() else { continue };
            let keys = first.as_object().unwrap().keys().map(String::as_str);
            let nested = |key: &&str| ["uncertainty_budget", "groups"].contains(key);
            let keys: BTreeSet<&str> = keys.filter(|key| !nested(key)).collect();
            assert_eq!(columns, keys, "{}", table.name);
        }
        let items: usize = findings.loads.iter().map(|load| load.uncertainty_budget.len()).sum();
        let budget = all.iter().find(|table| table.name == "uncertainty_budget").unwrap();
        assert_eq!(budget.rows, items);
        let series = document.pointer("/sleep/series").and_then(|list| list.as_array());
        for (at, kind) in series.into_iter().flatten().enumerate() {
            let Some(group) = kind["groups"].as_object() else { continue };
            let groups = all.iter().find(|table| table.name == "wake_groups").unwrap();
            let columns: BTreeSet<&str> = groups.columns.iter().map(|(name, _)| *name).collect();
            let keys = group.keys().map(String::as_str);
            assert_eq!(columns, keys.chain(["series"]).collect());
            assert_eq!((groups.rows, at), (1, 0));
        }
    }
}

/// The night is told in pictures, words and tables; a visit, where a person switches everything, in
/// words alone.
#[test]
fn sleep_is_told_where_something_wakes() {
    let night = pump_hut("night");
    let bundle = report::bundle(&night).unwrap();
    let html = text_of(&bundle, "report.html");
    let sleep = night.findings.sleep.as_ref().unwrap();
    for (name, words) in [
        ("hours", "Row by row, 1 h each"),
        ("wakes", "All wakes from their start"),
        ("distribution", "How long at which current"),
        ("charge", "Charge as it adds up"),
    ] {
        assert!(html.contains(&format!("<title id=\"{name}-t\">{words}</title>")), "{name}");
        assert!(bundle.get(&format!("plots/{name}.png")).is_some());
    }
    assert!(html.contains("Failures to fall asleep") && html.contains("sleep floor"));
    let text = text::render(&night.findings, 80, false);
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(text.contains(&format!("{} wakes", sleep.wakes.len())), "{text}");
    assert!(text.contains("failed to sleep"), "{text}");
    let wakes = std::str::from_utf8(bundle.get("tables/wakes.csv").unwrap()).unwrap();
    assert_eq!(wakes.lines().count(), sleep.wakes.len() + 1);
    let visit = report::bundle(&demo()).unwrap();
    assert!(!text_of(&visit, "report.html").contains("All wakes from their start"));
}

/// Edges of wakes are what the unit did: the picture marks none of them as a step that no event
/// explains, as the words say that nothing is left unexplained.
#[test]
fn wakes_are_no_loose_steps_in_the_picture() {
    let unit = bundled(
        "receivers/receiver-07.csv",
        "receivers/receiver-events.csv",
        &sheet("receivers/receiver-jobsheet.toml"),
    );
    assert!(unit.findings.sleep.as_ref().unwrap().wakes.len() > 10);
    let bundle = report::bundle(&unit).unwrap();
    assert!(text_of(&bundle, "report.txt").contains("- Nothing: every event has its step"));
    assert!(!text_of(&bundle, "plots/capture.svg").contains(">?<"));
    assert!(!text_of(&bundle, "report.html").contains("step that no event explains"));
}

#[test]
fn a_batch_leaves_every_face_with_a_row_for_every_capture() {
    let bundle = batch();
    assert_eq!(bundle.names().last(), Some("result.json"));
    for name in ["report.html", "report.txt", "plots/measure-01.svg", "plots/unit-01.png"] {
        assert!(bundle.get(name).is_some(), "{name}");
    }
    let html = text_of(&bundle, "report.html");
    for outside in ["http:", "https:", "//", "src=", "@import", "url(", "NaN"] {
        assert!(!html.contains(outside), "{outside}");
    }
    for i in 1..=24 {
        assert!(html.contains(&format!("<td>receiver-{i:02}</td>")), "receiver-{i:02}");
    }
    assert!(html.contains("receiver-01.csv: is no capture"), "the reason stands in its row");
    for word in [
        "modified z",
        "ESD critical",
        "Cpk",
        "between units",
        "order of test",
        "share of time not asleep",
    ] {
        assert!(html.contains(word), "{word}");
    }
    let ids: Vec<_> =
        html.split(" id=\"").skip(1).filter_map(|rest| rest.split('"').next()).collect();
    assert_eq!(ids.len(), ids.iter().collect::<BTreeSet<_>>().len(), "an id is used twice");
    let mut reader = csv::Reader::from_reader(bundle.get("tables/measures.csv").unwrap());
    let header = reader.headers().unwrap().clone();
    for column in
        ["unit", "measure", "state", "value", "expanded_uncertainty", "verdict", "anomaly_score"]
    {
        assert!(header.iter().any(|name| name == column), "{column}");
    }
    assert!(reader.records().all(|row| row.is_ok()));
}

/// Equal but for the last digit of a number, which the JSON reader may round otherwise.
fn same(a: &serde_json::Value, b: &serde_json::Value) -> bool {
    use serde_json::Value::{Array, Number, Object};
    match (a, b) {
        (Number(a), Number(b)) => {
            let (a, b) = (a.as_f64().unwrap(), b.as_f64().unwrap());
            (a - b).abs() <= 4e-16 * a.abs()
        }
        (Array(a), Array(b)) => a.len() == b.len() && a.iter().zip(b).all(|(a, b)| same(a, b)),
        (Object(a), Object(b)) => {
            a.len() == b.len() && a.iter().all(|(key, a)| b.get(key).is_some_and(|b| same(a, b)))
        }
        _ => a == b,
    }
}

/// With `EBBMARK_KEEP=FOLDER` the files stay there to be looked at.
#[test]
fn a_run_leaves_every_face_and_the_document_reads_back() {
    let analysis = orchard::analysis();
    let bundle = report::bundle(&analysis).unwrap();
    if let Some(folder) = std::env::var_os("EBBMARK_KEEP") {
        write::prepare(Path::new(&folder), &[]).unwrap().commit(&bundle).unwrap();
    }
    let names: Vec<&str> = bundle.names().collect();
    assert_eq!(names.last(), Some(&"result.json"));
    for name in [
        "report.html",
        "report.txt",
        "plots/capture.svg",
        "plots/capture.png",
        "plots/loads.svg",
        "plots/event-16.png",
        "tables/loads.csv",
        "tables/uncertainty_budget.csv",
    ] {
        assert!(names.contains(&name), "{name} of {names:?}");
    }
    assert_eq!(cfg!(feature = "tables"), names.contains(&"tables/loads.parquet"));
    let back: Findings = serde_json::from_slice(bundle.get("result.json").unwrap()).unwrap();
    let (back, said) = (serde_json::to_value(back), serde_json::to_value(&analysis.findings));
    assert!(same(&back.unwrap(), &said.unwrap()), "the document does not read back");

    let mut reader = csv::Reader::from_reader(bundle.get("tables/loads.csv").unwrap());
    let header = reader.headers().unwrap().clone();
    let draw = header.iter().position(|name| name == "draw_a").unwrap();
    let draws: Vec<f64> = reader.records().map(|row| row.unwrap()[draw].parse().unwrap()).collect();
    assert_eq!(draws, analysis.findings.loads.iter().map(|load| load.draw_a).collect::<Vec<_>>());
    let again = report::bundle(&analysis).unwrap();
    assert!(bundle.names().all(|name| bundle.get(name) == again.get(name)), "bytes differ");
}

/// The schema in the repository is the one the types give. `INSTA_UPDATE=always` writes it anew.
#[test]
fn the_committed_schemas_are_current() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/schema");
    for (name, schema) in report::schema::documents() {
        let text = String::from_utf8(report::json(&schema).unwrap()).unwrap();
        let path = folder.join(format!("{name}.schema.json"));
        if std::env::var("INSTA_UPDATE").is_ok_and(|update| update == "always") {
            std::fs::create_dir_all(&folder).unwrap();
            std::fs::write(&path, &text).unwrap();
        }
        let committed = std::fs::read_to_string(&path).unwrap_or_default();
        assert!(
            committed.replace("\r\n", "\n") == text,
            "docs/schema/{name}.schema.json is not current: INSTA_UPDATE=always cargo test --test report"
        );
    }
}

/// The keys of the result document are fixed: none that programs rely on may go or change name.
#[test]
fn the_result_document_has_the_keys_that_programs_rely_on() {
    let document = serde_json::to_value(orchard::findings()).unwrap();
    for (place, keys) in [
        (
            "",
            "schema capture noise segments steps events clock zero loads states wakes unexplained \
              charge_ah mean_a sample_mean_a minimum_a maximum_a budget advice cautions",
        ),
        (
            "/capture",
            "file samples start duration_s sampling_interval_s current_column unit \
                      resolution_a overload_samples unreadable_rows gaps",
        ),
        ("/capture/gaps/0", "start_s end_s"),
        ("/noise", "sigma_a lag1_autocorrelation spikes"),
        ("/segments/0", "start_s end_s samples mean_a noise_a standard_uncertainty_a kind state"),
        ("/steps/0", "time_s time_low_s time_high_s delta_a standard_uncertainty_a event score"),
        ("/events/0", "row load state listed_s aligned_s step"),
        ("/clock", "offset_s standard_uncertainty_s drift_s_per_h"),
        ("/zero", "checks offset_a drift_a_per_h trusted"),
        ("/zero/checks/0", "time_s residual_a within_tolerance"),
        (
            "/loads/0",
            "load state draw_a standard_uncertainty_a expanded_uncertainty_a \
                      coverage_factor observations separable specified_a limit_low_a limit_high_a \
                      verdict conformance_probability anomaly_score",
        ),
        ("/states/0", "id mean_a noise_a time_s share_of_time charge_ah"),
        ("/wakes", "count period_s period_sd_s width_s peak_a charge_each_ah share_of_charge"),
        ("/unexplained/0", "start_s end_s delta_a charge_ah"),
        ("/budget", "ah_per_day runtime_h runtime_low_h runtime_high_h by_load factors"),
        ("/budget/by_load/0", "load ah_per_day share"),
        ("/advice/0", "what why"),
        ("/cautions/0", "code text"),
    ] {
        let object = document.pointer(place).unwrap().as_object().unwrap();
        for key in keys.split_whitespace() {
            assert!(object.contains_key(key), "{place}/{key}");
        }
    }
    let verdicts: Vec<_> =
        document["loads"].as_array().unwrap().iter().map(|load| load["verdict"].clone()).collect();
    assert_eq!(
        verdicts,
        ["indeterminate", "conforming", "conforming", "non-conforming", "no-limit"]
    );
}

#[test]
fn a_gap_is_not_bridged_and_events_stand_at_their_steps() {
    let bundle = report::bundle(&orchard::analysis()).unwrap();
    let svg = std::str::from_utf8(bundle.get("plots/capture.svg").unwrap()).unwrap();
    let readings: Vec<Vec<(f64, f64)>> = svg
        .lines()
        .filter(|line| line.starts_with("<polyline") && line.contains("#8A99A6"))
        .map(|line| {
            let points = line.split("points=\"").nth(1).unwrap().split('"').next().unwrap();
            points
                .split_whitespace()
                .map(|pair| {
                    let (x, y) = pair.split_once(',').unwrap();
                    (x.parse().unwrap(), y.parse().unwrap())
                })
                .collect()
        })
        .collect();
    assert_eq!(readings.len(), 2, "one line on each side of the gap");
    let (first, last) = (readings[0][0].0, readings[1].last().unwrap().0);
    let at = |time_s: f64| first + (last - first) * time_s / 1200.0;
    let Span { start_s, end_s } = orchard::findings().capture.gaps[0];
    assert!((readings[0].last().unwrap().0 - at(start_s)).abs() < 4.0);
    assert!((readings[1][0].0 - at(end_s)).abs() < 4.0);
    // The radio's level lies at 224 mA of a scale on which zero is the last state's height.
    let bars: Vec<(f64, f64)> = svg
        .lines()
        .filter(|line| line.starts_with("<polyline") && line.contains("#0072B2"))
        .map(|line| {
            let points = line.split("points=\"").nth(1).unwrap();
            let (x, y) = points.split_whitespace().next().unwrap().split_once(',').unwrap();
            (x.parse().unwrap(), y.trim_end_matches('"').parse().unwrap())
        })
        .collect();
    let bar_at = |time_s: f64| {
        bars.iter()
            .find(|bar| (bar.0 - at(time_s)).abs() < 3.0)
            .unwrap_or_else(|| panic!("{time_s}"))
            .1
    };
    let scale = (bar_at(1040.0) - bar_at(340.0)) / 0.2242;
    assert!(((bar_at(1040.0) - bar_at(600.0)) / scale - 0.0482).abs() < 0.001);
}

/// Runs this test binary's `test` again under a shell that sets `limits`, with `folder` to write to.
#[cfg(unix)]
fn again(test: &str, limits: &str, folder: &Path) -> std::process::Command {
    let mut shell = std::process::Command::new("sh");
    shell
        .arg("-c")
        .arg(format!("{limits}exec \"$0\" --exact {test} --nocapture"))
        .arg(std::env::current_exe().unwrap())
        .env("EBBMARK_TEST_FOLDER", folder);
    shell
}

#[cfg(unix)]
#[test]
fn a_full_disk_leaves_what_was_there() {
    let bundle = |byte| {
        let mut bundle = write::Bundle::new();
        bundle.add("tables/small.csv", vec![byte; 10]);
        bundle.add("report.html", vec![byte; 300_000]);
        bundle.finish_with("result.json", vec![byte; 10]);
        bundle
    };
    if let Ok(folder) = std::env::var("EBBMARK_TEST_FOLDER") {
        let target = write::prepare(Path::new(&folder), &[]).unwrap();
        let fault = target.commit(&bundle(b'n')).unwrap_err();
        assert!(fault.to_string().contains("no room left"), "{fault}");
        return;
    }
    // A limit on the size of a file stands in for a disk that fills up on the way.
    let test = "a_full_disk_leaves_what_was_there";
    let limits = "trap '' XFSZ; ulimit -f 100; ";
    let room = tempfile::tempdir().unwrap();
    for made_before in [false, true] {
        let out = room.path().join("deep/out");
        if made_before {
            write::prepare(&out, &[]).unwrap().commit(&bundle(b'o')).unwrap();
        }
        let outcome = again(test, limits, &out).output().unwrap();
        assert!(outcome.status.success(), "{}", String::from_utf8_lossy(&outcome.stdout));
        assert_eq!(room.path().join("deep").exists(), made_before);
        if made_before {
            assert_eq!(std::fs::read(out.join("report.html")).unwrap(), vec![b'o'; 300_000]);
            assert_eq!(std::fs::read_dir(&out).unwrap().count(), 3, "something was left behind");
        }
    }
}

#[cfg(unix)]
#[test]
fn a_kill_at_any_moment_leaves_whole_files() {
    let bundle = |byte| {
        let mut bundle = write::Bundle::new();
        for i in 0..6 {
            bundle.add(format!("tables/t{i}.csv"), vec![byte; 40_000]);
        }
        bundle.finish_with("result.json", vec![byte; 40_000]);
        bundle
    };
    if let Ok(folder) = std::env::var("EBBMARK_TEST_FOLDER") {
        let target = write::prepare(Path::new(&folder), &[]).unwrap();
        for byte in (b'a'..=b'z').cycle() {
            target.commit(&bundle(byte)).unwrap();
        }
    }
    let room = tempfile::tempdir().unwrap();
    let out = room.path().join("out");
    write::prepare(&out, &[]).unwrap().commit(&bundle(b'a')).unwrap();
    for round in 0..12 {
        let mut child = again("a_kill_at_any_moment_leaves_whole_files", "", &out)
            .stdout(std::process::Stdio::null())
            .stderr(std::process::Stdio::null())
            .spawn()
            .unwrap();
        std::thread::sleep(std::time::Duration::from_millis(40 + 7 * round));
        child.kill().unwrap();
        child.wait().unwrap();
        for name in bundle(b'x').names() {
            let bytes = std::fs::read(out.join(name)).unwrap();
            assert_eq!(bytes.len(), 40_000, "{name} is in part");
            assert!(bytes.iter().all(|byte| *byte == bytes[0]), "{name} is mixed");
        }
    }
}

#[test]
fn the_page_stands_in_a_browser_and_on_paper() {
    let Some(chromium) = browser::find() else {
        eprintln!(
            "NOT CHECKED: no Chromium found, so the page was not opened. Install chromium (or set \
             CHROMIUM to its path) to check it."
        );
        return;
    };
    let room = tempfile::tempdir().unwrap();
    let (visit, repaired) = (demo(), pump_hut("repaired"));
    let analysed = |analysis: &Analysis| {
        report::html::render(&analysis.findings, &Trace::of(analysis)).unwrap()
    };
    let sheet = sheet("pump-hut-visit-jobsheet.toml");
    let compared = ebbmark::compare::compare(&visit.findings, &repaired.findings, &sheet);
    let compared = report::compare_bundle(&compared, &visit, &repaired).unwrap();
    for (name, html, most) in [
        ("the visit by hand", page(&orchard::findings()), 4),
        ("the visit", analysed(&visit), 4),
        ("the night", analysed(&pump_hut("night")), 4),
        ("before and after", text_of(&compared, "report.html").to_owned(), 4),
        ("the batch", text_of(&batch(), "report.html").to_owned(), 8),
    ] {
        for width in [360, 1400] {
            let seen = browser::open(&chromium, room.path(), &html, width);
            assert_eq!(seen.errors, "", "{name} at {width} px");
            let (wide, wider) = (seen.width, seen.wider);
            assert!(wide <= width, "{name} at {width} px is {wide} px wide: {wider}");
            assert!(seen.figures > 0, "{name}: no figure is shown at {width} px");
            assert_eq!(seen.cut, "", "{name}: cut off at {width} px");
        }
        let pages = browser::pages(&chromium, room.path(), &html);
        assert!((1..=most).contains(&pages), "{name}: {pages} pages");
    }
}
