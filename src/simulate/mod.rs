//! Captures with a known truth: practice for people, the demo, and checks of every stage.
//!
//! A scenario (TOML) describes a site, its loads and their states, what is done when, who writes
//! it down, and the meter. [`parse`] checks it, [`run`] lives it, and the caller writes
//! [`Simulated::files`]. [`meter`] is the physics that a clamp or meter adds, usable alone.
//!
//! The same scenario and seed give the same bytes on every machine and with any number of threads:
//! the random numbers are ChaCha8's and the ziggurat normal's of `rand_distr`, both portable; the
//! last bit, which a platform's `exp` and `sin` may change, is rounded away, in the capture by the
//! meter's resolution and in the truth by keeping nine digits.

mod check;
mod export;
pub mod meter;
mod person;
mod place;
mod scenario;
mod site;
mod tell;
mod tracks;
mod truth;
mod typed;

pub use scenario::Scenario;
pub use truth::{
    CaptureTruth, TRUTH_SCHEMA, TrueLevel, TrueLine, TrueLoad, TrueStep, TrueWakes, TrueZero, Truth,
};

use rand::Rng;

use crate::fault::InputFault;
use crate::jobsheet;
use place::Key;
use site::Site;

/// One file of a simulation.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SimulatedFile {
    /// Its name.
    pub name: String,
    /// Its bytes.
    pub bytes: Vec<u8>,
}

/// What a scenario became.
#[derive(Debug, Clone, PartialEq)]
pub struct Simulated {
    /// One capture, or one a unit, as the meter exports it.
    pub captures: Vec<SimulatedFile>,
    /// The event list; `None` without a person.
    pub events: Option<SimulatedFile>,
    /// The job sheet; `None` when the scenario has none.
    pub jobsheet: Option<SimulatedFile>,
    /// What was true.
    pub truth: Truth,
    /// The truth as a file.
    pub truth_file: SimulatedFile,
}

impl Simulated {
    /// Every file, captures first.
    pub fn files(&self) -> impl Iterator<Item = &SimulatedFile> {
        let rest = self.events.iter().chain(&self.jobsheet).chain([&self.truth_file]);
        self.captures.iter().chain(rest)
    }
}

/// Reads and checks a scenario.
///
/// # Errors
/// A fault that points at the key or value: unknown keys, wrong types, impossible values, names of
/// loads or states that are not there, and whatever is wrong with the job sheet in it.
pub fn parse(file: &str, text: &str) -> Result<Scenario, InputFault> {
    let typed: typed::Scenario = toml::from_str(text).map_err(|error| {
        let found = error.message().trim_end().replace('\n', ", ");
        let advice = "mend it; the scenarios in sample-logs show every key";
        InputFault::in_text(file, text, error.span().unwrap_or(0..0), found, advice)
    })?;
    if let Some(sheet) = &typed.jobsheet {
        jobsheet::parse(file, sheet).map_err(|fault| {
            // The sheet's own lines, moved to where its text stands in the scenario.
            let span = place::of(text, &[Key::Name("jobsheet")]);
            let quotes = text[span.clone()].find(|c| !matches!(c, '\'' | '"')).unwrap_or(0);
            let opens = text[span.clone()][quotes..].starts_with('\n');
            let first = text[..span.start].matches('\n').count() as u64 + u64::from(opens);
            let moved = |line: u64| line + first;
            let mut fault = fault;
            fault.place.line = Some(fault.place.line.map_or(first, moved));
            if let Some(excerpt) = &mut fault.excerpt {
                excerpt.first_line = moved(excerpt.first_line);
            }
            fault
        })?;
    }
    check::scenario(typed).map_err(|fault| {
        InputFault::in_text(file, text, place::of(text, &fault.path), fault.found, fault.advice)
    })
}

/// Lives a scenario. O(samples · log(states + wakes)).
pub fn run(scenario: &Scenario, seed: u64) -> Simulated {
    let count = scenario.units.as_ref().map_or(1, |units| units.count);
    let digits = count.to_string().len();
    let mut captures = Vec::with_capacity(count);
    let mut truths = Vec::with_capacity(count);
    for unit in 0..count {
        let name = match &scenario.units {
            Some(_) => format!("{}-{:0digits$}.csv", scenario.name, unit + 1),
            None => format!("{}.csv", scenario.name),
        };
        // The first unit has the seed itself; each further one a seed that it alone determines.
        let seed =
            if unit == 0 { seed } else { site::stream(seed, u64::MAX - unit as u64).random() };
        let site = Site::live(scenario, unit, seed);
        let log = scenario.meter.log_with(
            scenario.duration_s,
            |t| site.current_a(t),
            |from_s, to_s| site.mean_a(from_s, to_s),
            seed,
        );
        truths.push(tell::truth(scenario, unit, name.clone(), &site, &log));
        captures.push(SimulatedFile {
            name,
            bytes: export::write(&scenario.export, scenario.start, &log),
        });
    }
    let (events, lines) = match &scenario.person {
        Some(person) => {
            let mut rng = site::stream(seed, site::PERSON_STREAM);
            let (text, lines) = person::write(scenario, person, &mut rng);
            let name = format!("{}-events.csv", scenario.name);
            (Some(SimulatedFile { name, bytes: text.into_bytes() }), lines)
        }
        None => (None, Vec::new()),
    };
    let truth = Truth {
        schema: TRUTH_SCHEMA.to_owned(),
        scenario: scenario.name.clone(),
        seed,
        captures: truths,
        lines,
    };
    let mut json = serde_json::to_vec_pretty(&truth).expect("plain data");
    json.push(b'\n');
    Simulated {
        captures,
        events,
        jobsheet: scenario.jobsheet.as_ref().map(|text| SimulatedFile {
            name: format!("{}-jobsheet.toml", scenario.name),
            bytes: text.trim_start_matches('\n').as_bytes().to_vec(),
        }),
        truth_file: SimulatedFile { name: format!("{}-truth.json", scenario.name), bytes: json },
        truth,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SMALL: &str = r#"
name = "small"
seed = 3
start = 2026-05-12T23:59:00
duration_s = 120.0
jobsheet = '''
[site]
name = "hut"
'''
[meter]
interval_s = 0.5
resolution_a = 0.001
[person]
clock_offset_s = 20.0
[[load]]
name = "pump"
  [[load.state]]
  name = "running"
  draw_a = 0.5
[[action]]
at_s = 30.0
load = "Pump"
state = "on"
[[action]]
at_s = 90.0
load = "pump"
state = "off"
written = false
"#;

    fn fault_of(from: &str, to: &str) -> String {
        let text = SMALL.replace(from, to);
        assert_ne!(text, SMALL);
        parse("s.toml", &text).unwrap_err().to_string()
    }

    fn file<'a>(simulated: &'a Simulated, name: &str) -> &'a str {
        let file = simulated.files().find(|file| file.name == name).unwrap();
        std::str::from_utf8(&file.bytes).unwrap()
    }

    #[test]
    fn a_small_scenario_becomes_four_files_that_agree() {
        let scenario = parse("s.toml", SMALL).unwrap();
        let simulated = run(&scenario, scenario.seed());
        let names: Vec<&str> = simulated.files().map(|file| file.name.as_str()).collect();
        let wanted = ["small.csv", "small-events.csv", "small-jobsheet.toml", "small-truth.json"];
        assert_eq!(names, wanted);
        let capture: Vec<&str> = file(&simulated, "small.csv").lines().collect();
        assert_eq!(capture.len(), 241);
        assert_eq!(capture[..2], ["time,current (A)", "2026-05-12 23:59:00.0,0.000"]);
        // The pump is on from 30 s, and the date turns at 60 s.
        assert_eq!(capture[60..62], ["2026-05-12 23:59:29.5,0.000", "2026-05-12 23:59:30.0,0.500"]);
        assert_eq!(capture[121], "2026-05-13 00:00:00.0,0.500");
        assert_eq!(
            file(&simulated, "small-events.csv"),
            "time,load,state,note\n23:59:50,pump,on,\n"
        );
        assert_eq!(file(&simulated, "small-jobsheet.toml"), "[site]\nname = \"hut\"\n");
        let truth = &simulated.truth.captures[0];
        approx::assert_relative_eq!(truth.charge_ah, 0.5 * 60.0 / 3600.0, max_relative = 1e-8);
        assert_eq!(truth.clock_offset_s, Some(-20.0));
        let steps: Vec<_> = truth.steps.iter().map(|s| (s.time_s, s.delta_a, s.listed)).collect();
        assert_eq!(steps, [(30.0, 0.5, true), (90.0, -0.5, false)]);
        let read: Truth = serde_json::from_str(file(&simulated, "small-truth.json")).unwrap();
        assert_eq!(read, simulated.truth);
    }

    #[test]
    fn another_seed_is_another_capture_and_the_same_seed_the_same() {
        let text = SMALL.replace("interval_s = 0.5", "interval_s = 0.5\nnoise_a = 0.002");
        let scenario = parse("s.toml", &text).unwrap();
        assert_eq!(run(&scenario, 5), run(&scenario, 5));
        assert_ne!(run(&scenario, 5).captures, run(&scenario, 6).captures);
    }

    #[test]
    fn faults_point_at_the_value_and_say_what_to_do() {
        assert_eq!(
            fault_of("draw_a = 0.5", "draw_a = -0.5"),
            "s.toml, line 19, column 12: draw_a is -0.5; give 0 or a number above it"
        );
        assert_eq!(
            fault_of("\"Pump\"", "\"pomp\""),
            "s.toml, line 22, column 8: the load \"pomp\" is not known; write one of \"pump\""
        );
        assert_eq!(
            fault_of("at_s = 30.0", "at_s = 130.0"),
            "s.toml, line 21, column 8: at_s is 130; give a time within the capture, 0 to 120 s"
        );
        assert_eq!(
            fault_of("resolution_a = 0.001", "resolution_a = 0"),
            "s.toml, line 12, column 16: resolution_a is 0; give a positive number of amperes, or leave it out"
        );
    }

    #[test]
    fn unknown_keys_wrong_types_and_a_wrong_job_sheet_point_at_their_line() {
        let unknown = fault_of("seed = 3", "seed = 3\nsead = 4");
        assert!(unknown.starts_with("s.toml, line 4, column 1: unknown field `sead`"), "{unknown}");
        let kind = fault_of("duration_s = 120.0", "duration_s = \"two minutes\"");
        assert!(kind.starts_with("s.toml, line 5, column 14: invalid type"), "{kind}");
        let sheet = fault_of("name = \"hut\"", "nome = \"hut\"");
        assert!(sheet.starts_with("s.toml, line 8, column 1:"), "{sheet}");
    }

    #[test]
    fn every_export_form_writes_what_it_says() {
        let first = |export: &str| {
            let text = SMALL.replace("[person]", &format!("[export]\n{export}\n[person]"));
            let simulated = run(&parse("s.toml", &text).unwrap(), 1);
            let bytes = simulated.captures[0].bytes.clone();
            let text = String::from_utf8(bytes).unwrap();
            text.lines().nth(61).unwrap().to_owned()
        };
        assert_eq!(first("clock = 'seconds'\nunit = 'mA'"), "30.0,500");
        assert_eq!(first("clock = 'none'\nreversed = true"), "-0.500");
        assert_eq!(
            first("clock = 'day-first'\ndelimiter = ';'\ndecimal_mark = ','"),
            "12.05.2026 23:59:30,0;0,500"
        );
        assert_eq!(
            first("clock = 'month-first'\ntime_decimals = 0"),
            "05/12/2026 11:59:30 PM,0.500"
        );
        assert_eq!(first("clock = 'two-columns'\ndelimiter = '|'"), "2026-05-12|23:59:30.0|0.500");
        // date -u -d '2026-05-12 23:59:30' +%s
        assert_eq!(first("clock = 'epoch-seconds'"), "1778630370.0,0.500");
        assert_eq!(first("clock = 'time-of-day'\nrow_number_header = 'n'"), "61,23:59:30.0,0.500");
    }

    #[test]
    fn encodings_are_those_of_their_names() {
        let bytes = |encoding: &str| {
            let export =
                format!("[export]\ncurrent_header = 'I (µA)'\nencoding = '{encoding}'\n[person]");
            let text = SMALL.replace("[person]", &export);
            run(&parse("s.toml", &text).unwrap(), 1).captures[0].bytes.clone()
        };
        assert!(bytes("utf-8-bom").starts_with(b"\xEF\xBB\xBFtime,I (\xC2\xB5A)"));
        assert!(bytes("windows-1252").starts_with(b"time,I (\xB5A)"));
        assert!(bytes("utf-16").starts_with(b"\xFF\xFEt\0i\0m\0e\0,\0I\0 \0(\0\xB5\0A\0"));
    }

    #[test]
    fn units_spread_and_the_odd_one_is_told() {
        let units = "[units]\ncount = 12\nspread_percent = 2.0\n[[units.odd]]\nnumber = 5\n\
                     load = 'pump'\nstate = 'running'\ndraw_a = 0.9\nwhy = 'worn'\n[person]";
        let scenario = parse("s.toml", &SMALL.replace("[person]", units)).unwrap();
        let simulated = run(&scenario, 8);
        assert_eq!(simulated.captures[4].name, "small-05.csv");
        let odd = &simulated.truth.captures[4];
        assert_eq!((odd.odd.as_deref(), odd.loads[0].draw_a), (Some("worn"), 0.9));
        let others = simulated.truth.captures.iter().filter(|c| c.odd.is_none());
        let draws: Vec<f64> = others.map(|capture| capture.loads[0].draw_a).collect();
        assert!(draws.iter().all(|a| (a / 0.5 - 1.0).abs() < 0.08));
        assert!(draws.windows(2).all(|two| two[0] != two[1]));
    }

    /// Whatever a scenario says, it is refused with a place or it runs: every number of the demo
    /// scenarios in turn becomes one that is wrong for most keys.
    #[test]
    fn no_number_makes_a_scenario_fall_over() {
        let night = include_str!("../../sample-logs/scenarios/pump-hut-night.toml");
        let bench = include_str!("../../sample-logs/scenarios/receivers.toml");
        let shorter =
            |text: &str| text.replace("count = 24", "count = 2").replace("number = ", "#");
        let short = night.replace("interval_s = 1.0", "interval_s = 60.0");
        let bench = shorter(&bench.replace("interval_s = 0.1", "interval_s = 1.0"));
        let mut refused = 0;
        for text in [SMALL, &short, &bench] {
            for (at, line) in text.lines().enumerate().filter(|(_, line)| line.contains(" = ")) {
                let (key, value) = line.split_once(" = ").unwrap();
                if value.split_whitespace().next().unwrap().parse::<f64>().is_err() {
                    continue;
                }
                for wrong in ["nan", "inf", "-1.0", "0.0", "1e300", "1e-300", "1e11"] {
                    let lines = text.lines().enumerate();
                    let lines = lines.map(|(i, line)| {
                        if i == at { format!("{key} = {wrong}") } else { line.to_owned() }
                    });
                    let text = lines.collect::<Vec<_>>().join("\n");
                    match parse("s.toml", &text) {
                        Ok(scenario) => {
                            let made = run(&scenario, 1);
                            let json = std::str::from_utf8(&made.truth_file.bytes).unwrap();
                            assert!(serde_json::from_str::<Truth>(json).is_ok(), "{key} {wrong}");
                        }
                        Err(fault) => {
                            refused += 1;
                            assert!(fault.place.line.is_some(), "{fault}");
                        }
                    }
                }
            }
        }
        assert!(refused > 100);
    }
}
