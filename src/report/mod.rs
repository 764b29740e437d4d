//! One findings document, many faces: terminal text, one HTML page, plots, CSV and Parquet tables.
//!
//! Nothing is computed here that is not in [`crate::findings`]: the report says, draws and writes.
//! [`mod@write`] puts a whole [`write::Bundle`] of files in place or none.

mod figures;
pub mod html;
pub mod schema;
mod sketch;
pub mod starter;
pub mod tables;
pub mod text;
mod trace;
mod trend;
mod words;
pub mod write;

pub use sketch::Sketch;
pub use trace::{Column, Trace};

use crate::findings::{
    BatchFindings, Budget, CompareFindings, CreepAnswer, EventRow, Findings, SleepFindings,
    StepRow, Verdict, Wakes,
};
use crate::numeric::{Lasting, Quantity, Unit, bounds};
use crate::pipeline::Analysis;
use words::Clock;
use write::Bundle;

/// Why a report could not be made: a defect of this program, not of an input.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// The result document could not be written as JSON.
    #[error("the result document could not be written as JSON: {0}")]
    Json(#[from] serde_json::Error),
    /// A plot could not be drawn.
    #[error("a plot could not be drawn: {0}")]
    Plot(String),
    /// The page could not be put together.
    #[error("the page could not be put together: {0}")]
    Page(String),
    /// A table could not be encoded.
    #[error("table {table} could not be encoded: {reason}")]
    Table {
        /// Its name.
        table: &'static str,
        /// What the encoder said.
        reason: String,
    },
}

/// Every file of an analysis: `report.html`, the same in words as `report.txt`, the plots under
/// `plots/`, the tables under `tables/`, and `result.json` last.
///
/// # Errors
/// When an encoder fails, which no input should bring about.
pub fn bundle(analysis: &Analysis) -> Result<Bundle, ReportError> {
    let findings = &analysis.findings;
    let plots = html::Plots::draw(findings, &Trace::of(analysis))?;
    let mut bundle = Bundle::new();
    bundle.add("report.html", html::page(findings, &plots)?.into_bytes());
    bundle.add("report.txt", text::render(findings, 80, false).into_bytes());
    add_pictures(&mut bundle, plots.all());
    tables::add_all(&mut bundle, &tables::of_findings(findings))?;
    bundle.finish_with("result.json", json(findings)?);
    Ok(bundle)
}

/// Every file of a batch: `report.html`, the same in words as `report.txt`, the plots under
/// `plots/`, the tables under `tables/`, and `result.json` last.
///
/// `sketches` are the captures of `findings.units`, in the same order; those that are missing have
/// no picture of their own.
///
/// # Errors
/// As [`bundle`].
pub fn batch_bundle(
    findings: &BatchFindings,
    sketches: &[Option<Sketch>],
) -> Result<Bundle, ReportError> {
    let plots = html::BatchPlots::draw(findings, sketches)?;
    let mut bundle = Bundle::new();
    bundle.add("report.html", html::batch_page(findings, &plots)?.into_bytes());
    bundle.add("report.txt", text::render_batch(findings, 80, false).into_bytes());
    add_pictures(&mut bundle, plots.all());
    tables::add_all(&mut bundle, &tables::of_batch(findings))?;
    bundle.finish_with("result.json", json(findings)?);
    Ok(bundle)
}

/// Every file of a comparison: `report.html`, the page to hand over, the same in words as
/// `report.txt`, the plots under `plots/`, the tables under `tables/`, and `result.json` last.
///
/// # Errors
/// As [`bundle`].
pub fn compare_bundle(
    findings: &CompareFindings,
    before: &Analysis,
    after: &Analysis,
) -> Result<Bundle, ReportError> {
    let traces = [before, after].map(Trace::of);
    let sides = figures::sides([(&before.findings, &traces[0]), (&after.findings, &traces[1])])?;
    let changes = figures::changes(findings)?;
    let mut bundle = Bundle::new();
    let page = html::compare_page(findings, &sides, changes.as_ref())?;
    bundle.add("report.html", page.into_bytes());
    bundle.add("report.txt", text::render_compare(findings, 80, false).into_bytes());
    add_pictures(&mut bundle, sides.iter().chain(&changes));
    tables::add_all(&mut bundle, &tables::of_compare(findings))?;
    bundle.finish_with("result.json", json(findings)?);
    Ok(bundle)
}

/// Adds the figures, and claims those that any run may have left in the folder: beside a new page one
/// of an earlier run would pass for its own.
fn add_pictures<'a>(bundle: &mut Bundle, figures: impl Iterator<Item = &'a figures::Figure>) {
    for name in figures::SINGLE {
        bundle.owns(format!("plots/{name}.svg"));
        bundle.owns(format!("plots/{name}.png"));
    }
    for start in figures::NUMBERED {
        bundle.owns_family(format!("plots/{start}"));
    }
    for figure in figures {
        let name = figure.name.as_str();
        debug_assert!(
            figures::SINGLE.contains(&name)
                || figures::NUMBERED.iter().any(|start| name.starts_with(start)),
            "{name} is of no family"
        );
        bundle.add(format!("plots/{}.svg", figure.name), figure.svg.clone().into_bytes());
        bundle.add(format!("plots/{}.png", figure.name), figure.png.clone());
    }
}

/// A document as JSON, indented, with a final newline. The same document gives the same bytes.
///
/// # Errors
/// When serialising fails.
pub fn json<T: serde::Serialize>(document: &T) -> Result<Vec<u8>, ReportError> {
    let mut bytes = serde_json::to_vec_pretty(document)?;
    bytes.push(b'\n');
    Ok(bytes)
}

/// Stretches no line explains, steps without a line and lines without a step, a sentence each.
fn unexplained_in_words(findings: &Findings, clock: &Clock) -> Vec<String> {
    if findings.events.is_empty() {
        return vec![
            "No event list was given, so no step could be tied to a load. Write one (the starter \
             command lists every step found) and run again."
                .to_owned(),
        ];
    }
    let mut lines: Vec<String> = findings
        .unexplained
        .iter()
        .map(|stretch| {
            format!(
                "{} to {}: {} that no event explains, for {}, {} of charge.",
                clock.at(stretch.start_s),
                clock.at(stretch.end_s),
                words::signed_current(stretch.delta_a),
                words::duration(stretch.end_s - stretch.start_s),
                Quantity::new(stretch.charge_ah, Unit::AmpereHour),
            )
        })
        .collect();
    let unanswered = |event: &&EventRow| event.step.is_none() && !words::is_zero_check(event);
    lines.extend(findings.events.iter().filter(unanswered).map(|event| {
        format!(
            "{} at {} (row {} of the event list): no step answers it.",
            words::done(event),
            clock.at(event.aligned_s),
            event.row,
        )
    }));
    let told = |time_s: f64| {
        findings.unexplained.iter().any(|s| time_s >= s.start_s - 1e-9 && time_s <= s.end_s + 1e-9)
    };
    let loose: Vec<_> = loose_steps(findings).filter(|step| !told(step.time_s)).collect();
    if let [first, ..] = loose.as_slice() {
        let steps = words::count(loose.len() as u64, "further step", "further steps");
        lines.push(format!("{steps} without an event, the first at {}.", clock.at(first.time_s)));
    }
    if lines.is_empty() {
        let own = findings.steps.iter().any(|step| step.by_itself.is_some());
        let own = if own { ", or is what a load did by itself" } else { "" };
        lines
            .push(format!("Nothing: every event has its step, and every step has its event{own}."));
    }
    lines
}

/// Steps that neither a line, nor what a load did by itself, nor a wake explains.
fn loose_steps(findings: &Findings) -> impl Iterator<Item = &StepRow> {
    // A wake's edges are told with the wakes.
    let slack_s = findings.capture.sampling_interval_s.unwrap_or(0.0);
    let wakes = findings.sleep.as_ref().map_or(&[][..], |sleep| &sleep.wakes);
    let of_a_wake = move |time_s: f64| {
        let at = wakes.partition_point(|wake| wake.start_s <= time_s + slack_s);
        let near = &wakes[at.saturating_sub(1)..at];
        near.iter().any(|wake| time_s <= wake.start_s + wake.width_s + slack_s)
    };
    findings
        .steps
        .iter()
        .filter(move |s| s.event.is_none() && s.by_itself.is_none() && !of_a_wake(s.time_s))
}

fn wakes_in_words(wakes: &Wakes, sleep: Option<&SleepFindings>) -> String {
    let series = sleep.and_then(|sleep| sleep.series.first());
    let at_most = series.is_some_and(|series| series.width_at_most);
    let every = match series.filter(|series| !series.regular && series.period_s.is_some()) {
        Some(series) => format!(" ({})", words::period(series)),
        None => wakes
            .period_s
            .map_or(String::new(), |period| format!(" every {}", words::duration(period))),
    };
    let charge = Quantity::new(wakes.charge_each_ah, Unit::AmpereHour);
    let each = match sleep.and_then(|sleep| words::unlike_s(sleep, 0)) {
        Some((low_s, high_s)) => words::unlike(low_s, high_s, charge),
        None => format!(
            "{}{} long and {charge} of charge",
            if wakes.count > 1 { "each " } else { "" },
            words::width(wakes.width_s, at_most)
        ),
    };
    let share = match sleep.is_some_and(words::flows_back) {
        true => String::new(),
        false => format!(", {} of the whole", words::percent(wakes.share_of_charge)),
    };
    format!("{}{every}, {each}{share}", words::count(wakes.count, "wake", "wakes"))
}

fn series_in_words(sleep: &SleepFindings, at: usize) -> String {
    let series = &sleep.series[at];
    let charge = Quantity::new(series.charge_each_ah, Unit::AmpereHour);
    let each = match words::unlike_s(sleep, at) {
        Some((low_s, high_s)) => words::unlike(low_s, high_s, charge),
        None => format!(
            "each {} long and {charge} of charge",
            words::width(series.width_s, series.width_at_most)
        ),
    };
    format!(
        "{}, {}{}, {each}.",
        words::count(series.count, "wake", "wakes"),
        words::period(series),
        if series.regular { " apart" } else { "" },
    )
}

/// What the sampling rate cannot see, in a line; `None` where it sees how long every wake is.
fn unresolved_in_words(findings: &Findings, sleep: &SleepFindings) -> Option<String> {
    let least = sleep.waking.least_share_of_time?;
    let interval = match findings.capture.sampling_interval_s {
        Some(interval_s) => format!("One reading every {}", words::duration(interval_s)),
        None => "The sampling rate".to_owned(),
    };
    let kinds = sleep.series.iter().filter(|series| series.width_at_most);
    let count: u64 = kinds.map(|series| series.count).sum();
    let awake = sleep.awake.share_of_time;
    let most = words::percent(sleep.waking.share_of_time + awake);
    let low = words::percent(least + awake);
    let share = if low == most {
        format!("{most} of the time")
    } else if least > 0.0 {
        format!("between {low} and {most} of the time")
    } else {
        format!("{most} of the time at most")
    };
    let wakes = words::count(count, "wake lasts", "wakes last");
    Some(format!("{interval} does not show how long {wakes}: it is up {share}."))
}

/// Charge, mean current, and what was taken off them: the zero where it was checked.
fn drawn(findings: &Findings) -> (Quantity, f64, &'static str) {
    let (zero, totals) = (&findings.zero, &findings.totals);
    match zero.net_charge_ah.zip(zero.net_mean_a) {
        Some((charge_ah, mean_a)) => {
            let charge = match zero.net_charge_expanded_uncertainty_ah {
                Some(expanded_ah) => Quantity::new_with(charge_ah, expanded_ah, Unit::AmpereHour),
                None => Quantity::new(charge_ah, Unit::AmpereHour),
            };
            (charge, mean_a, ", the meter's zero taken off")
        }
        None => (Quantity::new(totals.charge_ah, Unit::AmpereHour), totals.mean_a, ""),
    }
}

/// A slope is told where it is this many standard uncertainties: of fewer it is said not to move.
const PLAINLY: f64 = 4.0;

/// The floor, the failures and the limits of sleep, a sentence each; nothing without sleep.
fn sleep_in_words(findings: &Findings, clock: &Clock) -> Vec<String> {
    let Some(sleep) = &findings.sleep else { return Vec::new() };
    let floor = Quantity::amperes_with(sleep.floor_a, sleep.floor_expanded_uncertainty_a);
    let at_least = if sleep.waking.least_time_s.is_some() { "at least " } else { "" };
    let share = words::percent(sleep.asleep.share_of_time);
    let mut lines = vec![match words::floor_levels(sleep, clock) {
        Some(levels) => format!("Asleep it draws {levels}; {at_least}{share} of the time."),
        None => format!("Asleep it draws {floor}, {at_least}{share} of the time."),
    }];
    if let (Some(middle), Some(longest)) = (sleep.time_to_sleep_s, sleep.longest_time_to_sleep_s) {
        lines.push(match &sleep.falls_asleep[..] {
            [fall] => format!("It fell asleep once, within {}.", words::took(fall)),
            falls => format!(
                "It fell asleep {}, usually within {}, at most {}.",
                words::times(falls.len()),
                words::duration(middle),
                words::duration(words::most_to_sleep_s(sleep).unwrap_or(longest))
            ),
        });
    }
    if sleep.series.len() > 1 {
        for at in (0..sleep.series.len()).take(3) {
            lines.push(series_in_words(sleep, at));
            lines.extend(trend::in_words(sleep, at));
        }
    } else {
        let wakes = findings.wakes.iter();
        lines.extend(wakes.map(|all| format!("{}.", wakes_in_words(all, Some(sleep)))));
        lines.extend(trend::in_words(sleep, 0));
    }
    lines.extend(unresolved_in_words(findings, sleep));
    let skipped: u64 = sleep.series.iter().map(|series| series.skipped).sum();
    if skipped > 0 {
        lines.push(format!(
            "{} missing from the rhythm.",
            words::count(skipped, "wake is", "wakes are")
        ));
    }
    let shares = [&sleep.asleep, &sleep.waking, &sleep.awake];
    lines.push(match shares.map(|part| words::share_of_charge(sleep, part)) {
        [Some(asleep), Some(waking), Some(awake)] => {
            format!("Of the charge {asleep} went asleep, {waking} waking, {awake} awake.")
        }
        _ => "Charge flowed back meanwhile: shares of it are not told.".to_owned(),
    });
    let mut failures: Vec<_> = sleep.failures.iter().collect();
    failures.sort_by(|a, b| b.charge_ah.total_cmp(&a.charge_ah));
    for failure in failures.into_iter().take(3) {
        lines.push(format!(
            "It failed to sleep from {} for {}: {} above the floor, {}.",
            clock.at(failure.start_s),
            words::duration(failure.end_s - failure.start_s),
            Quantity::amperes(failure.above_floor_a),
            Quantity::new(failure.charge_ah, Unit::AmpereHour)
        ));
    }
    for verdict in &sleep.verdicts {
        let what = words::capital(words::sleep_limit(&verdict.limit_name));
        lines.push(format!(
            "{} {what} {}.",
            words::verdict_mark(verdict.verdict),
            match verdict.verdict {
                Verdict::Conforming => "within its limit".to_owned(),
                Verdict::NonConforming => "beyond its limit".to_owned(),
                Verdict::Indeterminate
                    if verdict.limit_name == "sleep_within_s"
                        && words::is_hidden(sleep, verdict) =>
                    "not told: a gap hides when it fell asleep".to_owned(),
                Verdict::Indeterminate
                    if verdict.limit_name == "sleep_within_s" && verdict.most.is_some() =>
                    "not told: it may have been active all the while".to_owned(),
                Verdict::Indeterminate if verdict.least.is_some() =>
                    "not told by this sampling rate: log faster".to_owned(),
                Verdict::Indeterminate | Verdict::NoLimit =>
                    "too near its limit to be told".to_owned(),
            }
        ));
    }
    let creep = &sleep.creep;
    let slope = creep.slope_a_per_h.zip(creep.standard_uncertainty_a_per_h);
    let plainly = slope.is_some_and(|(slope, u)| slope.abs() > PLAINLY * u);
    if creep.answer != CreepAnswer::Steady && (plainly || !sleep.floor_levels.is_empty()) {
        lines.push(creep.text.clone());
    }
    lines
}

fn budget_in_words(budget: &Budget) -> String {
    let day = Quantity::new(budget.ah_per_day, Unit::AmpereHour);
    let mut text = format!("A day like this takes {day}");
    // Without a panel the conclusion has said how long that lasts.
    let harvest = budget.solar.as_ref().and_then(|solar| solar.harvest_ah_per_day);
    if let Some(runtime) = budget.runtime_h.filter(|_| harvest.is_some()) {
        text.push_str(&format!(
            "; without sun a sound battery carries it for {}",
            Lasting(runtime)
        ));
        if let Some(low_h) = budget.runtime_low_h {
            text.push_str(&bounds(runtime, low_h, budget.runtime_high_h));
        }
    }
    text.push('.');
    text
}
