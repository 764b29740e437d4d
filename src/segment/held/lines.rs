//! Readings between which the log is filled with straight lines.

use super::{FEWEST, RUNS, SHORTER};
use crate::segment::Held;

/// Readings of a stretch in which kinks are looked for, and such stretches.
const STRETCH: usize = 1024;
const STRETCHES: usize = 4;
/// Samples to a reading on a line, at most.
const LONGEST_LINE: usize = 64;
/// How much sharper a kink is than what rounding makes of a line.
const KINK: f64 = 3.0;
/// What is left of the sharpest kinks where nothing bends, at least, as a share.
const DUST: f64 = 1e-6;
/// Kinks of noise differ: three in four are this many times as sharp as one in four. Those of a triangle do not.
const KINKS_DIFFER: f64 = 2.0;

/// How sharply the line through three samples bends in the middle one.
fn bend(w: &[f64]) -> f64 {
    ((w[2] - w[1]) - (w[1] - w[0])).abs()
}

/// Where the kinks of a stretch lie, `times` samples apart.
struct Comb {
    /// Samples from the start of the stretch to a kink, less than `times`.
    phase: usize,
    /// Kinks there, and others.
    on: usize,
    off: usize,
}

impl Comb {
    fn of(values: &[f64], times: usize, least: f64) -> Self {
        let mut by_phase = [0; LONGEST_LINE];
        for (i, _) in values.windows(3).enumerate().filter(|(_, w)| bend(w) > least) {
            by_phase[(i + 1) % times] += 1;
        }
        let phase = (0..times).max_by_key(|p| (by_phase[*p], times - p)).unwrap_or(0);
        let on = by_phase[phase];
        Self { phase, on, off: by_phase.iter().sum::<usize>() - on }
    }
}

/// Readings with samples on the line from one to the next between them: all kinks lie a whole number of
/// samples apart, and nothing bends between them. A few thousand samples where there are none, else O(n).
pub(in crate::segment) fn find(values: &[f64], breaks: &[usize]) -> Option<Held> {
    let n = values.len();
    let apart = n.saturating_sub(STRETCH) / (STRETCHES - 1);
    let stretches: Vec<&[f64]> = match n <= STRETCH * STRETCHES {
        true => vec![values],
        false => (0..STRETCHES).map(|k| &values[k * apart..k * apart + STRETCH]).collect(),
    };
    let mut bends: Vec<f64> = stretches.iter().flat_map(|s| s.windows(3).map(bend)).collect();
    bends.sort_unstable_by(f64::total_cmp);
    let at = |share: f64| bends[(share * bends.len() as f64) as usize];
    let in_step = |combs: &[Comb]| {
        let on: usize = combs.iter().map(|comb| comb.on).sum();
        let off: usize = combs.iter().map(|comb| comb.off).sum();
        on >= FEWEST && off as f64 <= SHORTER * on as f64
    };
    // Of the bends at `times` samples of a line all but one are small. What is in step with a number is so
    // with its divisors.
    let (times, least) = (2..=LONGEST_LINE.min(bends.len() / FEWEST)).rev().find_map(|times| {
        let share = 1.0 / times as f64;
        let (small, kink) = (at(0.95 * (1.0 - share)), at(1.0 - 0.5 * share));
        // Arithmetic itself bends a line a little.
        let least = (small.max(DUST * kink) * kink).sqrt();
        let combs = || stretches.iter().map(|s| Comb::of(s, times, least)).collect::<Vec<_>>();
        (kink > KINK * small && in_step(&combs())).then_some((times, least))
    })?;
    let comb = |values: &[f64]| Comb::of(values, times, least);
    // A gap may put the kinks out of step.
    let starts = || [0].into_iter().chain(breaks.iter().copied());
    let pieces: Vec<(usize, usize)> = starts().zip(starts().skip(1).chain([n])).collect();
    let combs: Vec<Comb> = pieces.iter().map(|(start, end)| comb(&values[*start..*end])).collect();
    let mut first = Vec::with_capacity(n / times + 2 * pieces.len());
    for ((start, end), comb) in pieces.into_iter().zip(&combs) {
        first.push(start);
        first.extend((start + comb.phase..end).step_by(times).filter(|i| *i > start));
    }
    let bends = first.iter().filter_map(|i| values.get(i.checked_sub(1)?..i + 2)).map(bend);
    let mut kinks: Vec<f64> = bends.filter(|bend| *bend > least).take(RUNS).collect();
    kinks.sort_unstable_by(f64::total_cmp);
    let quarter = |k: usize| kinks[k * kinks.len() / 4];
    (in_step(&combs) && quarter(3) >= KINKS_DIFFER * quarter(1)).then_some(Held {
        times: times as f64,
        interpolated: true,
        first,
    })
}
