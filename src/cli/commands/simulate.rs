//! `ebbmark simulate`

use crate::fault::InputFault;
use crate::report;
use crate::simulate;

use super::super::args::SimulateArgs;
use super::super::console::Console;
use super::super::inputs;

/// Writes a capture with known truth.
pub(crate) fn run(args: SimulateArgs, console: &Console) -> Result<u8, InputFault> {
    let target = report::write::prepare(&args.out, &[&args.scenario])?;
    let text = inputs::text(&args.scenario, console)?;
    let scenario = simulate::parse(&args.scenario.display().to_string(), &text)?;
    let seed = args.seed.unwrap_or(scenario.seed());
    let simulated = simulate::run(&scenario, seed);
    let mut bundle = report::write::Bundle::new();
    let mut names = Vec::new();
    for file in simulated.files() {
        names.push(format!("  {}\n", target.folder().join(&file.name).display()));
        bundle.add(file.name.clone(), file.bytes.clone());
    }
    target.commit(&bundle)?;
    console.print(&format!("Seed {seed}. Written:\n{}", names.concat()))
}
