//! Sleep in the words and pictures of the page.

use crate::findings::{FailureToSleep, Findings, SleepFindings, SleepShare, SleepVerdict, Verdict};
use crate::numeric::{Quantity, Unit};
use crate::report::figures::{self, Figure};
use crate::report::words::{self, Clock, printable, tied};
use crate::report::{ReportError, Trace};

/// Failures to sleep that the page lists; the tables have them all.
const FAILURES: usize = 8;

/// Sleep as the page shows it.
pub(super) struct SleepView {
    /// What the pictures show; `None` without any.
    pub(super) key: Option<String>,
    pub(super) told: Vec<(&'static str, String)>,
    pub(super) shares: Vec<[String; 5]>,
    pub(super) kinds: Vec<[String; 6]>,
    pub(super) failures: Vec<[String; 5]>,
    pub(super) failures_left: usize,
    pub(super) verdicts: Vec<VerdictView>,
}

/// A limit on sleep as the page shows it.
pub(super) struct VerdictView {
    pub(super) what: &'static str,
    pub(super) found: String,
    pub(super) limit: String,
    pub(super) verdict: String,
    pub(super) class: &'static str,
    pub(super) probability: String,
}

/// Whether there is more to sleep than its floor: on a visit, where a person switches everything,
/// there is not.
fn is_eventful(sleep: &SleepFindings) -> bool {
    !sleep.wakes.is_empty() || !sleep.failures.is_empty()
}

/// Rows, wakes, distribution, charge and times to sleep; none when nothing wakes.
pub(super) fn figures(
    findings: &Findings,
    trace: &Trace<'_>,
    clock: &Clock,
) -> Result<Vec<Figure>, ReportError> {
    let Some(sleep) = findings.sleep.as_ref().filter(|sleep| is_eventful(sleep)) else {
        return Ok(Vec::new());
    };
    let drawn = [
        figures::hours(findings, sleep, trace, clock)?,
        figures::wakes(findings, sleep, trace)?,
        figures::distribution(findings, sleep, trace)?,
        figures::charge(findings, sleep, trace, clock)?,
        figures::falls(sleep)?,
    ];
    Ok(drawn.into_iter().flatten().collect())
}

fn charge(ah: f64) -> String {
    Quantity::new(ah, Unit::AmpereHour).to_string()
}

impl SleepView {
    pub(super) fn of(sleep: &SleepFindings, clock: &Clock) -> Self {
        let mut failures: Vec<&FailureToSleep> = sleep.failures.iter().collect();
        failures.sort_by(|a, b| b.charge_ah.total_cmp(&a.charge_ah));
        let failures_left = failures.len().saturating_sub(FAILURES);
        failures.truncate(FAILURES);
        failures.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
        Self {
            key: is_eventful(sleep).then(|| key(sleep)),
            told: told(sleep, clock).into_iter().map(|(term, text)| (term, tied(&text))).collect(),
            shares: [("asleep", &sleep.asleep), ("waking", &sleep.waking), ("awake", &sleep.awake)]
                .map(|(name, part)| share(name, sleep, part))
                .into(),
            kinds: (0..sleep.series.len()).map(|at| kind(sleep, at)).collect(),
            failures: failures.into_iter().map(|failure| row(failure, clock)).collect(),
            failures_left,
            verdicts: sleep.verdicts.iter().map(verdict).collect(),
        }
    }
}

fn key(sleep: &SleepFindings) -> String {
    let mut text = String::new();
    if !sleep.failures.is_empty() {
        text.push_str("Under a row, thick: a failure to fall asleep. ");
    }
    if !sleep.wakes.is_empty() {
        text.push_str("Thin: wakes one by one; thick: the middle of a kind of wakes. ");
    }
    text.push_str("Waking: from a wake's start to its end. Awake: everything longer.");
    text
}

fn told(sleep: &SleepFindings, clock: &Clock) -> Vec<(&'static str, String)> {
    let floor = Quantity::amperes_with(sleep.floor_a, sleep.floor_expanded_uncertainty_a);
    let floor = match words::floor_levels(sleep, clock) {
        Some(levels) => format!("{levels}; {floor} on average"),
        None => floor.to_string(),
    };
    let mut told = vec![("Sleep floor", format!("{floor} (about 95 %)."))];
    told.push((
        "Time to sleep",
        match (sleep.time_to_sleep_s, sleep.longest_time_to_sleep_s) {
            (Some(middle_s), Some(longest_s)) if sleep.falls_asleep.len() > 1 => format!(
                "{} in the middle of {}{}, at most {}.",
                words::duration(middle_s),
                words::count(sleep.falls_asleep.len() as u64, "time", "times"),
                half(sleep),
                words::duration(words::most_to_sleep_s(sleep).unwrap_or(longest_s))
            ),
            (Some(middle_s), _) => {
                let took = sleep.falls_asleep.first().map(words::took);
                format!("{}, seen once.", took.unwrap_or_else(|| words::duration(middle_s)))
            }
            _ => "It was not seen to fall asleep.".to_owned(),
        },
    ));
    if is_eventful(sleep) {
        told.push(("Creep of the floor", printable(&sleep.creep.text)));
        told.push(("Not seen", printable(&sleep.unseen)));
    }
    told
}

/// Where the middle half of the times to sleep lies; nothing with fewer than four.
fn half(sleep: &SleepFindings) -> String {
    let mut took: Vec<f64> = sleep.falls_asleep.iter().map(|fall| fall.took_s).collect();
    took.sort_by(f64::total_cmp);
    let n = took.len();
    if n < 4 {
        return String::new();
    }
    let (low_s, high_s) = (took[n / 4], took[n - 1 - n / 4]);
    format!(", half of them from {} to {}", words::duration(low_s), words::duration(high_s))
}

fn share(name: &str, sleep: &SleepFindings, part: &SleepShare) -> [String; 5] {
    [
        name.to_owned(),
        match part.least_time_s {
            _ if part.time_s <= 0.0 => "none".to_owned(),
            Some(least_s) if least_s > 0.0 => {
                format!("{} to {}", words::duration(least_s), words::duration(part.time_s))
            }
            Some(_) => words::width(part.time_s, true),
            None => words::duration(part.time_s),
        },
        range(part.least_share_of_time, part.share_of_time),
        charge(part.charge_ah),
        words::share_of_charge(sleep, part).unwrap_or_else(|| "–".to_owned()),
    ]
}

/// A share, or between which two it lies.
fn range(least: Option<f64>, most: f64) -> String {
    let most = words::percent(most);
    match least {
        None => most,
        Some(least) if least > 0.0 => format!("{} to {most}", words::percent(least)),
        Some(_) => format!("at most {most}"),
    }
}

fn kind(sleep: &SleepFindings, at: usize) -> [String; 6] {
    let series = &sleep.series[at];
    [
        series.count.to_string(),
        words::period(series),
        if series.regular { series.skipped.to_string() } else { "–".to_owned() },
        match words::unlike_s(sleep, at) {
            Some((low_s, high_s)) => {
                format!("{} to {}", words::duration(low_s), words::duration(high_s))
            }
            None => words::width(series.width_s, series.width_at_most),
        },
        Quantity::amperes(series.peak_a).to_string(),
        charge(series.charge_each_ah),
    ]
}

fn row(failure: &FailureToSleep, clock: &Clock) -> [String; 5] {
    [
        clock.at(failure.start_s),
        clock.at(failure.end_s),
        words::duration(failure.end_s - failure.start_s),
        Quantity::amperes(failure.above_floor_a).to_string(),
        charge(failure.charge_ah),
    ]
}

fn verdict(found: &SleepVerdict) -> VerdictView {
    let shown = |value: f64| match found.si_unit.as_str() {
        "A" => words::set_current(value),
        "s" => words::duration(value),
        "Ah" => charge(value),
        _ => words::percent(value),
    };
    let (word, class) = match found.verdict {
        Verdict::Conforming => ("conforms", "good"),
        Verdict::NonConforming => ("beyond limit", "beyond"),
        Verdict::Indeterminate => ("undecided", "open"),
        Verdict::NoLimit => ("no limit", "small"),
    };
    VerdictView {
        what: words::sleep_limit(&found.limit_name),
        found: match found.least.zip(found.most) {
            Some((least, most)) if found.si_unit == "1" => range(Some(least), most),
            Some((least, most)) if least > 0.0 => format!("{} to {}", shown(least), shown(most)),
            Some((_, most)) => format!("at most {}", shown(most)),
            None if found.least.is_some() => format!("at least {}", shown(found.value)),
            None => shown(found.value),
        },
        limit: format!("≤ {}", shown(found.limit)),
        verdict: format!("{} {word}", words::verdict_mark(found.verdict)),
        class,
        probability: words::probability(found.conformance_probability),
    }
}
