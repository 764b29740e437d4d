//! The current in the battery lead: the loads, less what the panel charges, where the clamp is.

use std::f64::consts::{PI, TAU};

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::scenario::{Action, Panel, Scenario, ZeroCheck};
use super::tracks::{self, Track};
use crate::numeric::ExactSum;

/// Periods of the clouds relative to the slowest, and their weights, which add up to 1.
const CLOUDS: [(f64, f64); 3] = [(1.0, 0.5), (0.441, 0.3), (0.173, 0.2)];

/// Steps of Simpson's rule: a month of clouds of 15 minutes.
const MOST_STEPS: f64 = 1e6;

/// Streams of the seed, one a purpose; those of the meter are below 16.
const CLOUD_STREAM: u64 = 16;
const SPREAD_STREAM: u64 = 17;
pub(super) const PERSON_STREAM: u64 = 18;
const LOAD_STREAMS: u64 = 32;

pub(super) fn stream(seed: u64, which: u64) -> ChaCha8Rng {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(which);
    rng
}

/// The true currents of one capture.
#[derive(Debug)]
pub(super) struct Site {
    pub(super) tracks: Vec<Track>,
    pub(super) zero_checks: Vec<ZeroCheck>,
    pub(super) actions: Vec<Action>,
    /// Settled draw by load and state, ampere.
    pub(super) draws_a: Vec<Vec<f64>>,
    /// From the procedure's time to the capture's, seconds.
    pub(super) shift_s: f64,
    panel: Option<(Panel, Vec<f64>)>,
}

impl Site {
    /// Lives the scenario's site, or its unit number `unit` (from 0) of a batch.
    pub(super) fn live(scenario: &Scenario, unit: usize, seed: u64) -> Self {
        let mut loads = scenario.loads.clone();
        let mut shift_s = 0.0;
        if let Some(units) = &scenario.units {
            let mut rng = stream(seed, SPREAD_STREAM);
            shift_s = units.start_jitter_s * rng.random::<f64>();
            let mut spread = || {
                (1.0 + units.spread
                    * <StandardNormal as Distribution<f64>>::sample(&StandardNormal, &mut rng))
                .max(0.1)
            };
            for state in loads.iter_mut().flat_map(|load| &mut load.states) {
                let (draw, after, period) = (spread(), spread(), spread());
                state.draw_a *= draw;
                state.surge = state.surge.map(|(a, s)| (a * draw, s));
                if let Some(then) = &mut state.then {
                    then.after_s *= after;
                }
                if let Some(pulses) = &mut state.pulses {
                    pulses.above_a *= draw;
                    pulses.period_s *= period;
                    pulses.first_after_s *= period;
                }
            }
            for odd in units.odd.iter().filter(|odd| odd.unit == unit) {
                let state = &mut loads[odd.load].states[odd.state];
                state.draw_a = odd.draw_a.unwrap_or(state.draw_a);
                if let (Some(then), Some(after_s)) = (&mut state.then, odd.after_s) {
                    then.after_s = after_s;
                }
                if let (Some(pulses), Some(period_s)) = (&mut state.pulses, odd.wake_period_s) {
                    pulses.period_s = period_s;
                    pulses.first_after_s = period_s;
                }
            }
        }
        let shifted = |action: &Action| Action { at_s: action.at_s + shift_s, ..action.clone() };
        let actions: Vec<Action> = scenario.actions.iter().map(shifted).collect();
        let tracks = loads.iter().enumerate().map(|(i, load)| {
            let at = LOAD_STREAMS + 2 * i as u64;
            let (mut delays, mut pulses) = (stream(seed, at), stream(seed, at + 1));
            tracks::live(load, i, &actions, scenario.duration_s, &mut delays, &mut pulses)
        });
        let zero_checks = scenario.zero_checks.iter();
        Self {
            tracks: tracks.collect(),
            zero_checks: zero_checks
                .map(|check| ZeroCheck { at_s: check.at_s + shift_s, ..check.clone() })
                .collect(),
            draws_a: loads
                .iter()
                .map(|load| load.states.iter().map(|state| state.draw_a).collect())
                .collect(),
            panel: scenario.panel.clone().map(|panel| {
                let mut rng = stream(seed, CLOUD_STREAM);
                (panel, CLOUDS.iter().map(|_| TAU * rng.random::<f64>()).collect())
            }),
            actions,
            shift_s,
        }
    }

    /// True when the clamp is off the lead.
    pub(super) fn at_zero(&self, t: f64) -> bool {
        self.zero_checks.iter().any(|check| check.at_s <= t && t < check.at_s + check.for_s)
    }

    /// Current through the clamp, ampere, positive out of the battery.
    pub(super) fn current_a(&self, t: f64) -> f64 {
        if self.at_zero(t) { 0.0 } else { self.lead_a(t) }
    }

    /// Current in the lead, whether the clamp is on it or not, ampere.
    pub(super) fn lead_a(&self, t: f64) -> f64 {
        self.tracks.iter().map(|track| track.draw_a(t)).sum::<f64>() - self.panel_a(t)
    }

    /// Charging current of the panel, a smooth hump from sunrise to sunset with slow clouds:
    /// `peak sin²(π x) (1 − share (1 + clouds) / 2)`, ampere.
    fn panel_a(&self, t: f64) -> f64 {
        let Some((panel, phases)) = &self.panel else { return 0.0 };
        let day = (t - panel.rises_s) / (panel.sets_s - panel.rises_s);
        if !(0.0..1.0).contains(&day) {
            return 0.0;
        }
        let clouds: f64 = CLOUDS
            .iter()
            .zip(phases)
            .map(|((period, weight), phase)| {
                weight * (TAU * t / (period * panel.cloud_period_s) + phase).sin()
            })
            .sum();
        let clear = (PI * day).sin();
        panel.peak_a * clear * clear * (1.0 - panel.cloud_share * (1.0 + clouds) / 2.0)
    }

    /// Charge through the clamp between two moments, coulomb: the loads in closed form, the panel
    /// by Simpson's rule on steps far below its fastest cloud.
    pub(super) fn charge_c(&self, from_s: f64, to_s: f64) -> f64 {
        let mut cuts = vec![from_s, to_s];
        let edges =
            self.zero_checks.iter().flat_map(|check| [check.at_s, check.at_s + check.for_s]);
        cuts.extend(edges.filter(|edge| from_s < *edge && *edge < to_s));
        cuts.sort_by(f64::total_cmp);
        let pieces = cuts.windows(2).filter(|piece| !self.at_zero(0.5 * (piece[0] + piece[1])));
        let charges = pieces.map(|piece| {
            let loads: f64 =
                self.tracks.iter().map(|track| track.charge_c(piece[0], piece[1])).sum();
            loads - self.panel_charge_c(piece[0], piece[1])
        });
        charges.collect::<ExactSum>().value()
    }

    /// Mean current through the clamp between two moments, ampere; before the capture it was as at
    /// its start. O(log(states + pulses)) in each load.
    pub(super) fn mean_a(&self, from_s: f64, to_s: f64) -> f64 {
        let from_s = from_s.max(0.0);
        if to_s > from_s {
            self.charge_c(from_s, to_s) / (to_s - from_s)
        } else {
            self.current_a(to_s)
        }
    }

    fn panel_charge_c(&self, from_s: f64, to_s: f64) -> f64 {
        let Some((panel, _)) = &self.panel else { return 0.0 };
        let (from_s, to_s) = (from_s.max(panel.rises_s), to_s.min(panel.sets_s));
        if to_s <= from_s {
            return 0.0;
        }
        let fastest = CLOUDS[2].0 * panel.cloud_period_s;
        let pairs = ((to_s - from_s) / (fastest / 50.0)).ceil().clamp(2.0, MOST_STEPS);
        let h = (to_s - from_s) / (2.0 * pairs);
        let weighted = (0..=2 * pairs as usize).map(|i| {
            let weight = if i == 0 || i == 2 * pairs as usize { 1.0 } else { [2.0, 4.0][i % 2] };
            weight * self.panel_a((from_s + i as f64 * h).min(to_s - 1e-9 * h))
        });
        weighted.collect::<ExactSum>().value() * h / 3.0
    }
}
