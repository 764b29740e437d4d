//! Whether the clamp sat the other way round.

use crate::events::{Action, Alignment};
use crate::findings::SegmentKind;
use crate::segment::Segmentation;

/// Steps of fewer standard uncertainties tell nothing.
const CLEAR: f64 = 3.0;
/// Lines that must contradict the readings before those are turned without a zero to go by.
const ENOUGH: usize = 3;

/// True when switching on lowers the reading, in more than two thirds of the tied lines, and the
/// readings agree: loads draw, so the mean of a turned capture lies below what the meter shows
/// with nothing powered. Two tied lines alone may both be tied wrongly; without a zero check and
/// with readings that are positive on the whole (a zero far off can make them so) three must
/// contradict and none agree. With no event list, when nearly all readings are negative.
pub(super) fn is_turned(segmentation: &Segmentation, alignment: Option<&Alignment>) -> bool {
    let Some(alignment) = alignment else { return nearly_all_negative(segmentation) };
    let (with, against) = votes(segmentation, alignment);
    if with + against == 0 {
        return nearly_all_negative(segmentation);
    }
    let mean_a = mean(segmentation);
    let below = match unpowered_a(segmentation, alignment) {
        Some(zero_a) => mean_a < zero_a,
        None => mean_a < 0.0 || (with == 0 && against >= ENOUGH),
    };
    against > 2 * with && below
}

/// Tied lines that moved the current as they should, and those that moved it the other way.
fn votes(segmentation: &Segmentation, alignment: &Alignment) -> (usize, usize) {
    let (mut with, mut against) = (0, 0);
    for event in &alignment.events {
        let Some(step) = event.step.and_then(|step| segmentation.steps.get(step)) else {
            continue;
        };
        if step.delta_a.abs() < CLEAR * step.standard_uncertainty_a {
            continue;
        }
        match event.line.action {
            Action::On if step.delta_a > 0.0 => with += 1,
            Action::Off if step.delta_a < 0.0 => with += 1,
            Action::On | Action::Off => against += 1,
            Action::To(_) | Action::Zero => {}
        }
    }
    (with, against)
}

/// Mean over time, ampere.
fn mean(segmentation: &Segmentation) -> f64 {
    let (mut charge_c, mut time_s) = (0.0, 0.0);
    for segment in &segmentation.segments {
        charge_c += segment.mean_a * (segment.end_s - segment.start_s);
        time_s += segment.end_s - segment.start_s;
    }
    if time_s > 0.0 { charge_c / time_s } else { 0.0 }
}

/// What the meter showed in the listed zero checks, ampere; `None` without one.
fn unpowered_a(segmentation: &Segmentation, alignment: &Alignment) -> Option<f64> {
    let shown: Vec<f64> = alignment
        .events
        .iter()
        .filter_map(|event| segmentation.segments.get(event.zero_segment?))
        .map(|segment| segment.mean_a)
        .collect();
    (!shown.is_empty()).then(|| shown.iter().sum::<f64>() / shown.len() as f64)
}

fn nearly_all_negative(segmentation: &Segmentation) -> bool {
    let (mut negative_s, mut total_s) = (0.0, 0.0);
    for segment in segmentation.of_kind(SegmentKind::Steady) {
        let length_s = segment.end_s - segment.start_s;
        total_s += length_s;
        if segment.mean_a < -CLEAR * segment.noise_a.max(segmentation.noise.floor_a) {
            negative_s += length_s;
        }
    }
    negative_s > 0.98 * total_s
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::loads::scene::{Deed, SceneMeter, build, deed, silent};

    fn turned(deeds: &[Deed], meter: &SceneMeter) -> bool {
        let (segmentation, alignment) = build(deeds, 0.0, 400.0, meter, 9);
        is_turned(&segmentation, Some(&alignment))
    }

    fn visit(checked: bool) -> Vec<Deed> {
        let mut deeds = vec![
            deed(60.0, "radio", 0.040, "on"),
            deed(120.0, "radio", 0.0, "off"),
            deed(180.0, "probe", 0.020, "on"),
            deed(240.0, "probe", 0.0, "off"),
        ];
        if checked {
            deeds.insert(0, deed(0.0, "zero", 0.0, "check"));
            deeds.insert(1, silent(30.0, "zero", 1.0));
        }
        deeds
    }

    #[test]
    fn a_turned_clamp_is_told_whatever_its_zero() {
        for offset_a in [-0.050, 0.0, 0.050] {
            for checked in [false, true] {
                let meter = SceneMeter { sign: -1.0, offset_a, ..SceneMeter::default() };
                assert!(turned(&visit(checked), &meter), "{offset_a} {checked}");
                let meter = SceneMeter { offset_a, ..SceneMeter::default() };
                assert!(!turned(&visit(checked), &meter), "{offset_a} {checked}");
            }
        }
    }

    #[test]
    fn lines_tied_to_the_wrong_steps_turn_nothing() {
        // The list has it the wrong way about: the unit fell asleep at "on" and woke at "off".
        let deeds = [
            silent(0.0, "unit", 0.035),
            deed(100.0, "unit", 0.001, "on"),
            deed(300.0, "unit", 0.030, "off"),
        ];
        assert!(!turned(&deeds, &SceneMeter::default()));
    }
}
