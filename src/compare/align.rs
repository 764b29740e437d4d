//! Which figure of the one capture belongs to which of the other.

use crate::budget::{self, Doubt};
use crate::findings::{Findings, LoadRow, Verdict};
use crate::jobsheet::{JobSheet, same_name};
use crate::numeric::coverage_factor_95;

/// Cost of leaving a level without a partner. Two levels cost `|a − b|/(|a| + |b|)` to tie, so
/// that levels more than three times apart (cost 0.5) stay alone.
const ALONE: f64 = 0.25;

/// One figure of one capture.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Entry {
    pub(super) load: String,
    pub(super) state: String,
    pub(super) draw_a: f64,
    pub(super) expanded_a: f64,
    pub(super) doubt: Doubt,
    pub(super) limit_high_a: Option<f64>,
    pub(super) verdict: Verdict,
}

/// Figures tied, and those left over.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Pairing {
    pub(super) pairs: Vec<(Entry, Entry)>,
    pub(super) only_before: Vec<Entry>,
    pub(super) only_after: Vec<Entry>,
    /// Loads in both captures whose figures are of different groups of loads.
    pub(super) grouped_otherwise: Vec<String>,
}

/// Ties rows of the same load, state and group of inseparable loads, in the order of `before`.
pub(super) fn by_load(before: &Findings, after: &Findings) -> Pairing {
    let mut pairing = Pairing::default();
    let same =
        |a: &LoadRow, b: &LoadRow| same_name(&a.load, &b.load) && same_name(&a.state, &b.state);
    let mut taken = vec![false; after.loads.len()];
    for (_, row) in budget::each_once(&before.loads) {
        let partner =
            budget::each_once(&after.loads).find(|(at, other)| !taken[*at] && same(row, other));
        match partner {
            Some((at, other)) if same_group(row, other) => {
                taken[at] = true;
                pairing.pairs.push((of_load(row), of_load(other)));
            }
            Some((_, other)) => {
                pairing.grouped_otherwise.push(other.load.clone());
                pairing.only_before.push(of_load(row));
            }
            None => pairing.only_before.push(of_load(row)),
        }
    }
    let left = budget::each_once(&after.loads).filter(|(at, _)| !taken[*at]);
    pairing.only_after = left.map(|(_, row)| of_load(row)).collect();
    pairing
}

fn same_group(a: &LoadRow, b: &LoadRow) -> bool {
    a.separable == b.separable
        && a.inseparable_from.len() == b.inseparable_from.len()
        && a.inseparable_from
            .iter()
            .all(|name| b.inseparable_from.iter().any(|other| same_name(name, other)))
}

fn of_load(row: &LoadRow) -> Entry {
    Entry {
        load: budget::group_name(row),
        state: row.state.clone(),
        draw_a: row.draw_a,
        expanded_a: row.expanded_uncertainty_a,
        doubt: Doubt::of_load(row),
        limit_high_a: row.limit_high_a,
        verdict: row.verdict,
    }
}

/// Ties levels in their order, lowest first, at the least total cost. O(m·n).
pub(super) fn by_level(before: &Findings, after: &Findings, sheet: &JobSheet) -> Pairing {
    let [left, right] = [before, after].map(budget::levels);
    let distance = |a: f64, b: f64| {
        let scale = a.abs() + b.abs();
        if scale > 0.0 { (a - b).abs() / scale } else { 0.0 }
    };
    let (m, n) = (left.len(), right.len());
    // cost[i][j]: cheapest way to settle the first i levels before and the first j after.
    let mut cost = vec![vec![0.0; n + 1]; m + 1];
    for i in 0..=m {
        for j in 0..=n {
            let mut best = if i == 0 && j == 0 { 0.0 } else { f64::INFINITY };
            if i > 0 {
                best = f64::min(best, cost[i - 1][j] + ALONE);
            }
            if j > 0 {
                best = f64::min(best, cost[i][j - 1] + ALONE);
            }
            if i > 0 && j > 0 {
                best = best.min(cost[i - 1][j - 1] + distance(left[i - 1].1, right[j - 1].1));
            }
            cost[i][j] = best;
        }
    }
    let mut pairing = Pairing::default();
    let (mut i, mut j) = (m, n);
    while i > 0 || j > 0 {
        let tied = i > 0
            && j > 0
            && cost[i][j] == cost[i - 1][j - 1] + distance(left[i - 1].1, right[j - 1].1);
        if tied {
            (i, j) = (i - 1, j - 1);
            let name = level_name(i);
            let entry = |findings, level| of_level(findings, level, name.clone(), sheet);
            pairing.pairs.push((entry(before, left[i]), entry(after, right[j])));
        } else if i > 0 && cost[i][j] == cost[i - 1][j] + ALONE {
            i -= 1;
            pairing.only_before.push(of_level(before, left[i], level_name(i), sheet));
        } else {
            j -= 1;
            pairing.only_after.push(of_level(after, right[j], level_name(j), sheet));
        }
    }
    pairing.pairs.reverse();
    pairing.only_before.reverse();
    pairing.only_after.reverse();
    pairing
}

fn level_name(place: usize) -> String {
    if place == 0 { "lowest level".to_owned() } else { format!("level {}", place + 1) }
}

fn of_level(
    findings: &Findings,
    (id, mean_a): (usize, f64),
    name: String,
    sheet: &JobSheet,
) -> Entry {
    let doubt = budget::doubt_of_level(sheet, findings, mean_a, Some(id));
    Entry {
        load: name,
        state: String::new(),
        draw_a: mean_a,
        expanded_a: doubt.combined() * coverage_factor_95(None),
        doubt,
        limit_high_a: None,
        verdict: Verdict::NoLimit,
    }
}
