//! From the scenario as typed to the scenario that can run.

mod export;
mod loads;
mod rules;

use jiff::civil::DateTime;

use super::place::Key;
use super::scenario::{
    Action, ClockForm, Load, OddUnit, Panel, Person, Scenario, Units, ZeroCheck,
};
use super::typed;
use rules::{
    Checked, Fault, choice, fault, finite, keys, not_negative, one_of, positive, share, under,
    within,
};

/// Samples that one run may make: above it a file would outgrow a disk rather than a purpose.
const MOST_SAMPLES: f64 = 2e8;
/// Ten years: within what a calendar can count on from any start.
const LONGEST_S: f64 = 10.0 * 366.0 * 86_400.0;

/// Checks everything; the first fault that is met.
pub(super) fn scenario(typed: typed::Scenario) -> Checked<Scenario> {
    let name = typed.name.trim().to_owned();
    let plain = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    if name.is_empty() || !name.chars().all(plain) {
        return fault(
            &keys!["name"],
            format!("the name \"{name}\""),
            "use letters, digits, - and _ only: files are named after it",
        );
    }
    let Ok(start) = typed.start.to_string().parse::<DateTime>() else {
        return fault(
            &keys!["start"],
            format!("the start {}", typed.start),
            "write a local date and time such as 2026-05-12T09:04:30",
        );
    };
    let path = keys!["duration_s"];
    let duration_s = within(
        &path,
        typed.duration_s,
        typed.duration_s > 0.0 && typed.duration_s <= LONGEST_S,
        "a number of seconds above 0 and up to ten years",
    )?;
    let jitters = typed.meter.time_jitter_s > 0.0;
    let meter = typed.meter.check().map_err(|fault| {
        let mut path = keys!["meter"].to_vec();
        if let Some(place) = fault.index {
            let list = if matches!(fault.key, "start_s" | "end_s") { "gap" } else { "range" };
            path.extend(keys![list, place]);
        }
        path.push(Key::Name(fault.key));
        Fault {
            path,
            found: format!("{} is {}", fault.key, fault.found),
            advice: fault.advice.to_owned(),
        }
    })?;
    let p = meter.parameters();
    let count = typed.units.as_ref().map_or(1, |units| units.count);
    if duration_s / p.interval_s * count as f64 > MOST_SAMPLES {
        return fault(
            &keys!["duration_s"],
            format!("{:.0} samples", duration_s / p.interval_s * count as f64),
            format!("shorten duration_s or lengthen interval_s to stay below {MOST_SAMPLES:.0}"),
        );
    }
    let export = export::export(&typed.export, p, jitters)?;
    let loads = loads::loads(&typed.load, p.interval_s)?;
    let mut actions = typed
        .action
        .iter()
        .enumerate()
        .map(|(i, action)| self::action(&keys!["action", i], action, &loads, duration_s))
        .collect::<Checked<Vec<_>>>()?;
    actions.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    let zero_checks = typed
        .zero_check
        .iter()
        .enumerate()
        .map(|(i, check)| zero_check(&keys!["zero_check", i], check, duration_s))
        .collect::<Checked<Vec<_>>>()?;
    Ok(Scenario {
        seed: typed.seed,
        person: typed.person.as_ref().map(person).transpose()?,
        panel: typed.panel.as_ref().map(panel).transpose()?,
        units: typed.units.as_ref().map(|units| self::units(units, &loads)).transpose()?,
        jobsheet: typed.jobsheet,
        name,
        start,
        duration_s,
        meter,
        export,
        loads,
        actions,
        zero_checks,
    })
}
fn action(path: &[Key], typed: &typed::Action, loads: &[Load], end_s: f64) -> Checked<Action> {
    let at_s = in_capture(&under(path, "at_s"), typed.at_s, end_s)?;
    let names = loads.iter().map(|load| load.name.as_str());
    let load = one_of(&under(path, "load"), "load", &typed.load, names)?;
    let to = match typed.state.trim() {
        "off" => None,
        "on" => Some(loads[load].powers_up_in),
        other => {
            let names = loads[load].states.iter().map(|state| state.name.as_str());
            let known = ["on", "off"].into_iter().chain(names);
            Some(one_of(&under(path, "state"), "state", other, known)? - 2)
        }
    };
    Ok(Action {
        at_s,
        load,
        to,
        written: typed.written,
        written_load: typed.written_as.clone().unwrap_or_else(|| loads[load].name.clone()),
        written_state: typed.state.trim().to_owned(),
        note: typed.note.clone(),
    })
}

fn in_capture(path: &[Key], at_s: f64, end_s: f64) -> Checked<f64> {
    let wanted = format!("a time within the capture, 0 to {end_s} s");
    within(path, at_s, (0.0..=end_s).contains(&at_s), &wanted)
}

fn zero_check(path: &[Key], typed: &typed::ZeroCheck, end_s: f64) -> Checked<ZeroCheck> {
    Ok(ZeroCheck {
        at_s: in_capture(&under(path, "at_s"), typed.at_s, end_s)?,
        for_s: positive(&under(path, "for_s"), typed.for_s)?,
        written: typed.written,
        note: typed.note.clone(),
    })
}

fn person(typed: &typed::Person) -> Checked<Person> {
    let at = |key| keys!["person", key];
    Ok(Person {
        clock_offset_s: finite(&at("clock_offset_s"), typed.clock_offset_s)?,
        clock_drift_s_per_h: finite(&at("clock_drift_s_per_h"), typed.clock_drift_s_per_h)?,
        late_s: finite(&at("late_s"), typed.late_s)?,
        late_sd_s: not_negative(&at("late_sd_s"), typed.late_sd_s)?,
        rounds_to_s: positive(&at("rounds_to_s"), typed.rounds_to_s)?,
        writes: choice(
            &at("writes"),
            "way to write a time",
            &typed.writes,
            &[
                ("time-of-day", ClockForm::TimeOfDay),
                ("date-time", ClockForm::DateTime),
                ("seconds", ClockForm::Seconds),
            ],
        )?,
        forgets_share: share(&at("forgets_share"), typed.forgets_share)?,
    })
}

fn panel(typed: &typed::Panel) -> Checked<Panel> {
    let at = |key| keys!["panel", key];
    let rises_s = finite(&at("rises_s"), typed.rises_s)?;
    Ok(Panel {
        peak_a: not_negative(&at("peak_a"), typed.peak_a)?,
        sets_s: within(
            &at("sets_s"),
            typed.sets_s,
            typed.sets_s > rises_s,
            "a time after rises_s; both may lie outside the capture",
        )?,
        cloud_share: share(&at("cloud_share"), typed.cloud_share)?,
        cloud_period_s: within(
            &at("cloud_period_s"),
            typed.cloud_period_s.unwrap_or(900.0),
            typed.cloud_period_s.is_none_or(|period_s| period_s >= 60.0),
            "a minute or more",
        )?,
        rises_s,
    })
}

fn units(typed: &typed::Units, loads: &[Load]) -> Checked<Units> {
    let at = |key| keys!["units", key];
    if !(1..=999).contains(&typed.count) {
        return fault(&at("count"), format!("{} units", typed.count), "give 1 to 999");
    }
    let odd = typed.odd.iter().enumerate().map(|(i, odd)| {
        let path = keys!["units", "odd", i];
        let at = |key| under(&path, key);
        if !(1..=typed.count).contains(&odd.number) {
            let found = format!("unit {} of {}", odd.number, typed.count);
            return fault(&at("number"), found, "count the units from 1");
        }
        let names = loads.iter().map(|load| load.name.as_str());
        let load = one_of(&at("load"), "load", &odd.load, names)?;
        let names = loads[load].states.iter().map(|state| state.name.as_str());
        let state = one_of(&at("state"), "state", &odd.state, names)?;
        if odd.after_s.is_some() && loads[load].states[state].then.is_none() {
            return fault(&at("after_s"), "after_s of a state without then", "name another state");
        }
        if odd.wake_period_s.is_some() && loads[load].states[state].pulses.is_none() {
            return fault(&at("wake_period_s"), "a state without wakes", "name another state");
        }
        Ok(OddUnit {
            unit: odd.number - 1,
            load,
            state,
            draw_a: odd.draw_a.map(|a| not_negative(&at("draw_a"), a)).transpose()?,
            after_s: odd.after_s.map(|s| positive(&at("after_s"), s)).transpose()?,
            wake_period_s: odd
                .wake_period_s
                .map(|s| positive(&at("wake_period_s"), s))
                .transpose()?,
            why: odd.why.clone(),
        })
    });
    Ok(Units {
        count: typed.count,
        spread: not_negative(&at("spread_percent"), typed.spread_percent)? / 100.0,
        start_jitter_s: not_negative(&at("start_jitter_s"), typed.start_jitter_s)?,
        odd: odd.collect::<Checked<Vec<_>>>()?,
    })
}
