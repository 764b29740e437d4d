//! Hits, false steps and misses.

use ebbmark::segment::Segmentation;

use crate::meter::Log;

/// Counts over captures.
#[derive(Default, Clone)]
pub(crate) struct Score {
    pub(crate) truths: usize,
    pub(crate) hits: usize,
    pub(crate) false_steps: usize,
    pub(crate) missed: usize,
    /// Hits whose 95 % interval holds the true time.
    pub(crate) covered: usize,
    pub(crate) samples: usize,
    pub(crate) elapsed_ns: f64,
    /// φ and σ as found and as they are.
    pub(crate) noise: [(f64, f64); 2],
    pub(crate) false_at: Vec<(f64, f64, f64)>,
    pub(crate) missed_at: Vec<(f64, f64)>,
}

impl Score {
    pub(crate) fn add(&mut self, other: &Score) {
        self.truths += other.truths;
        self.hits += other.hits;
        self.false_steps += other.false_steps;
        self.missed += other.missed;
        self.covered += other.covered;
        self.samples += other.samples;
        self.elapsed_ns += other.elapsed_ns;
    }

    pub(crate) fn precision(&self) -> f64 {
        share(self.hits, self.hits + self.false_steps)
    }

    pub(crate) fn recall(&self) -> f64 {
        share(self.hits, self.truths)
    }

    pub(crate) fn f1(&self) -> f64 {
        share(2 * self.hits, 2 * self.hits + self.false_steps + self.missed)
    }
}

fn share(part: usize, whole: usize) -> f64 {
    if whole == 0 { 1.0 } else { part as f64 / whole as f64 }
}

/// One to one, nearest first, within 2.5 samples or `within_s`.
pub(crate) fn score(
    log: &Log,
    found: &Segmentation,
    within_s: Option<f64>,
    elapsed_ns: f64,
) -> Score {
    let n = log.samples.len();
    let interval = log.samples.duration_s() / (n - 1) as f64;
    let within = within_s.unwrap_or(2.5 * interval);
    let mut pairs: Vec<(f64, usize, usize)> = Vec::new();
    for (i, step) in found.steps.iter().enumerate() {
        let from = log.true_steps.partition_point(|t| t.0 < step.time_s - within);
        for (j, truth) in log.true_steps.iter().enumerate().skip(from) {
            if truth.0 > step.time_s + within {
                break;
            }
            pairs.push(((truth.0 - step.time_s).abs(), i, j));
        }
    }
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut step_used = vec![false; found.steps.len()];
    let mut truth_used = vec![false; log.true_steps.len()];
    let mut result = Score {
        truths: log.true_steps.len(),
        samples: n,
        elapsed_ns,
        noise: [(found.noise.phi, found.noise.sigma_a), log.noise],
        ..Score::default()
    };
    for (_, i, j) in pairs {
        if !step_used[i] && !truth_used[j] {
            step_used[i] = true;
            truth_used[j] = true;
            result.hits += 1;
            let (step, at) = (&found.steps[i], log.true_steps[j].0);
            let half = 0.01 * interval;
            if step.time_low_s - half <= at && at <= step.time_high_s + half {
                result.covered += 1;
            }
        }
    }
    for (i, step) in found.steps.iter().enumerate() {
        let free = log.unscored.iter().any(|s| step.time_s >= s.start_s && step.time_s <= s.end_s);
        if !step_used[i] && !free {
            result.false_steps += 1;
            result.false_at.push((step.time_s, step.delta_a, step.score));
        }
    }
    for (j, truth) in log.true_steps.iter().enumerate() {
        if !truth_used[j] {
            result.missed += 1;
            result.missed_at.push(*truth);
        }
    }
    result
}
