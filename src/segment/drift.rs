//! How fast the background usually moves: a slope that the capture shows everywhere is no news.

use super::choose::Chosen;
use super::jump::{Ground, POOLS};
use super::noise::Noise;

/// Shortest piece of a stretch whose slope is used, samples.
const SHORTEST: usize = 12;
/// Pieces that a scale needs.
const ENOUGH: usize = 4;

/// Typical slope of the background, ampere a sample, at the scale of each pool.
///
/// Of the means of neighbouring blocks, a smooth background makes successive differences alike,
/// while noise and single steps do not: the mean product of a difference and the next but one (they
/// share no block) is the square of the slope. The middle 80 % of the products are used.
pub(super) fn of_blocks(stable: &[f64], noise: &Noise) -> [f64; POOLS.len()] {
    POOLS.map(|pool| {
        let size = 16 * pool;
        let means: Vec<f64> =
            stable.chunks_exact(size).map(|b| b.iter().sum::<f64>() / size as f64).collect();
        let mut products: Vec<f64> =
            means.windows(4).map(|w| (w[1] - w[0]) * (w[3] - w[2])).collect();
        if products.len() < 4 {
            return 0.0;
        }
        products.sort_by(f64::total_cmp);
        let cut = products.len() / 10;
        let middle = &products[cut..products.len() - cut];
        let square = middle.iter().sum::<f64>() / middle.len() as f64;
        square.max(0.0).sqrt() / size as f64 * noise.common_sigma()
    })
}

/// Typical slope of the background, ampere a sample, at the scale of each pool, from the stretches
/// between the steps chosen so far.
///
/// Each stretch is cut into pieces about half a window long. A piece's least-squares slope `b` has
/// variance `V = 12 σ² (1+φ)/(1−φ) / m³`; the square of the typical slope is the mean of `b² − V`,
/// weighted by 1/V, without the tenth of the pieces that are steepest for their V (settling).
/// A scale with too few pieces takes the slope of the next smaller one.
pub(super) fn of_stretches(
    ground: &Ground<'_>,
    chosen: &[Chosen],
    stable: &[f64],
) -> [f64; POOLS.len()] {
    let n = ground.values.len();
    let mut edges: Vec<usize> = chosen.iter().map(|c| c.at).chain([0, n]).collect();
    edges.extend(ground.breaks);
    edges.sort_unstable();
    edges.dedup();
    let phi = ground.noise.phi;
    let longer = (1.0 + phi) / (1.0 - phi);
    let blocks = of_blocks(&without(stable, chosen, ground.noise), ground.noise);
    let mut before = 0.0;
    let mut copy = Vec::new();
    let mut scale = 0;
    let mut shorter = 0.0f64;
    POOLS.map(|pool| {
        let block = blocks[scale];
        scale += 1;
        let most = 64 * pool;
        let least = if pool == 1 { SHORTEST } else { most / 4 };
        let mut pieces: Vec<(f64, f64)> = Vec::new();
        for ends in edges.windows(2) {
            let whole = ends[1] - ends[0];
            if whole < least {
                continue;
            }
            let parts = whole.div_ceil(most);
            for k in 0..parts {
                let (a, b) = (ends[0] + k * whole / parts, ends[0] + (k + 1) * whole / parts);
                ground.copy(a, b, &mut copy);
                let m = copy.len() as f64;
                let origin = copy[0];
                let mean = copy.iter().map(|v| v - origin).sum::<f64>() / m;
                let middle = 0.5 * (m - 1.0);
                let moment: f64 =
                    copy.iter().enumerate().map(|(i, v)| (i as f64 - middle) * (v - origin)).sum();
                let spread = m * (m * m - 1.0) / 12.0;
                let sigma = ground.noise.sigma_at(origin + mean);
                pieces.push((moment / spread, sigma * sigma * longer / spread));
            }
        }
        if pieces.len() >= ENOUGH {
            pieces.sort_by(|a, b| (a.0 * a.0 / a.1).total_cmp(&(b.0 * b.0 / b.1)));
            pieces.truncate(pieces.len() - pieces.len() / 10);
            let weight: f64 = pieces.iter().map(|(_, v)| 1.0 / v).sum();
            let square: f64 = pieces.iter().map(|(b, v)| b * b / v - 1.0).sum::<f64>() / weight;
            before = square.max(0.0).sqrt();
        }
        // In long pieces a faint step, not found yet, would pass for a slope.
        match scale {
            1 | 2 => before,
            3 => {
                shorter = before.min(block);
                shorter
            }
            _ => before.min(block).max(shorter),
        }
    })
}

/// What the chosen steps leave.
fn without(stable: &[f64], chosen: &[Chosen], noise: &Noise) -> Vec<f64> {
    let mut rest = stable.to_vec();
    let mut level = 0.0;
    for (i, step) in chosen.iter().enumerate() {
        let end = chosen.get(i + 1).map_or(stable.len(), |c| c.at);
        level += step.evidence.jump / noise.common_sigma();
        for value in &mut rest[step.at..end] {
            *value -= level;
        }
    }
    rest
}
