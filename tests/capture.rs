//! Every kind of export that the readers must open, read as a user would give it.

use std::path::{Path, PathBuf};

use ebbmark::capture::{
    Capture, ColumnChoice, CurrentUnit, DecimalMark, ReadOptions, Silent, read_bytes, read_file,
    totals,
};
use ebbmark::findings::Decision;

#[path = "../src/chance.rs"]
mod chance;
mod made;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/captures")
}

/// One line of `tests/captures/expected.csv`: values computed by the script that wrote the files, not by the reader.
#[derive(Debug)]
struct Expected {
    file: String,
    options: String,
    column: String,
    unit: String,
    samples: String,
    duration_s: String,
    start: String,
    mean_a: String,
    missing: String,
    overload: String,
    unreadable: String,
    cautions: String,
}

fn expected() -> Vec<Expected> {
    let mut reader = csv::Reader::from_path(folder().join("expected.csv")).unwrap();
    reader
        .records()
        .map(|record| {
            let record = record.unwrap();
            let at = |i: usize| record[i].to_owned();
            Expected {
                file: at(0),
                options: at(1),
                column: at(2),
                unit: at(3),
                samples: at(4),
                duration_s: at(5),
                start: at(6),
                mean_a: at(7),
                missing: at(8),
                overload: at(9),
                unreadable: at(10),
                cautions: at(11),
            }
        })
        .collect()
}

fn options(text: &str) -> ReadOptions {
    let mut options = ReadOptions::default();
    for (key, value) in text.split_whitespace().filter_map(|part| part.split_once('=')) {
        match key {
            "unit" => {
                options.unit =
                    Some(if value == "mA" { CurrentUnit::Milliampere } else { CurrentUnit::Ampere })
            }
            "mark" => options.decimal_mark = Some(DecimalMark::Comma),
            "interval" => options.interval_s = value.parse().ok(),
            "current" => options.current_column = Some(ColumnChoice::Header(value.to_owned())),
            other => panic!("no option {other}"),
        }
    }
    options
}

fn start_of(capture: &Capture) -> String {
    let offset = capture.utc_offset.map(|o| {
        let minutes = o.seconds() / 60;
        format!(
            "{}{:02}:{:02}",
            if minutes < 0 { '-' } else { '+' },
            minutes.abs() / 60,
            minutes.abs() % 60
        )
    });
    capture.start.map(|s| format!("{s}{}", offset.unwrap_or_default())).unwrap_or_default()
}

/// What differs from the expectation, in words.
fn differences(expected: &Expected, capture: &Capture) -> Vec<String> {
    let mut found = Vec::new();
    let mut same = |what: &str, is: String, should: &str| {
        if is != should {
            found.push(format!("{what} is {is}, should be {should}"));
        }
    };
    same("column", capture.current_column.clone(), &expected.column);
    let mut units: Vec<&str> = capture.unit.split(", ").collect();
    units.sort_unstable_by_key(|u| u.len());
    let mut wanted: Vec<&str> = expected.unit.split(", ").collect();
    wanted.sort_unstable_by_key(|u| u.len());
    same("unit", units.join(", "), &wanted.join(", "));
    same("samples", capture.samples.len().to_string(), &expected.samples);
    same("start", start_of(capture), &expected.start);
    same("missing", capture.missing.to_string(), &expected.missing);
    same(
        "overload",
        capture.overload.iter().map(|s| s.samples).sum::<u64>().to_string(),
        &expected.overload,
    );
    same("unreadable", capture.unreadable_rows.to_string(), &expected.unreadable);
    let codes: Vec<&str> = capture
        .cautions
        .iter()
        .map(|c| c.code.as_str())
        .filter(|c| *c != "unreadable-rows" || !expected.cautions.is_empty())
        .collect();
    same("cautions", codes.join(" "), &expected.cautions);
    let near = |is: f64, should: &str| {
        let should: f64 = should.parse().unwrap();
        (is - should).abs() <= 1e-9 * should.abs().max(1e-3)
    };
    if !near(capture.samples.duration_s(), &expected.duration_s) {
        found.push(format!(
            "duration is {}, should be {}",
            capture.samples.duration_s(),
            expected.duration_s
        ));
    }
    let mean = totals(&capture.samples, &capture.sampling.gaps).sample_mean_a;
    let wanted: f64 = expected.mean_a.parse().unwrap();
    if ((mean - wanted) / wanted).abs() > 1e-9 {
        found.push(format!("mean is {mean}, should be {wanted}"));
    }
    found
}

#[test]
fn every_kind_of_export_is_read_as_its_writer_meant_it() {
    let mut wrong = Vec::new();
    let all = expected();
    for expected in &all {
        let bytes = std::fs::read(folder().join(&expected.file)).unwrap();
        let read = read_bytes(&expected.file, bytes, &options(&expected.options), &Silent);
        match read {
            Ok(_) if expected.column == "!fault" => {
                wrong.push(format!("{}: was read", expected.file))
            }
            Err(fault) if expected.column == "!fault" => {
                if !fault.to_string().contains(&expected.mean_a) {
                    wrong.push(format!(
                        "{}: \"{fault}\" does not say \"{}\"",
                        expected.file, expected.mean_a
                    ));
                }
            }
            Err(fault) => wrong.push(format!("{}: {fault}", expected.file)),
            Ok(capture) => wrong.extend(
                differences(expected, &capture)
                    .into_iter()
                    .map(|d| format!("{}: {d}", expected.file)),
            ),
        }
    }
    assert!(all.len() > 110);
    assert!(wrong.is_empty(), "{} of {} differ\n{}", wrong.len(), all.len(), wrong.join("\n"));
}

/// A command's words, quoted ones whole.
fn words(command: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut quoted = false;
    for c in command.chars() {
        match c {
            '"' => quoted = !quoted,
            ' ' if !quoted => words.push(String::new()),
            _ => words.last_mut().unwrap().push(c),
        }
    }
    words.retain(|word| !word.is_empty());
    words
}

/// What `inspect` prints of a file with the options `with`: its document, or the message.
fn inspected(path: &Path, with: &[String]) -> Result<serde_json::Value, String> {
    let output = std::process::Command::new(env!("CARGO_BIN_EXE_ebbmark"))
        .arg("inspect")
        .arg(path)
        .args(["--json", "--quiet"])
        .args(with)
        .output()
        .unwrap();
    if output.status.success() {
        Ok(serde_json::from_slice(&output.stdout).unwrap())
    } else {
        Err(String::from_utf8_lossy(&output.stderr).into_owned())
    }
}

#[test]
fn the_options_that_inspect_prints_give_the_same_reading() {
    let mut wrong = Vec::new();
    for expected in expected().iter().filter(|e| e.column != "!fault") {
        let path = folder().join(&expected.file);
        let given: Vec<String> = expected
            .options
            .split_whitespace()
            .map(|o| {
                format!(
                    "--{}",
                    o.replace("mark=", "decimal-mark=").replace("current=", "current-column=")
                )
            })
            .collect();
        let first = inspected(&path, &given).unwrap();
        let told: Vec<String> = first["capture"]["decisions"]
            .as_array()
            .unwrap()
            .iter()
            .filter_map(|decision| decision["option"].as_str())
            .flat_map(words)
            .collect();
        match inspected(&path, &told) {
            Err(message) => wrong.push(format!("{}: {told:?}\n{message}", expected.file)),
            Ok(again) => {
                let figures = |document: &serde_json::Value| {
                    let capture = &document["capture"];
                    let of = ["samples", "start", "duration_s", "overload_samples", "gaps"];
                    let mut all: Vec<_> = of.iter().map(|name| capture[name].clone()).collect();
                    all.extend(["charge_ah", "sample_mean_a"].map(|name| document[name].clone()));
                    all
                };
                if figures(&first) != figures(&again) {
                    wrong.push(format!(
                        "{}: {told:?}\n{:?}\n{:?}",
                        expected.file,
                        figures(&first),
                        figures(&again)
                    ));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{} differ\n{}", wrong.len(), wrong.join("\n"));
}

/// A reading in single quotes in mid-file sends the whole file down the careful path: both must tell the same.
#[test]
fn both_ways_of_reading_rows_agree_in_every_form_of_time() {
    let parts = |i: u64| {
        let s = 86_400 - 120 + i;
        (14 + s / 86_400, s / 3600 % 24, s / 60 % 60, s % 60)
    };
    let half = |h: u64| if h < 12 { "AM" } else { "PM" };
    let forms: [(&str, &dyn Fn(u64) -> String); 26] = [
        ("time", &|i| {
            let (d, h, m, s) = parts(i);
            format!("2026-03-{d} {h:02}:{m:02}:{s:02}")
        }),
        ("time", &|i| {
            let (d, h, m, s) = parts(i);
            format!("2026-03-{d}T{h:02}:{m:02}:{s:02}.25Z")
        }),
        ("time", &|i| {
            let (d, h, m, s) = parts(i);
            format!("2026-03-{d}T{h:02}:{m:02}:{s:02}+01:00")
        }),
        ("time", &|i| {
            let (d, h, m, s) = parts(i);
            format!("03/{d}/2026 {:02}:{m:02}:{s:02} {}", (h + 11) % 12 + 1, half(h))
        }),
        ("time", &|i| {
            let (d, h, m, s) = parts(i);
            format!("3/{d}/2026 {}:{m:02}:{s:02} {}", (h + 11) % 12 + 1, half(h))
        }),
        ("date,time", &|i| {
            let (d, h, m, s) = parts(i);
            format!("{d}.03.2026,{h:02}:{m:02}:{s:02}")
        }),
        ("time,date", &|i| {
            let (d, h, m, s) = parts(i);
            format!("{h:02}:{m:02}:{s:02}.5,2026-03-{d}")
        }),
        ("time", &|i| {
            let (_, h, m, s) = parts(i);
            format!("{h:02}:{m:02}:{s:02}")
        }),
        ("timestamp", &|i| format!("{}", 1_773_475_200_000 + i * 1000)),
        ("timestamp", &|i| format!("{}.{}", 1_773_475_200 + i, i % 10)),
        ("time", &|i| {
            let (d, h, m, s) = parts(i);
            format!("{d} Mar 2026 {h:02}:{m:02}:{s:02}")
        }),
        ("time", &|i| {
            let (d, h, m, s) = parts(i);
            format!("{}d {h:02}:{m:02}:{s:02}", d - 14)
        }),
        ("time", &|i| {
            let (d, h, m, s) = parts(i);
            format!("{d}/03/26 {h:02}:{m:02}:{s:02}")
        }),
        ("time", &|i| {
            let (d, h, m, s) = parts(i);
            format!("{:02}/03/04 {h:02}:{m:02}:{s:02}", d - 10)
        }),
        // The thirteenth settles what the twelfth leaves open.
        ("time", &|i| {
            let (d, h, m, s) = parts(i);
            format!("{:02}/{:02}/2026 {h:02}:{m:02}:{s:02}", 3, d - 2)
        }),
        ("time", &|i| {
            let (d, h, m, s) = parts(i);
            format!("{:02}/03/2026 {h:02}:{m:02}:{s:02}", d - 10)
        }),
        ("date;time", &|i| {
            let (d, h, m, s) = parts(i);
            format!("3/{}/2026;{}:{m:02}:{s:02} {}", d - 10, (h + 11) % 12 + 1, half(h))
        }),
        ("elapsed", &|i| {
            let (d, h, m, s) = parts(i);
            format!("{}:{m:02}:{s:02}", h + 24 * (d - 14))
        }),
        ("elapsed", &|i| format!("{}:{:02}.5", 50 + i / 60, i % 60)),
        ("time", &|i| {
            let (_, h, m, s) = parts(i);
            format!("{}:{m:02}:{s:02} {}", (h + 11) % 12 + 1, half(h))
        }),
        ("time", &|i| {
            let (d, h, m, s) = parts(i);
            format!("2026-{:03}T{h:02}:{m:02}:{s:02}", d + 59)
        }),
        ("time", &|i| {
            let (d, h, m, s) = parts(i);
            format!("Mar {d} {h:02}:{m:02}:{s:02}")
        }),
        ("time", &|i| {
            let (d, h, m, s) = parts(i);
            format!("\"Mar {d}, 2026 {}:{m:02}:{s:02} {}\"", (h + 11) % 12 + 1, half(h))
        }),
        ("note,date,time", &|i| {
            let (d, h, m, s) = parts(i);
            format!("\"a, \"\"b\"\"\",\"{d}.03.2026\",\" {h:02}:{m:02}:{s:02} \"")
        }),
        ("time", &|i| format!("2026-03-14 {:02}:{:02}", 8 + i / 60, i % 60)),
        ("timestamp", &|i| format!("{}000000000", 1_773_475_200 + i)),
    ];
    // The header and the readings: a unit in the header, in the cells, readings in quotes.
    let columns = [("current (A)", "", ""), ("current", " A", ""), ("current (A)", "", "\"")];
    let all = forms.iter().flat_map(|form| columns.iter().map(move |column| (form, column)));
    for (&(header, time), &(name, unit, quote)) in all {
        let mark = if header.contains(';') { ';' } else { ',' };
        let text = |odd: &str| {
            let mut text = format!("{header}{mark}{name}\n");
            for i in 0..600 {
                let quote = if i == 301 && !odd.is_empty() { odd } else { quote };
                text += &format!("{}{mark}{quote}0.{}{unit}{quote}\n", time(i), 100 + i * 7 % 23);
            }
            read_bytes("made", text.into_bytes(), &ReadOptions::default(), &Silent).unwrap()
        };
        let (bulk, careful) = (text(""), text("'"));
        // The reason may be another, as the careful path sees all dates and the other those at the start.
        let told = |c: &Capture| {
            let chosen = |d: &Decision| (d.what.clone(), d.chosen.clone(), d.option.clone());
            let decisions: Vec<_> = c.decisions.iter().map(chosen).collect();
            (c.start, c.utc_offset, decisions, c.cautions.clone())
        };
        assert_eq!(told(&bulk), told(&careful), "{header} {}", time(0));
        assert_eq!(bulk.samples.current_a, careful.samples.current_a);
        let of_day = |c: &Capture| c.time_of_day.map(|t| t.to_string());
        assert_eq!(of_day(&bulk), of_day(&careful));
        let bare = header == "time" && ["23:58:00", "11:58:00 PM"].contains(&time(0).as_str());
        assert_eq!(of_day(&bulk).is_some(), bare);
        for at in 0..600 {
            let (a, b) = (bulk.samples.time.at(at), careful.samples.time.at(at));
            assert!((a - b).abs() < 1e-6, "{} {at}: {a} {b}", time(0));
        }
    }
}

#[test]
fn a_file_reads_as_its_bytes_do() {
    for name in
        ["tab.tsv", "offset.csv", "utf16le.csv", "packed.zip", "workbook.xlsx", "hms_midnight.csv"]
    {
        let path = folder().join(name);
        let from_file = read_file(&path, &ReadOptions::default(), &Silent).unwrap();
        let from_bytes = read_bytes(
            &from_file.file,
            std::fs::read(&path).unwrap(),
            &ReadOptions::default(),
            &Silent,
        )
        .unwrap();
        assert_eq!(from_file, from_bytes, "{name}");
    }
}

#[test]
fn a_file_that_is_not_there_or_a_folder_is_a_fault() {
    let fault =
        |path: &Path| read_file(path, &ReadOptions::default(), &Silent).unwrap_err().to_string();
    assert!(fault(&folder().join("absent.csv")).contains("no such file"));
    assert!(fault(&folder()).contains("a folder"));
}

/// Why a reading of a made file is wrong; `None` when it is right.
fn misread(made: &made::Made, capture: &Capture) -> Option<String> {
    if capture.samples.len() != made.amperes.len() {
        return Some(format!(
            "{} samples, should be {}",
            capture.samples.len(),
            made.amperes.len()
        ));
    }
    let size = made.amperes.iter().fold(0.0_f64, |a, b| a.max(b.abs()));
    for (i, truth) in made.amperes.iter().enumerate() {
        let is = capture.samples.current_a[i];
        if (is - truth).abs() > 1e-7 * size {
            return Some(format!("sample {i} is {is} A, should be {truth} A"));
        }
        let at = capture.samples.time.at(i);
        if (at - made.times[i]).abs() > 2e-3 {
            return Some(format!("sample {i} is at {at} s, should be at {} s", made.times[i]));
        }
    }
    let overload: u64 = capture.overload.iter().map(|s| s.samples).sum();
    if (capture.missing, overload) != (made.missing, made.overload) {
        return Some(format!(
            "{} missing and {overload} overload, should be {} and {}",
            capture.missing, made.missing, made.overload
        ));
    }
    let doubtful_date = capture.cautions.iter().any(|c| c.code == "date-order");
    match (made.start, capture.start) {
        (Some(truth), Some(is)) if !doubtful_date => {
            let off = is.since((jiff::Unit::Second, truth)).ok().map(|s| s.get_seconds());
            if off != Some(0) { Some(format!("starts {is}, should start {truth}")) } else { None }
        }
        (Some(truth), None) => Some(format!("has no start, should start {truth}")),
        (None, Some(is)) => Some(format!("starts {is}, should have no start")),
        _ => None,
    }
}

/// 10 000 composed files: none is misread, and nearly all are opened without a needless doubt.
#[test]
fn composed_captures_are_read_right_or_refused() {
    use proptest::prelude::*;
    use proptest::test_runner::TestRunner;
    use std::cell::RefCell;

    let refused: RefCell<Vec<String>> = RefCell::default();
    let needless: RefCell<std::collections::BTreeMap<String, usize>> = RefCell::default();
    let config = chance::same(10_000);
    let cases = config.cases;
    let mut runner = TestRunner::new(config);
    let outcome = runner.run(&prop::collection::vec(any::<u8>(), made::CHOICES), |choices| {
        let made = made::make(&choices);
        match read_bytes("made", made.bytes.clone(), &ReadOptions::default(), &Silent) {
            Ok(capture) => {
                for caution in &capture.cautions {
                    if !made.doubts.contains(&caution.code.as_str()) {
                        *needless
                            .borrow_mut()
                            .entry(format!("{}: {}", caution.code, caution.text))
                            .or_default() += 1;
                    }
                }
                if let Some(wrong) = misread(&made, &capture) {
                    return Err(TestCaseError::fail(format!(
                        "{wrong}\n{}\n{:#?}\n{:#?}",
                        made.text, capture.decisions, capture.cautions
                    )));
                }
            }
            Err(fault) => refused.borrow_mut().push(format!(
                "{fault}\n{}",
                made.text.lines().take(9).collect::<Vec<_>>().join("\n")
            )),
        }
        Ok(())
    });
    if let Err(error) = outcome {
        panic!("{error}");
    }
    let (refused, needless) = (refused.into_inner(), needless.into_inner());
    let doubts: usize = needless.values().sum();
    println!("{cases} composed, {} refused, {doubts} needless cautions", refused.len());
    assert!(
        refused.len() * 100 <= cases as usize,
        "{} of {cases} refused, such as\n{}",
        refused.len(),
        refused[..refused.len().min(3)].join("\n\n")
    );
    assert!(doubts * 50 <= cases as usize, "{doubts} needless cautions in {cases}: {needless:#?}");
}

/// The contract of every reading: as many times as readings, all finite, times rising from 0.
fn holds(capture: &Capture) {
    let samples = &capture.samples;
    assert_eq!(samples.time.len(), samples.current_a.len());
    assert!(!samples.is_empty() && samples.time.at(0) == 0.0);
    assert!(samples.current_a.iter().all(|i| i.is_finite()));
    assert!((1..samples.len()).all(|i| samples.time.at(i) >= samples.time.at(i - 1) && samples.time.at(i).is_finite()));
    assert!(capture.sampling.gaps.iter().all(|g| g.end_s > g.start_s));
    assert!(totals(samples, &capture.sampling.gaps).charge_ah.is_finite());
}

/// Any bytes give a capture that keeps its contract, or a fault; the same as the fuzz target, on stable.
#[test]
fn any_bytes_are_a_capture_or_a_fault() {
    const WORDS: [&str; 40] = [
        "time",
        "current",
        "A",
        "mA",
        "(A)",
        "s",
        ",",
        ";",
        "\t",
        "\n",
        "\n",
        "\n",
        "\r\n",
        "\"",
        "0",
        "1",
        "2",
        "12",
        "0.5",
        "0,5",
        "-3e-5",
        "1e308",
        "9.9E37",
        "OL",
        "nan",
        "-",
        "2026-03-14 21:15:00",
        "14.03.2026",
        "21:15:01",
        "23:59:59",
        "00:00:00",
        "1773522900",
        "45000.5",
        "#",
        " ",
        "{\"t\":1,",
        "}",
        "µ",
        "\u{feff}",
        "99999999999999999999",
    ];
    let text = |u: &mut arbtest::arbitrary::Unstructured<'_>| {
        let mut text = Vec::new();
        for _ in 0..u.arbitrary_len::<u16>()?.min(400) {
            match u.int_in_range(0..=20)? {
                0 => text.push(u.arbitrary::<u8>()?),
                _ => text.extend_from_slice(u.choose(&WORDS)?.as_bytes()),
            }
        }
        if let Ok(capture) = read_bytes("any", text, &ReadOptions::default(), &Silent) {
            holds(&capture);
        }
        Ok(())
    };
    chance::each(3_000, 1 << 12, text);
    let bytes = |u: &mut arbtest::arbitrary::Unstructured<'_>| {
        if let Ok(capture) =
            read_bytes("any", u.arbitrary::<Vec<u8>>()?, &ReadOptions::default(), &Silent)
        {
            holds(&capture);
        }
        Ok(())
    };
    chance::each(1_000, 1 << 12, bytes);
}

/// Whole files with a few bytes changed: nearer to what readers meet than noise.
#[test]
fn damaged_exports_are_captures_or_faults() {
    let files: Vec<Vec<u8>> =
        expected().iter().map(|e| std::fs::read(folder().join(&e.file)).unwrap()).collect();
    chance::each(3_000, 256, |u| {
        let mut bytes = u.choose(&files)?.clone();
        for _ in 0..u.int_in_range(1..=6)? {
            if bytes.is_empty() {
                break;
            }
            let at = u.choose_index(bytes.len())?;
            match u.int_in_range(0..=3)? {
                0 => bytes[at] = u.arbitrary()?,
                1 => bytes.truncate(at),
                2 => {
                    bytes.remove(at);
                }
                _ => bytes.insert(at, u.arbitrary()?),
            }
        }
        if let Ok(capture) = read_bytes("damaged", bytes, &ReadOptions::default(), &Silent) {
            holds(&capture);
        }
        Ok(())
    });
}

#[test]
fn hostile_sizes_are_borne() {
    let read = |bytes: Vec<u8>| read_bytes("hostile", bytes, &ReadOptions::default(), &Silent);
    // One line without end.
    let fault = read(b"1,".repeat(20 << 20)).unwrap_err();
    assert!(fault.found.contains("a line of more than 16 MiB"), "{fault}");
    // Very many columns.
    let wide = ["x", "1", "2", "3"].map(|cell| vec![cell; 200_000].join(",")).join("\n");
    assert!(read(wide.into_bytes()).is_err());
    let more = ",1".repeat(100_000);
    let named = format!("time (s),current (A){}\n0,0.1{more}\n1,0.3{more}\n", ",x".repeat(100_000));
    assert_eq!(read(named.into_bytes()).unwrap().samples.current_a, [0.1, 0.3]);
    // A gap after every second sample.
    let mut gaps = String::from("time (s),current (A)\n");
    for i in 0..200_000_u32 {
        gaps.push_str(&format!("{},0.{}\n", i / 2 * 100 + i % 2, 100 + i % 7));
    }
    let capture = read(gaps.into_bytes()).unwrap();
    holds(&capture);
    assert_eq!(capture.samples.len(), 200_000);
    // Quotes that never close, and lines of nothing.
    let open = format!("time (s),current (A)\n{}", "\"1,2\n".repeat(100_000));
    let _ = read(open.into_bytes());
    assert!(read(vec![b'\n'; 1 << 20]).is_err());
}
