//! `ebbmark batch`

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};

use crate::batch::{self, UnitOutcome, UnitPattern, UnitSource};
use crate::capture::{self, ReadOptions, Silent};
use crate::fault::InputFault;
use crate::findings::{Caution, UnitStatus, Verdict};
use crate::pipeline::{self, Request};
use crate::report::{self, Sketch};

use super::super::args::BatchArgs;
use super::super::console::Console;
use super::super::store::{Kept, Store};
use super::super::{config, exit, inputs, unit_list};

/// Many units, one procedure.
pub(crate) fn run(args: BatchArgs, console: &Console) -> Result<u8, InputFault> {
    let options = ReadOptions::try_from(args.reading.clone())?;
    let wishes = config::wishes(args.judging.smallest_step.as_deref())?;
    let risk = config::risk(&args.judging)?;
    let sheet = inputs::job_sheet(Some(&args.jobsheet), console)?;
    let events = inputs::event_list(args.events.as_deref(), console)?;
    let (sources, absent) = sources(&args, console)?;
    let mut named: Vec<&Path> = sources.iter().map(|source| source.file.as_path()).collect();
    named.push(&args.jobsheet);
    named.extend(args.events.as_deref());
    let target = args.out.as_deref().map(|out| report::write::prepare(out, &named)).transpose()?;
    let store = match args.out.as_deref() {
        Some(out) => {
            let procedure = [
                format!("{sheet:?}"),
                format!("{events:?}"),
                format!("{options:?} {wishes:?} {risk:?}"),
            ];
            Some(Store::open(out, &procedure)?)
        }
        None => None,
    };
    let bar = console.units(sources.len() as u64);
    let finished = AtomicU64::new(0);
    let tick = || bar.at(finished.fetch_add(1, Ordering::Relaxed) + 1);
    let recalled = AtomicU64::new(0);
    // Of each capture only its outcome, start and sketch outlive its analysis.
    let seen: Mutex<HashMap<PathBuf, Seen>> = Mutex::default();
    let seen_of = || seen.lock().unwrap_or_else(PoisonError::into_inner);
    let outcomes = batch::measure_units(
        &sources,
        |source| {
            let capture = capture::read_file(&source.file, &options, &Silent)?;
            let request = Request { sheet: &sheet, events: events.as_ref(), wishes, risk };
            let analysis = pipeline::analyze(capture, &request)?;
            let sketch = target.is_some().then(|| Sketch::of(&analysis));
            let start = analysis.findings.capture.start.clone();
            seen_of().insert(source.file.clone(), Seen { sketch, start });
            Ok(analysis.findings)
        },
        |source| {
            let Kept { outcome, sketch, start } = store.as_ref()?.recall(source)?;
            seen_of().insert(source.file.clone(), Seen { sketch, start });
            recalled.fetch_add(1, Ordering::Relaxed);
            tick();
            Some(outcome)
        },
        |source, outcome| {
            if let Some(store) = &store {
                let Seen { sketch, start } =
                    seen_of().get(&source.file).cloned().unwrap_or_default();
                store.keep(source, &Kept { outcome: outcome.clone(), sketch, start });
            }
            tick();
        },
    );
    drop(bar);
    let recalled = recalled.into_inner();
    if recalled > 0 {
        console.note(&format!(
            "{recalled} of {} captures were measured by a run that was stopped.",
            sources.len()
        ));
    }
    let mut seen = seen.into_inner().unwrap_or_else(PoisonError::into_inner);
    let mut captures: Vec<(UnitOutcome, Seen)> = sources
        .iter()
        .zip(outcomes)
        .map(|(source, outcome)| (outcome, seen.remove(&source.file).unwrap_or_default()))
        .collect();
    let order = in_order_of_test(&mut captures, args.unit_list.is_some());
    let (outcomes, sketches): (Vec<_>, Vec<_>) =
        captures.into_iter().map(|(outcome, seen)| (outcome, seen.sketch)).unzip();
    let mut found = batch::population(&outcomes);
    found.order_of_test = Some(order.to_owned());
    found.cautions.extend(absent);
    if let Some(target) = &target {
        target.commit(&report::batch_bundle(&found, &sketches).map_err(super::defect)?)?;
    }
    if let Some(store) = store {
        store.close();
    }
    if args.json {
        console.cautions(&found.cautions);
        console.print_json(&found)?;
    } else {
        console.print(&report::text::render_batch(&found, console.width(), console.colour()))?;
    }
    if let Some(target) = &target {
        console.note(&format!(
            "The report is {}, with result.json, tables and plots beside it.",
            target.folder().join("report.html").display()
        ));
    }
    let failed = found.units.iter().any(|unit| {
        unit.reason.is_some() || unit.measures.iter().any(|m| m.verdict == Verdict::NonConforming)
    });
    Ok(if args.judging.strict && failed { exit::NOT_PASSED } else { exit::DONE })
}

/// What outlives a capture's analysis beside its outcome.
#[derive(Debug, Clone, Default)]
struct Seen {
    sketch: Option<Sketch>,
    start: Option<String>,
}

/// Puts captures in the order of test, whatever order they were named in, and says which that is:
/// the list's; else by when they began, where every capture that was read tells; else by file name.
/// They come in the list's order, or by file name.
fn in_order_of_test(captures: &mut [(UnitOutcome, Seen)], listed: bool) -> &'static str {
    if listed {
        return "as listed";
    }
    let read = |outcome: &UnitOutcome| outcome.status != UnitStatus::Unreadable;
    let dated = captures.iter().filter(|(o, _)| read(o)).all(|(_, seen)| seen.start.is_some());
    if !dated {
        return "by file name";
    }
    captures.sort_by(|(a, a_seen), (b, b_seen)| {
        (!read(a), &a_seen.start).cmp(&(!read(b), &b_seen.start))
    });
    "by start of capture"
}

/// Text with its numbers as numbers, so that unit 9 comes before unit 10.
fn natural(text: &str) -> Vec<(String, u64, String)> {
    let mut parts = Vec::new();
    let mut rest = text;
    while !rest.is_empty() {
        let words = rest.find(|c: char| c.is_ascii_digit()).unwrap_or(rest.len());
        let (word, after) = rest.split_at(words);
        let digits = after.find(|c: char| !c.is_ascii_digit()).unwrap_or(after.len());
        let (number, after) = after.split_at(digits);
        // The digits as written tell 01 from 1.
        parts.push((word.to_owned(), number.parse().unwrap_or(u64::MAX), number.to_owned()));
        rest = after;
    }
    parts
}

/// The captures with their units, in the list's order or by file name, and what a list names beside them.
fn sources(
    args: &BatchArgs,
    console: &Console,
) -> Result<(Vec<UnitSource>, Option<Caution>), InputFault> {
    let others: Vec<&Path> = std::iter::once(args.jobsheet.as_path())
        .chain(args.events.as_deref())
        .chain(args.unit_list.as_deref())
        .collect();
    if let Some(list) = &args.unit_list {
        let lines = unit_list::read(list, console)?;
        let files = inputs::captures(&args.captures, &others)?;
        return unit_list::assign(&list.display().to_string(), &lines, files);
    }
    let pattern = match args.unit_name.as_deref() {
        Some(typed) => Some(UnitPattern::new(typed).ok_or_else(|| {
            InputFault::of_file(
                "command line",
                format!("--unit-name \"{typed}\" does not hold {{unit}} once"),
                "write the file name with {unit} where the identity stands, e.g. \"rx-{unit}_*.csv\"",
            )
        })?),
        None => None,
    };
    let mut files = inputs::captures(&args.captures, &others)?;
    files.sort_by_cached_key(|file| natural(&file.to_string_lossy()));
    let sources: Result<_, _> = files
        .into_iter()
        .map(|file| match &pattern {
            None => Ok(UnitSource::named_by_file(&file)),
            Some(pattern) => match pattern.unit_of(&file) {
                Some(unit) => Ok(UnitSource { unit, file }),
                None => Err(InputFault::of_file(
                    &file.display().to_string(),
                    "its name does not fit --unit-name",
                    "mend the pattern, or give the identities in --unit-list",
                )),
            },
        })
        .collect();
    Ok((sources?, None))
}

#[cfg(test)]
mod tests {
    use super::natural;

    #[test]
    fn unit_nine_comes_before_unit_ten() {
        let mut names = ["rx-10.csv", "rx-9.csv", "rx-09.csv", "a2b10", "a2b9", "rx-1.csv"];
        names.sort_by_key(|name| natural(name));
        assert_eq!(names, ["a2b9", "a2b10", "rx-1.csv", "rx-09.csv", "rx-9.csv", "rx-10.csv"]);
    }
}
