//! `ebbmark inspect`

use crate::capture::ReadOptions;
use crate::fault::InputFault;
use crate::pipeline;
use crate::report;

use super::super::args::InspectArgs;
use super::super::console::Console;
use super::super::inputs;

/// How a capture was read, and why.
pub(crate) fn run(args: InspectArgs, console: &Console) -> Result<u8, InputFault> {
    let options = ReadOptions::try_from(args.reading)?;
    let capture = inputs::capture(&args.capture, &options, console)?;
    let findings = pipeline::inspect(&capture);
    if args.json {
        console.cautions(&findings.cautions);
        return console.print_json(&findings);
    }
    let text = report::text::render_inspect(&findings, &capture, console.width(), console.colour());
    console.print(&text)
}
