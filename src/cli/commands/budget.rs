//! `ebbmark budget`

use std::path::Path;

use crate::budget;
use crate::fault::InputFault;
use crate::findings::{Findings, RESULT_SCHEMA};
use crate::report;

use super::super::args::BudgetArgs;
use super::super::console::Console;
use super::super::inputs;

/// Ampere-hours a day, and how long the battery carries them.
pub(crate) fn run(args: BudgetArgs, console: &Console) -> Result<u8, InputFault> {
    let sheet = inputs::job_sheet(Some(&args.jobsheet), console)?;
    let from = args.from.as_deref().map(|path| result(path, console)).transpose()?;
    let found = budget::of_sheet(&sheet, from.as_ref()).map_err(|error| {
        InputFault::of_file(
            &args.jobsheet.display().to_string(),
            error.to_string(),
            "give specified_a to the loads' states, or a result document with --from",
        )
    })?;
    if args.json {
        console.cautions(&found.budget.cautions);
        return console.print_json(&found);
    }
    console.print(&report::text::render_budget(&found, console.width(), console.colour()))
}

/// Reads a result document of an earlier `analyze`.
fn result(path: &Path, console: &Console) -> Result<Findings, InputFault> {
    let file = path.display().to_string();
    let text = inputs::text(path, console)?;
    let findings: Findings = serde_json::from_str(&text).map_err(|error| {
        InputFault::at(
            &file,
            error.line() as u64,
            error.column() as u64,
            format!("is no result document: {error}"),
            "name the result.json that analyze wrote under --out",
        )
    })?;
    if findings.schema != RESULT_SCHEMA {
        return Err(InputFault::of_file(
            &file,
            format!("its schema is \"{}\", not \"{RESULT_SCHEMA}\"", findings.schema),
            "name the result.json that analyze wrote under --out",
        ));
    }
    Ok(findings)
}
