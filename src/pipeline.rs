//! The main job in one readable page: capture → segment → events → loads → judge → findings.

use jiff::civil::DateTime;

use crate::budget;
use crate::capture::{self, Capture, Samples};
use crate::events::{self, Alignment, EventList, ListedTime};
use crate::fault::InputFault;
use crate::findings::{
    CaptureFacts, Caution, ClockRow, DutyRow, EventRow, Findings, InspectFindings, Noise,
    RESULT_SCHEMA, SegmentRow, StateRow, StepRow, Totals, ZeroFacts,
};
use crate::jobsheet::JobSheet;
use crate::judge::{self, Carried, Judgement, Risk};
use crate::loads::{self, LoadsFound};
use crate::numeric::{ExactSum, duration, rectangular};
use crate::segment::{self, Segmentation, Wishes};

/// What is asked of one capture.
#[derive(Debug, Clone, Copy)]
pub struct Request<'a> {
    /// What is known of the site.
    pub sheet: &'a JobSheet,
    /// What was done, and when.
    pub events: Option<&'a EventList>,
    /// Wishes for the segmentation.
    pub wishes: Wishes,
    /// Accepted risk of a wrong pass.
    pub risk: Risk,
}

/// Everything that became of one capture, stage by stage.
#[derive(Debug, Clone, PartialEq)]
pub struct Analysis {
    /// As read.
    pub capture: Capture,
    /// Steady states and steps.
    pub segmentation: Segmentation,
    /// Lines on the capture's clock.
    pub alignment: Option<Alignment>,
    /// Draws.
    pub loads: LoadsFound,
    /// Verdicts.
    pub judgement: Judgement,
    /// The result document.
    pub findings: Findings,
}

/// Runs the whole line on a capture already read.
///
/// # Errors
/// When the capture is too short for one steady state, or the event list cannot lie in it.
pub fn analyze(capture: Capture, request: &Request<'_>) -> Result<Analysis, InputFault> {
    let segmentation = segment(&capture, &request.wishes)?;
    let alignment = request
        .events
        .map(|list| {
            let start = start_for(&capture, list);
            events::align(list, start, &capture.samples, &segmentation, request.sheet)
        })
        .transpose()?;
    let loads =
        loads::solve(&segmentation, alignment.as_ref(), request.sheet, capture.resolution_a);
    let mut totals = capture::totals(&capture.samples, &capture.sampling.gaps);
    if loads.turned {
        totals.charge_ah = -totals.charge_ah;
        totals.mean_a = -totals.mean_a;
        totals.sample_mean_a = -totals.sample_mean_a;
        (totals.minimum_a, totals.maximum_a) = (-totals.maximum_a, -totals.minimum_a);
    }
    let net = without_zero(&capture, &loads, &totals, request.sheet);
    let carried =
        net.as_ref()
            .map_or(Carried { charge_ah: totals.charge_ah, mean_a: totals.mean_a }, |net| {
                Carried { charge_ah: net.charge_ah, mean_a: net.mean_a }
            });
    let judgement = judge::judge(
        &capture,
        carried,
        &segmentation,
        alignment.as_ref(),
        &loads,
        request.sheet,
        request.risk,
    );
    let mut findings = assemble(
        &capture,
        (totals, net),
        &segmentation,
        alignment.as_ref(),
        &loads,
        &judgement,
        request.sheet,
    );
    findings.cautions.extend(capture::says_little(&capture.samples));
    findings.cautions.extend(negative(&findings));
    findings.cautions.extend(held(&capture, &segmentation));
    findings.budget = budget::of_findings(&findings, request.sheet);
    if let Some(budget) = &findings.budget {
        let unit = budget.cautions.iter().filter(|caution| caution.code == "unit-doubtful");
        findings.cautions.extend(unit.cloned());
    }
    Ok(Analysis { capture, segmentation, alignment, loads, judgement, findings })
}

/// So many standard deviations of one reading below zero, and noise alone is no reason.
const SURELY: f64 = 5.0;

/// Without an event list nothing tells which way the clamp sat.
fn negative(findings: &Findings) -> Option<Caution> {
    let is_negative = findings.totals.mean_a < -SURELY * findings.noise.sigma_a;
    (findings.events.is_empty() && is_negative).then(|| {
        Caution::new(
            "negative",
            "the current is negative on average: charge came in, or the clamp sat the other way \
             (--reverse), or its zero is off",
        )
    })
}

/// A logger faster than its meter.
fn held(capture: &Capture, segmentation: &Segmentation) -> Option<Caution> {
    let held = segmentation.held.as_ref()?;
    let rate = duration(held.times * capture.sampling.interval_s?);
    let times = held.times_in_words();
    let (code, what) = if held.interpolated {
        (
            "interpolated",
            format!("{times} samples in a row lie on a straight line from one reading to the next"),
        )
    } else {
        ("held", format!("each reading stands {times} times in a row"))
    };
    Some(Caution::new(
        code,
        format!(
            "{what}: the logger is faster than the meter, whose own rate is one reading every {rate}. \
             Each reading counts once; no time is known better than that, and what lasts less than \
             {rate} is averaged or missed"
        ),
    ))
}

/// Start of the capture; where it shows the time of day alone, on the day that the event list puts it on.
fn start_for(capture: &Capture, list: &EventList) -> Option<DateTime> {
    capture.start.or_else(|| {
        let time = capture.time_of_day?;
        let dates = list.lines.iter().filter_map(|line| match line.time {
            ListedTime::DateTime(at) => Some(at),
            ListedTime::TimeOfDay(_) | ListedTime::Elapsed(_) => None,
        });
        let Some(first) = dates.min() else {
            return Some(DateTime::constant(2000, 1, 1, 0, 0, 0, 0).date().to_datetime(time));
        };
        let same_day = first.date().to_datetime(time);
        // The first thing was switched in the small hours after the evening in which the capture began.
        let ahead_s = same_day.duration_since(first).as_secs_f64();
        if ahead_s > 43_200.0 {
            same_day.checked_sub(jiff::SignedDuration::from_hours(24)).ok()
        } else {
            Some(same_day)
        }
    })
}

/// Cuts a capture into states and steps.
///
/// # Errors
/// When it is too short for one steady state.
pub fn segment(capture: &Capture, wishes: &Wishes) -> Result<Segmentation, InputFault> {
    segment::segment(&capture.samples, &capture.sampling.gaps, capture.resolution_a, wishes)
        .map_err(|error| {
            let advice = "log for longer, or at a higher rate";
            InputFault::of_file(&capture.file, error.to_string(), advice)
        })
}

/// The document of `inspect`.
pub fn inspect(capture: &Capture) -> InspectFindings {
    InspectFindings {
        schema: "ebbmark.inspect/1".to_owned(),
        capture: capture_facts(capture),
        totals: capture::totals(&capture.samples, &capture.sampling.gaps),
        cautions: capture.cautions.clone(),
    }
}

fn capture_facts(capture: &Capture) -> CaptureFacts {
    CaptureFacts {
        file: capture.file.clone(),
        samples: capture.samples.len() as u64,
        start: capture.start.map(|start| match capture.utc_offset {
            // RFC 3339: the offset is written as +hh:mm.
            Some(offset) => format!("{start}{}", offset_text(offset.seconds())),
            None => start.to_string(),
        }),
        duration_s: capture.samples.duration_s(),
        sampling_interval_s: capture.sampling.interval_s,
        current_column: capture.current_column.clone(),
        unit: capture.unit.clone(),
        resolution_a: capture.resolution_a,
        overload_samples: capture.overload.iter().map(|span| span.samples).sum(),
        unreadable_rows: capture.unreadable_rows,
        gaps: capture.sampling.gaps.clone(),
        decisions: capture.decisions.clone(),
    }
}

fn offset_text(seconds: i32) -> String {
    let sign = if seconds < 0 { '-' } else { '+' };
    let minutes = seconds.abs() / 60;
    format!("{sign}{:02}:{:02}", minutes / 60, minutes % 60)
}

fn assemble(
    capture: &Capture,
    (totals, net): (Totals, Option<Net>),
    segmentation: &Segmentation,
    alignment: Option<&Alignment>,
    loads: &LoadsFound,
    judgement: &Judgement,
    sheet: &JobSheet,
) -> Findings {
    let step_events = alignment.map(|alignment| alignment.step_events.as_slice());
    Findings {
        schema: RESULT_SCHEMA.to_owned(),
        headline: judgement.headline.clone(),
        site: sheet.site.name.clone(),
        supply_voltage_v: sheet.site.supply_voltage_v,
        capture: capture_facts(capture),
        noise: Noise {
            sigma_a: segmentation.noise.sigma_a,
            lag1_autocorrelation: segmentation.noise.phi,
            spikes: segmentation.noise.spikes.len() as u64,
            by_level: segmentation.noise.by_level.clone(),
        },
        segments: segment_rows(segmentation, loads, &judgement.visit_scores),
        steps: segmentation
            .steps
            .iter()
            .enumerate()
            .map(|(i, step)| StepRow {
                time_s: step.time_s,
                time_low_s: step.time_low_s,
                time_high_s: step.time_high_s,
                delta_a: if loads.turned { -step.delta_a } else { step.delta_a },
                standard_uncertainty_a: step.standard_uncertainty_a,
                event: step_events.and_then(|events| events.get(i).copied().flatten()),
                score: step.score,
                by_itself: judgement.steps.get(i).and_then(|judged| judged.by_itself.clone()),
                anomaly_score: judgement.steps.get(i).and_then(|judged| judged.anomaly_score),
            })
            .collect(),
        events: alignment.map_or_else(Vec::new, event_rows),
        clock: alignment.map(|alignment| ClockRow {
            offset_s: alignment.clock.offset_s,
            standard_uncertainty_s: alignment.clock.standard_uncertainty_s,
            drift_s_per_h: alignment.clock.drift_s_per_h,
            rival_offsets_s: alignment.clock.rival_offsets_s.clone(),
        }),
        zero: ZeroFacts {
            checks: loads.zero.checks.clone(),
            offset_a: loads.zero.offset_a,
            drift_a_per_h: loads.zero.drift_a_per_h,
            trusted: loads.zero.trusted,
            trusted_to_a: loads.zero.trusted_to_a,
            net_charge_ah: net.as_ref().map(|net| net.charge_ah),
            net_charge_expanded_uncertainty_ah: net.as_ref().and_then(|net| net.expanded_ah),
            net_mean_a: net.as_ref().map(|net| net.mean_a),
            answer: loads.zero.answer.clone(),
        },
        loads: judgement.loads.clone(),
        duty: duty_rows(segmentation, loads),
        base_a: loads.base_a,
        states: state_rows(segmentation, &capture.samples, loads),
        wakes: judgement.wakes.clone(),
        sleep: judgement.sleep.clone(),
        unexplained: judgement.unexplained.clone(),
        totals,
        budget: None,
        advice: judgement.advice.clone(),
        cautions: cautions(capture, alignment, loads, judgement),
    }
}

/// What is left of the totals without the zero.
struct Net {
    charge_ah: f64,
    /// About 95 %.
    expanded_ah: Option<f64>,
    mean_a: f64,
}

/// Charge and mean with the zero removed; `None` when nobody checked it.
///
/// The zero's uncertainty is that of its mean over the capture, and the meter's accuracy the
/// half-width of a rectangle in the charge (JCGM 100:2008, 4.3.7).
///
/// `∫z dt` over the time measured: the zero is straight between its knots, so its mean over the
/// capture's pieces between gaps comes from the trapezoid of each.
fn without_zero(
    capture: &Capture,
    loads: &LoadsFound,
    totals: &Totals,
    sheet: &JobSheet,
) -> Option<Net> {
    loads.zero.offset_a?;
    let end_s = capture.samples.duration_s();
    let mut pieces_s = vec![0.0];
    for gap in &capture.sampling.gaps {
        pieces_s.extend([gap.start_s, gap.end_s]);
    }
    pieces_s.push(end_s);
    let (mut zero_c, mut measured_s) = (ExactSum::new(), ExactSum::new());
    for piece in pieces_s.chunks(2) {
        let (from_s, to_s) = (piece[0], piece[1]);
        let within = |t: &f64| from_s < *t && *t < to_s;
        let knots = loads.zero.knots.iter().map(|knot| knot.0).filter(within);
        let times: Vec<f64> = [from_s].into_iter().chain(knots).chain([to_s]).collect();
        for pair in times.windows(2) {
            let mean_a = 0.5 * (loads.zero.at(pair[0]) + loads.zero.at(pair[1]));
            zero_c.add(mean_a * (pair[1] - pair[0]));
            measured_s.add(pair[1] - pair[0]);
        }
    }
    let (zero_c, measured_s) = (zero_c.value(), measured_s.value());
    if measured_s <= 0.0 {
        return None;
    }
    let charge_ah = totals.charge_ah - zero_c / 3600.0;
    let gain = sheet.meter.unwrap_or_default().accuracy_percent_of_reading / 100.0;
    let of_gain_ah = 2.0 * rectangular(gain * charge_ah.abs());
    Some(Net {
        charge_ah,
        expanded_ah: loads
            .zero
            .mean_trusted_to_a
            .map(|trusted_a| (trusted_a * measured_s / 3600.0).hypot(of_gain_ah)),
        mean_a: totals.mean_a - zero_c / measured_s,
    })
}

fn segment_rows(
    segmentation: &Segmentation,
    loads: &LoadsFound,
    scores: &[Option<f64>],
) -> Vec<SegmentRow> {
    segmentation
        .segments
        .iter()
        .enumerate()
        .map(|(i, segment)| SegmentRow {
            start_s: segment.start_s,
            end_s: segment.end_s,
            samples: (segment.end - segment.first) as u64,
            mean_a: loads.drawn_a(segment),
            noise_a: segment.noise_a,
            standard_uncertainty_a: segment.standard_uncertainty_a,
            kind: segment.kind,
            state: segment.state,
            anomaly_score: scores.get(i).copied().flatten(),
        })
        .collect()
}

fn state_rows(segmentation: &Segmentation, samples: &Samples, loads: &LoadsFound) -> Vec<StateRow> {
    let duration_s = samples.duration_s();
    // The zero under each visit, weighted by its time.
    let mut zeros_c = vec![0.0; segmentation.states.len()];
    for segment in &segmentation.segments {
        if let Some(zero_c) = segment.state.and_then(|id| zeros_c.get_mut(id)) {
            let middle_s = 0.5 * (segment.start_s + segment.end_s);
            *zero_c += loads.zero.at(middle_s) * (segment.end_s - segment.start_s);
        }
    }
    segmentation
        .states
        .iter()
        .zip(zeros_c)
        .enumerate()
        .map(|(id, (level, zero_c))| {
            let zero_a = if level.time_s > 0.0 { zero_c / level.time_s } else { 0.0 };
            StateRow {
                id,
                mean_a: loads.sign() * level.mean_a - zero_a,
                noise_a: level.noise_a,
                time_s: level.time_s,
                share_of_time: if duration_s > 0.0 { level.time_s / duration_s } else { 0.0 },
                charge_ah: (loads.sign() * level.charge_c - zero_c) / 3600.0,
            }
        })
        .collect()
}

fn duty_rows(segmentation: &Segmentation, loads: &LoadsFound) -> Vec<DutyRow> {
    let mut times_s = vec![ExactSum::new(); loads.loads.len()];
    for (segment, on) in segmentation.segments.iter().zip(&loads.on) {
        on.iter().for_each(|&load| times_s[load].add(segment.end_s - segment.start_s));
    }
    loads
        .loads
        .iter()
        .zip(times_s)
        .map(|(load, time_s)| DutyRow {
            load: load.load.clone(),
            state: load.state.clone(),
            time_s: time_s.value(),
            charge_ah: load.draw_a * time_s.value() / 3600.0,
        })
        .collect()
}

fn event_rows(alignment: &Alignment) -> Vec<EventRow> {
    alignment
        .events
        .iter()
        .map(|event| EventRow {
            row: event.line.row,
            load: event.line.load.clone(),
            state: event.line.state.clone(),
            listed_s: event.listed_s,
            aligned_s: event.aligned_s,
            step: event.step,
        })
        .collect()
}

fn cautions(
    capture: &Capture,
    alignment: Option<&Alignment>,
    loads: &LoadsFound,
    judgement: &Judgement,
) -> Vec<Caution> {
    let mut all = capture.cautions.clone();
    all.extend(alignment.iter().flat_map(|alignment| alignment.cautions.clone()));
    all.extend(loads.cautions.iter().cloned());
    all.extend(judgement.cautions.iter().cloned());
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::{ReadOptions, Silent, read_bytes};
    use rand::{Rng, SeedableRng};
    use rand_distr::StandardNormal;

    /// A minute of a unit that wakes every 2 s for 60 ms, by a meter that gives 100 readings a second, logged
    /// `times` as fast.
    fn sleeper(times: usize) -> Findings {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        let mut text = String::from("time (s),current (A)\n");
        for i in 0..6000 {
            let level_a = if i % 200 >= 194 { 0.03 } else { 4e-4 };
            let reading_a = level_a + 2e-5 * random.sample::<f64, _>(StandardNormal);
            for k in 0..times {
                let time_s = 0.01 * f64::from(i) + 0.01 * k as f64 / times as f64;
                text += &format!("{time_s:.4},{reading_a:.5}\n");
            }
        }
        let capture =
            read_bytes("unit.csv", text.into_bytes(), &ReadOptions::default(), &Silent).unwrap();
        let sheet = JobSheet::default();
        let (wishes, risk) = (Wishes::default(), Risk::default());
        let request = Request { sheet: &sheet, events: None, wishes, risk };
        analyze(capture, &request).unwrap().findings
    }

    #[test]
    fn a_logger_faster_than_its_meter_is_told_and_makes_no_wakes() {
        let of = |findings: &Findings| -> Vec<String> {
            let held = findings.cautions.iter().filter(|caution| caution.code == "held");
            held.map(|caution| caution.text.clone()).collect()
        };
        let alone = sleeper(1);
        assert_eq!(of(&alone), Vec::<String>::new());
        let held = sleeper(10);
        let text = of(&held).concat();
        assert!(text.contains("10 times in a row") && text.contains("every 10 ms"), "{text}");
        for findings in [&alone, &held] {
            let sleep = findings.sleep.as_ref().unwrap();
            assert!((sleep.floor_a - 4e-4).abs() < 5e-6, "{}", sleep.floor_a);
            assert!(sleep.failures.is_empty() && sleep.series.len() == 1);
            let series = &sleep.series[0];
            assert!((29..=30).contains(&series.count), "{}", series.count);
            assert!((series.period_s.unwrap() - 2.0).abs() < 1e-3);
            assert!((series.width_s - 0.06).abs() < 1e-3, "{}", series.width_s);
            assert!((series.charge_each_ah * 3600.0 / (0.0296 * 0.06) - 1.0).abs() < 0.01);
        }
        let doubt =
            |findings: &Findings| findings.sleep.as_ref().unwrap().floor_standard_uncertainty_a;
        assert!((doubt(&held) / doubt(&alone) - 1.0).abs() < 0.01);
    }
}
