//! Names for the phases of a load: the job sheet's where a level fits, else for what it did.

use super::phases::{Phase, Phases, Row};
use super::timeline::Timeline;
use crate::jobsheet::{JobSheet, LoadSpec, StateSpec, carry_current, same_name};
use crate::segment::{Segment, Segmentation};

/// Draws further apart than this many e-folds are different states of a job sheet (a factor of 8).
const FARTHEST: f64 = 2.08;

/// Start-up humps of such loads are over by then (common practice, no source).
const START_UP_S: f64 = 20.0;

/// Wakes from which on a load is asleep between them,
const WAKES: usize = 3;
/// and standard uncertainties that a wake rises by.
const RISES: f64 = 6.0;

/// How often a load woke from each phase and fell back into it, nothing else being listed on: between
/// two stays of the phase, one after the other, the lead carried clearly more. O(segments + rows × loads).
pub(super) fn wakes(
    found: &Phases,
    rows: &[Row],
    segmentation: &Segmentation,
    sign: f64,
) -> Vec<usize> {
    let mut count = vec![0; found.phases.len()];
    let stays: Vec<usize> =
        (0..rows.len()).filter(|k| found.set_aside.binary_search(k).is_err()).collect();
    for pair in stays.windows(2) {
        let (before, after) = (&rows[pair[0]], &rows[pair[1]]);
        let mut on = found.of_row[pair[0]].iter().flatten();
        let (Some(&phase), None) = (on.next(), on.next()) else { continue };
        let doubt_a = RISES * before.u_a.hypot(after.u_a);
        let above_a = before.level_a.max(after.level_a);
        let rises = |segment: &Segment| sign * segment.mean_a - above_a > doubt_a;
        let between = before.segment + 1..after.segment;
        if found.of_row[pair[0]] == found.of_row[pair[1]]
            && segmentation.segments.get(between).is_some_and(|all| all.iter().any(rises))
        {
            count[phase] += 1;
        }
    }
    count
}

/// Current that a state is specified with, carried to the site, ampere.
pub(super) fn expected_a(load: &LoadSpec, state: &StateSpec, sheet: &JobSheet) -> Option<f64> {
    let listed_a = state.specified_a.or(state.maximum_a).or(state.minimum_a)?;
    Some(match (state.at_voltage_v, sheet.site.supply_voltage_v, load.behaves_as) {
        (Some(from_v), Some(to_v), Some(behaves_as)) => {
            carry_current(listed_a, from_v, to_v, behaves_as)
        }
        _ => listed_a,
    })
}

/// One name a phase; equal names of one load are the same state. `wakes` counts those from each phase.
///
/// `by_level` says that no line told the state, so that even a single phase is named by its level, and up to
/// which current the meter cannot tell one from nothing, ampere.
pub(super) fn name(
    phases: &[Phase],
    wakes: &[usize],
    timeline: &Timeline,
    sheet: &JobSheet,
    by_level: Option<f64>,
) -> Vec<String> {
    let mut names = vec![String::new(); phases.len()];
    for (at, load) in timeline.loads.iter().enumerate() {
        for state in 0..load.states.len() {
            let mine: Vec<usize> = (0..phases.len())
                .filter(|&i| phases[i].load == at && phases[i].state == state)
                .collect();
            let listed = &load.states[state];
            if mine.len() < 2 && by_level.is_none() {
                mine.iter().for_each(|&i| names[i].clone_from(listed));
                continue;
            }
            let spec = load.spec.map(|spec| &sheet.loads[spec]);
            // A line that names a state has said which one; only `on` leaves it open.
            let open =
                spec.filter(|spec| spec.states.first().is_some_and(|s| same_name(&s.name, listed)));
            let fitted =
                open.map_or_else(|| vec![None; mine.len()], |spec| fit(&mine, phases, spec, sheet));
            for (&i, fitted) in mine.iter().zip(&fitted) {
                if let Some(name) = fitted {
                    names[i].clone_from(name);
                }
            }
            by_behaviour(&mine, phases, wakes, listed, by_level, &mut names);
        }
    }
    names
}

/// The job sheet's states by level: the order-keeping pairing with the least sum of |ln ratio|.
fn fit(mine: &[usize], phases: &[Phase], spec: &LoadSpec, sheet: &JobSheet) -> Vec<Option<String>> {
    let mut levels: Vec<(usize, f64)> = mine
        .iter()
        .enumerate()
        .filter_map(|(at, &i)| phases[i].draw_a.filter(|a| *a > 0.0).map(|a| (at, a)))
        .collect();
    levels.sort_by(|a, b| a.1.total_cmp(&b.1));
    let mut states: Vec<(&str, f64)> = spec
        .states
        .iter()
        .filter_map(|s| {
            expected_a(spec, s, sheet).filter(|a| *a > 0.0).map(|a| (s.name.as_str(), a))
        })
        .collect();
    states.sort_by(|a, b| a.1.total_cmp(&b.1));
    let (n, m) = (levels.len(), states.len());
    let mut cost = vec![vec![0.0f64; m + 1]; n + 1];
    for i in 1..=n {
        cost[i][0] = FARTHEST * i as f64;
        for j in 1..=m {
            let apart = (levels[i - 1].1 / states[j - 1].1).ln().abs();
            cost[i][j] =
                (cost[i - 1][j - 1] + apart).min(cost[i - 1][j] + FARTHEST).min(cost[i][j - 1]);
        }
    }
    let mut names = vec![None; mine.len()];
    let (mut i, mut j) = (n, m);
    while i > 0 && j > 0 {
        if cost[i][j] == cost[i][j - 1] {
            j -= 1;
        } else if cost[i][j] == cost[i - 1][j] + FARTHEST {
            i -= 1;
        } else {
            names[levels[i - 1].0] = Some(states[j - 1].0.to_owned());
            (i, j) = (i - 1, j - 1);
        }
    }
    names
}

/// Names what the job sheet leaves: the phase that stays takes the listed name.
fn by_behaviour(
    mine: &[usize],
    phases: &[Phase],
    wakes: &[usize],
    listed: &str,
    by_level: Option<f64>,
    names: &mut [String],
) {
    let mut order = mine.to_vec();
    order.sort_by(|&a, &b| phases[a].order.total_cmp(&phases[b].order));
    let mut taken: Vec<String> =
        mine.iter().map(|&i| names[i].clone()).filter(|name| !name.is_empty()).collect();
    let draw = |i: usize| phases[i].draw_a.unwrap_or(0.0);
    let sleeps = |i: usize| wakes[i] >= WAKES;
    // Nobody said when it was on: what is like nothing beside other levels is the load switched off.
    let off = |i: &usize| mine.len() > 1 && by_level.is_some_and(|nothing_a| draw(*i) <= nothing_a);
    let starting = |at: usize| {
        order.get(at + 1).is_some_and(|&next| {
            let (here_a, next_a) = (draw(order[at]), draw(next));
            let (here_s, next_s) = (phases[order[at]].length_s, phases[next].length_s);
            // A start-up hump is higher and brief, or of the order of what follows; falling asleep
            // takes longer or goes further, and ends where wakes come from.
            let (brief, alike) = (here_s <= START_UP_S, here_a < 3.0 * next_a);
            let hump =
                if sleeps(next) { brief && alike } else { brief || alike || order.len() > 2 };
            here_a > next_a && here_s < 0.5 * next_s && hump
        })
    };
    // A level that the job sheet knows as the listed state is the one that the others are told by.
    let main = order.iter().position(|&i| same_name(&names[i], listed)).unwrap_or_else(|| {
        let first = order.iter().take_while(|i| off(i)).count();
        (first + usize::from(starting(first))).min(order.len() - 1)
    });
    let reference = draw(order[main]);
    let mut wishes: Vec<(usize, &str)> = Vec::new();
    for (at, &i) in order.iter().enumerate() {
        if !names[i].is_empty() {
            continue;
        }
        let wish = if off(&i) {
            "off"
        } else if at < main && by_level.is_none() {
            "starting"
        } else if at == main {
            listed
        } else if draw(i) < reference {
            let asleep = match mine.iter().any(|&i| sleeps(i)) {
                true => sleeps(i),
                false => draw(i) < reference / 2.0,
            };
            if asleep { "asleep" } else { "settled" }
        } else {
            "awake"
        };
        wishes.push((i, wish));
    }
    // Of several that did the same the one nearest to the listed state has the plain name.
    let far = |i: usize| (draw(i) - reference).abs();
    wishes.sort_by(|a, b| far(a.0).total_cmp(&far(b.0)).then(a.0.cmp(&b.0)));
    for (i, wish) in wishes {
        let side = if draw(i) < reference { "lower" } else { "higher" };
        let name = (0..)
            .map(|rank| told_apart(wish, side, rank))
            .find(|name| !taken.iter().any(|known| same_name(known, name)))
            .unwrap_or_default();
        taken.push(name.clone());
        names[i] = name;
    }
}

/// `settled`, `settled lower`, `settled lower still`, and by the level's number from the fourth on.
fn told_apart(wish: &str, side: &str, rank: usize) -> String {
    match rank {
        0 => wish.to_owned(),
        1 => format!("{wish} {side}"),
        2 => format!("{wish} {side} still"),
        _ => format!("{wish} {side}, level {}", rank + 1),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn named_waking(levels_a: &[f64], wakes: &[usize]) -> Vec<String> {
        let phases: Vec<Phase> = levels_a
            .iter()
            .enumerate()
            .map(|(order, a)| Phase {
                load: 0,
                state: 0,
                draw_a: Some(*a),
                order: order as f64,
                length_s: if order == 0 { 5.0 } else { 60.0 },
            })
            .collect();
        let mut names = vec![String::new(); phases.len()];
        let mine: Vec<usize> = (0..phases.len()).collect();
        by_behaviour(&mine, &phases, wakes, "on", None, &mut names);
        names
    }

    fn named(levels_a: &[f64]) -> Vec<String> {
        named_waking(levels_a, &vec![0; levels_a.len()])
    }

    #[test]
    fn a_phase_is_named_for_what_the_load_did() {
        assert_eq!(named(&[0.3, 0.12, 0.01]), ["starting", "on", "asleep"]);
        assert_eq!(named(&[0.3, 0.12, 0.1]), ["starting", "on", "settled"]);
        assert_eq!(named(&[0.3, 0.12, 0.2]), ["starting", "on", "awake"]);
    }

    /// Up for a minute on 206 mA, then on 131 mA for hours with a wake every ten minutes: it sleeps there.
    #[test]
    fn a_load_sleeps_where_it_wakes_from() {
        let phase = |draw_a, order, length_s| Phase {
            load: 0,
            state: 0,
            draw_a: Some(draw_a),
            order,
            length_s,
        };
        let phases = [phase(0.206, 0.0, 60.0), phase(0.131, 1.0, 590.0)];
        let named = |phases: &[Phase], wakes: &[usize]| {
            let mut names = vec![String::new(); phases.len()];
            let mine: Vec<usize> = (0..phases.len()).collect();
            by_behaviour(&mine, phases, wakes, "on", None, &mut names);
            names
        };
        assert_eq!(named(&phases, &[0, 40]), ["on", "asleep"]);
        assert_eq!(named(&phases, &[0, 0]), ["starting", "on"]);
        // Once it did not fall asleep again.
        let stuck = [phases[0].clone(), phases[1].clone(), phase(0.160, 2.0, 600.0)];
        assert_eq!(named(&stuck, &[0, 40, 0]), ["on", "asleep", "settled"]);
        assert_eq!(named_waking(&[0.3, 0.12, 0.01], &[0, 0, 9]), ["starting", "on", "asleep"]);
    }

    /// Without any line the levels stand in order of height, and what is lower has not come first.
    #[test]
    fn a_level_like_nothing_is_off_and_a_lower_one_asleep() {
        let named = |levels_a: &[f64], known: &[&str]| {
            let phase =
                |a: &f64| Phase { load: 0, state: 0, draw_a: Some(*a), order: 0.0, length_s: 60.0 };
            let phases: Vec<Phase> = levels_a.iter().map(phase).collect();
            let mine: Vec<usize> = (0..phases.len()).collect();
            let mut names: Vec<String> = known.iter().map(|name| (*name).to_owned()).collect();
            by_behaviour(&mine, &phases, &vec![0; mine.len()], "on", Some(6e-6), &mut names);
            names
        };
        assert_eq!(named(&[3.9e-6, 0.8e-3, 0.035], &["", "", "on"]), ["off", "asleep", "on"]);
        assert_eq!(named(&[9e-6, 0.8e-3, 0.035], &["", "asleep", "on"])[0], "asleep lower");
        assert_eq!(named(&[3.9e-6, 0.035, 0.06], &["", "", ""]), ["off", "on", "awake"]);
        assert_eq!(named(&[3.9e-6], &[""]), ["on"]);
    }

    #[test]
    fn phases_that_did_the_same_are_told_apart_by_their_level() {
        assert_eq!(
            named(&[0.3, 0.12, 0.001, 0.05, 0.01, 0.0001, 0.08]),
            [
                "starting",
                "on",
                "asleep lower still",
                "asleep",
                "asleep lower",
                "asleep lower, level 4",
                "settled"
            ]
        );
    }
}
