//! Lines whose step lies far from them: a load that runs on after it was switched off, starts with a delay,
//! or was switched long before or after it was noted.
//!
//! Their times say nothing any more; what says it is the size, known from the load's other switchings, of a
//! step that no other line explains, between the load's lines before and after.

use super::align::Answer;
use super::decode::Tie;
use super::evidence::{Evidence, Way};
use super::pairs;

/// Jumps of one load are alike within this ratio.
const ALIKE: f64 = 1.2;

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
        // The load's lines on either side, and a zero check, bound the time. A tied one is where its step is.
        let bounds =
            |k: &usize| *k != i && (lines[*k].load == lines[i].load || lines[*k].way == Way::Zero);
        let of_s = |k: usize| ties[k].mark.map_or(at_s(k), |mark| evidence.marks[mark].time_s);
        let from_s = (0..i).filter(bounds).map(of_s).fold(f64::NEG_INFINITY, f64::max);
        let to_s = (i + 1..lines.len()).filter(bounds).map(of_s).fold(f64::INFINITY, f64::min);
        let alike = |j: &usize| {
            let mark = &evidence.marks[*j];
            let ratio = mark.delta_a.abs().max(f64::MIN_POSITIVE).ln() - size;
            free[*j] && from_s < mark.time_s && mark.time_s < to_s && ratio.abs() <= ALIKE.ln()
        };
        let (up, down): (Vec<usize>, Vec<usize>) =
            (0..evidence.marks.len()).filter(alike).partition(|j| evidence.marks[*j].delta_a > 0.0);
        let (same, opposite) = if rises { (up, down) } else { (down, up) };
        // What rises and falls again by as much between two lines is a wake.
        let is_wake = |j: usize| {
            opposite
                .iter()
                .any(|other| if lines[i].way == Way::Up { *other > j } else { *other < j })
        };
        let off_s = |j: usize| evidence.marks[j].time_s - line_s;
        let nearest = same
            .into_iter()
            .filter(|j| !is_wake(*j))
            .min_by(|a, b| off_s(*a).abs().total_cmp(&off_s(*b).abs()));
        if let Some(mark) = nearest {
            free[mark] = false;
            ties[i].mark = Some(mark);
            far_s[i] = Some(off_s(mark));
        }
    }
    far_s
}
