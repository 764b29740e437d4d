//! Changes that readings follow with a time constant: of a meter's filter, or of a capacitor between meter and load.
//!
//! Each change begins at the old level and dies away towards the new one, all with much the same time constant.
//! No background of a test begins so, and each part of the way looks like a decay after the one before. So, before
//! anything is weighed, such readings are moved to the new level, each with what it lies off the decay: then the
//! step is where the change began, and as high as it is.

use super::noise::Noise;

/// Readings on either side that tell a level.
const BESIDE: usize = 10;
/// Readings of a change, the shortest first: until half of them more is left of it than a share.
const TAKES: [usize; 5] = [8, 16, 32, 64, 128];
const LEFT: f64 = 0.05;
/// σ that the levels are apart at least.
const HIGH: f64 = 20.0;
/// The same where the time constant is known, and the fall in squared misfit, in σ², from a sharp step.
const LOW: f64 = 6.0;
const EVIDENT: f64 = 25.0;
/// Variance about the levels, in σ², and its root as a share of the jump, up to which they are flat, and a decay fits.
const NOISE: f64 = 2.0;
const FLAT: f64 = 0.02;
const FITS: f64 = 0.04;
/// σ by which the first reading of a change differs from the level before.
const BEGINS: f64 = 5.0;
/// Share that is left from reading to reading, at least: readings that follow faster are sharp.
const LASTS: f64 = 0.5;
/// Share by which the readings that a change lasts may differ from those of most, and how many are needed.
const ALIKE: f64 = 0.3;
const ENOUGH: usize = 4;
/// What is left of a change, in σ, that noise hides.
const HIDDEN: f64 = 0.3;
/// σ that a reading may lie off the level that it is moved to.
const OFF: f64 = 2.0;

/// A change of the readings `start..end`: of the jump between the levels `from` and `to`, `first` is left at the
/// first of them, and of that the share `lasts` from each to the next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Lag {
    start: usize,
    end: usize,
    from: f64,
    to: f64,
    first: f64,
    lasts: f64,
}

/// Such changes at candidates, in order; none where most changes are others. O(candidates).
pub(super) fn find(
    values: &[f64],
    candidates: &[usize],
    breaks: &[usize],
    noise: &Noise,
) -> Vec<Lag> {
    let mut lags: Vec<Lag> = Vec::new();
    let (mut others, mut next) = (0, 0);
    for at in candidates.iter().copied() {
        if at < next {
            continue;
        }
        let broken = breaks.partition_point(|b| *b <= at);
        let left = broken.checked_sub(1).map_or(0, |before| breaks[before]);
        let left = lags.last().map_or(0, |lag| lag.end).max(left);
        let right = breaks.get(broken).copied().unwrap_or(values.len());
        match Lag::near(values, (left, at, right), noise) {
            Found::Lag(lag) => {
                next = lag.end;
                lags.push(lag);
            }
            Found::Other => {
                others += 1;
                next = at + BESIDE;
            }
            Found::Nothing => {}
        }
    }
    let mut long: Vec<f64> = lags.iter().map(Lag::long).collect();
    long.sort_unstable_by(f64::total_cmp);
    let Some(usual) = long.get(long.len() / 2).copied() else { return lags };
    lags.retain(|lag| (lag.long() / usual).ln().abs() < ALIKE);
    if lags.len() < ENOUGH || lags.len() < others {
        return Vec::new();
    }
    let low = low_ones(values, candidates, breaks, &lags, 1.0 - usual.recip(), noise);
    lags.extend(low);
    lags.sort_by_key(|lag| lag.start);
    lags
}

/// Changes that are too low to show their time constant, beside the `lags` that do.
fn low_ones(
    values: &[f64],
    candidates: &[usize],
    breaks: &[usize],
    lags: &[Lag],
    lasts: f64,
    noise: &Noise,
) -> Vec<Lag> {
    let mut found: Vec<Lag> = Vec::new();
    for at in candidates.iter().copied() {
        let after = lags.partition_point(|lag| lag.end <= at);
        let broken = breaks.partition_point(|b| *b <= at);
        let left = [
            broken.checked_sub(1).map_or(0, |before| breaks[before]),
            after.checked_sub(1).map_or(0, |before| lags[before].end),
            found.last().map_or(0, |before| before.end),
        ];
        let right = breaks.get(broken).copied().unwrap_or(values.len());
        let right = lags.get(after).map_or(right, |lag| right.min(lag.start));
        let left = left.into_iter().fold(0, usize::max);
        found.extend(Lag::low(values, (left, at, right), lasts, noise));
    }
    found
}

/// Mean and mean square about it of some readings.
fn level(values: &[f64], from: usize) -> (f64, f64) {
    let readings = &values[from..from + BESIDE];
    let mean = readings.iter().sum::<f64>() / BESIDE as f64;
    let square = readings.iter().map(|value| (value - mean).powi(2)).sum::<f64>();
    (mean, square / BESIDE as f64)
}

enum Found {
    Lag(Lag),
    /// A high change of another form.
    Other,
    Nothing,
}

impl Lag {
    fn near(values: &[f64], (left, at, right): (usize, usize, usize), noise: &Noise) -> Found {
        let early = at.saturating_sub(2);
        if early < left + BESIDE || at + 2 * BESIDE > right {
            return Found::Nothing;
        }
        let (from, about_from) = level(values, early - BESIDE);
        let sigma = noise.sigma_at(from);
        let begins = |i: &usize| (values[*i] - from).abs() > BEGINS * sigma;
        let Some(start) = (early..at + 3).find(begins) else { return Found::Nothing };
        let mut high = false;
        for takes in TAKES {
            if start + takes + BESIDE > right {
                break;
            }
            let (to, about_to) = level(values, start + takes);
            let (jump, noise_to) = (to - from, noise.sigma_at(to));
            if jump.abs() < HIGH * sigma.max(noise_to) {
                continue;
            }
            high = true;
            let left_of = |i: usize| (to - values[i]) / jump;
            let half = start + takes / 2;
            let few = takes.min(BESIDE) / 2;
            let rest = (half..half + few).map(left_of).sum::<f64>() / few as f64;
            let flat = |sigma: f64| NOISE * sigma * sigma + (FLAT * jump).powi(2);
            let is_flat = about_from < flat(sigma) && about_to < flat(noise_to);
            if rest.abs() > LEFT.max(BEGINS * noise_to / jump.abs()) || !is_flat {
                continue;
            }
            let lag =
                Self::of(values, (start, start + takes), from, to).longer(values, right, noise);
            return if lag.fits(values, noise) { Found::Lag(lag) } else { Found::Other };
        }
        if high { Found::Other } else { Found::Nothing }
    }

    fn of(values: &[f64], (start, end): (usize, usize), from: f64, to: f64) -> Self {
        let left_of = |i: usize| (to - values[i]) / (to - from);
        let (first, all) = (left_of(start), (start..end).map(left_of).sum::<f64>());
        Self { start, end, from, to, first, lasts: 1.0 - first / all }
    }

    /// A change that lasts as said, and begins where that fits best.
    fn low(
        values: &[f64],
        (left, at, right): (usize, usize, usize),
        lasts: f64,
        noise: &Noise,
    ) -> Option<Self> {
        let long = (1.0 - lasts).recip();
        let (back, takes) = ((2.0 * long).ceil() as usize + 2, (6.0 * long).ceil() as usize);
        let first = at.checked_sub(back).filter(|first| *first >= left + BESIDE)?;
        let end = at + takes;
        if end + BESIDE > right {
            return None;
        }
        let ((from, about_from), (to, about_to)) =
            (level(values, first - BESIDE), level(values, end));
        let variance = noise.sigma_at(from).max(noise.sigma_at(to)).powi(2);
        if (to - from).powi(2) < LOW * LOW * variance || about_from.max(about_to) > NOISE * variance
        {
            return None;
        }
        let square = |begins: usize, expected: &dyn Fn(usize) -> f64| -> f64 {
            let before = (first..begins).map(|i| (values[i] - from).powi(2));
            let after = (begins..end).map(|i| (values[i] - expected(i)).powi(2));
            before.sum::<f64>() + after.sum::<f64>()
        };
        let (mut best, mut sharp) = (None, f64::INFINITY);
        let mut least = f64::INFINITY;
        for start in first..=at + 2 {
            // It begins anywhere between two readings.
            let lag = Self { start, end: start + takes, from, to, first: lasts.sqrt(), lasts };
            let misfit = square(start, &|i| lag.decay(i));
            if misfit < least {
                (least, best) = (misfit, Some(lag));
            }
        }
        for start in first..end {
            sharp = sharp.min(square(start, &|_| to));
        }
        let fits = least < NOISE * variance * (end - first) as f64;
        best.filter(|lag| fits && lag.end <= right && sharp - least > EVIDENT * variance)
    }

    /// To where noise hides it, if the level stays so long.
    fn longer(self, values: &[f64], right: usize, noise: &Noise) -> Self {
        let sigma = noise.sigma_at(self.to);
        let fades = ((self.to - self.from).abs() / (HIDDEN * sigma)).ln() / -self.lasts.ln();
        let end = self.start + fades.min(*TAKES.last().unwrap_or(&0) as f64 * 2.0) as usize;
        if end <= self.end || end + BESIDE > right {
            return self;
        }
        let (near, about) = level(values, end);
        let stays = (near - self.to).abs() < LEFT * (self.to - self.from).abs();
        if !stays || about > NOISE * sigma * sigma {
            return self;
        }
        // As many readings as it takes are moved to this level: it must be known as well.
        let after = &values[end..right.min(2 * end - self.start)];
        let same = after.iter().take_while(|value| (*value - near).abs() < BEGINS * sigma);
        let (count, sum) = same.fold((0.0, 0.0), |(n, sum), value| (n + 1.0, sum + value - near));
        Self::of(values, (self.start, end), self.from, near + sum / f64::max(count, 1.0))
    }

    /// Whether it begins at the old level, and dies away as it should.
    fn fits(&self, values: &[f64], noise: &Noise) -> bool {
        if !(LASTS..1.0).contains(&self.lasts) || self.first < self.lasts - 2.0 * FITS {
            return false;
        }
        let jump = self.to - self.from;
        let seen = (3.0 * self.long()).ceil().min((self.end - self.start) as f64) as usize;
        let square = |i: usize| {
            let variance = noise.sigma_at(values[i]).powi(2) + (FITS * jump).powi(2) / NOISE;
            (values[i] - self.decay(i)).powi(2) / variance
        };
        (self.start..self.start + seen).map(square).sum::<f64>() < NOISE * seen as f64
    }

    /// Readings that it lasts.
    fn long(&self) -> f64 {
        (1.0 - self.lasts).recip()
    }

    fn decay(&self, i: usize) -> f64 {
        let left = self.first * self.lasts.powi((i - self.start) as i32);
        self.to - (self.to - self.from) * left
    }
}

/// The readings with sharp changes instead.
pub(super) fn sharpened(values: &[f64], lags: &[Lag], noise: &Noise) -> Vec<f64> {
    let mut sharp = values.to_vec();
    for lag in lags {
        let off: Vec<f64> = (lag.start..lag.end).map(|i| values[i] - lag.decay(i)).collect();
        let sigma = noise.sigma_at(lag.to);
        for (i, rough) in (lag.start..lag.end).zip(roughness(&off)) {
            // As many σ off its level as off its neighbours.
            let share = rough / noise.sigma_at(values[i]);
            sharp[i] = lag.to + sigma * share.clamp(-OFF, OFF);
        }
    }
    sharp
}

/// The noise in what readings lie off a course: how each differs from the mean of its neighbours, as widely spread
/// as one reading. What the course does not explain moves slowly, and is left out.
pub(super) fn roughness(off: &[f64]) -> impl Iterator<Item = f64> {
    let last = off.len() - 1;
    (0..off.len()).map(move |k| {
        let beside = off[k.saturating_sub(1)].midpoint(off[(k + 1).min(last)]);
        (off[k] - beside) / 1.5f64.sqrt()
    })
}

#[cfg(test)]
mod tests {
    use super::super::candidates::Proposed;
    use super::super::noise::Noise;
    use crate::capture::{Samples, TimeAxis};
    use crate::segment::{Step, segment};
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::StandardNormal;

    /// Steps in readings of a course in σ, with 0.5 % of the reading as noise beside it.
    fn steps(
        random: &mut ChaCha8Rng,
        sigma: f64,
        len: usize,
        course: impl Fn(f64) -> f64,
    ) -> Vec<Step> {
        let mut reading = |i: usize| {
            let level = course(i as f64);
            sigma * (level + level.mul_add(0.005, 1.0) * random.sample::<f64, _>(StandardNormal))
        };
        let current_a: Vec<f64> = (0..len).map(&mut reading).collect();
        let time = TimeAxis::Uniform { interval_s: 1.0, len };
        let samples = Samples { time, current_a };
        segment(&samples, &[], None, &Default::default()).expect("enough readings").steps
    }

    /// Loads of 30 σ to 3000 σ, seen through a filter of two to fifteen readings: each change is one step where it
    /// began, as high as it is.
    #[test]
    fn each_change_that_a_filter_follows_is_one_step() {
        let mut random = ChaCha8Rng::seed_from_u64(6);
        let (mut all, mut right, mut more) = (0, 0, 0);
        for case in 0..40 {
            let sigma = [1e-6, 2e-3][case % 2];
            let tau = 2.0 * 7.5f64.powf(random.random::<f64>());
            let (mut at, mut edges, len) = (100.0, Vec::new(), (600.0 * tau) as usize + 600);
            while at < len as f64 - 40.0 * tau - 60.0 {
                let up = 30.0 * 100f64.powf(random.random::<f64>());
                let off = at + tau * random.random_range(13.0..40.0) + 20.0;
                edges.extend([(at, up), (off, -up)]);
                at = off + tau * random.random_range(13.0..40.0) + 20.0;
            }
            let course = |t: f64| {
                let follows = |edge: &&(f64, f64)| edge.0 <= t;
                let of = |edge: &(f64, f64)| edge.1 * (1.0 - (-(t - edge.0) / tau).exp());
                20.0 + edges.iter().take_while(follows).map(of).sum::<f64>()
            };
            let found = steps(&mut random, sigma, len, course);
            let near = |(at, up): &&(f64, f64)| {
                let high = |s: &Step| (s.delta_a / sigma / up - 1.0).abs() < 0.1;
                found.iter().any(|s| (-1.0..3.0).contains(&(s.time_s - at)) && high(s))
            };
            let hits = edges.iter().filter(near).count();
            all += edges.len();
            right += hits;
            more += found.len().saturating_sub(hits);
        }
        assert!(100 * right >= 97 * all && 50 * more <= all, "{right} of {all}, {more} more");
    }

    /// Loads that settle from a leap on are followed by no filter, nor are sharp ones.
    #[test]
    fn what_settles_after_a_leap_keeps_its_course() {
        let mut random = ChaCha8Rng::seed_from_u64(7);
        for case in 0..40 {
            let sigma = [1e-6, 2e-3][case % 2];
            let share = [0.0, random.random_range(0.2..0.7)][case / 2 % 2];
            let tau = random.random_range(5.0..25.0);
            let high: f64 = random.random_range(60.0..400.0);
            let reading = |i: usize| {
                let t = i as f64;
                let on = (t / 300.0) as usize % 2 == 1;
                let left = share * (-(t % 300.0) / tau).exp();
                let level = 20.0 + high * if on { 1.0 - left } else { left };
                sigma * (level + random.sample::<f64, _>(StandardNormal))
            };
            let values: Vec<f64> = (0..3000).map(reading).collect();
            let noise = Noise::learn(&values, None);
            let candidates = Proposed::of(&values, &[], &noise, false).candidates;
            assert_eq!(super::find(&values, &candidates, &[], &noise), [], "case {case}");
        }
    }
}
