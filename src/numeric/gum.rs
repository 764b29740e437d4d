//! Standard uncertainties of the usual type B sources, and their degrees of freedom (JCGM 100:2008).

use std::f64::consts::PI;

/// Standard uncertainty of a quantity known to lie within `±half_width`: `a/√3` (JCGM 100:2008, 4.3.7).
pub fn rectangular(half_width: f64) -> f64 {
    half_width.abs() / 3f64.sqrt()
}

/// Standard uncertainty of an indication rounded to steps of `step`: `q/√12` (JCGM 100:2008, F.2.2.1).
pub fn resolution(step: f64) -> f64 {
    step.abs() / 12f64.sqrt()
}

/// Standard uncertainty that rounding to steps of `step` leaves on the mean of many readings whose
/// noise before rounding has standard deviation `sigma`.
///
/// The mean of rounded Gaussian readings at level μ is off by
/// `(q/π) Σ_k ((−1)ᵏ/k) exp(−2π²k²σ²/q²) sin(2πkμ/q)` (characteristic function of the rounding
/// error; Widrow & Kollár, Quantization Noise, 2008, ch. 5, formula from memory). With μ spread
/// evenly over one step its standard deviation is
/// `√(Σ_k q²/(2π²k²) exp(−4π²k²σ²/q²))`: `q/√12` without noise, 0.5 % of a step at σ = q/2.
pub fn resolution_of_mean(step: f64, sigma: f64) -> f64 {
    let step = step.abs();
    if step == 0.0 {
        return 0.0;
    }
    let ratio = sigma / step;
    if ratio < 0.02 {
        return resolution(step);
    }
    let decay = 4.0 * PI * PI * ratio * ratio;
    let mut sum = 0.0;
    for k in 1..2000 {
        let k2 = f64::from(k) * f64::from(k);
        let term = (-decay * k2).exp() / k2;
        sum += term;
        // Far above a step of noise every term is nothing.
        if term <= 1e-12 * sum {
            break;
        }
    }
    (step * step / (2.0 * PI * PI) * sum).sqrt()
}

/// Effective degrees of freedom of a sum of independent components (Welch-Satterthwaite,
/// JCGM 100:2008, G.4.1, eq. G.2b): `ν = (Σu²)² / Σ(u⁴/ν)`.
///
/// Each component is its standard uncertainty and its degrees of freedom, `None` for infinitely
/// many. `None` when the sum has infinitely many.
pub fn welch_satterthwaite(components: &[(f64, Option<f64>)]) -> Option<f64> {
    let total: f64 = components.iter().map(|(u, _)| u * u).sum();
    let spread: f64 = components.iter().filter_map(|(u, df)| df.map(|df| u.powi(4) / df)).sum();
    (spread > 0.0 && total > 0.0).then(|| total * total / spread)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numeric::coverage_factor_95;
    use approx::{assert_abs_diff_eq, assert_relative_eq};

    /// JCGM 100:2008, 4.3.7 and F.2.2.1; read in a secondary copy (0.58 a in part from memory).
    #[test]
    fn gum_rect_and_gum_res() {
        assert_abs_diff_eq!(rectangular(1.0), 0.58, epsilon = 0.005);
        assert_abs_diff_eq!(resolution(1.0), 0.29, epsilon = 0.002);
    }

    /// JCGM 100:2008, 4.3.7 example 2 and 5.1.5: DVM, 12 µV type A, 14e-6 of reading + 2e-6 of
    /// range; from memory, recomputed.
    #[test]
    fn gum_dvm() {
        let half_width_uv = (14e-6 * 0.928571 + 2e-6) * 1e6;
        assert_abs_diff_eq!(half_width_uv, 15.0, epsilon = 0.5);
        let u_b = rectangular(half_width_uv);
        assert_abs_diff_eq!(u_b, 8.7, epsilon = 0.05);
        assert_abs_diff_eq!(u_b.hypot(12.0), 15.0, epsilon = 0.5);
    }

    /// JCGM 100:2008, G.4.1 example: 0.25, 0.57, 0.82 % from 10, 5 and 15 readings; from memory.
    #[test]
    fn gum_g41() {
        let parts = [(0.25, Some(9.0)), (0.57, Some(4.0)), (0.82, Some(14.0))];
        let u: f64 = parts.iter().map(|(u, _)| u * u).sum::<f64>().sqrt();
        let df = welch_satterthwaite(&parts).unwrap();
        assert_abs_diff_eq!(u, 1.03, epsilon = 0.005);
        assert_abs_diff_eq!(df, 19.0, epsilon = 0.06);
        let k = coverage_factor_95(Some(df));
        assert_abs_diff_eq!(k, 2.09, epsilon = 0.006);
        assert_abs_diff_eq!(k * u, 2.2, epsilon = 0.06);
    }

    /// From the formula (mathematics, no source): the sum has at least the fewest of its parts'.
    #[test]
    fn parts_with_less_than_one_degree_of_freedom() {
        let df = welch_satterthwaite(&[(1.0, Some(0.4)), (2.0, None)]).unwrap();
        assert_relative_eq!(df, 0.4 * 25.0, max_relative = 1e-12);
        assert_relative_eq!(welch_satterthwaite(&[(1.0, Some(0.4))]).unwrap(), 0.4);
        assert_eq!(welch_satterthwaite(&[(1.0, Some(0.0)), (1.0, None)]), Some(0.0));
        assert_eq!(welch_satterthwaite(&[(1.0, None)]), None);
    }

    /// NIST/SEMATECH e-Handbook 1.3.5.3, AUTO83B (Welch's degrees of freedom); read in a secondary copy.
    #[test]
    fn t2_welch() {
        let (n1, m1, s1) = (249f64, 20.14458, 6.4147);
        let (n2, m2, s2) = (79f64, 30.48101, 6.10771);
        let (u1, u2) = (s1 / n1.sqrt(), s2 / n2.sqrt());
        let df = welch_satterthwaite(&[(u1, Some(n1 - 1.0)), (u2, Some(n2 - 1.0))]).unwrap();
        assert_abs_diff_eq!((m1 - m2) / f64::hypot(u1, u2), -12.946, epsilon = 0.006);
        assert_abs_diff_eq!(df, 136.87, epsilon = 0.006);
    }

    /// Student 1908, Biometrika 6(1), the sleep data; read in a secondary copy, recomputed.
    #[test]
    fn t2_sleep() {
        let a = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0];
        let b = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4];
        let part = |values: &[f64]| {
            let m = crate::numeric::Moments::of(values).unwrap();
            (m.mean, m.sd.unwrap() / (values.len() as f64).sqrt(), values.len() as f64 - 1.0)
        };
        let ((ma, ua, da), (mb, ub, db)) = (part(&a), part(&b));
        let t = (ma - mb) / f64::hypot(ua, ub);
        let df = welch_satterthwaite(&[(ua, Some(da)), (ub, Some(db))]);
        assert_relative_eq!(t, -1.8608134674868526, max_relative = 1e-12);
        assert_relative_eq!(df.unwrap(), 17.776473516178488, max_relative = 1e-12);
        let p = 2.0 * crate::numeric::student_cdf(t, df);
        assert_relative_eq!(p, 0.0793941401873583, max_relative = 1e-9);
    }

    /// JCGM 100:2008, table G.2; read in a secondary copy.
    #[test]
    fn gum_g2() {
        let cells = [
            (1.0, 0.6827, 1.84),
            (1.0, 0.95, 12.71),
            (1.0, 0.9973, 235.8),
            (2.0, 0.9973, 19.21),
            (5.0, 0.9973, 5.51),
            (10.0, 0.9, 1.81),
            (11.0, 0.99, 3.11),
            (19.0, 0.95, 2.09),
            (20.0, 0.9, 1.72),
            (20.0, 0.95, 2.09),
        ];
        for (df, p, t) in cells {
            let found = crate::numeric::student_quantile(0.5 + 0.5 * p, Some(df));
            assert_abs_diff_eq!(found, t, epsilon = 0.006 + 2e-4 * t);
        }
    }

    /// Against the mean of simulated rounding on a fine grid of levels (mathematics, no source).
    #[test]
    fn noise_dithers_the_rounding_away() {
        assert_relative_eq!(resolution_of_mean(1.0, 0.0), resolution(1.0));
        for sigma in [0.05, 0.2, 0.4] {
            let mut squares = 0.0;
            let levels = 400;
            for i in 0..levels {
                let level = f64::from(i) / f64::from(levels);
                // Mean of round(level + noise) from the normal probabilities of each count.
                let mean: f64 = (-4..6)
                    .map(|count| {
                        let edge = |x: f64| crate::numeric::normal_cdf((x - level) / sigma);
                        let count = f64::from(count);
                        count * (edge(count + 0.5) - edge(count - 0.5))
                    })
                    .sum();
                squares += (mean - level).powi(2);
            }
            let direct = (squares / f64::from(levels)).sqrt();
            assert_relative_eq!(resolution_of_mean(1.0, sigma), direct, max_relative = 0.01);
        }
    }
}
