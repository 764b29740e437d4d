//! Times, limits and verdicts in the words that every face of the report shares.

use jiff::civil::DateTime;

use crate::findings::{
    CaptureFacts, EventRow, FallAsleep, FloorLevel, LoadRow, SleepFindings, SleepShare,
    SleepVerdict, Verdict, WakeSeries,
};
use crate::numeric::{Quantity, trimmed};
pub(crate) use crate::numeric::{duration, significant};

/// Text from a file made safe to show: control and direction characters appear escaped, so that
/// no cell of a capture can drive a terminal or reorder a page.
pub(crate) fn printable(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        let turns_text = matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
        if c.is_control() || turns_text {
            out.extend(c.escape_default());
        } else {
            out.push(c);
        }
    }
    out
}

/// Says moments of a capture: wall-clock time when the capture has one, else time from its start.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Clock {
    start: Option<DateTime>,
    spans_days: bool,
    decimals: usize,
}

impl Clock {
    /// The clock of a capture.
    pub(crate) fn of(capture: &CaptureFacts) -> Self {
        // A civil date-time reads the local clock and leaves a stated offset aside.
        let start = capture.start.as_deref().and_then(|text| text.parse::<DateTime>().ok());
        let end = start.and_then(|start| later(start, capture.duration_s));
        let spans_days = match (start, end) {
            (Some(start), Some(end)) => start.date() != end.date(),
            _ => false,
        };
        let decimals = match capture.sampling_interval_s {
            Some(interval_s) if interval_s > 0.0 && interval_s < 0.2 => {
                (-interval_s.log10()).ceil().clamp(1.0, 6.0) as usize
            }
            Some(interval_s) if interval_s < 0.5 => 1,
            _ => 0,
        };
        Self { start, spans_days, decimals }
    }

    /// The wall clock at `time_s` after the first sample, when known.
    pub(crate) fn wall(&self, time_s: f64) -> Option<DateTime> {
        self.start.and_then(|start| later(start, time_s))
    }

    /// A moment, `time_s` after the first sample: `09:24:10`, `25 Nov 03:12:09` or `4:10 min`.
    pub(crate) fn at(&self, time_s: f64) -> String {
        let Some(moment) = self.wall(self.rounded(time_s)) else { return self.elapsed(time_s) };
        let form = match (self.spans_days, self.decimals) {
            (false, 0) => "%H:%M:%S".to_owned(),
            (true, 0) => "%-d %b %H:%M:%S".to_owned(),
            (false, n) => format!("%H:%M:%S%.{n}f"),
            (true, n) => format!("%-d %b %H:%M:%S%.{n}f"),
        };
        moment.strftime(&form).to_string()
    }

    /// The same clock, fine enough to tell neighbouring readings apart.
    pub(crate) fn fine(self, interval_s: Option<f64>) -> Self {
        match interval_s {
            Some(interval_s) if interval_s > 0.0 && interval_s < 0.999 => {
                let decimals = (-interval_s.log10()).ceil().clamp(1.0, 6.0) as usize;
                Self { decimals: decimals.max(self.decimals), ..self }
            }
            _ => self,
        }
    }

    /// The capture's start in full: `Tue 24 Nov 2026 09:12:04`.
    pub(crate) fn start_in_full(&self) -> Option<String> {
        self.start.map(|start| start.strftime("%a %-d %b %Y %H:%M:%S").to_string())
    }

    fn rounded(&self, time_s: f64) -> f64 {
        let unit = 10f64.powi(self.decimals as i32);
        (time_s * unit).round() / unit
    }

    fn elapsed(&self, time_s: f64) -> String {
        let time_s = self.rounded(time_s);
        let sign = if time_s < 0.0 { "-" } else { "" };
        let whole = time_s.abs().floor();
        let (hours, minutes) = ((whole / 3600.0).floor(), (whole / 60.0).floor() % 60.0);
        let width = if self.decimals == 0 { 2 } else { 3 + self.decimals };
        let seconds = format!("{:0width$.*}", self.decimals, time_s.abs() % 60.0);
        if hours > 0.0 {
            format!("{sign}{hours:.0}:{minutes:02.0}:{seconds} h")
        } else if minutes > 0.0 {
            format!("{sign}{minutes:.0}:{seconds} min")
        } else {
            format!("{sign}{:.*} s", self.decimals, time_s.abs())
        }
    }
}

fn later(start: DateTime, seconds: f64) -> Option<DateTime> {
    let span = jiff::SignedDuration::try_from_secs_f64(seconds).ok()?;
    start.checked_add(span).ok()
}

/// The text with every number tied to its unit by a no-break space.
pub(crate) fn tied(text: &str) -> String {
    const UNITS: [&str; 22] = [
        "A", "mA", "µA", "nA", "pA", "kA", "Ah", "mAh", "µAh", "nAh", "V", "Hz", "kHz", "h", "min",
        "s", "ms", "µs", "%", "days", "×", "±",
    ];
    let mut out = String::with_capacity(text.len());
    let mut words = text.split(' ');
    let mut last = words.next().unwrap_or_default();
    out.push_str(last);
    for word in words {
        let bare = word.trim_end_matches(|c: char| c.is_ascii_punctuation() && c != '%');
        let number = |word: &str| word.ends_with(|c: char| c.is_ascii_digit());
        let unit = UNITS.contains(&bare) && (number(last) || bare == "±");
        let follows = matches!(last, "±" | "≤" | "≥" | "✓" | "✗");
        out.push(if unit || follows { '\u{a0}' } else { ' ' });
        out.push_str(word);
        last = word;
    }
    out
}

/// True for a line of the event list that marks a zero check.
pub(crate) fn is_zero_check(event: &EventRow) -> bool {
    [&event.load, &event.state].into_iter().any(|text| text.trim().eq_ignore_ascii_case("zero"))
}

/// What a line of the event list says was done: `telemetry radio on`, `zero check`.
pub(crate) fn done(event: &EventRow) -> String {
    if is_zero_check(event) {
        return "zero check".to_owned();
    }
    format!("{} {}", printable(&event.load), printable(&event.state)).trim().to_owned()
}

/// How often readings come, in a sentence: `at 2 Hz`, `every 10 s`.
pub(crate) fn sampled(interval_s: f64) -> String {
    let rate = rate(interval_s);
    if rate.starts_with("every") { rate } else { format!("at {rate}") }
}

/// How often readings come: `2 Hz`, `1 kHz`, `every 10 s`.
pub(crate) fn rate(interval_s: f64) -> String {
    let hertz = 1.0 / interval_s;
    if hertz >= 999.5 {
        format!("{} kHz", significant(hertz / 1e3, 3))
    } else if hertz > 1.01 {
        format!("{} Hz", significant(hertz, 3))
    } else {
        format!("every {}", duration(interval_s))
    }
}

/// A share as percent: `64 %`, `3.2 %`, `< 0.1 %`.
pub(crate) fn percent(share: f64) -> String {
    let percent = 100.0 * share;
    if percent > 0.0 && percent < 0.1 {
        "< 0.1 %".to_owned()
    } else if percent.abs() >= 9.95 {
        format!("{percent:.0} %")
    } else {
        format!("{} %", trimmed(&format!("{percent:.1}")))
    }
}

/// Whether a panel charges while it is asleep: what is drawn is then no part of what the lead carries on the whole.
pub(crate) fn flows_back(sleep: &SleepFindings) -> bool {
    sleep.asleep.charge_ah < 0.0
}

/// Share of the charge that a part of the sleep takes; `None` where it [flows back](flows_back).
pub(crate) fn share_of_charge(sleep: &SleepFindings, part: &SleepShare) -> Option<String> {
    (!flows_back(sleep)).then(|| percent(part.share_of_charge))
}

/// From how far off a batch's tests name a unit.
pub(crate) fn outlier_reach(reach_sd: f64) -> String {
    let digits = usize::from(reach_sd < 9.95);
    format!(
        "A unit is named one from about {reach_sd:.digits$} standard deviations off: the fewer units, the farther."
    )
}

/// A probability, never rounded to certainty: `97.3 %`, `over 99.9 %`, `under 0.1 %`.
pub(crate) fn probability(p: f64) -> String {
    if p > 0.999 {
        "over 99.9 %".to_owned()
    } else if p < 0.001 {
        "under 0.1 %".to_owned()
    } else {
        format!("{:.1} %", 100.0 * p)
    }
}

/// A current that somebody set, a limit or a specification: `96 mA`, not `96.0 mA`.
pub(crate) fn set_current(value_a: f64) -> String {
    let text = Quantity::amperes(value_a).to_string();
    match text.split_once(' ') {
        Some((number, unit)) => format!("{} {unit}", trimmed(number)),
        None => text,
    }
}

/// A level in no more digits than a tenth of a count: what a zero check leaves is 0, not nanoamperes.
pub(crate) fn level(mean_a: f64, resolution_a: Option<f64>) -> String {
    match resolution_a.map(|count_a| 0.1 * count_a) {
        Some(least_a) if least_a > 0.0 && mean_a.abs() < 0.5 * least_a => "0 A".to_owned(),
        _ => Quantity::amperes(mean_a).to_string(),
    }
}

/// A current to two significant digits, as doubts are told: `3.9 mA`, `56 mA`.
pub(crate) fn to_two_digits(value_a: f64) -> String {
    if value_a == 0.0 {
        return set_current(value_a);
    }
    let step_a = 10f64.powf(value_a.abs().log10().floor() - 1.0);
    set_current((value_a / step_a).round() * step_a)
}

/// A current with its sign spelt: `+31.0 mA`.
pub(crate) fn signed_current(value_a: f64) -> String {
    let text = Quantity::amperes(value_a).to_string();
    if value_a > 0.0 { format!("+{text}") } else { text }
}

/// The limits of a load: `≤ 96 mA`, `≥ 10 mA`, `32 mA to 48 mA`, or a dash.
pub(crate) fn limits(load: &LoadRow) -> String {
    match (load.limit_low_a, load.limit_high_a) {
        (Some(low), Some(high)) => {
            let (low, high) = (set_current(low), set_current(high));
            match (low.split_once(' '), high.split_once(' ')) {
                (Some((number, unit)), Some((_, same))) if unit == same => {
                    format!("{number} to {high}")
                }
                _ => format!("{low} to {high}"),
            }
        }
        (Some(low), None) => format!("≥ {}", set_current(low)),
        (None, Some(high)) => format!("≤ {}", set_current(high)),
        (None, None) => "–".to_owned(),
    }
}

/// What a limit of the job sheet's `[sleep]` is on.
pub(crate) fn sleep_limit(key: &str) -> &'static str {
    match key {
        "sleep_max_a" => "sleep floor",
        "sleep_within_s" => "time to sleep",
        "wake_charge_max_ah" => "charge of a wake",
        _ => "share of time not asleep",
    }
}

/// How long a wake is, or at most.
pub(crate) fn width(width_s: f64, at_most: bool) -> String {
    format!("{}{}", if at_most { "at most " } else { "" }, duration(width_s))
}

/// The rhythm of wakes: `9 min 56 s ± 34 s`, `irregular, 40 s in the middle`, or a dash.
pub(crate) fn period(series: &WakeSeries) -> String {
    if let Some(groups) = &series.groups {
        let (least, most) = (groups.least, groups.most);
        let size = if least == most { most.to_string() } else { format!("{least} to {most}") };
        return format!(
            "in {} groups of {size}, {} from one to the next",
            groups.count,
            duration(groups.period_s)
        );
    }
    match (series.period_s, series.jitter_s) {
        (Some(period_s), Some(jitter_s)) if series.regular => {
            let at_most = if series.jitter_at_most { "at most " } else { "" };
            format!("{} ± {at_most}{}", duration(period_s), duration(jitter_s))
        }
        (Some(period_s), None) if series.regular => duration(period_s),
        (Some(period_s), _) => format!("irregular, {} in the middle", duration(period_s)),
        _ => "–".to_owned(),
    }
}

/// The levels of a floor that stepped; `None` where it is one: `10.0 mA at first, 16.0 mA from 02:14:10 on`.
pub(crate) fn floor_levels(sleep: &SleepFindings, clock: &Clock) -> Option<String> {
    let level = |(at, level): (usize, &FloorLevel)| {
        let draws = Quantity::amperes_with(level.level_a, level.expanded_uncertainty_a);
        match at {
            0 => format!("{draws} at first"),
            _ => format!("{draws} from {} on", clock.at(level.start_s)),
        }
    };
    let levels: Vec<String> = sleep.floor_levels.iter().enumerate().map(level).collect();
    (!levels.is_empty()).then(|| levels.join(", "))
}

/// How long it took to fall asleep, or between what where a gap hides it.
pub(crate) fn took(fall: &FallAsleep) -> String {
    match fall.least_s.zip(fall.most_s) {
        Some((least_s, most_s)) => {
            format!("{} to {} (a gap hides the moment)", duration(least_s), duration(most_s))
        }
        None => duration(fall.took_s),
    }
}

/// The most that falling asleep can have taken.
pub(crate) fn most_to_sleep_s(sleep: &SleepFindings) -> Option<f64> {
    let most_s = |fall: &FallAsleep| fall.most_s.unwrap_or(fall.took_s);
    sleep.falls_asleep.iter().map(most_s).reduce(f64::max)
}

/// Whether a gap leaves a verdict on the time to sleep open.
pub(crate) fn is_hidden(sleep: &SleepFindings, verdict: &SleepVerdict) -> bool {
    let most_s = |fall: &FallAsleep| fall.most_s.filter(|most_s| *most_s > verdict.limit);
    sleep.falls_asleep.iter().any(|fall| most_s(fall).is_some())
}

/// Wakes of a kind differ in width by more than this factor, and what lies outside of it on either side.
const UNLIKE: f64 = 1.5;
const OUTSIDE: f64 = 0.1;

/// Between what the widths of a kind's wakes lie, the tenth of them at either end left out; `None` where one tells
/// them all. Seconds.
pub(crate) fn unlike_s(sleep: &SleepFindings, kind: usize) -> Option<(f64, f64)> {
    let own = sleep.wakes.iter().filter(|wake| wake.series == Some(kind) && !wake.met);
    let mut widths: Vec<f64> = own.map(|wake| wake.width_s).collect();
    widths.sort_by(f64::total_cmp);
    let out = (OUTSIDE * widths.len() as f64) as usize;
    let (low_s, high_s) = widths.get(out).copied().zip(widths.iter().rev().nth(out).copied())?;
    let told = sleep.series.get(kind).is_some_and(|kind| !kind.width_at_most);
    (told && high_s > UNLIKE * low_s).then_some((low_s, high_s))
}

/// `mostly 3:20 min to 11 min long, 12 mAh of charge on average`.
pub(crate) fn unlike(low_s: f64, high_s: f64, charge: Quantity) -> String {
    format!(
        "mostly {} to {} long, {charge} of charge on average",
        duration(low_s),
        duration(high_s)
    )
}

/// The mark that carries a verdict without colour.
pub(crate) fn verdict_mark(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Conforming => "✓",
        Verdict::NonConforming => "✗",
        Verdict::Indeterminate => "?",
        Verdict::NoLimit => "·",
    }
}

/// A verdict in plain words, with how far beyond the limit: `2.2 × limit`.
pub(crate) fn verdict_words(load: &LoadRow) -> String {
    match load.verdict {
        Verdict::Conforming => "conforms".to_owned(),
        Verdict::Indeterminate => "undecided".to_owned(),
        Verdict::NoLimit => "no limit".to_owned(),
        Verdict::NonConforming => match (load.limit_low_a, load.limit_high_a) {
            (Some(low), high)
                if load.draw_a < low && high.is_none_or(|high| load.draw_a < high) =>
            {
                "below limit".to_owned()
            }
            (_, Some(high)) if high > 0.0 && load.draw_a / high >= 1.05 => {
                format!("{} × limit", significant(load.draw_a / high, 2))
            }
            _ => "above limit".to_owned(),
        },
    }
}

/// The text with a capital at its start.
pub(crate) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// `1 line`, `3 lines`.
pub(crate) fn count(n: u64, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

/// `once`, `twice`, `3 times`.
pub(crate) fn times(n: usize) -> String {
    match n {
        1 => "once".to_owned(),
        2 => "twice".to_owned(),
        n => format!("{n} times"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn facts(start: Option<&str>, duration_s: f64, interval_s: f64) -> CaptureFacts {
        CaptureFacts {
            file: "a.csv".into(),
            samples: 10,
            start: start.map(str::to_owned),
            duration_s,
            sampling_interval_s: Some(interval_s),
            current_column: "I".into(),
            unit: "A".into(),
            resolution_a: None,
            overload_samples: 0,
            unreadable_rows: 0,
            gaps: vec![],
            decisions: vec![],
        }
    }

    #[test]
    fn moments_follow_the_wall_clock_and_its_days() {
        let clock = Clock::of(&facts(Some("2026-11-24T09:12:04"), 1200.0, 1.0));
        assert_eq!(clock.at(726.0), "09:24:10");
        assert_eq!(clock.at(725.7), "09:24:10");
        let night = Clock::of(&facts(Some("2026-11-24T21:00:00+01:00"), 36000.0, 1.0));
        assert_eq!(night.at(4.0 * 3600.0), "25 Nov 01:00:00");
        let fast = Clock::of(&facts(Some("2026-11-24T09:12:04.25"), 3.0, 1e-3));
        assert_eq!(fast.at(0.0015), "09:12:04.252");
    }

    #[test]
    fn moments_without_a_clock_count_from_the_start() {
        let clock = Clock::of(&facts(None, 9000.0, 1.0));
        assert_eq!(clock.at(40.0), "40 s");
        assert_eq!(clock.at(250.0), "4:10 min");
        assert_eq!(clock.at(8109.0), "2:15:09 h");
        assert_eq!(clock.at(-5.0), "-5 s");
        assert_eq!(Clock::of(&facts(None, 9.0, 1e-3)).at(65.0424), "1:05.042 min");
    }

    #[test]
    fn lengths_and_rates_read_as_people_say_them() {
        assert_eq!(rate(0.5), "2 Hz");
        assert_eq!(rate(1e-3), "1 kHz");
        assert_eq!(rate(10.0), "every 10 s");
        assert_eq!(rate(1.0), "every 1 s");
    }

    #[test]
    fn numbers_stay_with_their_units() {
        assert_eq!(
            tied("draws 214 mA ± 5 mA, its"),
            "draws 214\u{a0}mA\u{a0}±\u{a0}5\u{a0}mA, its"
        );
        assert_eq!(tied("for 40 s. A day"), "for 40\u{a0}s. A day");
        assert_eq!(tied("real; ✓ conforms"), "real; ✓\u{a0}conforms");
        assert_eq!(tied("a  b"), "a  b");
    }

    #[test]
    fn nothing_from_a_file_reaches_the_terminal_as_a_command() {
        assert_eq!(printable("a\u{1b}[2Jb"), "a\\u{1b}[2Jb");
        assert_eq!(printable("x\u{202e}y"), "x\\u{202e}y");
        assert_eq!(printable("Strom µA ±"), "Strom µA ±");
    }

    #[test]
    fn doubts_are_told_to_two_digits() {
        assert_eq!(to_two_digits(0.00387), "3.9 mA");
        assert_eq!(to_two_digits(0.0557), "56 mA");
        assert_eq!(to_two_digits(7.2e-6), "7.2 µA");
        assert_eq!(to_two_digits(0.356), "360 mA");
    }

    #[test]
    fn a_level_far_below_a_count_is_nothing() {
        assert_eq!(level(-965e-9, Some(0.001)), "0 A");
        assert_eq!(level(-965e-9, Some(1e-6)), "-965 nA");
        assert_eq!(level(0.0103, Some(0.001)), "10.3 mA");
        assert_eq!(level(2e-9, None), "2.00 nA");
    }

    #[test]
    fn a_set_current_keeps_no_idle_zeros() {
        assert_eq!(set_current(0.096), "96 mA");
        assert_eq!(set_current(0.1), "100 mA");
        assert_eq!(set_current(1.2), "1.2 A");
    }
}
