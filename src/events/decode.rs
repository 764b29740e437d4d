//! Which step each line is tied to, the doubt of the offset weighed in.

use std::collections::BTreeMap;

use super::align::Answer;
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
/// Pairs less likely than this are no candidates.
const HOPELESS: f64 = 1e-3;

/// One line's tie.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Tie {
    pub(super) mark: Option<usize>,
    pub(super) probability: f64,
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
    let mut chances: Vec<Pair> = Vec::new();
    let mut chain: Vec<Pair> = Vec::new();
    // Sizes and rates learnt from the first ties settle the doubtful ones.
    for untied in [EAGER, 1.0, 1.0] {
        chances = averaged(evidence, prior, answer, &sizes, rates);
        chain = likeliest(evidence, &chances, untied);
        sizes = pairs::sizes(evidence, &chain);
        rates = Rates::after(evidence, chain.len());
    }
    for pair in &chances {
        // Of a line left alone: the probability that it has no step.
        ties[pair.line].probability -= pair.gain;
    }
    for pair in chain {
        ties[pair.line] = Tie { mark: Some(pair.step), probability: pair.gain };
    }
    // A zero check reads its stretch with or without a step: an unsure tie serves nobody.
    for (tie, line) in ties.iter_mut().zip(&evidence.lines) {
        let unsure = |mark: usize| {
            tie.probability < 0.5 || answer.is_strange(&evidence.marks[mark], line, tie.probability)
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

/// Pairs with their probability for a gain, by line and step.
fn averaged(
    evidence: &Evidence,
    prior: &Prior,
    answer: &Answer,
    sizes: &[Option<(f64, f64)>],
    rates: Rates,
) -> Vec<Pair> {
    let reach_s = REACH * if answer.found { answer.peak_s } else { answer.uncertainty_s };
    let near = Near::of(evidence, &answer.setting, reach_s, sizes, rates);
    let at: Vec<(f64, Vec<Pair>, Vec<f64>)> = (0..OFFSETS)
        .map(|k| {
            let share = 2.0 * k as f64 / (OFFSETS - 1) as f64 - 1.0;
            let offset_s = answer.setting.offset_s + share * reach_s;
            let (pairs, resting) = near.at(&Setting { offset_s, ..answer.setting });
            let (ln_sum, chances) = tie::chances(&pairs);
            // A prior that rules everything out here has said so before.
            let prior = prior.ln_density(offset_s).max(-50.0);
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
        .filter(|(_, chance)| *chance > HOPELESS)
        .map(|((line, step), gain)| Pair { line, step, gain })
        .collect()
}

/// The chain with the most lines right on average, an untied one counting `untied` times; its gains
/// still probabilities.
fn likeliest(evidence: &Evidence, chances: &[Pair], untied: f64) -> Vec<Pair> {
    let mut alone = vec![1.0; evidence.lines.len()];
    for pair in chances {
        alone[pair.line] -= pair.gain;
    }
    let mut of_step: BTreeMap<usize, Vec<&Pair>> = BTreeMap::new();
    for pair in chances {
        of_step.entry(pair.step).or_default().push(pair);
    }
    // Which of two loads that were switched together holds their step does not matter.
    let shared = |pair: &Pair| -> f64 {
        of_step[&pair.step]
            .iter()
            .filter(|other| evidence.together(other.line, pair.line))
            .map(|other| other.gain)
            .sum()
    };
    let whole: Vec<Pair> =
        chances.iter().map(|pair| Pair { gain: pair.gain + shared(pair), ..*pair }).collect();
    let gain = |pair: &Pair| pair.gain - untied * alone[pair.line];
    let gains: Vec<Pair> = whole.iter().map(|pair| Pair { gain: gain(pair), ..*pair }).collect();
    tie::best(&gains).into_iter().map(|at| whole[at]).collect()
}
