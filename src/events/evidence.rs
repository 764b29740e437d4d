//! What lines and steps say about each other beside their times: direction, size, and whether
//! a step leads into a level near zero.

use std::f64::consts::LN_2;

use super::nothing::{ZeroStretch, zero_stretches};
use super::place::Placed;
use super::{Action, EventList};
use crate::findings::SegmentKind;
use crate::jobsheet::{ASSUMED_BEHAVIOUR, JobSheet, LoadSpec, StateSpec, carry_current, same_name};
use crate::segment::Segmentation;

/// Steps beyond this number are not looked at: the largest are kept.
const MOST_STEPS: usize = 4000;

/// Share of loads that surge when they are switched on, as a burst or as a larger step,
const SURGES: f64 = 0.25;
/// and by up to how many times their draw (common practice, no source).
const INRUSH: f64 = 15.0;

/// Mean delay of what a step brings by itself, a hump's, a boot's or a burst's end, seconds (common
/// practice, no source).
const OWN_DELAY_S: f64 = 5.0;
/// However short the pause, hands are quick at times: the least that it leaves of a line's likelihood.
const QUICK: f64 = 0.2;

/// Share of lines that say on for off, or whose load feeds the site.
const CONTRARY: f64 = 0.005;

/// Lines listed this close to each other may be one movement of the hand, seconds.
const TOGETHER_S: f64 = 3.0;

/// Which way a line should move the current.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Way {
    Up,
    Down,
    Either,
    /// A zero check.
    Zero,
}

/// A line as the search sees it. Lines are in order of listed time, file order among equals.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Line {
    /// Index in the list's file order.
    pub(super) of_list: usize,
    pub(super) listed_s: f64,
    pub(super) rounding_s: f64,
    pub(super) way: Way,
    /// Lines of the same load and action share one number; of the same load and the opposite
    /// action, its `opposite`.
    pub(super) doing: usize,
    pub(super) opposite: Option<usize>,
    /// Lines of the same load share one number.
    pub(super) load: usize,
    /// True when the load was told the same the last time: on while on, or off while off.
    pub(super) repeats: bool,
    /// Smallest and largest jump that the job sheet makes expect, ampere.
    pub(super) size_a: Option<(f64, f64)>,
}

/// A step as the search sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Mark {
    /// Index in the segmentation's steps.
    pub(super) of_segmentation: usize,
    /// Middle of the interval in which it happened, seconds.
    pub(super) time_s: f64,
    /// Standard uncertainty of that, seconds.
    pub(super) time_sd_s: f64,
    /// Jump, ampere.
    pub(super) delta_a: f64,
    /// Seconds since the step before.
    pub(super) since_s: f64,
    /// Index of the near-zero stretch it leads into.
    pub(super) into_zero: Option<usize>,
    /// True at an edge of a burst: a load's own doing, most often.
    pub(super) of_burst: bool,
}

/// Both sides of the pairing.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Evidence {
    pub(super) lines: Vec<Line>,
    pub(super) marks: Vec<Mark>,
    pub(super) zeros: Vec<ZeroStretch>,
    /// Length of the capture, seconds.
    pub(super) duration_s: f64,
    /// Steps a second that nobody listed, at most: all of them.
    pub(super) steps_per_s: f64,
    /// The same where much is switched, from the middle pause between steps.
    steps_in_visit_per_s: f64,
    /// Share of the steps that lead into a near-zero stretch.
    into_zero_share: f64,
    /// Share of the steps at the edge of a burst, a step of either kind added; at most one half,
    /// for bursts that are a habit bear no further witness one by one.
    burst_share: f64,
    /// Mean and standard deviation of `ln |jump|` over all steps.
    pub(super) ln_size: (f64, f64),
}

impl Evidence {
    pub(super) fn of(
        list: &EventList,
        placed: &Placed,
        segmentation: &Segmentation,
        duration_s: f64,
        interval_s: f64,
        sheet: &JobSheet,
    ) -> Self {
        let checked = list.lines.iter().any(|line| line.action == Action::Zero);
        let zeros = zero_stretches(segmentation, sheet, checked);
        let marks = marks(segmentation, &zeros, interval_s);
        let sizes: Vec<f64> =
            marks.iter().map(|mark| mark.delta_a.abs()).filter(|a| *a > 0.0).map(f64::ln).collect();
        let n = sizes.len().max(1) as f64;
        let mean = sizes.iter().sum::<f64>() / n;
        let variance = sizes.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / n;
        let mut pauses_s: Vec<f64> = marks.iter().map(|mark| mark.since_s).collect();
        pauses_s.sort_by(f64::total_cmp);
        let middle_s = pauses_s.get(pauses_s.len() / 2).copied().unwrap_or(duration_s);
        Self {
            steps_in_visit_per_s: LN_2 / middle_s.min(duration_s).max(interval_s),
            lines: lines(list, placed, sheet),
            steps_per_s: (marks.len() as f64 + 1.0) / duration_s.max(interval_s),
            into_zero_share: marks.iter().filter(|mark| mark.into_zero.is_some()).count() as f64
                / marks.len().max(1) as f64,
            burst_share: ((marks.iter().filter(|mark| mark.of_burst).count() as f64 + 1.0)
                / (marks.len() as f64 + 2.0))
                .min(0.5),
            marks,
            zeros,
            duration_s,
            // Half an octave at least: steps of one size only tell nothing of size.
            ln_size: (mean, variance.sqrt().max(0.5)),
        }
    }

    /// Likelihood ratio of everything but the time: `line` made `mark` against a chance meeting.
    /// `turn` is −1 for a clamp that sat the other way round.
    pub(super) fn ratio(&self, line: usize, mark: usize, turn: f64) -> f64 {
        let (line, mark) = (&self.lines[line], &self.marks[mark]);
        let up = mark.delta_a * turn > 0.0;
        let way = match line.way {
            Way::Up if up => (1.0 - CONTRARY) / 0.5,
            Way::Down if !up => (1.0 - CONTRARY) / 0.5,
            Way::Up | Way::Down => CONTRARY / 0.5,
            Way::Either => 1.0,
            Way::Zero => match mark.into_zero {
                Some(_) => 0.95 / self.into_zero_share,
                None => 0.05,
            },
        };
        let size = line.size_a.map_or(1.0, |(low, high)| {
            let size = mark.delta_a.abs().max(f64::MIN_POSITIVE).ln();
            let nearest = size.clamp(low.ln(), high.ln());
            // A faulty load may draw twice its limit: wide, and half believed.
            if line.way == Way::Up {
                let usual = self.size_ratio(size, nearest, 0.5, 0.5);
                let inrush = (0.0..INRUSH.ln()).contains(&(size - nearest));
                let surge = if inrush { 1.0 / INRUSH.ln() / self.anywhere(size) } else { 0.0 };
                usual + SURGES * (surge - 1.0)
            } else {
                self.size_ratio(size, nearest, 0.5, 0.6)
            }
        });
        let own = pause_ratio(mark.since_s, self.steps_in_visit_per_s);
        // Loads surge when switched on; the rest of the bursts is a load's own doing. Which steps lead
        // into a zero check is told by their level.
        let bursts = if line.way == Way::Up && up { SURGES } else { 0.05 };
        let burst = match (line.way, mark.of_burst) {
            (Way::Zero, true) => 0.25,
            (Way::Zero, false) => 1.0,
            (_, true) => bursts / self.burst_share,
            (_, false) => (1.0 - bursts) / (1.0 - self.burst_share),
        };
        way * size * own * burst
    }

    /// How much likelier a jump of log size `size` is when about `expected` is due than anywhere:
    /// log-normal of width `sd`, believed with weight `belief`.
    pub(super) fn size_ratio(&self, size: f64, expected: f64, sd: f64, belief: f64) -> f64 {
        let density = |x: f64, mean: f64, sd: f64| (-0.5 * ((x - mean) / sd).powi(2)).exp() / sd;
        belief * density(size, expected, sd) / self.anywhere(size) + (1.0 - belief)
    }

    /// Density of `ln |jump|` over all steps, without its `1/√2π`; far out no smaller than a third
    /// of a standard deviation's tail.
    fn anywhere(&self, size: f64) -> f64 {
        let (mean, spread) = self.ln_size;
        let z = (size - mean) / spread;
        ((-0.5 * z * z).exp() / spread).max(0.05 / spread)
    }

    /// True for two lines of different loads that may be one movement of the hand.
    pub(super) fn together(&self, a: usize, b: usize) -> bool {
        let (a, b) = (&self.lines[a], &self.lines[b]);
        a.doing != b.doing
            && a.way == b.way
            && a.way != Way::Zero
            && (a.listed_s - b.listed_s).abs() <= TOGETHER_S.max(0.1 * a.rounding_s)
    }

    /// The near-zero stretch that holds at a time, if any.
    pub(super) fn zero_at(&self, time_s: f64) -> Option<usize> {
        let after = self.zeros.partition_point(|zero| zero.start_s <= time_s);
        (after > 0 && time_s <= self.zeros[after - 1].end_s).then(|| after - 1)
    }

    /// Seconds near zero in all.
    pub(super) fn zero_time_s(&self) -> f64 {
        self.zeros.iter().map(|zero| zero.end_s - zero.start_s).sum()
    }
}

/// What the pause before a step leaves of a line's likelihood.
///
/// Unlisted steps that nothing hangs on come at a rate of their own, whatever the pause. As many again
/// follow the step before, as its own doing: where steps come at a rate `ρ`, with pauses of density
/// `ρ e^(−ρs)`, and own doings after `e^(−s/τ)/τ`, there are `1 + e^(−s (1/τ − ρ))/(ρτ)` times as many
/// unlisted ones. Steps as dense as that (`ρ ≥ 1/τ`) tell nothing.
fn pause_ratio(pause_s: f64, steps_per_s: f64) -> f64 {
    let faster_per_s = OWN_DELAY_S.recip() - steps_per_s;
    if faster_per_s <= 0.0 {
        return 1.0;
    }
    let follow = (-pause_s * faster_per_s).exp() / (steps_per_s * OWN_DELAY_S);
    (1.0 + follow).recip().max(QUICK)
}

fn lines(list: &EventList, placed: &Placed, sheet: &JobSheet) -> Vec<Line> {
    let mut order: Vec<usize> = (0..list.lines.len()).collect();
    order.sort_by(|a, b| placed.listed_s[*a].total_cmp(&placed.listed_s[*b]));
    // What each load was last told to do, by name without regard to case.
    let mut doings: Vec<(String, Action)> = Vec::new();
    let mut number = |load: &str, action: &Action| {
        let action = match action {
            Action::To(state) => Action::To(state.to_lowercase()),
            other => other.clone(),
        };
        let key = (load.to_lowercase(), action);
        doings.iter().position(|known| *known == key).unwrap_or_else(|| {
            doings.push(key);
            doings.len() - 1
        })
    };
    let mut told: Vec<(String, Option<String>)> = Vec::new();
    let listed: Vec<(String, String)> = list
        .lines
        .iter()
        .filter_map(|line| match &line.action {
            Action::To(state) => Some((line.load.to_lowercase(), state.to_lowercase())),
            _ => None,
        })
        .collect();
    order
        .into_iter()
        .map(|of_list| {
            let line = &list.lines[of_list];
            let load = line.load.to_lowercase();
            let at = told.iter().position(|(name, _)| *name == load);
            let before = at.and_then(|at| told[at].1.clone());
            let spec = sheet.load(&line.load);
            let now = match &line.action {
                Action::On => Some(
                    spec.and_then(|spec| spec.states.first())
                        .map_or_else(|| "on".to_owned(), |state| state.name.to_lowercase()),
                ),
                Action::To(state) => Some(state.to_lowercase()),
                Action::Off | Action::Zero => None,
            };
            let (way, size_a) = match &line.action {
                Action::Zero => (Way::Zero, None),
                Action::On => (Way::Up, jump(spec, None, now.as_deref(), sheet)),
                // It may have fallen asleep, or finished starting, since it was told.
                Action::Off => (Way::Down, fall(spec, before.as_deref(), &listed, sheet)),
                Action::To(_) => {
                    let known = jump_signed(spec, before.as_deref(), now.as_deref(), sheet);
                    let way = match known {
                        Some((low, _)) if low > 0.0 => Way::Up,
                        Some((_, high)) if high < 0.0 => Way::Down,
                        _ if before.is_none() => Way::Up,
                        _ => Way::Either,
                    };
                    (way, jump(spec, before.as_deref(), now.as_deref(), sheet))
                }
            };
            let repeats = match line.action {
                Action::On => at.is_some() && before == now,
                Action::Off => at.is_some() && before.is_none(),
                Action::To(_) | Action::Zero => false,
            };
            let number_of_load = at.unwrap_or(told.len());
            if line.action != Action::Zero {
                match at {
                    Some(at) => told[at].1 = now,
                    None => told.push((load, now)),
                }
            }
            let opposite = match line.action {
                Action::On => Some(number(&line.load, &Action::Off)),
                Action::Off => Some(number(&line.load, &Action::On)),
                Action::To(_) | Action::Zero => None,
            };
            Line {
                of_list,
                listed_s: placed.listed_s[of_list],
                rounding_s: placed.rounding_s[of_list],
                way,
                doing: number(&line.load, &line.action),
                opposite,
                load: number_of_load,
                repeats,
                size_a,
            }
        })
        .collect()
}

/// Smallest and largest draw of a named state at the site's voltage; 0 for off.
fn draw(spec: Option<&LoadSpec>, state: Option<&str>, sheet: &JobSheet) -> Option<(f64, f64)> {
    let Some(state) = state else { return Some((0.0, 0.0)) };
    let spec = spec?;
    let state = spec.states.iter().find(|known| same_name(&known.name, state))?;
    let carry = |current_a: f64| match state.at_voltage_v.zip(sheet.site.supply_voltage_v) {
        Some((from_v, to_v)) => {
            carry_current(current_a, from_v, to_v, spec.behaves_as.unwrap_or(ASSUMED_BEHAVIOUR))
        }
        None => current_a,
    };
    let StateSpec { specified_a, maximum_a, minimum_a, .. } = state;
    match (specified_a.map(carry), minimum_a.map(carry), maximum_a.map(carry)) {
        (Some(typical), _, _) => Some((typical, typical)),
        (None, Some(low), Some(high)) => Some((low, high)),
        // A limit alone: the draw is most often not far below it.
        (None, None, Some(high)) => Some((0.3 * high, high)),
        (None, Some(low), None) => Some((low, 3.0 * low)),
        (None, None, None) => None,
    }
}

fn jump_signed(
    spec: Option<&LoadSpec>,
    before: Option<&str>,
    now: Option<&str>,
    sheet: &JobSheet,
) -> Option<(f64, f64)> {
    let (low_before, high_before) = draw(spec, before, sheet)?;
    let (low, high) = draw(spec, now, sheet)?;
    Some((low - high_before, high - low_before))
}

fn jump(
    spec: Option<&LoadSpec>,
    before: Option<&str>,
    now: Option<&str>,
    sheet: &JobSheet,
) -> Option<(f64, f64)> {
    let (low, high) = jump_signed(spec, before, now, sheet)?;
    let (low, high) = if low > 0.0 { (low, high) } else { (-high, -low) };
    (low > 0.0).then_some((low, high))
}

/// Smallest and largest fall when a load is switched off: from the state it was told to be in, or
/// from one of the job sheet's that nobody lists, which it enters by itself.
fn fall(
    spec: Option<&LoadSpec>,
    told: Option<&str>,
    listed: &[(String, String)],
    sheet: &JobSheet,
) -> Option<(f64, f64)> {
    let told_a = jump(spec, told, None, sheet)?;
    let spec = spec?;
    let of_load = |state: &str| {
        listed.iter().any(|(load, of)| same_name(load, &spec.name) && same_name(of, state))
    };
    let own = spec.states.iter().map(|state| state.name.as_str()).filter(|state| !of_load(state));
    let falls = own.filter_map(|state| jump(Some(spec), Some(state), None, sheet));
    Some(falls.fold(told_a, |(low, high), (a, b)| (low.min(a), high.max(b))))
}

fn marks(segmentation: &Segmentation, zeros: &[ZeroStretch], interval_s: f64) -> Vec<Mark> {
    let segments = &segmentation.segments;
    let near = |i: usize| {
        let start_s = segments.get(i)?.start_s;
        let at = zeros.partition_point(|zero| zero.start_s <= start_s).checked_sub(1)?;
        (start_s < zeros[at].end_s).then_some(at)
    };
    let mut before_s = f64::NEG_INFINITY;
    let mut marks: Vec<Mark> = segmentation
        .steps
        .iter()
        .enumerate()
        .map(|(of_segmentation, step)| {
            let here = segments.partition_point(|s| s.first <= step.index).saturating_sub(1);
            let kind = |i: usize| segments.get(i).map(|segment| segment.kind);
            let was_near = here > 0 && near(here - 1).is_some();
            let into_zero = near(here).or_else(|| {
                (kind(here) == Some(SegmentKind::Transient)).then(|| near(here + 1)).flatten()
            });
            // A short zero check is nobody's burst.
            let burst = |i: usize| kind(i) == Some(SegmentKind::Burst) && near(i).is_none();
            let of_burst = burst(here) || (here > 0 && burst(here - 1));
            // Each interval is credible at 95 %: ±1.96 standard deviations.
            let width = (step.time_high_s - step.time_low_s).max(0.0) / 3.92;
            let mark = Mark {
                of_segmentation,
                time_s: step.time_s - 0.5 * interval_s,
                time_sd_s: (width * width + interval_s * interval_s / 12.0).sqrt(),
                delta_a: step.delta_a,
                since_s: step.time_s - before_s,
                into_zero: into_zero.filter(|_| !was_near),
                of_burst,
            };
            before_s = step.time_s;
            mark
        })
        .collect();
    if marks.len() > MOST_STEPS {
        marks.sort_by(|a, b| b.delta_a.abs().total_cmp(&a.delta_a.abs()));
        marks.truncate(MOST_STEPS);
        marks.sort_by_key(|mark| mark.of_segmentation);
    }
    marks
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Of the unlisted steps after pauses of both laws, those that hang on nothing are that share.
    #[test]
    fn the_ratio_of_a_pause_is_that_of_two_densities() {
        let density = |mean_s: f64, s: f64| (-s / mean_s).exp() / mean_s;
        for pause_s in [2.0, 8.0, 40.0] {
            let (free, own) = (density(25.0, pause_s), density(OWN_DELAY_S, pause_s));
            let expected = (free / (free + own)).max(QUICK);
            assert_relative_eq!(pause_ratio(pause_s, 1.0 / 25.0), expected, max_relative = 1e-12);
        }
        assert_eq!(pause_ratio(3.0, 1.0), 1.0);
        assert_eq!(pause_ratio(f64::INFINITY, 0.03), 1.0);
        assert_eq!(pause_ratio(0.5, 0.001), QUICK);
    }
}
