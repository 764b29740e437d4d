//! Limits on sleep that a capture could not be held to: silence would pass for conformity.

use super::words::set_current;
use crate::findings::{Caution, FallAsleep, SleepFindings, SleepVerdict, Verdict};
use crate::jobsheet::SleepLimits;
use crate::numeric::{Quantity, Unit, duration};

/// Code of the caution that a capture was not held to a limit on sleep.
pub const SLEEP_LIMIT_NOT_TRIED: &str = "sleep-limit-not-tried";

/// Cautions where the job sheet limits sleep and the capture was not held to it: nothing that sleeps, no moment
/// in which something fell asleep, wakes longer than it may be awake, single wakes that take more than one may.
/// `lowest_a` is the lowest steady level. O(wakes).
pub(super) fn cautions(
    limits: Option<SleepLimits>,
    sleep: Option<&SleepFindings>,
    lowest_a: Option<f64>,
) -> Vec<Caution> {
    let Some(limits) = limits.filter(|limits| limits_sleep(Some(*limits))) else {
        return Vec::new();
    };
    let untried = |text| Caution::new(SLEEP_LIMIT_NOT_TRIED, text);
    let Some(sleep) = sleep else { return vec![untried(without_sleep(&limits, lowest_a))] };
    let time = limits.sleep_within_s.and_then(|limit_s| of_time(sleep, limit_s));
    let charge = limits.wake_charge_max_ah.and_then(|limit_ah| of_charge(sleep, limit_ah));
    time.into_iter().map(untried).chain(charge).collect()
}

/// Whether the job sheet holds sleep to anything.
pub(super) fn limits_sleep(limits: Option<SleepLimits>) -> bool {
    limits.is_some_and(|limits| limits != SleepLimits::default())
}

fn without_sleep(limits: &SleepLimits, lowest_a: Option<f64>) -> String {
    let lowest = match limits.sleep_max_a.zip(lowest_a) {
        Some((limit_a, lowest_a)) => format!(
            " Its lowest steady level, {}, is {} the {} allowed asleep.",
            Quantity::amperes(lowest_a),
            if lowest_a > limit_a { "above" } else { "within" },
            set_current(limit_a)
        ),
        None => String::new(),
    };
    format!(
        "The job sheet limits sleep, and nothing in this capture was seen to wake or to fall asleep: \
         asleep throughout or awake throughout look the same. No limit on sleep was tried.{lowest}"
    )
}

/// What the limit on the time to sleep was not held to.
fn of_time(sleep: &SleepFindings, limit_s: f64) -> Option<String> {
    let limit = duration(limit_s);
    let Some(judged) = verdict_on(sleep, "sleep_within_s") else {
        return Some(format!(
            "The limit of {limit} on the time to sleep was not tried: it was not seen to fall asleep."
        ));
    };
    let most_s = judged.most.filter(|_| judged.verdict == Verdict::Indeterminate)?;
    let hidden = |fall: &&FallAsleep| fall.most_s.is_some_and(|most_s| most_s > limit_s);
    if let Some(fall) =
        sleep.falls_asleep.iter().filter(hidden).find(|fall| fall.most_s == Some(most_s))
    {
        return Some(format!(
            "Whether it fell asleep within {limit} cannot be told: a gap in the readings hides the moment, between {} \
             and {} after the last activity.",
            duration(fall.least_s.unwrap_or(0.0)),
            duration(most_s)
        ));
    }
    let longer = sleep.wakes.iter().map(|wake| wake.width_s).filter(|width_s| *width_s > limit_s);
    let (count, longest_s) =
        longer.fold((0, 0.0f64), |(count, longest_s), width_s| (count + 1, longest_s.max(width_s)));
    Some(format!(
        "{count} of {} wakes last longer than the {limit} that it may take to sleep, up to {}: the readings do \
         not tell how long it was active in them. If somebody switched something then, list it.",
        sleep.wakes.len(),
        duration(longest_s)
    ))
}

/// Single wakes that take more than one may, where their kind on the whole does not.
fn of_charge(sleep: &SleepFindings, limit_ah: f64) -> Option<Caution> {
    let judged = verdict_on(sleep, "wake_charge_max_ah")?;
    let means_ah = sleep.series.iter().map(|series| series.charge_each_ah);
    let of_one = judged.value > means_ah.fold(0.0, f64::max);
    (of_one && judged.verdict == Verdict::NonConforming).then(|| {
        let beyond = sleep.wakes.iter().filter(|wake| !wake.met && wake.charge_ah > limit_ah);
        Caution::new(
            "single-wakes-beyond-limit",
            format!(
                "{} of {} wakes take more than the {} allowed, up to {}; that their mean does is not shown.",
                beyond.count(),
                sleep.wakes.len(),
                Quantity::new(limit_ah, Unit::AmpereHour),
                Quantity::new(judged.value, Unit::AmpereHour)
            ),
        )
    })
}

fn verdict_on<'a>(sleep: &'a SleepFindings, limit_name: &str) -> Option<&'a SleepVerdict> {
    sleep.verdicts.iter().find(|verdict| verdict.limit_name == limit_name)
}
