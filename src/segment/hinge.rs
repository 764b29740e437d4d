//! A step where the background turns at once: a ramp that starts or ends with it.
//!
//! The test's backgrounds are smooth and pass under the step, so beside a hinge they bend where the
//! readings do not, and tell the jump too high or too low. Here each side has a line of its own. It is
//! believed where it leaves evidently less of the readings than one parabola under both sides, as many terms.

use super::jump::Ground;
use super::place::Place;

/// Readings on either side that are looked at: so many, or half as many where lines miss them, and so on down.
const MOST: usize = 32;
const LEAST: usize = 8;
/// Fall in squared misfit, in σ², that shows a hinge.
const EVIDENT: f64 = 40.0;
/// Standard errors by which the misfit of lines may exceed what noise leaves.
const MISSES: f64 = 4.0;

/// Sums over the readings of one side: of time from the step, its square and the reading, about their means.
struct Side {
    count: f64,
    mean_s: f64,
    mean_a: f64,
    tt: f64,
    tc: f64,
    cc: f64,
    ty: f64,
    cy: f64,
    yy: f64,
    variance: f64,
}

impl Side {
    fn of(ground: &Ground<'_>, (from, to): (usize, usize), here_s: f64) -> Self {
        let mut values = Vec::new();
        ground.copy(from, to, &mut values);
        let count = values.len() as f64;
        let times: Vec<f64> = (from..to).map(|i| ground.time.at(i) - here_s).collect();
        let mean = |of: &dyn Fn(usize) -> f64| (0..values.len()).map(of).sum::<f64>() / count;
        let (mean_s, mean_square) = (mean(&|i| times[i]), mean(&|i| times[i] * times[i]));
        let mean_a = values[0] + mean(&|i| values[i] - values[0]);
        let sigma = ground.noise.sigma_at(mean_a);
        let mut side = Self {
            count,
            mean_s,
            mean_a,
            tt: 0.0,
            tc: 0.0,
            cc: 0.0,
            ty: 0.0,
            cy: 0.0,
            yy: 0.0,
            variance: sigma * sigma,
        };
        for (t, value) in times.iter().zip(&values) {
            let (t, c, y) = (t - mean_s, t * t - mean_square, value - mean_a);
            side.tt += t * t;
            side.tc += t * c;
            side.cc += c * c;
            side.ty += t * y;
            side.cy += c * y;
            side.yy += y * y;
        }
        side
    }

    /// What a line leaves, in σ².
    fn left_by_line(&self) -> f64 {
        (self.yy - self.ty * self.ty / self.tt).max(0.0) / self.variance
    }

    /// Ampere a second.
    fn slope(&self) -> f64 {
        self.ty / self.tt
    }

    /// The line where the step is, and its variance for independent readings.
    fn at_step(&self) -> (f64, f64) {
        let level = self.mean_a - self.slope() * self.mean_s;
        (level, self.variance * (1.0 / self.count + self.mean_s * self.mean_s / self.tt))
    }
}

/// What one parabola under both sides leaves, each having a level of its own, in σ².
fn left_by_parabola(sides: &[Side; 2]) -> f64 {
    let sum = |of: &dyn Fn(&Side) -> f64| of(&sides[0]) + of(&sides[1]);
    let (tt, tc, cc) =
        (sum(&|s| s.tt / s.variance), sum(&|s| s.tc / s.variance), sum(&|s| s.cc / s.variance));
    let (ty, cy) = (sum(&|s| s.ty / s.variance), sum(&|s| s.cy / s.variance));
    let explained = (ty * ty * cc - 2.0 * ty * cy * tc + cy * cy * tt) / (tt * cc - tc * tc);
    (sum(&|s| s.yy / s.variance) - explained).max(0.0)
}

/// The jump of a step between the steps `left` and `right`, and its standard uncertainty, where the
/// background turns at once.
pub(super) fn jump(
    ground: &Ground<'_>,
    left: usize,
    place: &Place,
    right: usize,
) -> Option<(f64, f64)> {
    let phi = ground.noise.phi;
    let longer = (1.0 + phi) / (1.0 - phi);
    // The step lies anywhere in its interval.
    let (low_s, high_s) = (ground.time.at(place.low.saturating_sub(1)), ground.time.at(place.high));
    let here_s = 0.5 * (low_s + high_s);
    let mut most = MOST;
    while most >= LEAST {
        let before = (left.max(place.low.saturating_sub(most)), place.low);
        // An averaging meter shows the change in the first reading after it.
        let after = (place.high + 1, right.min(place.high + 1 + most));
        if [before, after].iter().any(|(from, to)| *to < from + LEAST) {
            return None;
        }
        let sides = [before, after].map(|part| Side::of(ground, part, here_s));
        let rest = sides.iter().map(Side::left_by_line).sum::<f64>() / longer;
        let free = (sides[0].count + sides[1].count - 4.0) / longer;
        if rest <= free + MISSES * (2.0 * free).sqrt() {
            let evident = left_by_parabola(&sides) / longer - rest > EVIDENT;
            // Lines that part differ by as much as the step's time is in doubt.
            let parted = (sides[1].slope() - sides[0].slope()) * (high_s - low_s) / 12f64.sqrt();
            let [(a, va), (b, vb)] = sides.map(|side| side.at_step());
            return evident.then(|| (b - a, ((va + vb) * longer).sqrt().hypot(parted)));
        }
        most /= 2;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::super::{Step, segment};
    use crate::capture::{Samples, TimeAxis};
    use rand::{Rng, SeedableRng};
    use rand_distr::StandardNormal;

    /// The step nearest to 200.
    fn step(seed: u64, len: usize, sigma: f64, course: impl Fn(f64) -> f64) -> Step {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        let reading =
            |i: usize| sigma * (course(i as f64) + random.sample::<f64, _>(StandardNormal));
        let current_a = (0..len).map(reading).collect();
        let samples = Samples { time: TimeAxis::Uniform { interval_s: 1.0, len }, current_a };
        let steps = segment(&samples, &[], None, &Default::default()).expect("enough").steps;
        let off = |step: &Step| (step.time_s - 200.0).abs();
        steps.into_iter().min_by(|a, b| off(a).total_cmp(&off(b))).expect("a step")
    }

    /// A load that ramps from its step on, or up to it: of jumps told within two standard uncertainties,
    /// fewer than 50 of 60 would have a chance of 10⁻³.
    #[test]
    fn a_jump_beside_a_ramp_is_as_high_as_it_is() {
        let (mut far, mut within) = (Vec::new(), 0);
        for seed in 0..60 {
            let sigma = if seed % 2 == 0 { 1.0 } else { 1e-6 };
            let (len, sign) =
                (if seed % 4 < 2 { 400 } else { 6000 }, if seed % 8 < 4 { 1.0 } else { -1.0 });
            let jump = sign * [60.0, 300.0, 1000.0][seed as usize % 3];
            let slope = jump * [0.1, -0.02, 0.04][seed as usize / 3 % 3];
            let at = 199.5 + 0.3 * (seed as f64).sin();
            let course = |t: f64| {
                let since = if seed % 5 == 0 {
                    (t - at).clamp(-40.0, 0.0)
                } else {
                    (t - at).clamp(0.0, 40.0)
                };
                slope * since + if t < at { 0.0 } else { jump }
            };
            let step = step(seed, len, sigma, course);
            let off = (step.delta_a / sigma - jump).abs();
            within += usize::from(off < 2.0 * step.standard_uncertainty_a / sigma);
            if off > 0.1 * jump.abs() {
                far.push((seed, step.delta_a / sigma, jump));
            }
        }
        assert!(far.len() <= 2 && within >= 50, "{within} of 60 within, far off: {far:?}");
    }
}
