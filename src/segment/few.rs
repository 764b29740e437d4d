//! Captures of few readings, where steps that are not known yet look like correlated noise: how correlated it
//! is, what is left beside the steps tells.

use super::Segmentation;

/// How alike readings next to one another lie off the means of their stretches, where that exceeds two
/// standard errors. Each mean, told by the same readings, hides `1 + 3φ` of one.
pub(super) fn correlation(values: &[f64], found: &Segmentation) -> Option<f64> {
    let (mut squares, mut products) = (0.0, 0.0);
    for stretch in &found.segments {
        let off = |i: usize| match found.noise.spikes.binary_search(&i) {
            Ok(_) => 0.0,
            Err(_) => values[i] - stretch.mean_a,
        };
        squares += (stretch.first..stretch.end).map(|i| off(i).powi(2)).sum::<f64>();
        products += (stretch.first + 1..stretch.end).map(|i| off(i - 1) * off(i)).sum::<f64>();
    }
    let n = values.len() as f64;
    let seen = products / squares;
    let phi = seen + found.segments.len() as f64 * (1.0 + 3.0 * seen.max(0.0)) / n;
    (phi > 2.0 / n.sqrt()).then_some(phi)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::{Samples, TimeAxis};
    use crate::segment::segment;
    use rand::{Rng, SeedableRng};
    use rand_distr::StandardNormal;

    /// AR(1) noise between known steps: within what chance makes of 300 readings, and none of white noise.
    #[test]
    fn what_is_left_beside_steps_tells_the_correlation() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        for (truth, sigma) in [(0.0f64, 1.0), (0.5, 1e-6), (0.8, 1.0)] {
            let (mut sum, mut told) = (0.0, 0);
            for _ in 0..20 {
                let mut noise: f64 = random.sample(StandardNormal);
                let values: Vec<f64> = (0..300)
                    .map(|i| {
                        let new: f64 = random.sample(StandardNormal);
                        noise = truth * noise + (1.0 - truth * truth).sqrt() * new;
                        sigma * (noise + if i / 100 == 1 { 200.0 } else { 0.0 })
                    })
                    .collect();
                let time = TimeAxis::Uniform { interval_s: 1.0, len: values.len() };
                let samples = Samples { time, current_a: values.clone() };
                let found = segment(&samples, &[], None, &Default::default()).expect("enough");
                let phi = correlation(&values, &found);
                told += usize::from(phi.is_some());
                sum += phi.unwrap_or(0.0);
            }
            // Standard error of a mean of 20: 0.013 at most; by chance white noise tells some in one of 40.
            let mean = sum / 20.0;
            assert!((mean - truth).abs() < 0.06, "{mean} instead of {truth}");
            assert!(truth > 0.0 || told <= 3, "{told} of 20");
        }
    }
}
