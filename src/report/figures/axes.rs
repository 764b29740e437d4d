//! Ticks that people read: round times of day, engineering units.

use std::ops::Range;

use jiff::civil::DateTime;
use plotters::coord::ranged1d::{DefaultFormatting, KeyPointHint, Ranged};

use crate::report::words::{self, Clock};

/// Ticks of one axis with their labels.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Ticks {
    pub(super) at: Vec<f64>,
    pub(super) labels: Vec<String>,
    /// What the axis shows, with its unit.
    pub(super) title: String,
}

impl Ticks {
    /// Blanks the last labels when the picture's edge, `margin` beyond the axis's end, would cut them;
    /// ten pixels of the page are `margin` long.
    pub(super) fn drop_cut_labels(&mut self, end: f64, margin: f64) {
        for (at, label) in self.at.iter().zip(&mut self.labels) {
            // A character is about 6.4 pixels wide.
            let half = 0.5 * 0.64 * label.chars().count() as f64 * margin;
            if at + half > end + margin {
                label.clear();
            }
        }
    }

    /// The label of the tick at `value`.
    pub(super) fn label(&self, value: f64) -> String {
        let at = self.at.iter().position(|tick| *tick == value);
        at.map_or_else(String::new, |i| self.labels[i].clone())
    }
}

/// A linear axis with ticks of its own choice. (The library's own such axis has no labels.)
#[derive(Debug, Clone)]
pub(super) struct Axis {
    low: f64,
    high: f64,
    ticks: Vec<f64>,
}

impl Axis {
    pub(super) fn new(low: f64, high: f64, ticks: &Ticks) -> Self {
        Self { low, high, ticks: ticks.at.clone() }
    }
}

impl Ranged for Axis {
    type FormatOption = DefaultFormatting;
    type ValueType = f64;

    fn map(&self, value: &f64, limit: (i32, i32)) -> i32 {
        // What lies far outside ends just outside.
        let share = ((value - self.low) / (self.high - self.low)).clamp(-1.0, 2.0);
        limit.0 + (share * f64::from(limit.1 - limit.0)).round() as i32
    }

    fn key_points<Hint: KeyPointHint>(&self, hint: Hint) -> Vec<f64> {
        if hint.weight().allow_light_points() { Vec::new() } else { self.ticks.clone() }
    }

    fn range(&self) -> Range<f64> {
        self.low..self.high
    }
}

const TIME_STEPS: [f64; 22] = [
    1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0,
    10800.0, 21600.0, 43200.0, 86400.0, 172800.0, 604800.0, 1209600.0, 2419200.0,
];

/// Smallest of 1, 2, 5 times a power of ten that is at least `value`.
fn round_up(value: f64) -> f64 {
    let power = 10f64.powf(value.log10().floor());
    [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|m| m * power)
        .find(|s| *s >= value * 0.999_999)
        .unwrap_or(10.0 * power)
}

fn multiples(from: f64, to: f64, step: f64) -> Vec<f64> {
    let slack = 1e-9 * (to - from);
    let (first, last) = (((from - slack) / step).ceil(), ((to + slack) / step).floor());
    let n = (last - first + 1.0).clamp(0.0, 100.0) as usize;
    (0..n).map(|i| (first + i as f64) * step).collect()
}

fn decimals(step: f64) -> usize {
    (-(step * 1.000_001).log10().floor()).clamp(0.0, 9.0) as usize
}

/// At most about `most` ticks over `from_s ..= to_s`: wall-clock times where the capture has
/// them, else time from the start.
pub(super) fn time(from_s: f64, to_s: f64, clock: &Clock, most: usize) -> Ticks {
    let step = time_step(from_s, to_s, most);
    match clock.wall(from_s) {
        Some(moment) => wall(from_s, to_s, step, clock, moment),
        None => elapsed(from_s, to_s, step, "time from start"),
    }
}

/// The same counted from the start, whatever the capture's clock.
pub(super) fn from_start(from_s: f64, to_s: f64, most: usize) -> Ticks {
    elapsed(from_s, to_s, time_step(from_s, to_s, most), "time from start")
}

/// At most about `most` ticks over a duration from 0 to `to_s`.
pub(super) fn span(to_s: f64, most: usize, what: &str) -> Ticks {
    elapsed(0.0, to_s, time_step(0.0, to_s, most), what)
}

fn time_step(from_s: f64, to_s: f64, most: usize) -> f64 {
    let rough = (to_s - from_s) / most.max(1) as f64;
    if rough <= 1.0 {
        round_up(rough)
    } else {
        TIME_STEPS.into_iter().find(|step| *step >= rough).unwrap_or_else(|| round_up(rough))
    }
}

fn wall(from_s: f64, to_s: f64, step: f64, clock: &Clock, moment: DateTime) -> Ticks {
    // Multiples of the step since the midnight before, so that ticks fall on round times of day.
    let midnight = moment.date().at(0, 0, 0, 0);
    let into_day_s = midnight.duration_until(moment).as_secs_f64();
    let at: Vec<f64> = multiples(into_day_s, into_day_s + to_s - from_s, step)
        .into_iter()
        .map(|of_day| from_s + of_day - into_day_s)
        .collect();
    let places = decimals(step);
    let form = if step >= 86400.0 {
        "%-d %b".to_owned()
    } else if step >= 60.0 {
        "%H:%M".to_owned()
    } else if step >= 1.0 {
        "%H:%M:%S".to_owned()
    } else {
        format!("%H:%M:%S%.{places}f")
    };
    let unit = 10f64.powi(places as i32);
    let labels = at
        .iter()
        .map(|tick| {
            let wall = clock.wall((tick * unit * 10.0).round() / (unit * 10.0));
            wall.map_or_else(String::new, |wall| {
                let starts_day = wall.hour() == 0 && wall.minute() == 0 && wall.second() == 0;
                let form = if starts_day && step >= 60.0 { "%-d %b" } else { form.as_str() };
                wall.strftime(form).to_string()
            })
        })
        .collect();
    Ticks { at, labels, title: "time of day".to_owned() }
}

fn elapsed(from_s: f64, to_s: f64, step: f64, what: &str) -> Ticks {
    let (unit_s, unit) = if to_s < 1e-3 {
        (1e-6, "µs")
    } else if to_s < 1.0 {
        (1e-3, "ms")
    } else if to_s <= 300.0 {
        (1.0, "s")
    } else if to_s <= 4.0 * 3600.0 {
        (60.0, "min")
    } else {
        (3600.0, "h")
    };
    let at = multiples(from_s, to_s, step);
    let places = if step < unit_s { decimals(step / unit_s) } else { 0 };
    let labels = at.iter().map(|tick| format!("{:.places$}", tick / unit_s)).collect();
    Ticks { at, labels, title: format!("{what}, {unit}") }
}

/// At most about `most` ticks over `low_a ..= high_a`, in the unit that reads best.
pub(super) fn current(low_a: f64, high_a: f64, most: usize, what: &str) -> Ticks {
    quantity(low_a, high_a, most, what, "A")
}

/// The same for a quantity whose unit is `symbol`.
pub(super) fn quantity(low: f64, high: f64, most: usize, what: &str, symbol: &str) -> Ticks {
    let size = low.abs().max(high.abs());
    let (scale, prefix, symbol) = if symbol == "1" {
        (1e-2, "", "%")
    } else {
        let (scale, prefix) = [(1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n")]
            .into_iter()
            .find(|(scale, _)| size >= 1.0 * scale)
            .unwrap_or((1e-12, "p"));
        (scale, prefix, symbol)
    };
    let step = round_up((high - low) / scale / most.max(1) as f64);
    let places = decimals(step);
    let ticks = multiples(low / scale, high / scale, step);
    Ticks {
        labels: ticks.iter().map(|tick| format!("{:.places$}", tick + 0.0)).collect(),
        at: ticks.iter().map(|tick| tick * scale).collect(),
        title: format!("{what}, {prefix}{symbol}"),
    }
}

/// A tick at every power of ten of `low_a ..= high_a`, and at twice and five times it where that
/// leaves fewer than three.
pub(super) fn decades(low_a: f64, high_a: f64, what: &str) -> Ticks {
    let (first, last) = (low_a.log10().floor() as i32, high_a.log10().ceil() as i32);
    let inside = |tick: &f64| *tick >= low_a * 0.999_999 && *tick <= high_a * 1.000_001;
    let ticks = |of: &[f64]| -> Vec<f64> {
        (first..=last)
            .flat_map(|power| of.iter().map(move |m| m * 10f64.powi(power)))
            .filter(inside)
            .collect()
    };
    let whole = ticks(&[1.0]);
    let at = if whole.len() < 3 { ticks(&[1.0, 2.0, 5.0]) } else { whole };
    Ticks {
        labels: at.iter().map(|tick| words::set_current(*tick)).collect(),
        at,
        title: what.to_owned(),
    }
}

/// Ticks of a share, in percent.
pub(super) fn shares(high: f64, most: usize, what: &str) -> Ticks {
    let step = round_up(100.0 * high / most.max(1) as f64);
    let places = decimals(step);
    let ticks = multiples(0.0, 100.0 * high, step);
    Ticks {
        labels: ticks.iter().map(|tick| format!("{tick:.places$}")).collect(),
        at: ticks.iter().map(|tick| tick / 100.0).collect(),
        title: format!("{what}, %"),
    }
}

/// Ticks at whole numbers.
pub(super) fn counts(low: f64, high: f64, most: usize, what: &str) -> Ticks {
    let step = round_up((high - low) / most.max(1) as f64).max(1.0);
    let at = multiples(low, high, step);
    Ticks {
        labels: at.iter().map(|tick| format!("{tick:.0}")).collect(),
        at,
        title: what.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::CaptureFacts;

    fn clock(start: Option<&str>, duration_s: f64) -> Clock {
        Clock::of(&CaptureFacts {
            file: String::new(),
            samples: 0,
            start: start.map(str::to_owned),
            duration_s,
            sampling_interval_s: Some(1.0),
            current_column: String::new(),
            unit: String::new(),
            resolution_a: None,
            overload_samples: 0,
            unreadable_rows: 0,
            gaps: vec![],
            decisions: vec![],
        })
    }

    #[test]
    fn wall_clock_ticks_fall_on_round_times() {
        let ticks = time(0.0, 1200.0, &clock(Some("2026-11-24T09:12:04"), 1200.0), 8);
        assert_eq!(ticks.labels[..2], ["09:15", "09:20"]);
        assert_eq!(ticks.at[0], 176.0);
        let night = time(0.0, 36000.0, &clock(Some("2026-11-24T20:30:00"), 36000.0), 8);
        assert_eq!(night.labels, ["22:00", "25 Nov", "02:00", "04:00", "06:00"]);
        let fast = time(0.0, 0.05, &clock(Some("2026-11-24T20:30:00"), 0.05), 5);
        assert_eq!(fast.labels[1], "20:30:00.01");
    }

    #[test]
    fn ticks_without_a_clock_count_from_the_start() {
        let ticks = time(0.0, 1200.0, &clock(None, 1200.0), 6);
        assert_eq!((ticks.labels[1].as_str(), ticks.title.as_str()), ("5", "time from start, min"));
        let fast = time(0.0, 0.05, &clock(None, 0.05), 5);
        assert_eq!((fast.labels[1].as_str(), fast.title.as_str()), ("10", "time from start, ms"));
    }

    #[test]
    fn current_is_shown_in_the_unit_that_reads_best() {
        let ticks = current(-0.01, 0.26, 5, "current");
        assert_eq!(ticks.title, "current, mA");
        assert_eq!(ticks.labels, ["0", "100", "200"]);
        let ticks = current(0.0, 8.5e-6, 5, "current");
        assert_eq!(ticks.title, "current, µA");
        assert_eq!(ticks.labels, ["0", "2", "4", "6", "8"]);
        assert_eq!(current(0.0, 1.2, 4, "draw").labels, ["0.0", "0.5", "1.0"]);
    }
}
