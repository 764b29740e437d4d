//! A visit to an orchard's pump hut, made by hand: every part of the result document is filled, so
//! that every part of the report has something to say. The numbers hang together, but they are
//! the story's, not a measurement.

use ebbmark::capture::{Capture, OverloadSpan, Samples, Sampling, TimeAxis};
use ebbmark::findings::*;
use ebbmark::judge::Judgement;
use ebbmark::loads::{LoadsFound, ZeroModel};
use ebbmark::pipeline::Analysis;
use ebbmark::segment::{NoiseModel, Segmentation};

const INTERVAL_S: f64 = 0.5;
const END_S: f64 = 1200.0;

/// `(from, to, level in ampere)`; what lies between two levels is a step.
const LEVELS: [(f64, f64, f64); 19] = [
    (0.0, 60.0, 0.0),
    (60.0, 64.0, 0.252),
    (64.0, 96.0, 0.121),
    (96.0, 200.0, 0.0102),
    (200.0, 280.0, 0.0482),
    (280.0, 340.0, 0.0102),
    (340.0, 420.0, 0.2242),
    (420.0, 470.0, 0.0102),
    (470.0, 540.0, 0.0652),
    (540.0, 600.0, 0.0102),
    (600.0, 660.0, 0.0482),
    (660.0, 700.0, 0.0102),
    (700.0, 780.0, 0.2242),
    (780.0, 830.0, 0.0102),
    (830.0, 880.0, 0.0652),
    (880.0, 950.0, 0.0102),
    (950.0, 990.0, 0.0412),
    (990.0, 1040.0, 0.0102),
    (1040.0, 1200.0, 0.0),
];

/// `(row, load, state, listed, step)`.
const LINES: [(u64, &str, &str, f64, Option<usize>); 16] = [
    (2, "", "zero", 20.0, None),
    (3, "controller", "boot", 56.0, Some(0)),
    (4, "tank level probe", "on", 195.0, Some(3)),
    (5, "tank level probe", "off", 275.0, Some(4)),
    (6, "telemetry radio", "on", 333.0, Some(5)),
    (7, "telemetry radio", "off", 416.0, Some(6)),
    (8, "valve driver", "on", 464.0, Some(7)),
    (9, "valve driver", "off", 534.0, Some(8)),
    (10, "tank level probe", "on", 595.0, Some(9)),
    (11, "tank level probe", "off", 655.0, Some(10)),
    (12, "telemetry radio", "on", 695.0, Some(11)),
    (13, "telemetry radio", "off", 773.0, Some(12)),
    (14, "valve driver", "on", 826.0, Some(13)),
    (15, "valve driver", "off", 874.0, Some(14)),
    (16, "valve driver", "hold", 905.0, None),
    (17, "controller", "off", 1034.0, Some(17)),
];

/// Noise without a generator: the fractional parts of multiples of the golden ratio.
fn noise(i: usize) -> f64 {
    let part = |x: f64| (i as f64 * x).fract();
    part(0.618_033_988_749_895) + part(0.754_877_666_246_693) + part(0.569_840_290_998_053) - 1.5
}

fn gap(time_s: f64) -> bool {
    (1100.0..1118.0).contains(&time_s)
}

/// The readings: with a gap, an inrush, and a zero of 2 mA.
pub(crate) fn samples() -> Samples {
    let mut times = Vec::new();
    let mut current_a = Vec::new();
    for i in 0..=(END_S / INTERVAL_S) as usize {
        let time_s = i as f64 * INTERVAL_S;
        if gap(time_s) {
            continue;
        }
        let level =
            LEVELS.iter().rev().find(|level| time_s >= level.0).map_or(0.0, |level| level.2);
        let inrush = if (60.0..61.0).contains(&time_s) { 0.71 } else { 0.0 };
        let value = 0.002 + level + inrush + noise(i) * (0.0012 + 0.01 * level);
        times.push(time_s);
        current_a.push((value / 0.001).round() * 0.001);
    }
    Samples { time: TimeAxis::Listed(times), current_a }
}

fn item(
    source: &str,
    evaluation: EvaluationType,
    u: f64,
    nu: Option<f64>,
    share: f64,
) -> UncertaintyItem {
    UncertaintyItem {
        source: source.into(),
        evaluation,
        distribution: if nu.is_some() { "Student" } else { "rectangular" }.into(),
        standard_uncertainty_a: u,
        degrees_of_freedom: nu,
        share,
        common_to: if nu.is_some() { CommonTo::Draw } else { CommonTo::Meter },
    }
}

struct Spec {
    load: &'static str,
    state: &'static str,
    draw_a: f64,
    u_a: f64,
    limit_a: Option<f64>,
    specified_a: Option<f64>,
    verdict: Verdict,
    probability: Option<f64>,
}

fn load(spec: &Spec) -> LoadRow {
    LoadRow {
        load: spec.load.into(),
        state: spec.state.into(),
        draw_a: spec.draw_a,
        standard_uncertainty_a: spec.u_a,
        expanded_uncertainty_a: 2.0 * spec.u_a,
        coverage_factor: 2.0,
        observations: 6,
        separable: true,
        inseparable_from: vec![],
        specified_a: spec.specified_a,
        limit_low_a: None,
        limit_high_a: spec.limit_a,
        listed_specified_a: spec.specified_a.map(|a| a / 2.0),
        listed_at_voltage_v: spec.specified_a.map(|_| 24.0),
        behaves_as: spec.specified_a.map(|_| LoadBehaviour::ConstantPower),
        verdict: spec.verdict,
        conformance_probability: spec.probability,
        guard_band_a: spec.limit_a.map(|_| 2.0 * spec.u_a),
        anomaly_score: spec.limit_a.map(|limit| (spec.draw_a - limit) / spec.u_a),
        uncertainty_budget: vec![
            item("noise of the steady states", EvaluationType::A, 0.1 * spec.u_a, Some(41.0), 0.01),
            item("accuracy, 2 % of reading", EvaluationType::B, 0.93 * spec.u_a, None, 0.87),
            item("zero and its drift", EvaluationType::B, 0.34 * spec.u_a, None, 0.12),
        ],
        to_decide: (spec.verdict == Verdict::Indeterminate)
            .then(|| "log its standby for another 20 min, or use a meter good to 1 %".into()),
    }
}

/// The result document of the visit.
pub(crate) fn findings() -> Findings {
    let samples = samples();
    let segments: Vec<SegmentRow> = LEVELS
        .iter()
        .map(|&(start_s, end_s, mean_a)| SegmentRow {
            start_s,
            end_s,
            samples: ((end_s - start_s) / INTERVAL_S) as u64,
            mean_a,
            noise_a: 0.0012 + 0.01 * mean_a,
            standard_uncertainty_a: 0.0003,
            kind: if end_s - start_s < 10.0 { SegmentKind::Transient } else { SegmentKind::Steady },
            state: (end_s - start_s >= 10.0).then_some(0),
            anomaly_score: None,
        })
        .collect();
    let steps: Vec<StepRow> = LEVELS
        .windows(2)
        .enumerate()
        .map(|(i, pair)| StepRow {
            time_s: pair[1].0,
            time_low_s: pair[1].0 - 0.5,
            time_high_s: pair[1].0 + 0.5,
            delta_a: pair[1].2 - pair[0].2,
            standard_uncertainty_a: 0.0006,
            event: LINES.iter().position(|line| line.4 == Some(i)),
            score: 0.999,
            by_itself: None,
            anomaly_score: None,
        })
        .collect();
    let events = LINES
        .iter()
        .map(|&(row, load, state, listed_s, step)| EventRow {
            row,
            load: load.into(),
            state: state.into(),
            listed_s,
            aligned_s: listed_s + 5.2,
            step,
        })
        .collect();
    let radio = Spec {
        load: "telemetry radio",
        state: "standby",
        draw_a: 0.2142,
        u_a: 0.0024,
        limit_a: Some(0.096),
        specified_a: Some(0.080),
        verdict: Verdict::NonConforming,
        probability: Some(0.0),
    };
    let others = [
        Spec {
            load: "controller",
            state: "asleep",
            draw_a: 0.0102,
            u_a: 0.0011,
            limit_a: Some(0.012),
            specified_a: None,
            verdict: Verdict::Indeterminate,
            probability: Some(0.949),
        },
        Spec {
            load: "controller",
            state: "idle",
            draw_a: 0.1210,
            u_a: 0.0017,
            limit_a: Some(0.130),
            specified_a: None,
            verdict: Verdict::Conforming,
            probability: Some(0.99999),
        },
        Spec {
            load: "tank level probe",
            state: "on",
            draw_a: 0.0380,
            u_a: 0.0012,
            limit_a: Some(0.045),
            specified_a: None,
            verdict: Verdict::Conforming,
            probability: Some(0.99999),
        },
        Spec {
            load: "valve driver",
            state: "on",
            draw_a: 0.0550,
            u_a: 0.0013,
            limit_a: None,
            specified_a: None,
            verdict: Verdict::NoLimit,
            probability: None,
        },
    ];
    let mut loads: Vec<LoadRow> = others.iter().map(load).collect();
    loads.insert(3, load(&radio));
    let state = |id, mean_a: f64, time_s: f64| StateRow {
        id,
        mean_a,
        noise_a: 0.0012 + 0.01 * mean_a,
        time_s,
        share_of_time: time_s / END_S,
        charge_ah: mean_a * time_s / 3600.0,
    };
    Findings {
        schema: RESULT_SCHEMA.into(),
        headline: "The telemetry radio draws 214 mA ± 5 mA in standby; its limit at 12 V is 96 mA. \
                   Everything else conforms, but for the controller asleep, which cannot be told yet."
            .into(),
        site: Some("North orchard pump hut".into()),
        supply_voltage_v: Some(12.0),
        capture: CaptureFacts {
            file: "pump-hut-visit.csv".into(),
            samples: samples.len() as u64,
            start: Some("2026-11-24T09:12:04".into()),
            duration_s: END_S,
            sampling_interval_s: Some(INTERVAL_S),
            current_column: "I [mA]".into(),
            unit: "mA".into(),
            resolution_a: Some(0.001),
            overload_samples: 1,
            unreadable_rows: 1,
            gaps: vec![Span { start_s: 1099.5, end_s: 1118.0 }],
            decisions: decisions(),
        },
        noise: Noise {
            sigma_a: 0.0012,
            lag1_autocorrelation: 0.31,
            spikes: 2,
            by_level: vec![
                NoiseAtLevel { level_a: 0.0, sigma_a: 0.0012 },
                NoiseAtLevel { level_a: 0.224, sigma_a: 0.0034 },
            ],
        },
        segments,
        steps,
        events,
        clock: Some(ClockRow {
            offset_s: 5.2,
            standard_uncertainty_s: 0.6,
            drift_s_per_h: None,
            rival_offsets_s: vec![],
        }),
        zero: ZeroFacts {
            checks: [(30.0, 0.0020, true), (1120.0, 0.0023, false)]
                .map(|(time_s, reading_a, listed)| ZeroCheck {
                    time_s,
                    reading_a,
                    residual_a: 1e-5,
                    within_tolerance: true,
                    listed,
                })
                .into(),
            offset_a: Some(0.002),
            drift_a_per_h: Some(0.00095),
            trusted: true,
            trusted_to_a: Some(0.0016),
            net_charge_ah: None,
            net_charge_expanded_uncertainty_ah: None,
            net_mean_a: None,
            answer: "The meter is to be believed: two zero checks came back to within 2.3 mA of zero, \
                     inside its 10 mA tolerance."
                .into(),
        },
        duty: loads
            .iter()
            .map(|row| DutyRow {
                load: row.load.clone(),
                state: row.state.clone(),
                time_s: 160.0,
                charge_ah: row.draw_a * 160.0 / 3600.0,
            })
            .collect(),
        base_a: Some(0.0),
        loads,
        states: vec![
            state(0, 0.0, 220.0),
            state(1, 0.0102, 488.0),
            state(2, 0.0412, 40.0),
            state(3, 0.0482, 140.0),
            state(4, 0.0652, 120.0),
            state(5, 0.121, 32.0),
            state(6, 0.2242, 160.0),
        ],
        sleep: None,
        wakes: Some(Wakes {
            count: 4,
            period_s: Some(300.0),
            period_sd_s: Some(2.0),
            width_s: 1.0,
            peak_a: 0.12,
            charge_each_ah: 3.1e-5,
            share_of_charge: 0.007,
        }),
        unexplained: vec![Unexplained {
            start_s: 950.0,
            end_s: 990.0,
            delta_a: 0.031,
            charge_ah: 0.031 * 40.0 / 3600.0,
        }],
        totals: Totals {
            charge_ah: 0.0182,
            mean_a: 0.0546,
            sample_mean_a: 0.0551,
            minimum_a: -0.001,
            maximum_a: 0.967,
        },
        budget: Some(budget()),
        advice: vec![
            Advice {
                what: "Swap the telemetry radio for a sound one and log its standby again.".into(),
                why: "It would show whether the radio or its wiring draws the 118 mA beyond the limit."
                    .into(),
            },
            Advice {
                what: "Log the controller asleep for 20 min with nothing else connected.".into(),
                why: "Its draw lies within the meter's doubt of the limit.".into(),
            },
        ],
        cautions: vec![
            Caution::new("unreadable-rows", "1 row of the capture could not be read: line 1207."),
            Caution::new("overload", "1 reading at 09:13:04 was over range: the inrush is larger than shown."),
        ],
    }
}

fn decisions() -> Vec<Decision> {
    let decision = |what: &str, chosen: &str, why: &str, option: Option<&str>| Decision {
        what: what.into(),
        chosen: chosen.into(),
        why: why.into(),
        option: option.map(str::to_owned),
    };
    vec![
        decision(
            "encoding",
            "windows-1252",
            "one byte 0xB5 in the header reads µ",
            Some("--encoding windows-1252"),
        ),
        decision("delimiter", "semicolon", "every row splits into 3 cells", None),
        decision("decimal mark", "comma", "cells hold digits, comma, digits", None),
        decision(
            "current column",
            "I [mA]",
            "the only column in a unit of current",
            Some("--current-column 'I [mA]'"),
        ),
        decision("unit", "mA", "the header says so", Some("--unit mA")),
        decision(
            "clock",
            "date and time",
            "every cell of column 1 reads DD.MM.YYYY hh:mm:ss",
            Some("--clock-format '%d.%m.%Y %H:%M:%S'"),
        ),
    ]
}

fn budget() -> Budget {
    let share = |load: &str, state: &str, draw_a: f64, ah_per_day: f64| BudgetShare {
        load: load.into(),
        state: Some(state.into()),
        draw_a,
        hours_per_day: 24.0,
        draw_source: "measured".into(),
        hours_source: "job sheet".into(),
        ah_per_day,
        standard_uncertainty_ah_per_day: Some(0.01 * ah_per_day),
        share: ah_per_day / 6.3,
    };
    Budget {
        ah_per_day: 6.3,
        expanded_uncertainty_ah_per_day: Some(0.12),
        runtime_h: Some(33.1),
        runtime_low_h: Some(31.0),
        runtime_high_h: Some(35.2),
        autonomy_days: Some(1.38),
        usable_capacity_ah: Some(8.7),
        by_load: vec![
            share("telemetry radio", "standby", 0.2142, 5.14),
            share("tank level probe", "on", 0.038, 0.91),
            share("controller", "asleep", 0.0102, 0.25),
        ],
        factors: vec![Factor {
            name: "rated capacity".into(),
            value: 18.0,
            source: "job sheet".into(),
            unit: Some("Ah".into()),
        }],
        solar: Some(SolarBalance {
            break_even_harvest_ah_per_day: 7.4,
            break_even_sun_hours_per_day: Some(4.4),
            harvest_ah_per_day: Some(4.0),
            balance_ah_per_day: Some(-3.4),
            runtime_h: Some(61.0),
        }),
        complaint_days: Some(1.5),
        case: BatteryCase::DrawExplains,
        conclusion:
            "A sound battery would have lasted 33 h at this draw; the complaint says 1.5 days. \
                     The draw explains it: the battery need not be at fault."
                .into(),
        what_if: vec![WhatIf {
            load: "telemetry radio".into(),
            change: WhatIfChange::Repaired,
            ah_per_day: 3.1,
            runtime_h: Some(74.0),
            runtime_gained_h: Some(40.9),
        }],
        cautions: vec![],
    }
}

/// The capture as read.
pub(crate) fn capture() -> Capture {
    let facts = findings().capture;
    let samples = samples();
    let first_rows = (0..5).map(|i| (samples.time.at(i), samples.current_a[i])).collect();
    Capture {
        file: facts.file,
        start: facts.start.and_then(|start| start.parse().ok()),
        utc_offset: None,
        time_of_day: None,
        current_column: facts.current_column,
        unit: facts.unit,
        resolution_a: facts.resolution_a,
        sampling: Sampling {
            interval_s: facts.sampling_interval_s,
            interval_range_s: Some((0.49, 0.52)),
            gaps: facts.gaps,
        },
        overload: vec![OverloadSpan { span: Span { start_s: 60.5, end_s: 60.5 }, samples: 1 }],
        missing: 3,
        unreadable_rows: 1,
        decisions: facts.decisions,
        first_rows,
        cautions: findings().cautions,
        samples,
    }
}

/// The document of `inspect`.
pub(crate) fn inspect() -> InspectFindings {
    let Findings { capture, totals, cautions, .. } = findings();
    InspectFindings { schema: "ebbmark.inspect/1".into(), capture, totals, cautions }
}

/// The whole line's result, as far as the report reads it.
pub(crate) fn analysis() -> Analysis {
    let findings = findings();
    Analysis {
        capture: capture(),
        segmentation: Segmentation {
            noise: NoiseModel {
                sigma_a: 0.0012,
                phi: 0.31,
                floor_a: 0.0003,
                by_level: vec![],
                spikes: vec![],
            },
            segments: vec![],
            steps: vec![],
            states: vec![],
            held: None,
        },
        alignment: None,
        loads: LoadsFound {
            zero: ZeroModel {
                knots: vec![(30.0, 0.002), (1120.0, 0.0023)],
                ..ZeroModel::default()
            },
            loads: vec![],
            base_a: None,
            accounted_a: vec![],
            on: vec![],
            turned: false,
            cautions: vec![],
        },
        judgement: Judgement {
            headline: findings.headline.clone(),
            loads: vec![],
            unexplained: vec![],
            steps: vec![],
            visit_scores: vec![],
            sleep: None,
            wakes: None,
            advice: vec![],
            cautions: vec![],
        },
        findings,
    }
}
