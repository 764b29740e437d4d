//! `ebbmark compare`

use std::path::Path;

use crate::capture::ReadOptions;
use crate::compare;
use crate::fault::InputFault;
use crate::findings::Verdict;
use crate::pipeline::{self, Analysis, Request};
use crate::report;

use super::super::args::CompareArgs;
use super::super::console::Console;
use super::super::{config, exit, inputs};

/// The same site before and after a repair.
pub(crate) fn run(args: CompareArgs, console: &Console) -> Result<u8, InputFault> {
    let options = ReadOptions::try_from(args.reading)?;
    let wishes = config::wishes(args.judging.smallest_step.as_deref())?;
    let risk = config::risk(&args.judging)?;
    let named = [
        Some(&args.before),
        Some(&args.after),
        args.events_before.as_ref(),
        args.events_after.as_ref(),
        args.jobsheet.as_ref(),
    ];
    let named: Vec<&Path> = named.into_iter().flatten().map(|path| path.as_path()).collect();
    let target = args.out.as_deref().map(|out| report::write::prepare(out, &named)).transpose()?;
    let sheet = inputs::job_sheet(args.jobsheet.as_deref(), console)?;
    let side = |capture: &Path, events: Option<&Path>| -> Result<Analysis, InputFault> {
        let events = inputs::event_list(events, console)?;
        let capture = inputs::capture(capture, &options, console)?;
        let request = Request { sheet: &sheet, events: events.as_ref(), wishes, risk };
        pipeline::analyze(capture, &request)
    };
    let before = side(&args.before, args.events_before.as_deref())?;
    let after = side(&args.after, args.events_after.as_deref())?;
    let found = compare::compare(&before.findings, &after.findings, &sheet);
    if let Some(target) = &target {
        target.commit(&report::compare_bundle(&found, &before, &after).map_err(super::defect)?)?;
    }
    if args.json {
        console.cautions(&found.cautions);
        console.print_json(&found)?;
    } else {
        console.print(&report::text::render_compare(&found, console.width(), console.colour()))?;
    }
    if let Some(target) = &target {
        console.note(&format!(
            "The report is {}, with result.json, tables and plots beside it.",
            target.folder().join("report.html").display()
        ));
    }
    let failed = !found.after.zero_trusted
        || found.changes.iter().any(|change| change.after_verdict == Verdict::NonConforming);
    Ok(if args.judging.strict && failed { exit::NOT_PASSED } else { exit::DONE })
}
