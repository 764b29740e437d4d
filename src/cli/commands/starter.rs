//! `ebbmark starter`

use crate::capture::ReadOptions;
use crate::fault::InputFault;
use crate::pipeline;
use crate::report;

use super::super::args::StarterArgs;
use super::super::console::Console;
use super::super::{config, inputs};

/// Writes an event list and a job sheet to fill in.
pub(crate) fn run(args: StarterArgs, console: &Console) -> Result<u8, InputFault> {
    let options = ReadOptions::try_from(args.reading)?;
    let wishes = config::wishes(args.smallest_step.as_deref())?;
    let target = report::write::prepare(&args.out, &[&args.capture])?;
    let capture = inputs::capture(&args.capture, &options, console)?;
    let segmentation = pipeline::segment(&capture, &wishes)?;
    target.commit(&report::starter::bundle(&capture, &segmentation))?;
    console.cautions(&capture.cautions);
    let folder = target.folder();
    let [events, jobsheet] = ["events.csv", "jobsheet.toml"].map(|name| folder.join(name));
    console.print(&format!(
        "{} found. Fill in\n  {}  what was switched\n  {}  what is known of the site\n\
         then run\n  ebbmark analyze {} --events {} --jobsheet {} --out report\n",
        match segmentation.steps.len() {
            1 => "1 step".to_owned(),
            n => format!("{n} steps"),
        },
        events.display(),
        jobsheet.display(),
        args.capture.display(),
        events.display(),
        jobsheet.display(),
    ))
}
