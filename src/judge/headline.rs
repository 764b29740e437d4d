//! The answer in one or two plain sentences.

use super::words::{in_state, list, partner, sentence, set_current, the};
use crate::findings::{LoadRow, SleepFindings, SleepVerdict, Unexplained, Verdict};
use crate::loads::LoadsFound;
use crate::numeric::{Quantity, Unit, duration};

/// What the headline looks at.
pub(super) struct Told<'a> {
    pub(super) rows: &'a [LoadRow],
    pub(super) loads: &'a LoadsFound,
    pub(super) unexplained: &'a [Unexplained],
    pub(super) sleep: Option<&'a SleepFindings>,
    /// The job sheet limits sleep.
    pub(super) sleep_limited: bool,
    pub(super) charge_ah: f64,
    pub(super) mean_a: f64,
    pub(super) lowest_a: Option<f64>,
    pub(super) site_v: Option<f64>,
    pub(super) listed: bool,
}

/// Unexplained draw is named in the headline from this share of the charge.
const WORTH_NAMING: f64 = 0.05;
const REST: &str = "Everything else";

/// The headline.
pub(super) fn headline(told: &Told<'_>) -> String {
    let mut sentences = Vec::new();
    if !told.loads.zero.checks.is_empty() && !told.loads.zero.trusted {
        sentences.push("The meter's zero is not to be trusted in this capture.".to_owned());
    }
    match told.sleep {
        Some(sleep) if told.rows.is_empty() => {
            let average = Quantity::amperes(told.mean_a);
            sentences.push(if breaks(sleep, "sleep_max_a") {
                format!("The lead carried {average} on average.")
            } else {
                format!("The lead carried {average} on average, {} asleep.", floor(sleep))
            });
        }
        None if told.rows.is_empty() => sentences.push(without_loads(told)),
        _ => of_verdicts(told, &mut sentences),
    }
    if let Some(sleep) = told.sleep {
        let mut slept = of_sleep(sleep, told.rows);
        // What is broken comes first.
        let broken = sleep.verdicts.iter().any(|v| v.verdict == Verdict::NonConforming);
        let conforms = |row: &LoadRow| row.verdict == Verdict::Conforming;
        let sound = broken && told.rows.iter().any(conforms) && sentences.len() == 1;
        let rest = sentences.pop_if(|last| last.starts_with(REST) || sound);
        sentences.append(&mut slept);
        sentences.extend(rest);
    }
    if told.sleep.is_none() && told.sleep_limited {
        sentences
            .push("No limit on sleep was tried: nothing was seen to wake or to sleep.".to_owned());
    }
    let charge_ah: f64 = told.unexplained.iter().map(|one| one.charge_ah).sum();
    if told.charge_ah > 0.0 && charge_ah > WORTH_NAMING * told.charge_ah {
        let why = if told.listed {
            "no line of the event list explains"
        } else {
            "stands out as too long"
        };
        sentences.push(format!(
            "Draw that {why} cost {}, {:.0} % of the charge.",
            Quantity::new(charge_ah, Unit::AmpereHour),
            100.0 * charge_ah / told.charge_ah
        ));
    }
    sentences.join(" ")
}

fn floor(sleep: &SleepFindings) -> String {
    let levels = || sleep.floor_levels.iter().map(|level| level.level_a);
    match levels().reduce(f64::min).zip(levels().reduce(f64::max)) {
        Some((low_a, high_a)) => {
            format!("{} to {}", Quantity::amperes(low_a), Quantity::amperes(high_a))
        }
        None => {
            Quantity::amperes_with(sleep.floor_a, sleep.floor_expanded_uncertainty_a).to_string()
        }
    }
}

fn breaks(sleep: &SleepFindings, limit_name: &str) -> bool {
    let broken =
        |v: &SleepVerdict| v.limit_name == limit_name && v.verdict == Verdict::NonConforming;
    sleep.verdicts.iter().any(broken)
}

/// What is wrong with its sleep; nothing where nothing is.
fn of_sleep(sleep: &SleepFindings, rows: &[LoadRow]) -> Vec<String> {
    let charge = |ah: f64| Quantity::new(ah, Unit::AmpereHour);
    let accused =
        rows.iter().any(|row| row.state == "asleep" && row.verdict == Verdict::NonConforming);
    let mut sentences = Vec::new();
    for broken in sleep.verdicts.iter().filter(|v| v.verdict == Verdict::NonConforming) {
        if accused && broken.limit_name == "sleep_max_a" {
            continue;
        }
        let (value, limit) = (broken.value, broken.limit);
        sentences.push(match broken.limit_name.as_str() {
            "sleep_max_a" => {
                format!("Asleep it draws {}; its limit is {}.", floor(sleep), set_current(limit))
            }
            "sleep_within_s" if broken.most.is_some() => format!(
                "It takes {} to fall asleep at least; its limit is {}.",
                duration(broken.least.unwrap_or(value)),
                duration(limit)
            ),
            "sleep_within_s" if broken.least.is_some() => format!(
                "It was awake for {} and did not fall asleep; its limit is {}.",
                duration(value),
                duration(limit)
            ),
            "sleep_within_s" => format!(
                "It takes {} to fall asleep; its limit is {}.",
                duration(value),
                duration(limit)
            ),
            "wake_charge_max_ah" => {
                let means_ah = sleep.series.iter().map(|series| series.charge_each_ah);
                let most = if value > means_ah.fold(0.0, f64::max) { "up to " } else { "" };
                format!("A wake takes {most}{}; its limit is {}.", charge(value), charge(limit))
            }
            _ => format!(
                "It is awake {}{} of the time; its limit is {}.",
                if broken.least.is_some() { "at least " } else { "" },
                percent(broken.least.unwrap_or(value)),
                percent(limit)
            ),
        });
    }
    let failed_s: f64 = sleep.failures.iter().map(|one| one.end_s - one.start_s).sum();
    match sleep.failures.len() {
        0 => {}
        1 => sentences.push(format!("It failed to sleep once, for {}.", duration(failed_s))),
        n => sentences
            .push(format!("It failed to sleep {n} times, for {} in all.", duration(failed_s))),
    }
    sentences
}

/// Two decimals, without idle zeros.
fn percent(share: f64) -> String {
    let digits = format!("{:.2}", 100.0 * share);
    format!("{} %", digits.trim_end_matches('0').trim_end_matches('.'))
}

fn draw(row: &LoadRow) -> Quantity {
    Quantity::amperes_with(row.draw_a, row.expanded_uncertainty_a)
}

fn subject(row: &LoadRow) -> String {
    if row.separable {
        the(&row.load)
    } else {
        let others: Vec<String> = row.inseparable_from.iter().map(|o| the(o)).collect();
        format!("{} together with {}", the(&row.load), list(&others))
    }
}

/// Of loads that are known by their sum only, the first, which names the others.
fn once(rows: Vec<&LoadRow>) -> Vec<&LoadRow> {
    let mut kept: Vec<&LoadRow> = Vec::new();
    for row in rows {
        let named = partner(&row.load, &row.state);
        if kept.iter().all(|known| !known.inseparable_from.contains(&named)) {
            kept.push(row);
        }
    }
    kept
}

fn of_verdicts(told: &Told<'_>, sentences: &mut Vec<String>) {
    let with = |verdict: Verdict| -> Vec<&LoadRow> {
        told.rows.iter().filter(|row| row.verdict == verdict).collect()
    };
    let mut bad = with(Verdict::NonConforming);
    bad.sort_by(|a, b| excess_a(b).total_cmp(&excess_a(a)));
    let open = once(with(Verdict::Indeterminate));
    let good = with(Verdict::Conforming);
    let free = once(with(Verdict::NoLimit));
    for row in bad.iter().take(2) {
        sentences.push(format!("{}.", sentence(&accusation(row, told.site_v))));
    }
    if bad.len() > 2 {
        let names: Vec<String> = bad[2..]
            .iter()
            .map(|row| format!("{} {}", the(&row.load), in_state(&row.state)))
            .collect();
        sentences.push(format!(
            "Outside {} limits too: {}.",
            if names.len() == 1 { "its" } else { "their" },
            list(&names)
        ));
    }
    if let Some(first) = open.first() {
        let names: Vec<String> = open
            .iter()
            .map(|row| format!("{} {} ({})", subject(row), in_state(&row.state), draw(row)))
            .collect();
        let whether = if open.len() <= 2 {
            list(&names)
        } else {
            format!("{} and {} others", names[0], open.len() - 1)
        };
        let verb = if open.len() == 1 && first.separable { "conforms" } else { "conform" };
        sentences.push(format!("Whether {whether} {verb} cannot be told yet."));
    }
    if good.is_empty() && bad.is_empty() && open.is_empty() {
        let mut rows = free;
        rows.sort_by(|a, b| b.draw_a.total_cmp(&a.draw_a));
        let names: Vec<String> = rows
            .iter()
            .take(3)
            .map(|row| format!("{} draws {} {}", subject(row), draw(row), in_state(&row.state)))
            .collect();
        sentences.push(format!(
            "{}; no limit is given to judge {} by.",
            sentence(&list(&names)),
            if rows.len() == 1 { "it" } else { "them" }
        ));
    } else if bad.is_empty() && open.is_empty() {
        sentences.push(all_good(&good, free.len()));
    } else if !good.is_empty() {
        let which = if free.is_empty() { "" } else { " that has a limit" };
        sentences.push(format!("{REST}{which} conforms."));
    }
}

fn all_good(good: &[&LoadRow], free: usize) -> String {
    let what = match (good, free) {
        ([only], 0) => {
            return format!(
                "{} draws {} {} and conforms to its limit.",
                sentence(&the(&only.load)),
                draw(only),
                in_state(&only.state)
            );
        }
        (_, 0) => "Every load conforms to its limits",
        _ => "Every load that has a limit conforms to it",
    };
    let largest = good.iter().max_by(|a, b| a.draw_a.total_cmp(&b.draw_a));
    largest.map_or_else(
        || format!("{what}."),
        |row| {
            format!(
                "{what}; the largest is {} with {} {}.",
                the(&row.load),
                draw(row),
                in_state(&row.state)
            )
        },
    )
}

fn excess_a(row: &LoadRow) -> f64 {
    let above = row.limit_high_a.map_or(0.0, |high_a| row.draw_a - high_a);
    let below = row.limit_low_a.map_or(0.0, |low_a| low_a - row.draw_a);
    above.max(below)
}

fn accusation(row: &LoadRow, site_v: Option<f64>) -> String {
    let above = row.limit_high_a.is_some_and(|high_a| row.draw_a > high_a);
    let limit_a = if above { row.limit_high_a } else { row.limit_low_a };
    let carried = match (row.listed_at_voltage_v, site_v) {
        (Some(listed_v), Some(site_v)) if listed_v != site_v => format!(" at {site_v} V"),
        _ => String::new(),
    };
    let kind = match (above, row.limit_low_a.is_some() && row.limit_high_a.is_some()) {
        (false, true) => "lower limit",
        _ => "limit",
    };
    format!(
        "{} draws {} {}; its {kind}{carried} is {}",
        the(&row.load),
        draw(row),
        in_state(&row.state),
        set_current(limit_a.unwrap_or(row.draw_a))
    )
}

fn without_loads(told: &Told<'_>) -> String {
    let lowest = told
        .lowest_a
        .map_or_else(String::new, |a| format!(", {} at its lowest level", Quantity::amperes(a)));
    let why = if told.listed {
        "the event list names no load that was seen"
    } else {
        "without an event list no draw can be given to a load"
    };
    format!("The lead carried {} on average{lowest}; {why}.", Quantity::amperes(told.mean_a))
}
