//! Gathers the stays of each load and listed state into phases of like draw.

use super::phases::{Change, Phase, Row};

/// Gathers the stays of each load and listed state into phases of like draw.
pub(super) fn gather(
    rows: &[Row],
    patterns: &[Vec<Option<usize>>],
    switched: &[Vec<bool>],
    changes: &[Change],
    rough: &[Vec<Option<f64>>],
) -> (Vec<Phase>, Vec<Vec<Option<usize>>>) {
    let loads = patterns.first().map_or(0, Vec::len);
    let mut phases: Vec<Phase> = Vec::new();
    let mut of_row: Vec<Vec<Option<usize>>> = vec![vec![None; loads]; rows.len()];
    for load in 0..loads {
        let mut states: Vec<usize> = patterns.iter().filter_map(|p| p[load]).collect();
        states.sort_unstable();
        states.dedup();
        for state in states {
            let members: Vec<usize> =
                (0..rows.len()).filter(|&k| patterns[k][load] == Some(state)).collect();
            let finest = changes
                .iter()
                .filter(|c| c.owner == Some(load) && patterns[c.row][load] == Some(state))
                .map(|c| c.delta_a.abs())
                .reduce(f64::min);
            let groups = group(&members, &rough[load], finest);
            let first = phases.len();
            let count = groups.iter().map(|(_, g)| g + 1).max().unwrap_or(1);
            for at in 0..count {
                let here: Vec<usize> =
                    groups.iter().filter(|(_, g)| *g == at).map(|(k, _)| *k).collect();
                let draws: Vec<f64> = here.iter().filter_map(|&k| rough[load][k]).collect();
                let mut lengths: Vec<f64> =
                    here.iter().map(|&k| rows[k].end_s - rows[k].start_s).collect();
                lengths.sort_by(f64::total_cmp);
                phases.push(Phase {
                    load,
                    state,
                    draw_a: (!draws.is_empty())
                        .then(|| draws.iter().sum::<f64>() / draws.len() as f64),
                    order: order(&here, &groups, switched, load),
                    length_s: lengths.get(lengths.len() / 2).copied().unwrap_or(0.0),
                });
            }
            for (k, at) in groups {
                of_row[k][load] = Some(first + at);
            }
        }
    }
    (phases, of_row)
}

/// Mean number of earlier stays since the switching.
fn order(here: &[usize], groups: &[(usize, usize)], switched: &[Vec<bool>], load: usize) -> f64 {
    if here.is_empty() {
        return 0.0;
    }
    let total: usize = here
        .iter()
        .map(|&k| {
            let start = (0..=k).rev().find(|&j| switched[j][load]).unwrap_or(0);
            let mut stays: Vec<usize> =
                groups.iter().filter(|(j, _)| (start..k).contains(j)).map(|(_, g)| *g).collect();
            stays.dedup();
            stays.len()
        })
        .sum();
    total as f64 / here.len() as f64
}

fn group(members: &[usize], rough: &[Option<f64>], finest: Option<f64>) -> Vec<(usize, usize)> {
    let Some(finest) = finest else { return members.iter().map(|&k| (k, 0)).collect() };
    let mut sorted: Vec<(f64, usize)> =
        members.iter().filter_map(|&k| rough[k].map(|a| (a, k))).collect();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut groups = Vec::with_capacity(members.len());
    let mut at = 0;
    let mut sizes = vec![0usize];
    for (i, &(a, k)) in sorted.iter().enumerate() {
        if i > 0 && a - sorted[i - 1].0 > 0.5 * finest {
            at += 1;
            sizes.push(0);
        }
        sizes[at] += 1;
        groups.push((k, at));
    }
    let commonest = (0..sizes.len()).max_by_key(|&g| sizes[g]).unwrap_or(0);
    for &k in members {
        if rough[k].is_none() {
            groups.push((k, commonest));
        }
    }
    groups.sort_unstable();
    groups
}
