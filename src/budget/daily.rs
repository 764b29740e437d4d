//! The day's charge, load by load: which draw, for how many hours, and who says so.

use super::doubt::Doubt;
use super::{by_level, by_load};
use crate::findings::{Caution, Findings, LoadRow};
use crate::jobsheet::{JobSheet, same_name};

/// A capture this long is taken as typical of a day; a shorter one is a visit, whose plugging in
/// and out says nothing of the hours. A quarter of a day: our choice.
pub(crate) const TYPICAL_FROM_S: f64 = 6.0 * 3600.0;

/// Where a measured draw says it is from.
pub(super) const MEASURED: &str = "measured";

/// One line of the day.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct DayRow {
    pub(crate) load: String,
    pub(crate) state: Option<String>,
    pub(crate) draw_a: f64,
    pub(crate) doubt: Option<Doubt>,
    pub(crate) draw_source: String,
    pub(crate) hours: f64,
    pub(crate) hours_source: String,
    /// What it would draw if repaired, where it draws too much.
    pub(crate) repaired_a: Option<f64>,
}

impl DayRow {
    pub(crate) fn ah_per_day(&self) -> f64 {
        self.draw_a * self.hours
    }
}

/// The day's lines with what a reader must know of them.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Day {
    pub(super) rows: Vec<DayRow>,
    pub(super) cautions: Vec<Caution>,
    /// True when the hours are the shares of a capture too short to hold a day's habits.
    pub(super) brief: bool,
    /// States that no hours are known for.
    uncounted: Vec<String>,
}

/// From the draws of a capture, or from the job sheet alone.
pub(super) fn day(sheet: &JobSheet, findings: Option<&Findings>) -> Day {
    let mut day = match findings {
        Some(findings) if findings.loads.is_empty() => by_level::day(sheet, findings),
        Some(findings) => by_load::measured_day(sheet, findings),
        None => by_load::specified_day(sheet),
    };
    if !day.uncounted.is_empty() {
        day.cautions.push(Caution::new(
            "hours-unknown",
            format!(
                "not counted, because nobody says for how many hours a day: {}; give hours_per_day \
                 in the job sheet",
                day.uncounted.join(", ")
            ),
        ));
    }
    day
}

/// A draw that waits for its hours.
#[derive(Debug, Clone)]
pub(super) struct Candidate {
    pub(super) load: String,
    pub(super) state: String,
    pub(super) draw_a: f64,
    pub(super) doubt: Option<Doubt>,
    pub(super) draw_source: String,
    pub(super) given_hours: Option<f64>,
    /// Hours a day by the capture's own time; `None` in a visit.
    pub(super) seen_hours: Option<f64>,
    pub(super) repaired_a: Option<f64>,
}

/// Hours of one load's states. What the job sheet gives stands; where it gives hours for all the
/// states it lists, the load is off for the rest. Otherwise the rest comes from the capture's time
/// where that is typical, pressed into what is left of the day, or goes to the lowest of the
/// states without hours, the load being taken as connected day and night.
pub(super) fn share_the_day(sheet: &JobSheet, candidates: Vec<Candidate>, day: &mut Day) {
    let given: f64 = candidates.iter().filter_map(|c| c.given_hours).sum();
    let told_in_full = candidates.first().and_then(|c| sheet.load(&c.load)).is_some_and(|spec| {
        !spec.states.is_empty() && spec.states.iter().all(|state| state.hours_per_day.is_some())
    });
    let left = if told_in_full { 0.0 } else { (24.0 - given).max(0.0) };
    let seen: f64 =
        candidates.iter().filter(|c| c.given_hours.is_none()).filter_map(|c| c.seen_hours).sum();
    let pressed = if seen > left { left / seen } else { 1.0 };
    let resting = candidates
        .iter()
        .enumerate()
        .filter(|(_, c)| c.given_hours.is_none() && c.seen_hours.is_none())
        .min_by(|(_, a), (_, b)| a.draw_a.total_cmp(&b.draw_a))
        .map(|(i, _)| i);
    for (i, candidate) in candidates.into_iter().enumerate() {
        let (hours, hours_source) = match (candidate.given_hours, candidate.seen_hours) {
            (Some(hours), _) => (hours, "job sheet".to_owned()),
            (None, Some(seen)) => (seen * pressed, "share of the capture's time".to_owned()),
            (None, None) if resting == Some(i) && left > 0.0 => (
                left,
                if given > 0.0 {
                    "assumed: the rest of the day".to_owned()
                } else {
                    "assumed: connected all day, in its lowest state".to_owned()
                },
            ),
            (None, None) => {
                if !told_in_full {
                    day.uncounted.push(format!("{} in {}", candidate.load, candidate.state));
                }
                continue;
            }
        };
        day.rows.push(DayRow {
            load: candidate.load,
            state: Some(candidate.state),
            draw_a: candidate.draw_a,
            doubt: candidate.doubt,
            draw_source: candidate.draw_source,
            hours,
            hours_source,
            repaired_a: candidate.repaired_a,
        });
    }
}

/// The load's name, with those that it cannot be told apart from.
pub(crate) fn group_name(load: &LoadRow) -> String {
    if load.separable || load.inseparable_from.is_empty() {
        load.load.clone()
    } else {
        format!("{} with {}", load.load, load.inseparable_from.join(" and "))
    }
}

/// The rows with their places; of loads that cannot be told apart, whose rows all give their sum,
/// the first alone.
pub(crate) fn each_once(loads: &[LoadRow]) -> impl Iterator<Item = (usize, &LoadRow)> {
    let mut in_a_sum: Vec<&str> = Vec::new();
    loads.iter().enumerate().filter(move |(_, load)| {
        if load.separable {
            return true;
        }
        let with_state = format!("{} ({})", load.load, load.state);
        let is_this = |name: &&str| same_name(name, &load.load) || same_name(name, &with_state);
        if in_a_sum.iter().any(is_this) {
            return false;
        }
        in_a_sum.extend(load.inseparable_from.iter().map(String::as_str));
        true
    })
}
