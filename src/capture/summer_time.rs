//! An hour that a local clock leaves out in spring.

use jiff::civil::DateTime;

use super::settle::shift;
use crate::findings::{Caution, Span};

const HOUR_S: f64 = 3600.0;
/// Clocks are put forward in the small hours: the latest of them that they are put to.
const LATEST: i8 = 4;

/// A caution where a local clock leaps to a full hour of the night, an hour further than from one reading to the
/// next: the readings may have gone on without a break.
pub(super) fn begins(
    gaps: &[Span],
    start: Option<DateTime>,
    interval_s: Option<f64>,
) -> Option<Caution> {
    let (start, interval_s) = start.zip(interval_s)?;
    gaps.iter().filter(|gap| (gap.length_s() - HOUR_S - interval_s).abs() <= interval_s).find_map(
        |gap| {
            let (from, to) = shift(start, gap.start_s).zip(shift(start, gap.end_s))?;
            let past_s = to.duration_since(to.date().at(to.hour(), 0, 0, 0)).as_secs_f64();
            ((1..=LATEST).contains(&to.hour()) && past_s <= interval_s).then(|| {
                Caution::new(
                    "clock-hour-forward",
                    format!(
                        "the clock leaps by one hour from {} to {}, as at the start of summer time: the readings may \
                         have gone on without a break, and what lasts beyond that moment is then told an hour too long",
                        from.strftime("%-d %b %H:%M:%S"),
                        to.strftime("%H:%M:%S")
                    ),
                )
            })
        },
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// At one reading a second from 23:00 on 28 March 2026, a Saturday.
    #[test]
    fn an_hour_that_is_left_out_at_night_is_told_and_another_gap_is_not() {
        let start = Some(DateTime::constant(2026, 3, 28, 23, 0, 0, 0));
        let told = |start_s: f64, end_s: f64| begins(&[Span { start_s, end_s }], start, Some(1.0));
        let hour = told(10_799.0, 14_400.0).unwrap();
        assert!(hour.text.contains("from 29 Mar 01:59:59 to 03:00:00"), "{hour:?}");
        assert_eq!(told(10_799.0, 14_300.0), None);
        assert_eq!(told(10_000.0, 13_601.0), None);
        assert_eq!(told(32_399.0, 36_000.0), None, "in the morning");
        assert_eq!(begins(&[Span { start_s: 10_799.0, end_s: 14_400.0 }], None, Some(1.0)), None);
    }
}
