//! `ebbmark analyze`

use std::path::Path;

use crate::capture::ReadOptions;
use crate::fault::InputFault;
use crate::findings::{Caution, Findings, Verdict};
use crate::judge::SLEEP_LIMIT_NOT_TRIED;
use crate::pipeline::{self, Request};
use crate::report;

use super::super::args::AnalyzeArgs;
use super::super::console::Console;
use super::super::{config, exit, inputs};

/// The main job.
pub(crate) fn run(args: AnalyzeArgs, console: &Console) -> Result<u8, InputFault> {
    let options = ReadOptions::try_from(args.reading)?;
    let wishes = config::wishes(args.judging.smallest_step.as_deref())?;
    let risk = config::risk(&args.judging)?;
    let named = [Some(&args.capture), args.events.as_ref(), args.jobsheet.as_ref()];
    let named: Vec<&Path> = named.into_iter().flatten().map(|path| path.as_path()).collect();
    let target = args.out.as_deref().map(|out| report::write::prepare(out, &named)).transpose()?;
    let sheet = inputs::job_sheet(args.jobsheet.as_deref(), console)?;
    let events = inputs::event_list(args.events.as_deref(), console)?;
    let capture = inputs::capture(&args.capture, &options, console)?;
    let request = Request { sheet: &sheet, events: events.as_ref(), wishes, risk };
    let analysis = pipeline::analyze(capture, &request)?;
    if let Some(target) = &target {
        target.commit(&report::bundle(&analysis).map_err(super::defect)?)?;
    }
    let findings = &analysis.findings;
    if args.json {
        console.cautions(&findings.cautions);
        console.print_json(findings)?;
    } else {
        console.print(&report::text::render(findings, console.width(), console.colour()))?;
    }
    if let Some(target) = &target {
        console.note(&format!(
            "The report is {}, with result.json, tables and plots beside it.",
            target.folder().join("report.html").display()
        ));
    }
    let done = if args.judging.strict && !passed(findings) { exit::NOT_PASSED } else { exit::DONE };
    // The process ends: the system takes its memory back faster than page by page.
    std::mem::forget(analysis);
    Ok(done)
}

/// Whether `--strict` lets the findings pass.
fn passed(findings: &Findings) -> bool {
    let untried = |caution: &Caution| caution.code == SLEEP_LIMIT_NOT_TRIED;
    findings.zero.trusted
        && !findings.cautions.iter().any(untried)
        && findings.loads.iter().all(|load| load.verdict != Verdict::NonConforming)
        && findings
            .sleep
            .iter()
            .flat_map(|sleep| &sleep.verdicts)
            .all(|limit| limit.verdict != Verdict::NonConforming)
}
