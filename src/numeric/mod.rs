//! The arithmetic that several stages share: exact sums, moments, autocorrelated means,
//! Student's factors, and currents in the words people read.

mod ar1;
mod gum;
mod lasting;
mod moments;
mod order;
mod quantity;
mod student;
mod sum;

pub use ar1::effective_samples;
pub use gum::{rectangular, resolution, resolution_of_mean, welch_satterthwaite};
pub use lasting::{Lasting, bounds, duration};
pub use moments::{Moments, lag1_autocorrelation};
pub(crate) use order::{rising, sort_few};
pub(crate) use quantity::trimmed;
pub use quantity::{Quantity, Unit, significant};
pub use student::{coverage_factor_95, normal_cdf, normal_quantile, student_cdf, student_quantile};
pub use sum::ExactSum;
pub(crate) use sum::{extremes, plain_sum, sum_above};
