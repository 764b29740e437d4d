//! Hand-built segmentations with a known truth, for the tests of loads and judge.

use std::f64::consts::TAU;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::events::{Action, Alignment, ClockFit, EventLine, ListedTime, TiedEvent};
use crate::findings::{NoiseAtLevel, SegmentKind};
use crate::numeric::effective_samples;
use crate::segment::{Level, NoiseModel, Segment, Segmentation, Step};

/// One thing that happens.
#[derive(Debug, Clone)]
pub(crate) struct Deed {
    pub(crate) time_s: f64,
    pub(crate) load: &'static str,
    /// Draw from now on, ampere.
    pub(crate) draw_a: f64,
    /// State as listed; `None` when nobody wrote it down.
    pub(crate) listed: Option<&'static str>,
}

/// A deed that stands in the list.
pub(crate) fn deed(time_s: f64, load: &'static str, draw_a: f64, state: &'static str) -> Deed {
    Deed { time_s, load, draw_a, listed: Some(state) }
}

/// A change that nobody wrote down.
pub(crate) fn silent(time_s: f64, load: &'static str, draw_a: f64) -> Deed {
    Deed { time_s, load, draw_a, listed: None }
}

/// The meter of a scene.
#[derive(Debug, Clone, Copy)]
pub(crate) struct SceneMeter {
    pub(crate) interval_s: f64,
    pub(crate) sigma_a: f64,
    pub(crate) share_of_level: f64,
    pub(crate) phi: f64,
    pub(crate) offset_a: f64,
    pub(crate) drift_a_per_h: f64,
    pub(crate) wander_a: f64,
    pub(crate) wander_period_s: f64,
    pub(crate) gain: f64,
    pub(crate) sign: f64,
}

impl Default for SceneMeter {
    fn default() -> Self {
        Self {
            interval_s: 0.5,
            sigma_a: 0.001,
            share_of_level: 0.005,
            phi: 0.6,
            offset_a: 0.0,
            drift_a_per_h: 0.0,
            wander_a: 0.0,
            wander_period_s: 7200.0,
            gain: 0.0,
            sign: 1.0,
        }
    }
}

/// Builds what the segment and events stages would hand on for a perfect segmentation.
pub(crate) fn build(
    deeds: &[Deed],
    base_a: f64,
    end_s: f64,
    meter: &SceneMeter,
    seed: u64,
) -> (Segmentation, Alignment) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let sines: Vec<(f64, f64, f64)> = [(1.0, 0.60), (0.618, 0.25), (0.382, 0.10), (0.236, 0.05)]
        .iter()
        .map(|(relative, share): &(f64, f64)| {
            let phase: f64 = rng.random::<f64>() * TAU;
            let amplitude = meter.wander_a * (2.0 * share).sqrt();
            (amplitude, TAU / (meter.wander_period_s * relative), phase)
        })
        .collect();
    let mut times: Vec<f64> = deeds.iter().map(|d| d.time_s).chain([0.0, end_s]).collect();
    times.sort_by(f64::total_cmp);
    times.dedup();
    let mut draws: Vec<(&str, f64)> = Vec::new();
    let mut zero = false;
    let (mut segments, mut steps, mut levels) = (Vec::new(), Vec::new(), Vec::<f64>::new());
    let mut step_of_time = Vec::new();
    let mut last_true: Option<f64> = None;
    for pair in times.windows(2) {
        let (start_s, stop_s) = (pair[0], pair[1]);
        for d in deeds.iter().filter(|d| d.time_s == start_s) {
            if d.load == "zero" {
                zero = d.draw_a == 0.0;
                continue;
            }
            draws.retain(|(name, _)| *name != d.load);
            draws.push((d.load, d.draw_a));
        }
        let truth = if zero { 0.0 } else { base_a + draws.iter().map(|d| d.1).sum::<f64>() };
        let n = ((stop_s - start_s) / meter.interval_s).max(1.0).floor();
        let sigma = meter.sigma_a.hypot(meter.share_of_level * truth);
        let effective = effective_samples(n, meter.phi);
        let u = sigma / effective.sqrt();
        let e: f64 = StandardNormal.sample(&mut rng);
        let wander: f64 = sines
            .iter()
            .map(|(a, w, p)| {
                a * ((w * start_s + p).cos() - (w * stop_s + p).cos()) / (w * (stop_s - start_s))
            })
            .sum();
        let zero_a =
            meter.offset_a + meter.drift_a_per_h * 0.5 * (start_s + stop_s) / 3600.0 + wander;
        let mean_a = meter.sign * (truth * (1.0 + meter.gain) + zero_a + u * e);
        let first = (start_s / meter.interval_s) as usize;
        let state = levels.iter().position(|l| (l - truth).abs() < 1e-12).unwrap_or_else(|| {
            levels.push(truth);
            levels.len() - 1
        });
        if let Some(last) = last_true
            && last != truth
        {
            step_of_time.push((start_s, steps.len()));
            steps.push(Step {
                index: first,
                time_s: start_s,
                time_low_s: start_s - meter.interval_s,
                time_high_s: start_s + meter.interval_s,
                delta_a: meter.sign * (truth - last),
                standard_uncertainty_a: 2.0 * u,
                score: 100.0,
            });
        }
        last_true = Some(truth);
        segments.push(Segment {
            first,
            end: first + n as usize,
            start_s,
            end_s: stop_s,
            mean_a,
            noise_a: sigma,
            effective_samples: effective,
            standard_uncertainty_a: u,
            kind: SegmentKind::Steady,
            state: Some(state),
        });
    }
    let mut taken = Vec::new();
    let events: Vec<TiedEvent> = deeds
        .iter()
        .enumerate()
        .filter_map(|(row, d)| {
            let state = d.listed?;
            let action = match (d.load, state) {
                ("zero", _) => Action::Zero,
                (_, "on") => Action::On,
                (_, "off") => Action::Off,
                (_, other) => Action::To(other.to_owned()),
            };
            let step = step_of_time.iter().find(|(t, _)| *t == d.time_s).map(|(_, s)| *s);
            let step = step.filter(|step| !taken.contains(step));
            taken.extend(step);
            Some(TiedEvent {
                line: EventLine {
                    row: row as u64 + 2,
                    time: ListedTime::Elapsed(d.time_s),
                    rounding_s: 1.0,
                    load: if d.load == "zero" { String::new() } else { d.load.to_owned() },
                    state: state.to_owned(),
                    action,
                    note: None,
                },
                listed_s: d.time_s,
                aligned_s: d.time_s,
                step,
                probability: 1.0,
                zero_segment: None,
            })
        })
        .collect();
    let mut step_events = vec![None; steps.len()];
    for (i, event) in events.iter().enumerate() {
        if let Some(step) = event.step {
            step_events[step] = Some(i);
        }
    }
    let states = levels
        .iter()
        .map(|&mean_a| Level { mean_a, noise_a: meter.sigma_a, time_s: 1.0, charge_c: mean_a })
        .collect();
    let segmentation = Segmentation {
        noise: NoiseModel {
            sigma_a: meter.sigma_a,
            phi: meter.phi,
            floor_a: 0.0,
            by_level: vec![NoiseAtLevel { level_a: 0.0, sigma_a: meter.sigma_a }],
            spikes: Vec::new(),
        },
        segments,
        steps,
        states,
        held: None,
    };
    let alignment = Alignment {
        clock: ClockFit {
            offset_s: 0.0,
            standard_uncertainty_s: 0.2,
            drift_s_per_h: None,
            rival_offsets_s: Vec::new(),
        },
        events,
        step_events,
        cautions: Vec::new(),
    };
    (segmentation, alignment)
}
