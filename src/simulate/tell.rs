//! From the site as it was to the truth that is written beside a capture.

use std::collections::BTreeMap;

use super::meter::MeterLog;
use super::scenario::Scenario;
use super::site::Site;
use super::truth::{CaptureTruth, TrueLevel, TrueLoad, TrueStep, TrueWakes, TrueZero};

const C_PER_AH: f64 = 3600.0;

/// Nine digits: enough for any check, and beyond what the last bit of a platform's `exp` changes.
fn nine(value: f64) -> f64 {
    // Adding 0 turns -0, which reads oddly, into 0.
    format!("{value:.8e}").parse().unwrap_or(value) + 0.0
}

pub(super) fn truth(
    scenario: &Scenario,
    unit: usize,
    file: String,
    site: &Site,
    log: &MeterLog,
) -> CaptureTruth {
    let end_s = log.times_s.last().copied().unwrap_or(0.0);
    let charge_c = site.charge_c(0.0, end_s);
    let steps = steps(scenario, site, end_s);
    let odd = scenario.units.as_ref().and_then(|units| {
        let odd = units.odd.iter().filter(|odd| odd.unit == unit);
        let why: Vec<&str> = odd.map(|odd| odd.why.as_str()).collect();
        (!why.is_empty()).then(|| why.join("; "))
    });
    CaptureTruth {
        file,
        odd,
        samples: log.readings.len() as u64,
        duration_s: nine(end_s),
        clock_offset_s: scenario.person.as_ref().map(|p| nine(site.shift_s - p.clock_offset_s)),
        clock_drift_s_per_h: scenario.person.as_ref().map(|p| nine(-p.clock_drift_s_per_h)),
        gain_error_percent: scenario.meter.parameters().gain_error_percent,
        zero: zero(scenario, site, log),
        charge_ah: nine(charge_c / C_PER_AH),
        mean_a: if end_s > 0.0 { nine(charge_c / end_s) } else { nine(site.current_a(0.0)) },
        loads: loads(scenario, site, end_s),
        levels: levels(site, end_s),
        steps,
        wakes: wakes(scenario, site, end_s),
        spikes_s: log.spikes.iter().map(|&i| nine(log.times_s[i])).collect(),
    }
}

fn zero(scenario: &Scenario, site: &Site, log: &MeterLog) -> Vec<TrueZero> {
    let Some(last) = log.times_s.len().checked_sub(1) else { return Vec::new() };
    let checks =
        scenario.zero_checks.iter().map(|check| site.shift_s + check.at_s + check.for_s / 2.0);
    let middles = checks.map(|t| log.times_s.partition_point(|time| *time < t).min(last));
    let mut places: Vec<usize> = [0, last].into_iter().chain(middles).collect();
    places.sort_unstable();
    places.dedup();
    let told = |i: usize| TrueZero { time_s: nine(log.times_s[i]), zero_a: nine(log.zero_a[i]) };
    places.into_iter().map(told).collect()
}

fn loads(scenario: &Scenario, site: &Site, end_s: f64) -> Vec<TrueLoad> {
    let mut rows = Vec::new();
    for (load, (described, track)) in scenario.loads.iter().zip(&site.tracks).enumerate() {
        for (state, known) in described.states.iter().enumerate() {
            let spans = track.stretches.iter().filter(|stretch| stretch.state == Some(state));
            let spans = spans.map(|stretch| (stretch.start_s, stretch.end_s.min(end_s)));
            let spans: Vec<(f64, f64)> = spans.filter(|(from, to)| to > from).collect();
            if spans.is_empty() {
                continue;
            }
            let charge_c: f64 = spans.iter().map(|(from, to)| track.charge_c(*from, *to)).sum();
            rows.push(TrueLoad {
                load: described.name.clone(),
                state: known.name.clone(),
                draw_a: nine(site.draws_a[load][state]),
                time_s: nine(spans.iter().map(|(from, to)| to - from).sum()),
                charge_ah: nine(charge_c / C_PER_AH),
            });
        }
    }
    rows
}

fn steps(scenario: &Scenario, site: &Site, end_s: f64) -> Vec<TrueStep> {
    let mut steps = Vec::new();
    for (load, track) in scenario.loads.iter().zip(&site.tracks) {
        for (i, stretch) in track.stretches.iter().enumerate().skip(1) {
            let delta_a = track.jump_a(i);
            if delta_a == 0.0 || stretch.start_s > end_s || site.at_zero(stretch.start_s) {
                continue;
            }
            steps.push(TrueStep {
                time_s: nine(stretch.start_s),
                delta_a: nine(delta_a),
                load: load.name.clone(),
                state: stretch.state.map_or("off", |state| &load.states[state].name).to_owned(),
                listed: stretch.action.is_some_and(|action| site.actions[action].written),
            });
        }
    }
    for check in &site.zero_checks {
        let back_s = check.at_s + check.for_s;
        let moments = [
            (check.at_s, -site.lead_a(check.at_s), check.written),
            (back_s, site.lead_a(back_s), false),
        ];
        for (time_s, delta_a, listed) in moments {
            if delta_a != 0.0 && time_s > 0.0 && time_s <= end_s {
                let (load, state) = ("zero".to_owned(), "off".to_owned());
                let (time_s, delta_a) = (nine(time_s), nine(delta_a));
                steps.push(TrueStep { time_s, delta_a, load, state, listed });
            }
        }
    }
    steps.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
    steps
}

fn levels(site: &Site, end_s: f64) -> Vec<TrueLevel> {
    let changes = site.tracks.iter().flat_map(|track| &track.stretches).map(|s| s.start_s);
    let edges = site.zero_checks.iter().flat_map(|check| [check.at_s, check.at_s + check.for_s]);
    let mut cuts: Vec<f64> =
        changes.chain(edges).chain([0.0, end_s]).filter(|t| (0.0..=end_s).contains(t)).collect();
    cuts.sort_by(f64::total_cmp);
    cuts.dedup();
    let level = |cut: &[f64]| TrueLevel {
        start_s: nine(cut[0]),
        end_s: nine(cut[1]),
        mean_a: nine(site.charge_c(cut[0], cut[1]) / (cut[1] - cut[0])),
    };
    cuts.windows(2).map(level).collect()
}

fn wakes(scenario: &Scenario, site: &Site, end_s: f64) -> Vec<TrueWakes> {
    let mut rows = Vec::new();
    for (load, track) in scenario.loads.iter().zip(&site.tracks) {
        let mut by_state: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        for (i, pulse) in track.pulses.iter().enumerate().filter(|(_, p)| p.start_s <= end_s) {
            by_state.entry(pulse.state).or_default().push(i);
        }
        for (state, places) in by_state {
            let pulses = || places.iter().map(|&i| &track.pulses[i]);
            let count = places.len() as f64;
            let starts_s: Vec<f64> = pulses().map(|pulse| pulse.start_s).collect();
            let mut periods: Vec<f64> = starts_s.windows(2).map(|two| two[1] - two[0]).collect();
            periods.sort_by(f64::total_cmp);
            let charge_c: f64 = pulses().map(|pulse| pulse.charge_c(f64::INFINITY)).sum();
            rows.push(TrueWakes {
                load: load.name.clone(),
                state: load.states[state].name.clone(),
                count: places.len() as u64,
                period_s: periods.get(periods.len() / 2).copied().map(nine),
                width_s: nine(pulses().map(|pulse| pulse.width_s).sum::<f64>() / count),
                above_a: nine(pulses().map(|pulse| pulse.above_a).sum::<f64>() / count),
                charge_each_ah: nine(charge_c / count / C_PER_AH),
                starts_s: starts_s.into_iter().map(nine).collect(),
            });
        }
    }
    rows
}
