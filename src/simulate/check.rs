//! From the scenario as typed to the scenario that can run.

use jiff::civil::DateTime;

use super::meter::{LARGEST, MeterParameters};
use super::place::Key;
use super::scenario::{
    Action, ClockForm, Encoding, Export, Load, OddUnit, Panel, Person, Pulses, Scenario, State,
    Then, Units, ZeroCheck,
};
use super::typed;
use crate::capture::CurrentUnit;

/// Samples that one run may make: above it a file would outgrow a disk rather than a purpose.
const MOST_SAMPLES: f64 = 2e8;
/// Ten years: within what a calendar can count on from any start.
const LONGEST_S: f64 = 10.0 * 366.0 * 86_400.0;

/// What cannot be, and the path of the key that says it.
#[derive(Debug)]
pub(super) struct Fault {
    pub(super) path: Vec<Key>,
    pub(super) found: String,
    pub(super) advice: String,
}

type Checked<T> = Result<T, Fault>;

fn fault<T>(path: &[Key], found: impl Into<String>, advice: impl Into<String>) -> Checked<T> {
    Err(Fault { path: path.to_vec(), found: found.into(), advice: advice.into() })
}

/// A path from its keys and places.
macro_rules! path {
    ($($key:expr),+) => { [$(Key::from($key)),+] };
}

fn within(path: &[Key], value: f64, holds: bool, wanted: &str) -> Checked<f64> {
    if holds && value.abs() <= LARGEST {
        Ok(value)
    } else {
        let name = path.iter().rev().find_map(|key| match key {
            Key::Name(name) => Some(*name),
            Key::At(_) => None,
        });
        fault(path, format!("{} is {value}", name.unwrap_or("it")), format!("give {wanted}"))
    }
}

fn finite(path: &[Key], value: f64) -> Checked<f64> {
    within(path, value, true, "a finite number")
}

fn positive(path: &[Key], value: f64) -> Checked<f64> {
    within(path, value, value > 0.0, "a number above 0")
}

fn not_negative(path: &[Key], value: f64) -> Checked<f64> {
    within(path, value, value >= 0.0, "0 or a number above it")
}

fn share(path: &[Key], value: f64) -> Checked<f64> {
    within(path, value, (0.0..=1.0).contains(&value), "a share from 0 to 1")
}

fn under(path: &[Key], key: &'static str) -> Vec<Key> {
    let mut path = path.to_vec();
    path.push(Key::Name(key));
    path
}

fn same(a: &str, b: &str) -> bool {
    a.trim().to_lowercase() == b.trim().to_lowercase()
}

/// The place of `wanted` among `known`, or a fault that lists them.
fn one_of<'a>(
    path: &[Key],
    what: &str,
    wanted: &str,
    known: impl Iterator<Item = &'a str> + Clone,
) -> Checked<usize> {
    match known.clone().position(|name| same(name, wanted)) {
        Some(place) => Ok(place),
        None => {
            let names: Vec<String> = known.map(|name| format!("\"{name}\"")).collect();
            fault(
                path,
                format!("the {what} \"{wanted}\" is not known"),
                if names.is_empty() {
                    format!("describe a {what} first")
                } else {
                    format!("write one of {}", names.join(", "))
                },
            )
        }
    }
}

fn choice<T: Copy>(path: &[Key], what: &str, wanted: &str, known: &[(&str, T)]) -> Checked<T> {
    Ok(known[one_of(path, what, wanted, known.iter().map(|(name, _)| *name))?].1)
}

pub(super) fn scenario(typed: typed::Scenario) -> Checked<Scenario> {
    let name = typed.name.trim().to_owned();
    let plain = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    if name.is_empty() || !name.chars().all(plain) {
        return fault(
            &path!["name"],
            format!("the name \"{name}\""),
            "use letters, digits, - and _ only: files are named after it",
        );
    }
    let Ok(start) = typed.start.to_string().parse::<DateTime>() else {
        return fault(
            &path!["start"],
            format!("the start {}", typed.start),
            "write a local date and time such as 2026-05-12T09:04:30",
        );
    };
    let path = path!["duration_s"];
    let duration_s = within(
        &path,
        typed.duration_s,
        typed.duration_s > 0.0 && typed.duration_s <= LONGEST_S,
        "a number of seconds above 0 and up to ten years",
    )?;
    let jitters = typed.meter.time_jitter_s > 0.0;
    let meter = typed.meter.check().map_err(|fault| {
        let mut path = path!["meter"].to_vec();
        if let Some(place) = fault.index {
            let list = if matches!(fault.key, "start_s" | "end_s") { "gap" } else { "range" };
            path.extend(path![list, place]);
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
            &path!["duration_s"],
            format!("{:.0} samples", duration_s / p.interval_s * count as f64),
            format!("shorten duration_s or lengthen interval_s to stay below {MOST_SAMPLES:.0}"),
        );
    }
    let export = export(&typed.export, p, jitters)?;
    let loads = loads(&typed.load, p.interval_s)?;
    let mut actions = typed
        .action
        .iter()
        .enumerate()
        .map(|(i, action)| self::action(&path!["action", i], action, &loads, duration_s))
        .collect::<Checked<Vec<_>>>()?;
    actions.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    let zero_checks = typed
        .zero_check
        .iter()
        .enumerate()
        .map(|(i, check)| zero_check(&path!["zero_check", i], check, duration_s))
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

fn export(typed: &typed::Export, meter: &MeterParameters, jitters: bool) -> Checked<Export> {
    let at = |key| path!["export", key];
    let unit = choice(
        &at("unit"),
        "unit",
        &typed.unit,
        &[
            ("A", CurrentUnit::Ampere),
            ("mA", CurrentUnit::Milliampere),
            ("µA", CurrentUnit::Microampere),
            ("uA", CurrentUnit::Microampere),
            ("nA", CurrentUnit::Nanoampere),
            ("kA", CurrentUnit::Kiloampere),
        ],
    )?;
    let delimiter = match typed.delimiter.as_str() {
        "," | ";" | "\t" | "|" => typed.delimiter.chars().next().unwrap_or(','),
        other => {
            return fault(
                &at("delimiter"),
                format!("the delimiter {other:?}"),
                r#"write one of ",", ";", "\t", "|""#,
            );
        }
    };
    let decimal_mark = choice(
        &at("decimal_mark"),
        "decimal mark",
        &typed.decimal_mark,
        &[(".", '.'), (",", ',')],
    )?;
    if decimal_mark == delimiter {
        return fault(
            &at("decimal_mark"),
            "a comma both between the columns and in the numbers",
            "use another delimiter, such as \";\"",
        );
    }
    let clock = choice(
        &at("clock"),
        "clock form",
        &typed.clock,
        &[
            ("date-time", ClockForm::DateTime),
            ("day-first", ClockForm::DayFirst),
            ("month-first", ClockForm::MonthFirst),
            ("two-columns", ClockForm::TwoColumns),
            ("time-of-day", ClockForm::TimeOfDay),
            ("seconds", ClockForm::Seconds),
            ("epoch-seconds", ClockForm::EpochSeconds),
            ("none", ClockForm::Absent),
        ],
    )?;
    let encoding = choice(
        &at("encoding"),
        "encoding",
        &typed.encoding,
        &[
            ("utf-8", Encoding::Utf8),
            ("utf-8-bom", Encoding::Utf8WithMark),
            ("utf-16", Encoding::Utf16),
            ("windows-1252", Encoding::Windows1252),
        ],
    )?;
    let line_ending = choice(
        &at("line_ending"),
        "line ending",
        &typed.line_ending,
        &[("lf", "\n"), ("crlf", "\r\n")],
    )?;
    let finest = meter.ranges.iter().map(|range| range.resolution_a).min_by(f64::total_cmp);
    let resolution_a = finest.or(meter.resolution_a);
    let time_decimals = match typed.time_decimals {
        Some(decimals) if decimals > 9 => {
            return fault(&at("time_decimals"), format!("{decimals} decimals"), "give 9 or fewer");
        }
        Some(decimals) => usize::from(decimals),
        None if jitters => decimals_of(meter.interval_s).max(3),
        None => decimals_of(meter.interval_s),
    };
    Ok(Export {
        preamble: typed.preamble.clone(),
        time_header: typed.time_header.clone(),
        current_header: typed.current_header.clone(),
        row_number_header: typed.row_number_header.clone(),
        current_decimals: resolution_a.map_or(9, |q| decimals_of(q / unit.amperes())),
        overload_text: typed.overload_text.clone(),
        reversed: typed.reversed,
        unit,
        delimiter,
        decimal_mark,
        clock,
        time_decimals,
        encoding,
        line_ending,
    })
}

/// Fewest decimals, up to 9, that write a step without loss.
fn decimals_of(step: f64) -> usize {
    (0..9)
        .find(|d| {
            let scaled = step * 10f64.powi(*d);
            scaled.round() >= 1.0 && (scaled - scaled.round()).abs() < 1e-6 * scaled
        })
        .unwrap_or(9) as usize
}

fn loads(typed: &[typed::Load], interval_s: f64) -> Checked<Vec<Load>> {
    let mut loads: Vec<Load> = Vec::with_capacity(typed.len());
    for (i, load) in typed.iter().enumerate() {
        let path = path!["load", i];
        let taken = |name: &str| loads.iter().any(|known| same(&known.name, name));
        if load.name.trim().is_empty() || same(&load.name, "zero") || taken(&load.name) {
            return fault(
                &under(&path, "name"),
                format!("a load named \"{}\"", load.name),
                "give each load a name of its own; \"zero\" means a zero check",
            );
        }
        loads.push(self::load(&path, load, interval_s)?);
    }
    Ok(loads)
}

fn load(path: &[Key], typed: &typed::Load, interval_s: f64) -> Checked<Load> {
    if typed.state.is_empty() {
        return fault(
            path,
            format!("the load \"{}\" has no state", typed.name),
            "describe at least one under [[load.state]]",
        );
    }
    let names = typed.state.iter().map(|state| state.name.as_str());
    for (i, state) in typed.state.iter().enumerate() {
        let earlier = names.clone().take(i).any(|name| same(name, &state.name));
        if earlier || ["", "off", "zero", "on"].iter().any(|taken| same(taken, &state.name)) {
            let mut path = path.to_vec();
            path.extend(path!["state", i, "name"]);
            return fault(
                &path,
                format!("a state named \"{}\"", state.name),
                "give each state of a load a name of its own, other than on, off and zero",
            );
        }
    }
    let place = |key, name: &Option<String>| {
        name.as_ref()
            .map(|name| one_of(&under(path, key), "state", name, names.clone()))
            .transpose()
    };
    let states = typed.state.iter().enumerate().map(|(i, state)| {
        let mut path = path.to_vec();
        path.extend(path!["state", i]);
        self::state(&path, state, names.clone(), interval_s)
    });
    Ok(Load {
        name: typed.name.trim().to_owned(),
        powers_up_in: place("powers_up_in", &typed.powers_up_in)?.unwrap_or(0),
        starts_in: match typed.starts_in.as_deref() {
            None | Some("off") => None,
            Some(_) => place("starts_in", &typed.starts_in)?,
        },
        states: states.collect::<Checked<Vec<_>>>()?,
    })
}

fn state<'a>(
    path: &[Key],
    typed: &typed::State,
    names: impl Iterator<Item = &'a str> + Clone,
    interval_s: f64,
) -> Checked<State> {
    let at = |key| under(path, key);
    let together = |a: &'static str, has_a: bool, b: &'static str, has_b: bool| {
        if has_a == has_b {
            Ok(())
        } else {
            let (there, missing) = if has_a { (a, b) } else { (b, a) };
            fault(&at(there), format!("{there} without {missing}"), format!("add {missing}"))
        }
    };
    together("surge_a", typed.surge_a.is_some(), "surge_s", typed.surge_s.is_some())?;
    together("then", typed.then.is_some(), "after_s", typed.after_s.is_some())?;
    let surge = match (typed.surge_a, typed.surge_s) {
        (Some(a), Some(s)) => Some((finite(&at("surge_a"), a)?, positive(&at("surge_s"), s)?)),
        _ => None,
    };
    let then = match (&typed.then, typed.after_s) {
        (Some(then), Some(after_s)) => Some(Then {
            state: one_of(&at("then"), "state", then, names)?,
            after_s: long_enough(&at("after_s"), after_s, interval_s)?,
            after_sd_s: not_negative(&at("after_sd_s"), typed.after_sd_s.unwrap_or(0.0))?,
            stuck_share: share(&at("stuck_share"), typed.stuck_share.unwrap_or(0.0))?,
        }),
        _ => None,
    };
    let pulses = match (&typed.wakes, &typed.duty) {
        (Some(_), Some(_)) => {
            return fault(&at("duty"), "both wakes and duty in one state", "keep one of the two");
        }
        (Some(wakes), None) => Some(self::wakes(&at("wakes"), wakes, interval_s)?),
        (None, Some(duty)) => {
            let path = at("duty");
            let width_s = long_enough(&under(&path, "on_s"), duty.on_s, interval_s)?;
            let off_s = positive(&under(&path, "off_s"), duty.off_s)?;
            Some(Pulses {
                period_s: width_s + off_s,
                period_sd_s: 0.0,
                width_s,
                width_sd_s: 0.0,
                above_a: finite(&under(&path, "above_a"), duty.above_a)?,
                above_sd_a: 0.0,
                tail_s: 0.0,
                first_after_s: 0.0,
            })
        }
        (None, None) => None,
    };
    Ok(State {
        name: typed.name.trim().to_owned(),
        draw_a: not_negative(&at("draw_a"), typed.draw_a)?,
        settles_s: typed.settles_s.map(|s| positive(&at("settles_s"), s)).transpose()?,
        grows_a_per_h: finite(&at("grows_a_per_h"), typed.grows_a_per_h.unwrap_or(0.0))?,
        surge,
        then,
        pulses,
    })
}

/// Keeps the number of changes within that of the samples.
fn long_enough(path: &[Key], value: f64, interval_s: f64) -> Checked<f64> {
    within(path, value, value >= interval_s / 10.0, "at least a tenth of the meter's interval_s")
}

fn wakes(path: &[Key], typed: &typed::Pulses, interval_s: f64) -> Checked<Pulses> {
    let at = |key| under(path, key);
    let period_s = long_enough(&at("period_s"), typed.period_s, interval_s)?;
    let width_s = positive(&at("width_s"), typed.width_s)?;
    if width_s >= period_s {
        return fault(
            &at("width_s"),
            format!("width_s {width_s} in a period of {period_s} s"),
            "make a wake shorter than its period",
        );
    }
    Ok(Pulses {
        period_sd_s: not_negative(&at("period_sd_s"), typed.period_sd_s)?,
        width_sd_s: not_negative(&at("width_sd_s"), typed.width_sd_s)?,
        above_a: finite(&at("above_a"), typed.above_a)?,
        above_sd_a: not_negative(&at("above_sd_a"), typed.above_sd_a)?,
        tail_s: not_negative(&at("tail_s"), typed.tail_s)?,
        first_after_s: period_s,
        period_s,
        width_s,
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
    let at = |key| path!["person", key];
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
    let at = |key| path!["panel", key];
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
    let at = |key| path!["units", key];
    if !(1..=999).contains(&typed.count) {
        return fault(&at("count"), format!("{} units", typed.count), "give 1 to 999");
    }
    let odd = typed.odd.iter().enumerate().map(|(i, odd)| {
        let path = path!["units", "odd", i];
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
