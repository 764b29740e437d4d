//! The day by levels of the whole site's current.

use super::daily::{Day, DayRow, MEASURED, TYPICAL_FROM_S};
use super::doubt::Doubt;
use super::observed::Observed;
use crate::findings::{Caution, Findings};
use crate::jobsheet::JobSheet;
use crate::numeric::{Lasting, Quantity, rectangular};

/// Share of the charge from which on a level has a line of its own.
const WORTH_A_LINE: f64 = 0.01;

/// Without an event list: the capture's levels by their share of its time, and what lies between.
pub(super) fn day(sheet: &JobSheet, findings: &Findings) -> Day {
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
        day.brief = true;
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

pub(super) fn sun_left_out(observed: &Observed<'_>) -> Option<Caution> {
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
        meter: rectangular(limit_a),
        capture: findings.zero.trusted_to_a.map_or(0.0, |expanded_a| expanded_a / 2.0),
        own: vec![(state.map_or(0.0, |state| Observed::of(findings).type_a(state)), None)],
    }
}
