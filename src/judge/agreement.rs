//! What is drawn asleep, told twice: by the readings, and by the draws found for what was on then.

use super::unexplained::type_a_variance;
use crate::findings::{Caution, SegmentKind, SleepFindings, Unexplained};
use crate::loads::LoadsFound;
use crate::numeric::Quantity;
use crate::segment::Segmentation;

/// Standard uncertainties that the two may differ by.
const DIFFER: f64 = 3.0;
/// A level beyond so many times the floor, or that part of it, is not asleep, whatever the list says of it.
const AT_THE_FLOOR: f64 = 2.0;

/// A caution where the floor differs from the draws that were on asleep by more than the doubt of both,
/// what is listed as unexplained left out. O(n + spans log spans).
pub(super) fn caution(
    segmentation: &Segmentation,
    loads: &LoadsFound,
    sleep: &SleepFindings,
    unexplained: &[Unexplained],
) -> Option<Caution> {
    let awake = sleep.awake_stretches.iter().map(|span| (span.start_s, span.end_s));
    let aside: Vec<(f64, f64)> =
        awake.chain(unexplained.iter().map(|span| (span.start_s, span.end_s))).collect();
    let floor = (sleep.floor_a, sleep.floor_standard_uncertainty_a);
    differ(segmentation, loads, floor, aside)
}

fn differ(
    segmentation: &Segmentation,
    loads: &LoadsFound,
    (floor_a, floor_u_a): (f64, f64),
    mut aside: Vec<(f64, f64)>,
) -> Option<Caution> {
    aside.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (mut next, mut until_s) = (0, f64::NEG_INFINITY);
    let (mut time_s, mut drawn_as, mut variance_a2s) = (0.0, 0.0, 0.0);
    for (at, segment) in segmentation.segments.iter().enumerate() {
        let middle_s = 0.5 * (segment.start_s + segment.end_s);
        while let Some(span) = aside.get(next).filter(|span| span.0 <= middle_s) {
            until_s = until_s.max(span.1);
            next += 1;
        }
        let on = loads.on.get(at).map_or(&[][..], Vec::as_slice);
        let accounted_a = loads.accounted_a.get(at).copied().flatten();
        let Some(accounted_a) = accounted_a.filter(|_| !on.is_empty() && until_s < middle_s) else {
            continue;
        };
        let near_a = floor_a / AT_THE_FLOOR..=AT_THE_FLOOR * floor_a;
        let at_the_floor = near_a.contains(&loads.drawn_a(segment));
        if segment.kind == SegmentKind::Steady && at_the_floor {
            let length_s = segment.end_s - segment.start_s;
            let rows = on.iter().filter_map(|&at| loads.loads.get(at));
            time_s += length_s;
            drawn_as += length_s * accounted_a;
            variance_a2s += length_s * rows.map(type_a_variance).sum::<f64>();
        }
    }
    if time_s <= 0.0 {
        return None;
    }
    let drawn_a = drawn_as / time_s;
    let u_a = floor_u_a.hypot((variance_a2s / time_s).sqrt());
    let differ = (floor_a - drawn_a).abs() > DIFFER * u_a + segmentation.noise.floor_a;
    differ.then(|| {
        Caution::new(
            "floor-and-draws-differ",
            format!(
                "Asleep the lead carries {}, but the draws found for what was on then come to {}: a line of \
                 the list may lie on the wrong step or be missing. The level asleep is what the readings show.",
                Quantity::amperes(floor_a),
                Quantity::amperes(drawn_a)
            ),
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::jobsheet::JobSheet;
    use crate::loads::scene::{SceneMeter, build, deed, silent};

    /// A receiver that draws 35 mA for a minute and 1.2 mA asleep; its draw asleep is then told wrongly.
    #[test]
    fn a_floor_beside_a_draw_asleep_that_contradicts_it_is_told() {
        let deeds = [
            deed(0.0, "zero", 0.0, "check"),
            silent(60.0, "zero", 1.0),
            deed(80.0, "receiver", 0.035, "on"),
            silent(140.0, "receiver", 0.0012),
            deed(1440.0, "receiver", 0.0, "off"),
        ];
        let meter = SceneMeter { sigma_a: 4e-5, share_of_level: 0.0, ..SceneMeter::default() };
        let (segmentation, alignment) = build(&deeds, 0.0, 1500.0, &meter, 3);
        let mut found =
            crate::loads::solve(&segmentation, Some(&alignment), &JobSheet::default(), None);
        let told =
            |found: &LoadsFound| differ(&segmentation, found, (0.0012, 1e-5), vec![(80.0, 140.0)]);
        assert_eq!(told(&found), None);
        // Taken to be on while it was off, as where nobody said when it was on: no time asleep.
        let mut always_on = found.clone();
        for (accounted_a, on) in always_on.accounted_a.iter_mut().zip(&mut always_on.on) {
            if on.is_empty() {
                on.push(0);
                *accounted_a = Some(0.0);
            }
        }
        assert_eq!(told(&always_on), None);
        for (accounted_a, on) in found.accounted_a.iter_mut().zip(&found.on) {
            *accounted_a = accounted_a.filter(|_| !on.is_empty()).map(|a| a - 0.0005);
        }
        let caution = told(&found).unwrap();
        assert!(
            caution.text.contains("1.20 mA") && caution.text.contains("come to 70"),
            "{caution:?}"
        );
        assert_eq!(differ(&segmentation, &found, (0.0012, 1e-5), vec![(0.0, 1500.0)]), None);
    }
}
