//! Wakes that belong together, and their rhythm.

use super::middle;
use super::outings::{Outing, OutingKind};
use crate::findings::{Wake, WakeGroups, WakeSeries, Wakes};
use crate::numeric::Moments;

/// Neighbours in order of charge, width or height that differ by more than this factor may be of two kinds.
const KINDS_APART: f64 = 1.6;
/// Fewest wakes that make a kind of their own.
const FEWEST: usize = 3;
/// A rhythm keeps its intervals, skips aside, within this share of the period.
const REGULAR: f64 = 0.15;

/// Chance that starts at random pass for a rhythm.
const CHANCE: f64 = 0.01;

/// Intervals between groups exceed all within them by this factor, or there are none.
const GROUPS_APART: f64 = 3.0;
/// A jitter of this many times what momentary readings make of none is the wakes' own.
const BEYOND_SAMPLING: f64 = 2.0;

/// All wakes with the series they belong to, and the series, most wakes first.
///
/// Wakes are sorted by charge, width or height and cut where neighbours differ by more than 1.6
/// times and both sides keep a rhythm, or one keeps a far better one than all together: a 10 s poll
/// inside a 15 min report. O(k log k) a kind.
pub(super) fn of(outings: &[Outing]) -> (Vec<Wake>, Vec<WakeSeries>) {
    let all: Vec<&Outing> =
        outings.iter().filter(|outing| outing.kind == OutingKind::Wake).collect();
    let mut wakes: Vec<Wake> = all
        .iter()
        .map(|outing| Wake {
            start_s: outing.start_s,
            width_s: outing.width_s(),
            peak_a: outing.peak_a,
            charge_ah: outing.charge_c / 3600.0,
            series: None,
            met: false,
        })
        .collect();
    let mut groups = if all.is_empty() { Vec::new() } else { cut((0..all.len()).collect(), &all) };
    groups.sort_by_key(|group| std::cmp::Reverse(group.len()));
    for (at, group) in groups.iter().enumerate() {
        for wake in group {
            wakes[*wake].series = Some(at);
        }
    }
    let series = groups.iter().filter_map(|group| describe(group, &all)).collect();
    (wakes, series)
}

/// What tells wakes of one kind from those of another: charge, width and height above the floor, which need not stay
/// where it is.
const TRAITS: [fn(&Outing) -> f64; 3] =
    [|wake| wake.charge_c, Outing::width_s, |wake| wake.height_a];

fn cut(group: Vec<usize>, wakes: &[&Outing]) -> Vec<Vec<usize>> {
    let whole = irregularity(&group, wakes);
    for of in TRAITS {
        let mut order = group.clone();
        let value = |at: &usize| of(wakes[*at]);
        order.sort_by(|a, b| value(a).total_cmp(&value(b)).then(a.cmp(b)));
        let ratio = |at: usize| value(&order[at]) / value(&order[at - 1]);
        let widest = (FEWEST..order.len().saturating_sub(FEWEST - 1))
            .filter(|at| value(&order[at - 1]) > 0.0 && ratio(*at) > KINDS_APART)
            .max_by(|a, b| ratio(*a).total_cmp(&ratio(*b)));
        let Some(at) = widest else { continue };
        let high = order.split_off(at);
        let low = order;
        let (calm_low, calm_high) = (irregularity(&low, wakes), irregularity(&high, wakes));
        let both_keep_time = calm_low < REGULAR && calm_high < REGULAR;
        if both_keep_time || calm_low.min(calm_high) < 0.5 * REGULAR.min(whole) {
            return [cut(low, wakes), cut(high, wakes)].concat();
        }
    }
    vec![group]
}

/// Starts of a group in order of time.
fn starts(group: &[usize], wakes: &[&Outing]) -> Vec<f64> {
    let mut starts: Vec<f64> = group.iter().map(|wake| wakes[*wake].start_s).collect();
    starts.sort_by(f64::total_cmp);
    starts
}

/// The rhythm of sorted starts.
struct Rhythm {
    period_s: f64,
    jitter_s: Option<f64>,
    skipped: u64,
    /// Typical distance of an interval from a whole number of periods, in periods.
    irregularity: f64,
}

/// Mean and scatter of the intervals that are one period long: a stuck stretch may shift the
/// phase, and a skipped wake leaves an interval of two.
fn rhythm(starts: &[f64]) -> Option<Rhythm> {
    let mut intervals: Vec<f64> = starts.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let raw = intervals.clone();
    intervals.sort_by(f64::total_cmp);
    let first_guess = middle(&intervals).filter(|period| *period > 0.0)?;
    let mut off: Vec<f64> = raw
        .iter()
        .map(|interval| {
            let periods = interval / first_guess;
            (periods - periods.round().max(1.0)).abs()
        })
        .collect();
    off.sort_by(f64::total_cmp);
    let irregularity = off[off.len() * 3 / 4];
    let periods: f64 = raw.iter().map(|i| (i / first_guess).round().max(1.0)).sum();
    let skipped = (periods as usize + 1).saturating_sub(starts.len()) as u64;
    let single: Vec<f64> = raw
        .iter()
        .copied()
        .filter(|interval| (interval / first_guess - 1.0).abs() < REGULAR)
        .collect();
    let moments = Moments::of(&single)?;
    Some(Rhythm { period_s: moments.mean, jitter_s: moments.sd, skipped, irregularity })
}

/// Whether sorted starts keep a rhythm that starts at random would keep about once in a hundred times.
///
/// The median interval is a period by definition; each of the others is within a share `r` of a whole number
/// of them with a probability of about `r`. Three starts must have intervals that agree to 2 %.
pub(super) fn seldom_by_chance(starts: &[f64]) -> bool {
    let free = starts.len() as f64 - 2.0;
    let most = REGULAR.min(CHANCE.powf(1.0 / free));
    free > 0.0 && rhythm(starts).is_some_and(|rhythm| rhythm.irregularity < most)
}

fn irregularity(group: &[usize], wakes: &[&Outing]) -> f64 {
    rhythm(&starts(group, wakes)).map_or(f64::INFINITY, |rhythm| rhythm.irregularity)
}

fn describe(group: &[usize], wakes: &[&Outing]) -> Option<WakeSeries> {
    let sorted = |value: fn(&Outing) -> f64| {
        let mut values: Vec<f64> = group.iter().map(|wake| value(wakes[*wake])).collect();
        values.sort_by(f64::total_cmp);
        values
    };
    let charges = sorted(|wake| wake.charge_c / 3600.0);
    let starts = starts(group, wakes);
    let rhythm = rhythm(&starts);
    let regular = rhythm.as_ref().is_some_and(|rhythm| rhythm.irregularity < REGULAR);
    // The slots of groups keep a rhythm of which most wakes are missing.
    let kept = rhythm.as_ref().filter(|rhythm| regular && rhythm.skipped < group.len() as u64);
    let groups = if kept.is_some() { None } else { groups(&starts) };
    let regular = regular && groups.is_none();
    let intervals: Vec<f64> = starts.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let mut ranked = intervals.clone();
    ranked.sort_by(f64::total_cmp);
    let (period_s, jitter_s, skipped) = match rhythm.filter(|_| regular) {
        Some(rhythm) => (Some(rhythm.period_s), rhythm.jitter_s, rhythm.skipped),
        None => (middle(&ranked), Moments::of(&intervals).and_then(|m| m.sd), 0),
    };
    Some(WakeSeries {
        count: group.len() as u64,
        period_s,
        jitter_s,
        jitter_at_most: false,
        regular,
        groups,
        skipped,
        met: 0,
        width_at_most: false,
        width_s: middle(&sorted(Outing::width_s))?,
        peak_a: middle(&sorted(|wake| wake.peak_a))?,
        charge_each_ah: Moments::of(&charges)?.mean,
    })
}

/// Groups of sorted starts that keep a rhythm of their own: cut at the widest ratio of neighbouring intervals in
/// order of length. O(k log k).
fn groups(starts: &[f64]) -> Option<WakeGroups> {
    let mut ranked: Vec<f64> = starts.windows(2).map(|pair| pair[1] - pair[0]).collect();
    ranked.sort_by(f64::total_cmp);
    let ratio = |at: &usize| ranked[*at] / ranked[at - 1];
    let cut = (1..ranked.len())
        .filter(|at| ranked[at - 1] > 0.0)
        .max_by(|a, b| ratio(a).total_cmp(&ratio(b)))
        .filter(|at| ratio(at) > GROUPS_APART)?;
    let parted: Vec<&[f64]> = starts.chunk_by(|a, b| b - a < ranked[cut]).collect();
    let sizes = || parted.iter().map(|group| group.len() as u64);
    let firsts: Vec<f64> = parted.iter().map(|group| group[0]).collect();
    let rhythm =
        rhythm(&firsts).filter(|rhythm| firsts.len() > FEWEST && rhythm.irregularity < REGULAR)?;
    Some(WakeGroups {
        count: parted.len() as u64,
        least: sizes().min()?,
        most: sizes().max()?,
        period_s: rhythm.period_s,
        jitter_s: rhythm.jitter_s,
        apart_s: middle(&ranked[..cut])?,
    })
}

/// Marks the jitters that may be the sampling's own. Each start of a momentary reading is known to within its
/// interval, which makes `Δ/√6` of two of them; a meter that averages adds less. A rhythm that keeps step with the
/// sampling shows less, and hides as much: none is told below it.
pub(super) fn mark_jitter(kinds: &mut [WakeSeries], interval_s: f64) {
    let sampling_s = interval_s / 6.0f64.sqrt();
    for kind in kinds.iter_mut().filter(|kind| kind.regular) {
        let known_s = |s: &f64| *s >= BEYOND_SAMPLING * sampling_s;
        kind.jitter_at_most = kind.jitter_s.is_some_and(|s| !known_s(&s));
        kind.jitter_s = kind.jitter_s.map(|s| s.max(sampling_s));
    }
}

/// The summary of all wakes, with the rhythm of the most frequent series.
pub(super) fn summary(
    series: &[WakeSeries],
    wakes: &[Wake],
    share_of_charge: f64,
) -> Option<Wakes> {
    let first = series.first()?;
    let alone: Vec<f64> = wakes.iter().filter(|w| !w.met).map(|wake| wake.charge_ah).collect();
    let charges = match alone.len() {
        0..FEWEST => wakes.iter().map(|wake| wake.charge_ah).collect(),
        _ => alone,
    };
    Some(Wakes {
        count: wakes.len() as u64,
        period_s: first.period_s,
        period_sd_s: first.jitter_s,
        width_s: first.width_s,
        peak_a: first.peak_a,
        charge_each_ah: Moments::of(&charges)?.mean,
        share_of_charge,
    })
}
