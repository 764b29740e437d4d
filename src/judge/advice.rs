//! What to measure next, ranked by what it would settle.

use jiff::civil::DateTime;

use super::words::{clause, from_to, in_state, list, sentence, set_current, the};
use crate::events::Alignment;
use crate::findings::{Advice, LoadRow, Unexplained, Verdict};
use crate::jobsheet::{JobSheet, same_name};
use crate::loads::LoadsFound;
use crate::numeric::{Quantity, Unit, duration};

/// Everything that advice looks at.
pub(super) struct Case<'a> {
    /// The capture's clock at its first sample, where it has one.
    pub(super) start: Option<DateTime>,
    pub(super) rows: &'a [LoadRow],
    pub(super) time_s: &'a [f64],
    pub(super) loads: &'a LoadsFound,
    pub(super) unexplained: &'a [Unexplained],
    pub(super) charge_ah: f64,
    pub(super) alignment: Option<&'a Alignment>,
    pub(super) sheet: &'a JobSheet,
}

/// Advice, most useful first: verdicts to confirm, then what keeps a verdict from being given, then
/// what widens the doubt.
pub(super) fn advise(case: &Case<'_>) -> Vec<Advice> {
    let mut ranked: Vec<(f64, Advice)> = Vec::new();
    let mut add = |weight: f64, what: String, why: String| {
        if !ranked.iter().any(|(_, known)| known.what == what) {
            ranked.push((weight, Advice { what, why }));
        }
    };
    of_zero(case, &mut add);
    of_verdicts(case, &mut add);
    of_separation(case, &mut add);
    of_unexplained(case, &mut add);
    of_coverage(case, &mut add);
    of_resolution(case, &mut add);
    ranked.sort_by(|a, b| b.0.total_cmp(&a.0));
    ranked.into_iter().map(|(_, advice)| advice).collect()
}

type Add<'a> = dyn FnMut(f64, String, String) + 'a;

fn of_zero(case: &Case<'_>, add: &mut Add<'_>) {
    let zero = &case.loads.zero;
    match zero.checks.len() {
        0 => add(
            65.0,
            "Make a zero check at the start and at the end: take the clamp off the lead, or open the circuit with \
             everything switched off, for 30 s, and list it as `zero`."
                .to_owned(),
            "No zero check was made, so sleep levels, the charge and whatever is never switched off may be off by \
             the meter's zero."
                .to_owned(),
        ),
        _ if !zero.trusted => add(
            95.0,
            "Zero the meter, let it warm up, and repeat the capture with zero checks at both ends."
                .to_owned(),
            zero.answer.clone(),
        ),
        1 => add(
            30.0,
            "Make a second zero check at the end of the capture.".to_owned(),
            "One check shows the offset; drift shows only between two.".to_owned(),
        ),
        _ => {}
    }
}

fn of_verdicts(case: &Case<'_>, add: &mut Add<'_>) {
    for row in case.rows {
        let load = the(&row.load);
        match row.verdict {
            Verdict::NonConforming => {
                let above = row.limit_high_a.is_some_and(|high_a| row.draw_a > high_a);
                let limit_a = if above { row.limit_high_a } else { row.limit_low_a };
                let Some(limit_a) = limit_a else { continue };
                let side = if above { "above" } else { "below" };
                add(
                    100.0 + row.anomaly_score.unwrap_or(0.0).abs().min(100.0) * 1e-3,
                    format!(
                        "Measure {load} at its own supply lead {} before replacing it, and the supply voltage with it.",
                        in_state(&row.state)
                    ),
                    format!(
                        "It draws {} {side} its limit; its own lead shows whether it is the load itself, or wiring \
                         or a second load behind the same switch.",
                        set_current((row.draw_a - limit_a).abs())
                    ),
                );
            }
            Verdict::Indeterminate => {
                if let Some(to_decide) = row.to_decide.clone() {
                    let closeness = row.conformance_probability.map_or(0.0, |p| (p - 0.5).abs());
                    add(
                        80.0 - closeness,
                        format!(
                            "To decide on {load} {}: {}",
                            in_state(&row.state),
                            clause(&to_decide)
                        ),
                        format!(
                            "Whether {load} conforms {} cannot be told yet.",
                            in_state(&row.state)
                        ),
                    );
                }
            }
            Verdict::Conforming | Verdict::NoLimit => {}
        }
    }
}

fn of_separation(case: &Case<'_>, add: &mut Add<'_>) {
    let mut told: Vec<&str> = Vec::new();
    for row in case.rows.iter().filter(|row| !row.separable) {
        if told.contains(&row.load.as_str()) {
            continue;
        }
        let partners: Vec<&(String, String)> = case
            .loads
            .loads
            .iter()
            .filter(|l| l.load == row.load && l.state == row.state)
            .flat_map(|l| &l.inseparable_from)
            .collect();
        told.push(&row.load);
        told.extend(partners.iter().map(|(load, _)| load.as_str()));
        let names: Vec<String> = partners.iter().map(|(load, _)| the(load)).collect();
        if names.is_empty() {
            continue;
        }
        add(
            75.0,
            format!(
                "Switch {} off and on for a minute each while {} stays on.",
                the(&row.load),
                list(&names)
            ),
            format!(
                "They were never switched separately: only their sum of {} is known. This one switching parts them.",
                Quantity::amperes(row.draw_a)
            ),
        );
    }
}

fn of_unexplained(case: &Case<'_>, add: &mut Add<'_>) {
    let Some(first) = case.unexplained.first() else { return };
    let share = if case.charge_ah > 0.0 { first.charge_ah / case.charge_ah } else { 0.0 };
    add(
        55.0 + 40.0 * share.clamp(0.0, 1.0),
        format!(
            "Find out what drew {} more {}.",
            Quantity::amperes(first.delta_a),
            from_to(case.start, first.start_s, first.end_s)
        ),
        format!(
            "No line explains it, and it cost {}, {:.0} % of the capture's charge.",
            Quantity::new(first.charge_ah, Unit::AmpereHour),
            100.0 * share
        ),
    );
}

fn of_coverage(case: &Case<'_>, add: &mut Add<'_>) {
    let seen = |name: &str| case.rows.iter().any(|row| same_name(&row.load, name));
    if case.alignment.is_none() && case.rows.is_empty() {
        add(
            85.0,
            "Log a visit in which each load is switched off and on, twice, a minute each, and write the times down \
             (`starter` makes the list from the steps it finds)."
                .to_owned(),
            "Without an event list no draw can be given to a load.".to_owned(),
        );
        return;
    }
    let missing: Vec<String> = case
        .sheet
        .loads
        .iter()
        .filter(|spec| !seen(&spec.name))
        .map(|spec| the(&spec.name))
        .collect();
    if !missing.is_empty() && case.alignment.is_some() {
        add(
            45.0,
            format!("Switch {} off and on as well, and list it.", list(&missing)),
            "It stands in the job sheet, but no line of the event list mentions it.".to_owned(),
        );
    }
    for spec in &case.sheet.loads {
        let of_load = |row: &&LoadRow| same_name(&row.load, &spec.name);
        let watched_s: f64 = case
            .rows
            .iter()
            .zip(case.time_s)
            .filter(|(row, _)| of_load(row))
            .map(|(_, s)| *s)
            .fold(0.0, f64::max);
        // A state that draws less than any seen is one the load has to be left alone for.
        let lowest_a = case.rows.iter().filter(of_load).map(|row| row.draw_a).reduce(f64::min);
        for state in &spec.states {
            let expected_a = state.specified_a.or(state.maximum_a);
            let unseen =
                !case.rows.iter().any(|row| of_load(&row) && same_name(&row.state, &state.name));
            let sleeps = lowest_a.zip(expected_a).is_some_and(|(seen_a, a)| a < 0.5 * seen_a);
            if seen(&spec.name) && unseen && sleeps {
                add(
                    60.0,
                    format!(
                        "Leave {} alone for longer, at least {} after switching it on, before the next line.",
                        the(&spec.name),
                        duration((2.0 * watched_s).max(120.0))
                    ),
                    format!(
                        "{} never showed ({} was the lowest it drew): either it needs longer, or it fails to get there.",
                        sentence(&format!("its state \"{}\"", state.name)),
                        Quantity::amperes(lowest_a.unwrap_or(0.0))
                    ),
                );
            }
        }
    }
}

fn of_resolution(case: &Case<'_>, add: &mut Add<'_>) {
    for row in case.rows.iter().filter(|row| row.separable) {
        let relative = row.expanded_uncertainty_a / row.draw_a.abs();
        if relative < 0.2 || row.verdict == Verdict::Conforming {
            continue;
        }
        let Some(worst) = row.uncertainty_budget.first() else { continue };
        let load = the(&row.load);
        let why = format!(
            "{} {} is known to {:.0} % only, mostly for {}.",
            sentence(&load),
            in_state(&row.state),
            (100.0 * relative).min(999.0),
            worst.source
        );
        let what = if worst.source == "resolution" || worst.source.ends_with("counts") {
            format!(
                "Measure {load} on a finer range, or with several turns of its lead through the clamp."
            )
        } else {
            format!("Measure {load} longer, over several switchings.")
        };
        add(35.0 + relative.min(1.0), what, why);
    }
}
