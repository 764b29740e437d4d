//! Anomaly scores: one definition for loads, steps and states.
//!
//! A score is the signed distance of a value from what was expected of it, in standard
//! uncertainties of that distance: `z = (x − r) / u(x − r)`. What is expected is a range or a point;
//! `r` is its nearest point, so inside a range `z = 0`. Positive is more draw (a larger jump up) than
//! expected. Of a standard normal `z`, one in 22 lies beyond ±2 and one in 370 beyond ±3.
//!
//! | of | expected | `u` |
//! | --- | --- | --- |
//! | load with limits | the limits at the site's voltage | of its draw |
//! | load without | its own other switchings; the farthest one counts | of that difference |
//! | step | the change of the draws that its line switches | of jump and draws |
//! | state visit | the capture's other visits | of that difference |

use super::limits::Limits;

/// Distance of `value` from the nearest point of `low..=high`, signed, ampere.
fn beyond(value_a: f64, limits: &Limits) -> f64 {
    match (limits.low_a, limits.high_a) {
        (_, Some(high_a)) if value_a > high_a => value_a - high_a,
        (Some(low_a), _) if value_a < low_a => value_a - low_a,
        _ => 0.0,
    }
}

/// The definition: a distance in its standard uncertainties; `None` without one.
pub(super) fn of_distance(distance_a: f64, u_a: f64) -> Option<f64> {
    (u_a > 0.0).then(|| distance_a / u_a)
}

/// Score of a draw against its limits; `None` without one, or without an uncertainty.
pub(super) fn against_limits(value_a: f64, u_a: f64, limits: &Limits) -> Option<f64> {
    of_distance(beyond(value_a, limits), u_a).filter(|_| limits.any())
}

/// Score of the farthest of several alike values, each of standard uncertainty `u_each_a`, against
/// the mean of the others, `u² = u_each² (1 + 1/(n−1))`. `None` for fewer than two.
pub(super) fn among_repeats(values_a: &[f64], u_each_a: f64) -> Option<f64> {
    let n = values_a.len() as f64;
    if values_a.len() < 2 || u_each_a <= 0.0 {
        return None;
    }
    let sum: f64 = values_a.iter().sum();
    let u_a = u_each_a * (1.0 + 1.0 / (n - 1.0)).sqrt();
    values_a
        .iter()
        .map(|value| (value - (sum - value) / (n - 1.0)) / u_a)
        .max_by(|a, b| a.abs().total_cmp(&b.abs()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn the_sign_is_more_or_less_draw_and_inside_is_zero() {
        let limits = Limits { specified_a: None, low_a: Some(0.064), high_a: Some(0.096) };
        assert_relative_eq!(against_limits(0.1, 0.002, &limits).unwrap(), 2.0, epsilon = 1e-9);
        assert_relative_eq!(against_limits(0.060, 0.002, &limits).unwrap(), -2.0, epsilon = 1e-9);
        assert_eq!(against_limits(0.080, 0.002, &limits), Some(0.0));
        assert_eq!(against_limits(0.080, 0.002, &Limits::default()), None);
    }

    #[test]
    fn the_odd_one_among_repeats_counts() {
        let score = among_repeats(&[1.0, 1.0, 4.0], 1.0).unwrap();
        assert_relative_eq!(score, 3.0 / 1.5f64.sqrt(), epsilon = 1e-12);
        assert_eq!(among_repeats(&[1.0], 1.0), None);
    }
}
