//! Random visits: four loads, each on and off twice, overlapping as it comes.

use std::fmt::Write;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// What a family of visits has in common.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Kind {
    pub(crate) name: &'static str,
    pub(crate) noise_a: f64,
    pub(crate) resolution_a: f64,
    pub(crate) wander_a: f64,
    pub(crate) drift_a_per_h: f64,
    pub(crate) zero_checks: usize,
    /// Error of the slope, drawn evenly within it, percent.
    pub(crate) accuracy_percent: f64,
    /// Accuracy in counts that the sheet states.
    pub(crate) counts: f64,
    pub(crate) rounds_to_s: f64,
    /// Two of the loads start up high, one falls asleep by itself.
    pub(crate) phases: bool,
}

impl Default for Kind {
    fn default() -> Self {
        Self {
            name: "",
            noise_a: 0.0013,
            resolution_a: 0.001,
            wander_a: 0.0,
            drift_a_per_h: 0.0,
            zero_checks: 2,
            accuracy_percent: 0.0,
            counts: 0.0,
            rounds_to_s: 1.0,
            phases: false,
        }
    }
}

const NAMES: [&str; 4] = ["controller", "radio", "probe", "valve"];

/// A scenario of that kind, in the words of `simulate`.
pub(crate) fn scenario(kind: &Kind, seed: u64) -> String {
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x5eed);
    let draws: Vec<f64> =
        NAMES.iter().map(|_| 10f64.powf(rng.random_range(-2.0f64..-0.5))).collect();
    let mut actions = Vec::new();
    let mut on = [false; 4];
    let mut left = [4; 4];
    let mut time_s: f64 = 60.0;
    while left.iter().any(|l| *l > 0) {
        let open: Vec<usize> = (0..4).filter(|&l| left[l] > 0).collect();
        let load = open[rng.random_range(0..open.len())];
        time_s += rng.random_range(45.0f64..100.0).round();
        on[load] = !on[load];
        left[load] -= 1;
        actions.push((time_s, load, on[load]));
    }
    let last_s = time_s + 60.0;
    let end_s = last_s + 60.0;
    let slope = rng.random_range(-1.0..1.0) * kind.accuracy_percent;
    let offset_a = rng.random_range(-0.005..0.005);
    let drift = rng.random_range(-1.0..1.0) * kind.drift_a_per_h;
    let watch_s = rng.random_range(-300.0f64..300.0);

    let mut text = String::new();
    let mut line = |words: std::fmt::Arguments<'_>| {
        text.write_fmt(words).expect("a string takes it");
        text.push('\n');
    };
    line(format_args!(
        "name = \"visit\"\nseed = {seed}\nstart = 2026-05-12T09:00:00\nduration_s = {end_s}"
    ));
    line(format_args!("jobsheet = '''\n[site]\nsupply_voltage_v = 12.0\n[meter]"));
    line(format_args!("accuracy_percent_of_reading = {}", kind.accuracy_percent));
    line(format_args!("accuracy_counts = {}\nzero_return_tolerance_a = 0.015", kind.counts));
    for (name, draw_a) in NAMES.iter().zip(&draws) {
        line(format_args!("[[load]]\nname = \"{name}\""));
        line(format_args!("[[load.state]]\nname = \"working\"\nspecified_a = {draw_a:.6}"));
        if kind.phases && *name == "controller" {
            line(format_args!(
                "[[load.state]]\nname = \"asleep\"\nspecified_a = {:.6}",
                draw_a / 10.0
            ));
        }
    }
    line(format_args!(
        "'''\n[meter]\ninterval_s = 0.5\nnoise_a = {}\nnoise_share_of_level = 0.005",
        kind.noise_a
    ));
    line(format_args!("lag1_autocorrelation = 0.55\nzero_offset_a = {offset_a:.6}"));
    line(format_args!("zero_drift_a_per_h = {drift:.6}\nzero_wander_a = {}", kind.wander_a));
    line(format_args!("zero_wander_period_s = 2600.0\ngain_error_percent = {slope:.4}"));
    line(format_args!("resolution_a = {}\nspikes_per_h = 6.0\nspike_a = 0.3", kind.resolution_a));
    line(format_args!(
        "[export]\ntime_header = \"Time\"\ncurrent_header = \"Current (A)\"\nclock = \"date-time\""
    ));
    line(format_args!("[person]\nclock_offset_s = {watch_s:.1}\nlate_s = 1.5\nlate_sd_s = 0.8"));
    line(format_args!("rounds_to_s = {}\nwrites = \"time-of-day\"", kind.rounds_to_s));
    for (at, (name, draw_a)) in NAMES.iter().zip(&draws).enumerate() {
        line(format_args!("[[load]]\nname = \"{name}\""));
        let starts = kind.phases && at < 2;
        if starts {
            line(format_args!("powers_up_in = \"starting\""));
        }
        line(format_args!("[[load.state]]\nname = \"working\"\ndraw_a = {draw_a:.6}"));
        if kind.phases && *name == "controller" {
            line(format_args!("then = \"asleep\"\nafter_s = 25.0\nafter_sd_s = 0.5"));
            line(format_args!("[[load.state]]\nname = \"asleep\"\ndraw_a = {:.6}", draw_a / 10.0));
        }
        if starts {
            line(format_args!("[[load.state]]\nname = \"starting\"\ndraw_a = {:.6}", 2.2 * draw_a));
            line(format_args!(
                "surge_a = {draw_a:.6}\nsurge_s = 0.4\nthen = \"working\"\nafter_s = 8.0\nafter_sd_s = 0.5"
            ));
        }
    }
    let checks = [(5.0, 45.0), (last_s + 2.0, end_s - last_s - 4.0)];
    for (at_s, for_s) in checks.iter().take(kind.zero_checks) {
        line(format_args!("[[zero_check]]\nat_s = {at_s}\nfor_s = {for_s}"));
    }
    for (at_s, load, on) in actions {
        let state = if on { "on" } else { "off" };
        line(format_args!(
            "[[action]]\nat_s = {at_s}\nload = \"{}\"\nstate = \"{state}\"",
            NAMES[load]
        ));
    }
    text
}
