//! What the event list says was on, and when.

use super::phases::Row;
use crate::events::{Action, Alignment, TiedEvent};
use crate::jobsheet::{JobSheet, same_name};
use crate::segment::{Segmentation, Step};

/// How far a person's hand is from the clock that was read, seconds (common practice, no source).
const HAND_S: f64 = 5.0;
/// A lead draws clearly from this many standard uncertainties on,
const CLEAR: f64 = 6.0;
/// and carried nothing before when that was less than this share of it.
const LIKE_NOTHING: f64 = 0.5;

/// One change of a load's listed state.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Switch {
    /// When, on the capture's clock, seconds.
    pub(super) time_s: f64,
    /// The state entered, an index into [`LoadLines::states`]; `None` for off.
    pub(super) state: Option<usize>,
    /// True when its line is tied to a step: something happened, also where the state is told again.
    pub(super) tied: bool,
}

/// One load's lines, in order.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct LoadLines {
    /// The job sheet's spelling, or the list's.
    pub(super) name: String,
    /// Index into the job sheet's loads.
    pub(super) spec: Option<usize>,
    /// Names of the states that the lines mention, in order of appearance.
    pub(super) states: Vec<String>,
    /// State before the first line.
    pub(super) initial: Option<usize>,
    /// Changes, in order of time.
    pub(super) switches: Vec<Switch>,
}

impl LoadLines {
    /// Listed state at a time.
    pub(super) fn state_at(&self, time_s: f64) -> Option<usize> {
        match self.switches.partition_point(|switch| switch.time_s <= time_s) {
            0 => self.initial,
            after => self.switches[after - 1].state,
        }
    }

    /// Share of `start_s..end_s` spent in each listed state.
    pub(super) fn shares(&self, start_s: f64, end_s: f64) -> Vec<f64> {
        let mut shares = vec![0.0; self.states.len()];
        let length_s = end_s - start_s;
        if length_s <= 0.0 {
            if let Some(state) = self.state_at(start_s) {
                shares[state] = 1.0;
            }
            return shares;
        }
        let mut from_s = start_s;
        let mut state = self.state_at(start_s);
        for switch in &self.switches {
            if switch.time_s <= start_s || switch.time_s >= end_s {
                continue;
            }
            if let Some(state) = state {
                shares[state] += (switch.time_s - from_s) / length_s;
            }
            from_s = switch.time_s;
            state = switch.state;
        }
        if let Some(state) = state {
            shares[state] += (end_s - from_s) / length_s;
        }
        // A line lies a reading or two beside its step: that is no second state.
        for share in &mut shares {
            if *share < 0.03 {
                *share = 0.0;
            } else if *share > 0.97 {
                *share = 1.0;
            }
        }
        shares
    }

    /// True when a line between two times, the latter included, tells it into another state, or into the
    /// same and a step shows that it did something.
    pub(super) fn leaves(&self, state: Option<usize>, after_s: f64, until_s: f64) -> bool {
        let from = self.switches.partition_point(|switch| switch.time_s <= after_s);
        let to = self.switches.partition_point(|switch| switch.time_s <= until_s);
        self.switches
            .get(from..to)
            .is_some_and(|told| told.iter().any(|s| s.tied || s.state != state))
    }

    /// Time of the last change at or before `time_s`.
    pub(super) fn last_change_s(&self, time_s: f64) -> Option<f64> {
        let after = self.switches.partition_point(|switch| switch.time_s <= time_s);
        (after > 0).then(|| self.switches[after - 1].time_s)
    }
}

/// A listed zero check.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct ZeroLine {
    /// When, seconds.
    pub(super) time_s: f64,
    /// How far off the time may be, seconds.
    pub(super) slack_s: f64,
    /// True when `time_s` is that of a step.
    pub(super) tied: bool,
    /// The segment that it reads, when the events stage knows.
    pub(super) segment: Option<usize>,
}

/// Everything the list says.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Timeline {
    /// Loads, in order of first appearance.
    pub(super) loads: Vec<LoadLines>,
    /// Zero checks, in order.
    pub(super) zeros: Vec<ZeroLine>,
}

/// A state's name as the list writes it, `on` being the job sheet's first state.
fn state_name(action: &Action, spec: Option<usize>, sheet: &JobSheet) -> Option<String> {
    let states = spec.map(|spec| sheet.loads[spec].states.as_slice()).unwrap_or_default();
    match action {
        Action::Off | Action::Zero => None,
        Action::On => Some(states.first().map_or_else(|| "on".to_owned(), |s| s.name.clone())),
        Action::To(name) => Some(
            states
                .iter()
                .find(|state| same_name(&state.name, name))
                .map_or_else(|| name.trim().to_owned(), |state| state.name.clone()),
        ),
    }
}

/// Places every line: at its step, at the step of a line listed at the same moment, or where the
/// clocks put it.
fn line_time(event: &TiedEvent, alignment: &Alignment, steps: &[Step]) -> (f64, Option<usize>) {
    if let Some(step) = event.step.and_then(|step| steps.get(step)) {
        return (step.time_s, event.step);
    }
    let u_s = alignment.clock.standard_uncertainty_s;
    let mut best: Option<(f64, f64)> = None;
    // Two loads switched together make one step, which is tied to one of the lines only.
    for other in &alignment.events {
        let Some(step) = other.step.and_then(|step| steps.get(step)) else { continue };
        let apart_s = (other.listed_s - event.listed_s).abs();
        let together_s = event.line.rounding_s.max(other.line.rounding_s).min(60.0) * 0.5 + HAND_S;
        if apart_s <= together_s && best.is_none_or(|(apart, _)| apart_s < apart) {
            best = Some((apart_s, step.time_s));
        }
    }
    if let Some((_, time_s)) = best {
        return (time_s, None);
    }
    let slack_s = 0.5 * event.line.rounding_s + 3.0 * u_s + HAND_S;
    let nearest = steps
        .iter()
        .enumerate()
        .filter(|(i, _)| alignment.step_events.get(*i).copied().flatten().is_none())
        .map(|(_, step)| step.time_s)
        .min_by(|a, b| (a - event.aligned_s).abs().total_cmp(&(b - event.aligned_s).abs()))
        .filter(|time_s| (time_s - event.aligned_s).abs() <= slack_s);
    (nearest.unwrap_or(event.aligned_s), None)
}

impl Timeline {
    /// Reads the aligned list. `sign` is −1 when the readings are turned.
    pub(super) fn new(
        alignment: &Alignment,
        segmentation: &Segmentation,
        sheet: &JobSheet,
        sign: f64,
    ) -> Self {
        let mut timeline = Self::default();
        let mut lines: Vec<(f64, Option<usize>, &TiedEvent)> = alignment
            .events
            .iter()
            .map(|event| {
                let (time_s, step) = line_time(event, alignment, &segmentation.steps);
                (time_s, step, event)
            })
            .collect();
        lines.sort_by(|a, b| a.0.total_cmp(&b.0));
        for (time_s, step, event) in lines {
            if event.line.action == Action::Zero {
                timeline.zeros.push(ZeroLine {
                    time_s,
                    slack_s: 0.5 * event.line.rounding_s
                        + 3.0 * alignment.clock.standard_uncertainty_s
                        + HAND_S,
                    tied: step.is_some(),
                    segment: event.zero_segment,
                });
                continue;
            }
            let spec = sheet.loads.iter().position(|load| same_name(&load.name, &event.line.load));
            let at = timeline
                .loads
                .iter()
                .position(|load| same_name(&load.name, &event.line.load))
                .unwrap_or_else(|| {
                    timeline.loads.push(LoadLines {
                        name: spec.map_or_else(
                            || event.line.load.trim().to_owned(),
                            |spec| sheet.loads[spec].name.clone(),
                        ),
                        spec,
                        states: Vec::new(),
                        initial: None,
                        switches: Vec::new(),
                    });
                    timeline.loads.len() - 1
                });
            let load = &mut timeline.loads[at];
            let state = state_name(&event.line.action, spec, sheet).map(|name| {
                load.states.iter().position(|known| same_name(known, &name)).unwrap_or_else(|| {
                    load.states.push(name);
                    load.states.len() - 1
                })
            });
            if load.switches.is_empty() {
                // A load whose first line takes draw away was on from the start.
                let falls = step
                    .and_then(|step| segmentation.steps.get(step))
                    .is_some_and(|step| sign * step.delta_a < 0.0);
                load.initial = match (&event.line.action, falls) {
                    (Action::Off, _) => Some(load.first_state(spec, sheet)),
                    (Action::To(_), true) => Some(load.state_index("earlier")),
                    _ => None,
                };
            }
            load.switches.push(Switch { time_s, state, tied: step.is_some() });
        }
        timeline
    }

    /// A capture of one load that is on throughout.
    pub(super) fn always_on(spec: usize, sheet: &JobSheet) -> Self {
        let name = sheet.loads[spec].name.clone();
        let state = state_name(&Action::On, Some(spec), sheet).unwrap_or_else(|| "on".to_owned());
        let load = LoadLines {
            name,
            spec: Some(spec),
            states: vec![state],
            initial: Some(0),
            switches: Vec::new(),
        };
        Self { loads: vec![load], zeros: Vec::new() }
    }

    /// Listed state of every load at a time.
    pub(super) fn pattern_at(&self, time_s: f64) -> Vec<Option<usize>> {
        self.loads.iter().map(|load| load.state_at(time_s)).collect()
    }

    /// True when every listed load is off all the time.
    pub(super) fn all_off(&self, start_s: f64, end_s: f64) -> bool {
        self.loads.iter().all(|load| load.shares(start_s, end_s).iter().all(|share| *share == 0.0))
    }

    /// A load that is switched on again after a zero check without having been switched off lay
    /// dead in between: nothing is powered at a zero check. Unless the lead shows it back.
    pub(super) fn switch_off_at_zero_checks(&mut self, rows: &[Row]) {
        for (k, check) in rows.iter().enumerate().filter(|(_, row)| row.zero) {
            for at in 0..self.loads.len() {
                let load = &self.loads[at];
                let before = load.state_at(check.start_s);
                let next = load.switches.partition_point(|switch| switch.time_s < check.end_s);
                let again = load.switches.get(next).filter(|switch| switch.state == before);
                let Some(again) = again.filter(|_| before.is_some()) else { continue };
                if !self.comes_back(at, rows, k, again.time_s) {
                    let load = &mut self.loads[at];
                    let off = Switch { time_s: check.start_s, state: None, tied: false };
                    load.switches.insert(next, off);
                    load.switches.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
                }
            }
        }
    }

    /// Whether the lead carries a load again after a zero check, up to a time: it draws, nothing else is
    /// listed on, and before the load was first switched on the lead carried nothing like it, so that it is
    /// no draw that is always there.
    fn comes_back(&self, at: usize, rows: &[Row], check: usize, until_s: f64) -> bool {
        let end_s = rows[check].end_s;
        let after = || {
            rows[check + 1..]
                .iter()
                .take_while(|row| row.early_s() < until_s)
                .filter(|row| !row.zero)
        };
        let others = self.loads.iter().enumerate().filter(|(other, _)| *other != at);
        let alone = others
            .into_iter()
            .all(|(_, load)| load.shares(end_s, until_s).iter().all(|s| *s == 0.0));
        let above_zero_a = |row: &Row| {
            let far_s = |zero: &&Row| (zero.start_s - row.start_s).abs();
            let checks = rows.iter().filter(|row| row.zero);
            let zero = checks.min_by(|a, b| far_s(a).total_cmp(&far_s(b)));
            row.level_a - zero.map_or(0.0, |zero| zero.level_a)
        };
        let mut levels_a: Vec<f64> = after().map(above_zero_a).collect();
        levels_a.sort_by(f64::total_cmp);
        let middle_a = levels_a.get(levels_a.len() / 2).copied().unwrap_or(0.0);
        // What moves too much to tell says nothing either way.
        let doubt_a = |row: &Row| CLEAR * row.u_a.hypot(rows[check].u_a);
        let telling = || after().filter(|row| doubt_a(row) < LIKE_NOTHING * middle_a);
        let draws = telling().all(|row| above_zero_a(row) > doubt_a(row));
        let load = &self.loads[at];
        let was_off = |(i, switch): (usize, &Switch)| {
            let earlier = i.checked_sub(1).map_or(load.initial, |i| load.switches[i].state);
            (switch.state.is_some() && earlier.is_none()).then_some(switch.time_s)
        };
        let Some(on_s) = load.switches.iter().enumerate().find_map(was_off) else { return false };
        let Some(bare) = rows.iter().rfind(|row| row.early_s() < on_s) else { return false };
        alone
            && draws
            && 2 * telling().count() > levels_a.len()
            && above_zero_a(bare).abs() < LIKE_NOTHING * middle_a
    }
}

impl LoadLines {
    fn state_index(&mut self, name: &str) -> usize {
        self.states.iter().position(|known| same_name(known, name)).unwrap_or_else(|| {
            self.states.push(name.to_owned());
            self.states.len() - 1
        })
    }

    fn first_state(&mut self, spec: Option<usize>, sheet: &JobSheet) -> usize {
        let name = state_name(&Action::On, spec, sheet).unwrap_or_else(|| "on".to_owned());
        self.state_index(&name)
    }
}
