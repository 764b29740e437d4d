//! Listed times in seconds from the capture's first sample, on the list's own clock.

use jiff::civil::{DateTime, Time};

use super::{EventList, ListedTime};

const DAY_S: f64 = 86_400.0;

/// How the list's clock hangs together with the capture's before any pattern is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Hold {
    /// Seconds from the first sample: a stopwatch started with the logger.
    Elapsed,
    /// Both show the time of day.
    Clock,
    /// The capture shows no date: only the pattern can tell.
    Floating,
}

/// A list laid along the capture's time axis.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Placed {
    /// For every line in file order, seconds from the first sample.
    pub(super) listed_s: Vec<f64>,
    /// For every line, the width of the rounding that its time was written with, seconds.
    pub(super) rounding_s: Vec<f64>,
    /// What holds them.
    pub(super) hold: Hold,
}

/// Places every line. Times of day go on the capture's dates: each on the day that puts it
/// nearest the capture when that lasts less than 20 h, otherwise in file order with a new day
/// wherever the clock falls back by more than an hour.
pub(super) fn place(list: &EventList, start: Option<DateTime>, duration_s: f64) -> Placed {
    let rounding_s = rounding(list);
    if matches!(list.lines.first().map(|line| line.time), Some(ListedTime::Elapsed(_))) {
        let listed_s = list
            .lines
            .iter()
            .map(|line| match line.time {
                ListedTime::Elapsed(seconds) => seconds,
                ListedTime::DateTime(_) | ListedTime::TimeOfDay(_) => 0.0,
            })
            .collect();
        return Placed { listed_s, rounding_s, hold: Hold::Elapsed };
    }
    // Without a start the first line of all is the zero of time.
    let origin = start.unwrap_or_else(|| {
        let dates = list.lines.iter().filter_map(|line| match line.time {
            ListedTime::DateTime(at) => Some(at),
            ListedTime::TimeOfDay(_) | ListedTime::Elapsed(_) => None,
        });
        dates.min().unwrap_or_else(|| DateTime::constant(2000, 1, 1, 0, 0, 0, 0))
    });
    let short = start.is_some() && duration_s < 20.0 * 3600.0;
    let midnight_s = -seconds_of(origin.time());
    let mut day = 0.0;
    let mut last: Option<f64> = None;
    let mut listed_s: Vec<f64> = list
        .lines
        .iter()
        .map(|line| match line.time {
            ListedTime::DateTime(at) => {
                let seconds = seconds_between(origin, at);
                day = ((seconds - midnight_s) / DAY_S).floor();
                last = Some(seconds);
                seconds
            }
            ListedTime::TimeOfDay(time) if short => {
                let seconds = midnight_s + seconds_of(time);
                let middle = 0.5 * duration_s;
                seconds - DAY_S * ((seconds - middle) / DAY_S).round()
            }
            ListedTime::TimeOfDay(time) => {
                let of_day = midnight_s + seconds_of(time);
                if last.is_some_and(|last| of_day + day * DAY_S < last - 3600.0) {
                    day += 1.0;
                }
                let seconds = of_day + day * DAY_S;
                last = Some(seconds);
                seconds
            }
            ListedTime::Elapsed(seconds) => seconds,
        })
        .collect();
    let only_of_day = list.lines.iter().all(|line| matches!(line.time, ListedTime::TimeOfDay(_)));
    let first = listed_s.iter().copied().fold(f64::INFINITY, f64::min);
    if start.is_none() {
        listed_s.iter_mut().for_each(|seconds| *seconds -= first);
    } else if only_of_day && !short && first < -2.0 * 3600.0 {
        // The capture began late in the day, and the list in the small hours of the next.
        listed_s.iter_mut().for_each(|seconds| *seconds += DAY_S);
    }
    let hold = if start.is_some() { Hold::Clock } else { Hold::Floating };
    Placed { listed_s, rounding_s, hold }
}

fn seconds_of(time: Time) -> f64 {
    f64::from(time.hour()) * 3600.0
        + f64::from(time.minute()) * 60.0
        + f64::from(time.second())
        + f64::from(time.subsec_nanosecond()) * 1e-9
}

fn seconds_between(from: DateTime, to: DateTime) -> f64 {
    let span = to.duration_since(from);
    span.as_secs() as f64 + f64::from(span.subsec_nanos()) * 1e-9
}

/// The rounding of each line: as written, or coarser where all of a list's times are whole
/// multiples of something that chance would not make them (one in a thousand).
fn rounding(list: &EventList) -> Vec<f64> {
    let multiple = |line: &super::EventLine, of: f64| {
        let seconds = match line.time {
            ListedTime::Elapsed(seconds) => seconds,
            ListedTime::TimeOfDay(time) => seconds_of(time),
            ListedTime::DateTime(at) => seconds_of(at.time()),
        };
        let parts = seconds / of;
        (parts - parts.round()).abs() < 1e-6
    };
    let coarser = |rounding_s: f64| {
        let same = || list.lines.iter().filter(|line| line.rounding_s == rounding_s);
        [3600.0, 1800.0, 900.0, 600.0, 300.0, 60.0, 30.0, 15.0, 10.0, 5.0, 2.0, 1.0, 0.5, 0.1]
            .into_iter()
            .filter(|wide| *wide > rounding_s)
            .find(|wide| {
                let chance = (rounding_s / wide).powi(same().count() as i32);
                chance < 1e-3 && same().all(|line| multiple(line, *wide))
            })
            .unwrap_or(rounding_s)
    };
    list.lines.iter().map(|line| coarser(line.rounding_s)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    fn placed(times: &[&str], start: Option<DateTime>, duration_s: f64) -> Placed {
        let rows: String = times.iter().map(|time| format!("{time},a,on\n")).collect();
        let list = super::super::parse("e.csv", &format!("time,load,state\n{rows}")).unwrap();
        place(&list, start, duration_s)
    }

    #[test]
    fn times_of_day_cross_midnight() {
        let start = Some(date(2026, 5, 31).at(23, 50, 0, 0));
        let found = placed(&["23:55:10", "00:10:10", "23:49:10"], start, 3600.0);
        assert_eq!(found.listed_s, [310.0, 1210.0, -50.0]);
        assert_eq!(found.hold, Hold::Clock);
    }

    #[test]
    fn times_of_day_cross_several_midnights_in_a_long_capture() {
        let start = Some(date(2026, 5, 29).at(20, 0, 0, 0));
        let times = ["21:00:01", "06:00:07", "20:30:00", "05:00:00", "05:59:30"];
        let found = placed(&times, start, 2.5 * DAY_S);
        assert_eq!(found.listed_s, [3601.0, 36_007.0, 88_200.0, 118_800.0, 122_370.0]);
        let found = placed(&["02:00:00", "03:00:00"], start, 2.5 * DAY_S);
        assert_eq!(found.listed_s, [21_600.0, 25_200.0]);
    }

    #[test]
    fn dates_and_times_after_them_are_placed_by_their_date() {
        let start = Some(date(2026, 5, 31).at(23, 50, 0, 0));
        let found = placed(&["2026-06-01 00:00", "2026-05-31 23:50:30"], start, 3600.0);
        assert_eq!(found.listed_s, [600.0, 30.0]);
    }

    #[test]
    fn without_a_start_the_first_line_is_the_zero_of_time() {
        let found = placed(&["23:59:30", "00:00:10"], None, 3600.0);
        assert_eq!((found.listed_s, found.hold), (vec![0.0, 40.0], Hold::Floating));
    }

    #[test]
    fn coarser_rounding_than_written_is_seen() {
        let five = ["10:00:05", "10:00:20", "10:00:45", "10:01:10", "10:02:35", "10:03:00"];
        assert_eq!(placed(&five, None, 600.0).rounding_s, [5.0; 6]);
        assert_eq!(placed(&["10:00:00", "10:07:00"], None, 600.0).rounding_s, [60.0; 2]);
        assert_eq!(placed(&["10:00:05", "10:07:00"], None, 600.0).rounding_s, [1.0; 2]);
        assert_eq!(placed(&["10:00", "10:07:03"], None, 600.0).rounding_s, [60.0, 1.0]);
        assert_eq!(placed(&["10", "25", "40", "75", "90"], None, 600.0).rounding_s, [5.0; 5]);
    }
}
