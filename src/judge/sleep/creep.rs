//! Whether the floor creeps, steps, or only the meter's zero moves.

use super::Night;
use super::floor::{FEWEST, Rest, count_a, rest};
use super::levels::Level;
use crate::findings::{Creep, CreepAnswer};
use crate::judge::words::at;
use crate::loads::{self, Stay};
use crate::numeric::{
    Quantity, coverage_factor_95, resolution, resolution_of_mean, student_quantile,
};

/// Chance that a floor which holds is said to creep.
const CREEP_RISK: f64 = 0.001;

/// A stay is cut into parts of this share of the time from the first to the last, so that the floor
/// shows how it wanders, and neighbours are joined from this many parts on.
const PART: f64 = 1.0 / 48.0;
const PARTS: usize = 384;

/// The stays in parts of about one length.
fn parts(night: &Night<'_>, visits: &[Rest]) -> Vec<Rest> {
    let Some((first, last)) = visits.first().zip(visits.last()) else { return Vec::new() };
    let part_s = PART * (last.middle_s - first.middle_s + 0.5 * (last.length_s + first.length_s));
    let cut = |visit: &Rest| {
        let most = ((visit.end - visit.first) / FEWEST).max(1);
        let count = ((visit.length_s / part_s).round() as usize).clamp(1, most);
        let edge = |at: usize| visit.first + (visit.end - visit.first) * at / count;
        if count == 1 {
            return vec![*visit];
        }
        (0..count).map(|at| rest(night, edge(at), edge(at + 1))).collect()
    };
    let cut: Vec<Rest> = visits.iter().flat_map(cut).collect();
    cut.chunks(cut.len().div_ceil(PARTS).max(1)).map(joined).collect()
}

/// Neighbouring stays as one.
fn joined(stays: &[Rest]) -> Rest {
    let (first, last) = (stays[0], stays[stays.len() - 1]);
    let length_s: f64 = stays.iter().map(|stay| stay.length_s).sum();
    let mean = |of: &dyn Fn(&Rest) -> f64| {
        stays.iter().map(|s| s.length_s * of(s)).sum::<f64>() / length_s
    };
    Rest {
        first: first.first,
        end: last.end,
        middle_s: mean(&|stay| stay.middle_s),
        length_s,
        mean_a: mean(&|stay| stay.mean_a),
        u_a: stays.iter().map(|s| (s.length_s * s.u_a).powi(2)).sum::<f64>().sqrt() / length_s,
    }
}

/// Slope of the floor, zero removed, by least squares over its stays, weighted by their time.
struct Move {
    a_per_h: f64,
    /// Its standard uncertainty from the stays' scatter about it.
    u_a_per_h: f64,
    /// And from their noise alone.
    noise_a_per_h: f64,
    /// Square deviations about it, weighted likewise.
    left: f64,
    seen: bool,
}

fn moves(visits: &[Rest]) -> Option<Move> {
    let time_s: f64 = visits.iter().map(|visit| visit.length_s).sum();
    let mean =
        |f: &dyn Fn(&Rest) -> f64| visits.iter().map(|v| v.length_s * f(v)).sum::<f64>() / time_s;
    let (centre_s, centre_a) = (mean(&|v| v.middle_s), mean(&|v| v.mean_a));
    let spread = mean(&|v| (v.middle_s - centre_s).powi(2));
    if visits.len() < 3 || spread <= 0.0 {
        return None;
    }
    let slope = mean(&|v| (v.middle_s - centre_s) * (v.mean_a - centre_a)) / spread;
    let rest = mean(&|v| (v.mean_a - centre_a - slope * (v.middle_s - centre_s)).powi(2));
    let degrees = visits.len() as f64 - 2.0;
    let u = (rest / (spread * degrees)).sqrt();
    let noise = (mean(&|v| v.u_a.powi(2)) / (spread * visits.len() as f64)).sqrt();
    Some(Move {
        a_per_h: 3600.0 * slope,
        u_a_per_h: 3600.0 * u,
        noise_a_per_h: 3600.0 * noise,
        left: rest * time_s,
        seen: slope.abs() > student_quantile(1.0 - 0.5 * CREEP_RISK, Some(degrees)) * u,
    })
}

/// A step leaves less than this share of what a line leaves of the stays' scatter: of a zero's swing it leaves more.
const STEPS: f64 = 0.25;

/// When and by how much the floor stepped, where one step tells its stays far better than a line. O(stays²).
fn step(visits: &[Rest], moved: &Move) -> Option<(f64, f64)> {
    let scatter = |stays: &[Rest]| {
        let mean_a = joined(stays).mean_a;
        stays.iter().map(|stay| stay.length_s * (stay.mean_a - mean_a).powi(2)).sum::<f64>()
    };
    let splits = FEWEST..visits.len().saturating_sub(FEWEST - 1);
    let (left, at) = splits
        .map(|at| (scatter(&visits[..at]) + scatter(&visits[at..]), at))
        .min_by(|a, b| a.0.total_cmp(&b.0))?;
    let step_a = joined(&visits[at..]).mean_a - joined(&visits[..at]).mean_a;
    let time_s = 0.5 * (visits[at - 1].middle_s + visits[at].middle_s);
    (moved.seen && left < STEPS * moved.left).then_some((time_s, step_a))
}

/// What the noise of the first and the last zero check leaves on a slope, ampere an hour.
fn noise_of_checks_a_per_h(checks: &[Stay]) -> f64 {
    let Some((first, last)) = checks.first().zip(checks.last()) else { return 0.0 };
    let own_a = |check: &Stay| check.noise_a.hypot(check.rounding_a);
    let span_s = (last.start_s - first.start_s).max(f64::MIN_POSITIVE);
    3600.0 * own_a(first).hypot(own_a(last)) / span_s
}

/// The zero checks as stretches with levels of their own, the zero not removed.
fn checks(night: &Night<'_>) -> Vec<Stay> {
    let segments = &night.segmentation.segments;
    let floor_a = night.segmentation.noise.floor_a;
    let checks = night.loads.zero.checks.iter().map(|check| {
        let at = segments.partition_point(|segment| segment.end_s <= check.time_s);
        let own = segments.get(at).filter(|segment| segment.start_s <= check.time_s);
        Stay {
            start_s: own.map_or(check.time_s, |segment| segment.start_s),
            end_s: own.map_or(check.time_s, |segment| segment.end_s),
            level_a: night.sign * check.reading_a,
            noise_a: own.map_or(floor_a, |segment| segment.standard_uncertainty_a),
            rounding_a: rounding_a(night, own.map_or(0.0, |segment| segment.noise_a)),
            zero: true,
        }
    });
    checks.collect()
}

/// What rounding leaves on a mean of readings that scatter by `noise_a`, ampere.
fn rounding_a(night: &Night<'_>, noise_a: f64) -> f64 {
    let count_a = count_a(night);
    let before_a2 = noise_a.powi(2) - resolution(count_a).powi(2);
    resolution_of_mean(count_a, before_a2.max(0.0).sqrt())
}

/// A doubt of the creep that is this many times what noise makes of it is the zero's wander.
const WANDERS: f64 = 4.0;

/// Share of the capture that is left out at either end to see whether the floor creeps without it,
const END: f64 = 0.25;
/// and the share of the slope that is then left of an even one.
const EVEN: f64 = 0.5;

/// Whether the slope is there without the first and without the last quarter of the stays too, as that of
/// an even creep is. The checks stay.
fn is_even(all: &[Stay], prior_a: Option<f64>, a_per_s: f64) -> bool {
    let (Some(first), Some(last)) = (all.first(), all.last()) else { return false };
    let (from_s, length_s) = (first.start_s, last.end_s - first.start_s);
    let share = |stay: &Stay| (0.5 * (stay.start_s + stay.end_s) - from_s) / length_s;
    let left = |kept: &dyn Fn(f64) -> bool| {
        let some: Vec<Stay> =
            all.iter().filter(|stay| stay.zero || kept(share(stay))).copied().collect();
        loads::creep(&some, prior_a).is_none_or(|left| left.a_per_s / a_per_s >= EVEN)
    };
    left(&|share| share >= END) && left(&|share| share <= 1.0 - END)
}

/// Whether the floor creeps. A slope is the equipment's only where it exceeds what the meter's zero may
/// have done meanwhile: with two zero checks the floor and they tell that together
/// ([`loads::creep`]); without them nothing does.
pub(super) fn of(night: &Night<'_>, rests: &[Rest], levels: &[Level], noise_a: f64) -> Creep {
    let visits = parts(night, rests);
    let undecidable = |moved: Option<&Move>, text: String| Creep {
        slope_a_per_h: moved.map(|moved| moved.a_per_h),
        standard_uncertainty_a_per_h: moved.map(|moved| moved.u_a_per_h),
        answer: CreepAnswer::Undecidable,
        text,
    };
    let Some(moved) = moves(&visits) else {
        return undecidable(None, "Too few stays asleep to see a creep of the floor.".to_owned());
    };
    let stepped = levels
        .windows(2)
        .next()
        .map(|two| (two[1].start_s, two[1].floor.value_a - two[0].floor.value_a, levels.len() - 2));
    let stepped = stepped.or_else(|| step(&visits, &moved).map(|(at_s, by_a)| (at_s, by_a, 0)));
    if let Some((at_s, by_a, others)) = stepped {
        let again = match others {
            0 => "kept to it".to_owned(),
            1 => "once more later".to_owned(),
            n => format!("{n} times more later"),
        };
        return undecidable(
            Some(&moved),
            format!(
                "The floor stepped by {} {} and {again}, which is no creep: the equipment draws another current \
                 from then on, or the clamp was moved.",
                Quantity::amperes(by_a),
                at(night.start, at_s)
            ),
        );
    }
    let mut all = checks(night);
    let noise_a_per_h = moved.noise_a_per_h.hypot(noise_of_checks_a_per_h(&all));
    let rounding_a = rounding_a(night, noise_a);
    // The zero left in.
    let read = |visit: &Rest| visit.mean_a + night.loads.zero.at(visit.middle_s);
    let raw: Vec<Rest> = visits.iter().map(|v| Rest { mean_a: read(v), ..*v }).collect();
    all.extend(raw.iter().map(|visit| Stay {
        start_s: visit.middle_s - 0.5 * visit.length_s,
        end_s: visit.middle_s + 0.5 * visit.length_s,
        level_a: visit.mean_a,
        noise_a: visit.u_a,
        rounding_a,
        zero: false,
    }));
    all.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    let tolerance_a = night.sheet.meter.and_then(|meter| meter.zero_return_tolerance_a);
    let prior_a = tolerance_a.map(|a| a / 3.0);
    let Some(held) = loads::creep(&all, prior_a) else {
        let what = match moved.seen {
            true => format!("moves by {} an hour", Quantity::amperes(moved.a_per_h)),
            false => "does not move beyond its doubt".to_owned(),
        };
        return undecidable(
            Some(&moved),
            format!(
                "The floor {what}; how much of that is the equipment's creep and how much the drift of \
                 the meter's zero cannot be told without a zero check at both ends."
            ),
        );
    };
    let (slope_a_per_h, u_a_per_h) =
        (3600.0 * held.a_per_s, 3600.0 * held.standard_uncertainty_a_per_s);
    let degrees = held.degrees_of_freedom;
    let seen = slope_a_per_h.abs() > student_quantile(1.0 - 0.5 * CREEP_RISK, degrees) * u_a_per_h;
    let doubt = Quantity::amperes(coverage_factor_95(degrees) * u_a_per_h);
    let (answer, text) = if seen && !is_even(&all, prior_a, held.a_per_s) {
        (
            CreepAnswer::Undecidable,
            "The floor moved in a part of the capture only, as under a panel's charge at dusk and dawn: \
             whether it creeps cannot be told."
                .to_owned(),
        )
    } else if seen && !moves(&raw).is_some_and(|raw| raw.seen) {
        (
            CreepAnswer::Undecidable,
            "Whether the floor creeps cannot be told: the zero moved from check to check, yet the readings asleep \
             stood still. The zero may have jumped when the clamp was put back."
                .to_owned(),
        )
    } else if seen {
        let slope = Quantity::amperes(slope_a_per_h);
        (
            CreepAnswer::Creeps,
            format!(
                "The floor creeps by {slope} an hour (± {doubt}), more than the meter's zero can have \
                 moved beside its checks."
            ),
        )
    } else if u_a_per_h > WANDERS * noise_a_per_h {
        (
            CreepAnswer::Undecidable,
            format!(
                "Whether the floor creeps cannot be told: the meter's zero may have wandered beside its \
                 checks, which leaves ± {doubt} an hour in doubt."
            ),
        )
    } else {
        (
            CreepAnswer::Steady,
            format!("The floor does not creep beyond its doubt, ± {doubt} an hour."),
        )
    };
    Creep {
        slope_a_per_h: Some(slope_a_per_h),
        standard_uncertainty_a_per_h: Some(u_a_per_h),
        answer,
        text,
    }
}
