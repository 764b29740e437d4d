//! When a list of times is one clock that ticks evenly.

use crate::capture::TimeAxis;

/// An even clock, told from the first time (0), the last, and the digits they are printed with.
///
/// A time column is even when every time lies within `tolerance_s` of `i × interval_s`. The
/// interval is that of the line through the first and the last time, rounded to printed digits
/// where that still meets the last time. The tolerance is one unit of the last printed digit, so
/// that 0.333, 0.667, 1.000 is even; but where the interval has less than four such units, a lost
/// row could hide in it, and the times must then be exactly even. What `f64` cannot tell apart
/// (four units of its last place) is always the same.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct EvenClock {
    pub(super) interval_s: f64,
    tolerance_s: f64,
}

impl EvenClock {
    /// The one clock that `rows` times from 0 to `last_s`, printed in steps of `resolution_s`,
    /// can be ticks of; `None` for fewer than two rows or no time passing.
    pub(super) fn through(last_s: f64, rows: usize, resolution_s: f64) -> Option<Self> {
        if rows < 2 || last_s.is_nan() || last_s <= 0.0 || resolution_s.is_nan() {
            return None;
        }
        let ticks = (rows - 1) as f64;
        let between = last_s / ticks;
        let per_second = (1.0 / resolution_s).round();
        let printed = if resolution_s < 1.0 {
            (between * per_second).round() / per_second
        } else {
            (between / resolution_s).round() * resolution_s
        };
        let rounding = 4.0 * f64::EPSILON * last_s;
        let interval_s =
            if (printed * ticks - last_s).abs() <= rounding { printed } else { between };
        let tolerance_s = if 4.0 * resolution_s <= interval_s { resolution_s } else { 0.0 };
        Some(Self { interval_s, tolerance_s: tolerance_s * (1.0 + 1e-9) + rounding })
    }

    /// A clock that was told and not found.
    pub(super) fn given(interval_s: f64) -> Self {
        Self { interval_s, tolerance_s: 0.0 }
    }

    /// How far `time_s` lies from tick `i`, seconds.
    #[inline]
    pub(super) fn distance_s(&self, i: usize, time_s: f64) -> f64 {
        (time_s - i as f64 * self.interval_s).abs()
    }

    /// True when a time so far from its tick may still be it.
    pub(super) fn allows(&self, distance_s: f64) -> bool {
        distance_s <= self.tolerance_s
    }
}

/// The axis of times that do not decrease and start at 0: even where [`EvenClock`] holds. O(n).
pub(super) fn axis(times: Vec<f64>, resolution_s: f64) -> TimeAxis {
    let last_s = times.last().copied().unwrap_or(0.0);
    match EvenClock::through(last_s, times.len(), resolution_s) {
        Some(clock)
            if times.iter().enumerate().all(|(i, t)| clock.allows(clock.distance_s(i, *t))) =>
        {
            TimeAxis::Uniform { interval_s: clock.interval_s, len: times.len() }
        }
        _ => TimeAxis::Listed(times),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn interval(times: &[f64], resolution_s: f64) -> Option<f64> {
        match axis(times.to_vec(), resolution_s) {
            TimeAxis::Uniform { interval_s, len } => {
                assert_eq!(len, times.len());
                Some(interval_s)
            }
            TimeAxis::Listed(listed) => {
                assert_eq!(listed, times);
                None
            }
        }
    }

    #[test]
    fn printed_intervals_keep_their_digits() {
        let tenths: Vec<f64> = (0..1000).map(|i| f64::from(i) / 10.0).collect();
        assert_eq!(interval(&tenths, 0.1), Some(0.1));
        assert_eq!(interval(&tenths, 1e-6), Some(0.1));
        let thirds: Vec<f64> =
            (0..1000).map(|i| (f64::from(i) * 1e3 / 3.0).round() / 1e3).collect();
        assert!((interval(&thirds, 1e-3).unwrap() - 1.0 / 3.0).abs() < 1e-6);
        let minutes: Vec<f64> = (0..50).map(|i| 60.0 * f64::from(i)).collect();
        assert_eq!(interval(&minutes, 60.0), Some(60.0));
    }

    #[test]
    fn one_lost_row_is_never_even() {
        for (tick, resolution) in [(1.0, 1.0), (0.5, 0.1), (0.5, 0.001), (0.1, 0.1), (1.0, 0.25)] {
            for lost in [1, 7, 98, 499] {
                let times: Vec<f64> =
                    (0..500).filter(|i| *i != lost).map(|i| f64::from(i) * tick).collect();
                let even = lost == 499;
                assert_eq!(
                    interval(&times, resolution).is_some(),
                    even,
                    "{tick} {resolution} {lost}"
                );
            }
        }
    }

    #[test]
    fn a_jittering_clock_is_listed_and_single_rows_have_no_interval() {
        assert_eq!(interval(&[0.0, 1.0, 2.02, 3.0], 0.01), None);
        assert_eq!(interval(&[0.0, 0.0, 0.0], 1.0), None);
        assert_eq!(interval(&[0.0], 1.0), None);
        assert_eq!(interval(&[], 1.0), None);
    }
}
