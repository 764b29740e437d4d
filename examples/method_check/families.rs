//! The families of captures.

use std::f64::consts::{PI, TAU};

use ebbmark::findings::Span;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::meter::{Edge, Log, Meter, Truth, between, log_between, normal, read};

/// A family: its name, what it must reach, how near a hit is, and how one is made.
pub(crate) struct Family {
    pub(crate) name: &'static str,
    pub(crate) bar: Bar,
    /// How near a hit lies, seconds; `None` for 2.5 samples.
    pub(crate) within_s: Option<f64>,
    pub(crate) make: fn(&mut ChaCha8Rng) -> Log,
}

pub(crate) enum Bar {
    F1(f64),
    FalsePerCapture(f64),
}

pub(crate) const FAMILIES: [Family; 15] = [
    Family { name: "visit", bar: Bar::F1(0.998), within_s: None, make: visit },
    Family { name: "overlapping", bar: Bar::F1(0.998), within_s: None, make: overlapping },
    Family { name: "night", bar: Bar::F1(0.998), within_s: None, make: night },
    Family { name: "quiet night", bar: Bar::FalsePerCapture(0.05), within_s: None, make: quiet },
    Family { name: "wandering", bar: Bar::FalsePerCapture(0.05), within_s: None, make: wandering },
    Family { name: "restless", bar: Bar::FalsePerCapture(0.05), within_s: None, make: restless },
    Family { name: "restless wakes", bar: Bar::F1(0.998), within_s: None, make: restless_wakes },
    Family { name: "sleeper", bar: Bar::F1(0.998), within_s: None, make: sleeper },
    Family { name: "settling", bar: Bar::F1(0.99), within_s: None, make: settling },
    Family { name: "autoranging", bar: Bar::F1(0.99), within_s: None, make: autoranging },
    Family { name: "sunrise", bar: Bar::F1(0.99), within_s: None, make: sunrise },
    Family { name: "cloudy dawn", bar: Bar::F1(0.998), within_s: None, make: cloudy_dawn },
    Family { name: "faint", bar: Bar::F1(0.97), within_s: Some(30.0), make: faint },
    Family { name: "duty cycle", bar: Bar::F1(0.99), within_s: None, make: duty },
    Family { name: "mixed rates", bar: Bar::F1(0.99), within_s: None, make: mixed },
];

/// The generator of a family's capture number `seed`.
pub(crate) fn rng(family: &str, seed: u64) -> ChaCha8Rng {
    let salt = family.bytes().fold(7u64, |h, b| h.wrapping_mul(131).wrapping_add(u64::from(b)));
    ChaCha8Rng::seed_from_u64(salt ^ seed.wrapping_mul(0x9e37_79b9_7f4a_7c15))
}

fn clamp_meter(rng: &mut ChaCha8Rng, interval_s: f64, most_phi: f64, wander_a: f64) -> Meter {
    let mut meter =
        Meter::plain(interval_s, 1e-3, between(rng, 0.4e-3, 2.0e-3), between(rng, 0.0, most_phi));
    meter.sigma_share = between(rng, 0.0, 0.004);
    meter.wander_a = wander_a;
    meter.gain = between(rng, 0.97, 1.03);
    meter.spikes_per_sample = 0.001;
    meter.spike_a = 0.2;
    meter
}

/// A technician's visit: zero, start-up hump, sleep, four loads on and off twice.
fn visit(rng: &mut ChaCha8Rng) -> Log {
    let mut truth = Truth::new(0.0, 0.0);
    let mut t = between(rng, 30.0, 60.0);
    // Start-up: 250 mA that decays to idle, idle for half a minute, then asleep.
    let idle = between(rng, 0.110, 0.130);
    let tau = between(rng, 2.0, 6.0);
    truth.edges.push(Edge { at_s: t, delta_a: idle, tail: Some((between(rng, 0.10, 0.15), tau)) });
    truth.unscored.push(Span { start_s: t + 1.0, end_s: t + 6.0 * tau });
    t += 6.0 * tau + between(rng, 20.0, 40.0);
    let asleep = between(rng, 0.008, 0.012);
    truth.add(t, asleep - idle);
    t += between(rng, 30.0, 60.0);
    let loads: Vec<f64> = (0..4).map(|_| log_between(rng, 0.006, 0.3)).collect();
    for _ in 0..2 {
        for load in &loads {
            truth.add(t, *load);
            t += between(rng, 20.0, 50.0);
            truth.add(t, -load);
            t += between(rng, 15.0, 40.0);
        }
    }
    truth.add(t, -asleep);
    truth.duration_s = t + between(rng, 30.0, 60.0);
    let meter = clamp_meter(rng, 0.5, 0.7, 0.008);
    read(rng, truth, &meter)
}

/// Four loads switched singly and in pairs, never alone.
fn overlapping(rng: &mut ChaCha8Rng) -> Log {
    let mut truth = Truth::new(0.0, between(rng, 0.005, 0.02));
    let loads: Vec<f64> = (0..4).map(|_| log_between(rng, 0.012, 0.3)).collect();
    let mut on = [true, false, true, false];
    truth.base_a += loads[0] + loads[2];
    let mut t = between(rng, 20.0, 40.0);
    for _ in 0..24 {
        loop {
            let a = rng.random_range(0..4);
            let b = if rng.random::<f64>() < 0.4 { rng.random_range(0..4) } else { a };
            let mut then = on;
            then[a] = !then[a];
            if b != a {
                then[b] = !then[b];
            }
            let draw = |on: &[bool; 4]| -> f64 {
                on.iter().zip(&loads).filter(|(on, _)| **on).map(|(_, a)| a).sum()
            };
            let delta = draw(&then) - draw(&on);
            if then.iter().any(|on| *on) && delta.abs() > 0.008 {
                truth.add(t, delta);
                on = then;
                break;
            }
        }
        t += between(rng, 15.0, 60.0);
    }
    truth.duration_s = t;
    let meter = clamp_meter(rng, 0.5, 0.7, 0.008);
    read(rng, truth, &meter)
}

/// Eleven hours asleep with wake bursts, one stuck load and one leak.
fn night(rng: &mut ChaCha8Rng) -> Log {
    let duration = 11.0 * 3600.0;
    let mut truth = Truth::new(duration, between(rng, 0.008, 0.03));
    let burst = between(rng, 0.08, 0.25);
    let mut t = between(rng, 100.0, 600.0);
    while t < duration - 100.0 {
        let width = between(rng, 6.0, 25.0);
        truth.add(t, burst);
        truth.add(t + width, -burst);
        t += width + between(rng, 300.0, 900.0);
    }
    for (low, high) in [(0.04, 0.2), (0.012, 0.03)] {
        // Clear of the bursts' edges, so that each true edge stands alone.
        let clear = |truth: &Truth, at: f64| truth.edges.iter().all(|e| (e.at_s - at).abs() > 8.0);
        let load = between(rng, low, high);
        let (mut on, mut off) = (0.0, 0.0);
        while !clear(&truth, on) || !clear(&truth, off) || on == 0.0 {
            on = between(rng, 1000.0, duration - 9000.0);
            off = on + between(rng, 1800.0, 7200.0);
        }
        truth.add(on, load);
        truth.add(off, -load);
    }
    let meter = clamp_meter(rng, 1.0, 0.8, 0.012);
    read(rng, truth, &meter)
}

/// Twelve hours of nothing.
fn quiet(rng: &mut ChaCha8Rng) -> Log {
    let truth = Truth::new(12.0 * 3600.0, between(rng, 0.0, 0.05));
    let meter = clamp_meter(rng, 1.0, 0.9, 0.015);
    read(rng, truth, &meter)
}

/// Twelve hours of nothing on a zero that wanders by 5 mA over 2 to 6 hours.
fn wandering(rng: &mut ChaCha8Rng) -> Log {
    let mut truth = Truth::new(12.0 * 3600.0, 0.0);
    let waves: [(f64, f64, f64); 3] = std::array::from_fn(|_| {
        let period_s = log_between(rng, 7200.0, 21_600.0);
        (between(rng, 0.2, 1.0), period_s, between(rng, 0.0, std::f64::consts::TAU))
    });
    let whole: f64 = waves.iter().map(|wave| wave.0).sum();
    truth.smooth = Box::new(move |t| {
        let at = |(a, period_s, phase)| a * f64::sin(std::f64::consts::TAU * t / period_s + phase);
        0.005 * waves.iter().map(|wave| at(*wave)).sum::<f64>() / whole
    });
    let meter = clamp_meter(rng, 1.0, 0.9, 0.0);
    read(rng, truth, &meter)
}

/// A zero without rest, as 1/f noise or moving air makes it, second by second: a random walk that
/// reaches ±2 to ±15 mA, or one that is drawn back within 2 to 20 minutes, of 1 to 7 mA.
fn walk(rng: &mut ChaCha8Rng, duration_s: f64) -> Box<dyn Fn(f64) -> f64 + Sync> {
    let back = rng.random::<bool>().then(|| log_between(rng, 120.0, 1200.0));
    let keeps = back.map_or(1.0, |back_s| (-1.0 / back_s).exp());
    let mut level = 0.0;
    let mut walk: Vec<f64> = (0..duration_s as usize + 2)
        .map(|_| {
            level = keeps * level + normal(rng);
            level
        })
        .collect();
    let size_a = match back {
        Some(_) => log_between(rng, 0.001, 0.007) * (1.0 - keeps * keeps).sqrt(),
        None => {
            let most = walk.iter().fold(0.0, |most: f64, level| most.max(level.abs()));
            log_between(rng, 0.002, 0.015) / most
        }
    };
    walk.iter_mut().for_each(|level| *level *= size_a);
    Box::new(move |t| {
        let second = t as usize;
        walk[second] + (t - second as f64) * (walk[second + 1] - walk[second])
    })
}

/// Twelve hours of nothing on a zero without rest.
fn restless(rng: &mut ChaCha8Rng) -> Log {
    let mut truth = Truth::new(12.0 * 3600.0, 0.0);
    truth.smooth = walk(rng, truth.duration_s);
    let meter = clamp_meter(rng, 1.0, 0.7, 0.0);
    read(rng, truth, &meter)
}

/// Wakes of 6 to 25 s, at rest in between for as long as said, seconds.
fn wakes(rng: &mut ChaCha8Rng, truth: &mut Truth, awake_a: f64, rest_s: (f64, f64)) {
    let mut t = between(rng, 60.0, 300.0);
    while t < truth.duration_s - 60.0 {
        truth.add(t, awake_a);
        t += between(rng, 6.0, 25.0);
        truth.add(t, -awake_a);
        t += between(rng, rest_s.0, rest_s.1);
    }
}

/// Six hours of wakes on a zero without rest.
fn restless_wakes(rng: &mut ChaCha8Rng) -> Log {
    let mut truth = Truth::new(6.0 * 3600.0, between(rng, 0.005, 0.03));
    truth.smooth = walk(rng, truth.duration_s);
    let awake = log_between(rng, 0.03, 0.3);
    wakes(rng, &mut truth, awake, (180.0, 900.0));
    let meter = clamp_meter(rng, 1.0, 0.7, 0.0);
    read(rng, truth, &meter)
}

/// A device that sleeps at microamperes and wakes for milliseconds.
fn sleeper(rng: &mut ChaCha8Rng) -> Log {
    let duration = 60.0;
    let asleep = log_between(rng, 8e-6, 60e-6);
    let mut truth = Truth::new(duration, asleep);
    let awake = log_between(rng, 4e-3, 30e-3);
    let mut t = between(rng, 0.2, 1.0);
    while t < duration - 0.3 {
        let width = between(rng, 0.02, 0.15);
        let level = awake * between(rng, 0.8, 1.2);
        truth.add(t, level);
        truth.add(t + width, -level);
        t += width + between(rng, 0.3, 2.0);
    }
    let mut meter = Meter::plain(1e-3, 1e-7, log_between(rng, 1e-7, 1e-6), between(rng, 0.0, 0.6));
    meter.sigma_share = between(rng, 0.01, 0.05);
    meter.spikes_per_sample = 1e-4;
    meter.spike_a = 2e-5;
    read(rng, truth, &meter)
}

/// Loads that settle slowly after switching.
fn settling(rng: &mut ChaCha8Rng) -> Log {
    let mut truth = Truth::new(0.0, between(rng, 0.005, 0.03));
    let mut t = between(rng, 30.0, 60.0);
    for _ in 0..10 {
        let load = log_between(rng, 0.03, 0.4);
        let tau = between(rng, 8.0, 60.0);
        let extra = load * between(rng, 0.2, 0.8) * if rng.random::<bool>() { 1.0 } else { -0.6 };
        truth.edges.push(Edge { at_s: t, delta_a: load, tail: Some((extra, tau)) });
        let hold = tau * between(rng, 1.5, 6.0);
        t += hold;
        // What is left of the tail goes off with the load.
        let rest = extra * (-hold / tau).exp();
        truth.edges.push(Edge { at_s: t, delta_a: -load, tail: Some((-rest, tau)) });
        t += between(rng, 40.0, 120.0);
    }
    truth.duration_s = t;
    let meter = clamp_meter(rng, 0.5, 0.7, 0.004);
    read(rng, truth, &meter)
}

/// A meter that changes its range, with an irregular clock and gaps.
fn autoranging(rng: &mut ChaCha8Rng) -> Log {
    let mut truth = Truth::new(0.0, log_between(rng, 20e-6, 200e-6));
    let mut t = between(rng, 20.0, 60.0);
    for _ in 0..12 {
        let load = log_between(rng, 0.5e-3, 2.0);
        truth.add(t, load);
        t += between(rng, 15.0, 60.0);
        truth.add(t, -load);
        t += between(rng, 15.0, 60.0);
    }
    truth.duration_s = t;
    let mut meter = Meter::plain(0.5, 1e-3, between(rng, 0.3e-3, 2e-3), between(rng, 0.0, 0.6));
    meter.ranges = vec![(400e-6, 1e-7), (4e-3, 1e-6), (40e-3, 1e-5), (0.4, 1e-4), (10.0, 1e-3)];
    meter.jitter = between(rng, 0.02, 0.2);
    for k in 0..4 {
        let start_s = (f64::from(k) + between(rng, 0.2, 0.7)) * t / 4.0;
        meter.gaps.push(Span { start_s, end_s: start_s + between(rng, 5.0, 40.0) });
    }
    // An on and an off that both fall into one gap were never there.
    let gone = |at: f64| meter.gaps.iter().position(|g| at > g.start_s && at < g.end_s);
    let hidden: Vec<bool> = (0..truth.edges.len())
        .map(|i| {
            let own = gone(truth.edges[i].at_s);
            let other = |j: usize| truth.edges.get(j).and_then(|e| gone(e.at_s));
            own.is_some() && (own == other(i + 1) || (i > 0 && own == other(i - 1)))
        })
        .collect();
    let mut keep = hidden.iter().map(|h| !h);
    truth.edges.retain(|_| keep.next().unwrap_or(true));
    read(rng, truth, &meter)
}

/// Charging that grows smoothly to −1.5 A while loads switch.
fn sunrise(rng: &mut ChaCha8Rng) -> Log {
    let duration = 3.0 * 3600.0;
    let mut truth = Truth::new(duration, between(rng, 0.02, 0.1));
    let start = between(rng, 1000.0, 3000.0);
    let rise = between(rng, 4000.0, 7000.0);
    truth.smooth = Box::new(move |t| {
        let x = ((t - start) / rise).clamp(0.0, 1.0);
        -1.5 * x * x * (3.0 - 2.0 * x)
    });
    let loads: Vec<f64> = (0..3).map(|_| log_between(rng, 0.02, 0.3)).collect();
    let mut t = between(rng, 60.0, 300.0);
    while t < duration - 400.0 {
        let load = loads[rng.random_range(0..3)];
        truth.add(t, load);
        t += between(rng, 20.0, 240.0);
        truth.add(t, -load);
        t += between(rng, 60.0, 300.0);
    }
    let meter = clamp_meter(rng, 1.0, 0.7, 0.005);
    read(rng, truth, &meter)
}

/// Ten hours of a device that wakes now and then; for the last one or two, a panel behind clouds.
fn cloudy_dawn(rng: &mut ChaCha8Rng) -> Log {
    let mut truth = Truth::new(10.0 * 3600.0, between(rng, 0.1, 0.3));
    let (rises_s, day_s) = (truth.duration_s - between(rng, 3600.0, 7200.0), 14.0 * 3600.0);
    let (peak_a, share) = (log_between(rng, 0.3, 2.0), between(rng, 0.2, 0.8));
    let period_s = log_between(rng, 600.0, 3000.0);
    let clouds = [(1.0, 0.5), (0.61, 0.3), (0.37, 0.2)]
        .map(|(of_slowest, weight)| (of_slowest * period_s, weight, between(rng, 0.0, TAU)));
    truth.smooth = Box::new(move |t| {
        let clear = (PI * ((t - rises_s) / day_s).clamp(0.0, 1.0)).sin().powi(2);
        let cloud = |(period_s, weight, phase): &(f64, f64, f64)| {
            weight * (TAU * t / period_s + phase).sin()
        };
        let clouds: f64 = clouds.iter().map(cloud).sum();
        -peak_a * clear * (1.0 - share * (1.0 + clouds) / 2.0)
    });
    let awake = log_between(rng, 0.05, 0.3);
    wakes(rng, &mut truth, awake, (300.0, 900.0));
    let meter = clamp_meter(rng, 1.0, 0.7, 0.005);
    read(rng, truth, &meter)
}

/// Steps below one reading's noise, held ten minutes.
pub(crate) fn faint(rng: &mut ChaCha8Rng) -> Log {
    let size = f64::from(rng.random_range(3..=6)) * 1e-3;
    let mut truth = Truth::new(0.0, between(rng, 0.005, 0.03));
    let mut t = 600.0;
    for _ in 0..4 {
        truth.add(t, size);
        truth.add(t + 600.0, -size);
        t += 1200.0;
    }
    truth.duration_s = t;
    let mut meter =
        Meter::plain(1.0, 1e-3, size * between(rng, 1.02, 1.25), between(rng, 0.0, 0.3));
    meter.spikes_per_sample = 0.0005;
    meter.spike_a = 0.1;
    read(rng, truth, &meter)
}

/// A heater that cycles for hours under other loads.
fn duty(rng: &mut ChaCha8Rng) -> Log {
    let duration = 2.5 * 3600.0;
    let mut truth = Truth::new(duration, between(rng, 0.01, 0.05));
    let heater = log_between(rng, 0.1, 2.0);
    let period = between(rng, 5.0, 40.0);
    let share = between(rng, 0.3, 0.7);
    let mut t = between(rng, 60.0, 300.0);
    let mut edges = Vec::new();
    while t < duration - 60.0 {
        let on = period * share * between(rng, 0.9, 1.1);
        edges.push((t, heater));
        edges.push((t + on, -heater));
        t += on + period * (1.0 - share) * between(rng, 0.9, 1.1);
    }
    let mut at = between(rng, 100.0, 400.0);
    while at < duration - 400.0 {
        let load = log_between(rng, 0.03, 0.3);
        for (moment, delta) in [(at, load), (at + between(rng, 60.0, 300.0), -load)] {
            // Not within two seconds of the heater's own edge.
            let mut moment = moment;
            while edges.iter().any(|(t, _): &(f64, f64)| (t - moment).abs() < 1.2) {
                moment += 0.1;
            }
            edges.push((moment, delta));
            at = moment;
        }
        at += between(rng, 60.0, 400.0);
    }
    for (at, delta) in edges {
        truth.add(at, delta);
    }
    let meter = clamp_meter(rng, 0.5, 0.5, 0.008);
    read(rng, truth, &meter)
}

/// Plain loads at any rate from 0.5 Hz to 100 kHz, from microamperes to amperes.
fn mixed(rng: &mut ChaCha8Rng) -> Log {
    let interval = log_between(rng, 1e-5, 2.0);
    let scale = log_between(rng, 1e-5, 1.0);
    let n = log_between(rng, 2000.0, 50_000.0);
    let mut truth = Truth::new(n * interval, scale * between(rng, 0.0, 1.0));
    let mut t = between(rng, 40.0, 400.0) * interval;
    let mut up = 0.0;
    while t < truth.duration_s - 40.0 * interval {
        let delta = if up > 0.0 { -up } else { scale * log_between(rng, 0.2, 10.0) };
        truth.add(t, delta);
        up += delta;
        t += log_between(rng, 40.0, 3000.0) * interval;
    }
    let mut meter = Meter::plain(
        interval,
        scale * log_between(rng, 1e-4, 0.02),
        scale * log_between(rng, 0.003, 0.05),
        between(rng, 0.0, 0.8),
    );
    meter.sigma_share = between(rng, 0.0, 0.02);
    meter.spikes_per_sample = 0.0005;
    meter.spike_a = scale;
    read(rng, truth, &meter)
}
