//! Single readings that belong to no level.

use rayon::prelude::*;

use super::noise::Noise;

/// How far outside its neighbours, in σ of a difference, a single reading is a spike.
const FAR: f64 = 6.0;
/// How far apart its neighbours may lie, as a share of that distance.
const NEIGHBOURS_AGREE: f64 = 0.35;

/// Fewer readings than this do not tell a stray one at their end from a step.
const LONG_ENOUGH: usize = 16;

/// Samples that one task looks at, and of which it looks at each only where two changes are large.
const TASK: usize = 1 << 16;
const BLOCK: usize = 64;

/// Indices of single-sample spikes: beyond both neighbours in the same direction by more than
/// 6 standard deviations of a difference, while the neighbours agree; at the ends, where nothing
/// lies beyond, the next two readings must. O(n).
pub(super) fn find(values: &[f64], noise: &Noise) -> Vec<usize> {
    let factor = FAR * (2.0 * (1.0 - noise.phi)).sqrt().max(0.5);
    let least = factor * noise.least_sigma();
    let stands_out = |w: &[f64]| {
        let (before, after) = (w[1] - w[0], w[1] - w[2]);
        // Nearly all readings fail the first; the sign would be a coin's toss.
        if before.abs() <= least || after.abs() <= least || before * after <= 0.0 {
            return false;
        }
        let out = before.abs().min(after.abs());
        (w[2] - w[0]).abs() <= NEIGHBOURS_AGREE * out
            && out > factor * noise.sigma_at(w[0]).max(noise.sigma_at(w[2]))
    };
    let parts: Vec<Vec<usize>> = (0..values.len().div_ceil(TASK))
        .into_par_iter()
        .map(|task| {
            let first = task * TASK;
            let end = (first + TASK + 2).min(values.len());
            let mut spikes = Vec::new();
            for from in (first..end.saturating_sub(2)).step_by(BLOCK) {
                let near = &values[from..end.min(from + BLOCK + 2)];
                let far = |(a, b): (&f64, &f64)| u32::from((b - a).abs() > least);
                if near.iter().zip(&near[1..]).map(far).sum::<u32>() < 2 {
                    continue;
                }
                let windows = near.windows(3).enumerate();
                spikes.extend(windows.filter(|(_, w)| stands_out(w)).map(|(i, _)| from + i + 1));
            }
            spikes
        })
        .collect();
    let n = values.len();
    let at_end = |[end, next, second]: [usize; 3]| {
        let out = (values[end] - values[next]).abs();
        n >= LONG_ENOUGH
            && out > factor * noise.sigma_at(values[next])
            && (values[next] - values[second]).abs() <= NEIGHBOURS_AGREE * out
    };
    let first = (n > 2 && at_end([0, 1, 2])).then_some(0);
    let last = (n > 2 && at_end([n - 1, n - 2, n - 3])).then_some(n - 1);
    let all: Vec<usize> =
        first.into_iter().chain(parts.into_iter().flatten()).chain(last).collect();
    // A neighbour of a spike stands out only against it: beside a step, the reading between both.
    let disagree = |at: usize| match values.get(at.wrapping_sub(1)..at + 2) {
        Some([before, spike, after]) => {
            (after - before).abs() / (spike - before).abs().min((spike - after).abs())
        }
        _ => f64::INFINITY,
    };
    let mut spikes: Vec<usize> = Vec::new();
    for run in all.chunk_by(|a, b| a + 1 == *b) {
        match run {
            [a, b] if disagree(*b) < disagree(*a) => spikes.push(*b),
            _ => spikes.extend(run.iter().step_by(2)),
        }
    }
    spikes
}

/// What is read in place of the spike at `at`: the mean of its neighbours.
pub(super) fn instead(values: &[f64], at: usize) -> f64 {
    match (at.checked_sub(1), values.get(at + 1)) {
        (Some(before), Some(after)) => 0.5 * (values[before] + after),
        (Some(before), None) => values[before],
        (None, after) => after.copied().unwrap_or(values[at]),
    }
}

/// Of places a single reading apart: when the level comes back it was a spike, and both go;
/// otherwise the reading was taken during the change, and the larger half stays.
pub(super) fn between(
    values: &[f64],
    places: &[usize],
    breaks: &[usize],
) -> (Vec<usize>, Vec<usize>) {
    let n = values.len();
    let mut kept: Vec<usize> = Vec::with_capacity(places.len());
    let mut spikes = Vec::new();
    let mut i = 0;
    while i < places.len() {
        let at = places[i];
        if places.get(i + 1) != Some(&(at + 1)) || at == 0 || at + 1 >= n {
            kept.push(at);
            i += 1;
            continue;
        }
        let (up, down) = (values[at] - values[at - 1], values[at] - values[at + 1]);
        let out = up.abs().min(down.abs());
        let back = (values[at + 1] - values[at - 1]).abs();
        if up * down > 0.0 && back <= NEIGHBOURS_AGREE * out {
            spikes.push(at);
        } else if breaks.binary_search(&at).is_ok() || up.abs() >= down.abs() {
            kept.push(at);
        } else {
            kept.push(at + 1);
        }
        i += 2;
    }
    (kept, spikes)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A reading after a step that comes most of the way back: the first reading of the new level
    /// stands out as well, but only against it.
    #[test]
    fn a_spike_after_a_step_does_not_hide_it() {
        for (up, spike) in [(1.0, 0.25), (-1.0, 0.2), (1.0, -0.3), (-1.0, -0.25)] {
            let values: Vec<f64> = (0..200)
                .map(|i| {
                    let noise = 0.01 * ((i as f64 * 0.754_877_666).fract() - 0.5);
                    let level = match i {
                        101 => spike,
                        100.. => 1.0,
                        _ => 0.0,
                    };
                    up * level + noise
                })
                .collect();
            let noise = Noise::learn(&values, None);
            assert_eq!(find(&values, &noise), [101], "{up} {spike}");
        }
    }
}
