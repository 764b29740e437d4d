//! One row a load and state: draw, limits, verdict, score, and what would decide.

use super::Risk;
use super::conformity::{Decision, Measured, decide};
use super::limits::{Carried, Limits, carry};
use super::score;
use super::words::{list, partner, set_current, the};
use crate::findings::{Caution, EvaluationType, LoadRow, Verdict};
use crate::jobsheet::{JobSheet, LoadSpec};
use crate::loads::{LoadEstimate, LoadsFound};
use crate::numeric::{Quantity, duration, normal_quantile, rectangular};

/// Judges every estimate; `time_s` is how long each was seen.
pub(super) fn rows(
    loads: &LoadsFound,
    time_s: &[f64],
    sheet: &JobSheet,
    risk: Risk,
    cautions: &mut Vec<Caution>,
) -> Vec<LoadRow> {
    let rows = loads
        .loads
        .iter()
        .zip(time_s)
        .map(|(estimate, &time_s)| row(estimate, time_s, &loads.loads, sheet, risk))
        .collect();
    for spec in &sheet.loads {
        let seen =
            loads.loads.iter().any(|load| crate::jobsheet::same_name(&load.load, &spec.name));
        let limits: Vec<Carried> = spec.states.iter().map(|s| carry(spec, s, sheet)).collect();
        if !seen {
            continue;
        }
        if limits.iter().any(|carried| carried.behaviour_unknown) {
            cautions.push(Caution::new(
                "behaviour-unknown",
                format!(
                    "The job sheet does not say how {} follows the supply voltage (behaves_as): its limits were \
                     carried as constant power, constant current and resistive, and a verdict is given only where \
                     all three agree.",
                    the(&spec.name)
                ),
            ));
        }
        if limits.iter().any(|carried| carried.site_unknown) {
            cautions.push(Caution::new(
                "site-voltage-unknown",
                format!(
                    "The job sheet gives no supply voltage for the site: the limits of {} were taken at the \
                     voltage they are specified at.",
                    the(&spec.name)
                ),
            ));
        }
    }
    rows
}

fn find<'a>(
    load: &str,
    state: &str,
    sheet: &'a JobSheet,
) -> Option<(&'a LoadSpec, &'a crate::jobsheet::StateSpec)> {
    let spec = sheet.load(load)?;
    Some((spec, spec.state(state)?))
}

fn row(
    estimate: &LoadEstimate,
    time_s: f64,
    all: &[LoadEstimate],
    sheet: &JobSheet,
    risk: Risk,
) -> LoadRow {
    let measured = Measured {
        value_a: estimate.draw_a,
        u_a: estimate.standard_uncertainty_a,
        degrees_of_freedom: estimate.degrees_of_freedom,
    };
    let found = find(&estimate.load, &estimate.state, sheet);
    let carried = found.map(|(spec, state)| carry(spec, state, sheet));
    let widest = carried.as_ref().map(Carried::widest).unwrap_or_default();
    let listed = carried.as_ref().map(|c| c.listed).unwrap_or_default();
    let outcome = match &carried {
        Some(carried) if widest.any() => {
            judge_one(estimate, &measured, carried, all, sheet, risk, time_s)
        }
        _ => Outcome {
            verdict: Verdict::NoLimit,
            probability: None,
            guard_band_a: None,
            to_decide: None,
        },
    };
    let anomaly_score = if widest.any() && estimate.separable {
        score::against_limits(measured.value_a, measured.u_a, &widest)
    } else {
        score::among_repeats(&estimate.repeats_a, u_of_one_switching(estimate))
    };
    LoadRow {
        load: estimate.load.clone(),
        state: estimate.state.clone(),
        draw_a: estimate.draw_a,
        standard_uncertainty_a: estimate.standard_uncertainty_a,
        expanded_uncertainty_a: estimate.coverage_factor * estimate.standard_uncertainty_a,
        coverage_factor: estimate.coverage_factor,
        observations: estimate.observations,
        separable: estimate.separable,
        inseparable_from: estimate
            .inseparable_from
            .iter()
            .map(|(load, state)| partner(load, state))
            .collect(),
        specified_a: widest.specified_a,
        limit_low_a: widest.low_a,
        limit_high_a: widest.high_a,
        listed_specified_a: listed.specified_a,
        listed_at_voltage_v: carried.as_ref().and_then(|c| c.listed_at_v),
        behaves_as: match carried.as_ref().map(|c| c.candidates.as_slice()) {
            Some([(behaviour, _)]) => *behaviour,
            _ => None,
        },
        verdict: outcome.verdict,
        conformance_probability: outcome.probability,
        guard_band_a: outcome.guard_band_a,
        anomaly_score,
        uncertainty_budget: estimate.uncertainty_budget.clone(),
        to_decide: outcome.to_decide,
    }
}

/// Type A uncertainty of one of several alike switchings, ampere.
fn u_of_one_switching(estimate: &LoadEstimate) -> f64 {
    let type_a: f64 = estimate
        .uncertainty_budget
        .iter()
        .filter(|item| item.evaluation == EvaluationType::A)
        .map(|item| item.standard_uncertainty_a.powi(2))
        .sum();
    (type_a * estimate.repeats_a.len().max(1) as f64).sqrt()
}

struct Outcome {
    verdict: Verdict,
    probability: Option<f64>,
    guard_band_a: Option<f64>,
    to_decide: Option<String>,
}

fn judge_one(
    estimate: &LoadEstimate,
    measured: &Measured,
    carried: &Carried,
    all: &[LoadEstimate],
    sheet: &JobSheet,
    risk: Risk,
    time_s: f64,
) -> Outcome {
    let decisions: Vec<Decision> =
        carried.candidates.iter().map(|(_, limits)| decide(measured, limits, risk)).collect();
    let guard_band_a = decisions.first().map(|d| d.guard_band_a);
    if !estimate.separable {
        return judge_sum(estimate, measured, carried, all, sheet, risk);
    }
    if measured.value_a + estimate.coverage_factor * measured.u_a < 0.0 {
        return Outcome {
            verdict: Verdict::Indeterminate,
            probability: None,
            guard_band_a: None,
            to_decide: Some(format!(
                "Check the event list: no load draws less than nothing, yet {} comes out at {}. Either it \
                 charges, or its lines are tied to the wrong steps, or something else fell when it was \
                 switched.",
                the(&estimate.load),
                Quantity::amperes_with(measured.value_a, estimate.coverage_factor * measured.u_a)
            )),
        };
    }
    let first = decisions[0].verdict;
    if decisions.iter().any(|d| d.verdict != first) {
        return Outcome {
            verdict: Verdict::Indeterminate,
            probability: None,
            guard_band_a,
            to_decide: Some(format!(
                "Say in the job sheet how {} follows the supply voltage (behaves_as), or give its limits \
                 at the site's voltage: the verdict hangs on it.",
                the(&estimate.load)
            )),
        };
    }
    // Of several possible limits the one nearest to the other verdict speaks.
    let probability = decisions
        .iter()
        .map(|d| d.conformance_probability)
        .min_by(|a, b| (a - 0.5).abs().total_cmp(&(b - 0.5).abs()));
    let to_decide = (first == Verdict::Indeterminate)
        .then(|| to_decide(estimate, &carried.candidates[0].1, risk, time_s));
    Outcome { verdict: first, probability, guard_band_a, to_decide }
}

/// No draw is negative, so each of several loads draws at most their sum: the sum can clear one of an
/// upper limit, but never convict it.
fn judge_sum(
    estimate: &LoadEstimate,
    measured: &Measured,
    carried: &Carried,
    all: &[LoadEstimate],
    sheet: &JobSheet,
    risk: Risk,
) -> Outcome {
    let cleared = carried.candidates.iter().all(|(_, limits)| {
        limits.low_a.is_none() && decide(measured, limits, risk).verdict == Verdict::Conforming
    });
    let partners: Vec<String> =
        estimate.inseparable_from.iter().map(|(load, _)| the(load)).collect();
    if cleared {
        return Outcome {
            verdict: Verdict::Conforming,
            probability: None,
            guard_band_a: Some(decide(measured, &carried.candidates[0].1, risk).guard_band_a),
            to_decide: None,
        };
    }
    let together_a = estimate.inseparable_from.iter().try_fold(
        carried.widest().high_a.unwrap_or(f64::INFINITY),
        |sum, (load, state)| {
            let (spec, state) = find(load, state, sheet)?;
            Some(sum + carry(spec, state, sheet).widest().high_a?)
        },
    );
    debug_assert!(all.iter().any(|other| other.load == estimate.load));
    let over = together_a.filter(|a| a.is_finite()).is_some_and(|high_a| {
        let limits = Limits { specified_a: None, low_a: None, high_a: Some(high_a) };
        decide(measured, &limits, risk).verdict == Verdict::NonConforming
    });
    let what = if over { "Together they draw more than their limits allow. " } else { "" };
    Outcome {
        verdict: Verdict::Indeterminate,
        probability: None,
        guard_band_a: None,
        to_decide: Some(format!(
            "{what}Switch {} alone, while {} stays as it is: the two were always switched together.",
            the(&estimate.load),
            list(&partners)
        )),
    }
}

/// What would bring the standard uncertainty down to a decision: `u ≤ |y − limit| / z(1 − risk)`.
fn to_decide(estimate: &LoadEstimate, limits: &Limits, risk: Risk, time_s: f64) -> String {
    let draw_a = estimate.draw_a;
    let nearest_a = [limits.low_a, limits.high_a]
        .into_iter()
        .flatten()
        .min_by(|a, b| (a - draw_a).abs().total_cmp(&(b - draw_a).abs()))
        .unwrap_or(draw_a);
    let needed_a = (draw_a - nearest_a).abs() / normal_quantile(1.0 - risk.get());
    let of_type = |evaluation| {
        estimate
            .uncertainty_budget
            .iter()
            .filter(move |item| item.evaluation == evaluation)
            .map(|item| item.standard_uncertainty_a.powi(2))
            .sum::<f64>()
    };
    let (a2, b2) = (of_type(EvaluationType::A), of_type(EvaluationType::B));
    let u2 = a2 + b2;
    if needed_a * needed_a < u2 / 400.0 {
        return format!(
            "It draws what its limit of {} allows, to within the doubt: no reasonable meter would decide. Agree on \
             who bears the risk, or compare it with a sound one under the same meter.",
            set_current(nearest_a)
        );
    }
    let room_a2 = needed_a * needed_a - b2;
    if room_a2 > 0.0 && a2 > 0.0 {
        let times = (a2 / room_a2).max(1.0);
        if times <= 60.0 {
            let more = times.ceil();
            return format!(
                "Measure {more:.0} times as long, some {} in this state over several switchings: the noise would \
                 then leave ± {}, enough for its distance of {} from the limit.",
                duration((times * time_s).max(1.0)),
                set_current(2.0 * needed_a),
                set_current((draw_a - nearest_a).abs())
            );
        }
    }
    let worst = estimate
        .uncertainty_budget
        .iter()
        .filter(|item| item.evaluation == EvaluationType::B)
        .max_by(|a, b| a.standard_uncertainty_a.total_cmp(&b.standard_uncertainty_a));
    let rest_a2 = worst.map_or(0.0, |w| b2 - w.standard_uncertainty_a.powi(2));
    let allowed_a2 = needed_a * needed_a - rest_a2;
    match worst {
        Some(item) if allowed_a2 > 0.0 && item.source.starts_with("meter accuracy") => {
            let half_width_a = allowed_a2.sqrt() / rectangular(1.0);
            format!(
                "Use a meter that is right to ± {} at {} ({:.1} % of reading or better); this one's accuracy is the doubt.",
                set_current(half_width_a),
                set_current(draw_a),
                100.0 * half_width_a / draw_a.abs()
            )
        }
        Some(item) if allowed_a2 > 0.0 && item.source == "resolution" => format!(
            "Use a range or a meter with steps of {} or finer.",
            set_current(allowed_a2.sqrt() * 12f64.sqrt())
        ),
        Some(item) if item.source.starts_with("zero") => {
            "Make a zero check before and after: the unseen zero is the doubt.".to_owned()
        }
        _ => format!(
            "Use a more accurate meter, one right to ± {} at {}, and measure longer.",
            set_current(needed_a * 3f64.sqrt()),
            set_current(draw_a)
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::{CommonTo, UncertaintyItem};

    fn estimate(draw_a: f64, items: &[(&str, EvaluationType, f64)]) -> LoadEstimate {
        LoadEstimate {
            load: "radio".to_owned(),
            state: "asleep".to_owned(),
            draw_a,
            standard_uncertainty_a: items.iter().map(|i| i.2 * i.2).sum::<f64>().sqrt(),
            degrees_of_freedom: None,
            coverage_factor: 1.96,
            observations: 2,
            repeats_a: Vec::new(),
            separable: true,
            inseparable_from: Vec::new(),
            uncertainty_budget: items
                .iter()
                .map(|&(source, evaluation, u_a)| UncertaintyItem {
                    source: source.to_owned(),
                    evaluation,
                    distribution: String::new(),
                    standard_uncertainty_a: u_a,
                    degrees_of_freedom: None,
                    share: 0.0,
                    common_to: CommonTo::Draw,
                })
                .collect(),
        }
    }

    fn verdict(draw_a: f64, u_a: f64, high_a: f64) -> Verdict {
        let measured = Measured { value_a: draw_a, u_a, degrees_of_freedom: None };
        let limits = Limits { specified_a: None, low_a: None, high_a: Some(high_a) };
        decide(&measured, &limits, Risk::default()).verdict
    }

    #[test]
    fn the_time_that_is_asked_for_decides_and_less_does_not() {
        use EvaluationType::{A, B};
        let (noise_a, accuracy_a) = (0.002, 0.0003);
        let items = [("noise of the readings", A, noise_a), ("meter accuracy", B, accuracy_a)];
        let limits = Limits { specified_a: None, low_a: None, high_a: Some(0.010) };
        let text = to_decide(&estimate(0.0085, &items), &limits, Risk::default(), 60.0);
        let times: f64 = text.split(' ').nth(1).unwrap().parse().unwrap();
        let after = |times: f64| (noise_a * noise_a / times + accuracy_a * accuracy_a).sqrt();
        assert_eq!(verdict(0.0085, after(1.0), 0.010), Verdict::Indeterminate);
        assert_eq!(verdict(0.0085, after(times), 0.010), Verdict::Conforming, "{text}");
        assert_eq!(verdict(0.0085, after(times - 1.0), 0.010), Verdict::Indeterminate, "{text}");
    }

    #[test]
    fn the_meter_or_range_that_is_asked_for_decides() {
        use EvaluationType::B;
        let limits = Limits { specified_a: None, low_a: None, high_a: Some(0.010) };
        // The largest error and the finest step that the text names, in milliampere.
        let named = |text: &str, before: &str| -> f64 {
            let rest = &text[text.find(before).unwrap() + before.len()..];
            let mut words = rest.split(' ');
            let value: f64 = words.next().unwrap().parse().unwrap();
            let unit = words.next().unwrap();
            value * if unit.starts_with('µ') { 1e-3 } else { 1.0 }
        };
        let items = [("meter accuracy, 20 % of reading", B, 0.0012)];
        let text = to_decide(&estimate(0.0085, &items), &limits, Risk::default(), 60.0);
        let u_a = 1e-3 * named(&text, "right to ± ") / 3f64.sqrt();
        assert_eq!(verdict(0.0085, 0.99 * u_a, 0.010), Verdict::Conforming, "{text}");
        assert_eq!(verdict(0.0085, 1.02 * u_a, 0.010), Verdict::Indeterminate, "{text}");
        let items = [("resolution", B, 0.0012)];
        let text = to_decide(&estimate(0.0085, &items), &limits, Risk::default(), 60.0);
        let u_a = 1e-3 * named(&text, "steps of ") / 12f64.sqrt();
        assert_eq!(verdict(0.0085, 0.99 * u_a, 0.010), Verdict::Conforming, "{text}");
        assert_eq!(verdict(0.0085, 1.02 * u_a, 0.010), Verdict::Indeterminate, "{text}");
    }

    #[test]
    fn a_draw_below_zero_never_conforms() {
        let state = crate::jobsheet::StateSpec {
            name: "asleep".to_owned(),
            specified_a: None,
            tolerance_percent: None,
            maximum_a: Some(0.0001),
            minimum_a: None,
            at_voltage_v: None,
            hours_per_day: None,
        };
        let spec = LoadSpec {
            name: "radio".to_owned(),
            behaves_as: Some(crate::findings::LoadBehaviour::ConstantPower),
            states: vec![state],
        };
        let sheet = JobSheet { loads: vec![spec], ..JobSheet::default() };
        let of = |draw_a: f64| {
            let found = estimate(draw_a, &[("noise of the readings", EvaluationType::A, 1e-5)]);
            row(&found, 60.0, std::slice::from_ref(&found), &sheet, Risk::default())
        };
        assert_eq!(of(-0.009).verdict, Verdict::Indeterminate);
        assert!(of(-0.009).to_decide.unwrap().contains("less than nothing"));
        assert_eq!(of(-1e-5).verdict, Verdict::Conforming);
        assert_eq!(of(3e-5).verdict, Verdict::Conforming);
    }
}
