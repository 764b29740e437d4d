//! The event list as a person writes it: late, rounded, by another watch, with lines left out.

use jiff::SignedDuration;
use jiff::civil::DateTime;
use rand::Rng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::scenario::{ClockForm, Person, Scenario};
use super::truth::TrueLine;

/// What there is to write down, in order of time.
struct Deed<'a> {
    at_s: f64,
    load: &'a str,
    state: &'a str,
    note: Option<&'a str>,
    meant: bool,
}

/// The list's text and, for every deed, what was written of it.
pub(super) fn write(
    scenario: &Scenario,
    person: &Person,
    rng: &mut ChaCha8Rng,
) -> (String, Vec<TrueLine>) {
    let mut deeds: Vec<Deed<'_>> = scenario
        .actions
        .iter()
        .map(|action| Deed {
            at_s: action.at_s,
            load: &action.written_load,
            state: &action.written_state,
            note: action.note.as_deref(),
            meant: action.written,
        })
        .chain(scenario.zero_checks.iter().map(|check| Deed {
            at_s: check.at_s,
            load: "zero",
            state: "",
            note: check.note.as_deref(),
            meant: check.written,
        }))
        .collect();
    deeds.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));

    let mut list = csv::Writer::from_writer(Vec::new());
    let mut put = |cells: [&str; 4]| list.write_record(cells).expect("writing to memory");
    put(["time", "load", "state", "note"]);
    let mut lines = Vec::with_capacity(deeds.len());
    let mut row = 1;
    for deed in deeds {
        let (late, forgets): (f64, f64) = (StandardNormal.sample(rng), rng.random());
        let late_s = (person.late_s + person.late_sd_s * late).max(0.0);
        let watch_s = deed.at_s
            + person.clock_offset_s
            + person.clock_drift_s_per_h * deed.at_s / 3600.0
            + late_s;
        let text = time_text(scenario.start, watch_s, person);
        let written = deed.meant && forgets >= person.forgets_share;
        if written {
            row += 1;
            put([&text, deed.load, deed.state, deed.note.unwrap_or_default()]);
        }
        lines.push(TrueLine {
            row: written.then_some(row),
            load: deed.load.to_owned(),
            state: deed.state.to_owned(),
            true_s: deed.at_s,
            written: written.then_some(text),
        });
    }
    let bytes = list.into_inner().expect("writing to memory");
    (String::from_utf8(bytes).expect("made of strings"), lines)
}

fn time_text(start: DateTime, watch_s: f64, person: &Person) -> String {
    // A watch is read by its face, so it is the time of day that is rounded, not the time since the start.
    let rounding = person.rounds_to_s;
    if person.writes == ClockForm::Seconds {
        let rounded = (watch_s / rounding).round() * rounding;
        let decimals = if rounding.fract() == 0.0 { 0 } else { 2 };
        return format!("{rounded:.decimals$}");
    }
    let midnight = start.date().to_datetime(jiff::civil::Time::midnight());
    let since_midnight = start.duration_since(midnight).as_secs_f64() + watch_s;
    let rounded = (since_midnight / rounding).round() * rounding;
    let time = midnight.saturating_add(SignedDuration::from_millis((rounded * 1e3).round() as i64));
    let minutes = rounding >= 60.0 && rounding % 60.0 == 0.0;
    let form = match (person.writes, minutes) {
        (ClockForm::DateTime, true) => "%Y-%m-%d %H:%M",
        (ClockForm::DateTime, false) => "%Y-%m-%d %H:%M:%S",
        (_, true) => "%H:%M",
        (_, false) => "%H:%M:%S",
    };
    time.strftime(form).to_string()
}
