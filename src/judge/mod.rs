//! From draws to verdicts, scores, unexplained draw and what to measure next.
//!
//! ```text
//! limits       at the site's voltage       score        how odd a value is
//! conformity   the decision and its risk   unexplained  draw that no line lists
//! rows         one a load and state        advice       what to measure next
//! headline     the answer in a sentence    visits       what is odd about steps and stays
//! sleep        floor, wakes, failures to sleep    agreement  what is drawn asleep, told twice
//! untried      limits that nothing was held to
//! ```

mod advice;
mod agreement;
mod conformity;
mod headline;
mod limits;
mod rows;
mod score;
mod sleep;
#[cfg(test)]
mod tests;
mod types;
mod unexplained;
mod untried;
mod visits;
mod words;

pub use types::*;
pub use untried::SLEEP_LIMIT_NOT_TRIED;

use jiff::civil::DateTime;

use crate::capture::{Capture, Samples};
use crate::events::Alignment;
use crate::findings::{SleepFindings, Wakes, ZeroCheck};
use crate::jobsheet::JobSheet;
use crate::loads::LoadsFound;
use crate::segment::{Segment, Segmentation};

/// Judges every load against its limits at the site's voltage.
pub fn judge(
    capture: &Capture,
    carried: Carried,
    segmentation: &Segmentation,
    alignment: Option<&Alignment>,
    loads: &LoadsFound,
    sheet: &JobSheet,
    risk: Risk,
) -> Judgement {
    let asleep = |samples: &Samples, segmentation: &Segmentation| {
        let logged = sleep::Logged { samples, gaps: &capture.sampling.gaps, start: capture.start };
        sleep::assess(logged, segmentation, alignment, loads, sheet, risk)
    };
    let slept = match &segmentation.held {
        // What stands in the log several times is one reading there as well.
        Some(held) => asleep(&held.readings(&capture.samples), &held.in_readings(segmentation)),
        None => asleep(&capture.samples, segmentation),
    };
    judge_with(carried, capture.start, segmentation, alignment, loads, sheet, risk, slept)
}

#[expect(clippy::too_many_arguments, reason = "what `judge` takes of a capture, in parts")]
fn judge_with(
    carried: Carried,
    start: Option<DateTime>,
    segmentation: &Segmentation,
    alignment: Option<&Alignment>,
    loads: &LoadsFound,
    sheet: &JobSheet,
    risk: Risk,
    slept: Option<(SleepFindings, Option<Wakes>)>,
) -> Judgement {
    let sign = loads.sign();
    let time_s = time_in_state(segmentation, loads);
    let mut cautions = Vec::new();
    let rows = rows::rows(loads, &time_s, sheet, risk, &mut cautions);
    let (sleep, wakes) = match slept {
        Some((found, wakes)) => (Some(found), wakes),
        None => (None, None),
    };
    let failures = sleep.as_ref().map_or(&[][..], |found| found.failures.as_slice());
    let unexplained = unexplained::find(segmentation, loads, alignment.is_some(), failures);
    let found = sleep.as_ref();
    cautions.extend(
        found.and_then(|sleep| agreement::caution(segmentation, loads, sleep, &unexplained)),
    );
    let advice = advice::advise(&advice::Case {
        start,
        rows: &rows,
        time_s: &time_s,
        loads,
        unexplained: &unexplained,
        charge_ah: carried.charge_ah,
        alignment,
        sheet,
    });
    let checked = |segment: &Segment| {
        let within =
            |check: &ZeroCheck| check.time_s >= segment.start_s && check.time_s <= segment.end_s;
        loads.zero.checks.iter().any(within)
    };
    let lowest_a = segmentation
        .segments
        .iter()
        .filter(|segment| !checked(segment))
        .filter_map(|segment| segmentation.states.get(segment.state?))
        .map(|level| sign * level.mean_a - loads.zero.offset_a.unwrap_or(0.0))
        .reduce(f64::min);
    cautions.extend(untried::cautions(sheet.sleep, found, lowest_a));
    cautions.extend(limits::beyond_extra_low_voltage(sheet));
    let headline = headline::headline(&headline::Told {
        rows: &rows,
        loads,
        unexplained: &unexplained,
        sleep: sleep.as_ref(),
        sleep_limited: untried::limits_sleep(sheet.sleep),
        charge_ah: carried.charge_ah,
        mean_a: carried.mean_a,
        lowest_a,
        site_v: sheet.site.supply_voltage_v,
        listed: alignment.is_some(),
    });
    Judgement {
        headline,
        loads: rows,
        unexplained,
        steps: visits::steps(segmentation, alignment, loads),
        visit_scores: visits::scores(segmentation, loads),
        sleep,
        wakes,
        advice,
        cautions,
    }
}

/// How long each load and state was seen, seconds.
fn time_in_state(segmentation: &Segmentation, loads: &LoadsFound) -> Vec<f64> {
    let mut time_s = vec![0.0; loads.loads.len()];
    for (segment, on) in segmentation.segments.iter().zip(&loads.on) {
        for &at in on {
            if let Some(time_s) = time_s.get_mut(at) {
                *time_s += segment.end_s - segment.start_s;
            }
        }
    }
    time_s
}
