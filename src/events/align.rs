//! The whole way: lines placed, clocks set against each other, lines tied, doubts told.

use jiff::civil::DateTime;

use super::cautions::{self, Told};
use super::clock::{self, Fit};
use super::decode::{self, Tie};
use super::evidence::{Evidence, Line, Mark, Way};
use super::place::{self, Hold, Placed};
use super::prior::Prior;
use super::setting::Setting;
use super::{Alignment, ClockFit, EventList, TiedEvent};
use crate::capture::Samples;
use crate::fault::InputFault;
use crate::jobsheet::JobSheet;
use crate::numeric::duration;
use crate::segment::Segmentation;

/// Log evidence below which a pattern may be chance, and the clocks are taken as they stand.
const CHANCE: f64 = 2.0;
/// Log evidence that a list needs which does not meet the capture as its clock stands.
const STRONG: f64 = 6.0;
/// Offsets within this log weight of the best are rivals.
const RIVAL: f64 = 4.0;

/// Spreads away from where its line says that make a tied step doubtful.
const STRANGE: f64 = 3.0;
/// The same for ties that are less than [`SURE`].
const ODD: f64 = 2.0;
/// Probability from which only the distance speaks against a tie.
const SURE: f64 = 0.98;

/// A tie to a step further than this from its line's own moment is worse than none, seconds,
pub(super) const FAR_S: f64 = 5.0;
/// and is doubtful from this probability on.
const FAR_RISK: f64 = 0.005;

/// Rounding that leaves a line's step to order, direction and size, seconds.
pub(super) const COARSE_S: f64 = 20.0;

/// What the clocks turned out to be.
pub(super) struct Answer {
    pub(super) setting: Setting,
    pub(super) uncertainty_s: f64,
    /// Standard deviation of the offset without what people's lateness leaves open, seconds.
    pub(super) peak_s: f64,
    pub(super) drift_found: bool,
    /// Probability that this offset is the right one of those found.
    pub(super) share: f64,
    /// Other offsets, most likely first.
    pub(super) rivals_s: Vec<f64>,
    /// False when the pattern may be chance.
    pub(super) found: bool,
}

impl Answer {
    /// True when a step lies so far from where its line says that it may well be another's: 3
    /// spreads, or, when the tie is not quite sure otherwise, 2, or clearly after what was written,
    /// for nobody notes what is still to be done.
    pub(super) fn is_strange(&self, mark: &Mark, line: &Line, probability: f64) -> bool {
        let strangeness = self.setting.strangeness(mark, line);
        if probability >= SURE * self.share {
            return strangeness > STRANGE;
        }
        let after_s = mark.time_s - self.setting.capture_time(line.listed_s);
        let doubt_s = 2.0 * self.uncertainty_s.hypot(mark.time_sd_s);
        strangeness > ODD || after_s - 0.5 * line.rounding_s > doubt_s
    }

    /// True when a tie may well be worse than none. Coarse times are told of as a whole.
    pub(super) fn may_be_far(&self, mark: &Mark, line: &Line, probability: f64) -> bool {
        line.rounding_s < COARSE_S && self.far_risk(mark, line, probability, FAR_S) > FAR_RISK
    }

    /// Probability that what the line tells of lies further than `reach_s` from the step that it is tied
    /// to with `probability`: the tie is wrong, and of the moments that the line may mean, level over its
    /// rounding and a spread on either side, so many lie that far off.
    fn far_risk(&self, mark: &Mark, line: &Line, probability: f64, reach_s: f64) -> f64 {
        let setting = &self.setting;
        let due_s = setting.capture_time(line.listed_s) - setting.lateness_s();
        let half_s = (0.5 * line.rounding_s + setting.spread_s).max(f64::MIN_POSITIVE);
        let (low_s, high_s) = (due_s - half_s, due_s + half_s);
        let below_s = (mark.time_s - reach_s).min(high_s) - low_s;
        let above_s = high_s - (mark.time_s + reach_s).max(low_s);
        let share = (below_s.max(0.0) + above_s.max(0.0)) / (2.0 * half_s);
        (1.0 - probability) * share
    }
}

pub(super) fn align(
    list: &EventList,
    start: Option<DateTime>,
    samples: &Samples,
    segmentation: &Segmentation,
    sheet: &JobSheet,
) -> Result<Alignment, InputFault> {
    let duration_s = samples.duration_s();
    let readings = match &segmentation.held {
        Some(held) => held.first.len(),
        None => samples.len(),
    };
    let interval_s = duration_s / (readings.max(2) - 1) as f64;
    let placed = place::place(list, start, duration_s);
    let evidence = Evidence::of(list, &placed, segmentation, duration_s, interval_s, sheet);
    let prior = Prior::of(&placed, duration_s);
    let fits = clock::fits(&evidence, &prior);
    let answer = decide(&evidence, &placed, &fits, duration_s);
    if !meets(&placed, &answer.setting, duration_s) {
        return Err(outside(list, &placed, duration_s));
    }
    let ties = decode::ties(&evidence, &prior, &answer);
    let events = tied_events(list, &evidence, &answer, &ties);
    let mut step_events = vec![None; segmentation.steps.len()];
    for (i, event) in events.iter().enumerate() {
        if let Some(step) = event.step {
            step_events[step] = Some(i);
        }
    }
    let told = Told {
        list,
        evidence: &evidence,
        placed: &placed,
        answer: &answer,
        ties: &ties,
        events: &events,
    };
    let cautions = cautions::all(&told, segmentation, sheet, duration_s);
    Ok(Alignment {
        clock: ClockFit {
            offset_s: answer.setting.offset_s,
            standard_uncertainty_s: answer.uncertainty_s,
            drift_s_per_h: answer.drift_found.then_some(answer.setting.drift_s_per_h),
            rival_offsets_s: answer.rivals_s,
        },
        events,
        step_events,
        cautions,
    })
}

fn decide(evidence: &Evidence, placed: &Placed, fits: &[Fit], duration_s: f64) -> Answer {
    let as_they_stand = Setting { offset_s: 0.0, drift_s_per_h: 0.0, spread_s: 3.0, turn: 1.0 };
    let meets_as_is = meets(placed, &as_they_stand, duration_s) && placed.hold != Hold::Floating;
    let needed = if meets_as_is { CHANCE } else { STRONG };
    let strong_enough = |fit: &&Fit| fit.ln_evidence > needed || placed.hold == Hold::Floating;
    let Some(best) = fits.first().filter(strong_enough) else {
        // Clocks that nobody compared agree within about a minute; a stopwatch within seconds.
        let uncertainty_s = if placed.hold == Hold::Elapsed { 3.0 } else { 60.0 };
        return Answer {
            setting: as_they_stand,
            uncertainty_s,
            peak_s: uncertainty_s,
            drift_found: false,
            share: 0.5,
            rivals_s: fits.first().map(|fit| fit.setting.offset_s).into_iter().collect(),
            found: fits.is_empty() && evidence.lines.is_empty(),
        };
    };
    let weights: Vec<f64> =
        fits.iter().map(|fit| (fit.ln_evidence - best.ln_evidence).exp()).collect();
    let none = (-best.ln_evidence).exp();
    // Lateness is a person's, not a clock's: it stays in doubt by what was allowed for it.
    let lateness_s = 0.6 * best.setting.lateness_s();
    Answer {
        setting: best.setting,
        uncertainty_s: best.uncertainty_s.hypot(lateness_s),
        peak_s: best.uncertainty_s,
        drift_found: best.drift_found,
        share: 1.0 / (weights.iter().sum::<f64>() + none),
        rivals_s: fits
            .iter()
            .skip(1)
            .filter(|fit| fit.setting.turn == best.setting.turn)
            .filter(|fit| fit.ln_evidence > best.ln_evidence - RIVAL && fit.ln_evidence > 0.0)
            .map(|fit| fit.setting.offset_s)
            .collect(),
        found: true,
    }
}

/// True when any line lies in the capture, give or take a minute.
fn meets(placed: &Placed, setting: &Setting, duration_s: f64) -> bool {
    placed
        .listed_s
        .iter()
        .any(|listed| (-60.0..=duration_s + 60.0).contains(&setting.capture_time(*listed)))
}

fn outside(list: &EventList, placed: &Placed, duration_s: f64) -> InputFault {
    let of =
        |pick: fn(f64, f64) -> f64, from: f64| placed.listed_s.iter().copied().fold(from, pick);
    let (first, last) = (of(f64::min, f64::INFINITY), of(f64::max, f64::NEG_INFINITY));
    let (found, line_s) = if last < 0.0 {
        (format!("the event list ends {} before the capture starts", duration(-last)), last)
    } else if first > duration_s {
        let late = duration(first - duration_s);
        (format!("the event list starts {late} after the capture ends"), first)
    } else {
        ("no line of the event list lies in the capture".to_owned(), first)
    };
    let row = placed
        .listed_s
        .iter()
        .position(|listed| *listed == line_s)
        .map_or(1, |line| list.lines[line].row);
    InputFault::at(
        &list.file,
        row,
        1,
        found,
        "check that list and capture belong together, and the dates in both; a difference of up to \
         2 h, of whole hours or of whole days is found by itself when the steps fit the list",
    )
}

fn tied_events(
    list: &EventList,
    evidence: &Evidence,
    answer: &Answer,
    ties: &[Tie],
) -> Vec<TiedEvent> {
    evidence
        .lines
        .iter()
        .zip(ties)
        .map(|(line, tie)| {
            let aligned_s = answer.setting.capture_time(line.listed_s);
            let into_zero = tie.mark.and_then(|mark| evidence.marks[mark].into_zero);
            let zero = (line.way == Way::Zero)
                .then(|| {
                    into_zero.or_else(|| zero_near(evidence, answer, line.rounding_s, aligned_s))
                })
                .flatten();
            TiedEvent {
                line: list.lines[line.of_list].clone(),
                listed_s: line.listed_s,
                aligned_s,
                step: tie.mark.map(|mark| evidence.marks[mark].of_segmentation),
                probability: tie.probability,
                zero_segment: zero.map(|zero| evidence.zeros[zero].segment),
            }
        })
        .collect()
}

/// The near-zero stretch that a zero check at a time reads: the one that holds then, or the
/// nearest within the times' doubt.
fn zero_near(
    evidence: &Evidence,
    answer: &Answer,
    rounding_s: f64,
    aligned_s: f64,
) -> Option<usize> {
    let doubt_s =
        0.5 * rounding_s + 3.0 * answer.setting.spread_s.hypot(answer.uncertainty_s.min(60.0));
    let distance = |zero: usize| {
        let stretch = &evidence.zeros[zero];
        (stretch.start_s - aligned_s).max(aligned_s - stretch.end_s).max(0.0)
    };
    (0..evidence.zeros.len())
        .filter(|zero| distance(*zero) <= doubt_s)
        .min_by(|a, b| distance(*a).total_cmp(&distance(*b)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// By hand: the line means a moment in 96.25 … 101.25 s, 3.5 s of which lie more than 5 s after 92.75 s.
    #[test]
    fn the_risk_of_a_far_tie_is_that_it_is_wrong_and_the_moment_far() {
        let setting = Setting { offset_s: 0.0, drift_s_per_h: 0.0, spread_s: 1.0, turn: 1.0 };
        let answer = Answer {
            setting,
            uncertainty_s: 0.5,
            peak_s: 0.3,
            drift_found: false,
            share: 1.0,
            rivals_s: Vec::new(),
            found: true,
        };
        let line = Line {
            of_list: 0,
            listed_s: 98.75 + setting.lateness_s(),
            rounding_s: 3.0,
            way: Way::Up,
            doing: 0,
            opposite: None,
            load: 0,
            repeats: false,
            size_a: None,
        };
        let mark = |time_s: f64| Mark {
            of_segmentation: 0,
            time_s,
            time_sd_s: 0.1,
            delta_a: 0.1,
            since_s: 60.0,
            into_zero: None,
            of_burst: false,
        };
        let risk = |time_s: f64| answer.far_risk(&mark(time_s), &line, 0.9, 5.0);
        assert_relative_eq!(risk(92.75), 0.1 * 3.5 / 5.0, max_relative = 1e-9);
        assert_relative_eq!(risk(104.75), 0.1 * 3.5 / 5.0, max_relative = 1e-9);
        assert_eq!(risk(98.0), 0.0);
        assert_relative_eq!(risk(80.0), 0.1, max_relative = 1e-9);
    }
}
