//! Whether the wakes of a kind change through the capture, in words.

use crate::findings::SleepFindings;
use crate::numeric::duration;

/// Fewest values of each quarter, and by which factor the last differs from the first.
const FEWEST: usize = 3;
const CHANGES: f64 = 1.5;
/// Share of a quarter at either end that may be like another.
const OUTSIDE: f64 = 0.1;

/// How often the wakes of a kind come, and how long they last, where either goes one way from the first to the last.
pub(super) fn in_words(sleep: &SleepFindings, kind: usize) -> Vec<String> {
    let own = || sleep.wakes.iter().filter(move |wake| wake.series == Some(kind));
    let Some(series) = sleep.series.get(kind) else { return Vec::new() };
    let starts: Vec<f64> = own().map(|wake| wake.start_s).collect();
    let apart: Vec<f64> = starts.windows(2).map(|two| two[1] - two[0]).collect();
    let widths: Vec<f64> = own().filter(|wake| !wake.met).map(|wake| wake.width_s).collect();
    let often = ends(&apart).filter(|_| !series.regular && series.groups.is_none());
    let lasts = ends(&widths).filter(|_| !series.width_at_most);
    let often = often.map(|(first, last)| {
        let how = if last < first { "more" } else { "less" };
        let (first, last) = (duration(first), duration(last));
        format!("They come {how} and {how} often: {first} apart at first, {last} at last.")
    });
    let lasts = lasts.map(|(first, last)| {
        let how = if last > first { "longer and longer" } else { "shorter and shorter" };
        format!("They last {how}: {} at first, {} at last.", duration(first), duration(last))
    });
    often.into_iter().chain(lasts).collect()
}

/// Middle of the first and of the last quarter of values that go one way from quarter to quarter.
fn ends(values: &[f64]) -> Option<(f64, f64)> {
    let n = values.len();
    let quarters: [Vec<f64>; 4] = std::array::from_fn(|k| {
        let mut quarter = values[k * n / 4..(k + 1) * n / 4].to_vec();
        quarter.sort_by(f64::total_cmp);
        quarter
    });
    if quarters.iter().any(|quarter| quarter.len() < FEWEST) {
        return None;
    }
    let middle = |k: usize| quarters[k][quarters[k].len() / 2];
    let outside = |k: usize| (OUTSIDE * quarters[k].len() as f64) as usize;
    let low = |k: usize| quarters[k][outside(k)];
    let high = |k: usize| quarters[k][quarters[k].len() - 1 - outside(k)];
    let (first, last) = (middle(0), middle(3));
    let rises = (0..3).all(|k| middle(k) < middle(k + 1)) && high(0) < low(3);
    let falls = (0..3).all(|k| middle(k) > middle(k + 1)) && low(0) > high(3);
    let far = last > CHANGES * first || first > CHANGES * last;
    ((rises || falls) && far).then_some((first, last))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_goes_one_way_is_told_and_what_varies_is_not() {
        let rising: Vec<f64> = (0..40).map(|k| 10.0 + f64::from(k)).collect();
        assert_eq!(ends(&rising), Some((15.0, 45.0)));
        let falling: Vec<f64> = rising.iter().rev().copied().collect();
        assert_eq!(ends(&falling), Some((45.0, 15.0)));
        // As far as it wavers from one to the next, or back again, or by little, or of few.
        let golden = |k: i32| (f64::from(k) * 0.618_034).fract();
        let wavers: Vec<f64> = (0..40).map(|k| 10.0 + 30.0 * golden(k)).collect();
        let returns: Vec<f64> = (0..40).map(|k: i32| 10.0 + f64::from((k - 20).abs())).collect();
        let little: Vec<f64> = (0..40).map(|k| 100.0 + f64::from(k)).collect();
        for values in [&wavers, &returns, &little, &rising[..8].to_vec()] {
            assert_eq!(ends(values), None, "{values:?}");
        }
    }
}
