//! Limits on sleep that a capture could not be held to: silence would pass for conformity.

use super::words::set_current;
use crate::findings::{Caution, SleepFindings};
use crate::jobsheet::SleepLimits;
use crate::numeric::{Quantity, duration};

/// A caution where the job sheet limits sleep and the capture shows none of it: nothing that sleeps, or
/// no moment in which something fell asleep. `lowest_a` is the lowest steady level. O(wakes).
pub(super) fn caution(
    limits: Option<SleepLimits>,
    sleep: Option<&SleepFindings>,
    lowest_a: Option<f64>,
) -> Option<Caution> {
    let limits = limits.filter(|limits| limits_sleep(Some(*limits)))?;
    let text = match sleep {
        None => without_sleep(&limits, lowest_a),
        Some(sleep) => without_falls(sleep, limits.sleep_within_s?)?,
    };
    Some(Caution::new("sleep-limit-not-tried", text))
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

fn without_falls(sleep: &SleepFindings, limit_s: f64) -> Option<String> {
    if !sleep.falls_asleep.is_empty() {
        return None;
    }
    let longer =
        || sleep.wakes.iter().map(|wake| wake.width_s).filter(|width_s| *width_s > limit_s);
    let longest_s = longer().reduce(f64::max);
    let wakes = match longest_s {
        Some(longest_s) => format!(
            " Of its wakes {} of {} are longer than that, up to {}: if somebody switched something then, list it.",
            longer().count(),
            sleep.wakes.len(),
            duration(longest_s)
        ),
        None => String::new(),
    };
    Some(format!(
        "The limit of {} on the time to sleep was not tried: it left the floor only by itself or was \
         switched off by hand, so no last activity is known.{wakes}",
        duration(limit_s)
    ))
}
