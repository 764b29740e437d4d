//! Single readings that belong to no level.

use super::noise::Noise;

/// How far outside its neighbours, in σ of a difference, a single reading is a spike.
const FAR: f64 = 6.0;
/// How far apart its neighbours may lie, as a share of that distance.
const NEIGHBOURS_AGREE: f64 = 0.35;

/// Indices of single-sample spikes: beyond both neighbours in the same direction by more than
/// 6 standard deviations of a difference, while the neighbours agree. O(n).
pub(super) fn find(values: &[f64], noise: &Noise) -> Vec<usize> {
    let mut spikes = Vec::new();
    let factor = FAR * (2.0 * (1.0 - noise.phi)).sqrt().max(0.5);
    let least = factor * noise.least_sigma();
    for (i, w) in values.windows(3).enumerate() {
        let (before, after) = (w[1] - w[0], w[1] - w[2]);
        if before * after <= 0.0 {
            continue;
        }
        let out = before.abs().min(after.abs());
        if out <= least || (w[2] - w[0]).abs() > NEIGHBOURS_AGREE * out {
            continue;
        }
        if out > factor * noise.sigma_at(w[0]).max(noise.sigma_at(w[2]))
            && spikes.last() != Some(&i)
        {
            spikes.push(i + 1);
        }
    }
    spikes
}
