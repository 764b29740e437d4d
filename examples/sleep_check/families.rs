//! The families of captures, each a scenario in the words of `simulate`.

use ebbmark::findings::{CreepAnswer, Verdict};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::{Creeps, Wanted};

/// A failure to sleep.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Stuck {
    pub(crate) start_s: f64,
    pub(crate) end_s: f64,
    pub(crate) above_a: f64,
}

/// A capture to be and what is true of it.
pub(crate) struct Night {
    pub(crate) scenario: String,
    /// True sleep floor.
    pub(crate) floor_a: f64,
    /// Time constant of the wakes' tails.
    pub(crate) tail_s: f64,
    /// Where the clamp is on the lead.
    pub(crate) seen_s: (f64, f64),
    /// True where it is on nothing before and after, and its zero stays where it is.
    pub(crate) bare_ends: bool,
    /// True where wakes are shorter than a sample and have no width.
    pub(crate) short: bool,
    pub(crate) failures: Vec<Stuck>,
    pub(crate) creep: Creeps,
    pub(crate) verdicts: Vec<Wanted>,
}

/// A family.
pub(crate) struct Family {
    pub(crate) name: &'static str,
    pub(crate) make: fn(u64) -> Night,
}

pub(crate) const FAMILIES: [Family; 9] = [
    Family { name: "night, 1 Hz", make: night },
    Family { name: "other loads on, 1 Hz", make: beside },
    Family { name: "sleeper, 1 kHz", make: sleeper },
    Family { name: "bench, 10 Hz", make: bench },
    Family { name: "poll inside report", make: poll },
    Family { name: "shorter than a sample", make: short },
    Family { name: "creep, zero checked", make: |seed| slow(seed, true, true) },
    Family { name: "creep, zero unknown", make: |seed| slow(seed, true, false) },
    Family { name: "clamp drift, checked", make: |seed| slow(seed, false, true) },
];

fn between(rng: &mut ChaCha8Rng, a: f64, b: f64) -> f64 {
    a + (b - a) * rng.random::<f64>()
}

fn log_between(rng: &mut ChaCha8Rng, a: f64, b: f64) -> f64 {
    (a.ln() + (b / a).ln() * rng.random::<f64>()).exp()
}

fn generator(family: u64, seed: u64) -> ChaCha8Rng {
    ChaCha8Rng::seed_from_u64(family << 32 | seed)
}

/// Bursts of a state.
struct Wakes {
    period_s: f64,
    jitter_s: f64,
    width_s: f64,
    width_sd_s: f64,
    above_a: f64,
    tail_s: f64,
}

fn sleeping_load(name: &str, floor_a: f64, grows_a_per_h: f64, wakes: &Wakes) -> String {
    format!(
        "[[load]]\nname = \"{name}\"\nstarts_in = \"asleep\"\n\
         [[load.state]]\nname = \"asleep\"\ndraw_a = {floor_a:.9}\ngrows_a_per_h = {grows_a_per_h}\n\
         [load.state.wakes]\nperiod_s = {:.6}\nperiod_sd_s = {:.6}\nwidth_s = {:.6}\n\
         width_sd_s = {:.6}\nabove_a = {:.9}\nabove_sd_a = {:.9}\ntail_s = {:.6}\n",
        wakes.period_s,
        wakes.jitter_s,
        wakes.width_s,
        wakes.width_sd_s,
        wakes.above_a,
        0.01 * wakes.above_a,
        wakes.tail_s
    )
}

/// Ten hours of a clamp on the lead; most nights the controller stays up once.
fn night(seed: u64) -> Night {
    let mut rng = generator(1, seed);
    let floor_a = between(&mut rng, 0.012, 0.040);
    let period_s = between(&mut rng, 240.0, 900.0);
    let wakes = Wakes {
        period_s,
        jitter_s: between(&mut rng, 0.0, 0.01) * period_s,
        width_s: between(&mut rng, 5.0, 25.0),
        width_sd_s: 0.3,
        above_a: between(&mut rng, 0.08, 0.25),
        tail_s: between(&mut rng, 0.0, 0.8),
    };
    let tail_s = wakes.tail_s;
    let (noise_a, phi) = (between(&mut rng, 4e-4, 1.5e-3), between(&mut rng, 0.0, 0.7));
    let idle_a = floor_a + between(&mut rng, 0.05, 0.12);
    let start_s = between(&mut rng, 6000.0, 15_000.0);
    let end_s = start_s + between(&mut rng, 1200.0, 6000.0);
    let stuck = !seed.is_multiple_of(4);
    let mut scenario = format!(
        "name = \"night\"\nseed = {seed}\nstart = 2026-05-12T20:40:00\nduration_s = 36000.0\n\
         jobsheet = '''\n[meter]\nzero_return_tolerance_a = 0.02\n'''\n\
         [meter]\ninterval_s = 1.0\naveraging_s = 1.0\nnoise_a = {noise_a:.6}\n\
         noise_share_of_level = 0.003\nlag1_autocorrelation = {phi:.3}\nzero_offset_a = 0.003\n\
         resolution_a = 0.001\n\
         [export]\nclock = \"date-time\"\n[person]\nlate_s = 1.0\nrounds_to_s = 1.0\n\
         [[zero_check]]\nat_s = 0.0\nfor_s = 900.0\n[[zero_check]]\nat_s = 35100.0\nfor_s = 900.0\n"
    );
    scenario += &sleeping_load("controller", floor_a, 0.0, &wakes);
    if stuck {
        scenario += &format!(
            "[[load.state]]\nname = \"idle\"\ndraw_a = {idle_a:.6}\n\
             [[action]]\nat_s = {start_s:.1}\nload = \"controller\"\nstate = \"idle\"\nwritten = false\n\
             [[action]]\nat_s = {end_s:.1}\nload = \"controller\"\nstate = \"asleep\"\nwritten = false\n"
        );
    }
    let failure = Stuck { start_s, end_s, above_a: idle_a - floor_a };
    Night {
        scenario,
        floor_a,
        tail_s,
        seen_s: (900.0, 35_100.0),
        bare_ends: true,
        short: false,
        failures: if stuck { vec![failure] } else { Vec::new() },
        creep: Some(CreepAnswer::Steady),
        verdicts: Vec::new(),
    }
}

/// Such a night on which a lamp stands on for hours, and a fan for some of them; every other time the
/// lamp is listed.
fn beside(seed: u64) -> Night {
    let mut rng = generator(7, seed);
    let floor_a = between(&mut rng, 0.012, 0.040);
    let period_s = between(&mut rng, 240.0, 900.0);
    let wakes = Wakes {
        period_s,
        jitter_s: between(&mut rng, 0.0, 0.01) * period_s,
        width_s: between(&mut rng, 5.0, 25.0),
        width_sd_s: 0.3,
        above_a: between(&mut rng, 0.08, 0.25),
        tail_s: between(&mut rng, 0.0, 0.8),
    };
    let tail_s = wakes.tail_s;
    let (noise_a, phi) = (between(&mut rng, 4e-4, 1.5e-3), between(&mut rng, 0.0, 0.7));
    let (lamp_a, fan_a) = (log_between(&mut rng, 0.05, 1.0), log_between(&mut rng, 0.05, 0.5));
    let start_s = between(&mut rng, 6000.0, 12_000.0);
    let end_s = start_s + between(&mut rng, 6000.0, 15_000.0);
    let fan_s = [0.2, 0.7].map(|share| start_s + share * (end_s - start_s));
    let listed = seed.is_multiple_of(2);
    let mut scenario = format!(
        "name = \"beside\"\nseed = {seed}\nstart = 2026-05-12T20:40:00\nduration_s = 36000.0\n\
         jobsheet = '''\n[meter]\nzero_return_tolerance_a = 0.02\n'''\n\
         [meter]\ninterval_s = 1.0\naveraging_s = 1.0\nnoise_a = {noise_a:.6}\n\
         noise_share_of_level = 0.003\nlag1_autocorrelation = {phi:.3}\nzero_offset_a = 0.003\n\
         resolution_a = 0.001\n\
         [export]\nclock = \"date-time\"\n[person]\nlate_s = 1.0\nrounds_to_s = 1.0\n\
         [[zero_check]]\nat_s = 0.0\nfor_s = 900.0\n[[zero_check]]\nat_s = 35100.0\nfor_s = 900.0\n"
    );
    scenario += &sleeping_load("controller", floor_a, 0.0, &wakes);
    let spans = [("lamp", lamp_a, [start_s, end_s]), ("fan", fan_a, fan_s)];
    for (name, draw_a, [on_s, off_s]) in spans {
        scenario += &format!(
            "[[load]]\nname = \"{name}\"\n[[load.state]]\nname = \"running\"\ndraw_a = {draw_a:.6}\n\
             [[action]]\nat_s = {on_s:.1}\nload = \"{name}\"\nstate = \"running\"\nwritten = {listed}\n\
             [[action]]\nat_s = {off_s:.1}\nload = \"{name}\"\nstate = \"off\"\nwritten = {listed}\n"
        );
    }
    let above_a = lamp_a + fan_a * (fan_s[1] - fan_s[0]) / (end_s - start_s);
    let failure = Stuck { start_s, end_s, above_a };
    Night {
        scenario,
        floor_a,
        tail_s,
        seen_s: (900.0, 35_100.0),
        bare_ends: true,
        short: false,
        failures: if listed { Vec::new() } else { vec![failure] },
        creep: Some(CreepAnswer::Steady),
        verdicts: Vec::new(),
    }
}

/// A device at microamperes that wakes for milliseconds, two minutes on a bench supply.
fn sleeper(seed: u64) -> Night {
    let mut rng = generator(2, seed);
    let floor_a = log_between(&mut rng, 8e-6, 60e-6);
    let period_s = between(&mut rng, 0.6, 2.5);
    let wakes = Wakes {
        period_s,
        jitter_s: between(&mut rng, 0.0, 0.02) * period_s,
        width_s: between(&mut rng, 0.02, 0.15),
        width_sd_s: 0.002,
        above_a: log_between(&mut rng, 4e-3, 30e-3),
        tail_s: between(&mut rng, 0.0, 0.0012),
    };
    let (noise_a, phi) = (log_between(&mut rng, 1e-7, 1e-6), between(&mut rng, 0.0, 0.6));
    let share = between(&mut rng, 0.005, 0.03);
    let above_a = wakes.above_a;
    // The largest of a few hundred: four standard deviations longer and higher.
    let largest_ah = 1.04 * above_a * (wakes.width_s + 4.0 * 0.002 + wakes.tail_s) / 3600.0;
    let share_awake = (wakes.width_s + wakes.tail_s) / period_s;
    let scenario = format!(
        "name = \"sleeper\"\nseed = {seed}\nstart = 2026-05-12T09:00:00\nduration_s = 120.0\n\
         jobsheet = '''\n[sleep]\nsleep_max_a = {:.9}\nwake_charge_max_ah = {:.12}\n\
         awake_share_max = {:.6}\n'''\n\
         [meter]\ninterval_s = 0.001\naveraging_s = 0.001\nnoise_a = {noise_a:.9}\n\
         noise_share_of_level = {share:.4}\nlag1_autocorrelation = {phi:.3}\n\
         resolution_a = 0.0000001\n\
         [export]\nclock = \"seconds\"\ncurrent_header = \"current (mA)\"\nunit = \"mA\"\n{}",
        0.8 * floor_a,
        1.2 * largest_ah,
        1.3 * share_awake,
        sleeping_load("device", floor_a, 0.0, &wakes)
    );
    Night {
        scenario,
        floor_a,
        tail_s: wakes.tail_s,
        seen_s: (0.0, 120.0),
        bare_ends: false,
        short: false,
        failures: Vec::new(),
        creep: Some(CreepAnswer::Undecidable),
        verdicts: vec![
            ("sleep_max_a", Verdict::NonConforming),
            ("wake_charge_max_ah", Verdict::Conforming),
            ("awake_share_max", Verdict::Conforming),
        ],
    }
}

/// Ten minutes at 10 Hz through a ranging meter: switched on, 30 s awake, then asleep with wakes of a
/// few readings. Every third one takes too long to fall asleep.
fn bench(seed: u64) -> Night {
    let mut rng = generator(3, seed);
    let floor_a = log_between(&mut rng, 3e-4, 3e-3);
    let wakes = Wakes {
        period_s: between(&mut rng, 4.0, 20.0),
        jitter_s: 0.1,
        width_s: between(&mut rng, 0.35, 1.2),
        width_sd_s: 0.02,
        above_a: between(&mut rng, 0.02, 0.06),
        tail_s: between(&mut rng, 0.0, 0.08),
    };
    let late = seed.is_multiple_of(3);
    let after_s = if late { between(&mut rng, 60.0, 90.0) } else { between(&mut rng, 20.0, 35.0) };
    let awake_a = between(&mut rng, 0.025, 0.05);
    let asleep = sleeping_load("receiver", floor_a, 0.0, &wakes)
        .replace("starts_in = \"asleep\"\n", "powers_up_in = \"awake\"\n");
    let scenario = format!(
        "name = \"bench\"\nseed = {seed}\nstart = 2026-05-12T09:00:00\nduration_s = 600.0\n\
         jobsheet = '''\n[[load]]\nname = \"receiver\"\n[[load.state]]\nname = \"awake\"\n\
         [[load.state]]\nname = \"asleep\"\n[sleep]\nsleep_within_s = 45.0\n'''\n\
         [meter]\ninterval_s = 0.1\naveraging_s = 0.1\nlag1_autocorrelation = 0.3\n\
         noise_share_of_level = 0.0012\nzero_offset_a = 0.000004\n\
         [[meter.range]]\nup_to_a = 0.010\nresolution_a = 0.000001\nnoise_a = 0.0000022\n\
         [[meter.range]]\nup_to_a = 0.100\nresolution_a = 0.00001\nnoise_a = 0.000014\n\
         [[meter.range]]\nup_to_a = 1.0\nresolution_a = 0.0001\nnoise_a = 0.00012\n\
         [export]\nclock = \"seconds\"\ncurrent_header = \"current (mA)\"\nunit = \"mA\"\n\
         [person]\nlate_s = 0.0\nrounds_to_s = 0.1\nwrites = \"seconds\"\n\
         {asleep}[[load.state]]\nname = \"awake\"\ndraw_a = {awake_a:.6}\nthen = \"asleep\"\n\
         after_s = {after_s:.3}\n\
         [[zero_check]]\nat_s = 2.0\nfor_s = 15.0\n\
         [[action]]\nat_s = 20.0\nload = \"receiver\"\nstate = \"on\"\n"
    );
    let (asleep_s, allowed_s) = (20.0 + after_s, 45.0);
    let failure = Stuck { start_s: 20.0 + allowed_s, end_s: asleep_s, above_a: awake_a - floor_a };
    let verdict = if late { Verdict::NonConforming } else { Verdict::Conforming };
    Night {
        scenario,
        floor_a,
        tail_s: wakes.tail_s,
        seen_s: (asleep_s, 600.0),
        bare_ends: false,
        short: false,
        failures: if late { vec![failure] } else { Vec::new() },
        creep: None,
        verdicts: vec![("sleep_within_s", verdict)],
    }
}

/// A radio polls every 10 s, a controller reports every 15 minutes; two hours at 10 Hz.
fn poll(seed: u64) -> Night {
    let mut rng = generator(4, seed);
    let poll = Wakes {
        period_s: between(&mut rng, 9.0, 11.0),
        jitter_s: 0.02,
        width_s: between(&mut rng, 0.4, 0.8),
        width_sd_s: 0.01,
        above_a: between(&mut rng, 0.015, 0.030),
        tail_s: 0.0,
    };
    let report = Wakes {
        period_s: between(&mut rng, 850.0, 950.0),
        jitter_s: 1.0,
        width_s: between(&mut rng, 4.0, 7.0),
        width_sd_s: 0.05,
        above_a: between(&mut rng, 0.08, 0.2),
        tail_s: 0.0,
    };
    let floor_a = between(&mut rng, 0.002, 0.006);
    let scenario = format!(
        "name = \"poll\"\nseed = {seed}\nstart = 2026-05-12T09:00:00\nduration_s = 14400.0\n\
         [meter]\ninterval_s = 0.1\naveraging_s = 0.1\nnoise_a = 0.0001\n\
         noise_share_of_level = 0.002\nlag1_autocorrelation = 0.4\nresolution_a = 0.00001\n\
         [export]\nclock = \"seconds\"\n{}{}",
        sleeping_load("radio", 0.5 * floor_a, 0.0, &poll),
        sleeping_load("controller", 0.5 * floor_a, 0.0, &report)
    );
    Night {
        scenario,
        floor_a,
        tail_s: 0.0,
        seen_s: (0.0, 14_400.0),
        bare_ends: false,
        short: false,
        failures: Vec::new(),
        creep: Some(CreepAnswer::Undecidable),
        verdicts: Vec::new(),
    }
}

/// Wakes of a fifth to nine tenths of a sample, averaged by the meter; four hours at 1 Hz.
fn short(seed: u64) -> Night {
    let mut rng = generator(5, seed);
    let floor_a = between(&mut rng, 0.004, 0.012);
    let wakes = Wakes {
        period_s: between(&mut rng, 15.0, 60.0),
        jitter_s: 0.2,
        width_s: between(&mut rng, 0.2, 0.9),
        width_sd_s: 0.01,
        above_a: between(&mut rng, 0.1, 0.3),
        tail_s: 0.0,
    };
    let scenario = format!(
        "name = \"short\"\nseed = {seed}\nstart = 2026-05-12T09:00:00\nduration_s = 14400.0\n\
         [meter]\ninterval_s = 1.0\naveraging_s = 1.0\nnoise_a = 0.0005\n\
         lag1_autocorrelation = 0.3\nresolution_a = 0.0001\n\
         [export]\nclock = \"seconds\"\n{}",
        sleeping_load("sensor", floor_a, 0.0, &wakes)
    );
    Night {
        scenario,
        floor_a,
        tail_s: 0.0,
        seen_s: (0.0, 14_400.0),
        bare_ends: false,
        short: true,
        failures: Vec::new(),
        creep: Some(CreepAnswer::Undecidable),
        verdicts: Vec::new(),
    }
}

/// Eight hours in which the floor moves by a milliampere an hour: the equipment's doing or the clamp's,
/// with zero checks at both ends or none.
fn slow(seed: u64, equipment: bool, checked: bool) -> Night {
    let mut rng = generator(6, seed);
    let mut slope = between(&mut rng, 0.5e-3, 2e-3);
    let floor_a = between(&mut rng, 0.020, 0.040);
    if seed % 2 == 1 {
        slope = -slope;
    }
    let wakes = Wakes {
        period_s: between(&mut rng, 240.0, 600.0),
        jitter_s: 2.0,
        width_s: between(&mut rng, 5.0, 15.0),
        width_sd_s: 0.2,
        above_a: between(&mut rng, 0.08, 0.25),
        tail_s: 0.0,
    };
    let hours = 8.0;
    let end_s = 3600.0 * hours;
    let (grows, drifts) = if equipment { (slope, 0.0) } else { (0.0, slope) };
    let mut scenario = format!(
        "name = \"slow\"\nseed = {seed}\nstart = 2026-05-12T20:00:00\nduration_s = {end_s}\n\
         jobsheet = '''\n[meter]\nzero_return_tolerance_a = 0.05\n'''\n\
         [meter]\ninterval_s = 1.0\naveraging_s = 1.0\nnoise_a = 0.0008\n\
         lag1_autocorrelation = 0.4\nzero_drift_a_per_h = {drifts:.9}\nresolution_a = 0.0001\n\
         [export]\nclock = \"date-time\"\n{}",
        sleeping_load("controller", floor_a, grows, &wakes)
    );
    if checked {
        scenario += &format!(
            "[person]\nlate_s = 1.0\nrounds_to_s = 1.0\n\
             [[zero_check]]\nat_s = 0.0\nfor_s = 600.0\n\
             [[zero_check]]\nat_s = {:.1}\nfor_s = 600.0\n",
            end_s - 600.0
        );
    }
    let creep = match (equipment, checked) {
        (true, true) => CreepAnswer::Creeps,
        (false, true) => CreepAnswer::Steady,
        _ => CreepAnswer::Undecidable,
    };
    let seen_s = if checked { (600.0, end_s - 600.0) } else { (0.0, end_s) };
    Night {
        scenario,
        // In the middle of the capture.
        floor_a: floor_a + grows * 0.5 * hours,
        tail_s: 0.0,
        seen_s,
        bare_ends: false,
        short: false,
        failures: Vec::new(),
        creep: Some(creep),
        verdicts: Vec::new(),
    }
}
