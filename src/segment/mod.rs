//! From samples to steady states and steps, without a knob.
//!
//! 0. `held` tells readings that stand in the log several times in a row, of which one is then looked at.
//! 1. `noise` learns how much the readings scatter, at which level, and how correlated they are, from the
//!    level that `quiet` finds, `few` the latter again beside the steps of a short capture; `spikes` sets single stray
//!    readings aside, `lag` and `edge` make changes sharp that take a meter several readings.
//! 2. `candidates` are proposed by `propose`, an exact search with a penalty known to be too low, on a
//!    scale where the noise is the same at every level.
//! 3. `jump` weighs each candidate: is there a sharp jump that no smooth background explains, nor one
//!    without rest? `drift`, `slopes` and `unrest` learn from the stretches how the background moves,
//!    `smooth` whether weak steps only stand for that, `soft` how wide edges are. `choose` drops the
//!    weakest until all pass, `memo` keeps what the readings say from pass to pass.
//! 4. `place` says where each step is, how sure that is and whether the readings only bend there,
//!    `hinge` how high it is where the background turns with it,
//!    `online` how sure a weak one is; `surge` which
//!    are only of the fall that another one began; `kinds`
//!    tells steady from settling and ramping, `bursts` what returns at once; `states` finds the same
//!    level again.

mod bursts;
mod candidates;
mod choose;
mod decay;
mod drift;
mod edge;
mod equations;
mod few;
mod held;
mod hinge;
mod jump;
mod kinds;
mod lag;
mod memo;
mod noise;
mod online;
mod place;
mod propose;
mod quiet;
mod rows;
mod slopes;
mod smooth;
mod soft;
mod spikes;
mod squares;
mod states;
mod surge;
mod tail;
mod types;
mod unrest;

pub use propose::exact as exact_breakpoints;
pub use types::*;

use rayon::prelude::*;

use candidates::{Proposed, Stable};
use choose::Chosen;
use jump::{Evidence, Ground};
use memo::{Memo, Room};
use noise::{FEW, Noise};

use crate::capture::Samples;
use crate::findings::{SegmentKind, Span};
use crate::numeric::effective_samples;

/// Evidence beyond what is needed, from which on a step is no longer weak.
const WEAK: f64 = 20.0;
/// Weak steps that are put before a second voice.
const SECOND_VOICES: usize = 64;
/// How far the second voice may be from sure.
const AT_LEAST: f64 = 1e-3;
/// Evidence of the usual slope from which on a zero mimics a step as likely as not.
const MIMIC_FROM: f64 = 5.0;
/// Evidence over which such steps get fewer by a factor of e.
const MIMIC_FADES: f64 = 25.0;
/// False steps in a capture of noise alone.
const FALSE_STEPS: f64 = 0.01;
/// Deviance that leaves one false step in a capture of noise alone, beyond `2 ln n`.
const ENOUGH: f64 = 6.0;
/// Samples that a steady state needs.
const SHORTEST: usize = 3;

/// Why samples cannot be segmented.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SegmentError {
    /// Fewer samples than the shortest segment needs.
    #[error("{samples} samples are fewer than the {needed} that one steady state needs")]
    TooShort {
        /// Samples given.
        samples: usize,
        /// Samples needed.
        needed: usize,
    },
}

/// Cuts a capture into steady, transient and burst stretches and finds the sharp steps.
///
/// A step is kept when its evidence, a fall in deviance of a generalised least-squares fit, exceeds
/// `2 ln(n/h) + 15.2`, h being the readings on its shorter side (1 to 1024), and 2 less where that
/// side is long. By theory that is one false step in a hundred captures of noise alone; in simulated
/// nights of such noise, rounded, it is one in ten to twenty.
///
/// # Errors
/// When there are too few samples for one steady state.
pub fn segment(
    samples: &Samples,
    gaps: &[Span],
    resolution_a: Option<f64>,
    wishes: &Wishes,
) -> Result<Segmentation, SegmentError> {
    let n = samples.len();
    if n < SHORTEST {
        return Err(SegmentError::TooShort { samples: n, needed: SHORTEST });
    }
    let values = samples.current_a.as_slice();
    if values.iter().all(|v| *v == values[0]) {
        return Ok(constant(samples, gaps, resolution_a));
    }
    let breaks = breaks(samples, gaps);
    let held = held::find(values, &breaks, resolution_a);
    match held.or_else(|| held::lines::find(values, &breaks)) {
        Some(held) => {
            let readings = held.readings(samples);
            let breaks = self::breaks(&readings, gaps);
            let found = cut(&readings, breaks, resolution_a, wishes);
            Ok(held.in_samples(found, samples))
        }
        None => Ok(cut(samples, breaks, resolution_a, wishes)),
    }
}

/// Segments readings that are not all the same.
fn cut(
    samples: &Samples,
    breaks: Vec<usize>,
    resolution_a: Option<f64>,
    wishes: &Wishes,
) -> Segmentation {
    let values = samples.current_a.as_slice();
    let noise = first_noise(values, resolution_a);
    let proposed = Proposed::of(values, &breaks, &noise, wishes.exact);
    let lags = lag::find(values, &proposed.candidates, &breaks, &noise);
    if !lags.is_empty() {
        let current_a = lag::sharpened(values, &lags, &noise);
        let sharp = Samples { time: samples.time.clone(), current_a };
        return cut_sharp(&sharp, &breaks, resolution_a, wishes, None);
    }
    let edges = edge::find(values, &proposed.candidates, &breaks, &noise);
    if edges.is_empty() {
        return cut_sharp(samples, &breaks, resolution_a, wishes, Some((noise, proposed)));
    }
    let sharp =
        Samples { time: samples.time.clone(), current_a: edge::sharpened(values, &edges, &noise) };
    let mut found = cut_sharp(&sharp, &breaks, resolution_a, wishes, None);
    edge::widen(&mut found, &edges, &samples.time);
    found
}

/// Segments readings between which no change takes several.
fn cut_sharp(
    samples: &Samples,
    breaks: &[usize],
    resolution_a: Option<f64>,
    wishes: &Wishes,
    known: Option<(Noise, Proposed)>,
) -> Segmentation {
    let values = samples.current_a.as_slice();
    let (noise, proposed) = known.unwrap_or_else(|| {
        let noise = first_noise(values, resolution_a);
        let proposed = Proposed::of(values, breaks, &noise, wishes.exact);
        (noise, proposed)
    });
    let found = cut_beside(samples, breaks, &noise, proposed, wishes);
    if values.len() > FEW || Noise::learn(values, resolution_a).phi == 0.0 {
        return found;
    }
    let Some(phi) = few::correlation(values, &found) else { return found };
    let noise = Noise::learn_up_to(values, resolution_a, phi);
    let proposed = Proposed::of(values, breaks, &noise, wishes.exact);
    cut_beside(samples, breaks, &noise, proposed, wishes)
}

/// Steps among few readings look like correlation.
fn first_noise(values: &[f64], resolution_a: Option<f64>) -> Noise {
    Noise::learn_up_to(values, resolution_a, if values.len() <= FEW { 0.0 } else { 1.0 })
}

/// Segments readings beside noise that is known.
fn cut_beside(
    samples: &Samples,
    breaks: &[usize],
    noise: &Noise,
    Proposed { mut spikes, candidates: proposed }: Proposed,
    wishes: &Wishes,
) -> Segmentation {
    let n = samples.len();
    let values = samples.current_a.as_slice();
    let first_spikes = spikes.clone();
    let stable = Stable { values, noise, spikes: &first_spikes };
    let blocks = drift::Blocks::of(&stable);
    let mut drift = blocks.slopes(noise);
    let mut unrest = [0.0; jump::POOLS.len()];
    let excess = blocks.excess(noise);
    let mut term_cost = jump::TERM_COST;
    let false_steps = wishes.false_steps.filter(|f| *f > 0.0).unwrap_or(FALSE_STEPS);
    let enough = 2.0 * (n as f64 / false_steps).ln() + ENOUGH;
    // A single count is no step where noise is too small to carry readings across it.
    let smallest = wishes.smallest_step_a.unwrap_or(0.0).max(1.25 * noise.stuck_count);
    let needed = |e: &Evidence| if e.jump.abs() < smallest { f64::INFINITY } else { enough };
    let fade = soft::fade(values, &proposed, noise);
    let mut candidates = proposed.clone();
    let mut again = 2;
    let mut memo = Memo::of(n);
    let mut pieces = None;
    let chosen = loop {
        let ground = Ground {
            values,
            time: &samples.time,
            noise,
            spikes: &spikes,
            breaks,
            drift: &drift,
            unrest,
            excess,
            term_cost,
            fade,
        };
        memo.new_ground();
        let (chosen, more) = settle(&ground, &candidates, needed, enough, &mut memo);
        if !more.is_empty() {
            memo.new_spikes();
        }
        if again > 0 {
            // With steps known, the background's own slopes can be told from them.
            again -= 1;
            let mut steps: Vec<Chosen> = chosen.iter().map(|(chosen, _)| *chosen).collect();
            // Steps that only stand for its drift would hide it.
            let mut stands = smooth::stand(&ground, &steps, enough, false_steps).into_iter();
            steps.retain(|_| stands.next().unwrap_or(true));
            let (slopes, unquiet) = drift::of_stretches(&ground, &steps, &blocks, &mut pieces);
            let known = jump::term_cost(n);
            if (&slopes, unquiet, known) == (&drift, unrest, term_cost) && more.is_empty() {
                break chosen;
            }
            if unquiet != unrest {
                memo.new_rows();
            }
            (drift, unrest, term_cost) = (slopes, unquiet, known);
            spikes.extend(more);
            spikes.sort_unstable();
            spikes.dedup();
            candidates.clone_from(&proposed);
            continue;
        }
        if more.is_empty() {
            break chosen;
        }
        spikes.extend(more);
        spikes.sort_unstable();
        candidates = chosen.iter().map(|(_, place)| place.at).collect();
        candidates.sort_unstable();
        candidates.dedup();
    };
    let ground = Ground {
        values,
        time: &samples.time,
        noise,
        spikes: &spikes,
        breaks,
        drift: &drift,
        unrest,
        excess,
        term_cost,
        fade,
    };
    let mut chosen = chosen;
    let steps: Vec<Chosen> = chosen.iter().map(|(chosen, _)| *chosen).collect();
    let mut stands = smooth::stand(&ground, &steps, enough, false_steps).into_iter();
    chosen.retain(|_| stands.next().unwrap_or(true));
    assemble(samples, &ground, &chosen, enough, false_steps)
}

/// First samples after gaps.
fn breaks(samples: &Samples, gaps: &[Span]) -> Vec<usize> {
    let mut breaks: Vec<usize> = gaps
        .iter()
        .map(|gap| samples.time.index_at(gap.start_s + 0.5 * gap.length_s()))
        .filter(|i| *i > 0 && *i < samples.len())
        .collect();
    breaks.sort_unstable();
    breaks.dedup();
    breaks
}

/// Elimination, then places, then elimination again at the better places. Also the spikes that
/// only then come to light: two steps a single reading apart are none.
fn settle(
    ground: &Ground<'_>,
    candidates: &[usize],
    needed: impl Fn(&Evidence) -> f64 + Sync,
    enough: f64,
    memo: &mut Memo,
) -> (Vec<(Chosen, place::Place)>, Vec<usize>) {
    let mut chosen = choose::eliminate(ground, candidates, &needed, enough, memo);
    let mut places = places(ground, &chosen, memo);
    let mut spikes = Vec::new();
    let mut before = Vec::new();
    for _ in 0..2 {
        let mut at: Vec<usize> = places.iter().map(|p| p.at).collect();
        at.sort_unstable();
        at.dedup();
        // From the same places the same steps are chosen.
        if at == before {
            break;
        }
        before.clone_from(&at);
        let (kept, found) = spikes::between(ground.values, &at, ground.breaks);
        spikes = found;
        chosen = choose::eliminate(ground, &kept, &needed, enough, memo);
        // Bursts first: where dense ones were dropped together, they are found in one look.
        let mut at: Vec<usize> = chosen.iter().map(|c| c.at).collect();
        let bursts = choose::regain_bursts(ground, candidates, &at, &needed, enough, memo);
        at.extend(&bursts);
        at.sort_unstable();
        at.dedup();
        let missed = choose::regain(ground, candidates, &at, &needed, enough, memo);
        if missed.len() + bursts.len() > 0 {
            let mut all: Vec<usize> = [at, missed].concat();
            all.sort_unstable();
            all.dedup();
            let (all, _) = spikes::between(ground.values, &all, ground.breaks);
            chosen = choose::eliminate(ground, &all, &needed, enough, memo);
        }
        places = self::places(ground, &chosen, memo);
    }
    measure(ground, &mut chosen, memo);
    for (step, place) in chosen.iter_mut().zip(&places) {
        if let Some((jump, jump_sd)) = place.surge {
            (step.evidence.jump, step.evidence.jump_sd) = (jump, jump_sd);
        }
    }
    (chosen.into_iter().zip(places).collect(), spikes)
}

/// Jumps of the steps that their nearest readings decided, from wider windows.
fn measure(ground: &Ground<'_>, chosen: &mut [Chosen], memo: &mut Memo) {
    let n = ground.values.len();
    let at: Vec<usize> = chosen.iter().map(|c| c.at).collect();
    let known = &*memo;
    let parts: Vec<(Vec<(usize, (f64, f64))>, Room)> = chosen
        .par_iter()
        .enumerate()
        .filter(|(_, step)| step.evidence.near)
        .fold(Default::default, |(mut jumps, mut room): (Vec<_>, Room), (i, step)| {
            let left = if i > 0 { at[i - 1] } else { 0 };
            let right = at.get(i + 1).copied().unwrap_or(n);
            jumps.push((i, ground.measure(left, step.at, right, &mut known.notes(&mut room))));
            (jumps, room)
        })
        .collect();
    let (jumps, rooms): (Vec<_>, Vec<Room>) = parts.into_iter().unzip();
    memo.learn(rooms);
    for (i, (jump, jump_sd)) in jumps.concat() {
        let evidence = &mut chosen[i].evidence;
        // Beside noise 10⁵ times as large, or a step that was not found, the wider window does not tell
        // the jump, nor does it on a cycle that makes a rise of a fall.
        if jump_sd < jump.abs() && jump * evidence.jump > 0.0 {
            (evidence.jump, evidence.jump_sd) = (jump, jump_sd);
        }
    }
}

fn places(ground: &Ground<'_>, chosen: &[Chosen], memo: &mut Memo) -> Vec<place::Place> {
    let n = ground.values.len();
    let known = &*memo;
    let at_gap = |at: usize| place::Place { at, middle: at, low: at, high: at, surge: None };
    let parts: Vec<(Vec<place::Place>, Room)> = (0..chosen.len())
        .into_par_iter()
        .fold(Default::default, |(mut places, mut room): (Vec<place::Place>, Room), i| {
            let at = chosen[i].at;
            let left = if i > 0 { chosen[i - 1].at } else { 0 };
            let right = chosen.get(i + 1).map_or(n, |c| c.at);
            if ground.breaks.binary_search(&at).is_ok() {
                places.push(at_gap(at));
                return (places, room);
            }
            // A step stays on its side of a gap.
            let gap = ground.breaks.partition_point(|b| *b <= at);
            let left = gap.checked_sub(1).map_or(left, |g| left.max(ground.breaks[g]));
            let right = ground.breaks.get(gap).map_or(right, |b| right.min(*b));
            let before = known.sought((left, at, right));
            let sought = place::refine(ground, left, &chosen[i], right, before);
            room.sought((left, at, right), sought);
            places.push(sought.place);
            (places, room)
        })
        .collect();
    let (places, rooms): (Vec<Vec<place::Place>>, Vec<Room>) = parts.into_iter().unzip();
    memo.learn(rooms);
    places.concat()
}

/// How sure each step is.
///
/// The test's own odds are `1/(E + W)`: `E = false_steps · exp(−(D − D₀)/2)` is the number of steps
/// with evidence D or more that noise makes in such a capture, and `W = M/(5 + M) · exp(−(D − D₀)/25)`
/// that of the steps that a wandering zero mimics, M being the evidence that the usual slope makes
/// for itself in the step's window. W is measured, not derived: on simulated zeros that turn faster
/// than the backgrounds follow. Weak steps are also put before the online posterior: their odds are
/// the geometric mean of both voices'. At most 64, the weakest.
fn scores(
    ground: &Ground<'_>,
    chosen: &[(Chosen, place::Place)],
    enough: f64,
    false_steps: f64,
) -> Vec<f64> {
    let n = ground.values.len();
    let surplus = |i: usize| chosen[i].0.evidence.deviance - enough;
    let mut weak: Vec<usize> = (0..chosen.len()).filter(|i| surplus(*i) < WEAK).collect();
    weak.sort_by(|a, b| surplus(*a).total_cmp(&surplus(*b)));
    weak.truncate(SECOND_VOICES);
    let typical = n as f64 / (chosen.len() + 1) as f64;
    let heard: Vec<Option<f64>> = weak
        .par_iter()
        .map(|i| {
            let left = i.checked_sub(1).map_or(0, |before| chosen[before].1.at);
            let right = chosen.get(i + 1).map_or(n, |after| after.1.at);
            let place = chosen[*i].1;
            // Places that moved past one another leave nothing to ask about.
            let apart = left < place.at && place.at < right;
            apart.then(|| online::probability(ground, (left, place, right), typical)).flatten()
        })
        .collect();
    let mut log_odds: Vec<f64> = (0..chosen.len())
        .map(|i| {
            let moves = chosen[i].0.evidence.moves;
            let noise = false_steps * (-0.5 * surplus(i)).exp();
            let wander = moves / (MIMIC_FROM + moves) * (-surplus(i) / MIMIC_FADES).exp();
            -(noise + wander).ln()
        })
        .collect();
    for (i, p) in weak.iter().zip(heard) {
        if let Some(p) = p {
            let p = p.clamp(AT_LEAST, 1.0 - AT_LEAST);
            log_odds[*i] = 0.5 * (log_odds[*i] + (p / (1.0 - p)).ln());
        }
    }
    log_odds.into_iter().map(|odds| 1.0 / (1.0 + (-odds).exp())).collect()
}

fn assemble(
    samples: &Samples,
    ground: &Ground<'_>,
    chosen: &[(Chosen, place::Place)],
    enough: f64,
    false_steps: f64,
) -> Segmentation {
    let time = &samples.time;
    let scores = scores(ground, chosen, enough, false_steps);
    let n = samples.len();
    let beside = |i: usize| {
        let left = i.checked_sub(1).map_or(0, |before| chosen[before].1.at);
        (left, chosen.get(i + 1).map_or(n, |after| after.1.at))
    };
    // What only bends still ends a stretch, and so does either part of a soft edge.
    let leaps: Vec<bool> = (0..chosen.len())
        .into_par_iter()
        .map(|i| {
            let (left, right) = beside(i);
            place::leaps(ground, left, &chosen[i], right)
        })
        .collect();
    let step = |i: usize| {
        let (left, right) = beside(i);
        let (Chosen { evidence, .. }, place) = &chosen[i];
        let (jump, jump_sd) = hinge::jump(ground, left, place, right)
            .filter(|(jump, _)| place.surge.is_none() && jump * evidence.jump > 0.0)
            .unwrap_or((evidence.jump, evidence.jump_sd));
        Step {
            index: place.middle,
            time_s: time.at(place.middle),
            time_low_s: time.at(place.low.saturating_sub(1)),
            time_high_s: time.at(place.high),
            delta_a: jump,
            standard_uncertainty_a: jump_sd,
            score: scores[i],
        }
    };
    let goes_on: Vec<bool> = (0..chosen.len())
        .into_par_iter()
        .map(|i| i > 0 && place::is_one_edge(ground, &chosen[i - 1], &chosen[i]))
        .collect();
    let edge = |edge: &[usize]| {
        let whole = edge.iter().map(|i| step(*i)).reduce(Step::and)?;
        let [.., first, last] = *edge else { return Some(whole) };
        if edge.len() > 2 || chosen[first].1.at + 1 < chosen[last].1.at {
            return Some(whole);
        }
        // Either part is told beside a single reading.
        let (left, right) = (beside(first).0, beside(last).1);
        let at = chosen[last].1.at;
        if !(left < at && at < right) {
            return Some(whole);
        }
        let (memo, mut room) = (Memo::of(n), Room::default());
        let (jump, jump_sd) = ground.measure(left, at, right, &mut memo.notes(&mut room));
        Some(Step { delta_a: jump, standard_uncertainty_a: jump_sd, ..whole })
    };
    let falls = surge::of_falls(ground, chosen, &leaps);
    let all: Vec<usize> = (0..chosen.len()).filter(|i| !falls[*i]).collect();
    let edges: Vec<&[usize]> = all.chunk_by(|_, i| goes_on[*i]).collect();
    let mut steps: Vec<Step> = edges
        .into_par_iter()
        .filter(|edge| edge.iter().any(|i| leaps[*i]))
        .filter_map(edge)
        .collect();
    steps.sort_by_key(|step| step.index);
    steps.dedup_by_key(|step| step.index);
    let mut edges: Vec<(usize, bool)> = vec![(0, true)];
    edges.extend(chosen.iter().map(|(_, place)| (place.middle, true)));
    edges.extend(ground.breaks.iter().map(|b| (*b, false)));
    edges.sort_by_key(|(at, step)| (*at, !*step));
    edges.dedup_by_key(|(at, _)| *at);
    let (edges, is_step): (Vec<usize>, Vec<bool>) = edges.into_iter().unzip();
    let mut segments = kinds::describe(ground, &edges, &is_step);
    let noise = ground.noise.model(ground.spikes.to_vec());
    let states = states::group(&mut segments, noise.sigma_a);
    Segmentation { noise, segments, steps, states, held: None }
}

/// Readings that are all the same: one level, known to the resolution.
fn constant(samples: &Samples, gaps: &[Span], resolution_a: Option<f64>) -> Segmentation {
    let n = samples.len();
    let level = samples.current_a[0];
    let floor_a = resolution_a.map_or(f64::EPSILON * level.abs(), |q| q.abs() / 12f64.sqrt());
    let mut edges = breaks(samples, gaps);
    edges.insert(0, 0);
    let mut segments: Vec<Segment> = (0..edges.len())
        .map(|i| {
            let (first, end) = (edges[i], edges.get(i + 1).copied().unwrap_or(n));
            let effective = effective_samples((end - first) as f64, 0.0);
            Segment {
                first,
                end,
                start_s: samples.time.at(first),
                end_s: samples.time.at(end - 1),
                mean_a: level,
                noise_a: floor_a,
                effective_samples: effective,
                standard_uncertainty_a: floor_a / effective.sqrt(),
                kind: SegmentKind::Steady,
                state: None,
            }
        })
        .collect();
    let states = states::group(&mut segments, floor_a);
    let noise = NoiseModel {
        sigma_a: floor_a,
        phi: 0.0,
        floor_a,
        by_level: Vec::new(),
        spikes: Vec::new(),
    };
    Segmentation { noise, segments, steps: Vec::new(), states, held: None }
}
