use super::*;
use crate::findings::{Advice, LoadBehaviour, Verdict};
use crate::jobsheet::{LoadSpec, SleepLimits, StateSpec};
use crate::loads::scene::{Deed, SceneMeter, build, deed, silent};
use crate::loads::{self, MeterSpec};

fn state(name: &str, specified_a: f64) -> StateSpec {
    StateSpec {
        name: name.to_owned(),
        specified_a: Some(specified_a),
        tolerance_percent: Some(20.0),
        maximum_a: None,
        minimum_a: None,
        at_voltage_v: Some(24.0),
        hours_per_day: None,
    }
}

fn maximum(name: &str, maximum_a: f64) -> StateSpec {
    StateSpec {
        specified_a: None,
        tolerance_percent: None,
        maximum_a: Some(maximum_a),
        ..state(name, 0.0)
    }
}

fn load(name: &str, states: Vec<StateSpec>) -> LoadSpec {
    LoadSpec { name: name.to_owned(), behaves_as: Some(LoadBehaviour::ConstantPower), states }
}

fn sheet(loads: Vec<LoadSpec>) -> JobSheet {
    let mut sheet = JobSheet { loads, ..JobSheet::default() };
    sheet.site.supply_voltage_v = Some(12.0);
    sheet
}

/// Two loads, each twice, zero checks at both ends.
fn visit(radio_a: f64, probe_a: f64) -> Vec<Deed> {
    vec![
        deed(0.0, "zero", 0.0, "check"),
        silent(40.0, "zero", 1.0),
        deed(60.0, "radio", radio_a, "on"),
        deed(180.0, "radio", 0.0, "off"),
        deed(240.0, "probe", probe_a, "on"),
        deed(360.0, "radio", radio_a, "on"),
        deed(480.0, "probe", 0.0, "off"),
        deed(540.0, "radio", 0.0, "off"),
        deed(600.0, "probe", probe_a, "on"),
        deed(700.0, "probe", 0.0, "off"),
        deed(760.0, "zero", 0.0, "check"),
    ]
}

fn carried(segmentation: &Segmentation) -> Carried {
    let charge_c: f64 =
        segmentation.segments.iter().map(|s| s.mean_a * (s.end_s - s.start_s)).sum();
    let time_s = segmentation.segments.last().unwrap().end_s;
    Carried { charge_ah: charge_c / 3600.0, mean_a: charge_c / time_s }
}

fn run(deeds: &[Deed], sheet: &JobSheet, listed: bool) -> Judgement {
    run_at(None, deeds, sheet, listed)
}

fn run_at(start: Option<DateTime>, deeds: &[Deed], sheet: &JobSheet, listed: bool) -> Judgement {
    let (segmentation, alignment) = build(deeds, 0.0, 800.0, &SceneMeter::default(), 11);
    let alignment = listed.then_some(&alignment);
    let found = loads::solve(&segmentation, alignment, sheet, Some(1e-4));
    judge_with(
        carried(&segmentation),
        start,
        &segmentation,
        alignment,
        &found,
        sheet,
        Risk::default(),
        None,
    )
}

fn row<'a>(judgement: &'a Judgement, load: &str) -> &'a crate::findings::LoadRow {
    judgement.loads.iter().find(|row| row.load == load).unwrap()
}

#[test]
fn the_faulty_radio_is_named_and_the_rest_cleared() {
    let sheet = sheet(vec![
        load("radio", vec![state("standby", 0.040)]),
        load("probe", vec![state("on", 0.0155)]),
    ]);
    let judgement = run(&visit(0.214, 0.031), &sheet, true);
    assert!(judgement.headline.starts_with("The radio draws 21"), "{}", judgement.headline);
    assert!(
        judgement
            .headline
            .ends_with("in standby; its limit at 12 V is 96 mA. Everything else conforms."),
        "{}",
        judgement.headline
    );
    assert_eq!(row(&judgement, "radio").verdict, Verdict::NonConforming);
    assert!(row(&judgement, "radio").anomaly_score.unwrap() > 50.0);
    assert_eq!(row(&judgement, "probe").anomaly_score, Some(0.0));
    assert!(judgement.advice[0].what.contains("its own supply lead"), "{:?}", judgement.advice);
    assert!(judgement.unexplained.is_empty(), "{:?}", judgement.unexplained);
}

// Facts of the trade (common practice, no source): 30 mA at 24 V is 60 mA at 12 V; 170 mA is a fault
// however the load behaves, under 20 mA is sound.
#[test]
fn a_verdict_stands_without_the_behaviour_where_all_behaviours_agree() {
    let mut radio = load("radio", vec![maximum("standby", 0.030)]);
    radio.behaves_as = None;
    let sheet = sheet(vec![radio]);
    let verdict = |radio_a| {
        let judgement = run(&visit(radio_a, 0.031), &sheet, true);
        assert!(judgement.cautions.iter().any(|c| c.code == "behaviour-unknown"));
        row(&judgement, "radio").clone()
    };
    assert_eq!(verdict(0.170).verdict, Verdict::NonConforming);
    // Resistive would allow 15 mA only.
    assert_eq!(verdict(0.014).verdict, Verdict::Conforming);
    let between = verdict(0.045);
    assert_eq!(between.verdict, Verdict::Indeterminate);
    assert!(between.to_decide.unwrap().contains("behaves_as"));
}

// Fact of the trade (common practice, no source): 15 mA against 10 mA is within a clamp's doubt.
#[test]
fn fifteen_milliampere_against_ten_is_within_a_clamps_doubt() {
    let mut at_12_v = maximum("asleep", 0.010);
    at_12_v.at_voltage_v = Some(12.0);
    let mut sheet = sheet(vec![load("radio", vec![at_12_v])]);
    sheet.meter = Some(MeterSpec {
        accuracy_percent_of_reading: 2.0,
        accuracy_counts: 10.0,
        resolution_a: Some(0.001),
        zero_return_tolerance_a: Some(0.015),
    });
    let judgement = run(&visit(0.015, 0.031), &sheet, true);
    let radio = row(&judgement, "radio");
    assert_eq!(radio.verdict, Verdict::Indeterminate, "{radio:?}");
    assert!(radio.to_decide.as_ref().unwrap().contains("meter"), "{radio:?}");
    assert!(judgement.headline.contains("cannot be told yet"), "{}", judgement.headline);
}

#[test]
fn nothing_wrong_and_nothing_to_judge_by_read_right() {
    let good = sheet(vec![
        load("radio", vec![state("standby", 0.040)]),
        load("probe", vec![state("on", 0.0155)]),
    ]);
    let headline = run(&visit(0.080, 0.031), &good, true).headline;
    assert!(
        headline.starts_with("Every load conforms to its limits; the largest is the radio"),
        "{headline}"
    );
    let headline = run(&visit(0.080, 0.031), &JobSheet::default(), true).headline;
    assert!(headline.contains("no limit is given to judge them by"), "{headline}");
    let judgement = run(&visit(0.080, 0.031), &JobSheet::default(), false);
    assert!(judgement.headline.contains("without an event list"), "{}", judgement.headline);
    assert!(judgement.advice.iter().any(|a| a.what.contains("starter")));
}

#[test]
fn a_sum_clears_but_never_convicts() {
    let deeds = |pump_a, fan_a| {
        vec![
            deed(60.0, "pump", pump_a, "on"),
            deed(60.0, "fan", fan_a, "on"),
            deed(300.0, "pump", 0.0, "off"),
            deed(300.0, "fan", 0.0, "off"),
            deed(500.0, "pump", pump_a, "on"),
            deed(500.0, "fan", fan_a, "on"),
        ]
    };
    let sheet = sheet(vec![
        load("pump", vec![maximum("on", 0.050)]),
        load("fan", vec![maximum("on", 0.050)]),
    ]);
    let judgement = run(&deeds(0.040, 0.020), &sheet, true);
    assert_eq!(row(&judgement, "pump").verdict, Verdict::Conforming);
    let judgement = run(&deeds(0.400, 0.020), &sheet, true);
    let pump = row(&judgement, "pump");
    assert_eq!(pump.verdict, Verdict::Indeterminate);
    assert!(pump.to_decide.as_ref().unwrap().starts_with("Together they draw more"), "{pump:?}");
    assert!(judgement.advice.iter().any(|a| a.what.contains("off and on for a minute")));
    let decide = judgement.advice.iter().find(|a| a.what.contains("together they draw more"));
    assert!(decide.unwrap().what.starts_with("To decide on the pump when on: "), "{decide:?}");
    // The sum is said once, whichever of the two it is told of.
    for sheet in [&sheet, &JobSheet::default()] {
        let headline = run(&deeds(0.400, 0.020), sheet, true).headline;
        assert_eq!(headline.matches("the fan").count(), 1, "{headline}");
    }
}

#[test]
fn unlisted_draw_is_ranked_by_its_charge() {
    let mut deeds = visit(0.080, 0.031);
    deeds.insert(4, silent(190.0, "heater", 0.5));
    deeds.insert(5, silent(200.0, "heater", 0.0));
    deeds.insert(10, silent(650.0, "heater", 0.3));
    deeds.insert(11, silent(690.0, "heater", 0.0));
    let judgement = run(&deeds, &JobSheet::default(), true);
    let charges: Vec<f64> = judgement.unexplained.iter().map(|u| u.charge_ah * 3600.0).collect();
    assert_eq!(charges.len(), 2, "{:?}", judgement.unexplained);
    assert!((charges[0] - 12.0).abs() < 0.3 && (charges[1] - 5.0).abs() < 0.3, "{charges:?}");
}

#[test]
fn a_night_it_failed_to_sleep_stands_out_without_an_event_list() {
    let mut deeds = vec![silent(0.0, "unit", 0.010)];
    for wake in 1..7 {
        let at_s = f64::from(wake) * 100.0;
        deeds.push(silent(at_s, "unit", 0.120));
        deeds.push(silent(at_s + if wake == 4 { 90.0 } else { 5.0 }, "unit", 0.010));
    }
    let judgement = run(&deeds, &JobSheet::default(), false);
    assert_eq!(judgement.unexplained.len(), 1, "{:?}", judgement.unexplained);
    assert!((judgement.unexplained[0].delta_a - 0.110).abs() < 0.002);
    assert!((judgement.unexplained[0].start_s - 400.0).abs() < 1.0);
    let wanted = |advice: Vec<Advice>, when: &str| {
        assert!(advice.iter().any(|one| one.what.contains(when)), "{advice:?}");
    };
    wanted(judgement.advice, "after the start");
    let start = Some(jiff::civil::date(2026, 5, 12).at(23, 55, 0, 0));
    let judgement = run_at(start, &deeds, &JobSheet::default(), false);
    wanted(judgement.advice, "from 13 May 00:01:40 to 00:03:10");
}

#[test]
fn steps_and_stays_are_scored_against_what_they_should_be() {
    let mut deeds = visit(0.080, 0.031);
    // The radio's second switching draws 20 mA more than its first.
    deeds[5].draw_a = 0.100;
    let judgement = run(&deeds, &JobSheet::default(), true);
    let scores: Vec<f64> = judgement.steps.iter().filter_map(|s| s.anomaly_score).collect();
    let plain = run(&visit(0.080, 0.031), &JobSheet::default(), true);
    let quiet: Vec<f64> = plain.steps.iter().filter_map(|s| s.anomaly_score).collect();
    assert!(quiet.len() >= 8 && quiet.iter().all(|z| z.abs() < 4.0), "{quiet:?}");
    assert!(scores.iter().any(|z| z.abs() > 4.0), "{scores:?}");
    assert!(plain.steps.iter().all(|s| s.by_itself.is_none()));
    assert!(plain.visit_scores.iter().flatten().all(|z| z.abs() < 4.0));
    assert!(plain.visit_scores.iter().flatten().count() >= 4);
}

#[test]
fn a_step_that_a_load_took_by_itself_says_so() {
    let deeds = vec![
        deed(60.0, "controller", 0.120, "on"),
        silent(90.0, "controller", 0.010),
        deed(200.0, "controller", 0.0, "off"),
        deed(300.0, "controller", 0.120, "on"),
        silent(330.5, "controller", 0.010),
        deed(460.0, "controller", 0.0, "off"),
    ];
    let judgement = run(&deeds, &JobSheet::default(), true);
    let own: Vec<&str> = judgement.steps.iter().filter_map(|s| s.by_itself.as_deref()).collect();
    assert_eq!(own, ["controller (asleep)", "controller (asleep)"]);
}

#[test]
fn what_to_measure_next_is_ranked_by_what_it_would_settle() {
    let deeds = vec![
        // Never switched off, so that nothing can be taken for a zero check.
        silent(0.0, "controller", 0.050),
        deed(60.0, "pump", 0.040, "on"),
        deed(60.0, "fan", 0.020, "on"),
        deed(160.0, "pump", 0.0, "off"),
        deed(160.0, "fan", 0.0, "off"),
        deed(260.0, "probe", 0.060, "on"),
        deed(400.0, "probe", 0.0, "off"),
        deed(500.0, "led", 0.008, "on"),
        deed(620.0, "led", 0.0, "off"),
    ];
    let typical = |name: &str, a: f64| StateSpec {
        tolerance_percent: None,
        at_voltage_v: None,
        ..state(name, a)
    };
    let mut sheet = sheet(vec![
        load("pump", vec![typical("on", 0.040)]),
        load("fan", vec![typical("on", 0.020)]),
        load("probe", vec![typical("measuring", 0.060), typical("asleep", 0.001)]),
        load("led", vec![typical("on", 0.008)]),
    ]);
    sheet.meter =
        Some(MeterSpec { accuracy_counts: 5.0, resolution_a: Some(0.001), ..MeterSpec::default() });
    let advice = run(&deeds, &sheet, true).advice;
    let place = |words: &str| {
        let found = advice.iter().position(|a| a.what.contains(words));
        found.unwrap_or_else(|| panic!("no \"{words}\" in {advice:#?}"))
    };
    let places = [
        place("Switch the pump off and on"),
        place("Make a zero check"),
        place("Leave the probe alone for longer"),
        place("Measure the led on a finer range"),
    ];
    assert!(places.is_sorted(), "{places:?} {advice:#?}");
}

/// A unit that never slept, held to limits on sleep: silence would pass for conformity.
#[test]
fn limits_on_sleep_that_nothing_was_held_to_are_told() {
    let mut sheet = sheet(vec![]);
    let told = |sheet: &JobSheet| {
        let judgement = run(&[silent(0.0, "unit", 0.012)], sheet, false);
        let told = |c: &crate::findings::Caution| c.code == "sleep-limit-not-tried";
        (judgement.cautions.into_iter().find(told).map(|c| c.text), judgement.headline)
    };
    sheet.sleep = Some(SleepLimits::default());
    assert_eq!(told(&sheet).0, None);
    sheet.sleep = Some(SleepLimits { sleep_max_a: Some(6e-5), ..SleepLimits::default() });
    let (caution, headline) = told(&sheet);
    let caution = caution.expect("a caution");
    assert!(caution.contains("is above the 60 µA allowed asleep"), "{caution}");
    assert!(headline.contains("No limit on sleep was tried"), "{headline}");
}

/// 12 V with two noughts too many, at the site or in a load's figures; 120 V is the bound of IEC 61140.
#[test]
fn a_supply_above_extra_low_voltage_is_told() {
    let told = |site_v: f64, at_v: f64| {
        let at = |spec: StateSpec| StateSpec { at_voltage_v: Some(at_v), ..spec };
        let mut sheet = sheet(vec![load("radio", vec![at(state("standby", 0.040))])]);
        sheet.site.supply_voltage_v = Some(site_v);
        let cautions = run(&visit(0.080, 0.0155), &sheet, true).cautions;
        cautions.into_iter().find(|c| c.code == "above-extra-low-voltage").map(|c| c.text)
    };
    assert!(told(1200.0, 24.0).is_some_and(|text| text.contains("1200 V")));
    assert!(told(12.0, 2400.0).is_some());
    assert_eq!((told(12.0, 24.0), told(110.0, 120.0)), (None, None));
}
