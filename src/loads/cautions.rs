//! What is doubtful in a solution, in words.

use super::LoadEstimate;
use super::timeline::Timeline;
use crate::findings::Caution;
use crate::jobsheet::JobSheet;

/// Cautions of what was solved: draws below zero, zero checks that were not found, loads that the job sheet does
/// not list. O(loads × listed loads).
pub(super) fn told(
    timeline: &Timeline,
    sheet: &JobSheet,
    loads: &[LoadEstimate],
    missed_s: &[f64],
) -> Vec<Caution> {
    let mut cautions = Vec::new();
    for load in loads {
        if load.draw_a < -3.0 * load.standard_uncertainty_a {
            cautions.push(Caution::new(
                "negative-draw",
                format!(
                    "{} ({}) lowers the current in the lead: it charges, or its lines are tied to \
                     the wrong steps.",
                    load.load, load.state
                ),
            ));
        }
    }
    if !missed_s.is_empty() {
        cautions.push(Caution::new(
            "zero-check-not-found",
            format!(
                "{} zero check(s) of the event list show no steady stretch near zero and were left \
                 out.",
                missed_s.len()
            ),
        ));
    }
    for load in &timeline.loads {
        if load.spec.is_none() && !sheet.loads.is_empty() {
            let nearest = sheet
                .loads
                .iter()
                .map(|known| {
                    (
                        strsim::jaro_winkler(&known.name.to_lowercase(), &load.name.to_lowercase()),
                        known,
                    )
                })
                .max_by(|a, b| a.0.total_cmp(&b.0))
                .filter(|(score, _)| *score > 0.8)
                .map_or_else(String::new, |(_, known)| {
                    format!(" Did you mean \"{}\"?", known.name)
                });
            cautions.push(Caution::new(
                "load-not-in-job-sheet",
                format!("\"{}\" is in the event list but not in the job sheet, so it has no limit.{nearest}", load.name),
            ));
        }
    }
    cautions
}
