//! Draw that no line lists: what came up and goes again by itself, and loads that run on after they were
//! switched off.

use super::phases::{ALIKE, CLEAR, Change, Row};

/// A fall this share less than the rise before it leaves something on.
const LEFT_ON: f64 = 0.05;

pub(super) fn near(value_a: f64, change: &Change) -> bool {
    (value_a - change.delta_a).abs() <= ALIKE * change.delta_a.abs() + 3.0 * change.u_a
}

/// Draw that no line lists: the changes whose end has not come yet, and the stays found.
#[derive(Default)]
pub(super) struct UnlistedDraw {
    pub(super) open: Vec<Change>,
    /// Rows of one level each.
    pub(super) spans: Vec<(usize, usize)>,
}

impl UnlistedDraw {
    /// The open changes that this one takes back: one of them, the latest, or all from one on, as
    /// when a wake rises to one level, sticks at a lower one and falls from there.
    pub(super) fn before(&self, change: &Change) -> Option<std::ops::Range<usize>> {
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
    pub(super) fn falls(&mut self, row: usize, change: &Change, since: usize) -> bool {
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
    pub(super) fn until_the_end(&mut self, rows: usize) {
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
pub(super) fn ended_with_a_load(
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

/// The row at which a load was switched off that ran on until this fall: the last listed switching, when with
/// the same loads on the lead has carried as little before as after the fall, or an earlier one, when what it
/// left on the lead beyond what the same loads drew before is what falls.
pub(super) fn ran_on_from(
    rows: &[Row],
    patterns: &[Vec<Option<usize>>],
    since: usize,
    change: &Change,
) -> Option<usize> {
    // A check that lasts until the next load is switched on has the lead back before that.
    let bare = |j: usize| !rows[j].interrupted || patterns[j + 1] != patterns[j];
    let before_a = |row: usize, until: usize| {
        let same = |j: &usize| patterns[*j] == patterns[row] && bare(*j);
        (0..until).rev().find(same).map(|j| rows[j].level_a)
    };
    if change.delta_a >= 0.0 {
        return None;
    }
    let after_a = rows[change.row].level_a;
    let little = |a: f64| a < after_a - 0.5 * change.delta_a;
    if switched_off(rows, patterns, since) && before_a(change.row, since).is_some_and(little) {
        return Some(since);
    }
    let left = |row: usize| {
        before_a(row, row).is_some_and(|a| near(a - rows[row].level_a, change))
            && switched_off(rows, patterns, row)
    };
    (1..since).rev().take_while(|row| !rows[*row].interrupted).find(|row| left(*row))
}

/// Whether a load that was switched off at row `since` runs on until the zero check at row `check`: with the
/// same loads on the lead carried plainly less whenever no load had just been switched off.
pub(super) fn runs_on_until(
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
