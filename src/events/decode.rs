//! Which step each line is tied to, the doubt of the offset weighed in.

use std::collections::BTreeMap;

use super::align::{Answer, COARSE_S, FAR_S};
use super::evidence::{Evidence, Way};
use super::pairs::{self, Near, Rates};
use super::prior::Prior;
use super::setting::Setting;
use super::tie::{self, Pair};

/// Offsets over which the ties are averaged,
const OFFSETS: usize = 21;
/// up to this many standard deviations on either side.
const REACH: f64 = 2.6;
/// Weight of leaving a line untied while sizes are still unknown: two lines of one load that only
/// together make sense of an odd size need a first tie.
const EAGER: f64 = 0.2;
/// Worth of a tie of the other of two lines of one movement: of the two the likelier is tied.
const SAME: f64 = 0.9;
/// A zero check's tie is left when further steps have this probability together.
const ELSEWHERE: f64 = 0.05;
/// Pairs less likely than this are no candidates.
const HOPELESS: f64 = 1e-3;

/// One line's tie.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Tie {
    pub(super) mark: Option<usize>,
    pub(super) probability: f64,
}

/// One line that may be one step, and how likely it is.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Chance {
    line: usize,
    step: usize,
    probability: f64,
}

/// The ties of which most are right on average, each with its probability.
///
/// A pair's probability is its share of all order-preserving pairings, averaged over the offset's
/// posterior: with times to the minute the offset is in doubt by much more than the lines among
/// themselves. Of a chain of ties the expected number of lines rightly treated is the sum of
/// `P(pair)` over tied and `P(no step)` over untied lines, so the chain of greatest gain for gains
/// `P(pair) − P(no step)` is the best one (a maximum expected accuracy alignment; method from
/// memory). O(offsets × pairs log pairs).
pub(super) fn ties(evidence: &Evidence, prior: &Prior, answer: &Answer) -> Vec<Tie> {
    let mut ties = vec![Tie { mark: None, probability: 1.0 }; evidence.lines.len()];
    if evidence.marks.is_empty() {
        return ties;
    }
    let mut sizes = Vec::new();
    let mut rates = Rates::at_first(evidence);
    let mut chances: Vec<Chance> = Vec::new();
    let mut chain: Vec<Chance> = Vec::new();
    // Sizes and rates learnt from the first ties settle the doubtful ones.
    for untied in [EAGER, 1.0, 1.0] {
        chances = averaged(evidence, prior, answer, &sizes, &rates);
        let alone = alone(evidence.lines.len(), &chances);
        chain = most_right(&shared(evidence, &chances), &alone, untied);
        let tied = chain.iter().map(|tied| (tied.line, tied.step));
        sizes = pairs::sizes(evidence, tied);
        rates = Rates::after(evidence, &alone);
    }
    for (tie, probability) in ties.iter_mut().zip(alone(evidence.lines.len(), &chances)) {
        tie.probability = probability;
    }
    for Chance { line, step, probability } in chain {
        ties[line] = Tie { mark: Some(step), probability };
    }
    // A zero check reads its stretch with or without a step: an unsure tie serves nobody.
    for (i, (tie, line)) in ties.iter_mut().zip(&evidence.lines).enumerate() {
        let unsure = |tied: usize| {
            let mark = &evidence.marks[tied];
            let far: f64 = chances
                .iter()
                .filter(|other| other.line == i)
                .filter(|other| (evidence.marks[other.step].time_s - mark.time_s).abs() > FAR_S)
                .map(|other| other.probability)
                .sum();
            tie.probability < 0.5
                || answer.is_strange(mark, line, tie.probability)
                || (line.rounding_s < COARSE_S && far > ELSEWHERE)
        };
        if line.way == Way::Zero && tie.mark.is_some_and(unsure) {
            *tie = Tie { mark: None, probability: 1.0 - tie.probability };
        }
    }
    for tie in &mut ties {
        tie.probability = tie.probability.clamp(0.0, 1.0) * answer.share;
    }
    ties
}

/// The probability of every pair over all pairings and offsets, by line and step.
fn averaged(
    evidence: &Evidence,
    prior: &Prior,
    answer: &Answer,
    sizes: &[Option<(f64, f64)>],
    rates: &Rates,
) -> Vec<Chance> {
    let reach_s = REACH * if answer.found { answer.peak_s } else { answer.uncertainty_s };
    let near = Near::of(evidence, &answer.setting, reach_s, sizes, rates);
    let at: Vec<(f64, Vec<Pair>, Vec<f64>)> = (0..OFFSETS)
        .map(|k| {
            let share = 2.0 * k as f64 / (OFFSETS - 1) as f64 - 1.0;
            let offset_s = answer.setting.offset_s + share * reach_s;
            let (pairs, resting) = near.at(&Setting { offset_s, ..answer.setting });
            let (ln_sum, chances) = tie::chances(&pairs);
            // A prior that rules everything out here has said so before.
            let prior = prior.ln_density(offset_s, answer.setting.spread_s).max(-50.0);
            (ln_sum + resting + prior, pairs, chances)
        })
        .collect();
    let most = at.iter().map(|(ln, ..)| *ln).fold(f64::NEG_INFINITY, f64::max);
    let total: f64 = at.iter().map(|(ln, ..)| (ln - most).exp()).sum();
    let mut chances: BTreeMap<(usize, usize), f64> = BTreeMap::new();
    for (ln, pairs, each) in &at {
        let weight = (ln - most).exp() / total;
        for (pair, chance) in pairs.iter().zip(each) {
            *chances.entry((pair.line, pair.step)).or_default() += weight * chance;
        }
    }
    chances
        .into_iter()
        .filter(|(_, probability)| *probability > HOPELESS)
        .map(|((line, step), probability)| Chance { line, step, probability })
        .collect()
}

/// For every line the probability that it has no step.
fn alone(lines: usize, chances: &[Chance]) -> Vec<f64> {
    let mut alone = vec![1.0; lines];
    for chance in chances {
        alone[chance.line] -= chance.probability;
    }
    alone
}

/// The same with what lines of one movement of the hand have in common: which of two loads that
/// were switched together holds their step matters little.
fn shared(evidence: &Evidence, chances: &[Chance]) -> Vec<Chance> {
    let mut of_step: BTreeMap<usize, Vec<&Chance>> = BTreeMap::new();
    for chance in chances {
        of_step.entry(chance.step).or_default().push(chance);
    }
    chances
        .iter()
        .map(|chance| {
            let others = of_step[&chance.step]
                .iter()
                .filter(|other| evidence.together(other.line, chance.line));
            let probability =
                chance.probability + SAME * others.map(|other| other.probability).sum::<f64>();
            Chance { probability, ..*chance }
        })
        .collect()
}

/// The chain with the most lines right on average, an untied one counting `untied` times.
fn most_right(chances: &[Chance], alone: &[f64], untied: f64) -> Vec<Chance> {
    let gains: Vec<Pair> = chances
        .iter()
        .map(|&Chance { line, step, probability }| Pair {
            line,
            step,
            gain: probability - untied * alone[line],
        })
        .collect();
    tie::best(&gains).into_iter().map(|at| chances[at]).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: alone are 0.1 and 0.6. Both lines on their likeliest steps are right 0.9 times on
    /// average; the first one alone 0.5 + 0.6 = 1.1 times.
    #[test]
    fn a_line_that_is_likelier_alone_is_left_alone() {
        let chance = |line, step, probability| Chance { line, step, probability };
        let chances = [chance(0, 0, 0.5), chance(0, 1, 0.4), chance(1, 1, 0.4)];
        let alone = alone(2, &chances);
        approx::assert_relative_eq!(alone[0], 0.1, max_relative = 1e-12);
        approx::assert_relative_eq!(alone[1], 0.6, max_relative = 1e-12);
        assert_eq!(most_right(&chances, &alone, 1.0), [chances[0]]);
        // Leaving it alone counts a fifth: 0.4 against 0.12.
        assert_eq!(most_right(&chances, &alone, 0.2), [chances[0], chances[2]]);
    }
}
