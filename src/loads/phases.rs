//! What loads did by themselves: a change of level that no line explains is a state of its own when
//! a load that is on does it (falls asleep, finishes starting), and unlisted draw otherwise.

use super::stays;
use super::timeline::Timeline;
use super::unlisted::{UnlistedDraw, ended_with_a_load, near, ran_on_from, runs_on_until};

/// One stretch as the loads stage sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Row {
    /// Index of the segment.
    pub(super) segment: usize,
    /// Start, seconds.
    pub(super) start_s: f64,
    /// End, seconds.
    pub(super) end_s: f64,
    /// Level, turned the right way round, ampere.
    pub(super) level_a: f64,
    /// Its standard uncertainty from noise and rounding, ampere.
    pub(super) u_a: f64,
    /// What of that is rounding's, ampere.
    pub(super) rounding_a: f64,
    /// True when nothing is powered there.
    pub(super) zero: bool,
    /// True when the list has that as a zero check: the lead was interrupted, nothing goes on across it.
    pub(super) interrupted: bool,
}

impl Row {
    /// A moment in its first tenth: what was on when it began, a reading or two after its step.
    pub(super) fn early_s(&self) -> f64 {
        self.start_s + 0.1 * (self.end_s - self.start_s)
    }
}

/// A level change within a stretch of time in which no line changes anything.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Change {
    /// Row that it leads to.
    pub(super) row: usize,
    pub(super) time_s: f64,
    /// Ampere.
    pub(super) delta_a: f64,
    pub(super) u_a: f64,
    /// Load that does it.
    pub(super) owner: Option<usize>,
}

/// Steps are told apart at this many standard uncertainties.
pub(super) const CLEAR: f64 = 6.0;
/// A row this many times less certain than the one before is vague.
const VAGUE: f64 = 5.0;
/// Two levels of one load are alike within this share.
pub(super) const ALIKE: f64 = 0.2;
/// What comes more often than this after a switching is not the switching's.
const RECURS: usize = 3;

/// A stay of one load in one phase of a listed state.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Phase {
    /// The load.
    pub(super) load: usize,
    /// Its listed state.
    pub(super) state: usize,
    /// Rough draw, ampere; `None` when no switching shows it.
    pub(super) draw_a: Option<f64>,
    /// Mean place in its stays: 0 when it always comes first after the switching.
    pub(super) order: f64,
    /// Median length of a stay, seconds.
    pub(super) length_s: f64,
}

/// What was found.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Phases {
    /// Distinct phases, grouped by load and listed state.
    pub(super) phases: Vec<Phase>,
    /// For every row and load, the phase it is in; `None` for off.
    pub(super) of_row: Vec<Vec<Option<usize>>>,
    /// Unlisted draw: the rows it covers. It spans listed switchings or the end of the capture.
    pub(super) unlisted: Vec<Vec<usize>>,
    /// Rows with unlisted draw that tell nothing of any load.
    pub(super) set_aside: Vec<usize>,
}

/// Finds phases and unlisted draw. `specified_a` lists, a load, the draws that the job sheet knows.
pub(super) fn find(
    rows: &[Row],
    timeline: &Timeline,
    specified_a: &[Vec<f64>],
    step_a: f64,
) -> Phases {
    let patterns: Vec<Vec<Option<usize>>> = rows
        .iter()
        .map(|row| {
            if row.zero {
                vec![None; timeline.loads.len()]
            } else {
                timeline.pattern_at(row.early_s())
            }
        })
        .collect();
    let switched = switched(rows, &patterns, timeline);
    let mut changes = own_changes(rows, &switched, step_a);
    own_by_delay(&mut changes, rows, &patterns, timeline);
    let rough = rough_draws(rows, &patterns, &switched, &changes);
    let (unlisted, set_aside) =
        own_by_size(&mut changes, rows, &patterns, &switched, timeline, &rough, specified_a);
    let rough = rough_draws(rows, &patterns, &switched, &changes);
    let (phases, of_row) = stays::gather(rows, &patterns, &switched, &changes, &rough);
    Phases { phases, of_row, unlisted, set_aside }
}

/// For every row and load, whether its lines changed it since the row before. One that was switched
/// off and on in between is in the same listed state again, and may well draw something else in it.
fn switched(rows: &[Row], patterns: &[Vec<Option<usize>>], timeline: &Timeline) -> Vec<Vec<bool>> {
    let changed = |k: usize, load: usize| {
        let Some(before) = k.checked_sub(1) else { return false };
        patterns[k][load] != patterns[before][load]
            || (patterns[k][load].is_some()
                && timeline.loads[load].leaves(
                    patterns[before][load],
                    rows[before].early_s(),
                    rows[k].early_s(),
                ))
    };
    (0..rows.len()).map(|k| (0..timeline.loads.len()).map(|l| changed(k, l)).collect()).collect()
}

/// Changes that no line makes, each from the last row that tells: one much less certain tells nothing of the next.
fn own_changes(rows: &[Row], switched: &[Vec<bool>], step_a: f64) -> Vec<Change> {
    let mut changes = Vec::new();
    let mut from = 0;
    for k in 1..rows.len() {
        let apart = rows[k].interrupted || rows[from].interrupted;
        // Levels near zero with every load off are not told apart: the meter's zero moves as well.
        if apart || (rows[k].zero && rows[from].zero) || switched[k].contains(&true) {
            from = k;
            continue;
        }
        let delta_a = rows[k].level_a - rows[from].level_a;
        let u_a = rows[k].u_a.hypot(rows[from].u_a);
        if delta_a.abs() > CLEAR * u_a + step_a {
            changes.push(Change { row: k, time_s: rows[k - 1].end_s, delta_a, u_a, owner: None });
        } else if rows[k].u_a > VAGUE * rows[from].u_a {
            continue;
        }
        from = k;
    }
    changes
}

/// When `load` last was switched before `time_s`, zero checks counted.
fn since_s(load: usize, time_s: f64, timeline: &Timeline, rows: &[Row]) -> Option<f64> {
    let zero_s = rows
        .iter()
        .filter(|row| row.zero && row.end_s <= time_s)
        .map(|row| row.end_s)
        .reduce(f64::max);
    match (timeline.loads[load].last_change_s(time_s), zero_s) {
        (Some(a), Some(b)) => Some(a.max(b)),
        (a, b) => a.or(b),
    }
}

fn alike(a: &Change, b: &Change) -> bool {
    (a.delta_a - b.delta_a).abs()
        <= ALIKE * a.delta_a.abs().max(b.delta_a.abs()) + 3.0 * a.u_a.hypot(b.u_a)
}

/// A change that comes at the same delay after the same load's switching, time after time, is that load's.
fn own_by_delay(
    changes: &mut [Change],
    rows: &[Row],
    patterns: &[Vec<Option<usize>>],
    timeline: &Timeline,
) {
    let delays: Vec<Vec<Option<f64>>> = changes
        .iter()
        .map(|change| {
            (0..timeline.loads.len())
                .map(|load| {
                    patterns[change.row][load]?;
                    since_s(load, change.time_s, timeline, rows).map(|s| change.time_s - s)
                })
                .collect()
        })
        .collect();
    let owners: Vec<Option<usize>> = (0..changes.len())
        .map(|i| {
            let mut best: Option<(usize, f64, usize)> = None;
            for load in 0..timeline.loads.len() {
                let Some(delay_s) = delays[i][load] else { continue };
                let state = patterns[changes[i].row][load];
                let close = |other: f64| (other - delay_s).abs() <= 0.1 * delay_s.max(other) + 2.0;
                // Each switching counts once, so that two changes after one of them are no pattern.
                let mut switchings: Vec<f64> = (0..changes.len())
                    .filter(|&j| {
                        patterns[changes[j].row][load] == state && alike(&changes[i], &changes[j])
                    })
                    .filter_map(|j| {
                        delays[j][load].filter(|&other| close(other)).map(|d| changes[j].time_s - d)
                    })
                    .collect();
                switchings.sort_by(f64::total_cmp);
                switchings.dedup();
                let support = switchings.len();
                let eligible = timeline.loads[load]
                    .switches
                    .iter()
                    .enumerate()
                    .filter(|(at, switch)| {
                        let next_s = timeline.loads[load]
                            .switches
                            .get(at + 1)
                            .map_or(rows[rows.len() - 1].end_s, |next| next.time_s);
                        switch.state == state && next_s - switch.time_s > 1.2 * delay_s + 2.0
                    })
                    .count();
                let recurs = || {
                    let mut after: Vec<f64> = (0..changes.len())
                        .filter(|&j| {
                            patterns[changes[j].row][load] == state
                                && alike(&changes[i], &changes[j])
                        })
                        .filter_map(|j| delays[j][load].map(|delay_s| changes[j].time_s - delay_s))
                        .collect();
                    let count = after.len();
                    after.sort_by(f64::total_cmp);
                    after.dedup();
                    count > RECURS * after.len()
                };
                if support < 2 || 2 * support < eligible || recurs() {
                    continue;
                }
                let better = best.is_none_or(|(most, shortest_s, _)| {
                    support > most || (support == most && delay_s < shortest_s)
                });
                if better {
                    best = Some((support, delay_s, load));
                }
            }
            best.map(|(_, _, load)| load)
        })
        .collect();
    for (change, owner) in changes.iter_mut().zip(owners) {
        change.owner = owner;
    }
}

/// Owners for the changes that no delay explains, by their size; the rest is unlisted draw.
fn own_by_size(
    changes: &mut [Change],
    rows: &[Row],
    patterns: &[Vec<Option<usize>>],
    switched: &[Vec<bool>],
    timeline: &Timeline,
    rough: &[Vec<Option<f64>>],
    specified_a: &[Vec<f64>],
) -> (Vec<Vec<usize>>, Vec<usize>) {
    let loads = timeline.loads.len();
    // Levels that each load has had since its last switching, relative to the first.
    let mut visited: Vec<Vec<f64>> = vec![vec![0.0]; loads];
    let mut by_size_a = vec![0.0; loads];
    let mut draw = UnlistedDraw::default();
    let (mut next, mut since) = (0, 0);
    for k in 0..rows.len() {
        if rows[k].interrupted && since + 1 == k && runs_on_until(rows, patterns, since, k) {
            draw.spans.push((since, k));
        }
        if rows[k].interrupted || switched[k].contains(&true) {
            since = k;
        }
        let ended = switched[k]
            .contains(&true)
            .then(|| ended_with_a_load(rows, k, patterns, rough, &by_size_a))
            .flatten();
        if let Some(ended) = ended {
            draw.falls(k, &ended, k);
        }
        for (load, levels) in visited.iter_mut().enumerate() {
            if switched[k][load] {
                *levels = vec![0.0];
                by_size_a[load] = 0.0;
            }
        }
        let Some(change) = changes.get(next).copied().filter(|change| change.row == k) else {
            continue;
        };
        next += 1;
        let near = |x: f64| near(x, &change);
        let returns = draw.before(&change).is_some();
        let ran_on = ran_on_from(rows, patterns, since, &change);
        // What a load draws now: as its switchings show, and what its size has been found to be since.
        let now_a = |load: usize| rough[load][k - 1].map(|a| a + by_size_a[load]);
        // A load can fall by what it draws only.
        let able = |load: &usize| {
            patterns[k][*load].is_some()
                && now_a(*load).is_none_or(|a| a >= -(1.0 - ALIKE) * change.delta_a)
        };
        let by_delay = change.owner.filter(able);
        let owner = by_delay.or_else(|| {
            if returns {
                return None;
            }
            let on: Vec<usize> = (0..loads).filter(able).collect();
            let back = on.iter().copied().find(|&load| {
                let now = visited[load][visited[load].len() - 1];
                visited[load].iter().any(|&level| level != now && near(level - now))
            });
            let again = || {
                on.iter().copied().find(|&load| {
                    changes[..next - 1].iter().any(|earlier| {
                        earlier.owner == Some(load)
                            && patterns[earlier.row][load] == patterns[k][load]
                            && alike(earlier, &change)
                    })
                })
            };
            let known = || {
                on.iter().copied().find(|&load| {
                    let at = |from: f64| {
                        now_a(load).is_none_or(|a| (a - from).abs() <= 2.0 * ALIKE * a.max(from))
                    };
                    let draws = &specified_a[load];
                    draws.iter().any(|&from| {
                        at(from) && draws.iter().any(|&to| to != from && near(to - from))
                    })
                })
            };
            // The one switched last, unless another ran on.
            let falls = || {
                if ran_on.is_some() {
                    return None;
                }
                let since = |load| since_s(load, change.time_s, timeline, rows).unwrap_or(f64::MIN);
                on.iter()
                    .copied()
                    .filter(|_| change.delta_a < 0.0)
                    .reduce(|a, b| if since(b) > since(a) { b } else { a })
            };
            back.or_else(again).or_else(known).or_else(falls)
        });
        if let Some(load) = owner.filter(|_| by_delay.is_none()) {
            by_size_a[load] += change.delta_a;
        }
        changes[next - 1].owner = owner;
        match owner {
            Some(load) => {
                let now = visited[load][visited[load].len() - 1];
                visited[load].push(now + change.delta_a);
            }
            None if draw.falls(k, &change, since) => {}
            None => match ran_on {
                Some(from) => draw.spans.push((from, k)),
                None => draw.open.push(change),
            },
        }
    }
    draw.until_the_end(rows.len());
    let mut unlisted = Vec::new();
    let mut set_aside = Vec::new();
    for (from, to) in draw.spans {
        let covered: Vec<usize> = (from..to).filter(|&k| !rows[k].zero).collect();
        if covered.is_empty() {
            continue;
        }
        let within = covered.windows(2).all(|pair| patterns[pair[0]] == patterns[pair[1]]);
        if within && to < rows.len() && from > 0 {
            set_aside.extend(covered);
        } else {
            unlisted.push(covered);
        }
    }
    set_aside.sort_unstable();
    set_aside.dedup();
    (unlisted, set_aside)
}

/// Rough draw of every load in every row: 0 when off, carried along while nothing switches it, and
/// from a switching that leaves one draw unknown. `None` where no such chain leads.
///
/// Sweeps forth and back until nothing new is found; O(rows × loads) a sweep, a few in practice.
fn rough_draws(
    rows: &[Row],
    patterns: &[Vec<Option<usize>>],
    switched: &[Vec<bool>],
    changes: &[Change],
) -> Vec<Vec<Option<f64>>> {
    let loads = patterns.first().map_or(0, Vec::len);
    let mut owned: Vec<Option<(usize, f64)>> = vec![None; rows.len()];
    for change in changes {
        owned[change.row] = change.owner.map(|load| (load, change.delta_a));
    }
    let mut draws: Vec<Vec<Option<f64>>> = (0..loads)
        .map(|load| patterns.iter().map(|p| p[load].is_none().then_some(0.0)).collect())
        .collect();
    let count = rows.len();
    loop {
        let mut found = false;
        for k in (1..count).chain((1..count).rev()) {
            let mut left_a = rows[k].level_a - rows[k - 1].level_a;
            // Draws that changed and are not known: load and row.
            let mut open: Vec<(usize, usize)> = Vec::new();
            for load in 0..loads {
                if !switched[k][load] {
                    let own_a = owned[k].filter(|(owner, _)| *owner == load).map_or(0.0, |o| o.1);
                    left_a -= own_a;
                    match (draws[load][k - 1], draws[load][k]) {
                        (Some(a), None) => draws[load][k] = Some(a + own_a),
                        (None, Some(a)) => draws[load][k - 1] = Some(a - own_a),
                        _ => continue,
                    }
                    found = true;
                } else {
                    for row in [k - 1, k] {
                        let sign = if row == k { 1.0 } else { -1.0 };
                        match draws[load][row] {
                            Some(a) => left_a -= sign * a,
                            None => open.push((load, row)),
                        }
                    }
                }
            }
            if let [(load, row)] = open[..] {
                draws[load][row] = Some(if row == k { left_a } else { -left_a });
                found = true;
            }
        }
        if !found {
            break;
        }
    }
    for (load, draws) in draws.iter_mut().enumerate() {
        for (k, draw) in draws.iter_mut().enumerate() {
            *draw = draw.filter(|_| patterns[k][load].is_some());
        }
    }
    draws
}
