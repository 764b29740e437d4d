//! `ebbmark scale`

use crate::fault::InputFault;
use crate::findings::LoadBehaviour;
use crate::numeric::Quantity;
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
    let mut text = format!(
        "{} at {} V is {} at {} V.\n{}\n",
        Quantity::amperes(found.from_a),
        found.from_v,
        Quantity::amperes(found.to_a),
        found.to_v,
        found.assumption,
    );
    for other in &found.other_behaviours {
        let kind = match other.behaves_as {
            LoadBehaviour::ConstantPower => "constant power",
            LoadBehaviour::ConstantCurrent => "constant current",
            LoadBehaviour::Resistive => "resistive",
        };
        text.push_str(&format!("Were it {kind}: {}.\n", Quantity::amperes(other.to_a)));
    }
    console.print(&text)
}
