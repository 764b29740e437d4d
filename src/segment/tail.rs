//! A current that surges at a step and dies away: what the readings after the step make of it.
//!
//! An inrush, or a motor's start, jumps far beyond the level it settles at, and decays to it. With that
//! level alone for the readings after the step, the first of them would fit the old side as well as the
//! new one. So a constant and an exponential, `c + A exp(−(t − t₀)/τ)`, are fitted to them by
//! generalised least squares: each reading has its level's σ, and AR(1) noise is whitened.

use super::jump::Ground;
use crate::numeric::rectangular;

/// Readings that are fitted at most, and that are needed.
const MOST: usize = 64;
const LEAST: usize = 6;
/// Readings before the next step that may have been taken during it.
const BEFORE_NEXT: usize = 2;
/// Fall in squared misfit that shows a decay.
const EVIDENT: f64 = 40.0;
/// From one time constant that is tried to the next, and how often the best is looked at more closely.
const APART: f64 = 1.5;
const NEARER: usize = 6;
/// Times its σ that a reading lies off a decay from which on what dies away does so otherwise.
const MISSES: f64 = 2.0;
/// σ beyond the decay from which on a first reading is no longer of it.
const BEYOND: f64 = 5.0;

/// A decay from some reading on.
#[derive(Debug, Clone, Copy)]
pub(super) struct Tail {
    /// The reading it starts with, and the last one that was looked at.
    pub(super) first: usize,
    last: usize,
    from_s: f64,
    tau_s: f64,
    level: f64,
    amplitude: f64,
    /// How many times its σ a reading lies off the decay; at least 1.
    pub(super) spread: f64,
    /// Standard uncertainty where the decay starts, ampere.
    start_sd: f64,
}

/// Whitened readings, and what whitens a decay like them.
struct Rows {
    /// Times from the first one on.
    after_s: Vec<f64>,
    scale: Vec<f64>,
    constant: Vec<f64>,
    value: Vec<f64>,
    phi: f64,
    origin: f64,
    from_s: f64,
}

impl Rows {
    fn of(ground: &Ground<'_>, first: usize, end: usize, from: usize) -> Self {
        let mut values = Vec::new();
        ground.copy(first, end, &mut values);
        let origin = values[values.len() - 1];
        let from_s = ground.time.at(from);
        let scale: Vec<f64> =
            values.iter().map(|value| ground.noise.sigma_at(*value).recip()).collect();
        let mut rows = Self {
            after_s: (first..end).map(|i| ground.time.at(i) - from_s).collect(),
            scale,
            constant: Vec::new(),
            value: Vec::new(),
            phi: ground.noise.phi,
            origin,
            from_s,
        };
        rows.constant = rows.white(|_| 1.0);
        rows.value = rows.white(|i| values[i] - origin);
        rows
    }

    fn white(&self, column: impl Fn(usize) -> f64) -> Vec<f64> {
        let unit = (1.0 - self.phi * self.phi).sqrt().recip();
        let mut before = None;
        let row = |i: usize| {
            let now = column(i) * self.scale[i];
            let white = before.map_or(now, |before| (now - self.phi * before) * unit);
            before = Some(now);
            white
        };
        (0..self.scale.len()).map(row).collect()
    }

    fn decay(&self, tau_s: f64) -> Vec<f64> {
        self.white(|i| (-self.after_s[i] / tau_s).exp())
    }

    /// Residual square sum, level and amplitude of the best sum of a constant and another column.
    fn fit(&self, decay: &[f64]) -> Option<(f64, f64, f64)> {
        let (cc, cd, dd) =
            (dot(&self.constant, &self.constant), dot(&self.constant, decay), dot(decay, decay));
        let own = dd - cd * cd / cc;
        if own.is_nan() || own <= 1e-10 * dd {
            return None;
        }
        let (cy, dy) = (dot(&self.constant, &self.value), dot(decay, &self.value));
        let amplitude = (dy - cd * cy / cc) / own;
        let level = (cy - amplitude * cd) / cc;
        let rest: f64 = (self.value.iter().zip(self.constant.iter().zip(decay)))
            .map(|(value, (c, d))| (value - level * c - amplitude * d).powi(2))
            .sum();
        Some((rest, level, amplitude))
    }

    /// Residual square sum, level at the first reading's time and slope of the best line.
    fn line(&self) -> Option<(f64, f64, f64)> {
        self.fit(&self.white(|i| self.after_s[i]))
    }

    /// Level and residual square sum of the constant alone.
    fn flat(&self) -> (f64, f64) {
        let (cy, cc) = (dot(&self.constant, &self.value), dot(&self.constant, &self.constant));
        (cy / cc, dot(&self.value, &self.value) - cy * cy / cc)
    }

    /// The best decay, where one is evident.
    fn best(&self, first: usize, last: usize) -> Option<Tail> {
        let n = self.value.len() as f64;
        let span_s = self.after_s.last()? - self.after_s.first()?;
        let shortest_s = 0.5 * span_s / (n - 1.0);
        if shortest_s.is_nan() || shortest_s <= 0.0 {
            return None;
        }
        let mut best: Option<(f64, f64, f64, f64)> = None;
        let mut take = |tau_s: f64| {
            if let Some((rest, level, amplitude)) = self.fit(&self.decay(tau_s))
                && best.is_none_or(|best| rest < best.0)
            {
                best = Some((rest, tau_s, level, amplitude));
            }
            best.map_or(tau_s, |best| best.1)
        };
        let mut tau_s = shortest_s;
        while tau_s < 1.5 * span_s {
            take(tau_s);
            tau_s *= APART;
        }
        let mut stride = APART.sqrt();
        let mut middle = take(tau_s);
        for _ in 0..NEARER {
            take(middle * stride);
            middle = take(middle / stride);
            stride = stride.sqrt();
        }
        let (rest, tau_s, level, amplitude) = best?;
        let spread = (rest / (n - 3.0)).max(1.0);
        // A background that slopes is no decay.
        if (self.line()?.0 - rest) / spread < EVIDENT {
            return None;
        }
        // The time constant is a third unknown: its column is the decay's derivative.
        let columns = [
            self.constant.clone(),
            self.decay(tau_s),
            self.white(|i| {
                let share = self.after_s[i] / tau_s;
                amplitude * share * (-share).exp()
            }),
        ];
        let start_sd = (start_variance(&columns)? * spread).sqrt();
        Some(Tail {
            first,
            last,
            from_s: self.from_s,
            tau_s,
            level: level + self.origin,
            amplitude,
            spread: spread.sqrt(),
            start_sd,
        })
    }
}

/// Variance of the sum of the first two of three coefficients, for unit noise.
fn start_variance(columns: &[Vec<f64>; 3]) -> Option<f64> {
    let g = [0, 1, 2].map(|i: usize| [0, 1, 2].map(|j: usize| dot(&columns[i], &columns[j])));
    let minor = |i: usize, j: usize| {
        let (a, b) = ((i + 1) % 3, (i + 2) % 3);
        let (c, d) = ((j + 1) % 3, (j + 2) % 3);
        g[a][c] * g[b][d] - g[a][d] * g[b][c]
    };
    let whole = g[0][0] * minor(0, 0) + g[0][1] * minor(0, 1) + g[0][2] * minor(0, 2);
    let variance = (minor(0, 0) + 2.0 * minor(0, 1) + minor(1, 1)) / whole;
    (variance.is_finite() && variance >= 0.0).then_some(variance)
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// The level before a step at `at`, after the one at `left`, and its standard uncertainty: of a
/// decay, a slope or a constant, whichever is evident.
pub(super) fn level_before(ground: &Ground<'_>, left: usize, at: usize) -> Option<(f64, f64)> {
    let first = if left > 0 { left + 1 } else { left };
    let first = first.max(at.saturating_sub(MOST));
    if at < first + LEAST {
        return None;
    }
    let rows = Rows::of(ground, first, at, at);
    if let Some(tail) = rows.best(at, first) {
        return Some((tail.level + tail.amplitude, tail.start_sd));
    }
    let n = rows.value.len() as f64;
    let spread = |rest: f64, unknown: f64| (rest / (n - unknown)).max(1.0);
    let (level, flat) = rows.flat();
    let (constant, cc) = (level + rows.origin, dot(&rows.constant, &rows.constant));
    let slope = rows.white(|i| rows.after_s[i]);
    let (rest, level, _) = rows.fit(&slope)?;
    if (flat - rest) / spread(rest, 2.0) < EVIDENT {
        return Some((constant, (spread(flat, 1.0) / cc).sqrt()));
    }
    let shared = dot(&rows.constant, &slope).powi(2) / dot(&slope, &slope);
    Some((level + rows.origin, (spread(rest, 2.0) / (cc - shared)).sqrt()))
}

impl Tail {
    /// What decays after a step at `at`, before the one at `right`, in the direction `up` of the
    /// step; from the second reading on, since the first may have been taken during the change.
    pub(super) fn after(ground: &Ground<'_>, at: usize, right: usize, up: f64) -> Option<Self> {
        Self::within(ground, at + 1, at, right).filter(|tail| tail.amplitude * up > 0.0)
    }

    fn within(ground: &Ground<'_>, first: usize, at: usize, right: usize) -> Option<Self> {
        let last = if right < ground.values.len() { right - BEFORE_NEXT.min(right) } else { right };
        let end = last.min(first + MOST);
        if end < first + LEAST {
            return None;
        }
        Rows::of(ground, first, end, at).best(at, end - 1)
    }

    /// The decay at the reading `i`, ampere.
    pub(super) fn at(&self, ground: &Ground<'_>, i: usize) -> f64 {
        self.level + self.amplitude * (-(ground.time.at(i) - self.from_s) / self.tau_s).exp()
    }

    /// How far it dies away within the readings that showed it, ampere.
    pub(super) fn falls(&self, ground: &Ground<'_>) -> f64 {
        (self.at(ground, self.first) - self.at(ground, self.last)).abs()
    }

    /// Whether the decay tells where it started at the reading `at`: one that was `e` times as high there as at the
    /// first reading that shows it is made up of what was not seen.
    pub(super) fn reaches(&self, ground: &Ground<'_>, at: usize) -> bool {
        ground.time.at(self.first) - ground.time.at(at) <= self.tau_s
    }

    /// Where a decay that was found after the step at `at` starts, and how sure that is. The first
    /// reading is asked too: short of the decay, it was taken during the change; beyond it, something
    /// faster dies away as well, and it alone tells. What dies away otherwise was as high as was read, or
    /// anywhere between that and where the decay says.
    pub(super) fn start(&self, ground: &Ground<'_>, at: usize, right: usize) -> (f64, f64) {
        let first = ground.values[at];
        let here = self.at(ground, at);
        let up = self.amplitude.signum();
        if self.spread > MISSES {
            let near = ground.values[at..=self.first.max(at)].iter().map(|value| up * value);
            let highest = up * near.fold(f64::NEG_INFINITY, f64::max);
            return (highest, rectangular(0.5 * (here - highest)).abs());
        }
        let sigma = ground.noise.sigma_at(first);
        let off = (first - here) * up;
        if off.abs() > BEYOND * self.spread * sigma {
            return if off > 0.0 { (first, self.spread * sigma) } else { (here, self.start_sd) };
        }
        match Self::within(ground, at, at, right) {
            Some(tail) => (tail.level + tail.amplitude, tail.start_sd),
            None => (here, self.start_sd),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::noise::Noise;
    use super::*;
    use crate::capture::TimeAxis;
    use rand::{Rng, SeedableRng};
    use rand_distr::StandardNormal;

    /// Readings of a course seen through correlated noise of 1 mA.
    fn read(seed: u64, phi: f64, course: impl Fn(f64) -> f64) -> Vec<f64> {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        let mut noise = random.sample::<f64, _>(StandardNormal);
        (0..400)
            .map(|i| {
                let new: f64 = random.sample(StandardNormal);
                noise = phi * noise + (1.0 - phi * phi).sqrt() * new;
                course(f64::from(i) - 200.0) + 1e-3 * noise
            })
            .collect()
    }

    /// Nineteen of twenty jumps lie within two standard uncertainties; that fewer than 85 of 100 do
    /// has a chance of 10⁻⁴.
    #[test]
    fn the_start_of_a_decay_is_as_sure_as_it_says() {
        let time = TimeAxis::Uniform { interval_s: 0.5, len: 400 };
        for phi in [0.0, 0.5] {
            let within = (0..100).filter(|seed| {
                let tau = 2.0 + 0.2 * *seed as f64;
                let surge = |t: f64| if t < 0.0 { 0.02 } else { 0.2 + 0.9 * (-t / tau).exp() };
                let values = read(*seed, phi, surge);
                let noise = Noise::learn(&values, None);
                let ground = Ground::plain(&values, &time, &noise);
                let tail = Tail::after(&ground, 200, 400, 1.0).expect("a decay");
                let (start, start_sd) = tail.start(&ground, 200, 400);
                let (level, level_sd) = level_before(&ground, 0, 200).expect("a level");
                (start - level - 1.08).abs() < 2.0 * start_sd.hypot(level_sd)
            });
            assert!(within.count() >= 85, "φ {phi}");
        }
    }

    /// A background that falls all the time dies away after no step.
    #[test]
    fn a_slope_is_no_decay() {
        let time = TimeAxis::Uniform { interval_s: 0.5, len: 400 };
        for seed in 0..100 {
            let values = read(seed, 0.3, |t| if t < 0.0 { 0.0 } else { 0.1 } - 1e-3 * t);
            let noise = Noise::learn(&values, None);
            let ground = Ground::plain(&values, &time, &noise);
            assert!(Tail::after(&ground, 200, 400, 1.0).is_none(), "seed {seed}");
            // The level before the step is that of the slope where it ends.
            let (level, level_sd) = level_before(&ground, 0, 200).expect("a level");
            assert!(level.abs() < 5.0 * level_sd, "seed {seed}: {level} {level_sd}");
        }
    }

    /// A reading taken while the current still rose is short of the decay and does not lower its start.
    #[test]
    fn a_first_reading_taken_during_the_change_is_not_asked() {
        let time = TimeAxis::Uniform { interval_s: 0.5, len: 400 };
        let mut values = read(3, 0.0, |t| if t < 0.0 { 0.0 } else { 0.2 + 0.8 * (-t / 9.0).exp() });
        values[200] = 0.7;
        let noise = Noise::learn(&values, None);
        let ground = Ground::plain(&values, &time, &noise);
        let tail = Tail::after(&ground, 200, 400, 1.0).expect("a decay");
        let (start, start_sd) = tail.start(&ground, 200, 400);
        assert!((start - 1.0).abs() < 4.0 * start_sd, "{start} {start_sd}");
    }
}
