//! Where nothing is powered, what the meter showed there, and whether it is to be believed.

use super::ZeroModel;
use super::doubt;
use super::phases::Row;
use super::solve::{Column, Fit};
use super::timeline::Timeline;
use super::uncertainty::Meter;
use crate::findings::ZeroCheck;
use crate::numeric::{Quantity, rectangular};

/// A clamp that comes back to within this of zero will do for loads of some 100 mA (common practice, no source).
pub(super) const CLAMP_RETURN_A: f64 = 0.015;
/// Straight pieces that a bowed zero is handed on in: 1/256 of its bow off at most.
const CURVE_PARTS: f64 = 16.0;
/// A zero that moves by more than this many times what the lead carries is doubted.
const BELIEVED: f64 = 2.0;
/// A zero this many standard uncertainties from a check's reading is not the zero.
const FAR: f64 = 4.0;
/// Levels further apart than this many standard uncertainties differ plainly.
const CLEAR: f64 = 6.0;
/// A zero is good for loads this many times its error.
const SMALL_SHARE: f64 = 0.1;

/// Tolerance on a zero reading, and whether the job sheet gave it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Tolerance {
    pub(super) half_width_a: f64,
    pub(super) given: bool,
}

impl Tolerance {
    /// The job sheet's, or the lesser of common practice and a tenth of the middle step, and a count at
    /// least. What parts two stretches on either side of a third is no step, and what their uncertainty
    /// explains is none either.
    pub(super) fn new(given_a: Option<f64>, rows: &[Row], count_a: f64) -> Self {
        if let Some(half_width_a) = given_a {
            return Self { half_width_a, given: true };
        }
        let step_a = |pair: &[Row]| {
            let (before, after) = (&pair[0], &pair[1]);
            let adjoin = after.segment == before.segment + 1;
            let step_a = (after.level_a - before.level_a).abs();
            (adjoin && step_a > CLEAR * before.u_a.hypot(after.u_a)).then_some(step_a)
        };
        let mut steps: Vec<f64> = rows.windows(2).filter_map(step_a).collect();
        steps.sort_by(f64::total_cmp);
        let middle_a = steps.get(steps.len() / 2).copied().unwrap_or(0.0);
        Self { half_width_a: CLAMP_RETURN_A.min(SMALL_SHARE * middle_a).max(count_a), given: false }
    }

    /// Never finer than the zero checks themselves are known, unless the job sheet gave it.
    pub(super) fn of_checks(self, rows: &[Row]) -> Self {
        let checks = rows.iter().filter(|row| row.zero);
        let own_a = checks.map(|row| 2.0 * row.u_a).fold(0.0, f64::max);
        match self.given {
            true => self,
            false => Self { half_width_a: self.half_width_a.max(own_a), ..self },
        }
    }
}

/// Marks the rows of listed zero checks; returns the lines for which none was found.
///
/// A check is the stretch that the events stage found for it; else the steady stretch near its line
/// that lies nearest to zero, as long as no other stretch of the capture lies much nearer. Where
/// other checks were found, that one must fall below what lies beside it, or to their level: a low
/// draw within the tolerance is none.
pub(super) fn mark_listed(rows: &mut [Row], timeline: &Timeline, tolerance: Tolerance) -> Vec<f64> {
    let nearest_a = rows.iter().map(|row| row.level_a.abs()).fold(f64::MAX, f64::min);
    let mut missed = Vec::new();
    let mut open = Vec::new();
    for line in &timeline.zeros {
        match line.segment.and_then(|at| rows.iter().position(|row| row.segment == at)) {
            Some(k) => rows[k].zero = true,
            None => open.push(line),
        }
    }
    let found: Vec<Row> = rows.iter().filter(|row| row.zero).copied().collect();
    let plainly = |a: &Row, b: &Row| a.level_a - b.level_a > CLEAR * a.u_a.hypot(b.u_a);
    for line in open {
        let (from_s, to_s) = if line.tied {
            (line.time_s, line.time_s + line.slack_s)
        } else {
            (line.time_s - line.slack_s, line.time_s + line.slack_s)
        };
        let best = (0..rows.len())
            .filter(|&k| rows[k].start_s <= to_s && rows[k].end_s >= from_s)
            .filter(|&k| !line.tied || rows[k].end_s > line.time_s)
            .min_by(|&a, &b| rows[a].level_a.abs().total_cmp(&rows[b].level_a.abs()));
        let limit_a = 2.0 * tolerance.half_width_a.max(0.0);
        match best {
            Some(k) if rows[k].level_a.abs() <= nearest_a + limit_a + CLEAR * rows[k].u_a => {
                let beside = [k.checked_sub(1), Some(k + 1)].into_iter().flatten();
                let falls =
                    beside.filter_map(|i| rows.get(i)).all(|other| plainly(other, &rows[k]));
                if found.is_empty() || falls || !found.iter().all(|check| plainly(&rows[k], check))
                {
                    rows[k].zero = true;
                } else {
                    missed.push(line.time_s);
                }
            }
            _ => missed.push(line.time_s),
        }
    }
    for row in rows.iter_mut() {
        row.interrupted = row.zero;
    }
    missed
}

/// Marks stretches in which every listed load is off and the level is near zero.
pub(super) fn mark_found(rows: &mut [Row], timeline: &Timeline, tolerance: Tolerance) {
    if timeline.loads.is_empty() {
        return;
    }
    for row in rows.iter_mut() {
        let off = timeline.all_off(row.start_s, row.end_s);
        row.zero = off && row.level_a.abs() <= tolerance.half_width_a + 2.0 * row.u_a;
    }
}

/// Everything that the zero's answer needs.
pub(super) struct Circumstances<'a> {
    pub(super) rows: &'a [Row],
    pub(super) listed: bool,
    pub(super) missed_s: &'a [f64],
    pub(super) tolerance: Tolerance,
    pub(super) meter: Meter,
    pub(super) sign: f64,
    pub(super) start_s: f64,
    pub(super) end_s: f64,
}

/// The zero model of a solved capture. `fit_rows` are the rows that the fit used, in order.
pub(super) fn model(at: &Circumstances<'_>, fit: &Fit, fit_rows: &[usize]) -> ZeroModel {
    let checks: Vec<usize> = (0..fit_rows.len()).filter(|&k| at.rows[fit_rows[k]].zero).collect();
    if checks.is_empty() {
        return without_check(at);
    }
    let zero_a = fit.zero_a();
    let time_s = |k: usize| fit.design.rows.middle_s(k);
    let offset = fit.column(Column::Offset).map_or(0.0, |j| fit.beta[j]);
    let drift = fit.column(Column::Drift).map(|j| fit.beta[j]);
    let span_s = at.end_s - at.start_s;
    let wander_a = fit.wander.move_a2(0.0, span_s).sqrt();
    let check_u = |k: usize| fit.design.rows.independent_a2(k, fit.noise_scale).sqrt();
    let finest_a = checks.iter().map(|&k| check_u(k)).fold(f64::MAX, f64::min);
    let bow = fit.column(Column::Bow).map(|j| fit.beta[j]);
    let smooth_a =
        |t: f64| offset + drift.unwrap_or(0.0) * t + bow.unwrap_or(0.0) * fit.design.rows.bow(t);
    let spread_a =
        checks.iter().map(|&k| (zero_a[k] - smooth_a(time_s(k))).abs()).fold(0.0, f64::max);
    // Piecewise when the wander carries the zero clearly away from its constant or line.
    let piecewise = checks.len() > 1 && spread_a > 2.0 * finest_a && wander_a > finest_a;
    let through = |at_a: &dyn Fn(usize) -> f64| {
        let knots: Vec<(f64, f64)> = checks.iter().map(|&k| (time_s(k), at_a(k))).collect();
        let (first, last) = (knots[0], knots[knots.len() - 1]);
        let slope = (last.1 - first.1) / (last.0 - first.0);
        (knots, Some(slope * 3600.0), "from check to check")
    };
    let (knots, drift_a_per_h, shape) = if piecewise {
        through(&|k| zero_a[k])
    } else if bow.is_some() {
        let part_s = (at.end_s - at.start_s) / CURVE_PARTS;
        let knots: Vec<(f64, f64)> = (0..=CURVE_PARTS as usize)
            .map(|i| at.start_s + part_s * i as f64)
            .map(|t| (t, smooth_a(t)))
            .collect();
        (knots, drift.map(|drift| drift * 3600.0), "as a bowed line")
    } else if let Some(drift) = drift {
        let ends = [at.start_s, at.end_s];
        (ends.map(|t| (t, offset + drift * t)).to_vec(), Some(drift * 3600.0), "as a straight line")
    } else {
        let drift = (checks.len() > 1).then_some(0.0);
        let pulled: f64 = checks.iter().map(|&k| zero_a[k]).sum::<f64>() / checks.len() as f64;
        let level = if checks.len() > 1 { offset } else { pulled };
        (vec![(at.start_s, level)], drift, "as a constant")
    };
    // At a check the zero is what the readings there say, whatever the rest of the capture makes of it.
    let level_a = |k: usize| fit.design.level_a[k];
    let own_u_a = |k: usize| fit.design.rows.independent_a2(k, 1.0).sqrt();
    let smooth = ZeroModel { knots, ..ZeroModel::default() };
    let off_a = |k: usize| level_a(k) - smooth.at(time_s(k));
    let holds = checks.iter().all(|&k| off_a(k).abs() <= FAR * own_u_a(k));
    let (knots, drift_a_per_h, shape) = match checks[..] {
        _ if holds => (smooth.knots, drift_a_per_h, shape),
        [only] => {
            let moved_a = off_a(only);
            let knots = smooth.knots.iter().map(|(t, a)| (*t, a + moved_a)).collect();
            (knots, drift_a_per_h, shape)
        }
        _ => through(&level_a),
    };
    let mut zero = ZeroModel { knots, drift_a_per_h, ..ZeroModel::default() };
    zero.offset_a = Some(zero.at(at.start_s));
    zero.checks = checks
        .iter()
        .map(|&k| {
            let level_a = fit.design.level_a[k];
            ZeroCheck {
                time_s: time_s(k),
                reading_a: at.sign * level_a,
                residual_a: level_a - zero.at(time_s(k)),
                within_tolerance: level_a.abs() <= at.tolerance.half_width_a,
                listed: at.listed,
            }
        })
        .collect();
    let carried_a = (0..fit_rows.len())
        .filter(|&k| !at.rows[fit_rows[k]].zero)
        .map(|k| (level_a(k) - zero.at(time_s(k))).abs())
        .reduce(f64::max);
    let knots_a = || zero.knots.iter().map(|knot| knot.1);
    let moved_a = knots_a().fold(f64::MIN, f64::max) - knots_a().fold(f64::MAX, f64::min);
    let believable = carried_a.is_none_or(|carried_a| moved_a <= BELIEVED * carried_a);
    zero.trusted =
        believable && at.missed_s.is_empty() && zero.checks.iter().all(|c| c.within_tolerance);

    let doubts = doubt::of(&zero, fit, at.end_s);
    let rest_a = zero.checks.iter().map(|c| c.residual_a.abs()).fold(0.0, f64::max);
    let df = fit.wander_df.map(|df| df.max(2.0));
    let rounding = crate::numeric::resolution(at.meter.resolution_a);
    let own_a = 2.0 * rectangular(at.meter.counts_a).hypot(rounding);
    zero.standard_uncertainty_a = Some(doubts.worst.standard_a().hypot(rest_a));
    let mean_a = doubts.mean.expanded_a(df);
    zero.mean_expanded_a = Some(mean_a);
    zero.mean_trusted_to_a = Some(mean_a.hypot(own_a));
    let trusted_to_a = doubts.worst.expanded_a(df).hypot(2.0 * rest_a).hypot(own_a);
    zero.trusted_to_a = Some(trusted_to_a);
    zero.answer = if believable {
        answer(at, &zero, shape, trusted_to_a)
    } else {
        format!(
            "No: the zero would have moved by {}, more than anything on the lead draws: lines of the list may \
             lie on the wrong steps.",
            rounded(moved_a)
        )
    };
    zero
}

/// Two significant digits without idle zeros: `15 mA`, `4.1 mA`.
fn rounded(value_a: f64) -> String {
    if value_a == 0.0 {
        return "0 A".to_owned();
    }
    let step = 10f64.powf(value_a.abs().log10().floor() - 1.0);
    let text = Quantity::amperes((value_a / step).round() * step).to_string();
    match text.split_once(' ') {
        Some((number, unit)) if number.contains('.') => {
            format!("{} {unit}", number.trim_end_matches('0').trim_end_matches('.'))
        }
        _ => text,
    }
}

fn answer(at: &Circumstances<'_>, zero: &ZeroModel, shape: &str, trusted_to_a: f64) -> String {
    let count = zero.checks.len();
    let checks =
        if count == 1 { "1 zero check".to_owned() } else { format!("{count} zero checks") };
    let found = if at.listed { "" } else { " (found in the readings: every listed load off)" };
    let to = rounded(trusted_to_a);
    let tolerance = rounded(at.tolerance.half_width_a);
    let source = if at.tolerance.given {
        String::new()
    } else {
        " (taken from common practice: the job sheet gives no tolerance)".to_owned()
    };
    let worst = zero.checks.iter().max_by(|a, b| a.reading_a.abs().total_cmp(&b.reading_a.abs()));
    let Some(worst) = worst else { return String::new() };
    let reading = rounded(worst.reading_a);
    let removed = format!("the zero was removed {shape}, and levels can be trusted to ± {to}");
    let drift = match zero.drift_a_per_h {
        Some(drift) if drift != 0.0 && shape != "as a constant" => {
            format!(" It moved by {} an hour.", rounded(drift))
        }
        Some(_) => String::new(),
        None => " One check cannot show drift: check once more at the end.".to_owned(),
    };
    if zero.trusted {
        return format!(
            "Yes: {checks}{found}, the farthest reading {reading}, all within {tolerance}{source}; {removed}.{drift}"
        );
    }
    if !at.missed_s.is_empty() && zero.checks.iter().all(|c| c.within_tolerance) {
        return format!(
            "In part: {checks} within {tolerance}{source}, but {} listed zero check(s) show no stretch \
             near zero; {removed}.{drift}",
            at.missed_s.len()
        );
    }
    format!(
        "No: {checks}{found}, and the meter showed {reading} with nothing powered, more than {tolerance}{source}; \
         {removed} if the zero moved evenly between the checks.{drift}"
    )
}

/// The zero of a capture in which nothing shows it.
pub(super) fn without_check(at: &Circumstances<'_>) -> ZeroModel {
    let tolerance = rounded(at.tolerance.half_width_a);
    let off = if at.tolerance.given {
        format!("up to the {tolerance} that the job sheet allows, or more")
    } else {
        "up to some 15 mA with a clamp (common practice)".to_owned()
    };
    let missed = if at.missed_s.is_empty() {
        "no zero check was made".to_owned()
    } else {
        "no stretch near zero was found where the list has a zero check".to_owned()
    };
    ZeroModel {
        answer: format!(
            "Not shown: {missed}. Every level, however low, and the charge may be off by the \
             meter's unseen zero, {off}; the draw of a load that was switched on or off is a \
             difference and stands."
        ),
        ..ZeroModel::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Stretches of these levels known to 5 µA, each next to the one before unless a wake parts them.
    fn rows(levels: &[(f64, bool)]) -> Vec<Row> {
        let mut segment = 0;
        let row = |&(level_a, parted): &(f64, bool)| {
            segment += if parted { 2 } else { 1 };
            let start_s = 600.0 * f64::from(segment as u32);
            Row {
                segment,
                start_s,
                end_s: start_s + 500.0,
                level_a,
                u_a: 5e-6,
                rounding_a: 0.0,
                zero: level_a < 0.005,
                interrupted: false,
            }
        };
        levels.iter().map(row).collect()
    }

    /// A floor of 12 mA between two checks, 40 wakes on it: two steps of 12 mA, and noise (5 µA) or a
    /// wander of 100 µA from stay to stay.
    #[test]
    fn a_tolerance_that_nobody_gave_is_of_the_steps_and_not_of_the_noise() {
        for wander_a in [5e-6, 1e-4] {
            let mut levels = vec![(0.001, false), (0.013, false)];
            levels.extend((0..40).map(|at| (0.013 + wander_a * f64::from(at % 2), true)));
            levels.extend([(0.013, true), (0.001, false)]);
            let rows = rows(&levels);
            let tolerance = Tolerance::new(None, &rows, 1e-4);
            approx::assert_relative_eq!(tolerance.half_width_a, 0.0012, max_relative = 1e-9);
            assert_eq!(Tolerance::new(None, &rows, 0.002).half_width_a, 0.002);
            assert_eq!(Tolerance::new(Some(1e-6), &rows, 0.002).half_width_a, 1e-6);
        }
    }

    #[test]
    fn a_tolerance_that_nobody_gave_is_no_finer_than_the_checks() {
        let mut rows = rows(&[(0.0001, false), (0.0101, false)]);
        rows[0].u_a = 0.002;
        rows[1].u_a = 1e-5;
        let new = |given_a| Tolerance::new(given_a, &rows, 0.0).of_checks(&rows).half_width_a;
        assert_eq!(new(None), 0.004);
        assert_eq!(new(Some(0.001)), 0.001);
    }
}
