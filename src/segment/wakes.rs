//! Repeated bursts above the lowest level.

use super::{Level, Segment};
use crate::capture::Samples;
use crate::findings::{SegmentKind, Wakes};

/// Count, rhythm, width, height and charge of the bursts; `None` without any.
pub(super) fn sum_up(samples: &Samples, segments: &[Segment], states: &[Level]) -> Option<Wakes> {
    let sleep = states.first()?.mean_a;
    let mut starts = Vec::new();
    let mut widths = Vec::new();
    let mut peaks = Vec::new();
    let mut charge_c = 0.0;
    let mut i = 0;
    while i < segments.len() {
        if segments[i].kind != SegmentKind::Burst || segments[i].mean_a <= sleep {
            i += 1;
            continue;
        }
        let first = i;
        while i < segments.len() && segments[i].kind == SegmentKind::Burst {
            let length = segments[i].end_s - segments[i].start_s;
            charge_c += (segments[i].mean_a - sleep) * length;
            i += 1;
        }
        let inside = &samples.current_a[segments[first].first..segments[i - 1].end];
        starts.push(segments[first].start_s);
        widths.push(segments[i - 1].end_s - segments[first].start_s);
        peaks.push(inside.iter().copied().fold(f64::NEG_INFINITY, f64::max));
    }
    let count = starts.len();
    if count == 0 {
        return None;
    }
    let mut periods: Vec<f64> = starts.windows(2).map(|w| w[1] - w[0]).collect();
    let period_sd_s = crate::numeric::Moments::of(&periods).and_then(|moments| moments.sd);
    let total_c: f64 = segments.iter().map(|s| s.mean_a * (s.end_s - s.start_s)).sum();
    Some(Wakes {
        count: count as u64,
        period_s: median(&mut periods),
        period_sd_s,
        width_s: median(&mut widths)?,
        peak_a: median(&mut peaks)?,
        charge_each_ah: charge_c / count as f64 / 3600.0,
        share_of_charge: if total_c > 0.0 { (charge_c / total_c).clamp(0.0, 1.0) } else { 0.0 },
    })
}

fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    match n {
        0 => None,
        n if n % 2 == 1 => Some(values[n / 2]),
        _ => Some(0.5 * (values[n / 2 - 1] + values[n / 2])),
    }
}
