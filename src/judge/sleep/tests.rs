//! Sleep behaviour of hand-made captures whose truth is known by construction.

use super::super::Risk;
use super::*;
use crate::findings::{Creep, CreepAnswer, SegmentKind, SleepVerdict, Verdict, ZeroCheck};
use crate::jobsheet::SleepLimits;
use crate::loads::ZeroModel;
use crate::segment::{Level, NoiseModel, Segment};

/// Lengths (seconds), levels (ampere) and kinds at one sample a second.
fn capture(parts: &[(usize, f64, SegmentKind)]) -> (Samples, Segmentation) {
    let mut current_a = Vec::new();
    let mut segments = Vec::new();
    let mut levels: Vec<f64> =
        parts.iter().filter(|part| part.2 == SegmentKind::Steady).map(|part| part.1).collect();
    levels.sort_by(f64::total_cmp);
    levels.dedup();
    for (seconds, level_a, kind) in parts {
        let first = current_a.len();
        current_a.extend(std::iter::repeat_n(*level_a, *seconds));
        segments.push(Segment {
            first,
            end: current_a.len(),
            start_s: first as f64,
            end_s: current_a.len() as f64,
            mean_a: *level_a,
            noise_a: 1e-4,
            effective_samples: *seconds as f64,
            standard_uncertainty_a: 1e-4 / (*seconds as f64).sqrt(),
            kind: *kind,
            state: (*kind == SegmentKind::Steady)
                .then(|| levels.iter().position(|level| level == level_a).unwrap()),
        });
    }
    let states = levels
        .iter()
        .map(|level| Level { mean_a: *level, noise_a: 1e-4, time_s: 1.0, charge_c: 1.0 })
        .collect();
    let noise =
        NoiseModel { sigma_a: 1e-4, phi: 0.0, floor_a: 1e-5, by_level: vec![], spikes: vec![] };
    let len = current_a.len();
    let time = TimeAxis::Uniform { interval_s: 1.0, len };
    let samples = Samples { time, current_a };
    (samples, Segmentation { noise, segments, steps: vec![], states, held: None })
}

fn no_loads(zero: ZeroModel) -> LoadsFound {
    LoadsFound {
        zero,
        loads: vec![],
        base_a: None,
        accounted_a: vec![],
        on: vec![],
        turned: false,
        cautions: vec![],
    }
}

fn logged(samples: &Samples) -> Logged<'_> {
    Logged { samples, gaps: &[], start: None }
}

fn night(
    parts: &[(usize, f64, SegmentKind)],
    sheet: &JobSheet,
) -> Option<(SleepFindings, Option<Wakes>)> {
    let (samples, segmentation) = capture(parts);
    let loads = no_loads(ZeroModel::default());
    assess(logged(&samples), &segmentation, None, &loads, sheet, Risk::default())
}

use SegmentKind::{Burst, Steady};

/// `wakes` bursts of 5 s at 150 mA every 100 s over a floor of 10 mA.
fn regular(wakes: usize) -> Vec<(usize, f64, SegmentKind)> {
    let mut parts = vec![(60, 0.010, Steady)];
    for _ in 0..wakes {
        parts.extend([(5, 0.150, Burst), (95, 0.010, Steady)]);
    }
    parts
}

/// Seconds from the last activity to sleep of a load that draws 150 mA for 40 s, then `then_a` for 60 s.
fn time_to_sleep_s(then_a: f64) -> f64 {
    let mut parts = vec![(60, 0.010, Steady), (40, 0.150, Steady), (60, then_a, Steady)];
    parts.extend(regular(8));
    let (samples, mut segmentation) = capture(&parts);
    let pairs = segmentation.segments.windows(2);
    segmentation.steps = pairs
        .map(|pair| crate::segment::Step {
            index: pair[1].first,
            time_s: pair[1].start_s,
            time_low_s: pair[1].start_s,
            time_high_s: pair[1].start_s,
            delta_a: pair[1].mean_a - pair[0].mean_a,
            standard_uncertainty_a: 1e-5,
            score: 0.9,
        })
        .collect();
    let loads = no_loads(ZeroModel::default());
    let sheet = JobSheet::default();
    let (found, _) =
        assess(logged(&samples), &segmentation, None, &loads, &sheet, Risk::default()).unwrap();
    found.longest_time_to_sleep_s.unwrap()
}

/// `stays` between 10 and 310 mA, spread evenly by `fraction`; of one state where they lie in the same fifth, as a
/// clustering has it.
fn at_random(stays: usize, fraction: impl Fn(usize) -> f64) -> (Samples, Segmentation) {
    let parts: Vec<(usize, f64, SegmentKind)> =
        (0..stays).map(|k| (100, 0.010 + 0.300 * fraction(k), Steady)).collect();
    let (samples, mut segmentation) = capture(&parts);
    for (k, segment) in segmentation.segments.iter_mut().enumerate() {
        segment.state = Some((5.0 * fraction(k)) as usize);
    }
    segmentation.states.truncate(5);
    (samples, segmentation)
}

/// Of levels that are never come back to, none is a floor; one that is stays it, among as many others.
#[test]
fn what_visits_levels_at_random_does_not_sleep() {
    let loads = no_loads(ZeroModel::default());
    let sheet = JobSheet::default();
    let of = |(samples, segmentation): (Samples, Segmentation)| {
        assess(logged(&samples), &segmentation, None, &loads, &sheet, Risk::default())
    };
    let golden = |k: usize| (k as f64 * 0.618_034).fract();
    let [never, returns] = [of(at_random(300, golden)), {
        of(at_random(300, |k| if k % 2 == 0 { 0.0 } else { 0.2 + 0.8 * golden(k) }))
    }];
    assert!(never.is_none(), "{never:?}");
    let floor_a = returns.unwrap().0.floor_a;
    approx::assert_relative_eq!(floor_a, 0.010, max_relative = 1e-6);
}

/// Levels each near the one before, of one state where they lie in the same 20 mA: of few stays and of many the lowest
/// is no floor. It is where every other one is it.
#[test]
fn what_walks_from_level_to_level_does_not_sleep() {
    let loads = no_loads(ZeroModel::default());
    let sheet = JobSheet::default();
    for stays in [24, 60, 300] {
        let of = |returns: bool| {
            let mut level_a = 0.200;
            let levels: Vec<f64> = (0..stays)
                .map(|k| {
                    // Turned back at 5 mA and at 400 mA.
                    level_a += 0.080 * ((f64::from(k) * 0.618_034).fract() - 0.5);
                    level_a += 0.030 * (f64::from(k) * 0.7).sin();
                    level_a = 0.005 + (level_a - 0.005_f64).abs();
                    level_a = 0.400 - (0.400_f64 - level_a).abs();
                    if returns && k % 2 == 0 { 0.004 } else { level_a }
                })
                .collect();
            let parts: Vec<_> = levels.iter().map(|level_a| (100, *level_a, Steady)).collect();
            let (samples, mut segmentation) = capture(&parts);
            for (segment, level_a) in segmentation.segments.iter_mut().zip(&levels) {
                segment.state = Some((level_a / 0.020) as usize);
            }
            segmentation.states.resize(21, segmentation.states[0].clone());
            assess(logged(&samples), &segmentation, None, &loads, &sheet, Risk::default())
        };
        let never = of(false);
        assert!(never.is_none(), "{stays}: {never:?}");
        let floor_a = of(true).unwrap().0.floor_a;
        approx::assert_relative_eq!(floor_a, 0.004, max_relative = 1e-6);
    }
}

/// Asleep for 10 s after every 45 s awake: the one stay at the floor that is not short is the first, or there is none.
#[test]
fn what_is_awake_most_of_the_time_sleeps_in_between() {
    for first_s in [30, 0] {
        let mut parts = vec![(first_s, 0.010, Steady)];
        parts.retain(|part| part.0 > 0);
        for _ in 0..40 {
            parts.extend([(45, 0.150, Steady), (10, 0.010, Burst)]);
        }
        parts.push((45, 0.150, Steady));
        let (found, wakes) = night(&parts, &JobSheet::default()).unwrap();
        approx::assert_relative_eq!(found.floor_a, 0.010, max_relative = 1e-6);
        let wakes = wakes.unwrap();
        // Those that an end of the capture cuts are none.
        assert_eq!(wakes.count, if first_s > 0 { 40 } else { 39 });
        approx::assert_relative_eq!(wakes.period_s.unwrap(), 55.0, max_relative = 1e-3);
        assert!((wakes.width_s - 45.0).abs() < 0.6, "{}", wakes.width_s);
        let awake = found.waking.share_of_time + found.awake.share_of_time;
        let true_awake = 41.0 * 45.0 / (41.0 * 45.0 + 400.0 + f64::from(first_s as u32));
        approx::assert_relative_eq!(awake, true_awake, max_relative = 0.01);
        assert_eq!(found.failures, []);
    }
}

/// A lamp goes on before a wake and off after another, 5 s away from either.
#[test]
fn a_load_that_switches_beside_a_wake_hides_none() {
    for (on, off) in [(1055, 2070), (1070, 2155), (1155, 2070)] {
        let (found, wakes) = raised(40, &[(on, off, 0.060)]).unwrap();
        assert_eq!(wakes.unwrap().count, 40, "{on} {off}");
        let cost_c = 0.060 * (off - on) as f64;
        let found_c = 3600.0 * found.failures[0].charge_ah;
        approx::assert_relative_eq!(found_c, cost_c, max_relative = 1e-9);
    }
}

/// At noon a panel charges with 1 A, and clouds take up to half of it for a while: no wakes, and those beneath look as
/// they did in the dark.
#[test]
fn clouds_over_a_panel_are_no_wakes() {
    let (dark_s, sunny_s) = (2000, 2000);
    let (mut samples, segmentation) = capture(&[(dark_s, 0.010, Steady), (sunny_s, -1.0, Steady)]);
    (0..40).map(|k| 60 + 100 * k).for_each(|first| {
        samples.current_a[first..first + 5].iter_mut().for_each(|a| *a += 0.140);
    });
    for (first, width, above_a) in
        [(2110, 12, 0.5), (2405, 30, 0.3), (2615, 2, 0.04), (3320, 25, 0.2)]
    {
        samples.current_a[first..first + width].iter_mut().for_each(|a| *a += above_a);
    }
    let (found, wakes) = found_in(&samples, &segmentation);
    assert_eq!((wakes.unwrap().count, found.series.len()), (40, 1), "{:?}", found.series);
    assert_eq!(found.failures, []);
    approx::assert_relative_eq!(found.floor_a, 0.010, max_relative = 1e-6);
}

#[test]
fn a_draw_that_wavers_is_no_activity_and_one_that_rises_is() {
    assert!((time_to_sleep_s(0.1502) - 100.0).abs() <= 1.0, "{}", time_to_sleep_s(0.1502));
    assert!((time_to_sleep_s(0.170) - 60.0).abs() <= 1.0, "{}", time_to_sleep_s(0.170));
}

#[test]
fn wakes_are_counted_with_period_width_peak_and_charge() {
    let (found, summary) = night(&regular(20), &JobSheet::default()).unwrap();
    let summary = summary.unwrap();
    assert_eq!(summary.count, 20);
    approx::assert_relative_eq!(summary.period_s.unwrap(), 100.0, max_relative = 1e-12);
    approx::assert_relative_eq!(summary.width_s, 5.0, max_relative = 1e-12);
    assert_eq!(summary.peak_a, 0.150);
    approx::assert_relative_eq!(summary.charge_each_ah, 0.140 * 5.0 / 3600.0, max_relative = 1e-12);
    approx::assert_relative_eq!(found.floor_a, 0.010, max_relative = 1e-12);
    assert!(found.failures.is_empty() && found.falls_asleep.is_empty());
    approx::assert_relative_eq!(found.waking.share_of_time, 100.0 / 2060.0, max_relative = 1e-12);
}

#[test]
fn a_skipped_wake_leaves_the_period_and_is_counted() {
    let mut parts = regular(8);
    parts.push((100, 0.010, Steady));
    parts.extend(regular(6)[1..].iter().copied());
    let (found, _) = night(&parts, &JobSheet::default()).unwrap();
    approx::assert_relative_eq!(found.series[0].period_s.unwrap(), 100.0, max_relative = 1e-12);
    assert_eq!((found.series[0].count, found.series[0].skipped), (14, 1));
}

#[test]
fn a_poll_inside_a_report_is_told_apart() {
    // Every 10 s a poll of 1 s at 30 mA; every ninth is a report of 3 s at 200 mA instead.
    let mut parts = vec![(10, 0.010, Steady)];
    for i in 0..90 {
        let report = i % 9 == 4;
        let (seconds, level) = if report { (3, 0.200) } else { (1, 0.030) };
        parts.extend([(seconds, level, Burst), (10 - seconds, 0.010, Steady)]);
    }
    let (found, _) = night(&parts, &JobSheet::default()).unwrap();
    assert_eq!(found.series.len(), 2);
    assert_eq!((found.series[0].count, found.series[1].count), (80, 10));
    approx::assert_relative_eq!(found.series[0].period_s.unwrap(), 10.0, max_relative = 1e-9);
    approx::assert_relative_eq!(found.series[1].period_s.unwrap(), 90.0, max_relative = 1e-9);
}

#[test]
fn a_stuck_wake_is_a_failure_with_its_cost() {
    let mut parts = regular(12);
    parts.extend([(900, 0.120, Steady), (95, 0.010, Steady)]);
    parts.extend(regular(12)[1..].iter().copied());
    let (found, summary) = night(&parts, &JobSheet::default()).unwrap();
    assert_eq!(summary.unwrap().count, 24);
    assert_eq!(found.failures.len(), 1);
    let failure = &found.failures[0];
    approx::assert_relative_eq!(failure.end_s - failure.start_s, 900.0, max_relative = 1e-9);
    approx::assert_relative_eq!(failure.charge_ah, 0.110 * 900.0 / 3600.0, max_relative = 1e-12);
}

// Two readings of a wake's tail, then the failure: no stay to draw the floor through.
#[test]
fn the_tail_of_a_wake_before_a_failure_does_not_lift_the_floor() {
    let mut parts = regular(12);
    parts.extend([(5, 0.150, Burst), (1, 0.034, Burst), (1, 0.022, Burst)]);
    parts.extend([(900, 0.120, Steady), (95, 0.010, Steady)]);
    parts.extend(regular(12)[1..].iter().copied());
    let (found, _) = night(&parts, &JobSheet::default()).unwrap();
    assert_eq!(found.failures.len(), 1);
    let charge_c = 0.140 * 5.0 + 0.024 + 0.012 + 0.110 * 900.0;
    approx::assert_relative_eq!(
        3600.0 * found.failures[0].charge_ah,
        charge_c,
        max_relative = 1e-9
    );
}

/// The wakes of [`regular`] with readings raised in some seconds, the segmentation seeing the raise only.
fn raised(wakes: usize, loads: &[(usize, usize, f64)]) -> Option<(SleepFindings, Option<Wakes>)> {
    let parts = regular(wakes);
    let mut readings: Vec<f64> =
        parts.iter().flat_map(|part| std::iter::repeat_n(part.1, part.0)).collect();
    let mut borders = vec![0, readings.len()];
    for (first, end, above_a) in loads {
        readings[*first..*end].iter_mut().for_each(|reading| *reading += above_a);
        borders.extend([*first, *end]);
    }
    borders.sort_unstable();
    borders.dedup();
    let level_a = |first: usize| {
        let on = loads.iter().filter(|load| (load.0..load.1).contains(&first));
        0.010 + on.map(|load| load.2).sum::<f64>()
    };
    let stretches: Vec<(usize, f64, SegmentKind)> =
        borders.windows(2).map(|pair| (pair[1] - pair[0], level_a(pair[0]), Steady)).collect();
    let (mut samples, segmentation) = capture(&stretches);
    samples.current_a = readings;
    let loads = no_loads(ZeroModel::default());
    assess(logged(&samples), &segmentation, None, &loads, &JobSheet::default(), Risk::default())
}

// A lamp of 60 mA for 1,200 s, in the middle of which a fan of 300 mA comes on as well.
#[test]
fn wakes_are_counted_while_other_loads_stand_on() {
    let (found, summary) = raised(40, &[(1000, 2200, 0.060), (1430, 2800, 0.300)]).unwrap();
    let summary = summary.unwrap();
    assert_eq!(summary.count, 40);
    assert_eq!((found.series.len(), found.series[0].skipped), (1, 0));
    approx::assert_relative_eq!(summary.period_s.unwrap(), 100.0, max_relative = 1e-9);
    approx::assert_relative_eq!(summary.width_s, 5.0, max_relative = 1e-9);
    approx::assert_relative_eq!(summary.charge_each_ah, 0.140 * 5.0 / 3600.0, max_relative = 1e-9);
    // The lamp's and the fan's cost is without the wakes, and no charge is counted twice.
    assert_eq!(found.failures.len(), 1);
    let cost_c = 0.060 * 1200.0 + 0.300 * 1370.0;
    approx::assert_relative_eq!(found.failures[0].charge_ah * 3600.0, cost_c, max_relative = 1e-9);
    let charge_ah = found.asleep.charge_ah + found.waking.charge_ah + found.awake.charge_ah;
    let true_c = 0.010 * 4060.0 + 40.0 * 0.140 * 5.0 + cost_c;
    approx::assert_relative_eq!(charge_ah * 3600.0, true_c, max_relative = 1e-9);
}

// What the raised load does by itself is not alike to a wake: half as high, or four times as long.
#[test]
fn the_activity_of_a_load_that_is_on_is_no_wake() {
    let busy = [(1000, 2200, 0.060), (1130, 1135, 0.070), (1330, 1350, 0.140)];
    let (found, summary) = raised(40, &busy).unwrap();
    assert_eq!(summary.unwrap().count, 40, "{:?}", found.series);
}

#[test]
fn limits_on_sleep_are_judged() {
    let sleep = |sleep_max_a, awake_share_max| JobSheet {
        sleep: Some(SleepLimits {
            sleep_max_a: Some(sleep_max_a),
            wake_charge_max_ah: Some(1e-3),
            awake_share_max: Some(awake_share_max),
            ..SleepLimits::default()
        }),
        ..JobSheet::default()
    };
    let verdict = |sheet: &JobSheet, name: &str| {
        let (found, _) = night(&regular(20), sheet).unwrap();
        found.verdicts.iter().find(|verdict| verdict.limit_name == name).unwrap().verdict
    };
    assert_eq!(verdict(&sleep(0.012, 0.1), "sleep_max_a"), Verdict::Conforming);
    assert_eq!(verdict(&sleep(0.008, 0.1), "sleep_max_a"), Verdict::NonConforming);
    assert_eq!(verdict(&sleep(0.010, 0.1), "sleep_max_a"), Verdict::Indeterminate);
    assert_eq!(verdict(&sleep(0.012, 0.1), "wake_charge_max_ah"), Verdict::Conforming);
    assert_eq!(verdict(&sleep(0.012, 0.02), "awake_share_max"), Verdict::NonConforming);
}

#[test]
fn a_creeping_floor_is_the_equipments_only_with_zero_checks_at_both_ends() {
    let mut parts = Vec::new();
    for i in 0..30 {
        parts.extend([(95, 0.010 + 2e-5 * f64::from(i), Steady), (5, 0.150, Burst)]);
    }
    let (samples, segmentation) = capture(&parts);
    let sheet = JobSheet::default();
    let assess_with = |zero: ZeroModel| {
        let loads = no_loads(zero);
        assess(logged(&samples), &segmentation, None, &loads, &sheet, Risk::default())
            .unwrap()
            .0
            .creep
    };
    let alone = assess_with(ZeroModel::default());
    assert_eq!(alone.answer, CreepAnswer::Undecidable);
    // 20 µA every 100 s is 0.72 mA an hour.
    approx::assert_relative_eq!(alone.slope_a_per_h.unwrap(), 7.2e-4, max_relative = 1e-4);
    assert_eq!(assess_with(held_zero()).answer, CreepAnswer::Creeps);
}

/// A zero of nothing, checked before and after 3000 s: outside the capture's own stretches, so that no level
/// is taken for the zero.
fn held_zero() -> ZeroModel {
    let check = |time_s| ZeroCheck {
        time_s,
        reading_a: 0.0,
        residual_a: 0.0,
        within_tolerance: true,
        listed: true,
    };
    ZeroModel {
        checks: vec![check(-10.0), check(3010.0)],
        standard_uncertainty_a: Some(1e-5),
        ..ZeroModel::default()
    }
}

/// The floor stands still, and in the last sixth a panel begins to charge through the lead: 1 mA less every 100 s.
#[test]
fn a_floor_that_falls_at_dawn_only_does_not_creep() {
    let mut parts = Vec::new();
    for i in 0..30 {
        let charge_a = 1e-3 * f64::from((i - 24).max(0));
        parts.extend([(95, 0.030 - charge_a, Steady), (5, 0.150, Burst)]);
    }
    let (samples, segmentation) = capture(&parts);
    let (loads, sheet) = (no_loads(held_zero()), JobSheet::default());
    let found = assess(logged(&samples), &segmentation, None, &loads, &sheet, Risk::default());
    let creep = found.unwrap().0.creep;
    assert_eq!(creep.answer, CreepAnswer::Undecidable, "{creep:?}");
}

/// Thirty stays at these levels between two zero checks of a minute, which read 0 and `last_a`.
fn creep_between_checks(level_a: impl Fn(f64) -> f64, last_a: f64, scale: f64) -> Creep {
    let mut parts = vec![(60, 0.0, Steady)];
    for i in 0..30 {
        let level_a = scale * level_a(f64::from(i) / 30.0);
        parts.extend([(95, level_a, Steady), (5, level_a + scale * 0.140, Burst)]);
    }
    parts.extend([(95, scale * level_a(1.0), Steady), (60, scale * last_a, Steady)]);
    let (samples, segmentation) = capture(&parts);
    let check = |time_s, reading_a| ZeroCheck {
        time_s,
        reading_a,
        residual_a: 0.0,
        within_tolerance: true,
        listed: true,
    };
    let checks = vec![check(30.0, 0.0), check(3185.0, scale * last_a)];
    let knots = checks.iter().map(|check| (check.time_s, check.reading_a)).collect();
    let loads = no_loads(ZeroModel { checks, knots, ..ZeroModel::default() });
    let sheet = JobSheet::default();
    let found = assess(logged(&samples), &segmentation, None, &loads, &sheet, Risk::default());
    found.unwrap().0.creep
}

/// Readings that stand still between two checks that lie 3 mA apart: the zero jumped as the clamp was put back, or
/// drifted while the draw crept as much the other way. A drift that the readings follow leaves a creep beside it.
#[test]
fn a_zero_that_jumps_between_clamp_and_lead_is_no_creep() {
    for (sign, scale) in [(1.0, 1.0), (-1.0, 1.0), (1.0, 1e-1)] {
        let jumped = creep_between_checks(|_| 0.030, sign * 0.003, scale);
        assert_eq!(jumped.answer, CreepAnswer::Undecidable, "{jumped:?}");
        assert!(jumped.text.contains("jumped when the clamp was put back"), "{jumped:?}");
        let beside = creep_between_checks(|t| 0.030 + sign * 0.006 * t, sign * 0.003, scale);
        assert_eq!(beside.answer, CreepAnswer::Creeps, "{beside:?}");
    }
}

/// From the middle on 1.5 mA more, or less, than 10 mA: a step, and no creep.
#[test]
fn a_floor_that_steps_does_not_creep() {
    for (scale, sign) in [(1.0, 1.0), (1.0, -1.0), (0.1, 1.0)] {
        let level_a = |t: f64| 0.010 + if t < 0.5 { 0.0 } else { sign * 0.0015 };
        let creep = creep_between_checks(level_a, 0.0, scale);
        assert_eq!(creep.answer, CreepAnswer::Undecidable, "{creep:?}");
        assert!(creep.text.starts_with("The floor stepped by"), "{creep:?}");
        assert!(creep.text.contains("26") && creep.text.contains("min"), "{creep:?}");
    }
}

/// Sixty stays on 30 mA between two zero checks, over a zero that swings once by 12 mA meanwhile: the floor
/// moves by −2.9 mA an hour as least squares has it, and draws the same all the time.
#[test]
fn a_zero_that_swings_between_two_checks_is_no_creep() {
    let zero_a = |time_s: f64| 0.012 * (std::f64::consts::TAU * time_s / 28_800.0).sin();
    let mut parts = vec![(120, zero_a(60.0), Steady)];
    for i in 0..59 {
        let from_s = 120.0 + 480.0 * f64::from(i);
        parts.extend([
            (470, 0.030 + zero_a(from_s + 235.0), Steady),
            (10, 0.150 + zero_a(from_s + 475.0), Burst),
        ]);
    }
    parts.extend([(240, 0.030 + zero_a(28_560.0), Steady), (120, zero_a(28_740.0), Steady)]);
    let (samples, segmentation) = capture(&parts);
    let check = |time_s: f64| ZeroCheck {
        time_s,
        reading_a: zero_a(time_s),
        residual_a: 0.0,
        within_tolerance: true,
        listed: true,
    };
    let checks = vec![check(60.0), check(28_740.0)];
    let knots = checks.iter().map(|check| (check.time_s, check.reading_a)).collect();
    let loads = no_loads(ZeroModel { checks, knots, ..ZeroModel::default() });
    let sheet = JobSheet::default();
    let (found, _) =
        assess(logged(&samples), &segmentation, None, &loads, &sheet, Risk::default()).unwrap();
    let u = found.creep.standard_uncertainty_a_per_h.unwrap();
    assert_ne!(found.creep.answer, CreepAnswer::Creeps, "{:?}", found.creep);
    assert!(found.creep.slope_a_per_h.unwrap().abs() < 3.0 * u, "{:?}", found.creep);
}

#[test]
fn a_floor_that_stands_still_may_creep_against_a_zero_that_nobody_checked() {
    let (found, _) = night(&regular(20), &JobSheet::default()).unwrap();
    assert_eq!(found.creep.answer, CreepAnswer::Undecidable);
}

/// Without a zero check the floor may be off by all that the job sheet allows the zero: 15 mA and even
/// within is `15 mA/√3`.
#[test]
fn a_zero_that_nobody_checked_is_in_the_floors_uncertainty() {
    let with = |tolerance_a: Option<f64>, zero: ZeroModel| {
        let meter =
            crate::loads::MeterSpec { zero_return_tolerance_a: tolerance_a, ..Default::default() };
        let limits = SleepLimits { sleep_max_a: Some(0.012), ..SleepLimits::default() };
        let sheet = JobSheet { meter: Some(meter), sleep: Some(limits), ..JobSheet::default() };
        let (samples, segmentation) = capture(&regular(20));
        let loads = no_loads(zero);
        let (found, _) =
            assess(logged(&samples), &segmentation, None, &loads, &sheet, Risk::default()).unwrap();
        (found.floor_standard_uncertainty_a, found.verdicts[0].verdict)
    };
    let (known_a, conforming) = with(None, ZeroModel::default());
    assert_eq!(conforming, Verdict::Conforming);
    let (unseen_a, verdict) = with(Some(0.015), ZeroModel::default());
    let expected_a = known_a.hypot(0.015 / 3f64.sqrt());
    approx::assert_relative_eq!(unseen_a, expected_a, max_relative = 1e-9);
    assert_eq!(verdict, Verdict::Indeterminate);
    // A zero that was checked is known better than its tolerance.
    let checked = ZeroModel { mean_expanded_a: Some(0.0), ..ZeroModel::default() };
    assert_eq!(with(Some(0.015), checked), (known_a, Verdict::Conforming));
}

#[test]
fn a_capture_that_never_leaves_its_level_has_no_sleep_to_speak_of() {
    assert!(night(&[(600, 0.010, Steady)], &JobSheet::default()).is_none());
}

/// Readings of a meter that averages over its second, of wakes at the times given.
fn averaged(seconds: usize, wakes: &[(f64, f64, f64)]) -> Vec<f64> {
    (0..seconds)
        .map(|second| {
            let (from, to) = (second as f64 - 1.0, second as f64);
            let over = wakes.iter().map(|(start, width, above_a)| {
                above_a * ((start + width).min(to) - start.max(from)).max(0.0)
            });
            0.010 + over.sum::<f64>()
        })
        .collect()
}

fn assess_readings(current_a: Vec<f64>) -> Option<(SleepFindings, Option<Wakes>)> {
    assess_scaled(current_a, 1.0)
}

/// Readings of which the segmentation saw nothing but a floor of 10 mA times `scale`.
fn assess_scaled(current_a: Vec<f64>, scale: f64) -> Option<(SleepFindings, Option<Wakes>)> {
    let (mut samples, mut segmentation) = capture(&[(current_a.len(), 0.010 * scale, Steady)]);
    segmentation.noise.floor_a *= scale;
    samples.current_a = current_a;
    let loads = no_loads(ZeroModel::default());
    assess(logged(&samples), &segmentation, None, &loads, &JobSheet::default(), Risk::default())
}

// Wakes of 3.7 s that start anywhere between two readings; the segmentation has seen none of them.
#[test]
fn wakes_that_the_segmentation_missed_have_their_width_and_charge() {
    let wakes: Vec<(f64, f64, f64)> =
        (0..30).map(|i| (40.0 + 60.13 * f64::from(i), 3.7, 0.140)).collect();
    let (found, summary) = assess_readings(averaged(1900, &wakes)).unwrap();
    let summary = summary.unwrap();
    assert_eq!(summary.count, 30);
    approx::assert_relative_eq!(summary.period_s.unwrap(), 60.13, max_relative = 5e-4);
    approx::assert_abs_diff_eq!(summary.width_s, 3.7, epsilon = 0.2);
    approx::assert_relative_eq!(summary.charge_each_ah, 0.140 * 3.7 / 3600.0, max_relative = 1e-6);
    approx::assert_relative_eq!(found.floor_a, 0.010, max_relative = 1e-9);
}

#[test]
fn wakes_shorter_than_a_reading_show_in_the_charge_and_the_rate_is_named() {
    let wakes: Vec<(f64, f64, f64)> =
        (0..40).map(|i| (20.37 + 30.29 * f64::from(i), 0.25, 0.200)).collect();
    let (found, summary) = assess_readings(averaged(1250, &wakes)).unwrap();
    let summary = summary.unwrap();
    assert_eq!(summary.count, 40);
    approx::assert_relative_eq!(summary.charge_each_ah, 0.200 * 0.25 / 3600.0, max_relative = 1e-6);
    assert!(found.unseen.starts_with("One reading every 1 s"), "{}", found.unseen);
    assert!(found.unseen.contains("40 of 40 wakes"), "{}", found.unseen);
    let charge_ah = found.asleep.charge_ah + found.waking.charge_ah;
    let true_ah = (1250.0 * 0.010 + 40.0 * 0.200 * 0.25) / 3600.0;
    approx::assert_relative_eq!(charge_ah, true_ah, max_relative = 1e-9);
}

/// Wakes of 0.42 s every 7 s that fall into two readings each: more than a quarter of all readings is theirs. Of the
/// floor's own noise, in steps of 20 µA, each is as often as any other.
#[test]
fn wakes_that_lie_close_leave_the_floor_where_it_is() {
    let wakes: Vec<(f64, f64, f64)> =
        (0..170).map(|i| (10.8 + 7.0 * f64::from(i), 0.42, 0.012)).collect();
    let mut readings = averaged(1200, &wakes);
    readings.iter_mut().enumerate().for_each(|(i, a)| *a += 2e-5 * ((i * 7 % 5) as f64 - 2.0));
    let (found, summary) = assess_readings(readings).unwrap();
    approx::assert_abs_diff_eq!(found.floor_a, 0.010, epsilon = 5e-6);
    assert!(found.floor_noise_a < 1e-4, "{}", found.floor_noise_a);
    assert_eq!(summary.unwrap().count, 170);
}

/// Five wakes of 0.42 s, of which one falls into two readings: too few to tell the others from strays of the meter.
/// Whichever they are, the floor is without them.
#[test]
fn the_floor_is_without_single_readings_whatever_they_are() {
    let wakes: Vec<(f64, f64, f64)> =
        (0..5).map(|i| (50.0 + 120.17 * f64::from(i), 0.42, 0.140)).collect();
    let (found, _) = assess_readings(averaged(600, &wakes)).unwrap();
    approx::assert_relative_eq!(found.floor_a, 0.010, max_relative = 1e-9);
}

#[test]
fn strays_to_both_sides_are_no_wakes() {
    let mut readings = averaged(2000, &[]);
    for i in 0..20 {
        readings[50 + 93 * i] += if i % 2 == 0 { 0.2 } else { -0.2 };
    }
    assert!(assess_readings(readings).is_none());
}

#[test]
fn reports_among_polls_are_no_failures_and_a_stuck_one_is() {
    let mut parts = vec![(10, 0.010, Steady)];
    for i in 0..90 {
        match i {
            45 => parts.extend([(300, 0.180, Steady), (9, 0.010, Steady)]),
            _ if i % 9 == 4 => parts.extend([(8, 0.200, Burst), (12, 0.010, Steady)]),
            _ => parts.extend([(1, 0.030, Burst), (19, 0.010, Steady)]),
        }
    }
    let (found, _) = night(&parts, &JobSheet::default()).unwrap();
    assert_eq!(found.failures.len(), 1, "{:?}", found.failures);
    approx::assert_relative_eq!(
        found.failures[0].charge_ah,
        0.170 * 300.0 / 3600.0,
        max_relative = 1e-9
    );
    assert_eq!(found.series.iter().map(|series| series.count).collect::<Vec<_>>(), [79, 10]);
}

// Of 90 polls at 20 s a few are reports of 8 s instead: three every ten minutes are a rhythm; what keeps none, or is
// too few to keep one, is stuck.
#[test]
fn three_reports_on_a_rhythm_are_no_failures_and_three_at_any_time_are() {
    let with = |reports: &[usize]| {
        let of = |at: usize| match reports.contains(&at) {
            true => [(8, 0.200, Burst), (12, 0.010, Steady)],
            false => [(1, 0.030, Burst), (19, 0.010, Steady)],
        };
        let polls = (0..90).flat_map(of);
        let parts: Vec<_> = [(10, 0.010, Steady)].into_iter().chain(polls).collect();
        let (found, _) = night(&parts, &JobSheet::default()).unwrap();
        let counts: Vec<u64> = found.series.iter().map(|series| series.count).collect();
        (counts, found.failures.len())
    };
    assert_eq!(with(&[4, 34, 64]), (vec![87, 3], 0));
    assert_eq!(with(&[4, 32, 64]), (vec![87], 3));
    assert_eq!(with(&[4, 34]), (vec![88], 2));
}

// Nothing was powered for 38 s, which reads 50 µA where noise of 100 µA leaves 16 µA on the mean; then it started.
#[test]
fn noise_powers_nothing_before_a_start() {
    let mut parts = vec![(38, 50e-6, Steady), (45, 0.060, Steady)];
    parts.extend(regular(20));
    let (found, wakes) = night(&parts, &JobSheet::default()).unwrap();
    assert_eq!((wakes.unwrap().count, found.failures.len()), (20, 0), "{:?}", found.failures);
    let time_s = found.asleep.time_s + found.waking.time_s + found.awake.time_s;
    approx::assert_abs_diff_eq!(time_s, 45.0 + 2060.0, epsilon = 1.0);
}

// The floor more than doubles over the night, by less than a wake is high from stay to stay.
#[test]
fn a_floor_that_creeps_far_is_followed() {
    let mut parts = Vec::new();
    for i in 0..120 {
        parts.extend([(95, 0.010 + 1.5e-4 * f64::from(i), Steady), (5, 0.150, Burst)]);
    }
    let (found, summary) = night(&parts, &JobSheet::default()).unwrap();
    assert_eq!(summary.unwrap().count, 119);
    assert_eq!(found.creep.answer, CreepAnswer::Undecidable);
    approx::assert_relative_eq!(found.floor_a, 0.010 + 1.5e-4 * 59.5, max_relative = 1e-3);
}

#[test]
fn falling_asleep_too_late_is_a_failure_from_the_limit_on() {
    let sheet = JobSheet {
        sleep: Some(SleepLimits { sleep_within_s: Some(40.0), ..SleepLimits::default() }),
        ..JobSheet::default()
    };
    let with = |awake_s: usize| {
        let mut parts = vec![(awake_s, 0.120, Steady)];
        parts.extend(regular(10));
        night(&parts, &sheet).unwrap().0
    };
    let (soon, late) = (with(30), with(100));
    assert_eq!(soon.verdicts[0].verdict, Verdict::Conforming);
    assert!(soon.failures.is_empty());
    assert_eq!(late.verdicts[0].verdict, Verdict::NonConforming);
    approx::assert_relative_eq!(late.verdicts[0].value, 99.5, max_relative = 1e-9);
    assert_eq!(late.failures.len(), 1);
    approx::assert_relative_eq!(late.failures[0].start_s, 40.0, max_relative = 1e-9);
    approx::assert_relative_eq!(
        late.failures[0].charge_ah,
        0.110 * 60.0 / 3600.0,
        max_relative = 1e-3
    );
}

/// A poll of 2.5 s every minute and a report of 9 s every 777 s: now and then they meet.
#[test]
fn wakes_of_two_rhythms_that_meet_are_no_failure_and_none_is_missing() {
    let polls = (0..260).map(|i| (40.3 + 60.0 * f64::from(i), 2.5, 0.090));
    let reports = (0..20).map(|i| (100.6 + 777.0 * f64::from(i), 9.0, 0.370));
    let wakes: Vec<(f64, f64, f64)> = polls.chain(reports).collect();
    let (found, _) = assess_readings(averaged(15_700, &wakes)).unwrap();
    assert!(found.failures.is_empty(), "{:?}", found.failures);
    assert!(found.falls_asleep.is_empty(), "{:?}", found.falls_asleep);
    assert_eq!(found.series.len(), 2);
    for (kind, charge_c, count) in [(0, 2.5 * 0.090, 260), (1, 9.0 * 0.370, 20)] {
        let kind = &found.series[kind];
        assert_eq!((kind.skipped, kind.count + kind.met), (0, count), "{kind:?}");
        approx::assert_relative_eq!(kind.charge_each_ah * 3600.0, charge_c, max_relative = 0.01);
    }
}

/// Every report holds a poll: none is untouched.
#[test]
fn a_report_that_always_holds_a_poll_is_told_without_it() {
    let polls = (0..900).map(|i| (15.3 + 10.0 * f64::from(i), 0.6, 0.150));
    let reports = (0..9).map(|i| (501.0 + 900.0 * f64::from(i), 8.0, 0.250));
    let wakes: Vec<(f64, f64, f64)> = polls.chain(reports).collect();
    let (found, _) = assess_readings(averaged(9_100, &wakes)).unwrap();
    assert_eq!(
        found.series.iter().map(|kind| kind.skipped).collect::<Vec<_>>(),
        [0, 0],
        "{:?} {:?}",
        found.series,
        found.failures
    );
    let report_ah = 8.0 * 0.250 / 3600.0;
    approx::assert_relative_eq!(found.series[1].charge_each_ah, report_ah, max_relative = 0.01);
}

#[test]
fn a_wake_that_is_really_missing_is_counted_beside_meetings() {
    let polls = (0..260).filter(|i| *i != 33).map(|i| (40.3 + 60.0 * f64::from(i), 2.5, 0.090));
    let reports = (0..20).map(|i| (100.6 + 777.0 * f64::from(i), 9.0, 0.370));
    let wakes: Vec<(f64, f64, f64)> = polls.chain(reports).collect();
    let (found, _) = assess_readings(averaged(15_700, &wakes)).unwrap();
    assert_eq!((found.series[0].skipped, found.series[1].skipped), (1, 0));
}

/// 240 wakes of a quarter of a second, one every 10 s, and reports of 8 s at 200 mA.
#[test]
fn a_rate_that_cannot_see_a_wakes_length_bounds_the_time_awake() {
    let at_s = |i: u32| 20.0 + 10.0 * f64::from(i) + (0.618_034 * f64::from(i)).fract();
    let short = (0..240).map(|i| (at_s(i), 0.25, 0.150));
    let reports = (0..5).map(|i| (425.6 + 498.0 * f64::from(i), 8.0, 0.200));
    let truth = (240.0 * 0.25 + 5.0 * 8.0) / 2500.0;
    let wakes: Vec<(f64, f64, f64)> = short.chain(reports).collect();
    let readings = averaged(2500, &wakes);
    let with = |awake_share_max: f64| {
        let (mut samples, segmentation) = capture(&[(readings.len(), 0.010, Steady)]);
        samples.current_a.clone_from(&readings);
        let limits =
            SleepLimits { awake_share_max: Some(awake_share_max), ..SleepLimits::default() };
        let sheet = JobSheet { sleep: Some(limits), ..JobSheet::default() };
        let loads = no_loads(ZeroModel::default());
        assess(logged(&samples), &segmentation, None, &loads, &sheet, Risk::default()).unwrap().0
    };
    let found = with(0.06);
    assert!(found.series[0].width_at_most && !found.series[1].width_at_most, "{:?}", found.series);
    let least = found.waking.least_share_of_time.unwrap();
    assert!(least > 0.5 * truth && least < truth, "{least} {truth}");
    assert!(found.waking.share_of_time > truth, "{:?}", found.waking);
    assert_eq!(found.verdicts[0].verdict, Verdict::Indeterminate);
    assert_eq!(with(0.25).verdicts[0].verdict, Verdict::Conforming);
    assert_eq!(with(0.02).verdicts[0].verdict, Verdict::NonConforming);
    let above_c = 240.0 * 0.25 * 0.150 + 5.0 * 8.0 * 0.200;
    let charge_c = found.waking.charge_ah * 3600.0 - above_c;
    assert!(charge_c > 0.0 && charge_c <= 0.010 * truth * 2500.0, "{charge_c}");
}

/// A wake's charge holds the floor while it lasts, and no reading more.
#[test]
fn the_floor_in_a_wakes_charge_is_that_of_its_time() {
    let wakes: Vec<(f64, f64, f64)> =
        (0..60).map(|i| (40.0 + 30.13 * f64::from(i), 3.7, 0.020)).collect();
    let (found, _) = assess_readings(averaged(1900, &wakes)).unwrap();
    let charge_c = 60.0 * 3.7 * (0.020 + 0.010);
    approx::assert_relative_eq!(found.waking.charge_ah * 3600.0, charge_c, max_relative = 0.01);
}

/// The lead is off the battery for a minute, and comes back to the same floor: nothing else changes.
#[test]
fn an_interruption_that_nobody_listed_moves_no_floor() {
    for dips_a in [0.0, 0.001] {
        let mut parts = regular(20);
        parts.extend([(60, dips_a, Steady), (5, 0.150, Burst), (95, 0.010, Steady)]);
        parts.extend(regular(30));
        let (found, wakes) = night(&parts, &JobSheet::default()).unwrap();
        assert!((found.floor_a - 0.010).abs() < 1e-4, "{}", found.floor_a);
        assert!(found.failures.is_empty(), "{:?}", found.failures);
        assert_eq!(wakes.unwrap().count, 51);
    }
}

fn limits(sleep: SleepLimits) -> JobSheet {
    JobSheet { sleep: Some(sleep), ..JobSheet::default() }
}

fn time_to_sleep(parts: &[(usize, f64, SegmentKind)], within_s: f64) -> Option<SleepVerdict> {
    let sheet = limits(SleepLimits { sleep_within_s: Some(within_s), ..SleepLimits::default() });
    let (found, _) = night(parts, &sheet).unwrap();
    found.verdicts.into_iter().find(|verdict| verdict.limit_name == "sleep_within_s")
}

/// Awake for 600 s when the capture ends: longer than 40 s, whenever it would have slept; for 700 s
/// nobody knows. Wakes of 5 s are asleep within 40 s each time.
#[test]
fn awake_to_the_end_is_beyond_a_limit_that_has_passed() {
    let mut parts = regular(8);
    let conforms = time_to_sleep(&parts, 40.0).unwrap();
    assert_eq!(conforms.verdict, Verdict::Conforming);
    assert!((conforms.value - 5.0).abs() < 1.5, "{conforms:?}");
    parts.push((600, 0.150, Steady));
    let broken = time_to_sleep(&parts, 40.0).unwrap();
    assert_eq!(broken.verdict, Verdict::NonConforming);
    assert!(broken.least.is_some_and(|s| (s - 600.0).abs() < 2.0), "{broken:?}");
    let open = time_to_sleep(&parts, 700.0).unwrap();
    assert_eq!((open.verdict, open.least), (Verdict::Conforming, None));
}

/// Twelve times as long as the wakes, and within what the job sheet allows.
#[test]
fn awake_for_less_than_it_may_be_is_no_failure() {
    let mut parts = regular(8);
    parts.extend([(60, 0.150, Steady), (100, 0.010, Steady)]);
    parts.extend(regular(8));
    let of = |sheet: &JobSheet| night(&parts, sheet).unwrap().0;
    assert_eq!(of(&JobSheet::default()).failures.len(), 1);
    let sheet = limits(SleepLimits { sleep_within_s: Some(90.0), ..SleepLimits::default() });
    let found = of(&sheet);
    assert!(found.failures.is_empty(), "{:?}", found.failures);
    assert_eq!(found.falls_asleep.len(), 1);
}

/// 40 s at 5 mA and then 2 s at 150 mA: awake for both.
#[test]
fn a_wake_that_starts_low_is_as_long_as_all_of_it() {
    let mut parts = vec![(100, 0.0001, Steady)];
    for _ in 0..8 {
        parts.extend([(40, 0.005, Burst), (2, 0.150, Burst), (158, 0.0001, Steady)]);
    }
    let (found, wakes) = night(&parts, &JobSheet::default()).unwrap();
    let wakes = wakes.unwrap();
    assert_eq!(wakes.count, 8, "{:?}", found.wakes);
    assert!((wakes.width_s - 42.0).abs() < 1.5, "{:?} {:?}", found.wakes, found.awake_stretches);
}

/// Eight wakes of 5 s and one of 7 s, all at 140 mA above the floor: 0.194 mAh each, and 0.272 mAh. None may take
/// more than 0.25 mAh, nor be awake for more than 4 s.
#[test]
fn wakes_beyond_a_limit_that_their_kind_keeps_are_beyond_it() {
    let mut parts = regular(4);
    parts.extend([(7, 0.150, Burst), (93, 0.010, Steady)]);
    parts.extend(regular(4));
    let sheet = limits(SleepLimits {
        sleep_within_s: Some(4.0),
        wake_charge_max_ah: Some(2.5e-4),
        ..SleepLimits::default()
    });
    let found = night(&parts, &sheet).unwrap().0;
    let verdict_on = |name: &str| {
        let found = found.verdicts.iter().find(|verdict| verdict.limit_name == name).unwrap();
        (found.verdict, found.value)
    };
    let (verdict, value_ah) = verdict_on("wake_charge_max_ah");
    assert_eq!(verdict, Verdict::NonConforming);
    approx::assert_relative_eq!(value_ah, 0.140 * 7.0 / 3600.0, max_relative = 1e-9);
    // Nothing tells how long it was active: anything from nothing to the 7 s of the longest.
    assert_eq!(verdict_on("sleep_within_s"), (Verdict::Indeterminate, 3.5));
    let told = crate::judge::untried::cautions(sheet.sleep, Some(&found), None);
    let texts: Vec<&str> = told.iter().map(|caution| caution.text.as_str()).collect();
    assert!(texts.iter().any(|text| text.starts_with("9 of 9 wakes last longer")), "{texts:?}");
    assert!(texts.iter().any(|text| text.contains("1 of 9 wakes take more")), "{texts:?}");
    let generous = SleepLimits {
        sleep_within_s: Some(40.0),
        wake_charge_max_ah: Some(1e-3),
        ..SleepLimits::default()
    };
    let found = night(&parts, &limits(generous)).unwrap().0;
    let told = crate::judge::untried::cautions(Some(generous), Some(&found), None);
    assert!(told.is_empty(), "{told:?}");
}

fn found_in(samples: &Samples, segmentation: &Segmentation) -> (SleepFindings, Option<Wakes>) {
    let loads = no_loads(ZeroModel::default());
    let sheet = JobSheet::default();
    assess(logged(samples), segmentation, None, &loads, &sheet, Risk::default()).unwrap()
}

/// Wakes of 10 s at 15 mA and 6 s at 150 mA, either first: too short for stays, and awake for both. A tail that dies
/// away belongs to a wake as far as half its height: `τ ln 2` longer.
#[test]
fn a_short_low_stage_at_either_end_is_part_of_a_wake_and_a_tail_is_none() {
    for stages in [[(10, 0.015), (6, 0.150)], [(6, 0.150), (10, 0.015)]] {
        for scale in [1.0, 1e-3] {
            let mut current_a = vec![0.010 * scale; 60];
            for _ in 0..8 {
                stages.iter().for_each(|(s, a)| current_a.extend(vec![a * scale; *s]));
                current_a.extend(vec![0.010 * scale; 84]);
            }
            let (found, wakes) = assess_scaled(current_a, scale).unwrap();
            let wakes = wakes.unwrap();
            assert_eq!((wakes.count, found.series.len()), (8, 1), "{:?}", found.wakes);
            assert!((wakes.width_s - 16.0).abs() < 0.6, "{stages:?} {:?}", found.wakes);
        }
    }
    let tails = [1.0, 2.0, 3.0, 5.0, 8.0];
    let whole = tails.map(|tail_s| (40, 1.0, tail_s));
    // From less than half of the height on it is none of the wake's, however short that is.
    let low = tails.map(|tail_s| (12, 0.45, tail_s));
    for (wake_s, from, tail_s) in whole.into_iter().chain(low) {
        let parts = [(400, 0.010, Steady), (wake_s, 0.150, Burst)].repeat(9);
        let (mut samples, segmentation) = capture(&parts[..17]);
        let dies = |s: usize| 0.010 + 0.140 * from * (-(s as f64) / tail_s).exp();
        let tails = segmentation.segments.windows(2).filter(|two| two[0].kind == Burst);
        tails.for_each(|two| {
            (1..=400).for_each(|s| samples.current_a[two[1].first + s - 1] = dies(s))
        });
        let wakes = found_in(&samples, &segmentation).1.unwrap();
        let true_s = wake_s as f64 + tail_s * (2.0 * from).ln().max(0.0);
        assert!((wakes.width_s - true_s).abs() < 1.0, "{tail_s}: {} for {true_s}", wakes.width_s);
    }
}

/// Asleep at 10 mA with wakes to 150 mA; from then on `then_a` between the wakes, to the end.
fn changed(then_a: f64, scale: f64) -> Vec<(usize, f64, SegmentKind)> {
    let mut parts = regular(10);
    for _ in 0..10 {
        parts.extend([(5, 0.140 + then_a, Burst), (95, then_a, Steady)]);
    }
    parts.iter().map(|&(s, level_a, kind)| (s, level_a * scale, kind)).collect()
}

/// Beside wakes of 140 mA 30 mA is low, but three times what it draws asleep.
#[test]
fn a_draw_that_doubles_for_good_is_no_floor_but_a_failure() {
    for scale in [1.0, 0.1] {
        let (found, wakes) = night(&changed(0.030, scale), &JobSheet::default()).unwrap();
        approx::assert_relative_eq!(found.floor_a, 0.010 * scale, max_relative = 1e-9);
        let [failure] = found.failures[..] else { panic!("{:?}", found.failures) };
        assert!((failure.start_s - 1060.0).abs() <= 1.0 && failure.end_s >= 2059.0, "{failure:?}");
        assert_eq!(wakes.unwrap().count, 20, "{:?}", found.wakes);
    }
}

/// At 16 mA instead of 10 mA from one wake on to another, with wakes on top: the floor stepped. Without any wake on top
/// it did not fall asleep.
#[test]
fn a_rise_that_the_wakes_go_on_in_is_a_floor_and_one_without_is_a_failure() {
    for scale in [1.0, 1e-3] {
        let found = |raised: &[(usize, f64, SegmentKind)]| {
            let mut parts = regular(10);
            parts.extend_from_slice(raised);
            parts.extend(&regular(10)[1..]);
            parts.iter_mut().for_each(|part| part.1 *= scale);
            let (samples, mut segmentation) = capture(&parts);
            segmentation.noise.floor_a *= scale;
            let sheet =
                limits(SleepLimits { sleep_max_a: Some(0.015 * scale), ..SleepLimits::default() });
            let loads = no_loads(ZeroModel::default());
            assess(logged(&samples), &segmentation, None, &loads, &sheet, Risk::default()).unwrap()
        };
        let (stepped, wakes) = found(&[(5, 0.156, Burst), (95, 0.016, Steady)].repeat(10));
        let [first, second, third] = stepped.floor_levels[..] else {
            panic!("{:?} {:?}", stepped.floor_levels, stepped.failures)
        };
        for (level, level_a) in [(first, 0.010), (second, 0.016), (third, 0.010)] {
            approx::assert_relative_eq!(level.level_a, level_a * scale, max_relative = 1e-6);
        }
        approx::assert_abs_diff_eq!(second.start_s, 1064.5, epsilon = 1.0);
        approx::assert_abs_diff_eq!(third.start_s, 2064.5, epsilon = 1.0);
        assert_eq!((wakes.unwrap().count, stepped.failures.len()), (30, 0));
        assert_eq!(stepped.verdicts[0].verdict, Verdict::NonConforming);

        let (stayed, _) = found(&[(5, 0.156, Burst), (995, 0.016, Steady)]);
        assert!(stayed.floor_levels.is_empty(), "{:?}", stayed.floor_levels);
        let [failure] = stayed.failures[..] else { panic!("{:?}", stayed.failures) };
        approx::assert_relative_eq!(failure.above_floor_a, 0.006 * scale, max_relative = 0.01);
        assert_eq!(stayed.verdicts[0].verdict, Verdict::Conforming);
    }
}

/// With a wake every 100 s the floor steps up or down: at a wake, between two, and so shortly before or after one that
/// no level settles.
#[test]
fn a_floor_that_steps_while_wakes_go_on_loses_none_and_makes_none() {
    for (from_a, to_a) in [(0.010, 0.016), (0.016, 0.010)] {
        let stays = [
            vec![(95, to_a, Steady)],
            vec![(40, from_a, Steady), (55, to_a, Steady)],
            vec![(83, from_a, Steady), (12, to_a, Burst)],
            vec![(12, from_a, Burst), (83, to_a, Steady)],
        ];
        for stay in stays {
            let at = |level_a: f64| {
                let mut parts = regular(10);
                parts.iter_mut().for_each(|part| part.1 += level_a - 0.010);
                parts
            };
            let mut parts = at(from_a);
            let step_s = 1065 + if stay[0].1 == from_a { stay[0].0 } else { 0 };
            parts.push((5, 0.140 + from_a, Burst));
            parts.extend_from_slice(&stay);
            parts.extend_from_slice(&at(to_a)[1..]);
            let (found, wakes) = night(&parts, &JobSheet::default()).unwrap();
            let told = format!("{stay:?} {:?} {:?}", found.wakes, found.failures);
            assert_eq!((wakes.unwrap().count, found.failures.len()), (21, 0), "{told}");
            let [first, second] = found.floor_levels[..] else {
                panic!("{:?}", found.floor_levels)
            };
            for (level, level_a) in [(first, from_a), (second, to_a)] {
                approx::assert_relative_eq!(level.level_a, level_a, max_relative = 1e-6);
            }
            assert!((second.start_s - step_s as f64).abs() < 90.0, "{second:?}");
            let charge_each_ah = found.series[0].charge_each_ah;
            approx::assert_relative_eq!(charge_each_ah, 0.140 * 5.0 / 3600.0, max_relative = 2e-3);
        }
    }
}

/// Awake at 100 mA for 300 s, and then asleep at a higher level than before, with wakes on top.
#[test]
fn a_floor_that_comes_back_higher_is_followed_until_it_doubles() {
    for (then_a, failures, floor_a) in [(0.014, 1, 0.012), (0.026, 1, 0.010)] {
        let mut parts = regular(10);
        parts.push((300, 0.100, Steady));
        parts.push((60, then_a, Steady));
        parts.extend([(5, 0.140 + then_a, Burst), (95, then_a, Steady)].repeat(10));
        // One that the segmentation takes for a slope is no other.
        let late = parts.len() - 9;
        parts[late].2 = SegmentKind::Transient;
        let found = night(&parts, &JobSheet::default()).unwrap().0;
        assert_eq!(found.failures.len(), failures, "{:?}", found.failures);
        assert!((found.floor_a - floor_a).abs() < 2e-4, "{}", found.floor_a);
        let higher = found.failures[0].end_s > 2000.0;
        assert_eq!(higher, then_a > 0.020, "{:?}", found.failures);
    }
}

/// The zero moves by half the floor from each stay to the next, and by little while a wake lasts.
#[test]
fn a_floor_behind_a_wandering_zero_is_followed_however_much_it_doubles() {
    let parts = [(295, 0.010, Steady), (5, 0.150, Burst)].repeat(31);
    let (mut samples, segmentation) = capture(&parts[..61]);
    let turn = |second: usize| (second as f64 * 0.002).sin();
    samples.current_a.iter_mut().enumerate().for_each(|(s, a)| *a += 0.009 * turn(s));
    let mut segmentation = segmentation;
    for segment in &mut segmentation.segments {
        let readings = &samples.current_a[segment.first..segment.end];
        segment.mean_a = readings.iter().sum::<f64>() / readings.len() as f64;
    }
    let (found, wakes) = found_in(&samples, &segmentation);
    assert_eq!((wakes.unwrap().count, found.failures.len()), (30, 0), "{:?}", found.failures);
    assert!(found.floor_levels.is_empty(), "{:?}", found.floor_levels);
}

/// A floor of 5 mA that comes by the check's level behind a wandering zero, from the first stay after the check on: it
/// rose when the clamp was put back.
#[test]
fn a_floor_at_a_checks_level_after_a_rise_is_powered() {
    let mut parts = vec![(60, 0.0, Steady)];
    parts.extend([(95, 0.005, Steady), (5, 0.150, Burst)].repeat(20));
    parts.extend([(95, 0.005, Steady), (60, 0.0, Steady)]);
    let (samples, mut segmentation) = capture(&parts);
    let check_state = segmentation.segments[0].state;
    let steady = segmentation.segments.iter_mut().filter(|segment| segment.kind == Steady);
    steady.take(6).for_each(|segment| segment.state = check_state);
    let check = |time_s| ZeroCheck {
        time_s,
        reading_a: 0.0,
        residual_a: 0.0,
        within_tolerance: true,
        listed: true,
    };
    let checks = vec![check(30.0), check(2190.0)];
    let loads = no_loads(ZeroModel { checks, ..ZeroModel::default() });
    let sheet = JobSheet::default();
    let (found, wakes) =
        assess(logged(&samples), &segmentation, None, &loads, &sheet, Risk::default()).unwrap();
    assert_eq!(wakes.unwrap().count, 20, "{:?}", found.wakes);
}

/// Three slots 4 s apart every minute; once two of them are left out.
#[test]
fn wakes_in_slots_are_groups_with_a_rhythm() {
    let slots = (0..30).flat_map(|group| (0..3).map(move |slot| (group, slot)));
    let kept = slots.filter(|(group, slot)| *group != 11 || *slot == 0);
    let wakes: Vec<(f64, f64, f64)> = kept
        .map(|(group, slot)| (20.0 + 60.0 * f64::from(group) + 4.0 * f64::from(slot), 2.0, 0.140))
        .collect();
    let (found, _) = assess_readings(averaged(1830, &wakes)).unwrap();
    let [kind] = found.series[..] else { panic!("{:?}", found.series) };
    let groups = kind.groups.unwrap();
    assert_eq!((kind.count, kind.regular), (88, false));
    assert_eq!((groups.count, groups.least, groups.most), (30, 1, 3), "{groups:?}");
    approx::assert_relative_eq!(groups.period_s, 60.0, max_relative = 1e-9);
    approx::assert_relative_eq!(groups.apart_s, 4.0, max_relative = 1e-9);
}

/// Random times have no groups: seconds from a congruential generator.
#[test]
fn wakes_without_a_rhythm_have_no_groups() {
    let mut state = 12_345_u32;
    let mut at_s = 0.0;
    let wakes: Vec<(f64, f64, f64)> = (0..60)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            at_s += 8.0 - 60.0 * (1.0 - f64::from(state) / 4_294_967_296.0).ln();
            (at_s, 2.0, 0.140)
        })
        .collect();
    let (found, _) = assess_readings(averaged(at_s as usize + 60, &wakes)).unwrap();
    assert!(found.series.iter().all(|kind| !kind.regular && kind.groups.is_none()));
}

/// Momentary readings, one a second, of wakes that keep their 61.37 s to the millisecond, and of wakes that stray
/// by 3 s: the first scatter by `√(0.37 · 0.63)` s, all of it the sampling's.
#[test]
fn a_jitter_that_sampling_makes_is_the_most_it_can_be() {
    let with = |strays_s: f64| {
        let starts =
            (0..40).map(|i| 30.0 + 61.37 * f64::from(i) + strays_s * f64::from(i * 7 % 5 - 2));
        let mut current_a = vec![0.010; 2600];
        for start_s in starts {
            let first = start_s.ceil() as usize;
            current_a[first..first + 8].fill(0.150);
        }
        assess_readings(current_a).unwrap().0.series[0]
    };
    let (still, strays) = (with(0.0), with(1.5));
    approx::assert_abs_diff_eq!(still.jitter_s.unwrap(), (0.37f64 * 0.63).sqrt(), epsilon = 0.02);
    assert!(still.regular && still.jitter_at_most, "{still:?}");
    assert!(strays.regular && !strays.jitter_at_most, "{strays:?}");
}

/// Wakes that stray by 0.2 s about every full minute and a half, which momentary readings at full seconds show as
/// exact: what hides between two readings is told as the most that it may be, and holds the truth.
#[test]
fn a_rhythm_in_step_with_the_sampling_hides_its_jitter() {
    let strays_s = |i: usize| 0.2 * (i * 7 % 5) as f64 / 2.0 - 0.2;
    let mut current_a = vec![0.010; 3700];
    for i in 0..40 {
        let first = (29.5 + 90.0 * i as f64 + strays_s(i)).ceil() as usize;
        current_a[first..first + 8].fill(0.150);
    }
    let intervals_s = || (0..39).map(|i| 90.0 + strays_s(i + 1) - strays_s(i));
    let truth_s = (intervals_s().map(|s| (s - 90.0).powi(2)).sum::<f64>() / 39.0).sqrt();
    let kind = assess_readings(current_a).unwrap().0.series[0];
    let told_s = kind.jitter_s.unwrap();
    assert!(kind.regular && kind.jitter_at_most, "{kind:?}");
    assert!((truth_s..1.0).contains(&told_s), "{told_s} s, {truth_s} s is true");
}

/// After 300 s awake 6 mA more, or 4 mA less, than 10 mA; after 300 s more awake as before. The limit holds the
/// highest, whatever the mean is.
#[test]
fn a_floor_that_steps_is_told_level_by_level() {
    for then_a in [0.016_f64, 0.006] {
        let mut parts = Vec::new();
        for (at, level_a) in [0.010, then_a, 0.010].into_iter().enumerate() {
            if at > 0 {
                parts.push((300, 0.100, Steady));
            }
            parts.push((60, level_a, Steady));
            parts.extend([(5, 0.140 + level_a, Burst), (95, level_a, Steady)].repeat(10));
        }
        let sheet = limits(SleepLimits {
            sleep_max_a: Some(0.95 * then_a.max(0.010)),
            ..SleepLimits::default()
        });
        let found = night(&parts, &sheet).unwrap().0;
        let [first, second, third] = found.floor_levels[..] else {
            panic!("{:?} {:?}", found.floor_levels, found.failures)
        };
        for (level, level_a) in [(first, 0.010), (second, then_a), (third, 0.010)] {
            approx::assert_relative_eq!(level.level_a, level_a, max_relative = 1e-9);
        }
        approx::assert_abs_diff_eq!(second.start_s, 1360.0, epsilon = 1.0);
        approx::assert_abs_diff_eq!(third.start_s, 2720.0, epsilon = 1.0);
        assert_eq!(found.verdicts[0].verdict, Verdict::NonConforming);
        assert!(found.creep.text.starts_with("The floor stepped by"), "{:?}", found.creep);
    }
}

/// Fallen asleep in a gap of 80 s, 100 s after the last activity at least.
#[test]
fn a_gap_that_hides_falling_asleep_leaves_its_time_between_bounds() {
    let mut parts = regular(8);
    parts.push((100, 0.150, Steady));
    let awake_to = parts.iter().map(|part| part.0).sum::<usize>();
    parts.extend(regular(8));
    let (mut samples, segmentation) = capture(&parts);
    let hidden_s = |sample: usize| if sample < awake_to { 0.0 } else { 80.0 };
    let len = samples.current_a.len();
    samples.time = TimeAxis::Listed((0..len).map(|at| at as f64 + hidden_s(at)).collect());
    let gaps = [Span { start_s: (awake_to - 1) as f64, end_s: awake_to as f64 + 80.0 }];
    let within = |within_s: f64| {
        let sheet =
            limits(SleepLimits { sleep_within_s: Some(within_s), ..SleepLimits::default() });
        let logged = Logged { samples: &samples, gaps: &gaps, start: None };
        let loads = no_loads(ZeroModel::default());
        assess(logged, &segmentation, None, &loads, &sheet, Risk::default()).unwrap().0
    };
    let found = within(40.0);
    let [fall] = found.falls_asleep[..] else { panic!("{:?}", found.falls_asleep) };
    approx::assert_abs_diff_eq!(fall.least_s.unwrap(), 99.5, epsilon = 1.0);
    approx::assert_abs_diff_eq!(fall.most_s.unwrap(), 180.5, epsilon = 1.0);
    for (within_s, verdict) in [
        (90.0, Verdict::NonConforming),
        (140.0, Verdict::Indeterminate),
        (190.0, Verdict::Conforming),
    ] {
        assert_eq!(within(within_s).verdicts[0].verdict, verdict, "{within_s}");
    }
    // What is not known to have been awake is no failure: it ends where the gap begins.
    let [failure] = found.failures[..] else { panic!("{:?}", found.failures) };
    approx::assert_abs_diff_eq!(failure.end_s, (awake_to - 1) as f64, epsilon = 1e-9);
    let told = crate::judge::untried::cautions(
        Some(SleepLimits { sleep_within_s: Some(140.0), ..SleepLimits::default() }),
        Some(&within(140.0)),
        None,
    );
    assert!(told.iter().any(|caution| caution.text.contains("a gap in the readings hides")));
    // Nor is its time part of anything that was seen.
    let seen_s = found.asleep.time_s + found.awake.time_s + found.waking.time_s;
    approx::assert_relative_eq!(seen_s, len as f64, max_relative = 1e-3);
    approx::assert_abs_diff_eq!(found.awake.time_s, 100.0, epsilon = 1.5);
}
