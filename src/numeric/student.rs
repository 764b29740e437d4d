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

/// Student's distribution function; `None` degrees of freedom is the normal one.
pub fn student_cdf(t: f64, degrees_of_freedom: Option<f64>) -> f64 {
    match student(degrees_of_freedom) {
        Some(distribution) => distribution.cdf(t),
        None => normal_cdf(t),
    }
}

/// Student's quantile; `None` degrees of freedom is the normal one.
///
/// # Panics
/// When `p` lies outside 0…1.
pub fn student_quantile(p: f64, degrees_of_freedom: Option<f64>) -> f64 {
    match student(degrees_of_freedom) {
        Some(distribution) => distribution.inverse_cdf(p),
        None => normal_quantile(p),
    }
}

/// Two-sided 95 % factor (JCGM 100:2008 table G.2, column 95 %).
pub fn coverage_factor_95(degrees_of_freedom: Option<f64>) -> f64 {
    student_quantile(0.975, degrees_of_freedom)
}

fn student(degrees_of_freedom: Option<f64>) -> Option<StudentsT> {
    let df = degrees_of_freedom.filter(|df| *df < NORMAL_FROM)?;
    StudentsT::new(0.0, 1.0, df).ok()
}
