//! The day's charge, load by load: which draw, for how many hours, and who says so.

use super::doubt::Doubt;
use super::observed::Observed;
use crate::findings::{Caution, Findings, LoadRow, Verdict};
use crate::jobsheet::{ASSUMED_BEHAVIOUR, JobSheet, StateSpec, carry_current, same_name};
use crate::numeric::{ExactSum, Lasting, Quantity};

/// A capture this long is taken as typical of a day; a shorter one is a visit, whose plugging in
/// and out says nothing of the hours. A quarter of a day: our choice.
const TYPICAL_FROM_S: f64 = 6.0 * 3600.0;

/// Share of the charge from which on a level has a line of its own.
const WORTH_A_LINE: f64 = 0.01;

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
    /// States that no hours are known for.
    uncounted: Vec<String>,
}

/// From the draws of a capture, or from the job sheet alone.
pub(super) fn day(sheet: &JobSheet, findings: Option<&Findings>) -> Day {
    let mut day = match findings {
        Some(findings) if findings.loads.is_empty() => by_level(sheet, findings),
        Some(findings) => by_measured_load(sheet, findings),
        None => by_sheet(sheet),
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
struct Candidate {
    load: String,
    state: String,
    draw_a: f64,
    doubt: Option<Doubt>,
    draw_source: String,
    given_hours: Option<f64>,
    /// Hours a day by the capture's own time; `None` in a visit.
    seen_hours: Option<f64>,
    repaired_a: Option<f64>,
}

/// Hours of one load's states. What the job sheet gives stands; where it gives hours for all the
/// states it lists, the load is off for the rest. Otherwise the rest comes from the capture's time
/// where that is typical, pressed into what is left of the day, or goes to the lowest of the
/// states without hours, the load being taken as connected day and night.
fn share_the_day(sheet: &JobSheet, candidates: Vec<Candidate>, day: &mut Day) {
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

fn by_measured_load(sheet: &JobSheet, findings: &Findings) -> Day {
    let mut day = Day::default();
    let observed = Observed::of(findings);
    let typical = observed.time_s >= TYPICAL_FROM_S;
    let capture_s: f64 = findings.segments.iter().map(|s| s.end_s - s.start_s).sum();
    day.cautions.extend(sun_left_out(&observed));
    let mut by_load: Vec<(String, Vec<Candidate>)> = Vec::new();
    for (row, load) in each_once(&findings.loads) {
        let seen_hours = typical
            .then(|| findings.duty.get(row).map(|duty| duty.time_s / capture_s * 24.0))
            .flatten();
        let candidate = measured(sheet, load, seen_hours);
        match by_load.iter_mut().find(|(name, _)| same_name(name, &load.load)) {
            Some((_, states)) => states.push(candidate),
            None => by_load.push((load.load.clone(), vec![candidate])),
        }
    }
    if !typical && by_load.iter().flat_map(|(_, s)| s).any(|c| c.given_hours.is_none()) {
        day.cautions.push(Caution::new(
            "hours-assumed",
            "the capture is too short to tell a day's habits: loads without hours_per_day are \
             taken as connected all day in their lowest state",
        ));
    }
    for (name, mut states) in by_load {
        states.extend(unmeasured(sheet, &name, &states, &mut day));
        share_the_day(sheet, states, &mut day);
    }
    if !typical {
        for spec in &sheet.loads {
            let known = |name: &str| same_name(name, &spec.name);
            if findings.loads.iter().any(|row| known(&row.load)) {
                continue;
            }
            let states = unmeasured(sheet, &spec.name, &[], &mut day);
            share_the_day(sheet, states, &mut day);
        }
    }
    let rest_a = typical.then(|| {
        let accounted_c: ExactSum = each_once(&findings.loads)
            .filter_map(|(row, _)| findings.duty.get(row))
            .map(|duty| duty.charge_ah * 3600.0)
            .collect();
        observed.charge_c / observed.time_s - accounted_c.value() / capture_s
    });
    day.rows.extend(unlisted(findings, rest_a, &mut day.cautions));
    day
}

fn measured(sheet: &JobSheet, load: &LoadRow, seen_hours: Option<f64>) -> Candidate {
    let spec = sheet.load(&load.load).and_then(|spec| spec.state(&load.state));
    let too_much = match load.verdict {
        Verdict::NonConforming => load.limit_high_a.is_some_and(|high| load.draw_a > high),
        _ => false,
    };
    Candidate {
        load: group_name(load),
        state: load.state.clone(),
        // Noise may leave a load that draws nothing below zero.
        draw_a: load.draw_a.max(0.0),
        doubt: Some(Doubt::of_load(load)),
        draw_source: MEASURED.to_owned(),
        given_hours: spec.and_then(|spec| spec.hours_per_day),
        seen_hours,
        repaired_a: too_much.then(|| load.specified_a.or(load.limit_high_a)).flatten(),
    }
}

/// States that the job sheet gives hours and a current for and that nobody measured.
fn unmeasured(
    sheet: &JobSheet,
    load: &str,
    measured: &[Candidate],
    day: &mut Day,
) -> Vec<Candidate> {
    let Some(spec) = sheet.load(load) else { return Vec::new() };
    let missing = spec
        .states
        .iter()
        .filter(|state| !measured.iter().any(|c| same_name(&c.state, &state.name)))
        .filter(|state| state.hours_per_day.is_some_and(|hours| hours > 0.0));
    let found: Vec<Candidate> =
        missing.filter_map(|state| specified(sheet, &spec.name, state)).collect();
    for candidate in &found {
        day.cautions.push(Caution::new(
            "not-measured",
            format!(
                "{} in {} was not measured: its specified current is counted",
                candidate.load, candidate.state
            ),
        ));
    }
    found
}

/// A state's current by its data sheet, carried to the site's voltage; `None` when it has none.
fn specified(sheet: &JobSheet, load: &str, state: &StateSpec) -> Option<Candidate> {
    let behaves_as = sheet.load(load)?.behaves_as.unwrap_or(ASSUMED_BEHAVIOUR);
    let carry = |current_a: f64| match (state.at_voltage_v, sheet.site.supply_voltage_v) {
        (Some(from_v), Some(to_v)) => carry_current(current_a, from_v, to_v, behaves_as),
        _ => current_a,
    };
    let (draw_a, draw_source) = match (state.specified_a, state.maximum_a) {
        (Some(typical_a), _) => (carry(typical_a), "specified"),
        (None, Some(maximum_a)) => (carry(maximum_a), "largest allowed"),
        (None, None) => return None,
    };
    // GUM 4.3.7: a tolerance is the half-width of a rectangle.
    let tolerance = state.specified_a.and(state.tolerance_percent);
    Some(Candidate {
        load: load.to_owned(),
        state: state.name.clone(),
        draw_a,
        doubt: tolerance.map(|percent| Doubt {
            own: vec![(draw_a * percent / 100.0 / 3f64.sqrt(), None)],
            ..Doubt::default()
        }),
        draw_source: draw_source.to_owned(),
        given_hours: state.hours_per_day,
        seen_hours: None,
        repaired_a: None,
    })
}

fn by_sheet(sheet: &JobSheet) -> Day {
    let mut day = Day::default();
    for load in &sheet.loads {
        let states: Vec<Candidate> =
            load.states.iter().filter_map(|state| specified(sheet, &load.name, state)).collect();
        if states.is_empty() {
            day.cautions.push(Caution::new(
                "no-current",
                format!(
                    "{} is not counted: the job sheet gives no current for it; add specified_a, \
                     or measure it and give the result with --from",
                    load.name
                ),
            ));
        }
        share_the_day(sheet, states, &mut day);
    }
    day
}

/// Draw that belongs to no listed load: in a typical capture the rest of its charge, in a visit
/// what is left with every listed load off, where the zero is good enough to tell it.
fn unlisted(
    findings: &Findings,
    rest_a: Option<f64>,
    cautions: &mut Vec<Caution>,
) -> Option<DayRow> {
    let zero_a = findings.zero.trusted_to_a;
    let doubt = zero_a.map(|expanded_a| Doubt { capture: expanded_a / 2.0, ..Doubt::default() });
    let (draw_a, hours_source) = match rest_a {
        Some(rest_a) => (rest_a, "what is left of the capture's charge"),
        None => (findings.base_a?, "the draw with every listed load off, all day"),
    };
    if draw_a <= 0.0 {
        return None;
    }
    if rest_a.is_none() && zero_a.is_none_or(|zero_a| draw_a < zero_a) {
        cautions.push(Caution::new(
            "base-not-counted",
            format!(
                "{} are left with every listed load off; the zero of this capture is not good \
                 enough to tell them from nothing, and they are not counted",
                Quantity::amperes(draw_a)
            ),
        ));
        return None;
    }
    Some(DayRow {
        load: "not listed".to_owned(),
        state: None,
        draw_a,
        doubt,
        draw_source: MEASURED.to_owned(),
        hours: 24.0,
        hours_source: hours_source.to_owned(),
        repaired_a: None,
    })
}

/// Without an event list: the capture's levels by their share of its time, and what lies between.
fn by_level(sheet: &JobSheet, findings: &Findings) -> Day {
    let mut day = Day::default();
    let observed = Observed::of(findings);
    if observed.time_s <= 0.0 {
        return day;
    }
    day.cautions.extend(sun_left_out(&observed));
    if sheet.solar.is_some() && observed.sun_s.is_none() {
        day.cautions.push(Caution::new(
            "sun-not-seen",
            "the site has a panel and no charging shows: if some sun was on it, the draw looks \
             smaller than it is; log in the dark, or with the panel disconnected",
        ));
    }
    if observed.time_s < TYPICAL_FROM_S {
        day.cautions.push(Caution::new(
            "hours-assumed",
            "the capture is too short to tell a day's habits: it is taken as typical of the day \
             all the same; log a night, or give each load hours_per_day",
        ));
    }
    let mut row = |load: String, state: Option<usize>, time_s: f64, charge_c: f64| {
        let mean_a = charge_c / time_s;
        day.rows.push(DayRow {
            load,
            state: None,
            draw_a: mean_a,
            doubt: Some(doubt_of_level(sheet, findings, mean_a, state)),
            draw_source: MEASURED.to_owned(),
            hours: time_s / observed.time_s * 24.0,
            hours_source: "share of the capture's time".to_owned(),
            repaired_a: None,
        });
    };
    let mut rest_s = observed.time_s;
    let mut rest_c = observed.charge_c;
    for level in &findings.states {
        let (time_s, charge_c) = observed.level(level.id);
        if charge_c.abs() >= WORTH_A_LINE * observed.charge_c.abs() && time_s > 0.0 {
            let name = format!("level at {}", Quantity::amperes(charge_c / time_s));
            row(name, Some(level.id), time_s, charge_c);
            rest_s -= time_s;
            rest_c -= charge_c;
        }
    }
    // A rest of less than a thousandth of the time is the rounding of the levels' edges.
    if rest_s > 1e-3 * observed.time_s {
        row("wakes, settling and brief levels".to_owned(), None, rest_s, rest_c);
    }
    day
}

fn sun_left_out(observed: &Observed<'_>) -> Option<Caution> {
    let (from_s, to_s) = observed.sun_s?;
    Some(Caution::new(
        "sun-left-out",
        format!(
            "charge comes in from {} to {} after the capture's start: that time tells nothing of the \
             draw and is left out of the day",
            Lasting(from_s / 3600.0),
            Lasting(to_s / 3600.0)
        ),
    ))
}

/// The doubt of a level of the whole site's current: noise, zero, and the meter's accuracy.
pub(crate) fn doubt_of_level(
    sheet: &JobSheet,
    findings: &Findings,
    mean_a: f64,
    state: Option<usize>,
) -> Doubt {
    let limit_a = sheet.meter.map_or(0.0, |meter| {
        let count_a = meter.resolution_a.or(findings.capture.resolution_a).unwrap_or(0.0);
        mean_a.abs() * meter.accuracy_percent_of_reading / 100.0 + meter.accuracy_counts * count_a
    });
    Doubt {
        // GUM 4.3.7: an accuracy limit is the half-width of a rectangle.
        meter: limit_a / 3f64.sqrt(),
        capture: findings.zero.trusted_to_a.map_or(0.0, |expanded_a| expanded_a / 2.0),
        own: vec![(state.map_or(0.0, |state| Observed::of(findings).type_a(state)), None)],
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
        if in_a_sum.iter().any(|name| same_name(name, &load.load)) {
            return false;
        }
        in_a_sum.extend(load.inseparable_from.iter().map(String::as_str));
        true
    })
}
