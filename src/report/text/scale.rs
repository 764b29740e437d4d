//! A current at another voltage, in a few lines.

use crate::findings::{LoadBehaviour, ScaleFindings};
use crate::numeric::Quantity;
use crate::report::words;

use super::layout::Page;

/// The current at the other voltage, with what was assumed and what else it may be.
pub fn render_scale(found: &ScaleFindings, width: usize, colour: bool) -> String {
    let mut page = Page::new(width, colour);
    page.strong(&format!(
        "{} at {} V is {} at {} V.",
        Quantity::amperes(found.from_a),
        found.from_v,
        Quantity::amperes(found.to_a),
        found.to_v,
    ));
    page.say(&format!("{}.", words::capital(&found.assumption)));
    for other in &found.other_behaviours {
        let kind = match other.behaves_as {
            LoadBehaviour::ConstantPower => "constant power",
            LoadBehaviour::ConstantCurrent => "constant current",
            LoadBehaviour::Resistive => "resistive",
        };
        page.say(&format!("Were it {kind}: {}.", Quantity::amperes(other.to_a)));
    }
    page.finish()
}
