//! Visits with known truth at the level of steps: what was switched, what a person wrote of it,
//! and what a flawless segmentation of the capture would hold.

use ebbmark::capture::{Samples, TimeAxis};
use ebbmark::events::{EventList, parse};
use ebbmark::findings::SegmentKind;
use ebbmark::jobsheet::JobSheet;
use ebbmark::segment::{Level, NoiseModel, Segment, Segmentation, Step};
use jiff::civil::{DateTime, date};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// What kind of visit.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Kind {
    /// Its name in the table.
    pub name: &'static str,
    /// Seconds between samples.
    pub interval_s: f64,
    /// Largest clock difference, seconds.
    pub offset_s: f64,
    /// Largest clock drift, seconds an hour.
    pub drift_s_per_h: f64,
    /// Times are rounded to this, seconds.
    pub rounding_s: f64,
    /// Lateness of a written time: from 0 to this, seconds.
    pub late_s: f64,
    /// Shortest and longest time between switchings, seconds.
    pub pause_s: (f64, f64),
    /// Rounds in which every load is switched on and off.
    pub rounds: usize,
    /// Share of lines left out, of lines added that do nothing, of steps that were not found.
    pub missing: (f64, f64, f64),
    /// Bursts an hour that nobody lists.
    pub bursts_per_h: f64,
    /// Share of loads that are switched together with the next one.
    pub pairs: f64,
    /// Whether a job sheet tells the draws.
    pub sheet: bool,
}

/// An ordinary visit.
pub(crate) const ORDINARY: Kind = Kind {
    name: "visit, times to 1 s",
    interval_s: 0.5,
    offset_s: 7200.0,
    drift_s_per_h: 1.0,
    rounding_s: 1.0,
    late_s: 3.0,
    pause_s: (15.0, 60.0),
    rounds: 2,
    missing: (0.05, 0.05, 0.02),
    bursts_per_h: 6.0,
    pairs: 0.0,
    sheet: false,
};

/// One visit.
#[derive(Debug)]
pub(crate) struct Visit {
    /// As written.
    pub list: EventList,
    /// Wall-clock time of the first sample.
    pub start: DateTime,
    /// Only their times matter here.
    pub samples: Samples,
    /// What a segmentation would hold.
    pub segmentation: Segmentation,
    /// Draws, when the kind tells them.
    pub sheet: JobSheet,
    /// Offset of the clocks, seconds: `written + offset = capture` for a punctual person.
    pub offset_s: f64,
    /// Drift at the capture's clock, seconds an hour.
    pub drift_s_per_h: f64,
    /// For every row of the list, the step that it made.
    pub truth: Vec<(u64, Option<usize>)>,
}

/// One change of the current.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Edge {
    /// When, seconds.
    pub time_s: f64,
    /// By how much, ampere.
    pub delta_a: f64,
    /// Which doing made it.
    pub line: Option<usize>,
}

struct Doing {
    time_s: f64,
    load: String,
    state: &'static str,
}

const NAMES: [&str; 4] = ["level probe", "telemetry radio", "valve driver", "door sensor"];

/// Makes the visit of a seed.
pub(crate) fn visit(kind: &Kind, seed: u64) -> Visit {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let draws: Vec<f64> = NAMES.iter().map(|_| 0.006 * 50f64.powf(rng.random::<f64>())).collect();
    let mut edges: Vec<Edge> = Vec::new();
    let mut doings: Vec<Doing> = Vec::new();
    let mut now = 0.0;
    let pause = |rng: &mut ChaCha8Rng| rng.random_range(kind.pause_s.0..kind.pause_s.1);
    doings.push(Doing { time_s: 5.0, load: "zero".into(), state: "" });
    now += 10.0 + pause(&mut rng);
    switch(&mut edges, &mut doings, now, "controller", "on", 0.12);
    // The hump of the controller, and its falling asleep.
    let hump = rng.random_range(1.0..6.0);
    edges.last_mut().expect("just pushed").delta_a += 0.13;
    own(&mut edges, now + hump, -0.13);
    let asleep = now + rng.random_range(20.0..40.0);
    own(&mut edges, asleep, -0.11);
    now = asleep;
    for _ in 0..kind.rounds {
        let mut order = [0, 1, 2, 3];
        for i in (1..4).rev() {
            order.swap(i, rng.random_range(0..=i));
        }
        let mut partner = None;
        for load in order {
            let draw = draws[load] * rng.random_range(0.98..1.02);
            now += pause(&mut rng);
            switch(&mut edges, &mut doings, now, NAMES[load], "on", draw);
            let settled = now;
            if load != 1 && rng.random::<f64>() < kind.pairs {
                let other: usize = if load == 3 { 2 } else { 3 };
                let draw = draws[other] * rng.random_range(0.98..1.02);
                switch(&mut edges, &mut doings, now, NAMES[other], "on", draw);
                partner = Some((other, draw));
            }
            if load == 1 {
                // The radio draws more while it starts.
                edges.last_mut().expect("just pushed").delta_a += draw;
                own(&mut edges, settled + rng.random_range(1.0..5.0), -draw);
            }
            now += pause(&mut rng);
            switch(&mut edges, &mut doings, now, NAMES[load], "off", -draw);
            if let Some((load, draw)) = partner.take() {
                switch(&mut edges, &mut doings, now, NAMES[load], "off", -draw);
            }
        }
    }
    now += pause(&mut rng);
    edges.push(Edge { time_s: now, delta_a: -0.01, line: Some(doings.len()) });
    doings.push(Doing { time_s: now, load: "zero".into(), state: "" });
    now += 10.0 + pause(&mut rng);
    let duration_s = now;
    let bursts = (kind.bursts_per_h * duration_s / 3600.0).round() as usize;
    for _ in 0..bursts {
        let at = rng.random_range(0.0..duration_s - 10.0);
        let draw = rng.random_range(0.02..0.3);
        own(&mut edges, at, draw);
        own(&mut edges, at + rng.random_range(2.0..10.0), -draw);
    }
    edges.retain(|edge| edge.time_s < duration_s);
    edges.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
    let mut truth_of_doing: Vec<Option<usize>> = vec![None; doings.len()];
    let mut kept: Vec<Edge> = Vec::new();
    // Steps that were not found still move the level.
    let mut hidden: Vec<Edge> = Vec::new();
    for edge in edges {
        if let Some(last) = kept.last_mut().filter(|last| last.time_s == edge.time_s) {
            last.delta_a += edge.delta_a;
        } else if rng.random::<f64>() >= kind.missing.2 {
            kept.push(edge);
        } else {
            hidden.push(edge);
            continue;
        }
        if let Some(line) = edge.line {
            truth_of_doing[line] = Some(kept.len() - 1);
        }
    }
    let (list, truth, offset_s, drift_s_per_h) =
        written(kind, &mut rng, &doings, &truth_of_doing, duration_s);
    Visit {
        list,
        start: START,
        samples: samples(kind.interval_s, duration_s),
        segmentation: segmentation(
            kind.interval_s,
            rng.random_range(-0.008..0.008),
            &kept,
            &hidden,
            duration_s,
        ),
        sheet: if kind.sheet { sheet(&draws) } else { JobSheet::default() },
        offset_s,
        drift_s_per_h,
        truth,
    }
}

/// Wall-clock time of the first sample.
pub(crate) const START: DateTime = date(2026, 5, 31).at(9, 12, 40, 0);

fn own(edges: &mut Vec<Edge>, time_s: f64, delta_a: f64) {
    edges.push(Edge { time_s, delta_a, line: None });
}

fn switch(
    edges: &mut Vec<Edge>,
    doings: &mut Vec<Doing>,
    time_s: f64,
    load: &str,
    state: &'static str,
    delta_a: f64,
) {
    edges.push(Edge { time_s, delta_a, line: Some(doings.len()) });
    doings.push(Doing { time_s, load: load.to_owned(), state });
}

type Written = (EventList, Vec<(u64, Option<usize>)>, f64, f64);

fn written(
    kind: &Kind,
    rng: &mut ChaCha8Rng,
    doings: &[Doing],
    truth_of_doing: &[Option<usize>],
    duration_s: f64,
) -> Written {
    let offset_s = rng.random_range(-1.0..1.0) * kind.offset_s;
    let drift_s_per_h = rng.random_range(-1.0..1.0) * kind.drift_s_per_h;
    let mut text = "time,load,state\n".to_owned();
    let mut truth = Vec::new();
    let mut row = 1;
    let mut write = |rng: &mut ChaCha8Rng, capture_s: f64, load: &str, state: &str, step| {
        let noted_s = capture_s + rng.random_range(0.0..=kind.late_s);
        // capture = listed + offset + drift · listed / 3600
        let listed_s = (noted_s - offset_s) / (1.0 + drift_s_per_h / 3600.0);
        let start_s = (9 * 60 + 12) as f64 * 60.0 + 40.0;
        let of_day = ((start_s + listed_s) / kind.rounding_s).round() * kind.rounding_s;
        let (hour, minute, second) =
            ((of_day / 3600.0) as i64, (of_day / 60.0) as i64 % 60, of_day.round() as i64 % 60);
        let seconds = if kind.rounding_s < 60.0 { format!(":{second:02}") } else { String::new() };
        let day = 31 + hour.div_euclid(24);
        assert!((31..=31).contains(&day), "visits stay within a day");
        text += &format!("2026-05-{day} {hour:02}:{minute:02}{seconds},{load},{state}\n");
        row += 1;
        truth.push((row, step));
    };
    for (doing, step) in doings.iter().zip(truth_of_doing) {
        if rng.random::<f64>() < kind.missing.1 {
            let at = (doing.time_s + rng.random_range(3.0..8.0)).min(duration_s);
            write(rng, at, "porch lamp", "on", None);
        }
        if rng.random::<f64>() >= kind.missing.0 {
            write(rng, doing.time_s, &doing.load, doing.state, *step);
        }
    }
    let list = parse("visit.csv", &text).expect("a list written by rule");
    (list, truth, offset_s, drift_s_per_h)
}

/// Samples that lie where such a capture's would.
pub(crate) fn samples(interval_s: f64, duration_s: f64) -> Samples {
    let len = (duration_s / interval_s) as usize + 1;
    let time = TimeAxis::Uniform { interval_s, len };
    Samples { time, current_a: vec![0.0; len] }
}

/// What a flawless segmentation of such a capture would hold, but for the hidden steps.
pub(crate) fn segmentation(
    interval_s: f64,
    zero_a: f64,
    edges: &[Edge],
    hidden: &[Edge],
    duration_s: f64,
) -> Segmentation {
    let noise_a = 0.001;
    let mut steps = Vec::new();
    let mut segments: Vec<Segment> = Vec::new();
    let mut level = zero_a;
    let mut begin = 0usize;
    let len = (duration_s / interval_s) as usize + 1;
    let hidden_between = |end_s: f64| {
        hidden
            .iter()
            .filter(|edge| edge.time_s < end_s - interval_s)
            .map(|e| e.delta_a)
            .sum::<f64>()
    };
    let mut close = |begin: usize, end: usize, level: f64| {
        let short = (end - begin) < 3;
        segments.push(Segment {
            first: begin,
            end,
            start_s: begin as f64 * interval_s,
            end_s: end as f64 * interval_s,
            mean_a: level + hidden_between(end as f64 * interval_s),
            noise_a,
            effective_samples: (end - begin) as f64,
            standard_uncertainty_a: noise_a,
            kind: if short { SegmentKind::Transient } else { SegmentKind::Steady },
            state: None,
        });
    };
    for edge in edges {
        let index = ((edge.time_s / interval_s).ceil() as usize).min(len - 1);
        if index > begin {
            close(begin, index, level);
        }
        level += edge.delta_a;
        begin = index;
        let time_s = index as f64 * interval_s;
        steps.push(Step {
            index,
            time_s,
            time_low_s: time_s,
            time_high_s: time_s,
            delta_a: edge.delta_a,
            standard_uncertainty_a: 0.0005,
            score: 10.0,
        });
    }
    close(begin, len, level);
    Segmentation {
        noise: NoiseModel {
            sigma_a: noise_a,
            phi: 0.0,
            floor_a: 0.0003,
            by_level: Vec::new(),
            spikes: Vec::new(),
        },
        segments,
        steps,
        states: Vec::<Level>::new(),
        held: None,
    }
}

fn sheet(draws: &[f64]) -> JobSheet {
    let loads: String = NAMES
        .iter()
        .zip(draws)
        .map(|(name, draw)| {
            format!("[[load]]\nname = \"{name}\"\n[[load.state]]\nname = \"run\"\nspecified_a = {draw}\n")
        })
        .collect();
    ebbmark::jobsheet::parse("visit.toml", &loads).expect("a sheet written by rule")
}
