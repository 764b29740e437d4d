//! Where a change may be: candidates among the readings, and among means of many of them.

use super::noise::Noise;
use super::{propose, spikes};
use crate::numeric::plain_sum;

/// Penalty of a candidate, in squared standard deviations: too low on purpose.
const CANDIDATE_PENALTY: f64 = 12.0;
/// The same in means of [`WIDE`] readings, of which few can be candidates by chance.
const LOW_PENALTY: f64 = 7.0;
/// Innovation, in standard deviations, that makes a candidate.
const SHARP: f64 = 4.0;
/// Correlation above which single innovations are looked at.
const CORRELATED: f64 = 0.2;

/// Single stray readings, and candidates beside them.
pub(super) struct Proposed {
    pub(super) spikes: Vec<usize>,
    pub(super) candidates: Vec<usize>,
}

impl Proposed {
    /// With an `exact` search nothing is pooled. O(n) on average.
    pub(super) fn of(values: &[f64], breaks: &[usize], noise: &Noise, exact: bool) -> Self {
        let spikes = spikes::find(values, noise);
        let candidates = candidates(&Stable { values, noise, spikes: &spikes }, breaks, exact);
        Self { spikes, candidates }
    }
}

/// Readings on the scale of unit noise, spikes replaced; made where they are needed.
#[derive(Debug, Clone, Copy)]
pub(super) struct Stable<'a> {
    pub(super) values: &'a [f64],
    pub(super) noise: &'a Noise,
    pub(super) spikes: &'a [usize],
}

impl Stable<'_> {
    pub(super) fn len(&self) -> usize {
        self.values.len()
    }

    /// Fills in the readings from `from` on.
    pub(super) fn copy(&self, from: usize, into: &mut [f64]) {
        let end = from + into.len();
        for (stable, value) in into.iter_mut().zip(&self.values[from..end]) {
            *stable = self.noise.stabilise(*value);
        }
        let first = self.spikes.partition_point(|spike| *spike < from);
        for spike in self.spikes[first..].iter().take_while(|spike| **spike < end) {
            into[spike - from] = self.noise.stabilise(spikes::instead(self.values, *spike));
        }
    }

    /// Looks at the readings `values`, as [`copy`](Self::copy) filled them in from `from` on: means
    /// of [`WIDE`] of them, what is left at the end left out, and the places where one differs from
    /// the one before by more than a limit.
    fn look(&self, from: usize, values: &[f64], limit: Option<f64>) -> Seen {
        let mean = |block: &[f64]| plain_sum(block) / WIDE as f64;
        let means = values.chunks_exact(WIDE).map(mean).collect();
        let mut seen = Seen { means, leaps: Vec::new() };
        if let Some(limit) = limit {
            let leaps = |before: f64, value: f64| (value - before).abs() > limit;
            if from > 0 {
                let mut before = [0.0];
                self.copy(from - 1, &mut before);
                seen.leaps.extend(leaps(before[0], values[0]).then_some(from));
            }
            let pairs = values.windows(2).enumerate();
            seen.leaps.extend(pairs.filter(|(_, w)| leaps(w[0], w[1])).map(|(i, _)| from + i + 1));
        }
        seen
    }
}

/// What the search for candidates saw on its way.
#[derive(Debug, Default)]
struct Seen {
    means: Vec<f64>,
    leaps: Vec<usize>,
}

/// Readings in a mean in which faint changes are looked for: with a penalty that low, single
/// readings give so many candidates by chance that they hide one another.
const WIDE: usize = 64;

fn candidates(stable: &Stable<'_>, breaks: &[usize], exact: bool) -> Vec<usize> {
    let phi = stable.noise.phi;
    // Means of long stretches vary by this much more than those of independent readings.
    let longer = (1.0 + phi) / (1.0 - phi);
    let penalty = CANDIDATE_PENALTY * longer.sqrt();
    let limit = (phi > CORRELATED).then_some(SHARP * (1.0 - phi * phi).sqrt());
    let look = |from: usize, values: &[f64]| stable.look(from, values, limit);
    let (mut candidates, seen) = if exact {
        let mut all = vec![0.0; stable.len()];
        stable.copy(0, &mut all);
        (propose::exact(&all, penalty), vec![look(0, &all)])
    } else {
        propose::proposals(stable.len(), |from, into| stable.copy(from, into), look, penalty)
    };
    let means: Vec<f64> = seen.iter().flat_map(|seen| seen.means.iter().copied()).collect();
    let found = propose::exact(&means, LOW_PENALTY * longer / WIDE as f64);
    // Where a change was found among the readings, the means only blur it.
    let fine = candidates.clone();
    let alone = |at: &usize| {
        let next = fine.partition_point(|c| c + WIDE < *at);
        fine.get(next).is_none_or(|c| *c > at + WIDE)
    };
    candidates.extend(found.iter().map(|at| at * WIDE).filter(alone));
    candidates.extend(seen.into_iter().flat_map(|seen| seen.leaps));
    candidates.extend(breaks);
    candidates.sort_unstable();
    candidates.dedup();
    candidates
}
