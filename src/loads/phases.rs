//! What loads did by themselves: a change of level that no line explains is a state of its own when
//! a load that is on does it (falls asleep, finishes starting), and unlisted draw otherwise.

use super::stays;
use super::timeline::Timeline;

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
    time_s: f64,
    /// Ampere.
    pub(super) delta_a: f64,
    u_a: f64,
    /// Load that does it.
    pub(super) owner: Option<usize>,
}

/// Steps are told apart at this many standard uncertainties.
const CLEAR: f64 = 6.0;
/// A row this many times less certain than the one before is vague.
const VAGUE: f64 = 5.0;
/// Two levels of one load are alike within this share.
const ALIKE: f64 = 0.2;
/// A fall this share less than the rise before it leaves something on.
const LEFT_ON: f64 = 0.05;
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

fn near(value_a: f64, change: &Change) -> bool {
    (value_a - change.delta_a).abs() <= ALIKE * change.delta_a.abs() + 3.0 * change.u_a
}

/// Draw that no line lists: the changes whose end has not come yet, and the stays found.
#[derive(Default)]
struct UnlistedDraw {
    open: Vec<Change>,
    /// Rows of one level each.
    spans: Vec<(usize, usize)>,
}

impl UnlistedDraw {
    /// The open changes that this one takes back: one of them, the latest, or all from one on, as
    /// when a wake rises to one level, sticks at a lower one and falls from there.
    fn before(&self, change: &Change) -> Option<std::ops::Range<usize>> {
        let one = self.open.iter().rposition(|opened| near(-opened.delta_a, change));
        if let Some(at) = one {
            return Some(at..at + 1);
        }
        let mut risen_a = 0.0;
        let from = (0..self.open.len()).rev().find(|&from| {
            risen_a += self.open[from].delta_a;
            near(-risen_a, change)
        });
        from.map(|from| from..self.open.len())
    }

    /// Ends what a change takes back; what stays of what began after the listed switching at `since` is left open.
    fn falls(&mut self, row: usize, change: &Change, since: usize) -> bool {
        let Some(taken) = self.before(change) else { return false };
        let closed: Vec<Change> = self.open.drain(taken).collect();
        let ends = closed[1..].iter().map(|next| next.row).chain([row]);
        self.spans.extend(closed.iter().map(|opened| opened.row).zip(ends));
        let left_a = change.delta_a + closed.iter().map(|opened| opened.delta_a).sum::<f64>();
        let variance_a2 = closed.iter().map(|opened| opened.u_a.powi(2)).sum::<f64>();
        let u_a = change.u_a.hypot(variance_a2.sqrt());
        let within = closed.iter().all(|opened| opened.row > since);
        if within && change.delta_a < 0.0 && left_a > CLEAR * u_a - LEFT_ON * change.delta_a {
            self.open.push(Change { row, delta_a: left_a, u_a, ..*change });
        }
        true
    }

    /// What nothing took back: where the sum of the changes is lowest nothing unlisted draws.
    fn until_the_end(&mut self, rows: usize) {
        let mut level_a = 0.0;
        let mut pieces = Vec::with_capacity(self.open.len() + 1);
        let mut from = 0;
        for change in &self.open {
            pieces.push((from, change.row, level_a));
            level_a += change.delta_a;
            from = change.row;
        }
        pieces.push((from, rows, level_a));
        let lowest_a = pieces.iter().map(|piece| piece.2).fold(f64::INFINITY, f64::min);
        let above = pieces.into_iter().filter(|piece| piece.2 > lowest_a);
        self.spans.extend(above.map(|(from, to, _)| (from, to)));
    }
}

/// What falls at a listed switching beyond the draws of the loads that it switches, all of them known:
/// a load that is switched off ends whatever it did beside its states.
fn ended_with_a_load(
    rows: &[Row],
    k: usize,
    patterns: &[Vec<Option<usize>>],
    rough: &[Vec<Option<f64>>],
    by_size_a: &[f64],
) -> Option<Change> {
    let before = k.checked_sub(1)?;
    if rows[k].interrupted || rows[before].interrupted {
        return None;
    }
    let draw_a = |row: usize, load: usize| match patterns[row][load] {
        Some(_) => rough[load][row],
        None => Some(0.0),
    };
    let of_load = |load: usize| Some(draw_a(k, load)? - draw_a(before, load)? - by_size_a[load]);
    let listed_a: Option<f64> = (0..rough.len()).map(of_load).sum();
    let delta_a = rows[k].level_a - rows[before].level_a - listed_a?;
    let u_a = rows[k].u_a.hypot(rows[before].u_a);
    let change = Change { row: k, time_s: rows[before].end_s, delta_a, u_a, owner: None };
    (delta_a < -CLEAR * u_a).then_some(change)
}

/// Whether a load was switched off at row `since`, between two that the lead was not interrupted for.
fn switched_off(rows: &[Row], patterns: &[Vec<Option<usize>>], since: usize) -> bool {
    let Some(before) = since.checked_sub(1) else { return false };
    let off = |(was, is): (&Option<usize>, &Option<usize>)| was.is_some() && is.is_none();
    !rows[since].interrupted
        && !rows[before].interrupted
        && patterns[before].iter().zip(&patterns[since]).any(off)
}

/// Whether what falls began with the listed switching at row `since`, as a load does that runs on after
/// it was switched off: with the same loads on the lead has carried as little as after the fall before.
fn runs_on(rows: &[Row], patterns: &[Vec<Option<usize>>], since: usize, change: &Change) -> bool {
    let same = |j: &usize| !rows[*j].interrupted && patterns[*j] == patterns[change.row];
    let before = (0..since).rev().find(same).map(|j| rows[j].level_a);
    let after_a = rows[change.row].level_a;
    change.delta_a < 0.0
        && switched_off(rows, patterns, since)
        && before.is_some_and(|a| a < after_a - 0.5 * change.delta_a)
}

/// Whether a load that was switched off at row `since` runs on until the zero check at row `check`: with the
/// same loads on the lead carried plainly less whenever no load had just been switched off.
fn runs_on_until(
    rows: &[Row],
    patterns: &[Vec<Option<usize>>],
    since: usize,
    check: usize,
) -> bool {
    let here = &rows[since];
    let same = |j: &usize| {
        !rows[*j].interrupted
            && patterns[*j] == patterns[since]
            && !switched_off(rows, patterns, *j)
    };
    let mut others = (0..since).chain(check..rows.len()).filter(same).map(|j| &rows[j]).peekable();
    switched_off(rows, patterns, since)
        && others.peek().is_some()
        && others.all(|row| here.level_a - row.level_a > CLEAR * here.u_a.hypot(row.u_a))
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
                if runs_on(rows, patterns, since, &change) {
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
            None if runs_on(rows, patterns, since, &change) => draw.spans.push((since, k)),
            None => draw.open.push(change),
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
