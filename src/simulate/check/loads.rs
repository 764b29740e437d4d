//! Loads and their states.

use super::rules::{
    Checked, fault, finite, keys, not_negative, one_of, positive, same, share, under, within,
};
use crate::simulate::place::Key;
use crate::simulate::scenario::{Load, Pulses, State, Then};
use crate::simulate::typed;

pub(super) fn loads(typed: &[typed::Load], interval_s: f64) -> Checked<Vec<Load>> {
    let mut loads: Vec<Load> = Vec::with_capacity(typed.len());
    for (i, load) in typed.iter().enumerate() {
        let path = keys!["load", i];
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
            path.extend(keys!["state", i, "name"]);
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
        path.extend(keys!["state", i]);
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
