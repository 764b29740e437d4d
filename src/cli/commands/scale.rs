//! `ebbmark scale`

use crate::fault::InputFault;
use crate::findings::LoadBehaviour;
use crate::report;
use crate::scale;

use super::super::args::{Behaviour, ScaleArgs};
use super::super::config;
use super::super::console::Console;

impl From<Behaviour> for LoadBehaviour {
    fn from(typed: Behaviour) -> Self {
        match typed {
            Behaviour::ConstantPower => Self::ConstantPower,
            Behaviour::ConstantCurrent => Self::ConstantCurrent,
            Behaviour::Resistive => Self::Resistive,
        }
    }
}

/// Prints the current at the other voltage, with what was assumed.
pub(crate) fn run(args: ScaleArgs, console: &Console) -> Result<u8, InputFault> {
    let current_a = config::current("CURRENT", &args.current)?;
    let from_v = config::voltage("--from", args.from)?;
    let to_v = config::voltage("--to", args.to)?;
    let found = scale::scale(current_a, from_v, to_v, args.behaves_as.into());
    if args.json {
        return console.print_json(&found);
    }
    console.print(&report::text::render_scale(&found, console.width(), console.colour()))
}
