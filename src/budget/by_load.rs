//! The day by loads: measured ones, and what the job sheet says of the rest.

use super::by_level::sun_left_out;
use super::daily::{
    Candidate, Day, DayRow, MEASURED, TYPICAL_FROM_S, each_once, group_name, share_the_day,
};
use super::doubt::Doubt;
use super::observed::Observed;
use crate::findings::{Caution, Findings, LoadRow, Verdict};
use crate::jobsheet::{ASSUMED_BEHAVIOUR, JobSheet, StateSpec, carry_current, same_name};
use crate::numeric::{ExactSum, Quantity, rectangular};

/// The day of a capture whose event list names loads.
pub(super) fn measured_day(sheet: &JobSheet, findings: &Findings) -> Day {
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
            own: vec![(rectangular(draw_a * percent / 100.0), None)],
            ..Doubt::default()
        }),
        draw_source: draw_source.to_owned(),
        given_hours: state.hours_per_day,
        seen_hours: None,
        repaired_a: None,
    })
}

/// The day that the job sheet alone describes.
pub(super) fn specified_day(sheet: &JobSheet) -> Day {
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
