//! Normal and Student distributions, by statrs.

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

/// Above this many degrees of freedom Student's distribution is taken as normal:
/// the 95 % factors differ by less than 1e-5.
const NORMAL_FROM: f64 = 1e6;

/// Standard normal distribution function.
pub fn normal_cdf(z: f64) -> f64 {
    Normal::standard().cdf(z)
}

/// Standard normal quantile.
///
/// # Panics
/// When `p` lies outside 0…1.
pub fn normal_quantile(p: f64) -> f64 {
    Normal::standard().inverse_cdf(p)
}

/// Student's distribution function; `None` degrees of freedom is the normal one, and none at all
/// (0) know nothing: one half everywhere.
pub fn student_cdf(t: f64, degrees_of_freedom: Option<f64>) -> f64 {
    if knows_nothing(degrees_of_freedom) {
        return 0.5;
    }
    match student(degrees_of_freedom) {
        Some(distribution) => distribution.cdf(t),
        None => normal_cdf(t),
    }
}

/// Student's quantile; `None` degrees of freedom is the normal one. Below one degree of freedom,
/// where tables end, it widens without end: 165 at ½ for 95 %, infinite at 0.
///
/// # Panics
/// When `p` lies outside 0…1.
pub fn student_quantile(p: f64, degrees_of_freedom: Option<f64>) -> f64 {
    if knows_nothing(degrees_of_freedom) {
        return if p == 0.5 { 0.0 } else { f64::INFINITY.copysign(p - 0.5) };
    }
    match student(degrees_of_freedom) {
        Some(distribution) => distribution.inverse_cdf(p),
        None => normal_quantile(p),
    }
}

/// Two-sided 95 % factor (JCGM 100:2008 table G.2, column 95 %).
pub fn coverage_factor_95(degrees_of_freedom: Option<f64>) -> f64 {
    student_quantile(0.975, degrees_of_freedom)
}

fn knows_nothing(degrees_of_freedom: Option<f64>) -> bool {
    degrees_of_freedom.is_some_and(|df| df.is_nan() || df <= 0.0)
}

fn student(degrees_of_freedom: Option<f64>) -> Option<StudentsT> {
    let df = degrees_of_freedom.filter(|df| *df < NORMAL_FROM)?;
    StudentsT::new(0.0, 1.0, df).ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Against SciPy's `stats.t.ppf(0.975, ν)` (computed); the first whole one is 12.71 in JCGM
    /// 100:2008, table G.2.
    #[test]
    fn less_than_one_degree_of_freedom_widens_without_end() {
        for (df, t) in [
            (0.3, 6_582.035_699_400_742_5),
            (0.5, 164.557_673_480_488_18),
            (0.8, 23.327_935_796_004_3),
            (1.0, 12.706_204_736_174_694),
            (1.5, 6.016_663_104_427_929),
        ] {
            assert_relative_eq!(coverage_factor_95(Some(df)), t, max_relative = 1e-6);
        }
        assert_eq!(coverage_factor_95(Some(0.0)), f64::INFINITY);
        assert_eq!(student_quantile(0.025, Some(0.0)), f64::NEG_INFINITY);
        assert_relative_eq!(student_cdf(7.0, Some(0.0)), 0.5);
    }

    /// Half widths of mean ± t·s/√n, read in secondary copies: Analyst 108 (1983) 64, three
    /// readings; NIST/SEMATECH e-Handbook 1.3.5.2, ZARR13, at 95 % and 99 %.
    #[test]
    fn intervals_of_a_mean() {
        let half = |p: f64, n: f64, s: f64| student_quantile(p, Some(n - 1.0)) * s / n.sqrt();
        approx::assert_abs_diff_eq!(half(0.975, 3.0, 0.964_365), 2.396, epsilon = 5e-4);
        approx::assert_abs_diff_eq!(half(0.975, 195.0, 0.022_788_81), 0.003_219, epsilon = 5e-7);
        approx::assert_abs_diff_eq!(half(0.995, 195.0, 0.022_788_81), 0.004_245, epsilon = 5e-7);
    }
}
