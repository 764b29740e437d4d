//! What a load does right after it is switched on: it surges, and falls to the level at which it runs.
//!
//! The fall may have any form: a kick and a slower settling after it, a straight line, a current that holds for
//! a moment and then dies away. No background of a test has all of these, so steps are found in the fall. A step
//! there is one only where the readings drop by more than they just did, or where the current returns to what it
//! was before the surge: then that was a burst, whose end is an event.

use super::choose::Chosen;
use super::jump::Ground;
use super::place::Place;

/// Readings of a fall at most, between the step that began it and one in it.
const LONGEST: usize = 128;
/// Readings before the step that began it, of which one is still of the old level.
const EDGE: usize = 3;
/// How many times the fall just before a step its own may be.
const GROWS: f64 = 2.0;
/// Share of a surge that is left where it was no burst.
const STAYS: f64 = 0.1;
/// Readings after a step that tell what is left, at most.
const AFTER: usize = 16;
/// Standard deviations that noise may move a reading.
const CHANCE: f64 = 3.0;

/// Which of the steps that leap are only of a fall that another one began. O(steps).
pub(super) fn of_falls(
    ground: &Ground<'_>,
    chosen: &[(Chosen, Place)],
    leaps: &[bool],
) -> Vec<bool> {
    let mut falls = vec![false; chosen.len()];
    // The step that began the fall.
    let mut began = None;
    for i in (0..chosen.len()).filter(|i| leaps[*i]) {
        let right = chosen.get(i + 1).map_or(ground.values.len(), |next| next.1.at);
        falls[i] = began.is_some_and(|b: usize| is_of_fall(ground, &chosen[b], &chosen[i], right));
        if !falls[i] {
            began = Some(i);
        }
    }
    falls
}

fn is_of_fall(
    ground: &Ground<'_>,
    (onset, start): &(Chosen, Place),
    (step, place): &(Chosen, Place),
    right: usize,
) -> bool {
    let up = onset.evidence.jump.signum();
    let apart = start.at > 0 && start.at <= place.low && place.high < right;
    if !apart
        || step.evidence.jump * up >= 0.0
        || place.low - start.at > LONGEST
        || ground.breaks.iter().any(|at| (start.at..=place.high).contains(at))
    {
        return false;
    }
    let mut room = Vec::new();
    // A first reading far above the next one may have been taken for one of the change.
    let from = start.at.saturating_sub(EDGE);
    let values = ground.readings(from, right.min(place.high + 1 + AFTER), &mut room);
    let lowest = |a: &usize, b: &usize| (up * values[*a]).total_cmp(&(up * values[*b]));
    let Some(origin) = (0..start.at - from).min_by(lowest) else { return false };
    let height = |i: usize| up * (values[i] - values[origin]);
    let (low, high) = (place.low - from, place.high - from);
    let peak = (origin + 1..low).max_by(|a, b| height(*a).total_cmp(&height(*b)).then(b.cmp(a)));
    let Some(peak) = peak else { return false };
    let mut after: Vec<f64> = (high..values.len()).map(height).collect();
    let middle = after.len() / 2;
    let level = *after.select_nth_unstable_by(middle, f64::total_cmp).1;
    let sigma = ground.noise.sigma_at(values[low - 1]).max(ground.noise.sigma_at(values[high]));
    if level < (STAYS * height(peak)).max(CHANCE * sigma) {
        return false;
    }
    // A kick that is over with the next reading.
    if low - 1 == peak {
        return peak <= start.at - from;
    }
    // A level that stayed has ended the fall before this one.
    let chance = 2.0 * CHANCE * ground.noise.sigma_at(values[peak]);
    let rests = (peak..low).filter(|i| height(peak) - height(*i) < chance).count();
    if 2 * rests > low - peak + 2 * EDGE {
        return false;
    }
    let goes_on = |before: usize, end: usize| {
        let wide = end - before;
        let as_long = wide.min(before - peak);
        let fell = (height(before - as_long) - height(before)) * wide as f64 / as_long as f64;
        let falls = height(before) - height(end);
        fell > CHANCE * sigma && falls <= GROWS * fell + CHANCE * sigma
    };
    // The step may lie a reading beside the place at which it was found.
    let next = (high + 1).min(values.len() - 1);
    let earlier = low - 2 == peak || goes_on(low - 2, high);
    earlier && goes_on(low - 1, high) && goes_on(low - 1, next)
}

#[cfg(test)]
mod tests {
    use crate::capture::{Samples, TimeAxis};
    use crate::segment::{Step, segment};
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::StandardNormal;

    /// Steps in readings of a course in σ, with 0.3 % of the reading as noise beside it.
    fn steps(random: &mut ChaCha8Rng, sigma: f64, course: impl Fn(f64) -> f64) -> Vec<Step> {
        let mut reading = |i: u32| {
            let level = course(f64::from(i));
            sigma * (level + level.mul_add(0.003, 1.0) * random.sample::<f64, _>(StandardNormal))
        };
        let current_a: Vec<f64> = (0..2000).map(&mut reading).collect();
        let time = TimeAxis::Uniform { interval_s: 1.0, len: current_a.len() };
        let samples = Samples { time, current_a };
        segment(&samples, &[], None, &Default::default()).expect("enough readings").steps
    }

    /// Motors that run for one to three hundred readings, from 50 σ to 500 σ, and start with a surge, which the
    /// course `start` tells as a share of that for so many readings after it.
    fn wrong(seed: u64, start: impl Fn(f64, &[f64; 4]) -> f64) -> [usize; 3] {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let (mut all, mut missed, mut more) = (0, 0, 0);
        for case in 0..30 {
            let sigma = [1e-6, 2e-3][case % 2];
            let (mut at, mut runs) = (random.random_range(60.0..150.0), Vec::new());
            while at < 1600.0 {
                let long: f64 = random.random_range(100.0..300.0);
                let high = 50.0 * 10f64.powf(random.random_range(0.0..1.0));
                runs.push((at, at + long, high, std::array::from_fn(|_| random.random::<f64>())));
                at += long + random.random_range(60.0..150.0);
            }
            let course = |t: f64| {
                let run = runs.iter().find(|run| run.0 <= t && t < run.1);
                20.0 + run.map_or(0.0, |run| run.2 * (1.0 + start(t - run.0, &run.3)))
            };
            let found = steps(&mut random, sigma, course);
            let edges = runs.iter().flat_map(|run| [(run.0, 1.0), (run.1, -1.0)]);
            let near = |(at, sign): &(f64, f64)| {
                let near = |s: &&Step| (s.time_s - at).abs() < 3.0 && s.delta_a * sign > 0.0;
                found.iter().any(|step| near(&step))
            };
            let hits = edges.filter(near).count();
            all += 2 * runs.len();
            missed += 2 * runs.len() - hits;
            more += found.len() - hits.min(found.len());
        }
        [all, missed, more]
    }

    /// A kick of several times what the motor draws as it runs, over in some readings, while what it draws still
    /// settles: one step.
    #[test]
    fn a_kick_and_what_settles_after_it_are_one_step() {
        let [all, missed, more] = wrong(1, |t, [a, b, c, d]| {
            let kick = (0.5 + 2.5 * a) * (-t / (0.7 + 2.0 * b)).exp();
            kick + (0.1 + 0.3 * c) * (-t / (30.0 + 90.0 * d)).exp()
        });
        assert!(100 * missed <= all && 100 * more <= 3 * all, "{missed}, {more} of {all}");
    }

    /// A current that falls straight, or ever faster and then ever slower, to that of the running motor.
    #[test]
    fn a_straight_or_bent_fall_is_of_its_step() {
        let straight =
            |t: f64, [a, b, ..]: &[f64; 4]| (0.5 + 2.5 * a) * (1.0 - t / (6.0 + 54.0 * b)).max(0.0);
        let bent = |t: f64, [a, b, ..]: &[f64; 4]| {
            (0.5 + 2.5 * a) * (-(t / (8.0 + 30.0 * b)).powi(2)).exp()
        };
        for [all, missed, more] in [wrong(2, straight), wrong(3, bent)] {
            assert!(100 * missed <= all && 50 * more <= all, "{missed}, {more} of {all}");
        }
    }

    /// What drops by more than it just fell is a step, however steep the fall: the motor goes on slower.
    #[test]
    fn a_drop_out_of_a_fall_is_a_step() {
        let mut random = ChaCha8Rng::seed_from_u64(4);
        let (mut found, mut all) = (0, 0);
        for _ in 0..40 {
            let (fast, slow) = (random.random_range(200.0..800.0), random.random_range(0.3..0.7));
            let tau = random.random_range(5.0..40.0);
            let course = |t: f64| match t {
                t if t < 500.0 => 20.0,
                t if t < 530.0 => fast * (1.0 + 0.5 * (-(t - 500.0) / tau).exp()),
                t if t < 800.0 => fast * slow,
                _ => 20.0,
            };
            let steps = steps(&mut random, 1e-3, course);
            let near = |at: f64| steps.iter().any(|s| (s.time_s - at).abs() < 3.0);
            found += [500.0, 530.0, 800.0].into_iter().filter(|at| near(*at)).count();
            all += 3;
        }
        assert!(found + 1 >= all, "{found} of {all}");
    }
}
