//! What is known of the difference between two clocks before any pattern is looked at.

use super::place::{Hold, Placed};
use super::scan::MACHINE_S;

const HOUR_S: f64 = 3600.0;
const DAY_S: f64 = 86_400.0;
/// Offsets that are searched without a gap, seconds.
const FREE_S: f64 = 2.0 * HOUR_S;
/// Spreads from a peak beyond which nothing of it is left beside the part that an offset lies in.
const FADED: f64 = 40.0;

/// A component of the prior: a Laplace peak, or a level stretch.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Part {
    Peak { weight: f64, at_s: f64, spread_s: f64 },
    Level { weight: f64, low_s: f64, high_s: f64 },
}

/// Times written at least as finely as this are no hand's, seconds.
const FINE_S: f64 = 0.1;
/// Spread of the offset when a rig writes list and capture by one clock, seconds, and how many of such
/// lists are written so (common practice, no source).
const OWN_CLOCK_S: f64 = 0.05;
const OWN_CLOCK: f64 = 0.5;

/// Probability density of the offset, and where it is worth searching.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Prior {
    parts: Vec<Part>,
    /// Share of the lists of a machine's spread that are written by the capture's own clock.
    own_clock: f64,
    /// Disjoint, rising intervals, seconds.
    pub(super) intervals: Vec<(f64, f64)>,
}

impl Prior {
    /// Watches and loggers mostly agree within minutes; some are off by up to 2 h, some by whole
    /// hours (zones, summer time, am for pm), half hours, or whole days (a wrong date).
    pub(super) fn of(placed: &Placed, duration_s: f64) -> Self {
        let first = placed.listed_s.iter().copied().fold(f64::INFINITY, f64::min);
        let last = placed.listed_s.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        // Offsets at which any of the list lies in the capture, with a minute to spare.
        let reach = (-last - 60.0, duration_s - first + 60.0);
        let mut parts = Vec::new();
        let mut spans = Vec::new();
        let mut level = |weight: f64, low: f64, high: f64| {
            let (low_s, high_s) = (low.max(reach.0), high.min(reach.1));
            if low_s < high_s {
                // Never narrower than ten minutes, so that a short capture claims no certainty.
                let spare = (0.5 * (600.0 - (high_s - low_s))).max(0.0);
                spans.push((low_s, high_s));
                let (low_s, high_s) = (low_s - spare, high_s + spare);
                parts.push(Part::Level { weight, low_s, high_s });
            }
        };
        let mut peaks: Vec<(f64, f64, f64)> = Vec::new();
        match placed.hold {
            Hold::Floating => level(1.0, reach.0, reach.1),
            Hold::Elapsed => {
                level(0.2, -FREE_S, FREE_S);
                peaks.push((0.8, 0.0, 3.0));
            }
            Hold::Clock => {
                level(0.33, -FREE_S, FREE_S);
                peaks.push((0.55, 0.0, 60.0));
                for half_hours in 1..=28 {
                    let at_s = f64::from(half_hours) * 0.5 * HOUR_S;
                    let weight = if half_hours % 2 == 0 { 0.003 } else { 0.000_5 };
                    peaks.push((weight, at_s, 60.0));
                    peaks.push((weight, -at_s, 60.0));
                }
                let days = ((reach.0 / DAY_S).floor(), (reach.1 / DAY_S).ceil());
                let count = (days.1 - days.0 + 1.0).clamp(1.0, 400.0);
                for step in 0..count as usize {
                    let at_s = (days.0 + step as f64) * DAY_S;
                    if at_s != 0.0 {
                        level(0.01 / count, at_s - FREE_S, at_s + FREE_S);
                        peaks.push((0.02 / count, at_s, 60.0));
                    }
                }
            }
        }
        for (weight, at_s, spread_s) in peaks {
            let (low, high) = (at_s - 5.0 * spread_s, at_s + 5.0 * spread_s);
            if low < reach.1 && high > reach.0 {
                spans.push((low.max(reach.0), high.min(reach.1)));
                parts.push(Part::Peak { weight, at_s, spread_s });
            }
        }
        let fine = placed.rounding_s.iter().all(|rounding_s| *rounding_s <= FINE_S);
        let own_clock = if fine && placed.hold != Hold::Floating { OWN_CLOCK } else { 0.0 };
        Self { parts, own_clock, intervals: merged(spans) }
    }

    /// The density `density` of people's offsets, or of a machine's when times spread as little.
    fn of_spread(&self, density: f64, offset_s: f64, spread_s: f64) -> f64 {
        let own_clock = if spread_s > MACHINE_S { 0.0 } else { self.own_clock };
        let own = (-offset_s.abs() / OWN_CLOCK_S).exp() / (2.0 * OWN_CLOCK_S);
        (1.0 - own_clock) * density + own_clock * own
    }

    /// Log density at an offset, per second, of times that spread so.
    pub(super) fn ln_density(&self, offset_s: f64, spread_s: f64) -> f64 {
        let density: f64 = self
            .parts
            .iter()
            .map(|part| match *part {
                Part::Peak { weight, at_s, spread_s } => {
                    weight * (-(offset_s - at_s).abs() / spread_s).exp() / (2.0 * spread_s)
                }
                Part::Level { weight, low_s, high_s } => {
                    let inside = (low_s..=high_s).contains(&offset_s);
                    if inside { weight / (high_s - low_s) } else { 0.0 }
                }
            })
            .sum();
        self.of_spread(density, offset_s, spread_s).ln()
    }

    /// Log density at the middles of bins `bin_s` wide that cover one of [`intervals`](Self::intervals)
    /// from its lower end on. O(bins × parts nearby).
    pub(super) fn ln_densities(
        &self,
        (low, high): (f64, f64),
        bin_s: f64,
        spread_s: f64,
    ) -> Vec<f64> {
        let bins = ((high - low) / bin_s).ceil().max(1.0) as usize;
        let middle = |k: usize| low + (k as f64 + 0.5) * bin_s;
        let bin_of = |offset_s: f64| (((offset_s - low) / bin_s).max(0.0) as usize).min(bins);
        let mut density = vec![0.0; bins];
        for part in &self.parts {
            match *part {
                Part::Peak { weight, at_s, spread_s } => {
                    let reach = FADED * spread_s;
                    let (from, to) = (bin_of(at_s - reach), bin_of(at_s + reach));
                    for k in from..(to + 1).min(bins) {
                        let fall = (-(middle(k) - at_s).abs() / spread_s).exp();
                        density[k] += weight * fall / (2.0 * spread_s);
                    }
                }
                Part::Level { weight, low_s, high_s } => {
                    let (from, to) = (bin_of(low_s), bin_of(high_s));
                    for k in from..(to + 1).min(bins) {
                        if (low_s..=high_s).contains(&middle(k)) {
                            density[k] += weight / (high_s - low_s);
                        }
                    }
                }
            }
        }
        let at = |(k, density)| self.of_spread(density, middle(k), spread_s).ln();
        density.into_iter().enumerate().map(at).collect()
    }
}

fn merged(mut spans: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
    spans.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut merged: Vec<(f64, f64)> = Vec::new();
    for (low, high) in spans {
        match merged.last_mut() {
            Some(last) if low <= last.1 => last.1 = last.1.max(high),
            _ => merged.push((low, high)),
        }
    }
    merged
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    fn placed(listed_s: &[f64], hold: Hold) -> Placed {
        Placed { listed_s: listed_s.to_vec(), rounding_s: vec![1.0; listed_s.len()], hold }
    }

    fn mass(prior: &Prior) -> f64 {
        let step = 0.5;
        prior
            .intervals
            .iter()
            .map(|(low, high)| {
                let bins = ((high - low) / step).ceil();
                let width = (high - low) / bins;
                (0..bins as usize)
                    .map(|k| prior.ln_density(low + (k as f64 + 0.5) * width, 1.2).exp() * width)
                    .sum::<f64>()
            })
            .sum()
    }

    #[test]
    fn a_prior_weighs_one_at_most_and_most_of_it_near_agreement() {
        for hold in [Hold::Floating, Hold::Elapsed, Hold::Clock] {
            let prior = Prior::of(&placed(&[10.0, 900.0], hold), 1200.0);
            let mass = mass(&prior);
            assert!((0.7..1.001).contains(&mass), "{hold:?} {mass}");
        }
        let prior = Prior::of(&placed(&[10.0, 900.0], Hold::Clock), 1200.0);
        assert!(prior.ln_density(20.0, 1.2) > prior.ln_density(600.0, 1.2) + 3.0);
    }

    #[test]
    fn a_whole_interval_has_the_densities_of_its_offsets() {
        for hold in [Hold::Floating, Hold::Elapsed, Hold::Clock] {
            let prior = Prior::of(&placed(&[10.0, 900.0], hold), 40_000.0);
            for interval in &prior.intervals {
                let together = prior.ln_densities(*interval, 7.0, 1.2);
                assert_eq!(together.len(), ((interval.1 - interval.0) / 7.0).ceil() as usize);
                for (k, found) in together.into_iter().enumerate() {
                    let alone = prior.ln_density(interval.0 + (k as f64 + 0.5) * 7.0, 1.2);
                    // The last bin may reach past the interval.
                    assert!(alone == found || (alone - found).abs() < 1e-12 * alone.abs());
                }
            }
        }
    }

    #[test]
    fn a_list_of_another_day_is_searched_where_it_meets_the_capture() {
        let prior = Prior::of(&placed(&[86_410.0, 87_000.0], Hold::Clock), 1200.0);
        assert!(prior.intervals.iter().any(|(low, high)| *low < -86_400.0 && *high > -86_400.0));
        assert!(prior.intervals.iter().all(|(low, high)| *low > -88_000.0 && *high < -84_000.0));
        assert_relative_eq!(prior.ln_density(0.0, 1.2), prior.ln_density(0.0, 1.2));
    }
}
