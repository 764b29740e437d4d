//! `ebbmark batch`

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

use crate::batch::{self, UnitPattern, UnitSource};
use crate::capture::{self, ReadOptions, Silent};
use crate::fault::InputFault;
use crate::findings::Verdict;
use crate::pipeline::{self, Request};
use crate::report;

use super::super::args::BatchArgs;
use super::super::console::Console;
use super::super::store::Store;
use super::super::{config, exit, inputs};

/// Many units, one procedure.
pub(crate) fn run(args: BatchArgs, console: &Console) -> Result<u8, InputFault> {
    let options = ReadOptions::try_from(args.reading.clone())?;
    let wishes = config::wishes(args.judging.smallest_step.as_deref())?;
    let risk = config::risk(&args.judging)?;
    let sheet = inputs::job_sheet(Some(&args.jobsheet))?;
    let events = inputs::event_list(args.events.as_deref())?;
    let sources = sources(&args)?;
    let mut named: Vec<&Path> = sources.iter().map(|source| source.file.as_path()).collect();
    named.push(&args.jobsheet);
    named.extend(args.events.as_deref());
    let target = args.out.as_deref().map(|out| report::write::prepare(out, &named)).transpose()?;
    let store = match args.out.as_deref() {
        Some(out) => {
            let procedure = [
                inputs::text(&args.jobsheet)?,
                args.events.as_deref().map(inputs::text).transpose()?.unwrap_or_default(),
                format!("{options:?} {wishes:?} {risk:?}"),
            ];
            Some(Store::open(out, &procedure)?)
        }
        None => None,
    };
    let bar = console.units(sources.len() as u64);
    let finished = AtomicU64::new(0);
    let tick = || bar.at(finished.fetch_add(1, Ordering::Relaxed) + 1);
    let outcomes = batch::measure_units(
        &sources,
        |source| {
            let capture = capture::read_file(&source.file, &options, &Silent)?;
            let request = Request { sheet: &sheet, events: events.as_ref(), wishes, risk };
            Ok(pipeline::analyze(capture, &request)?.findings)
        },
        |source| store.as_ref().and_then(|store| store.recall(source)).inspect(|_| tick()),
        |source, outcome| {
            if let Some(store) = &store {
                store.keep(source, outcome);
            }
            tick();
        },
    );
    drop(bar);
    let found = batch::population(&outcomes);
    if let Some(target) = &target {
        target.commit(&report::batch_bundle(&found).map_err(super::defect)?)?;
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
        console.note(&format!("Report and tables are in {}.", target.folder().display()));
    }
    let failed = found.units.iter().any(|unit| {
        unit.reason.is_some() || unit.measures.iter().any(|m| m.verdict == Verdict::NonConforming)
    });
    Ok(if args.judging.strict && failed { exit::NOT_PASSED } else { exit::DONE })
}

/// The captures with their units, in the order given; folders and patterns in order of name.
fn sources(args: &BatchArgs) -> Result<Vec<UnitSource>, InputFault> {
    if let Some(list) = &args.unit_list {
        let pairs = inputs::unit_list(list)?;
        let files = inputs::captures(&args.captures)?;
        return files.into_iter().map(|file| listed(file, &pairs, list)).collect();
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
    inputs::captures(&args.captures)?
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
        .collect()
}

fn listed(
    file: PathBuf,
    pairs: &[(String, String)],
    list: &Path,
) -> Result<UnitSource, InputFault> {
    let name = file.file_name().map(|name| name.to_string_lossy().into_owned());
    let full = file.display().to_string();
    let found = pairs.iter().find(|(listed, _)| *listed == full || Some(listed) == name.as_ref());
    match found {
        Some((_, unit)) => Ok(UnitSource { unit: unit.clone(), file }),
        None => Err(InputFault::of_file(
            &list.display().to_string(),
            format!("does not list {full}"),
            "add a line for it, or leave it out of the captures",
        )),
    }
}
