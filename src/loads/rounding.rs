//! What rounding to counts leaves on the level of a stretch.
//!
//! Noise dithers the rounding away, so what is left, `r`, hangs on the noise before rounding, `σ`
//! ([`resolution_of_mean`]). Readings that go to and fro between two counts do not tell it: their
//! spread `s` says where between the counts the level lies. Over levels that lie anywhere,
//! however, `E s² = σ² + q²/12 − r(σ)²`, for the whole error of rounded readings is `σ² + q²/12`
//! (Widrow & Kollár, Quantization Noise, 2008, ch. 5, from memory) and `r²` of it does not show as
//! spread. So the noise of quiet stretches is taken from all of them together, as
//! `σ² = a² + (b·level)²`, and the doubt that the phases of a few levels leave on it is averaged in.

use crate::findings::SegmentKind;
use crate::numeric::{resolution, resolution_of_mean};
use crate::segment::{Segment, Segmentation};

/// From this many counts of spread on a stretch tells its own noise: phase moves it by less than 2 %.
const TELLS: f64 = 0.55;
/// Standard deviation of `s²` over the phase at σ from 0.1 to 0.2 counts, where it is largest, in
/// squared counts (computed).
const PHASE: f64 = 0.085;

/// Noise before rounding, as the capture's steady stretches tell it together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Rounding {
    count_a: f64,
    quiet_a2: f64,
    share2: f64,
    /// Distinct levels that told.
    levels: f64,
}

/// Variance of the readings without the floor that a stretch without any is given, ampere².
fn spread_a2(segment: &Segment, floor_a: f64) -> f64 {
    if segment.noise_a > floor_a * (1.0 + 1e-9) { segment.noise_a.powi(2) } else { 0.0 }
}

impl Rounding {
    /// Fits `a²` and `b²`, neither negative, to the quiet levels by weighted least squares, the
    /// weights being the inverse squares of the fitted variances. O(n).
    pub(super) fn learn(segmentation: &Segmentation, count_a: f64) -> Self {
        let mut fitted = Self { count_a, quiet_a2: 0.0, share2: 0.0, levels: 1.0 };
        if count_a <= 0.0 {
            return fitted;
        }
        let quiet = quiet_levels(segmentation, count_a);
        fitted.levels = quiet.len().max(1) as f64;
        let rounding_a2 = resolution(count_a).powi(2);
        // Damped by half: the step itself overshoots where `r` falls fastest.
        for _ in 0..30 {
            let told: Vec<(f64, f64, f64)> = quiet
                .iter()
                .map(|&(level2, spread_a2)| {
                    let noise_a2 = fitted.quiet_a2 + fitted.share2 * level2;
                    let left_a2 = resolution_of_mean(count_a, noise_a2.sqrt()).powi(2);
                    let weight = (rounding_a2 + noise_a2).powi(2).recip();
                    (weight, level2, spread_a2 - rounding_a2 + left_a2)
                })
                .collect();
            let (quiet_a2, share2) = straight(&told);
            fitted.quiet_a2 = 0.5 * (fitted.quiet_a2 + quiet_a2);
            fitted.share2 = 0.5 * (fitted.share2 + share2);
        }
        fitted
    }

    /// Standard uncertainty that rounding leaves on the mean of a stretch, ampere.
    pub(super) fn of(&self, segment: &Segment, floor_a: f64) -> f64 {
        let spread_a2 = spread_a2(segment, floor_a);
        let left = |noise_a2: f64| resolution_of_mean(self.count_a, noise_a2.max(0.0).sqrt());
        if spread_a2.sqrt() >= TELLS * self.count_a {
            return left(spread_a2 - resolution(self.count_a).powi(2));
        }
        let noise_a2 = self.quiet_a2 + self.share2 * segment.mean_a.powi(2);
        // Mean over the doubt of `σ²` by the three points of Gauss and Hermite.
        let doubt_a2 = 3f64.sqrt() * PHASE * self.count_a.powi(2) / self.levels.sqrt();
        let squares = left(noise_a2 - doubt_a2).powi(2)
            + 4.0 * left(noise_a2).powi(2)
            + left(noise_a2 + doubt_a2).powi(2);
        (squares / 6.0).sqrt()
    }
}

/// Square of the level and mean square of the spread of every quiet state.
fn quiet_levels(segmentation: &Segmentation, count_a: f64) -> Vec<(f64, f64)> {
    let floor_a = segmentation.noise.floor_a;
    let mut of_state = vec![(0.0, 0.0, 0.0); segmentation.states.len()];
    let mut alone = Vec::new();
    for segment in segmentation.of_kind(SegmentKind::Steady) {
        let (level2, spread_a2) = (segment.mean_a.powi(2), spread_a2(segment, floor_a));
        if spread_a2.sqrt() >= TELLS * count_a {
            continue;
        }
        match segment.state.and_then(|state| of_state.get_mut(state)) {
            Some(sums) => *sums = (sums.0 + 1.0, sums.1 + level2, sums.2 + spread_a2),
            None => alone.push((level2, spread_a2)),
        }
    }
    let states = of_state.into_iter().filter(|sums| sums.0 > 0.0);
    states.map(|(n, level2, spread_a2)| (level2 / n, spread_a2 / n)).chain(alone).collect()
}

/// `y = a + b x` by least squares over `(weight, x, y)`, neither coefficient negative.
fn straight(points: &[(f64, f64, f64)]) -> (f64, f64) {
    let sum =
        |of: &dyn Fn(f64, f64) -> f64| points.iter().map(|&(w, x, y)| w * of(x, y)).sum::<f64>();
    let (one, x, xx) = (sum(&|_, _| 1.0), sum(&|x, _| x), sum(&|x, _| x * x));
    let (y, xy) = (sum(&|_, y| y), sum(&|x, y| x * y));
    let determinant = one * xx - x * x;
    let both = (determinant > 1e-9 * one * xx)
        .then(|| ((y * xx - xy * x) / determinant, (xy * one - y * x) / determinant));
    match both {
        Some((a, b)) if a >= 0.0 && b >= 0.0 => (a, b),
        Some((a, _)) if a < 0.0 => (0.0, (xy / xx).max(0.0)),
        _ if one > 0.0 => ((y / one).max(0.0), 0.0),
        _ => (0.0, 0.0),
    }
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, Normal};

    use super::*;
    use crate::loads::scene::{SceneMeter, build, deed};

    /// Stretches of rounded readings at levels all over a count, and the errors of their means.
    fn rounded(noise_a: f64, share: f64, levels_a: &[f64]) -> (Segmentation, Vec<f64>) {
        let mut rng = ChaCha8Rng::seed_from_u64(5);
        let deeds: Vec<_> = (0..levels_a.len())
            .map(|k| deed(100.0 * (k + 1) as f64, "load", 1.0 + k as f64, "on"))
            .collect();
        let end_s = 100.0 * (levels_a.len() + 1) as f64;
        let (mut made, _) = build(&deeds, 0.0, end_s, &SceneMeter::default(), 1);
        made.segments.remove(0);
        made.noise.floor_a = resolution(1.0);
        let mut errors = Vec::new();
        for (segment, level_a) in made.segments.iter_mut().zip(levels_a) {
            let noise = Normal::new(0.0, noise_a.hypot(share * level_a)).unwrap();
            let readings: Vec<f64> =
                (0..400).map(|_| (level_a + noise.sample(&mut rng)).round()).collect();
            let moments = crate::numeric::Moments::of(&readings).unwrap();
            segment.mean_a = moments.mean;
            segment.state = None;
            segment.noise_a = moments.sd.unwrap().max(made.noise.floor_a);
            errors.push(moments.mean - level_a);
        }
        (made, errors)
    }

    /// Against the errors of simulated rounding (mathematics, no source). Somewhat too much is told
    /// at 0.15 counts, where stretches that hardly leave their count are taken as quite still.
    #[test]
    fn what_rounding_leaves_is_told_although_single_stretches_do_not_tell_their_noise() {
        for (noise_a, share) in [(0.0, 0.0), (0.15, 0.0), (0.1, 0.01)] {
            let levels_a: Vec<f64> = (0..60).map(|k| 0.137 + 0.618_034 * f64::from(k)).collect();
            let (made, errors) = rounded(noise_a, share, &levels_a);
            let rounding = Rounding::learn(&made, 1.0);
            let squares: f64 = made
                .segments
                .iter()
                .zip(&errors)
                .map(|(segment, error)| {
                    let mean_a = segment.noise_a.powi(2) / 400.0;
                    error * error / (rounding.of(segment, made.noise.floor_a).powi(2) + mean_a)
                })
                .sum::<f64>()
                / errors.len() as f64;
            assert!((0.55..1.35).contains(&squares), "{squares} at {noise_a} and {share}");
        }
    }
}
