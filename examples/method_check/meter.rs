//! What a meter makes of a current: the physics that every family shares.

use ebbmark::capture::{Samples, TimeAxis};
use ebbmark::findings::Span;
use rand::Rng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// One sharp change of the true current.
#[derive(Clone, Copy)]
pub(crate) struct Edge {
    pub(crate) at_s: f64,
    pub(crate) delta_a: f64,
    /// Part of the change that comes on top and decays: amplitude and time constant.
    pub(crate) tail: Option<(f64, f64)>,
}

impl Edge {
    pub(crate) fn new(at_s: f64, delta_a: f64) -> Self {
        Self { at_s, delta_a, tail: None }
    }
}

/// A true current.
pub(crate) struct Truth {
    pub(crate) duration_s: f64,
    pub(crate) base_a: f64,
    pub(crate) edges: Vec<Edge>,
    /// Smooth part, ampere at a time.
    pub(crate) smooth: Box<dyn Fn(f64) -> f64 + Sync>,
    /// Stretches in which extra steps are not scored.
    pub(crate) unscored: Vec<Span>,
}

impl Truth {
    pub(crate) fn new(duration_s: f64, base_a: f64) -> Self {
        Self {
            duration_s,
            base_a,
            edges: Vec::new(),
            smooth: Box::new(|_| 0.0),
            unscored: Vec::new(),
        }
    }

    pub(crate) fn add(&mut self, at_s: f64, delta_a: f64) {
        self.edges.push(Edge::new(at_s, delta_a));
    }
}

/// A meter.
pub(crate) struct Meter {
    pub(crate) interval_s: f64,
    /// Standard deviation of the time between samples, as a share of it.
    pub(crate) jitter: f64,
    pub(crate) resolution_a: f64,
    pub(crate) sigma_a: f64,
    /// Noise per ampere of level.
    pub(crate) sigma_share: f64,
    pub(crate) phi: f64,
    pub(crate) wander_a: f64,
    pub(crate) gain: f64,
    pub(crate) spikes_per_sample: f64,
    pub(crate) spike_a: f64,
    pub(crate) gaps: Vec<Span>,
    /// Upper ends of the ranges with their resolution; noise follows the resolution. Empty for one range.
    pub(crate) ranges: Vec<(f64, f64)>,
}

impl Meter {
    pub(crate) fn plain(interval_s: f64, resolution_a: f64, sigma_a: f64, phi: f64) -> Self {
        Self {
            interval_s,
            jitter: 0.0,
            resolution_a,
            sigma_a,
            sigma_share: 0.0,
            phi,
            wander_a: 0.0,
            gain: 1.0,
            spikes_per_sample: 0.0,
            spike_a: 0.0,
            gaps: Vec::new(),
            ranges: Vec::new(),
        }
    }
}

/// A capture with its truth.
pub(crate) struct Log {
    pub(crate) samples: Samples,
    pub(crate) gaps: Vec<Span>,
    pub(crate) resolution_a: f64,
    pub(crate) true_steps: Vec<(f64, f64)>,
    pub(crate) unscored: Vec<Span>,
    /// True φ and σ at zero.
    pub(crate) noise: (f64, f64),
}

pub(crate) fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// Between `a` and `b`, uniform.
pub(crate) fn between(rng: &mut ChaCha8Rng, a: f64, b: f64) -> f64 {
    a + (b - a) * rng.random::<f64>()
}

/// Between `a` and `b`, uniform in the logarithm.
pub(crate) fn log_between(rng: &mut ChaCha8Rng, a: f64, b: f64) -> f64 {
    (a.ln() + (b / a).ln() * rng.random::<f64>()).exp()
}

/// Slow zero wander that reaches ±`peak`: three sines of 0.1 to 1.5 capture lengths, no shorter than 10 minutes.
fn wander(rng: &mut ChaCha8Rng, peak: f64, duration_s: f64) -> impl Fn(f64) -> f64 + use<> {
    let waves: Vec<(f64, f64, f64)> = (0..3)
        .map(|_| {
            let period = (duration_s * log_between(rng, 0.1, 1.5)).max(600.0);
            let phase = between(rng, 0.0, std::f64::consts::TAU);
            (between(rng, 0.3, 1.0) * period.min(3600.0) / 3600.0, period, phase)
        })
        .collect();
    let total: f64 = waves.iter().map(|w| w.0).sum();
    move |t| {
        let sum: f64 =
            waves.iter().map(|(a, p, f)| a * (std::f64::consts::TAU * t / p + f).sin()).sum();
        peak * sum / total
    }
}

/// Reads `truth` through `meter`.
pub(crate) fn read(rng: &mut ChaCha8Rng, truth: Truth, meter: &Meter) -> Log {
    let dt = meter.interval_s;
    let n = (truth.duration_s / dt) as usize;
    let drift = wander(rng, meter.wander_a, truth.duration_s);
    let mut edges = truth.edges.clone();
    edges.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    let mut times = Vec::with_capacity(n);
    let mut current_a = Vec::with_capacity(n);
    let mut noise = normal(rng);
    let mut level = truth.base_a;
    let mut tails: Vec<(f64, f64, f64)> = Vec::new();
    let mut next = 0;
    let mut t = 0.0;
    let mut last_spike = 0;
    let innovation = (1.0 - meter.phi * meter.phi).sqrt();
    for i in 0..n {
        if i > 0 {
            let stretch = 1.0 + meter.jitter * normal(rng);
            t += dt * if meter.jitter > 0.0 { stretch.clamp(0.3, 3.0) } else { 1.0 };
        }
        while next < edges.len() && edges[next].at_s <= t {
            level += edges[next].delta_a;
            if let Some((amplitude, tau)) = edges[next].tail {
                tails.push((edges[next].at_s, amplitude, tau));
            }
            next += 1;
        }
        noise = meter.phi * noise + innovation * normal(rng);
        if meter.gaps.iter().any(|g| t > g.start_s && t < g.end_s) {
            continue;
        }
        let tail: f64 = tails.iter().map(|(s, a, tau)| a * (-(t - s) / tau).exp()).sum();
        let current = level + tail + (truth.smooth)(t);
        let (q, sigma) = match meter.ranges.iter().find(|r| current.abs() < r.0) {
            Some((_, q)) => (*q, q * meter.sigma_a / meter.resolution_a),
            None => (meter.resolution_a, meter.sigma_a),
        };
        let sigma = sigma.hypot(meter.sigma_share * current);
        let mut reading = meter.gain * current + drift(t) + sigma * noise;
        let spiked = i > last_spike + 1 && rng.random::<f64>() < meter.spikes_per_sample;
        if spiked {
            last_spike = i;
            reading += meter.spike_a
                * if rng.random::<bool>() { 1.0 } else { -1.0 }
                * between(rng, 0.3, 1.0);
        }
        times.push(if meter.jitter > 0.0 { t } else { i as f64 * dt });
        current_a.push((reading / q).round() * q);
    }
    let start = times[0];
    for time in &mut times {
        *time -= start;
    }
    let gaps: Vec<Span> = times
        .windows(2)
        .filter(|w| w[1] - w[0] > 5.0 * dt)
        .map(|w| Span { start_s: w[0], end_s: w[1] })
        .collect();
    let mut true_steps: Vec<(f64, f64)> = Vec::new();
    for edge in &edges {
        // The first sample at the new level is all that a capture can tell; of two edges between the
        // same two samples, what they leave.
        let at = times.partition_point(|t| *t < edge.at_s - start).min(times.len() - 1);
        match true_steps.last_mut().filter(|(before, _)| *before == times[at]) {
            Some((_, delta_a)) => *delta_a += edge.delta_a,
            None => true_steps.push((times[at], edge.delta_a)),
        }
    }
    true_steps.retain(|(_, delta_a)| *delta_a != 0.0);
    let time = if meter.jitter > 0.0 || !gaps.is_empty() {
        TimeAxis::Listed(times)
    } else {
        TimeAxis::Uniform { interval_s: dt, len: current_a.len() }
    };
    Log {
        samples: Samples { time, current_a },
        gaps,
        resolution_a: meter.ranges.first().map_or(meter.resolution_a, |r| r.1),
        true_steps,
        unscored: truth.unscored,
        noise: (meter.phi, meter.sigma_a),
    }
}
