//! What is doubtful in a solution, in words.

use super::LoadEstimate;
use crate::findings::Caution;

/// Draws this many standard uncertainties below zero are none.
const BELOW: f64 = 3.0;

/// Cautions of what was solved: draws below zero. What the list leaves in doubt the events stage has told.
pub(super) fn told(loads: &[LoadEstimate]) -> Vec<Caution> {
    let feeds = |load: &&LoadEstimate| load.draw_a < -BELOW * load.standard_uncertainty_a;
    let words = |load: &LoadEstimate| {
        Caution::new(
            "negative-draw",
            format!(
                "{} ({}) lowers the current in the lead: it charges, or its lines are tied to the wrong steps.",
                load.load, load.state
            ),
        )
    };
    loads.iter().filter(feeds).map(words).collect()
}
