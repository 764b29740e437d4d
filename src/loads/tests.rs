use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::scene::{Deed, SceneMeter, build, deed, silent};
use super::*;
use crate::findings::{EvaluationType, LoadBehaviour};
use crate::jobsheet::{LoadSpec, StateSpec};

/// A visit: zero checks at both ends, three loads on and off twice, overlapping.
fn visit(probe_a: f64, radio_a: f64, valve_a: f64) -> Vec<Deed> {
    vec![
        deed(60.0, "probe", probe_a, "on"),
        deed(180.0, "radio", radio_a, "on"),
        deed(300.0, "probe", 0.0, "off"),
        deed(360.0, "valve", valve_a, "on"),
        deed(420.0, "valve", 0.0, "off"),
        deed(540.0, "radio", 0.0, "off"),
        deed(600.0, "valve", valve_a, "on"),
        deed(660.0, "probe", probe_a, "on"),
        deed(720.0, "valve", 0.0, "off"),
        deed(780.0, "radio", radio_a, "on"),
        deed(900.0, "radio", 0.0, "off"),
        deed(960.0, "probe", 0.0, "off"),
        deed(1080.0, "zero", 0.0, "check"),
    ]
}

fn of<'a>(found: &'a LoadsFound, load: &str, state: &str) -> &'a LoadEstimate {
    found
        .loads
        .iter()
        .find(|l| l.load == load && l.state == state)
        .unwrap_or_else(|| panic!("no {load} ({state}) in {:#?}", found.loads))
}

fn sheet_with(load: &str, states: &[(&str, f64)]) -> JobSheet {
    let states = states
        .iter()
        .map(|(name, a)| StateSpec {
            name: (*name).to_owned(),
            specified_a: Some(*a),
            tolerance_percent: Some(20.0),
            maximum_a: None,
            minimum_a: None,
            at_voltage_v: None,
            hours_per_day: None,
        })
        .collect();
    JobSheet {
        loads: vec![LoadSpec {
            name: load.to_owned(),
            behaves_as: Some(LoadBehaviour::ConstantPower),
            states,
        }],
        ..JobSheet::default()
    }
}

#[test]
fn overlapping_loads_come_apart_and_the_base_with_them() {
    let meter = SceneMeter { offset_a: 0.004, ..SceneMeter::default() };
    let mut deeds = visit(0.030, 0.214, 0.080);
    deeds.insert(0, deed(0.0, "zero", 0.0, "check"));
    deeds.insert(1, silent(30.0, "zero", 1.0));
    let (segmentation, alignment) = build(&deeds, 0.011, 1140.0, &meter, 3);
    let found = solve(&segmentation, Some(&alignment), &JobSheet::default(), None);
    for (load, truth) in [("probe", 0.030), ("radio", 0.214), ("valve", 0.080)] {
        let row = of(&found, load, "on");
        assert!((row.draw_a - truth).abs() < 4.0 * row.standard_uncertainty_a, "{row:?}");
        assert!((row.draw_a - truth).abs() < 0.001, "{row:?}");
        assert!(row.separable);
    }
    assert!((found.base_a.unwrap() - 0.011).abs() < 0.001);
    assert!((found.zero.offset_a.unwrap() - 0.004).abs() < 0.001, "{:?}", found.zero);
    assert!(found.zero.trusted && found.zero.checks.len() == 2);
}

#[test]
fn a_clamp_put_on_backwards_is_turned() {
    let meter = SceneMeter { sign: -1.0, offset_a: 0.003, ..SceneMeter::default() };
    let mut deeds = visit(0.030, 0.214, 0.080);
    deeds.insert(0, deed(0.0, "zero", 0.0, "check"));
    deeds.insert(1, silent(30.0, "zero", 1.0));
    let (segmentation, alignment) = build(&deeds, 0.011, 1140.0, &meter, 4);
    let found = solve(&segmentation, Some(&alignment), &JobSheet::default(), None);
    assert!(found.turned);
    assert!((of(&found, "radio", "on").draw_a - 0.214).abs() < 0.001);
    // The model is in the turned frame, the reading as the meter showed it.
    assert!((found.zero.offset_a.unwrap() - 0.003).abs() < 0.001);
    assert!((found.zero.checks[0].reading_a + 0.003).abs() < 0.001, "{:?}", found.zero.checks);
}

#[test]
fn loads_always_switched_together_are_reported_with_their_sum() {
    let deeds = vec![
        deed(60.0, "pump", 0.100, "on"),
        deed(60.0, "fan", 0.050, "on"),
        deed(180.0, "probe", 0.030, "on"),
        deed(240.0, "probe", 0.0, "off"),
        deed(300.0, "pump", 0.0, "off"),
        deed(300.0, "fan", 0.0, "off"),
    ];
    let (segmentation, alignment) = build(&deeds, 0.0, 400.0, &SceneMeter::default(), 5);
    let found = solve(&segmentation, Some(&alignment), &JobSheet::default(), None);
    for (load, other) in [("pump", "fan"), ("fan", "pump")] {
        let row = of(&found, load, "on");
        assert!(!row.separable);
        assert!((row.draw_a - 0.150).abs() < 0.001, "{row:?}");
        assert_eq!(row.inseparable_from, vec![(other.to_owned(), "on".to_owned())]);
    }
    assert!(of(&found, "probe", "on").separable);
}

#[test]
fn a_controller_that_falls_asleep_has_two_states() {
    let deeds = vec![
        deed(60.0, "controller", 0.120, "on"),
        silent(90.0, "controller", 0.010),
        deed(150.0, "radio", 0.040, "on"),
        deed(240.0, "radio", 0.0, "off"),
        deed(300.0, "controller", 0.0, "off"),
        deed(360.0, "controller", 0.120, "on"),
        silent(391.0, "controller", 0.010),
        deed(460.0, "controller", 0.0, "off"),
    ];
    let (segmentation, alignment) = build(&deeds, 0.0, 520.0, &SceneMeter::default(), 6);
    let found = solve(&segmentation, Some(&alignment), &JobSheet::default(), None);
    assert!((of(&found, "controller", "on").draw_a - 0.120).abs() < 0.001);
    assert!((of(&found, "controller", "asleep").draw_a - 0.010).abs() < 0.001);
    assert!((of(&found, "radio", "on").draw_a - 0.040).abs() < 0.001);

    let sheet = sheet_with("controller", &[("boot", 0.25), ("idle", 0.12), ("sleep", 0.010)]);
    let found = solve(&segmentation, Some(&alignment), &sheet, None);
    assert!((of(&found, "controller", "idle").draw_a - 0.120).abs() < 0.001);
    assert!((of(&found, "controller", "sleep").draw_a - 0.010).abs() < 0.001);
}

/// The step at a time is too small to be found: the stretches on its sides are one of that kind.
fn overlook(
    (segmentation, alignment): &mut (Segmentation, Alignment),
    time_s: f64,
    kind: SegmentKind,
) {
    let segments = &mut segmentation.segments;
    let at = segments.iter().position(|s| s.start_s == time_s).unwrap();
    let after = segments.remove(at);
    let before = &mut segments[at - 1];
    let length = |s: &Segment| (s.end - s.first) as f64;
    let share = length(&after) / (length(&after) + length(before));
    let moved_a = (after.mean_a - before.mean_a) * (share * (1.0 - share)).sqrt();
    before.mean_a += share * (after.mean_a - before.mean_a);
    before.noise_a = before.noise_a.hypot(moved_a);
    before.effective_samples += after.effective_samples;
    before.standard_uncertainty_a = before.noise_a / before.effective_samples.sqrt();
    (before.end, before.end_s, before.kind) = (after.end, after.end_s, kind);
    let gone = segmentation.steps.iter().position(|step| step.time_s == time_s).unwrap();
    segmentation.steps.remove(gone);
    alignment.step_events.remove(gone);
    for event in &mut alignment.events {
        event.step = match event.step {
            Some(step) if step == gone => None,
            Some(step) if step > gone => Some(step - 1),
            other => other,
        };
    }
}

/// A controller that draws nearly nothing asleep is switched off unseen, while the radio is on.
#[test]
fn a_load_switched_off_unseen_and_on_again_leaves_the_others_alone() {
    let deeds = vec![
        deed(60.0, "radio", 0.070, "on"),
        silent(69.0, "radio", 0.034),
        deed(150.0, "controller", 0.036, "on"),
        silent(160.0, "controller", 0.016),
        silent(185.0, "controller", 0.001),
        deed(230.0, "probe", 0.160, "on"),
        deed(290.0, "controller", 0.0, "off"),
        deed(350.0, "controller", 0.036, "on"),
        silent(360.0, "controller", 0.016),
        silent(385.0, "controller", 0.001),
        deed(440.0, "probe", 0.0, "off"),
        deed(510.0, "radio", 0.0, "off"),
        deed(580.0, "controller", 0.0, "off"),
        deed(650.0, "radio", 0.070, "on"),
        silent(659.0, "radio", 0.034),
        deed(740.0, "radio", 0.0, "off"),
    ];
    let mut made = build(&deeds, 0.0, 820.0, &SceneMeter::default(), 12);
    overlook(&mut made, 290.0, SegmentKind::Steady);
    let found = solve(&made.0, Some(&made.1), &JobSheet::default(), None);
    let draws = [
        ("radio", "starting", 0.070),
        ("radio", "on", 0.034),
        ("controller", "starting", 0.036),
        ("controller", "on", 0.016),
        ("controller", "asleep", 0.001),
        ("probe", "on", 0.160),
    ];
    assert_eq!(found.loads.len(), draws.len(), "{:#?}", found.loads);
    for (load, state, truth_a) in draws {
        let row = of(&found, load, state);
        assert!((row.draw_a - truth_a).abs() < 0.001, "{row:?}");
    }
}

/// The radio leaves its start-up, and before the next steady stretch a load too small to be seen is
/// switched off: a stretch that drifts by less than the noise still parts the two.
#[test]
fn a_stretch_with_an_unseen_switching_in_it_still_counts() {
    let deeds = vec![
        deed(60.0, "controller", 0.0018, "on"),
        deed(120.0, "radio", 0.250, "on"),
        silent(130.0, "radio", 0.118),
        deed(190.0, "controller", 0.0, "off"),
        silent(250.0, "nothing", 0.0),
        deed(300.0, "probe", 0.030, "on"),
        deed(360.0, "probe", 0.0, "off"),
        deed(420.0, "radio", 0.0, "off"),
    ];
    let mut made = build(&deeds, 0.0, 500.0, &SceneMeter::default(), 13);
    overlook(&mut made, 190.0, SegmentKind::Transient);
    let found = solve(&made.0, Some(&made.1), &JobSheet::default(), None);
    for (load, state, truth_a) in
        [("radio", "starting", 0.250), ("radio", "on", 0.118), ("probe", "on", 0.030)]
    {
        let row = of(&found, load, state);
        assert!((row.draw_a - truth_a).abs() < 0.0015, "{row:?}");
        assert!(row.coverage_factor * row.standard_uncertainty_a < 0.003, "{row:?}");
    }
}

#[test]
fn unlisted_draw_does_not_spoil_the_loads() {
    let deeds = vec![
        deed(60.0, "controller", 0.120, "on"),
        silent(200.0, "heater", 0.500),
        silent(280.0, "heater", 0.0),
        deed(400.0, "radio", 0.040, "on"),
        deed(500.0, "radio", 0.0, "off"),
        silent(540.0, "heater", 0.500),
        deed(600.0, "controller", 0.0, "off"),
    ];
    let (segmentation, alignment) = build(&deeds, 0.0, 700.0, &SceneMeter::default(), 7);
    let found = solve(&segmentation, Some(&alignment), &JobSheet::default(), None);
    assert_eq!(found.loads.len(), 2, "{:#?}", found.loads);
    assert!((of(&found, "controller", "on").draw_a - 0.120).abs() < 0.002);
    assert!((of(&found, "radio", "on").draw_a - 0.040).abs() < 0.001);
}

/// 30 mA for 40 s after every switching off: nothing of it adds up over the capture.
#[test]
fn a_load_that_runs_on_after_it_was_switched_off_keeps_its_draw() {
    let mut deeds = Vec::new();
    for cycle in 0..6 {
        let start_s = 100.0 + 400.0 * f64::from(cycle);
        deeds.push(deed(start_s, "valve", 0.180, "on"));
        deeds.push(deed(start_s + 150.0, "valve", 0.030, "off"));
        deeds.push(silent(start_s + 190.0, "valve", 0.0));
    }
    // Much is left on beside it, or so little that its rest passes for a zero check.
    for rest_a in [0.040, 0.004, 0.0] {
        let (segmentation, alignment) = build(&deeds, rest_a, 2500.0, &SceneMeter::default(), 7);
        let found = solve(&segmentation, Some(&alignment), &JobSheet::default(), None);
        let valve = of(&found, "valve", "on");
        assert!((valve.draw_a - 0.180).abs() < 0.002, "{rest_a}: {:?}", found.loads);
        let always_a = if found.zero.checks.is_empty() { rest_a } else { 0.0 };
        let accounted = segmentation.segments.iter().zip(&found.accounted_a);
        for (segment, accounted_a) in accounted.filter(|(segment, _)| segment.mean_a < 0.08) {
            let off_a = accounted_a.unwrap() - always_a;
            assert!(off_a.abs() < 0.004, "{rest_a}: {segment:?}: {accounted_a:?}");
        }
    }
}

/// The same beside others that are on, or until the lead is taken off for a zero check.
#[test]
fn a_load_that_runs_on_is_no_doing_of_another_and_no_draw_that_is_always_there() {
    for checked in [false, true] {
        let mut deeds = vec![
            deed(100.0, "controller", 0.118, "on"),
            deed(160.0, "controller", 0.0, "off"),
            deed(200.0, "valve", 0.180, "on"),
            deed(260.0, "valve", 0.030, "off"),
            deed(300.0, "controller", 0.118, "on"),
            deed(360.0, "valve", 0.180, "on"),
            deed(420.0, "valve", 0.030, "off"),
            silent(445.0, "valve", 0.0),
            deed(500.0, "controller", 0.0, "off"),
        ];
        if checked {
            deeds.insert(0, deed(0.0, "zero", 0.0, "check"));
            deeds.insert(1, silent(60.0, "zero", 1.0));
            deeds.extend([deed(290.0, "zero", 0.0, "check"), silent(295.0, "zero", 1.0)]);
            deeds.push(silent(290.0, "valve", 0.0));
        } else {
            deeds.push(silent(285.0, "valve", 0.0));
        }
        deeds.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
        let (segmentation, alignment) = build(&deeds, 0.0, 600.0, &SceneMeter::default(), 7);
        let found = solve(&segmentation, Some(&alignment), &JobSheet::default(), None);
        assert_eq!(found.loads.len(), 2, "{checked}: {:?}", found.loads);
        for (load, truth_a) in [("controller", 0.118), ("valve", 0.180)] {
            let row = of(&found, load, "on");
            assert!((row.draw_a - truth_a).abs() < 0.002, "{checked}: {row:?}");
        }
        assert!(found.base_a.unwrap_or(0.0).abs() < 0.002, "{checked}: {:?}", found.base_a);
    }
}

/// 30 mA that no line lists, from when the lead was clipped on or from later on, for good or for a while.
#[test]
fn what_is_left_on_beside_a_zero_that_only_the_readings_show_is_no_part_of_a_load() {
    for (from_s, to_s) in [(50.0, None), (50.0, Some(1500.0)), (830.0, None), (830.0, Some(1500.0))]
    {
        let mut deeds = vec![silent(from_s, "rest", 0.030)];
        deeds.extend(to_s.map(|to_s| silent(to_s, "rest", 0.0)));
        for cycle in 0..5 {
            let start_s = 100.0 + 400.0 * f64::from(cycle);
            deeds.push(deed(start_s, "valve", 0.180, "on"));
            deeds.push(deed(start_s + 150.0, "valve", 0.0, "off"));
        }
        deeds.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
        let (segmentation, alignment) = build(&deeds, 0.0, 2100.0, &SceneMeter::default(), 7);
        let found = solve(&segmentation, Some(&alignment), &JobSheet::default(), None);
        let valve = of(&found, "valve", "on");
        assert!((valve.draw_a - 0.180).abs() < 0.002, "{from_s} {to_s:?}: {:?}", found.loads);
        let base_a = if (from_s, to_s) == (50.0, None) { 0.030 } else { 0.0 };
        let off_a = found.base_a.unwrap_or(0.0) - base_a;
        assert!(off_a.abs() < 0.002, "{from_s} {to_s:?}: {:?}", found.base_a);
    }
}

#[test]
fn one_untouched_unit_is_read_by_its_levels() {
    let deeds = vec![
        silent(0.0, "unit", 8e-6),
        silent(60.0, "unit", 0.012),
        silent(65.0, "unit", 8e-6),
        silent(125.0, "unit", 0.012),
        silent(130.0, "unit", 8e-6),
    ];
    let meter = SceneMeter { sigma_a: 2e-7, share_of_level: 0.01, ..SceneMeter::default() };
    let (segmentation, _) = build(&deeds, 0.0, 200.0, &meter, 8);
    let sheet = sheet_with("receiver", &[("awake", 0.012), ("asleep", 9e-6)]);
    let found = solve(&segmentation, None, &sheet, None);
    assert!((of(&found, "receiver", "asleep").draw_a - 8e-6).abs() < 1e-6);
    assert!((of(&found, "receiver", "awake").draw_a - 0.012).abs() < 1e-4);
}

/// A random visit: every load on and off twice, overlapping; returns deeds and true draws.
fn random_visit(rng: &mut ChaCha8Rng, loads: &[&'static str]) -> (Vec<Deed>, Vec<f64>, f64) {
    let draws: Vec<f64> =
        loads.iter().map(|_| 10f64.powf(rng.random_range(-2.0f64..-0.5))).collect();
    let mut slots: Vec<(usize, bool)> = Vec::new();
    let mut state = vec![false; loads.len()];
    let mut left = vec![4; loads.len()];
    while left.iter().any(|l| *l > 0) {
        let open: Vec<usize> = (0..loads.len()).filter(|&l| left[l] > 0).collect();
        let load = open[rng.random_range(0..open.len())];
        state[load] = !state[load];
        left[load] -= 1;
        slots.push((load, state[load]));
    }
    let mut deeds = vec![deed(0.0, "zero", 0.0, "check"), silent(45.0, "zero", 1.0)];
    let mut time_s = 60.0;
    for (load, on) in slots {
        time_s += f64::floor(rng.random_range(40.0..110.0));
        let draw_a = if on { draws[load] } else { 0.0 };
        deeds.push(deed(time_s, loads[load], draw_a, if on { "on" } else { "off" }));
    }
    time_s += 60.0;
    deeds.push(deed(time_s, "zero", 0.0, "check"));
    (deeds, draws, time_s + 45.0)
}

/// Share of 95 % intervals that hold the truth, and the worst relative error of loads of 20 mA or more.
fn coverage(
    captures: u64,
    meter: impl Fn(&mut ChaCha8Rng) -> SceneMeter,
    sheet: &JobSheet,
) -> (f64, f64) {
    let loads = ["radio", "probe", "valve"];
    let (mut held, mut total, mut worst) = (0u32, 0u32, 0.0f64);
    for seed in 0..captures {
        let mut rng = ChaCha8Rng::seed_from_u64(1000 + seed);
        let (deeds, draws, end_s) = random_visit(&mut rng, &loads);
        let meter = meter(&mut rng);
        let (segmentation, alignment) = build(&deeds, 0.008, end_s, &meter, seed);
        let found = solve(&segmentation, Some(&alignment), sheet, None);
        for (load, truth) in loads.iter().zip(&draws) {
            let row = of(&found, load, "on");
            let error = row.draw_a - truth;
            total += 1;
            held += u32::from(error.abs() <= row.coverage_factor * row.standard_uncertainty_a);
            if *truth >= 0.020 {
                worst = worst.max(error.abs() / truth);
            }
        }
    }
    (f64::from(held) / f64::from(total), worst)
}

/// 450 intervals a meter: 95 % ± 2.1 % at two standard deviations of the count itself.
#[test]
fn ninety_five_in_a_hundred_intervals_hold_the_truth() {
    for (wander_a, drift_a_per_h) in [(0.0, 0.0), (0.0005, 0.001), (0.002, 0.003), (0.0, 0.02)] {
        let (held, worst) = coverage(
            150,
            |rng| SceneMeter {
                offset_a: rng.random_range(-0.005..0.005),
                drift_a_per_h: rng.random_range(-1.0..1.0) * drift_a_per_h,
                wander_a,
                ..SceneMeter::default()
            },
            &JobSheet::default(),
        );
        assert!((0.929..0.98).contains(&held), "{held} at {wander_a} and {drift_a_per_h}");
        assert!(worst < 0.05, "{worst} at {wander_a} and {drift_a_per_h}");
    }
}

#[test]
fn an_accuracy_error_inside_the_stated_one_is_covered() {
    let sheet = JobSheet {
        meter: Some(MeterSpec { accuracy_percent_of_reading: 2.0, ..MeterSpec::default() }),
        ..JobSheet::default()
    };
    let (held, _) = coverage(
        150,
        |rng| SceneMeter {
            gain: rng.random_range(-0.02..0.02),
            wander_a: 0.001,
            ..SceneMeter::default()
        },
        &sheet,
    );
    assert!(held >= 0.95, "{held}");
}

/// The zero of a visit of 19 min that `moved` adds to, ampere at a time, with checks at both ends
/// and between.
fn zero_of(offset_a: f64, moved: impl Fn(f64) -> f64) -> (ZeroModel, LoadsFound) {
    let mut deeds = visit(0.030, 0.214, 0.080);
    deeds.insert(0, deed(0.0, "zero", 0.0, "check"));
    deeds.insert(1, silent(45.0, "zero", 1.0));
    let meter = SceneMeter { offset_a, ..SceneMeter::default() };
    let (mut segmentation, alignment) = build(&deeds, 0.0, 1140.0, &meter, 12);
    for segment in &mut segmentation.segments {
        segment.mean_a += moved(0.5 * (segment.start_s + segment.end_s));
    }
    let found = solve(&segmentation, Some(&alignment), &JobSheet::default(), None);
    (found.zero.clone(), found)
}

#[test]
fn the_zero_is_removed_in_the_shape_that_the_readings_show() {
    let (zero, _) = zero_of(0.004, |_| 0.0);
    assert!(zero.answer.starts_with("Yes: 2 zero checks"), "{}", zero.answer);
    assert!(zero.answer.contains("removed as a constant, and levels can be trusted to ± "));
    assert_eq!(zero.drift_a_per_h, Some(0.0));
    assert!(zero.trusted_to_a.unwrap() < 0.003, "{:?}", zero.trusted_to_a);

    let (zero, found) = zero_of(0.0, |t| 0.030 * t / 3600.0);
    assert!(zero.answer.contains("as a straight line"), "{}", zero.answer);
    assert!((zero.drift_a_per_h.unwrap() - 0.030).abs() < 0.003, "{zero:?}");
    assert!((of(&found, "radio", "on").draw_a - 0.214).abs() < 0.001);

    let (zero, found) = zero_of(0.0, |t| 0.010 * ((t - 570.0) / 570.0).powi(2));
    assert!(zero.answer.contains("as a bowed line"), "{}", zero.answer);
    let bow_a = 0.5 * (zero.at(20.0) + zero.at(1120.0)) - zero.at(570.0);
    assert!((bow_a - 0.0095).abs() < 0.001, "{zero:?}");
    assert!((of(&found, "radio", "on").draw_a - 0.214).abs() < 0.001);
}

/// A zero that goes straight from each check to the next, up and down by several milliampere: no line
/// and no parabola follows it, and between two checks the truth is their straight line.
#[test]
fn a_zero_that_moves_between_many_checks_is_removed_from_check_to_check() {
    let at_check_a = [0.0, 0.006, -0.002, 0.005, -0.004, 0.003, -0.003, 0.004, 0.0];
    let (mut deeds, each_s, draw_a) = (Vec::new(), 120.0, 0.080);
    for k in 0..at_check_a.len() {
        let from_s = each_s * k as f64;
        deeds.push(deed(from_s, "zero", 0.0, "check"));
        deeds.push(silent(from_s + 40.0, "zero", 1.0));
        if k + 1 < at_check_a.len() {
            deeds.push(deed(from_s + 60.0, "probe", draw_a, "on"));
            deeds.push(deed(from_s + 100.0, "probe", 0.0, "off"));
        }
    }
    let end_s = each_s * at_check_a.len() as f64 - 80.0;
    let truth = |t: f64| {
        let part = ((t - 20.0) / each_s).clamp(0.0, at_check_a.len() as f64 - 1.0);
        let k = (part as usize).min(at_check_a.len() - 2);
        at_check_a[k] + (part - k as f64) * (at_check_a[k + 1] - at_check_a[k])
    };
    let (mut segmentation, alignment) = build(&deeds, 0.020, end_s, &SceneMeter::default(), 5);
    for segment in &mut segmentation.segments {
        segment.mean_a += truth(0.5 * (segment.start_s + segment.end_s));
    }
    let found = solve(&segmentation, Some(&alignment), &JobSheet::default(), None);
    let zero = &found.zero;
    assert!(zero.answer.contains("from check to check"), "{}", zero.answer);
    assert_eq!(zero.checks.len(), at_check_a.len());
    for t in (20..980).step_by(10).map(f64::from) {
        assert!((zero.at(t) - truth(t)).abs() < 0.001, "{t} {} {}", zero.at(t), truth(t));
    }
    // The first check to the last: 0 in 960 s.
    assert!(zero.drift_a_per_h.unwrap().abs() < 0.003, "{:?}", zero.drift_a_per_h);
    let probe = of(&found, "probe", "on");
    assert!((probe.draw_a - draw_a).abs() < 2.0 * probe.standard_uncertainty_a, "{probe:?}");
}

#[test]
fn a_zero_out_of_tolerance_and_one_that_nobody_checked_say_what_that_costs() {
    let (zero, found) = zero_of(0.020, |_| 0.0);
    assert!(!zero.trusted && zero.answer.starts_with("No: 2 zero checks"), "{}", zero.answer);
    assert!(zero.checks.iter().all(|check| !check.within_tolerance));
    // What is removed is removed all the same.
    assert!(zero.checks.iter().all(|check| check.residual_a.abs() < 0.001), "{zero:?}");
    assert!((of(&found, "radio", "on").draw_a - 0.214).abs() < 0.001);

    let deeds = [deed(60.0, "radio", 0.040, "on"), deed(120.0, "radio", 0.030, "standby")];
    let (segmentation, alignment) = build(&deeds, 0.050, 200.0, &SceneMeter::default(), 13);
    let zero = solve(&segmentation, Some(&alignment), &JobSheet::default(), None).zero;
    assert!(zero.answer.contains("no zero check was made"), "{}", zero.answer);
    assert!(zero.answer.contains("may be off by the meter's unseen zero, up to some 15 mA"));
    assert_eq!((zero.offset_a, zero.trusted), (None, false));
}

#[test]
fn the_budget_adds_up_and_the_meters_slope_does_not_average_out() {
    let sheet = JobSheet {
        meter: Some(MeterSpec {
            accuracy_percent_of_reading: 2.0,
            accuracy_counts: 3.0,
            resolution_a: Some(0.001),
            zero_return_tolerance_a: None,
        }),
        ..JobSheet::default()
    };
    let (segmentation, alignment) =
        build(&visit(0.030, 0.214, 0.080), 0.0, 1140.0, &SceneMeter::default(), 14);
    let found = solve(&segmentation, Some(&alignment), &sheet, None);
    for row in &found.loads {
        let items = &row.uncertainty_budget;
        let variance: f64 = items.iter().map(|i| i.standard_uncertainty_a.powi(2)).sum();
        let close = |a: f64, b: f64| (a - b).abs() <= 1e-9 * b.abs();
        assert!(close(variance.sqrt(), row.standard_uncertainty_a), "{row:?}");
        assert!(close(items.iter().map(|i| i.share).sum(), 1.0), "{row:?}");
        let parts: Vec<_> =
            items.iter().map(|i| (i.standard_uncertainty_a, i.degrees_of_freedom)).collect();
        let df = crate::numeric::welch_satterthwaite(&parts).unwrap();
        assert!(close(df, row.degrees_of_freedom.unwrap()), "{row:?}");
        assert!(close(crate::numeric::coverage_factor_95(Some(df)), row.coverage_factor));
        let item = |source: &str| items.iter().find(|i| i.source.starts_with(source)).unwrap();
        let noise = item("noise of the readings");
        assert_eq!((noise.evaluation, noise.distribution.as_str()), (EvaluationType::A, "Student"));
        // Seen twice, in four steps or more: neither slope nor counts are less for it.
        let slope = item("meter accuracy, 2 % of reading");
        assert!(close(slope.standard_uncertainty_a, 0.02 * row.draw_a / 3f64.sqrt()), "{row:?}");
        assert_eq!((slope.evaluation, slope.degrees_of_freedom), (EvaluationType::B, None));
        let counts = item("meter accuracy, counts");
        assert!(close(counts.standard_uncertainty_a, 0.003 / 3f64.sqrt()), "{row:?}");
    }
}

/// A unit sleeps at 10 mA, wakes to 60 mA, sticks at 40 mA and sleeps again, or is switched off first.
#[test]
fn a_unit_that_stays_awake_keeps_its_draws() {
    let until_stuck = || {
        vec![
            deed(0.0, "zero", 0.0, "check"),
            silent(30.0, "zero", 1.0),
            deed(60.0, "receiver", 0.120, "on"),
            silent(90.0, "receiver", 0.010),
            silent(150.0, "receiver", 0.060),
            silent(155.0, "receiver", 0.040),
        ]
    };
    let meter = SceneMeter { sigma_a: 2e-4, share_of_level: 0.001, ..SceneMeter::default() };
    let sleeps = [silent(200.0, "receiver", 0.010), deed(320.0, "receiver", 0.0, "off")];
    let dies = [
        deed(200.0, "receiver", 0.0, "off"),
        deed(260.0, "receiver", 0.120, "on"),
        silent(290.0, "receiver", 0.010),
        deed(350.0, "receiver", 0.0, "off"),
    ];
    for (end, seed) in [(&sleeps[..], 31), (&sleeps[..1], 32), (&dies[..], 33), (&[][..], 34)] {
        let deeds = [until_stuck(), end.to_vec()].concat();
        let (segmentation, alignment) = build(&deeds, 0.0, 400.0, &meter, seed);
        let found = solve(&segmentation, Some(&alignment), &JobSheet::default(), None);
        for (state, truth) in [("on", 0.120), ("asleep", 0.010)] {
            let row = of(&found, "receiver", state);
            assert!((row.draw_a - truth).abs() < 0.001, "{seed}: {row:?}");
        }
    }
}

/// Zero checks at night, after which a controller sleeps on until somebody presses its button.
#[test]
fn what_a_load_draws_asleep_after_a_zero_check_is_the_loads() {
    let pressed = |time_s: f64| {
        [deed(time_s, "controller", 0.150, "pressed"), silent(time_s + 40.0, "controller", 0.015)]
    };
    let check =
        |time_s: f64| [deed(time_s, "zero", 0.0, "check"), silent(time_s + 60.0, "zero", 1.0)];
    let start = [deed(120.0, "controller", 0.150, "on"), silent(160.0, "controller", 0.015)];
    let deeds: Vec<Deed> = [
        check(0.0),
        start,
        pressed(500.0),
        check(800.0),
        pressed(1200.0),
        check(1500.0),
        check(1700.0),
        pressed(1900.0),
        check(2200.0),
    ]
    .concat();
    let meter = SceneMeter { sigma_a: 2e-4, share_of_level: 0.001, ..SceneMeter::default() };
    let (segmentation, alignment) = build(&deeds, 0.0, 2400.0, &meter, 41);
    let found = solve(&segmentation, Some(&alignment), &JobSheet::default(), None);
    assert!(found.base_a.is_none_or(|a| a.abs() < 0.001), "{:?}", found.base_a);
    let lowest_a = found.loads.iter().map(|row| row.draw_a).fold(f64::INFINITY, f64::min);
    let highest_a = found.loads.iter().map(|row| row.draw_a).fold(0.0, f64::max);
    assert!((lowest_a - 0.015).abs() < 0.001, "{:?}", found.loads);
    assert!((highest_a - 0.150).abs() < 0.002, "{:?}", found.loads);
}

/// A controller on the lead alone, eight hours: up for three minutes on 172 mA when it is switched on and for
/// a minute or two when pressed, else asleep on 15.6 mA and awake for ten seconds every quarter of an hour, with four
/// zero checks. `stuck` wakes end on 55 mA for some minutes.
fn boot_night(wake_a: f64, stuck: Option<usize>) -> LoadsFound {
    const ASLEEP_A: f64 = 0.0156;
    let mut deeds = vec![deed(0.0, "zero", 0.0, "check"), silent(150.0, "zero", 1.0)];
    deeds.push(deed(165.0, "controller", 0.172, "on"));
    deeds.push(silent(343.0, "controller", ASLEEP_A));
    for (at_s, up_s) in [(10_432.0, 160.0), (18_537.0, 70.0)] {
        deeds.push(deed(at_s, "controller", 0.172, "pressed"));
        deeds.push(silent(at_s + up_s, "controller", ASLEEP_A));
    }
    for at_s in [9608.0, 19_476.0, 28_651.0] {
        deeds.push(deed(at_s, "zero", 0.0, "check"));
        deeds.push(silent(at_s + 100.0, "zero", 1.0));
    }
    for wake in 1..32 {
        let at_s = 900.0 * wake as f64 + 40.0;
        deeds.push(silent(at_s, "controller", ASLEEP_A + wake_a));
        if stuck == Some(wake) {
            deeds.push(silent(at_s + 10.0, "controller", 0.055));
            deeds.push(silent(at_s + 690.0, "controller", ASLEEP_A));
        } else {
            deeds.push(silent(at_s + 10.0, "controller", ASLEEP_A));
        }
    }
    deeds.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
    let meter = SceneMeter { interval_s: 1.0, offset_a: 0.001, ..SceneMeter::default() };
    let (mut segmentation, alignment) = build(&deeds, 0.0, 28_800.0, &meter, 31);
    // After some wakes a tail that moves, and stretches with a small move in them.
    for (at, segment) in segmentation.segments.iter_mut().enumerate() {
        if at % 7 == 3 && segment.mean_a < 0.1 && segment.mean_a > 0.01 {
            segment.noise_a *= 3.0;
            segment.standard_uncertainty_a = 0.0022;
        }
    }
    solve(&segmentation, Some(&alignment), &JobSheet::default(), None)
}

#[test]
fn a_controller_that_sleeps_between_zero_checks_keeps_its_draws_and_names() {
    let mut wrong = Vec::new();
    for (wake_a, stuck) in [(0.113, None), (0.256, None), (0.350, Some(8)), (0.256, Some(24))] {
        let found = boot_night(wake_a, stuck);
        let names: Vec<&str> = found.loads.iter().map(|row| row.state.as_str()).collect();
        let mut told = |what: String| wrong.push(format!("{wake_a} {stuck:?} {names:?}: {what}"));
        if found.base_a.is_some_and(|a| a.abs() > 0.001) {
            told(format!("base {:?}", found.base_a));
        }
        for (state, draw_a) in [("on", 0.172), ("asleep", 0.0156), ("pressed", 0.172)] {
            let row = found.loads.iter().find(|row| row.state == state);
            let off_a = row.map(|row| (row.draw_a - draw_a).abs());
            let held_a = row.map(|row| row.coverage_factor * row.standard_uncertainty_a);
            if !off_a.zip(held_a).is_some_and(|(off_a, held_a)| off_a < 1.5 * held_a.min(0.002)) {
                told(format!("{state} off by {off_a:?} of {held_a:?}"));
            }
        }
        if names.len() != 3 {
            told("more states than it has".to_owned());
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}
