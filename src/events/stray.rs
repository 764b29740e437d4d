//! Lines whose step lies far from them: a load that runs on after it was switched off, starts with a delay,
//! or was switched long before or after it was noted.
//!
//! Their times say nothing any more; what says it is the size, known from the load's other switchings, of a
//! step that no other line explains, between the load's lines before and after, which both have theirs.

use super::align::Answer;
use super::decode::Tie;
use super::evidence::{Evidence, Way};
use super::pairs;

/// Jumps of one load are alike within this ratio.
const ALIKE: f64 = 1.1;

/// Ties such lines to their steps; hands back, for every line, seconds from where it says to its step.
/// O(lines × (lines + steps)).
pub(super) fn tie(evidence: &Evidence, answer: &Answer, ties: &mut [Tie]) -> Vec<Option<f64>> {
    let lines = &evidence.lines;
    let mut far_s = vec![None; lines.len()];
    if !answer.found {
        return far_s;
    }
    let tied: Vec<(usize, usize)> =
        ties.iter().enumerate().filter_map(|(i, tie)| Some((i, tie.mark?))).collect();
    let sizes = pairs::sizes(evidence, tied.iter().copied());
    let mut free = vec![true; evidence.marks.len()];
    tied.iter().for_each(|(_, mark)| free[*mark] = false);
    let at_s = |i: usize| answer.setting.capture_time(lines[i].listed_s);
    for i in 0..lines.len() {
        let rises = match lines[i].way {
            Way::Up => answer.setting.turn > 0.0,
            Way::Down => answer.setting.turn < 0.0,
            Way::Either | Way::Zero => continue,
        };
        let together = |(other, _): &(usize, usize)| evidence.together(*other, i);
        let Some((size, _)) = sizes[i].filter(|_| ties[i].mark.is_none()) else { continue };
        if tied.iter().any(together) {
            continue;
        }
        let line_s = at_s(i);
        // The load's lines on either side have steps, and tell that it was switched in between.
        let of_load = |k: &usize| lines[*k].load == lines[i].load;
        let (before, after) = ((0..i).rev().find(of_load), (i + 1..lines.len()).find(of_load));
        let opposite = |k: usize| Some(lines[k].doing) == lines[i].opposite;
        let switched = |k: usize| opposite(k) && ties[k].mark.is_some();
        let between = match lines[i].way {
            Way::Down => before.is_some_and(switched) && after.is_none_or(switched),
            _ => after.is_some_and(switched) && before.is_none_or(switched),
        };
        if !between {
            continue;
        }
        // A tied line is where its step is. Across a zero check nothing goes on.
        let zero = |k: &usize| lines[*k].way == Way::Zero;
        let of_s = |k: usize| ties[k].mark.map_or(at_s(k), |mark| evidence.marks[mark].time_s);
        let from_s = (0..i).filter(zero).chain(before).map(of_s).fold(f64::NEG_INFINITY, f64::max);
        let to_s =
            (i + 1..lines.len()).filter(zero).chain(after).map(of_s).fold(f64::INFINITY, f64::min);
        let near = |j: usize, size: f64| {
            let jump = evidence.marks[j].delta_a.abs().max(f64::MIN_POSITIVE).ln();
            (jump - size).abs() <= ALIKE.ln()
        };
        // Another load of that size may do it without a line, if its own lines leave it where it can.
        let rival = |j: usize| {
            let last = |load: usize| {
                let earlier =
                    |k: &usize| lines[*k].load == load && of_s(*k) < evidence.marks[j].time_s;
                (0..lines.len()).rev().find(earlier).map(|k| lines[k].way)
            };
            let able = |load: usize| match lines[i].way {
                Way::Down => last(load).is_some_and(|way| way != Way::Down),
                _ => last(load).is_none_or(|way| way != Way::Up),
            };
            (0..lines.len()).any(|k| {
                let of_other = sizes[k].filter(|_| lines[k].load != lines[i].load);
                of_other.is_some_and(|(size, _)| near(j, size)) && able(lines[k].load)
            })
        };
        let alike = |j: &usize| {
            let time_s = evidence.marks[*j].time_s;
            free[*j] && from_s < time_s && time_s < to_s && near(*j, size)
        };
        let mut marks: Vec<usize> = (0..evidence.marks.len()).filter(alike).collect();
        if lines[i].way == Way::Up {
            marks.reverse();
        }
        // What rises and falls again by as much between two lines is a wake.
        let mut open = 0_usize;
        marks.retain(|j| {
            let other = (evidence.marks[*j].delta_a > 0.0) != rises;
            let alone = !other && open == 0;
            open = if other { open + 1 } else { open.saturating_sub(1) };
            alone
        });
        let off_s = |j: usize| evidence.marks[j].time_s - line_s;
        let nearest = marks
            .into_iter()
            .filter(|j| !rival(*j))
            .min_by(|a, b| off_s(*a).abs().total_cmp(&off_s(*b).abs()));
        if let Some(mark) = nearest {
            free[mark] = false;
            ties[i].mark = Some(mark);
            far_s[i] = Some(off_s(mark));
        }
    }
    far_s
}
